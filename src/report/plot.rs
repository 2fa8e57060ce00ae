//! Plots as SVG inside the page: lines, a path, and a strip of states.
//!
//! A plot of any number of frames has at most [`COLUMNS`] columns; each keeps its lowest and its
//! highest value, so that no outlier is lost. Colours come from the page's style sheet, so that a
//! plot follows light, dark and print. Each has a title and a description for those who do not see
//! it.

use std::fmt::Write as _;

use maud::{Markup, html};

use super::html::figures;

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

/// A picture with its title and description.
fn framed(id: &str, (w, h): (f64, f64), words: (&str, &str), inside: &Markup) -> Markup {
    html! {
        svg.plot viewBox={ "0 0 " (w) " " (h) } role="img" aria-labelledby={ (id) "-t " (id) "-d" } {
            title id={ (id) "-t" } { (words.0) }
            desc id={ (id) "-d" } { (words.1) }
            (inside)
        }
    }
}

/// Ticks of an axis and their distance.
fn steps(axis: &Axis, wanted: usize) -> (Vec<f64>, f64) {
    let all = ticks(axis.low, axis.high, wanted);
    let step = if all.len() > 1 { all[1] - all[0] } else { 1.0 };
    (all, step)
}

/// Lines, numbers and names of both axes; the x axis lies along `bottom`.
fn grid((x, y): (&Axis, &Axis), bottom: f64, labels: (&str, &str)) -> Markup {
    let (rows, row) = steps(y, 5);
    let (columns, column) = steps(x, if x.to - x.from > 400.0 { 8 } else { 4 });
    let (middle_x, middle_y) = ((x.from + x.to) / 2.0, (y.from + y.to) / 2.0);
    html! {
        g.grid aria-hidden="true" {
            @for v in rows {
                @let at = y.at(v);
                path d=(format_args!("M{:.1} {at:.1}H{:.1}", x.from, x.to)) {}
                text x=(tenths(x.from - 6.0)) y=(tenths(at + 4.0)) text-anchor="end" {
                    (tick_label(v, row))
                }
            }
            @for v in columns {
                @let at = x.at(v);
                path d=(format_args!("M{at:.1} {bottom:.1}v4")) {}
                text x=(tenths(at)) y=(tenths(bottom + 17.0)) text-anchor="middle" {
                    (tick_label(v, column))
                }
            }
            text x=(tenths(middle_x)) y=(tenths(bottom + 34.0)) text-anchor="middle" { (labels.0) }
            text transform=(format_args!("translate(13 {middle_y:.1}) rotate(-90)"))
                text-anchor="middle" { (labels.1) }
        }
    }
}

/// A place in a picture; its units are about pixels.
fn tenths(v: f64) -> String {
    format!("{v:.1}")
}

fn drawable(points: &[[f64; 2]]) -> impl Iterator<Item = &[f64; 2]> {
    points.iter().filter(|p| p.iter().all(|v| v.is_finite()))
}

fn line(points: &[[f64; 2]], (x, y): (&Axis, &Axis), class: usize) -> Markup {
    let mut places = String::new();
    for p in drawable(points) {
        // Writing into a String cannot fail.
        let _ = write!(places, "{:.1},{:.1} ", x.at(p[0]), y.at(p[1]));
    }
    html! { polyline class={ "s" (class) } points=(places) {} }
}

fn dots(points: &[[f64; 2]], (x, y): (&Axis, &Axis), class: usize) -> Markup {
    html! {
        g class={ "dots d" (class) } {
            @for p in drawable(points) {
                circle cx=(tenths(x.at(p[0]))) cy=(tenths(y.at(p[1]))) r="3.2" {}
            }
        }
    }
}

impl Plot {
    /// The plot as SVG with its legend.
    #[must_use]
    pub fn svg(&self) -> Markup {
        let all = || self.lines.iter().flat_map(|l| l.points.iter());
        let marks = self.marks.iter().map(|m| m.x);
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for v in all().map(|p| p[0]).chain(marks).filter(|v| v.is_finite()) {
            low = low.min(v);
            high = high.max(v);
        }
        let x = Axis::of(all().map(|p| p[0]), false, (LEFT, WIDTH - RIGHT)).tight(low, high);
        let y = Axis::of(all().map(|p| p[1]), self.from_zero, (HEIGHT - BOTTOM, TOP));
        let inside = html! {
            (grid((&x, &y), HEIGHT - BOTTOM, (&self.x_label, &self.y_label)))
            @for (k, m) in self.marks.iter().enumerate() { (mark(m, k, x.at(m.x))) }
            @for (k, l) in self.lines.iter().enumerate() {
                @let kept = decimate(&l.points, COLUMNS);
                @if l.dots { (dots(&kept, (&x, &y), k + 1)) }
                @else { (line(&kept, (&x, &y), k + 1)) }
            }
        };
        html! {
            (framed(self.id, (WIDTH, HEIGHT), (&self.title, &self.description), &inside))
            @if self.lines.len() > 1 { (self.legend()) }
        }
    }

    fn legend(&self) -> Markup {
        html! {
            p.legend {
                @for (k, l) in self.lines.iter().enumerate() {
                    span {
                        svg width="26" height="10" aria-hidden="true" {
                            @if l.dots {
                                g class={ "dots d" (k + 1) } { circle cx="13" cy="5" r="3.2" {} }
                            } @else {
                                path class={ "s" (k + 1) } d="M0 5H26" {}
                            }
                        }
                        " " (l.name)
                    }
                    " "
                }
            }
        }
    }
}

