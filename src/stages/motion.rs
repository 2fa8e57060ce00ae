//! Draws how a part moved: its path in the picture, and the graph of its displacement, which grows
//! from frame to frame, in the upper right corner.
//!
//! Model: nothing is measured here. The clip's fact `motion` names the folder that `hushframe
//! measure` wrote; its table gives each frame's displacement. The path is the middle of the part in
//! the last `tail` frames; the graph's axes are those of the whole clip, and its number is this
//! frame's displacement in µm where the scale was known, else in px. Where the part was lost, path
//! and curve have a gap and the number is "lost". A frame that the table does not have gets
//! nothing drawn, and a warning says how many those are. A picture of several combined frames shows the
//! part where it was at the picture's time: between the two nearest rows, in proportion.
//!
//! Coordinates: a table measured in finished frames of this size is taken as it is; one of whole
//! frames is moved by the corner of the part that is kept; any other size is refused.
//!
//! Order: last, in steadied coordinates. White ink on a dark plate or rim, as in all labels.
//! Cost: strokes of at most `tail` frames and of the curve so far, a plate a frame.
//! Limit: without stage `steady` the path does not follow the camera's drift.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::{ClipInfo, Moment, Realm, SettingDoc, Stage, StageDoc, StageError};
use crate::footage::{MotionRow, MotionTable};
use crate::frame::Frame;
use crate::frame::convert::{floor_usize, round_usize, to_f32};
use crate::labels::LabelError;
use crate::labels::figures::{NBSP, displacement};
use crate::labels::layout::{Area, Canvas, Corner};
use crate::labels::mask::Mask;
use crate::labels::plate;
use crate::labels::text::{Digits, Face};
use crate::record::{Notes, Warning};

const NAME: &str = "motion";
/// Widths of rim, line and dot in pixels of a frame 540 px high, and the least in any.
const RIM: f64 = 5.0;
const LINE: f64 = 1.6;
const DOT: f64 = 5.0;
/// Room between plate and ink, in heights of capitals.
const PADDING: f64 = 0.75;
/// Most frames of a path.
const MOST_TAIL: usize = 100_000;

/// Settings of the motion's drawing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct MotionSettings {
    /// Height of leading capitals in percent of the frame's height, 3 to 10; default 3.9.
    pub text_height: f64,
    /// Whether the part's path is drawn; default true.
    pub path: bool,
    /// Whether the graph is drawn; default true.
    pub graph: bool,
    /// Frames back to which the path reaches, 1 to 100000; default 200.
    pub tail: usize,
}

impl Default for MotionSettings {
    fn default() -> Self {
        Self { text_height: 3.9, path: true, graph: true, tail: 200 }
    }
}

/// The stage as people see it.
pub const DOC: StageDoc = StageDoc {
    name: NAME,
    summary: "draws the path of a part that was measured, and a graph that grows",
    takes: &[Realm::Sensor, Realm::Linear, Realm::Display],
    gives: None,
    settings: &[
        SettingDoc {
            name: "text_height",
            unit: "% of the frame's height",
            range: "3 to 10",
            default: "3.9",
            meaning: "height of leading capitals; lowered to 3 where the graph would not hold them",
        },
        SettingDoc {
            name: "path",
            unit: "-",
            range: "true or false",
            default: "true",
            meaning: "whether the part's path is drawn into the picture",
        },
        SettingDoc {
            name: "graph",
            unit: "-",
            range: "true or false",
            default: "true",
            meaning: "whether the displacement's graph is drawn in the upper right corner",
        },
        SettingDoc {
            name: "tail",
            unit: "frames",
            range: "1 to 100000",
            default: "200",
            meaning: "how far back the path reaches",
        },
    ],
};

/// The drawing, laid out for a clip.
#[derive(Debug)]
pub struct Motion {
    table: Arc<MotionTable>,
    /// What to add to a place in the table's pictures, to be in pixel edges of this frame.
    offset: [f64; 2],
    size: (usize, usize),
    /// Pixels of a frame 540 px high.
    unit: f64,
    tail: usize,
    path: bool,
    graph: Option<Graph>,
    white: f32,
    /// Frames of the clip, and how many of them the table has.
    frames: [u64; 2],
}

