//! Scale from pictures of rules with known pitch, and refusal of pictures that show none.

use std::path::Path;

use hushframe::footage::{FrameFile, decode, encode_png16, read_scale, write_bytes};
use hushframe::frame::Plane;
use hushframe::frame::convert::round_u16;
use hushframe::frame::units::Length;
use hushframe::measure::ruler::{
    KnownLength, ScaleArgs, Tolerance, find_ticks, measure, run, two_points,
};
use hushframe::simulate::Scene;
use hushframe::simulate::scene::{MusicBox, MusicBoxSettings};

use crate::rules::Rule;

/// Open data beside the repository; tests that need them are skipped where they are not there.
const DATA: &str = "../shared/data/textures_skimage";

fn args(image: &Path, from: KnownLength) -> ScaleArgs {
    ScaleArgs {
        image: image.to_owned(),
        from,
        tolerance: Tolerance::Relative(0.001),
        magnification: Some(10.0),
        binning: None,
        region: None,
        mosaic: false,
    }
}

fn um(x: f64) -> Length {
    Length::from_um(x).unwrap()
}

#[test]
fn pitch_and_angle_of_noisy_rules() {
    // The full series is `cargo bench --bench rulers`: 20 of 20 at each of three light levels.
    let mut covered = 0;
    let rules = [(1, 25.0), (2, 25.0), (3, 150.0), (4, 150.0), (5, 2000.0), (6, 2000.0)];
    for (number, electrons) in rules {
        let rule = Rule::random(number, 320, electrons);
        let t = find_ticks(&rule.picture()).unwrap();
        let off = t.pitch_px / rule.pitch_px - 1.0;
        assert!(off.abs() < 1e-3, "{rule:?}: {off}");
        assert!((t.angle_deg - rule.angle_deg).abs() < 0.1, "{rule:?}: {}", t.angle_deg);
        covered += usize::from(off.abs() < 2.0 * t.relative);
    }
    assert!(covered >= 5, "k = 2 covers {covered} of 6");
}

#[test]
fn narrow_ticks_far_apart() {
    // A graticule at high magnification: ticks 3 and 6 px thick every 45 to 64 px.
    for (number, pitch_px, thick) in [(20, 45.3, 3.0), (21, 60.7, 3.0), (22, 64.2, 6.0)] {
        let rule = Rule {
            pitch_px,
            thickness: thick / pitch_px,
            blur_px: 1.0,
            angle_deg: 2.0,
            ..Rule::random(number, 640, 2000.0)
        };
        let t = find_ticks(&rule.picture()).unwrap();
        let off = t.pitch_px / rule.pitch_px - 1.0;
        assert!(off.abs() < 1e-3 && off.abs() < 3.0 * t.relative + 1e-5, "{rule:?}: {off}, {t:?}");
    }
}

#[test]
fn a_rule_that_begins_and_ends_in_the_picture() {
    let mut covered = 0;
    for number in 0..6_u64 {
        let ends = if number == 0 { [-0.4, 9.0] } else { [-0.75, 0.7] };
        let pitch_px = 9.3 + 1.3 * number as f64;
        let electrons = if number % 2 == 0 { 2000.0 } else { 150.0 };
        let rule = Rule { ends, pitch_px, ..Rule::random(30 + number, 320, electrons) };
        let t = find_ticks(&rule.picture()).unwrap();
        let off = t.pitch_px / rule.pitch_px - 1.0;
        assert!(off.abs() < 1e-3 && off.abs() < 4.0 * t.relative + 1e-5, "{rule:?}: {off}, {t:?}");
        covered += usize::from(off.abs() < 2.0 * t.relative);
        // Between the ends, but not far inside; where none is seen, to the picture's.
        let [from, to] = t.span.unwrap().map(|u| u / 159.5);
        let room = 4.0 * pitch_px / 159.5;
        assert!(from > ends[0] && from < ends[0] + room, "{rule:?}: {:?}", t.span);
        assert!(to < ends[1] && to > ends[1].min(1.0) - room, "{rule:?}: {:?}", t.span);
    }
    assert!(covered >= 5, "k = 2 covers {covered} of 6");
    let whole = Rule { pitch_px: 10.0, ..Rule::random(10, 256, 2000.0) };
    assert_eq!(find_ticks(&whole.picture()).unwrap().span, None);
}

#[test]
fn a_rule_in_any_direction() {
    for angle in [90.0, 47.0, -63.0] {
        let rule = Rule { angle_deg: angle, ..Rule::random(7, 320, 2000.0) };
        let t = find_ticks(&rule.picture()).unwrap();
        assert!((t.pitch_px / rule.pitch_px - 1.0).abs() < 1e-3, "{angle}: {}", t.pitch_px);
        let turn: f64 = (t.angle_deg - angle + 90.0).rem_euclid(180.0) - 90.0;
        assert!(turn.abs() < 0.1, "{angle}: {}", t.angle_deg);
    }
}

