//! Darks of another exposure or temperature, against a simulated sensor whose hot pixels are known.

use std::fs;

use hushframe::frame::{Layout, Plane, Samples};
use hushframe::sensor::rescale::rescaled;
use hushframe::sensor::{MasterDark, StackOptions, collect};
use hushframe::simulate::sensor::{Exposure, Sensor, SensorSettings};

use crate::harness::{Place, read_json, write_gray};

const SIZE: (usize, usize) = (160, 128);

/// A sensor whose hot pixels have this many electrons; everything else is the same.
fn sensor(hot_e: f64) -> Sensor {
    let settings = SensorSettings {
        hot_fraction: 4e-3,
        blink_fraction: 0.0,
        hot_e,
        ..SensorSettings::default()
    };
    Sensor::new(&settings, SIZE).unwrap()
}

fn master(sensor: &Sensor) -> MasterDark {
    let read = |k: usize| Ok::<_, String>(sensor.dark(u32::try_from(k).unwrap()));
    MasterDark::from_stack(&collect(64, read, &StackOptions::default()).unwrap(), None).unwrap()
}

/// Soft texture and a few edges.
fn scene() -> Plane {
    Plane::from_fn(SIZE.0, SIZE.1, |x, y| {
        let edge = if (x / 23 + y / 31) % 2 == 0 { 0.25 } else { 0.0 };
        0.4 + 0.2 * (x as f32 / 5.0).sin() * (y as f32 / 7.0).cos() + edge
    })
}

/// Mean of 16 frames of the scene.
fn mean(sensor: &Sensor) -> Plane {
    let scene = scene();
    let mut sum = Plane::filled(SIZE.0, SIZE.1, 0.0);
    for k in 0..16 {
        let frame = sensor.expose(&scene, 1.0, Exposure::Clip(k));
        for (s, v) in sum.data_mut().iter_mut().zip(&frame.data) {
            *s += f32::from(*v) / 16.0;
        }
    }
    sum
}

/// Rms error of the level at hot pixels against a master of the clip's own kind, in DN.
fn error(dark: &MasterDark, own: &MasterDark, hot: &[usize]) -> f64 {
    let of = |m: &MasterDark, at: usize| f64::from(m.level[0].data()[at]);
    let sum: f64 = hot.iter().map(|&at| (of(dark, at) - of(own, at)).powi(2)).sum();
    (sum / hot.len() as f64).sqrt()
}

#[test]
fn hot_pixels_of_the_clip_tell_the_factor_and_the_level_follows() {
    let dark = master(&sensor(150.0));
    for factor in [0.6, 1.5, 1.9] {
        let clip = sensor(150.0 * factor);
        let found = rescaled(&dark, &[mean(&clip)], Layout::Mono, true).unwrap().unwrap();
        let scale = found.scaled.unwrap();
        println!("{factor}: {scale:?}");
        let off = (scale.factor - factor).abs();
        assert!(off < 3.5 * scale.sigma && scale.sigma < 0.05, "{factor}: {scale:?}");
        let own = master(&clip);
        let (before, after) = (error(&dark, &own, clip.hot()), error(&found, &own, clip.hot()));
        assert!(after < 0.15 * before, "{factor}: {before} to {after} DN");
        assert!(found.sigma() > dark.sigma());
    }
}

#[test]
fn the_same_stays_the_same_and_what_is_far_off_is_refused() {
    let dark = master(&sensor(150.0));
    let same = mean(&sensor(150.0));
    assert_eq!(rescaled(&dark, &[same], Layout::Mono, false).unwrap(), None);
    for (hot, number) in [(20.0, "0.1"), (500.0, "3.")] {
        let text = rescaled(&dark, &[mean(&sensor(hot))], Layout::Mono, true).unwrap_err();
        let text = text.to_string();
        assert!(text.contains(number) && text.contains("0.5 to 2"), "{text}");
    }
    let clean = SensorSettings::clean();
    let none = Sensor::new(&clean, SIZE).unwrap();
    let dark = master(&none);
    let text = rescaled(&dark, &[mean(&none)], Layout::Mono, true).unwrap_err().to_string();
    assert!(text.contains("too few"), "{text}");
    assert_eq!(rescaled(&dark, &[mean(&none)], Layout::Mono, false).unwrap(), None);
}

