//! What a finished clip's folder says: record, table, and the notes beside them.
//!
//! Nothing here opens an original or a finished picture. A file that is missing or damaged makes
//! its part of the page empty, with a word about it; it never stops the other clips' pages.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use super::notes::{AFTER, BEFORE, COMPARED, Compared, MOVIE, PREVIEWED, PreviewNote, TOOK, Took};
use crate::footage::{FAILED, printable};
use crate::record::{Failure, Warning};

/// The words of the `status` column, in the order of their colours.
pub const STATES: &[&str] = &["ok", "saturated", "missing", "unreadable", "low-confidence"];

/// One row of `frames.csv`.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Number of the source frame.
    pub frame: u64,
    /// Seconds from the trigger, where a rate is known.
    pub time_s: Option<f64>,
    /// Shift of the scene in px, x right and y down.
    pub shift: [f64; 2],
    /// Its standard uncertainty per axis in px; `None` where no pose was measured.
    pub sigma: Option<f64>,
    /// Light relative to the clip's reference level.
    pub light: f64,
    /// Noise left in electrons, where known.
    pub noise_e: Option<f64>,
    /// The word of the `status` column, one of [`STATES`].
    pub status: &'static str,
}

impl Row {
    /// Whether there was a picture to read.
    #[must_use]
    pub fn usable(&self) -> bool {
        !matches!(self.status, "missing" | "unreadable")
    }
}

/// All that the pages need to know of one clip.
#[derive(Debug, Clone)]
pub struct ClipFolder {
    /// Its folder.
    pub folder: PathBuf,
    /// Its name as harmless text.
    pub name: String,
    /// `record.json`; null where it is not there yet.
    pub record: Value,
    /// `frames.csv`.
    pub rows: Vec<Row>,
    /// Whether the seal is there.
    pub complete: bool,
    /// Numbers of the finished frames that lie there, where the seal does not: with it all do.
    pub there: Option<BTreeSet<u64>>,
    /// The pictures for the comparison, where they were made.
    pub compared: Option<Compared>,
    /// The preview, where it was made.
    pub preview: Option<PreviewNote>,
    /// Seconds of work that went into it, where it was noted.
    pub took_s: Option<f64>,
    /// Why its last run failed as a whole, where it did.
    pub failure: Option<String>,
    /// What could not be read, in words.
    pub faults: Vec<String>,
}

impl ClipFolder {
    /// Reads a clip's folder.
    #[must_use]
    pub fn read(folder: &Path) -> Self {
        let mut faults = Vec::new();
        let record = json(&folder.join("record.json"), &mut faults).unwrap_or(Value::Null);
        let rows = match fs::read_to_string(folder.join("frames.csv")) {
            Ok(text) => rows(&text, &mut faults),
            Err(_) => Vec::new(),
        };
        // Pictures of an earlier job say nothing of this one.
        let key = record.get("key").and_then(Value::as_str).unwrap_or("").to_owned();
        let ours = |of: &String| *of == key;
        let compared = json(&folder.join(COMPARED), &mut faults)
            .and_then(|v| serde_json::from_value::<Compared>(v).ok())
            .filter(|c| ours(&c.key))
            .filter(|_| [BEFORE, AFTER].iter().all(|n| folder.join(n).is_file()));
        let preview = json(&folder.join(PREVIEWED), &mut faults)
            .and_then(|v| serde_json::from_value::<PreviewNote>(v).ok())
            .filter(|p| ours(&p.key) && folder.join(MOVIE).is_file());
        let took = json(&folder.join(TOOK), &mut faults)
            .and_then(|v| serde_json::from_value::<Took>(v).ok())
            .filter(|t| ours(&t.key));
        let failure = json(&folder.join(FAILED), &mut faults)
            .and_then(|v| serde_json::from_value::<Failure>(v).ok());
        let complete = folder.join("complete.json").is_file();
        Self {
            there: (!complete).then(|| numbers(&folder.join("frames"))),
            failure: failure.map(|f| printable(f.error)),
            took_s: took.map(|t| t.seconds),
            name: folder.file_name().map(printable).unwrap_or_default(),
            complete,
            folder: folder.to_owned(),
            record,
            rows,
            compared,
            preview,
            faults,
        }
    }

