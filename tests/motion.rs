//! `measure` as a person runs it, on simulated footage whose motion is a formula.

use std::f64::consts::{PI, TAU};
use std::fs;
use std::path::Path;

use hushframe::footage::{FrameFile, decode};
use hushframe::frame::convert::{round_u16, to_f32};
use hushframe::optics::Tine;
use hushframe::simulate::Scene;
use hushframe::simulate::part::{Course, MovingPart, PartSettings};
use hushframe::simulate::texture::grain;
use hushframe::simulate::textured::{DiscSettings, Ring, Textured};
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, Poisson, StandardNormal};
use serde_json::Value;

use crate::harness::{Place, kept, names, read_csv, read_json, tree, write_gray};

const SIZE: (usize, usize) = (160, 128);
/// The part: left, top, width, height; and a region inside it.
const PART: [f64; 4] = [50.0, 36.0, 56.0, 48.0];
const REGION: &str = "58,44,40,32";
/// Electrons at white, read noise, DN an electron, black level.
const PEAK: f64 = 400.0;
const READ: f64 = 6.0;
const PER_E: f64 = 4.0;
const BLACK: f64 = 100.0;

/// A clip to be filmed.
struct Take {
    course: Course,
    rate: u32,
    frames: u32,
    /// Frame at which time 0 is; counted from 1.
    trigger: u32,
    row_time_s: f64,
    seed: u64,
}

impl Take {
    fn new(course: Course, rate: u32, frames: u32) -> Self {
        Self { course, rate, frames, trigger: 1, row_time_s: 0.0, seed: 1 }
    }

    /// Films it into a folder, with a rig that drifts and trembles by half a pixel.
    fn film(&self, folder: &Path) {
        let scene = MovingPart::new(&PartSettings {
            size: SIZE,
            part: PART,
            course: self.course.clone(),
            row_time_s: self.row_time_s,
            seed: 40 + self.seed,
        })
        .unwrap();
        self.film_scene(folder, &scene);
    }

    /// The same of another scene.
    fn film_scene(&self, folder: &Path, scene: &dyn Scene) {
        fs::create_dir_all(folder).unwrap();
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed);
        for k in 1..=self.frames {
            let t = (f64::from(k) - f64::from(self.trigger)) / f64::from(self.rate);
            let n = f64::from(k);
            let rig = (0.5 * libm::sin(0.31 * n) + 0.004 * n, 0.4 * libm::sin(0.23 * n));
            let light = scene.view(rig, t).light;
            let data: Vec<u16> = light
                .data()
                .iter()
                .map(|&v| {
                    let mean = (f64::from(v) * PEAK).max(1e-6);
                    let shot: f64 = Poisson::new(mean).unwrap().sample(&mut rng);
                    let read: f64 = StandardNormal.sample(&mut rng);
                    round_u16(to_f32(PER_E * (shot + READ * read) + BLACK))
                })
                .collect();
            let (w, h) = (u32::try_from(SIZE.0).unwrap(), u32::try_from(SIZE.1).unwrap());
            write_gray(&folder.join(format!("{k:05}.tif")), (w, h), &data);
        }
        let rows = if self.row_time_s > 0.0 {
            format!("row_time = \"{}us\"\n", self.row_time_s * 1e6)
        } else {
            String::new()
        };
        let facts = format!(
            "rate = {}\nplayback = 25\nscale = \"10um\"\nblack = {BLACK}\nwhite = 4095\n\
             trigger_frame = {}\n{rows}",
            self.rate, self.trigger
        );
        fs::write(folder.join("clip.toml"), facts).unwrap();
    }
}

/// Films and measures; gives motion.json.
#[track_caller]
fn measured(place: &Place, take: &Take, more: &[&str]) -> Value {
    let _ = fs::remove_dir_all(place.path("clip"));
    let _ = fs::remove_dir_all(place.path("m"));
    take.film(&place.path("clip"));
    let base = ["measure", "clip", "--region", REGION, "-o", "m", "--json"];
    let ended = place.run(&[&base[..], more].concat());
    ended.expect(0, &[]);
    ended.json()
}

fn ring(amplitude_px: f64, frequency_hz: f64, decay_s: f64) -> Ring {
    Ring { amplitude_px, frequency_hz, decay_s }
}

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or_else(|| panic!("{v} is no number"))
}

