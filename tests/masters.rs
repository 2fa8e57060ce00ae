//! Masters that the program makes of the kept references, against the true sensor.
//!
//! "Within their own stated uncertainty": the root mean square error over pixels that are not
//! called defective is at most what the master says of itself, with 3 % for the chance in 19,200
//! pixels and 16 row offsets a row; and not under a half of it, which would be an empty promise.

use std::fs::File;
use std::io::BufReader;

use hushframe::frame::Plane;
use hushframe::sensor::file::{self, Master};

use crate::harness::{Place, kept, read_tiff};

/// DN an electron, black level, from the note beside the frames.
const DN_PER_E: f64 = 4.0;
const BLACK_DN: f64 = 160.0;

fn read(place: &Place, name: &str) -> Master {
    file::read(BufReader::new(File::open(place.path(name)).unwrap())).unwrap()
}

/// Root mean square difference over pixels without a defect, as a share of `sigma`.
fn ratio(found: &Plane, truth: &[f64], defects: &[u8], sigma: f64) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for ((v, t), d) in found.data().iter().zip(truth).zip(defects) {
        if *d == 0 {
            sum += (f64::from(*v) - t).powi(2);
            n += 1.0;
        }
    }
    assert!(n > 0.99 * truth.len() as f64, "{n} of {} pixels are sound", truth.len());
    (sum / n).sqrt() / sigma
}

#[test]
fn masters_lie_within_their_stated_uncertainty_of_the_true_sensor() {
    let place = Place::new();
    let [black, even] = ["black", "even"].map(|f| kept(f).into_os_string().into_string().unwrap());
    place.run(&["reference", "dark", &black, "-o", "dark.tif"]).expect(0, &["of 16 frames"]);
    let flat = ["reference", "flat", &even, "--dark", "dark.tif", "-o", "flat.tif"];
    place.run(&flat).expect(0, &["of 16 frames"]);

    let Master::Dark(dark) = read(&place, "dark.tif") else { panic!("not a dark") };
    let (_, _, offsets) = read_tiff(&kept("truth/offset_e.tif"));
    let truth: Vec<f64> =
        offsets.iter().map(|&v| BLACK_DN + DN_PER_E * (f64::from(v) - 8192.0) / 64.0).collect();
    let of_dark = ratio(&dark.level[0], &truth, dark.defects.bits(0), dark.sigma());

    let Master::Flat(flat) = read(&place, "flat.tif") else { panic!("not a flat") };
    let (_, _, response) = read_tiff(&kept("truth/response.tif"));
    // A flat is normalised to a mean of 1; the truth in the file is not.
    let mean = response.iter().map(|&v| f64::from(v)).sum::<f64>() / response.len() as f64;
    let truth: Vec<f64> = response.iter().map(|&v| f64::from(v) / mean).collect();
    let of_flat = ratio(&flat.response[0], &truth, flat.defects.bits(0), flat.sigma());

    println!(
        "dark: {of_dark:.3} of the stated {:.3} DN; flat: {of_flat:.3} of the stated {:.3} %",
        dark.sigma(),
        100.0 * flat.sigma()
    );
    for ratio in [of_dark, of_flat] {
        assert!((0.5..=1.03).contains(&ratio), "dark {of_dark}, flat {of_flat}");
    }
}
