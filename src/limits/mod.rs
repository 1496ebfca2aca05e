//! The shop's thresholds: one row a limit, read from a commented TOML, every default with the
//! source it rests on. Nothing is measured here and nothing is judged.
//!
//! A limit is asked for by its row ([`rows::PAST_FIRST_BEND`] and so on), never by a string, so
//! that a renamed key can't leave a check reading a default in silence.

mod file;
mod print;
pub mod rows;

pub use file::{Fault, LimitsError};
pub use print::{explain, explain_all, markdown, to_toml, wrapped};
pub use rows::{Kind, ROWS, Row, nearest_key};

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One limit's value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Setting {
    /// How many.
    Count(u32),
    /// A length, area, … in the unit of its row; finite.
    Number(f64),
    /// One of the words that the row allows.
    Word(String),
}

/// All limits: the defaults, and over them what a shop's file says.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    set: BTreeMap<&'static str, Setting>,
    /// The file that they come from, as it was named; `None` for the defaults.
    pub from: Option<String>,
}

impl Default for Limits {
    fn default() -> Self {
        let set = ROWS.iter().map(|row| (row.key, row.default())).collect();
        Self { set, from: None }
    }
}

impl Limits {
    /// The number that stands for `row`, in its unit (a count as a whole number; 0 for a row of
    /// words, which no check asks a number of).
    #[must_use]
    pub fn number(&self, row: &Row) -> f64 {
        match self.setting(row) {
            Setting::Number(x) => x,
            Setting::Count(n) => f64::from(n),
            Setting::Word(_) => 0.0,
        }
    }

    /// The count that stands for `row` (0 for a row of another kind).
    #[must_use]
    pub fn count(&self, row: &Row) -> u32 {
        match self.setting(row) {
            Setting::Count(n) => n,
            _ => 0,
        }
    }

    /// The word that stands for `row` (empty for a row of another kind).
    #[must_use]
    pub fn word(&self, row: &Row) -> String {
        match self.setting(row) {
            Setting::Word(w) => w,
            _ => String::new(),
        }
    }

    /// The value of `row`, whatever its kind.
    #[must_use]
    pub fn setting(&self, row: &Row) -> Setting {
        self.set
            .get(row.key)
            .cloned()
            .unwrap_or_else(|| row.default())
    }

    /// Puts a value in, if the row allows it.
    ///
    /// # Errors
    /// [`Fault`] when the value is of another kind, not finite, or out of the row's range.
    pub fn put(&mut self, row: &'static Row, value: Setting) -> Result<(), Fault> {
        let value = row.admit(value)?;
        self.set.insert(row.key, value);
        Ok(())
    }

    /// All limits as tables of keys, as the TOML has them.
    #[must_use]
    pub fn as_tables(&self) -> BTreeMap<String, BTreeMap<String, Setting>> {
        let mut tables: BTreeMap<String, BTreeMap<String, Setting>> = BTreeMap::new();
        for row in ROWS {
            let (table, name) = row.table_and_name();
            tables
                .entry(table.to_owned())
                .or_default()
                .insert(name.to_owned(), self.setting(row));
        }
        tables
    }
}

#[cfg(test)]
mod tests;
