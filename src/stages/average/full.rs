//! Pixels of the current frame that are saturated or missing, once the window is merged.
//!
//! A saturated sample says that there was at least as much light as white. Where the window's other
//! frames, which have a value, agree with that but for noise, their mean is the better answer: a place
//! near white is cut off by noise in one frame and not in the next. Where they show less than half of
//! white, it is the light that changed (a glint that moved, a spark), and what they show is not what is
//! there now. In between it is most often the rim of a still glint, which a frame's own place in the
//! grid makes white or not: there the mean stays, as a rim that goes on and off is worse to look at.
//!
//! **Limits**: what moves and is saturated in front of more than half of white is not told.

use super::still::Level;
use super::sums::{Sums, good};
use crate::frame::{Coding, FixedPlane, Flaw, Plane};
use crate::math::patch::any_marked;

/// Standard deviations of a frame's noise by which the window may stay below white at a pixel that is
/// saturated: noise alone saturates so dark a pixel in one of 30,000.
const BELOW: f32 = 4.0;
/// Share of white from which on the window's mean stays.
const BRIGHT: f32 = 0.5;

/// What tells of the pixels of a frame without a value.
pub(super) struct Full<'a> {
    pub(super) current: &'a FixedPlane,
    pub(super) sums: &'a Sums,
    pub(super) level: &'a Level<'a>,
}

impl Full<'_> {
    /// Makes pixels white that are saturated now and were not, and gives the flaws of all; none where
    /// nothing is wrong.
    pub(super) fn settle(&self, values: &mut Plane) -> Vec<Flaw> {
        let Sums { segments, full } = self.sums;
        let current = self.current;
        let mut all = Vec::new();
        for (y, row) in current.codes.chunks_exact(current.width).enumerate() {
            if !any_marked(row) {
                continue;
            }
            for (x, &code) in row.iter().enumerate().filter(|(_, c)| !good(**c)) {
                let at = y * current.width + x;
                let seen = segments.iter().any(|s| s.count[at] > 0);
                let flaw = match code {
                    Coding::SATURATED if seen && !self.raised([x, y], values) => continue,
                    Coding::SATURATED => Flaw::Saturated,
                    _ if seen => continue,
                    _ if full[at] > 0 => Flaw::Saturated,
                    _ => Flaw::Missing,
                };
                all.resize(current.codes.len(), Flaw::None);
                all[at] = flaw;
            }
        }
        fill(values, &all);
        all
    }

    /// Raises a pixel to white where it is below that by more than noise.
    fn raised(&self, [x, y]: [usize; 2], values: &mut Plane) -> bool {
        let Level { noise, brightened, .. } = self.level;
        let full = self.current.coding.white();
        let variance = noise.variance(full, y * self.current.width + x) * brightened * brightened;
        // Light was divided out.
        let white = full * brightened;
        let lower = values.at(x, y) < (white - BELOW * variance.sqrt()).min(BRIGHT * white);
        if lower {
            values.set(x, y, white);
        }
        lower
    }
}

/// Gives pixels that no frame saw the value of the nearest one in their row that was seen, or of the
/// nearest row: at a step to nothing, shrinking and moving would draw rims.
fn fill(values: &mut Plane, flaws: &[Flaw]) {
    if !flaws.contains(&Flaw::Missing) {
        return;
    }
    let (w, h) = (values.width(), values.height());
    let mut seen = vec![false; h];
    for (y, flaws) in flaws.chunks_exact(w).enumerate() {
        let row = values.row_mut(y);
        let good = |x: &usize| flaws[*x] != Flaw::Missing;
        let Some(first) = (0..w).find(good) else { continue };
        seen[y] = true;
        let mut last = row[first];
        for (v, f) in row.iter_mut().zip(flaws) {
            if *f == Flaw::Missing {
                *v = last;
            }
            last = *v;
        }
    }
    for y in (0..h).filter(|&y| !seen[y]) {
        let near = (0..h).filter(|&k| seen[k]).min_by_key(|k| k.abs_diff(y));
        if let Some(near) = near {
            let row = values.row(near).to_vec();
            values.row_mut(y).copy_from_slice(&row);
        }
    }
}
