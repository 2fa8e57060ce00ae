//! `hushframe init`.

use std::path::{Path, PathBuf};

use anyhow::bail;

use super::{Outcome, Ui};
use crate::footage::{check_no_footage, printable, write_bytes};
use crate::night::init::{Kind, look_through};

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
    let counted = |kind: Kind, word: &str| {
        let n = found.count(kind);
        format!("{n} {word}{}", if n == 1 { "" } else { "s" })
    };
    ui.answer(&format!(
        "{}, {}, {}, {} -> {}",
        counted(Kind::Clip, "clip"),
        counted(Kind::Dark, "black reference"),
        counted(Kind::Flat, "even field"),
        counted(Kind::Scale, "scale picture"),
        printable(&file)
    ));
    if found.questions() > 0 {
        ui.answer(&format!(
            "{} questions are left in it, in lines that begin with \"# ?\"",
            found.questions()
        ));
    }
    ui.result(&found)?;
    Ok(Outcome::Well)
}
