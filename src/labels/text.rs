//! One line of text as coverage.
//!
//! Sizes are heights of capitals in pixels, because that is what legibility rules speak of.
//! Glyphs are placed at fractions of a pixel; the caller puts baselines on whole pixels so that
//! feet and capitals are crisp. Digits can be set in cells of equal width, so that a running
//! number stands still; what touches a cell is not kerned.
//!
//! Font: Inter Medium, SIL Open Font License 1.1 (`fonts/OFL.txt`), unmodified.

use ab_glyph::{Font, FontRef, Glyph, PxScale, point};

use super::LabelError;
use super::kerning;
use super::mask::Mask;
use crate::frame::convert::floor_isize;

/// The font as its authors released it.
const FONT: &[u8] = include_bytes!("fonts/Inter-Medium.otf");

/// Width of a thin or narrow no-break space, in em (a fifth: typographers' common practice, no
/// source).
const THIN_SPACE_EM: f32 = 0.2;

/// How digits are spaced.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Digits {
    /// Each at its own width: for words and fixed numbers.
    Natural,
    /// Each in a cell as wide as the widest: for numbers that change.
    Cells,
}

/// The built-in font with the measures that sizes are computed from.
#[derive(Debug)]
pub struct Face {
    font: FontRef<'static>,
    /// Height of "H" in font units.
    capital: f32,
    /// Widest digit in font units.
    digit: f32,
    em: f32,
}

/// A line of glyphs ready to draw.
#[derive(Debug, Clone)]
pub struct Line {
    glyphs: Vec<Glyph>,
    left: f32,
    right: f32,
}

impl Face {
    /// Reads the built-in font.
    ///
    /// # Errors
    /// [`LabelError::Font`] where the font that was built in is broken.
    pub fn load() -> Result<Self, LabelError> {
        let font = FontRef::try_from_slice(FONT).map_err(|_| LabelError::Font)?;
        let outline = font.outline(font.glyph_id('H')).ok_or(LabelError::Font)?;
        let capital = (outline.bounds.max.y - outline.bounds.min.y).abs();
        let digit =
            ('0'..='9').map(|c| font.h_advance_unscaled(font.glyph_id(c))).fold(0.0, f32::max);
        let em = font.units_per_em().ok_or(LabelError::Font)?;
        if capital > 0.0 && digit > 0.0 {
            Ok(Self { font, capital, digit, em })
        } else {
            Err(LabelError::Font)
        }
    }

    /// Height of a line (ascent and descent) whose capitals are `capital_px` high, in pixels.
    #[must_use]
    pub fn line_height(&self, capital_px: f32) -> f32 {
        self.font.height_unscaled() * capital_px / self.capital
    }

    /// How far letters such as "p" hang below the baseline, in pixels.
    #[must_use]
    pub fn descent(&self, capital_px: f32) -> f32 {
        -self.font.descent_unscaled() * capital_px / self.capital
    }

    /// Lays out `text` with capitals `capital_px` high.
    ///
    /// # Errors
    /// [`LabelError::NoGlyph`] where the font lacks a character.
    pub fn line(&self, text: &str, capital_px: f32, digits: Digits) -> Result<Line, LabelError> {
        let unit = capital_px / self.capital;
        // The reader's scale is the height of a whole line, not the em.
        let scale = PxScale::from(self.font.height_unscaled() * unit);
        let (mut x, mut before) = (0.0_f32, None::<char>);
        let mut line = Line { glyphs: Vec::new(), left: f32::INFINITY, right: 0.0 };
        for c in text.chars() {
            if let Some(space) = self.space(c) {
                x += space * unit;
                before = None;
                continue;
            }
            let id = self.font.glyph_id(c);
            if id.0 == 0 {
                return Err(LabelError::NoGlyph(c));
            }
            let in_cell = |c: char| digits == Digits::Cells && c.is_ascii_digit();
            if let Some(b) = before.filter(|&b| !in_cell(b) && !in_cell(c)) {
                x += kerning::between(b, c) * self.em * unit;
            }
            let own = self.font.h_advance_unscaled(id);
            let cell = if in_cell(c) { self.digit } else { own };
            let at = x + (cell - own) * 0.5 * unit;
            if let Some(outline) = self.font.outline(id) {
                line.left = line.left.min(at + outline.bounds.min.x * unit);
                line.right = line.right.max(at + outline.bounds.max.x * unit);
            }
            line.glyphs.push(id.with_scale_and_position(scale, point(at, 0.0)));
            x += cell * unit;
            before = Some(c);
        }
        line.left = line.left.min(line.right);
        Ok(line)
    }

