//! The program: everything is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    secondbend::cli::main(std::env::args_os())
}