#[test]
fn a_pattern_of_squares_is_said_to_be_one() {
    // Squares of 13.7 px, turned by 2 degrees: the strongest period is that of the diagonals.
    let (sin, cos) = libm::sincos(2.0_f64.to_radians());
    let chess = Plane::from_fn(320, 320, |x, y| {
        let (x, y) = (x as f64 - 160.0, y as f64 - 160.0);
        let wave = |d: f64| libm::tanh(3.0 * libm::sin(std::f64::consts::PI * d / 13.7));
        (500.0 + 300.0 * wave(cos * x + sin * y) * wave(cos * y - sin * x)) as f32
    });
    let t = find_ticks(&chess).unwrap();
    assert!((t.pitch_px - 13.7 * f64::sqrt(2.0)).abs() < 0.1, "{t:?}");
    assert!(t.warnings.iter().any(|w| w.contains("both ways")), "{:?}", t.warnings);
    let rule = find_ticks(&Rule::random(40, 320, 2000.0).picture()).unwrap();
    assert!(!rule.warnings.iter().any(|w| w.contains("both ways")), "{:?}", rule.warnings);
}

#[test]
fn tilt_and_distortion_are_told() {
    let base = Rule { pitch_px: 11.3, angle_deg: 1.5, ..Rule::random(8, 320, 2000.0) };
    let even = find_ticks(&base.picture()).unwrap();
    assert!(even.warnings.is_empty(), "{:?}", even.warnings);
    // The pitch changes by 1 % from one end of the picture to the other.
    let along = find_ticks(&Rule { tilt: [0.005, 0.0], ..base }.picture()).unwrap();
    assert!((along.change[0] / 0.01 - 1.0).abs() < 0.15, "{:?}", along.change);
    assert!(along.warnings.iter().any(|w| w.contains("along the rule")));
    assert!((along.pitch_px / 11.3 - 1.0).abs() < 1e-3, "at the centre");
    let across = find_ticks(&Rule { tilt: [0.0, 0.005], ..base }.picture()).unwrap();
    assert!((across.change[1] / 0.01 - 1.0).abs() < 0.15, "{:?}", across.change);
    assert!(across.warnings.iter().any(|w| w.contains("across the rule")));
    let bent = find_ticks(&Rule { distortion: 0.006, ..base }.picture()).unwrap();
    assert!((bent.curvature / 0.006 - 1.0).abs() < 0.25, "{}", bent.curvature);
    assert!(bent.warnings.iter().any(|w| w.contains("lens distorts")));
    assert!(bent.relative > 3.0 * even.relative, "an uneven pitch is less certain");
}

#[test]
fn the_small_rule_of_the_demo_is_found_where_it_is_named() {
    // 21 ticks of 0.1 mm in brushed metal, on a third of the picture's width.
    let scene = MusicBox::new(&MusicBoxSettings::default()).unwrap();
    let light = scene.view((0.0, 0.0), -5e-3).light;
    match find_ticks(&light) {
        Ok(t) => println!("in the whole picture: {t:?}"),
        Err(e) => assert!(e.to_string().contains("--region"), "{e}"),
    }
    let t = find_ticks(&light.crop(228, 42, 208, 48)).unwrap();
    let truth = 0.1e-3 / scene.pixel_m();
    println!(
        "{:.4} px a tick, truth {truth:.4}; explained {:.3}, slip {:.4}",
        t.pitch_px, t.explained, t.slip
    );
    assert!((t.pitch_px / truth - 1.0).abs() < 3.0 * t.relative + 5e-4, "{t:?}");
    assert!(t.periods > 19.0 && t.slip < 0.01, "{t:?}");
}

#[test]
fn plain_and_natural_pictures_are_refused() {
    let flat = find_ticks(&Plane::filled(200, 200, 7.0)).unwrap_err().to_string();
    assert!(flat.contains("not a rule"), "{flat}");
    assert!(find_ticks(&Plane::filled(20, 200, 7.0)).unwrap_err().to_string().contains("20x200"));
    let few = Rule { pitch_px: 80.0, ..Rule::random(9, 320, 2000.0) };
    assert!(find_ticks(&few.picture()).is_err(), "four periods");
    let textures = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-frames/textures");
    assert_eq!(refused(&textures), 4);
}

/// Refuses all pictures of a folder; returns how many there were.
fn refused(folder: &Path) -> usize {
    let mut count = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if !path.extension().is_some_and(|e| e == "png" || e == "jpg") {
            continue;
        }
        let text = run(&args(&path, KnownLength::Pitch(um(10.0)))).unwrap_err().to_string();
        assert!(text.contains("not a rule"), "{}: {text}", path.display());
        println!("{}: {text}", path.display());
        count += 1;
    }
    count
}

#[test]
fn more_natural_pictures_are_refused() {
    // Ten photographs and micrographs of scikit-image's data set (its licence file names them).
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(DATA);
    if !folder.is_dir() {
        println!("skipped: {} is not there", folder.display());
        return;
    }
    assert!(refused(&folder) >= 8);
}

