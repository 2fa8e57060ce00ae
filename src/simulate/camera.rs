//! The rig and the lamp: where the scene lies in each frame, and how bright it is.
//!
//! Shift of frame k: a random walk (independent normal steps in x and y) plus two sinusoids,
//! `s(k) = sum_{i<=k} w_i + sum_v A_v sin(2 pi f_v t_k + phase_v)`, `t_k = k / rate`.
//! Lamp: `1 + m sin(2 pi f (t_k + e/2)) sinc(f e)` over an exposure of `e` seconds, where the
//! percent flicker `100 (max - min) / (max + min)` of the lamp itself is `100 m`.

use std::f64::consts::{PI, TAU};

use rand::Rng as _;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;

use super::sensor::normal;
use super::{SimulateError, demand};
use crate::frame::units::{Duration, FrameRate};

/// One sinusoid of the rig.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Vibration {
    /// Amplitude in x and y, in pixels.
    pub amplitude_px: (f64, f64),
    /// Frequency in hertz.
    pub frequency_hz: f64,
}

/// How the rig moves and the lamp ripples.
#[derive(Debug, Clone, PartialEq)]
pub struct RigSettings {
    /// Standard deviation of one step of the random walk, per axis, in pixels a frame; 0 or more.
    pub walk_px: f64,
    /// Even drift in pixels a frame.
    pub drift_px: (f64, f64),
    /// The rig's vibration.
    pub vibration: [Vibration; 2],
    /// Percent flicker of the lamp, 0 to 100.
    pub flicker_percent: f64,
    /// Frequency of the lamp's ripple in hertz (100 on 50 Hz mains, 120 on 60 Hz).
    pub lamp_hz: f64,
    /// Seed of the walk and the phases.
    pub seed: u64,
}

impl Default for RigSettings {
    fn default() -> Self {
        Self {
            walk_px: 0.14,
            drift_px: (0.055, -0.035),
            vibration: [
                Vibration { amplitude_px: (1.1, 0.6), frequency_hz: 83.0 },
                Vibration { amplitude_px: (0.15, 0.35), frequency_hz: 310.0 },
            ],
            flicker_percent: 8.0,
            lamp_hz: 100.0,
            seed: 1,
        }
    }
}

impl RigSettings {
    /// A rig and a lamp that hold perfectly still.
    #[must_use]
    pub fn still() -> Self {
        let none = Vibration { amplitude_px: (0.0, 0.0), frequency_hz: 1.0 };
        Self {
            walk_px: 0.0,
            drift_px: (0.0, 0.0),
            vibration: [none; 2],
            flicker_percent: 0.0,
            lamp_hz: 100.0,
            seed: 0,
        }
    }
}

/// Where the scene lies in a frame and how bright it is: the truth to be found again.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    /// Shift of the scene in pixels, positive right.
    pub shift_x_px: f64,
    /// Shift of the scene in pixels, positive down.
    pub shift_y_px: f64,
    /// Light relative to the lamp's mean.
    pub light: f64,
}

