//! Averaging without steadying, and frames that keep their size: from frames on disk to frames on disk.

use std::fs;

use hushframe::frame::Plane;
use hushframe::math::resample::shifted;
use hushframe::math::turn::{Placement, ReadScratch, Reading, Turn};
use rand::SeedableRng;
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution, Normal};

use crate::harness::{Place, read_csv, read_tiff, write_gray};

const SIDE: usize = 160;
const FRAMES: usize = 24;

fn grass() -> Plane {
    let path = format!("{}/test-frames/textures/grass.png", env!("CARGO_MANIFEST_DIR"));
    let picture = image::open(path).unwrap().to_luma8();
    let (w, h) = (picture.width() as usize, picture.height() as usize);
    Plane::from_vec(w, h, picture.into_raw().into_iter().map(f32::from).collect()).unwrap()
}

/// Grass that moves by `by(k)` pixels and turns by `turn(k)` rad in frame k, four times as bright.
fn scenes(by: impl Fn(usize) -> [f64; 2], turn: impl Fn(usize) -> f64) -> Vec<Plane> {
    let grass = grass();
    (0..FRAMES)
        .map(|k| {
            let d = by(k);
            let moved = shifted(&grass, -d[0], -d[1]);
            let middle = [150.0 + (SIDE as f64 - 1.0) / 2.0; 2];
            let turn = Turn { angle: -turn(k), stretch: 0.0 };
            let reading = Reading::new(Placement::about(middle, [0.0; 2], turn));
            let mut out = Plane::filled(SIDE, SIDE, 0.0);
            let mut scratch = ReadScratch::default();
            for y in 0..SIDE {
                let at = (150, 150 + y as isize);
                reading.row((&moved).into(), at, out.row_mut(y), &mut scratch);
            }
            out.data_mut().iter_mut().for_each(|v| *v *= 4.0);
            out
        })
        .collect()
}

/// Writes the scenes, frame k in `light(k)`, with the noise of one electron a DN, black at 100 DN.
fn film(place: &Place, scenes: &[Plane], light: impl Fn(usize) -> f32) {
    fs::create_dir(place.path("clip")).unwrap();
    for (k, scene) in scenes.iter().enumerate() {
        let mut rng = ChaCha12Rng::seed_from_u64(k as u64 + 5);
        let noise = Normal::new(0.0_f32, 1.0).unwrap();
        let sample = |v: &f32| {
            let v = v * light(k);
            (100.0 + v + v.sqrt() * noise.sample(&mut rng)).clamp(0.0, 4095.0).round() as u16
        };
        let data: Vec<u16> = scene.data().iter().map(sample).collect();
        let name = format!("clip/{:06}.tif", k + 1);
        write_gray(&place.path(&name), (SIDE as u32, SIDE as u32), &data);
    }
}

/// Runs stages after `dark` on the clip, and gives the finished frames in DN above black.
fn finished(place: &Place, stages: &str) -> Vec<Plane> {
    let text = format!("name = \"p\"\n[[stage]]\nuse = \"dark\"\n{stages}");
    place.write("p.toml", &text);
    let args = ["run", "clip", "--pipeline", "p.toml", "--out", "out", "--no-preview"];
    let facts = ["--black", "100", "--white", "4095", "--rate", "1000"];
    place.run(&[&args[..], &facts[..]].concat()).expect(0, &["frames made"]);
    (0..FRAMES)
        .map(|k| {
            let name = format!("out/clip/frames/{:06}.tif", k + 1);
            let ((w, h), _, data) = read_tiff(&place.path(&name));
            let values = data.into_iter().map(|v| (f32::from(v) - 256.0) / 16.0).collect();
            Plane::from_vec(w as usize, h as usize, values).unwrap()
        })
        .collect()
}

/// Root mean square of the differences, over the places wanted.
fn rms(a: &Plane, b: &Plane, wanted: impl Fn(usize, usize) -> bool) -> f32 {
    let (mut sum, mut n) = (0.0, 0.0);
    for y in 0..SIDE {
        for x in (0..SIDE).filter(|&x| wanted(x, y)) {
            sum += (a.at(x, y) - b.at(x, y)).powi(2);
            n += 1.0;
        }
    }
    (sum / n).sqrt()
}

