//! The parts of a clip's page that are drawn: states, drift, spectrum, light.

use maud::{Markup, html};

use super::document::{and_more, capital};
use super::html::figures;
use super::plot::{Line, Mark, Plot, path, strip};
use super::read::{ClipFolder, Row, STATES};
use super::spectrum::{Spectrum, folded};
use super::verdict::{jitter, plural};

/// Rows of a list of reasons at most.
const MOST_LISTED: usize = 200;
/// Runs of frames listed for one reason at most.
const MOST_RUNS: usize = 40;
/// A peak counts where it stands this far out of the median of all lines.
const OUT_OF_FLOOR: f64 = 6.0;

fn rank(status: &str) -> usize {
    STATES.iter().position(|s| *s == status).unwrap_or(0)
}

/// The axis of frames: seconds from the trigger where all rows have them, else frame numbers.
pub(super) struct Time {
    pub(super) label: &'static str,
    milli: bool,
    seconds: bool,
}

impl Time {
    pub(super) fn of(clip: &ClipFolder) -> Self {
        let seconds = !clip.rows.is_empty() && clip.rows.iter().all(|r| r.time_s.is_some());
        let span = match (clip.rows.first(), clip.rows.last()) {
            (Some(a), Some(b)) => b.time_s.unwrap_or(0.0) - a.time_s.unwrap_or(0.0),
            _ => 0.0,
        };
        let milli = seconds && span < 2.0;
        let label = match (seconds, milli) {
            (true, true) => "time from the trigger frame, ms",
            (true, false) => "time from the trigger frame, s",
            _ => "frame",
        };
        Self { label, milli, seconds }
    }

    pub(super) fn at(&self, row: &Row) -> f64 {
        match (self.seconds, self.milli) {
            (true, true) => 1000.0 * row.time_s.unwrap_or(0.0),
            (true, false) => row.time_s.unwrap_or(0.0),
            _ => row.frame as f64,
        }
    }
}

/// The strip of states, and what failed and why.
#[must_use]
pub fn frames(clip: &ClipFolder) -> Markup {
    let (Some(first), Some(last)) = (clip.rows.first(), clip.rows.last()) else {
        return html! {};
    };
    let states: Vec<usize> = clip.rows.iter().map(|r| rank(r.status)).collect();
    let counts: Vec<String> = STATES
        .iter()
        .enumerate()
        .map(|(k, word)| (states.iter().filter(|s| **s == k).count(), word))
        .filter(|(n, _)| *n > 0)
        .map(|(n, word)| format!("{n} {word}"))
        .collect();
    let words = format!("Frames {} to {}: {}.", first.frame, last.frame, counts.join(", "));
    let ends = (format!("frame {}", first.frame), format!("frame {}", last.frame));
    let drawn = strip(&states, STATES, &words, (&ends.0, &ends.1));
    let failed = clip.failed();
    let gaps = runs(&clip.missing());
    if failed.is_empty() && gaps.is_empty() {
        return drawn;
    }
    // One row a reason, so that a thousand frames lost for one reason are read as one fault.
    let mut reasons: Vec<(String, Vec<u64>)> = Vec::new();
    if !gaps.is_empty() {
        let why = "no file with this number; copy it from the camera and run again";
        reasons.push((why.to_owned(), clip.missing()));
    }
    for (n, why) in failed {
        match reasons.iter_mut().find(|(known, _)| *known == why) {
            Some((_, numbers)) => numbers.push(n),
            None => reasons.push((why, vec![n])),
        }
    }
    html! {
        (drawn)
        div.scroll {
            table {
                caption { "Frames without a picture" }
                thead { tr { th scope="col" { "Frames" } th scope="col" { "What happened" } } }
                tbody {
                    @for (why, numbers) in reasons.iter().take(MOST_LISTED) {
                        tr { th scope="row" { (listed(numbers)) } td { (why) } }
                    }
                }
            }
        }
        (and_more(MOST_LISTED, reasons.len(), "reason", "record.json"))
    }
}