/// The graph's plate and axes.
#[derive(Debug)]
struct Graph {
    face: Face,
    area: Area,
    plate: Mask,
    capitals: f32,
    padding: f64,
    /// First and last time, lowest and highest displacement.
    axes: [f64; 4],
}

impl Motion {
    /// Lays the drawing out for the clip.
    ///
    /// # Errors
    /// [`StageError::MissingFact`] without a table; [`StageError::Refused`] where it is of other
    /// frames or of pictures of another size, nothing is to be drawn, or the graph does not fit.
    pub fn new(settings: &MotionSettings, clip: &ClipInfo) -> Result<Self, StageError> {
        super::label_height(NAME, settings.text_height)?;
        let refused = |why: String| StageError::Refused { stage: NAME, why };
        if !(1..=MOST_TAIL).contains(&settings.tail) {
            return Err(StageError::BadSetting {
                stage: NAME,
                setting: "tail",
                found: settings.tail.to_string(),
                expected: "a number of frames from 1 to 100000",
            });
        }
        if !(settings.path || settings.graph) {
            return Err(refused("path and graph are both false: leave the stage out".to_owned()));
        }
        let table = clip.motion.clone().ok_or(StageError::MissingFact {
            stage: NAME,
            fact: "how the part moved",
            advice: "run measure first, then name the folder it wrote (--motion FOLDER, or motion \
                     = \"FOLDER\" in clip.toml or shoot.toml), or leave the stage out",
        })?;
        let corner = corner(&table, clip).map_err(refused)?;
        let inside = |r: &&MotionRow| (clip.first_frame..=clip.last_frame).contains(&r.frame);
        let had = table.rows.iter().filter(inside).count() as u64;
        if had == 0 {
            let ends = [table.rows.first(), table.rows.last()].map(|r| r.map_or(0, |r| r.frame));
            return Err(refused(format!(
                "the table has frames {} to {}, the clip {} to {}: name the folder that was \
                 measured of this clip",
                ends[0], ends[1], clip.first_frame, clip.last_frame
            )));
        }
        let graph = settings.graph.then(|| Graph::new(&table, clip, settings.text_height));
        let graph = graph.transpose().map_err(refused)?;
        let frames = clip.last_frame.saturating_sub(clip.first_frame).saturating_add(1);
        Ok(Self {
            offset: corner.map(|c| 0.5 - c),
            size: (clip.width, clip.height),
            unit: (clip.height as f64 / 540.0).max(1.0),
            tail: settings.tail,
            path: settings.path,
            graph,
            white: clip.white - clip.black,
            frames: [frames, had],
            table,
        })
    }

    /// What a person should know, once a clip.
    #[must_use]
    pub fn warning(&self) -> Option<Warning> {
        let [frames, had] = self.frames;
        (had < frames).then(|| {
            Warning::new(
                "motion-not-everywhere",
                format!("the table of motion has {had} of the clip's {frames} frames"),
                "the others get no path and no graph: measure all frames to have them everywhere",
            )
        })
    }

    /// The last row until a moment, and the row of that moment itself where it lies between two; `None`
    /// where the table does not have its frame.
    fn row_at(&self, at: &Moment) -> Option<(usize, Option<MotionRow>)> {
        const WHOLE: u64 = 1_000_000;
        let rows = &self.table.rows;
        let first = rows.binary_search_by_key(&at.frame, |r| r.frame).ok()?;
        let frame = at.frame + at.past / WHOLE;
        let now = rows.partition_point(|r| r.frame <= frame).saturating_sub(1).max(first);
        let share = (at.past % WHOLE) as f64 / WHOLE as f64;
        let next = rows.get(now + 1).filter(|_| share > 0.0);
        let between = next.and_then(|next| {
            let (before, row) = (rows[now].found?, &rows[now]);
            let after = next.found.filter(|_| row.frame == frame && next.frame == frame + 1)?;
            let mix = |a: f64, b: f64| a + share * (b - a);
            Some(MotionRow {
                frame,
                time_s: mix(row.time_s, next.time_s),
                found: Some((
                    [mix(before.0[0], after.0[0]), mix(before.0[1], after.0[1])],
                    mix(before.1, after.1),
                )),
            })
        });
        Some((now, between))
    }

