//! `hushframe measure`.

use std::path::{Path, PathBuf};

use super::facts::FactOptions;
use super::options::{Region, range, region};
use super::{Outcome, Ui};
use crate::day::motion::{self, MotionArgs};
use crate::footage::printable;
use crate::night::job::ClipJob;
use crate::night::shoot;

/// Arguments of `measure`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
CLIP is the folder that a run made of a clip (with frames/, frames.csv and record.json; pipeline \
clean), or a folder of raw frames, then with --dark and --flat as for run. The region is counted \
in the pictures named: look at the first one.")]
pub(super) struct Args {
    /// A finished clip's folder, or a folder (or multi-page TIFF) of raw frames
    clip: PathBuf,
    /// The part to follow, in px of the first frame
    #[arg(long, value_name = "X,Y,W,H", value_parser = region)]
    region: Region,
    /// Folder for table, numbers and plot [default: NAME-motion in the current folder]
    #[arg(short = 'o', long = "output", value_name = "DIR")]
    output: Option<PathBuf>,
    /// Direction of the motion in degrees, 0 right, 90 down [default: that of most motion]
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true, value_parser = degrees)]
    direction: Option<f64>,
    /// Only these frames
    #[arg(long, value_name = "A-B", value_parser = range)]
    frames: Option<(u64, u64)>,
    /// Frames in which one event is: rest, motion, rest [default: all]
    #[arg(long, value_name = "A-B", value_parser = range)]
    event: Option<(u64, u64)>,
    /// Frames in which the part rings freely [default: after the largest displacement]
    #[arg(long, value_name = "A-B", value_parser = range)]
    ring: Option<(u64, u64)>,
    /// Most oscillations looked for in the ringing
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=6))]
    modes: u8,
    /// Frames on each side that speed is taken from [default: by the ringing, or 4]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(2..=500))]
    window: Option<u16>,
    /// Also the part's rotation, from all of its region
    #[arg(long)]
    rotation: bool,
    /// Also pictures for the edit: box, path, and a graph that grows under the picture
    #[arg(long)]
    overlay: bool,
    /// Pipeline whose corrections raw frames get: clean, or a file
    #[arg(long, value_name = "FILE", default_value = shoot::DEFAULT_PIPELINE)]
    pipeline: String,
    /// Folder of black reference frames, for raw frames
    #[arg(long, value_name = "FOLDER")]
    dark: Option<PathBuf>,
    /// Folder of even field frames, for raw frames
    #[arg(long, value_name = "FOLDER")]
    flat: Option<PathBuf>,
    #[command(flatten)]
    facts: FactOptions,
}

fn degrees(text: &str) -> Result<f64, String> {
    text.trim().parse().ok().filter(|v: &f64| v.is_finite()).ok_or_else(|| {
        format!("\"{text}\" is no angle: write degrees, 0 for right, 90 for down, -90 for up")
    })
}

pub(super) fn run(args: &Args, ui: &Ui) -> anyhow::Result<Outcome> {
    ui.listen()?;
    let full = std::path::absolute(&args.clip)?;
    let name = full.file_stem().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let asked = MotionArgs {
        job: ClipJob {
            name: shoot::name_of(&name),
            input: args.clip.clone(),
            facts: vec![args.facts.facts()?],
            pipeline: shoot::find_pipeline(&args.pipeline, Path::new("."))?,
            dark: args.dark.clone(),
            flat: args.flat.clone(),
            listed: None,
            range: args.frames,
        },
        region: args.region.0,
        direction_deg: args.direction,
        event: args.event,
        ring: args.ring,
        modes: usize::from(args.modes),
        window: args.window.map(usize::from),
        rotation: args.rotation,
        overlay: args.overlay,
    };
    let out = args.output.clone().unwrap_or_else(|| PathBuf::from(format!("{name}-motion")));
    let watch = ui.watch(&name);
    let report = match motion::run(&asked, &out, &ui.work(&watch)) {
        Err(e) if e.stopped() => {
            ui.say("stopped on request: nothing was measured");
            return Ok(Outcome::Interrupted);
        }
        other => other?,
    };
    let lines = report.lines();
    let wide = lines.iter().map(|(n, _)| n.chars().count()).max().unwrap_or(0);
    for (name, value) in lines {
        ui.answer(&format!("{name:wide$}  {value}"));
    }
    for w in &report.warnings {
        ui.warn(w);
    }
    ui.answer(&format!("written: {}", printable(&out)));
    ui.result(&report)?;
    // What was asked for by name and is not there is a fault; the rest is an answer.
    Ok(if report.asked_for_but_refused(&asked) { Outcome::Faults } else { Outcome::Well })
}
