//! `plan` as a person runs it: worked values with their sources, and what a new user gets wrong.
//!
//! Sources are named where there are any. "Arithmetic" is what follows from definitions; "common
//! practice, no source" is a habit of the trade; "from memory" was not read in its source.

use crate::harness::{Ended, Place};

fn run(options: &str) -> Ended {
    let args: Vec<&str> = ["plan"].into_iter().chain(options.split_whitespace()).collect();
    Place::new().run(&args)
}

/// Values of a plan by the quantities' keys.
#[track_caller]
fn check(options: &str, expected: &[(&str, f64, f64)]) {
    let ended = run(&format!("{options} --json"));
    assert_eq!(ended.code, 0, "{options}: {}", ended.err);
    let json = ended.json();
    let rows = json["plan"]["rows"].as_array().unwrap();
    for &(key, value, relative) in expected {
        let row = rows.iter().find(|r| r["quantity"] == key);
        let got = row.unwrap_or_else(|| panic!("{options}: no {key}"))["value"].as_f64().unwrap();
        let off = (got - value).abs();
        assert!(off <= relative * value.abs() + 1e-12, "{options}: {key} is {got}, not {value}");
    }
}

/// Half a unit of the last figure of a value given with three figures.
const THREE: f64 = 5e-3;
/// The same with four figures.
const FOUR: f64 = 5e-4;
const EXACT: f64 = 1e-9;

#[test]
fn geometry_and_scale() {
    // Lateral magnification m = image / object ("Photography formulas - Macro", tripodplaces.com);
    // s = p / m is arithmetic.
    for (pitch, m, s) in
        [("10um", "10", 1.0), ("10um", "50", 0.2), ("20um", "2", 10.0), ("13.5um", "10", 1.35)]
    {
        check(&format!("--pixel-pitch {pitch} --magnification {m}"), &[("scale", s, EXACT)]);
    }
    // Field of view = sensor used / m, same source.
    for (sensor, m, field) in [
        ("25.6mm", "2", 12_800.0),
        ("20mm", "10", 2000.0),
        ("28mm", "10", 2800.0),
        ("20mm", "50", 400.0),
        ("28mm", "50", 560.0),
    ] {
        check(
            &format!("--sensor-width {sensor} --magnification {m}"),
            &[("field_width", field, EXACT)],
        );
    }
    // Infinity objective on another tube lens (from memory): 10x, 200 mm, used at 180 mm: 9.0x.
    check(
        "--marked-magnification 10 --tube 180mm --design-tube 200mm --pixel-pitch 10um",
        &[("magnification", 9.0, EXACT), ("scale", 10.0 / 9.0, EXACT)],
    );
    // A graticule of 800 um within 1.5 um over 1598.4 px picked to 0.5 px at each end: 0.50050 um/px,
    // 0.117 %; then a part of 250 px known to 1 px (GUM, JCGM 100:2008, 5.1.2 and 4.3.7, from memory;
    // worked by hand). The length alone: 0.866 um are 0.108 %, the picks 0.0442 %.
    let rule = "--known-length 800um --known-pixels 1598.4 --length-tolerance 1.5um";
    check(
        &format!("{rule} --pick-sigma 0.5 --part-pixels 250 --part-pick 1"),
        &[
            ("scale", 0.50050, 1e-5),
            ("length_sigma", 0.866, THREE),
            ("pixels_sigma", 0.707, THREE),
            ("scale_sigma", 0.117, THREE),
            ("scale_sigma_um", 0.00059, 1e-2),
            ("scale_expanded", 0.23, 2e-2),
            ("part_length", 125.13, 1e-4),
            ("part_sigma", 0.52, 1e-2),
        ],
    );
    check(&format!("{rule} --pick-sigma 0"), &[("scale_sigma", 0.108, THREE)]);
    let exact = "--known-length 800um --known-pixels 1598.4 --length-tolerance 0.01um";
    check(&format!("{exact} --pick-sigma 0.5"), &[("scale_sigma", 0.0442, THREE)]);
    // A stage micrometer within 1 to 2 um over 1 mm: 0.1 to 0.2 % (from memory).
    for (tolerance, percent) in [("1um", 0.1), ("2um", 0.2)] {
        check(
            &format!("--known-length 1mm --length-tolerance {tolerance}"),
            &[("length_error", percent, EXACT)],
        );
    }
    // One step of 1 mm on a rule of class II, 0.2 mm either way: 20 % (UK SI 2016/1153 schedule 1I,
    // table 2, as Directive 2004/22/EC annex MI-008). 27 um in 10 mm: 0.27 % (NIST, "Precision
    // Metal Rulers").
    check("--known-length 1mm --length-tolerance 0.2mm", &[("length_error", 20.0, EXACT)]);
    check("--known-length 10mm --length-tolerance 27um", &[("length_error", 0.27, EXACT)]);
    // 1 - cos (trigonometry).
    for (tilt, loss, relative) in [
        ("1", 0.0152, THREE),
        ("2", 0.061, 1e-2),
        ("5", 0.381, THREE),
        ("8.1", 1.0, 1e-2),
        ("10", 1.52, THREE),
    ] {
        check(&format!("--tilt {tilt}"), &[("tilt_loss", loss, relative)]);
    }
    check("--tilt-loss 1", &[("tilt", 8.11, THREE)]);
}

