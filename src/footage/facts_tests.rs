//! Tests of [`super`]: facts that are read, put together, and refused.

use super::super::toml_text::toml_fault;
use super::*;

fn read(text: &str) -> Result<FactsFile, String> {
    let path = Path::new("comb/clip.toml");
    toml::from_str(text).map_err(|e| toml_fault(path, text, &e).to_string())
}

fn refusal(text: &str) -> String {
    read(text).unwrap_err()
}

const ALL: &str = "rate = \"30000/1001\"\nplayback = 25\nexposure = \"50us\"\n\
    magnification = 10\npixel_pitch = \"10um\"\nscale = \"1.003um\"\ntrigger_frame = 12\n\
    mosaic = \"RGGB\"\nblack = 64.5\nwhite = 4095\nmains = 50\n\
    row_time = \"5us\"\nbinning = 2\n";

#[test]
fn every_key_is_read() {
    let f = read(ALL).unwrap();
    assert_eq!(f.rate, FrameRate::new(30_000, 1001));
    assert_eq!(f.playback, FrameRate::new(25, 1));
    assert_eq!(f.exposure, Duration::from_s(50.0 * 1e-6));
    assert_eq!(f.magnification, Some(10.0));
    assert!(matches!(f.scale, Some(ScaleText::Length(l)) if (l.um() - 1.003).abs() < 1e-9));
    assert_eq!((f.trigger_frame, f.mosaic), (Some(12), Some(Mosaic::Rggb)));
    assert_eq!((f.black, f.white, f.mains), (Some(64.5), Some(4095.0), Some(Mains::Hz50)));
    assert_eq!((f.row_time, f.binning), (Duration::from_s(5.0 * 1e-6), Some(2)));
    assert_eq!(read("").unwrap(), FactsFile::default());
}

#[test]
fn mistakes_name_file_line_and_key() {
    let text = refusal("playback = 25\nrate = 0\n");
    assert!(text.starts_with("comb/clip.toml:2: rate: "), "{text}");
    assert!(text.contains("must be above zero"), "{text}");
    for (line, parts) in [
        ("pixel-pitch = \"10um\"", &["pixel-pitch", "pixel_pitch"][..]),
        ("pixel_pitch = 10", &["pixel_pitch: ", "no unit"]),
        ("exposure = \"fast\"", &["exposure: ", "50us"]),
        ("magnification = 0", &["magnification: ", "above zero"]),
        ("magnification = nan", &["magnification: ", "above zero"]),
        ("mains = 55", &["mains: ", "50 or 60"]),
        ("mosaic = \"RGB\"", &["mosaic: ", "RGGB"]),
        ("scale = \"1.003\"", &["scale: ", ".toml file"]),
        ("trigger_frame = -1", &["trigger_frame: "]),
        ("black = inf", &["black: ", "not finite"]),
        ("row_time = 5", &["row_time: ", "no unit"]),
        ("binning = 0", &["binning: ", "1 to 16"]),
        ("rate = ", &["clip.toml:1: rate"]),
    ] {
        let text = refusal(line);
        assert!(text.starts_with("comb/clip.toml:1"), "{text}");
        assert!(parts.iter().all(|p| text.contains(p)), "{line}: {text}");
        assert!(!text.contains('\n'), "{text}");
    }
}

#[test]
fn the_higher_place_wins_fact_by_fact() {
    let facts = |text: &str, source| read(text).unwrap().resolve(&source, Path::new(".")).unwrap();
    let merged = Facts::merge([
        facts("rate = 5000", FactSource::Option),
        facts("rate = 4000\nplayback = 25", FactSource::Shoot),
        facts("rate = 3000\nplayback = 30\nmains = 60", FactSource::Clip),
        Facts {
            exposure: Fact::of(
                Duration::from_s(1e-4),
                &FactSource::Exif("ExposureTime".to_owned()),
            ),
            ..Facts::default()
        },
    ]);
    let source = |f: Option<FactSource>| f.unwrap().to_string();
    assert_eq!(merged.rate.clone().unwrap().value, FrameRate::new(5000, 1).unwrap());
    assert_eq!(source(merged.rate.map(|f| f.source)), "option");
    assert_eq!(source(merged.playback.map(|f| f.source)), "shoot.toml");
    assert_eq!(source(merged.mains.map(|f| f.source)), "clip.toml");
    assert_eq!(source(merged.exposure.map(|f| f.source)), "exif ExposureTime");
}

