//! One part that moves up and down before a still background: a tine's tip, a relay's armature.
//!
//! For measuring motion: the displacement is a formula, so frequency, duration and speed are
//! known exactly. Background and part are spline noise, evaluated at real coordinates and never
//! resampled; edges are soft over about two pixels. A shutter that rolls is told apart row by
//! row: row y of a view shows the part as it was `y * row_time_s` later.

use std::f64::consts::{SQRT_2, TAU};

use super::texture::{FINEST_STEP_PX, SplineNoise};
use super::textured::Ring;
use super::{Scene, SimulateError, View, demand};
use crate::frame::Plane;
use crate::frame::convert::to_f32;

/// Half width of the part's edges in pixels.
const BLUR_PX: f64 = 1.25;
/// Mean light of background and part, and the spread of their textures.
const LIGHT: (f64, f64) = (0.42, 0.6);
const SPREAD: f64 = 0.13;

/// How the part moves; positive is down. Time 0 is when it is let go, or starts.
#[derive(Debug, Clone, PartialEq)]
pub enum Course {
    /// Decaying swings, each from its amplitude at time 0; at rest before, at the sum of all.
    Ringing(Vec<Ring>),
    /// A relay's armature: an even acceleration over the travel, then bounces, then rest.
    Closing {
        /// Way from open to closed in pixels.
        travel_px: f64,
        /// Time from open to first contact in seconds.
        close_s: f64,
        /// Length in seconds and height in pixels of each bounce, a parabola.
        bounces: Vec<(f64, f64)>,
    },
    /// An even speed between two rests.
    Sliding {
        /// Speed in pixels a second.
        speed_px_s: f64,
        /// How long it slides, in seconds.
        length_s: f64,
    },
    /// Short even strokes, down and back, that repeat.
    Beating {
        /// How far, in pixels.
        travel_px: f64,
        /// Strokes a second.
        rate_hz: f64,
        /// Every second stroke comes later by this, in seconds.
        limp_s: f64,
    },
}

impl Course {
    /// Displacement in pixels.
    #[must_use]
    pub fn at(&self, time_s: f64) -> f64 {
        match self {
            Self::Ringing(modes) => {
                let t = time_s.max(0.0);
                let swing = |r: &Ring| {
                    let decay = libm::exp(-t / r.decay_s);
                    r.amplitude_px * libm::cos(TAU * r.frequency_hz * t) * decay
                };
                modes.iter().map(swing).sum()
            }
            Self::Closing { travel_px, close_s, bounces } => {
                closing(time_s, (*travel_px, *close_s), bounces)
            }
            Self::Sliding { speed_px_s, length_s } => speed_px_s * time_s.clamp(0.0, *length_s),
            Self::Beating { travel_px, rate_hz, limp_s } => {
                let number = (time_s * rate_hz).floor();
                let late = if number.rem_euclid(2.0) >= 1.0 { *limp_s } else { 0.0 };
                let within = (time_s * rate_hz - number) - late * rate_hz;
                // A quarter of the period down, a quarter back, then rest.
                travel_px * (1.0 - (4.0 * within - 1.0).abs()).max(0.0)
            }
        }
    }

    /// When everything is over, in seconds; `None` where it never is.
    #[must_use]
    pub fn end_s(&self) -> Option<f64> {
        match self {
            Self::Closing { close_s, bounces, .. } => {
                Some(close_s + bounces.iter().map(|b| b.0).sum::<f64>())
            }
            Self::Sliding { length_s, .. } => Some(*length_s),
            Self::Ringing(_) | Self::Beating { .. } => None,
        }
    }
}

fn closing(time_s: f64, (travel, close_s): (f64, f64), bounces: &[(f64, f64)]) -> f64 {
    let pull = 2.0 * travel / (close_s * close_s);
    if time_s < close_s {
        return 0.5 * pull * time_s.max(0.0) * time_s.max(0.0);
    }
    let mut t = time_s - close_s;
    for &(length, height) in bounces {
        if t < length {
            let part = t / length;
            return travel - 4.0 * height * part * (1.0 - part);
        }
        t -= length;
    }
    travel
}

/// What is seen.
#[derive(Debug, Clone, PartialEq)]
pub struct PartSettings {
    /// Width and height of the views in pixels.
    pub size: (usize, usize),
    /// The part at displacement 0: left, top, width, height in pixels.
    pub part: [f64; 4],
    /// How it moves.
    pub course: Course,
    /// Time from row to row of a rolling shutter, in seconds; 0 for all rows at once.
    pub row_time_s: f64,
    /// Seed of the textures.
    pub seed: u64,
}

/// The scene, ready to be looked at.
#[derive(Debug, Clone)]
pub struct MovingPart {
    settings: PartSettings,
    still: SplineNoise,
    own: SplineNoise,
}