#[test]
fn light_and_depth() {
    // N_eff = N (1 + m/P), stops 2 log2(1 + m/P): bellows factor, "Photography formulas - Macro"
    // (tripodplaces.com) and "Continuing insights into Macro Photography: Part 2"
    // (photography.grayheron.net), after J. Conrad.
    for (options, n, stops) in [
        ("--f-number 4 --magnification 1", 8.0, 2.0),
        ("--f-number 5.6 --magnification 2", 16.8, 3.17),
        ("--f-number 8 --magnification 5", 48.0, 5.17),
        ("--f-number 4 --magnification 2 --pupil 1.4", 9.71, 2.56),
    ] {
        check(options, &[("effective_f_number", n, THREE), ("light_loss", stops, THREE)]);
    }
    // Table of objectives at 0.55 um: lambda / NA^2 agrees with the table of the thread "Overview
    // of Microscope objectives DoF" (photomacrography.net); Rayleigh 0.61 lambda / NA (glossary,
    // forensicspot.com); NA = m / (2 N) ("A New Way of Thinking ... about DOF", same forum); the
    // last column's second term is from memory.
    for (m, na, n, rayleigh, airy, wave, depth) in [
        ("2", "0.055", 18.2, 6.10, 12.2, 181.8, 272.7),
        ("5", "0.14", 17.9, 2.40, 12.0, 28.1, 42.3),
        ("10", "0.28", 17.9, 1.20, 12.0, 7.02, 10.6),
        ("20", "0.42", 23.8, 0.80, 16.0, 3.12, 4.31),
        ("50", "0.55", 45.5, 0.61, 30.5, 1.82, 2.18),
    ] {
        check(
            &format!("--magnification {m} --aperture {na} --pixel-pitch 10um"),
            &[
                ("effective_f_number", n, THREE),
                ("rayleigh", rayleigh, THREE),
                ("airy_radius", airy, THREE),
                ("wave_depth", wave, THREE),
                ("objective_depth", depth, THREE),
            ],
        );
    }
    // Exact factor 1.21967 (first zero of J1 over pi, "Angular resolution"): 1.198 um, 11.98 um.
    check(
        "--magnification 10 --aperture 0.28 --pixel-pitch 10um",
        &[
            ("rayleigh", 1.198, FOUR),
            ("airy_radius", 11.98, FOUR),
            // Nyquist at 1 / (lambda N) (standard Fourier optics, from memory); a pixel of 10 um
            // is 2.04 times too coarse.
            ("finest_pitch", 10.0 / 2.04, THREE),
            ("finest_pitch", 4.91, THREE),
            ("object_finest", 0.491, THREE),
            // Two pixels for the smallest detail, 0.305 lambda / NA (the same, from memory).
            ("two_pixels", 0.599, THREE),
        ],
    );
    check(
        "--magnification 50 --aperture 0.55 --pixel-pitch 10um",
        &[("finest_pitch", 12.5, THREE)],
    );
    // (lambda n / NA^2)(1 + 1/(2 m)), bipl.umn.edu node 126: 7.37 um for 10x/0.28, against 10.6 um by
    // the formula above.
    check("--magnification 10 --aperture 0.28", &[("other_depth", 7.37, THREE)]);
    // Keiser, Biophotonics: Concepts to Applications, example 8.4: n 1.51, 780 nm.
    for (na, depth) in [("0.20", 29.4), ("0.55", 3.89)] {
        check(
            &format!("--index 1.51 --wavelength 780nm --aperture {na}"),
            &[("wave_depth", depth, THREE)],
        );
    }
    // 2 N c (1 + m/P) / m^2, from W. Smith, Modern Optical Engineering, p. 187, eq. 9.7 and 9.8.
    for (options, depth) in [
        ("--f-number 5.6 --circle 20um --magnification 2", 168.0),
        ("--f-number 4 --circle 30um --magnification 1", 480.0),
        ("--f-number 8 --circle 20um --magnification 5", 76.8),
    ] {
        check(options, &[("lens_depth", depth, EXACT)]);
    }
}

