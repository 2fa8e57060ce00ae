//! Planning formulas of the optics and of time.

use crate::frame::units::{FrameRate, Length};

/// Size on the object of one pixel, in µm: pixel pitch over magnification.
///
/// Definition of lateral magnification (image size over object size); `None` unless the
/// magnification is finite and above zero. A measured scale overrides it: what is engraved on an
/// objective holds only with the tube length it was made for.
#[must_use]
pub fn object_pixel_um(pixel_pitch: Length, magnification: f64) -> Option<f64> {
    (magnification.is_finite() && magnification > 0.0).then(|| pixel_pitch.um() / magnification)
}

/// Width on the object of `pixels` columns (or rows) at `um_per_px`, in mm.
#[must_use]
pub fn field_of_view_mm(pixels: usize, um_per_px: f64) -> f64 {
    pixels as f64 * um_per_px * 1e-3
}

/// How many times slower than life: capture rate over playback rate, exactly.
///
/// `None` where the fraction does not fit 64 bits.
#[must_use]
pub fn slow_down(capture: FrameRate, playback: FrameRate) -> Option<FrameRate> {
    capture.ratio(playback)
}

/// A length of the 1-2-5 series: `digit * 10^exponent` µm.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RoundLength {
    /// 1, 2 or 5.
    pub digit: u8,
    /// Power of ten, of micrometres.
    pub exponent: i32,
}

impl RoundLength {
    /// In micrometres.
    #[must_use]
    pub fn um(self) -> f64 {
        let power: f64 = (0..self.exponent.unsigned_abs()).map(|_| 10.0).product();
        if self.exponent < 0 {
            f64::from(self.digit) / power
        } else {
            f64::from(self.digit) * power
        }
    }
}

/// The longest 1-2-5 length of at most a quarter of `field_um` (width of the picture on the
/// object, µm); it is never below a tenth, as the series' largest step is 2.5.
///
/// The 10 to 25 % of the picture's width are common practice, no source. `None` for widths
/// outside 10 nm to 1 km and for what is not a number.
#[must_use]
pub fn bar_length(field_um: f64) -> Option<RoundLength> {
    if !(1e-2..=1e9).contains(&field_um) {
        return None;
    }
    // A bar of exactly a quarter must not be lost to rounding in the field's width.
    let limit = field_um * 0.25 * (1.0 + 1e-9);
    (-4..=9)
        .flat_map(|exponent| [1, 2, 5].map(|digit| RoundLength { digit, exponent }))
        .rfind(|l| l.um() <= limit)
}

#[cfg(test)]
mod label_tests {
    use super::*;

    #[test]
    fn object_pixels_and_fields() {
        // Worked examples of s = p/m and FOV = sensor/m (definition of lateral magnification).
        for (pitch, m, s) in [(10.0, 10.0, 1.0), (10.0, 50.0, 0.2), (20.0, 2.0, 10.0)] {
            let got = object_pixel_um(Length::from_um(pitch).unwrap(), m).unwrap();
            assert!((got - s).abs() < 1e-12, "{pitch} {m}");
        }
        // 25.6 mm of sensor at 2x frame 12.8 mm; 20 mm at 50x frame 0.40 mm.
        assert!((field_of_view_mm(1280, 10.0) - 12.8).abs() < 1e-12);
        assert!((field_of_view_mm(2000, 0.2) - 0.4).abs() < 1e-12);
        assert_eq!(object_pixel_um(Length::from_um(10.0).unwrap(), 0.0), None);
        assert_eq!(object_pixel_um(Length::from_um(10.0).unwrap(), f64::NAN), None);
    }

    #[test]
    fn bars_are_a_tenth_to_a_quarter_of_any_picture() {
        // Common practice, no source: 1-2-5 lengths for the usual fields.
        for (mm, um) in
            [(2.0, 500.0), (2.8, 500.0), (0.4, 100.0), (0.56, 100.0), (12.8, 2000.0), (1.0, 200.0)]
        {
            assert!((bar_length(mm * 1e3).unwrap().um() - um).abs() < 1e-9, "{mm}");
        }
        let mut field = 0.011;
        while field < 1e9 {
            let share = bar_length(field).unwrap().um() / field;
            assert!((0.1..=0.25 + 1e-8).contains(&share), "{field}: {share}");
            field *= 1.003;
        }
        for bad in [0.0, -1.0, f64::NAN, f64::INFINITY, 1e-3] {
            assert_eq!(bar_length(bad), None);
        }
    }

    #[test]
    fn slow_down_is_exact() {
        let rate = |s: &str| s.parse::<FrameRate>().unwrap();
        // Arithmetic: 2000/24 = 250/3, 1000 at 24000/1001 = 1001/24.
        let f = slow_down(rate("2000"), rate("24")).unwrap();
        assert_eq!((f.num(), f.den()), (250, 3));
        let f = slow_down(rate("1000"), rate("24000/1001")).unwrap();
        assert_eq!((f.num(), f.den()), (1001, 24));
    }
}
