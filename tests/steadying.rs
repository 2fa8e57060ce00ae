//! Steadying from frames on disk to frames on disk: moves that are kept, backgrounds named by
//! hand, and clips that cannot be steadied.

use std::fs;
use std::path::Path;

use hushframe::frame::{Coding, FixedPlane, NoiseModel, Plane};
use hushframe::math::resample::shifted;
use hushframe::register::{PixelNoise, RegisterSettings, anchor, block};
use rand::SeedableRng;
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution, Normal};

use crate::harness::{Place, assert_same, names, read_csv, read_json, read_tiff, write_gray};

const SIDE: usize = 160;
const FRAMES: usize = 72;
const PAN: [f64; 2] = [0.4, -0.3];

fn texture(name: &str) -> Plane {
    let path = format!("{}/test-frames/textures/{name}.png", env!("CARGO_MANIFEST_DIR"));
    let picture = image::open(path).unwrap().to_luma8();
    let (w, h) = (picture.width() as usize, picture.height() as usize);
    Plane::from_vec(w, h, picture.into_raw().into_iter().map(f32::from).collect()).unwrap()
}

/// A pan of half a pixel a frame, trembling.
fn truth(k: usize) -> [f64; 2] {
    let t = k as f64;
    [PAN[0] * t + 0.5 * (0.86 * t).sin(), PAN[1] * t + 0.4 * (1.3 * t).sin()]
}

/// Writes frames 1 to `n` of what `picture` gives, with the noise of one electron a DN,
/// black at 100 DN.
fn clip(place: &Place, n: usize, picture: impl Fn(usize, usize, usize) -> f32) {
    fs::create_dir(place.path("clip")).unwrap();
    for k in 0..n {
        let mut rng = ChaCha12Rng::seed_from_u64(k as u64 + 5);
        let noise = Normal::new(0.0_f32, 1.0).unwrap();
        let data: Vec<u16> = (0..SIDE * SIDE)
            .map(|i| {
                let v = picture(k, i % SIDE, i / SIDE);
                (100.0 + v + v.sqrt() * noise.sample(&mut rng)).clamp(0.0, 4095.0).round() as u16
            })
            .collect();
        let name = format!("clip/{:06}.tif", k + 1);
        write_gray(&place.path(&name), (SIDE as u32, SIDE as u32), &data);
    }
}

fn panned(place: &Place) {
    let grass = texture("grass");
    let moved: Vec<Plane> = (0..FRAMES)
        .map(|k| {
            let p = truth(k);
            shifted(&grass, -p[0], -p[1])
        })
        .collect();
    clip(place, FRAMES, |k, x, y| 4.0 * moved[k].at(x + 150, y + 150));
}

const FACTS: [&str; 6] = ["--black", "100", "--white", "4095", "--playback", "25"];

fn run(place: &Place, out: &str, more: &[&str]) {
    let mut args = vec!["run", "clip", "--out", out];
    args.extend(FACTS);
    args.extend(more);
    place.run(&args).expect(0, &["frames made"]);
}

/// Where the scene lies in the finished frames, by registering them.
fn seen(frames: &Path) -> Vec<[f64; 2]> {
    let planes: Vec<FixedPlane> = names(frames)
        .iter()
        .map(|n| {
            let ((w, h), _, data) = read_tiff(&frames.join(n));
            let values = data.into_iter().map(|v| f32::from(v) / 16.0).collect();
            let p = Plane::from_vec(w as usize, h as usize, values).unwrap();
            FixedPlane::from_plane(&p, None, Coding::for_white(4095.0))
        })
        .collect();
    let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1e9, read_noise_e: 2e10 });
    let mut out = Vec::new();
    let list: Vec<_> = planes.iter().map(Some).collect();
    // Two blocks, tied together.
    let half = list.len() / 2;
    let first = block::register(&list[..half], &noise, &RegisterSettings::default()).unwrap();
    let second = block::register(&list[half..], &noise, &RegisterSettings::default()).unwrap();
    let anchor = anchor::anchor(&second, &first, &noise).unwrap();
    out.extend(first.poses.iter().map(|p| p.unwrap().shift));
    out.extend(second.poses.iter().map(|p| anchor.apply(&p.unwrap()).shift));
    out
}

