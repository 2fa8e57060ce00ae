//! Tests of [`super`]: edges, travel, trains, and what is no event.

use super::*;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};

/// A ramp from rest to rest between two times, sampled with noise.
fn ramp(from: f64, to: f64, seed: u64) -> Series {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let values: Vec<f64> = (0..200)
        .map(|i| {
            let t = f64::from(i) / 5000.0;
            let e: f64 = StandardNormal.sample(&mut rng);
            7.0 * ((t - from) / (to - from)).clamp(0.0, 1.0) + 0.02 * e
        })
        .collect();
    Series::even(&values, 5000.0, 0.02).unwrap()
}

#[test]
fn a_snap_lasts_as_long_as_it_lasts() {
    let frame = 1.0 / 5000.0;
    let mut within = 0;
    for seed in 0..40 {
        let from = 0.0121 + 1e-5 * f64::from(u32::try_from(seed).unwrap());
        let e = event(&ramp(from, from + 0.0024, seed)).unwrap();
        let off = e.duration_s.value - 0.0024;
        assert!(off.abs() < frame, "duration off by {off}");
        within += usize::from(off.abs() < 2.0 * e.duration_s.sigma);
        assert!((e.travel.value - 7.0).abs() < 5.0 * e.travel.sigma);
        assert!((e.start.time_s.value - from).abs() < frame);
        // Two rectangular times: 0.082 ms at 5000 fps (GUM 4.3.7).
        assert!((e.duration_s.sigma - 0.082e-3).abs() < 1e-6);
    }
    assert!(within >= 38, "k = 2 covers {within} of 40");
}

#[test]
fn what_gathers_speed_is_told_from_what_jumps() {
    let values: Vec<f64> =
        (0..120).map(|i| (f64::from(i) - 40.3).clamp(0.0, 30.0).powi(2) * 0.01).collect();
    let e = event(&Series::even(&values, 1000.0, 1e-3).unwrap()).unwrap();
    assert_eq!(e.start.onset, Onset::Quadratic);
    assert!((e.start.time_s.value - 0.0403).abs() < 2e-4, "{e:?}");
    assert!((e.end.time_s.value - 0.0703).abs() < 4e-4, "{e:?}");
}

#[test]
fn a_flight_after_a_bounce_ends_where_it_lands() {
    // A relay at 8000 frames a second: closing at 5.2 to 6.8 ms, flights of 1.1 and 0.7 ms; the last
    // one, 1.68 px high, lands at 8.6 ms between two frames.
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let place = |t: f64| {
        let flight = |from: f64, length: f64, high: f64| {
            let v = (t - from) / length;
            if (0.0..1.0).contains(&v) { -high * 4.0 * v * (1.0 - v) } else { 0.0 }
        };
        let closing = 14.0 * ((t - 5.2) / 1.6).clamp(0.0, 1.0).powi(2);
        closing + flight(6.8, 1.1, 4.9) + flight(7.9, 0.7, 1.68)
    };
    for k in 0..10 {
        let late = 0.0125 * f64::from(k);
        let values: Vec<f64> = (0..160)
            .map(|i| {
                let e: f64 = StandardNormal.sample(&mut rng);
                place(f64::from(i) / 8.0 - late) + 0.015 * e
            })
            .collect();
        let e = event(&Series::even(&values, 8000.0, 0.015).unwrap()).unwrap();
        let off = 1e3 * e.end.time_s.value - 8.6 - late;
        // Within two standard uncertainties, that of a time known to lie in one frame.
        assert!(off.abs() < 2e3 * e.end.time_s.sigma, "{off} ms at {late}: {e:?}");
        assert!(off.abs() < 0.05, "{off} ms at {late}: {e:?}");
    }
}