#[test]
fn frequency_within_its_bound() {
    // A tone that does not decay, 12 takes: the error's rms against sqrt(3) / (pi T sqrt(eta N)),
    // eta = A^2 / (2 sigma^2) (Kay, from memory), sigma being that of single displacements.
    let place = Place::new();
    let (rate, frames, f, a) = (2000, 120, 171.3, 3.0);
    let (mut squares, mut bounds) = (0.0, 0.0);
    let takes = 12;
    for seed in 1..=takes {
        let course = Course::Ringing(vec![ring(a, f, 1e6)]);
        let take = Take { seed, ..Take::new(course, rate, frames) };
        let json = measured(&place, &take, &["--ring", "1-120"]);
        let found = number(&json["ring_down"]["found"]["modes"][0]["frequency_hz"]["value"]);
        let claimed = number(&json["ring_down"]["found"]["modes"][0]["frequency_hz"]["sigma"]);
        let n = f64::from(frames);
        let sigma = number(&json["sigma_px"]);
        let eta = a * a / (2.0 * sigma * sigma);
        let bound = f64::sqrt(3.0) / (PI * (n / f64::from(rate)) * (eta * n).sqrt());
        println!("take {seed}: {:.4} Hz off, claimed {claimed:.4}, bound {bound:.4}", found - f);
        squares += (found - f).powi(2);
        bounds += bound * bound;
        assert!((claimed / bound - 1.0).abs() < 0.25, "claimed {claimed}, bound {bound}");
    }
    let ratio = (squares / bounds).sqrt();
    println!("rms error over the bound: {ratio:.3} of {takes} takes");
    assert!(ratio <= 1.2, "{ratio} times the bound");
}

#[test]
fn a_ring_down_gives_frequency_damping_and_speed() {
    let place = Place::new();
    // 440 Hz (a = 4 px, 40 um), falling to 1/e in 12 ms: damping ratio 1 / (2 pi f tau) = 0.0301.
    let take =
        Take { trigger: 5, ..Take::new(Course::Ringing(vec![ring(4.0, 440.0, 12e-3)]), 5000, 120) };
    let json = measured(&place, &take, &[]);
    println!("{}", json["ring_down"]);
    let mode = &json["ring_down"]["found"]["modes"][0];
    let near = |v: &Value, truth: f64, relative: f64| {
        let (value, sigma) = (number(&v["value"]), number(&v["sigma"]));
        assert!((value - truth).abs() < 4.0 * sigma, "{v}, not {truth}");
        assert!(sigma < relative * truth, "{v} is known too badly");
    };
    near(&mode["frequency_hz"], 440.0, 1e-3);
    near(&mode["tau_s"], 12e-3, 2e-2);
    near(&mode["damping_ratio"], 0.03013, 2e-2);
    let from = number(&json["ring_down"]["found"]["from_s"]);
    let now = 4.0 * libm::exp(-from / 12e-3);
    near(&mode["amplitude"], now, 2e-2);
    // Speed of the first swing through rest: 2 pi f A within 1 %.
    let speed = number(&json["ring_down"]["found"]["peak_speed"][0]["value"]);
    assert!((speed / (TAU * 440.0 * now) - 1.0).abs() < 0.01, "{speed}");
    assert!((number(&json["direction_deg"]).abs() - 90.0).abs() < 1.0);
    // On the object at 10 um a pixel, no uncertainty of the scale given.
    let um = number(&json["on_object"]["amplitudes_um"][0]["value"]);
    assert!((um / (10.0 * now) - 1.0).abs() < 0.02, "{um}");
    // The table: displacement from its own start, as the truth has it.
    let rows = read_csv(&place.path("m/motion.csv"));
    assert_eq!(rows.len(), 120);
    let truth = |k: f64| take.course.at((k - 5.0) / 5000.0);
    let mean = rows
        .iter()
        .enumerate()
        .map(|(i, r)| r["shift_y_px"].parse::<f64>().unwrap() - truth(i as f64 + 1.0));
    let offset = mean.sum::<f64>() / 120.0;
    let (mut squares, mut claimed) = (0.0, 0.0);
    for (i, r) in rows.iter().enumerate() {
        let at = |name: &str| r[name].parse::<f64>().unwrap();
        squares += (at("shift_y_px") - offset - truth(i as f64 + 1.0)).powi(2);
        claimed += at("sigma_y_px").powi(2);
        assert!((at("time_s") - (i as f64 - 4.0) / 5000.0).abs() < 1e-9);
        assert_eq!(r["status"], "ok");
    }
    let ratio = (squares / claimed).sqrt();
    println!("displacement: rms error {ratio:.3} of what is claimed");
    assert!(ratio > 0.7 && ratio < 1.3, "{ratio}");
}

