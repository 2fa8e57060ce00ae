//! The thin binary: parse, call, print the error, exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    ExitCode::from(hushframe::cli::run())
}
