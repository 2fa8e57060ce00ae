//! Memory asked for a frame, once the first frames have been made.
//!
//! `cargo bench --bench allocations`: clips of 160 and 288 frames of 640 x 480 through `clean`, on one
//! thread; what the longer one asks for beyond the shorter one, a frame. The length of a run of
//! frames does not change what the first ones need, so the difference is what each further one
//! asks for: reading, both passes, and writing.
#![allow(
    clippy::expect_used,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_lossless,
    reason = "a bench prints, and a fault may end it"
)]

mod camera;

use std::alloc::System;
use std::path::Path;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use hushframe::engine::{Silent, Work};
use hushframe::footage::RealDisk;
use hushframe::night::clip;
use hushframe::night::out::{Out, Patience};
use hushframe::night::shoot::find_pipeline;
use hushframe::pipeline::Step;
use stats_alloc::{INSTRUMENTED_SYSTEM, Region, StatsAlloc};

use camera::{Camera, job};

#[global_allocator]
static MEMORY: &StatsAlloc<System> = &INSTRUMENTED_SYSTEM;

const SIZE: [usize; 2] = [640, 480];
const LENGTHS: [usize; 2] = [160, 288];

/// Times that memory was asked for (or made larger), and bytes, in a whole run.
fn asked(dir: &Path, frames: usize, averages: bool) -> [f64; 2] {
    let input = dir.join(frames.to_string());
    if !input.exists() {
        Camera::new(SIZE[0], SIZE[1]).film(&input, frames);
    }
    let mut pipeline = find_pipeline("clean", Path::new(".")).expect("pipeline");
    if !averages {
        pipeline.steps.retain(|s| !matches!(s, Step::Average(_)));
    }
    let job = job(input, pipeline);
    let folder = tempfile::tempdir_in(dir).expect("folder");
    let (stop, patience) = (AtomicBool::new(false), Patience::new(Duration::ZERO));
    let work = Work::new(1, &stop, &Silent);
    let out = Out { folder: folder.path(), disk: &RealDisk, patience: &patience };
    let region = Region::new(MEMORY);
    clip::run(&job, &out, &work).expect("run");
    let s = region.change();
    [(s.allocations + s.reallocations) as f64, s.bytes_allocated as f64]
}

fn main() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build_global();
    pool.expect("one thread");
    let [few, many] = LENGTHS;
    let frame = (2 * SIZE[0] * SIZE[1]) as f64;
    for (name, averages) in [("steadied", false), ("steadied and averaged", true)] {
        let (a, b) = (asked(dir.path(), few, averages), asked(dir.path(), many, averages));
        let [times, bytes] = [0, 1].map(|i| (b[i] - a[i]) / (many - few) as f64);
        println!(
            "{name}: {times:.0} times a frame, {:.0} kB ({:.2} of a frame's 16 bits)",
            bytes / 1e3,
            bytes / frame
        );
    }
}
