//! Finished frames of a clip in another format, for whoever works on with them.
//!
//! | format | samples | black | what is lost |
//! | --- | --- | --- | --- |
//! | `png` | 16 bit | as the finished frames | nothing |
//! | `ome-tiff` | 16 bit | as the finished frames | nothing |
//! | `dpx16`, `dpx10` | 16 or 10 bit | as the finished frames | nothing; rounded to 10 bits |
//! | `exr`, `exr-float` | half, single precision | pedestal becomes 0.0 | rounded to 11 significant bits; nothing |
//! | `y4m`, `y4m-444`, `y4m-444-10` | 8 or 10 bit, limited range | clipped | a stream for encoders |
//!
//! Samples are those of the finished TIFFs; nothing is computed anew but the coding. For Y4M,
//! linear frames go through the sRGB curve at the exposure of the preview; frames that are coded
//! for display stay as they are coded. In a stream a frame that is missing is the one before it,
//! so that time runs on.
//!
//! What goes along: scale, rates, exposure, date of the first frame, time. **No user names,
//! machine names or paths.**

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::PoisonError;

use rayon::prelude::*;
use serde::Serialize;

use super::DayError;
use crate::engine::{Phase, Work};
use crate::footage::{
    DpxTags, ExrTags, FootageError, OmeTags, OutFrame, TiffTags, Y4mKind, Y4mWriter,
    check_no_footage, check_output, encode_dpx, encode_exr, encode_png16, encode_tiff, ome_xml,
    printable, write_bytes,
};
use crate::frame::convert::to_f32;
use crate::frame::units::{Duration, FrameRate};
use crate::report::picture::{as_picture, finished, is_finished};
use crate::report::preview;
use crate::report::read::{ClipFolder, Row};

/// The note that marks a folder as one of exported frames.
const NOTE: &str = "export.json";
/// Playback rate of a stream where nobody gave one.
const USUAL_RATE: u64 = 25;

/// A format to export to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Format {
    /// 16-bit PNG.
    Png,
    /// 16-bit TIFF with OME metadata.
    OmeTiff,
    /// DPX, 10 bits.
    Dpx10,
    /// DPX, 16 bits.
    Dpx16,
    /// OpenEXR, half precision.
    Exr,
    /// OpenEXR, single precision.
    ExrFloat,
    /// Y4M, 8 bits, 4:2:0.
    Y4m,
    /// Y4M, 8 bits, 4:4:4.
    Y4m444,
    /// Y4M, 10 bits, 4:4:4.
    Y4m44410,
}

impl Format {
    /// How a stream holds its samples; `None` for files of one frame.
    #[must_use]
    pub fn stream(self) -> Option<Y4mKind> {
        match self {
            Self::Y4m => Some(Y4mKind::Eight420),
            Self::Y4m444 => Some(Y4mKind::Eight444),
            Self::Y4m44410 => Some(Y4mKind::Ten444),
            _ => None,
        }
    }

    fn extension(self) -> &'static str {
        match self {
            Self::Png => "png",
            Self::OmeTiff => "ome.tif",
            Self::Dpx10 | Self::Dpx16 => "dpx",
            Self::Exr | Self::ExrFloat => "exr",
            Self::Y4m | Self::Y4m444 | Self::Y4m44410 => "y4m",
        }
    }
}

/// What was exported.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Exported {
    /// The clip.
    pub clip: String,
    /// The format.
    pub format: Format,
    /// Frames written.
    pub frames: usize,
    /// Numbers of the clip without a finished frame.
    pub left_out: usize,
    /// Where they are; `None` for a stream.
    pub place: Option<PathBuf>,
}

/// One row for each finished frame, where several source frames were combined: that of the number
/// it carries, with its time; where it is not there, the group's first.
fn one_each(clip: &ClipFolder, rows: Vec<Row>) -> Vec<Row> {
    if clip.combined() == 1 {
        return rows;
    }
    let mut out: Vec<Row> = Vec::new();
    for mut row in rows {
        let finished = is_finished(&clip.folder, row.frame);
        row.time_s = clip.combined_time_s(row.frame).or(row.time_s);
        match out.last_mut() {
            Some(last) if clip.place(last.frame) == clip.place(row.frame) => {
                if finished {
                    *last = row;
                }
            }
            _ => out.push(row),
        }
    }
    out
}

/// A finished clip, ready to be exported.
#[derive(Debug)]
pub struct Export {
    clip: ClipFolder,
    rows: Vec<Row>,
    format: Format,
}

