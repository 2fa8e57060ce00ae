//! Plots as SVG: axes with round steps, curves, bands, marks. No fonts or scripts are embedded.

use std::fmt::Write as _;

use maud::{Markup, html};

use super::moved::MotionReport;
use crate::footage::printable;
use crate::measure::Series;

/// Width of the drawing, of its margins, and height of a panel with its gap, in px.
const WIDTH: f64 = 960.0;
const LEFT: f64 = 84.0;
const RIGHT: f64 = 20.0;
const PANEL: f64 = 260.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 46.0;
/// Ink: of axes and text, samples, fit, marks. Told apart by lightness as well as by hue.
const INK: &str = "#222222";
const GRID: &str = "#dddddd";
const SAMPLES: &str = "#1f5fa8";
const BAND: &str = "#b9d0ea";
const FIT: &str = "#d4621a";
const MARK: &str = "#6a3d9a";
/// Points of a fitted curve.
const FINE: u32 = 1200;

/// A curve with the half-width of its band at each point (0: none).
struct Curve {
    points: Vec<[f64; 3]>,
    colour: &'static str,
    dots: bool,
}

/// A panel: a title, labels of the axes, curves, marked times.
struct Panel {
    title: String,
    x: &'static str,
    y: String,
    curves: Vec<Curve>,
    marks: Vec<(f64, &'static str)>,
}

/// Displacement with its fit and events, and speed.
pub(super) fn motion(report: &MotionReport, series: &Series) -> Markup {
    let (factor, unit) = match &report.on_object {
        Some(s) => (s.um_per_px, "\u{b5}m"),
        None => (1.0, "px"),
    };
    let (speed, speed_unit) = match &report.on_object {
        Some(s) => (s.um_per_px * 1e-3, "mm/s"),
        None => (1.0, "px/s"),
    };
    let samples = series.samples();
    let mut place = Panel {
        title: format!(
            "{}: displacement along {:.1}\u{b0} (0 right, 90 down), band \u{b1}2 standard \
             uncertainties",
            printable(&report.clip),
            report.direction_deg
        ),
        x: "time from the trigger, ms",
        y: format!("displacement, {unit}"),
        curves: vec![Curve {
            points: samples
                .iter()
                .map(|s| [1e3 * s.time_s, factor * s.value, 2.0 * factor * s.sigma])
                .collect(),
            colour: SAMPLES,
            dots: true,
        }],
        marks: Vec::new(),
    };
    if let Some(ring) = report.told.ring_down.found() {
        let step = (ring.to_s - ring.from_s) / f64::from(FINE);
        let times = (0..=FINE).map(|i| ring.from_s + f64::from(i) * step);
        let points = times.map(|t| [1e3 * t, factor * ring.at(t), 0.0]).collect();
        place.curves.push(Curve { points, colour: FIT, dots: false });
    }
    if let Some(event) = report.told.event.found() {
        place.marks =
            vec![(1e3 * event.start.time_s.value, "start"), (1e3 * event.end.time_s.value, "end")];
    }
    let fast = Panel {
        title: format!("speed, from {} frames on each side", report.told.window),
        x: "time from the trigger, ms",
        y: format!("speed, {speed_unit}"),
        curves: vec![Curve {
            points: report
                .told
                .motion
                .iter()
                .map(|m| [1e3 * m.time_s, speed * m.velocity, 2.0 * speed * m.velocity_sigma])
                .collect(),
            colour: SAMPLES,
            dots: false,
        }],
        marks: Vec::new(),
    };
    drawing(&[place, fast])
}

fn drawing(panels: &[Panel]) -> Markup {
    let height = PANEL * panels.len() as f64;
    html! {
        svg xmlns="http://www.w3.org/2000/svg" viewBox={ "0 0 " (WIDTH) " " (height) }
            width=(WIDTH) height=(height) font-family="sans-serif" font-size="13" fill=(INK) {
            rect width="100%" height="100%" fill="white" {}
            @for (i, panel) in panels.iter().enumerate() { (panel.draw(PANEL * i as f64)) }
        }
    }
}

/// A range of numbers and the step of its ticks.
#[derive(Clone, Copy)]
struct Axis {
    low: f64,
    high: f64,
    step: f64,
}

impl Axis {
    /// Holds all values; about `ticks` round steps.
    fn over(values: impl Iterator<Item = f64>, ticks: f64) -> Self {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for v in values.filter(|v| v.is_finite()) {
            low = low.min(v);
            high = high.max(v);
        }
        if high.partial_cmp(&low).is_none() || high < low {
            (low, high) = (0.0, 1.0);
        }
        if high - low < 1e-12 * high.abs().max(1e-9) {
            (low, high) = (low - 0.5, high + 0.5);
        }
        // A little room, so that nothing is drawn on the frame.
        let room = 0.03 * (high - low);
        let (low, high) = (low - room, high + room);
        let raw = (high - low) / ticks;
        let power = libm::pow(10.0, libm::floor(libm::log10(raw)));
        let step =
            [1.0, 2.0, 5.0, 10.0].map(|f| f * power).into_iter().find(|s| *s >= raw).unwrap_or(raw);
        Self { low, high, step }
    }

