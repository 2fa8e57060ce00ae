//! Formulas beside the main chain of a plan: tilt, tube lenses, references, dark current, decibels,
//! uncertainties, non-uniformity.

use super::law::{Law, Relation, function, product};
use super::quantity::Quantity::*;
use crate::optics;

/// Gains and variances that are measured agree to a few per cent.
const MEASURED: Option<f64> = Some(0.05);

pub(super) const MORE: &[Law] = &[
    product(
        "m = marked x tube / design tube",
        "tube lens of an objective",
        1.0,
        &[(Magnification, 1.0), (MarkedMagnification, -1.0), (Tube, -1.0), (DesignTube, 1.0)],
    ),
    product(
        "s = L / n",
        "scale from a known length",
        1.0,
        &[(Scale, 1.0), (KnownLength, -1.0), (KnownPixels, 1.0)],
    ),
    product(
        "a / L",
        "tolerance of a known length",
        100.0,
        &[(LengthError, -1.0), (LengthTolerance, 1.0), (KnownLength, -1.0)],
    ),
    function(
        "sqrt((a / (sqrt(3) L))^2 + (sqrt(2) u / n)^2)",
        "uncertainty of a scale (GUM)",
        ScaleSigma,
        &[KnownLength, LengthTolerance, KnownPixels, PickSigma],
        |v| {
            let length = optics::rectangular_sigma(v[1]) / v[0];
            100.0 * libm::hypot(length, std::f64::consts::SQRT_2 * v[3] / v[2])
        },
    ),
    product(
        "a / sqrt(3)",
        "rectangular tolerance (GUM)",
        0.577_350_269_189_625_8,
        &[(LengthSigma, -1.0), (LengthTolerance, 1.0)],
    ),
    product(
        "sqrt(2) u",
        "two points that are picked (GUM)",
        std::f64::consts::SQRT_2,
        &[(PixelsSigma, -1.0), (PickSigma, 1.0)],
    ),
    product(
        "u_r(s) x s",
        "uncertainty of a scale (GUM)",
        0.01,
        &[(ScaleSigmaUm, -1.0), (ScaleSigma, 1.0), (Scale, 1.0)],
    ),
    product(
        "2 u_r(s)",
        "expanded uncertainty (GUM)",
        2.0,
        &[(ScaleExpanded, -1.0), (ScaleSigma, 1.0)],
    ),
    product(
        "pixels x s",
        "length of a part",
        1.0,
        &[(PartLength, 1.0), (PartPixels, -1.0), (Scale, -1.0)],
    ),
    function(
        "sqrt((u s)^2 + (length x u_r(s))^2)",
        "uncertainty of a length (GUM)",
        PartSigma,
        &[PartLength, PartPick, Scale, ScaleSigma],
        |v| libm::hypot(v[1] * v[2], v[0] * 0.01 * v[3]),
    ),
    product(
        "half the smallest detail",
        "two pixels for it",
        0.5,
        &[(TwoPixels, -1.0), (Rayleigh, 1.0)],
    ),
    product(
        "length x ppm",
        "clock of the camera",
        1e-6,
        &[(ClockError, -1.0), (EventLength, 1.0), (ClockPpm, 1.0)],
    ),
    product(
        "0.08 % x f",
        "flicker and people (IEEE 1789)",
        0.08,
        &[(LowRiskFlicker, -1.0), (LampFrequency, 1.0)],
    ),
    product(
        "0.0333 % x f",
        "flicker and people (IEEE 1789)",
        0.0333,
        &[(NoEffectFlicker, -1.0), (LampFrequency, 1.0)],
    ),
    // Before the variance alone, as it needs no read noise.
    Law {
        tolerance: MEASURED,
        ..function(
            "(bright - dark) / (their variances)",
            "photon transfer (EMVA 1288)",
            Gain,
            &[BrightMean, DarkMean, BrightVariance, DarkVariance],
            |v| (v[0] - v[1]) / (v[2] - v[3]),
        )
    },
    Law {
        formula: "(d / g)^2 + 1/12",
        name: "variance of black frames (EMVA 1288)",
        relation: Relation::Function {
            result: DarkVariance,
            of: &[ReadNoise, Gain],
            f: |v| (v[0] / v[1]) * (v[0] / v[1]) + 1.0 / 12.0,
            back: &[
                (0, |variance, v| v[1] * (variance - 1.0 / 12.0).sqrt()),
                (1, |variance, v| v[0] / (variance - 1.0 / 12.0).sqrt()),
            ],
        },
        tolerance: MEASURED,
    },
    product(
        "1 / sqrt(darks)",
        "noise of a mean of darks",
        1.0,
        &[(DarkResidual, 1.0), (Darks, 0.5)],
    ),
    Law {
        formula: "1 - cos(tilt)",
        name: "tilted lengths",
        relation: Relation::Function {
            result: TiltLoss,
            of: &[Tilt],
            f: |v| 100.0 * optics::cosine_loss(v[0]),
            back: &[(0, |loss, _| libm::acos(1.0 - 0.01 * loss).to_degrees())],
        },
        tolerance: Some(0.01),
    },
    function(
        "n lambda / NA^2",
        "depth of field by waves",
        WaveDepth,
        &[Index, Wavelength, Aperture],
        |v| optics::wave_depth_um(v[0], v[1], v[2]),
    ),
    function(
        "(n lambda / NA^2) (1 + 1/(2 m))",
        "depth of field, another formula",
        OtherDepth,
        &[Index, Wavelength, Aperture, Magnification],
        |v| optics::other_depth_um(v[0], v[1], v[2], v[3]),
    ),
    function(
        "2 log2(N_eff / other)",
        "light of two lenses",
        OtherStops,
        &[OtherFNumber, EffectiveFNumber],
        |v| optics::stops_between(v[0], v[1]),
    ),
    function(
        "s = lambda / (4 NA)",
        "sampling by Nyquist",
        ObjectFinest,
        &[Wavelength, Aperture],
        |v| optics::object_finest_um(v[0], v[1]),
    ),
    function("1 / (rate sqrt(6))", "two times known to a frame", DurationSigma, &[Rate], |v| {
        optics::duration_sigma_s(v[0])
    }),
    product(
        "2 u",
        "expanded uncertainty (GUM)",
        2.0,
        &[(DurationExpanded, -1.0), (DurationSigma, 1.0)],
    ),
    product(
        "frames / rate",
        "elapsed time",
        1.0,
        &[(ElapsedTime, 1.0), (ElapsedFrames, -1.0), (Rate, 1.0)],
    ),
    product(
        "clips x length x data rate",
        "size of a night",
        1.0,
        &[(NightBytes, 1.0), (Clips, -1.0), (RecordTime, -1.0), (DataRate, -1.0)],
    ),
    Law {
        tolerance: Some(0.01),
        ..function(
            "(max - min) / (max + min)",
            "percent flicker",
            Flicker,
            &[LightMost, LightLeast],
            |v| optics::percent_flicker(v[0], v[1]),
        )
    },
    function("flicker / pi", "flicker index", FlickerIndex, &[Flicker], |v| {
        optics::flicker_index_of_sine(0.01 * v[0])
    }),
    function("flicker / 2", "flicker index", SquareIndex, &[Flicker], |v| {
        optics::flicker_index_of_square(0.01 * v[0])
    }),
    product(
        "rate / lamp",
        "period of the ripple",
        1.0,
        &[(RipplePeriod, 1.0), (Rate, -1.0), (LampFrequency, 1.0)],
    ),
    product(
        "efficiency x photons",
        "electrons (EMVA 1288)",
        1.0,
        &[(Signal, 1.0), (Photons, -1.0), (Efficiency, -1.0)],
    ),
    function("20 log10", "decibels", SignalToNoiseDb, &[SignalToNoise], |v| optics::decibel(v[0])),
    function("20 log10", "decibels", BestSignalToNoiseDb, &[BestSignalToNoise], |v| {
        optics::decibel(v[0])
    }),
    function("20 log10", "decibels", DynamicRangeDb, &[DynamicRange], |v| optics::decibel(v[0])),
    function(
        "(sqrt(d^2 + g^2/12) + 1/2) / efficiency",
        "threshold (EMVA 1288)",
        LeastPhotons,
        &[Efficiency, ReadNoise, Gain],
        |v| optics::threshold_photons(v[0], v[1], 1.0 / v[2]),
    ),
    Law {
        formula: "sqrt(1 + 1/darks) - 1",
        name: "noise of a mean of darks",
        relation: Relation::Function {
            result: DarkPenalty,
            of: &[Darks],
            f: |v| 100.0 * (optics::dark_noise_factor(v[0]) - 1.0),
            back: &[(0, |x, _| 1.0 / ((1.0 + 0.01 * x) * (1.0 + 0.01 * x) - 1.0))],
        },
        tolerance: Some(0.01),
    },
    function(
        "1 / sqrt(flats x electrons)",
        "noise of a mean of flats",
        FlatNoise,
        &[Flats, FlatSignal],
        |v| 100.0 * optics::flat_noise(v[0], v[1]),
    ),
    Law {
        formula: "sqrt(1 + SNR^2 / (flats x electrons)) - 1",
        name: "noise of a mean of flats",
        relation: Relation::Function {
            result: FlatPenalty,
            of: &[SignalToNoise, Flats, FlatSignal],
            f: |v| 100.0 * ((1.0 + v[0] * v[0] / (v[1] * v[2])).sqrt() - 1.0),
            back: &[(1, |x, v| v[0] * v[0] / (v[2] * ((1.0 + 0.01 * x) * (1.0 + 0.01 * x) - 1.0)))],
        },
        tolerance: Some(0.01),
    },
    function(
        "2^(warmer / doubling)",
        "growth of dark current",
        DarkGrowth,
        &[WarmerBy, Doubling],
        |v| optics::dark_current(1.0, 0.0, v[0], v[1]),
    ),
    product(
        "dark current x growth x exposure",
        "dark electrons",
        1.0,
        &[(DarkElectrons, 1.0), (DarkCurrent, -1.0), (DarkGrowth, -1.0), (Exposure, -1.0)],
    ),
    function(
        "sqrt(spread^2 - variance / frames) x g",
        "non-uniformity (EMVA 1288)",
        Dsnu,
        &[DarkSpread, DarkVariance, StackFrames, Gain],
        |v| {
            let dsnu = optics::dark_signal_non_uniformity_e(v[0], v[1], v[2], 1.0 / v[3]);
            dsnu.unwrap_or(f64::NAN)
        },
    ),
    function(
        "sqrt(bright s^2 - dark s^2) / (bright - dark)",
        "non-uniformity (EMVA 1288)",
        Prnu,
        &[
            BrightSpread,
            BrightVariance,
            DarkSpread,
            DarkVariance,
            StackFrames,
            BrightMean,
            DarkMean,
        ],
        |v| {
            let (bright, dark) = ((v[0], v[1]), (v[2], v[3]));
            let prnu = optics::response_non_uniformity_percent(bright, dark, v[4], v[5] - v[6]);
            prnu.unwrap_or(f64::NAN)
        },
    ),
    function("20 log10(sqrt(frames))", "averaging", AveragedDb, &[Averaged], |v| {
        -optics::decibel(optics::averaged_noise(v[0]))
    }),
    function("log2(sqrt(frames))", "averaging", AveragedStops, &[Averaged], |v| {
        -libm::log2(optics::averaged_noise(v[0]))
    }),
    product(
        "pi/2 x frames",
        "median against mean",
        optics::MEDIAN_VARIANCE,
        &[(MedianNeeds, -1.0), (Averaged, 1.0)],
    ),
    product(
        "2/pi x frames",
        "median against mean",
        1.0 / optics::MEDIAN_VARIANCE,
        &[(MedianWorth, -1.0), (Averaged, 1.0)],
    ),
];
