//! `hushframe check`.

use std::path::PathBuf;

use super::run::What;
use super::{Outcome, Ui};
use crate::night::check::{ClipCheck, Room, check};

/// Arguments of `check`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(flatten)]
    what: What,
    /// Folder for the results of the run to come
    #[arg(long, value_name = "DIR", default_value = "hushframe-out")]
    out: PathBuf,
}

pub(super) fn run(args: &Args, ui: &Ui) -> anyhow::Result<Outcome> {
    let jobs = args.what.jobs()?;
    let checks: Vec<ClipCheck> = jobs.iter().map(|j| check(j, &args.out)).collect();
    let mut bad = false;
    for c in &checks {
        bad |= !c.faults.is_empty();
        ui.say(&format!("{}: {}", c.name, c.headline()));
        for fault in &c.faults {
            ui.say(&format!("  fault: {fault}"));
        }
        for w in &c.warnings {
            ui.warn(w);
        }
    }
    let room = Room::of(&checks, &args.out);
    if let Some(fault) = room.fault() {
        bad = true;
        ui.say(&format!("fault: {fault}"));
    }
    ui.result(&checks)?;
    Ok(if bad { Outcome::Faults } else { Outcome::Well })
}
