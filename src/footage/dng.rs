//! What raw pages of TIFF files (DNG) say beside their samples: linearization, levels, the part
//! of the sensor that saw light, the colour filter, the rate.
//!
//! Applied when a page is decoded: LinearizationTable, and the cut to ActiveArea. Not applied:
//! levels, which become facts (black and white) so that a dark reference can do better; crops for
//! show (DefaultCropOrigin), orientation, colour matrices. Black levels that differ from site to
//! site become their mean, with a warning. White balance (AsShotNeutral) is told with the gains
//! that stage balance takes, so that it is the person's choice, once for the clip. Opcodes, which
//! repair and shade as the references do here, are not applied, with a warning.
//!
//! **Makers' private tags and containers are not read.** A colour filter other than two by two
//! red, green and blue pixels is refused, as is lossy JPEG.
//!
//! Source: Digital Negative (DNG) Specification 1.4 and 1.6, chapters 4 and 5; TIFF/EP
//! (ISO 12234-2) for CFAPattern; CinemaDNG 1.1 for FrameRate and TimeCodes.

use super::facts::{Fact, Facts};
use super::fault::Fault;
use super::header::{HeaderFacts, rate_of, source};
use super::ifd::{Directories, Page};
use super::kind::Source;
use super::shape::{Decoded, Shape};
use crate::frame::Mosaic;
use crate::frame::convert::{floor_usize, round_u16, to_f32};
use crate::record::Warning;

const CFA_REPEAT: u16 = 33_421;
const CFA_PATTERN: u16 = 33_422;
const LINEARIZATION: u16 = 50_712;
const BLACK_LEVEL: u16 = 50_714;
const WHITE_LEVEL: u16 = 50_717;
const ACTIVE_AREA: u16 = 50_829;
/// The three lists of opcodes.
const OPCODES: [u16; 3] = [51_008, 51_009, 51_022];
const NEUTRAL: u16 = 50_728;
const TIME_CODES: u16 = 51_043;
const FRAME_RATE: u16 = 51_044;
const COLOUR_FILTER: u64 = 32_803;
/// Difference of black levels from their mean that matters, in DN.
const SAME_BLACK: f64 = 0.5;

/// The raw tags of a page.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct RawPage {
    /// Stored value to linear value; empty: they are the same.
    table: Vec<u16>,
    /// Left, top, width, height.
    area: Option<(usize, usize, usize, usize)>,
    black: Vec<f64>,
    white: Option<f64>,
    mosaic: Option<Mosaic>,
    /// Camera values of a neutral grey, red, green, blue; empty where none are named.
    neutral: Vec<f64>,
    /// Whether a list of opcodes goes with the page.
    opcodes: bool,
}

impl RawPage {
    /// Reads the tags of a page that is colour-filter or linear raw.
    pub(super) fn of<R: Source>(dirs: &mut Directories<R>, page: &Page) -> Result<Self, Fault> {
        let table = dirs.numbers(page.offset, LINEARIZATION)?;
        let table = table.into_iter().map(|v| round_u16(to_f32(v))).collect();
        let area = dirs.numbers(page.offset, ACTIVE_AREA)?;
        let mosaic = if page.photometric == COLOUR_FILTER { mosaic(dirs, page)? } else { None };
        Ok(Self {
            table,
            area: if area.is_empty() { None } else { Some(active(&area, page)?) },
            black: dirs.numbers(page.offset, BLACK_LEVEL)?,
            white: dirs.numbers(page.offset, WHITE_LEVEL)?.first().copied(),
            mosaic,
            neutral: dirs.numbers(dirs.first(), NEUTRAL)?,
            opcodes: {
                let mut any = false;
                for list in OPCODES {
                    // The first four bytes count the opcodes.
                    any |= dirs.numbers(page.offset, list)?.iter().take(4).any(|b| *b > 0.0);
                }
                any
            },
        })
    }

    /// The shape after the cut and the table.
    pub(super) fn shape(&self, stored: Shape) -> Shape {
        let mut shape = stored;
        if let Some((_, _, width, height)) = self.area {
            (shape.width, shape.height) = (width, height);
        }
        if let Some(&most) = self.table.iter().max() {
            shape.full_scale = most.max(1);
            shape.bits = 16;
        }
        shape
    }

    /// Applies the table and the cut to interleaved samples of the shape `stored`.
    pub(super) fn apply(&self, mut data: Vec<u16>, stored: &Shape) -> Vec<u16> {
        if let Some(last) = self.table.len().checked_sub(1) {
            // Values beyond the table take its last entry, as the specification says.
            data.iter_mut().for_each(|v| *v = self.table[usize::from(*v).min(last)]);
        }
        let Some((left, top, width, height)) = self.area else { return data };
        if (width, height) == (stored.width, stored.height) {
            return data;
        }
        let n = stored.channels;
        data.chunks_exact(stored.width * n)
            .skip(top)
            .take(height)
            .flat_map(|row| &row[left * n..(left + width) * n])
            .copied()
            .collect()
    }