#[test]
fn the_file_is_what_clips_read() {
    let dir = tempfile::tempdir().unwrap();
    let rule = Rule { pitch_px: 10.0, ..Rule::random(10, 256, 2000.0) };
    let picture = rule.picture();
    let image = dir.path().join("graticule.png");
    let codes = picture.data().iter().map(|v| round_u16(v * 8.0 + 200.0)).collect();
    let frame = hushframe::footage::OutFrame { width: 256, height: 256, channels: 1, data: codes };
    write_bytes(&image, &encode_png16(&frame, None).unwrap()).unwrap();
    let report = run(&args(&image, KnownLength::Pitch(um(10.0)))).unwrap();
    assert!((report.scale.um_per_px - 1.0).abs() < 1e-3, "{:?}", report.scale);
    // 0.1 % either way is 0.058 % (GUM 4.3.7); the ticks themselves add little.
    assert!((report.scale.sigma_um_per_px - 0.00058).abs() < 5e-5, "{:?}", report.scale);
    assert!(report.warnings.iter().any(|w| w.contains("annotated picture")));
    let file = dir.path().join("x10.toml");
    write_bytes(&file, report.scale.to_toml().unwrap().as_bytes()).unwrap();
    let read = read_scale(&file).unwrap();
    assert!((read.um_per_px - report.scale.um_per_px).abs() < 1e-12);
    assert!((read.sigma_um_per_px.unwrap() - report.scale.sigma_um_per_px).abs() < 1e-12);
    assert_eq!(decode(&FrameFile::single(&image)).unwrap().samples.width, 256);
    assert!(run(&args(&dir.path().join("none.png"), KnownLength::Pitch(um(10.0)))).is_err());
}

#[test]
fn drawn_ticks_lie_on_the_ticks() {
    // Under the drawn (green or orange) pixels the rule's dark ticks: much darker than the mean.
    let rule = Rule {
        pitch_px: 16.0,
        angle_deg: 3.0,
        bright_ticks: false,
        thickness: 0.3,
        ..Rule::random(11, 256, 2000.0)
    };
    let picture = rule.picture();
    let asked = args(Path::new("rule.png"), KnownLength::Pitch(um(10.0)));
    let report = measure(&picture, &asked, Path::new("rule.png")).unwrap();
    let drawn = &report.annotated;
    let (mut under, mut inked, mut all) = (0.0, 0.0, 0.0);
    for (rgb, value) in drawn.data.chunks_exact(3).zip(picture.data()) {
        all += f64::from(*value);
        if rgb[0].abs_diff(rgb[2]) > 12_000 || rgb[1].abs_diff(rgb[2]) > 25_000 {
            under += f64::from(*value);
            inked += 1.0;
        }
    }
    let mean = all / picture.data().len() as f64;
    assert!(inked > 200.0, "{inked} pixels are drawn");
    assert!(under / inked < 0.75 * mean, "{} against {mean}", under / inked);
}

#[test]
fn a_tolerance_as_large_as_the_rule_is_refused() {
    // A third of a millimetre of a rule of class III: +- 0.6 mm and more (2004/22/EC, MI-008).
    let rule = Rule { pitch_px: 10.0, ..Rule::random(41, 320, 2000.0) };
    let long = ScaleArgs {
        tolerance: "III".parse().unwrap(),
        ..args(Path::new("rule.png"), KnownLength::Pitch(um(10.0)))
    };
    let why = measure(&rule.picture(), &long, Path::new("rule.png")).unwrap_err().to_string();
    assert!(why.contains("% only") && why.contains("--tolerance"), "{why}");
}

#[test]
fn two_points_by_hand() {
    // L 800 um within 1.5 um over 1598.4 px, each point to 0.5 px: 0.50050 um/px, 0.117 % (GUM
    // 5.1.2, worked by hand).
    let points = ([100.0, 40.0], [100.0 + 1598.4, 40.0]);
    let s = two_points(points, 0.5, um(800.0), Tolerance::Length(um(1.5))).unwrap();
    assert!((s.um_per_px - 0.50050).abs() < 5e-6 && (s.relative - 0.00117).abs() < 5e-6);
    let near = ([0.0; 2], [3.0, 4.0]);
    let text = two_points(near, 0.5, um(1.0), Tolerance::Unknown).unwrap_err().to_string();
    assert!(text.contains("5.0 px apart"), "{text}");
    assert!(two_points(points, 0.0, um(1.0), Tolerance::Unknown).is_err());
    let from = KnownLength::Points {
        from: [20.0, 20.0],
        to: [220.0, 20.0],
        length: um(1e3),
        sigma_px: 0.5,
    };
    let picture = Plane::filled(256, 256, 1.0);
    let report = measure(&picture, &args(Path::new("p.png"), from), Path::new("p.png")).unwrap();
    assert!((report.scale.um_per_px - 5.0).abs() < 1e-12 && report.ticks.is_none());
    let px = |x: usize, y: usize| &report.annotated.data[(y * 256 + x) * 3..][..3];
    assert!(px(120, 20)[2] > px(120, 20)[0], "the line is drawn");
    assert_eq!(px(120, 60)[0], px(120, 60)[2]);
}
