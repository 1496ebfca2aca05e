//! A limits file in, [`Limits`] out, or every fault in it with line, column and a next step.
//! Nothing unknown is passed over: a misspelt limit that is silently ignored would let a scan
//! pass on a default that its shop had meant to tighten.

use std::fmt;
use std::path::Path;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::read::why_unread;

use super::rows::{find, nearest_key};
use super::{Limits, ROWS, Setting};

/// What is wrong at one place of a limits file.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Fault {
    /// The file can't be had.
    #[error("{0}")]
    Unreadable(String),
    /// Not TOML.
    #[error("not valid TOML: {0}")]
    Syntax(String),
    /// No such table or key.
    #[error("no limit is called `{key}`")]
    UnknownKey {
        /// As written, with its table.
        key: String,
    },
    /// Another kind of value.
    #[error("wrong kind of value, it takes {wants}")]
    WrongKind {
        /// What the row allows.
        wants: String,
    },
    /// NaN or infinite.
    #[error("not a finite number, it takes {wants}")]
    NotFinite {
        /// What the row allows.
        wants: String,
    },
    /// Out of the row's range.
    #[error("out of range, it takes {wants}")]
    OutOfRange {
        /// What the row allows.
        wants: String,
    },
    /// Two limits that make sense only in one order.
    #[error("{low} is over {high}")]
    Crossed {
        /// The one that must be the smaller.
        low: &'static str,
        /// The one that must be the larger.
        high: &'static str,
    },
}

/// One fault of a limits file, with its place.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitsError {
    /// The file as it was named.
    pub file: String,
    /// Line and column, both from 1; `None` where the fault has no one place.
    pub at: Option<(usize, usize)>,
    /// The key, with its table, where there is one.
    pub key: Option<String>,
    /// What is wrong.
    pub fault: Fault,
}

impl fmt::Display for LimitsError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: ", self.file)?;
        if let Some((line, column)) = self.at {
            write!(f, "line {line}, column {column}: ")?;
        }
        match (&self.key, &self.fault) {
            (Some(key), fault) if !matches!(fault, Fault::UnknownKey { .. }) => {
                write!(f, "`{key}`: {fault}")
            }
            (_, fault) => write!(f, "{fault}"),
        }
    }
}

impl std::error::Error for LimitsError {}

impl LimitsError {
    /// What to do about it.
    #[must_use]
    pub fn help(&self) -> String {
        match &self.fault {
            Fault::UnknownKey { key } => match nearest_key(key) {
                Some(near) => {
                    format!("the nearest is `{near}`; `secondbend limits` lists them all")
                }
                None => "`secondbend limits` lists them all".into(),
            },
            Fault::Unreadable(_) => {
                "name a TOML file; `secondbend limits --toml` prints one to start from".into()
            }
            Fault::Syntax(_) => {
                "mend that line, or start again from `secondbend limits --toml`".into()
            }
            Fault::Crossed { .. } => "make the first the smaller of the two".into(),
            _ => match &self.key {
                Some(key) => format!("`secondbend limits {key}` explains it"),
                None => "`secondbend limits` explains them all".into(),
            },
        }
    }
}

/// Pairs whose first must not be over the second.
const ORDERED: &[(&str, &str)] = &[
    ("scan.size_least_mm", "scan.size_most_mm"),
    (
        "figures.first_bend_area_least_mm2",
        "figures.first_bend_area_most_mm2",
    ),
];

/// Largest limits file, bytes. The whole commented table is under 10 kB.
/// Too low: a shop's long comments are refused. Too high: a scan named by mistake is read whole.
const MOST_BYTES: u64 = 1_000_000;

impl Limits {
    /// Reads a limits file; what it does not name keeps its default.
    ///
    /// # Errors
    /// Every fault found, in the order of the file.
    pub fn read(path: &Path) -> Result<Self, Vec<LimitsError>> {
        let file = path.display().to_string();
        let fail = |fault| {
            vec![LimitsError {
                file: file.clone(),
                at: None,
                key: None,
                fault,
            }]
        };
        let unreadable = |e: std::io::Error| fail(Fault::Unreadable(why_unread(&e)));
        let size = std::fs::metadata(path).map_err(unreadable)?.len();
        if size > MOST_BYTES {
            return Err(fail(Fault::Unreadable(format!(
                "{size} bytes are too many for limits"
            ))));
        }
        let bytes = std::fs::read(path).map_err(unreadable)?;
        let text = String::from_utf8(bytes).map_err(|e| {
            let at = e.utf8_error().valid_up_to();
            fail(Fault::Unreadable(format!(
                "no text (UTF-8): byte {at} is not"
            )))
        })?;
        Self::from_toml(&text, &file)
    }