/// The poses of `frames` frames taken at `rate`; a longer clip begins with the shorter one's.
///
/// # Errors
/// Where a setting is outside its range.
pub fn poses(
    settings: &RigSettings,
    rate: FrameRate,
    exposure: Option<Duration>,
    frames: usize,
) -> Result<Vec<Pose>, SimulateError> {
    let s = settings;
    demand(s.walk_px.is_finite() && s.walk_px >= 0.0, "walk", s.walk_px, "0 px or more")?;
    let flicker = s.flicker_percent;
    demand((0.0..=100.0).contains(&flicker), "flicker", flicker, "0 to 100 per cent")?;
    let mut rng = ChaCha8Rng::seed_from_u64(s.seed);
    let mut phase = || TAU * rng.random::<f64>();
    let phases = [[phase(), phase()], [phase(), phase()]];
    let lamp_phase = phase();
    let blur = s.lamp_hz * exposure.map_or(0.0, Duration::s);
    let ripple = flicker / 100.0 * sinc(blur);
    let interval = rate.interval_s();
    let (mut walk_x, mut walk_y) = (0.0, 0.0);
    let mut out = Vec::with_capacity(frames);
    let mut time = 0.0;
    for k in 0..frames {
        if k > 0 {
            // From the count, not by summing intervals: the lamp's phase stays exact.
            time = k as f64 * interval;
            walk_x += s.walk_px * normal(&mut rng) + s.drift_px.0;
            walk_y += s.walk_px * normal(&mut rng) + s.drift_px.1;
        }
        let (mut x, mut y) = (walk_x, walk_y);
        for (v, p) in s.vibration.iter().zip(phases) {
            let angle = TAU * v.frequency_hz * time;
            x += v.amplitude_px.0 * libm::sin(angle + p[0]);
            y += v.amplitude_px.1 * libm::sin(angle + p[1]);
        }
        let light = 1.0 + ripple * libm::sin(TAU * s.lamp_hz * time + PI * blur + lamp_phase);
        out.push(Pose { shift_x_px: x, shift_y_px: y, light });
    }
    Ok(out)
}

/// `sin(pi x) / (pi x)`.
fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-9 { 1.0 } else { libm::sin(PI * x) / (PI * x) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rate(n: u64) -> FrameRate {
        FrameRate::new(n, 1).unwrap()
    }

    #[test]
    fn the_same_seed_walks_the_same_way() {
        let s = RigSettings::default();
        let long = poses(&s, rate(5000), None, 60).unwrap();
        assert_eq!(long[..20], poses(&s, rate(5000), None, 20).unwrap());
        let other = RigSettings { seed: 2, ..s };
        assert_ne!(long, poses(&other, rate(5000), None, 60).unwrap());
    }

    #[test]
    fn steps_of_the_walk_have_the_given_size() {
        let s = RigSettings { walk_px: 0.1, ..RigSettings::still() };
        let p = poses(&s, rate(5000), None, 20_001).unwrap();
        let var = p.windows(2).map(|w| (w[1].shift_x_px - w[0].shift_x_px).powi(2)).sum::<f64>();
        // Standard error of a variance over 20000 steps is 1 %.
        assert!((var / 20_000.0 / 0.01 - 1.0).abs() < 0.05, "{var}");
    }

    #[test]
    fn ripple_repeats_every_ten_frames_at_1000_fps() {
        // 100 Hz at 1000 fps repeats every 10 frames (1000/100); 10 ms of exposure levels it.
        let s = RigSettings { flicker_percent: 25.0, ..RigSettings::still() };
        let p = poses(&s, rate(1000), None, 40).unwrap();
        assert!(p.windows(11).all(|w| (w[0].light - w[10].light).abs() < 1e-9));
        let fine = poses(&s, rate(100_000), None, 1000).unwrap();
        let max = fine.iter().map(|p| p.light).fold(0.0, f64::max);
        let min = fine.iter().map(|p| p.light).fold(9.0, f64::min);
        // Percent flicker by its definition, (max - min) / (max + min).
        assert!((100.0 * (max - min) / (max + min) - 25.0).abs() < 0.01);
        let level = poses(&s, rate(90), "10ms".parse().ok(), 40).unwrap();
        assert!(level.iter().all(|p| (p.light - 1.0).abs() < 1e-9));
        // Attenuation of 100 Hz by 5 ms: 0.637 (2/pi).
        let half = poses(&s, rate(100_000), "5ms".parse().ok(), 1000).unwrap();
        let top = half.iter().map(|p| p.light).fold(0.0, f64::max) - 1.0;
        assert!((top / 0.25 - 0.637).abs() < 1e-3, "{top}");
    }

    #[test]
    fn nonsense_is_refused() {
        let s = RigSettings { flicker_percent: 120.0, ..RigSettings::still() };
        let text = poses(&s, rate(25), None, 2).unwrap_err().to_string();
        assert_eq!(text, "simulated flicker is 120 but must be 0 to 100 per cent");
    }
}
