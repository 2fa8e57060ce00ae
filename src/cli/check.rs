//! `hushframe check`.

use std::path::PathBuf;

use super::run::{Budget, What};
use super::ui::{noted, span};
use super::{Outcome, Ui};
use crate::engine::Work;
use crate::night::check::{ClipCheck, Room, check, closed};
use crate::night::estimate::estimate;
use crate::night::fence::{Protection, probe};
use crate::night::{hook, shoot};

/// Arguments of `check`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(flatten)]
    what: What,
    /// Folder for the results of the run to come
    #[arg(long, value_name = "DIR", default_value = "hushframe-out")]
    out: PathBuf,
    #[command(flatten)]
    budget: Budget,
}

pub(super) fn run(args: &Args, ui: &Ui) -> anyhow::Result<Outcome> {
    let jobs = args.what.jobs()?;
    let watch = ui.watch("check");
    let memory = args.budget.memory.or_else(|| args.what.memory());
    let work = Work { memory, ..ui.work(&watch) };
    let mut checks: Vec<ClipCheck> = jobs.iter().map(|j| check(j, &args.out, &work)).collect();
    ui.listen()?;
    match estimate(&jobs, &mut checks, &args.out, &work) {
        Err(e) if e.stopped() => return Ok(Outcome::Interrupted),
        other => other?,
    }
    let mut bad = false;
    for c in &checks {
        // A run ends in the same way.
        bad |= !c.faults.is_empty() || c.unreadable > 0 || c.missing > 0;
        ui.answer(&format!("{}: {}", c.name, c.headline()));
        if let Some(standing) = &c.standing {
            let time = c.expected_s.filter(|_| standing.to_make > 0);
            let time = time.map_or(String::new(), |s| format!(", about {}", span(s)));
            ui.answer(&format!("  {}{time}", standing.words));
        }
        if let Some(memory) = &c.memory {
            ui.answer(&format!("  {}", memory.words()));
        }
        for fault in &c.faults {
            ui.answer(&format!("  {}: fault: {fault}", c.name));
        }
        for w in &c.warnings {
            ui.answer(&noted(w));
        }
    }
    // A file system that cannot be written to has no room either.
    let fault = closed(&args.out).or_else(|| Room::of(&checks, &args.out).fault());
    if let Some(fault) = fault {
        bad = true;
        ui.answer(&format!("fault: {fault}"));
        // It stops each of them.
        checks.iter_mut().for_each(|c| c.faults.push(fault.clone()));
    }
    let times: Vec<f64> = checks.iter().filter_map(|c| c.expected_s).filter(|s| *s > 0.0).collect();
    if !times.is_empty() {
        ui.answer(&format!(
            "about {} for the frames of {} clip{}, from a sample; writing and previews come on top",
            span(times.iter().sum()),
            times.len(),
            if times.len() == 1 { "" } else { "s" }
        ));
    }
    let hook = args.what.shoot_file().as_deref().and_then(shoot::when_done);
    if let Some(doubt) = hook.as_deref().and_then(hook::doubt) {
        ui.answer(&format!("note: {doubt}"));
    }
    if let Protection::Code(why) = probe() {
        ui.answer(&format!("note: originals would be protected by code alone: {why}"));
    }
    ui.result(&checks)?;
    Ok(if bad { Outcome::Faults } else { Outcome::Well })
}