#[test]
fn what_moves_by_less_than_a_frame_tells_is_no_background() {
    // A tone of 0.06 px: a still background that holds the part takes some of it along.
    let place = Place::new();
    let (rate, frames, f) = (2000, 160, 171.3);
    let take = Take::new(Course::Ringing(vec![ring(0.06, f, 1e6)]), rate, frames);
    measured(&place, &take, &[]);
    let rows = read_csv(&place.path("m/motion.csv"));
    let of = |name: &str| -> f64 {
        let (mut s, mut c) = (0.0, 0.0);
        for (k, row) in rows.iter().enumerate() {
            let v: f64 = row[name].parse().unwrap();
            let (sin, cos) = libm::sincos(TAU * f * k as f64 / f64::from(rate));
            (s, c) = (s + v * sin, c + v * cos);
        }
        2.0 / rows.len() as f64 * libm::hypot(s, c)
    };
    let amplitude = libm::hypot(of("shift_x_px"), of("shift_y_px"));
    let sigma: f64 = rows[0]["sigma_y_px"].parse().unwrap();
    let sure = sigma * f64::sqrt(2.0 / f64::from(frames));
    println!("amplitude {amplitude:.4} +- {sure:.4} px, truth 0.06");
    assert!((amplitude - 0.06).abs() < 3.0 * sure, "{amplitude} +- {sure}");
}

#[test]
fn a_cantilever_rings_as_theory_says() {
    // Steel, 15 mm x 0.40 mm: 1449.6, 9084 and 25436 Hz, ratios 1 : 6.267 : 17.547 (beta L =
    // 1.8751, 4.6941, 7.8548: a vibration lab's user guide; imechanica node 2226).
    let tine = Tine::steel(15e-3, 0.4e-3);
    let modes = (0..3).map(|k| tine.frequency_hz(k).unwrap());
    let shapes = [(5.0, 6e-3), (1.2, 3e-3), (0.5, 2e-3)];
    let rings = modes.zip(shapes).map(|(f, (a, tau))| ring(a, f, tau)).collect();
    let place = Place::new();
    let take = Take::new(Course::Ringing(rings), 80_000, 300);
    let json = measured(&place, &take, &["--modes", "3", "--ring", "1-300"]);
    let found = json["ring_down"]["found"]["modes"].as_array().unwrap();
    let f: Vec<f64> = found.iter().map(|m| number(&m["frequency_hz"]["value"])).collect();
    println!("modes: {f:?}; ratios {:.3} and {:.3}", f[1] / f[0], f[2] / f[0]);
    assert!((f[0] / 1449.6 - 1.0).abs() < 2e-3, "{f:?}");
    assert!((f[1] / f[0] / 6.267 - 1.0).abs() < 2e-3 && (f[2] / f[0] / 17.547 - 1.0).abs() < 2e-3);
    // Asked for one mode only, it says that there is more.
    let json = measured(&place, &take, &["--ring", "1-300"]);
    let text = json["warnings"].to_string();
    assert!(text.contains("one more mode"), "{text}");
}

#[test]
fn a_relay_closes_and_bounces() {
    // 3 ms to the first contact, bounces of 1 and 0.5 ms (usual: 0.5 to 5 ms, common practice, no
    // source): 4.5 ms in all.
    let bounces = vec![(1e-3, 2.0), (0.5e-3, 0.8)];
    let course = Course::Closing { travel_px: 9.0, close_s: 3e-3, bounces };
    let rate = 10_000;
    let place = Place::new();
    let take = Take { trigger: 21, ..Take::new(course, rate, 100) };
    let json = measured(&place, &take, &["--event", "1-100"]);
    let event = &json["event"]["found"];
    let of = |v: &Value| (number(&v["value"]), number(&v["sigma"]));
    let (duration, sigma) = of(&event["duration_s"]);
    println!("duration {:.4} +- {:.4} ms, truth 4.5", 1e3 * duration, 1e3 * sigma);
    assert!((duration - 4.5e-3).abs() < 1.0 / f64::from(rate), "{event}");
    assert!(sigma >= 0.99 / f64::from(rate) / f64::sqrt(6.0), "never below two frames' times");
    let (travel, _) = of(&event["travel"]);
    assert!((travel - 9.0).abs() < 0.03, "{event}");
    assert!((of(&json["on_object"]["travel_um"]).0 - 90.0).abs() < 0.3);
    assert!(json["ring_down"]["refused"].is_string(), "{}", json["ring_down"]);
}

