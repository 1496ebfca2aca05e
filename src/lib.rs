//! Geometry of scanned ear impressions and in-ear monitor shells, as measured answers.
//!
//! Data flows one way: [`read`] → [`mesh`] → [`soundness`] → [`canal`] → … → [`checks`] → [`report`].
//! A module knows only those to its left. Nothing is repaired in silence: what is wrong with
//! a scan is counted and placed, and what cannot be told is said to be so.

pub mod canal;
pub mod checks;
pub mod cli;
pub mod demo;
pub mod field;
pub mod intake;
pub mod limits;
pub mod mesh;
pub mod read;
pub mod report;
pub mod shell;
pub mod soundness;
pub mod stack;
pub mod undercut;
pub mod units;
pub mod write;

/// The README's library example, compiled and run with the tests.
#[cfg(doctest)]
#[doc = include_str!("../README.md")]
pub struct ReadmeExamples;
