//! Fills defective pixels from their neighbours of the same colour, along edges rather than
//! across them.
//!
//! Model: a defect has four opposite pairs of neighbours `(a, b)`: along, across and two
//! diagonals; one pixel away in mono and RGB and for the green of a mosaic's diagonals, else two.
//! Of these the two pairs with the least `|a - b|` count, each with weight `1 / (|a - b| + f)`,
//! where `f = sqrt(2) sigma` is the difference noise alone makes (noise model where known, else
//! 1.4 DN). Clusters are filled from the rim inwards. A pixel without a whole pair takes the median
//! of its good neighbours.
//! Order: after dark (and flat, so that neighbours compare), before anything that moves pixels.
//! Flaws: pairs with a saturated or missing pixel are not used; where nothing else is left the
//! pixel is marked as those are. A filled pixel is no longer marked. Edges: fewer pairs.
//! Cost: a few dozen operations a defect and frame, nothing for good pixels. Memory: about 200
//! bytes a defect. Source: directional averaging is common practice, no source.
//! Limits: which pixels are defective comes from the references; what changes from frame to frame
//! is not looked for here, a spatial test alone would take highlights for defects.

use serde::{Deserialize, Serialize};

use crate::frame::convert::{index_in, signed, to_f32};
use crate::frame::{Domain, Flaw, Frame, Layout, NoiseModel};
use crate::record::Notes;
use crate::sensor::DefectMap;
use crate::stages::{ClipInfo, Moment, Realm, SettingDoc, Stage, StageDoc, StageError};

const NAME: &str = "defects";

/// Variance in DN^2 that is assumed where no noise model is known.
const DEFAULT_VARIANCE: f32 = 1.0;

/// Neighbours in one direction and the opposite one, in pixels: pairs follow each other.
type Ring = [(isize, isize); 8];
const NEAR: Ring = [(-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (1, 1), (1, -1), (-1, 1)];
const FAR: Ring = [(-2, 0), (2, 0), (0, -2), (0, 2), (-2, -2), (2, 2), (2, -2), (-2, 2)];
const GREEN: Ring = [(-2, 0), (2, 0), (0, -2), (0, 2), (-1, -1), (1, 1), (1, -1), (-1, 1)];

/// How people see the stage.
pub const DOC: StageDoc = StageDoc {
    name: NAME,
    summary: "fills hot, blinking, dead and odd pixels from their neighbours",
    takes: &[Realm::Sensor],
    gives: None,
    settings: &[SettingDoc {
        name: "most_share",
        unit: "share of the pixels",
        range: "0 to 0.5",
        default: "0.05",
        meaning: "more defects than this are refused: the references are wrong then",
    }],
};

/// Settings of the stage.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DefectsSettings {
    /// Largest share of defective pixels: 0 to 0.5, default 0.05.
    pub most_share: f64,
}

impl Default for DefectsSettings {
    fn default() -> Self {
        Self { most_share: 0.05 }
    }
}

/// How one pixel is filled: whole pairs, or else the neighbours that are there.
#[derive(Debug, Clone)]
struct Repair {
    at: usize,
    pairs: Vec<(usize, usize)>,
    singles: Vec<usize>,
}

/// The built stage.
#[derive(Debug, Clone)]
pub struct Defects {
    size: (usize, usize),
    layout: Layout,
    /// In the order in which they must be filled, for each plane.
    repairs: Vec<Vec<Repair>>,
    noise: (f32, f32),
}

impl Defects {
    /// Plans the repair of every pixel that any of `maps` (from the dark, from the flat) marks.
    ///
    /// # Errors
    /// [`StageError::Mismatch`] for a map of another size, [`StageError::BadSetting`] for a share
    /// outside its range, [`StageError::Refused`] for more defects than that.
    pub fn new(
        settings: DefectsSettings,
        clip: &ClipInfo,
        maps: &[&DefectMap],
    ) -> Result<Self, StageError> {
        let most = settings.most_share;
        if !(0.0..=0.5).contains(&most) {
            return Err(StageError::BadSetting {
                stage: NAME,
                setting: "most_share",
                found: most.to_string(),
                expected: "a share from 0 to 0.5",
            });
        }
        if matches!(clip.layout, Layout::Sites(_)) {
            return Err(StageError::Refused {
                stage: NAME,
                why: "the mosaic is taken apart already: put defects before that".to_owned(),
            });
        }
        let mut all = DefectMap::new(clip.width, clip.height, clip.layout.planes());
        for map in maps {
            if !all.merge(map) {
                return Err(StageError::Mismatch {
                    stage: NAME,
                    what: "a reference's defect map".to_owned(),
                    found: format!("{}x{}, {} planes", map.width(), map.height(), map.planes()),
                    expected: format!("{}x{}, {:?}", clip.width, clip.height, clip.layout),
                    advice: "take the references with the same crop and mode",
                });
            }
        }
        let pixels = clip.width * clip.height * clip.layout.planes();
        let share = all.counts().any as f64 / (pixels as f64).max(1.0);
        if share > most {
            return Err(StageError::Refused {
                stage: NAME,
                why: format!(
                    "{:.1} % of the pixels are called defective, more than {:.1} %: see that no \
                     light got into the darks and that the flats were even",
                    100.0 * share,
                    100.0 * most
                ),
            });
        }
        let repairs = (0..all.planes()).map(|p| plan(all.bits(p), clip)).collect();
        let noise = clip.noise.as_ref().map_or((0.0, DEFAULT_VARIANCE), NoiseModel::coefficients);
        Ok(Self { size: (clip.width, clip.height), layout: clip.layout, repairs, noise })
    }

