//! Sizes on the object: pixels, fields, bars, and what a rule can promise.

use crate::frame::units::Length;

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

/// Magnification of an objective used with another tube lens than it was made for: the marked
/// magnification times focal length used over focal length of the design (any one unit).
///
/// Geometrical optics of an objective corrected to infinity; from memory.
#[must_use]
pub fn real_magnification(marked: f64, tube_used: f64, tube_design: f64) -> f64 {
    marked * tube_used / tube_design
}

/// Part by which a length tilted by `degrees` out of the picture's plane reads short:
/// `1 - cos`. Trigonometry.
#[must_use]
pub fn cosine_loss(degrees: f64) -> f64 {
    // 1 - cos without its loss of figures at small angles.
    let half = libm::sin(degrees.to_radians() * 0.5);
    2.0 * half * half
}

/// Standard uncertainty of a value known to lie within +- `half_width` and nothing more:
/// `half_width / sqrt(3)`, in the same unit. JCGM 100:2008 (GUM) 4.3.7.
#[must_use]
pub fn rectangular_sigma(half_width: f64) -> f64 {
    half_width / f64::sqrt(3.0)
}

/// A scale from a known length.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScaleOfLength {
    /// Micrometres on the object a pixel.
    pub um_per_px: f64,
    /// Relative standard uncertainty.
    pub relative: f64,
}

impl ScaleOfLength {
    /// Standard uncertainty in micrometres a pixel.
    #[must_use]
    pub fn sigma_um_per_px(&self) -> f64 {
        self.um_per_px * self.relative
    }

    /// A length of `pixels` known to `sigma_px`: micrometres and their standard uncertainty.
    #[must_use]
    pub fn length_um(&self, pixels: f64, sigma_px: f64) -> (f64, f64) {
        let length = pixels * self.um_per_px;
        (length, length * libm::hypot(sigma_px / pixels, self.relative))
    }
}

/// Scale from `length_um` micrometres (standard uncertainty `sigma_um`) that take `pixels` pixels
/// (standard uncertainty `sigma_px`): `s = L / n`,
/// `u(s)/s = sqrt((u(L)/L)^2 + (u(n)/n)^2)`.
///
/// JCGM 100:2008 (GUM) 5.1.2, inputs uncorrelated.
#[must_use]
pub fn scale_of_length(length_um: f64, sigma_um: f64, pixels: f64, sigma_px: f64) -> ScaleOfLength {
    ScaleOfLength {
        um_per_px: length_um / pixels,
        relative: libm::hypot(sigma_um / length_um, sigma_px / pixels),
    }
}

/// Accuracy class of a material measure of length.
///
/// Source: UK SI 2016/1153, Schedule 1I part 2 chapter 1, tables 1 and 2, the same as EU
/// Directive 2004/22/EC, annex MI-008.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MaterialClass {
    /// Class I.
    I,
    /// Class II.
    II,
    /// Class III.
    III,
}

/// Largest permitted error in mm between two marks `length_m` metres apart that are not
/// neighbours: `a + b L`, with L rounded up to the next whole metre. Source: [`MaterialClass`].
#[must_use]
pub fn rule_error_mm(class: MaterialClass, length_m: f64) -> f64 {
    let (a, b) = match class {
        MaterialClass::I => (0.1, 0.1),
        MaterialClass::II => (0.3, 0.2),
        MaterialClass::III => (0.6, 0.4),
    };
    a + b * length_m.ceil().max(1.0)
}

/// Form of an engineers' scale by DIN 866: A is the finer one.
///
/// From memory, the standard was not read: check the rule's certificate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EngineersScale {
    /// Form A.
    A,
    /// Form B.
    B,
}

/// Largest permitted error in µm of a length of `length_mm` mm on an engineers' scale: form A
/// `20 + L/50`, form B `50 + L/20`. From memory: [`EngineersScale`].
#[must_use]
pub fn engineers_scale_error_um(form: EngineersScale, length_mm: f64) -> f64 {
    match form {
        EngineersScale::A => 20.0 + length_mm / 50.0,
        EngineersScale::B => 50.0 + length_mm / 20.0,
    }
}

