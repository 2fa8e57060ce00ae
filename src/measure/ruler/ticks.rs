//! The ticks of a rule: where they are found, and whether it is a rule at all.

use super::cells::{PhaseFit, refine};
use super::span::span;
use super::strips::{Strips, Turned, direction};
use crate::frame::Plane;
use crate::measure::MeasureError;
use crate::optics::rectangular_sigma;

/// Least explained energy of the best strip.
pub const EXPLAINED: f64 = 0.93;
/// The same where many periods are in step: what is no rule explains less the more there are. Ticks
/// in brushed metal, a rule that fills a part of a strip. Ten photographs: 15 % at the most.
pub const EXPLAINED_BY_MANY: f64 = 0.85;
/// Periods that are many.
const MANY: f64 = 16.0;
/// Largest phase slip with [`EXPLAINED_BY_MANY`], in cycles.
const SLIP_OF_MANY: f64 = 0.01;
/// The same for twice as many: noise or blur leaves little of fine ticks, but nothing else keeps in
/// step for so long.
const EXPLAINED_BY_MOST: f64 = 0.6;
const SLIP_OF_MOST: f64 = 0.02;
/// Largest phase slip between the halves of the best strip, in cycles.
pub const SLIP: f64 = 0.03;
/// Least number of periods.
pub const PERIODS: f64 = 8.0;
/// Least side of a picture, in pixels.
const LEAST_SIDE: usize = 48;
/// Change of the pitch across the picture that is warned of, relative.
const UNEVEN: f64 = 1e-3;

/// Ticks found in a picture.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Ticks {
    /// Pixels from tick to tick, at the picture's centre.
    pub pitch_px: f64,
    /// Its relative standard uncertainty, without the rule's tolerance.
    pub relative: f64,
    /// Direction from tick to tick in degrees: 0 along the rows, positive clockwise on screen.
    pub angle_deg: f64,
    /// Periods that were seen in the best strip.
    pub periods: f64,
    /// Strips that support the pitch.
    pub strips: usize,
    /// Explained energy of the best strip, 0 to 1.
    pub explained: f64,
    /// Phase slip between the halves of the best strip, in cycles.
    pub slip: f64,
    /// Relative change of the pitch over the picture along the rule, and across it.
    pub change: [f64; 2],
    /// Relative change of the pitch from the middle to the ends.
    pub curvature: f64,
    /// Phase at the picture's centre in cycles: ticks lie where phase + position / pitch is whole.
    pub phase: f64,
    /// From where to where the ticks reach, in pixels from the centre square to the rule.
    pub reach: [f64; 2],
    /// The part that was measured along the rule, in pixels from the centre; `None`: all of it, no
    /// end of the rule is seen.
    pub span: Option<[f64; 2]>,
    /// Both ends of that part in the picture, x and y in px.
    pub part: Option<[[f64; 2]; 2]>,
    /// What to know of the result.
    #[serde(skip)]
    pub warnings: Vec<String>,
}

/// Finds the ticks of a rule.
///
/// # Errors
/// [`MeasureError::Refused`] where the picture is no rule, with what speaks against it.
pub fn find_ticks(picture: &Plane) -> Result<Ticks, MeasureError> {
    find(picture, "picture")
}

/// The same, of what is called `what`.
pub(super) fn find(picture: &Plane, what: &str) -> Result<Ticks, MeasureError> {
    let (w, h) = (picture.width(), picture.height());
    if w.min(h) < LEAST_SIDE {
        return Err(MeasureError::input(
            format!("the {what} has {w}x{h} pixels"),
            format!("give one of at least {LEAST_SIDE} pixels on each side"),
        ));
    }
    if !picture.data().iter().all(|v| v.is_finite()) {
        return Err(MeasureError::input(
            format!("the {what} has values that are no numbers"),
            "repair it",
        ));
    }
    let angle = direction(picture);
    // Lines along the rule (its edge, a base line) can outweigh the ticks: then it is the other.
    let first = along(picture, angle);
    let second = along(picture, angle + std::f64::consts::FRAC_PI_2);
    match (first, second) {
        (Ok(mut ticks), Ok(crossing)) => {
            if (crossing.pitch_px / ticks.pitch_px - 1.0).abs() < SQUARE {
                ticks.warnings.push(
                    "lines cross at even distances both ways: in a grid or a chess pattern the diagonals \
                     have a period of their own, sqrt(2) shorter or longer; see in the annotated picture \
                     which one was found"
                        .to_owned(),
                );
            }
            Ok(ticks)
        }
        (Err(_), Ok(ticks)) | (Ok(ticks), Err(_)) => Ok(ticks),
        (Err(why), Err(_)) => Err(why),
    }
}

