//! The table of a part's motion that `hushframe measure` wrote, read again for stage `motion`.
//!
//! A clip names the folder (`motion = "motion/comb"`, relative to the file it stands in); there lie
//! `motion.json` (the region and the size of the pictures) and `motion.csv` (a row a frame).

use std::io::Read as _;
use std::path::Path;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::open::open_regular;
use super::write::hash_bytes;
use super::{FootageError, printable};

/// Most bytes of either file: a row has some 200, a clip at most a million.
const MOST_BYTES: u64 = 256 << 20;

/// A row of the table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MotionRow {
    /// Number of the source frame.
    pub frame: u64,
    /// Seconds from the trigger frame.
    pub time_s: f64,
    /// Way of the part since the reference in px, right and down, and its displacement along the
    /// direction told, in the table's unit; `None` where the part was lost.
    pub found: Option<([f64; 2], f64)>,
}

/// How a part moved, as `measure` found it.
#[derive(Debug, Clone, PartialEq)]
pub struct MotionTable {
    /// Middle of the part in the reference pose, in px of the pictures measured.
    pub middle: [f64; 2],
    /// Width and height of the pictures measured.
    pub size: (usize, usize),
    /// Unit of the displacements: "µm" where the scale was known, else "px".
    pub unit: &'static str,
    /// Rows with rising frame numbers.
    pub rows: Vec<MotionRow>,
}

/// A table as a fact of a clip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MotionValue {
    /// Folder that it was read from, as printable text.
    pub folder: String,
    /// BLAKE3 of both files' hashes.
    pub hash: String,
    /// The table; not kept in records.
    #[serde(skip)]
    pub table: Option<Arc<MotionTable>>,
}

#[derive(Deserialize)]
struct Numbers {
    region: [usize; 4],
    size_px: Option<[usize; 2]>,
}

/// Reads what `measure` wrote into `folder`.
///
/// # Errors
/// [`FootageError::Facts`] naming file and line where it is no such table.
pub fn read_motion(folder: &Path) -> Result<MotionValue, FootageError> {
    let (json, table) = (folder.join("motion.json"), folder.join("motion.csv"));
    let numbers_text = text_of(&json)?;
    let fault = |path: &Path, line: usize, what: &str| FootageError::Facts {
        place: if line > 0 { format!("{}:{line}", printable(path)) } else { printable(path) },
        what: format!("{what}: name a folder that `hushframe measure` wrote, or measure again"),
    };
    let numbers: Numbers =
        serde_json::from_str(&numbers_text).map_err(|e| fault(&json, e.line(), &e.to_string()))?;
    let [x, y, w, h] = numbers.region.map(|v| v as f64);
    let size = numbers.size_px.ok_or_else(|| {
        fault(&json, 0, "does not say how large the pictures were (it is of an older version)")
    })?;
    let text = text_of(&table)?;
    let (rows, unit) = rows(&text).map_err(|(line, what)| fault(&table, line, &what))?;
    let hash = hash_bytes(
        format!("{}\n{}\n", hash_bytes(numbers_text.as_bytes()), hash_bytes(text.as_bytes()))
            .as_bytes(),
    );
    let table = MotionTable {
        middle: [x + 0.5 * (w - 1.0), y + 0.5 * (h - 1.0)],
        size: (size[0], size[1]),
        unit,
        rows,
    };
    Ok(MotionValue { folder: printable(folder), hash, table: Some(Arc::new(table)) })
}

fn text_of(path: &Path) -> Result<String, FootageError> {
    let (file, meta) = open_regular(path)?;
    if meta.len() > MOST_BYTES {
        return Err(FootageError::Limit {
            path: printable(path),
            what: format!("has {} bytes: such a table has at most {MOST_BYTES}", meta.len()),
        });
    }
    let mut text = String::new();
    let read = file.take(MOST_BYTES).read_to_string(&mut text);
    read.map_err(|e| FootageError::disk(path, "read", e))?;
    Ok(text)
}

