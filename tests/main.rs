//! The integration tests, in one binary.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a test that cannot go on fails, in its helpers too; a skipped one says so"
)]

mod averaging;
mod cli;
mod colours;
mod combining;
mod disk;
mod exports;
mod faults;
mod follow;
mod formats;
mod full_disk;
mod handling;
mod harness;
mod kills;
mod lamps;
mod layers;
mod long_nights;
mod masters;
mod memory;
mod motion;
mod mutations;
mod night;
mod open_transfer;
mod pages;
mod plan;
mod reference_tables;
mod registration;
mod rescaled;
mod resume;
mod ruler;
#[path = "../benches/rules/mod.rs"]
mod rules;
mod samples;
mod scale;
mod shards;
mod simulate;
mod simulated_disk;
mod steadying;
mod truth;
mod unsteadied;
