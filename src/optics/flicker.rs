//! Lamps on mains current: how deep they ripple and what the ripple becomes on the screen.

use std::f64::consts::PI;

/// Part of a lamp's ripple of `lamp_hz` that an exposure of `exposure_s` keeps:
/// `|sin(x)/x|`, `x = pi f t`. Fourier transform of a box; an exposure of a whole number of lamp
/// cycles keeps nothing (photo-spectrum.info, "AC line frequency and shutter speed", 2017).
#[must_use]
pub fn ripple_kept(lamp_hz: f64, exposure_s: f64) -> f64 {
    let x = PI * lamp_hz * exposure_s;
    if x.abs() < 1e-9 { 1.0 } else { (libm::sin(x) / x).abs() }
}

/// Percent flicker: `100 (max - min) / (max + min)`.
/// Source: CIE e-ILV, "amplitude of fluctuation of the luminous flux" (eilv.cie.co.at, term 39).
#[must_use]
pub fn percent_flicker(max: f64, min: f64) -> f64 {
    100.0 * (max - min) / (max + min)
}

/// Flicker index (area above the mean over all area of a cycle) of a sine of depth `depth`
/// (0 to 1): `depth / pi`. Definition: IES 5.9.9.4 (ies.org).
#[must_use]
pub fn flicker_index_of_sine(depth: f64) -> f64 {
    depth / PI
}

/// The same of a square wave that is on half the time: `depth / 2`.
#[must_use]
pub fn flicker_index_of_square(depth: f64) -> f64 {
    0.5 * depth
}

/// Frequency in Hz at which `lamp_hz` shows in frames taken at `rate`: `|f - k rate|` with
/// `k = round(f / rate)`. Arithmetic of sampling.
#[must_use]
pub fn alias_hz(lamp_hz: f64, rate: f64) -> f64 {
    (lamp_hz - (lamp_hz / rate).round() * rate).abs()
}

/// The same in Hz as seen on the screen: times playback over capture rate.
#[must_use]
pub fn on_screen_hz(lamp_hz: f64, rate: f64, playback: f64) -> f64 {
    alias_hz(lamp_hz, rate) * playback / rate
}

/// Frames from one ripple to the next, where this is a whole number: then each frame of the
/// period has its own constant gain. `None` where it is not whole, or below 2.
#[must_use]
pub fn ripple_period(lamp_hz: f64, rate: f64) -> Option<f64> {
    let frames = rate / lamp_hz;
    let whole = frames.round();
    (whole >= 2.0 && (frames - whole).abs() < 1e-9 * whole).then_some(whole)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exposures_level_the_ripple() {
        // |sinc(f t)| at 100 Hz, computed apart from this code.
        for (t, kept, within) in
            [(50e-6, 0.99996, 5e-6), (1e-3, 0.984, 5e-4), (5e-3, 0.637, 5e-4), (10e-3, 0.0, 1e-9)]
        {
            assert!((ripple_kept(100.0, t) - kept).abs() < within, "{t}");
        }
        // Whole cycles of 120 Hz: 8.33 ms (photo-spectrum.info).
        assert!(ripple_kept(120.0, 1.0 / 120.0) < 1e-9);
        assert!((ripple_kept(100.0, 0.0) - 1.0).abs() < 1e-15);
    }

    #[test]
    fn depth_of_flicker() {
        // CIE e-ILV term 39 and IES 5.9.9.4, worked by hand: max 1.0, min 0.6.
        assert!((percent_flicker(1.0, 0.6) - 25.0).abs() < 1e-9);
        assert!((flicker_index_of_sine(0.25) - 0.0796).abs() < 5e-5);
        assert!((100.0 * flicker_index_of_sine(1.0) - 31.8).abs() < 0.05);
        // The definition itself, summed over a sine and over a square wave of half duty (0.5).
        let index = |f: &dyn Fn(f64) -> f64| {
            let v: Vec<f64> = (0..10_000).map(|i| f((f64::from(i) + 0.5) / 1e4)).collect();
            let all: f64 = v.iter().sum();
            let mean = all / 1e4;
            v.iter().map(|x| (x - mean).max(0.0)).sum::<f64>() / all
        };
        assert!((index(&|t| 1.0 + 0.25 * libm::sin(2.0 * PI * t)) - 0.0796).abs() < 5e-5);
        for (depth, expected) in [(1.0, 0.5), (0.25, 0.125)] {
            let square = |t: f64| if t < 0.5 { 1.0 + depth } else { 1.0 - depth };
            assert!((index(&square) - expected).abs() < 1e-9);
            assert!((flicker_index_of_square(depth) - expected).abs() < 1e-12);
        }
    }

    #[test]
    fn aliases_on_the_screen() {
        // Arithmetic: capture, lamp, alias, on screen at 25 fps.
        for (capture, lamp, alias, screen) in [
            (1000.0, 100.0, 100.0, 2.50),
            (1000.0, 120.0, 120.0, 3.00),
            (960.0, 120.0, 120.0, 3.125),
            (800.0, 100.0, 100.0, 3.125),
            (500.0, 100.0, 100.0, 5.00),
            (5000.0, 100.0, 100.0, 0.50),
            (120.0, 100.0, 20.0, 4.17),
            (100.0, 100.0, 0.0, 0.0),
            (120.0, 120.0, 0.0, 0.0),
        ] {
            assert!((alias_hz(lamp, capture) - alias).abs() < 1e-9, "{capture}");
            assert!((on_screen_hz(lamp, capture, 25.0) - screen).abs() < 5e-3, "{capture}");
        }
        // 100 Hz light at 1000 fps repeats every 10 frames (common practice, no source).
        for (lamp, capture, frames) in [
            (100.0, 1000.0, Some(10.0)),
            (120.0, 960.0, Some(8.0)),
            (100.0, 800.0, Some(8.0)),
            (100.0, 500.0, Some(5.0)),
            (100.0, 5000.0, Some(50.0)),
            (120.0, 1000.0, None),
        ] {
            assert_eq!(ripple_period(lamp, capture), frames);
        }
    }
}