/// Numbers as people write them: "3, 7 to 9".
fn listed(numbers: &[u64]) -> String {
    let all = runs(numbers);
    let shown: Vec<String> = all
        .iter()
        .take(MOST_RUNS)
        .map(|&(a, b)| if a == b { a.to_string() } else { format!("{a} to {b}") })
        .collect();
    let rest: u64 = all
        .iter()
        .skip(MOST_RUNS)
        .map(|(a, b)| (b - a).saturating_add(1))
        .fold(0, u64::saturating_add);
    let rest = if rest > 0 { format!(" and {rest} more, in record.json") } else { String::new() };
    format!("{}{rest}", shown.join(", "))
}

/// Numbers as runs from and to.
fn runs(numbers: &[u64]) -> Vec<(u64, u64)> {
    let mut all: Vec<(u64, u64)> = Vec::new();
    for &n in numbers {
        match all.last_mut() {
            Some((_, to)) if to.checked_add(1) == Some(n) => *to = n,
            _ => all.push((n, n)),
        }
    }
    all
}

/// Object size of a pixel in um, where known.
fn um_per_px(clip: &ClipFolder) -> Option<f64> {
    clip.number(&["scale", "um_per_px"]).filter(|s| *s > 0.0)
}

/// The path over time and as a trace.
#[must_use]
pub fn drift(clip: &ClipFolder) -> Markup {
    let rows: Vec<&Row> = clip.rows.iter().filter(|r| r.usable()).collect();
    if !clip.locked() || rows.len() < 2 {
        return html! {
            p { "The still background was not looked for or not found, so there is no path." }
        };
    }
    let time = Time::of(clip);
    let range = |a: usize| {
        let low = rows.iter().map(|r| r.shift[a]).fold(f64::INFINITY, f64::min);
        let high = rows.iter().map(|r| r.shift[a]).fold(f64::NEG_INFINITY, f64::max);
        (low, high)
    };
    let (x, y) = (range(0), range(1));
    let words = format!(
        "x from {} to {} px, y from {} to {} px",
        figures(x.0, 3),
        figures(x.1, 3),
        figures(y.0, 3),
        figures(y.1, 3)
    );
    let line = |name: &str, a: usize| {
        Line::new(name, rows.iter().map(|r| [time.at(r), r.shift[a]]).collect())
    };
    let plot = Plot {
        id: "drift-p",
        title: "Shift of the scene against the reference".to_owned(),
        description: words.clone(),
        x_label: time.label.to_owned(),
        y_label: "shift, px".to_owned(),
        lines: vec![line("x, positive to the right", 0), line("y, positive down", 1)],
        ..Plot::default()
    };
    let scale = um_per_px(clip);
    let (unit, factor) = scale.map_or(("px", 1.0), |s| ("\u{b5}m", s));
    let points: Vec<[f64; 2]> = rows.iter().map(|r| r.shift.map(|v| v * factor)).collect();
    let title = "The same as a path in the plane";
    let size = scale.map_or(".".to_owned(), |s| {
        format!("; one pixel is {} \u{b5}m on the object.", figures(s, 4))
    });
    html! {
        (plot.svg())
        h3 { (title) }
        div.trace { (path(&points, unit, (title, &words))) }
        p.soft { "The dot is the first frame. " (capital(&words)) (size) }
    }
}

/// Amplitude in words: px, and um where the scale is known.
fn amplitude(clip: &ClipFolder, px: f64) -> String {
    let um =
        um_per_px(clip).map_or(String::new(), |s| format!(" ({} \u{b5}m)", figures(px * s, 2)));
    format!("{} px{um}", figures(px, 2))
}

