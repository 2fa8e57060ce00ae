//! `hushframe report`.

use std::path::PathBuf;

use super::{Outcome, Ui};
use crate::footage::{RealDisk, printable};
use crate::report;

/// Arguments of `report`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The folder given to run as --out
    out: PathBuf,
}

pub(super) fn run(args: &Args, ui: &Ui) -> anyhow::Result<Outcome> {
    let written = report::pages(&args.out, &RealDisk)?;
    let names: Vec<String> = written.iter().map(printable).collect();
    for name in &names {
        ui.answer(name);
    }
    ui.result(&serde_json::json!({ "pages": names }))?;
    Ok(Outcome::Well)
}
