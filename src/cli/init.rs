//! `hushframe init`.

use std::path::{Path, PathBuf};

use anyhow::bail;

use super::{Outcome, Ui};
use crate::footage::{check_no_footage, printable, write_bytes};
use crate::night::init::{Kind, look_through};
use crate::record::counted;

/// Arguments of `init`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The shoot's folder
    folder: PathBuf,
    /// File to write [default: shoot.toml in the folder]
    #[arg(short = 'o', long = "output", value_name = "FILE")]
    output: Option<PathBuf>,
}

pub(super) fn run(args: &Args, ui: &Ui) -> anyhow::Result<Outcome> {
    let file = args.output.clone().unwrap_or_else(|| args.folder.join("shoot.toml"));
    if file.exists() {
        bail!("{} is there already: move it away, or give another file with -o", printable(&file));
    }
    let found = look_through(&args.folder, &file)?;
    // A folder that is itself a clip is an input: nothing is written into it.
    if let Some(l) = found.looks.iter().find(|l| l.path.as_os_str().is_empty())
        && args.output.is_none()
    {
        bail!(
            "{} holds {} frames itself, and nothing is written into an input folder: give a file \
             with -o, or run it as a single clip",
            printable(&args.folder),
            l.frames
        );
    }
    check_no_footage(file.parent().unwrap_or(Path::new("")))?;
    write_bytes(&file, found.toml.as_bytes())?;
    for (place, why) in &found.faults {
        ui.answer(&format!("passed over {}: {}", place, why));
    }
    let of = |kind: Kind, word: &str| counted(found.count(kind) as u64, word);
    ui.answer(&format!(
        "{}, {}, {}, {} -> {}",
        of(Kind::Clip, "clip"),
        of(Kind::Dark, "black reference"),
        of(Kind::Flat, "even field"),
        of(Kind::Scale, "scale picture"),
        printable(&file)
    ));
    if found.questions() > 0 {
        ui.answer(&format!(
            "{} left in it, in lines that begin with \"# ?\"",
            counted(found.questions() as u64, "question")
        ));
    }
    ui.result(&found)?;
    Ok(Outcome::Well)
}