    /// A value of the record by its path.
    #[must_use]
    pub fn get(&self, path: &[&str]) -> &Value {
        path.iter().fold(&self.record, |at, key| at.get(key).unwrap_or(&Value::Null))
    }

    /// The pipeline's step that uses a stage.
    #[must_use]
    pub fn step(&self, stage: &str) -> Option<&Value> {
        let steps = self.get(&["pipeline", "steps"]).as_array()?;
        steps.iter().find(|s| s.get("use").and_then(Value::as_str) == Some(stage))
    }

    /// A number of the record by its path.
    #[must_use]
    pub fn number(&self, path: &[&str]) -> Option<f64> {
        self.get(path).as_f64().filter(|x| x.is_finite())
    }

    /// Text of the record by its path.
    #[must_use]
    pub fn text(&self, path: &[&str]) -> Option<&str> {
        self.get(path).as_str()
    }

    /// Frames that could not be made, with the reason, in order.
    #[must_use]
    pub fn failed(&self) -> Vec<(u64, String)> {
        let listed = self.get(&["frames", "failed"]).as_object();
        let mut all: Vec<(u64, String)> = listed
            .into_iter()
            .flatten()
            .filter_map(|(n, why)| Some((n.parse().ok()?, why.as_str()?.to_owned())))
            .collect();
        all.sort();
        all
    }

    /// Numbers of the sequence without a file.
    #[must_use]
    pub fn missing(&self) -> Vec<u64> {
        self.rows.iter().filter(|r| r.status == "missing").map(|r| r.frame).collect()
    }

    /// Source frames that went into a finished one; 1 where none were combined.
    #[must_use]
    pub fn combined(&self) -> u64 {
        self.get(&["combined", "frames"]).as_u64().unwrap_or(1).max(1)
    }

    /// Place of a finished frame in the sequence of them, counted from 0.
    #[must_use]
    pub fn place(&self, frame: u64) -> u64 {
        let first = self.rows.first().map_or(0, |r| r.frame);
        frame.saturating_sub(first) / self.combined()
    }

    /// Seconds from the trigger to a finished frame that several were combined into.
    #[must_use]
    pub fn combined_time_s(&self, frame: u64) -> Option<f64> {
        let all = self.get(&["combined", "finished"]).as_array()?;
        let of = |v: &Value| v.get("frame").and_then(Value::as_u64);
        let at = all.binary_search_by_key(&Some(frame), of).ok()?;
        all.get(at)?.get("time_s")?.as_f64()
    }

    /// Frames that were made.
    #[must_use]
    pub fn made(&self) -> usize {
        let there = |n: u64| self.there.as_ref().is_none_or(|all| all.contains(&n));
        match self.composed() {
            Some(all) => {
                let failed = self.failed();
                let is = |n: u64| there(n) && failed.iter().all(|(f, _)| *f != n);
                all.into_iter().filter(|&n| is(n)).count()
            }
            None => self.rows.iter().filter(|r| r.usable() && there(r.frame)).count(),
        }
    }

    /// Frames that are made when the clip is complete, those that fail among them.
    #[must_use]
    pub fn to_be_made(&self) -> usize {
        let gaps = self.missing().len();
        self.composed().map_or(self.rows.len().saturating_sub(gaps), |all| all.len())
    }

    /// Numbers of the finished frames that several are combined into.
    fn composed(&self) -> Option<Vec<u64>> {
        let all = self.get(&["combined", "finished"]).as_array()?;
        Some(all.iter().filter_map(|v| v.get("frame").and_then(Value::as_u64)).collect())
    }

    /// The warnings of the record.
    #[must_use]
    pub fn warnings(&self) -> Vec<Warning> {
        serde_json::from_value(self.get(&["warnings"]).clone()).unwrap_or_default()
    }

