//! The integration tests, in one binary.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test that cannot go on fails, in its helpers too; a skipped one says so"
)]

mod averaging;
mod formats;
mod layers;
mod simulate;
