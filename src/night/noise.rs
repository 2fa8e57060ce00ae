//! The noise model of a clip: from references where there are both, else from the clip itself.

use super::NightError;
use super::references::Noise;
use crate::engine::correct::{Corrector, References};
use crate::engine::ordered::ordered;
use crate::engine::source::Source;
use crate::engine::{EngineError, Work};
use crate::frame::NoiseModel;
use crate::pipeline::{Pipeline, Step};
use crate::record::Warning;
use crate::sensor::ClipNoise;

/// Pairs of neighbouring frames looked at.
const PAIRS: usize = 12;
/// Threads that read them at the most: each holds two frames.
const READERS: usize = 4;
/// Gain taken for granted where nothing can be known of it: e-/DN.
const ASSUMED_GAIN: f64 = 1.0;

/// Estimates noise from pairs of neighbouring frames, spread over the clip.
///
/// # Errors
/// Where no pair of frames can be read, or on request to stop.
pub fn from_clip(
    source: &Source,
    pipeline: &Pipeline,
    references: &References,
    work: &Work<'_>,
) -> Result<(Noise, Vec<Warning>), NightError> {
    // Without the flat, which would change the noise from place to place.
    let before_flat = Pipeline {
        name: pipeline.name.clone(),
        steps: pipeline
            .steps
            .iter()
            .filter(|s| matches!(s, Step::Dark(_) | Step::Defects(_)))
            .cloned()
            .collect(),
    };
    let without = References { flat: None, ..references.clone() };
    let corrector = Corrector::new(&before_flat, source, &without, None)?;
    let shape = source.expected.shape;
    let white = source.white() - source.black();
    let mut gather = ClipNoise::new(shape.width, shape.height, source.layout(), 0.0, white);
    let frames = &source.clip.frames;
    let pairs: Vec<usize> = (0..frames.len().saturating_sub(1))
        .filter(|&i| frames[i + 1].number == frames[i].number + 1)
        .collect();
    let every = pairs.len().div_ceil(PAIRS).max(2);
    let pairs: Vec<usize> = pairs.into_iter().step_by(every).collect();
    let mut used = 0;
    let threads = work.threads.min(READERS);
    ordered(
        pairs.len(),
        (threads, threads),
        |k| {
            let [a, b] = [0, 1].map(|n| corrector.read(source, &frames[pairs[k] + n]));
            a.and_then(|a| Ok((a.frame, b?.frame)))
        },
        |_, both| {
            work.check()?;
            if let Ok((a, b)) = both {
                gather.add_pair(&a, &b).map_err(EngineError::Sensor)?;
                used += 1;
            }
            Ok::<(), EngineError>(())
        },
    )?;
    let guessed = |model: NoiseModel, read_noise_sigma: f64| Noise {
        model,
        gain_sigma: 0.0,
        read_noise_sigma,
        source: "assumed".to_owned(),
        electrons: false,
    };
    let nothing = NoiseModel { gain_e_per_dn: ASSUMED_GAIN, read_noise_e: 1.0 };
    if used == 0 {
        let why = "no two neighbouring frames can be read";
        return Ok((guessed(nothing, 0.0), vec![assumed(why)]));
    }
    match gather.finish(None) {
        Ok(e) => {
            let noise = Noise {
                model: e.model,
                gain_sigma: e.gain_sigma,
                read_noise_sigma: e.read_noise_sigma,
                source: "clip".to_owned(),
                electrons: true,
            };
            let warnings = vec![Warning::new(
                "noise-from-clip",
                format!(
                    "gain {:.3} e-/DN and read noise {:.2} e- come from the clip itself",
                    e.model.gain_e_per_dn, e.model.read_noise_e
                ),
                "with darks and flats they are known better",
            )];
            Ok((noise, warnings))
        }
        Err(why) => {
            // Frames may be too small for any measure.
            let noise = match gather.finish(Some(ASSUMED_GAIN)) {
                Ok(e) => guessed(e.model, e.read_noise_sigma),
                Err(_) => guessed(nothing, 0.0),
            };
            Ok((noise, vec![assumed(&why.to_string())]))
        }
    }
}

fn assumed(why: &str) -> Warning {
    Warning::new(
        "noise-assumed",
        format!("a gain of {ASSUMED_GAIN} e-/DN is taken for granted: {why}"),
        "give darks and flats: then noise is measured, and told in electrons",
    )
}
