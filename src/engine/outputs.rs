//! Which finished frames a clip has, and which source frames each is made of: settled from the
//! analysis, so that every run, range and part has the same ones.
//!
//! Without `combine` each usable source frame gives one. With it each group of source frames does,
//! and carries the number of the first of them that went into it.

use super::EngineError;
use super::analysis::Analysis;
use crate::pipeline::Pipeline;
use crate::record::Warning;
use crate::stages::combine::{Combine, Group, Share};

/// The finished frames of a clip.
#[derive(Debug, Clone, PartialEq)]
pub struct Outputs {
    combine: Option<Combine>,
    positions: Vec<usize>,
    /// Groups that lack a frame, and where the first of them begins.
    lacking: (usize, Option<u64>),
}

fn usable(analysis: &Analysis, at: usize) -> bool {
    analysis.frames.get(at).is_some_and(super::analysis::FrameFacts::usable)
}

/// The frames of a group: where the clip's places are known those with a place of their own, and
/// others only where there are none.
fn settled(combine: &Combine, at: usize, analysis: &Analysis) -> Option<Group> {
    let placed = |i| usable(analysis, i) && analysis.placed(i);
    combine.group(at, placed).or_else(|| combine.group(at, |i| usable(analysis, i)))
}

impl Outputs {
    /// Those of a clip with this analysis.
    ///
    /// # Errors
    /// Where a setting of stage combine is out of range.
    pub fn of(pipeline: &Pipeline, analysis: &Analysis) -> Result<Self, EngineError> {
        let combine = pipeline.combine().map(Combine::new).transpose()?;
        let n = analysis.frames.len();
        let mut out = Self { combine, positions: Vec::new(), lacking: (0, None) };
        let Some(combine) = &out.combine else {
            out.positions = (0..n).filter(|&i| usable(analysis, i)).collect();
            return Ok(out);
        };
        for start in (0..n).step_by(combine.frames()) {
            let group = settled(combine, start, analysis);
            if group.as_ref().is_none_or(|g| g.lacking > 0) {
                let (count, first) = out.lacking;
                out.lacking = (count + 1, first.or(Some(analysis.frames[start].frame)));
            }
            out.positions.extend(group.map(|g| g.lead()));
        }
        Ok(out)
    }

    /// Positions in the clip, counted from its first number, of the frames whose numbers finished
    /// frames carry; ascending.
    #[must_use]
    pub fn positions(&self) -> &[usize] {
        &self.positions
    }

    /// Whether a finished frame carries the number at position `at`.
    #[must_use]
    pub fn has(&self, at: usize) -> bool {
        self.positions.binary_search(&at).is_ok()
    }

    /// The stage that combines frames, where there is one.
    #[must_use]
    pub fn combine(&self) -> Option<&Combine> {
        self.combine.as_ref()
    }

    /// The source frames of the finished frame at position `at`.
    #[must_use]
    pub fn group(&self, at: usize, analysis: &Analysis) -> Group {
        let combined = self.combine.as_ref().and_then(|c| settled(c, at, analysis));
        let alone = || Group { shares: vec![Share { position: at, weight: 1.0 }], lacking: 0 };
        combined.unwrap_or_else(alone)
    }

    /// What a person should know of groups that lack frames.
    #[must_use]
    pub fn warning(&self) -> Option<Warning> {
        let (count, first) = (self.lacking.0, self.lacking.1?);
        let of = self.combine.as_ref()?.frames();
        Some(Warning::new(
            "combined-short",
            format!(
                "of the groups of {of} frames, {count} {} incomplete (the first begins at frame \
                 {first}): frames are missing or have no place of their own, or the clip ends",
                if count == 1 { "is" } else { "are" }
            ),
            "these are combined from the frames that are there, with less blur and more noise; \
             where none is, there is no picture: see combined in record.json",
        ))
    }
}