/// The `k`th mark, at the place `at`; its label stands on the side where there is room.
fn mark(m: &Mark, k: usize, at: f64) -> Markup {
    let (x, anchor) = if at > WIDTH * 0.7 { (at - 4.0, "end") } else { (at + 4.0, "start") };
    html! {
        g.mark {
            path d=(format_args!("M{at:.1} {TOP:.1}V{:.1}", HEIGHT - BOTTOM)) {}
            text x=(tenths(x)) y=(tenths(TOP + 10.0 + 13.0 * k as f64)) text-anchor=(anchor) {
                (m.label)
            }
        }
    }
}

/// A path in the plane, both axes to one scale, y down as in the picture.
#[must_use]
pub fn path(points: &[[f64; 2]], unit: &str, words: (&str, &str)) -> Markup {
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
    let labels = (format!("x, {unit}"), format!("y, {unit} (down)"));
    let inside = html! {
        (grid((&x, &y), y.to, (&labels.0, &labels.1)))
        (line(&decimate_path(points, COLUMNS), (&x, &y), 1))
        @if let Some(first) = points.first() {
            circle.start cx=(tenths(x.at(first[0]))) cy=(tenths(y.at(first[1]))) r="4" {}
        }
    };
    framed("trace", (SIDE, TOP + inner + BOTTOM), words, &inside)
}

/// A strip that shows how each frame fared: one column a run of frames, with the worst of it.
///
/// `states` are ranks from 0 (well) up; `words` name them.
#[must_use]
pub fn strip(states: &[usize], words: &[&str], description: &str, ends: (&str, &str)) -> Markup {
    const TALL: f64 = 54.0;
    let columns = states.len().min(COLUMNS);
    let wide = (WIDTH - 2.0 * RIGHT) / columns.max(1) as f64;
    let worst: Vec<usize> = (0..columns)
        .map(|c| {
            let run = c * states.len() / columns..(c + 1) * states.len() / columns;
            states[run].iter().copied().max().unwrap_or(0)
        })
        .collect();
    let runs = worst.chunk_by(|a, b| a == b).scan(0, |next, run| {
        let from = *next;
        *next += run.len();
        Some((run[0], from, run.len()))
    });
    let inside = html! {
        @for (state, from, length) in runs {
            rect class={ "t" (state) } x=(format_args!("{:.2}", RIGHT + from as f64 * wide)) y="4"
                width=(format_args!("{:.2}", length as f64 * wide)) height="26" {}
        }
        g.grid aria-hidden="true" {
            text x=(RIGHT) y="46" { (ends.0) }
            text x=(WIDTH - RIGHT) y="46" text-anchor="end" { (ends.1) }
        }
    };
    html! {
        (framed("timeline", (WIDTH, TALL), ("How each frame fared", description), &inside))
        p.legend {
            @for (k, word) in words.iter().enumerate() {
                @let count = states.iter().filter(|s| **s == k).count();
                @if count > 0 {
                    span {
                        svg width="14" height="12" aria-hidden="true" {
                            rect class={ "t" (k) } width="14" height="12" {}
                        }
                        " " (word) " " (count)
                    }
                    " "
                }
            }
        }
    }
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
        let svg = strip(&states, &["ok", "missing", "unreadable"], "", ("a", "b")).into_string();
        assert!(svg.contains("class=\"t2\" x="));
        assert!(svg.contains("unreadable 1<"), "{svg}");
    }

    #[test]
    fn every_word_of_a_plot_is_text() {
        const EVIL: &str = "\"><script>alert(1)</script>&";
        let plot = Plot {
            id: "p",
            title: EVIL.into(),
            description: EVIL.into(),
            x_label: EVIL.into(),
            y_label: EVIL.into(),
            lines: vec![Line::new(EVIL, vec![[0.0, 1.0]]), Line::dots(EVIL, vec![[1.0, 2.0]])],
            marks: vec![Mark { x: 0.5, label: EVIL.into() }],
            from_zero: false,
        };
        let all = plot.svg().into_string()
            + &path(&[[0.0, 0.0]], EVIL, (EVIL, EVIL)).into_string()
            + &strip(&[0], &[EVIL], EVIL, (EVIL, EVIL)).into_string();
        // HTML Standard, section 13.1.4 and 13.1.2.3: as references, in text and in attributes.
        let safe = "&quot;&gt;&lt;script&gt;alert(1)&lt;/script&gt;&amp;";
        assert_eq!(all.matches(safe).count(), 7 + 4 + 4, "{all}");
        assert!(!all.contains("<script") && !all.contains(EVIL), "{all}");
    }

    #[test]
    fn numbers_that_are_none_do_not_break_a_plot() {
        let plot = Plot {
            id: "p",
            lines: vec![Line::new("a", vec![[0.0, f64::NAN], [1.0, 2.0]])],
            ..Plot::default()
        };
        let svg = plot.svg().into_string();
        assert!(!svg.contains("inf"), "{svg}");
        let dotted = Plot {
            id: "d",
            lines: vec![Line::dots("a", vec![[0.0, f64::INFINITY], [1.0, 2.0], [2.0, 3.0]])],
            ..Plot::default()
        };
        let svg = dotted.svg().into_string();
        assert_eq!(svg.matches("<circle").count(), 2, "{svg}");
        let empty = Plot { id: "e", ..Plot::default() };
        assert!(empty.svg().into_string().ends_with("</svg>"));
        assert!(path(&[], "px", ("", "")).into_string().ends_with("</svg>"));
    }
}
