//! Where labels lie and how large they are.
//!
//! Everything stays inside the title-safe area, 90 % of width and height (SMPTE ST 2046-1 as
//! quoted in the BKSTS Illustrated Dictionary of Moving Image Technology, 4th ed., Appendix B). The area is split
//! into zones that never meet, so that labels made apart from each other cannot overlap:
//!
//! ```text
//! +-----------------------+    +-----------+
//! | upper left (clock)    |    | clock     |   30 % of the height; of its width the right
//! |                (graph)|    |           |   39 % may be a graph: the clock is narrower
//! +-------------+---------+    +-----------+
//! | lower left  | lower   |    | caption   |   65 %
//! | (caption)   | right   |    +-----------+
//! |             | (bar)   |    |       bar |   of which 18 % in tall frames
//! +-------------+---------+    +-----------+
//!      59 %         39 %
//! ```
//!
//! Tall frames, where the height is more than 5/4 of the width, have no room for caption and bar
//! side by side.

use crate::frame::convert::{floor_usize, round_usize};

/// Least height of capitals as a share of the frame's height (common practice, no source).
const LEAST_CAPITALS: f64 = 0.03;
/// Least height of capitals in pixels: below this letters lose their shapes (own trial).
const LEAST_PIXELS: usize = 7;
/// Secondary lines against the leading one.
const SECOND: f64 = 0.8;

/// The frame that labels are laid out for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Canvas {
    /// Width in pixels.
    pub width: usize,
    /// Height in pixels.
    pub height: usize,
}

/// A label's place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Corner {
    /// Upper left.
    UpperLeft,
    /// Lower left.
    LowerLeft,
    /// Lower right.
    LowerRight,
    /// Upper right, beside the clock.
    UpperRight,
}

/// Whole pixels from `x0, y0` up to, not including, `x1, y1`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Area {
    /// Left column.
    pub x0: usize,
    /// Top row.
    pub y0: usize,
    /// Column after the last.
    pub x1: usize,
    /// Row after the last.
    pub y1: usize,
}

impl Area {
    /// Width in pixels.
    #[must_use]
    pub fn width(&self) -> usize {
        self.x1.saturating_sub(self.x0)
    }

    /// Height in pixels.
    #[must_use]
    pub fn height(&self) -> usize {
        self.y1.saturating_sub(self.y0)
    }
}

/// Heights of capitals in pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sizes {
    /// Of a leading line.
    pub lead: usize,
    /// Of every other line.
    pub second: usize,
}

impl Canvas {
    /// The title-safe area, rounded inwards to whole pixels.
    #[must_use]
    pub fn safe(&self) -> Area {
        let inset = |n: usize| n.div_ceil(20);
        Area {
            x0: inset(self.width),
            y0: inset(self.height),
            x1: (self.width - inset(self.width)).max(inset(self.width)),
            y1: (self.height - inset(self.height)).max(inset(self.height)),
        }
    }

    /// The part of the safe area that belongs to `corner` alone.
    #[must_use]
    pub fn zone(&self, corner: Corner) -> Area {
        let safe = self.safe();
        let part = |n: usize, percent: usize| n * percent / 100;
        let (w, h) = (safe.width(), safe.height());
        let tall = self.height * 4 > self.width * 5;
        match corner {
            Corner::UpperLeft => Area { y1: safe.y0 + part(h, 30), ..safe },
            Corner::UpperRight => {
                Area { x0: safe.x1 - part(w, 39), y1: safe.y0 + part(h, 30), ..safe }
            }
            Corner::LowerLeft if tall => {
                Area { y0: safe.y1 - part(h, 65), y1: safe.y1 - part(h, 20), ..safe }
            }
            Corner::LowerRight if tall => Area { y0: safe.y1 - part(h, 18), ..safe },
            Corner::LowerLeft => {
                Area { x1: safe.x0 + part(w, 59), y0: safe.y1 - part(h, 65), ..safe }
            }
            Corner::LowerRight => {
                Area { x0: safe.x1 - part(w, 39), y0: safe.y1 - part(h, 65), ..safe }
            }
        }
    }

