//! Master references of a clip, made once and kept by content.
//!
//! A master is keyed by the hashes of its frames; it is kept in the output's `.references` folder,
//! never beside the frames it was made of.

use std::fs::File;
use std::io::{BufReader, Cursor};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::NightError;
use super::out;
use super::place::Shared;
use crate::engine::correct::References;
use crate::engine::source::Source;
use crate::engine::{EngineError, Phase, Work};
use crate::footage::{
    Disk, check_no_footage, check_output, hash_bytes, hash_file, printable, write_bytes, write_on,
};
use crate::frame::convert::to_f32;
use crate::frame::{NoiseModel, Plane};
use crate::record::Warning;
use crate::sensor::file::{self, Master};
use crate::sensor::{
    DefectMap, MasterDark, MasterFlat, PhotonTransfer, SensorError, Shape, StackOptions,
    StackStats, TransferPoint, collect, photon_transfer,
};

/// Version of the arithmetic of masters: part of their key.
const VERSION: &str = "1";

/// Noise model of the sensor and where it came from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Noise {
    /// The model.
    pub model: NoiseModel,
    /// Standard uncertainty of the gain in e-/DN.
    pub gain_sigma: f64,
    /// Standard uncertainty of the read noise in e-.
    pub read_noise_sigma: f64,
    /// "references", "clip" or "assumed".
    pub source: String,
    /// Whether the gain is known, so that electrons mean something.
    pub electrons: bool,
}

/// The photon transfer curve as records keep it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Transfer {
    /// Signal in DN above dark, temporal variance in DN^2, and its standard uncertainty.
    pub points: Vec<[f64; 3]>,
    /// How many of them, the darkest first, the line was fitted to.
    pub fitted: usize,
    /// Temporal variance in the dark in DN^2.
    pub dark_variance_dn2: f64,
    /// Slope of the line in DN/e-.
    pub k_dn_per_e: f64,
}

impl Transfer {
    fn of(p: &PhotonTransfer) -> Self {
        let sigma = |t: &TransferPoint| t.variance * (2.0 / t.dof).sqrt();
        Self {
            points: p.points.iter().map(|t| [t.signal, t.variance, sigma(t)]).collect(),
            fitted: p.fitted,
            dark_variance_dn2: p.dark_variance,
            k_dn_per_e: p.k_dn_per_e,
        }
    }
}

/// What is kept of the noise beside a master flat.
#[derive(Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct KeptNoise {
    noise: Option<Noise>,
    transfer: Option<Transfer>,
}

/// The references of one clip.
#[derive(Debug, Clone)]
pub struct Prepared {
    /// The masters.
    pub masters: References,
    /// Noise model from photon transfer, where dark and flat are there.
    pub noise: Option<Noise>,
    /// The curve it was fitted to.
    pub transfer: Option<Transfer>,
    /// Key of the dark's and the flat's content.
    pub keys: [Option<String>; 2],
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

impl Prepared {
    /// What the record says of the references: frames, standard uncertainty, defective pixels.
    #[must_use]
    pub fn record(&self) -> serde_json::Value {
        let (dark, flat) = (self.masters.dark.as_deref(), self.masters.flat.as_deref());
        let spots = self.masters.spots.as_deref();
        let mut all = dark.map(|d| d.defects.clone());
        for more in flat.map(|f| &f.defects).into_iter().chain(spots) {
            all.get_or_insert_with(|| more.clone()).merge(more);
        }
        serde_json::json!({
            "dark": dark.map(|d| serde_json::json!({
                "frames": d.count,
                "level_dn": d.mean(),
                "sigma_dn": d.sigma(),
                "temporal_noise_dn": d.temporal_noise(),
                "defects": d.defects.counts(),
                "scaled": d.scaled,
            })),
            "flat": flat.map(|f| serde_json::json!({
                "frames": f.count,
                "sigma": f.sigma(),
                "level_dn": f.level,
                "defects": f.defects.counts(),
            })),
            "spots": spots.map(DefectMap::counts),
            "defects": all.map(|d| d.counts()),
        })
    }
}

/// A stack of reference frames on disk.
struct Stack {
    source: Source,
    key: String,
    what: String,
}

impl Stack {
    fn open(path: &Path, what: &str, work: &Work<'_>) -> Result<Self, NightError> {
        let source = Source::open(path, Vec::new())?;
        let what = format!("{what} {}", printable(path));
        if let Some(why) = made_by_us(path) {
            return Err(NightError::Refused(format!("{what}: {why}")));
        }
        let mut text = format!("{VERSION}\n");
        let total = source.clip.frames.len() as u64;
        text.push_str(&source.clip.headerless());
        if let (true, Some(first)) = (source.paged, source.clip.frames.first()) {
            text.push_str(&hash_file(&first.path)?.hash);
        } else {
            for (i, f) in source.clip.frames.iter().enumerate() {
                work.check()?;
                text.push_str(&hash_file(&f.path)?.hash);
                text.push('\n');
                work.progress.step(Phase::References, i.div_ceil(2) as u64, total);
            }
        }
        // What a master says of its exposure may come from a file beside its frames.
        if let Some(exposure) = &source.facts.exposure {
            text.push_str(&format!("exposure {} s\n", exposure.value.s()));
        }
        Ok(Self { source, key: hash_bytes(text.as_bytes()), what })
    }

