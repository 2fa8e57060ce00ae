//! Time: slow-down, exposure, blur, frames of an event, record length.

use std::f64::consts::TAU;

use crate::frame::units::FrameRate;

/// How many times slower than life: capture rate over playback rate, exactly.
///
/// `None` where the fraction does not fit 64 bits.
#[must_use]
pub fn slow_down(capture: FrameRate, playback: FrameRate) -> Option<FrameRate> {
    capture.ratio(playback)
}

/// Seconds from the trigger frame to the start of frame `frame`: `(frame - trigger) / rate`.
/// Its exposure's middle is half an exposure later. Arithmetic.
#[must_use]
pub fn elapsed_s(frame: i64, trigger: i64, rate: FrameRate) -> f64 {
    (frame - trigger) as f64 * rate.den() as f64 / rate.num() as f64
}

/// Standard uncertainty in seconds of a duration between two events that are each known to lie
/// within one frame: `1 / (rate sqrt(6))`. Two rectangular distributions, JCGM 100:2008 (GUM)
/// 4.3.7 (from memory).
#[must_use]
pub fn duration_sigma_s(rate: f64) -> f64 {
    1.0 / (rate * f64::sqrt(6.0))
}

/// Bytes a second of a recording: `pixels * bits * rate / 8`, samples packed without gaps.
#[must_use]
pub fn bytes_per_second(pixels: f64, bits: f64, rate: f64) -> f64 {
    pixels * bits * rate / 8.0
}

/// Frames that `memory` bytes hold (not rounded down).
#[must_use]
pub fn record_frames(memory: f64, pixels: f64, bits: f64) -> f64 {
    memory / bytes_per_second(pixels, bits, 1.0)
}

/// Seconds on the screen that `frames` take at `playback` frames a second.
#[must_use]
pub fn screen_seconds(frames: f64, playback: f64) -> f64 {
    frames / playback
}

/// Shutter angle in degrees: `360 t rate`. Source: cinematography.com threads 24017 and 21785.
#[must_use]
pub fn shutter_angle_deg(exposure_s: f64, rate: f64) -> f64 {
    360.0 * exposure_s * rate
}

/// Motion blur in pixels: `v t / s` with v in m/s on the object and s in µm a pixel.
#[must_use]
pub fn blur_px(speed_m_s: f64, exposure_s: f64, um_per_px: f64) -> f64 {
    speed_m_s * exposure_s * 1e6 / um_per_px
}

/// Longest exposure in seconds that blurs by at most `blur` pixels: `blur s / v`.
#[must_use]
pub fn longest_exposure_s(blur: f64, um_per_px: f64, speed_m_s: f64) -> f64 {
    blur * um_per_px * 1e-6 / speed_m_s
}

/// Peak speed in m/s of a sine of `frequency_hz` and amplitude `amplitude_m`: `2 pi f A`.
#[must_use]
pub fn peak_speed(frequency_hz: f64, amplitude_m: f64) -> f64 {
    TAU * frequency_hz * amplitude_m
}

/// Frames across an event of `length_s` seconds.
#[must_use]
pub fn frames_across(length_s: f64, rate: f64) -> f64 {
    length_s * rate
}

