//! The facts of a clip as options.

use std::path::{Path, PathBuf};

use clap::Args;

use crate::footage::{FactSource, Facts, FactsFile, Mains, ScaleText, parse_mosaic, parse_times};
use crate::frame::Mosaic;
use crate::frame::units::{Duration, FrameRate, Length};

/// Their heading in the help, on each: one for the whole would go on to what a command has after them.
const HEADING: &str = "Facts of the clip";

/// Facts of the clip; they win over clip.toml, shoot.toml and EXIF.
#[derive(Debug, Clone, Args)]
pub(super) struct FactOptions {
    /// Capture rate in frames a second, such as 5000 or 30000/1001
    #[arg(help_heading = HEADING, long, value_name = "FPS", allow_hyphen_values = true)]
    rate: Option<FrameRate>,
    /// Rate at which the result is shown
    #[arg(help_heading = HEADING, long, value_name = "FPS", allow_hyphen_values = true)]
    playback: Option<FrameRate>,
    /// Exposure time of a frame, such as 50us
    #[arg(help_heading = HEADING, long, value_name = "TIME", allow_hyphen_values = true)]
    exposure: Option<Duration>,
    /// Magnification on the sensor, such as 4 or 4x
    #[arg(help_heading = HEADING, long, value_name = "X", allow_hyphen_values = true, value_parser = parse_times)]
    magnification: Option<f64>,
    /// Distance of two pixels on the sensor, such as 10um
    #[arg(help_heading = HEADING, long, value_name = "LENGTH", allow_hyphen_values = true)]
    pixel_pitch: Option<Length>,
    /// Size of a pixel on the object, such as 1.003um, or a file that holds it
    #[arg(help_heading = HEADING, long, value_name = "LENGTH|FILE", allow_hyphen_values = true)]
    scale: Option<ScaleText>,
    /// Number of the frame whose time is 0
    #[arg(help_heading = HEADING, long, value_name = "N", allow_hyphen_values = true)]
    trigger_frame: Option<u64>,
    /// Colour filter over the top-left 2 x 2 pixels: RGGB, BGGR, GRBG or GBRG
    #[arg(help_heading = HEADING, long, value_name = "LETTERS", value_parser = parse_mosaic)]
    mosaic: Option<Mosaic>,
    /// Black level in DN
    #[arg(help_heading = HEADING, long, value_name = "DN", allow_negative_numbers = true)]
    black: Option<f64>,
    /// White level (saturation) in DN
    #[arg(help_heading = HEADING, long, value_name = "DN", allow_hyphen_values = true, value_parser = above_zero)]
    white: Option<f64>,
    /// Mains frequency, 50 or 60
    #[arg(help_heading = HEADING, long, value_name = "HZ")]
    mains: Option<Mains>,
    /// Rolling shutter: time from one row to the next, such as 5us
    #[arg(help_heading = HEADING, long, value_name = "TIME", allow_hyphen_values = true)]
    row_time: Option<Duration>,
    /// Pixels of the sensor that were read as one, along a side
    #[arg(help_heading = HEADING, long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..=16))]
    binning: Option<u64>,
    /// Folder that `measure` wrote for this clip, for stage motion
    #[arg(help_heading = HEADING, long, value_name = "FOLDER")]
    motion: Option<PathBuf>,
}

fn above_zero(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(x) if x.is_finite() && x > 0.0 => Ok(x),
        _ => Err("must be a number above zero".to_owned()),
    }
}

impl FactOptions {
    /// As facts; a scale file is read.
    pub(super) fn facts(&self) -> anyhow::Result<Facts> {
        let file = FactsFile {
            rate: self.rate,
            playback: self.playback,
            exposure: self.exposure,
            magnification: self.magnification,
            pixel_pitch: self.pixel_pitch,
            scale: self.scale.clone(),
            trigger_frame: self.trigger_frame,
            mosaic: self.mosaic,
            black: self.black,
            white: self.white,
            mains: self.mains,
            row_time: self.row_time,
            binning: self.binning,
            motion: self.motion.clone(),
            raw: None,
        };
        Ok(file.resolve(&FactSource::Option, Path::new("."))?)
    }
}
