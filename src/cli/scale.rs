//! `hushframe scale`.

use std::path::PathBuf;

use super::{Outcome, Ui};
use crate::day::scale;
use crate::frame::units::Length;
use crate::measure::ruler::{KnownLength, PICK_SIGMA_PX, ScaleArgs, Tolerance};

/// Arguments of `scale`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
A rule's ticks are found with --pitch; with --from, --to and --length two points are taken as \
given. The result is a small TOML file: name it in clip.toml, shoot.toml or with --scale of run. \
Look at the annotated picture: every drawn line must lie on a tick, and every tenth is orange. \
Where the rule begins or ends in the picture, it is measured between the blue lines only.")]
pub(super) struct Args {
    /// Picture of a rule or graticule, taken with the clip's lens, magnification and crop
    image: PathBuf,
    /// Length on the rule from each tick to the next (of the finest ones), such as 10um
    #[arg(long, value_name = "LENGTH", required_unless_present = "from", conflicts_with = "from")]
    pitch: Option<Length>,
    /// Only this part of the picture, in px, where other things are in it
    #[arg(long, value_name = "X,Y,W,H", value_parser = super::options::region, conflicts_with = "from")]
    region: Option<super::options::Region>,
    /// First of two points in the picture, in px
    #[arg(long, value_name = "X,Y", allow_hyphen_values = true, value_parser = point, requires = "to", requires = "length")]
    from: Option<[f64; 2]>,
    /// Second point
    #[arg(long, value_name = "X,Y", allow_hyphen_values = true, value_parser = point, requires = "from")]
    to: Option<[f64; 2]>,
    /// Length on the object between the points, such as 1mm
    #[arg(long, value_name = "LENGTH", requires = "from")]
    length: Option<Length>,
    /// How well each point was picked, in px
    #[arg(long, value_name = "PX", default_value_t = PICK_SIGMA_PX, requires = "from")]
    picked_to: f64,
    /// How true the rule is: per cent (0.1%), a length (1.5um), its class (I, II, III), or
    /// "DIN 866 A" or "DIN 866 B"
    #[arg(long, value_name = "TOLERANCE", allow_hyphen_values = true)]
    tolerance: Option<Tolerance>,
    /// Magnification it was taken at; clips of another one refuse the scale
    #[arg(long, value_name = "X", value_parser = crate::footage::parse_times)]
    magnification: Option<f64>,
    /// Pixels of the sensor that were read as one, along a side; clips must agree
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..=16))]
    binning: Option<u64>,
    /// The pixels lie under a colour mosaic (a picture as the sensor gave it)
    #[arg(long)]
    mosaic: bool,
    /// File to write [default: NAME-scale.toml in the current folder, unless the picture lies in it]
    #[arg(short = 'o', long = "output", value_name = "FILE")]
    output: Option<PathBuf>,
}

fn point(text: &str) -> Result<[f64; 2], String> {
    let bad = || format!("\"{text}\" is not a point: write X,Y in px, such as 120.5,88");
    let (x, y) = text.split_once(',').ok_or_else(bad)?;
    let number = |t: &str| t.trim().parse::<f64>().ok().filter(|v| v.is_finite());
    Ok([number(x).ok_or_else(bad)?, number(y).ok_or_else(bad)?])
}

impl Args {
    fn known(&self) -> Option<KnownLength> {
        if let Some(pitch) = self.pitch {
            return Some(KnownLength::Pitch(pitch));
        }
        let sigma_px = self.picked_to;
        Some(KnownLength::Points { from: self.from?, to: self.to?, length: self.length?, sigma_px })
    }
}

pub(super) fn run(args: &Args, ui: &Ui) -> anyhow::Result<Outcome> {
    let Some(from) = args.known() else {
        anyhow::bail!("give --pitch, or --from, --to and --length");
    };
    let asked = ScaleArgs {
        image: args.image.clone(),
        from,
        tolerance: args.tolerance.unwrap_or_default(),
        magnification: args.magnification,
        binning: args.binning,
        region: args.region.map(|r| r.0),
        mosaic: args.mosaic,
    };
    let found = scale::run(&asked, args.output.as_deref())?;
    let s = &found.scale;
    ui.answer(&format!(
        "{:.6} um/px, standard uncertainty {:.6} um/px ({:.3} %)",
        s.um_per_px,
        s.sigma_um_per_px,
        100.0 * found.relative_sigma
    ));
    ui.answer(&s.how);
    if let Some(t) = &found.ticks {
        ui.answer(&format!(
            "the rule lies at {:.2} degrees; {} of 15 strips show its ticks",
            t.angle_deg, t.strips
        ));
        if let Some([[x0, y0], [x1, y1]]) = t.part {
            ui.answer(&format!(
                "an end of the rule is seen: measured from {x0:.0},{y0:.0} to {x1:.0},{y1:.0} px"
            ));
        }
    }
    for w in &found.warnings {
        ui.say(&format!("note: {w}"));
    }
    ui.answer(&format!("to check by eye: {}", found.annotated));
    ui.answer(&format!("for clips:       {}", found.file));
    ui.result(&found)?;
    Ok(Outcome::Well)
}
