use super::super::label_tests::{agrees_with_doc, clip};
use super::*;
use crate::frame::units::Duration;
use rand::{Rng as _, SeedableRng as _};

const WHITE: f32 = 1000.0;

fn built(frames: usize, shutter: Shutter, angle: f64) -> Combine {
    Combine::new(&CombineSettings { frames, shutter, angle }).unwrap()
}

/// Every kind of shutter.
fn shutters() -> impl Iterator<Item = Combine> {
    [1, 2, 3, 4, 7, 40].into_iter().flat_map(|n| {
        [360.0, 180.0, 72.0]
            .into_iter()
            .flat_map(move |a| [Shutter::Box, Shutter::Smooth].map(|s| built(n, s, a)))
    })
}

/// The frames that `picture` gives, combined, of a clip where `there` says which are there.
fn combined(
    stage: &Combine,
    there: impl Fn(usize) -> bool,
    picture: impl Fn(usize) -> Frame,
) -> (Group, Frame) {
    let group = stage.group(0, there).unwrap();
    let mut sum = Sum::like(&picture(0), WHITE);
    for s in &group.shares {
        sum.add(&picture(s.position), s.weight);
    }
    (group, sum.finish())
}

fn row(values: &[f32]) -> Frame {
    Frame::mono(Plane::from_vec(values.len(), 1, values.to_vec()).unwrap())
}

#[test]
fn weights_by_hand() {
    assert_eq!(built(4, Shutter::Box, 360.0).weights(), [0.25; 4]);
    // Open for 2 of 4 intervals, then for half of one across the middle of an even number.
    assert_eq!(built(4, Shutter::Box, 180.0).weights(), [0.0, 0.5, 0.5, 0.0]);
    assert_eq!(built(4, Shutter::Box, 45.0).weights(), [0.0, 0.5, 0.5, 0.0]);
    // Open from 0.5 to 2.5 of 3.
    assert_eq!(built(3, Shutter::Box, 240.0).weights(), [0.25, 0.5, 0.25]);
    // The integral of (1 - cos 2 pi u) over quarters: 1/4 -+ 1/(2 pi).
    let outer = 0.25 - 1.0 / std::f64::consts::TAU;
    let smooth = built(4, Shutter::Smooth, 360.0);
    for (w, expected) in smooth.weights().iter().zip([outer, 0.5 - outer, 0.5 - outer, outer]) {
        assert!((w - expected).abs() < 1e-15, "{w} {expected}");
    }
}

#[test]
fn weights_add_up_to_one_and_are_symmetric() {
    for stage in shutters() {
        let w = stage.weights();
        assert!((w.iter().sum::<f64>() - 1.0).abs() < 1e-14, "{stage:?}");
        assert!(w.iter().all(|w| *w >= 0.0));
        assert!(w.iter().eq(w.iter().rev()), "{stage:?}");
    }
}

#[test]
fn one_frame_and_a_constant_stay_as_they_are_to_the_bit() {
    let picture = row(&[0.1, -3.7, 812.345, 1e-3]);
    for stage in shutters() {
        let (_, out) = combined(&stage, |_| true, |_| picture.clone());
        assert_eq!(out, picture, "{stage:?}");
        let (_, out) = combined(&stage, |k| k == stage.frames() / 2, |_| picture.clone());
        assert_eq!(out, picture, "{stage:?}");
    }
}

#[test]
fn a_ramp_in_time_gives_the_value_at_the_time_of_the_picture() {
    for stage in shutters() {
        for gap in [usize::MAX, 0, 1, 2] {
            let there = |k: usize| k != gap && k < 1000;
            if stage.group(0, there).is_none() {
                continue;
            }
            let ramp = |k: usize| row(&[5.0 + 8.0 * to_f32(k as f64)]);
            let (group, out) = combined(&stage, there, ramp);
            let at = group.lead() as f64 + 1e-6 * group.past() as f64;
            let found = f64::from(out.planes[0].at(0, 0));
            // Half a millionth of an interval, and f32.
            assert!((found - (5.0 + 8.0 * at)).abs() < 5e-5, "{stage:?} {gap}: {found} at {at}");
            if gap == usize::MAX {
                let middle = (stage.frames() as f64 - 1.0) / 2.0;
                assert!((at - middle).abs() <= 5e-7, "{stage:?}: {at}");
            }
        }
    }
}

