//! 3MF archives.
#![no_main]

use std::path::Path;

use secondbend::read::{ReadOptions, read_bytes};

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    if let Err(error) = read_bytes(bytes, Path::new("a.3mf"), &ReadOptions::default()) {
        assert!(!error.to_string().contains(char::is_control));
    }
});