/// Root mean square distance of a path from the pan, a constant offset removed.
fn off_the_pan(path: &[[f64; 2]]) -> f64 {
    let n = path.len() as f64;
    let mut total = 0.0;
    for (a, pan) in PAN.iter().enumerate() {
        let d: Vec<f64> = path.iter().enumerate().map(|(k, p)| p[a] - pan * k as f64).collect();
        let mean = d.iter().sum::<f64>() / n;
        total += d.iter().map(|v| (v - mean).powi(2)).sum::<f64>();
    }
    (total / n).sqrt()
}

#[test]
fn a_slow_pan_is_kept_without_its_tremble() {
    let place = Place::new();
    panned(&place);
    let steady =
        "name = \"k\"\n[[stage]]\nuse = \"dark\"\n[[stage]]\nuse = \"steady\"\npath = \"keep\"\n";
    place.write("single.toml", steady);
    let average = "[[stage]]\nuse = \"average\"\nframes = 9\n";
    place.write(
        "averaged.toml",
        &steady.replace(
            "[[stage]]\nuse = \"steady\"",
            &format!("{average}[[stage]]\nuse = \"steady\""),
        ),
    );
    for name in ["single", "averaged"] {
        let file = format!("{name}.toml");
        run(&place, name, &["--pipeline", &file]);
        let path = seen(&place.path(&format!("{name}/clip/frames")));
        let off = off_the_pan(&path);
        println!("{name}: {off:.4} px rms off the pan");
        assert!(off < 0.05, "{name}: {off}");
        let record = read_json(&place.path(&format!("{name}/clip/record.json")));
        assert_eq!(record["registration"]["motion"]["kind"], "move");
        assert_eq!(record["registration"]["path"], "keep");
        // A range alone has the same bits.
        let part = format!("{name}-part");
        run(&place, &part, &["--pipeline", &file, "--frames", "29-41"]);
        for n in names(&place.path(&format!("{part}/clip/frames"))) {
            let read = |out: &str| fs::read(place.path(&format!("{out}/clip/frames/{n}"))).unwrap();
            assert!(read(&part) == read(name), "{name}: frame {n} differs");
        }
    }
    // Locked off, the move is taken out and said.
    place.write("lock.toml", &steady.replace("keep", "lock"));
    run(&place, "lock", &["--pipeline", "lock.toml"]);
    let record = read_json(&place.path("lock/clip/record.json"));
    assert!(record["warnings"].to_string().contains("camera-move"), "{record}");
    let path = seen(&place.path("lock/clip/frames"));
    let still = path.iter().map(|p| p[0].abs().max(p[1].abs())).fold(0.0, f64::max);
    assert!(still < 0.1, "{still}");
}

#[test]
fn a_label_without_room_in_what_all_frames_saw_leaves_the_frames_their_size() {
    let place = Place::new();
    let brick = texture("brick");
    let moved: Vec<Plane> = (0..64_u8).map(|k| shifted(&brick, f64::from(k), 0.0)).collect();
    clip(&place, 64, |k, x, y| 4.0 * moved[k].at(x + 40, y + 150));
    let steady = "name = \"l\"\n[[stage]]\nuse = \"dark\"\n[[stage]]\nuse = \"steady\"\n\
                  [[stage]]\nuse = \"display\"\n";
    place.write("bare.toml", steady);
    let caption = "[[stage]]\nuse = \"caption\"\nrates = \"both\"\n";
    place.write("labelled.toml", &format!("{steady}{caption}"));
    let rate = ["--rate", "5000", "--pipeline"];
    let size = |out: &str| read_tiff(&place.path(&format!("{out}/clip/frames/000001.tif"))).0;
    run(&place, "bare", &[&rate[..], &["bare.toml"]].concat());
    assert!((80..104).contains(&size("bare").0), "{:?}", size("bare"));
    run(&place, "labelled", &[&rate[..], &["labelled.toml"]].concat());
    assert_eq!(size("labelled"), (160, 160));
    let warnings = read_json(&place.path("labelled/clip/record.json"))["warnings"].to_string();
    assert!(warnings.contains("uncropped") && warnings.contains("needs"), "{warnings}");
}

