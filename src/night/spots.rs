//! Hot pixels of a clip that has no black frames, from its own.

use std::ops::Range;
use std::sync::Arc;

use super::NightError;
use super::job::ClipJob;
use super::references::{Prepared, sensor_shape};
use crate::engine::source::Source;
use crate::engine::{EngineError, Work};
use crate::record::Warning;
use crate::sensor::{StackOptions, StackStats, collect};

/// Frames of each half of the clip that are looked at.
const MOST: usize = 16;
/// And at the least: fewer tell too little.
const FEWEST: usize = 8;

/// Looks for single pixels that stand out in the first half of the clip and in the second, where
/// there are no black frames to tell and the pipeline fills defects.
///
/// # Errors
/// On request to stop.
pub(super) fn spots(
    job: &ClipJob,
    source: &Source,
    prepared: &mut Prepared,
    work: &Work<'_>,
) -> Result<(), NightError> {
    if prepared.masters.dark.is_some() || job.pipeline.defects().is_none() {
        return Ok(());
    }
    let frames = source.clip.frames.len();
    let half = frames / 2;
    let halves = [0..half, frames - half..frames].map(|part| stats(source, part, work));
    work.check()?;
    let [Some(early), Some(late)] = halves else { return Ok(()) };
    let Some(map) = crate::sensor::spots::spots(&[early, late], source.layout()) else {
        return Ok(());
    };
    prepared.warnings.push(Warning::new(
        "spots",
        format!(
            "pixels that stand out alone in the clip's own frames, early and late: {} filled as defective",
            map.counts().any
        ),
        "black frames tell weaker ones as well: record 64 with the lens covered",
    ));
    prepared.masters.spots = Some(Arc::new(map));
    Ok(())
}

/// Statistics of some frames of a part of the clip; `None` where too few can be read.
fn stats(source: &Source, part: Range<usize>, work: &Work<'_>) -> Option<StackStats> {
    let frames = &source.clip.frames[part];
    if frames.len() < FEWEST {
        return None;
    }
    let n = frames.len().min(MOST);
    // The first of each group that can be read; what cannot is told later.
    let read = |k: usize| {
        let group = &frames[k * frames.len() / n..(k + 1) * frames.len() / n];
        let mut decoded = Err("no frame can be read".to_owned());
        for file in group {
            work.check().map_err(|e: EngineError| e.to_string())?;
            decoded = source.expected.decode(file).map(|d| d.samples).map_err(|e| e.to_string());
            if decoded.is_ok() {
                break;
            }
        }
        decoded
    };
    let options = StackOptions { expect: Some(sensor_shape(source)), ..StackOptions::default() };
    collect(n, read, &options).ok()
}
