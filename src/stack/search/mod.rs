//! Search.
pub(crate) mod rng;