/// The spectrum of the path.
#[must_use]
pub fn shake(clip: &ClipFolder) -> Markup {
    if !clip.locked() {
        return html! {};
    }
    // A missing frame has its neighbours' place, so every number counts.
    let series = |a: usize| clip.rows.iter().map(|r| r.shift[a]).collect::<Vec<f64>>();
    let (Some(x), Some(y)) = (Spectrum::of(&series(0)), Spectrum::of(&series(1))) else {
        return html! { p { "Too few frames for a spectrum." } };
    };
    let rate = clip.rate();
    let (unit, per) = rate.map_or(("cycles/frame", 1.0), |r| ("Hz", r));
    let mut found: Vec<(&str, f64, f64)> = [("x", &x), ("y", &y)]
        .into_iter()
        .flat_map(|(name, s)| {
            s.peaks(3, OUT_OF_FLOOR * s.floor())
                .into_iter()
                .map(move |(k, a)| (name, s.frequency(k, per), a))
        })
        .collect();
    found.sort_by(|p, q| q.2.total_cmp(&p.2));
    found.truncate(4);
    let width = x.frequency(1, per);
    let words = if found.is_empty() {
        "No frequency stands out: the movement is drift and chance.".to_owned()
    } else {
        let list: Vec<String> = found
            .iter()
            .map(|(name, f, a)| {
                format!("{} {unit} along {name}, amplitude {}", figures(*f, 3), amplitude(clip, *a))
            })
            .collect();
        format!(
            "What stands out: {}. Look for what turns or hums at this frequency: a fan, a pump, \
             the mains.",
            list.join("; ")
        )
    };
    let line = |name: &str, s: &Spectrum| Line::new(name, spectrum_points(s, per));
    let plot = Plot {
        id: "shake-p",
        title: "Spectrum of the movement".to_owned(),
        description: words.clone(),
        x_label: format!("frequency, {unit}"),
        y_label: "amplitude, px".to_owned(),
        lines: vec![line("x", &x), line("y", &y)],
        from_zero: true,
        ..Plot::default()
    };
    html! {
        p { (words) }
        (plot.svg())
        p.soft {
            "Resolution " (figures(width, 2)) " " (unit) ". Faster movement than half the rate \
             shows at a lower frequency."
        }
    }
}

fn spectrum_points(s: &Spectrum, per: f64) -> Vec<[f64; 2]> {
    s.amplitude.iter().enumerate().map(|(k, a)| [s.frequency(k, per), *a]).collect()
}

/// Mains frequencies to mark: the given one, or both common ones.
fn mains(clip: &ClipFolder) -> Vec<f64> {
    let given = clip.get(&["facts", "mains", "value"]);
    let given = given.as_f64().or_else(|| given.as_str().and_then(|s| s.parse().ok()));
    match given {
        Some(hz) => vec![hz],
        None => vec![50.0, 60.0],
    }
}

/// Light over time, and its spectrum with the mains marked.
#[must_use]
pub fn light(clip: &ClipFolder) -> Markup {
    let rows: Vec<&Row> = clip.rows.iter().filter(|r| r.usable()).collect();
    if !clip.locked() || rows.len() < 2 {
        return html! {};
    }
    let time = Time::of(clip);
    let (low, high) = rows
        .iter()
        .map(|r| r.light)
        .fold((f64::INFINITY, 0.0_f64), |(a, b), v| (a.min(v), b.max(v)));
    let swing = 100.0 * (high - low) / (high + low).max(1e-9);
    // With as many figures as tell them apart.
    let places = (3..6).find(|&n| figures(low, n) != figures(high, n)).unwrap_or(6);
    let words = format!(
        "The light of the originals lay between {} and {} of the reference level: \u{b1}{} %. \
         Each finished frame was divided by its own value.",
        figures(low, places),
        figures(high, places),
        figures(swing, 2)
    );
    let before = rows.iter().map(|r| [time.at(r), r.light]).collect();
    let mut lines = vec![Line::new("before", before)];
    if let Some(after) = light_after(clip, &rows, &time) {
        lines.push(Line::new(
            "after: the finished frame's mean, which what moves changes too",
            after,
        ));
    }
    let plot = Plot {
        id: "light-p",
        title: "Light of each frame, before and after".to_owned(),
        description: words.clone(),
        x_label: time.label.to_owned(),
        y_label: "relative light".to_owned(),
        lines,
        ..Plot::default()
    };
    let series: Vec<f64> = clip.rows.iter().map(|r| r.light).collect();
    html! {
        p { (words) }
        (plot.svg())
        @if let (Some(rate), Some(s)) = (clip.rate(), Spectrum::of(&series)) {
            (light_spectrum(clip, &s, rate))
        }
    }
}

