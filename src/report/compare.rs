//! One frame before and after at full resolution, as two PNGs beside the page.
//!
//! The frame is the middle one of those made. Before is the original as recorded, cut to the same
//! part of the scene by whole pixels (no resampling), black taken off as the run did, shown through the
//! same curve. Where the finished frames are linear it has their exposure; where they are coded for
//! display it is made as bright as they are at the median, and that is said. A colour mosaic whose
//! finished frames have colours is shown in colours: the mean of the nearest samples of each, made
//! as bright as after at the median, colour by colour; else it is shown in grey, as the sensor gave
//! it. The original is only read.

use super::notes::{AFTER, BEFORE, COMPARED, Compared, THUMB};
use super::picture::{Shown, as_picture, finished, png};
use super::read::ClipFolder;
use crate::engine::EngineError;
use crate::engine::source::Source;
use crate::footage::{Disk, FootageError, OutFrame, write_on};
use crate::frame::convert::{clamp_index, round_isize, round_u8, signed, to_f32};
use crate::frame::{Curve, Frame, Layout, Mosaic};
use crate::math::robust::median;

/// Width of the small picture at most.
const THUMB_WIDTH: usize = 320;

/// Makes the pictures of a clip, unless they are there for this job already.
///
/// # Errors
/// Where the original or the finished frame does not read, or the pictures cannot be written.
pub fn make(clip: &ClipFolder, disk: &dyn Disk, source: &Source) -> Result<(), EngineError> {
    let key = clip.text(&["key"]).unwrap_or("").to_owned();
    let Some(row) = middle(clip) else { return Ok(()) };
    let there = clip.compared.as_ref().is_some_and(|c| c.key == key && c.frame == row.frame);
    if there && clip.folder.join(THUMB).is_file() {
        return Ok(());
    }
    let decoded = finished(&clip.folder, row.frame)?;
    let shown = Shown::of(clip.get(&["output_scale"]), &[&decoded]);
    let after = as_picture(decoded, &clip.folder)?;
    let Some(file) = source.clip.get(row.frame) else { return Ok(()) };
    let raw = source.read(file)?.frame;
    let origin = [0, 1].map(|a| {
        let at = clip.get(&["origin_px"]).get(a).and_then(serde_json::Value::as_f64);
        round_isize(at.unwrap_or(0.0) + row.shift[a])
    });
    let size = (after.width, after.height);
    let black = taken_off(clip, source);
    let before = match raw.layout {
        Layout::Mosaic(m) if after.channels == 3 => {
            Before { values: coloured(&raw, m, origin, size), channels: 3, black }
        }
        _ => {
            let values = cut(&raw, origin, size);
            Before { values, channels: raw.planes.len(), black }
        }
    };
    let mosaic = matches!(raw.layout, Layout::Mosaic(_));
    let coloured = mosaic && before.channels == 3;
    let codes = shown.codes();
    let (bytes, same_exposure, median_dn) = if coloured {
        before.coloured(&after, &codes)?
    } else {
        before.coded(clip, &shown, (&after, &codes))?
    };
    let write =
        |name: &str, bytes: &[u8]| write_on(disk, &clip.folder.join(name), |w| w.write_all(bytes));
    write(BEFORE, &bytes)?;
    write(AFTER, &png(&after, &codes)?)?;
    let (w, h) = fitted((after.width, after.height), THUMB_WIDTH);
    let thumb = super::picture::smaller(&after, w, h);
    write(THUMB, &png(&thumb, &codes)?)?;
    let note = Compared {
        frame: row.frame,
        size: [after.width, after.height],
        after: shown,
        same_exposure,
        mosaic: mosaic && !coloured,
        coloured,
        median_dn,
        key,
    };
    let text = serde_json::to_string_pretty(&note).unwrap_or_default();
    write(COMPARED, text.as_bytes())?;
    Ok(())
}

/// DN that the run took off as black: what the darks show, or else the level that was given.
fn taken_off(clip: &ClipFolder, source: &Source) -> f32 {
    clip.number(&["references", "dark", "level_dn"]).map_or(source.black(), to_f32)
}

/// The middle one of the frames that were made.
fn middle(clip: &ClipFolder) -> Option<&super::read::Row> {
    let made: Vec<_> = clip
        .rows
        .iter()
        .filter(|r| r.usable() && super::picture::is_finished(&clip.folder, r.frame))
        .collect();
    made.get(made.len() / 2).copied()
}

/// Width and height at most `most` wide, in proportion.
#[must_use]
pub fn fitted((width, height): (usize, usize), most: usize) -> (usize, usize) {
    if width <= most {
        return (width, height);
    }
    (most, ((height * most + width / 2) / width).max(1))
}

/// A part of a frame, edge pixels repeated outside it, interleaved.
fn cut(frame: &Frame, origin: [isize; 2], (width, height): (usize, usize)) -> Vec<f32> {
    let mut out = Vec::with_capacity(width * height * frame.planes.len());
    for y in 0..height {
        let sy = clamp_index(origin[1] + signed(y), frame.height());
        for x in 0..width {
            let sx = clamp_index(origin[0] + signed(x), frame.width());
            out.extend(frame.planes.iter().map(|p| p.at(sx, sy)));
        }
    }
    out
}