    /// Number of pixels that are filled in every frame.
    #[must_use]
    pub fn count(&self) -> usize {
        self.repairs.iter().map(Vec::len).sum()
    }
}

impl Stage for Defects {
    fn name(&self) -> &'static str {
        NAME
    }

    fn apply(&self, frame: &mut Frame, _at: &Moment, notes: &mut Notes) -> Result<(), StageError> {
        if frame.domain != Domain::Linear {
            return Err(StageError::Refused {
                stage: NAME,
                why: "the frame is not linear light above black: put dark before defects"
                    .to_owned(),
            });
        }
        if (frame.width(), frame.height()) != self.size || frame.layout != self.layout {
            return Err(StageError::Mismatch {
                stage: NAME,
                what: "the frame".to_owned(),
                found: format!("{}x{}, {:?}", frame.width(), frame.height(), frame.layout),
                expected: format!("{}x{}, {:?}", self.size.0, self.size.1, self.layout),
                advice: "see that the folder holds one clip only",
            });
        }
        let mut unfilled = 0_usize;
        for (p, repairs) in self.repairs.iter().enumerate() {
            for repair in repairs {
                let flaws = frame.flaws_of(p);
                let marked = flaws.is_some();
                let filled = fill(repair, frame.planes[p].data(), flaws, self.noise);
                match filled {
                    Ok(value) => {
                        frame.planes[p].data_mut()[repair.at] = value;
                        if marked {
                            frame.flaws_mut(p)[repair.at] = Flaw::None;
                        }
                    }
                    Err(flaw) => {
                        unfilled += 1;
                        frame.flaws_mut(p)[repair.at] = flaw;
                    }
                }
            }
        }
        if unfilled > 0 {
            notes.measure("defects_unfilled", unfilled as f64);
        }
        Ok(())
    }
}

/// The order of repair: those with a whole pair of good neighbours, then those that have one now,
/// and so on; where none has, those with any good neighbour.
fn plan(bits: &[u8], clip: &ClipInfo) -> Vec<Repair> {
    let mut good: Vec<bool> = bits.iter().map(|&b| b == 0).collect();
    let mut pending: Vec<usize> = (0..bits.len()).filter(|&i| !good[i]).collect();
    let mut order = Vec::with_capacity(pending.len());
    while !pending.is_empty() {
        let options: Vec<Repair> = pending.iter().map(|&at| repair_of(at, &good, clip)).collect();
        let paired = options.iter().any(|r| !r.pairs.is_empty());
        let rim = options.iter().any(|r| !r.singles.is_empty());
        let now = |r: &Repair| {
            if paired { !r.pairs.is_empty() } else { !rim || !r.singles.is_empty() }
        };
        let (layer, rest): (Vec<Repair>, Vec<Repair>) = options.into_iter().partition(now);
        for r in &layer {
            good[r.at] = true;
        }
        order.extend(layer);
        pending = rest.into_iter().map(|r| r.at).collect();
    }
    order
}

fn ring(layout: Layout, x: usize, y: usize) -> Ring {
    match layout {
        Layout::Mosaic(m) if m.colour(x, y) == 1 => GREEN,
        Layout::Mosaic(_) => FAR,
        _ => NEAR,
    }
}

fn repair_of(at: usize, good: &[bool], clip: &ClipInfo) -> Repair {
    let (x, y) = (at % clip.width, at / clip.width);
    let place = |(dx, dy): (isize, isize)| {
        let px = index_in(signed(x) + dx, clip.width)?;
        let py = index_in(signed(y) + dy, clip.height)?;
        let i = py * clip.width + px;
        good[i].then_some(i)
    };
    let around = ring(clip.layout, x, y);
    let pairs = around.chunks_exact(2).filter_map(|p| Some((place(p[0])?, place(p[1])?))).collect();
    let singles = around.iter().filter_map(|&d| place(d)).collect();
    Repair { at, pairs, singles }
}