fn write(place: &Place, folder: &str, frames: impl Iterator<Item = Samples>) {
    fs::create_dir_all(place.path(folder)).unwrap();
    for (k, f) in frames.enumerate() {
        let size = (SIZE.0 as u32, SIZE.1 as u32);
        write_gray(&place.path(&format!("{folder}/{k:04}.tif")), size, &f.data);
    }
}

#[test]
fn a_run_scales_the_dark_and_the_record_says_by_how_much() {
    let place = Place::new();
    let cold = sensor(150.0);
    write(&place, "black", (0..32).map(|k| cold.dark(k)));
    for (name, factor) in [("warm", 1.5), ("hot", 4.0)] {
        let clip = sensor(150.0 * factor);
        write(&place, name, (0..12).map(|k| clip.expose(&scene(), 1.0, Exposure::Clip(k))));
    }
    place.write("black/clip.toml", "exposure = \"4ms\"\n");
    let text = "name = \"d\"\n[[stage]]\nuse = \"dark\"\n";
    place.write("d.toml", text);
    let run = |clip: &str, exposure: &str| {
        let args = ["run", clip, "--dark", "black", "--pipeline", "d.toml", "--no-preview"];
        let facts = ["--exposure", exposure, "--black", "160", "--white", "4095", "--out", "out"];
        place.run(&[&args[..], &facts[..]].concat())
    };
    run("warm", "6ms").expect(0, &["1.49", "times the dark current"]);
    let record = read_json(&place.path("out/warm/record.json"));
    let scale = &record["references"]["dark"]["scaled"];
    let factor = scale["factor"].as_f64().unwrap();
    assert!((factor - 1.5).abs() < 0.1, "{scale}");
    assert!(scale["scaled"].as_u64().unwrap() > 50, "{scale}");
    // Another temperature at the same exposure looks the same.
    fs::remove_dir_all(place.path("out/warm")).unwrap();
    run("warm", "4ms").expect(0, &["times the dark current"]);
    run("hot", "6ms").expect(2, &["dark reference", "not within 0.5 to 2", "take darks"]);
    let args = ["check", "warm", "--dark", "black", "--exposure", "6ms", "--pipeline", "d.toml"];
    place.run(&args).expect(0, &["scaled by the clip's hot pixels"]);
}

#[test]
fn other_darks_of_short_exposures_and_drifting_ones_are_told() {
    let place = Place::new();
    let cold = sensor(150.0);
    write(&place, "black", (0..32).map(|k| cold.dark(k)));
    // The level climbs by 2 DN a frame; noise is some 30 DN.
    let risen = |k: u32, v: u16| v + u16::try_from(2 * k).unwrap();
    write(
        &place,
        "drifting",
        (0..32).map(|k| {
            let mut dark = cold.dark(k);
            dark.data.iter_mut().for_each(|v| *v = risen(k, *v));
            dark
        }),
    );
    for (name, factor) in [("same", 1.0), ("hot", 4.0)] {
        let clip = sensor(150.0 * factor);
        write(&place, name, (0..12).map(|k| clip.expose(&scene(), 1.0, Exposure::Clip(k))));
    }
    place.write("d.toml", "name = \"d\"\n[[stage]]\nuse = \"dark\"\n");
    let run = |clip: &str, dark: &str| {
        let args = ["run", clip, "--dark", dark, "--pipeline", "d.toml", "--no-preview"];
        let facts = ["--exposure", "0.2ms", "--black", "160", "--white", "4095", "--out", "out"];
        place.run(&[&args[..], &facts[..]].concat()).expect(0, &[]);
        let record = read_json(&place.path(&format!("out/{clip}/record.json")));
        assert!(record["references"]["dark"]["scaled"].is_null(), "{record}");
        let said = record["warnings"].as_array().unwrap().iter();
        said.map(|w| format!("{}: {}", w["kind"], w["text"])).collect::<Vec<_>>().join("\n")
    };
    let said = run("same", "black");
    assert!(!said.contains("dark-current") && !said.contains("dark-drift"), "{said}");
    let said = run("hot", "black");
    assert!(said.contains("dark-current") && said.contains("used as they are"), "{said}");
    let said = run("same", "drifting");
    assert!(said.contains("dark-drift") && said.contains("changes by +"), "{said}");
}
