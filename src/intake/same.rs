//! Files of one tray with the same bytes. A copy under one order is harmless; one impression given for two
//! orders or for two ears is a mix-up that no measurement finds, since each of the two scans is good.

use std::collections::HashMap;

use crate::canal::Side;

use super::Named;

/// What two files of the same bytes come to, by what their names say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Same {
    /// Nothing speaks against a copy.
    Copy,
    /// One order, and its two ears.
    TwoEars,
    /// Two orders.
    TwoOrders,
}

impl Same {
    /// What is said behind the other file's name; empty for a copy.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Copy => "",
            Self::TwoEars => ": one scan for two ears",
            Self::TwoOrders => ": one scan under two orders",
        }
    }

    /// Is one of the two surely wrong?
    #[must_use]
    pub const fn mixed_up(self) -> bool {
        !matches!(self, Self::Copy)
    }

    fn of(a: &Named, b: &Named) -> Self {
        let differ = |a: Option<Side>, b: Option<Side>| a.zip(b).is_some_and(|(a, b)| a != b);
        let orders = a.order.as_ref().zip(b.order.as_ref());
        match orders.is_some_and(|(a, b)| !a.eq_ignore_ascii_case(b)) {
            true => Self::TwoOrders,
            false if differ(a.side, b.side) => Self::TwoEars,
            false => Self::Copy,
        }
    }
}

/// The files seen so far.
#[derive(Debug, Default)]
pub struct SameBytes {
    /// Digest, where the file could be opened, and what its name says.
    files: Vec<(Option<String>, Named)>,
    by_digest: HashMap<String, Vec<usize>>,
}

impl SameBytes {
    /// Takes the next file.
    pub fn add(&mut self, sha256: Option<&str>, named: &Named) {
        let sha256 = sha256.map(str::to_owned);
        if let Some(sha256) = &sha256 {
            let these = self.by_digest.entry(sha256.clone()).or_default();
            these.push(self.files.len());
        }
        self.files.push((sha256, named.clone()));
    }

    /// Of the files taken so far another one with the bytes of this: the one that it is worst to share them
    /// with, the first of several.
    #[must_use]
    pub fn twin(&self, file: usize) -> Option<(usize, Same)> {
        let (sha256, named) = self.files.get(file)?;
        let these = self.by_digest.get(sha256.as_ref()?)?;
        let others = these.iter().filter(|&&other| other != file);
        let each = others.map(|&other| (other, Same::of(named, &self.files[other].1)));
        // Of equals the first: `max_by_key` gives the last.
        each.rev().max_by_key(|&(_, same)| same)
    }
}

#[cfg(test)]
mod tests {
    use super::super::named;
    use super::*;

    #[test]
    fn equal_bytes_are_told_by_what_the_names_say() {
        let mut all = SameBytes::default();
        let files = [
            (Some("aa"), "PIT-0501-left"),
            (Some("bb"), "PIT-0501-right"),
            (Some("aa"), "pit-0501-left-copy"),
            (Some("aa"), "PIT-0501-right-again"),
            (Some("aa"), "PIT-0502-left"),
            (None, "PIT-0503-left"),
            (Some("cc"), "scan"),
            (Some("cc"), "A1-left"),
        ];
        let mut when_taken = Vec::new();
        for (i, (sha, name)) in files.into_iter().enumerate() {
            all.add(sha, &named(name));
            when_taken.push(all.twin(i));
        }
        // Of each only what came before it.
        let want = [
            None,
            None,
            Some((0, Same::Copy)),
            Some((0, Same::TwoEars)),
            Some((0, Same::TwoOrders)),
            None,
            None,
            Some((6, Same::Copy)),
        ];
        assert_eq!(when_taken, want);
        // And in the end of the first too, the worst of three.
        assert_eq!(all.twin(0), Some((4, Same::TwoOrders)));
        assert_eq!(all.twin(6), Some((7, Same::Copy)));
        assert_eq!(all.twin(99), None);
    }
}