/// Rate that puts `frames` frames across an event of `length_s` seconds.
#[must_use]
pub fn rate_for_event(frames: f64, length_s: f64) -> f64 {
    frames / length_s
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(got: f64, expected: f64, within: f64) {
        assert!((got - expected).abs() <= within, "{got}, not {expected}");
    }

    fn rate(text: &str) -> FrameRate {
        text.parse().unwrap()
    }

    #[test]
    fn slow_down_is_exact() {
        // Arithmetic: 2000/24 = 250/3, 1000 at 24000/1001 = 1001/24.
        let f = slow_down(rate("2000"), rate("24")).unwrap();
        assert_eq!((f.num(), f.den()), (250, 3));
        let f = slow_down(rate("1000"), rate("24000/1001")).unwrap();
        assert_eq!((f.num(), f.den()), (1001, 24));
    }

    #[test]
    fn more_slow_downs_and_playback_rates() {
        // Arithmetic; 1000 at 25 is 40 (common practice, no source).
        for (capture, playback, num, den) in
            [("1000", "25", 40, 1), ("10000", "25", 400, 1), ("5000", "30000/1001", 1001, 6)]
        {
            let f = slow_down(rate(capture), rate(playback)).unwrap();
            assert_eq!((f.num(), f.den()), (num, den));
        }
        // YUV4MPEG2 format page (wiki.multimedia.cx) and OpenEXR's framesPerSecond: rationals.
        for (text, value) in
            [("24000/1001", 23.976_024), ("30000/1001", 29.970_030), ("60000/1001", 59.940_060)]
        {
            near(rate(text).per_second(), value, 5e-7);
        }
    }

    #[test]
    fn elapsed_time_and_its_uncertainty() {
        // Arithmetic: frame 1234 at 5000 fps.
        near(elapsed_s(1234, 0, rate("5000")), 0.2468, 1e-12);
        near(elapsed_s(90, 100, rate("1000")), -0.010, 1e-15);
        // 12 frames at 5000 fps: 2.40 ms, u 0.082 ms, U (k = 2) 0.16 ms (GUM 4.3.7).
        near(12.0 / 5000.0, 2.40e-3, 1e-12);
        near(duration_sigma_s(5000.0), 0.082e-3, 5e-7);
        near(2.0 * duration_sigma_s(5000.0), 0.16e-3, 5e-6);
    }

    #[test]
    fn record_length() {
        // Arithmetic, worked by hand: 1920x1080, 12 bit, 2000 fps; GiB = 2^30.
        let gib = f64::from(1 << 30);
        let b = bytes_per_second(1920.0 * 1080.0, 12.0, 2000.0);
        near(b, 6.2208e9, 1.0);
        near(b / gib, 5.79, 5e-3);
        near(16.0 * gib / b, 2.76, 5e-3);
        near(record_frames(16.0 * gib, 1920.0 * 1080.0, 12.0).floor(), 5523.0, 0.0);
        // 1280x800, 12 bit, 5000 fps, 32 GiB, shown at 25 fps.
        let b = bytes_per_second(1280.0 * 800.0, 12.0, 5000.0);
        near(b, 7.68e9, 1.0);
        near(32.0 * gib / b, 4.474, 5e-4);
        let frames = record_frames(32.0 * gib, 1280.0 * 800.0, 12.0);
        near(frames.floor(), 22369.0, 0.0);
        near(screen_seconds(frames, 25.0), 894.8, 0.05);
        near(bytes_per_second(1280.0 * 800.0, 16.0, 5000.0), 10.24e9, 1.0);
        near(60.0 * 3.0 * b, 1.38e12, 5e9);
    }

    #[test]
    fn shutter_angles() {
        // cinematography.com threads 24017, 21785: exposure = 1/fps x angle/360.
        for (t, fps, angle) in [
            (1.0 / 500.0, 30.0, 21.6),
            (1.0 / 48.0, 24.0, 180.0),
            (50e-6, 10_000.0, 180.0),
            (50e-6, 1000.0, 18.0),
            (200e-6, 5000.0, 360.0),
        ] {
            near(shutter_angle_deg(t, fps), angle, 1e-9);
        }
    }

    #[test]
    fn blur() {
        // v t m / p, worked by hand: m/s, s, um/px, px. The first is the trade's warning that
        // 50 us can still blur at 10x (common practice, no source).
        for (v, t, s, b) in [
            (0.1, 50e-6, 1.0, 5.0),
            (1.0, 50e-6, 1.0, 50.0),
            (0.5, 100e-6, 2.0, 25.0),
            (0.02, 50e-6, 1.0, 1.0),
        ] {
            near(blur_px(v, t, s), b, 1e-9);
            near(longest_exposure_s(b, s, v), t, 1e-15);
        }
        // A 440 Hz tip moving +-0.1 mm.
        let v = peak_speed(440.0, 1e-4);
        near(v, 0.276, 5e-4);
        near(blur_px(v, 50e-6, 1.0), 13.8, 0.03);
    }

    #[test]
    fn frames_of_an_event() {
        // Nyquist and ten frames a cycle (common practice, no source): 800 Hz.
        near(2.0 * 800.0, 1600.0, 0.0);
        near(10.0 * 800.0, 8000.0, 0.0);
        // 1 ms of contact bounce with 20 frames; 15 ms at 1000 fps; 5 ms at 5000 fps.
        near(rate_for_event(20.0, 1e-3), 20_000.0, 1e-8);
        near(frames_across(15e-3, 1000.0), 15.0, 1e-12);
        near(frames_across(5e-3, 5000.0), 25.0, 1e-12);
    }
}
