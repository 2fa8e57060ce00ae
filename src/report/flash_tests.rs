//! The flash screening against published values and against a slow version of itself.
//!
//! Values: WCAG 2.2 success criterion 2.3.1, its definitions of relative luminance and of general
//! and red flash (W3C); counts as in the public test media for photosensitivity ("7 or more
//! alternating transitions"). Counts of the shots come from our own arithmetic on a sine: mean
//! 0.3, 80 % ripple, whole frame.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::flash::{Cells, FlashReport, Screening, State, general_change, red_change};
use super::flash_count::within_second;
use crate::frame::Curve;
use crate::frame::convert::to_f32;
use crate::frame::units::FrameRate;

fn light(code: u8) -> f64 {
    Curve::Srgb.decode(f64::from(code) / 255.0)
}

fn rgb(codes: [u8; 3]) -> State {
    State { rgb: codes.map(|c| to_f32(light(c))) }
}

fn rate(n: u64) -> FrameRate {
    FrameRate::new(n, 1).unwrap()
}

fn grey(level: f64) -> State {
    State { rgb: [to_f32(level); 3] }
}

/// A movie of 6 x 6 cells, each given by cell and frame.
fn film(frames: usize, rate: FrameRate, cell: impl Fn(usize, usize) -> State) -> FlashReport {
    film_held(frames, rate, cell, true)
}

fn film_held(
    frames: usize,
    rate: FrameRate,
    cell: impl Fn(usize, usize) -> State,
    colour: bool,
) -> FlashReport {
    let mut s = Screening::new((6, 6), rate);
    for t in 0..frames {
        let states = (0..36).map(|c| cell(c, t)).collect();
        s.push(Cells { size: (6, 6), states, colour }, 1);
    }
    s.finish()
}

#[test]
fn luminances_of_grey_codes() {
    for (code, expected) in [
        (64, 0.0513),
        (89, 0.0999),
        (90, 0.1022),
        (100, 0.1274),
        (128, 0.2159),
        (200, 0.5776),
        (220, 0.7157),
        (231, 0.7991),
        (232, 0.8070),
        (255, 1.0),
    ] {
        assert!((rgb([code; 3]).luminance() - expected).abs() < 5.1e-5, "{code}");
    }
}

#[test]
fn pairs_that_count_and_pairs_that_do_not() {
    for (a, b, counts) in [
        (0, 89, false),
        (0, 90, true),
        (64, 100, false),
        (100, 130, false),
        (128, 150, false),
        (200, 220, true),
        (231, 255, true),
        (232, 255, false),
    ] {
        assert_eq!(general_change(light(a), light(b)), counts, "{a} -> {b}");
        assert_eq!(general_change(light(b), light(a)), counts, "{b} -> {a}");
    }
    assert!(general_change(0.05, 0.15), "exactly 0.10 counts");
    assert!(!general_change(0.05, 0.14) && !general_change(0.81, 1.0));
}

#[test]
fn red_pairs() {
    let red = rgb([255, 0, 0]);
    assert!((red.uv()[0] - 0.4507).abs() < 1e-4 && (red.uv()[1] - 0.5229).abs() < 1e-4);
    let white = rgb([255; 3]);
    assert!((white.uv()[0] - 0.1978).abs() < 1e-4 && (white.uv()[1] - 0.4683).abs() < 1e-4);
    for (a, b, counts) in [
        (red, white, true),
        (red, rgb([0, 0, 255]), true),
        (red, rgb([0, 255, 0]), true),
        (red, rgb([180, 0, 0]), false),
        (red, rgb([255, 128, 0]), false),
        (rgb([255, 64, 32]), white, true),
    ] {
        assert_eq!(red_change(&a, &b), counts, "{a:?} {b:?}");
        assert_eq!(red_change(&b, &a), counts, "{b:?} {a:?}");
    }
    assert!((rgb([255, 64, 32]).red_share() - 0.938).abs() < 5e-4);
    assert!((rgb([255, 128, 0]).red_share() - 0.8225).abs() < 5e-4);
}

/// Lamp ripple at `hz` filmed at `capture` and shown at `shown`, ten seconds from a peak on. (From
/// the middle of a swing on, the half swing at the start counts besides.)
fn ripple(hz: f64, capture: f64, shown: u64) -> FlashReport {
    film_held(
        usize::try_from(10 * shown).unwrap(),
        rate(shown),
        |_, t| {
            let phase = std::f64::consts::TAU * hz * t as f64 / capture;
            grey(0.3 * (1.0 + 0.8 * libm::cos(phase)))
        },
        false,
    )
}

