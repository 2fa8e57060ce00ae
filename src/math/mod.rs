//! Numerics that know no clip: transforms, resampling, robust statistics, filters.
//!
//! Nothing here does I/O or can fail at run time; sizes that do not fit are the caller's bug and
//! are excluded by types or by the callers' checks. All results are the same for any number of
//! threads, and no transcendental function of the platform is used (only `sqrt`).

pub mod blur;
pub mod correlate;
pub mod dct;
pub mod fft;
pub mod fft2;
pub mod linear;
pub mod patch;
pub mod pyramid;
pub mod resample;
pub mod robust;
pub mod shrink;
pub mod trajectory;
pub mod turn;
pub use crate::frame::wide;
pub mod window;
