//! Clips in colour, from samples to what is shown.

use std::fs;
use std::path::Path;

use hushframe::frame::convert::round_u16;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use tiff::encoder::{TiffEncoder, colortype};

use crate::harness::{Place, read_json, read_tiff, write_gray};

const SIZE: (u32, u32) = (160, 120);
/// Light of a grey thing, in red, green and blue.
const TINT: [f64; 3] = [0.5, 1.0, 0.6];
/// DN of green in the bright patch, and elsewhere; half and all of it lie in noise of 30 DN.
const BRIGHT: f64 = 12_000.0;
const DIM: f64 = 3_000.0;

/// Twelve frames of a grey field with a bright patch under greenish light, as RGB or as a mosaic.
fn film(folder: &Path, mosaic: bool) {
    fs::create_dir(folder).unwrap();
    let noise = Normal::new(0.0, 30.0).unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    for n in 1..=12 {
        let mut data = Vec::new();
        for (y, x) in (0..SIZE.1).flat_map(|y| (0..SIZE.0).map(move |x| (y, x))) {
            let patch = (60..90).contains(&x) && (40..70).contains(&y);
            let light = if patch { BRIGHT } else { DIM };
            // RGGB: red at even places, blue at odd ones.
            let site = usize::from(x % 2 == 1) + usize::from(y % 2 == 1);
            let colours = if mosaic { site..site + 1 } else { 0..3 };
            for c in colours {
                let v: f64 = light * TINT[c] + noise.sample(&mut rng);
                data.push(round_u16(v as f32));
            }
        }
        let path = folder.join(format!("{n:06}.tif"));
        if mosaic {
            write_gray(&path, SIZE, &data);
        } else {
            let mut out = TiffEncoder::new(fs::File::create_new(path).unwrap()).unwrap();
            out.write_image::<colortype::RGB16>(SIZE.0, SIZE.1, &data).unwrap();
        }
    }
}

/// IEC 61966-2-1, back to light.
fn light(code: u16) -> f64 {
    let v = f64::from(code) / 65_535.0;
    if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
}

/// What is brightest comes to 85 % of white in its brightest colour: none is cut off, and the
/// colour stays what it was. The gains and the white that were used are in the record.
#[test]
fn the_brightest_colour_is_fitted_not_the_mean_of_three() {
    let place = Place::new();
    film(&place.path("rgb"), false);
    film(&place.path("mosaic"), true);
    let display = "[[stage]]\nuse = \"dark\"\n[[stage]]\nuse = \"demosaic\"\n[[stage]]\nuse = \"display\"\nfit = true\n";
    place.write("plain.toml", &format!("name = \"plain\"\n{display}"));
    let balance = "[[stage]]\nuse = \"balance\"\npatch = [10, 10, 30, 30]\n";
    let balanced = display.replacen(
        "[[stage]]\nuse = \"display\"",
        &format!("{balance}[[stage]]\nuse = \"display\""),
        1,
    );
    place.write("grey.toml", &format!("name = \"grey\"\n{balanced}"));
    for (clip, more) in [("rgb", &[][..]), ("mosaic", &["--mosaic", "RGGB"])] {
        for (pipeline, tint) in [("plain", TINT), ("grey", [1.0; 3])] {
            let file = format!("{pipeline}.toml");
            let args = ["run", clip, "--pipeline", &file, "--out", pipeline, "--no-preview"];
            place.run(&[&args[..], more].concat()).expect(0, &["12 frames made"]);
            let out = place.path(pipeline).join(clip);
            let (size, channels, data) = read_tiff(&out.join("frames/000005.tif"));
            assert_eq!((size, channels), (SIZE, 3), "{clip}");
            let width = size.0 as usize;
            let full = data.iter().filter(|&&v| v == 65_535).count();
            assert!(full == 0, "{clip}, {pipeline}: {full} samples are cut off");
            for (c, wanted) in tint.into_iter().enumerate() {
                let patch = (44..66).flat_map(|y| (64..86).map(move |x| (x, y)));
                let (sum, n) = patch.fold((0.0, 0.0), |(sum, n), (x, y)| {
                    (sum + light(data[3 * (y * width + x) + c]), n + 1.0)
                });
                let off = sum / n / (0.85 * wanted) - 1.0;
                // The noise left in a mean of 12 frames lifts the level that is fitted.
                assert!(off.abs() < 0.02, "{clip}, {pipeline}, colour {c}: off by {off:.4}");
            }
            let tone = &read_json(&out.join("record.json"))["tone"];
            let number = |key: &str| tone[key].as_f64();
            let brightest = number("white_at").unwrap() * 0.85 / BRIGHT;
            assert!((brightest - 1.0).abs() < 0.02, "{clip}, {pipeline}: {tone}");
            if pipeline == "grey" {
                for (key, c) in [("red", 0), ("blue", 2)] {
                    let off = number(key).unwrap() * TINT[c] - 1.0;
                    assert!(off.abs() < 0.005, "{clip}: {key} {tone}");
                }
            } else {
                assert_eq!(number("red"), None);
            }
        }
    }
}
