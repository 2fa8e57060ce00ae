//! A clip to be measured: finished frames, or raw ones with references, and the pose of each.
//!
//! Finished frames (the folder that a run made) are already steadied: their background stands
//! still to within the uncertainty that `frames.csv` tells. Raw frames are analysed as a run does,
//! and followed as they are; nothing is resampled. The noise is that of single raw frames in both
//! cases: for finished frames, whose noise was lowered, this errs on the safe side.

use std::path::{Path, PathBuf};

use serde_json::Value;

use super::DayError;
use crate::engine::Work;
use crate::engine::analyse::{Wanted, analyse};
use crate::engine::analysis::Analysis;
use crate::engine::correct::{Corrector, coding, luma, luma_noise};
use crate::engine::source::Source;
use crate::footage::{
    Decoded, FactSource, Facts, FootageError, FrameFile, RealDisk, decode, printable,
};
use crate::frame::convert::{round_u64, round_usize, to_f32};
use crate::frame::{Coding, FixedPlane, Layout, NoiseModel, Plane};
use crate::math::turn::Turn;
use crate::night::job::ClipJob;
use crate::night::masters::masters;
use crate::night::{noise, place};
use crate::record::Warning;
use crate::register::{PixelNoise, Pose};

/// One number of the clip.
#[derive(Debug, Clone)]
pub(super) struct Listed {
    pub frame: u64,
    pub file: Option<FrameFile>,
    /// Pose in the pictures that are measured; `None` where there is none.
    pub pose: Option<Pose>,
    /// Source row of a place in row 0 of the reference.
    pub row: f64,
    pub status: &'static str,
}

/// A clip, ready to be read.
#[derive(Debug)]
pub(super) struct Opened {
    pub name: String,
    pub listed: Vec<Listed>,
    /// Size of the pictures that are measured.
    pub size: (usize, usize),
    /// Pixels of the clip that one pixel of the measured pictures spans along a side.
    pub span: usize,
    pub noise: PixelNoise,
    pub facts: Facts,
    /// Number of the frame whose time is 0.
    pub trigger: u64,
    pub warnings: Vec<Warning>,
    reader: Reader,
}

#[derive(Debug)]
enum Reader {
    Finished { per_dn: f32, pedestal: f32, coding: Coding },
    Raw { source: Box<Source>, corrector: Box<Corrector> },
}

/// Where the clip is and how to read it.
#[derive(Debug, Clone)]
pub(super) struct Place<'a> {
    pub job: &'a ClipJob,
    /// Folder for results, where masters are kept.
    pub out: &'a Path,
    /// The part to be followed, in px of the clip.
    pub part: [usize; 4],
}

/// Most of a frame that is kept out of the background.
const MOST_KEPT_OUT: f64 = 0.4;

/// What of a frame is kept out of the background while a part is followed: the part with half of its
/// sides around it, as a region seldom holds all of it. What moves by less than a frame tells would
/// count as background, and take with it what is measured against that: 0.84 of 0.05 px were read.
fn kept_out([x, y, w, h]: [usize; 4], (width, height): (usize, usize)) -> Vec<[usize; 4]> {
    let (x0, y0) = (x.saturating_sub(w / 2), y.saturating_sub(h / 2));
    let (x1, y1) = ((x + w + w / 2).min(width), (y + h + h / 2).min(height));
    let around = [x0, y0, x1.saturating_sub(x0), y1.saturating_sub(y0)];
    let part = |r: &[usize; 4]| (r[2] * r[3]) as f64 / (width * height).max(1) as f64;
    [around, [x, y, w, h]].into_iter().filter(|r| part(r) <= MOST_KEPT_OUT).collect()
}

impl Opened {
    /// Opens a finished clip's folder or a raw clip.
    pub(super) fn new(place: &Place<'_>, work: &Work<'_>) -> Result<Self, DayError> {
        let folder = &place.job.input;
        if folder.join("record.json").is_file() && folder.join("frames").is_dir() {
            Finished::read(folder)?.open(place.job.facts.first().cloned().unwrap_or_default())
        } else if folder.join("shoot.toml").is_file() || holds_clips(folder) {
            Err(DayError::Refused(format!(
                "{}: holds several clips: name the folder of one",
                printable(folder)
            )))
        } else {
            raw(place, work)
        }
    }

    /// Whether these are finished frames, whose noise was lowered.
    pub(super) fn finished(&self) -> bool {
        matches!(self.reader, Reader::Finished { .. })
    }

