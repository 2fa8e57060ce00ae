//! Tests of [`super`]: known colours, pictures with known truth, saturation, edges.

use super::super::label_tests::clip;
use super::*;
use crate::frame::Curve;
use crate::frame::convert::to_f32;

const AT: Moment = Moment { frame: 0, past: 0, time_s: None };
const ALL: [Mosaic; 4] = [Mosaic::Rggb, Mosaic::Bggr, Mosaic::Grbg, Mosaic::Gbrg];

fn stage(method: Method, mosaic: Mosaic) -> Demosaic {
    let clip = ClipInfo { layout: Layout::Mosaic(mosaic), ..clip() };
    Demosaic::new(&DemosaicSettings { method }, &clip).unwrap()
}

/// The mosaic of three planes.
fn sampled(rgb: &[Plane], mosaic: Mosaic) -> Plane {
    let (w, h) = (rgb[0].width(), rgb[0].height());
    Plane::from_fn(w, h, |x, y| rgb[mosaic.colour(x, y)].at(x, y))
}

fn frame(plane: Plane, mosaic: Mosaic) -> Frame {
    Frame { layout: Layout::Mosaic(mosaic), ..Frame::mono(plane) }
}

fn made(method: Method, plane: Plane, mosaic: Mosaic) -> Vec<Plane> {
    let mut f = frame(plane, mosaic);
    stage(method, mosaic).apply(&mut f, &AT, &mut Notes::default()).unwrap();
    assert_eq!(f.layout, Layout::Rgb);
    f.planes
}

/// Gradient-corrected linear interpolation, the comparison: H. S. Malvar, L. He and R. Cutler,
/// ICASSP (2004). Kernels in eighths.
fn gradient_corrected(plane: &Plane, m: Mosaic) -> Vec<Plane> {
    const GREEN: [[f32; 5]; 5] = [
        [0.0, 0.0, -1.0, 0.0, 0.0],
        [0.0, 0.0, 2.0, 0.0, 0.0],
        [-1.0, 2.0, 4.0, 2.0, -1.0],
        [0.0, 0.0, 2.0, 0.0, 0.0],
        [0.0, 0.0, -1.0, 0.0, 0.0],
    ];
    const ROW: [[f32; 5]; 5] = [
        [0.0, 0.0, 0.5, 0.0, 0.0],
        [0.0, -1.0, 0.0, -1.0, 0.0],
        [-1.0, 4.0, 5.0, 4.0, -1.0],
        [0.0, -1.0, 0.0, -1.0, 0.0],
        [0.0, 0.0, 0.5, 0.0, 0.0],
    ];
    const CORNERS: [[f32; 5]; 5] = [
        [0.0, 0.0, -1.5, 0.0, 0.0],
        [0.0, 2.0, 0.0, 2.0, 0.0],
        [-1.5, 0.0, 6.0, 0.0, -1.5],
        [0.0, 2.0, 0.0, 2.0, 0.0],
        [0.0, 0.0, -1.5, 0.0, 0.0],
    ];
    let (w, h) = (plane.width(), plane.height());
    // Edge as in the published check below: mirrored with the edge itself repeated.
    let fold = |i: isize, n: usize| {
        let k = i.rem_euclid(2 * signed(n));
        clamp_index(k.min(2 * signed(n) - 1 - k), n)
    };
    let sum = |kernel: &[[f32; 5]; 5], turned: bool, x: usize, y: usize| {
        let mut s = 0.0;
        for (j, line) in kernel.iter().enumerate() {
            for (i, c) in line.iter().enumerate() {
                let (i, j) = if turned { (j, i) } else { (i, j) };
                let (px, py) = (signed(x + i) - 2, signed(y + j) - 2);
                s += c / 8.0 * plane.at(fold(px, w), fold(py, h));
            }
        }
        s
    };
    (0..3)
        .map(|c| {
            Plane::from_fn(w, h, |x, y| match m.colour(x, y) {
                own if own == c => plane.at(x, y),
                _ if c == 1 => sum(&GREEN, false, x, y),
                1 if m.colour(x + 1, y) == c => sum(&ROW, false, x, y),
                1 => sum(&ROW, true, x, y),
                _ => sum(&CORNERS, false, x, y),
            })
        })
        .collect()
}

