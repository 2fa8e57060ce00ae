//! One clip, from its folder to finished frames, table and record.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use serde::Serialize;
use serde_json::json;

use super::changed::{healed, unchanged};
use super::earlier::{check_range, replaces, unseal};
use super::job::{ClipJob, VERSION};
use super::journal::{Entry, Journal};
use super::key::{inventory, key};
use super::levels::look;
use super::masters::masters;
use super::out::Out;
use super::place::{
    FRAMES, Lock, REFERENCES, check_ours, check_places, check_same, clear, file_name, head, inputs,
    remove, sweep,
};
use super::references::{Noise, Prepared};
use super::sealed::{DAMAGED, Sealed};
use super::table::{Row, table};
use super::{NightError, noise};
use crate::engine::analyse::{Wanted, analyse, row_model};
use crate::engine::analysis::{Analysis, FrameFacts};
use crate::engine::combine::Composed;
use crate::engine::correct::Corrector;
use crate::engine::outputs::Outputs;
use crate::engine::render::Renderer;
use crate::engine::sink::{Finished, Sink};
use crate::engine::source::Source;
use crate::engine::{EngineError, Work};
use crate::footage::{TiffFrame, TiffTags, create_folders, printable};
use crate::frame::spare;
use crate::record::{FrameStatus, Warning, counted};
use crate::register::path::{excursion, jitter};
use crate::stages::combine::Combine;

/// How a clip came out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Summary {
    /// Its name.
    pub name: String,
    /// Folder of the results.
    pub folder: PathBuf,
    /// Numbers in the clip, missing ones included.
    pub frames: u64,
    /// Frames made by this run.
    pub made: u64,
    /// Frames that an earlier run had made, found whole.
    pub kept: u64,
    /// Frames that could not be made, with the reason.
    pub failed: BTreeMap<u64, String>,
    /// Numbers without a file.
    pub missing: u64,
    /// Movement from frame to frame before steadying, rms of both axes in px.
    pub jitter_px: f64,
    /// Whether the still background was found.
    pub locked: bool,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

/// Warnings of a clip that is not all there.
const LACKS: [&str; 2] = ["listed-missing", "stream-cut"];

impl Summary {
    /// Whether anything went wrong.
    #[must_use]
    pub fn faults(&self) -> bool {
        let lacks = |w: &Warning| LACKS.contains(&w.kind.as_str());
        !self.failed.is_empty() || self.missing > 0 || self.warnings.iter().any(lacks)
    }
}

/// Everything known of a clip before its frames are read.
pub(super) struct Desk {
    pub(super) source: Source,
    pub(super) prepared: Prepared,
    pub(super) noise: Noise,
    pub(super) key: String,
    /// Names, sizes and times of the clip's files as they were when the key was made.
    pub(super) inventory: String,
    pub(super) warnings: Vec<Warning>,
}

pub(super) fn lay_out(
    job: &ClipJob,
    source: Source,
    out: &Out<'_>,
    work: &Work<'_>,
) -> Result<Desk, NightError> {
    let mut warnings = source.warnings.clone();
    let references = [job.dark.as_deref(), job.flat.as_deref()];
    warnings.extend(look(references, &source)?);
    let prepared = masters(job, &source, (out.disk, &out.folder.join(REFERENCES)), work)?;
    warnings.extend(prepared.warnings.iter().cloned());
    let noise = match &prepared.noise {
        Some(noise) => noise.clone(),
        None => {
            let (noise, said) = noise::from_clip(&source, &job.pipeline, &prepared.masters, work)?;
            warnings.extend(said);
            noise
        }
    };
    let inventory = inventory(&source);
    let key = key(&job.pipeline, &source, &prepared, (&noise, &inventory));
    Ok(Desk { source, prepared, noise, key, inventory, warnings })
}

