//! A clip ready to be read: its frames, facts, and what they come to as numbers.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::path::Path;

use rayon::prelude::*;

use super::EngineError;
use crate::footage::{
    self, Algorithm, Clip, Digest, ExifFacts, Expected, FactSource, Facts, FactsFile, FootageError,
    FrameFile, HeldFrame, SamplesOf, printable,
};
use crate::frame::convert::to_f32;
use crate::frame::{Domain, Frame, Layout, NoiseModel, Plane};
use crate::record::Warning;
use crate::stages::{ClipInfo, Scale};

/// A clip found on disk, with all its facts.
#[derive(Debug, Clone)]
pub struct Source {
    /// The frames.
    pub clip: Clip,
    /// The facts, each with its source.
    pub facts: Facts,
    /// What every frame must look like.
    pub expected: Expected,
    /// Why the scale that was given must not be used, and was dropped.
    pub scale_fault: Option<String>,
    /// Whether all frames are pages of one file.
    pub paged: bool,
    /// Date and time of the first frame, as its file has it.
    pub taken: Option<String>,
    /// Time code of the first frame, as its file has it.
    pub time_code: Option<String>,
    /// BLAKE3 that a frame's file had when its hash was taken, by number; a frame whose file is
    /// another is not read. Empty where there is no list.
    pub listed: BTreeMap<u64, Digest>,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

/// A decoded frame and the hash of its file.
#[derive(Debug)]
pub struct Read {
    /// The frame, in raw DN.
    pub frame: Frame,
    /// BLAKE3 of the file; `None` for a page of a multi-page file.
    pub hash: Option<String>,
    /// What the decoder noticed.
    pub warnings: Vec<Warning>,
}

/// The same as samples, which become values piece by piece.
#[derive(Debug)]
pub(super) struct ReadSamples {
    pub(super) samples: RawSamples,
    pub(super) hash: Option<String>,
    pub(super) warnings: Vec<Warning>,
}

/// What is said of a scale with which the picture shows more than any macro lens does.
fn wide_scale(facts: &Facts, expected: &Expected) -> Option<Warning> {
    const WIDEST_MM: f64 = 200.0;
    let um = facts.scale.as_ref()?.value.um_per_px;
    let width = um * expected.shape.width as f64 / 1e3;
    (width > WIDEST_MM).then(|| {
        Warning::new(
            "scale-wide",
            format!("at {um} um a pixel the picture is {width:.0} mm wide"),
            "see that the scale has the unit that was meant (um, not mm)",
        )
    })
}

/// Samples that stand for values of raw DN; those coded for display become linear again.
#[derive(Debug)]
pub(super) struct RawSamples {
    held: HeldFrame,
    table: Option<Vec<f32>>,
}

impl Source {
    /// Finds the clip at `path` and gathers its facts: options first, then those of `shoot.toml`,
    /// then `clip.toml`, then EXIF.
    ///
    /// # Errors
    /// Where there is no clip, its first frames cannot be read, or facts contradict each other.
    pub fn open(path: &Path, given: Vec<Facts>) -> Result<Self, EngineError> {
        let clip = footage::find(path)?;
        let first = first_readable(&clip)?;
        let expected = Expected::of(first)?;
        let mut warnings = clip.warnings.clone();
        let mut layers = given;
        if let Some(file) = FactsFile::of_clip(&clip)? {
            layers.push(file.resolve(&FactSource::Clip, clip.folder())?);
        }
        let carried: ExifFacts = footage::exif_facts(first).unwrap_or_default();
        layers.push(carried.facts());
        let (mut facts, said) = Facts::merge(layers).complete()?;
        warnings.extend(said);
        let scale_fault = drop_scale(&mut facts, &expected);
        // Of a scale that is not used it is not said that it is.
        warnings.retain(|w| scale_fault.is_none() || w.kind != "scale-disagrees");
        warnings.extend(scale_fault.as_ref().map(|why| {
            Warning::new("scale-refused", why.clone(), "until then the clip has no scale")
        }));
        warnings.extend(wide_scale(&facts, &expected));
        let paged = clip.frames.len() > 1 && clip.frames.iter().all(|f| f.path == first.path);
        let (taken, time_code) = (carried.taken, carried.header.time_code);
        let source = Self {
            clip,
            facts,
            expected,
            scale_fault,
            paged,
            taken,
            time_code,
            listed: BTreeMap::new(),
            warnings,
        };
        source.check_levels()?;
        source.check_mosaic()?;
        source.check_playback()?;
        Ok(source)
    }

    fn check_mosaic(&self) -> Result<(), EngineError> {
        let shape = self.expected.shape;
        match self.layout() {
            Layout::Mosaic(_) if shape.width < 2 || shape.height < 2 => {
                Err(EngineError::Refused(format!(
                    "frames of {}x{} have no 2 x 2 pixels for a colour mosaic: leave out --mosaic",
                    shape.width, shape.height
                )))
            }
            _ => Ok(()),
        }
    }

