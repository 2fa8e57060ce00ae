//! `hushframe run`.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use anyhow::{Context, bail};
use serde::Serialize;

use super::facts::FactOptions;
use super::options::{Region, range, region, wait};
use super::ui::whole;
use super::{Outcome, Ui};
use crate::engine::Work;
use crate::footage::{
    Disk, OnceSynced, RealDisk, check_no_footage, check_output, printable, spool,
};
use crate::frame::units::Bytes;
use crate::night::clip::{self, Summary};
use crate::night::fence::{Protection, fenced};
use crate::night::hook::Told;
use crate::night::job::ClipJob;
use crate::night::out::{Out, Patience};
use crate::night::watch::{List, Next, Queue, Watching};
use crate::night::{NightError, failure, hook, place, shoot};
use crate::record::{Warning, counted};
use crate::report;

/// Arguments of `run`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(flatten)]
    pub(super) what: What,
    /// Folder for the results
    #[arg(help_heading = "The run", long, value_name = "DIR", default_value = "hushframe-out")]
    out: PathBuf,
    /// Only these source frames, for a quick look
    #[arg(help_heading = "The run", long, value_name = "A-B", value_parser = range)]
    frames: Option<(u64, u64)>,
    /// How long to wait, in all, for room on a full disk, such as 30m; 0 fails at once
    #[arg(help_heading = "The run", long, value_name = "TIME", default_value = "8h", value_parser = wait)]
    wait_for_room: Duration,
    /// Clips are still being copied: begin each when its folders have been quiet for a while, and
    /// read the shoot.toml again where it was saved again
    #[arg(help_heading = "The run", long)]
    watch: bool,
    /// With --watch: how long a folder must be quiet
    #[arg(help_heading = "The run", long, value_name = "TIME", default_value = "30s", value_parser = wait)]
    quiet_for: Duration,
    /// With --watch: with no change anywhere for so long, wait no longer
    #[arg(help_heading = "The run", long, value_name = "TIME", default_value = "12h", value_parser = wait)]
    watch_limit: Duration,
    /// Program to run when the night has ended; its first argument is well, faults, interrupted or
    /// error, its second the folder of the results
    #[arg(help_heading = "The run", long, value_name = "PROGRAM")]
    when_done: Option<PathBuf>,
    /// Make no preview movie
    #[arg(help_heading = "The run", long)]
    no_preview: bool,
    #[command(flatten)]
    budget: Budget,
}

/// How much memory may be used.
#[derive(Debug, Clone, Copy, clap::Args)]
pub(super) struct Budget {
    /// Memory to stay within, such as 4GB, 512MB or 2GiB: fewer frames are in work at once, and what
    /// cannot fit is refused with what it needs; results do not depend on it [default: no limit]
    #[arg(help_heading = "The run", long, value_name = "SIZE")]
    pub(super) memory: Option<Bytes>,
}

/// What to work on; the same for `run` and `check`.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct What {
    /// A shoot.toml, or a folder (or a multi-page TIFF or Y4M) that holds one clip's frames; with
    /// run also "-", a Y4M on standard input
    shoot: PathBuf,
    /// Pipeline: clean, clean-and-label, or a file
    #[arg(long, value_name = "FILE")]
    pipeline: Option<String>,
    /// Folder of black reference frames
    #[arg(long, value_name = "FOLDER")]
    dark: Option<PathBuf>,
    /// Folder of even field frames
    #[arg(long, value_name = "FOLDER")]
    flat: Option<PathBuf>,
    /// Hash list of the originals (see hushframe checksum): a frame that is not as listed is not used
    #[arg(long, value_name = "LIST")]
    checksums: Option<PathBuf>,
    /// Only the clip of this name; may be given several times
    #[arg(long, value_name = "NAME")]
    only: Vec<String>,
    /// Where the still background is, in px; may be given several times (it is found otherwise)
    #[arg(long, value_name = "X,Y,W,H", value_parser = region)]
    region: Vec<Region>,
    /// Where the still background is not, in px; may be given several times
    #[arg(long, value_name = "X,Y,W,H", value_parser = region)]
    exclude_region: Vec<Region>,
    #[command(flatten)]
    facts: FactOptions,
}

