//! `hushframe demo`.

use std::path::PathBuf;

use anyhow::{Context, bail};

use super::run::run_jobs;
use super::{Outcome, Ui};
use crate::footage::{Facts, printable};
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
    if !file.is_file() {
        if dir.read_dir().is_ok_and(|mut d| d.next().is_some()) {
            bail!("{} is not empty: give another folder", printable(dir));
        }
        ui.say("filming a music box: 100 frames at 5000 frames a second, 32 black, 32 even");
        demo::write(dir).with_context(|| printable(dir))?;
    }
    let jobs = shoot::read(&file, &Facts::default())?;
    let out = dir.join("out");
    let (outcome, results) = run_jobs(&jobs, &out, ui)?;
    if outcome == Outcome::Interrupted {
        return Ok(outcome);
    }
    let mut lines = Vec::new();
    for job in &jobs {
        let report = demo::compare(dir, &out.join(&job.name))?;
        lines.push(report.sentence());
        ui.result(&serde_json::json!({ "clip": job.name, "truth": report }))?;
    }
    ui.result(&serde_json::json!({ "out": printable(&out), "clips": results }))?;
    for line in lines.iter().take(1) {
        ui.say(line);
    }
    ui.say(&format!("before: {}", printable(dir.join("comb-pluck"))));
    for job in &jobs {
        ui.say(&format!("after:  {}", printable(out.join(&job.name).join("frames"))));
    }
    ui.say("what was done: record.json and frames.csv beside them");
    Ok(outcome)
}