    /// What should be known of a decoded page.
    pub(super) fn warn(&self, decoded: &mut Decoded) {
        if let (&[r, g, b], Some(_)) = (self.neutral.as_slice(), self.mosaic) {
            let gains = [g / r, g / b];
            if gains.iter().all(|v| v.is_finite() && *v > 0.0) {
                decoded.warnings.push(Warning::new(
                    "white-balance",
                    format!(
                        "the raw frames name a white balance, which is not applied by itself: \
                         red {:.3}, blue {:.3}",
                        gains[0], gains[1]
                    ),
                    "write these as red and blue of stage balance, or name a grey patch there",
                ));
            }
        }
        if self.opcodes {
            decoded.warnings.push(Warning::new(
                "opcodes-left-out",
                "the raw frames carry opcodes (repairs, shading, distortion), which are not applied",
                "dark and even references do repairs and shading here; distortion stays",
            ));
        }
        let mean = self.mean_black().unwrap_or(0.0);
        if self.black.iter().any(|b| (b - mean).abs() > SAME_BLACK) {
            decoded.warnings.push(Warning::new(
                "black-levels-differ",
                format!(
                    "the raw frames name black levels of {:?} DN; their mean is used",
                    self.black
                ),
                "give a dark reference, which measures them pixel by pixel",
            ));
        }
    }

    fn mean_black(&self) -> Option<f64> {
        let sum: f64 = self.black.iter().sum();
        let mean = sum / self.black.len() as f64;
        mean.is_finite().then_some(mean)
    }

    /// The facts of the page: levels and colour filter.
    fn facts(&self) -> Facts {
        Facts {
            black: Fact::of(self.mean_black(), &source("DNG BlackLevel")),
            white: Fact::of(
                self.white.filter(|w| w.is_finite() && *w > 0.0),
                &source("DNG WhiteLevel"),
            ),
            mosaic: Fact::of(self.mosaic, &source("DNG CFAPattern")),
            ..Facts::default()
        }
    }
}

/// ActiveArea: top, left, bottom, right; as left, top, width, height.
fn active(area: &[f64], page: &Page) -> Result<(usize, usize, usize, usize), Fault> {
    let bad = || Fault::damaged(format!("claims an active area of {area:?}, not inside the page"));
    let &[top, left, bottom, right] = area else { return Err(bad()) };
    let inside = top < bottom
        && left < right
        && top >= 0.0
        && left >= 0.0
        && bottom <= page.height as f64
        && right <= page.width as f64;
    if !inside {
        return Err(bad());
    }
    let size = floor_usize;
    Ok((size(left), size(top), size(right - left), size(bottom - top)))
}

/// The colour filter over the active area's top-left corner.
fn mosaic<R: Source>(dirs: &mut Directories<R>, page: &Page) -> Result<Option<Mosaic>, Fault> {
    let repeat = dirs.numbers(page.offset, CFA_REPEAT)?;
    let pattern = dirs.numbers(page.offset, CFA_PATTERN)?;
    if pattern.is_empty() {
        return Ok(None);
    }
    let colours: Vec<usize> = pattern.iter().map(|&c| floor_usize(c)).collect();
    let two_by_two = repeat.is_empty() || repeat.iter().map(|&n| floor_usize(n)).eq([2, 2]);
    match colours.as_slice() {
        [0, 1, 1, 2] if two_by_two => Ok(Some(Mosaic::Rggb)),
        [2, 1, 1, 0] if two_by_two => Ok(Some(Mosaic::Bggr)),
        [1, 0, 2, 1] if two_by_two => Ok(Some(Mosaic::Grbg)),
        [1, 2, 0, 1] if two_by_two => Ok(Some(Mosaic::Gbrg)),
        _ => Err(Fault::unsupported(format!(
            "has a colour filter of {repeat:?} pixels with colours {colours:?}: only two by two \
             red, green and blue ones are read"
        ))),
    }
}

/// The facts of a page of a TIFF file, with the rate that its first directory names.
pub(super) fn facts<R: Source>(dirs: &mut Directories<R>, page: &Page) -> HeaderFacts {
    let mut out = HeaderFacts::default();
    if let Ok(raw) = RawPage::of(dirs, page) {
        out.facts = raw.facts();
    }
    let first = dirs.first();
    let rate = dirs.numbers(first, FRAME_RATE).unwrap_or_default();
    out.rate(rate.first().copied().and_then(rate_of), "DNG FrameRate");
    // Eight bytes: frames, seconds, minutes, hours as decimal digits with flags above them
    // (SMPTE 331M as CinemaDNG uses it).
    let code = dirs.numbers(first, TIME_CODES).unwrap_or_default();
    if let &[f, s, m, h, ..] = code.as_slice() {
        let digit = |v: f64, mask: usize| u32::try_from(floor_usize(v) & mask).unwrap_or(0);
        let bits = (digit(h, 0x3f) << 24)
            | (digit(m, 0x7f) << 16)
            | (digit(s, 0x7f) << 8)
            | digit(f, 0x3f);
        out.time_code = super::header::time_code_of(bits);
    }
    out
}

#[cfg(test)]
#[path = "dng_tests.rs"]
mod tests;
