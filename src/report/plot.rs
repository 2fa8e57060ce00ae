//! Plots as SVG inside the page: lines, a path, and a strip of states.
//!
//! A plot of any number of frames has at most [`COLUMNS`] columns; each keeps its lowest and its
//! highest value, so that no outlier is lost. Colours come from the page's style sheet, so that a
//! plot follows light, dark and print. Each has a title and a description for those who do not see
//! it.

use std::fmt::Write as _;

use super::html::{escape, figures};

/// Columns of a plot at most.
pub const COLUMNS: usize = 720;

const WIDTH: f64 = 760.0;
const HEIGHT: f64 = 220.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 12.0;
const BOTTOM: f64 = 40.0;

/// One line of a plot.
#[derive(Debug, Clone)]
pub struct Line {
    /// What it is, for the legend.
    pub name: String,
    /// Points in the order of x.
    pub points: Vec<[f64; 2]>,
    /// Whether the points are drawn one by one, not joined.
    pub dots: bool,
}

impl Line {
    /// Joined points.
    #[must_use]
    pub fn new(name: &str, points: Vec<[f64; 2]>) -> Self {
        Self { name: name.to_owned(), points, dots: false }
    }

    /// Points one by one.
    #[must_use]
    pub fn dots(name: &str, points: Vec<[f64; 2]>) -> Self {
        Self { dots: true, ..Self::new(name, points) }
    }
}

/// A mark across a plot.
#[derive(Debug, Clone)]
pub struct Mark {
    /// Where on the x axis.
    pub x: f64,
    /// Its label.
    pub label: String,
}

/// A plot of lines over one axis.
#[derive(Debug, Clone, Default)]
pub struct Plot {
    /// Unique in the page; letters and hyphens only.
    pub id: &'static str,
    /// What it shows.
    pub title: String,
    /// The same in words, with numbers.
    pub description: String,
    /// Label and unit of the x axis.
    pub x_label: String,
    /// Label and unit of the y axis.
    pub y_label: String,
    /// The lines, at most three.
    pub lines: Vec<Line>,
    /// Marks across.
    pub marks: Vec<Mark>,
    /// Whether the y axis begins at 0.
    pub from_zero: bool,
}

/// At most `2 * columns` points: of each run of points the lowest and the highest, in their order.
///
/// The first and the last point stay.
#[must_use]
pub fn decimate(points: &[[f64; 2]], columns: usize) -> Vec<[f64; 2]> {
    let columns = columns.max(1);
    if points.len() <= 2 * columns {
        return points.to_vec();
    }
    let mut kept = Vec::with_capacity(2 * columns + 2);
    for c in 0..columns {
        let run = c * points.len() / columns..(c + 1) * points.len() / columns;
        let by_y = |&a: &usize, &b: &usize| points[a][1].total_cmp(&points[b][1]);
        let (Some(low), Some(high)) = (run.clone().min_by(by_y), run.clone().max_by(by_y)) else {
            continue;
        };
        let mut at = vec![low.min(high), low.max(high)];
        if c == 0 {
            at.insert(0, 0);
        }
        if c + 1 == columns {
            at.push(points.len() - 1);
        }
        at.dedup();
        kept.extend(at.into_iter().map(|i| points[i]));
    }
    kept
}

/// A path in the plane with few points: of each run the extremes of both axes, in their order.
#[must_use]
pub fn decimate_path(points: &[[f64; 2]], runs: usize) -> Vec<[f64; 2]> {
    let runs = runs.max(1);
    if points.len() <= 4 * runs {
        return points.to_vec();
    }
    let mut kept = Vec::with_capacity(4 * runs + 2);
    for c in 0..runs {
        let run = c * points.len() / runs..(c + 1) * points.len() / runs;
        let mut at: Vec<usize> = Vec::new();
        for value in [|p: &[f64; 2]| p[0], |p: &[f64; 2]| p[1]] {
            let by = |&a: &usize, &b: &usize| value(&points[a]).total_cmp(&value(&points[b]));
            at.extend(run.clone().min_by(by));
            at.extend(run.clone().max_by(by));
        }
        if c == 0 {
            at.push(0);
        }
        if c + 1 == runs {
            at.push(points.len() - 1);
        }
        at.sort_unstable();
        at.dedup();
        kept.extend(at.into_iter().map(|i| points[i]));
    }
    kept
}

/// Round steps for an axis from `low` to `high`, about `wanted` of them.
#[must_use]
pub fn ticks(low: f64, high: f64, wanted: usize) -> Vec<f64> {
    let span = high - low;
    if !(span.is_finite() && span > 0.0) {
        return vec![low];
    }
    let rough = span / wanted.max(1) as f64;
    let power = libm::pow(10.0, libm::floor(libm::log10(rough)));
    let step = [1.0, 2.0, 5.0, 10.0]
        .iter()
        .map(|m| m * power)
        .find(|s| *s >= rough * 0.999)
        .unwrap_or(10.0 * power);
    let mut at = libm::ceil(low / step - 1e-9);
    let mut all = Vec::new();
    while at * step <= high + step * 1e-9 && all.len() < 50 {
        all.push(if at == 0.0 { 0.0 } else { at * step });
        at += 1.0;
    }
    all
}