/// Works on a clip; results go to `<name>` in the folder of `out`.
///
/// # Errors
/// Where the clip cannot be worked on at all. Single bad frames are in the summary.
pub fn run(job: &ClipJob, out: &Out<'_>, work: &Work<'_>) -> Result<Summary, NightError> {
    let folder = out.folder.join(&job.name);
    // What can be refused by looking is refused before anything is written.
    let source = job.open()?;
    source.check_headers()?;
    Renderer::check(&job.pipeline, &source)?;
    check_range(job, &source)?;
    let work = &job.bounded(&source, work)?;
    check_places(job, out.folder, &inputs(job))?;
    check_ours(&folder)?;
    let frames = folder.join(FRAMES);
    create_folders(out.disk, &frames)?;
    let _lock = Lock::take(&folder)?;
    check_same(&folder, &source)?;
    sweep(out.disk, &folder)?;
    sweep(out.disk, &frames)?;
    // Masters, the analysis and the first frames.
    out.room_for(8 * source.expected.shape.samples() as u64, work)?;
    let desk = lay_out(job, source, out, work)?;
    let corrector = Corrector::new(
        &job.pipeline,
        &desk.source,
        &desk.prepared.masters,
        Some(desk.noise.model),
    )?;
    replaces(job, (out.disk, &folder), &desk.key, work)?;
    let mut analysis = analysed(job, (out, &folder), &desk, &corrector, work)?;
    let mut done = verified((out, work), &folder.join("journal.jsonl"), &frames, &desk.key)?;
    let outputs = Outputs::of(&job.pipeline, &analysis)?;
    let wanted: Vec<usize> = outputs
        .positions()
        .iter()
        .copied()
        .filter(|&i| {
            let n = analysis.frames[i].frame;
            job.range.is_none_or(|(a, b)| n >= a && n <= b) && !done.contains_key(&n)
        })
        .collect();
    if !wanted.is_empty() {
        with_rows(job, &desk, &corrector, &mut analysis, work)?;
    }
    let renderer =
        Renderer::new(&job.pipeline, &desk.source, &corrector, &desk.noise.model, &analysis)?;
    let kept = done.len() as u64;
    unseal(out.disk, &folder, &desk.key)?;
    let place = folder.join("journal.jsonl");
    let journal = Journal::begin(out.disk, &place, &desk.key, done.values())?;
    clear(out.disk, &frames, |n| done.contains_key(&n))?;
    let papers = Papers {
        out,
        job,
        desk: &desk,
        corrector: &corrector,
        analysis: &analysis,
        renderer: &renderer,
    };
    let (new, failed) = papers.render(&wanted, &frames, journal, work)?;
    let made = new.len() as u64;
    done.extend(new);
    papers.finish((&folder, work), &done, failed, (kept, made))
}

fn summarise(
    job: &ClipJob,
    folder: &Path,
    (kept, made): (u64, u64),
    analysis: &Analysis,
    failed: BTreeMap<u64, String>,
    mut warnings: Vec<Warning>,
) -> Summary {
    warnings.sort();
    warnings.dedup();
    let poses: Vec<_> =
        analysis.frames.iter().filter(|f| f.usable()).map(FrameFacts::pose).collect();
    Summary {
        name: job.name.clone(),
        folder: folder.to_owned(),
        frames: analysis.frames.len() as u64,
        made,
        kept,
        failed,
        missing: analysis.frames.iter().filter(|f| f.status == FrameStatus::Missing).count() as u64,
        jitter_px: if analysis.locked { jitter(&poses) } else { 0.0 },
        locked: analysis.locked,
        warnings,
    }
}