#[test]
fn an_even_speed_within_one_per_cent() {
    let course = Course::Sliding { speed_px_s: 6000.0, length_s: 3e-3 };
    let place = Place::new();
    let take = Take { trigger: 15, ..Take::new(course, 10_000, 60) };
    let json = measured(&place, &take, &["--window", "5"]);
    // Away from both ends: 6000 px/s.
    let rows = read_csv(&place.path("m/motion.csv"));
    // Positive is the way it goes.
    assert!((number(&json["direction_deg"]) - 90.0).abs() < 1.0, "{}", json["direction_deg"]);
    let middle: Vec<f64> =
        (22..36).map(|i| rows[i]["speed_px_s"].parse::<f64>().unwrap()).collect();
    let mean = middle.iter().sum::<f64>() / middle.len() as f64;
    println!("speed {mean:.1} px/s, truth 6000");
    assert!((mean / 6000.0 - 1.0).abs() < 0.01, "{middle:?}");
    let event = &json["event"]["found"];
    assert!((number(&event["duration_s"]["value"]) - 3e-3).abs() < 1e-4, "{event}");
    // 60 mm/s at 10 um a pixel.
    let peak = number(&json["on_object"]["peak_speed_um_s"]["value"]).abs();
    assert!((peak / 60_000.0 - 1.0).abs() < 0.02, "{peak}");
}

#[test]
fn a_beat_has_a_rate_and_limps() {
    // 50 strokes a second, every second one 2 ms late: intervals of 22 and 18 ms.
    let course = Course::Beating { travel_px: 5.0, rate_hz: 50.0, limp_s: 2e-3 };
    let place = Place::new();
    let take = Take::new(course, 1000, 240);
    let json = measured(&place, &take, &[]);
    let r = &json["repeating"]["found"];
    assert!((number(&r["rate_hz"]["value"]) - 50.0).abs() < 4.0 * number(&r["rate_hz"]["sigma"]));
    assert!((number(&r["limp_s"]["value"]).abs() - 4e-3).abs() < 5e-4, "{r}");
    assert!(number(&r["count"]) >= 11.0, "{r}");
}

#[test]
fn a_turning_part_tells_its_rotation() {
    // 1 rad/s clockwise at 1000 fps: 1 mrad a frame, 59 mrad in the last of 60.
    let disc = DiscSettings {
        fraction: 0.3,
        velocity_px_s: (0.0, 0.0),
        spin_rad_s: 1.0,
        ..DiscSettings::default()
    };
    let scene = Textured::new(SIZE, &grain((200, 170), 0.5, 0.15, 9), &disc).unwrap();
    let place = Place::new();
    let take = Take::new(Course::Ringing(Vec::new()), 1000, 60);
    take.film_scene(&place.path("clip"), &scene);
    let args = ["measure", "clip", "--region", "56,46,48,36", "-o", "m", "--rotation", "--json"];
    let json = place.run(&args).json();
    let rows = read_csv(&place.path("m/motion.csv"));
    let at = |i: usize, name: &str| rows[i][name].parse::<f64>().unwrap();
    // A straight line through them, and its slope's own uncertainty.
    let sigma = (0..60).map(|i| at(i, "rotation_sigma_mrad")).sum::<f64>() / 60.0;
    let centred = (0..60).map(|i| (i as f64 - 29.5, at(i, "rotation_mrad")));
    let slope = centred.map(|(x, y)| x * y).sum::<f64>() / (60.0 * (3600.0 - 1.0) / 12.0);
    let sure = sigma * (12.0 / (60.0 * 3599.0_f64)).sqrt();
    println!("rotation: {slope:.4} +- {sure:.4} mrad a frame, truth 1; single ones {sigma:.2}");
    // Printed: 1.047 +- 0.011 (0.93 by two halves); the kernel's part is known (`measure::turning`).
    assert!((slope - 1.0).abs() < 0.06 && sure < 0.012, "{slope} +- {sure}");
    let peak = number(&json["peak_rotation_rad"]["value"]);
    assert!((peak - 59e-3).abs() < 6e-3 * sigma, "{peak}");
}