#[test]
fn stops_between_two_objectives() {
    // From 10x/0.28 (effective f-number 17.9) to 50x/0.55: 2 log2(45.5 / 17.9) = 2.70 stops
    // (arithmetic).
    check(
        "--magnification 50 --aperture 0.55 --other-f-number 17.857",
        &[("effective_f_number", 45.5, THREE), ("other_stops", 2.70, THREE)],
    );
}

#[test]
fn time() {
    // Slow-down as an exact fraction (arithmetic); rates of video: YUV4MPEG2 page
    // (wiki.multimedia.cx), OpenEXR "Standard Attributes".
    for (rate, playback, factor) in [
        ("1000", "25", 40.0),
        ("10000", "25", 400.0),
        ("2000", "24", 250.0 / 3.0),
        ("1000", "24000/1001", 1001.0 / 24.0),
        ("5000", "30000/1001", 1001.0 / 6.0),
    ] {
        check(&format!("--rate {rate} --playback {playback}"), &[("slow_down", factor, EXACT)]);
    }
    for (playback, fps) in
        [("24000/1001", 23.976024), ("30000/1001", 29.970030), ("60000/1001", 59.940060)]
    {
        check(&format!("--rate 1000 --playback {playback}"), &[("playback", fps, 1e-8)]);
    }
    let shown = run("--rate 5000 --playback 30000/1001").out;
    assert!(shown.contains("exactly 1001/6"), "{shown}");
    // A frame lasts 1, 0.2, 0.1 ms (arithmetic).
    for (rate, ms) in [("1000", 1.0), ("5000", 0.2), ("10000", 0.1)] {
        check(&format!("--rate {rate}"), &[("interval", ms * 1e-3, EXACT)]);
    }
    // Elapsed time (common practice, no source): frame 1234 at 5000 fps.
    check("--elapsed-frames 1234 --rate 5000", &[("elapsed_time", 246.8e-3, EXACT)]);
    // Two times known to a frame: dt / sqrt(6) (rectangular, GUM 4.3.7, from memory).
    check(
        "--rate 5000 --event-length 2.4ms",
        &[
            ("duration_sigma", 0.082e-3, THREE),
            ("duration_expanded", 0.16e-3, 3e-2),
            ("frames_across", 12.0, EXACT),
        ],
    );
    check("--frames-across 12 --rate 5000", &[("event_length", 2.40e-3, EXACT)]);
    // A clock that is 50 ppm off, over 1 s (arithmetic).
    check("--event-length 1s --clock-ppm 50", &[("clock_error", 50e-6, EXACT)]);
    // In units of 2^30: 5.79 GiB a second.
    let text = run("--width 1920 --height 1080 --bits 12 --rate 2000").out;
    assert!(text.contains("6.221 GB/s (5.79 GiB/s)"), "{text}");
    // Data rate and record length (arithmetic).
    check(
        "--width 1920 --height 1080 --bits 12 --rate 2000 --memory 16GiB",
        &[
            ("data_rate", 6.2208e9, EXACT),
            ("record_time", 2.76, THREE),
            ("record_frames", 5523.0, FOUR),
        ],
    );
    check(
        "--width 1280 --height 800 --bits 12 --rate 5000 --memory 32GiB --playback 25",
        &[
            ("data_rate", 7.68e9, EXACT),
            ("record_time", 4.474, FOUR),
            ("record_frames", 22_369.0, FOUR),
            ("record_screen_time", 894.8, FOUR),
        ],
    );
    // Do 3 s fit? 16 x 2^30 B over 480 x 270 x 1.5 B x 5000 are 17.67 s (arithmetic).
    let asked = "--width 480 --height 270 --rate 5000 --memory 16GiB";
    let fits = [("record_time", 3.0, EXACT), ("longest_record", 17.674, FOUR)];
    check(&format!("{asked} --bits 12 --record-time 3s"), &fits);
    check(&format!("{asked} --record-time 3s"), &fits);
    let told = run(&format!("{asked} --record-time 3s --playback 25"));
    assert!(told.out.contains("it fits the memory, which holds 17.67 s"), "{}", told.out);
    assert!(told.out.contains("10 min"), "3 s at 5000 shown at 25: {}", told.out);
    run(&format!("{asked} --record-time 20s"))
        .expect(2, &["20 s does not fit the memory of 17.18 GB", "holds 17.67 s"]);
    check(&format!("{asked} --clips 2"), &[("record_time", 17.674, FOUR)]);
    check("--width 1280 --height 800 --bits 16 --rate 5000", &[("data_rate", 10.24e9, EXACT)]);
    check(
        "--width 1280 --height 800 --rate 5000 --record-time 3s --clips 60",
        &[("night_bytes", 1.38e12, THREE)],
    );
}

