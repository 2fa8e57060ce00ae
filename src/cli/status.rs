//! `hushframe status`.

use std::path::PathBuf;

use super::{Outcome, Ui};
use crate::footage::printable;
use crate::night::status::status;

/// Numbers without a file that are named.
const FEW: usize = 5;

/// Arguments of `status`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The folder given to run as --out
    out: PathBuf,
    /// Read every finished frame and compare it with its hash
    #[arg(long)]
    verify: bool,
}

pub(super) fn run(args: &Args, ui: &Ui) -> anyhow::Result<Outcome> {
    let clips = status(&args.out, args.verify)?;
    let mut faults = false;
    for c in &clips {
        let of = c.total.map_or(String::new(), |t| format!(" of {t}"));
        ui.answer(&format!("{:24} {:9} {}{of} frames", c.name, c.state, c.done));
        if let Some(why) = &c.error {
            ui.answer(&format!("    {}", printable(why)));
        }
        if let Some(who) = &c.holder {
            ui.answer(&format!("    at work: {who}"));
        }
        for (frame, why) in &c.failed {
            ui.answer(&format!("    frame {frame} failed: {}", printable(why)));
        }
        for frame in c.damaged.iter().flatten() {
            ui.answer(&format!(
                "    frame {frame} is not what was written: run again to make it anew"
            ));
        }
        for frame in c.gone.iter().take(FEW) {
            ui.answer(&format!(
                "    frame {frame} was finished and is gone: run again to make it anew"
            ));
        }
        if c.gone.len() > FEW {
            ui.answer(&format!("    and {} more are gone", c.gone.len() - FEW));
        }
        for number in c.missing.iter().take(FEW) {
            ui.answer(&format!("    frame {number} has no file in the clip"));
        }
        if c.missing.len() > FEW {
            ui.answer(&format!("    and {} more have none", c.missing.len() - FEW));
        }
        for name in &c.broken {
            ui.answer(&format!("    {name} is not what was written: run again to make it anew"));
        }
        faults |= c.faults();
    }
    ui.result(&clips)?;
    Ok(if faults { Outcome::Faults } else { Outcome::Well })
}