/// Relative difference up to which crossing lines are as far apart.
const SQUARE: f64 = 0.05;

fn refused(what: &str) -> MeasureError {
    MeasureError::refused(
        format!("not a rule: {what}"),
        "name the part that shows the ticks (--region; best where they run through its whole width), \
         frame them larger, sharper and evenly lit, or give two points by hand (--from, --to, \
         --length)",
    )
}

/// Finds ticks that follow each other in the direction `angle` (radians).
fn along(picture: &Plane, angle: f64) -> Result<Ticks, MeasureError> {
    let rows = Strips::new(picture, angle, None);
    let Some(mut pitch) = rows.pitch() else {
        return Err(refused("no two strips along the ticks share a period"));
    };
    let part = span(&rows, &pitch);
    if part.is_some()
        && let Some(again) = Strips::new(picture, angle, part).pitch()
    {
        pitch = again;
    }
    let fit = refine(picture, angle, &pitch, part)
        .ok_or_else(|| refused("the ticks' phases do not line up"))?;
    let turned = libm::atan2(fit.frequency[1], fit.frequency[0]);
    let frequency = libm::hypot(fit.frequency[0], fit.frequency[1]);
    let straight = Strips::new(picture, turned, part);
    let test =
        straight.test(frequency, pitch.reach).ok_or_else(|| refused("no strip can be fitted"))?;
    if test.periods < PERIODS {
        return Err(refused(&format!("only {:.1} periods, wanted {PERIODS}", test.periods)));
    }
    let wanted = match test.periods {
        n if n >= 2.0 * MANY && test.slip <= SLIP_OF_MOST => EXPLAINED_BY_MOST,
        n if n >= MANY && test.slip <= SLIP_OF_MANY => EXPLAINED_BY_MANY,
        _ => EXPLAINED,
    };
    if test.explained < wanted {
        return Err(refused(&format!(
            "even ticks explain {:.1} % of the best strip, wanted {:.0} %",
            100.0 * test.explained,
            100.0 * wanted
        )));
    }
    if test.slip > SLIP {
        return Err(refused(&format!(
            "its halves are out of step by {:.3} cycles, allowed {SLIP}",
            test.slip
        )));
    }
    // Ticks are narrower than gaps: where the profile is skewed down they are dark.
    let dark = if test.skew < 0.0 { 0.5 } else { 0.0 };
    let mut ticks = Ticks {
        pitch_px: 1.0 / frequency,
        relative: libm::hypot(fit.relative, fit.uneven()),
        angle_deg: turned.to_degrees(),
        periods: test.periods,
        strips: pitch.support,
        explained: test.explained,
        slip: test.slip,
        change: fit.change,
        curvature: fit.curvature,
        phase: fit.phase + dark,
        reach: pitch.reach,
        span: part,
        part: part.map(|ends| {
            let v = 0.5 * (pitch.reach[0] + pitch.reach[1]);
            ends.map(|u| Turned::new(picture, turned).place([u, v]))
        }),
        warnings: Vec::new(),
    };
    ticks.warnings = warnings(&ticks, &fit);
    Ok(ticks)
}

fn warnings(ticks: &Ticks, fit: &PhaseFit) -> Vec<String> {
    let mut out = Vec::new();
    let percent = |x: f64| format!("{:.2} %", 100.0 * x.abs());
    let [along, across] = ticks.change;
    if along.abs() > UNEVEN && fit.significant[0] {
        out.push(format!(
            "the pitch changes by {} along the rule: it is tilted, or not in the middle of a lens \
             that distorts",
            percent(along)
        ));
    }
    if across.abs() > UNEVEN && fit.significant[1] {
        out.push(format!(
            "the pitch changes by {} across the rule: the ticks run together, the rule or camera \
             is tilted",
            percent(across)
        ));
    }
    if ticks.curvature.abs() > UNEVEN && fit.significant[2] {
        out.push(format!(
            "the pitch differs by {} between middle and ends: the lens distorts, the scale holds \
             for the middle",
            percent(ticks.curvature)
        ));
    }
    if ticks.pitch_px < 4.0 {
        out.push(format!(
            "ticks are only {:.2} px apart: take care that they are not a coarse pattern of finer \
             ones",
            ticks.pitch_px
        ));
    }
    out
}

impl PhaseFit {
    /// What an uneven pitch adds to the relative uncertainty: half its range, rectangular.
    fn uneven(&self) -> f64 {
        let [along, across] = self.change;
        let parts = [along, across, self.curvature];
        let shown = parts.iter().zip(self.significant).filter(|(c, s)| *s && c.abs() > UNEVEN);
        let range: f64 = shown.map(|(c, _)| c.abs()).sum();
        rectangular_sigma(0.5 * range)
    }
}