#[test]
fn exposure_and_blur() {
    // 360 t rate: cinematography.com threads 24017 and 21785.
    for (exposure, rate, angle) in [
        ("2ms", "30", 21.6),
        ("20.83333333ms", "24", 180.0),
        ("50us", "10000", 180.0),
        ("50us", "1000", 18.0),
    ] {
        check(&format!("--exposure {exposure} --rate {rate}"), &[("shutter_angle", angle, 1e-6)]);
    }
    run("--rate 5000 --exposure 201us").expect(2, &["200 us at 5000 fps"]);
    // b = v t / s (arithmetic); "50 us can still blur at 10x".
    for (v, t, m, blur) in [
        ("0.1m/s", "50us", "10", 5.0),
        ("1m/s", "50us", "10", 50.0),
        ("0.5m/s", "100us", "5", 25.0),
        ("0.02m/s", "50us", "10", 1.0),
    ] {
        check(
            &format!("--event-speed {v} --exposure {t} --magnification {m} --pixel-pitch 10um"),
            &[("blur", blur, 1e-9)],
        );
    }
    check(
        "--event-frequency 440 --event-amplitude 0.1mm --exposure 50us --magnification 10 \
         --pixel-pitch 10um",
        &[("event_speed", 0.276, THREE), ("blur", 13.8, THREE)],
    );
    // What exposure for 1 px at 0.3 m/s: t = s / v.
    let options = "--blur-limit 1px --event-speed 0.3m/s --scale 1um --find exposure";
    check(options, &[("exposure", 1e-6 / 0.3, EXACT)]);
    // 10 frames a cycle for shape, 10 to 20 across an event (common practice, no source); floor
    // by Nyquist (from memory).
    check("--event-frequency 800 --frames-per-cycle 10", &[("rate", 8000.0, EXACT)]);
    check("--event-frequency 800 --frames-per-cycle 2", &[("rate", 1600.0, EXACT)]);
    check("--event-length 1ms --frames-across 20", &[("rate", 20_000.0, EXACT)]);
    check("--event-length 5ms --rate 5000", &[("frames_across", 25.0, EXACT)]);
    check("--event-length 15ms --rate 1000", &[("frames_across", 15.0, EXACT)]);
    check("--event-length 1.5ms --frames-across 20", &[("rate", 13_333.333, 1e-6)]);
}

