//! `hushframe farm`.

use std::path::{Path, PathBuf};

use anyhow::bail;

use super::shard::parts;
use super::{Outcome, Ui};
use crate::footage::{Facts, check_no_footage, check_output, printable, write_bytes};
use crate::night::farm::{self, Chain};
use crate::night::{place, shoot};

/// An engine.
#[derive(Debug, clap::Subcommand)]
pub(super) enum Engine {
    /// A script for Slurm: job arrays that wait for each other
    Slurm(SlurmArgs),
    /// A template in the Open Job Description
    Openjd(OpenjdArgs),
}

/// Arguments of `farm slurm`.
#[derive(Debug, clap::Args)]
pub(super) struct SlurmArgs {
    #[command(flatten)]
    common: Common,
    /// Folder for the results, seen by all machines
    #[arg(long, value_name = "DIR", default_value = "hushframe-out")]
    out: PathBuf,
    /// The program, as the machines find it
    #[arg(long, value_name = "PROGRAM", default_value = "hushframe")]
    program: String,
}

/// Arguments of `farm openjd`.
#[derive(Debug, clap::Args)]
pub(super) struct OpenjdArgs {
    #[command(flatten)]
    common: Common,
}

/// What both take.
#[derive(Debug, clap::Args)]
struct Common {
    /// A shoot.toml, or the folder that holds it
    shoot: PathBuf,
    /// File to write
    #[arg(long, value_name = "FILE")]
    to: PathBuf,
    /// Parts of every clip [default: one for 512 frames]
    #[arg(long, value_name = "N", value_parser = parts)]
    parts: Option<usize>,
}

impl Common {
    /// The shoot file and the chain of each clip; refuses to write among originals.
    fn chains(&self) -> anyhow::Result<(PathBuf, Vec<Chain>)> {
        let file =
            if self.shoot.is_dir() { self.shoot.join("shoot.toml") } else { self.shoot.clone() };
        if !file.is_file() {
            bail!(
                "{}: there is no shoot.toml: hushframe init writes one for a folder of clips",
                printable(&self.shoot)
            );
        }
        let jobs = shoot::read(&file, &Facts::default())?;
        let there: Vec<&Path> =
            jobs.iter().flat_map(place::inputs).filter(|p| p.exists()).collect();
        let folder = self.to.parent().filter(|p| !p.as_os_str().is_empty());
        let folder = folder.unwrap_or(Path::new("."));
        check_output(folder, &there)?;
        check_no_footage(folder)?;
        if self.to.exists() {
            check_output(&self.to, &there)?;
            if check_output(&self.to, &[&file]).is_err() {
                bail!("{}: is the shoot file: give another --to", printable(&self.to));
            }
            if !farm::ours(&self.to) {
                bail!(
                    "{}: is there already, and hushframe farm did not write it: choose another --to",
                    printable(&self.to)
                );
            }
        }
        let chains = jobs.iter().map(|j| Chain::new(j, self.parts)).collect::<Result<_, _>>()?;
        Ok((file, chains))
    }
}

pub(super) fn run(engine: &Engine, ui: &Ui) -> anyhow::Result<Outcome> {
    let (to, chains) = match engine {
        Engine::Slurm(args) => {
            let (file, chains) = args.common.chains()?;
            let text = farm::slurm(&file, &args.out, &args.program, &chains)?;
            write_bytes(&args.common.to, text.as_bytes())?;
            ui.say(&format!("to hand it to Slurm: bash {} submit", printable(&args.common.to)));
            (&args.common.to, chains)
        }
        Engine::Openjd(args) => {
            let (_, chains) = args.common.chains()?;
            let mut text = serde_json::to_string_pretty(&farm::openjd(&chains))?;
            text.push('\n');
            write_bytes(&args.common.to, text.as_bytes())?;
            ui.say("give its parameters Shoot and Out where it is submitted");
            (&args.common.to, chains)
        }
    };
    let clips: Vec<_> =
        chains.iter().map(|c| serde_json::json!({ "name": c.clip, "parts": c.parts })).collect();
    ui.result(&serde_json::json!({ "file": printable(to), "clips": clips }))?;
    Ok(Outcome::Well)
}