    /// The light of a frame, a part of it (x, y, width, height); `None` where it cannot be read.
    pub(super) fn read(&self, at: usize, window: [usize; 4]) -> Option<FixedPlane> {
        let file = self.listed[at].file.as_ref()?;
        let whole = match &self.reader {
            Reader::Finished { per_dn, pedestal, coding } => {
                let plane = grey(&decode(file).ok()?, *per_dn, *pedestal);
                FixedPlane::from_plane(&plane, None, *coding)
            }
            Reader::Raw { source, corrector } => {
                luma(&corrector.read(source, file).ok()?.frame, coding(source)).0
            }
        };
        let [x, y, w, h] = window;
        if (whole.width, whole.height) != self.size {
            return None;
        }
        let codes = (y..y + h).flat_map(|r| whole.row(r)[x..x + w].iter().copied()).collect();
        Some(FixedPlane { width: w, height: h, codes, coding: whole.coding })
    }

    /// Seconds from the trigger frame to the start of a frame.
    pub(super) fn time_s(&self, frame: u64) -> Result<f64, DayError> {
        let rate = self.facts.rate.as_ref().ok_or_else(|| {
            DayError::Refused(
                "the capture rate is not known: give --rate, or write it into clip.toml".to_owned(),
            )
        })?;
        Ok(rate.value.time_s(frame, self.trigger))
    }
}

/// Whether a folder holds the results of clips.
fn holds_clips(folder: &Path) -> bool {
    let made = |e: std::fs::DirEntry| e.path().join("record.json").is_file();
    std::fs::read_dir(folder).is_ok_and(|d| d.flatten().any(made))
}

/// Light in DN above black: the mean of the channels.
fn grey(decoded: &Decoded, per_dn: f32, pedestal: f32) -> Plane {
    let s = &decoded.samples;
    let n = s.channels.max(1);
    let scale = 1.0 / per_dn;
    let data = s
        .data
        .chunks_exact(n)
        .map(|c| (c.iter().map(|&v| f32::from(v)).sum::<f32>() / n as f32 - pedestal) * scale)
        .collect();
    Plane::from_vec(s.width, s.height, data).unwrap_or_default()
}

/// What a run left of a clip.
struct Finished {
    folder: PathBuf,
    record: Value,
    table: String,
}

impl Finished {
    fn read(folder: &Path) -> Result<Self, DayError> {
        let text = |name: &str| {
            let path = folder.join(name);
            std::fs::read_to_string(&path)
                .map_err(|e| DayError::Footage(FootageError::disk(&path, "read", e)))
        };
        let record = serde_json::from_str(&text("record.json")?).map_err(|e| {
            DayError::Refused(format!(
                "{}: is no record of a run ({e}): run the clip again",
                printable(folder.join("record.json"))
            ))
        })?;
        Ok(Self { folder: folder.to_owned(), record, table: text("frames.csv")? })
    }

    fn refuse(&self, why: &str) -> DayError {
        DayError::Refused(format!("{}: {why}", printable(&self.folder)))
    }

    /// A number of the record.
    fn number(&self, pointer: &str) -> Result<f64, DayError> {
        self.record
            .pointer(pointer)
            .and_then(Value::as_f64)
            .ok_or_else(|| self.refuse(&format!("record.json has no {pointer}: run it again")))
    }