#[test]
fn electrons_and_references() {
    // EMVA 1288 release 3.1; formulas read in the reference implementation (public repository
    // EMVA1288/emva1288), the SNR equation from memory. K 0.5 DN/e- is a gain of 2 e-/DN.
    for (photons, e, snr, db) in [
        ("100", 60.0, 5.38, Some(14.6)),
        ("500", 300.0, 15.7, Some(23.9)),
        ("2000", 1200.0, 33.7, None),
        ("20000", 12_000.0, 109.3, None),
    ] {
        let options = format!("--photons {photons} --efficiency 0.6 --read-noise 8 --gain 2");
        check(&options, &[("signal", e, EXACT), ("signal_to_noise", snr, THREE)]);
        if let Some(db) = db {
            check(&options, &[("signal_to_noise_db", db, THREE)]);
        }
    }
    check("--efficiency 0.6 --read-noise 8 --gain 2", &[("least_photons", 14.20, FOUR)]);
    check(
        "--full-well 20000 --read-noise 8 --gain 2",
        &[
            ("best_signal_to_noise", 141.4, FOUR),
            ("best_signal_to_noise_db", 43.0, THREE),
            ("dynamic_range", 2347.0, FOUR),
            ("dynamic_range_db", 67.4, THREE),
        ],
    );
    // Variance of black frames 0.25 x 64 + 1/12; gain from a bright and a dark mean and their
    // variances, K = 513.917 / 1000 DN/e- (EMVA 1288 release 3.1, as above).
    check("--read-noise 8 --gain 2", &[("dark_variance", 16.083, 1e-4)]);
    let means = "--bright-mean 1100 --dark-mean 100 --bright-variance 530 --dark-variance 16.083";
    check(means, &[("gain", 1.0 / 0.513917, 1e-6)]);
    // Back from it: 2 sqrt(16.08 - 1/12) e-.
    check("--gain 2 --dark-variance 16.08 --find read-noise", &[("read_noise", 8.0, THREE)]);
    run(&format!("{means} --gain 1.8")).expect(2, &["do not fit together", "photon transfer"]);
    run("--gain 2 --dark-variance 0.05 --find read-noise").expect(2, &["does not follow"]);
    // Unevenness: spread 1.2 DN of the mean of 16 black frames, variance in time 16.08 DN^2, K 0.5:
    // 1.32 e-; 12.0 DN, 530 DN^2 and a signal of 1000 DN: 1.05 % (EMVA 1288 release 3.1, as above;
    // `src/sensor/uniformity.rs` holds the same against frames).
    let stacks = "--dark-spread 1.2 --dark-variance 16.08 --stack-frames 16";
    check(&format!("{stacks} --gain 2"), &[("dsnu", 1.32, THREE)]);
    check(
        &format!(
            "{stacks} --bright-spread 12 --bright-variance 530 --bright-mean 1100 \
                  --dark-mean 100"
        ),
        &[("prnu", 1.05, THREE)],
    );
    // Less than noise leaves is no unevenness of zero.
    let ended = run("--dark-spread 0.9 --dark-variance 16.08 --stack-frames 16 --gain 2");
    ended.expect(0, &[]);
    assert!(ended.out.contains("below detection"), "{}", ended.out);
    // A median is 2/pi = 0.64 as good, and needs pi/2 = 1.57 times the frames (theory of order
    // statistics; R. Corlan's post at the AAVSO, 11 Jan 2005, has 0.65, and 2.36 wrongly).
    check(
        "--averaged 100",
        &[("median_worth", 64.0, THREE + 5e-4), ("median_needs", 157.0, THREE)],
    );
    // In dB and stops: 4 frames 6.0 dB and 1 stop, 16 two stops, 100 20 dB (statistics).
    for (n, db, stops) in [("4", 6.0, 1.0), ("16", 12.04, 2.0)] {
        let options = format!("--averaged {n}");
        check(&options, &[("averaged_db", db, THREE), ("averaged_stops", stops, FOUR)]);
    }
    check("--averaged 100", &[("averaged_db", 20.0, FOUR)]);
    // Noise falls with sqrt(N) (statistics): 4, 16, 25, 100 frames make it 2, 4, 5, 10 times less.
    for (n, times) in [("4", 2.0), ("16", 4.0), ("25", 5.0), ("100", 10.0)] {
        let options = format!("--signal 100 --read-noise 0 --averaged {n}");
        check(&options, &[("averaged_signal_to_noise", 10.0 * times, EXACT)]);
    }
    // N >= 1 / ((1 + x)^2 - 1) darks, 16 add 3.1 % (arithmetic; residual 1/sqrt(N): "Dark Frame
    // Count Optimization Calculator", tools.gera.services). Numbers are rounded up.
    for (percent, darks) in [("5", 10.0), ("2", 25.0), ("1", 50.0), ("0.5", 100.0)] {
        let json = run(&format!("--dark-penalty {percent} --json")).json();
        let row = json["plan"]["rows"][0].clone();
        assert_eq!(row["quantity"], "darks");
        assert!((row["value"].as_f64().unwrap().ceil() - darks).abs() < 1e-9, "{row}");
    }
    let shown = run("--dark-penalty 5").out;
    assert!(shown.contains("  10  ") && shown.contains("rounded up from 9.76"), "{shown}");
    // One frame where nothing else is said: the same two flats as above.
    let one = "--flat-penalty 1 --flat-signal 10000 --averaged-signal-to-noise 20";
    check(one, &[("flats", 1.99, THREE), ("averaged", 1.0, EXACT)]);
    check("--darks 16", &[("dark_penalty", 3.1, 1e-2), ("dark_residual", 0.25, EXACT)]);
    check("--darks 100", &[("dark_residual", 0.10, EXACT)]);
    // Flats of 10000 e-: 1 / sqrt(N S) (arithmetic).
    for (flats, percent) in [("1", 1.0), ("16", 0.25), ("100", 0.10)] {
        check(&format!("--flats {flats} --flat-signal 10000"), &[("flat_noise", percent, EXACT)]);
    }
    // Less than 1 % added at a signal over noise of 20, 50, 100: 2, 13, 50 flats.
    for (signal, flats) in [("400", 2.0), ("2500", 13.0), ("10000", 50.0)] {
        let options =
            format!("--signal {signal} --read-noise 0 --flat-signal 10000 --flat-penalty 1");
        let json = run(&format!("{options} --json")).json();
        let rows = json["plan"]["rows"].as_array().unwrap().clone();
        let row = rows.into_iter().find(|r| r["quantity"] == "flats").unwrap();
        assert!((row["value"].as_f64().unwrap().ceil() - flats).abs() < 1e-9, "{row}");
    }
    // Doubling in 5 to 8 K (A. Theuwissen, harvestimaging.com, September 2009): 25 to 40 degrees.
    for (doubling, times) in [("6", 5.66), ("7", 4.42), ("8", 3.67)] {
        check(&format!("--warmer-by 15 --doubling {doubling}"), &[("dark_growth", times, THREE)]);
    }
    check("--dark-current 100 --exposure 50us", &[("dark_electrons", 0.005, EXACT)]);
    check(
        "--dark-current 100 --exposure 50us --warmer-by 14 --doubling 7",
        &[("dark_electrons", 0.02, EXACT)],
    );
    let open = "--dark-current 100 --exposure 50us --warmer-by 15 --find dark-electrons";
    run(open).expect(2, &["--doubling"]);
}