    /// Windows in time are as long as this rate is high, and nothing is shown at rates beyond these.
    fn check_playback(&self) -> Result<(), EngineError> {
        const SHOWN_AT: RangeInclusive<f64> = 0.1..=1000.0;
        match &self.facts.playback {
            Some(rate) if !SHOWN_AT.contains(&rate.value.per_second()) => {
                Err(EngineError::Refused(format!(
                    "{} fps is no rate to show a clip at ({}): give --playback, 0.1 to 1000",
                    rate.value, rate.source
                )))
            }
            _ => Ok(()),
        }
    }

    fn check_levels(&self) -> Result<(), EngineError> {
        let (black, white) = (self.black(), self.white());
        let most = self.expected.shape.full_scale;
        let wrong = if white <= black {
            format!("not above black at {black} DN")
        } else if white > f32::from(most) {
            format!("above {most}, the largest sample that the frames can hold")
        } else {
            return Ok(());
        };
        Err(EngineError::Refused(format!(
            "white is {white} DN, {wrong}: give --black and --white as the camera has them"
        )))
    }

    /// A fault's words without the clip's folder, which is nobody's business in a record.
    #[must_use]
    pub fn without_folder(&self, words: &str) -> String {
        words.replace(&printable(self.clip.folder().join("")), "")
    }

    /// Looks at the headers of all files, once, before a run: the frames whose header cannot be
    /// read, which is their fault alone. Pages of one file, which take long to reach one by one,
    /// are looked at when they are decoded.
    ///
    /// # Errors
    /// A clip of mixed sizes or depths, naming both files.
    pub fn check_headers(&self) -> Result<Vec<(u64, FootageError)>, EngineError> {
        if self.paged {
            return Ok(Vec::new());
        }
        let looks: Vec<_> = self.clip.frames.par_iter().map(footage::shape_of).collect();
        let mut unreadable = Vec::new();
        for (file, look) in self.clip.frames.iter().zip(looks) {
            match look {
                Ok(shape) => self.expected.check(file, &shape)?,
                Err(fault) => unreadable.push((file.number, fault)),
            }
        }
        Ok(unreadable)
    }

    /// Black level in DN; 0 where nobody gave it.
    #[must_use]
    pub fn black(&self) -> f32 {
        self.facts.black.as_ref().map_or(0.0, |f| to_f32(f.value))
    }

    /// White level in DN; the largest sample of the format where nobody gave it.
    #[must_use]
    pub fn white(&self) -> f32 {
        let full = f32::from(self.expected.shape.full_scale);
        self.facts.white.as_ref().map_or(full, |f| to_f32(f.value))
    }

    /// Layout of the raw frames.
    #[must_use]
    pub fn layout(&self) -> Layout {
        match (&self.facts.mosaic, self.expected.shape.channels) {
            (_, 3) => Layout::Rgb,
            (Some(mosaic), _) => Layout::Mosaic(mosaic.value),
            (None, _) => Layout::Mono,
        }
    }

    /// Number of the frame whose time is 0: the clip's first where nobody said.
    #[must_use]
    pub fn trigger_frame(&self) -> u64 {
        self.facts.trigger_frame.as_ref().map_or(self.clip.first(), |t| t.value)
    }

    /// Seconds from the trigger frame to `frame`; `None` where the rate is not known.
    #[must_use]
    pub fn time_s(&self, frame: u64) -> Option<f64> {
        let rate = self.facts.rate.as_ref()?.value;
        Some(rate.time_s(frame, self.trigger_frame()))
    }

    /// What stages may know of the clip, for raw frames.
    #[must_use]
    pub fn info(&self, noise: Option<NoiseModel>) -> ClipInfo {
        let f = &self.facts;
        ClipInfo {
            width: self.expected.shape.width,
            height: self.expected.shape.height,
            layout: self.layout(),
            rate: f.rate.as_ref().map(|r| r.value),
            playback: f.playback.as_ref().map(|r| r.value),
            combined: 1,
            exposure: f.exposure.as_ref().map(|r| r.value),
            scale: f.scale.as_ref().map(|s| Scale {
                um_per_px: s.value.um_per_px,
                sigma_um_per_px: s.value.sigma_um_per_px,
            }),
            scale_fault: self.scale_fault.clone(),
            motion: f.motion.as_ref().and_then(|m| m.value.table.clone()),
            cut: None,
            trigger_frame: self.trigger_frame(),
            first_frame: self.clip.first(),
            last_frame: self.clip.last(),
            black: self.black(),
            white: self.white(),
            bright: None,
            noise,
        }
    }