#[test]
fn no_event_and_no_rest_are_refused() {
    let still = Series::even(&[1.0; 50], 1000.0, 0.1).unwrap();
    assert!(event(&still).unwrap_err().to_string().contains("no event is seen"));
    let values: Vec<f64> = (0..60).map(|i| f64::from(i).min(30.0)).collect();
    let text = event(&Series::even(&values, 1000.0, 0.01).unwrap()).unwrap_err().to_string();
    assert!(text.contains("do not rest"), "{text}");
    let values: Vec<f64> = (0..60).map(|i| (f64::from(i) - 5.0).clamp(0.0, 30.0)).collect();
    let text = event(&Series::even(&values, 1000.0, 0.3).unwrap()).unwrap_err().to_string();
    assert!(text.contains("frames of rest") || text.contains("do not rest"), "{text}");
}

#[test]
fn a_train_of_events() {
    // Six events a second (arithmetic), every second one 2 ms late.
    let times: Vec<f64> =
        (0..13).map(|i| f64::from(i) / 6.0 + if i % 2 == 1 { 2e-3 } else { 0.0 }).collect();
    let r = repeating(&times, 1e-4).unwrap();
    assert!((r.rate_hz.value - 6.0).abs() < 0.01 && r.count == 13);
    assert!((r.limp_s.value - 4e-3).abs() < 1e-9, "{r:?}");
    assert!((r.jitter_s - 1e-3).abs() < 2e-4, "{r:?}");
    assert!(repeating(&times[..2], 1e-4).is_err());
    // u(P) = s sqrt(12 / (N (N^2 - 1))), N = 13, s = 0.1 ms, on an even train.
    let even: Vec<f64> = (0..13).map(|i| f64::from(i) / 6.0).collect();
    let r = repeating(&even, 1e-4).unwrap();
    let expected = 1e-4 * f64::sqrt(12.0 / (13.0 * 168.0)) * 36.0;
    assert!((r.rate_hz.sigma / expected - 1.0).abs() < 1e-9);
}

#[test]
fn a_limp_is_known_as_well_as_the_train_is_even() {
    // Trains that do not limp, with honest jitter of 0.1 ms on times known to 0.002 ms.
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    for n in [5, 13, 30] {
        let mut squares = 0.0;
        for _ in 0..400 {
            let times: Vec<f64> = (0..n)
                .map(|i| {
                    let e: f64 = StandardNormal.sample(&mut rng);
                    f64::from(i) / 6.0 + 1e-4 * e
                })
                .collect();
            let limp = repeating(&times, 2e-6).unwrap().limp_s;
            // Of so few times the scatter itself is known to a third or worse.
            squares += (limp.value / limp.sigma).powi(2).min(16.0) / 400.0;
        }
        assert!((0.8..3.0).contains(&squares), "{n}: {squares}");
    }
    // Arithmetic: the mean of 6 intervals less that of 6 others, ends shared, is known to
    // sqrt(16 x 12 - 8) / 12 = 1.130 of one time.
    let even: Vec<f64> = (0..13).map(|i| f64::from(i) / 6.0).collect();
    let limp = repeating(&even, 1e-4).unwrap().limp_s;
    assert!(limp.value.abs() < 1e-12 && (limp.sigma / 1.13e-4 - 1.0).abs() < 0.02, "{limp:?}");
}

#[test]
fn travel_is_known_as_its_two_levels_are() {
    let mut squares = 0.0;
    for seed in 100..400 {
        let travel = event(&ramp(0.012, 0.0144, seed)).unwrap().travel;
        squares += ((travel.value - 7.0) / travel.sigma).powi(2) / 300.0;
    }
    // 300 draws: the mean square is known to 0.08.
    assert!((0.7..1.3).contains(&squares), "{squares}");
}