#[test]
fn lamps() {
    // Twice the mains: "AC line frequency and shutter speed", photo-spectrum.info (2017). Through
    // an exposure |sinc(f t)|.
    for (exposure, kept, relative) in
        [("50us", 0.99996, 5e-6), ("1ms", 0.984, FOUR), ("5ms", 0.637, 8e-4)]
    {
        check(
            &format!("--mains 50 --exposure {exposure}"),
            &[("lamp_frequency", 100.0, EXACT), ("ripple_kept", kept, relative)],
        );
    }
    for options in ["--mains 50 --exposure 10ms", "--mains 60 --exposure 8.3333333333ms"] {
        let json = run(&format!("{options} --json")).json();
        let rows = json["plan"]["rows"].as_array().unwrap();
        let kept = rows.iter().find(|r| r["quantity"] == "ripple_kept").unwrap();
        assert!(kept["value"].as_f64().unwrap() < 1e-9, "a whole cycle levels the ripple");
    }
    // Percent flicker: CIE e-ILV, term 39; index of a sine m / pi (IES definition 5.9.9.4).
    check(
        "--light-most 1.0 --light-least 0.6",
        &[("flicker", 25.0, EXACT), ("flicker_index", 0.0796, THREE)],
    );
    // IEEE 1789-2015 for people, not for pictures: 0.08 f and 0.0333 f per cent (from memory).
    check("--mains 50", &[("low_risk_flicker", 8.0, EXACT), ("no_effect_flicker", 3.33, EXACT)]);
    check("--mains 60", &[("low_risk_flicker", 9.6, EXACT)]);
    // Of 100 %: a sine 0.318, a square wave that is on half the time 0.5 (the same definition).
    check("--flicker 100", &[("flicker_index", 0.01 * 31.8, THREE), ("square_index", 0.5, EXACT)]);
    // |f - k rate|, times playback / rate (arithmetic).
    for (rate, mains, alias, screen) in [
        ("1000", "50", 100.0, 2.50),
        ("1000", "60", 120.0, 3.00),
        ("960", "60", 120.0, 3.125),
        ("800", "50", 100.0, 3.125),
        ("500", "50", 100.0, 5.00),
        ("5000", "50", 100.0, 0.50),
        ("120", "50", 20.0, 4.17),
        ("100", "50", 0.0, 0.0),
        ("120", "60", 0.0, 0.0),
    ] {
        check(
            &format!("--rate {rate} --mains {mains} --playback 25"),
            &[("alias", alias, EXACT), ("screen_flicker", screen, THREE)],
        );
    }
    for (rate, mains, frames) in [
        ("1000", "50", 10.0),
        ("1000", "60", 8.33),
        ("960", "60", 8.0),
        ("800", "50", 8.0),
        ("500", "50", 5.0),
        ("5000", "50", 50.0),
        ("100", "50", 1.0),
        ("120", "60", 1.0),
    ] {
        check(&format!("--rate {rate} --mains {mains}"), &[("ripple_period", frames, THREE)]);
    }
    let risky = run("--rate 800 --mains 50 --playback 25 --flicker 25 --exposure 50us").out;
    assert!(risky.contains("photosensitive viewers"), "{risky}");
}