/// The analysis of an earlier run with the same key, or a new one.
fn analysed(
    job: &ClipJob,
    (out, folder): (&Out<'_>, &Path),
    desk: &Desk,
    corrector: &Corrector,
    work: &Work<'_>,
) -> Result<Analysis, NightError> {
    let path = folder.join("analysis.json");
    match Sealed::read(out.disk, &path, &desk.key).and_then(|s| s.value()) {
        Ok(kept) if !healed(job, &kept, &desk.source, corrector) => return Ok(kept),
        Ok(_) => {
            work.progress.note(&format!(
                "{}: a frame that could not be read is whole now: all frames are made again",
                job.name
            ));
            remove(out.disk, &folder.join("journal.jsonl"))?;
        }
        Err(DAMAGED) => work
            .progress
            .note(&format!("{}: is damaged: every frame is looked at again", printable(&path))),
        Err(_) => {}
    }
    let settings = job.pipeline.register_settings();
    let wanted = Wanted::of(&job.pipeline, &desk.source);
    let noise = &desk.noise.model;
    let mut analysis = analyse(&desk.source, corrector, noise, &settings, wanted, work)?;
    let kept = Sealed::new(&desk.key, &analysis);
    out.write(&path, kept.text().as_bytes(), work)?;
    // What is read back is what will be used: the same in an unbroken run and in a resumed one.
    let mut back: Analysis = kept
        .value()
        .map_err(|_| NightError::Refused(format!("{}: does not read back", printable(&path))))?;
    back.row_model = analysis.row_model.take();
    Ok(back)
}

/// Makes what row offsets are measured against again, where `analysis` came from a file and there
/// are frames to be made.
pub(super) fn with_rows(
    job: &ClipJob,
    desk: &Desk,
    corrector: &Corrector,
    analysis: &mut Analysis,
    work: &Work<'_>,
) -> Result<(), NightError> {
    if analysis.row_model.is_none() {
        let settings = job.pipeline.register_settings();
        let noise = &desk.noise.model;
        analysis.row_model = row_model(&desk.source, corrector, noise, &settings, analysis, work)?;
    }
    Ok(())
}

/// Journal entries whose files are there and whole. What is damaged is said.
pub(super) fn verified(
    (out, work): (&Out<'_>, &Work<'_>),
    journal: &Path,
    frames: &Path,
    key: &str,
) -> Result<BTreeMap<u64, Entry>, NightError> {
    let note = |path: &Path, what: &str| {
        work.progress.note(&format!("{}: {what}", printable(path)));
    };
    let (mut listed, sound) = Journal::read_with_care(out.disk, journal, key)?;
    if !sound {
        note(journal, "is damaged: frames that it does not speak of any more are made again");
    }
    let before = listed.len();
    listed.retain(|_, entry| whole(out, frames, entry));
    if listed.len() < before {
        let n = counted((before - listed.len()) as u64, "frame");
        note(frames, &format!("{n} found not as written: made again"));
    }
    Ok(listed)
}

/// Whether a finished frame is there, with the hash it is listed with.
pub(super) fn whole(out: &Out<'_>, frames: &Path, entry: &Entry) -> bool {
    out.hash(&frames.join(file_name(entry.frame)))
        .is_ok_and(|w| w.bytes == entry.bytes && w.hash == entry.blake3)
}

/// Writes finished frames.
struct Keeper<'a> {
    out: &'a Out<'a>,
    frames: &'a Path,
    job: &'a ClipJob,
    desk: &'a Desk,
    renderer: &'a Renderer<'a>,
    work: &'a Work<'a>,
    state: Mutex<Kept>,
}

struct Kept {
    journal: Journal,
    done: BTreeMap<u64, Entry>,
    failed: BTreeMap<u64, String>,
}

impl Keeper<'_> {
    fn tags(&self, frame: u64) -> TiffTags {
        let facts = &self.desk.source.facts;
        let mut text = format!("hushframe {VERSION}, pipeline {}", self.job.pipeline.name);
        text.push_str(&format!("; frame {frame}"));
        let composed = self.renderer.composed(frame);
        if let Some(Some(last)) = composed.as_ref().map(|c| c.sources.last()) {
            let n = composed.as_ref().map_or(0, |c| c.sources.len());
            text.push_str(&format!(" to {last}, {n} combined"));
        }
        let time = composed.map_or_else(|| self.desk.source.time_s(frame), |c| c.time_s);
        if let (Some(rate), Some(time)) = (&facts.rate, time) {
            text.push_str(&format!("; time {time:.9} s at {} fps", rate.value));
        }
        if self.renderer.for_display() {
            text.push_str("; coded for display");
        } else {
            let s = self.renderer.scale;
            text.push_str(&format!(
                "; linear light, DN = {} + {} x (input DN above black)",
                s.pedestal, s.per_dn
            ));
        }
        TiffTags {
            description: Some(text),
            software: Some(format!("hushframe {VERSION}")),
            um_per_px: facts.scale.as_ref().map(|s| s.value.um_per_px),
            exposure_s: self.renderer.exposure_s(),
            taken: self.desk.source.taken.clone(),
        }
    }
}

/// An error of the night on its way through the engine.
fn in_engine(e: NightError) -> EngineError {
    match e {
        NightError::Engine(e) => e,
        NightError::Footage(e) => EngineError::Footage(e),
        other => EngineError::Refused(other.to_string()),
    }
}

impl Sink for Keeper<'_> {
    fn keep(&self, finished: Finished) -> Result<(), EngineError> {
        let tiff = TiffFrame::new(&finished.picture, &self.tags(finished.frame))?;
        let bytes = tiff.bytes() as u64;
        // Room for the frames that are in work beside this one, too.
        let ahead = bytes * (self.work.threads as u64 + 1);
        let place = self.frames.join(file_name(finished.frame));
        let kept = self.out.room_for(ahead, self.work);
        let written =
            kept.and_then(|()| self.out.write_by(&place, bytes, self.work, |w| tiff.write(w)));
        let written = written.map_err(in_engine)?;
        spare::keep_codes(finished.picture.data);
        let entry = Entry {
            frame: finished.frame,
            blake3: written.hash,
            bytes: written.bytes,
            noise_dn: finished.noise_dn,
            measures: finished.notes.measures,
        };
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        state.journal.add(&entry).map_err(in_engine)?;
        state.done.insert(finished.frame, entry);
        Ok(())
    }

    fn failed(&self, frame: u64, why: String) -> Result<(), EngineError> {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        state.failed.insert(frame, self.desk.source.without_folder(&why));
        Ok(())
    }
}

