//! What a person should be told beside the numbers: warnings of this plan, and cautions.

use serde::Serialize;

use super::quantity::Quantity;
use super::solve::State;
use super::text::{figures, show};

/// A caution on safety.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Caution {
    /// What it is about, one or two words.
    pub topic: &'static str,
    /// The caution, in whole sentences.
    pub text: &'static str,
}

/// Flashes a second that WCAG 2.x success criterion 2.3.1 allows.
const FLASHES: f64 = 3.0;
/// Relative change of light of a general flash by the same criterion, in per cent of full light.
const FLASH_PERCENT: f64 = 10.0;

/// Cautions of every plan.
const ALWAYS: &[Caution] = &[
    Caution {
        topic: "eyes",
        text: "Continuous intense light and its reflections from polished parts can injure eyes. \
               Look at the lamp's risk group (IEC 62471): group 2 relies on looking away, group 3 \
               is a hazard even for a moment. Lasers fall under IEC 60825-1: follow the laser \
               safety officer. Never look into the objective or the beam; use the live view.",
    },
    Caution {
        topic: "heat",
        text: "Lamps and focused light heat small parts, glue, coatings and the lens. Use short \
               bursts, filters and distance, and check with a thermometer: no number here can \
               replace it.",
    },
    Caution {
        topic: "moving parts",
        text: "Wound springs and moving mechanisms can hurt: use guards, no loose cloth, and let \
               spring energy down before hands go near.",
    },
    Caution {
        topic: "flashing pictures",
        text: "Slowed down, a lamp's ripple or a glint can flash three times a second and more, \
               which can harm photosensitive viewers (WCAG 2.x, success criterion 2.3.1). Have the \
               result tested before it is shown.",
    },
];

const MAINS: Caution = Caution {
    topic: "mains",
    text: "Let lamps cool and never open powered gear. Mains circuits, and relays that switch \
           mains voltage, are for a qualified electrician under the local rules.",
};

const CLOSING: Caution = Caution {
    topic: "limits of this tool",
    text: "This tool gives planning figures, not a safety assessment. Follow local law, \
           manufacturers' instructions and competent persons.",
};

/// The cautions of a plan.
pub(super) fn cautions() -> Vec<Caution> {
    ALWAYS.iter().copied().chain([MAINS, CLOSING]).collect()
}

/// The warnings of a plan.
pub(super) fn warnings(state: &State) -> Vec<String> {
    let mut out = state.warnings.clone();
    out.extend([blur(state), cycles(state), event(state), sampling(state)].into_iter().flatten());
    out.extend([flash(state), dark(state), saturation(state)].into_iter().flatten());
    out.extend(undetected(state));
    out.extend(unfulfilled(state));
    out
}

fn blur(state: &State) -> Option<String> {
    let (blur, limit) = (state.value(Quantity::Blur)?, state.value(Quantity::BlurLimit)?);
    (blur > limit * (1.0 + 1e-6)).then(|| {
        let exposure = state.value(Quantity::Exposure).unwrap_or(0.0) * limit / blur;
        format!(
            "blur {} is above the {} allowed: expose for at most {}",
            show(Quantity::Blur.about().kind, blur),
            show(Quantity::BlurLimit.about().kind, limit),
            show(Quantity::Exposure.about().kind, exposure)
        )
    })
}

fn cycles(state: &State) -> Option<String> {
    let frames = state.value(Quantity::FramesPerCycle)?;
    let frequency = state.value(Quantity::EventFrequency)?;
    if frames <= 2.0 {
        Some(format!(
            "{} frames in a cycle cannot follow {}: take more than {} fps, better {} fps (10 \
             frames a cycle)",
            figures(frames, 3),
            show(Quantity::EventFrequency.about().kind, frequency),
            figures(2.0 * frequency, 4),
            figures(10.0 * frequency, 4)
        ))
    } else if frames < 10.0 {
        Some(format!(
            "{} frames in a cycle give the frequency but not the shape: 10 frames want {} fps",
            figures(frames, 3),
            figures(10.0 * frequency, 4)
        ))
    } else {
        None
    }
}

fn event(state: &State) -> Option<String> {
    let (frames, length) =
        (state.value(Quantity::FramesAcross)?, state.value(Quantity::EventLength)?);
    (frames < 10.0 - 1e-9).then(|| {
        format!(
            "{} frames across the event are few: 10 to 20 want {} to {} fps",
            figures(frames, 3),
            figures(10.0 / length, 4),
            figures(20.0 / length, 4)
        )
    })
}