#[test]
fn help_names_every_quantity() {
    let help = run("--help").out;
    for q in hushframe::plan::Quantity::ALL {
        let named = q.option().unwrap_or_else(|| format!("\n      {} ", q.name()));
        assert!(help.contains(&named), "{named}: {help}");
        assert!(help.contains(q.about().words) || q.option().is_some(), "{named}");
    }
}

#[test]
fn cautions_stand_under_every_plan() {
    for options in ["--rate 5000", "--rate 1000,2000 --event-length 5ms"] {
        let text = run(options).out.split_whitespace().collect::<Vec<_>>().join(" ");
        for words in [
            "IEC 62471",
            "IEC 60825-1",
            "qualified electrician",
            "local law",
            "heat",
            "moving parts",
            "WCAG",
        ] {
            assert!(text.contains(words), "no {words}: {text}");
        }
        let json = run(&format!("{options} --json")).json();
        assert!(json["cautions"].as_array().unwrap().len() >= 6);
    }
}

#[test]
fn several_values_make_a_table_and_a_plot() {
    let ended = run("--magnification 2,5,10,20,50,100 --pixel-pitch 10um --event-speed 0.1m/s \
                     --exposure 50us");
    ended.expect(0, &[]);
    let plot: Vec<&str> = ended.out.lines().filter(|l| l.contains(" |#")).collect();
    assert_eq!(plot.len(), 6, "{}", ended.out);
    assert!(plot[5].trim_start().starts_with("100x |") && plot[5].ends_with(" 50 px"), "{plot:?}");
    let long = |l: &str| l.matches('#').count();
    assert!(plot.windows(2).all(|w| long(w[0]) < long(w[1])), "{plot:?}");
    run("--rate 1000,2000 --magnification 1,2").expect(2, &["only one may"]);
    let named = run("--rate 1000,5000 --playback 25 --event-length 2ms --find event-screen-time");
    assert!(named.out.contains("time of the event on the screen over frame rate"), "{}", named.out);
}

