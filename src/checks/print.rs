//! The checks in words: listed and explained on a terminal, and as the page `docs/checks.md`.

use std::fmt::Write;

use crate::limits::wrapped;

use crate::limits::Row;

use super::pull::{PULL_CHECKS, PullCheck};
use super::shell::{SHELL_CHECKS, ShellCheck};
use super::wall::{WALL_CHECKS, WallCheck};
use super::{CHECKS, Check, Verdict};

/// What is said of a check, whatever it checks.
struct About {
    id: &'static str,
    asks: &'static str,
    explains: &'static str,
    worst: Verdict,
    limits: &'static [&'static Row],
}

impl From<&Check> for About {
    fn from(c: &Check) -> Self {
        Self {
            id: c.id,
            asks: c.asks,
            explains: c.explains,
            worst: c.worst,
            limits: c.limits,
        }
    }
}

impl From<&WallCheck> for About {
    fn from(c: &WallCheck) -> Self {
        Self {
            id: c.id,
            asks: c.asks,
            explains: c.explains,
            worst: c.worst,
            limits: c.limits,
        }
    }
}

impl From<&ShellCheck> for About {
    fn from(c: &ShellCheck) -> Self {
        Self {
            id: c.id,
            asks: c.asks,
            explains: c.explains,
            worst: c.worst,
            limits: c.limits,
        }
    }
}

impl From<&PullCheck> for About {
    fn from(c: &PullCheck) -> Self {
        Self {
            id: c.id,
            asks: c.asks,
            explains: c.explains,
            worst: c.worst,
            limits: c.limits,
        }
    }
}

impl About {
    fn all() -> impl Iterator<Item = Self> {
        let scans = CHECKS.iter().map(|&c| Self::from(c));
        scans
            .chain(WALL_CHECKS.iter().map(|&c| Self::from(c)))
            .chain(SHELL_CHECKS.iter().map(|&c| Self::from(c)))
            .chain(PULL_CHECKS.iter().map(|&c| Self::from(c)))
    }

    fn explained(&self) -> String {
        let mut out = format!("{}\n", self.id);
        let _ = writeln!(out, "{}", wrapped(self.asks, "    ", 80));
        let _ = writeln!(out, "{}", wrapped(self.explains, "    ", 80));
        let _ = writeln!(
            out,
            "    breaking it means, at worst: {}",
            self.worst.words()
        );
        for row in self.limits {
            let _ = writeln!(out, "    limit: {}", row.key);
        }
        out
    }
}

/// Every check with its question.
#[must_use]
pub fn list() -> String {
    let mut out = String::new();
    for check in About::all() {
        let body = wrapped(check.asks, &" ".repeat(24), 80);
        let _ = writeln!(out, "{:24}{}", check.id, body.trim_start());
    }
    out
}

/// One check, explained for a terminal of 80 columns.
#[must_use]
pub fn explain(check: &Check) -> String {
    About::from(check).explained()
}

/// The check with this id, of scans or of walls, explained for a terminal of 80 columns.
#[must_use]
pub fn explain_id(id: &str) -> Option<String> {
    let mut all = About::all();
    all.find(|c| c.id == id).map(|c| c.explained())
}

/// The part of `docs/checks.md` that comes from the rows.
#[must_use]
pub fn markdown() -> String {
    let mut out = String::new();
    for check in About::all() {
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
