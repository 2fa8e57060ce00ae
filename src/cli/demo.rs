//! `hushframe demo`.

use std::path::PathBuf;

use anyhow::{Context, bail};

use super::run::{Night, run_jobs};
use super::{Outcome, Ui};
use crate::footage::{Facts, check_no_footage, printable};
use crate::night::out::PATIENCE;
use crate::night::shoot;
use crate::simulate::demo;

/// Arguments of `demo`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Folder to make
    #[arg(default_value = "hushframe-demo")]
    dir: PathBuf,
}

pub(super) fn run(args: &Args, ui: &Ui) -> anyhow::Result<Outcome> {
    let dir = &args.dir;
    let file = dir.join("shoot.toml");
    if !(file.is_file() && demo::filmed(dir)) {
        check_no_footage(dir)?;
        if dir.is_file() {
            bail!("{} is a file: name a folder to make", printable(dir));
        }
        if !demo::free(dir) {
            bail!("{} is not empty: give another folder", printable(dir));
        }
        ui.say("filming a music box: 100 frames at 5000 frames a second, 32 black, 32 even");
        demo::write(dir).with_context(|| printable(dir))?;
    }
    let jobs = shoot::read(&file, &Facts::default())?;
    let out = dir.join("out");
    let night = Night {
        out: &out,
        patience: PATIENCE,
        watching: None,
        list: None,
        movie: true,
        memory: None,
    };
    let (outcome, results) = run_jobs(&jobs, &night, ui)?;
    if outcome == Outcome::Interrupted {
        ui.result(&serde_json::json!({ "out": printable(&out), "clips": results }))?;
        return Ok(outcome);
    }
    let mut truths = serde_json::Map::new();
    for (k, job) in jobs.iter().enumerate() {
        let report = demo::compare(dir, &out.join(&job.name))?;
        if k == 0 {
            ui.say(&report.sentence());
        }
        truths.insert(job.name.clone(), serde_json::to_value(&report)?);
    }
    ui.result(&serde_json::json!({ "out": printable(&out), "clips": results, "truth": truths }))?;
    ui.say(&format!("before: {}", printable(dir.join("comb-pluck"))));
    for job in &jobs {
        ui.say(&format!("after:  {}", printable(out.join(&job.name).join("frames"))));
    }
    ui.say("what was done: record.json and frames.csv beside them");
    Ok(outcome)
}
