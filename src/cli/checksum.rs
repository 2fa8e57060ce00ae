//! `hushframe checksum`.

use std::path::PathBuf;

use super::{Outcome, Ui};
use crate::footage::printable;
use crate::night::checksum::{verify, write_list};

/// Arguments of `checksum`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Folder of originals
    folder: PathBuf,
    /// List to write, outside the folder; NAME.mhl is written in the ASC MHL form
    #[arg(
        long,
        value_name = "FILE",
        required_unless_present = "verify",
        conflicts_with = "verify"
    )]
    to: Option<PathBuf>,
    /// List to compare the folder with, of either form
    #[arg(long, value_name = "FILE")]
    verify: Option<PathBuf>,
}

pub(super) fn run(args: &Args, ui: &Ui) -> anyhow::Result<Outcome> {
    ui.listen()?;
    let watch = ui.watch("checksum");
    let work = ui.work(&watch);
    let checked = match (&args.to, &args.verify) {
        (Some(to), _) => write_list(&args.folder, to, &work)?,
        (None, Some(list)) => verify(&args.folder, list, &work)?,
        (None, None) => return Ok(Outcome::Well),
    };
    let differ = checked.differ.len() + checked.missing.len();
    let found = match &args.verify {
        None => String::new(),
        Some(_) if checked.sound() => ": all as listed".to_owned(),
        Some(_) => format!(": {differ} not as listed"),
    };
    ui.say(&format!("{} files, {:.3} GB{found}", checked.files, checked.bytes as f64 / 1e9));
    for (word, list) in
        [("differs", &checked.differ), ("is missing", &checked.missing), ("is new", &checked.new)]
    {
        for path in list {
            ui.answer(&format!("{} {word}", printable(path)));
        }
    }
    ui.result(&checked)?;
    Ok(if checked.sound() { Outcome::Well } else { Outcome::Faults })
}
