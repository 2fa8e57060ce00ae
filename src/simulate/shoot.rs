//! A whole shoot: clip, black references, even fields, facts and truth.
//!
//! [`Shoot`] makes any file alone; [`write_shoot`] writes them all:
//!
//! ```text
//! DIR/comb-pluck/000001.tif ...   the clip, 12 bits in 16-bit TIFF
//! DIR/comb-pluck/clip.toml        its facts
//! DIR/black/0001.tif ...          black references
//! DIR/even/0001.tif ...           even fields
//! DIR/truth/poses.csv             frame, shift_x_px, shift_y_px, light
//! DIR/truth/tine.csv              frame, time_s, tip_y_px (the tine's deflection, positive down)
//! DIR/truth/offset_e.tif          fixed offsets of the sensor, 1/64 e- a step, 8192 is 0
//! DIR/truth/response.tif          fixed response of the sensor, 1/32768 a step
//! ```

use std::fmt::Write as _;
use std::fs;
use std::io::{BufWriter, Write as _};
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::camera::{Pose, RigSettings, poses};
use super::scene::{MusicBox, MusicBoxSettings};
use super::sensor::{Exposure, Sensor, SensorSettings};
use super::{Scene, SimulateError, View, demand};
use crate::frame::convert::round_u16;
use crate::frame::units::{Duration, FrameRate, Length};
use crate::frame::{Plane, Samples};
use crate::optics::Tine;

/// Folder of the clip.
pub const CLIP_FOLDER: &str = "comb-pluck";
/// Folder of the black references.
pub const BLACK_FOLDER: &str = "black";
/// Folder of the even fields.
pub const EVEN_FOLDER: &str = "even";
/// Folder of the truth.
pub const TRUTH_FOLDER: &str = "truth";

/// Everything that decides a shoot.
#[derive(Debug, Clone, PartialEq)]
pub struct ShootSettings {
    /// Frames of the clip, numbered from 1.
    pub frames: u32,
    /// Black references.
    pub darks: u32,
    /// Even fields.
    pub flats: u32,
    /// Electrons of an even field before vignetting.
    pub flat_e: f64,
    /// Capture rate.
    pub rate: FrameRate,
    /// Rate at which the result will be shown.
    pub playback: FrameRate,
    /// Exposure time; averages the lamp's ripple only.
    pub exposure: Option<Duration>,
    /// Frame in which the tine is let go.
    pub trigger_frame: u32,
    /// Magnification of the lens; the pixel pitch follows from it and the scene's scale.
    pub magnification: f64,
    /// The music box.
    pub scene: MusicBoxSettings,
    /// Rig and lamp.
    pub rig: RigSettings,
    /// The sensor.
    pub sensor: SensorSettings,
}

impl ShootSettings {
    /// The demonstration: 640 x 400, 100 frames at 5000 frames a second, a tine of 440 Hz
    /// (11.4 frames a cycle), 150 electrons at white, 32 darks and 32 flats.
    ///
    /// # Errors
    /// Never with the numbers as they are; a rate of 0 would be one.
    pub fn demo() -> Result<Self, SimulateError> {
        Ok(Self {
            frames: 100,
            darks: 32,
            flats: 32,
            flat_e: 600.0,
            rate: rate(5000)?,
            playback: rate(25)?,
            exposure: Duration::from_s(20e-6),
            trigger_frame: 26,
            magnification: 2.0,
            scene: MusicBoxSettings::default(),
            rig: RigSettings::default(),
            sensor: SensorSettings::default(),
        })
    }

    /// A small set for tests: 160 x 120, 24 frames at 10000 frames a second, 16 darks and 16
    /// flats, a tine of about 845 Hz (11.8 frames a cycle).
    ///
    /// # Errors
    /// Never with the numbers as they are; a rate of 0 would be one.
    pub fn small() -> Result<Self, SimulateError> {
        let demo = Self::demo()?;
        Ok(Self {
            frames: 24,
            darks: 16,
            flats: 16,
            rate: rate(10_000)?,
            trigger_frame: 8,
            // Keeps the pixel pitch at 20 um though the sheet is scaled down.
            magnification: 0.6,
            scene: MusicBoxSettings {
                size: (160, 120),
                tine: Tine::steel(15.0e-3, 0.2333e-3),
                pluck: 14.0,
                decay_s: 4e-3,
                step_s: 1.2e-3,
                ..demo.scene
            },
            // Few frames: a stronger drift, so that the scene still moves over the fixed pattern.
            rig: RigSettings { drift_px: (0.12, -0.07), ..demo.rig },
            sensor: SensorSettings {
                hot_fraction: 1e-3,
                blink_fraction: 5e-4,
                dust_spots: 3,
                ..demo.sensor
            },
            ..demo
        })
    }
}

fn rate(fps: u64) -> Result<FrameRate, SimulateError> {
    FrameRate::new(fps, 1).ok_or(SimulateError::BadSetting {
        what: "rate",
        found: fps.to_string(),
        expected: "above 0",
    })
}