    fn ticks(self) -> impl Iterator<Item = f64> {
        let first = libm::ceil(self.low / self.step);
        (0..40)
            .map(move |i| (first + f64::from(i)) * self.step)
            .take_while(move |v| *v <= self.high)
    }

    fn part(self, v: f64) -> f64 {
        (v - self.low) / (self.high - self.low)
    }

    /// A tick's number, with as many places as its step has.
    fn label(self, v: f64) -> String {
        let places = (-libm::floor(libm::log10(self.step) + 1e-9)).clamp(0.0, 9.0);
        let places = crate::frame::convert::round_usize(places);
        let text = format!("{v:.places$}");
        if text.trim_start_matches('-').chars().all(|c| c == '0' || c == '.') {
            return text.trim_start_matches('-').replace('-', "\u{2212}");
        }
        text.replace('-', "\u{2212}")
    }
}

/// A number to a hundredth of a px, and to a tenth.
fn fine(v: f64) -> String {
    format!("{v:.2}")
}

fn coarse(v: f64) -> String {
    format!("{v:.1}")
}

impl Panel {
    fn draw(&self, top: f64) -> Markup {
        let all = || self.curves.iter().flat_map(|c| &c.points);
        let xs = Axis::over(all().map(|p| p[0]), 8.0);
        let ys = Axis::over(all().flat_map(|p| [p[1] - p[2], p[1] + p[2]]), 5.0);
        let (y0, y1) = (top + TOP, top + PANEL - BOTTOM);
        let x = |v: f64| LEFT + (WIDTH - LEFT - RIGHT) * xs.part(v);
        let y = |v: f64| y1 - (y1 - y0) * ys.part(v);
        html! {
            (self.axes((top, y0, y1), (xs, ys)))
            @for c in &self.curves { (curve(c, x, y)) }
            @for (at, word) in &self.marks {
                path d=(format_args!("M{:.2} {y0:.2}V{y1:.2}", x(*at))) stroke=(MARK)
                    stroke-dasharray="5 4" {}
                text x=(fine(x(*at) + 4.0)) y=(fine(y0 + 13.0)) fill=(MARK) { (word) }
            }
        }
    }