    fn open(self, given: Facts) -> Result<Opened, DayError> {
        if self.record.pointer("/output_scale/coded").is_some() {
            return Err(self.refuse(
                "is coded for display and may carry labels: measure the linear version (pipeline \
                 clean), or the raw clip",
            ));
        }
        if self.record.pointer("/registration/locked").and_then(Value::as_bool) != Some(true) {
            return Err(self.refuse(
                "the still background was not found, so there is nothing to measure against: see \
                 the warnings in record.json",
            ));
        }
        let steps = self.record.pointer("/pipeline/steps").and_then(Value::as_array);
        let names: Vec<&str> =
            steps.into_iter().flatten().filter_map(|s| s.pointer("/use")?.as_str()).collect();
        if self.record.pointer("/combined/frames").and_then(Value::as_u64).is_some_and(|n| n > 1) {
            return Err(self.refuse(
                "several source frames were combined into each (stage combine): what moves is \
                 blurred there, so measure the raw clip",
            ));
        }
        let steadied = names.contains(&"steady");
        if steadied
            && self.record.pointer("/registration/path").and_then(Value::as_str) == Some("keep")
        {
            return Err(self.refuse(
                "was steadied with path = \"keep\": the move of the camera that was kept would count as \
                 the part's, so measure the raw clip, or a version steadied with path = \"lock\"",
            ));
        }
        let mosaic = self.record.pointer("/facts/mosaic/value").is_some();
        if mosaic && !names.contains(&"demosaic") {
            return Err(self.refuse(
                "has one colour a pixel (no stage demosaic): measure the raw clip, or a version with it",
            ));
        }
        let mut warnings = Vec::new();
        if names.contains(&"average") {
            warnings.push(Warning::new(
                "averaged-frames",
                "neighbouring frames were averaged before: samples share noise, and what is faint may \
                 be smeared where it moves fast, and drawn to where it was or will be where it creeps",
                "measure the raw clip with its references where every figure counts",
            ));
        }
        let facts = self.facts(given)?;
        let size = (self.number("/frame_size/0")?, self.number("/frame_size/1")?);
        let model = NoiseModel {
            gain_e_per_dn: self.number("/noise_model/gain_e_per_dn")?,
            read_noise_e: self.number("/noise_model/read_noise_e")?,
        };
        let white = self.number("/white_dn")? - self.number("/black_dn")?;
        let trigger = match &facts.trigger_frame {
            Some(t) => t.value,
            None => round_u64(self.number("/inputs/first_frame")?),
        };
        let listed = self.listed(steadied)?;
        let name = self.folder.file_name().unwrap_or_default().to_string_lossy().into_owned();
        Ok(Opened {
            name,
            listed,
            size: (round_usize(size.0), round_usize(size.1)),
            span: 1,
            noise: PixelNoise::new(&model),
            facts,
            trigger,
            warnings,
            reader: Reader::Finished {
                per_dn: to_f32(self.number("/output_scale/dn_per_input_dn")?),
                pedestal: to_f32(self.number("/output_scale/pedestal_dn")?),
                coding: Coding::for_white(to_f32(white)),
            },
        })
    }

    /// The recorded facts, those given now first.
    fn facts(&self, given: Facts) -> Result<Facts, DayError> {
        let recorded: Facts = self
            .record
            .get("facts")
            .and_then(|f| serde_json::from_value(f.clone()).ok())
            .ok_or_else(|| self.refuse("record.json has no facts: run it again"))?;
        let nominal = given.magnification.is_some() || given.pixel_pitch.is_some();
        let mut facts = given.or(recorded);
        if nominal {
            let computed = |s: &FactSource| *s == FactSource::Computed;
            facts.scale = facts.scale.filter(|s| !computed(&s.source));
            facts = facts.complete()?.0;
        }
        let side = |which: &str| self.number(&format!("/inputs/shape/{which}")).map(round_usize);
        let clip = facts.taken((side("width")?, side("height")?));
        let taken = facts.scale.as_ref().and_then(|s| s.value.taken);
        match taken.and_then(|t| t.disagreement(&clip)) {
            Some(why) => Err(self.refuse(&why)),
            None => Ok(facts),
        }
    }

    /// The rows of `frames.csv` as numbers of the clip.
    fn listed(&self, steadied: bool) -> Result<Vec<Listed>, DayError> {
        let origin = [self.number("/origin_px/0")?, self.number("/origin_px/1")?];
        let bad = || self.refuse("frames.csv is not the table of a run: run it again");
        let mut lines = self.table.lines();
        let header: Vec<&str> = lines.next().ok_or_else(bad)?.split(',').collect();
        let column = |name: &str| header.iter().position(|h| *h == name).ok_or_else(bad);
        let at = [
            column("frame")?,
            column("shift_x_px")?,
            column("shift_y_px")?,
            column("shift_sigma_px")?,
            column("status")?,
            column("rotation_mrad")?,
        ];
        lines
            .map(|line| {
                let fields: Vec<&str> = line.split(',').collect();
                let field = |i: usize| fields.get(at[i]).copied().unwrap_or_default();
                let number = |i: usize| field(i).parse::<f64>().ok();
                let frame: u64 = field(0).parse().map_err(|_| bad())?;
                let path = self.folder.join("frames").join(place::file_name(frame));
                let file =
                    path.is_file().then_some(FrameFile { number: frame, path, page: 0, raw: None });
                let status = status(field(4));
                let shift = number(1).zip(number(2)).map(|(x, y)| [x, y]);
                let angle = if steadied { 0.0 } else { number(5).unwrap_or(0.0) / 1e3 };
                let pose = file.as_ref().and(shift).zip(number(3)).map(|(shift, sigma)| Pose {
                    shift: if steadied { [0.0; 2] } else { shift },
                    turn: Turn { angle, ..Turn::NONE },
                    sigma,
                    light: 1.0,
                    light_sigma: 0.0,
                    measured: status == "ok",
                });
                // The row of the sensor that a place of the reference pose was read with in this frame.
                let row = origin[1] + shift.map_or(0.0, |s| s[1]);
                Ok(Listed { frame, file, pose, row, status })
            })
            .collect()
    }
}