fn sampling(state: &State) -> Option<String> {
    let (pitch, finest) = (state.value(Quantity::PixelPitch)?, state.value(Quantity::FinestPitch)?);
    (pitch > 1.05 * finest).then(|| {
        format!(
            "the lens gives detail finer than the pixels by {}: fine patterns may show as coarse \
             ones",
            show(Quantity::SlowDown.about().kind, pitch / finest)
        )
    })
}

fn flash(state: &State) -> Option<String> {
    let hz = state.value(Quantity::ScreenFlicker)?;
    if hz <= 0.0 {
        return None;
    }
    // Peak to peak in per cent of the lightest frame; unknown depth counts as deep.
    let deep = state
        .value(Quantity::FrameFlicker)
        .is_none_or(|p| 200.0 * p / (100.0 + p) >= FLASH_PERCENT);
    let many = hz > FLASHES * (1.0 - 1e-9);
    let mut text = format!("the lamp's ripple shows at {} Hz on the screen", figures(hz, 3));
    if many && deep {
        text.push_str(
            ": at three flashes a second and more it can be a risk for photosensitive viewers; \
             use a lamp on direct current, or flicker removal, and have the result tested",
        );
    } else {
        text.push_str(": use a lamp on direct current, or flicker removal");
    }
    Some(text)
}

fn dark(state: &State) -> Option<String> {
    let snr = state.value(Quantity::SignalToNoise)?;
    let averaged = state.value(Quantity::Averaged);
    (snr < 10.0 && averaged.is_none()).then(|| {
        format!(
            "signal over noise of a frame is {}: averaging {} frames makes it 10",
            figures(snr, 3),
            figures(libm::ceil(100.0 / (snr * snr)), 4)
        )
    })
}

fn saturation(state: &State) -> Option<String> {
    let (signal, full) = (state.value(Quantity::Signal)?, state.value(Quantity::FullWell)?);
    (signal > 0.7 * full).then(|| {
        format!(
            "{} are {} of the full well: bright places will be saturated",
            show(Quantity::Signal.about().kind, signal),
            show(Quantity::Flicker.about().kind, 100.0 * signal / full)
        )
    })
}

/// Unevenness that is less than what noise leaves in the means of the stacks.
fn undetected(state: &State) -> Vec<String> {
    use Quantity::{BrightSpread, BrightVariance, DarkSpread, DarkVariance, Dsnu, Prnu};
    let frames = state.value(Quantity::StackFrames);
    [(Dsnu, DarkSpread, DarkVariance), (Prnu, BrightSpread, BrightVariance)]
        .into_iter()
        .filter_map(|(result, spread, variance)| {
            let (s, v) = (state.value(spread)?, state.value(variance)?);
            let noise = (v / frames?).sqrt();
            (s <= noise && state.value(result).is_none()).then(|| {
                format!(
                    "{result} is below detection: noise alone leaves {} DN in the mean of {} \
                     frames; take more frames",
                    figures(noise, 3),
                    figures(frames.unwrap_or(0.0), 4)
                )
            })
        })
        .collect()
}

/// Wishes that could not be worked out, and what they need.
fn unfulfilled(state: &State) -> Vec<String> {
    use Quantity::{
        Averaged, AveragedSignalToNoise, BlurLimit, EventFrequency, EventLength, EventSpeed,
        Exposure, FieldWidth, FramesAcross, FramesPerCycle, Height, Magnification, Memory,
        PixelPitch, Rate, RecordFrames, RecordTime, Scale, SignalToNoise, Width,
    };
    let wishes: &[(Quantity, Quantity, &[Quantity])] = &[
        (FramesAcross, Rate, &[EventLength]),
        (FramesPerCycle, Rate, &[EventFrequency]),
        (BlurLimit, Exposure, &[EventSpeed, Scale]),
        (FieldWidth, Scale, &[Width]),
        (FieldWidth, Magnification, &[PixelPitch]),
        (RecordTime, Memory, &[Rate, Width, Height]),
        (Memory, RecordFrames, &[Width, Height]),
        (AveragedSignalToNoise, Averaged, &[SignalToNoise]),
    ];
    let mut out = Vec::new();
    for &(wish, result, needs) in wishes {
        if !state.is_given(wish) || state.value(result).is_some() {
            continue;
        }
        let missing: Vec<String> = needs
            .iter()
            .filter(|&&q| state.value(q).is_none())
            .map(|&q| match q.option() {
                Some(option) => format!("{q} ({option})"),
                None => q.to_string(),
            })
            .collect();
        if !missing.is_empty() {
            out.push(format!(
                "{wish} alone does not give the {result}: give {}",
                missing.join(", ")
            ));
        }
    }
    out
}
