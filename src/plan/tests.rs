//! Plans against worked examples, and what a new user gets wrong.

use super::*;

fn report(options: &[(&str, &str)]) -> Result<PlanReport, PlanError> {
    let mut input = PlanInput::default();
    for (key, text) in options {
        input.set(key, text)?;
    }
    run(&input)
}

fn planned(options: &[(&str, &str)]) -> Plan {
    report(options).unwrap().plan.unwrap()
}

fn near(plan: &Plan, q: Quantity, expected: f64, relative: f64) {
    let got = plan.value(q).unwrap_or_else(|| panic!("{q} does not follow"));
    assert!((got - expected).abs() <= relative * expected.abs(), "{q}: {got}, not {expected}");
}

#[test]
fn a_rate_for_frames_across_an_event() {
    // Arithmetic: 20 frames across 1.5 ms.
    let p = planned(&[("frames-across", "20"), ("event-length", "1.5ms")]);
    near(&p, Quantity::Rate, 13_333.33, 1e-6);
    near(&p, Quantity::Interval, 75e-6, 1e-9);
    // 1 ms of contact bounce with 20 frames: 20000 fps. 800 Hz with 10 frames a cycle: 8000 fps
    // (common practice, no source).
    let p = planned(&[("frames-across", "20"), ("event-length", "1ms")]);
    near(&p, Quantity::Rate, 20_000.0, 1e-12);
    let p = planned(&[("frames-per-cycle", "10"), ("event-frequency", "800")]);
    near(&p, Quantity::Rate, 8000.0, 1e-12);
}

#[test]
fn an_exposure_for_a_blur() {
    // t = s / v: 1 px at 0.3 m/s and 1 um/px is 3.33 us.
    let p = planned(&[
        ("blur-limit", "1px"),
        ("event-speed", "0.3 m/s"),
        ("pixel-pitch", "10um"),
        ("magnification", "10"),
    ]);
    near(&p, Quantity::Exposure, 1e-6 / 0.3, 1e-9);
    near(&p, Quantity::Blur, 1.0, 1e-9);
    // A slow motion would allow more than the frame interval: this is the limit then.
    let p = planned(&[
        ("blur-limit", "1"),
        ("event-speed", "1mm/s"),
        ("scale", "1um"),
        ("rate", "5000"),
    ]);
    near(&p, Quantity::Exposure, 200e-6, 1e-9);
    near(&p, Quantity::Blur, 0.2, 1e-9);
    // A 440 Hz tip moving 0.1 mm: 0.276 m/s, 13.8 px at 50 us and 10x (worked by hand).
    let p = planned(&[
        ("event-frequency", "440Hz"),
        ("event-amplitude", "0.1mm"),
        ("exposure", "50us"),
        ("scale", "1um"),
        ("blur-limit", "1px"),
    ]);
    near(&p, Quantity::EventSpeed, 0.276, 2e-3);
    near(&p, Quantity::Blur, 13.8, 2e-3);
    assert!(p.warnings.iter().any(|w| w.contains("expose for at most 3.6")), "{:?}", p.warnings);
}

#[test]
fn an_objective_and_a_lens() {
    // 10x/0.28 with 10 um pixels: see the table in optics::light for the sources.
    let p = planned(&[
        ("width", "2000"),
        ("height", "1000"),
        ("pixel-pitch", "10um"),
        ("magnification", "10"),
        ("aperture", "0.28"),
    ]);
    near(&p, Quantity::Scale, 1.0, 1e-12);
    near(&p, Quantity::FieldWidth, 2000.0, 1e-12);
    near(&p, Quantity::SensorWidth, 20_000.0, 1e-12);
    near(&p, Quantity::EffectiveFNumber, 17.86, 1e-3);
    near(&p, Quantity::AiryRadius, 11.98, 1e-3);
    near(&p, Quantity::Rayleigh, 1.198, 1e-3);
    near(&p, Quantity::FinestPitch, 4.91, 1e-3);
    near(&p, Quantity::ObjectiveDepth, 10.6, 5e-3);
    assert!(p.warnings.iter().any(|w| w.contains("finer than the pixels by 2.036x")));
    assert!(p.rows.iter().any(|r| r.shown == "about 10 um"), "one figure for the depth");
    assert!(p.value(Quantity::LightLoss).is_none(), "only lenses marked at infinity");
    // N 5.6 at 2x, circle 20 um: 16.8, 3.17 stops, 0.168 mm (Smith; bellows factor).
    let p = planned(&[
        ("f-number", "5.6"),
        ("magnification", "2"),
        ("circle", "20um"),
        ("pixel-pitch", "10um"),
    ]);
    near(&p, Quantity::EffectiveFNumber, 16.8, 1e-9);
    near(&p, Quantity::LightLoss, 3.17, 1e-3);
    near(&p, Quantity::LensDepth, 168.0, 1e-9);
    assert!(p.value(Quantity::ObjectiveDepth).is_none());
    // lambda / NA^2 with NA = 2 / (2 x 16.8): 0.55 x 16.8^2 = 155 um (worked by hand). The Airy disc, 22.5 um
    // wide, is larger than the circle.
    near(&p, Quantity::WaveDepth, 155.2, 1e-3);
    let row = p.rows.iter().find(|r| r.quantity == Quantity::LensDepth).unwrap();
    assert!(row.note.as_deref().is_some_and(|n| n.contains("Airy")), "{row:?}");
    // N 4, m 2, P 1.4: 9.71.
    let p = planned(&[("f-number", "4"), ("magnification", "2"), ("pupil", "1.4")]);
    near(&p, Quantity::EffectiveFNumber, 9.71, 1e-3);
}