/// The word of the table for a status that was read.
fn status(word: &str) -> &'static str {
    ["ok", "missing", "unreadable", "low-confidence", "saturated"]
        .into_iter()
        .find(|w| *w == word)
        .unwrap_or("unreadable")
}

/// A raw clip, analysed as a run would.
fn raw(place: &Place<'_>, work: &Work<'_>) -> Result<Opened, DayError> {
    let job = place.job;
    let source = Source::open(&job.input, job.facts.clone())?;
    source.check_headers()?;
    if let Some(why) = &source.scale_fault {
        return Err(DayError::Refused(why.clone()));
    }
    let kept = place.out.join(".references");
    let prepared = masters(job, &source, (&RealDisk, &kept), work)?;
    let model = match &prepared.noise {
        Some(noise) => noise.model,
        None => noise::from_clip(&source, &job.pipeline, &prepared.masters, work)?.0.model,
    };
    let corrector = Corrector::new(&job.pipeline, &source, &prepared.masters, Some(model))?;
    let settings = job.pipeline.register_settings();
    let wanted = Wanted { poses: true, rows: false };
    let shape = source.expected.shape;
    let mut found = None;
    for out in kept_out(place.part, (shape.width, shape.height)) {
        let mut without = settings.clone();
        without.exclude.push(out);
        found = Some(analyse(&source, &corrector, &model, &without, wanted, work)?);
        if found.as_ref().is_some_and(|a| a.locked) {
            break;
        }
    }
    // Where too little is left, the part is in it.
    let analysis = match found.filter(|a| a.locked) {
        Some(analysis) => analysis,
        None => analyse(&source, &corrector, &model, &settings, wanted, work)?,
    };
    if !analysis.locked {
        return Err(DayError::Refused(format!(
            "{}: the still background was not found, so there is nothing to measure against: {}",
            printable(&job.input),
            analysis.no_lock.join("; ")
        )));
    }
    let mut warnings = source.warnings.clone();
    warnings.extend(analysis.warnings.iter().cloned());
    let known = prepared.noise.as_ref().filter(|n| n.electrons);
    let gain = known.map(|n| n.model.gain_e_per_dn);
    warnings.extend(analysis.pattern_warning(gain, job.dark.is_some()));
    // What the sensor left draws background and part to itself.
    let of_dark = corrector.warnings.iter().chain(&prepared.warnings);
    warnings.extend(
        of_dark
            .filter(|w| matches!(w.kind.as_str(), "no-dark" | "dark-current" | "spots"))
            .cloned(),
    );
    let span = match source.layout() {
        Layout::Mosaic(_) | Layout::Sites(_) => 2,
        Layout::Mono | Layout::Rgb => 1,
    };
    Ok(Opened {
        name: source.clip.name.clone(),
        listed: listed(&source, &analysis, span),
        size: (shape.width / span, shape.height / span),
        span,
        noise: luma_noise(&model, source.layout(), &corrector),
        facts: source.facts.clone(),
        trigger: source.trigger_frame(),
        warnings,
        reader: Reader::Raw { source: Box::new(source), corrector: Box::new(corrector) },
    })
}

fn listed(source: &Source, analysis: &Analysis, span: usize) -> Vec<Listed> {
    let files = source.list();
    let facts = analysis.frames.iter().zip(files);
    facts
        .map(|(f, (frame, file))| {
            let there = f.usable();
            let pose = f.pose();
            let smaller = Pose {
                shift: pose.shift.map(|v| v / span as f64),
                sigma: pose.sigma / span as f64,
                ..pose
            };
            Listed {
                frame,
                file: file.filter(|_| there),
                pose: there.then_some(smaller),
                row: f.shift[1],
                status: f.status.word(),
            }
        })
        .collect()
}