    fn fault(&self) -> impl Fn(SensorError) -> NightError {
        let what = self.what.clone();
        move |source| NightError::Reference { what: what.clone(), source }
    }

    fn stats(&self, options: &StackOptions<'_>, work: &Work<'_>) -> Result<StackStats, NightError> {
        let frames = &self.source.clip.frames;
        let total = frames.len() as u64;
        collect(
            frames.len(),
            |i| {
                work.check().map_err(|e| e.to_string())?;
                work.progress.step(Phase::References, (total + i as u64).div_ceil(2), total);
                let read = self.source.expected.decode(&frames[i]);
                let decoded = read.map_err(|e| e.to_string())?;
                match decoded.curve {
                    // Its samples would not be in the clip's unit.
                    Some(_) => Err(format!(
                        "{} frames are coded for display: references must be in proportion to light",
                        decoded.kind
                    )),
                    None => Ok(decoded.samples),
                }
            },
            options,
        )
        .map_err(|e| {
            if work.check().is_err() { EngineError::Stopped.into() } else { self.fault()(e) }
        })
    }
}

/// Shape of a clip's frames as the sensor layer has it.
#[must_use]
pub fn sensor_shape(clip: &Source) -> Shape {
    let s = clip.expected.shape;
    Shape { width: s.width, height: s.height, channels: s.channels, bits: s.bits }
}

/// Makes (or finds) the masters of a clip.
///
/// # Errors
/// Where a reference cannot be read or does not fit the clip.
pub fn prepare(
    clip: &Source,
    [dark, flat]: [Option<&Path>; 2],
    (disk, cache): (&dyn Disk, &Path),
    work: &Work<'_>,
) -> Result<Prepared, NightError> {
    let mut prepared = Prepared {
        masters: References::default(),
        noise: None,
        transfer: None,
        keys: [None, None],
        warnings: Vec::new(),
    };
    if dark.is_none() && flat.is_none() {
        return Ok(prepared);
    }
    let _shared = Shared::take(disk, cache)?;
    let shape = sensor_shape(clip);
    let dark = dark.map(|p| Stack::open(p, "dark reference", work)).transpose()?;
    let flat = flat.map(|p| Stack::open(p, "flat reference", work)).transpose()?;
    for stack in [&dark, &flat].into_iter().flatten() {
        sensor_shape(&stack.source).check("a frame of it", &shape).map_err(stack.fault())?;
    }
    let mut dark_stats = None;
    if let Some(stack) = &dark {
        let (master, stats) = master_dark(stack, (disk, cache), work)?;
        prepared.keys[0] = Some(stack.key.clone());
        prepared.masters.dark = Some(Arc::new(master));
        dark_stats = stats;
    }
    let Some(stack) = &flat else { return Ok(prepared) };
    let dark_sigma = prepared.masters.dark.as_ref().map_or(0.0, |d| d.sigma());
    let black: Vec<Plane> = match &prepared.masters.dark {
        Some(d) => d.level.clone(),
        None => {
            let level = Plane::filled(shape.width, shape.height, clip.black());
            vec![level; shape.channels]
        }
    };
    let options = StackOptions {
        subtract: Some(&black),
        subtract_sigma: dark_sigma,
        even_light: true,
        ..StackOptions::default()
    };
    let with = match &prepared.keys[0] {
        Some(dark) => dark.clone(),
        None => format!("black {}", clip.black()),
    };
    let key = hash_bytes(
        format!("{}\n{with}\n{}\n{:?}", stack.key, clip.white(), clip.layout()).as_bytes(),
    );
    let place = cache.join(format!("{key}.tif"));
    let noise_place = cache.join(format!("{key}.json"));
    let known: Option<KeptNoise> =
        out::read(disk, &noise_place).ok().and_then(|b| serde_json::from_slice(&b).ok());
    if let (Some(Master::Flat(master)), Some(kept)) = (load_from(disk, &place), known) {
        prepared.masters.flat = Some(Arc::new(master));
        (prepared.noise, prepared.transfer) = (kept.noise, kept.transfer);
    } else {
        let stats = stack.stats(&options, work)?;
        let master =
            MasterFlat::from_stack(&stats, clip.layout(), clip.white()).map_err(stack.fault())?;
        if let Some(dark_stack) = &dark {
            let dark_stats = match dark_stats {
                Some(s) => s,
                None => dark_stack.stats(&StackOptions::default(), work)?,
            };
            match photon_transfer(&dark_stats, &[&stats], clip.white()) {
                Ok(p) => {
                    prepared.warnings.extend(p.warnings());
                    prepared.transfer = Some(Transfer::of(&p));
                    prepared.noise = Some(Noise {
                        model: p.model,
                        gain_sigma: p.gain_sigma,
                        read_noise_sigma: p.read_noise_sigma,
                        source: "references".to_owned(),
                        electrons: true,
                    });
                }
                Err(e) => prepared.warnings.push(Warning::new(
                    "photon-transfer",
                    format!("gain and read noise are not measured from the references: {e}"),
                    "take flats of about half the white level and darks with the lens covered",
                )),
            }
        }
        let mut bytes = Cursor::new(Vec::new());
        file::write_flat(&master, &mut bytes).map_err(stack.fault())?;
        keep(disk, &place, bytes.get_ref())?;
        let kept = KeptNoise { noise: prepared.noise.clone(), transfer: prepared.transfer.clone() };
        let text = serde_json::to_string(&kept).unwrap_or_default();
        keep(disk, &noise_place, text.as_bytes())?;
        prepared.masters.flat = Some(Arc::new(master));
    }
    prepared.keys[1] = Some(key);
    Ok(prepared)
}

/// Where a master of frames with this key is kept.
fn place_of(cache: &Path, key: &str) -> PathBuf {
    cache.join(format!("{key}.tif"))
}

fn master_dark(
    stack: &Stack,
    (disk, cache): (&dyn Disk, &Path),
    work: &Work<'_>,
) -> Result<(MasterDark, Option<StackStats>), NightError> {
    let place = place_of(cache, &stack.key);
    if let Some(Master::Dark(master)) = load_from(disk, &place) {
        return Ok((master, None));
    }
    let stats = stack.stats(&StackOptions::default(), work)?;
    let exposure = stack.source.facts.exposure.as_ref().map(|e| e.value);
    let master = MasterDark::from_stack(&stats, exposure).map_err(stack.fault())?;
    let mut bytes = Cursor::new(Vec::new());
    file::write_dark(&master, &mut bytes).map_err(stack.fault())?;
    keep(disk, &place, bytes.get_ref())?;
    Ok((master, Some(stats)))
}

/// Why a file cannot be read as frames of a reference: it is a master already.
pub(super) fn made_by_us(path: &Path) -> Option<&'static str> {
    (path.is_file() && load(path).is_some()).then_some(
        "this is a master that hushframe reference wrote, and a run makes its own: name the folder \
         of the frames it was made from",
    )
}