/// Largest permitted error in mm of one step between neighbouring marks `step_mm` apart;
/// `None` above 10 mm, where the table used here ends. Source: [`MaterialClass`].
#[must_use]
pub fn rule_step_error_mm(class: MaterialClass, step_mm: f64) -> Option<f64> {
    let fine = match class {
        MaterialClass::I => 0.1,
        MaterialClass::II => 0.2,
        MaterialClass::III => 0.3,
    };
    (step_mm > 0.0 && step_mm <= 10.0).then_some(if step_mm <= 1.0 { fine } else { 2.0 * fine })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn object_pixels_and_fields() {
        // Worked examples of s = p/m and FOV = sensor/m (definition of lateral magnification).
        for (pitch, m, s) in [(10.0, 10.0, 1.0), (10.0, 50.0, 0.2), (20.0, 2.0, 10.0)] {
            let got = object_pixel_um(Length::from_um(pitch).unwrap(), m).unwrap();
            assert!((got - s).abs() < 1e-12, "{pitch} {m}");
        }
        // 25.6 mm of sensor at 2x frame 12.8 mm; 20 mm at 50x frame 0.40 mm. Trade figures: 10x
        // on a 20 to 28 mm sensor frames 2 to 2.8 mm, 50x 0.40 to 0.56 mm (common practice, no
        // source).
        for (sensor_mm, m, field) in
            [(20.0, 10.0, 2.0), (28.0, 10.0, 2.8), (20.0, 50.0, 0.4), (28.0, 50.0, 0.56)]
        {
            let s = object_pixel_um(Length::from_um(sensor_mm).unwrap(), m).unwrap();
            assert!((field_of_view_mm(1000, s) - field).abs() < 1e-12);
        }
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
}

#[cfg(test)]
mod rule_tests {
    use super::*;

    #[test]
    fn magnification_follows_the_tube_lens() {
        // 10x made for 200 mm used at 180 mm is 9.0x (from memory).
        assert!((real_magnification(10.0, 180.0, 200.0) - 9.0).abs() < 1e-12);
        // p = 13.5 um at 10x: 1.35 um (s = p/m).
        let s = object_pixel_um(Length::from_um(13.5).unwrap(), 10.0).unwrap();
        assert!((s - 1.35).abs() < 1e-12);
    }

    #[test]
    fn a_graticule_gives_the_worked_scale() {
        // GUM 5.1.2 and 4.3.7 (worked by hand): L 800 um within 1.5 um, n 1598.4 px from two
        // picks of 0.5 px.
        let sigma_um = rectangular_sigma(1.5);
        assert!((sigma_um - 0.866).abs() < 5e-4);
        let sigma_px = f64::sqrt(2.0) * 0.5;
        assert!((sigma_px - 0.707).abs() < 5e-4);
        let s = scale_of_length(800.0, sigma_um, 1598.4, sigma_px);
        assert!((s.um_per_px - 0.50050).abs() < 5e-6);
        assert!((s.relative - 0.00117).abs() < 5e-6, "{}", s.relative);
        assert!((s.sigma_um_per_px() - 0.00059).abs() < 5e-6);
        assert!((2.0 * s.relative - 0.0023).abs() < 5e-5, "expanded, k = 2");
        // A length of 250 px picked to 1 px.
        let (length, sigma) = s.length_um(250.0, 1.0);
        assert!((length - 125.13).abs() < 5e-3 && (sigma - 0.52).abs() < 5e-3);
    }

    #[test]
    fn rules_are_as_good_as_the_law_says() {
        // UK SI 2016/1153 Schedule 1I: within 1 m class II +-0.5 mm, class I +-0.2 mm.
        assert!((rule_error_mm(MaterialClass::II, 0.3) - 0.5).abs() < 1e-12);
        assert!((rule_error_mm(MaterialClass::I, 1.0) - 0.2).abs() < 1e-12);
        assert!((rule_error_mm(MaterialClass::III, 1.2) - 1.4).abs() < 1e-12);
        // One 1 mm step of a class II rule is only good to 20 %.
        assert_eq!(rule_step_error_mm(MaterialClass::II, 1.0), Some(0.2));
        assert_eq!(rule_step_error_mm(MaterialClass::III, 5.0), Some(0.6));
        assert_eq!(rule_step_error_mm(MaterialClass::I, 20.0), None);
        // 10 mm known to 27 um (a laboratory's figure for metal rules, NIST) is 0.27 %.
        assert!((0.027_f64 / 10.0 - 0.0027).abs() < 1e-12);
    }

    #[test]
    fn engineers_scales() {
        // DIN 866, from memory: 500 mm are within 30 um (form A), 75 um (form B).
        assert!((engineers_scale_error_um(EngineersScale::A, 500.0) - 30.0).abs() < 1e-12);
        assert!((engineers_scale_error_um(EngineersScale::B, 500.0) - 75.0).abs() < 1e-12);
    }

    #[test]
    fn tilt_reads_short() {
        // 1 - cos, per cent: a table of the cosine.
        for (degrees, percent, within) in [
            (1.0, 0.0152, 5e-5),
            (2.0, 0.061, 5e-4),
            (5.0, 0.381, 5e-4),
            (8.1, 1.0, 5e-3),
            (10.0, 1.52, 5e-3),
        ] {
            assert!((100.0 * cosine_loss(degrees) - percent).abs() < within, "{degrees}");
        }
    }
}
