//! Tests of [`super`].

use super::*;
use crate::frame::{Coding, Plane};

/// A smooth texture that moved by (dx, dy).
fn picture(dx: f64, dy: f64) -> FixedPlane {
    let plane = Plane::from_fn(96, 96, |x, y| {
        let (u, v) = (x as f64 - dx, y as f64 - dy);
        let wave = libm::sin(0.31 * u + 0.2 * v) + libm::sin(0.23 * v - 0.45 * u);
        crate::frame::convert::to_f32(100.0 + 20.0 * wave + 15.0 * libm::sin(0.11 * u * 1.3))
    });
    FixedPlane::from_plane(&plane, None, Coding::for_white(200.0))
}

fn found(at: impl Fn(f64) -> [f64; 2]) -> Path {
    let frames: Vec<FixedPlane> = (0..FRAMES)
        .map(|i| {
            let d = at(i as f64 - REACH as f64);
            picture(d[0], d[1])
        })
        .collect();
    let sizes: Vec<Pyramid> = frames.iter().map(Pyramid::new).collect();
    let list: Neighbours<'_> =
        std::array::from_fn(|i| Some(Neighbour { full: &frames[i], sizes: &sizes[i] }));
    let rect = Window::new([24, 24], &frames[0]);
    let (whole, ratio) = search(&list, rect, None);
    assert_eq!(search(&list, rect, Some((whole, ratio))).0, whole);
    assert_eq!(search(&list, rect, Some(([5, -3], 0.9))), (whole, ratio));
    // What is as fast as is looked for at all is held against its neighbours within.
    let most = signed(RANGE);
    for [x, y] in [[most, most], [-most, -most], [most, 0], [0, -most]] {
        let (found, ratio) = search(&list, rect, Some(([x, y], 9.0)));
        assert!(found == [x, y] || found == whole, "{found:?}");
        assert!(ratio.is_finite());
    }
    assert!(ratio < 0.5, "{ratio}");
    refined(&list, rect, whole)
}

/// A path from a whole velocity on.
fn refined(list: &Neighbours<'_>, rect: Window, whole: [isize; 2]) -> Path {
    let mut path = from_whole(whole);
    let mut s = Scratch::default();
    let all = [-4, -3, -2, -1, 0, 1, 2, 3, 4];
    for at in [(&all[2..7], Size::Half), (&all, Size::Half), (&all, Size::Full), (&all, Size::Full)]
    {
        refine(list, rect, &mut path, at, 1e-3, &mut s);
    }
    path
}

#[test]
fn constant_and_bent_paths_are_found() {
    let straight = found(|t| [1.5 * t, 0.8 * t]);
    assert!((straight.velocity[0] - 1.5).abs() < 0.01, "{straight:?}");
    assert!((straight.velocity[1] - 0.8).abs() < 0.01, "{straight:?}");
    let bent = found(|t| [-2.2 * t, 0.4 * t + 0.1 * t * t]);
    for k in [-4_isize, 4] {
        let t = k as f64;
        let d = bent.at(k);
        assert!((d[0] + 2.2 * t).abs() < 0.08, "{bent:?}");
        assert!((d[1] - 0.4 * t - 0.1 * t * t).abs() < 0.08, "{bent:?}");
    }
}

#[test]
fn what_rings_is_followed_frame_by_frame() {
    // 9 frames are four fifths of a period: no parabola.
    let ring = |t: f64| [0.0, 1.5 * libm::sin(0.55 * t + 0.8)];
    let frames: Vec<FixedPlane> = (-4_isize..=4).map(|k| picture(0.0, ring(k as f64)[1])).collect();
    let sizes: Vec<Pyramid> = frames.iter().map(Pyramid::new).collect();
    let list: Neighbours<'_> =
        std::array::from_fn(|i| Some(Neighbour { full: &frames[i], sizes: &sizes[i] }));
    let path = refined(&list, Window::new([24, 24], &frames[0]), [0, 0]);
    for k in -4_isize..=4 {
        let d = path.at(k);
        let expected = ring(k as f64)[1] - ring(0.0)[1];
        assert!((d[1] - expected).abs() < 0.05 && d[0].abs() < 0.05, "{k}: {d:?} {expected}");
    }
}

#[test]
fn chance_strays_are_left_alone() {
    // Shortfalls of the size that noise gives, none of which is a line: the path stays a parabola.
    let little = 1.0 / 16.0;
    let inverse = Sym2 { xx: little, xy: 0.0, yy: little };
    let ks = [-4, -3, -2, -1, 0, 1, 2, 3, 4];
    let by = [0.2, -0.3, 0.1, 0.3, -0.2, -0.1, 0.3, -0.3, 0.1];
    let mut path = Path::default();
    let said = correct(&mut path, (&ks, &by.map(|v| [v, v])), (inverse, 1.0), (1.0, true));
    assert_eq!(path.rest, [[0.0; 2]; FRAMES]);
    // Mean square 0.047 over 0.0625 (1 - 1 / 9), by hand.
    assert!((said - 0.93).abs() < 0.02, "{said}");
    // Ten times as large they are what frames stray by, but for the part that may be noise.
    correct(&mut path, (&ks, &by.map(|v| [10.0 * v, v])), (inverse, 1.0), (1.0, false));
    assert_eq!(path.rest, [[0.0; 2]; FRAMES], "at an edge");
    let mut path = Path::default();
    correct(&mut path, (&ks, &by.map(|v| [10.0 * v, v])), (inverse, 1.0), (1.0, true));
    assert!(path.rest.iter().all(|r| r[1] == 0.0), "{path:?}");
    let now = path.rest.map(|r| r[0]);
    assert!(now[4] == 0.0 && now.iter().any(|v| v.abs() > 1.0), "{path:?}");
}