/// The same of a mosaic, three colours a pixel: the mean of the samples of each in 3 x 3.
fn coloured(
    frame: &Frame,
    mosaic: Mosaic,
    origin: [isize; 2],
    (width, height): (usize, usize),
) -> Vec<f32> {
    let mut out = Vec::with_capacity(3 * width * height);
    let (w, h) = (frame.width(), frame.height());
    for y in 0..height {
        let cy = clamp_index(origin[1] + signed(y), h);
        for x in 0..width {
            let cx = clamp_index(origin[0] + signed(x), w);
            let (mut sum, mut count) = ([0.0_f32; 3], [0.0_f32; 3]);
            for sy in cy.saturating_sub(1)..(cy + 2).min(h) {
                for sx in cx.saturating_sub(1)..(cx + 2).min(w) {
                    let colour = mosaic.colour(sx, sy);
                    sum[colour] += frame.planes[0].at(sx, sy);
                    count[colour] += 1.0;
                }
            }
            // The pixel's own sample needs no neighbour.
            let own = mosaic.colour(cx, cy);
            (sum[own], count[own]) = (frame.planes[0].at(cx, cy), 1.0);
            out.extend(sum.iter().zip(&count).map(|(s, n)| s / n.max(1.0)));
        }
    }
    out
}

/// Median of every third value.
fn middle_of(values: impl Iterator<Item = f32>) -> f64 {
    let mut some: Vec<f32> = values.step_by(3).collect();
    f64::from(median(&mut some).unwrap_or(0.0))
}

struct Before {
    values: Vec<f32>,
    channels: usize,
    black: f32,
}

/// Median light, 0 to 1, of 16-bit samples shown through `codes`.
fn light_of<'a>(samples: impl Iterator<Item = &'a u16>, codes: &[u8]) -> f64 {
    let shown = samples.map(|&v| f32::from(codes.get(usize::from(v)).copied().unwrap_or(0)));
    Curve::Srgb.decode(middle_of(shown) / 255.0)
}

impl Before {
    /// As [`Self::coded`] for three colours of a mosaic, each as bright as after at the median.
    fn coloured(
        &self,
        after: &OutFrame,
        codes: &[u8],
    ) -> Result<(Vec<u8>, bool, f64), FootageError> {
        let of = |c: usize| self.values.iter().skip(c).step_by(3).map(|v| v - self.black);
        let medians = [0, 1, 2].map(|c| middle_of(of(c)));
        let gains = [0, 1, 2]
            .map(|c| light_of(after.data.iter().skip(c).step_by(3), codes) / medians[c].max(1e-3));
        let data: Vec<u8> = self
            .values
            .chunks_exact(3)
            .flat_map(|p| [0, 1, 2].map(|c| (p[c], gains[c])))
            .map(|(v, gain)| shown_code(f64::from(v - self.black) * gain))
            .collect();
        let bytes = crate::footage::encode_png8((after.width, after.height, 3), &data)?;
        let dn = 0.25 * medians[0] + 0.5 * medians[1] + 0.25 * medians[2];
        Ok((bytes, false, dn))
    }

    /// PNG bytes, whether the exposure is that of after, and the median in DN above black.
    fn coded(
        &self,
        clip: &ClipFolder,
        shown: &Shown,
        (after, codes): (&OutFrame, &[u8]),
    ) -> Result<(Vec<u8>, bool, f64), FootageError> {
        let median_dn = middle_of(self.values.iter().map(|v| v - self.black));
        let per_dn = clip.number(&["output_scale", "dn_per_input_dn"]);
        let (gain, same) = match (shown, per_dn) {
            (Shown::Linear { span, .. }, Some(per_dn)) => (per_dn / span, true),
            _ => (light_of(after.data.iter(), codes) / median_dn.max(1e-3), false),
        };
        let data: Vec<u8> =
            self.values.iter().map(|v| shown_code(f64::from(v - self.black) * gain)).collect();
        let bytes = crate::footage::encode_png8((after.width, after.height, self.channels), &data)?;
        Ok((bytes, same, median_dn))
    }
}

/// The 8-bit sRGB code of a light, 0 to 1.
fn shown_code(light: f64) -> u8 {
    round_u8(to_f32(255.0 * Curve::Srgb.encode(light)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Plane;

    #[test]
    fn a_mosaic_of_even_colours_has_them_at_every_pixel() {
        let level = [10.0, 20.0, 30.0];
        let m = Mosaic::Grbg;
        let plane = Plane::from_fn(6, 5, |x, y| level[m.colour(x, y)]);
        let frame = Frame::mono(plane);
        let all = coloured(&frame, m, [-1, 2], (6, 4));
        assert!(all.chunks_exact(3).all(|p| p == level), "{all:?}");
    }

    #[test]
    fn cutting_moves_by_whole_pixels_and_repeats_edges() {
        let frame = Frame::mono(Plane::from_fn(4, 3, |x, y| (10 * y + x) as f32));
        assert_eq!(cut(&frame, [1, 1], (2, 2)), [11.0, 12.0, 21.0, 22.0]);
        assert_eq!(cut(&frame, [-1, 2], (2, 2)), [20.0, 20.0, 20.0, 20.0]);
    }

    #[test]
    fn fitting_keeps_the_proportion() {
        assert_eq!(fitted((1920, 1080), 320), (320, 180));
        assert_eq!(fitted((200, 900), 320), (200, 900));
    }
}