/// A shoot of which every file and every truth can be asked for.
#[derive(Debug)]
pub struct Shoot {
    settings: ShootSettings,
    scene: MusicBox,
    sensor: Sensor,
    poses: Vec<Pose>,
}

impl Shoot {
    /// Prepares the scene, the sensor's maps and the poses.
    ///
    /// # Errors
    /// Where a setting is outside its range.
    pub fn new(settings: &ShootSettings) -> Result<Self, SimulateError> {
        let s = settings;
        demand(s.frames > 0, "clip", format!("{} frames long", s.frames), "1 frame or longer")?;
        let trigger = s.trigger_frame;
        demand((1..=s.frames).contains(&trigger), "trigger frame", trigger, "a frame of the clip")?;
        let m = s.magnification;
        demand(m.is_finite() && m > 0.0, "magnification", m, "above 0")?;
        demand(s.flat_e.is_finite() && s.flat_e >= 0.0, "even field", s.flat_e, "0 e- or more")?;
        let frames = usize::try_from(s.frames).unwrap_or(usize::MAX);
        Ok(Self {
            scene: MusicBox::new(&s.scene)?,
            sensor: Sensor::new(&s.sensor, s.scene.size)?,
            poses: poses(&s.rig, s.rate, s.exposure, frames)?,
            settings: s.clone(),
        })
    }

    /// What it was made from.
    #[must_use]
    pub fn settings(&self) -> &ShootSettings {
        &self.settings
    }

    /// The music box.
    #[must_use]
    pub fn scene(&self) -> &MusicBox {
        &self.scene
    }

    /// The sensor with its true maps.
    #[must_use]
    pub fn sensor(&self) -> &Sensor {
        &self.sensor
    }

    /// True poses; the first is frame 1's.
    #[must_use]
    pub fn poses(&self) -> &[Pose] {
        &self.poses
    }

    /// Pose of frame `number` (the first is 1), clamped to the clip.
    #[must_use]
    pub fn pose(&self, number: u32) -> Pose {
        let index = usize::try_from(number.clamp(1, self.settings.frames) - 1).unwrap_or(0);
        self.poses.get(index).copied().unwrap_or(Pose {
            shift_x_px: 0.0,
            shift_y_px: 0.0,
            light: 1.0,
        })
    }

    /// Seconds from the trigger frame to frame `number`.
    #[must_use]
    pub fn time_s(&self, number: u32) -> f64 {
        (f64::from(number) - f64::from(self.settings.trigger_frame))
            * self.settings.rate.interval_s()
    }

    /// Frame `number` before lamp, lens shading and sensor, in its true pose, and what moves in it.
    #[must_use]
    pub fn ideal(&self, number: u32) -> View {
        let pose = self.pose(number);
        self.scene.view((pose.shift_x_px, pose.shift_y_px), self.time_s(number))
    }

    /// Frame `number` as the camera stores it.
    #[must_use]
    pub fn frame(&self, number: u32) -> Samples {
        let light = self.pose(number).light;
        self.sensor.expose(&self.ideal(number).light, light, Exposure::Clip(number))
    }

    /// Black reference `number`.
    #[must_use]
    pub fn dark(&self, number: u32) -> Samples {
        self.sensor.dark(number)
    }

    /// Even field `number`.
    #[must_use]
    pub fn flat(&self, number: u32) -> Samples {
        self.sensor.flat(self.settings.flat_e, number)
    }

    /// Pixel pitch of the simulated sensor: object size of a pixel times magnification.
    #[must_use]
    pub fn pixel_pitch(&self) -> Option<Length> {
        Length::from_m(self.scene.pixel_m() * self.settings.magnification)
    }

    /// `poses.csv`: frame, shift_x_px, shift_y_px, light.
    #[must_use]
    pub fn poses_csv(&self) -> String {
        let mut out = String::from("frame,shift_x_px,shift_y_px,light\n");
        for (n, p) in (1_u32..).zip(&self.poses) {
            let _ = writeln!(out, "{n},{:.6},{:.6},{:.6}", p.shift_x_px, p.shift_y_px, p.light);
        }
        out
    }

    /// `tine.csv`: frame, time_s, tip_y_px (deflection of the plucked tine's tip, positive down).
    #[must_use]
    pub fn tine_csv(&self) -> String {
        let mut out = String::from("frame,time_s,tip_y_px\n");
        for n in 1..=self.settings.frames {
            let t = self.time_s(n);
            let _ = writeln!(out, "{n},{t:.6},{:.6}", self.scene.tip_px(t));
        }
        out
    }