#[test]
fn a_rolling_shutter_moves_times() {
    // 10 us a row; the region's middle lies in row 59.5: 0.595 ms later.
    let course = Course::Sliding { speed_px_s: 3000.0, length_s: 4e-3 };
    let place = Place::new();
    let take = Take { trigger: 21, row_time_s: 10e-6, ..Take::new(course, 1500, 60) };
    let told = measured(&place, &take, &[]);
    let rows = read_csv(&place.path("m/motion.csv"));
    let first: f64 = rows[0]["time_s"].parse().unwrap();
    // The rig moves the row by less than a pixel, 10 us.
    assert!((first - (-20.0 / 1500.0 + 0.595e-3)).abs() < 12e-6, "{first}");
    assert!((number(&told["row_time_s"]) - 10e-6).abs() < 1e-12);
    let start = |json: &Value| number(&json["event"]["found"]["start"]["time_s"]["value"]);
    // Without the fact the motion seems to start before it does.
    let facts = fs::read_to_string(place.path("clip/clip.toml")).unwrap();
    fs::write(place.path("clip/clip.toml"), facts.replace("row_time", "# row_time")).unwrap();
    let blind = place.run(&["measure", "clip", "--region", REGION, "-o", "m2", "--json"]).json();
    let shift = start(&told) - start(&blind);
    assert!((shift - 0.595e-3).abs() < 15e-6, "{shift}");
    assert!(start(&told).abs() < 0.2e-3, "{}", start(&told));
}

#[test]
fn what_cannot_be_measured_is_refused_with_the_reason() {
    let place = Place::new();
    let refused =
        |json: &Value, what: &str| json[what]["refused"].as_str().unwrap_or("").to_owned();
    // 450 Hz at 1000 fps: near half the rate.
    let take = Take::new(Course::Ringing(vec![ring(3.0, 450.0, 1.0)]), 1000, 80);
    let text = refused(&measured(&place, &take, &[]), "ring_down");
    assert!(text.contains("near half the rate") && text.contains("fps or more"), "{text}");
    // Asked for by name: a fault.
    let base = ["measure", "clip", "--region", REGION, "-o", "m"];
    place.run(&[&base[..], &["--ring", "1-80"]].concat()).expect(1, &[]);
    // 1.5 cycles.
    let take = Take::new(Course::Ringing(vec![ring(3.0, 20.0, 1.0)]), 1000, 80);
    let text = refused(&measured(&place, &take, &["--frames", "1-78"]), "ring_down");
    assert!(text.contains("cycles") || text.contains("no oscillation"), "{text}");
    // Nothing moves.
    let still = Take::new(Course::Ringing(Vec::new()), 1000, 60);
    let json = measured(&place, &still, &[]);
    assert!(refused(&json, "event").contains("no event is seen"), "{json}");
    assert!(refused(&json, "ring_down").contains("no oscillation"), "{json}");
    assert!(refused(&json, "repeating").contains("moves by only"), "{json}");
    // No texture at all, and a picture without any background.
    fs::create_dir_all(place.path("flat")).unwrap();
    for k in 0..20 {
        let path = place.path(&format!("flat/{k:03}.tif"));
        write_gray(&path, (128, 96), &vec![1000; 128 * 96]);
    }
    let flat = ["measure", "flat", "--region", "40,30,40,40", "--rate", "1000"];
    place.run(&flat).expect(2, &["still background was not found"]);
}