#[test]
fn any_unknown_of_the_geometry() {
    // 25.6 mm framing 12.8 mm is 2x; 20 mm at 50x frames 0.40 mm (definition of magnification).
    let p = planned(&[("sensor-width", "25.6mm"), ("field-width", "12.8mm")]);
    near(&p, Quantity::Magnification, 2.0, 1e-12);
    let p = planned(&[("sensor-width", "20mm"), ("magnification", "50")]);
    near(&p, Quantity::FieldWidth, 400.0, 1e-12);
    let p = planned(&[("width", "1280"), ("field-width", "1.284mm")]);
    near(&p, Quantity::Scale, 1.003_125, 1e-9);
}

#[test]
fn time_memory_and_slow_down() {
    // Worked by hand: 1280x800, 12 bit (assumed), 5000 fps, 32 GiB, at 25 fps.
    let p = planned(&[
        ("width", "1280"),
        ("height", "800"),
        ("rate", "5000"),
        ("memory", "32GiB"),
        ("playback", "25"),
        ("event-length", "15ms"),
        ("exposure", "50us"),
    ]);
    near(&p, Quantity::DataRate, 7.68e9, 1e-12);
    near(&p, Quantity::RecordTime, 4.474, 1e-4);
    near(&p, Quantity::RecordScreenTime, 894.8, 1e-4);
    near(&p, Quantity::SlowDown, 200.0, 1e-12);
    near(&p, Quantity::EventScreenTime, 3.0, 1e-12);
    near(&p, Quantity::ShutterAngle, 90.0, 1e-12);
    let row = |q: Quantity| p.rows.iter().find(|r| r.quantity == q).unwrap();
    assert_eq!(row(Quantity::Bits).source, Source::Assumed);
    assert_eq!(row(Quantity::RecordFrames).shown, "22369 frames");
    // Memory for a length of time; exact fractions stay exact: 1000 at 24000/1001 is 1001/24.
    let p = planned(&[
        ("width", "1920"),
        ("height", "1080"),
        ("rate", "1000"),
        ("playback", "24000/1001"),
        ("record-time", "3s"),
    ]);
    near(&p, Quantity::Memory, 3.0 * 3.1104e9, 1e-12);
    let slow = p.rows.iter().find(|r| r.quantity == Quantity::SlowDown).unwrap();
    assert_eq!((slow.shown.as_str(), slow.note.as_deref()), ("41.71x", Some("exactly 1001/24")));
}

#[test]
fn lamps() {
    // 100 Hz light at 800 fps shown at 25 fps: 3.125 flashes a second (arithmetic).
    let p = planned(&[
        ("mains", "50"),
        ("rate", "800"),
        ("playback", "25"),
        ("flicker", "25"),
        ("exposure", "1ms"),
    ]);
    near(&p, Quantity::ScreenFlicker, 3.125, 1e-12);
    near(&p, Quantity::RippleKept, 0.984, 1e-3);
    assert!(p.warnings.iter().any(|w| w.contains("photosensitive")), "{:?}", p.warnings);
    let p = planned(&[("mains", "50"), ("rate", "5000"), ("playback", "25")]);
    near(&p, Quantity::ScreenFlicker, 0.5, 1e-12);
    assert!(!p.warnings.iter().any(|w| w.contains("photosensitive")));
}

#[test]
fn electrons() {
    // EMVA 1288 model: K 0.5 DN/e- (2 e-/DN), 8 e-, 60 e-: 5.38; 16 frames make it 4 times that.
    let p = planned(&[("signal", "60"), ("read-noise", "8"), ("gain", "2"), ("averaged", "16")]);
    near(&p, Quantity::SignalToNoise, 5.38, 1e-3);
    near(&p, Quantity::AveragedSignalToNoise, 4.0 * 5.38, 1e-3);
    // How many frames for 20?
    let p = planned(&[("signal", "60"), ("read-noise", "8"), ("averaged-signal-to-noise", "20")]);
    near(&p, Quantity::Averaged, 400.0 / (60.0 * 60.0 / 124.0), 1e-9);
    let p = planned(&[("full-well", "20000"), ("read-noise", "8"), ("gain", "2")]);
    near(&p, Quantity::BestSignalToNoise, 141.4, 1e-3);
    near(&p, Quantity::DynamicRange, 2347.0, 2e-3);
}

