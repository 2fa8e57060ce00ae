//! `measure`: follows a part through a clip, says how it moved, and writes table, numbers, plot.

use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::analysis::{Looks, tell};
use super::clip::{Listed, Opened, Place};
use super::overlay::Film;
use super::{DayError, begins_with, plot, sheet};
use crate::engine::{Phase, Work};
use crate::footage::{
    FootageError, OutFrame, check_no_footage, check_output, encode_png16, printable, write_bytes,
};
use crate::frame::FixedPlane;
use crate::frame::convert::round_isize;
use crate::measure::follow::{
    BLOCK, Followed, Follower, LEAST, PAD, main_direction_deg, series_along,
};
use crate::measure::ring::Measured;
use crate::measure::turning::Turner;
use crate::night::job::VERSION;
use crate::night::place::inputs;
use crate::record::Warning;
use crate::register::{PixelNoise, Pose};

pub use super::analysis::{Ringing, Sought};
pub use super::moved::{MotionArgs, MotionReport, OnObject, Step};

/// How far from its region a part may go, in pixels.
const REACH: usize = 256;
/// Frames read at a time.
const BATCH: usize = 32;
/// What the numbers' file begins with: by this a folder of results is known as ours.
const MARK: &str = "{\n  \"tool\": \"hushframe";
/// The file of numbers.
const NUMBERS: &str = "motion.json";

/// Follows the part and writes everything into `out`.
///
/// # Errors
/// Where the clip cannot be read or has no steady background, the part cannot be followed, or
/// results would land in an input or on files that are not ours.
pub fn run(args: &MotionArgs, out: &Path, work: &Work<'_>) -> Result<MotionReport, DayError> {
    check_place(args, out)?;
    // Of raw frames it is known before they are registered.
    if let Ok(source) = args.job.open() {
        let shape = &source.expected.shape;
        check_region(args.region, (shape.width, shape.height), 0)?;
    }
    let clip = Opened::new(&Place { job: &args.job, out, part: args.region }, work)?;
    let (width, height) = (clip.size.0 * clip.span, clip.size.1 * clip.span);
    check_region(args.region, (width, height), PAD * clip.span)?;
    let slow = clip.facts.rows_take_too_long(height);
    if let (Some(slow), true) = (&slow, clip.facts.rows_take_too_long(1).is_some()) {
        return Err(DayError::Refused(format!("{}: {}", slow.text, slow.advice)));
    }
    clip.time_s(clip.trigger)?;
    let Tracked { wanted, steps, first, region } = follow(args, &clip, work)?;
    let found: Vec<Option<Followed>> = steps.iter().map(|s| s.found).collect();
    let direction = args.direction_deg.unwrap_or_else(|| outward(&found));
    let times: Vec<f64> = steps.iter().map(|s| s.time_s).collect();
    let series = series_along(&found, &times, direction)?;
    let seconds = |range: Option<(u64, u64)>| -> Result<Option<(f64, f64)>, DayError> {
        let Some((a, b)) = range else { return Ok(None) };
        let at = |n: u64| steps.iter().find(|s| s.frame == n).map(|s| s.time_s);
        let gone = || DayError::Refused(format!("frames {a} to {b} are not both in the clip"));
        Ok(Some((at(a).ok_or_else(gone)?, at(b).ok_or_else(gone)?)))
    };
    let looks = Looks {
        event_s: seconds(args.event)?,
        ring_s: seconds(args.ring)?,
        modes: args.modes,
        window: args.window,
    };
    let told = tell(&series, &looks);
    let mut report = MotionReport {
        tool: format!("hushframe {VERSION}"),
        clip: clip.name.clone(),
        region: args.region,
        size_px: [clip.size.0, clip.size.1].map(|n| n * clip.span),
        direction_deg: direction,
        frames: steps.len(),
        followed: found.iter().flatten().count(),
        on_object: clip.facts.scale.as_ref().map(|s| OnObject::new(s, &told)),
        row_time_s: clip.facts.row_time.as_ref().map(|r| r.value.s()),
        sigma_px: median_sigma(&found, direction),
        peak_rotation_rad: steps
            .iter()
            .filter_map(|s| s.rotation)
            .max_by(|a, b| a.value.abs().total_cmp(&b.value.abs())),
        rotation_until: steps.iter().rev().find(|s| s.rotation.is_some()).map(|s| s.frame),
        told,
        files: Vec::new(),
        warnings: clip.warnings.iter().cloned().chain(slow).collect(),
    };
    warn(&mut report);
    if args.overlay {
        let film = Film {
            clip: &clip,
            wanted: &wanted,
            steps: &steps,
            series: &series,
            region,
            unit: report.on_object.as_ref().map_or((1.0, "px"), |o| (o.um_per_px, "\u{b5}m")),
        };
        film.write(&out.join("overlay"), work)?;
    }
    write(&mut report, &steps, &series, first.as_ref(), out)?;
    Ok(report)
}

