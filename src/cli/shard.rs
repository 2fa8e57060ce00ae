//! `hushframe shard`.
//!
//! A part does not wait for room on a full disk: its engine counts the time and runs it again.

use std::path::{Path, PathBuf};
use std::time::Duration;

use super::run::{Budget, What, pictures, protected, tell, tell_pages};
use super::{Outcome, Ui};
use crate::engine::Work;
use crate::footage::{Disk, printable};
use crate::night::NightError;
use crate::night::clip::Summary;
use crate::night::job::ClipJob;
use crate::night::out::{Out, Patience};
use crate::night::place::sweep_out;
use crate::night::shard::{self, Done, MOST_PARTS, Share};

/// A step of a clip's work in parts.
#[derive(Debug, clap::Subcommand)]
pub(super) enum Step {
    /// First pass over one part of a clip; parts may run in any order, on any machine
    Analyse(PartArgs),
    /// Puts the numbers of all parts together
    Merge(AllArgs),
    /// Makes the frames of one part
    Render(PartArgs),
    /// Sees that every frame is there and writes table, record, seal, preview and pages
    Finish(FinishArgs),
}

/// Arguments of a step on one part.
#[derive(Debug, clap::Args)]
pub(super) struct PartArgs {
    #[command(flatten)]
    what: What,
    /// Folder for the results, the same for all parts
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Which part of how many, such as 2/8
    #[arg(long, value_name = "I/N", value_parser = share)]
    part: Share,
    #[command(flatten)]
    budget: Budget,
}

/// Arguments of a step on all parts.
#[derive(Debug, clap::Args)]
pub(super) struct AllArgs {
    #[command(flatten)]
    what: What,
    /// Folder for the results, the same for all parts
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// How many parts there are
    #[arg(long, value_name = "N", value_parser = parts)]
    parts: usize,
}

/// Arguments of the last step.
#[derive(Debug, clap::Args)]
pub(super) struct FinishArgs {
    #[command(flatten)]
    all: AllArgs,
    /// Make no preview.mp4
    #[arg(long)]
    no_preview: bool,
}

fn share(text: &str) -> Result<Share, String> {
    let found = text
        .split_once('/')
        .and_then(|(part, of)| Share::new(part.trim().parse().ok()?, of.trim().parse().ok()?));
    found.ok_or_else(|| {
        format!("\"{text}\" is not a part such as 2/8: from 1/N to N/N, N at most {MOST_PARTS}")
    })
}

/// A number of parts.
pub(super) fn parts(text: &str) -> Result<usize, String> {
    let found = text.trim().parse().ok().filter(|n| (1..=MOST_PARTS).contains(n));
    found.ok_or_else(|| format!("\"{text}\" is not a number from 1 to {MOST_PARTS}"))
}

pub(super) fn run(step: &Step, ui: &Ui) -> anyhow::Result<Outcome> {
    ui.listen()?;
    match ended(step, ui) {
        Err(e) if e.downcast_ref().is_some_and(NightError::stopped) => {
            ui.say(&e.to_string());
            Ok(Outcome::Interrupted)
        }
        other => other,
    }
}

fn ended(step: &Step, ui: &Ui) -> anyhow::Result<Outcome> {
    match step {
        Step::Analyse(args) => each_part(args, ui, "analysed", shard::analyse),
        Step::Render(args) => each_part(args, ui, "made", shard::render),
        Step::Merge(args) => in_fence(&args.what, &args.out, ui, |jobs, out| {
            let mut merged = serde_json::Map::new();
            for job in jobs {
                let watch = ui.watch(&job.name);
                let frames = shard::merge(job, out, args.parts, &ui.work(&watch))?;
                ui.say(&format!("{}: {frames} frames of {} parts merged", job.name, args.parts));
                merged.insert(job.name.clone(), frames.into());
            }
            ui.result(&merged)?;
            Ok(Outcome::Well)
        }),
        Step::Finish(FinishArgs { all: args, no_preview }) => {
            in_fence(&args.what, &args.out, ui, |jobs, out| {
                sweep_out(out.disk, out.folder)?;
                let mut all = Vec::new();
                for job in jobs {
                    let watch = ui.watch(&job.name);
                    let summary = shard::finish(job, out, args.parts, &ui.work(&watch))?;
                    tell(&summary, ui);
                    pictures(job, (out.disk, &summary.folder), (!no_preview, None), ui)?;
                    all.push(summary);
                }
                tell_pages(&args.out, out.disk, ui);
                ui.result(&serde_json::json!({ "out": printable(&args.out), "clips": all }))?;
                let faults = all.iter().any(Summary::faults);
                Ok(if faults { Outcome::Faults } else { Outcome::Well })
            })
        }
    }
}

/// Works on clips where originals are protected by the system, as in a run.
fn in_fence(
    what: &What,
    folder: &Path,
    ui: &Ui,
    work: impl FnOnce(&[ClipJob], &Out<'_>) -> anyhow::Result<Outcome> + Send,
) -> anyhow::Result<Outcome> {
    let jobs = what.jobs()?;
    protected(&jobs, folder, ui, |disk| {
        let disk: &dyn Disk = disk;
        work(&jobs, &Out { folder, disk, patience: &Patience::new(Duration::ZERO) })
    })
}

/// A step on one part of each clip. Frames that failed do not fail it: an engine would hold up
/// the rest of the clip for them. The finish says so with its exit code.
fn each_part<F>(args: &PartArgs, ui: &Ui, verb: &str, work: F) -> anyhow::Result<Outcome>
where
    F: Fn(&ClipJob, &Out<'_>, Share, &Work<'_>) -> Result<Done, NightError> + Sync,
{
    let memory = args.budget.memory.or_else(|| args.what.memory());
    in_fence(&args.what, &args.out, ui, |jobs, out| {
        let mut all = Vec::new();
        for job in jobs {
            let watch = ui.watch(&job.name);
            let done = work(job, out, args.part, &Work { memory, ..ui.work(&watch) })?;
            let kept = match done.kept {
                0 => String::new(),
                n => format!(", {n} of them before"),
            };
            ui.say(&format!(
                "{}: part {} of {}: {} frames {verb}{kept}",
                done.name,
                args.part.part,
                args.part.of,
                done.frames - done.failed.len()
            ));
            for (frame, why) in done.failed.iter().take(5) {
                ui.say(&format!("  frame {frame} failed: {}", printable(why)));
            }
            all.push(done);
        }
        ui.result(&all)?;
        Ok(Outcome::Well)
    })
}
