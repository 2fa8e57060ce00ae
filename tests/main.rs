//! The integration tests, in one binary.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test that cannot go on should fail, in its helpers too"
)]

mod layers;
mod registration;
mod simulate;
