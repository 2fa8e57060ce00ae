//! A block of frames read and corrected, for the first pass.

use rayon::prelude::*;

use super::analysis::{FrameFacts, add_once};
use super::correct::{Corrector, coding, luma, saturated_share};
use super::ordered::ordered;
use super::source::Source;
use super::{EngineError, Phase, Work};
use crate::footage::FrameFile;
use crate::frame::wide::{Wide, wide};
use crate::frame::{Coding, FixedPlane};
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
        warnings: Vec::new(),
    };
    ordered(
        list.len(),
        (work.threads, work.ahead),
        |i| {
            let file = list[i].1.as_ref()?;
            Some(corrector.read(source, file).map(|done| {
                let (plane, scale) = luma(&done.frame, coding);
                (plane, scale, saturated_share(&done.frame), done.hash, done.notes.warnings)
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
                    facts.fault = Some(e.to_string());
                    None
                }
                Some(Ok((plane, scale, saturated, hash, warnings))) => {
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
    Ok(raw)
}