/// The value of a defect, or the flaw it is left with; `noise` is slope and intercept of variance.
fn fill(
    repair: &Repair,
    data: &[f32],
    flaws: Option<&[Flaw]>,
    noise: (f32, f32),
) -> Result<f32, Flaw> {
    let sound = |i: usize| flaws.is_none_or(|f| f[i] == Flaw::None);
    // Least and second least difference: (difference, mean).
    let mut best = [(f32::INFINITY, 0.0_f32); 2];
    for &(i, j) in repair.pairs.iter().filter(|p| sound(p.0) && sound(p.1)) {
        let (a, b) = (data[i], data[j]);
        let this = ((a - b).abs(), 0.5 * (a + b));
        if this.0 < best[0].0 {
            best = [this, best[0]];
        } else if this.0 < best[1].0 {
            best[1] = this;
        }
    }
    if best[0].0.is_finite() {
        if !best[1].0.is_finite() {
            return Ok(best[0].1);
        }
        let level = best[0].1.max(0.0);
        let floor = (2.0 * (level * noise.0 + noise.1)).sqrt().max(f32::MIN_POSITIVE);
        let weights = best.map(|(d, _)| 1.0 / (d + floor));
        return Ok((weights[0] * best[0].1 + weights[1] * best[1].1) / (weights[0] + weights[1]));
    }
    let mut values: Vec<f32> =
        repair.singles.iter().filter(|&&i| sound(i)).map(|&i| data[i]).collect();
    if values.is_empty() {
        let full = |i: &usize| flaws.is_some_and(|f| f[*i] == Flaw::Saturated);
        let saturated = repair.singles.iter().any(full);
        return Err(if saturated { Flaw::Saturated } else { Flaw::Missing });
    }
    values.sort_unstable_by(f32::total_cmp);
    let n = values.len();
    Ok(to_f32((f64::from(values[(n - 1) / 2]) + f64::from(values[n / 2])) / 2.0))
}

#[cfg(test)]
mod tests {
    use super::super::label_tests::bare;
    use super::*;
    use crate::frame::{Mosaic, Plane};
    use crate::sensor::DefectKind;

    fn clip(width: usize, height: usize, layout: Layout) -> ClipInfo {
        bare((width, height), layout, (0.0, 4_095.0))
    }

    const AT: Moment = Moment { frame: 0, past: 0, time_s: None };

    /// `frame` with the pixels of `bad` (plane, x, y) spoilt, marked and repaired.
    fn repaired(mut frame: Frame, bad: &[(usize, usize, usize)]) -> Frame {
        let (w, h) = (frame.width(), frame.height());
        let mut map = DefectMap::new(w, h, frame.planes.len());
        for &(p, x, y) in bad {
            map.mark(p, y * w + x, DefectKind::Hot);
            frame.planes[p].set(x, y, 60_000.0);
        }
        let settings = DefectsSettings { most_share: 0.5 };
        let stage = Defects::new(settings, &clip(w, h, frame.layout), &[&map]).unwrap();
        assert_eq!(stage.count(), bad.len());
        stage.apply(&mut frame, &AT, &mut Notes::default()).unwrap();
        frame
    }

    #[test]
    fn an_edge_is_followed_by_hand() {
        // Left of x = 3 it is 0, from there on 100: the defect on the edge's bright side has a
        // vertical pair (100, 100) and a horizontal one (0, 100).
        let plane = Plane::from_fn(6, 5, |x, _| if x < 3 { 0.0 } else { 100.0 });
        let out = repaired(Frame::mono(plane), &[(0, 3, 2)]);
        // Best: vertical, difference 0, weight 1 / 1.414; next: any with difference 100 and mean 50,
        // weight 1 / 101.4. (70.71 + 0.493) / (0.7071 + 0.00986) = 99.31.
        assert!((out.planes[0].at(3, 2) - 99.31).abs() < 0.01, "{}", out.planes[0].at(3, 2));
    }