    /// Decodes a frame.
    ///
    /// # Errors
    /// As [`Expected::decode`]; [`FootageError::Footage`] where the file is not the listed one.
    pub fn read(&self, file: &FrameFile) -> Result<Read, FootageError> {
        let ReadSamples { samples, hash, warnings } = self.read_samples(file)?;
        let mut planes = samples.planes();
        for (c, plane) in planes.iter_mut().enumerate() {
            samples.values(c, 0, plane.data_mut());
        }
        let frame = Frame { planes, layout: self.layout(), domain: Domain::Raw, flaws: Vec::new() };
        Ok(Read { frame, hash, warnings })
    }

    /// As [`Self::read`].
    pub(super) fn read_samples(&self, file: &FrameFile) -> Result<ReadSamples, FootageError> {
        let (mut held, hash) = self.expected.hold(file, self.paged)?;
        if let (Some(hash), Some(listed)) = (&hash, self.listed.get(&file.number))
            && !is_listed(&file.path, hash, listed)?
        {
            return Err(FootageError::Footage {
                path: printable(&file.path),
                what: "is not the file of the hash list, though it decodes: it was damaged or \
                       replaced since; copy it again from where it came"
                    .to_owned(),
            });
        }
        let warnings = std::mem::take(&mut held.warnings);
        Ok(ReadSamples { samples: RawSamples::of(held), hash, warnings })
    }

    /// Every number of the clip with its frame, `None` where it is missing.
    #[must_use]
    pub fn list(&self) -> Vec<(u64, Option<FrameFile>)> {
        self.clip.numbers().map(|(n, f)| (n, f.cloned())).collect()
    }
}

/// Whether a file, read with this BLAKE3, is the listed one. For a list with other hashes it is read
/// once more; it must be the same bytes then.
fn is_listed(path: &Path, blake3: &str, listed: &Digest) -> Result<bool, FootageError> {
    if listed.algorithm() == Algorithm::Blake3 {
        return Ok(blake3 == listed.text());
    }
    let again = Digest::of_file(path, listed.algorithm())?;
    Ok(again.blake3 == blake3 && again.digest == *listed)
}

/// Takes the scale away where its picture was not taken as the clip was; says why.
fn drop_scale(facts: &mut Facts, expected: &Expected) -> Option<String> {
    let scale = facts.scale.as_ref()?;
    let clip = facts.taken((expected.shape.width, expected.shape.height));
    let why = scale.value.taken.as_ref()?.disagreement(&clip)?;
    let file = scale.value.file.clone().unwrap_or_default();
    facts.scale = None;
    Some(format!("{file}: {why}"))
}

/// The first of the first few frames whose header can be read.
fn first_readable(clip: &Clip) -> Result<&FrameFile, EngineError> {
    let mut fault = None;
    for file in clip.frames.iter().take(16) {
        match footage::shape_of(file) {
            Ok(_) => return Ok(file),
            Err(e) => fault = fault.or(Some(e)),
        }
    }
    Err(fault.map_or_else(
        || EngineError::Refused(format!("{}: there are no frames", clip.name)),
        EngineError::Footage,
    ))
}

impl RawSamples {
    fn of(held: HeldFrame) -> Self {
        let full_scale = held.shape.full_scale;
        let full = f32::from(full_scale);
        let table = held.curve.map(|c| {
            (0..=full_scale)
                .map(|v| full * to_f32(c.decode(f64::from(v) / f64::from(full))))
                .collect()
        });
        Self { held, table }
    }

    /// A plane for each channel, to be written.
    pub(super) fn planes(&self) -> Vec<Plane> {
        let s = &self.held.shape;
        (0..s.channels).map(|_| Plane::to_write(s.width, s.height)).collect()
    }

    /// Values of channel `c` from pixel `from` on.
    pub(super) fn values(&self, c: usize, from: usize, out: &mut [f32]) {
        let n = self.held.shape.channels;
        match self.held.samples(from * n, out.len() * n) {
            SamplesOf::Numbers(all) => self.values_of(all, |v| *v, (c, n), out),
            SamplesOf::Little(all) => self.values_of(all, |b| u16::from_le_bytes(*b), (c, n), out),
            SamplesOf::Big(all) => self.values_of(all, |b| u16::from_be_bytes(*b), (c, n), out),
        }
    }

    /// The same from samples of all channels, number `c` of `n`.
    #[inline]
    fn values_of<S>(
        &self,
        samples: &[S],
        number: impl Fn(&S) -> u16,
        (c, n): (usize, usize),
        out: &mut [f32],
    ) {
        match (&self.table, n) {
            (None, 1) => {
                for (o, s) in out.iter_mut().zip(samples) {
                    *o = f32::from(number(s));
                }
            }
            (None, _) => {
                for (o, s) in out.iter_mut().zip(samples.iter().skip(c).step_by(n)) {
                    *o = f32::from(number(s));
                }
            }
            (Some(table), _) => {
                let last = table.len() - 1;
                for (o, s) in out.iter_mut().zip(samples.iter().skip(c).step_by(n)) {
                    *o = table[usize::from(number(s)).min(last)];
                }
            }
        }
    }
}