    /// Where a label of `width` x `height` lies in `corner`; `None` where it does not fit.
    #[must_use]
    pub fn place(&self, corner: Corner, width: usize, height: usize) -> Option<Area> {
        let zone = self.zone(corner);
        if width > zone.width() || height > zone.height() {
            return None;
        }
        let right = matches!(corner, Corner::LowerRight | Corner::UpperRight);
        let upper = matches!(corner, Corner::UpperLeft | Corner::UpperRight);
        let x0 = if right { zone.x1 - width } else { zone.x0 };
        let y0 = if upper { zone.y0 } else { zone.y1 - height };
        Some(Area { x0, y0, x1: x0 + width, y1: y0 + height })
    }

    /// Least height of capitals in pixels.
    #[must_use]
    pub fn least_capitals(&self) -> usize {
        let least = round_usize((self.height as f64 * LEAST_CAPITALS).ceil());
        least.max(LEAST_PIXELS)
    }

    /// Sizes to try, from the wanted one (leading capitals of `percent` of the frame's height, or
    /// of the height of a 16:9 frame of the same width where that is more: strips are shown wide)
    /// down to the least.
    pub fn sizes(&self, percent: f64) -> impl Iterator<Item = Sizes> + use<> {
        let least = self.least_capitals();
        let height = (self.height as f64).max(self.width as f64 * 9.0 / 16.0);
        let wanted = round_usize(height * percent / 100.0).max(least);
        (least..=wanted).rev().map(move |lead| Sizes {
            lead,
            second: floor_usize(lead as f64 * SECOND + 0.5).max(least),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRAMES: &[(usize, usize)] = &[
        (1920, 1080),
        (3840, 2160),
        (1280, 720),
        (640, 480),
        (512, 512),
        (256, 256),
        (160, 120),
        (1080, 1920),
        (120, 160),
        (3, 200),
        (1280, 128),
        (3, 1),
        (1, 1),
    ];

    #[test]
    fn title_safe_insets_of_16_to_9() {
        // SMPTE ST 2046-1 by way of BKSTS, Appendix B: 5 % a side: 96, 54 of 1920x1080;
        // 192, 108 of 3840x2160; 64, 36 of 1280x720.
        for (w, h, x, y) in [(1920, 1080, 96, 54), (3840, 2160, 192, 108), (1280, 720, 64, 36)] {
            let safe = Canvas { width: w, height: h }.safe();
            assert_eq!(safe, Area { x0: x, y0: y, x1: w - x, y1: h - y });
        }
    }

    #[test]
    fn zones_do_not_meet_and_stay_in_the_safe_area() {
        for &(width, height) in FRAMES {
            let canvas = Canvas { width, height };
            let safe = canvas.safe();
            let zones =
                [Corner::UpperLeft, Corner::LowerLeft, Corner::LowerRight].map(|c| canvas.zone(c));
            for (i, a) in zones.iter().enumerate() {
                assert!(a.x0 >= safe.x0 && a.x1 <= safe.x1, "{width}x{height}");
                assert!(a.y0 >= safe.y0 && a.y1 <= safe.y1, "{width}x{height}");
                for b in &zones[i + 1..] {
                    let apart = a.x1 <= b.x0 || b.x1 <= a.x0 || a.y1 <= b.y0 || b.y1 <= a.y0;
                    assert!(apart || a.width() * b.width() == 0, "{width}x{height}: {a:?} {b:?}");
                }
            }
        }
    }

    #[test]
    fn capitals_are_never_below_three_percent() {
        for &(width, height) in FRAMES {
            let canvas = Canvas { width, height };
            for sizes in canvas.sizes(3.9) {
                assert!(sizes.second * 100 >= height * 3, "{width}x{height}");
                assert!(sizes.second >= 7 && sizes.lead >= sizes.second);
            }
        }
        // 32 px on 1080 is 3 % rounded; the least here is rounded up.
        assert_eq!(Canvas { width: 1920, height: 1080 }.least_capitals(), 33);
    }
}
