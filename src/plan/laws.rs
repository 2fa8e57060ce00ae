//! The formulas of a plan as a table: the main chain, and with it all others.

use super::law::{Law, Relation, function, product};
use super::more_laws::MORE;
use super::quantity::Quantity::*;
use crate::optics;

/// Measured scale against pitch over magnification: objectives are off by some per cent.
const NOMINAL: Option<f64> = Some(0.1);

/// All formulas: the main chain, then those beside it.
pub(super) fn laws() -> impl Iterator<Item = &'static Law> + Clone {
    MAIN.iter().chain(MORE)
}

/// The formula of a number.
pub(super) fn law(index: usize) -> Option<&'static Law> {
    laws().nth(index)
}

/// The main chain; where two could give the same quantity, the earlier one does.
const MAIN: &[Law] = &[
    product(
        "sensor width = columns x pitch",
        "sensor size",
        1.0,
        &[(SensorWidth, 1.0), (Width, -1.0), (PixelPitch, -1.0)],
    ),
    product(
        "sensor height = rows x pitch",
        "sensor size",
        1.0,
        &[(SensorHeight, 1.0), (Height, -1.0), (PixelPitch, -1.0)],
    ),
    product(
        "field = columns x s",
        "field of view",
        1.0,
        &[(FieldWidth, 1.0), (Width, -1.0), (Scale, -1.0)],
    ),
    product(
        "field = rows x s",
        "field of view",
        1.0,
        &[(FieldHeight, 1.0), (Height, -1.0), (Scale, -1.0)],
    ),
    Law {
        tolerance: NOMINAL,
        ..product(
            "s = p / m",
            "lateral magnification",
            1.0,
            &[(Scale, 1.0), (PixelPitch, -1.0), (Magnification, 1.0)],
        )
    },
    Law {
        tolerance: NOMINAL,
        ..product(
            "field = sensor / m",
            "field of view",
            1.0,
            &[(FieldWidth, 1.0), (SensorWidth, -1.0), (Magnification, 1.0)],
        )
    },
    Law {
        tolerance: NOMINAL,
        ..product(
            "field = sensor / m",
            "field of view",
            1.0,
            &[(FieldHeight, 1.0), (SensorHeight, -1.0), (Magnification, 1.0)],
        )
    },
    Law {
        formula: "N_eff = N (1 + m/P)",
        name: "effective f-number",
        relation: Relation::Function {
            result: EffectiveFNumber,
            of: &[FNumber, Magnification, Pupil],
            f: |v| optics::effective_f_number(v[0], v[1], v[2]),
            back: &[(0, |n, v| n / (1.0 + v[1] / v[2])), (1, |n, v| v[2] * (n / v[0] - 1.0))],
        },
        tolerance: Some(0.01),
    },
    product(
        "N_eff = m / (2 NA)",
        "aperture of an objective",
        2.0,
        &[(EffectiveFNumber, 1.0), (Aperture, 1.0), (Magnification, -1.0)],
    ),
    function(
        "stops = 2 log2(1 + m/P)",
        "bellows factor",
        LightLoss,
        &[Magnification, Pupil, FNumber],
        |v| optics::light_loss_stops(v[0], v[1]),
    ),
    function(
        "r = 0.61 lambda / NA",
        "Rayleigh criterion",
        Rayleigh,
        &[Wavelength, Aperture],
        |v| optics::rayleigh_um(v[0], v[1]),
    ),
    function(
        "r = 1.22 lambda N_eff",
        "Airy disc",
        AiryRadius,
        &[Wavelength, EffectiveFNumber],
        |v| optics::airy_radius_um(v[0], v[1]),
    ),
    product(
        "r / p",
        "diffraction against pixel",
        1.0,
        &[(AiryPixels, 1.0), (AiryRadius, -1.0), (PixelPitch, 1.0)],
    ),
    function(
        "p = lambda N_eff / 2",
        "sampling by Nyquist",
        FinestPitch,
        &[Wavelength, EffectiveFNumber],
        |v| optics::finest_pitch_um(v[0], v[1]),
    ),
    function(
        "2 N c (1 + m/P) / m^2",
        "depth of field of a lens",
        LensDepth,
        &[FNumber, Circle, Magnification, Pupil],
        |v| 1e3 * optics::lens_depth_mm(v[0], v[1] * 1e-3, v[2], v[3]),
    ),
    function(
        "lambda / NA^2 + p / (m NA)",
        "depth of field of an objective",
        ObjectiveDepth,
        &[Wavelength, Aperture, PixelPitch, Magnification],
        |v| optics::objective_depth_um(v[0], v[1], v[2], v[3]),
    ),
    product("1 / rate", "frame interval", 1.0, &[(Interval, 1.0), (Rate, 1.0)]),
    product(
        "frames = length x rate",
        "frames of an event",
        1.0,
        &[(FramesAcross, 1.0), (EventLength, -1.0), (Rate, -1.0)],
    ),
    product(
        "frames = rate / f",
        "frames of a cycle",
        1.0,
        &[(FramesPerCycle, 1.0), (Rate, -1.0), (EventFrequency, 1.0)],
    ),
    product(
        "slow-down = capture / playback",
        "slow-down",
        1.0,
        &[(SlowDown, 1.0), (Rate, -1.0), (Playback, 1.0)],
    ),
    product(
        "v = 2 pi f A",
        "peak speed of a sine",
        std::f64::consts::TAU,
        &[(EventSpeed, -1.0), (EventFrequency, 1.0), (EventAmplitude, 1.0)],
    )
    .micrometres(),
    product(
        "blur = v t / s",
        "motion blur",
        1e6,
        &[(Blur, -1.0), (EventSpeed, 1.0), (Exposure, 1.0), (Scale, -1.0)],
    ),
    product(
        "angle = 360 t rate",
        "shutter angle",
        360.0,
        &[(ShutterAngle, -1.0), (Exposure, 1.0), (Rate, 1.0)],
    ),
    product(
        "screen time = length x slow-down",
        "screen time",
        1.0,
        &[(EventScreenTime, 1.0), (EventLength, -1.0), (SlowDown, -1.0)],
    ),
    product(
        "way = v x length",
        "way of an event",
        1e6,
        &[(Travel, -1.0), (EventSpeed, 1.0), (EventLength, 1.0)],
    ),
    product(
        "columns x rows x bits / 8",
        "size of a frame, packed",
        8.0,
        &[(FrameBytes, 1.0), (Width, -1.0), (Height, -1.0), (Bits, -1.0)],
    ),
    product("frame x rate", "data rate", 1.0, &[(DataRate, 1.0), (FrameBytes, -1.0), (Rate, -1.0)]),
    product(
        "memory / frame",
        "record length",
        1.0,
        &[(RecordFrames, 1.0), (Memory, -1.0), (FrameBytes, 1.0)],
    ),
    product(
        "frames / rate",
        "record length",
        1.0,
        &[(LongestRecord, 1.0), (RecordFrames, -1.0), (Rate, 1.0)],
    ),
    product(
        "length x rate / playback",
        "screen time",
        1.0,
        &[(RecordScreenTime, 1.0), (RecordTime, -1.0), (Rate, -1.0), (Playback, 1.0)],
    ),
    product("2 x mains", "lamp on mains", 2.0, &[(LampFrequency, -1.0), (MainsFrequency, 1.0)]),
    function(
        "|sin(x) / x|, x = pi f t",
        "ripple through an exposure",
        RippleKept,
        &[LampFrequency, Exposure],
        |v| optics::ripple_kept(v[0], v[1]),
    ),
    function(
        "flicker x part kept",
        "flicker of frames",
        FrameFlicker,
        &[Flicker, RippleKept],
        |v| v[0] * v[1],
    ),
    function("|f - k rate|", "alias of the ripple", Alias, &[LampFrequency, Rate], |v| {
        optics::alias_hz(v[0], v[1])
    }),
    function(
        "alias x playback / rate",
        "ripple on the screen",
        ScreenFlicker,
        &[LampFrequency, Rate, Playback],
        |v| optics::on_screen_hz(v[0], v[1], v[2]),
    ),
    function(
        "e / sqrt(d^2 + g^2/12 + e)",
        "signal over noise (EMVA 1288)",
        SignalToNoise,
        &[Signal, ReadNoise, Gain],
        |v| optics::signal_to_noise(v[0], v[1], 1.0 / v[2]),
    ),
    function(
        "e / sqrt(d^2 + e)",
        "signal over noise (EMVA 1288)",
        SignalToNoise,
        &[Signal, ReadNoise],
        |v| optics::signal_to_noise(v[0], v[1], f64::INFINITY),
    ),
    product(
        "sqrt(full well)",
        "best signal over noise (EMVA 1288)",
        1.0,
        &[(BestSignalToNoise, 1.0), (FullWell, -0.5)],
    ),
    function(
        "full well / (sqrt(d^2 + g^2/12) + 1/2)",
        "dynamic range (EMVA 1288)",
        DynamicRange,
        &[FullWell, ReadNoise, Gain],
        |v| optics::dynamic_range(v[0], optics::threshold_photons(1.0, v[1], 1.0 / v[2])),
    ),
    product(
        "one frame x sqrt(frames)",
        "averaging",
        1.0,
        &[(AveragedSignalToNoise, 1.0), (SignalToNoise, -1.0), (Averaged, -0.5)],
    ),
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Quantity;

    /// Every law, solved for each quantity it can be solved for, gives back what went in.
    #[test]
    fn solving_back_gives_what_went_in() {
        for law in laws() {
            let terms = law.terms();
            let start = |q: Quantity| 0.3 + 0.17 * q.about().key.len() as f64;
            let result = terms[0];
            let value = law.solve(result, |q| Some(start(q))).unwrap();
            let all = |q: Quantity| Some(if q == result { value } else { start(q) });
            for &q in &terms[1..] {
                if let Some(back) = law.solve(q, all) {
                    assert!((back / start(q) - 1.0).abs() < 1e-9, "{}: {q}", law.formula);
                }
            }
            assert!(law.solve(result, |_| None).is_none());
        }
    }
}