impl What {
    /// The clips to work on.
    pub(super) fn jobs(&self) -> anyhow::Result<Vec<ClipJob>> {
        let given = self.facts.facts()?;
        let mut jobs = match self.shoot_file() {
            Some(file) => {
                let mut jobs = shoot::read(&file, &given)?;
                for job in &mut jobs {
                    if let Some(p) = &self.pipeline {
                        job.pipeline = shoot::find_pipeline(p, Path::new("."))?;
                    }
                    job.dark = self.dark.clone().or(job.dark.take());
                    job.flat = self.flat.clone().or(job.flat.take());
                    job.listed = self.checksums.clone().or(job.listed.take());
                }
                jobs
            }
            None => vec![self.single(given)?],
        };
        if !self.only.is_empty() {
            if let Some(name) = self.only.iter().find(|n| jobs.iter().all(|j| j.name != **n)) {
                let names: Vec<&str> = jobs.iter().map(|j| j.name.as_str()).collect();
                bail!("--only {}: the clips are {}", printable(name), names.join(", "));
            }
            jobs.retain(|j| self.only.contains(&j.name));
        }
        for job in &mut jobs {
            let of = |list: &[Region]| list.iter().map(|r| r.0).collect::<Vec<_>>();
            job.pipeline.name_background(&of(&self.region), &of(&self.exclude_region))?;
        }
        Ok(jobs)
    }

    /// The memory that the shoot file allows, where it says so.
    pub(super) fn memory(&self) -> Option<Bytes> {
        shoot::memory(&self.shoot_file()?)
    }

    /// The shoot file, where one was named or lies in the folder.
    pub(super) fn shoot_file(&self) -> Option<PathBuf> {
        if self.shoot.is_dir() {
            return Some(self.shoot.join("shoot.toml")).filter(|p| p.is_file());
        }
        let toml = self.shoot.extension().is_some_and(|e| e.eq_ignore_ascii_case("toml"));
        toml.then(|| self.shoot.clone())
    }

    fn single(&self, given: crate::footage::Facts) -> anyhow::Result<ClipJob> {
        let input = &self.shoot;
        // "-" is left to the search for frames, which says that only run takes standard input.
        if input != Path::new("-") {
            let there = std::fs::metadata(input);
            if there.as_ref().is_err_and(|e| e.kind() == std::io::ErrorKind::NotFound) {
                anyhow::bail!(
                    "{}: is not there: name a shoot.toml, or the folder of one clip's frames",
                    printable(input)
                );
            }
            there.with_context(|| printable(input))?;
        }
        let full = std::path::absolute(input)?;
        let name = full.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let name = if full.is_dir() { name.replace('.', "-") } else { name };
        let wanted = self.pipeline.as_deref().unwrap_or(shoot::DEFAULT_PIPELINE);
        Ok(ClipJob {
            name: shoot::name_of(&name),
            input: input.clone(),
            facts: vec![given],
            pipeline: shoot::find_pipeline(wanted, Path::new("."))?,
            dark: self.dark.clone(),
            flat: self.flat.clone(),
            listed: self.checksums.clone(),
            range: None,
        })
    }
}

/// How one clip ended.
#[derive(Debug, Serialize)]
pub(super) struct ClipResult {
    name: String,
    error: Option<String>,
    #[serde(flatten)]
    pub(super) summary: Option<Summary>,
}

pub(super) fn run(args: &Args, ui: &Ui) -> anyhow::Result<Outcome> {
    let what = from_pipe(&args.what, &args.out, ui)?;
    let read = || -> anyhow::Result<Vec<ClipJob>> {
        let mut jobs = what.jobs()?;
        for job in &mut jobs {
            job.range = args.frames;
        }
        Ok(jobs)
    };
    let jobs = read()?;
    let shoot = what.shoot_file();
    let again = || {
        let jobs = read().and_then(|jobs| check_all(&jobs, &args.out).map(|()| jobs));
        jobs.map_err(|e| whole(&e))
    };
    let list = shoot.as_deref().map(|file| List::new(file, &again));
    let night = Night {
        out: &args.out,
        patience: args.wait_for_room,
        watching: args.watch.then_some(Watching { quiet: args.quiet_for, limit: args.watch_limit }),
        list: list.as_ref(),
        movie: !args.no_preview,
        memory: args.budget.memory.or_else(|| what.memory()),
    };
    let in_file = shoot.as_deref().and_then(shoot::when_done);
    let hook = args.when_done.clone().or(in_file);
    if let Some(doubt) = hook.as_deref().and_then(hook::doubt) {
        ui.say(&format!("note: {doubt}"));
    }
    let ended = run_jobs(&jobs, &night, ui);
    if let Some(program) = hook {
        let told = told(&ended, &night, jobs.len());
        if let Err(why) = hook::run(&program, &told) {
            ui.say(&why);
        }
    }
    let (outcome, results) = ended?;
    ui.result(&serde_json::json!({ "out": printable(&args.out), "clips": results }))?;
    Ok(outcome)
}

/// The same with a kept copy in the place of standard input.
fn from_pipe(what: &What, out: &Path, ui: &Ui) -> anyhow::Result<What> {
    let mut what = what.clone();
    if what.shoot == Path::new("-") {
        let given: Vec<&Path> =
            [&what.dark, &what.flat].into_iter().flatten().map(Path::new).collect();
        check_output(out, &given)?;
        check_no_footage(out)?;
        what.shoot = spool(&mut std::io::stdin().lock(), &RealDisk, out)?;
        let place = printable(&what.shoot);
        ui.say(&format!("standard input is kept as {place}; run that file to go on or again"));
    }
    Ok(what)
}