    /// Places of the path's last frames until row `now` and what lies `between` it and the next, in runs
    /// without a gap.
    fn runs(&self, now: usize, between: Option<&MotionRow>) -> Vec<Vec<[f64; 2]>> {
        let rows = &self.table.rows[(now + 1).saturating_sub(self.tail)..=now];
        let mut runs: Vec<Vec<[f64; 2]>> = vec![Vec::new()];
        let mut last = None;
        for row in rows.iter().chain(between) {
            let Some((shift, _)) = row.found else { continue };
            if last.is_some_and(|l: u64| l + 1 < row.frame) {
                runs.push(Vec::new());
            }
            last = Some(row.frame);
            let place = [0, 1].map(|i| self.table.middle[i] + shift[i] + self.offset[i]);
            runs.last_mut().into_iter().for_each(|r| r.push(place));
        }
        runs.retain(|r| !r.is_empty());
        runs
    }

    fn draw_path(
        &self,
        (now, between): (usize, Option<&MotionRow>),
        frame: &mut Frame,
    ) -> Result<(), LabelError> {
        let runs = self.runs(now, between);
        let reach = DOT.max(RIM) * self.unit + 2.0;
        let Some(area) = around(runs.iter().flatten(), reach, self.size) else { return Ok(()) };
        let (mut rim, mut ink) = masks(area);
        let corner = [area.x0 as f64, area.y0 as f64];
        let here = |p: &[f64; 2]| [p[0] - corner[0], p[1] - corner[1]];
        for run in &runs {
            let ends = run.windows(2).map(|w| [here(&w[0]), here(&w[1])]);
            // A run of one frame is a point.
            let point = run.first().map(|p| [here(p); 2]);
            for [from, to] in point.into_iter().chain(ends) {
                rim.stroke(from, to, RIM * self.unit);
                ink.stroke(from, to, LINE * self.unit);
            }
        }
        let found = self.table.rows[now].found.is_some();
        if let Some(p) = runs.last().and_then(|r| r.last()).filter(|_| found) {
            rim.stroke(here(p), here(p), (DOT + RIM - LINE) * self.unit);
            ink.stroke(here(p), here(p), DOT * self.unit);
        }
        plate::blend(frame, area, &rim, &ink, self.white)
    }

    fn draw_graph(
        &self,
        g: &Graph,
        (now, between): (usize, Option<&MotionRow>),
        frame: &mut Frame,
    ) -> Result<(), LabelError> {
        let (_, mut ink) = masks(g.area);
        let (w, h) = (g.area.width() as f64, g.area.height() as f64);
        let [t0, t1, low, high] = g.axes;
        let foot = h - 2.0 * g.padding - f64::from(g.capitals);
        let x = |t: f64| g.padding + (w - 2.0 * g.padding) * (t - t0) / (t1 - t0).max(1e-12);
        let y = |v: f64| foot - (foot - g.padding) * (v - low) / (high - low).max(1e-12);
        ink.stroke([g.padding, y(0.0)], [w - g.padding, y(0.0)], 0.3 * self.unit);
        let rows = || self.table.rows[..=now].iter().chain(between);
        for (one, next) in rows().zip(rows().skip(1)) {
            if let (Some((_, a)), Some((_, b))) = (one.found, next.found)
                && one.frame + 1 >= next.frame
            {
                let from = [x(one.time_s), y(a)];
                ink.stroke(from, [x(next.time_s), y(b)], LINE * self.unit);
            }
        }
        let row = between.unwrap_or(&self.table.rows[now]);
        let text = match row.found {
            Some((_, v)) => {
                let at = [x(row.time_s), y(v)];
                ink.stroke(at, at, DOT * self.unit);
                figure(v, self.table.unit)
            }
            None => "lost".to_owned(),
        };
        let line = g.face.line(&text, g.capitals, Digits::Cells)?;
        let left = to_f32(w - g.padding) - line.width();
        g.face.draw(&line, &mut ink, left, to_f32(h - g.padding));
        plate::blend(frame, g.area, &g.plate, &ink, self.white)
    }
}