/// The direction of most motion, that way round in which it goes furthest from where it began;
/// above -180 to 180 degrees.
fn outward(found: &[Option<Followed>]) -> f64 {
    let axis = main_direction_deg(found);
    let (sin, cos) = libm::sincos(axis.to_radians());
    let along = |f: &Followed| f.shift[0] * cos + f.shift[1] * sin;
    let first = found.iter().flatten().map(along).next().unwrap_or(0.0);
    let away = found.iter().flatten().map(|f| along(f) - first);
    let furthest = away.max_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap_or(0.0);
    match (furthest < 0.0, axis > 0.0) {
        (false, _) => axis,
        (true, true) => axis - 180.0,
        (true, false) => axis + 180.0,
    }
}

fn median_sigma(found: &[Option<Followed>], direction_deg: f64) -> f64 {
    let (sin, cos) = libm::sincos(direction_deg.to_radians());
    let mut all: Vec<f64> =
        found.iter().flatten().map(|f| libm::hypot(f.sigma[0] * cos, f.sigma[1] * sin)).collect();
    crate::math::robust::median_f64(&mut all).unwrap_or(0.0)
}

fn warn(report: &mut MotionReport) {
    let lost = report.frames - report.followed;
    if lost > 0 {
        report.warnings.push(Warning::new(
            "part-lost",
            format!("the part was not found in {lost} of {} frames", report.frames),
            "these rows are empty; choose a region that stays in the picture and keeps its look",
        ));
    }
    if report.on_object.as_ref().is_none_or(|s| s.sigma_um_per_px.is_none()) {
        report.warnings.push(Warning::new(
            "scale-not-measured",
            "the size of a pixel on the object is not measured: lengths in um do not hold its \
             uncertainty, or are missing",
            "take a picture of a rule at the same magnification and use hushframe scale",
        ));
    }
    if let Some([from, to]) = report.told.event.found().and_then(|e| e.pause_s) {
        report.warnings.push(Warning::new(
            "event-pauses",
            format!(
                "the part seems to rest from {:.3} to {:.3} ms, between what is called the event's start \
                 and its end",
                1e3 * from,
                1e3 * to
            ),
            "where these are several events, name one by its frames (--event)",
        ));
    }
    if let Some(ring) = report.told.ring_down.found() {
        for text in &ring.fit.warnings {
            report.warnings.push(Warning::new("ring-down", text.clone(), "see --ring and --modes"));
        }
    }
}

/// Refuses results inside an input, or in a folder that holds something else.
fn check_place(args: &MotionArgs, out: &Path) -> Result<(), DayError> {
    let there: Vec<&Path> =
        inputs(&args.job).into_iter().filter(|p| p.symlink_metadata().is_ok()).collect();
    for input in inputs(&args.job) {
        std::fs::metadata(input)
            .map_err(|e| DayError::Footage(FootageError::disk(input, "open", e)))?;
    }
    check_output(out, &there)?;
    check_no_footage(out)?;
    let used = std::fs::read_dir(out).is_ok_and(|mut d| d.next().is_some());
    if used && !begins_with(&out.join(NUMBERS), MARK) && !out.join(".references").is_dir() {
        return Err(DayError::Refused(format!(
            "{}: holds files that no measurement made: choose another folder with -o",
            printable(out)
        )));
    }
    std::fs::create_dir_all(out)
        .map_err(|e| DayError::Footage(FootageError::disk(out, "create", e)))
}