    /// `clip.toml`: the facts of the clip.
    #[must_use]
    pub fn clip_toml(&self) -> String {
        let s = &self.settings;
        let mut out = String::from("# Facts of this simulated clip.\n");
        let _ = writeln!(out, "rate = \"{}\"", s.rate);
        let _ = writeln!(out, "playback = \"{}\"", s.playback);
        if let Some(exposure) = s.exposure {
            let _ = writeln!(out, "exposure = \"{exposure}\"");
        }
        let _ = writeln!(out, "magnification = {}", s.magnification);
        if let Some(pitch) = self.pixel_pitch() {
            let _ = writeln!(out, "pixel_pitch = \"{pitch}\"");
        }
        let _ = writeln!(out, "black = {}", s.sensor.black_dn);
        let _ = writeln!(out, "white = {}", self.sensor.white_dn());
        let _ = writeln!(out, "trigger_frame = {}", s.trigger_frame);
        out
    }

    /// Fixed offsets as samples: 1/64 e- a step, 8192 stands for 0.
    #[must_use]
    pub fn offset_samples(&self) -> Samples {
        coded(self.sensor.offset_e(), 64.0, 8192.0)
    }

    /// Fixed response as samples: 32768 stands for 1.
    #[must_use]
    pub fn response_samples(&self) -> Samples {
        coded(self.sensor.response(), 32_768.0, 0.0)
    }
}

/// A plane as 16-bit samples `value * per_unit + zero`.
fn coded(plane: &Plane, per_unit: f32, zero: f32) -> Samples {
    Samples {
        width: plane.width(),
        height: plane.height(),
        channels: 1,
        bits: 16,
        data: plane.data().iter().map(|v| round_u16(v * per_unit + zero)).collect(),
    }
}

/// Where a written shoot lies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// Folder of the clip's frames and its `clip.toml`.
    pub clip: PathBuf,
    /// Folder of the black references.
    pub black: PathBuf,
    /// Folder of the even fields.
    pub even: PathBuf,
    /// Folder of the truth.
    pub truth: PathBuf,
    /// Number of picture files written.
    pub pictures: usize,
}

/// One picture of a shoot, not yet made.
#[derive(Debug, Clone, Copy)]
enum Job {
    Frame(u32),
    Dark(u32),
    Flat(u32),
}

/// Makes a shoot and writes it below `dir`, on all threads of the current pool.
///
/// # Errors
/// Where a setting is outside its range, or a file cannot be written or is there already.
pub fn write_shoot(dir: &Path, settings: &ShootSettings) -> Result<Written, SimulateError> {
    let shoot = Shoot::new(settings)?;
    let folder = |name: &str| {
        let path = dir.join(name);
        fs::create_dir_all(&path).map_err(|e| failed(&path, &e)).map(|()| path)
    };
    let (clip, black) = (folder(CLIP_FOLDER)?, folder(BLACK_FOLDER)?);
    let (even, truth) = (folder(EVEN_FOLDER)?, folder(TRUTH_FOLDER)?);
    let jobs: Vec<Job> = (1..=settings.frames)
        .map(Job::Frame)
        .chain((1..=settings.darks).map(Job::Dark))
        .chain((1..=settings.flats).map(Job::Flat))
        .collect();
    jobs.par_iter().try_for_each(|job| match *job {
        Job::Frame(n) => write_picture(&clip.join(format!("{n:06}.tif")), &shoot.frame(n)),
        Job::Dark(n) => write_picture(&black.join(format!("{n:04}.tif")), &shoot.dark(n)),
        Job::Flat(n) => write_picture(&even.join(format!("{n:04}.tif")), &shoot.flat(n)),
    })?;
    write_text(&clip.join("clip.toml"), &shoot.clip_toml())?;
    write_text(&truth.join("poses.csv"), &shoot.poses_csv())?;
    write_text(&truth.join("tine.csv"), &shoot.tine_csv())?;
    write_picture(&truth.join("offset_e.tif"), &shoot.offset_samples())?;
    write_picture(&truth.join("response.tif"), &shoot.response_samples())?;
    Ok(Written { clip, black, even, truth, pictures: jobs.len() + 2 })
}

fn failed(path: &Path, why: &impl ToString) -> SimulateError {
    SimulateError::Write { path: path.to_owned(), why: why.to_string() }
}

fn write_text(path: &Path, text: &str) -> Result<(), SimulateError> {
    let mut file = fs::File::create_new(path).map_err(|e| failed(path, &e))?;
    file.write_all(text.as_bytes()).map_err(|e| failed(path, &e))
}

/// Writes one-channel samples as a 16-bit TIFF; a file that is there already is an error.
fn write_picture(path: &Path, samples: &Samples) -> Result<(), SimulateError> {
    let size = |n: usize| u32::try_from(n).map_err(|e| failed(path, &e));
    let (width, height) = (size(samples.width)?, size(samples.height)?);
    let file = fs::File::create_new(path).map_err(|e| failed(path, &e))?;
    let mut out = BufWriter::new(file);
    tiff::encoder::TiffEncoder::new(&mut out)
        .and_then(|mut t| {
            t.write_image::<tiff::encoder::colortype::Gray16>(width, height, &samples.data)
        })
        .map_err(|e| failed(path, &e))?;
    out.flush().map_err(|e| failed(path, &e))
}
