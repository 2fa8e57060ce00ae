//! The scale bar: a line with upturned ends that cradle its label.
//!
//! The outer edges of the two ends are as far apart as the length says, to the fraction of a
//! pixel: the left one lies on a pixel's edge, the right one covers its last pixel in part.
//!
//! How sure must a scale be? A length of the 1-2-5 series has one figure. With a relative
//! standard uncertainty `u` its length is sure to `2u` at about 95 % (GUM, k = 2):
//!
//! | `u` | label |
//! | --- | --- |
//! | up to 2.5 % | `500 µm` |
//! | up to 10 % | `≈500 µm`: sure to a fifth at worst |
//! | above | none: "500" could as well be 600, so not even one figure is known |

use super::figures;
use super::layout::Sizes;
use crate::optics::RoundLength;

/// Relative standard uncertainty up to which the label is plain.
pub const PLAIN: f64 = 0.025;
/// Relative standard uncertainty up to which a bar is drawn at all.
pub const MOST: f64 = 0.10;

/// The bar's label; `None` where the scale is too uncertain for one figure.
///
/// `relative` is the scale's relative standard uncertainty; where it is unknown the label is plain
/// and whoever gave the scale answers for it.
#[must_use]
pub fn label(length: RoundLength, relative: Option<f64>) -> Option<String> {
    let text = figures::bar_length(length);
    match relative {
        None => Some(text),
        Some(u) if (0.0..=PLAIN).contains(&u) => Some(text),
        Some(u) if (0.0..=MOST).contains(&u) => Some(format!("\u{2248}{text}")),
        Some(_) => None,
    }
}

/// Measures of the bar in pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Strokes {
    /// Thickness of line and ends.
    pub thickness: usize,
    /// Height of the ends, the line's thickness included.
    pub rise: usize,
}

impl Strokes {
    /// Strokes that match lettering of the given size.
    #[must_use]
    pub fn matching(sizes: Sizes) -> Self {
        let thickness = ((sizes.second * 18 + 50) / 100).max(1);
        Self { thickness, rise: ((sizes.second * 50 + 50) / 100).max(thickness + 2) }
    }

    /// The three boxes (left, top, right, bottom in pixel edges) of a bar of `length` px whose left
    /// end is at `x` and whose lower edge is at `bottom`.
    #[must_use]
    pub fn boxes(&self, x: f64, bottom: f64, length: f64) -> [[f64; 4]; 3] {
        let (t, rise) = (self.thickness as f64, self.rise as f64);
        let end = t.min(length / 2.0);
        [
            [x, bottom - t, x + length, bottom],
            [x, bottom - rise, x + end, bottom - t],
            [x + length - end, bottom - rise, x + length, bottom - t],
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::labels::mask::Mask;

    #[test]
    fn labels_say_no_more_than_is_known() {
        let l = RoundLength { digit: 5, exponent: 2 };
        assert_eq!(label(l, None).unwrap(), "500\u{a0}\u{b5}m");
        // GUM worked example of a graticule: u_r = 0.117 %.
        assert_eq!(label(l, Some(0.00117)).unwrap(), "500\u{a0}\u{b5}m");
        assert_eq!(label(l, Some(0.06)).unwrap(), "\u{2248}500\u{a0}\u{b5}m");
        // One 1 mm step of a class II rule is sure to 20 % (Directive 2004/22/EC, MI-008): as a
        // rectangle 0.2/sqrt(3) = 11.5 %.
        assert_eq!(label(l, Some(0.2 / 3.0_f64.sqrt())), None);
        assert_eq!(label(l, Some(f64::NAN)), None);
    }

    #[test]
    fn the_drawn_length_has_no_rounding_error() {
        // 100 µm at 0.5005 µm a pixel: 199.8 px.
        let strokes = Strokes { thickness: 4, rise: 10 };
        let mut mask = Mask::new(240, 20);
        for [x0, y0, x1, y1] in strokes.boxes(10.0, 18.0, 100.0 / 0.5005) {
            mask.add_box(x0, y0, x1, y1);
        }
        let length: f64 = mask.row(15).iter().map(|&c| f64::from(c)).sum();
        assert!((length - 199.8002).abs() < 1e-3, "{length}");
        let ends: f64 = mask.row(9).iter().map(|&c| f64::from(c)).sum();
        assert!((ends - 8.0).abs() < 1e-4, "{ends}");
    }
}
