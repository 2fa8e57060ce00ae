//! `hushframe reference`.

use std::path::PathBuf;

use clap::ValueEnum;

use super::{Outcome, Ui};
use crate::footage::printable;
use crate::night::references::make_reference;
use crate::sensor::file::MasterKind;

/// Which reference.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum Kind {
    /// Black frames, lens covered
    Dark,
    /// An even field
    Flat,
}

/// Arguments of `reference`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Which kind of reference
    kind: Kind,
    /// Folder of its frames
    folder: PathBuf,
    /// File to write: a TIFF of 32-bit floats with a description
    #[arg(short = 'o', long = "output", value_name = "FILE")]
    output: PathBuf,
    /// For a flat: the black reference to take off first, a folder or a file of this command
    #[arg(long, value_name = "FOLDER|FILE")]
    dark: Option<PathBuf>,
}

pub(super) fn run(args: &Args, ui: &Ui) -> anyhow::Result<Outcome> {
    ui.listen()?;
    let watch = ui.watch("reference");
    let kind = match args.kind {
        Kind::Dark => MasterKind::Dark,
        Kind::Flat => MasterKind::Flat,
    };
    let report =
        make_reference(kind, (&args.folder, args.dark.as_deref()), &args.output, &ui.work(&watch))?;
    let unit = if report.kind == "dark" { " DN" } else { "" };
    ui.answer(&format!(
        "{} of {} frames: level {:.1} DN, known to {:.3}{unit} a pixel, {} defective pixels -> {}",
        report.kind,
        report.frames,
        report.level_dn,
        report.sigma,
        report.defects,
        printable(&args.output)
    ));
    for w in &report.warnings {
        ui.warn(w);
    }
    ui.result(&report)?;
    Ok(Outcome::Well)
}