    /// Whether the still background was found.
    #[must_use]
    pub fn locked(&self) -> bool {
        self.get(&["registration", "locked"]).as_bool().unwrap_or(false)
    }

    /// Capture rate in frames a second.
    #[must_use]
    pub fn rate(&self) -> Option<f64> {
        rate(self.text(&["rates", "capture"])?)
    }
}

/// Numbers of the finished frames in a folder, by their names.
fn numbers(frames: &Path) -> BTreeSet<u64> {
    let files = fs::read_dir(frames).into_iter().flatten().flatten();
    let number = |path: PathBuf| {
        let stem = path.file_stem().filter(|_| path.extension().is_some_and(|e| e == "tif"));
        stem?.to_str()?.parse().ok()
    };
    files.filter_map(|f| number(f.path())).collect()
}

/// A rate as records write it: "5000" or "30000/1001".
pub(super) fn rate(text: &str) -> Option<f64> {
    let parsed: crate::frame::units::FrameRate = text.parse().ok()?;
    Some(parsed.per_second())
}

fn json(path: &Path, faults: &mut Vec<String>) -> Option<Value> {
    let bytes = fs::read(path).ok()?;
    match serde_json::from_slice(&bytes) {
        Ok(value) => Some(value),
        Err(e) => {
            let name = path.file_name().map(printable).unwrap_or_default();
            faults.push(format!("{name} does not read: {e}; run the clip again"));
            None
        }
    }
}

/// Rows of the table; columns are found by their names.
fn rows(text: &str, faults: &mut Vec<String>) -> Vec<Row> {
    let mut lines = text.lines();
    let head: Vec<&str> = lines.next().unwrap_or("").split(',').collect();
    let column = |name: &str| head.iter().position(|h| *h == name);
    let at = [
        "frame",
        "time_s",
        "shift_x_px",
        "shift_y_px",
        "shift_sigma_px",
        "light_gain",
        "noise_e",
        "status",
    ]
    .map(column);
    let mut bad = 0_usize;
    let mut rows = Vec::new();
    for line in lines {
        let cells: Vec<&str> = line.split(',').collect();
        let cell = |k: usize| at[k].and_then(|i| cells.get(i)).copied().unwrap_or("");
        let number = |k: usize| cell(k).parse::<f64>().ok().filter(|x| x.is_finite());
        let status = STATES.iter().copied().find(|s| *s == cell(7));
        let (Ok(frame), Some(status)) = (cell(0).parse(), status) else {
            bad += 1;
            continue;
        };
        rows.push(Row {
            frame,
            time_s: number(1),
            shift: [number(2).unwrap_or(0.0), number(3).unwrap_or(0.0)],
            sigma: number(4),
            light: number(5).unwrap_or(1.0),
            noise_e: number(6),
            status,
        });
    }
    if bad > 0 {
        faults.push(format!("frames.csv: {bad} rows do not read; run the clip again"));
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::footage::clip_folders;

    #[test]
    fn columns_are_found_by_name_and_bad_rows_are_told() {
        let mut faults = Vec::new();
        let text = "frame,status,shift_y_px,shift_x_px\n7,ok,-0.5,1.25\nx,ok,0,0\n8,odd,0,0\n";
        let read = rows(text, &mut faults);
        assert_eq!(read.len(), 1);
        assert_eq!((read[0].frame, read[0].shift), (7, [1.25, -0.5]));
        assert_eq!((read[0].time_s, read[0].noise_e), (None, None));
        assert!(faults[0].contains("2 rows do not read"), "{faults:?}");
    }

    #[test]
    fn a_folder_without_results_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        let said = clip_folders(dir.path()).unwrap_err().to_string();
        assert!(said.contains("no results"), "{said}");
        assert!(clip_folders(&dir.path().join("none")).is_err());
    }

    #[test]
    fn a_damaged_record_is_a_fault_of_that_page_only() {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join("record.json"), "{\"tool\": ").unwrap();
        let clip = ClipFolder::read(dir.path());
        assert!(clip.faults[0].contains("record.json does not read"));
        assert!(!clip.locked() && clip.rows.is_empty());
    }
}
