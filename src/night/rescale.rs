//! The clip's master dark, scaled where its exposure or temperature is another than the clip's.

use std::sync::Arc;

use super::NightError;
use super::job::ClipJob;
use super::references::Prepared;
use crate::engine::source::Source;
use crate::engine::{EngineError, Work};
use crate::footage::printable;
use crate::frame::Plane;
use crate::record::Warning;
use crate::sensor::SensorError;
use crate::sensor::rescale::{rescaled, told};
use crate::stages::dark::{SHORT_S, other_exposure};

/// Frames of the clip that are averaged for it.
const FRAMES: usize = 16;

/// Scales the dark of `prepared` by what some of the clip's frames say, where its exposure or the
/// clip's is so long that dark current matters.
///
/// # Errors
/// Where the dark does not serve the clip; on request to stop.
pub(super) fn rescale(
    job: &ClipJob,
    source: &Source,
    prepared: &mut Prepared,
    work: &Work<'_>,
) -> Result<(), NightError> {
    let Some(dark) = prepared.masters.dark.as_ref().filter(|_| job.pipeline.dark().is_some())
    else {
        return Ok(());
    };
    let own = source.facts.exposure.as_ref().map(|e| e.value);
    let longest = [dark.exposure, own].into_iter().flatten().map(|e| e.s()).fold(0.0, f64::max);
    if longest <= SHORT_S {
        let means = means(source, work)?;
        // Nothing is scaled by a guess: what such a dark is off by is in its smooth parts as well.
        if let Some((factor, sigma)) = told(dark, &means, source.layout()) {
            prepared.warnings.push(Warning::new(
                "dark-current",
                format!(
                    "the clip's hot pixels show {factor:.2} +- {sigma:.2} times the dark current of the \
                     darks, so these were taken warmer, colder, or with another exposure; they are used \
                     as they are"
                ),
                "take darks at the clip's exposure and temperature; give both exposures, and darks are \
                 scaled by what the hot pixels say where one is above 2 ms",
            ));
        }
        return Ok(());
    }
    let other = other_exposure(dark.exposure, own).is_some();
    let means = means(source, work)?;
    let folder = job.dark.as_ref().map_or_else(String::new, printable);
    let fault = |source: SensorError| NightError::Reference {
        what: format!("dark reference {folder}"),
        source,
    };
    if let Some(new) = rescaled(dark, &means, source.layout(), other).map_err(fault)? {
        prepared.masters.dark = Some(Arc::new(new));
    }
    Ok(())
}

/// Means of some frames, spread over the clip, one plane a channel.
fn means(source: &Source, work: &Work<'_>) -> Result<Vec<Plane>, EngineError> {
    let shape = source.expected.shape;
    let mut sums = vec![vec![0_u64; shape.width * shape.height]; shape.channels];
    let mut n = 0.0_f32;
    let every = source.clip.frames.len().div_ceil(FRAMES).max(1);
    for file in source.clip.frames.iter().step_by(every) {
        work.check()?;
        // A frame that cannot be read is told later.
        let Ok(decoded) = source.expected.decode(file) else { continue };
        let data = &decoded.samples.data;
        for (c, sum) in sums.iter_mut().enumerate() {
            for (s, v) in sum.iter_mut().zip(data.iter().skip(c).step_by(shape.channels)) {
                *s += u64::from(*v);
            }
        }
        n += 1.0;
    }
    let mean = |sum: &Vec<u64>| {
        let values = sum.iter().map(|&s| s as f32 / n.max(1.0)).collect();
        Plane::from_vec(shape.width, shape.height, values).unwrap_or_default()
    };
    Ok(sums.iter().map(mean).collect())
}