#[test]
fn a_move_cannot_be_kept_without_the_playback_rate() {
    let place = Place::new();
    clip(&place, 3, |_, x, y| ((x * 7 + y * 3) % 200) as f32);
    place.write(
        "k.toml",
        "name = \"k\"\n[[stage]]\nuse = \"dark\"\n[[stage]]\nuse = \"steady\"\npath = \"keep\"\n",
    );
    place.run(&["run", "clip", "--pipeline", "k.toml"]).expect(2, &["playback rate", "lock"]);
}

#[test]
fn what_cannot_be_steadied_is_rendered_as_it_is_and_marked() {
    let place = Place::new();
    clip(&place, 12, |_, _, _| 40.0);
    place.write("s.toml", "name = \"s\"\n[[stage]]\nuse = \"dark\"\n[[stage]]\nuse = \"steady\"\n");
    run(&place, "out", &["--pipeline", "s.toml"]);
    let rows = read_csv(&place.path("out/clip/frames.csv"));
    assert_eq!(rows.len(), 12);
    assert!(rows.iter().all(|r| r["status"] == "low-confidence"), "{rows:?}");
    let record = read_json(&place.path("out/clip/record.json"));
    assert_eq!(record["registration"]["locked"], false);
    let warnings = record["warnings"].to_string();
    assert!(warnings.contains("no-lock") && warnings.contains("--region"), "{warnings}");
    // Unsteadied: every pixel where it was, 16 output DN an input DN.
    for k in [1, 12] {
        let (size, _, from) = read_tiff(&place.path(&format!("clip/{k:06}.tif")));
        let (out_size, _, to) = read_tiff(&place.path(&format!("out/clip/frames/{k:06}.tif")));
        assert_eq!(size, out_size);
        let right = |(a, b): (&u16, &u16)| f64::from(*b) - (256.0 + 16.0 * (f64::from(*a) - 100.0));
        assert!(from.iter().zip(&to).all(|p| right(p).abs() < 1.0), "frame {k}");
    }
}

#[test]
fn the_background_can_be_named_by_hand() {
    let place = Place::new();
    // Left of column 64 the scene stands still, the larger rest moves by half a pixel a frame.
    let (back, front) = (texture("brick"), texture("gravel"));
    let moved: Vec<Plane> = (0..16_u8).map(|k| shifted(&front, -0.5 * f64::from(k), 0.0)).collect();
    clip(&place, 16, |k, x, y| {
        4.0 * if x < 64 { back.at(x + 99, y + 99) } else { moved[k].at(x + 99, y + 99) }
    });
    let last = |out: &str| -> f64 {
        read_csv(&place.path(&format!("{out}/clip/frames.csv")))[15]["shift_x_px"].parse().unwrap()
    };
    place.write("s.toml", "name = \"s\"\n[[stage]]\nuse = \"dark\"\n[[stage]]\nuse = \"steady\"\n");
    run(&place, "found", &["--pipeline", "s.toml"]);
    assert!((last("found") - 7.5).abs() < 0.1, "{}", last("found"));
    run(&place, "named", &["--pipeline", "s.toml", "--region", "0,0,64,160"]);
    assert!(last("named").abs() < 0.1, "{}", last("named"));
    run(&place, "not", &["--pipeline", "s.toml", "--exclude-region", "64,0,96,160"]);
    assert!(last("not").abs() < 0.1, "{}", last("not"));
    // The same in the pipeline gives the same.
    let text = "name = \"s\"\n[[stage]]\nuse = \"dark\"\n[[stage]]\nuse = \"steady\"\ninclude = [[0, 0, 64, 160]]\n";
    fs::write(place.path("s.toml"), text).unwrap();
    run(&place, "written", &["--pipeline", "s.toml"]);
    assert_same(&place.path("named"), &place.path("written"));
    for (words, args) in [
        ("is not a region", &["--region", "1,2,3"][..]),
        ("is not a region", &["--region", "1,2,0,4"]),
        ("inside of the frame", &["--region", "500,0,10,10"]),
        ("include", &["--region", "0,0,99999999,4"]),
    ] {
        let mut all = vec!["run", "clip", "--out", "bad", "--pipeline", "s.toml"];
        all.extend(args);
        place.run(&all).expect(2, &[words]);
    }
    place.write("none.toml", "name = \"n\"\n[[stage]]\nuse = \"dark\"\n");
    place
        .run(&["run", "clip", "--out", "bad", "--pipeline", "none.toml", "--region", "0,0,9,9"])
        .expect(2, &["no stage steady"]);
}