/// The label of a tick among its neighbours: as many decimals as the step needs.
fn tick_label(value: f64, step: f64) -> String {
    if value != 0.0 && !(1e-5..1e7).contains(&value.abs()) {
        return figures(value, 3);
    }
    let decimals = (0..9_usize)
        .find(|&d| {
            let scaled = step * libm::pow(10.0, d as f64);
            (scaled - libm::round(scaled)).abs() < 1e-6 * scaled.abs().max(1.0)
        })
        .unwrap_or(8);
    format!("{value:.decimals$}").replace('-', "\u{2212}")
}

/// An axis: values and where they lie on the picture.
struct Axis {
    low: f64,
    high: f64,
    from: f64,
    to: f64,
}

impl Axis {
    fn of(values: impl Iterator<Item = f64>, from_zero: bool, place: (f64, f64)) -> Self {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for v in values.filter(|v| v.is_finite()) {
            low = low.min(v);
            high = high.max(v);
        }
        if low > high {
            (low, high) = (0.0, 1.0);
        }
        if from_zero {
            low = low.min(0.0);
        }
        let room = if high > low { 0.04 * (high - low) } else { high.abs().max(1.0) * 0.5 };
        let low = if from_zero && low == 0.0 { 0.0 } else { low - room };
        Self { low, high: high + room, from: place.0, to: place.1 }
    }

    /// Without room at its ends.
    fn tight(mut self, low: f64, high: f64) -> Self {
        if high > low {
            (self.low, self.high) = (low, high);
        }
        self
    }

    fn at(&self, v: f64) -> f64 {
        self.from + (v - self.low) / (self.high - self.low) * (self.to - self.from)
    }
}

fn open(out: &mut String, id: &str, size: (f64, f64), (title, description): (&str, &str)) {
    let _ = write!(
        out,
        "<svg class=\"plot\" viewBox=\"0 0 {} {}\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\">\
         <title id=\"{id}-t\">{}</title><desc id=\"{id}-d\">{}</desc>",
        size.0,
        size.1,
        escape(title),
        escape(description)
    );
}

/// Ticks of an axis and their distance.
fn steps(axis: &Axis, wanted: usize) -> (Vec<f64>, f64) {
    let all = ticks(axis.low, axis.high, wanted);
    let step = if all.len() > 1 { all[1] - all[0] } else { 1.0 };
    (all, step)
}

/// Lines, numbers and names of both axes; the x axis lies along `bottom`.
fn grid(out: &mut String, (x, y): (&Axis, &Axis), bottom: f64, labels: (&str, &str)) {
    out.push_str("<g class=\"grid\" aria-hidden=\"true\">");
    let (all, step) = steps(y, 5);
    for v in all {
        let at = y.at(v);
        let _ = write!(
            out,
            "<path d=\"M{:.1} {at:.1}H{:.1}\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
            x.from,
            x.to,
            x.from - 6.0,
            at + 4.0,
            tick_label(v, step)
        );
    }
    let (all, step) = steps(x, if x.to - x.from > 400.0 { 8 } else { 4 });
    for v in all {
        let at = x.at(v);
        let _ = write!(
            out,
            "<path d=\"M{at:.1} {bottom:.1}v4\"/>\
             <text x=\"{at:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
            bottom + 17.0,
            tick_label(v, step)
        );
    }
    let (middle_x, middle_y) = ((x.from + x.to) / 2.0, (y.from + y.to) / 2.0);
    let _ = write!(
        out,
        "<text x=\"{middle_x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>\
         <text transform=\"translate(13 {middle_y:.1}) rotate(-90)\" text-anchor=\"middle\">{}</text>\
         </g>",
        bottom + 34.0,
        escape(labels.0),
        escape(labels.1)
    );
}

fn line(out: &mut String, points: &[[f64; 2]], (x, y): (&Axis, &Axis), class: usize) {
    let _ = write!(out, "<polyline class=\"s{class}\" points=\"");
    for p in points.iter().filter(|p| p.iter().all(|v| v.is_finite())) {
        let _ = write!(out, "{:.1},{:.1} ", x.at(p[0]), y.at(p[1]));
    }
    out.push_str("\"/>");
}

fn dots(out: &mut String, points: &[[f64; 2]], (x, y): (&Axis, &Axis), class: usize) {
    let _ = write!(out, "<g class=\"dots d{class}\">");
    for p in points.iter().filter(|p| p.iter().all(|v| v.is_finite())) {
        let _ =
            write!(out, "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"3.2\"/>", x.at(p[0]), y.at(p[1]));
    }
    out.push_str("</g>");
}