#[test]
fn several_events_are_told_from_one() {
    let mut rng = ChaCha8Rng::seed_from_u64(12);
    let mut series = |place: &dyn Fn(f64) -> f64| {
        let values: Vec<f64> = (0..240)
            .map(|i| {
                let e: f64 = StandardNormal.sample(&mut rng);
                place(f64::from(i)) + 0.02 * e
            })
            .collect();
        event(&Series::even(&values, 1000.0, 0.02).unwrap()).ok().and_then(|e| e.pause_s)
    };
    let stroke = |t: f64, from: f64| 6.0 * ((t - from) / 12.0).clamp(0.0, 1.0);
    // Out, rest of 38 frames, on.
    let [from, to] = series(&|t| stroke(t, 60.0) + stroke(t, 110.0)).unwrap();
    assert!((0.069..0.080).contains(&from) && (0.107..0.113).contains(&to), "{from} {to}");
    // One stroke, a slow one, a bow of 100 frames, and one that rings out.
    assert_eq!(series(&|t| stroke(t, 60.0)), None);
    assert_eq!(series(&|t| 5.0 * ((t - 40.0) / 160.0).clamp(0.0, 1.0)), None);
    let bow = |t: f64| 7.0 * libm::sin(std::f64::consts::PI * ((t - 60.0) / 100.0).clamp(0.0, 1.0));
    assert_eq!(series(&bow), None);
    let ring = |t: f64| {
        let u = (t - 50.0).max(0.0);
        4.0 * libm::exp(-u / 25.0) * libm::sin(0.7 * u)
    };
    assert_eq!(series(&ring), None);
}

#[test]
fn what_creeps_or_dies_away_is_no_event() {
    let mut rng = ChaCha8Rng::seed_from_u64(13);
    let mut noisy = |sigma: f64, place: &dyn Fn(f64) -> f64| {
        let values: Vec<f64> = (0..120)
            .map(|i| {
                let e: f64 = StandardNormal.sample(&mut rng);
                place(f64::from(i)) + sigma * e
            })
            .collect();
        event(&Series::even(&values, 5000.0, sigma).unwrap())
    };
    // An even creep over all frames; it was an event of four fifths of its way.
    let mut refused = 0;
    for way in [0.25, 0.6, 1.2] {
        for _ in 0..10 {
            refused += usize::from(noisy(0.012, &|i| way * i / 119.0).is_err());
        }
    }
    assert!(refused >= 28, "{refused} of 30");
    // Lifted and let go at 1.2 ms, 412 Hz, tau 9 ms: it does not end in this clip.
    let ring = |i: f64| {
        let t = (i / 5000.0 - 0.0052).max(0.0);
        let fall = libm::exp(-t / 0.009);
        if i < 26.0 { 0.0 } else { 3.0 * fall * libm::sin(std::f64::consts::TAU * 412.0 * t) }
    };
    let mut refused = 0;
    for sigma in [0.02, 0.05, 0.1, 0.2] {
        for _ in 0..10 {
            refused += usize::from(noisy(sigma, &ring).is_err());
        }
    }
    assert!(refused >= 36, "{refused} of 40");
    // A snap out of a rest that drifts slowly is one; between the middles of both rests lies as much of the
    // drift: 0.0004 x 65.
    for _ in 0..10 {
        let snap = |i: f64| 0.0004 * i + 6.0 * ((i - 50.0) / 8.0).clamp(0.0, 1.0);
        let travel = noisy(0.01, &snap).unwrap().travel;
        assert!((travel.value - 6.026).abs() < 0.02 && travel.sigma < 0.1, "{travel:?}");
    }
}

#[test]
fn rises_are_found_between_samples() {
    let values: Vec<f64> =
        (0..500).map(|i| libm::sin(std::f64::consts::TAU * (f64::from(i) / 50.0 - 0.1))).collect();
    let times = rises(&Series::even(&values, 1000.0, 0.01).unwrap(), 0.5).unwrap();
    assert_eq!(times.len(), 10);
    for (i, t) in times.iter().enumerate() {
        assert!((t.value - (i as f64 + 0.1) / 20.0).abs() < 2e-4, "{t:?}");
    }
    assert!(rises(&Series::even(&[0.0; 9], 1.0, 0.1).unwrap(), 0.5).is_err());
}