/// Mean light of the finished frames against their median, where the preview was made.
fn light_after(clip: &ClipFolder, rows: &[&Row], time: &Time) -> Option<Vec<[f64; 2]>> {
    let light = &clip.preview.as_ref()?.light;
    let mut levels: Vec<f64> = light.iter().map(|l| l.1).collect();
    let middle = crate::math::robust::median_f64(&mut levels).filter(|m| *m > 0.0)?;
    let mut all = light.iter().peekable();
    let points = rows.iter().filter_map(|r| {
        while all.next_if(|l| l.0 < r.frame).is_some() {}
        let (_, level) = all.next_if(|l| l.0 == r.frame)?;
        Some([time.at(r), level / middle])
    });
    Some(points.collect())
}

fn light_spectrum(clip: &ClipFolder, s: &Spectrum, rate: f64) -> Markup {
    let given = !clip.get(&["facts", "mains"]).is_null();
    let length = s.n as f64 / rate;
    let mut words = Vec::new();
    let mut marks = Vec::new();
    for hz in mains(clip).iter().map(|m| 2.0 * m) {
        let at = folded(hz, rate);
        marks.push(Mark { x: at, label: format!("{} Hz", figures(hz, 3)) });
        let near = (at * length).round();
        let line = s
            .amplitude
            .iter()
            .enumerate()
            .filter(|(k, _)| (*k as f64 - near).abs() <= 1.0)
            .map(|(_, a)| *a)
            .fold(0.0, f64::max);
        words.push(format!(
            "at {} Hz the swing is \u{b1}{} %",
            figures(hz, 3),
            figures(100.0 * line, 2)
        ));
    }
    let short = length * 100.0 < 4.0;
    let note = if short {
        "The clip is too short to tell lamp ripple from drift. "
    } else if given {
        ""
    } else {
        "The mains frequency was not given, so both common ones are marked. "
    };
    let words = format!("{note}{}.", capital(&words.join("; ")));
    let plot = Plot {
        id: "lamp-p",
        title: "Spectrum of the light, with twice the mains frequency marked".to_owned(),
        description: words.clone(),
        x_label: "frequency, Hz".to_owned(),
        y_label: "amplitude".to_owned(),
        lines: vec![Line::new("light", spectrum_points(s, rate))],
        marks,
        from_zero: true,
    };
    html! { h3 { (plot.title) } p { (words) } (plot.svg()) }
}

/// The jitter as a sentence for the overview.
#[must_use]
pub fn jitter_words(clip: &ClipFolder) -> String {
    jitter(clip).map_or("\u{2013}".to_owned(), |j| {
        let after = j.after.map_or(String::new(), |a| format!(" \u{2192} {}", figures(a, 2)));
        format!("{}{after} px", figures(j.before, 2))
    })
}

/// Frames with faults in words for the overview.
#[must_use]
pub fn fault_words(clip: &ClipFolder) -> String {
    let (missing, failed) = (clip.missing().len(), clip.failed().len());
    let part = |n: usize, word: &str| (n > 0).then(|| format!("{n} {} {word}", plural(n, "frame")));
    let whole = clip.failure.as_ref().map(|_| "failed".to_owned());
    let all: Vec<String> =
        [whole, part(missing, "missing"), part(failed, "failed")].into_iter().flatten().collect();
    if all.is_empty() { "none".to_owned() } else { all.join(", ") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_become_runs() {
        assert_eq!(runs(&[1, 2, 3, 7, 9, 10]), [(1, 3), (7, 7), (9, 10)]);
        assert_eq!(runs(&[u64::MAX]), [(u64::MAX, u64::MAX)]);
        assert!(runs(&[]).is_empty());
        assert_eq!(listed(&[1, 2, 3, 7, 9, 10]), "1 to 3, 7, 9 to 10");
        let many: Vec<u64> = (0..50).map(|n| 3 * n).collect();
        assert!(listed(&many).ends_with("117 and 10 more, in record.json"), "{}", listed(&many));
    }
}