impl Plot {
    /// The plot as SVG with its legend.
    #[must_use]
    pub fn svg(&self) -> String {
        let all = || self.lines.iter().flat_map(|l| l.points.iter());
        let marks = self.marks.iter().map(|m| m.x);
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for v in all().map(|p| p[0]).chain(marks).filter(|v| v.is_finite()) {
            low = low.min(v);
            high = high.max(v);
        }
        let x = Axis::of(all().map(|p| p[0]), false, (LEFT, WIDTH - RIGHT)).tight(low, high);
        let y = Axis::of(all().map(|p| p[1]), self.from_zero, (HEIGHT - BOTTOM, TOP));
        let mut out = String::new();
        open(&mut out, self.id, (WIDTH, HEIGHT), (&self.title, &self.description));
        grid(&mut out, (&x, &y), HEIGHT - BOTTOM, (&self.x_label, &self.y_label));
        for (k, m) in self.marks.iter().enumerate() {
            let at = x.at(m.x);
            let end = at > WIDTH * 0.7;
            let _ = write!(
                out,
                "<g class=\"mark\"><path d=\"M{at:.1} {TOP:.1}V{:.1}\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"{}\">{}</text></g>",
                HEIGHT - BOTTOM,
                if end { at - 4.0 } else { at + 4.0 },
                TOP + 10.0 + 13.0 * k as f64,
                if end { "end" } else { "start" },
                escape(&m.label)
            );
        }
        for (k, l) in self.lines.iter().enumerate() {
            let kept = decimate(&l.points, COLUMNS);
            if l.dots {
                dots(&mut out, &kept, (&x, &y), k + 1);
            } else {
                line(&mut out, &kept, (&x, &y), k + 1);
            }
        }
        out.push_str("</svg>");
        if self.lines.len() > 1 {
            out.push_str("<p class=\"legend\">");
            for (k, l) in self.lines.iter().enumerate() {
                let sample = if l.dots {
                    format!(
                        "<g class=\"dots d{}\"><circle cx=\"13\" cy=\"5\" r=\"3.2\"/></g>",
                        k + 1
                    )
                } else {
                    format!("<path class=\"s{}\" d=\"M0 5H26\"/>", k + 1)
                };
                let _ = write!(
                    out,
                    "<span><svg width=\"26\" height=\"10\" aria-hidden=\"true\">{sample}</svg> \
                     {}</span> ",
                    escape(&l.name)
                );
            }
            out.push_str("</p>");
        }
        out
    }
}

/// A path in the plane, both axes to one scale, y down as in the picture.
#[must_use]
pub fn path(points: &[[f64; 2]], unit: &str, words: (&str, &str)) -> String {
    const SIDE: f64 = 360.0;
    let low = |a: usize| points.iter().map(|p| p[a]).fold(f64::INFINITY, f64::min);
    let high = |a: usize| points.iter().map(|p| p[a]).fold(f64::NEG_INFINITY, f64::max);
    let inner = SIDE - LEFT - BOTTOM;
    let points: &[[f64; 2]] = if points.is_empty() { &[[0.0, 0.0]] } else { points };
    let span = (high(0) - low(0)).max(high(1) - low(1)).max(1e-6) * 1.1;
    let middle = [0, 1].map(|a| (low(a) + high(a)) / 2.0);
    let axis = |a: usize, from: f64| Axis {
        low: middle[a] - span / 2.0,
        high: middle[a] + span / 2.0,
        from,
        to: from + inner,
    };
    let (x, y) = (axis(0, LEFT), axis(1, TOP));
    let mut out = String::new();
    open(&mut out, "trace", (SIDE, TOP + inner + BOTTOM), words);
    let labels = (format!("x, {unit}"), format!("y, {unit} (down)"));
    grid(&mut out, (&x, &y), y.to, (&labels.0, &labels.1));
    line(&mut out, &decimate_path(points, COLUMNS), (&x, &y), 1);
    if let Some(first) = points.first() {
        let _ = write!(
            out,
            "<circle class=\"start\" cx=\"{:.1}\" cy=\"{:.1}\" r=\"4\"/>",
            x.at(first[0]),
            y.at(first[1])
        );
    }
    out.push_str("</svg>");
    out
}

