//! Tests of [`super`].

use super::*;
use crate::frame::{Domain, Mosaic};

fn to(shift: [f64; 2], size: [usize; 2]) -> Move {
    Move { window: Window { origin: [0, 0], size }, ..Move::shifted(shift) }
}

#[test]
fn nothing_to_move_changes_no_bit() {
    let p = Plane::from_fn(20, 16, |x, y| (x * 31 + y * 7) as f32 * 0.37);
    let f = moved(&Frame::mono(p.clone()), &to([0.0, 0.0], [20, 16]));
    assert_eq!(f.planes[0], p);
    assert!(f.flaws.is_empty());
}

#[test]
fn content_comes_back_to_where_it_was() {
    let wave = |x: f64| to_f32(100.0 + 30.0 * libm::sin(0.4 * x));
    let seen = Plane::from_fn(64, 20, |x, _| wave(x as f64 - 2.3));
    let f = moved(&Frame::mono(seen), &to([2.3, 0.0], [60, 20]));
    for x in 6..54 {
        assert!((f.planes[0].at(x, 10) - wave(x as f64)).abs() < 0.2);
    }
}

#[test]
fn what_lies_among_saturated_samples_is_saturated_and_the_unseen_is_missing() {
    // Columns 6 to 9 are cut off at white.
    let lit = |x: usize| (6..10).contains(&x);
    let plane = Plane::from_fn(20, 16, |x, _| if lit(x) { 4000.0 } else { 200.0 });
    let mut frame = Frame::mono(plane);
    (0..16 * 20).for_each(|i| {
        if lit(i % 20) {
            frame.flaws_mut(0)[i] = Flaw::Saturated;
        }
    });
    let coding = Coding::for_white(4000.0);
    for (shift, first, last) in [(0.0, 6, 9), (1.5, 5, 7), (1.05, 5, 8), (-0.95, 7, 10)] {
        let l = &locked(&frame, &to([shift, 0.0], [18, 16]), coding)[0];
        for x in 1..18 {
            let code = l.codes[8 * 18 + x];
            assert_eq!(code == Coding::SATURATED, (first..=last).contains(&x), "{shift} {x}");
            // No rim darker than the ground, none brighter than white.
            if code != Coding::SATURATED && code != Coding::MISSING {
                let v = coding.decode(code);
                assert!((199.0..4001.0).contains(&v), "{shift} {x}: {v}");
            }
        }
    }
    let l = &locked(&frame, &to([2.6, 0.0], [18, 16]), coding)[0];
    assert_eq!(l.codes[8 * 18 + 17], Coding::MISSING);
}

#[test]
fn colours_of_a_mosaic_are_not_mixed() {
    let plane = Plane::from_fn(40, 32, |x, y| [900.0, 300.0, 310.0, 50.0][y % 2 * 2 + x % 2]);
    let frame = Frame { layout: Layout::Mosaic(Mosaic::Rggb), ..Frame::mono(plane.clone()) };
    let by =
        Move { window: Window { origin: [4, 4], size: [32, 24] }, ..Move::shifted([0.7, -1.3]) };
    let out = moved(&frame, &by);
    assert_eq!(out.layout, frame.layout);
    for (found, seen) in out.planes[0].data().iter().zip(plane.crop(4, 4, 32, 24).data()) {
        assert!((found - seen).abs() < 1e-3, "{found} {seen}");
    }
}

#[test]
fn a_mosaic_comes_apart_and_together() {
    let plane = Plane::from_fn(8, 6, |x, y| (y * 8 + x) as f32);
    let mut frame = Frame {
        planes: vec![plane],
        layout: Layout::Mosaic(Mosaic::Rggb),
        domain: Domain::Linear,
        flaws: Vec::new(),
    };
    frame.flaws_mut(0)[11] = Flaw::Saturated;
    let sites = into_sites(frame.clone());
    assert_eq!(sites.planes.len(), 4);
    assert!((sites.planes[3].at(0, 0) - 9.0).abs() < 1e-6);
    assert_eq!(into_mosaic(sites), frame);
}