impl Graph {
    fn new(table: &MotionTable, clip: &ClipInfo, percent: f64) -> Result<Self, String> {
        let canvas = Canvas { width: clip.width, height: clip.height };
        let area = canvas.zone(Corner::UpperRight);
        let mut axes = [f64::INFINITY, f64::NEG_INFINITY, 0.0, 0.0];
        for row in table.rows.iter() {
            axes[0] = axes[0].min(row.time_s);
            axes[1] = axes[1].max(row.time_s);
            if let Some((_, v)) = row.found {
                axes[2] = axes[2].min(v);
                axes[3] = axes[3].max(v);
            }
        }
        let face = Face::load().map_err(|e| e.to_string())?;
        for size in canvas.sizes(percent) {
            let capitals = size.second as f32;
            let padding = (f64::from(capitals) * PADDING).max(3.0);
            let mut wide = 0.0_f32;
            for text in [figure(axes[2], table.unit), figure(axes[3], table.unit)] {
                let line = face.line(&text, capitals, Digits::Cells);
                wide = wide.max(line.map_err(|e| e.to_string())?.width());
            }
            let least = 3.0 * f64::from(capitals) + 3.0 * padding;
            let fits = f64::from(wide) + 2.0 * padding <= area.width() as f64;
            if fits && least <= area.height() as f64 {
                let (w, h) = (area.width(), area.height());
                let plate = plate::rounded(w, h, padding * 0.8, padding * 0.3);
                return Ok(Self { face, area, plate, capitals, padding, axes });
            }
        }
        Err(format!(
            "a graph needs more than the {} x {} px of its corner in frames of {} x {} px: take \
             graph = false",
            area.width(),
            area.height(),
            clip.width,
            clip.height
        ))
    }
}

/// The corner of the part of the table's pictures that the frames show.
fn corner(table: &MotionTable, clip: &ClipInfo) -> Result<[f64; 2], String> {
    let Some(cut) = clip.cut else {
        // What is cut off is not known yet, but no part is larger than the whole.
        let whole = (clip.width, clip.height);
        return if table.size.0 <= whole.0 && table.size.1 <= whole.1 {
            Ok([0.0; 2])
        } else {
            Err(format!(
                "motion was measured in pictures of {}x{} px, but the clip's frames have {}x{} px: \
                 measure in this clip or in what this pipeline made of it",
                table.size.0, table.size.1, whole.0, whole.1
            ))
        };
    };
    if table.size == (clip.width, clip.height) {
        return Ok([0.0; 2]);
    }
    if table.size == cut.of {
        return Ok(cut.origin.map(|v| v as f64));
    }
    Err(format!(
        "motion was measured in pictures of {}x{} px, but the finished frames have {}x{} px and \
         the clip's {}x{}: measure in this clip or in what this pipeline made of it",
        table.size.0, table.size.1, clip.width, clip.height, cut.of.0, cut.of.1
    ))
}

/// Whole pixels around places, inside a frame; `None` where they lie outside it.
fn around<'a>(
    places: impl Iterator<Item = &'a [f64; 2]>,
    reach: f64,
    size: (usize, usize),
) -> Option<Area> {
    let mut span = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
    for p in places {
        span = [span[0].min(p[0]), span[1].min(p[1]), span[2].max(p[0]), span[3].max(p[1])];
    }
    let low = |v: f64, all: usize| floor_usize((v - reach).max(0.0)).min(all);
    let high = |v: f64, all: usize| round_usize((v + reach).ceil().max(0.0)).min(all);
    let area = Area {
        x0: low(span[0], size.0),
        y0: low(span[1], size.1),
        x1: high(span[2], size.0),
        y1: high(span[3], size.1),
    };
    (area.width() > 0 && area.height() > 0).then_some(area)
}

fn masks(area: Area) -> (Mask, Mask) {
    let new = || Mask::new(area.width(), area.height());
    (new(), new())
}

/// A displacement with its unit.
fn figure(v: f64, unit: &str) -> String {
    format!("{}{NBSP}{unit}", displacement(v))
}