    /// Reads limits from TOML text; `file` is the name that messages give it.
    ///
    /// # Errors
    /// Every fault found, in the order of the text.
    pub fn from_toml(text: &str, file: &str) -> Result<Self, Vec<LimitsError>> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let mut reader = Reader {
            text,
            file,
            faults: Vec::new(),
            limits: Self::default(),
        };
        reader.limits.from = Some(file.to_owned());
        match DeTable::parse(text) {
            Ok(root) => reader.tables(root.get_ref()),
            Err(e) => {
                let at = e.span().map_or(0, |s| s.start);
                let what = e
                    .message()
                    .lines()
                    .next()
                    .unwrap_or("cannot be parsed")
                    .to_owned();
                reader.fault(at, None, Fault::Syntax(what));
            }
        }
        reader.finish()
    }
}

struct Reader<'t> {
    text: &'t str,
    file: &'t str,
    faults: Vec<(usize, LimitsError)>,
    limits: Limits,
}

impl Reader<'_> {
    fn fault(&mut self, offset: usize, key: Option<String>, fault: Fault) {
        let at = Some(line_and_column(self.text, offset));
        let error = LimitsError {
            file: self.file.to_owned(),
            at,
            key,
            fault,
        };
        self.faults.push((offset, error));
    }

    fn tables(&mut self, root: &DeTable<'_>) {
        for (name, value) in root {
            let table = name.get_ref().as_ref();
            let known = ROWS.iter().any(|row| row.table_and_name().0 == table);
            match value.get_ref() {
                DeValue::Table(inner) if known => {
                    for (name, value) in inner {
                        self.entry(
                            &format!("{table}.{}", name.get_ref()),
                            name.span().start,
                            value,
                        );
                    }
                }
                // Each key of an unknown table is told of by itself: that names the limit meant.
                DeValue::Table(inner) if !inner.is_empty() => {
                    for name in inner.keys() {
                        let key = format!("{table}.{}", name.get_ref());
                        self.fault(name.span().start, None, Fault::UnknownKey { key });
                    }
                }
                _ => self.fault(
                    name.span().start,
                    None,
                    Fault::UnknownKey {
                        key: table.to_owned(),
                    },
                ),
            }
        }
    }

    fn entry(&mut self, key: &str, key_at: usize, value: &Spanned<DeValue<'_>>) {
        let Some(row) = find(key) else {
            return self.fault(
                key_at,
                None,
                Fault::UnknownKey {
                    key: key.to_owned(),
                },
            );
        };
        let put = match setting(value.get_ref()) {
            Some(setting) => self.limits.put(row, setting),
            None => Err(Fault::WrongKind { wants: row.wants() }),
        };
        if let Err(fault) = put {
            self.fault(value.span().start, Some(key.to_owned()), fault);
        }
    }

    fn finish(mut self) -> Result<Limits, Vec<LimitsError>> {
        for &(low, high) in ORDERED {
            let (Some(a), Some(b)) = (find(low), find(high)) else {
                continue;
            };
            if self.faults.is_empty() && self.limits.number(a) > self.limits.number(b) {
                let fault = Fault::Crossed { low, high };
                let file = self.file.to_owned();
                self.faults.push((
                    usize::MAX,
                    LimitsError {
                        file,
                        at: None,
                        key: None,
                        fault,
                    },
                ));
            }
        }
        if self.faults.is_empty() {
            return Ok(self.limits);
        }
        self.faults.sort_by_key(|(offset, _)| *offset);
        Err(self.faults.into_iter().map(|(_, e)| e).collect())
    }
}

/// A TOML value as a setting; whole numbers below zero or beyond 32 bits become plain numbers,
/// so that they are told to be out of range and not of the wrong kind.
fn setting(value: &DeValue<'_>) -> Option<Setting> {
    match value {
        DeValue::Integer(i) => {
            let whole = i64::from_str_radix(i.as_str(), i.radix()).ok()?;
            // Exact below 2^53, and beyond it only the fact of being out of range matters.
            #[allow(clippy::cast_precision_loss)]
            let number = Setting::Number(whole as f64);
            Some(u32::try_from(whole).map_or(number, Setting::Count))
        }
        DeValue::Float(x) => x.as_str().parse().ok().map(Setting::Number),
        DeValue::String(s) => Some(Setting::Word(s.to_string())),
        _ => None,
    }
}

fn line_and_column(text: &str, offset: usize) -> (usize, usize) {
    let mut end = offset.min(text.len());
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    let before = &text[..end];
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().map_or(0, |l| l.chars().count()) + 1;
    (line, column)
}
