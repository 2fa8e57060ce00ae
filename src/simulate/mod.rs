//! Shoots with known truth: a scene, a rig that trembles, a lamp that ripples, a sensor.
//!
//! ```text
//! scene (linear light, exact at any sub-pixel shift and instant)
//!   -> camera (where the scene lies in each frame, how bright the lamp is)
//!   -> sensor (electrons, noise, fixed pattern, 12 bits)
//!   -> shoot  (clip, black references, even fields, truth)
//! ```
//!
//! Everything follows from seeds: any frame can be made alone and comes out the same. Exposures
//! are instants for the scene (no motion blur); only the lamp is averaged over the exposure.

pub mod camera;
pub mod demo;
pub mod part;
pub mod scene;
pub mod sensor;
pub mod shoot;
pub mod texture;
pub mod textured;

use std::path::PathBuf;

use thiserror::Error;

use crate::frame::Plane;

/// What a scene shows in one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct View {
    /// Linear light, 1 is the scene's white.
    pub light: Plane,
    /// How much of each pixel shows a moving part, 0 to 1.
    pub moving: Plane,
}

/// A scene that can be looked at from any sub-pixel shift and at any time.
pub trait Scene: std::fmt::Debug + Send + Sync {
    /// Width and height of its views in pixels.
    fn size(&self) -> (usize, usize);

    /// The view with the scene moved by `shift` (x right, y down, in pixels) at `time_s` seconds
    /// from the trigger: pixel (x, y) shows the scene's point (x - shift.0, y - shift.1).
    fn view(&self, shift: (f64, f64), time_s: f64) -> View;
}

/// Why a shoot cannot be simulated or written.
#[derive(Debug, Error)]
pub enum SimulateError {
    /// A setting outside its range.
    #[error("simulated {what} is {found} but must be {expected}")]
    BadSetting {
        /// The setting in words.
        what: &'static str,
        /// What was given.
        found: String,
        /// What is allowed.
        expected: &'static str,
    },
    /// A file that cannot be written.
    #[error("{path} cannot be written: {why}: check the folder and the free space")]
    Write {
        /// The file or folder.
        path: PathBuf,
        /// What went wrong.
        why: String,
    },
}

/// Refuses the setting unless `ok`.
#[expect(clippy::needless_pass_by_value, reason = "callers hand over numbers and fresh strings")]
fn demand(
    ok: bool,
    what: &'static str,
    found: impl ToString,
    expected: &'static str,
) -> Result<(), SimulateError> {
    if ok {
        Ok(())
    } else {
        Err(SimulateError::BadSetting { what, found: found.to_string(), expected })
    }
}
