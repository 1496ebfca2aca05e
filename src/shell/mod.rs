//! The shell made from an impression, and the wall of any shell.

pub mod wall;
