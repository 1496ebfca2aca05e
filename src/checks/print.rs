//! The checks in words: listed and explained on a terminal, and as the page `docs/checks.md`.

use std::fmt::Write;

use crate::limits::wrapped;

use super::{CHECKS, Check};

/// Every check with its question.
#[must_use]
pub fn list() -> String {
    let mut out = String::new();
    for check in CHECKS {
        let body = wrapped(check.asks, &" ".repeat(24), 80);
        let _ = writeln!(out, "{:24}{}", check.id, body.trim_start());
    }
    out
}

/// One check, explained for a terminal of 80 columns.
#[must_use]
pub fn explain(check: &Check) -> String {
    let mut out = format!("{}\n", check.id);
    let _ = writeln!(out, "{}", wrapped(check.asks, "    ", 80));
    let _ = writeln!(out, "{}", wrapped(check.explains, "    ", 80));
    let _ = writeln!(
        out,
        "    breaking it means, at worst: {}",
        check.worst.words()
    );
    for row in check.limits {
        let _ = writeln!(out, "    limit: {}", row.key);
    }
    out
}

/// The part of `docs/checks.md` that comes from the rows.
#[must_use]
pub fn markdown() -> String {
    let mut out = String::new();
    for check in CHECKS {
        let _ = write!(
            out,
            "\n## `{}`\n\n**{}**\n\n{}\n\n",
            check.id, check.asks, check.explains
        );
        let _ = writeln!(
            out,
            "- breaking it means, at worst: {}",
            check.worst.words()
        );
        for row in check.limits {
            let _ = writeln!(out, "- limit: `{}`", row.key);
        }
    }
    out
}