impl Export {
    /// Opens the results of one clip (`OUT/<clip>`); with `range` only frames from the first to
    /// the last number.
    ///
    /// # Errors
    /// Where there are no finished frames.
    pub fn open(
        folder: &Path,
        format: Format,
        range: Option<(u64, u64)>,
    ) -> Result<Self, DayError> {
        let clip = ClipFolder::read(folder);
        if clip.record.is_null() {
            return Err(DayError::Refused(format!(
                "{}: holds no record of a finished clip: name the clip's own folder below the one \
                 given as --out",
                printable(folder)
            )));
        }
        let rows: Vec<Row> = clip
            .rows
            .iter()
            .filter(|r| range.is_none_or(|(a, b)| r.frame >= a && r.frame <= b))
            .cloned()
            .collect();
        let rows = one_each(&clip, rows);
        if !rows.iter().any(|r| r.usable() && is_finished(folder, r.frame)) {
            let why = match range {
                None => "there is no finished frame to export: finish the run first".to_owned(),
                Some((a, b)) => format!(
                    "there is no finished frame from {a} to {b}: the clip's numbers are in \
                     frames.csv"
                ),
            };
            return Err(DayError::Refused(format!("{}: {why}", printable(folder))));
        }
        Ok(Self { clip, rows, format })
    }

    fn there(&self, row: &Row) -> bool {
        row.usable() && is_finished(&self.clip.folder, row.frame)
    }

    fn picture(&self, frame: u64) -> Result<OutFrame, FootageError> {
        as_picture(finished(&self.clip.folder, frame)?, &self.clip.folder)
    }

    fn rate(&self, which: &str) -> Option<FrameRate> {
        self.clip.text(&["rates", which]).and_then(|t| t.parse().ok())
    }

    /// Capture rate of the finished frames.
    fn capture(&self) -> Option<FrameRate> {
        let each = usize::try_from(self.clip.combined()).ok()?;
        self.rate("capture")?.slowed(each)
    }

    fn exposure_s(&self) -> Option<f64> {
        if self.clip.combined() > 1 {
            return self.clip.number(&["combined", "open_s"]);
        }
        let text = self.clip.text(&["facts", "exposure", "value"])?;
        text.parse::<Duration>().ok().map(Duration::s)
    }

    fn description(&self, frame: u64) -> String {
        let tool = self.clip.text(&["tool"]).unwrap_or("hushframe");
        let coded = if self.display() { "coded for display" } else { "linear light" };
        let name = self.clip.text(&["pipeline", "name"]).unwrap_or("");
        format!("{tool}, pipeline {name}; frame {frame}; {coded}")
    }

    fn display(&self) -> bool {
        self.clip.number(&["output_scale", "pedestal_dn"]).is_none()
    }

    /// Writes one file a frame into the folder `to`, which must be new, empty, or one of an
    /// earlier export of the same finished frames in the same format.
    ///
    /// # Errors
    /// Where the folder is refused, a frame does not read or cannot be written, or on request.
    pub fn files(&self, to: &Path, work: &Work<'_>) -> Result<Exported, DayError> {
        self.claim(to)?;
        let rows: Vec<&Row> = self.rows.iter().filter(|r| self.there(r)).collect();
        let done = Mutex::new(0_u64);
        let total = u64::try_from(rows.len()).unwrap_or(0);
        rows.par_iter().try_for_each(|row| -> Result<(), DayError> {
            work.check()?;
            let bytes = self.encoded(row)?;
            let name = format!("{:06}.{}", row.frame, self.format.extension());
            write_bytes(&to.join(name), &bytes)?;
            let mut n = done.lock().unwrap_or_else(PoisonError::into_inner);
            *n += 1;
            work.progress.step(Phase::Render, *n, total);
            Ok(())
        })?;
        self.write_note(to, Some(rows.len()))?;
        Ok(self.exported(rows.len(), Some(to)))
    }

    fn exported(&self, frames: usize, place: Option<&Path>) -> Exported {
        Exported {
            clip: self.clip.name.clone(),
            format: self.format,
            frames,
            left_out: self.rows.len() - self.rows.iter().filter(|r| self.there(r)).count(),
            place: place.map(Path::to_owned),
        }
    }

    /// Makes the folder and marks it as ours.
    fn claim(&self, to: &Path) -> Result<(), DayError> {
        check_output(to, &[&self.clip.folder])?;
        check_no_footage(to.parent().unwrap_or(Path::new("")))?;
        let note = to.join(NOTE);
        let taken = fs::read_dir(to).is_ok_and(|mut d| d.next().is_some());
        let refused = |what: &str| {
            Err(DayError::Refused(format!(
                "{}: holds {what}: name a new or empty folder",
                printable(to)
            )))
        };
        if taken && !note.is_file() {
            return refused("other files");
        }
        if taken && !self.made(&note) {
            return refused("an export of another clip, of other settings or in another format");
        }
        fs::create_dir_all(to).map_err(|e| FootageError::disk(to, "create", e))?;
        self.write_note(to, None)
    }

    /// Whether the note of an earlier export says that it was of these finished frames.
    fn made(&self, note: &Path) -> bool {
        let text = fs::read(note).unwrap_or_default();
        let old: serde_json::Value = serde_json::from_slice(&text).unwrap_or_default();
        let new = self.note(None);
        ["hushframe_export", "clip", "key"].iter().all(|k| old[*k] == new[*k])
    }