/// Frames, the table, the record and the seal of a clip that is ready to be rendered.
pub(super) struct Papers<'a> {
    pub(super) out: &'a Out<'a>,
    pub(super) job: &'a ClipJob,
    pub(super) desk: &'a Desk,
    pub(super) corrector: &'a Corrector,
    pub(super) analysis: &'a Analysis,
    pub(super) renderer: &'a Renderer<'a>,
}

/// Frames that were made, and those that could not be, with the reason.
pub(super) type Made = (BTreeMap<u64, Entry>, BTreeMap<u64, String>);

impl Papers<'_> {
    /// Makes the frames at positions `wanted` of the clip.
    pub(super) fn render(
        &self,
        wanted: &[usize],
        frames: &Path,
        journal: Journal,
        work: &Work<'_>,
    ) -> Result<Made, NightError> {
        let keeper = Keeper {
            out: self.out,
            frames,
            job: self.job,
            desk: self.desk,
            renderer: self.renderer,
            work,
            state: Mutex::new(Kept { journal, done: BTreeMap::new(), failed: BTreeMap::new() }),
        };
        let outcome = self.renderer.render(wanted, &keeper, work);
        let state = keeper.state.into_inner().unwrap_or_else(PoisonError::into_inner);
        outcome?;
        Ok((state.done, state.failed))
    }

    /// Writes everything but the frames, which are `done` or `failed`.
    pub(super) fn finish(
        &self,
        (folder, work): (&Path, &Work<'_>),
        done: &BTreeMap<u64, Entry>,
        mut failed: BTreeMap<u64, String>,
        (kept, made): (u64, u64),
    ) -> Result<Summary, NightError> {
        let analysis = self.analysis;
        for f in analysis.frames.iter().filter(|f| f.status == FrameStatus::Unreadable) {
            failed.insert(f.frame, f.fault.clone().unwrap_or_default());
        }
        let mut warnings = self.desk.warnings.clone();
        warnings.extend(self.corrector.warnings.iter().cloned());
        warnings.extend(self.renderer.warnings.iter().cloned());
        warnings.extend(analysis.warnings.iter().cloned());
        warnings.extend(analysis.pattern_warning(self.gain(), self.job.dark.is_some()));
        let summary = summarise(self.job, folder, (kept, made), analysis, failed, warnings);
        self.write((folder, work), done, &summary)?;
        Ok(summary)
    }

    /// Gain in e-/DN, where it is known.
    fn gain(&self) -> Option<f64> {
        let noise = &self.desk.noise;
        noise.electrons.then_some(noise.model.gain_e_per_dn)
    }

    fn write(
        &self,
        (folder, work): (&Path, &Work<'_>),
        done: &BTreeMap<u64, Entry>,
        summary: &Summary,
    ) -> Result<(), NightError> {
        let info = self.desk.source.info(None);
        let gain = self.gain();
        let rows: Vec<Row<'_>> = self
            .analysis
            .frames
            .iter()
            .map(|facts| Row {
                facts,
                locked: self.analysis.locked,
                noise_e: done.get(&facts.frame).and_then(|e| Some(e.noise_dn? * gain?)),
                failed: summary.failed.contains_key(&facts.frame),
            })
            .collect();
        let csv = table(&rows, info.rate, info.trigger_frame);
        let csv = self.out.write(&folder.join("frames.csv"), csv.as_bytes(), work)?;
        let record = pretty(&self.record(summary));
        let record = self.out.write(&folder.join("record.json"), record.as_bytes(), work)?;
        // A quick look at part of a clip is not a finished clip.
        let settled = |&i: &usize| {
            let n = self.analysis.frames[i].frame;
            done.contains_key(&n) || summary.failed.contains_key(&n)
        };
        if !self.renderer.outputs().positions().iter().all(settled) {
            return Ok(());
        }
        let seal = json!({
            "complete": 1,
            "tool": format!("hushframe {VERSION}"),
            "key": self.desk.key,
            "frames_csv": csv.hash,
            "record_json": record.hash,
            "frames": done
                .values()
                .map(|e| json!({ "file": format!("frames/{}", file_name(e.frame)),
                                 "bytes": e.bytes, "blake3": e.blake3 }))
                .collect::<Vec<_>>(),
        });
        unchanged(self.job, &self.desk.source, &self.desk.inventory)?;
        self.out.write(&folder.join("complete.json"), pretty(&seal).as_bytes(), work)?;
        Ok(())
    }

    fn record(&self, summary: &Summary) -> serde_json::Value {
        let source = &self.desk.source;
        let noise = &self.desk.noise;
        let scale = source.facts.scale.as_ref();
        let poses: Vec<_> =
            self.analysis.frames.iter().filter(|f| f.usable()).map(FrameFacts::pose).collect();
        let out = self.renderer.scale;
        let display = self.renderer.for_display();
        let mut record = json!({
            "tool": format!("hushframe {VERSION}"),
            "clip": summary.name,
            "pipeline": self.job.pipeline,
            "key": self.desk.key,
            "inputs": {
                "frames": self.analysis.frames.iter()
                    .filter_map(|f| f.hash.as_ref().map(|h| json!([f.frame, h])))
                    .collect::<Vec<_>>(),
                "head": head(source),
                "first_frame": source.clip.first(),
                "last_frame": source.clip.last(),
                "missing": source.clip.missing().collect::<Vec<_>>(),
                "shape": source.expected.shape,
                "layout": source.layout(),
                "dark": self.desk.prepared.keys[0],
                "flat": self.desk.prepared.keys[1],
            },
            "facts": source.facts,
            "taken": source.taken,
            "time_code": source.time_code,
            "black_dn": source.black(),
            "white_dn": source.white(),
            "frame_size": self.renderer.window.size,
            "origin_px": self.renderer.window.origin,
            "output_scale": if display {
                json!({ "coded": "display" })
            } else {
                json!({
                    "dn_per_input_dn": out.per_dn,
                    "dn_per_electron":
                        noise.electrons.then(|| f64::from(out.per_dn) / noise.model.gain_e_per_dn),
                    "pedestal_dn": out.pedestal,
                })
            },
            "noise_model": {
                "gain_e_per_dn": noise.model.gain_e_per_dn,
                "gain_sigma": noise.gain_sigma,
                "read_noise_e": noise.model.read_noise_e,
                "read_noise_sigma": noise.read_noise_sigma,
                "source": noise.source,
                "transfer": self.desk.prepared.transfer,
            },
            "references": self.desk.prepared.record(),
            "tone": self.renderer.tone,
            "lamp_ripple": self.analysis.ripple,
            "lamps": self.analysis.lamps,
            "row_offsets_dn": self.analysis.rows.map(|r| r.sigma_dn),
            "scale": scale.map(|s| json!({
                "um_per_px": s.value.um_per_px,
                "sigma_um_per_px": s.value.sigma_um_per_px,
                "source": s.source,
                "file": s.value.file,
            })),
            "rates": {
                "capture": source.facts.rate.as_ref().map(|r| r.value),
                "playback": source.facts.playback.as_ref().map(|r| r.value),
            },
            "registration": {
                "locked": self.analysis.locked,
                "still_share": self.analysis.still_share,
                "misfit": self.analysis.misfit,
                "jitter_px": jitter(&poses),
                "excursion_px": excursion(&poses),
                "motion": self.renderer.motion,
                "path": self.job.pipeline.steady().filter(|_| self.analysis.locked).map(|s| s.path),
            },
            "frames": {
                "total": summary.frames,
                "missing": summary.missing,
                "failed": summary.failed,
            },
            "warnings": summary.warnings,
        });
        if let (Some(combine), Some(all)) =
            (self.renderer.outputs().combine(), record.as_object_mut())
        {
            all.insert("combined".to_owned(), self.combined(combine));
        }
        record
    }

    /// Which source frames went into which finished one, and when that was.
    fn combined(&self, combine: &Combine) -> serde_json::Value {
        let of =
            |c: Composed| json!({ "frame": c.frame, "time_s": c.time_s, "sources": c.sources });
        json!({
            "frames": combine.frames(),
            "weights": combine.weights(),
            "rate": self.renderer.finished_rate(),
            "open_s": self.renderer.exposure_s(),
            "finished": self.renderer.all_composed().into_iter().map(of).collect::<Vec<_>>(),
        })
    }
}

fn pretty(value: &serde_json::Value) -> String {
    let mut text = serde_json::to_string_pretty(value).unwrap_or_default();
    text.push('\n');
    text
}