/// A strip that shows how each frame fared: one column a run of frames, with the worst of it.
///
/// `states` are ranks from 0 (well) up; `words` name them.
#[must_use]
pub fn strip(states: &[usize], words: &[&str], description: &str, ends: (&str, &str)) -> String {
    const TALL: f64 = 54.0;
    let columns = states.len().min(COLUMNS);
    let mut out = String::new();
    open(&mut out, "timeline", (WIDTH, TALL), ("How each frame fared", description));
    let wide = (WIDTH - 2.0 * RIGHT) / columns.max(1) as f64;
    let worst: Vec<usize> = (0..columns)
        .map(|c| {
            let run = c * states.len() / columns..(c + 1) * states.len() / columns;
            states[run].iter().copied().max().unwrap_or(0)
        })
        .collect();
    let mut from = 0;
    while from < columns {
        let state = worst[from];
        let to = (from..columns).find(|&c| worst[c] != state).unwrap_or(columns);
        let _ = write!(
            out,
            "<rect class=\"t{state}\" x=\"{:.2}\" y=\"4\" width=\"{:.2}\" height=\"26\"/>",
            RIGHT + from as f64 * wide,
            (to - from) as f64 * wide
        );
        from = to;
    }
    let _ = write!(
        out,
        "<g class=\"grid\" aria-hidden=\"true\"><text x=\"{RIGHT}\" y=\"46\">{}</text>\
         <text x=\"{}\" y=\"46\" text-anchor=\"end\">{}</text></g></svg><p class=\"legend\">",
        escape(ends.0),
        WIDTH - RIGHT,
        escape(ends.1)
    );
    for (k, word) in words.iter().enumerate() {
        let count = states.iter().filter(|s| **s == k).count();
        if count > 0 {
            let _ = write!(
                out,
                "<span><svg width=\"14\" height=\"12\" aria-hidden=\"true\">\
                 <rect class=\"t{k}\" width=\"14\" height=\"12\"/></svg> {} {count}</span> ",
                escape(word)
            );
        }
    }
    out.push_str("</p>");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spiky(n: usize) -> Vec<[f64; 2]> {
        let mut p: Vec<[f64; 2]> = (0..n).map(|i| [i as f64, (i % 7) as f64]).collect();
        p[n / 3][1] = 99.0;
        p[n / 2][1] = -99.0;
        p
    }

    #[test]
    fn few_points_stay_and_many_keep_their_extremes() {
        let few = spiky(1000);
        assert_eq!(decimate(&few, COLUMNS), few);
        let many = spiky(20_000);
        let kept = decimate(&many, COLUMNS);
        assert!(kept.len() <= 2 * COLUMNS + 2, "{}", kept.len());
        for p in [many[0], many[20_000 / 3], many[10_000], many[19_999]] {
            assert!(kept.contains(&p), "{p:?} was lost");
        }
        assert!(kept.windows(2).all(|w| w[0][0] < w[1][0]));
    }

    #[test]
    fn a_path_keeps_the_extremes_of_both_axes() {
        let many: Vec<[f64; 2]> = spiky(20_000)
            .iter()
            .map(|p| [p[1], -p[1] + if (p[0] - 7.0).abs() < 0.1 { 500.0 } else { 0.0 }])
            .collect();
        let kept = decimate_path(&many, COLUMNS);
        assert!(kept.len() <= 4 * COLUMNS + 2);
        for p in [many[0], many[7], many[20_000 / 3], many[10_000], many[19_999]] {
            assert!(kept.contains(&p), "{p:?} was lost");
        }
    }

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(ticks(0.0, 10.0, 5), [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]);
        let t = ticks(-0.013, 0.021, 5);
        assert!(t.iter().all(|v| (-0.013..=0.021).contains(v)) && t.len() >= 3, "{t:?}");
        assert_eq!(ticks(3.0, 3.0, 5), [3.0]);
        assert_eq!(tick_label(0.25, 0.05), "0.25");
        assert_eq!(tick_label(-10.0, 5.0), "\u{2212}10");
    }

    #[test]
    fn a_strip_shows_the_worst_of_a_column() {
        let mut states = vec![0; 20_000];
        states[12_345] = 2;
        let svg = strip(&states, &["ok", "missing", "unreadable"], "", ("a", "b"));
        assert!(svg.contains("class=\"t2\" x="));
        assert!(svg.contains("unreadable 1<"), "{svg}");
    }

    #[test]
    fn numbers_that_are_none_do_not_break_a_plot() {
        let plot = Plot {
            id: "p",
            lines: vec![Line::new("a", vec![[0.0, f64::NAN], [1.0, 2.0]])],
            ..Plot::default()
        };
        let svg = plot.svg();
        assert!(!svg.contains("inf"), "{svg}");
        let dotted = Plot {
            id: "d",
            lines: vec![Line::dots("a", vec![[0.0, f64::INFINITY], [1.0, 2.0], [2.0, 3.0]])],
            ..Plot::default()
        };
        assert_eq!(dotted.svg().matches("<circle").count(), 2, "{}", dotted.svg());
        let empty = Plot { id: "e", ..Plot::default() };
        assert!(empty.svg().ends_with("</svg>"));
        assert!(path(&[], "px", ("", "")).ends_with("</svg>"));
    }
}
