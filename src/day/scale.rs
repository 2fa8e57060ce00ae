//! `scale`: measures a picture of a rule, keeps the result and a picture that the eye can check.

use std::path::{Path, PathBuf};

use serde::Serialize;

use super::{DayError, begins_with};
use crate::footage::{check_no_footage, check_output, encode_png16, printable, write_bytes};
use crate::measure::ruler::{self, MARK, ScaleArgs, ScaleFile, Ticks};

/// What was measured and where it lies.
#[derive(Debug, Clone, Serialize)]
pub struct Scaled {
    /// What clips refer to.
    #[serde(flatten)]
    pub scale: ScaleFile,
    /// Relative standard uncertainty.
    pub relative_sigma: f64,
    /// The ticks, where they were looked for.
    pub ticks: Option<Ticks>,
    /// What to know of the result.
    pub warnings: Vec<String>,
    /// The scale file, as printable text.
    pub file: String,
    /// The annotated picture, as printable text.
    pub annotated: String,
}

/// Measures `args.image`; writes the scale file to `to` (none: `<picture>-scale.toml` in the
/// current folder) and the annotated picture beside it (`...-annotated.png`).
///
/// # Errors
/// Where the picture shows no rule, or a result would take the place of the picture or of a file
/// that is no scale file; without `to` also where the current folder is the picture's own.
pub fn run(args: &ScaleArgs, to: Option<&Path>) -> Result<Scaled, DayError> {
    let image = &args.image;
    if image.is_dir() {
        return Err(DayError::Refused(format!(
            "{}: is a folder: name one picture of the rule in it",
            printable(image)
        )));
    }
    let places = Places::choose(image, to)?;
    let mut report = ruler::run(args)?;
    if let Some((width, height)) = uncropped(image) {
        (report.scale.width_px, report.scale.height_px) = (width, height);
    }
    let text = report.scale.to_toml().map_err(DayError::Refused)?;
    let png = encode_png16(&report.annotated, Some(report.scale.um_per_px))?;
    write_bytes(&places.annotated, &png)?;
    write_bytes(&places.file, text.as_bytes())?;
    Ok(Scaled {
        relative_sigma: report.scale.sigma_um_per_px / report.scale.um_per_px,
        scale: report.scale,
        ticks: report.ticks,
        warnings: report.warnings,
        file: printable(&places.file),
        annotated: printable(&places.annotated),
    })
}

/// Size of the clip's frames where the picture is a finished frame, cropped when it was steadied:
/// what the scale is held against later is the clip.
fn uncropped(image: &Path) -> Option<(usize, usize)> {
    let folder = image.parent().filter(|p| p.file_name().is_some_and(|n| n == "frames"))?;
    let text = std::fs::read_to_string(folder.parent()?.join("record.json")).ok()?;
    let record: serde_json::Value = serde_json::from_str(&text).ok()?;
    let side = |name: &str| {
        let n = record.pointer(&format!("/inputs/shape/{name}"))?.as_u64()?;
        usize::try_from(n).ok()
    };
    Some((side("width")?, side("height")?))
}

/// Where results go.
struct Places {
    file: PathBuf,
    annotated: PathBuf,
}

impl Places {
    fn choose(image: &Path, to: Option<&Path>) -> Result<Self, DayError> {
        let file = match to {
            Some(to) => to.to_owned(),
            None => {
                let stem = image.file_stem().unwrap_or_default().to_string_lossy();
                PathBuf::from(format!("{stem}-scale.toml"))
            }
        };
        if file.extension().is_none_or(|e| e != "toml") {
            return Err(DayError::Refused(format!(
                "{}: a scale file ends in .toml, or clips cannot refer to it",
                printable(&file)
            )));
        }
        let stem = file.file_stem().unwrap_or_default().to_string_lossy();
        let annotated = file.with_file_name(format!("{stem}-annotated.png"));
        // A folder that a person names may hold the picture; one that was not named may not.
        let parent = image.parent().filter(|p| !p.as_os_str().is_empty());
        if to.is_none()
            && image.exists()
            && let Err(e) = check_output(&file, &[parent.unwrap_or(Path::new("."))])
        {
            return Err(DayError::Refused(format!("{e}, or name a file with -o")));
        }
        for place in [&file, &annotated] {
            if image.exists() {
                check_output(place, &[image])?;
            }
        }
        check_no_footage(file.parent().unwrap_or(Path::new("")))?;
        let ours = begins_with(&file, MARK);
        let taken = [&file, &annotated].into_iter().find(|p| p.symlink_metadata().is_ok());
        match taken {
            Some(place) if !ours => Err(DayError::Refused(format!(
                "{}: is there already, and no scale file lies there: move it away, or name another \
                 file with -o",
                printable(place)
            ))),
            _ => Ok(Self { file, annotated }),
        }
    }
}