/// What a program run at the end is told.
fn told<'a>(
    ended: &anyhow::Result<(Outcome, Vec<ClipResult>)>,
    night: &Night<'a>,
    clips: usize,
) -> Told<'a> {
    let (outcome, done) = match ended {
        Ok((outcome, results)) => {
            let word = match outcome {
                Outcome::Well => "well",
                Outcome::Faults => "faults",
                Outcome::Interrupted => "interrupted",
            };
            (word, results.iter().filter(|r| r.summary.is_some()).count())
        }
        Err(_) => ("error", 0),
    };
    // The list may have changed on the way.
    let clips = ended.as_ref().map_or(clips, |(_, results)| clips.max(results.len()));
    Told { outcome, out: night.out, clips: done, failed: clips - done }
}

/// How clips are run.
#[derive(Debug)]
pub(super) struct Night<'a> {
    /// Folder for the results.
    pub(super) out: &'a Path,
    /// How long room is waited for.
    pub(super) patience: Duration,
    /// How long clips are waited for that are still being copied.
    pub(super) watching: Option<Watching>,
    /// Where the clips come from, where that may change while they are watched.
    pub(super) list: Option<&'a List<'a>>,
    /// Whether previews are made.
    pub(super) movie: bool,
    /// Memory to stay within.
    pub(super) memory: Option<Bytes>,
}

/// Runs clips one after another; one that fails does not stop the next.
pub(super) fn run_jobs(
    jobs: &[ClipJob],
    night: &Night<'_>,
    ui: &Ui,
) -> anyhow::Result<(Outcome, Vec<ClipResult>)> {
    ui.listen()?;
    all_fit(jobs, night.memory, ui)?;
    protected(jobs, night.out, ui, |disk| one_after_another(jobs, night, disk, ui))
}

/// Refuses clips that cannot be worked on within the budget, before anything is made. Those that
/// are still to come are looked at when they begin.
pub(super) fn all_fit(jobs: &[ClipJob], memory: Option<Bytes>, ui: &Ui) -> Result<(), NightError> {
    let watch = ui.watch("memory");
    let work = Work { memory, ..ui.work(&watch) };
    jobs.iter().try_for_each(|job| job.bounded_unopened(&work).map(|_| ()))
}

/// Refuses an output inside any clip's input, before anything is made.
fn check_all(jobs: &[ClipJob], out: &Path) -> anyhow::Result<()> {
    let there: Vec<&Path> =
        jobs.iter().flat_map(place::inputs).filter(|p| p.symlink_metadata().is_ok()).collect();
    jobs.iter().try_for_each(|job| place::check_places(job, out, &there).map_err(Into::into))
}

