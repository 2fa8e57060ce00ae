//! The shoot of `hushframe demo`, and how well a run did against its truth.

use std::fs;
use std::path::{Path, PathBuf};

use serde::Serialize;

use super::SimulateError;
use super::shoot::{ShootSettings, write_shoot};

/// Lies in the folder while the shoot is being filmed.
const FILMING: &str = "being-filmed";

/// What a shoot is made of.
const FOLDERS: [&str; 4] = ["comb-pluck", "black", "even", "truth"];

/// The file that says what to do with the shoot.
const SHOOT: &str = "\
# A music box, filmed through a macro lens (simulated). One clip, finished twice:
# for viewers, with display curve, scale bar, caption and clock; and linear, for the edit.

dark = \"black\"
flat = \"even\"

[[clip]]
name = \"comb-pluck\"
frames = \"comb-pluck\"
pipeline = \"clean-and-label\"

[[clip]]
name = \"comb-pluck-edit\"
frames = \"comb-pluck\"
pipeline = \"clean\"
";

/// Whether a shoot may be filmed in `dir`: nothing is there yet, or a shoot whose filming was cut
/// off.
#[must_use]
pub fn free(dir: &Path) -> bool {
    dir.join(FILMING).is_file() || !dir.read_dir().is_ok_and(|mut d| d.next().is_some())
}

/// The true poses of the shoot in `dir`.
fn poses_of(dir: &Path) -> PathBuf {
    dir.join("truth").join("poses.csv")
}

/// Whether the shoot in `dir` is the demo's, filmed to its end.
#[must_use]
pub fn filmed(dir: &Path) -> bool {
    poses_of(dir).is_file()
}

/// Makes the shoot in `dir`.
///
/// # Errors
/// Where files cannot be written.
pub fn write(dir: &Path) -> Result<(), SimulateError> {
    film(dir, &ShootSettings::demo()?)
}

fn film(dir: &Path, settings: &ShootSettings) -> Result<(), SimulateError> {
    let fault = |path: &Path, e: &std::io::Error| SimulateError::Write {
        path: path.to_owned(),
        why: e.to_string(),
    };
    let filming = dir.join(FILMING);
    fs::create_dir_all(dir).map_err(|e| fault(dir, &e))?;
    if filming.is_file() {
        // What was filmed before it was cut off, and nothing else.
        for folder in FOLDERS.map(|f| dir.join(f)).iter().filter(|f| f.is_dir()) {
            fs::remove_dir_all(folder).map_err(|e| fault(folder, &e))?;
        }
    }
    fs::write(&filming, "").map_err(|e| fault(&filming, &e))?;
    write_shoot(dir, settings)?;
    let path = dir.join("shoot.toml");
    fs::write(&path, SHOOT).map_err(|e| fault(&path, &e))?;
    fs::remove_file(&filming).map_err(|e| fault(&filming, &e))
}

/// A run against the truth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Compared {
    /// Frames compared.
    pub frames: usize,
    /// Root mean square error of the shift over both axes, a constant offset removed, in px.
    pub shift_rms_px: f64,
    /// Root mean square movement of the rig about its mean, in px.
    pub rig_rms_px: f64,
    /// Root mean square error of the light, relative.
    pub light_rms: f64,
}

impl Compared {
    /// One sentence for a person.
    #[must_use]
    pub fn sentence(&self) -> String {
        format!(
            "against the truth: the rig moved by {:.2} px rms, steadied to {:.4} px rms; light \
             known to {:.2} %",
            self.rig_rms_px,
            self.shift_rms_px,
            100.0 * self.light_rms
        )
    }
}

/// A row found and its true row: frame, shift x, shift y, light.
type Pair = ([f64; 4], [f64; 4]);

/// Columns of a comma-separated table by name.
fn columns<const N: usize>(text: &str, names: [&str; N]) -> Option<Vec<[f64; N]>> {
    let mut lines = text.lines().filter(|l| !l.starts_with('#'));
    let header: Vec<&str> = lines.next()?.split(',').map(str::trim).collect();
    let mut at = [0; N];
    for (a, name) in at.iter_mut().zip(names) {
        *a = header.iter().position(|h| *h == name)?;
    }
    lines
        .map(|l| {
            let fields: Vec<&str> = l.split(',').map(str::trim).collect();
            let mut row = [0.0; N];
            for (r, &a) in row.iter_mut().zip(&at) {
                *r = fields.get(a)?.parse().ok()?;
            }
            Some(row)
        })
        .collect()
}

/// Compares `frames.csv` in `clip` with the truth of the shoot in `dir`.
///
/// # Errors
/// Where either table cannot be read.
pub fn compare(dir: &Path, clip: &Path) -> Result<Compared, SimulateError> {
    let read = |path: &Path| {
        fs::read_to_string(path)
            .map_err(|e| SimulateError::Write { path: path.to_owned(), why: e.to_string() })
    };
    let (truth_path, found_path) = (poses_of(dir), clip.join("frames.csv"));
    let bad = |path: &Path| SimulateError::Write {
        path: path.to_owned(),
        why: "is not a table with frame and shift columns".to_owned(),
    };
    let truth = columns(&read(&truth_path)?, ["frame", "shift_x_px", "shift_y_px", "light"])
        .ok_or_else(|| bad(&truth_path))?;
    let found = columns(&read(&found_path)?, ["frame", "shift_x_px", "shift_y_px", "light_gain"])
        .ok_or_else(|| bad(&found_path))?;
    let pairs: Vec<Pair> = found
        .iter()
        .filter_map(|f| {
            let t = truth.iter().find(|t| (t[0] - f[0]).abs() < 0.5)?;
            Some((*f, *t))
        })
        .collect();
    let n = pairs.len().max(1) as f64;
    let spread = |f: &dyn Fn(&Pair) -> f64| {
        let mean = pairs.iter().map(f).sum::<f64>() / n;
        pairs.iter().map(|p| (f(p) - mean).powi(2)).sum::<f64>() / n
    };
    let error = spread(&|p| p.0[1] - p.1[1]) + spread(&|p| p.0[2] - p.1[2]);
    let rig = spread(&|p| p.1[1]) + spread(&|p| p.1[2]);
    // Light is known up to a factor.
    let level =
        |i: usize| pairs.iter().map(|p| if i == 0 { p.0[3] } else { p.1[3] }).sum::<f64>() / n;
    let (found_level, true_level) = (level(0), level(1));
    let light = spread(&|p| p.0[3] / found_level - p.1[3] / true_level);
    Ok(Compared {
        frames: pairs.len(),
        shift_rms_px: (error / 2.0).sqrt(),
        rig_rms_px: (rig / 2.0).sqrt(),
        light_rms: light.sqrt(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filming_that_was_cut_off_begins_again() {
        let dir = tempfile::tempdir().unwrap();
        assert!(free(&dir.path().join("absent")) && free(dir.path()));
        fs::write(dir.path().join("notes.txt"), "mine").unwrap();
        assert!(!free(dir.path()), "somebody's folder");
        fs::write(dir.path().join(FILMING), "").unwrap();
        assert!(free(dir.path()));
        for folder in FOLDERS {
            fs::create_dir(dir.path().join(folder)).unwrap();
        }
        let half = dir.path().join("comb-pluck/000001.tif");
        fs::write(&half, "half").unwrap();
        film(dir.path(), &ShootSettings::small().unwrap()).unwrap();
        assert!(fs::metadata(&half).unwrap().len() > 1000);
        assert!(!free(dir.path()) && dir.path().join("notes.txt").is_file());
    }
}