/// Refuses a region that cannot be followed in any picture of this size, or lies less than `clear`
/// px from its edges.
fn check_region(
    region: [usize; 4],
    (width, height): (usize, usize),
    clear: usize,
) -> Result<(), DayError> {
    let [x, y, w, h] = region;
    let ends =
        |at: usize, length: usize, all: usize| at.checked_add(length).is_some_and(|e| e <= all);
    let words = region.map(|v| v.to_string()).join(",");
    if w < LEAST || h < LEAST {
        return Err(DayError::Refused(format!(
            "the region {words} is {w}x{h} px: choose one of at least {LEAST} px on each side, with \
             the texture of the part in it"
        )));
    }
    if !(ends(x, w, width) && ends(y, h, height)) {
        return Err(DayError::Refused(format!(
            "the region {words} does not lie in the picture of {width}x{height} px: write X,Y of its \
             upper left corner, then width and height"
        )));
    }
    if x < clear || y < clear || !(ends(x, w + clear, width) && ends(y, h + clear, height)) {
        return Err(DayError::Refused(format!(
            "the region {words} comes closer than {clear} px to an edge of the picture of \
             {width}x{height} px: keep it away from the edges"
        )));
    }
    Ok(())
}

/// The part of the pictures that is read, and the region in it; pixels of these pictures.
struct View {
    window: [usize; 4],
    region: [usize; 4],
}

impl View {
    /// Around the region as it lies in the reference pose.
    fn new(clip: &Opened, region: [usize; 4], pose: &Pose) -> Result<Self, DayError> {
        let span = clip.span;
        let [x, y, w, h] = region.map(|v| v / span);
        let place = |v: usize, shift: f64| v.checked_add_signed(-round_isize(shift));
        let moved = place(x, pose.shift[0]).zip(place(y, pose.shift[1]));
        let (width, height) = clip.size;
        let Some((x, y)) = moved.filter(|(x, y)| x + w <= width && y + h <= height && w * h > 0)
        else {
            return Err(DayError::Refused(format!(
                "the region {} does not lie in the picture of {}x{} px",
                region.map(|v| v.to_string()).join(","),
                width * span,
                height * span
            )));
        };
        let (x0, y0) = (x.saturating_sub(REACH), y.saturating_sub(REACH));
        let (x1, y1) = ((x + w + REACH).min(width), (y + h + REACH).min(height));
        Ok(Self { window: [x0, y0, x1 - x0, y1 - y0], region: [x - x0, y - y0, w, h] })
    }

    fn noise(&self, clip: &Opened) -> PixelNoise {
        let [x, y, w, h] = self.window;
        PixelNoise {
            factor: clip.noise.factor.as_ref().map(|f| f.crop(x, y, w, h)),
            // What lies still on the sensor does not lie still around a part that is followed.
            held: 0.0,
            ..clip.noise.clone()
        }
    }
}

/// A part that was followed.
struct Tracked {
    /// Index in the clip of each step's frame.
    wanted: Vec<usize>,
    steps: Vec<Step>,
    /// The first picture with the region and the path drawn in.
    first: Option<OutFrame>,
    /// The part in the reference pose, in px of the pictures.
    region: [f64; 4],
}

/// Follows the part.
fn follow(args: &MotionArgs, clip: &Opened, work: &Work<'_>) -> Result<Tracked, DayError> {
    let inside = |l: &&Listed| args.job.range.is_none_or(|(a, b)| l.frame >= a && l.frame <= b);
    let wanted: Vec<usize> = (0..clip.listed.len()).filter(|&i| inside(&&clip.listed[i])).collect();
    let there = |&&i: &&usize| clip.listed[i].pose.is_some();
    let [x, y, w, h] = args.region.map(|v| v as f64 / clip.span as f64);
    // The background at the part: where it turns, it moves more there than in the middle.
    let pose_at = |i: usize| {
        let size = [clip.size.0, clip.size.1];
        Some(clip.listed[i].pose?.local(size, [x + 0.5 * (w - 1.0), y + 0.5 * (h - 1.0)]))
    };
    let first = wanted.iter().find(there).and_then(|&i| pose_at(i)).ok_or_else(|| {
        DayError::Refused(format!("{}: there are no frames to measure", printable(&clip.name)))
    })?;
    let view = View::new(clip, args.region, &first)?;
    let read = |i: usize| Some((clip.read(i, view.window)?, pose_at(i)?));
    let learned: Vec<usize> = wanted.iter().filter(there).copied().take(BLOCK).collect();
    let block: Vec<(FixedPlane, Pose)> = learned.par_iter().filter_map(|&i| read(i)).collect();
    let lent: Vec<(&FixedPlane, Pose)> = block.iter().map(|(f, p)| (f, *p)).collect();
    let noise = view.noise(clip);
    let mut follower = if clip.finished() {
        Follower::bounded(&lent, view.region, &noise)?
    } else {
        Follower::new(&lent, view.region, &noise)?
    };
    let mut rotation = match args.rotation {
        true => Some(Rotation { turner: Turner::new(&mut follower, &lent)?, zero: None }),
        false => None,
    };
    let mut steps = Vec::with_capacity(wanted.len());
    for batch in wanted.chunks(BATCH) {
        work.check()?;
        let frames: Vec<_> = batch.par_iter().map(|&i| read(i)).collect();
        for (&i, frame) in batch.iter().zip(&frames) {
            let found = frame.as_ref().and_then(|(f, p)| follower.step(f, p));
            let (found, turned) = match (&mut rotation, frame) {
                // What turns is elsewhere than a shift alone says.
                (Some(rotation), Some((f, pose))) => {
                    rotation.step((f, pose), found.as_ref()).unzip()
                }
                _ => (found, None),
            };
            let top = args.region[1] as f64 - first.shift[1] * clip.span as f64;
            let mut own = step(clip, &clip.listed[i], found, (top, args.region[3]))?;
            own.rotation = turned;
            steps.push(own);
        }
        work.progress.step(Phase::Analyse, steps.len() as u64, wanted.len() as u64);
    }
    let picture = block.first().map(|(f, pose)| {
        let [x, y, w, h] = view.region;
        let place = |v: usize, shift: f64| v.saturating_add_signed(round_isize(shift));
        let shown = [place(x, pose.shift[0]), place(y, pose.shift[1]), w, h];
        sheet::picture(f, shown, &steps, clip.span)
    });
    let [x, y, w, h] = view.region;
    let region = [view.window[0] + x, view.window[1] + y, w, h].map(|v| v as f64);
    Ok(Tracked { wanted, steps, first: picture, region })
}

