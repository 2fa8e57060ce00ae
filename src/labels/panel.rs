//! Lines of text, or a bar with its label, set on a plate that fits its zone.
//!
//! Sizes are tried from the wanted one downwards, and at each size the arrangements from the
//! widest to the narrowest; the first that fits is taken. A second line is broken rather than made
//! smaller, so that the labels of one frame keep one size; the leading line is made smaller first.

use super::LabelError;
use super::bar::Strokes;
use super::layout::{Area, Canvas, Corner, Sizes};
use super::mask::Mask;
use super::plate;
use super::text::{Digits, Face, Line};
use crate::frame::Frame;
use crate::frame::convert::{round_usize, to_f32};

/// Room between plate and ink, in heights of secondary capitals.
const PADDING: f64 = 0.75;
/// Room between a baseline and the capitals of the next line, likewise.
const LEADING: f64 = 0.85;
/// Room between the label's baseline and the tops of the bar's ends, likewise.
const CRADLE: f64 = 0.15;
/// Radius of the plate's corners, in paddings.
const RADIUS: f64 = 0.8;
/// Width of the plate's fading edge, in paddings.
const FADE: f64 = 0.3;

/// A line of a label.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// What it says.
    pub text: String,
    /// The label's main line, set larger.
    pub lead: bool,
}

impl Row {
    /// A leading line.
    #[must_use]
    pub fn lead(text: impl Into<String>) -> Self {
        Self { text: text.into(), lead: true }
    }

    /// A secondary line.
    #[must_use]
    pub fn second(text: impl Into<String>) -> Self {
        Self { text: text.into(), lead: false }
    }
}

/// A finished label: blend it into every frame of the clip.
#[derive(Debug, Clone)]
pub struct Panel {
    /// Where it lies in the frame.
    pub area: Area,
    /// Right edge of the room for ink, in pixel edges of the plate.
    right: f32,
    /// Baseline of the last line, likewise.
    baseline: f32,
    /// Height of the capitals of the last line in pixels.
    capitals: f32,
    plate: Mask,
    ink: Mask,
}

impl Panel {
    /// Blends the label into `frame`; `white` is display white in DN above black.
    ///
    /// # Errors
    /// [`LabelError::Frame`] where the frame is not a picture or of another size.
    pub fn blend(&self, frame: &mut Frame, white: f32) -> Result<(), LabelError> {
        plate::blend(frame, self.area, &self.plate, &self.ink, white)
    }

    /// Blends the plate with `text` instead of its last line, flush right, digits in cells.
    ///
    /// # Errors
    /// As [`Panel::blend`]; [`LabelError::NoGlyph`]; [`LabelError::Frame`] where the text is
    /// longer than the one the label was made for.
    pub fn blend_text(
        &self,
        face: &Face,
        text: &str,
        frame: &mut Frame,
        white: f32,
    ) -> Result<(), LabelError> {
        let line = face.line(text, self.capitals, Digits::Cells)?;
        let x = self.right - line.width();
        // Half the padding may be used by a first figure that reaches further left.
        if x < (self.plate.width() as f32 - self.right) * 0.5 {
            return Err(LabelError::Frame(format!(
                "\"{text}\" is {:.0} px wide but its plate was made for {:.0} px",
                line.width(),
                2.0 * self.right - self.plate.width() as f32
            )));
        }
        let mut ink = Mask::new(self.plate.width(), self.plate.height());
        face.draw(&line, &mut ink, x, self.baseline);
        plate::blend(frame, self.area, &self.plate, &ink, white)
    }

    /// The ink, for those who want to look at it.
    #[must_use]
    pub fn ink(&self) -> &Mask {
        &self.ink
    }

    /// The plate, likewise.
    #[must_use]
    pub fn plate(&self) -> &Mask {
        &self.plate
    }
}

/// A label laid out at one size, not yet drawn.
struct Draft {
    width: usize,
    height: usize,
    padding: usize,
    /// Lines with leftmost ink and baseline, in pixel edges.
    lines: Vec<(Line, f32, f32)>,
    boxes: Vec<[f64; 4]>,
    capitals: usize,
    text: String,
}

