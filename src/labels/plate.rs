//! Dark plates under the ink, and blending into frames.
//!
//! Where the plate is whole, `light' = KEEP * min(light, white)`; then the ink:
//! `light'' = light' + coverage * (white - light')`. Light is linear; frames coded for display
//! are decoded, mixed and coded again. With `KEEP = 0.15` the ink stands at least
//! `(1 + 0.05) / (0.15 + 0.05) = 5.25` to 1 against the brightest picture, by the contrast ratio
//! of WCAG 2.x (success criterion 1.4.3 asks for 4.5). The share is a constant, so that nothing
//! changes from frame to frame but the picture itself.
//!
//! On linear frames the promise holds as long as no later stage brightens them.

use super::LabelError;
use super::layout::Area;
use super::mask::Mask;
use crate::frame::convert::to_f32;
use crate::frame::{CurveTables, Domain, Frame, Layout, Plane};

/// Share of the light beneath that a whole plate lets through.
pub const KEEP: f32 = 0.15;

/// A plate of `width` x `height` pixels with corners of `radius` px. Its edge fades in over `fade`
/// px inside its outline, so that it lies on the picture without a hard border.
#[must_use]
pub fn rounded(width: usize, height: usize, radius: f64, fade: f64) -> Mask {
    let mut mask = Mask::new(width, height);
    let (half_w, half_h) = (width as f64 / 2.0, height as f64 / 2.0);
    let radius = radius.min(half_w).min(half_h);
    for y in 0..height {
        let qy = (y as f64 + 0.5 - half_h).abs() - (half_h - radius);
        for (x, cell) in mask.row_mut(y).iter_mut().enumerate() {
            let qx = (x as f64 + 0.5 - half_w).abs() - (half_w - radius);
            let (ox, oy) = (qx.max(0.0), qy.max(0.0));
            // Distance to the outline, positive inside.
            let inside = radius - (ox * ox + oy * oy).sqrt() - qx.max(qy).min(0.0);
            let t = (inside / fade.max(1.0)).clamp(0.0, 1.0);
            *cell = to_f32(t * t * (3.0 - 2.0 * t));
        }
    }
    mask
}

/// Blends a plate and the ink on it into `frame` at `area` (whose size is that of both masks).
///
/// `white` is the linear value of display white in DN above black; it is used on linear frames.
///
/// # Errors
/// [`LabelError::Frame`] where the frame is raw, a mosaic, or too small for the area.
pub fn blend(
    frame: &mut Frame,
    area: Area,
    plate: &Mask,
    ink: &Mask,
    white: f32,
) -> Result<(), LabelError> {
    if !matches!(frame.layout, Layout::Mono | Layout::Rgb) {
        return Err(LabelError::Frame(format!(
            "the frame is {:?}, but labels are drawn on finished pictures: put labels after the \
             colours are made",
            frame.layout
        )));
    }
    let fits = |p: &Plane| area.x1 <= p.width() && area.y1 <= p.height();
    if !frame.planes.iter().all(fits) {
        return Err(LabelError::Frame(format!(
            "the frame is {}x{} px but a label reaches to {}, {}: labels were laid out for another \
             size",
            frame.width(),
            frame.height(),
            area.x1,
            area.y1
        )));
    }
    let mix = match frame.domain {
        Domain::Raw => {
            return Err(LabelError::Frame(
                "the frame holds raw values, but labels need linear light or display codes: put \
                 labels after the sensor corrections"
                    .to_owned(),
            ));
        }
        Domain::Linear => Mix { white, tables: None },
        Domain::Display(curve) => Mix { white: 1.0, tables: Some(curve.tables()) },
    };
    for plane in &mut frame.planes {
        for y in 0..area.height() {
            let row = &mut plane.row_mut(area.y0 + y)[area.x0..area.x1];
            mix.row(row, plate.row(y), ink.row(y));
        }
    }
    Ok(())
}

/// How values turn into light and back.
struct Mix {
    /// Light of white.
    white: f32,
    tables: Option<&'static CurveTables>,
}

