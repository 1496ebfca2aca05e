//! The limits in words: explained on a terminal, as a TOML to start from, and as the page
//! `docs/limits.md`, all from the one table of rows.

use std::fmt::Write;

use super::{Limits, ROWS, Row, Setting};

/// A value as TOML writes it.
fn toml_value(setting: &Setting) -> String {
    match setting {
        Setting::Count(n) => n.to_string(),
        // `{:?}` keeps the point (`6.0`), so that a reader sees that it may have decimals.
        Setting::Number(x) => format!("{x:?}"),
        Setting::Word(w) => format!("\"{w}\""),
    }
}

/// Words wrapped to `width` columns, each line after `indent`. A no-break space holds two words
/// together and is written as a plain one.
#[must_use]
pub fn wrapped(text: &str, indent: &str, width: usize) -> String {
    let mut out = String::new();
    let mut column = 0;
    for word in text.split([' ', '\n']).filter(|word| !word.is_empty()) {
        let length = word.chars().count();
        if column == 0 || column + 1 + length > width {
            if column != 0 {
                out.push('\n');
            }
            out.push_str(indent);
            column = indent.chars().count();
        } else {
            out.push(' ');
            column += 1;
        }
        out.push_str(&word.replace('\u{a0}', " "));
        column += length;
    }
    out
}

/// One limit, explained for a terminal of 80 columns.
#[must_use]
pub fn explain(row: &Row, limits: &Limits) -> String {
    let now = limits.setting(row);
    let unit = if row.unit.is_empty() {
        String::new()
    } else {
        format!(" {}", row.unit)
    };
    let mut out = format!("{} = {}{unit}\n", row.key, toml_value(&now));
    if now != row.default() {
        let _ = writeln!(out, "    default {}{unit}", toml_value(&row.default()));
    }
    let _ = writeln!(out, "{}", wrapped(row.means, "    ", 80));
    let _ = writeln!(
        out,
        "{}",
        wrapped(&format!("takes {}", row.wants()), "    ", 80)
    );
    let _ = writeln!(
        out,
        "{}",
        wrapped(&format!("source: {}", row.source), "    ", 80)
    );
    out
}

/// All limits, explained.
#[must_use]
pub fn explain_all(limits: &Limits) -> String {
    ROWS.iter()
        .map(|row| explain(row, limits))
        .collect::<Vec<_>>()
        .join("\n")
}

/// A commented TOML with every limit, to start a shop's own file from. Reading it back gives
/// the same limits.
#[must_use]
pub fn to_toml(limits: &Limits) -> String {
    let mut out = String::from(
        "# Limits of secondbend. What is left out keeps its default.\n\
         # Use with: secondbend vet --limits FILE SCAN\n",
    );
    let mut table = "";
    for row in ROWS {
        let (this, name) = row.table_and_name();
        if this != table {
            let _ = write!(out, "\n[{this}]\n");
            table = this;
        } else {
            out.push('\n');
        }
        let _ = writeln!(out, "{}", wrapped(row.means, "# ", 80));
        let _ = writeln!(
            out,
            "{}",
            wrapped(&format!("Takes {}.", row.wants()), "# ", 80)
        );
        let _ = writeln!(
            out,
            "{}",
            wrapped(&format!("Source: {}", row.source), "# ", 80)
        );
        let _ = writeln!(out, "{name} = {}", toml_value(&limits.setting(row)));
    }
    out
}

/// The part of `docs/limits.md` that comes from the rows.
#[must_use]
pub fn markdown() -> String {
    let mut out = String::new();
    let mut table = "";
    for row in ROWS {
        let (this, name) = row.table_and_name();
        if this != table {
            let _ = write!(out, "\n## `[{this}]`\n");
            table = this;
        }
        let unit = if row.unit.is_empty() {
            String::new()
        } else {
            format!(" {}", row.unit)
        };
        let _ = write!(
            out,
            "\n### `{name} = {}`{unit}\n\n",
            toml_value(&row.default())
        );
        let _ = writeln!(out, "{}\n", row.means);
        let _ = writeln!(out, "- takes {}", row.wants());
        let _ = writeln!(out, "- source: {}", row.source);
    }
    out
}