/// Rows and the unit of a table's text; a fault with its line.
fn rows(text: &str) -> Result<(Vec<MotionRow>, &'static str), (usize, String)> {
    let mut lines = text.lines();
    let header: Vec<&str> = lines.next().unwrap_or("").split(',').collect();
    let column = |name: &str| {
        let at = header.iter().position(|h| *h == name);
        at.ok_or_else(|| (1, format!("has no column {name}")))
    };
    let at = [
        column("frame")?,
        column("time_s")?,
        column("shift_x_px")?,
        column("shift_y_px")?,
        column("along_px")?,
        column("along_um")?,
    ];
    let mut read: Vec<(MotionRow, Option<f64>)> = Vec::new();
    for (i, line) in lines.enumerate() {
        let cells: Vec<&str> = line.split(',').collect();
        let cell = |k: usize| cells.get(at[k]).copied().unwrap_or("");
        let bad = |what: &str| (i + 2, what.to_owned());
        let number = |k: usize| cell(k).parse::<f64>().ok().filter(|v| v.is_finite());
        let frame: u64 = cell(0).parse().map_err(|_| bad("has no frame number"))?;
        if read.last().is_some_and(|(r, _)| r.frame >= frame) {
            return Err(bad("is not in order of frames"));
        }
        let time_s = number(1).ok_or_else(|| bad("has no time"))?;
        let found = match (cell(2), cell(3), cell(4)) {
            ("", "", "") => None,
            _ => {
                let all = number(2).zip(number(3)).zip(number(4));
                let ((x, y), along) = all.ok_or_else(|| bad("has a displacement that is none"))?;
                Some(([x, y], along))
            }
        };
        read.push((MotionRow { frame, time_s, found }, number(5)));
    }
    if !read.iter().any(|(r, _)| r.found.is_some()) {
        return Err((1, "has no frame in which the part was found".to_owned()));
    }
    let on_object = read.iter().all(|(r, um)| r.found.is_none() || um.is_some());
    let unit = if on_object { "\u{b5}m" } else { "px" };
    let rows = read.into_iter().map(|(row, um)| {
        let found = row.found.map(|(shift, px)| (shift, um.filter(|_| on_object).unwrap_or(px)));
        MotionRow { found, ..row }
    });
    Ok((rows.collect(), unit))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    const HEADER: &str = "frame,time_s,shift_x_px,shift_y_px,along_px,along_um,status\n";

    #[test]
    fn a_table_is_read_with_its_unit_and_gaps() {
        let dir = tempfile::tempdir().unwrap();
        let write = |json: &str, rows: &str| {
            fs::write(dir.path().join("motion.json"), json).unwrap();
            fs::write(dir.path().join("motion.csv"), format!("{HEADER}{rows}")).unwrap();
            read_motion(dir.path())
        };
        let json = "{\"region\": [10, 20, 31, 41], \"size_px\": [640, 480]}";
        let value = write(json, "7,0.001,1,-2,2.2,4.4,ok\n8,0.002,,,,,lost\n").unwrap();
        let table = value.table.unwrap();
        assert_eq!((table.middle, table.size, table.unit), ([25.0, 40.0], (640, 480), "\u{b5}m"));
        assert_eq!(table.rows[0].found, Some(([1.0, -2.0], 4.4)));
        assert_eq!((table.rows[1].frame, table.rows[1].found), (8, None));
        let plain = write(json, "7,0.001,1,-2,2.2,,ok\n").unwrap();
        assert_eq!(plain.table.unwrap().unit, "px");
        assert_ne!(plain.hash, value.hash);
        let fault = |json: &str, rows: &str| write(json, rows).unwrap_err().to_string();
        for (rows, words) in [
            ("x,0,1,2,3,4,ok\n", "motion.csv:2: has no frame number"),
            ("7,0,1,2,3,4,ok\n7,1,1,2,3,4,ok\n", "motion.csv:3: is not in order"),
            ("7,0,nan,2,3,4,ok\n", "displacement that is none"),
            ("7,0,,,,,lost\n", "no frame in which the part was found"),
        ] {
            let text = fault(json, rows);
            assert!(text.contains(words) && text.contains("hushframe measure"), "{text}");
        }
        let text = fault("{\"region\": [1, 2, 3, 4]}", "7,0,1,2,3,4,ok\n");
        assert!(text.contains("older version"), "{text}");
        assert!(fault("[]", "").contains("motion.json"));
        fs::write(dir.path().join("motion.csv"), "frame,time\n").unwrap();
        fs::write(dir.path().join("motion.json"), json).unwrap();
        assert!(read_motion(dir.path()).unwrap_err().to_string().contains("no column time_s"));
        assert!(read_motion(&dir.path().join("nowhere")).is_err());
    }
}