impl MovingPart {
    /// A part before a background.
    ///
    /// # Errors
    /// Where the picture is smaller than 32 pixels on a side, or a time is below zero.
    pub fn new(settings: &PartSettings) -> Result<Self, SimulateError> {
        let (w, h) = settings.size;
        demand(w >= 32 && h >= 32, "picture", format!("{w}x{h}"), "32x32 or larger")?;
        let row = settings.row_time_s;
        demand(row.is_finite() && row >= 0.0, "row time", row, "0 s or more")?;
        Ok(Self {
            settings: settings.clone(),
            still: SplineNoise::new(settings.seed.wrapping_mul(2)),
            own: SplineNoise::new(settings.seed.wrapping_mul(2).wrapping_add(1)),
        })
    }

    /// How the part moves.
    #[must_use]
    pub fn course(&self) -> &Course {
        &self.settings.course
    }
}

/// Spline noise at a place in pixels, in two sizes.
fn texture(noise: &SplineNoise, x: f64, y: f64) -> f64 {
    let fine = f64::from(noise.at(x / FINEST_STEP_PX, y / FINEST_STEP_PX));
    let coarse = f64::from(noise.at(x / 9.0 + 300.0, y / 9.0 + 300.0));
    0.8 * fine + 0.6 * coarse
}

/// Cover of a strip from `low` to `high` at `x`.
fn strip(x: f64, low: f64, high: f64) -> f64 {
    let soft = |d: f64| 0.5 * (1.0 + libm::erf(d / (SQRT_2 * BLUR_PX * 0.6)));
    soft(x - low) * soft(high - x)
}

impl Scene for MovingPart {
    fn size(&self) -> (usize, usize) {
        self.settings.size
    }

    fn view(&self, shift: (f64, f64), time_s: f64) -> View {
        let s = &self.settings;
        let (w, h) = s.size;
        let [left, top, width, height] = s.part;
        let mut light = Plane::filled(w, h, 0.0);
        let mut moving = Plane::filled(w, h, 0.0);
        for row in 0..h {
            let down = s.course.at(time_s + s.row_time_s * row as f64);
            let y = row as f64 - shift.1;
            let across = strip(y, top + down, top + down + height);
            for column in 0..w {
                let x = column as f64 - shift.0;
                let cover = across * strip(x, left, left + width);
                let back = LIGHT.0 + SPREAD * texture(&self.still, x, y);
                let own = LIGHT.1 + SPREAD * texture(&self.own, x, y - down);
                light.set(column, row, to_f32((back + cover * (own - back)).max(0.0)));
                moving.set(column, row, to_f32(cover));
            }
        }
        View { light, moving }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn courses_are_what_they_say() {
        // Even acceleration: half the time, a quarter of the way (s = a t^2 / 2).
        let c = Course::Closing {
            travel_px: 8.0,
            close_s: 2e-3,
            bounces: vec![(1e-3, 2.0), (0.5e-3, 0.7)],
        };
        assert!((c.at(1e-3) - 2.0).abs() < 1e-12 && c.at(-1.0).abs() < 1e-12);
        for t in [2e-3, 3e-3, 3.5e-3, 9.0] {
            assert!((c.at(t) - 8.0).abs() < 1e-9, "{t}");
        }
        assert!((c.at(2.5e-3) - 6.0).abs() < 1e-9 && (c.at(3.25e-3) - 7.3).abs() < 1e-9);
        assert!((c.end_s().unwrap() - 3.5e-3).abs() < 1e-12);
        let c = Course::Sliding { speed_px_s: 100.0, length_s: 0.1 };
        assert!((c.at(0.05) - 5.0).abs() < 1e-12 && (c.at(1.0) - 10.0).abs() < 1e-12);
        let c = Course::Beating { travel_px: 4.0, rate_hz: 6.0, limp_s: 2e-3 };
        assert!((c.at(1.0 / 24.0) - 4.0).abs() < 1e-9 && c.at(0.1).abs() < 1e-9);
        assert!((c.at(1.0 / 6.0 + 1.0 / 24.0 + 2e-3) - 4.0).abs() < 1e-9);
    }

    #[test]
    fn rows_of_a_rolling_shutter_are_later() {
        let settings = PartSettings {
            size: (48, 48),
            part: [12.0, 8.0, 24.0, 20.0],
            course: Course::Sliding { speed_px_s: 1000.0, length_s: 1.0 },
            row_time_s: 1e-5,
            seed: 1,
        };
        let rolling = MovingPart::new(&settings).unwrap().view((0.0, 0.0), 1e-3);
        let global = MovingPart::new(&PartSettings { row_time_s: 0.0, ..settings }).unwrap();
        let later = global.view((0.0, 0.0), 1e-3 + 20.0 * 1e-5);
        assert_eq!(rolling.light.row(20), later.light.row(20));
    }
}