/// The rotation of a part against the background, from the first frame on.
struct Rotation {
    turner: Turner,
    /// That of the first frame against the template, which is a mean over a block.
    zero: Option<f64>,
}

impl Rotation {
    /// Where the part is, and its rotation since the first frame in rad, clockwise on screen.
    fn step(
        &mut self,
        (frame, pose): (&FixedPlane, &Pose),
        found: Option<&Followed>,
    ) -> Option<(Followed, Measured)> {
        let (followed, turned) = self.turner.step(frame, pose, found)?;
        let angle = turned.angle - pose.turn.angle;
        let value = angle - *self.zero.get_or_insert(angle);
        Some((followed, Measured { value, sigma: turned.sigma }))
    }
}

/// One frame's row, in pixels of the clip and with the time of the part's own row.
///
/// `top` is the region's first row in the reference pose, `height` its height.
fn step(
    clip: &Opened,
    listed: &Listed,
    found: Option<Followed>,
    (top, height): (f64, usize),
) -> Result<Step, DayError> {
    let span = clip.span as f64;
    let found = found.map(|f| Followed {
        shift: f.shift.map(|v| v * span),
        sigma: f.sigma.map(|v| v * span),
        ..f
    });
    let moved = found.map_or(0.0, |f| f.shift[1]);
    let row = listed.row + top + 0.5 * (height as f64 - 1.0) + moved;
    let delay = clip.facts.row_time.as_ref().map_or(0.0, |r| r.value.s() * row);
    let status = if found.is_none() && listed.pose.is_some() { "lost" } else { listed.status };
    Ok(Step {
        frame: listed.frame,
        time_s: clip.time_s(listed.frame)? + delay,
        status,
        found,
        rotation: None,
    })
}

fn write(
    report: &mut MotionReport,
    steps: &[Step],
    series: &crate::measure::Series,
    picture: Option<&OutFrame>,
    out: &Path,
) -> Result<(), DayError> {
    let mut files: Vec<(PathBuf, Vec<u8>)> = Vec::new();
    files.push((out.join("motion.csv"), sheet::table(report, steps, series).into_bytes()));
    let svg = plot::motion(report, series);
    files.push((out.join("motion.svg"), svg.0.clone().into_bytes()));
    if let Some(picture) = picture {
        files.push((out.join("region.png"), encode_png16(picture, None)?));
    }
    files.push((out.join("motion.html"), sheet::page(report, &svg).into_bytes()));
    let numbers = out.join(NUMBERS);
    report.files = files.iter().map(|(p, _)| printable(p)).collect();
    report.files.push(printable(&numbers));
    let mut text = serde_json::to_string_pretty(report).unwrap_or_default();
    text.push('\n');
    files.insert(0, (numbers, text.into_bytes()));
    for (path, bytes) in files {
        write_bytes(&path, &bytes)?;
    }
    Ok(())
}