#[test]
fn counts_of_slowed_lamp_ripple() {
    for (hz, capture, shown, changes, passes) in [
        (100.0, 1000.0, 25, 5, true),
        (120.0, 1000.0, 25, 6, true),
        (100.0, 800.0, 25, 7, false),
        (120.0, 960.0, 25, 7, false),
        (100.0, 500.0, 25, 10, false),
        (100.0, 1000.0, 30, 6, true),
        (100.0, 5000.0, 25, 1, true),
    ] {
        let r = ripple(hz, capture, shown);
        assert_eq!(r.general_changes, changes, "{hz} Hz at {capture}, shown at {shown}");
        assert_eq!(r.passes(), passes, "{hz} Hz at {capture}, shown at {shown}: {r:?}");
    }
}

#[test]
fn squares_three_times_pass_and_three_and_a_half_times_fail() {
    // Two seconds of rest before and after, so that the join adds nothing.
    let square = |changes: usize, low: f64, high: f64| {
        film_held(
            125,
            rate(25),
            move |_, t| {
                let step = (t.saturating_sub(48) / 3).min(changes);
                grey(if t >= 48 && step % 2 == 1 { high } else { low })
            },
            false,
        )
    };
    let six = square(6, 0.05, 0.50);
    assert!(six.passes() && six.general_changes == 6, "{six:?}");
    let seven = square(7, 0.05, 0.50);
    assert!(!seven.passes() && seven.general_changes == 7, "{seven:?}");
    assert_eq!(square(7, 0.05, 0.14).general_changes, 0);
    assert_eq!(square(7, 0.05, 0.15).general_changes, 7);
    assert_eq!(square(7, 0.81, 1.0).general_changes, 0);
    let failure = &seven.failures[0];
    assert!(failure.from_s >= 48.0 / 25.0 && failure.to_s <= 3.0, "{failure:?}");
    assert!(failure.quarter_of_frame);
}

#[test]
fn a_ramp_of_many_steps_is_one_change() {
    let r = film_held(50, rate(25), |_, t| grey(0.05 + 0.015 * t as f64), false);
    // Up once, and down once at the join.
    assert!(r.general_changes <= 2, "{r:?}");
}

#[test]
fn small_areas_pass_whatever_they_do() {
    // A field is 2 x 2 of 6 x 6 cells: one cell is a quarter of it and fails.
    let one =
        film_held(50, rate(25), |c, t| grey(if c == 14 { (t % 2) as f64 } else { 0.3 }), false);
    assert!(!one.passes() && !one.failures[0].quarter_of_frame, "{one:?}");
    // With 12 x 12 cells one cell is a sixteenth.
    let mut s = Screening::new((12, 12), rate(25));
    for t in 0..50 {
        let states = (0..144).map(|c| grey(if c == 14 { f64::from(t % 2) } else { 0.3 })).collect();
        s.push(Cells { size: (12, 12), states, colour: false }, 1);
    }
    assert!(s.finish().passes());
}

/// 1920 x 1080: the field is 640 x 360 px, and its quarter 57,600 px (trade note, from WCAG
/// technique G176: 341 x 256 on 1024 x 768).
#[test]
fn a_quarter_of_a_field_of_a_full_screen_picture_fails_and_less_passes() {
    let (w, h) = (1920, 1080);
    let film = |wide: usize| {
        let picture = |code: u8| {
            let mut codes = vec![90; w * h];
            for row in codes.chunks_exact_mut(w).skip(360).take(180) {
                row[800..800 + wide].fill(code);
            }
            Cells::of((w, h, 1), &codes).unwrap()
        };
        let both = [picture(0), picture(255)];
        let mut s = Screening::new(both[0].size, rate(25));
        (0..50).for_each(|t| s.push(both[t / 3 % 2].clone(), 1));
        s.finish()
    };
    let quarter = film(57_600 / 180);
    assert!(!quarter.passes() && !quarter.failures[0].quarter_of_frame, "{quarter:?}");
    assert!(film(57_600 / 180 - 20).passes());
}

#[test]
fn what_only_the_loop_makes_flash_is_found() {
    // 15 frames at 25 a second: up, down, up, down; once through 4 changes, looped 4 in 0.6 s.
    let level = |t: usize| grey(if (t / 3) % 2 == 1 { 0.6 } else { 0.05 });
    let r = film_held(12, rate(25), |_, t| level(t), false);
    assert!(!r.passes(), "{r:?}");
}

#[test]
fn red_flashes_fail_where_luminance_does_not() {
    // Red and a grey of the same luminance.
    let red = rgb([255, 0, 0]);
    let same = grey(red.luminance());
    let r = film(50, rate(25), |_, t| if t / 2 % 2 == 0 { red } else { same });
    assert_eq!(r.general_changes, 0);
    assert!(r.red_changes >= 7 && r.failures.iter().all(|f| f.kind == "red"), "{r:?}");
}

#[test]
fn long_runs_of_permitted_flashes_are_told() {
    assert!(ripple(100.0, 1000.0, 25).long_run_s.is_some());
    assert!(ripple(100.0, 5000.0, 25).long_run_s.is_none());
}

