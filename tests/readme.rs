//! Examples that the README prints are what the program says, to the letter.

use assert_cmd::Command;

#[test]
fn printed_examples_are_what_the_program_says() {
    let root = env!("CARGO_MANIFEST_DIR");
    let readme = std::fs::read_to_string(format!("{root}/README.md")).expect("the README is there");
    let mut tried = 0;
    for part in readme.split("<!-- example: ").skip(1) {
        let (args, rest) = part
            .split_once(" -->")
            .expect("an example's comment is closed");
        let printed = rest
            .split("```text\n")
            .nth(1)
            .and_then(|r| r.split("```").next());
        let printed = printed.expect("a block of text follows the comment");
        let run = Command::cargo_bin("secondbend")
            .expect("the program is built")
            .current_dir(root)
            .args(args.split_whitespace())
            .output()
            .expect("the program runs");
        assert_eq!(
            String::from_utf8_lossy(&run.stdout),
            printed,
            "`{args}` prints otherwise"
        );
        tried += 1;
    }
    assert!(tried > 0, "the README has no example left");
}