#[test]
fn noise_goes_down_by_the_squares_of_the_weights() {
    // JCGM 100:2008 5.1.2 equation 10, from memory: the variance of a weighted sum of independent
    // values is the sum of w^2 times their variances.
    const PIXELS: usize = 40_000;
    let noise = |k: usize| {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(k as u64);
        // Uniform from -1 to 1: variance 1/3.
        let values: Vec<f32> = (0..PIXELS).map(|_| rng.random_range(-1.0..1.0)).collect();
        row(&values)
    };
    for stage in shutters().flat_map(|s| [(s.clone(), usize::MAX), (s, 2)]) {
        let (stage, gap) = stage;
        if stage.group(0, |k| k != gap).is_none() {
            continue;
        }
        let (group, out) = combined(&stage, |k| k != gap, noise);
        let squares: f64 = group.shares.iter().map(|s| s.weight * s.weight).sum();
        let found = out.planes[0].data().iter().map(|&v| f64::from(v * v)).sum::<f64>();
        let ratio = found / PIXELS as f64 / (squares / 3.0);
        // More than five standard deviations of a variance from so many values.
        assert!((ratio - 1.0).abs() < 5.0 * (2.0 / PIXELS as f64).sqrt(), "{stage:?}: {ratio}");
    }
}

#[test]
fn a_moving_edge_is_blurred_over_the_way_it_goes() {
    // An edge that moves v px a frame: its blur is the distribution of its places, for a box of N
    // frames uniform on N steps of v. Mean v (N - 1) / 2, variance v^2 (N^2 - 1) / 12 (discrete
    // uniform distribution, handbooks of statistics), full width v N.
    for (n, v) in [(4_usize, 3_usize), (5, 2), (8, 1)] {
        let edge = |k: usize| {
            row(&(0..64).map(|x| if x >= 10 + v * k { 1.0 } else { 0.0 }).collect::<Vec<_>>())
        };
        let spread = |shutter: Shutter, angle: f64| {
            let (_, out) = combined(&built(n, shutter, angle), |_| true, edge);
            let values = out.planes[0].data().to_vec();
            let steps: Vec<(f64, f64)> =
                (1..64).map(|x| (x as f64 - 10.0, f64::from(values[x] - values[x - 1]))).collect();
            let mean: f64 = steps.iter().map(|(x, d)| x * d).sum();
            let variance: f64 = steps.iter().map(|(x, d)| (x - mean).powi(2) * d).sum();
            // From the last 0 to the first 1, and the step that the edge itself is.
            let soft = values.iter().filter(|v| **v > 1e-6 && **v < 1.0 - 1e-6).count();
            (mean, variance, soft)
        };
        let (steps, way) = (n as f64, v as f64);
        let (mean, variance, soft) = spread(Shutter::Box, 360.0);
        assert!((mean - way * (steps - 1.0) / 2.0).abs() < 1e-5, "{mean}");
        assert!((variance - way * way * (steps * steps - 1.0) / 12.0).abs() < 1e-4, "{variance}");
        assert_eq!(soft, v * (n - 1));
        // Half of it on each side of the middle, with the frame's own interval: v N / 2.
        let half = (soft + v) as f64 / 2.0;
        assert!((half - way * steps / 2.0).abs() < 1e-12);
        // A soft shutter has the same middle and less blur; half the angle, half the way.
        let (smooth, narrower, _) = spread(Shutter::Smooth, 360.0);
        assert!((smooth - mean).abs() < 1e-5 && narrower < 0.8 * variance, "{narrower}");
        if n.is_multiple_of(4) {
            assert_eq!(spread(Shutter::Box, 180.0).2, v * (n / 2 - 1));
        }
    }
}

