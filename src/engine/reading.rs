//! A block of frames read and corrected, for the first pass.

use rayon::prelude::*;

use super::analysis::{FrameFacts, add_once};
use super::correct::{Corrector, coding, luma, share_still_full};
use super::ordered::ordered;
use super::source::Source;
use super::{EngineError, Phase, Work};
use crate::footage::FrameFile;
use crate::frame::wide::{Wide, wide};
use crate::frame::{Coding, FixedPlane, Frame, Layout, Plane};
use crate::math::robust::quantile;
use crate::math::turn::Turn;
use crate::record::{FrameStatus, Warning};
use crate::register::block::BLOCK;

/// A frame with more saturated pixels than this is called saturated.
const MUCH_SATURATED: f64 = 0.01;

/// Share of the picture that is below the bright level.
const BRIGHT_SHARE: f64 = 0.998;
/// Pixels of which one is looked at, and how many lie in a piece that is summed at once.
const BRIGHT_STEP: usize = 3;
const BRIGHT_PIECE: usize = 3 * 2048;
/// Frames of a block that are averaged for it.
const BRIGHT_FRAMES: usize = 16;

/// The bright level of a block.
pub(super) fn bright(planes: &[Option<FixedPlane>]) -> f32 {
    let there: Vec<&FixedPlane> = planes.iter().flatten().collect();
    let every = there.len().div_ceil(BRIGHT_FRAMES).max(1);
    let some: Vec<&FixedPlane> = there.iter().copied().step_by(every).collect();
    let Some(first) = some.first() else { return 0.0 };
    let n = some.len() as f32;
    let mut means: Vec<f32> = (0..first.codes.len().div_ceil(BRIGHT_PIECE))
        .into_par_iter()
        .flat_map_iter(|piece| {
            let from = piece * BRIGHT_PIECE;
            let mut sums = vec![0.0_f32; BRIGHT_PIECE.min(first.codes.len() - from)];
            for p in &some {
                wide(Adding { coding: p.coding, codes: &p.codes[from..], sums: &mut sums });
            }
            sums.into_iter().step_by(BRIGHT_STEP).map(move |s| s / n)
        })
        .collect();
    quantile(&mut means, BRIGHT_SHARE).unwrap_or(0.0)
}

/// Bright levels of the colours of a block: sums of thinned values over some of its frames.
#[derive(Debug, Default)]
struct Colours {
    sums: [Vec<f32>; 3],
    frames: f32,
}

impl Colours {
    /// Red, green and blue of a frame, one of three pixels or the mean of each square of a mosaic; `None`
    /// where it has no colours.
    fn of(frame: &Frame) -> Option<[Vec<f32>; 3]> {
        match frame.layout {
            Layout::Rgb => {
                let thin = |p: &Plane| p.data().iter().copied().step_by(BRIGHT_STEP).collect();
                let [r, g, b] = frame.planes.as_slice() else { return None };
                Some([thin(r), thin(g), thin(b)])
            }
            Layout::Mosaic(mosaic) => {
                let plane = frame.planes.first()?;
                let mut out = [const { Vec::new() }; 3];
                for y in (0..plane.height() / 2).map(|j| 2 * j) {
                    for x in (0..plane.width() / 2).map(|i| 2 * i) {
                        let mut of = [(0.0, 0.0); 3];
                        for (dx, dy) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                            let (sum, n) = &mut of[mosaic.colour(x + dx, y + dy)];
                            *sum += plane.at(x + dx, y + dy);
                            *n += 1.0;
                        }
                        out.iter_mut().zip(of).for_each(|(v, (sum, n))| v.push(sum / n));
                    }
                }
                Some(out)
            }
            _ => None,
        }
    }

    fn add(&mut self, values: &[Vec<f32>; 3]) {
        for (sums, values) in self.sums.iter_mut().zip(values) {
            sums.resize(values.len(), 0.0);
            sums.iter_mut().zip(values).for_each(|(s, v)| *s += v);
        }
        self.frames += 1.0;
    }

    /// The level of each colour below which [`BRIGHT_SHARE`] of it lies; `None` without frames.
    fn levels(mut self) -> Option<[f32; 3]> {
        let mut out = [0.0; 3];
        for (level, sums) in out.iter_mut().zip(&mut self.sums) {
            *level = quantile(sums, BRIGHT_SHARE)? / self.frames;
        }
        Some(out)
    }
}

/// Adding the values of codes up, as one piece of work.
struct Adding<'a> {
    coding: Coding,
    codes: &'a [u16],
    sums: &'a mut [f32],
}

impl Wide for Adding<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for (s, &code) in self.sums.iter_mut().zip(self.codes) {
            *s += self.coding.decode(code.min(65_534));
        }
    }
}

/// A block as read.
pub(super) struct Raw {
    pub(super) planes: Vec<Option<FixedPlane>>,
    pub(super) facts: Vec<FrameFacts>,
    pub(super) scale: usize,
    /// Bright levels of red, green and blue in DN above black.
    pub(super) colours: Option<[f32; 3]>,
    /// What decoders and stages said of frames, each thing once.
    pub(super) warnings: Vec<Warning>,
}

/// Reads and corrects a block's frames.
pub(super) fn read_block(
    source: &Source,
    corrector: &Corrector,
    list: &[(u64, Option<FrameFile>)],
    (before, total): (usize, usize),
    work: &Work<'_>,
) -> Result<Raw, EngineError> {
    let coding = coding(source);
    let mut raw = Raw {
        planes: Vec::with_capacity(BLOCK),
        facts: Vec::new(),
        scale: 1,
        colours: None,
        warnings: Vec::new(),
    };
    let mut colours = Colours::default();
    let every = list.len().div_ceil(BRIGHT_FRAMES).max(1);
    ordered(
        list.len(),
        (work.threads, work.ahead),
        |i| {
            let file = list[i].1.as_ref()?;
            Some(corrector.read(source, file).map(|done| {
                let (plane, scale) = luma(&done.frame, coding);
                let looked_at = i.is_multiple_of(every);
                let tints = looked_at.then(|| Colours::of(&done.frame)).flatten();
                let seen = (share_still_full(&done.frame), tints);
                (plane, scale, seen, done.hash, done.notes.warnings)
            }))
        },
        |i, read| {
            work.check()?;
            let mut facts = FrameFacts {
                frame: list[i].0,
                status: FrameStatus::Missing,
                shift: [0.0, 0.0],
                turn: Turn::NONE,
                sigma: 0.0,
                light: 1.0,
                light_sigma: 0.0,
                uneven: None,
                hash: None,
                fault: None,
            };
            let plane = match read {
                None => {
                    facts.fault = Some("there is no file with this number".to_owned());
                    None
                }
                Some(Err(e)) => {
                    facts.status = FrameStatus::Unreadable;
                    facts.fault = Some(source.without_folder(&e.to_string()));
                    None
                }
                Some(Ok((plane, scale, (saturated, tints), hash, warnings))) => {
                    tints.iter().for_each(|t| colours.add(t));
                    for w in warnings {
                        add_once(&mut raw.warnings, w);
                    }
                    facts.status = if saturated > MUCH_SATURATED {
                        FrameStatus::Saturated
                    } else {
                        FrameStatus::Ok
                    };
                    facts.hash = hash;
                    raw.scale = scale;
                    Some(plane)
                }
            };
            raw.planes.push(plane);
            raw.facts.push(facts);
            work.progress.step(Phase::Analyse, (before + i + 1) as u64, total as u64);
            Ok::<(), EngineError>(())
        },
    )?;
    raw.colours = colours.levels();
    Ok(raw)
}