#[test]
fn the_comparison_is_the_published_one() {
    // Printed in the documentation of a general colour library (BSD): colour-demosaicing,
    // malvar2004.py, RGGB.
    let block = vec![
        0.309_803_93,
        0.360_784_32,
        0.305_882_36,
        0.376_470_6,
        0.356_862_75,
        0.396_078_44,
        0.360_784_32,
        0.4,
    ];
    let rgb = gradient_corrected(&Plane::from_vec(4, 2, block).unwrap(), Mosaic::Rggb);
    assert!((rgb[1].at(0, 0) - 0.316_666_7).abs() < 1e-6);
    assert!((rgb[0].at(1, 0) - 0.330_392_16).abs() < 1e-6);
    assert!((rgb[2].at(0, 0) - 0.329_411_77).abs() < 1e-6);
    assert!((rgb[0].at(0, 1) - 0.348_284_32).abs() < 1e-6);
}

/// A crop of an open photograph as linear light of white 4000.
fn picture(name: &str) -> Vec<Plane> {
    let path = format!("{}/test-frames/colour/{name}.png", env!("CARGO_MANIFEST_DIR"));
    let rgb = image::open(path).unwrap().to_rgb8();
    let (w, h) = (rgb.width() as usize, rgb.height() as usize);
    let raw = rgb.into_raw();
    (0..3)
        .map(|c| {
            Plane::from_fn(w, h, |x, y| {
                let code = f64::from(raw[(y * w + x) * 3 + c]) / 255.0;
                to_f32(4000.0 * Curve::Srgb.decode(code))
            })
        })
        .collect()
}

/// Peak signal to noise ratio in dB over three planes, 4 px from the rim, white 4000.
fn psnr(a: &[Plane], b: &[Plane]) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for (p, q) in a.iter().zip(b) {
        for y in 4..p.height() - 4 {
            for x in 4..p.width() - 4 {
                sum += f64::from(p.at(x, y) - q.at(x, y)).powi(2);
                n += 1.0;
            }
        }
    }
    10.0 * (4000.0_f64.powi(2) / (sum / n)).log10()
}

/// Roughly normal noise of variance 1 from a counter.
fn noise(i: usize) -> f32 {
    let mut sum = -6.0;
    for k in 0..12_u32 {
        let mut h = (u32::try_from(i).unwrap() * 12 + k).wrapping_mul(0x9E37_79B9);
        h = (h ^ (h >> 16)).wrapping_mul(0x85EB_CA6B);
        h = (h ^ (h >> 13)).wrapping_mul(0xC2B2_AE35);
        sum += ((h ^ (h >> 16)) >> 8) as f32 / 16_777_216.0;
    }
    sum
}

#[test]
fn better_than_linear_methods_on_photographs() {
    for name in ["cup", "cat"] {
        let truth = picture(name);
        // Without noise, and with what averaging 61 frames of 2000 e- leaves (0.3 % of white).
        for sigma in [0.0, 12.0] {
            let mut mosaic = sampled(&truth, Mosaic::Rggb);
            for (i, v) in mosaic.data_mut().iter_mut().enumerate() {
                *v += sigma * noise(i);
            }
            let own = psnr(&made(Method::Directional, mosaic.clone(), Mosaic::Rggb), &truth);
            let plain = psnr(&made(Method::Bilinear, mosaic.clone(), Mosaic::Rggb), &truth);
            let corrected = psnr(&gradient_corrected(&mosaic, Mosaic::Rggb), &truth);
            println!(
                "{name}, noise {sigma}: directional {own:.2}, gradient-corrected {corrected:.2}, bilinear {plain:.2} dB"
            );
            assert!(own > corrected + 1.0 && corrected > plain, "{name} {sigma}");
        }
    }
}

