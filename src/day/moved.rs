//! How a part moved: what `measure` is asked, what it finds in each frame, and what it tells.

use serde::Serialize;

use super::analysis::Told;
use crate::footage::{Fact, ScaleValue};
use crate::measure::follow::{Followed, on_object};
use crate::measure::ring::Measured;
use crate::night::job::ClipJob;
use crate::record::Warning;

/// What `measure` is asked.
#[derive(Debug, Clone)]
pub struct MotionArgs {
    /// The clip: a finished one's folder, or raw frames with their references and facts.
    pub job: ClipJob,
    /// The part: x, y, width, height in px of its first frame.
    pub region: [usize; 4],
    /// Direction of the motion in degrees, 0 right and 90 down; `None`: that of most motion.
    pub direction_deg: Option<f64>,
    /// First and last frame of the part with the event.
    pub event: Option<(u64, u64)>,
    /// First and last frame of the part that rings.
    pub ring: Option<(u64, u64)>,
    /// Most modes of a ring-down.
    pub modes: usize,
    /// Frames on each side from which speed is taken.
    pub window: Option<usize>,
    /// Whether the part's rotation is told too.
    pub rotation: bool,
    /// Whether pictures with path and growing graph are made.
    pub overlay: bool,
}

/// One frame's displacement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Number of the frame.
    pub frame: u64,
    /// Seconds from the trigger frame; with a rolling shutter, of the part's own row.
    pub time_s: f64,
    /// How the frame fared: as in `frames.csv`, or "lost".
    pub status: &'static str,
    /// The displacement, where the part was found.
    pub found: Option<Followed>,
    /// Rotation since the first frame in rad, clockwise on screen, where it was asked for.
    pub rotation: Option<Measured>,
}

/// The scale, and what was found in lengths on the object.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OnObject {
    /// Micrometres a pixel.
    pub um_per_px: f64,
    /// Its standard uncertainty; `None` where it is not known, and then left out below.
    pub sigma_um_per_px: Option<f64>,
    /// Where it came from.
    pub source: String,
    /// Way from the first rest to the second, in um.
    pub travel_um: Option<Measured>,
    /// Amplitude of each mode at the ring-down's start, in um.
    pub amplitudes_um: Vec<Measured>,
    /// Largest speed in um/s.
    pub peak_speed_um_s: Option<Measured>,
    /// Largest acceleration in um/s^2.
    pub peak_acceleration_um_s2: Option<Measured>,
}

impl OnObject {
    pub(super) fn new(scale: &Fact<ScaleValue>, told: &Told) -> Self {
        let (um, sigma) = (scale.value.um_per_px, scale.value.sigma_um_per_px);
        let length = |m: Measured| {
            let (value, sigma) = on_object(m.value, m.sigma, um, sigma.unwrap_or(0.0));
            Measured { value, sigma }
        };
        let modes = told.ring_down.found().map_or(&[][..], |r| &r.fit.modes[..]);
        Self {
            um_per_px: um,
            sigma_um_per_px: sigma,
            source: scale.source.to_string(),
            travel_um: told.event.found().map(|e| length(e.travel)),
            amplitudes_um: modes.iter().map(|m| length(m.amplitude)).collect(),
            peak_speed_um_s: told.peak_speed.map(length),
            peak_acceleration_um_s2: told.peak_acceleration.map(length),
        }
    }
}

/// How a part moved.
#[derive(Debug, Clone, Serialize)]
pub struct MotionReport {
    /// Program and version.
    pub tool: String,
    /// Name of the clip.
    pub clip: String,
    /// The part: x, y, width, height in px.
    pub region: [usize; 4],
    /// Width and height of the pictures measured.
    pub size_px: [usize; 2],
    /// Direction of the displacements told, in degrees: 0 right, 90 down, -90 up.
    pub direction_deg: f64,
    /// Frames of the clip that were looked at.
    pub frames: usize,
    /// Frames in which the part was found.
    pub followed: usize,
    /// Lengths on the object, where the scale is known.
    pub on_object: Option<OnObject>,
    /// Time from row to row of a rolling shutter, where it was given, in seconds.
    pub row_time_s: Option<f64>,
    /// Median standard uncertainty of a displacement in px.
    pub sigma_px: f64,
    /// Largest rotation in rad, clockwise on screen, where it was asked for.
    pub peak_rotation_rad: Option<Measured>,
    /// The last frame in which rotation was told, where it was asked for.
    pub rotation_until: Option<u64>,
    /// What the series tells; in px, px/s and px/s^2.
    #[serde(flatten)]
    pub told: Told,
    /// Files written, as printable text.
    pub files: Vec<String>,
    /// What to know of it.
    pub warnings: Vec<Warning>,
}

impl MotionReport {
    /// Whether an event or a ring-down that was asked for by its frames was not found.
    #[must_use]
    pub fn asked_for_but_refused(&self, args: &MotionArgs) -> bool {
        (args.event.is_some() && self.told.event.found().is_none())
            || (args.ring.is_some() && self.told.ring_down.found().is_none())
    }
}