impl Mix {
    fn row(&self, row: &mut [f32], plate: &[f32], ink: &[f32]) {
        for ((value, &plate), &ink) in row.iter_mut().zip(plate).zip(ink) {
            // Outside the plate a value passes untouched, not through the curve and back.
            if plate > 0.0 || ink > 0.0 {
                let light = self.tables.map_or(*value, |t| t.decode(*value));
                let under = light + plate * (KEEP * light.min(self.white) - light);
                let light = under + ink * (self.white - under);
                *value = self.tables.map_or(light, |t| t.encode(light));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Curve;

    /// Relative luminance of an sRGB colour by the text of WCAG 2.x ("relative luminance"),
    /// written out here on its own.
    fn luminance(rgb: [f64; 3]) -> f64 {
        let part = |c: f64| {
            if c <= 0.03928 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * part(rgb[0]) + 0.7152 * part(rgb[1]) + 0.0722 * part(rgb[2])
    }

    fn contrast(a: [f64; 3], b: [f64; 3]) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    fn grey(code: f64) -> [f64; 3] {
        [code / 255.0; 3]
    }

    #[test]
    fn the_contrast_formula_gives_the_known_ratios() {
        // Known ratios of WCAG 1.4.3: white on grey 118 is 4.542 (passes), on 119 4.478 (fails),
        // on 128 3.95, on black 21.
        for (code, ratio) in [(118.0, 4.542), (119.0, 4.478), (128.0, 3.95), (0.0, 21.0)] {
            assert!((contrast(grey(255.0), grey(code)) - ratio).abs() < 0.005, "{code}");
        }
    }

    fn noise(x: usize, y: usize, seed: u32) -> f32 {
        let n = u32::try_from(x * 7919 + y * 104_729).unwrap() ^ seed;
        let n = n.wrapping_mul(2_654_435_761);
        ((n ^ (n >> 15)).wrapping_mul(2_246_822_519) >> 16) as f32 / 65_535.0
    }

    /// Pictures in display codes, as one function of place and plane each.
    type Picture = fn(usize, usize, u32) -> f32;
    const PICTURES: &[(&str, Picture)] = &[
        ("black", |_, _, _| 0.0),
        ("white", |_, _, _| 1.0),
        ("beyond white", |_, _, _| 1.7),
        ("noise", noise),
        ("gradient", |x, y, _| (x + y) as f32 / 100.0),
        ("red", |_, _, p| if p == 0 { 1.0 } else { 0.0 }),
        ("yellow", |_, _, p| if p == 2 { 0.0 } else { 1.0 }),
    ];

    #[test]
    fn ink_stands_out_from_every_picture() {
        let plate = rounded(40, 30, 6.0, 2.0);
        let mut ink = Mask::new(40, 30);
        ink.add_box(10.0, 10.0, 30.0, 20.0);
        let area = Area { x0: 5, y0: 5, x1: 45, y1: 35 };
        for curve in [Curve::Srgb, Curve::Bt709] {
            for planes in [1_u32, 3] {
                for (name, picture) in PICTURES {
                    let mut frame = Frame::mono(Plane::default());
                    frame.layout = if planes == 1 { Layout::Mono } else { Layout::Rgb };
                    frame.domain = Domain::Display(curve);
                    frame.planes = (0..planes)
                        .map(|p| Plane::from_fn(50, 40, |x, y| picture(x, y, p)))
                        .collect();
                    blend(&mut frame, area, &plate, &ink, 0.0).unwrap();
                    let at = |x: usize, y: usize| {
                        let p = |i: usize| {
                            f64::from(frame.planes[i.min(frame.planes.len() - 1)].at(x, y))
                        };
                        [p(0), p(1), p(2)]
                    };
                    let white = at(20, 20);
                    for y in 5 + 4..35 - 4 {
                        for x in 5 + 4..45 - 4 {
                            let inside = (15..35).contains(&x) && (15..25).contains(&y);
                            let ratio = contrast(white, at(x, y));
                            if !inside {
                                assert!(ratio >= 4.5, "{name} {curve:?}: {ratio} at {x}, {y}");
                            }
                        }
                    }
                }
            }
        }
    }

    #[test]
    fn linear_frames_mix_in_dn_and_keep_values_outside() {
        let plate = rounded(20, 20, 4.0, 2.0);
        let mut ink = Mask::new(20, 20);
        ink.add_box(9.0, 9.0, 11.0, 11.0);
        let area = Area { x0: 0, y0: 0, x1: 20, y1: 20 };
        let mut frame = Frame::mono(Plane::filled(30, 20, 2000.0));
        frame.planes[0].set(25, 5, -3.5);
        frame.planes[0].set(5, 10, 9000.0);
        blend(&mut frame, area, &plate, &ink, 4000.0).unwrap();
        let p = &frame.planes[0];
        // By hand: 0.15 of 2000, 0.15 of white for a pixel beyond white, white under the ink.
        assert!((p.at(10, 5) - 300.0).abs() < 0.01);
        assert!((p.at(5, 10) - 600.0).abs() < 0.01);
        assert!((p.at(10, 10) - 4000.0).abs() < 0.01);
        assert!((p.at(25, 5) + 3.5).abs() < 1e-6 && (p.at(29, 19) - 2000.0).abs() < 1e-6);
    }

    #[test]
    fn plates_are_whole_inside_and_symmetric() {
        let m = rounded(41, 23, 7.0, 3.0);
        for y in 0..23 {
            for x in 0..41 {
                assert!((m.row(y)[x] - m.row(22 - y)[40 - x]).abs() < 1e-6);
                if (4..37).contains(&x) && (8..15).contains(&y) {
                    assert!((m.row(y)[x] - 1.0).abs() < 1e-6);
                }
            }
        }
        assert!(m.row(0)[0] < 1e-6, "corners are round");
    }

    #[test]
    fn frames_that_are_not_pictures_are_refused() {
        let plate = rounded(8, 8, 1.0, 1.0);
        let area = Area { x0: 0, y0: 0, x1: 8, y1: 8 };
        let mut frame = Frame::mono(Plane::filled(8, 8, 0.0));
        frame.domain = Domain::Raw;
        let text =
            |f: &mut Frame| blend(f, area, &plate, &Mask::new(8, 8), 1.0).unwrap_err().to_string();
        assert!(text(&mut frame).contains("raw values"));
        let mut small = Frame::mono(Plane::filled(8, 7, 0.0));
        assert!(text(&mut small).contains("8x7"));
    }
}