    #[test]
    fn slopes_come_back_exactly_in_every_layout() {
        let slope = |w, h, k: f32| {
            Plane::from_fn(w, h, |x, y| {
                k + 3.0 * f32::from(u8::try_from(x).unwrap())
                    - 2.0 * f32::from(u8::try_from(y).unwrap())
            })
        };
        let check = |frame: Frame, bad: &[(usize, usize, usize)]| {
            let out = repaired(frame.clone(), bad);
            for (a, b) in frame.planes.iter().zip(&out.planes) {
                for (x, y) in a.data().iter().zip(b.data()) {
                    assert!((x - y).abs() < 1e-3, "{x} {y} {:?}", frame.layout);
                }
            }
        };
        check(Frame::mono(slope(12, 9, 50.0)), &[(0, 5, 4), (0, 9, 2)]);
        let rgb = Frame {
            planes: vec![slope(12, 9, 50.0), slope(12, 9, 500.0), slope(12, 9, 5.0)],
            layout: Layout::Rgb,
            ..Frame::mono(Plane::default())
        };
        check(rgb, &[(0, 5, 4), (1, 5, 4), (2, 3, 3)]);
        // Colours 1000 DN apart: a neighbour of another colour would be seen at once.
        for mosaic in [Mosaic::Rggb, Mosaic::Gbrg] {
            let mut plane = slope(14, 12, 50.0);
            for y in 0..12 {
                for x in 0..14 {
                    let v = plane.at(x, y) + 1_000.0 * [0.0, 1.0, 2.0][mosaic.colour(x, y)];
                    plane.set(x, y, v);
                }
            }
            let frame = Frame { layout: Layout::Mosaic(mosaic), ..Frame::mono(plane) };
            check(frame, &[(0, 5, 4), (0, 6, 4), (0, 9, 7), (0, 2, 9)]);
        }
    }

    #[test]
    fn clusters_are_filled_from_the_rim_and_corners_from_what_is_there() {
        let frame = Frame::mono(Plane::filled(9, 9, 40.0));
        let cluster: Vec<_> = (3..6)
            .flat_map(|y| (3..6).map(move |x| (0, x, y)))
            .chain([(0, 0, 0), (0, 8, 4)])
            .collect();
        let out = repaired(frame, &cluster);
        assert!(out.planes[0].data().iter().all(|v| (v - 40.0).abs() < 1e-4));
        assert!(out.flaws.is_empty());
    }

    #[test]
    fn saturated_neighbours_do_not_lend_their_value() {
        let mut map = DefectMap::new(5, 5, 1);
        map.mark(0, 12, DefectKind::Dead);
        let info = clip(5, 5, Layout::Mono);
        let stage = Defects::new(DefectsSettings::default(), &info, &[&map]).unwrap();
        let mut frame = Frame::mono(Plane::filled(5, 5, 10.0));
        frame.planes[0].set(2, 1, 4_095.0);
        frame.planes[0].set(2, 2, 4_095.0);
        frame.flaws_mut(0)[7] = Flaw::Saturated;
        frame.flaws_mut(0)[12] = Flaw::Saturated;
        let mut other = frame.clone();
        stage.apply(&mut frame, &AT, &mut Notes::default()).unwrap();
        assert!((frame.planes[0].at(2, 2) - 10.0).abs() < 1e-4);
        assert_eq!(frame.flaws[0][12], Flaw::None);
        // With every neighbour full the pixel is full too.
        other.flaws_mut(0).fill(Flaw::Saturated);
        let mut notes = Notes::default();
        stage.apply(&mut other, &AT, &mut notes).unwrap();
        assert_eq!(other.flaws[0][12], Flaw::Saturated);
        assert!((notes.measures["defects_unfilled"] - 1.0).abs() < 1e-12);
    }

    #[test]
    fn no_defects_change_nothing_and_too_many_are_refused() {
        let frame =
            Frame::mono(Plane::from_fn(8, 8, |x, y| if (x + y) % 3 == 0 { 900.0 } else { -3.0 }));
        assert_eq!(repaired(frame.clone(), &[]), frame);
        let mut map = DefectMap::new(4, 4, 1);
        (0..4).for_each(|i| map.mark(0, i, DefectKind::Hot));
        let info = clip(4, 4, Layout::Mono);
        let settings = DefectsSettings::default();
        let text = Defects::new(settings, &info, &[&map]).unwrap_err().to_string();
        assert!(text.contains("25.0 %") && text.contains("5.0 %"), "{text}");
        let wide = clip(5, 4, Layout::Mono);
        let text = Defects::new(settings, &wide, &[&map]).unwrap_err().to_string();
        assert!(text.contains("4x4") && text.contains("5x4"), "{text}");
        // Nothing but defects: nothing to fill from, no endless loop.
        let mut map = DefectMap::new(2, 1, 1);
        map.mark(0, 0, DefectKind::Hot);
        let info = clip(2, 1, Layout::Mono);
        let stage = Defects::new(DefectsSettings { most_share: 0.5 }, &info, &[&map]).unwrap();
        let mut tiny = Frame::mono(Plane::filled(2, 1, 7.0));
        tiny.planes[0].set(0, 0, 99.0);
        stage.apply(&mut tiny, &AT, &mut Notes::default()).unwrap();
        assert!((tiny.planes[0].at(0, 0) - 7.0).abs() < 1e-6);
    }
}
