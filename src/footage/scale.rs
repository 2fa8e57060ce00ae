//! The object-space size of a pixel, as people write it and as `hushframe scale` writes it.

use std::path::{Path, PathBuf};
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use super::toml_text::{above_zero, finite, read_toml};
use super::{FootageError, printable};
use crate::frame::units::Length;

/// A scale as a person writes it: a length, or the file that `hushframe scale` wrote.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(try_from = "String")]
pub enum ScaleText {
    /// Object size of a pixel, "1.003um".
    Length(Length),
    /// A TOML file with `um_per_px` and `sigma_um_per_px`.
    File(PathBuf),
}

impl FromStr for ScaleText {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text.parse::<Length>() {
            Ok(length) => Ok(Self::Length(length)),
            Err(_) if Path::new(text).extension().is_some_and(|e| e == "toml") => {
                Ok(Self::File(PathBuf::from(text)))
            }
            Err(e) => Err(format!("{e}, or name a .toml file that `hushframe scale` wrote")),
        }
    }
}

impl TryFrom<String> for ScaleText {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        text.parse()
    }
}

/// Object-space size of a pixel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScaleValue {
    /// Micrometres on the object a pixel; above zero.
    pub um_per_px: f64,
    /// Its standard uncertainty in the same unit; `None` where it is not known.
    pub sigma_um_per_px: Option<f64>,
    /// Name of the file that it was read from, as printable text; records tell no folders.
    pub file: Option<String>,
    /// How the picture of the rule was taken, where the file says so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taken: Option<Taken>,
}

impl ScaleValue {
    /// A scale of which nothing but its value is known.
    #[must_use]
    pub fn plain(um_per_px: f64) -> Self {
        Self { um_per_px, sigma_um_per_px: None, file: None, taken: None }
    }
}

/// Difference of magnifications from which clip and scale disagree, relative.
const SAME_MAGNIFICATION: f64 = 1e-3;

/// How a picture was taken: what must be alike in a clip and the picture of its rule.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Taken {
    /// Width and height in pixels.
    pub size: Option<(usize, usize)>,
    /// Magnification on the sensor.
    pub magnification: Option<f64>,
    /// Pixels of the sensor that were read as one, along a side.
    pub binning: Option<u64>,
}

impl Taken {
    /// Why a scale measured in this picture must not be used for a clip taken like that; `None`
    /// where nothing speaks against it. What is not known on one side is not compared.
    #[must_use]
    pub fn disagreement(&self, clip: &Self) -> Option<String> {
        if let (Some(own), Some(clip)) = (self.magnification, clip.magnification)
            && (own / clip - 1.0).abs() > SAME_MAGNIFICATION
        {
            return Some(format!(
                "the scale was taken at {own}x but the clip at {clip}x: take a picture of the rule \
                 at the clip's magnification"
            ));
        }
        if let (Some(own), Some(clip)) = (self.binning, clip.binning)
            && own != clip
        {
            return Some(format!(
                "the scale was taken at binning {own} but the clip at {clip}: take both alike"
            ));
        }
        let (own, clip) = (self.size?, clip.size?);
        (own != clip).then(|| {
            format!(
                "the scale's picture has {}x{} pixels but the clip {}x{}: crop or binning differ; \
                 take both alike, or give the scale as a number if only the crop differs",
                own.0, own.1, clip.0, clip.1
            )
        })
    }
}

/// What a scale file must hold; other keys in it are for people.
#[derive(Deserialize)]
struct ScaleToml {
    #[serde(deserialize_with = "above_zero")]
    um_per_px: Option<f64>,
    #[serde(default, deserialize_with = "finite")]
    sigma_um_per_px: Option<f64>,
    width_px: Option<usize>,
    height_px: Option<usize>,
    #[serde(default, deserialize_with = "above_zero")]
    magnification: Option<f64>,
    binning: Option<u64>,
}

/// Reads a scale file.
///
/// # Errors
/// Where the file cannot be read, or its numbers make no sense.
pub fn read_scale(path: &Path) -> Result<ScaleValue, FootageError> {
    let read: ScaleToml = read_toml(path)?;
    let bad = |key: &str, what: &str| FootageError::Facts {
        place: format!("{}: {key}", printable(path)),
        what: what.to_owned(),
    };
    let um_per_px = read.um_per_px.ok_or_else(|| bad("um_per_px", "is missing"))?;
    if read.sigma_um_per_px.is_some_and(|s| s < 0.0) {
        return Err(bad("sigma_um_per_px", "is below zero: it is a standard uncertainty"));
    }
    let sigma_um_per_px = read.sigma_um_per_px;
    let size = read.width_px.zip(read.height_px);
    let taken = Taken { size, magnification: read.magnification, binning: read.binning };
    let taken = (taken != Taken::default()).then_some(taken);
    Ok(ScaleValue { um_per_px, sigma_um_per_px, file: path.file_name().map(printable), taken })
}

#[cfg(test)]
mod tests {
    use super::super::facts::{FactSource, FactsFile};
    use super::*;
    use std::fs;

    #[test]
    fn a_scale_file_is_read_beside_the_facts() {
        let dir = tempfile::tempdir().unwrap();
        let scale = "um_per_px = 1.003\nsigma_um_per_px = 0.002\nnote = \"graticule\"\n";
        fs::write(dir.path().join("x10.toml"), scale).unwrap();
        let facts = toml::from_str::<FactsFile>("scale = \"x10.toml\"").unwrap();
        let value = facts.resolve(&FactSource::Clip, dir.path()).unwrap().scale.unwrap().value;
        assert_eq!((value.um_per_px, value.sigma_um_per_px), (1.003, Some(0.002)));
        assert!(value.file.unwrap().ends_with("x10.toml"));
        for (text, part) in [
            ("um_per_px = 0", "above zero"),
            ("sigma_um_per_px = 1", "um_per_px"),
            ("um_per_px = 1\nsigma_um_per_px = -1", "below zero"),
        ] {
            fs::write(dir.path().join("x10.toml"), text).unwrap();
            let e = facts.resolve(&FactSource::Clip, dir.path()).unwrap_err().to_string();
            assert!(e.contains("x10.toml") && e.contains(part), "{e}");
        }
        assert!(facts.resolve(&FactSource::Clip, Path::new("nowhere")).is_err());
    }
}
