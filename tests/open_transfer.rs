//! Photon transfer on a real bench measurement.
//!
//! Data: EMVA 1288 reference set 002 (8-bit CMOS), CC BY-SA 3.0, attribution in its
//! EMVA1288_Data.txt; read in place where the folder is there. Its reference_ptc.csv was computed
//! by the standard method over whole frames: K = 0.02054 DN/e-, dark mean 2.879 DN, dark variance
//! 0.1094 DN^2, variance turns down at a mean of 220.9 DN.

use std::path::{Path, PathBuf};

use hushframe::frame::Samples;
use hushframe::sensor::{MasterDark, StackOptions, StackStats, collect, photon_transfer};

const DATA: &str = "../shared/data/ptc_cmos8/images";

/// Rows of each picture that are used: a quarter, for time.
const ROWS: usize = 128;

fn folder(test: &str) -> Option<PathBuf> {
    let there = Path::new(DATA).is_dir();
    if !there {
        println!("{test}: skipped, no ptc_cmos8 data");
    }
    there.then(|| PathBuf::from(DATA))
}

fn read(path: &Path) -> Result<Samples, String> {
    let picture = image::open(path).map_err(|e| e.to_string())?.into_luma8();
    let width = usize::try_from(picture.width()).unwrap();
    let data = picture.into_raw().iter().take(width * ROWS).map(|&v| u16::from(v)).collect();
    Ok(Samples { width, height: ROWS, channels: 1, bits: 8, data })
}

fn stack(files: &[PathBuf], options: &StackOptions<'_>) -> StackStats {
    collect(files.len(), |k| read(&files[k]), options).unwrap()
}

#[test]
fn gain_of_the_open_sensor_comes_out() {
    let Some(dir) = folder("gain_of_the_open_sensor_comes_out") else { return };
    let pair = |kind: &str, level: usize| {
        [1, 2].map(|n| dir.join(format!("{kind}_{level:03}_snap_{n:03}.png")))
    };
    let dark = stack(&pair("d", 8), &StackOptions::default());
    let mean = dark.mean[0].data().iter().map(|&v| f64::from(v)).sum::<f64>()
        / dark.mean[0].data().len() as f64;
    assert!((mean - 2.879).abs() < 0.1, "dark mean {mean}");
    let options =
        StackOptions { subtract: Some(&dark.mean), even_light: true, ..StackOptions::default() };
    let flats: Vec<StackStats> =
        (4..=96).step_by(4).map(|level| stack(&pair("b", level), &options)).collect();
    let flats: Vec<&StackStats> = flats.iter().collect();
    let t = photon_transfer(&dark, &flats, 255.0).unwrap();
    println!(
        "K {:.5} DN/e-, gain {:.2} +- {:.2} e-/DN, read noise {:.1} +- {:.1} e-, dark variance \
         {:.4} DN^2, {} of {} points, bend {:.3}",
        t.k_dn_per_e,
        t.model.gain_e_per_dn,
        t.gain_sigma,
        t.model.read_noise_e,
        t.read_noise_sigma,
        t.dark_variance,
        t.fitted,
        t.points.len(),
        t.bend
    );
    assert!((t.k_dn_per_e / 0.02054 - 1.0).abs() < 0.03, "K {}", t.k_dn_per_e);
    // The step of 1 DN hides the read noise: an upper bound is all there is, and that is said.
    assert!(t.quantisation_limited);
    assert!(t.model.read_noise_e > 7.86, "{}", t.model.read_noise_e);
    assert!(t.warnings().iter().any(|w| w.kind == "read-noise-hidden"));
}

#[test]
fn twelve_darks_of_the_open_sensor_make_a_master() {
    let Some(dir) = folder("twelve_darks_of_the_open_sensor_make_a_master") else { return };
    let files = |kind: &str| -> Vec<PathBuf> {
        (0..12).map(|n| dir.join(format!("{kind}_s_000_snap_{n:03}.png"))).collect()
    };
    let darks = stack(&files("d"), &StackOptions::default());
    let dark = MasterDark::from_stack(&darks, None).unwrap();
    assert!((dark.mean_level(0) - 2.879).abs() < 0.1, "{}", dark.mean_level(0));
    // A sound sensor: few defects.
    let share = dark.defects.counts().any as f64 / darks.mean[0].data().len() as f64;
    println!("sigma {:.4} DN, {:?}", dark.sigma(), dark.defects.counts());
    assert!(share < 0.01, "{:?}", dark.defects.counts());
    let options =
        StackOptions { subtract: Some(&dark.level), even_light: true, ..StackOptions::default() };
    let flats = stack(&files("b"), &options);
    let t = photon_transfer(&darks, &[&flats], 255.0).unwrap();
    println!("K {:.5} from 12 + 12 frames", t.k_dn_per_e);
    // One level of 130 DN: (2.6906 - 0.0994) / 127.245 = 0.02036 in reference_ptc.csv.
    assert!((t.k_dn_per_e / 0.02036 - 1.0).abs() < 0.03, "K {}", t.k_dn_per_e);
}
