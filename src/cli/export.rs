//! `hushframe export`.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};

use super::{Outcome, Ui};
use crate::day::export::{Export, Exported, Format};
use crate::footage::{check_no_footage, check_output, printable, write_atomic};
use crate::record::counted;

/// Arguments of `export`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
The finished TIFFs stay where they are. A Y4M stream goes to standard output, so that any encoder \
that reads one can follow in a pipe; with --to it goes to a file. Linear frames are shown in it \
through the sRGB curve at the exposure of the preview.")]
pub(super) struct Args {
    /// Results of one clip: its folder below the one given as --out
    clip: PathBuf,
    /// png, ome-tiff, dpx10, dpx16, exr (half), exr-float, y4m (8 bit 4:2:0), y4m-444, y4m-444-10
    #[arg(long, value_name = "FORMAT", value_parser = format)]
    format: Format,
    /// Folder for the files, new or empty; for Y4M a file [default: standard output]
    #[arg(long, value_name = "PLACE")]
    to: Option<PathBuf>,
    /// Only the frames from A to B, by their numbers
    #[arg(long, value_name = "A-B", value_parser = super::options::range)]
    frames: Option<(u64, u64)>,
}

fn format(text: &str) -> Result<Format, String> {
    Ok(match text {
        "png" => Format::Png,
        "ome-tiff" => Format::OmeTiff,
        "dpx10" => Format::Dpx10,
        "dpx16" => Format::Dpx16,
        "exr" => Format::Exr,
        "exr-float" => Format::ExrFloat,
        "y4m" => Format::Y4m,
        "y4m-444" => Format::Y4m444,
        "y4m-444-10" => Format::Y4m44410,
        _ => {
            return Err("write png, ome-tiff, dpx10, dpx16, exr, exr-float, y4m, y4m-444 or \
                        y4m-444-10"
                .to_owned());
        }
    })
}

pub(super) fn run(args: &Args, ui: &Ui) -> anyhow::Result<Outcome> {
    let export = Export::open(&args.clip, args.format, args.frames)?;
    ui.listen()?;
    let watch = ui.watch("export");
    let work = ui.work(&watch);
    let exported = match (&args.to, args.format.stream()) {
        (Some(to), None) => export.files(to, &work)?,
        (None, None) => anyhow::bail!("give --to: a new or empty folder for the files"),
        (Some(to), Some(_)) => {
            check_output(to, &[&args.clip])?;
            check_no_footage(to.parent().unwrap_or(Path::new("")))?;
            anyhow::ensure!(!to.exists(), "{}: is there already: name a new file", printable(to));
            let mut made = None;
            write_atomic(to, |w| {
                made = Some(export.stream(w, &printable(to), &work));
                match &made {
                    Some(Err(e)) => Err(std::io::Error::other(e.to_string())),
                    _ => Ok(()),
                }
            })?;
            made.transpose()?.ok_or_else(|| anyhow::anyhow!("nothing was written"))?
        }
        (None, Some(_)) => {
            let out = std::io::stdout();
            anyhow::ensure!(
                !out.is_terminal(),
                "a Y4M stream is no text: pipe it into an encoder, or give --to FILE"
            );
            let exported = export.stream(out.lock(), "standard output", &work)?;
            ui.say(&format!("{} frames written", exported.frames));
            say_left_out(&exported, ui);
            return Ok(Outcome::Well);
        }
    };
    ui.answer(&format!("{} frames of {}", exported.frames, exported.clip));
    say_left_out(&exported, ui);
    ui.result(&exported)?;
    // In a stream the frame before stands for what is missing.
    let whole = exported.left_out == 0 || args.format.stream().is_some();
    Ok(if whole { Outcome::Well } else { Outcome::Faults })
}

fn say_left_out(exported: &Exported, ui: &Ui) {
    if exported.left_out > 0 {
        ui.say(&format!(
            "note: no finished frame for {} of the sequence",
            counted(exported.left_out as u64, "number")
        ));
    }
}
