//! The integration tests, in one binary.

mod layers;
mod open_transfer;
mod reference_tables;