    fn write_note(&self, to: &Path, frames: Option<usize>) -> Result<(), DayError> {
        let text = serde_json::to_string_pretty(&self.note(frames)).unwrap_or_default();
        write_bytes(&to.join(NOTE), text.as_bytes())?;
        Ok(())
    }

    /// What lies beside the files; `frames` are there once all are written.
    fn note(&self, frames: Option<usize>) -> serde_json::Value {
        let mut note = serde_json::json!({
            "hushframe_export": self.format,
            "clip": self.clip.name,
            "key": self.clip.text(&["key"]),
            "taken": self.clip.text(&["taken"]),
            "rates": self.clip.get(&["rates"]),
            // Of these frames: lower than the camera's where several were combined into each.
            "frame_rate": self.capture(),
            "scale": self.clip.get(&["scale"]),
            "output_scale": self.clip.get(&["output_scale"]),
            // How many the last export that came to its end has written.
            "frames": frames,
        });
        if matches!(self.format, Format::Exr | Format::ExrFloat) {
            // What 0 and 1 are in the finished frames, which output_scale speaks of.
            note["zero_dn"] = self.pedestal().into();
            note["one_dn"] = 65_535.into();
        }
        note
    }

    /// Value of zero light in the finished frames.
    fn pedestal(&self) -> f64 {
        self.clip.number(&["output_scale", "pedestal_dn"]).unwrap_or(0.0)
    }

    fn encoded(&self, row: &Row) -> Result<Vec<u8>, DayError> {
        let picture = self.picture(row.frame)?;
        let um_per_px = self.clip.number(&["scale", "um_per_px"]);
        let software = self.clip.text(&["tool"]).unwrap_or("hushframe").to_owned();
        let description = self.description(row.frame);
        // Of the whole clip, so that a part of it has the same time codes.
        let first = self.clip.rows.first().map_or(0, |r| self.clip.place(r.frame));
        let position = self.clip.place(row.frame).saturating_sub(first);
        let (exposure_s, playback) = (self.exposure_s(), self.rate("playback"));
        let taken = self.clip.text(&["taken"]).map(str::to_owned);
        Ok(match self.format {
            Format::Png => encode_png16(&picture, um_per_px)?,
            Format::OmeTiff => {
                let xml = ome_xml(&OmeTags {
                    size: (picture.width, picture.height, picture.channels),
                    name: format!("{} {}", self.clip.name, row.frame),
                    description,
                    um_per_px,
                    time_s: row.time_s,
                    exposure_s,
                });
                let tags = TiffTags {
                    description: Some(xml),
                    software: Some(software),
                    um_per_px,
                    exposure_s,
                    taken,
                };
                encode_tiff(&picture, &tags)?
            }
            Format::Dpx10 | Format::Dpx16 => {
                let bits = if self.format == Format::Dpx10 { 10 } else { 16 };
                let display = self.display();
                let creator = software;
                let tags =
                    DpxTags { creator, description, playback, exposure_s, position, display };
                encode_dpx(&picture, bits, &tags)?
            }
            _ => {
                let tags = ExrTags {
                    software,
                    description,
                    black_dn: to_f32(self.pedestal()),
                    capture: self.capture(),
                    playback,
                    exposure_s,
                    taken,
                    um_per_px,
                    position,
                };
                encode_exr(&picture, self.format == Format::Exr, &tags)?
            }
        })
    }

    /// Writes all frames as one Y4M stream; `place` is for messages ("standard output").
    ///
    /// # Errors
    /// Where the format is no stream, a frame does not read, the writer fails, or on request.
    pub fn stream(
        &self,
        out: impl Write,
        place: &str,
        work: &Work<'_>,
    ) -> Result<Exported, DayError> {
        let Some(kind) = self.format.stream() else {
            return Err(DayError::Refused("this format is no stream: name a folder".to_owned()));
        };
        let usual = FrameRate::new(USUAL_RATE, 1);
        let Some(rate) = self.rate("playback").or(usual) else {
            return Err(DayError::Refused("there is no playback rate".to_owned()));
        };
        let there: Vec<&Row> = self.rows.iter().filter(|r| self.there(r)).collect();
        let table = preview::shown(&self.clip, &there)?.codes16();
        let fail = |e: io::Error| FootageError::disk(Path::new(place), "write", e);
        let mut writer = Y4mWriter::new(io::BufWriter::with_capacity(1 << 20, out), kind, rate);
        let mut held: Option<OutFrame> = None;
        let (mut written, mut done) = (0_usize, 0_u64);
        let total = u64::try_from(self.rows.len()).unwrap_or(0);
        for row in &self.rows {
            work.check()?;
            if self.there(row) {
                let mut picture = self.picture(row.frame)?;
                picture.data.iter_mut().for_each(|v| *v = table[usize::from(*v)]);
                held = Some(picture);
            }
            if let Some(picture) = &held {
                writer.frame(picture).map_err(fail)?;
                written += 1;
            }
            done += 1;
            work.progress.step(Phase::Render, done, total);
        }
        writer.finish().map_err(fail)?;
        Ok(self.exported(written, None))
    }
}
