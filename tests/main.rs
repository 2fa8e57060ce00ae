//! The integration tests, in one binary.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "integration tests: a failure is a panic, and a skipped test says so"
)]

mod formats;
mod layers;