#[test]
fn impossible_wishes_and_contradictions_get_a_sentence() {
    let fault = |options: &[(&str, &str)]| report(options).unwrap_err().to_string();
    let text = fault(&[("rate", "5000"), ("exposure", "300us")]);
    assert_eq!(
        text,
        "exposure 300 us is longer than the time from frame to frame, 200 us at 5000 fps: \
         expose for at most 200 us, or take at most 3333 fps"
    );
    let text = fault(&[("rate", "1000"), ("frames-across", "20"), ("event-length", "1.5ms")]);
    assert!(text.contains("event length") || text.contains("length of the event 1.5 ms"), "{text}");
    assert!(text.contains("1.5 frames") && text.contains("leave one of them out"), "{text}");
    let text = fault(&[("scale", "2um"), ("pixel-pitch", "10um"), ("magnification", "10")]);
    assert!(text.contains("check binning"), "{text}");
    let text = fault(&[("f-number", "4"), ("aperture", "0.28"), ("magnification", "10")]);
    assert!(text.contains("both given"), "{text}");
    let text = fault(&[("frames-across", "1000"), ("event-length", "1us")]);
    assert!(text.contains("frame rate") && text.contains("1 us"), "{text}");
    let text = fault(&[("signal", "30000"), ("full-well", "20000")]);
    assert!(text.contains("more than its full well"), "{text}");
    assert!(fault(&[]).contains("nothing is given"));
    assert!(fault(&[("speed", "1")]).contains("no quantity \"speed\""));
    assert!(fault(&[("blur", "1")]).contains("no quantity"), "results cannot be given");
    assert!(
        fault(&[("rate", "1000,2000"), ("magnification", "2,5")]).contains("only one may"),
        "one sweep at a time"
    );
}

#[test]
fn a_measured_scale_goes_before_the_engraved_magnification() {
    let p = planned(&[("scale", "1.03um"), ("pixel-pitch", "10um"), ("magnification", "10")]);
    near(&p, Quantity::Scale, 1.03, 1e-12);
    assert!(p.warnings.iter().any(|w| w.contains("measured scale goes before")));
}

#[test]
fn wishes_that_lack_something_say_what() {
    let p = planned(&[("frames-across", "20")]);
    assert!(p.warnings.iter().any(|w| w.contains("--event-length")), "{:?}", p.warnings);
    let p = planned(&[("blur-limit", "1px"), ("event-speed", "0.3m/s")]);
    assert!(p.warnings.iter().any(|w| w.contains("--scale")), "{:?}", p.warnings);
    let p = planned(&[("rate", "1000"), ("event-frequency", "800")]);
    assert!(p.warnings.iter().any(|w| w.contains("more than 1600 fps, better 8000 fps")));
}

#[test]
fn several_values_make_a_table() {
    let r = report(&[
        ("rate", "1000,5000,20000"),
        ("event-length", "1.5ms"),
        ("exposure", "100us"),
        ("playback", "25"),
    ])
    .unwrap();
    let sweep = r.sweep.unwrap();
    assert!(r.plan.is_none() && sweep.rows.len() == 3);
    let at = sweep.columns.iter().position(|&q| q == Quantity::FramesAcross).unwrap();
    assert!((sweep.rows[1].results[at].unwrap() - 7.5).abs() < 1e-9);
    assert!(sweep.rows[2].fault.as_ref().unwrap().contains("longer than the time"));
    assert!(!sweep.columns.contains(&Quantity::Exposure), "only what changes");
    let json = serde_json::to_string(&report(&[("rate", "5000")]).unwrap()).unwrap();
    assert!(json.contains("\"quantity\":\"interval\"") && json.contains("IEC 62471"));
}

#[test]
fn a_wish_that_one_frame_fulfils_takes_one_frame() {
    // SNR of 1000 e- and 8 e- of read noise: 30.66 for one frame (1000 / sqrt(1064)).
    let p = planned(&[("signal", "1000"), ("read-noise", "8"), ("averaged-signal-to-noise", "20")]);
    near(&p, Quantity::Averaged, 1.0, 1e-12);
    let p = planned(&[("dark-penalty", "60")]);
    near(&p, Quantity::Darks, 1.0, 1e-12);
    let p = planned(&[
        ("signal", "150"),
        ("read-noise", "8"),
        ("flat-signal", "10000"),
        ("flat-penalty", "1"),
    ]);
    near(&p, Quantity::Flats, 1.0, 1e-12);
}

#[test]
fn counts_and_flicker_that_contradict_what_they_give_are_named() {
    for given in [
        [("darks", "64"), ("dark-penalty", "50"), ("rate", "1000")],
        [("flicker", "100"), ("light-most", "1"), ("light-least", "1")],
    ] {
        let why = report(&given).unwrap_err().to_string();
        assert!(why.contains("do not fit together"), "{why}");
    }
    let p = planned(&[("darks", "64"), ("dark-penalty", "0.78")]);
    near(&p, Quantity::Darks, 64.0, 1e-12);
}
