//! Accuracy of the registration against the Cramer-Rao bound: prints a table.
//!
//! `cargo bench --bench steadying` (all rows) or `cargo bench --bench steadying -- quick`.
#![allow(
    clippy::redundant_clone,
    clippy::expect_used,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_lossless,
    reason = "a bench prints, and a fault may end it"
)]

mod scene;

use hushframe::register::{PixelNoise, RegisterSettings, block};
use scene::{Scene, Setup, rms_error};

struct Row {
    name: String,
    error: f64,
    bound: f64,
    claimed: f64,
    still: f64,
}

fn run(name: &str, setup: Setup) -> Result<Row, String> {
    let scene = Scene::new(setup);
    let frames: Vec<_> = (0..scene.setup.frames).map(|k| scene.coded(k)).collect();
    let noise = PixelNoise::new(&scene.noise());
    let list: Vec<_> = frames.iter().map(Some).collect();
    let done = block::register(&list, &noise, &RegisterSettings::default())
        .map_err(|e| format!("{name}: {e}"))?;
    let mut found = Vec::new();
    let mut truth = Vec::new();
    let mut claimed = 0.0;
    for (p, t) in done.poses.iter().zip(&scene.truth) {
        if let Some(p) = p {
            found.push(p.shift);
            truth.push(*t);
            claimed += p.sigma * p.sigma;
        }
    }
    if found.len() < frames.len() {
        println!("{name}: {} of {} frames measured", found.len(), frames.len());
    }
    let mut bound = 0.0;
    let mut n = 0.0;
    for k in (0..frames.len()).step_by(6) {
        let b = scene.bound(k);
        bound += b[0] * b[0] + b[1] * b[1];
        n += 2.0;
    }
    Ok(Row {
        name: name.to_owned(),
        error: rms_error(&found, &truth),
        bound: f64::sqrt(bound / n),
        claimed: (claimed / found.len().max(1) as f64).sqrt(),
        still: done.still_share(),
    })
}

fn main() {
    let wanted: Vec<String> =
        std::env::args().skip(1).filter(|a| !a.starts_with('-') && a != "quick").collect();
    let quick = std::env::args().any(|a| a == "quick");
    println!(
        "{:44} {:>9} {:>9} {:>6} {:>9} {:>6}",
        "scene", "rms px", "bound px", "ratio", "claimed", "still"
    );
    let pairs: &[(&'static str, &'static str)] = if quick {
        &[("brick", "gravel")]
    } else {
        &[("brick", "gravel"), ("camera", "gravel"), ("grass", "brick"), ("gravel", "camera")]
    };
    let mut rows = Vec::new();
    for &(background, foreground) in pairs {
        for peak in [25.0, 150.0, 2000.0] {
            rows.push((
                format!("{background} behind {foreground}, {peak} e-"),
                Setup { background, foreground, peak, ..Setup::default() },
            ));
        }
    }
    let base = Setup::default();
    rows.push((
        "slow foreground 0.15 px/frame, 150 e-".into(),
        Setup { velocity: [0.13, 0.07], ring: 0.0, turn: 0.0, ..base.clone() },
    ));
    rows.push(("no foreground, 150 e-".into(), Setup { share: 0.0, ..base.clone() }));
    if !quick {
        rows.push(("drift 10 px, 150 e-".into(), Setup { pan: [0.16, 0.08], ..base.clone() }));
        rows.push(("drift 30 px, 150 e-".into(), Setup { pan: [0.5, 0.2], ..base.clone() }));
    }
    for (name, setup) in rows {
        if !wanted.is_empty() && !wanted.iter().any(|w| name.contains(w.as_str())) {
            continue;
        }
        match run(&name, setup) {
            Ok(r) => println!(
                "{:44} {:9.4} {:9.4} {:6.2} {:9.4} {:6.2}",
                r.name,
                r.error,
                r.bound,
                r.error / r.bound,
                r.claimed,
                r.still
            ),
            Err(e) => println!("{e}"),
        }
    }
}