/// Lines of text in `corner`; `arrangements` from the widest to the narrowest. Those whose leading
/// line is broken (more than one row of that kind) are last resorts, tried only where no size of
/// the others fits.
///
/// # Errors
/// [`LabelError::DoesNotFit`] with the least size that would be needed, [`LabelError::NoGlyph`].
pub fn lines(
    face: &Face,
    canvas: Canvas,
    corner: Corner,
    arrangements: &[Vec<Row>],
    percent: f64,
    digits: Digits,
) -> Result<Panel, LabelError> {
    let broken = |rows: &[Row]| rows.iter().filter(|r| r.lead).count() > 1;
    let drafts = [false, true].into_iter().flat_map(|last_resort| {
        canvas.sizes(percent).flat_map(move |sizes| {
            arrangements
                .iter()
                .filter(move |rows| broken(rows) == last_resort)
                .map(move |rows| draft_lines(face, sizes, rows, digits))
        })
    });
    first_that_fits(face, canvas, corner, drafts)
}

/// A bar of `length_px` pixels under its label, in `corner`.
///
/// # Errors
/// As [`lines`].
pub fn bar(
    face: &Face,
    canvas: Canvas,
    corner: Corner,
    label: &str,
    length_px: f64,
    percent: f64,
) -> Result<Panel, LabelError> {
    let drafts = canvas.sizes(percent).map(|sizes| draft_bar(face, sizes, label, length_px));
    first_that_fits(face, canvas, corner, drafts)
}

fn padding(sizes: Sizes) -> usize {
    round_usize(sizes.second as f64 * PADDING).max(3)
}

fn draft_lines(
    face: &Face,
    sizes: Sizes,
    rows: &[Row],
    digits: Digits,
) -> Result<Draft, LabelError> {
    let padding = padding(sizes);
    let leading = round_usize(sizes.second as f64 * LEADING);
    let mut draft = Draft {
        width: 0,
        height: padding,
        padding,
        lines: Vec::new(),
        boxes: Vec::new(),
        capitals: sizes.second,
        text: rows.iter().map(|r| r.text.as_str()).collect::<Vec<_>>().join(" | "),
    };
    let mut widest = 0.0_f32;
    for (i, row) in rows.iter().enumerate() {
        let capitals = if row.lead { sizes.lead } else { sizes.second };
        let line = face.line(&row.text, capitals as f32, digits)?;
        widest = widest.max(line.width());
        draft.height += capitals + if i > 0 { leading } else { 0 };
        draft.capitals = capitals;
        draft.lines.push((line, padding as f32, draft.height as f32));
    }
    draft.height += padding;
    draft.width = round_usize(f64::from(widest).ceil()) + 2 * padding;
    Ok(draft)
}

fn draft_bar(face: &Face, sizes: Sizes, label: &str, length: f64) -> Result<Draft, LabelError> {
    let padding = padding(sizes);
    let strokes = Strokes::matching(sizes);
    let line = face.line(label, sizes.second as f32, Digits::Natural)?;
    let wide = f64::from(line.width()).max(length);
    let width = round_usize(wide.ceil()) + 2 * padding;
    let baseline = padding + sizes.second;
    let clear = f64::from(face.descent(sizes.second as f32)) + sizes.second as f64 * CRADLE;
    let bottom = baseline + round_usize(clear) + strokes.rise;
    let x = ((width as f64 - length) / 2.0).floor();
    let text_x = to_f32(x + length / 2.0) - line.width() / 2.0;
    Ok(Draft {
        width,
        height: bottom + padding,
        padding,
        lines: vec![(line, text_x, baseline as f32)],
        boxes: strokes.boxes(x, bottom as f64, length).to_vec(),
        capitals: sizes.second,
        text: label.to_owned(),
    })
}

fn first_that_fits(
    face: &Face,
    canvas: Canvas,
    corner: Corner,
    drafts: impl Iterator<Item = Result<Draft, LabelError>>,
) -> Result<Panel, LabelError> {
    let mut last = None;
    for draft in drafts {
        let draft = draft?;
        if let Some(area) = canvas.place(corner, draft.width, draft.height) {
            return Ok(finish(face, &draft, area));
        }
        last = Some(draft);
    }
    let zone = canvas.zone(corner);
    let draft = last.ok_or(LabelError::Font)?;
    Err(LabelError::DoesNotFit {
        text: draft.text,
        needs_width: draft.width,
        needs_height: draft.height,
        capitals: draft.capitals,
        frame_width: canvas.width,
        frame_height: canvas.height,
        has_width: zone.width(),
        has_height: zone.height(),
    })
}