impl Stage for Motion {
    fn name(&self) -> &'static str {
        NAME
    }

    fn apply(&self, frame: &mut Frame, at: &Moment, _notes: &mut Notes) -> Result<(), StageError> {
        let refused = |e: LabelError| StageError::Refused { stage: NAME, why: e.to_string() };
        let Some((now, between)) = self.row_at(at) else { return Ok(()) };
        let here = (now, between.as_ref());
        if self.path {
            self.draw_path(here, frame).map_err(refused)?;
        }
        if let Some(graph) = &self.graph {
            self.draw_graph(graph, here, frame).map_err(refused)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::super::Cut;
    use super::super::label_tests::{FRAMES, agrees_with_doc, apply_at, clip, sized};
    use super::*;
    use crate::labels::figures::MINUS;
    use crate::labels::panel::{self, Row};

    /// A part that goes right by a pixel a frame from 100, 80, in frames 10 to 29, lost in 20.
    fn table(size: (usize, usize)) -> MotionTable {
        let row = |k: u64| MotionRow {
            frame: 10 + k,
            time_s: k as f64 * 1e-3,
            found: (k != 10).then_some(([k as f64, 0.0], 2.0 * k as f64)),
        };
        MotionTable { middle: [100.0, 80.0], size, unit: "px", rows: (0..20).map(row).collect() }
    }

    fn with(size: (usize, usize), table: MotionTable) -> ClipInfo {
        ClipInfo { motion: Some(Arc::new(table)), last_frame: 29, ..sized(size.0, size.1) }
    }

    fn only_path() -> MotionSettings {
        MotionSettings { graph: false, ..MotionSettings::default() }
    }

    fn changed(clip: &ClipInfo, stage: &Motion, frame: u64) -> Vec<(usize, usize, f32)> {
        let picture = apply_at(stage, clip, 1000.0, frame);
        let p = &picture.planes[0];
        let all = (0..clip.height).flat_map(|y| (0..clip.width).map(move |x| (x, y)));
        let off = |&(x, y): &(usize, usize)| (p.at(x, y) - 1000.0).abs() > 1.0;
        all.filter(off).map(|(x, y)| (x, y, p.at(x, y))).collect()
    }

    #[test]
    fn the_path_lies_where_the_part_was() {
        let size = (640, 400);
        let clip = with(size, table(size));
        let stage = Motion::new(&only_path(), &clip).unwrap();
        let bright = |frame| -> Vec<f64> {
            let lit = changed(&clip, &stage, frame).into_iter().filter(|c| c.2 > 2000.0);
            lit.map(|c| c.0 as f64).collect()
        };
        // Pixel 100 at first; at the fifth frame up to 104 and the dot's radius of 2.5 px.
        let first = bright(10);
        let middle = first.iter().sum::<f64>() / first.len() as f64;
        assert!((middle - 100.0).abs() < 1e-9, "{middle}");
        let ends = |v: &[f64]| v.iter().fold((f64::MAX, 0.0_f64), |e, &x| (e.0.min(x), e.1.max(x)));
        let (low, high) = ends(&bright(14));
        assert!((99.0..=100.0).contains(&low) && (106.0..=107.0).contains(&high), "{low} {high}");
        // Lost in frame 20: the path stays, the dot is gone; 23 has two runs.
        assert_eq!(stage.runs(10, None).len(), 1);
        assert_eq!(stage.runs(13, None).len(), 2);
        assert!(ends(&bright(20)).1 < 111.0);
        // A short tail forgets the beginning.
        let short = MotionSettings { tail: 2, ..only_path() };
        let stage = Motion::new(&short, &clip).unwrap();
        assert_eq!(stage.runs(5, None), [[[104.5, 80.5], [105.5, 80.5]]]);
    }

    #[test]
    fn combined_frames_show_the_part_at_the_pictures_time() {
        let size = (640, 400);
        let clip = with(size, table(size));
        let stage = Motion::new(&only_path(), &clip).unwrap();
        let at = |frame, past| {
            let moment = Moment { frame, past, time_s: None };
            let (now, between) = stage.row_at(&moment)?;
            stage.runs(now, between.as_ref()).last().and_then(|r| r.last()).copied()
        };
        // Eight frames in one are shown 3.5 frames after the first of them.
        assert_eq!(at(10, 3_500_000), Some([104.0, 80.5]));
        assert_eq!(at(10, 0), Some([100.5, 80.5]));
        assert_eq!(at(10, 2_000_000), Some([102.5, 80.5]));
        // The part is lost in frame 20: nothing lies between it and 19. Frame 9 is not in the table.
        assert_eq!(at(18, 1_500_000), Some([109.5, 80.5]));
        assert_eq!(at(9, 0), None);
        // Beyond the last row.
        assert_eq!(at(28, 1_500_000), Some([119.5, 80.5]));
    }

    #[test]
    fn whole_frames_are_moved_by_the_cut() {
        let cut = Some(Cut { origin: [30, 20], of: (700, 440) });
        let clip = ClipInfo { cut, ..with((640, 400), table((700, 440))) };
        let stage = Motion::new(&only_path(), &clip).unwrap();
        assert_eq!(stage.runs(0, None), [[[70.5, 60.5]]]);
        let same = ClipInfo { cut, ..with((640, 400), table((640, 400))) };
        assert_eq!(Motion::new(&only_path(), &same).unwrap().runs(0, None), [[[100.5, 80.5]]]);
        let other = ClipInfo { cut, ..with((640, 400), table((320, 200))) };
        let text = Motion::new(&only_path(), &other).unwrap_err().to_string();
        assert!(text.contains("320x200") && text.contains("640x400"), "{text}");
    }

    #[test]
    fn the_graph_grows_and_stays_in_its_corner() {
        for &(width, height) in FRAMES {
            let clip = with((width, height), table((width, height)));
            let settings = MotionSettings { path: false, ..MotionSettings::default() };
            let Ok(stage) = Motion::new(&settings, &clip) else {
                assert!(width.min(height) <= 160, "{width}x{height} has room");
                continue;
            };
            let zone = stage.graph.as_ref().unwrap().area;
            let ink = |frame| changed(&clip, &stage, frame).iter().filter(|c| c.2 > 2000.0).count();
            for (x, y, _) in changed(&clip, &stage, 29) {
                assert!((zone.x0..zone.x1).contains(&x) && (zone.y0..zone.y1).contains(&y));
            }
            assert!(ink(28) > ink(12), "{width}x{height}");
            // A clock is left of it.
            let (canvas, clock) =
                (Canvas { width, height }, [vec![Row::second("\u{2212}888.8 ms")]]);
            let face = Face::load().unwrap();
            let corner = Corner::UpperLeft;
            let panel = panel::lines(&face, canvas, corner, &clock, 3.9, Digits::Cells).unwrap();
            assert!(panel.area.x1 <= zone.x0, "{width}x{height}: over the clock");
        }
    }

    #[test]
    fn frames_outside_the_table_are_left_alone_and_said() {
        let size = (640, 400);
        let clip = with(size, table(size));
        let stage = Motion::new(&MotionSettings::default(), &clip).unwrap();
        assert!(changed(&clip, &stage, 5).is_empty());
        let warning = stage.warning().unwrap();
        assert!(warning.text.contains("20 of the clip's 30 frames"), "{}", warning.text);
        let whole = ClipInfo { first_frame: 10, ..clip.clone() };
        assert_eq!(Motion::new(&MotionSettings::default(), &whole).unwrap().warning(), None);
        let apart = ClipInfo { first_frame: 100, last_frame: 200, ..clip };
        let text = Motion::new(&MotionSettings::default(), &apart).unwrap_err().to_string();
        assert!(text.contains("frames 10 to 29, the clip 100 to 200"), "{text}");
    }

    #[test]
    fn what_is_missing_is_said() {
        let text = Motion::new(&MotionSettings::default(), &clip()).unwrap_err().to_string();
        assert!(text.contains("run measure first") && text.contains("--motion"), "{text}");
        let size = (640, 400);
        let clip = with(size, table(size));
        let refused = |s: MotionSettings| Motion::new(&s, &clip).unwrap_err().to_string();
        assert!(refused(MotionSettings { tail: 0, ..MotionSettings::default() }).contains("tail"));
        assert!(refused(MotionSettings { path: false, ..only_path() }).contains("both false"));
        assert_eq!(figure(-0.001, "px"), format!("0.00{NBSP}px"));
        assert_eq!(figure(-12.34, "px"), format!("{MINUS}12.3{NBSP}px"));
    }

    #[test]
    fn doc_and_default_agree() {
        agrees_with_doc(&MotionSettings::default(), &DOC);
    }
}