#[test]
fn a_new_users_mistakes_get_a_sentence_that_helps() {
    for (options, words) in [
        ("", &["nothing is given", "--magnification"][..]),
        ("--event-length 1.5", &["--event-length", "no unit", "50us"]),
        ("--event-length 1.5mm", &["--event-length", "ns, us"]),
        ("--event-speed 0.3", &["m/s"]),
        ("--event-speed 0,3m/s", &["a decimal has a point"]),
        ("--exposure 1/5000", &["is a fraction", "200us"]),
        ("--memory 16", &["no unit", "GiB"]),
        ("--magnification -2", &["magnification -2x is outside"]),
        ("--aperture 1.4", &["no numerical aperture in air"]),
        ("--mains 55", &["50 or 60"]),
        ("--width 12.5", &["whole number"]),
        ("--rate fast", &["frames a second"]),
        ("--rate 5000 --exposure 300us", &["longer than the time from frame to frame"]),
        ("--frames-across 1000 --event-length 1us", &["frame rate", "1 us"]),
        ("--rate 5000 --find exposure", &["--blur-limit", "--event-speed"]),
        ("--rate 5000 --find speed", &["no quantity \"speed\"", "event-speed"]),
        ("--rate 5000 --find dof", &["lens-depth (depth of field)"]),
        ("--rate 5000 --find nonsense", &["no quantity \"nonsense\"", "rayleigh", "dark-growth"]),
        ("--dark-current 100 --find dark-electrons", &["give the exposure (--exposure)"]),
        ("--rate 5000 --find blur", &["--exposure", "--scale"]),
        ("--blur 1", &["--blur-limit"]),
        ("--event-lenght 1ms", &["--event-length"]),
        ("--scale 2um --pixel-pitch 10um --magnification 10", &["check binning"]),
    ] {
        let ended = run(options);
        ended.expect(2, words);
        assert!(ended.out.is_empty(), "{options}: {}", ended.out);
    }
    let ended = run("--frames-across 20");
    ended.expect(0, &[]);
    assert!(ended.out.contains("--event-length"), "{}", ended.out);
}