/// Does `work` on clips where only files in `out` can be changed, as far as the system knows how.
pub(super) fn protected<T: Send>(
    jobs: &[ClipJob],
    out: &Path,
    ui: &Ui,
    work: impl FnOnce(&OnceSynced<'_>) -> anyhow::Result<T> + Send,
) -> anyhow::Result<T> {
    check_all(jobs, out)?;
    let disk = OnceSynced::new(&RealDisk);
    let inputs: Vec<&Path> = jobs.iter().flat_map(place::inputs).collect();
    fenced((&disk, out), &inputs, |protection| {
        ui.start_pool()?;
        if let Protection::Code(why) = protection {
            ui.say(&format!("note: originals are protected by code alone: {why}"));
        }
        work(&disk)
    })?
}

fn one_after_another(
    jobs: &[ClipJob],
    night: &Night<'_>,
    disk: &OnceSynced<'_>,
    ui: &Ui,
) -> anyhow::Result<(Outcome, Vec<ClipResult>)> {
    let out = night.out;
    let patience = Patience::new(night.patience);
    let results_in = Out { folder: out, disk, patience: &patience };
    place::sweep_out(disk, out)?;
    let bar = ui.night_bar(jobs.len());
    let mut results = Vec::new();
    let mut outcome = Outcome::Well;
    let mut to_show = false;
    // Clips may be added to a list that is watched.
    let grows = night.watching.is_some() && night.list.is_some();
    let mut queue = Queue::new(jobs, night.watching, night.list);
    loop {
        let mut begun = Instant::now();
        let next = queue.next(&ui.work(&ui.watch("night")));
        if let Some(bar) = &bar {
            bar.set_length(queue.clips() as u64);
        }
        let (job, ended) = match next {
            Ok(Next::Done) => break,
            Ok(Next::Clip(job)) => {
                let watch = ui.watch(&job.name);
                begun = Instant::now();
                let work = Work { memory: night.memory, ..ui.work(&watch) };
                let ended = clip::run(&job, &results_in, &work);
                (job, ended)
            }
            Ok(Next::Never(job, why)) => (job, Err(NightError::Refused(why))),
            Err(e) => {
                ui.fault(&e.to_string());
                outcome = Outcome::Interrupted;
                break;
            }
        };
        match ended {
            Ok(summary) => {
                tell(&summary, ui);
                if let Err(e) =
                    pictures(&job, (disk, &summary.folder), (night.movie, night.memory), ui)
                {
                    ui.fault(&format!("{}: {e}", job.name));
                    outcome = Outcome::Interrupted;
                    break;
                }
                if let Err(e) = report::took((disk, &summary.folder), begun.elapsed().as_secs_f64())
                {
                    ui.warn(&page_warning(&e));
                }
                if summary.faults() {
                    outcome = Outcome::Faults;
                }
                let name = job.name.clone();
                results.push(ClipResult { name, error: None, summary: Some(summary) });
                to_show = true;
            }
            Err(e) if e.stopped() || ui.stopped() => {
                ui.say(&format!("{}: {e}", job.name));
                outcome = Outcome::Interrupted;
                break;
            }
            Err(e) if queue.clips() == 1 && !grows => return Err(e.into()),
            Err(e) => {
                ui.fault(&format!("{}: failed: {e}", job.name));
                match failure::note(&job, (disk, out), &e) {
                    Ok(noted) => to_show |= noted,
                    Err(e) => ui.warn(&page_warning(&e)),
                }
                outcome = Outcome::Faults;
                let error = Some(e.to_string());
                results.push(ClipResult { name: job.name.clone(), error, summary: None });
            }
        }
        if let Some(bar) = &bar {
            bar.inc(1);
        }
    }
    if let Some(bar) = bar {
        bar.finish_and_clear();
    }
    if to_show {
        tell_pages(out, disk, ui);
    }
    let failed = results.iter().filter(|r| r.error.is_some()).count();
    let done = results.len() - failed;
    if outcome == Outcome::Interrupted && queue.clips() > 1 {
        ui.say(&format!(
            "stopped: {done} of {} clips done, {failed} failed, in {}; the same command goes on",
            queue.clips(),
            printable(out)
        ));
    } else if results.len() > 1 {
        ui.say(&format!(
            "{done} {} done, {failed} failed, in {}",
            if done == 1 { "clip" } else { "clips" },
            printable(out)
        ));
    }
    Ok((outcome, results))
}

/// Makes the pictures that go with a finished clip's page. Fails where it was stopped.
pub(super) fn pictures(
    job: &ClipJob,
    (disk, folder): (&dyn Disk, &Path),
    (movie, memory): (bool, Option<Bytes>),
    ui: &Ui,
) -> Result<(), NightError> {
    let watch = ui.watch(&job.name);
    let work = job.bounded_unopened(&Work { memory, ..ui.work(&watch) })?;
    let given = (job.input.as_path(), &job.facts[..]);
    let warnings = report::pictures((disk, folder), given, movie, &work)?;
    warnings.iter().for_each(|w| ui.warn(w));
    Ok(())
}

/// Makes the pages, and says where.
pub(super) fn tell_pages(out: &Path, disk: &dyn Disk, ui: &Ui) {
    match report::pages(out, disk) {
        Ok(_) => ui.say(&format!("pages: {}", printable(out.join(report::INDEX)))),
        Err(e) => ui.warn(&page_warning(&e)),
    }
}

/// A page that could not be made never costs a clip.
fn page_warning(e: &dyn std::fmt::Display) -> Warning {
    Warning::new(
        "no-page",
        format!("the pages could not be made whole: {e}"),
        "the finished frames are not touched by this; hushframe report makes the pages again",
    )
}

/// The few lines a person reads of a finished clip.
pub(super) fn tell(s: &Summary, ui: &Ui) {
    let kept = if s.kept > 0 { format!(", {} were done before", s.kept) } else { String::new() };
    let steadied =
        if s.locked { format!("; jitter was {:.2} px rms", s.jitter_px) } else { String::new() };
    ui.say(&format!(
        "{}: {} {} made{kept}{steadied} -> {}",
        s.name,
        s.made,
        if s.made == 1 { "frame" } else { "frames" },
        printable(&s.folder)
    ));
    for (frame, why) in s.failed.iter().take(5) {
        ui.fault(&format!("  {}: frame {frame} failed: {}", s.name, printable(why)));
    }
    if s.failed.len() > 5 {
        ui.fault(&format!("  and {} more, listed in record.json", s.failed.len() - 5));
    }
    if s.missing > 0 {
        ui.fault(&format!(
            "  {}: no file for {} of the sequence",
            s.name,
            counted(s.missing, "number")
        ));
    }
    for w in &s.warnings {
        ui.warn(w);
    }
}