#[test]
fn the_scale_is_computed_only_where_none_was_given() {
    let complete = |text: &str| {
        let facts = read(text).unwrap().resolve(&FactSource::Clip, Path::new(".")).unwrap();
        facts.complete().unwrap()
    };
    let (f, w) = complete("magnification = 10\npixel_pitch = \"10um\"");
    let scale = f.scale.unwrap();
    assert!((scale.value.um_per_px - 1.0).abs() < 1e-12);
    assert_eq!((scale.value.sigma_um_per_px, scale.source), (None, FactSource::Computed));
    assert!(w.is_empty());
    let (f, w) = complete("scale = \"2um\"\nmagnification = 10\npixel_pitch = \"10um\"");
    assert!((f.scale.unwrap().value.um_per_px - 2.0).abs() < 1e-12);
    assert_eq!(w[0].kind, "scale-disagrees");
    assert!(complete("magnification = 10").0.scale.is_none());
    // 2 x 2 pixels of the sensor read as one are twice as far apart.
    let (f, _) = complete("magnification = 10\npixel_pitch = \"10um\"\nbinning = 2");
    assert!((f.scale.unwrap().value.um_per_px - 2.0).abs() < 1e-12);
    // EXIF speaks of the picture's own pixels.
    let mut f = Facts { magnification: f.magnification, binning: f.binning, ..Facts::default() };
    let exif = FactSource::Exif("FocalPlaneXResolution".to_owned());
    f.pixel_pitch = Fact::of(Length::from_um(20.0), &exif);
    assert!((f.complete().unwrap().0.scale.unwrap().value.um_per_px - 2.0).abs() < 1e-12);
}

#[test]
fn facts_that_cannot_be_are_noticed() {
    let facts =
        |text: &str| read(text).unwrap().resolve(&FactSource::Clip, Path::new(".")).unwrap();
    let text = facts("black = 100\nwhite = 100").complete().unwrap_err().to_string();
    assert!(text.contains("white (clip.toml)") && text.contains("100 DN"), "{text}");
    let (_, w) = facts("rate = 5000\nexposure = \"250us\"").complete().unwrap();
    assert_eq!(w[0].kind, "exposure-longer-than-frame");
    let (_, w) = facts("rate = 5000\nexposure = \"200us\"").complete().unwrap();
    assert!(w.is_empty());
}

#[test]
fn records_give_the_facts_back() {
    let facts = read(ALL).unwrap().resolve(&FactSource::Shoot, Path::new(".")).unwrap();
    let json = serde_json::to_string(&facts).unwrap();
    assert!(json.contains("\"rate\":{\"value\":\"30000/1001\",\"source\":\"shoot.toml\"}"));
    assert!(json.contains("\"mains\":{\"value\":50"), "{json}");
    let back: Facts = serde_json::from_str(&json).unwrap();
    assert_eq!((back.rate, back.mosaic, back.mains), (facts.rate, facts.mosaic, facts.mains));
    assert_eq!(FactSource::from("exif A".to_owned()), FactSource::Exif("A".to_owned()));
}

#[test]
fn clip_toml_is_optional_but_not_ignored() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("1.pgm"), b"P5 1 1 255\n\x07").unwrap();
    let clip = super::super::find(dir.path()).unwrap();
    assert_eq!(FactsFile::of_clip(&clip).unwrap(), None);
    fs::write(dir.path().join("clip.toml"), "rate = 5000\n").unwrap();
    assert_eq!(FactsFile::of_clip(&clip).unwrap().unwrap().rate, FrameRate::new(5000, 1));
    fs::write(dir.path().join("clip.toml"), "rate 5000\n").unwrap();
    assert!(FactsFile::of_clip(&clip).unwrap_err().to_string().contains("clip.toml:1"));
}

#[test]
fn options_parse_from_text() {
    assert_eq!("60 Hz".parse::<Mains>().unwrap(), Mains::Hz60);
    assert!("55".parse::<Mains>().is_err());
    assert_eq!(parse_mosaic("grbg").unwrap(), Mosaic::Grbg);
    assert!(parse_mosaic("RGBG").is_err());
    let file = "refs/x10.toml".parse::<ScaleText>().unwrap();
    assert_eq!(file, ScaleText::File(PathBuf::from("refs/x10.toml")));
}
