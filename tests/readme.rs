//! Examples that the README prints are what the program says, to the letter, but for what it leaves out: a
//! line `...` stands for any number of lines.

use assert_cmd::Command;

/// What the program prints for these arguments, in the project's folder.
fn said(args: &str) -> String {
    let run = Command::cargo_bin("secondbend")
        .expect("the program is built")
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(args.split_whitespace())
        .output()
        .expect("the program runs");
    String::from_utf8_lossy(&run.stdout).into_owned()
}

/// Does the text hold the pieces of `printed` in their order, the first at its beginning and the last at its
/// end?
fn holds(text: &str, printed: &str) -> Result<(), String> {
    let mut rest = text;
    for (i, piece) in printed.split("...\n").enumerate() {
        let at = match (i, piece) {
            (_, "") => continue,
            (0, _) => rest.starts_with(piece).then_some(0),
            _ => rest.find(piece),
        };
        let at = at.ok_or_else(|| format!("nowhere in its place:\n{piece}\nin:\n{text}"))?;
        rest = &rest[at + piece.len()..];
    }
    if printed.ends_with("...\n") || rest.is_empty() {
        Ok(())
    } else {
        Err(format!("left out without a word:\n{rest}"))
    }
}

/// The examples of a page: the arguments and what is printed.
fn examples(page: &str) -> Vec<(&str, &str)> {
    page.split("<!-- example: ")
        .skip(1)
        .map(|part| {
            let (args, rest) = part
                .split_once(" -->")
                .expect("an example's comment is closed");
            let block = rest.split("```text\n").nth(1);
            let printed = block.and_then(|r| r.split("```").next());
            (args, printed.expect("a block of text follows the comment"))
        })
        .collect()
}

#[test]
fn printed_examples_are_what_the_program_says() {
    let root = env!("CARGO_MANIFEST_DIR");
    let readme = std::fs::read_to_string(format!("{root}/README.md")).expect("the README is there");
    let all = examples(&readme);
    assert!(!all.is_empty(), "the README has no example left");
    for (args, printed) in all {
        if let Err(why) = holds(&said(args), printed) {
            panic!("`{args}` prints otherwise: {why}");
        }
    }
}

#[test]
fn what_an_example_leaves_out_is_marked() {
    let text = "a\nb\nc\nd\n";
    for (printed, so) in [
        ("a\nb\nc\nd\n", true),
        ("a\n...\nd\n", true),
        ("a\n...\nc\n...\n", true),
        ("...\nc\nd\n", true),
        ("a\nb\n", false),
        ("b\n...\n", false),
        ("a\n...\nd\n...\nb\n", false),
        ("a\nc\n...\n", false),
    ] {
        assert_eq!(holds(text, printed).is_ok(), so, "{printed:?}");
    }
}