#[test]
fn a_new_users_mistakes_get_a_sentence_that_helps() {
    let place = Place::new();
    let clip = kept("comb-pluck").into_os_string().into_string().unwrap();
    let run = |more: &[&str]| place.run(&[&["measure"][..], more].concat());
    run(&[&clip]).expect(2, &["--region"]);
    run(&[&clip, "--region", "1,2,3"]).expect(2, &["X,Y,W,H in px"]);
    run(&["nowhere", "--region", "1,2,30,30"]).expect(2, &["nowhere"]);
    run(&[&clip, "--region", "150,100,40,40"])
        .expect(2, &["does not lie in the picture of 160x120"]);
    run(&[&clip, "--region", "40,40,5,5"]).expect(2, &["at least 12 px"]);
    run(&[&clip, "--region", "40,40,20,20", "--direction", "up"]).expect(2, &["0 for right"]);
    run(&[&clip, "--region", "40,40,20,20", "--ring", "9-3"]).expect(2, &["before it begins"]);
    run(&[&clip, "--region", "40,40,30,30", "-o", &clip]).expect(2, &["is the input"]);
    run(&[&clip, "--region", "40,40,30,30", "--frames", "900-950"]).expect(2, &["no frames"]);
    place.write("full/notes.txt", "mine");
    run(&[&clip, "--region", "40,40,30,30", "-o", "full"])
        .expect(2, &["holds files that no measurement made"]);
    assert_eq!(names(&place.path("full")), ["notes.txt"]);
    // Frames without a rate have no times.
    place.write("crop.toml", "um_per_px = 33.3\nwidth_px = 320\nheight_px = 240\n");
    run(&[&clip, "--region", "40,40,30,30", "--scale", "crop.toml"])
        .expect(2, &["crop.toml", "crop or binning differ"]);
    let bare = place.copy("comb-pluck", "bare");
    fs::remove_file(bare.join("clip.toml")).unwrap();
    run(&["bare", "--region", "40,60,30,30", "-o", "m", "--black", "160", "--white", "4095"])
        .expect(2, &["rate"]);
}

#[test]
fn a_finished_clip_is_measured_as_the_raw_one_is() {
    let place = Place::new();
    let take = Take::new(Course::Ringing(vec![ring(3.0, 171.3, 0.03)]), 2000, 80);
    take.film(&place.path("clip"));
    let originals = tree(&place.path("clip"));
    place.run(&["run", "clip"]).expect(0, &["80 frames made"]);
    let done = tree(&place.path("hushframe-out"));
    let record = read_json(&place.path("hushframe-out/clip/record.json"));
    let origin = [0, 1].map(|i| record["origin_px"][i].as_u64().unwrap());
    let raw = place.run(&["measure", "clip", "--region", REGION, "-o", "raw", "--json"]);
    raw.expect(0, &[]);
    let region = format!("{},{},40,32", 58 - origin[0], 44 - origin[1]);
    let finished = place.run(&["measure", "hushframe-out/clip", "--region", &region, "--json"]);
    finished.expect(0, &["neighbouring frames were averaged before"]);
    assert!(tree(&place.path("clip")) == originals, "an original was touched");
    assert!(tree(&place.path("hushframe-out")) == done, "a result was touched");
    assert_eq!(
        names(&place.path("clip-motion")),
        ["motion.csv", "motion.html", "motion.json", "motion.svg", "region.png"]
    );
    for (name, json) in [("raw", raw.json()), ("finished", finished.json())] {
        let f = &json["ring_down"]["found"]["modes"][0]["frequency_hz"];
        println!("{name}: {f}, truth 171.3");
        let off = (number(&f["value"]) - 171.3).abs();
        assert!(off < 4.0 * number(&f["sigma"]) && off < 0.5, "{name}: {f}");
    }
    // Pictures for viewers are no data; a folder of several clips is none either.
    place.run(&["run", "clip", "--pipeline", "clean-and-label", "--out", "seen"]).expect(0, &[]);
    let measure = |clip: &str| place.run(&["measure", clip, "--region", &region]);
    measure("seen/clip").expect(2, &["coded for display", "pipeline clean"]);
    measure("seen").expect(2, &["name the folder of one"]);
}

#[test]
fn results_do_not_depend_on_threads() {
    let place = Place::new();
    let take = Take::new(Course::Ringing(vec![ring(3.0, 200.0, 0.02)]), 2000, 40);
    take.film(&place.path("clip"));
    for threads in ["1", "3"] {
        let out = format!("m{threads}");
        let args =
            ["measure", "clip", "--region", REGION, "-o", &out, "--threads", threads, "--overlay"];
        place.run(&args).expect(0, &[]);
    }
    let overlay = tree(&place.path("m1/overlay"));
    assert!(overlay.len() == 40 && overlay == tree(&place.path("m3/overlay")), "overlays differ");
    // The picture and the graph under it; a second measurement of fewer frames leaves no others.
    let file = FrameFile::single(&place.path("m1/overlay/000007.png"));
    let size = decode(&file).unwrap().samples;
    assert_eq!((size.width, size.height, size.channels), (SIZE.0, SIZE.1 + 72, 3));
    let less = ["measure", "clip", "--region", REGION, "-o", "m1", "--overlay", "--frames", "5-20"];
    place.run(&less).expect(0, &[]);
    assert_eq!(names(&place.path("m1/overlay")).len(), 16);
    let args = ["measure", "clip", "--region", REGION, "-o", "m1", "--quiet"];
    place.run(&args).expect(0, &[]);
    for name in ["motion.csv", "motion.svg", "region.png"] {
        let same = fs::read(place.path("m1").join(name)).unwrap()
            == fs::read(place.path("m3").join(name)).unwrap();
        assert!(same, "{name} differs");
    }
}