#[test]
fn in_coloured_light_as_much_detail_comes_back_as_in_white() {
    for name in ["cup", "cat"] {
        let white = picture(name);
        for tint in [[1.0, 0.8, 0.3], [0.5, 1.0, 0.7], [0.3, 0.8, 1.0]] {
            let truth: Vec<Plane> = white
                .iter()
                .zip(tint)
                .map(|(p, t)| Plane::from_fn(p.width(), p.height(), |x, y| t * p.at(x, y)))
                .collect();
            for sigma in [0.0, 4.0, 12.0, 40.0] {
                let mut mosaic = sampled(&truth, Mosaic::Rggb);
                for (i, v) in mosaic.data_mut().iter_mut().enumerate() {
                    *v += sigma * noise(i);
                }
                // As a balance shows them afterwards.
                let shown = |planes: Vec<Plane>| -> Vec<Plane> {
                    let back = |(mut p, t): (Plane, f32)| {
                        p.data_mut().iter_mut().for_each(|v| *v /= t);
                        p
                    };
                    planes.into_iter().zip(tint).map(back).collect()
                };
                let with = |levels: Option<[f32; 3]>| {
                    let mut f = frame(mosaic.clone(), Mosaic::Rggb);
                    let stage = stage(Method::Directional, Mosaic::Rggb).in_light(levels);
                    stage.apply(&mut f, &AT, &mut Notes::default()).unwrap();
                    shown(f.planes)
                };
                let (plain, even) = (with(None), with(Some(tint)));
                let (plain, even) = (psnr(&plain, &white), psnr(&even, &white));
                println!(
                    "{name} {tint:?}, noise {sigma}: as it is {plain:.2}, evened {even:.2} dB"
                );
                assert!(even > plain - 0.25, "{name} {tint:?} {sigma}: {even} after {plain}");
                if sigma < 1.0 {
                    let in_white =
                        made(Method::Directional, sampled(&white, Mosaic::Rggb), Mosaic::Rggb);
                    assert!(
                        (even - psnr(&in_white, &white)).abs() < 0.05,
                        "{name} {tint:?}: {even}"
                    );
                }
            }
        }
    }
}

#[test]
fn noise_of_a_strong_colour_is_not_carried_into_weak_ones() {
    // A deep red in the shadow: the noise of red alone must not draw a grid into green and blue.
    let truth: Vec<Plane> = [600.0, 60.0, 30.0].iter().map(|&v| Plane::filled(96, 96, v)).collect();
    let mut mosaic = sampled(&truth, Mosaic::Rggb);
    for (i, v) in mosaic.data_mut().iter_mut().enumerate() {
        if Mosaic::Rggb.colour(i % 96, i / 96) == 0 {
            *v += 12.0 * noise(i);
        }
    }
    let rgb = made(Method::Directional, mosaic, Mosaic::Rggb);
    for (c, level) in [(1, 60.0), (2, 30.0)] {
        let all = (8..88).flat_map(|y| (8..88).map(move |x| (x, y)));
        let squares = all.map(|(x, y)| (rgb[c].at(x, y) - level).powi(2)).sum::<f32>();
        let rms = (squares / 6400.0).sqrt();
        // Of one hue: a tenth and a twentieth of red's 12.
        assert!(rms < 2.0 * 12.0 * level / 600.0, "colour {c}: {rms}");
    }
}

#[test]
fn even_colour_comes_back_in_all_patterns() {
    for m in ALL {
        let truth: Vec<Plane> =
            [900.0, 2000.0, -30.0].iter().map(|&v| Plane::filled(9, 7, v)).collect();
        for method in [Method::Directional, Method::Bilinear] {
            for (p, t) in made(method, sampled(&truth, m), m).iter().zip(&truth) {
                for (a, b) in p.data().iter().zip(t.data()) {
                    assert!((a - b).abs() < 1e-2, "{m:?} {method:?}: {a} {b}");
                }
            }
        }
    }
}