    fn axes(&self, (top, y0, y1): (f64, f64, f64), (xs, ys): (Axis, Axis)) -> Markup {
        let right = WIDTH - RIGHT;
        let middle = 0.5 * (y0 + y1);
        html! {
            text x=(LEFT) y=(coarse(top + 22.0)) font-weight="bold" { (self.title) }
            @for v in xs.ticks() {
                @let x = LEFT + (right - LEFT) * xs.part(v);
                path d=(format_args!("M{x:.2} {y0}V{y1}")) stroke=(GRID) {}
                text x=(fine(x)) y=(coarse(y1 + 16.0)) text-anchor="middle" { (xs.label(v)) }
            }
            @for v in ys.ticks() {
                @let y = y1 - (y1 - y0) * ys.part(v);
                path d=(format_args!("M{LEFT} {y:.2}H{right}")) stroke=(GRID) {}
                text x=(coarse(LEFT - 6.0)) y=(fine(y + 4.5)) text-anchor="end" { (ys.label(v)) }
            }
            path d=(format_args!("M{LEFT} {y0}V{y1}H{right}")) fill="none" stroke=(INK) {}
            text x=(coarse(0.5 * (LEFT + right))) y=(coarse(y1 + 36.0)) text-anchor="middle" {
                (self.x)
            }
            text transform=(format_args!("translate(18 {middle:.1}) rotate(-90)"))
                text-anchor="middle" { (self.y) }
        }
    }
}

/// A band, then a line through the points, then the points themselves.
fn curve(c: &Curve, x: impl Fn(f64) -> f64, y: impl Fn(f64) -> f64) -> Markup {
    let line = |points: &mut dyn Iterator<Item = (f64, f64)>| {
        let mut d = String::new();
        for (i, (px, py)) in points.enumerate() {
            // Writing to a String cannot fail.
            let _ = write!(d, "{}{:.2} {:.2}", if i == 0 { "M" } else { "L" }, x(px), y(py));
        }
        d
    };
    let banded = c.points.iter().any(|p| p[2] > 0.0);
    let band = || {
        let above = c.points.iter().map(|p| (p[0], p[1] + p[2]));
        let below = c.points.iter().rev().map(|p| (p[0], p[1] - p[2]));
        line(&mut above.chain(below))
    };
    let dots = || c.points.iter().map(|p| format!("M{:.2} {:.2}h0", x(p[0]), y(p[1])));
    html! {
        @if banded { path d={ (band()) "Z" } fill=(BAND) stroke="none" {} }
        path d=(line(&mut c.points.iter().map(|p| (p[0], p[1])))) fill="none" stroke=(c.colour)
            stroke-width="1.2" {}
        @if c.dots && c.points.len() <= 400 {
            path d=(dots().collect::<String>()) stroke=(c.colour) stroke-width="3.5"
                stroke-linecap="round" {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        let axis = Axis::over([-3.2, 17.9].into_iter(), 5.0);
        assert_eq!(axis.ticks().map(|v| axis.label(v)).collect::<Vec<_>>(), ["0", "5", "10", "15"]);
        let axis = Axis::over([0.0, 0.004].into_iter(), 8.0);
        assert_eq!(axis.label(axis.ticks().nth(1).unwrap()), "0.001");
        let axis = Axis::over([-0.9, 0.9].into_iter(), 4.0);
        let all: Vec<String> = axis.ticks().map(|v| axis.label(v)).collect();
        assert_eq!(all, ["\u{2212}0.5", "0.0", "0.5"]);
        for bad in [vec![], vec![f64::NAN], vec![2.0, 2.0]] {
            let axis = Axis::over(bad.into_iter(), 5.0);
            assert!(axis.ticks().count() > 1 && axis.part(axis.low).abs() < 1e-12);
        }
    }

    #[test]
    fn names_cannot_break_the_plot() {
        let panel = Panel {
            title: "a<b & \"c\">".to_owned(),
            x: "<x>",
            y: "</text>".to_owned(),
            curves: Vec::new(),
            marks: Vec::new(),
        };
        let text = drawing(&[panel]).into_string();
        // XML 1.0, section 2.4: & and < stand for themselves nowhere in text.
        for safe in [">a&lt;b &amp; &quot;c&quot;&gt;<", ">&lt;x&gt;<", ">&lt;/text&gt;<"] {
            assert!(text.contains(safe), "{text}");
        }
    }
}