#[test]
fn the_motion_is_drawn_into_finished_frames() {
    let place = Place::new();
    let take = Take::new(Course::Ringing(vec![ring(3.0, 200.0, 0.02)]), 2000, 40);
    take.film(&place.path("clip"));
    let measure = |more: &[&str]| {
        let base = ["measure", "clip", "--region", REGION, "-o", "m"];
        place.run(&[&base[..], more].concat()).expect(0, &[]);
    };
    let stages = |last: &str| {
        format!(
            "name = \"p\"\n[[stage]]\nuse = \"dark\"\n[[stage]]\nuse = \"steady\"\nedges = \"fill\"\n\
             [[stage]]\nuse = \"display\"\n{last}"
        )
    };
    fs::write(place.path("plain.toml"), stages("")).unwrap();
    let drawn = stages("[[stage]]\nuse = \"motion\"\ngraph = false\n");
    fs::write(place.path("drawn.toml"), &drawn).unwrap();
    // Before anything is measured, `check` says what to do, and so does a folder without a table.
    let run = |words: &[&str]| place.run(&[words, &["--out", "out", "--no-preview"][..]].concat());
    let check = |more: &[&str]| {
        place.run(
            &[&["check", "clip", "--pipeline", "drawn.toml", "--out", "out"][..], more].concat(),
        )
    };
    let said = check(&[]);
    assert!(said.code != 0 && format!("{}{}", said.out, said.err).contains("run measure first"));
    let said = check(&["--motion", "nowhere"]);
    assert!(said.code != 0 && format!("{}{}", said.out, said.err).contains("motion.json"));
    measure(&["--frames", "1-30"]);
    run(&["run", "clip", "--pipeline", "plain.toml"]).expect(0, &[]);
    let picture = || -> Vec<Vec<u16>> {
        let frames = place.path("out/clip/frames");
        let one = |k: u32| decode(&FrameFile::single(&frames.join(format!("{k:06}.tif")))).unwrap();
        (1..=40).map(|k| one(k).samples.data).collect()
    };
    let plain = picture();
    fs::remove_dir_all(place.path("out")).unwrap();
    let ended = run(&["run", "clip", "--pipeline", "drawn.toml", "--motion", "m"]);
    ended.expect(0, &[]);
    assert!(format!("{}{}", ended.out, ended.err).contains("30 of the clip's 40 frames"));
    let drawn = picture();
    let record = read_json(&place.path("out/clip/record.json"));
    assert_eq!(record["facts"]["motion"]["value"]["folder"], "./m", "{}", record["facts"]);
    // The first frame has one dot with a rim, in the part's middle; frames that were not measured
    // have nothing.
    let rows = read_csv(&place.path("m/motion.csv"));
    let place_of = |axis: usize| -> f64 {
        let column = ["shift_x_px", "shift_y_px"][axis];
        [77.5, 59.5][axis] + rows[0][column].parse::<f64>().unwrap()
    };
    let (mut sum, mut count) = ([0.0; 2], 0.0);
    for (i, (a, b)) in plain[0].iter().zip(&drawn[0]).enumerate() {
        if a != b {
            sum = [sum[0] + (i % SIZE.0) as f64, sum[1] + (i / SIZE.0) as f64];
            count += 1.0;
        }
    }
    assert!(count > 20.0 && count < 120.0, "{count} pixels");
    for axis in [0, 1] {
        let off = sum[axis] / count - place_of(axis);
        assert!(off.abs() < 0.6, "axis {axis}: {off} px");
    }
    assert_eq!(plain[35], drawn[35]);
    assert_ne!(plain[25], drawn[25]);
    // Measured anew, the frames are made anew.
    measure(&[]);
    run(&["run", "clip", "--pipeline", "drawn.toml", "--motion", "m"]).expect(0, &[]);
    assert_ne!(picture()[35], plain[35]);
}