#[test]
fn what_is_missing_has_no_weight() {
    let stage = built(4, Shutter::Box, 360.0);
    let (group, out) = combined(&stage, |k| k != 2 && k < 4, |k| row(&[to_f32(k as f64)]));
    assert_eq!((group.lacking, group.lead(), group.past()), (1, 0, 1_333_333));
    assert!((out.planes[0].at(0, 0) - 4.0 / 3.0).abs() < 1e-6);
    // Frame 0 gone: the picture is called 1, and its time is frame 2.
    let group = stage.group(3, |k| k > 0).unwrap();
    assert_eq!((group.lead(), group.past()), (1, 1_000_000));
    // Half open, only the two in the middle count.
    let half = built(4, Shutter::Box, 180.0);
    assert_eq!(half.group(9, |_| true).unwrap().lead(), 9);
    assert_eq!(half.group(8, |k| k % 4 == 0), None);
    let group = half.group(10, |k| k % 4 != 1).unwrap();
    assert_eq!((group.lead(), group.lacking, group.shares[0].weight), (10, 1, 1.0));
}

#[test]
fn flaws_are_told_by_pixel() {
    let mut frames: Vec<Frame> = (0..4).map(|_| row(&[100.0; 4])).collect();
    // Pixel 0: missing once; 1: missing always; 2: saturated once; 3: saturated always.
    for (k, frame) in frames.iter_mut().enumerate() {
        let once = if k == 2 { [Flaw::Missing, Flaw::Saturated] } else { [Flaw::None; 2] };
        frame.flaws_mut(0).copy_from_slice(&[once[0], Flaw::Missing, once[1], Flaw::Saturated]);
        if k == 2 {
            frame.planes[0].set(0, 0, 9e9);
        }
    }
    let (_, out) = combined(&built(4, Shutter::Box, 360.0), |_| true, |k| frames[k].clone());
    assert_eq!(out.planes[0].data(), [100.0, 0.0, (300.0 + WHITE) / 4.0, WHITE]);
    assert_eq!(out.flaws_of(0).unwrap(), [Flaw::None, Flaw::Missing, Flaw::None, Flaw::Saturated]);
    // Frames without flaws before and after one with them.
    frames[0].flaws.clear();
    frames[3].flaws.clear();
    let (_, out) = combined(&built(4, Shutter::Box, 360.0), |_| true, |k| frames[k].clone());
    assert_eq!(
        out.planes[0].data(),
        [100.0, 100.0, (300.0 + WHITE) / 4.0, (200.0 + 2.0 * WHITE) / 4.0]
    );
    assert!(out.flaws.is_empty());
}

#[test]
fn settings_out_of_range_are_refused() {
    let why = |frames, angle| {
        let settings = CombineSettings { frames, angle, ..CombineSettings::default() };
        Combine::new(&settings).unwrap_err().to_string()
    };
    assert!(why(0, 360.0).contains("frames: 0 is not a whole number from 1 to 1000"));
    assert!(why(1001, 360.0).contains("1001"));
    assert!(why(4, 0.0).contains("angle: 0 is not a number from 1 to 360"));
    assert!(why(4, 361.0).contains("361"));
    assert!(why(4, f64::NAN).contains("NaN"));
}

#[test]
fn short_exposures_are_told() {
    let said = |exposure_us: f64, frames| {
        let exposure = Duration::from_s(1e-6 * exposure_us);
        built(frames, Shutter::Box, 360.0).warning(&ClipInfo { exposure, ..clip() })
    };
    // 5000 frames a second follow each other in 200 us.
    assert!(said(20.0, 4).unwrap().text.contains("10.0 % of its interval"));
    assert_eq!(said(150.0, 4), None);
    assert_eq!(said(20.0, 1), None);
}

#[test]
fn doc_and_default_agree() {
    agrees_with_doc(&CombineSettings::default(), &DOC);
}