/// The same by definition: all pairs of frames, all seconds, all fields, no running state.
fn slow(cells: &[Vec<State>], size: (usize, usize), rate: FrameRate) -> (usize, usize) {
    let n = cells.len();
    let count = size.0 * size.1;
    let mut most = [0, 0];
    for (kind, best) in most.iter_mut().enumerate() {
        let mut changes: Vec<Vec<i8>> = vec![vec![0; count]; n];
        for c in 0..count {
            let (mut last, mut since) = (0_i8, 0);
            for t in 1..n {
                let way = (since..t).find_map(|s| {
                    let (a, b) = (&cells[s][c], &cells[t][c]);
                    let way = if kind == 0 {
                        let up = b.luminance() > a.luminance();
                        general_change(a.luminance(), b.luminance()).then_some(if up {
                            1
                        } else {
                            -1
                        })
                    } else {
                        let near = within_second(s as u64, t as u64, rate);
                        let up = b.red_share() >= a.red_share();
                        (near && red_change(a, b)).then_some(if up { 1 } else { -1 })
                    };
                    way.filter(|w| *w != last)
                });
                if let Some(way) = way {
                    changes[t][c] = way;
                    (last, since) = (way, t);
                }
            }
        }
        let (fw, fh) = (size.0 / 3, size.1 / 3);
        for x in 0..=size.0 - fw {
            for y in 0..=size.1 - fh {
                let inside: Vec<usize> = (0..count)
                    .filter(|c| (x..x + fw).contains(&(c % size.0)))
                    .filter(|c| (y..y + fh).contains(&(c / size.0)))
                    .collect();
                let mut last = 0;
                let mut events = vec![false; n];
                for t in 0..n {
                    let reached = [1, -1].into_iter().find(|way| {
                        let hot = inside.iter().filter(|&&c| changes[t][c] == *way).count();
                        4 * hot >= fw * fh && *way != last
                    });
                    if let Some(way) = reached {
                        events[t] = true;
                        last = way;
                    }
                }
                for t in 0..n {
                    let second = |s: &usize| within_second(*s as u64, t as u64, rate);
                    let whole = (0..=t).filter(second).filter(|&s| events[s]).count();
                    let mut each: Vec<usize> = inside
                        .iter()
                        .map(|&c| (0..=t).filter(second).filter(|&s| changes[s][c] != 0).count())
                        .collect();
                    each.sort_unstable_by(|a, b| b.cmp(a));
                    *best = (*best).max(whole).max(each[(fw * fh).div_ceil(4) - 1]);
                }
            }
        }
    }
    (most[0], most[1])
}

#[test]
fn the_slow_version_agrees_on_random_clips() {
    let mut rng = ChaCha8Rng::seed_from_u64(1702);
    let mut failing = 0;
    for round in 0..60 {
        let size = if round % 2 == 0 { (6, 6) } else { (3, 9) };
        let count = size.0 * size.1;
        let fps = rate([8, 12, 25][round % 3]);
        let frames = rng.random_range(3..40);
        // Slow and quick clips, some with much red.
        let keep: f64 = rng.random_range(0.0..0.9);
        let tints = [[1.0, 1.0, 1.0], [1.0, 0.05, 0.0], [0.1, 0.8, 1.0]];
        let draw = |rng: &mut ChaCha8Rng| {
            let level: f64 = rng.random_range(0.0..1.0);
            State { rgb: tints[rng.random_range(0..3)].map(|t: f64| to_f32(t * level)) }
        };
        let mut now: Vec<State> = (0..count).map(|_| draw(&mut rng)).collect();
        let mut clip = Vec::new();
        for _ in 0..frames {
            let all = draw(&mut rng);
            let together = rng.random_bool(0.5);
            for cell in &mut now {
                if !rng.random_bool(keep) {
                    *cell = if together { all } else { draw(&mut rng) };
                }
            }
            clip.push(now.clone());
        }
        let mut s = Screening::new(size, fps);
        for states in &clip {
            s.push(Cells { size, states: states.clone(), colour: true }, 1);
        }
        let fast = s.finish();
        // The same join: two seconds of the beginning, as often as it comes round.
        let looped: Vec<_> = (0..frames + 2 * usize::try_from(fps.num()).unwrap())
            .map(|t| clip[t % frames].clone())
            .collect();
        let (general, red) = slow(&looped, size, fps);
        assert_eq!((fast.general_changes, fast.red_changes), (general, red), "round {round}");
        assert_eq!(fast.passes(), general.max(red) < 7, "round {round}: {fast:?}");
        failing += usize::from(!fast.passes());
    }
    assert!((5..55).contains(&failing), "clips of one kind only: {failing} of 60 fail");
}