/// A master that is there and sound.
fn load(place: &Path) -> Option<Master> {
    file::read(BufReader::new(File::open(place).ok()?)).ok()
}

/// The same of what a run keeps.
fn load_from(disk: &dyn Disk, place: &Path) -> Option<Master> {
    file::read(Cursor::new(out::read(disk, place).ok()?)).ok()
}

fn keep(disk: &dyn Disk, place: &Path, bytes: &[u8]) -> Result<(), NightError> {
    write_on(disk, place, |w| w.write_all(bytes))?;
    Ok(())
}

/// A master made for a person: `hushframe reference`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReferenceReport {
    /// "dark" or "flat".
    pub kind: String,
    /// Frames it was made of.
    pub frames: usize,
    /// Its standard uncertainty: DN for a dark, relative for a flat.
    pub sigma: f64,
    /// Temporal noise of one frame in DN (dark) or 0.
    pub temporal_noise_dn: f64,
    /// Mean level in DN.
    pub level_dn: f64,
    /// Defective pixels.
    pub defects: usize,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

/// Makes one master reference and writes it to `out`.
///
/// # Errors
/// Where the frames cannot be read or are not what is needed.
pub fn make_reference(
    kind: file::MasterKind,
    (folder, dark): (&Path, Option<&Path>),
    out: &Path,
    work: &Work<'_>,
) -> Result<ReferenceReport, NightError> {
    check_output(out, &[folder])?;
    check_no_footage(out.parent().unwrap_or(Path::new("")))?;
    if out.is_file() && load(out).is_none() {
        return Err(NightError::Refused(format!(
            "{}: is there already and is no master reference: choose another name",
            printable(out)
        )));
    }
    match kind {
        file::MasterKind::Dark => {
            let stack = Stack::open(folder, "dark reference", work)?;
            let stats = stack.stats(&StackOptions::default(), work)?;
            let exposure = stack.source.facts.exposure.as_ref().map(|e| e.value);
            let master = MasterDark::from_stack(&stats, exposure).map_err(stack.fault())?;
            let mut bytes = Cursor::new(Vec::new());
            file::write_dark(&master, &mut bytes).map_err(stack.fault())?;
            write_bytes(out, bytes.get_ref())?;
            Ok(ReferenceReport {
                kind: "dark".to_owned(),
                frames: master.count,
                sigma: master.sigma(),
                temporal_noise_dn: master.temporal_noise(),
                level_dn: master.mean_level(0),
                defects: master.defects.counts().any,
                warnings: master.warnings(None),
            })
        }
        file::MasterKind::Flat => {
            let stack = Stack::open(folder, "flat reference", work)?;
            let s = &stack.source;
            let shape = sensor_shape(s);
            let (black, dark_sigma) = match dark {
                Some(path) => {
                    let master = read_dark(path, &shape, work)?;
                    let sigma = master.sigma();
                    (master.level, sigma)
                }
                None => {
                    let level = to_f32(f64::from(s.black()));
                    let plane = Plane::filled(shape.width, shape.height, level);
                    (vec![plane; shape.channels], 0.0)
                }
            };
            let options = StackOptions {
                subtract: Some(&black),
                subtract_sigma: dark_sigma,
                even_light: true,
                ..StackOptions::default()
            };
            let stats = stack.stats(&options, work)?;
            let master =
                MasterFlat::from_stack(&stats, s.layout(), s.white()).map_err(stack.fault())?;
            let mut bytes = Cursor::new(Vec::new());
            file::write_flat(&master, &mut bytes).map_err(stack.fault())?;
            write_bytes(out, bytes.get_ref())?;
            Ok(ReferenceReport {
                kind: "flat".to_owned(),
                frames: master.count,
                sigma: master.sigma(),
                temporal_noise_dn: 0.0,
                level_dn: master.level.first().copied().unwrap_or(0.0),
                defects: master.defects.counts().any,
                warnings: master.warnings(),
            })
        }
    }
}

/// A dark from a master file or a folder of frames.
fn read_dark(path: &Path, shape: &Shape, work: &Work<'_>) -> Result<MasterDark, NightError> {
    let what = format!("dark reference {}", printable(path));
    let master = match load(path) {
        Some(Master::Dark(master)) => master,
        Some(Master::Flat(_)) => {
            return Err(NightError::Refused(format!("{what}: this is a flat, a dark is needed")));
        }
        None => {
            let stack = Stack::open(path, "dark reference", work)?;
            let stats = stack.stats(&StackOptions::default(), work)?;
            MasterDark::from_stack(&stats, None).map_err(stack.fault())?
        }
    };
    master
        .shape
        .check("a frame of it", shape)
        .map_err(|source| NightError::Reference { what, source })?;
    Ok(master)
}