    /// Advance of a character that has no ink, in font units.
    fn space(&self, c: char) -> Option<f32> {
        match c {
            ' ' | '\u{a0}' => Some(self.font.h_advance_unscaled(self.font.glyph_id(' '))),
            '\u{2007}' => Some(self.digit),
            '\u{2009}' | '\u{202f}' => Some(THIN_SPACE_EM * self.em),
            _ => None,
        }
    }

    /// Draws `line` into `mask`, its leftmost ink at `x` and its baseline at `baseline` (both in
    /// pixel edges). What is outside the mask is cut off.
    pub fn draw(&self, line: &Line, mask: &mut Mask, x: f32, baseline: f32) {
        for glyph in &line.glyphs {
            let mut placed = glyph.clone();
            placed.position = point(glyph.position.x + x - line.left, baseline);
            let Some(outlined) = self.font.outline_glyph(placed) else { continue };
            let bounds = outlined.px_bounds();
            let left = floor_isize(f64::from(bounds.min.x));
            let top = floor_isize(f64::from(bounds.min.y));
            outlined.draw(|gx, gy, coverage| {
                let at = |origin: isize, step: u32| -> Option<usize> {
                    usize::try_from(origin + isize::try_from(step).ok()?).ok()
                };
                if let (Some(px), Some(py)) = (at(left, gx), at(top, gy)) {
                    mask.add(px, py, coverage);
                }
            });
        }
    }
}

impl Line {
    /// Width of the ink in pixels.
    #[must_use]
    pub fn width(&self) -> f32 {
        self.right - self.left
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ink(text: &str, capital: f32, digits: Digits, x: f32) -> Mask {
        let face = Face::load().unwrap();
        let mut mask = Mask::new(200, 60);
        face.draw(&face.line(text, capital, digits).unwrap(), &mut mask, x, 40.0);
        mask
    }

    #[test]
    fn every_sign_a_label_needs_is_in_the_font() {
        let face = Face::load().unwrap();
        let all = "0123456789.,\u{2212}\u{d7}\u{2248}\u{b5}ms\u{a0}\u{202f}\u{2009}\u{2007}/ \
                   abcdefghijklmnopqrstuvwxyz";
        face.line(all, 20.0, Digits::Natural).unwrap();
        assert_eq!(
            face.line("\u{10ffff}", 20.0, Digits::Natural).unwrap_err(),
            LabelError::NoGlyph('\u{10ffff}')
        );
    }

    #[test]
    fn capitals_have_the_height_asked_for() {
        let mask = ink("H", 30.0, Digits::Natural, 4.0);
        let rows: Vec<usize> = (0..60).filter(|&y| mask.row(y).iter().any(|&c| c > 0.5)).collect();
        assert_eq!((rows[0], rows[rows.len() - 1]), (10, 39));
    }

    #[test]
    fn a_running_number_stands_still_in_cells() {
        let face = Face::load().unwrap();
        let last = |text: &str, digits| {
            let line = face.line(text, 20.0, digits).unwrap();
            line.glyphs[line.glyphs.len() - 1].position.x
        };
        assert!(
            (last("111.1\u{a0}s", Digits::Cells) - last("888.8\u{a0}s", Digits::Cells)).abs()
                < 1e-3
        );
        assert!(
            (last("111.1\u{a0}s", Digits::Natural) - last("888.8\u{a0}s", Digits::Natural)).abs()
                > 5.0
        );
    }

    #[test]
    fn pairs_are_kerned_except_in_cells() {
        let face = Face::load().unwrap();
        let width = |text: &str, digits| face.line(text, 100.0, digits).unwrap().width();
        // The font pulls a point after 7 in by an eighth of an em; the em is 1.375 capitals.
        let natural = width("7.0", Digits::Natural) - width("7\u{2009}.0", Digits::Natural);
        let cells = width("7.0", Digits::Cells) - width("7\u{2009}.0", Digits::Cells);
        assert!((cells + 0.2 * 137.5).abs() < 0.5, "{cells}");
        assert!((natural - cells + 0.125 * 137.5).abs() < 0.5, "{}", natural - cells);
    }

    #[test]
    fn ink_moves_by_fractions_of_a_pixel() {
        // The centre of mass of the same word drawn 0.25 px further right lies 0.25 px further right.
        let centre = |m: &Mask| {
            let mut sum = 0.0;
            for y in 0..m.height() {
                sum +=
                    m.row(y).iter().enumerate().map(|(x, &c)| x as f64 * f64::from(c)).sum::<f64>();
            }
            sum / m.area()
        };
        let a = centre(&ink("slower", 12.0, Digits::Natural, 10.0));
        let b = centre(&ink("slower", 12.0, Digits::Natural, 10.25));
        assert!((b - a - 0.25).abs() < 0.01, "{}", b - a);
    }
}