#[test]
fn grey_slopes_and_edges_stay_grey() {
    let slope = Plane::from_fn(32, 24, |x, y| 100.0 + 20.0 * x as f32 + 10.0 * y as f32);
    let edge = Plane::from_fn(32, 24, |x, _| if x < 16 { 100.0 } else { 3000.0 });
    for (name, grey, most) in [("slope", slope, 5.0), ("edge", edge, 60.0)] {
        let rgb = made(Method::Directional, grey, Mosaic::Grbg);
        for y in 4..20 {
            for x in 4..28 {
                for c in [0, 2] {
                    let tint = (rgb[c].at(x, y) - rgb[1].at(x, y)).abs();
                    assert!(tint < most, "{name} at {x} {y}: {tint}");
                }
            }
        }
    }
}

#[test]
fn a_highlight_is_white_and_its_surroundings_keep_their_hue() {
    // Warm light whose red alone is cut off in the middle.
    let light = |x: usize, y: usize| {
        let r2 = (x as f32 - 20.0).powi(2) + (y as f32 - 20.0).powi(2);
        0.4 + 0.9 / (1.0 + r2 / 60.0)
    };
    let truth: Vec<Plane> = [4000.0_f32, 2400.0, 1200.0]
        .iter()
        .map(|&k| Plane::from_fn(40, 40, |x, y| (k * light(x, y)).min(4000.0)))
        .collect();
    let mosaic = sampled(&truth, Mosaic::Rggb);
    let mut f = frame(mosaic.clone(), Mosaic::Rggb);
    for (flaw, v) in f.flaws_mut(0).iter_mut().zip(mosaic.data()) {
        if *v >= 4000.0 {
            *flaw = Flaw::Saturated;
        }
    }
    stage(Method::Directional, Mosaic::Rggb).apply(&mut f, &AT, &mut Notes::default()).unwrap();
    let (mut white, mut other) = (0, 0);
    for y in 0..40 {
        for x in 0..40 {
            let [r, g, b] = [0, 1, 2].map(|c| f.planes[c].at(x, y));
            if f.flaws[1][y * 40 + x] == Flaw::Saturated {
                assert!(r.to_bits() == g.to_bits() && (g - 4000.0).abs() < 1e-3);
                white += 1;
            } else {
                assert!((r / g - 4.0 / 2.4).abs() < 0.05 && (b / g - 0.5).abs() < 0.03, "{x} {y}");
                other += 1;
            }
        }
    }
    assert!(white > 50 && other > 900, "{white} {other}");
}

#[test]
fn a_missing_site_is_filled_and_stays_marked() {
    let truth: Vec<Plane> =
        [900.0, 2000.0, 500.0].iter().map(|&v| Plane::filled(12, 12, v)).collect();
    let mut mosaic = sampled(&truth, Mosaic::Rggb);
    mosaic.set(4, 4, 77_777.0);
    let mut f = frame(mosaic, Mosaic::Rggb);
    f.flaws_mut(0)[4 * 12 + 4] = Flaw::Missing;
    stage(Method::Directional, Mosaic::Rggb).apply(&mut f, &AT, &mut Notes::default()).unwrap();
    assert!(
        (f.planes[0].at(4, 4) - 900.0).abs() < 0.1 && (f.planes[1].at(5, 4) - 2000.0).abs() < 0.1
    );
    assert_eq!(f.flaws[2].iter().filter(|x| **x == Flaw::Missing).count(), 1);
}

#[test]
fn what_cannot_be_done_is_refused() {
    let text = Demosaic::new(&DemosaicSettings::default(), &clip()).unwrap_err().to_string();
    assert!(text.contains("mosaic = \"RGGB\""), "{text}");
    let mut f = Frame::mono(Plane::filled(8, 8, 1.0));
    let s = stage(Method::Directional, Mosaic::Rggb);
    assert!(s.apply(&mut f, &AT, &mut Notes::default()).is_err());
    let mut f = frame(Plane::filled(8, 1, 1.0), Mosaic::Rggb);
    assert!(s.apply(&mut f, &AT, &mut Notes::default()).unwrap_err().to_string().contains("8x1"));
    super::super::label_tests::agrees_with_doc(&DemosaicSettings::default(), &DOC);
}