/// Whether a place is among the outermost `n` pixels.
fn rim(n: usize) -> impl Fn(usize, usize) -> bool {
    move |x, y| x.min(y).min(SIDE - 1 - x).min(SIDE - 1 - y) < n
}

const AVERAGE: &str = "[[stage]]\nuse = \"average\"\n";

#[test]
fn what_drifts_is_averaged_to_its_edges() {
    let place = Place::new();
    let scenes = scenes(|k| [0.6 * k as f64, -0.35 * k as f64], |_| 0.0);
    let light = |k: usize| 1.0 + 0.25 * (1.9 * k as f32).sin();
    film(&place, &scenes, light);
    let out = finished(&place, AVERAGE);
    for (k, (out, scene)) in out.iter().zip(&scenes).enumerate() {
        let mut truth = scene.clone();
        truth.data_mut().iter_mut().for_each(|v| *v *= light(k));
        let noise = truth.data().iter().sum::<f32>() / (SIDE * SIDE) as f32;
        let (all, edge) = (rms(out, &truth, |_, _| true), rms(out, &truth, rim(3)));
        println!("{k}: {all:.1} and {edge:.1} of {:.1} DN", noise.sqrt());
        // The first and last frames have neighbours on one side only.
        assert!(all < 0.75 * noise.sqrt() && edge < noise.sqrt(), "{k}: {all} {edge}");
    }
}

#[test]
fn what_turns_is_averaged_and_turned_back() {
    let place = Place::new();
    let scenes =
        scenes(|k| [0.3 * (1.1 * k as f64).sin(), 0.0], |k| 0.008 * (0.7 * k as f64).sin());
    film(&place, &scenes, |_| 1.0);
    let out = finished(&place, AVERAGE);
    let rows = read_csv(&place.path("out/clip/frames.csv"));
    let most = rows.iter().map(|r| r["rotation_mrad"].parse::<f32>().unwrap().abs());
    assert!(most.fold(0.0, f32::max) > 4.0, "no turn was found");
    for (k, (out, truth)) in out.iter().zip(&scenes).enumerate() {
        let noise = (truth.data().iter().sum::<f32>() / (SIDE * SIDE) as f32).sqrt();
        let corner = |x: usize, y: usize| x.min(SIDE - 1 - x) < 24 && y.min(SIDE - 1 - y) < 24;
        let (all, edge) = (rms(out, truth, |_, _| true), rms(out, truth, corner));
        println!("{k}: {all:.1} and {edge:.1} of {noise:.1} DN");
        assert!(all < 0.7 * noise && edge < noise, "{k}: {all} {edge}");
    }
}

#[test]
fn what_no_frame_saw_is_black_with_and_without_averaging() {
    let scenes = scenes(|k| [0.6 * k as f64 + 0.003, 0.003], |_| 0.0);
    for (stages, seen_by_all) in [("", false), (AVERAGE, true)] {
        let place = Place::new();
        film(&place, &scenes, |_| 1.0);
        let fill = "[[stage]]\nuse = \"steady\"\nedges = \"fill\"\n";
        let out = finished(&place, &format!("{stages}{fill}"));
        let rows = read_csv(&place.path("out/clip/frames.csv"));
        let shift: Vec<f32> = rows.iter().map(|r| r["shift_x_px"].parse().unwrap()).collect();
        for (k, out) in out.iter().enumerate() {
            // Column x shows column x + shift of the frame, to half a pixel beyond its middle.
            let unseen = |x: usize| {
                let at = x as f32 + shift[k];
                !(-0.5..=SIDE as f32 - 0.5).contains(&at)
            };
            for x in 0..SIDE {
                let black = (40..120).all(|y| out.at(x, y).abs() < 0.1);
                let expected = unseen(x) && !seen_by_all;
                assert_eq!(black, expected, "{stages:?} frame {k} column {x}");
            }
        }
    }
}
