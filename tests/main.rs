//! The integration tests, in one binary.

mod formats;
mod layers;