fn finish(face: &Face, draft: &Draft, area: Area) -> Panel {
    let padding = draft.padding as f64;
    let mut ink = Mask::new(draft.width, draft.height);
    for (line, x, baseline) in &draft.lines {
        face.draw(line, &mut ink, *x, *baseline);
    }
    for &[x0, y0, x1, y1] in &draft.boxes {
        ink.add_box(x0, y0, x1, y1);
    }
    Panel {
        area,
        right: (draft.width - draft.padding) as f32,
        baseline: draft.lines.last().map_or(0.0, |l| l.2),
        capitals: draft.capitals as f32,
        plate: plate::rounded(draft.width, draft.height, padding * RADIUS, padding * FADE),
        ink,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::labels::layout::Area;

    const FRAMES: &[(usize, usize)] =
        &[(1920, 1080), (640, 480), (512, 512), (256, 256), (160, 120), (1080, 1920), (1280, 256)];

    fn caption() -> [Vec<Row>; 3] {
        [
            vec![Row::lead("40\u{d7}\u{a0}slower"), Row::second("filmed at 5000\u{a0}fps")],
            vec![
                Row::lead("40\u{d7}\u{a0}slower"),
                Row::second("filmed at"),
                Row::second("5000\u{a0}fps"),
            ],
            vec![Row::lead("40\u{d7}"), Row::lead("slower"), Row::second("5000\u{a0}fps")],
        ]
    }

    fn all(face: &Face, canvas: Canvas) -> [Panel; 3] {
        let clock = [vec![Row::second("\u{2212}888.8\u{a0}ms")]];
        let length = canvas.width as f64 / 4.0;
        [
            lines(face, canvas, Corner::LowerLeft, &caption(), 3.9, Digits::Natural).unwrap(),
            lines(face, canvas, Corner::UpperLeft, &clock, 3.9, Digits::Cells).unwrap(),
            bar(face, canvas, Corner::LowerRight, "500\u{a0}\u{b5}m", length, 3.9).unwrap(),
        ]
    }

    #[test]
    fn labels_stay_apart_and_inside_the_safe_area() {
        let face = Face::load().unwrap();
        for &(width, height) in FRAMES {
            let canvas = Canvas { width, height };
            let areas: Vec<Area> = all(&face, canvas).iter().map(|p| p.area).collect();
            for (i, a) in areas.iter().enumerate() {
                // Title-safe: 5 % off each side (SMPTE ST 2046-1 by way of BKSTS, Appendix B).
                assert!(a.x0 * 20 >= width && (width - a.x1) * 20 >= width, "{width}x{height}");
                assert!(a.y0 * 20 >= height && (height - a.y1) * 20 >= height, "{width}x{height}");
                for b in &areas[i + 1..] {
                    let apart = a.x1 <= b.x0 || b.x1 <= a.x0 || a.y1 <= b.y0 || b.y1 <= a.y0;
                    assert!(apart, "{width}x{height}: {a:?} {b:?}");
                }
            }
        }
    }

    #[test]
    fn ink_lies_only_where_the_plate_is_whole() {
        // The contrast that is promised holds only on the whole plate.
        let face = Face::load().unwrap();
        for &(width, height) in FRAMES {
            for panel in all(&face, Canvas { width, height }) {
                let (ink, plate) = (panel.ink(), panel.plate());
                assert!(ink.area() > 20.0);
                for y in 0..ink.height() {
                    for (x, (&i, &p)) in ink.row(y).iter().zip(plate.row(y)).enumerate() {
                        assert!(i <= 0.0 || p >= 1.0, "{width}x{height}: {x}, {y}: {i} on {p}");
                    }
                }
            }
        }
    }

    #[test]
    fn lettering_is_large_enough() {
        // Capitals 3 % of the height, lines 4 % (common practice, no source).
        let face = Face::load().unwrap();
        for &(width, height) in FRAMES {
            for panel in all(&face, Canvas { width, height }) {
                assert!(f64::from(panel.capitals) >= 0.03 * height as f64);
                assert!(f64::from(face.line_height(panel.capitals)) >= 0.04 * height as f64);
            }
        }
    }

    #[test]
    fn what_cannot_fit_is_refused_with_its_numbers() {
        let face = Face::load().unwrap();
        let canvas = Canvas { width: 64, height: 48 };
        let text = lines(&face, canvas, Corner::LowerLeft, &caption(), 3.9, Digits::Natural)
            .unwrap_err()
            .to_string();
        assert!(text.contains("64 x 48") && text.contains("capitals of 7 px"), "{text}");
        // Nothing panics on frames that hold nothing.
        for (width, height) in [(0, 0), (1, 1), (3, 200), (200, 3)] {
            let canvas = Canvas { width, height };
            assert!(bar(&face, canvas, Corner::LowerRight, "1\u{a0}mm", 1.0, 3.9).is_err());
        }
    }
}
