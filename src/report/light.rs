//! The part of a clip's page about its light: over time, what stands apart, and what a lamp does.

use maud::{Markup, html};

use super::charts::{Time, listed};
use super::document::capital;
use super::html::figures;
use super::plot::{Line, Mark, Plot};
use super::read::{ClipFolder, Row};
use super::spectrum::Spectrum;
use super::verdict::plural;
use crate::math::robust::median_f64;

/// Frames from which on some can stand apart from the others.
const ENOUGH: usize = 20;
/// A frame stands apart this part of the usual range beyond it (a sine's lies within 0.03).
const BEYOND_RANGE: f64 = 0.5;
/// And this part of the median.
const BEYOND_MEDIAN: f64 = 0.1;
/// What more than one frame in so many does is the clip's light and no flash.
const ONE_IN: usize = 20;
/// Periods of a lamp's ripple that tell it from a slow change.
const PERIODS: f64 = 4.0;

/// Light over time, and its spectrum with the mains marked.
#[must_use]
pub fn light(clip: &ClipFolder) -> Markup {
    let rows: Vec<&Row> = clip.rows.iter().filter(|r| r.usable()).collect();
    if !clip.locked() || rows.len() < 2 {
        return html! {};
    }
    let time = Time::of(clip);
    let apart = Apart::of(&rows);
    let words = words(clip, &rows, apart.as_ref());
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
    // A flash is in every line of a spectrum.
    let series: Vec<f64> = clip
        .rows
        .iter()
        .map(|r| match &apart {
            Some(a) if a.frames.contains(&r.frame) => a.median,
            _ => r.light,
        })
        .collect();
    html! {
        p { (words) }
        (plot.svg())
        @if let (Some(rate), Some(s)) = (clip.rate(), Spectrum::of(&series)) {
            (light_spectrum(clip, &s, rate))
        }
    }
}

/// Frames of far more or far less light than the others.
#[derive(Debug, Clone, PartialEq)]
struct Apart {
    /// Their numbers.
    frames: Vec<u64>,
    /// Light of the one that is furthest off, over the median; and its number.
    most: (f64, u64),
    /// Median light of all frames.
    median: f64,
}

impl Apart {
    /// `None` where none stands apart, or so many that no others are left to stand apart from.
    fn of(rows: &[&Row]) -> Option<Self> {
        let mut sorted: Vec<f64> = rows.iter().map(|r| r.light).collect();
        sorted.sort_by(f64::total_cmp);
        let n = sorted.len();
        let (low, high) = (*sorted.get(n / 10)?, *sorted.get(n - 1 - n / 10)?);
        let median = median_f64(&mut sorted).filter(|m| n >= ENOUGH && *m > 0.0)?;
        let beyond = BEYOND_RANGE * (high - low) + BEYOND_MEDIAN * median;
        let off = |r: &&&Row| r.light > high + beyond || r.light < low - beyond;
        let all: Vec<&&Row> = rows.iter().filter(off).collect();
        let far = |r: &&&&Row| (r.light - median).abs();
        let most = all.iter().max_by(|a, b| far(a).total_cmp(&far(b)))?;
        (ONE_IN * all.len() <= n).then(|| Self {
            frames: all.iter().map(|r| r.frame).collect(),
            most: (most.light / median, most.frame),
            median,
        })
    }

    fn words(&self) -> String {
        let (times, frame) = self.most;
        let n = self.frames.len();
        let which = if n == 1 { String::new() } else { format!(" in frame {frame}") };
        let stands = if n == 1 { "stands" } else { "stand" };
        let furthest = if n == 1 { "" } else { ", at the furthest" };
        format!(
            " {} {} {stands} apart{furthest} with {} times the median light{which}, as of a flash \
             or a lamp that failed.",
            capital(&plural(n, "frame")),
            listed(&self.frames),
            figures(times, 3)
        )
    }
}

/// What the light did, and what was done about it.
fn words(clip: &ClipFolder, rows: &[&Row], apart: Option<&Apart>) -> String {
    let usual = |r: &&&Row| apart.is_none_or(|a| !a.frames.contains(&r.frame));
    let (low, high) = rows
        .iter()
        .filter(usual)
        .map(|r| r.light)
        .fold((f64::INFINITY, 0.0_f64), |(a, b), v| (a.min(v), b.max(v)));
    let swing = 100.0 * (high - low) / (high + low).max(1e-9);
    let divided = if clip.step("flicker").is_none() {
        " Without stage flicker it is left as it was."
    } else if apart.is_some() {
        " Each finished frame was divided by its own value, these too: their light is evened, their \
         noise is not."
    } else {
        " Each finished frame was divided by its own value."
    };
    // With as many figures as tell them apart.
    let places = (3..6).find(|&n| figures(low, n) != figures(high, n)).unwrap_or(6);
    format!(
        "The light of the originals lay between {} and {} of the reference level: \u{b1}{} %.{}{divided}",
        figures(low, places),
        figures(high, places),
        figures(swing, 2),
        apart.map_or(String::new(), Apart::words)
    )
}

/// Mean light of the finished frames against their median, where the preview was made.
fn light_after(clip: &ClipFolder, rows: &[&Row], time: &Time) -> Option<Vec<[f64; 2]>> {
    let light = &clip.preview.as_ref()?.light;
    let mut levels: Vec<f64> = light.iter().map(|l| l.1).collect();
    let middle = median_f64(&mut levels).filter(|m| *m > 0.0)?;
    let mut all = light.iter().peekable();
    let points = rows.iter().filter_map(|r| {
        while all.next_if(|l| l.0 < r.frame).is_some() {}
        let (_, level) = all.next_if(|l| l.0 == r.frame)?;
        Some([time.at(r), level / middle])
    });
    Some(points.collect())
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

/// The spectrum with what lamps on the mains do in it. Of ripple that is faster than half the rate
/// nothing is said: what shows at its alias can be anything.
fn light_spectrum(clip: &ClipFolder, s: &Spectrum, rate: f64) -> Markup {
    let lamps: Vec<f64> =
        mains(clip).iter().map(|m| 2.0 * m).filter(|hz| *hz <= rate / 2.0).collect();
    let Some(slowest) = lamps.first() else { return html! {} };
    let words = lamp_words(clip, s, rate, &lamps);
    let given = !clip.get(&["facts", "mains"]).is_null();
    let note = if s.n as f64 / rate * slowest < PERIODS {
        "The clip is too short to tell lamp ripple from drift.".to_owned()
    } else if given {
        words
    } else {
        format!("{words} The mains frequency was not given, so both common ones are marked.")
    };
    let mark = |hz: &f64| Mark { x: *hz, label: format!("{} Hz", figures(*hz, 3)) };
    let plot = Plot {
        id: "lamp-p",
        title: "Spectrum of the light, with twice the mains frequency marked".to_owned(),
        description: note.clone(),
        x_label: "frequency, Hz".to_owned(),
        y_label: "amplitude".to_owned(),
        lines: vec![Line::new("light", s.points(rate))],
        marks: lamps.iter().map(mark).collect(),
        from_zero: true,
    };
    html! { h3 { (plot.title) } p { (note) } (plot.svg()) }
}

/// The lamp that was fitted; where none was, what the spectrum has where one would be.
fn lamp_words(clip: &ClipFolder, s: &Spectrum, rate: f64, lamps: &[f64]) -> String {
    let fitted = |key| clip.number(&["lamp_ripple", key]);
    if let (Some(hz), Some(amplitude)) = (fitted("hz"), fitted("amplitude")) {
        return format!(
            "A lamp on the mains ripples at {} Hz, by \u{b1}{} % of the mean light.",
            figures(hz, 5),
            figures(100.0 * amplitude, 3)
        );
    }
    let length = s.n as f64 / rate;
    let at = |hz: &f64| {
        let near = (hz * length).round();
        let line = (s.amplitude.iter().enumerate())
            .filter(|(k, _)| (*k as f64 - near).abs() <= 1.0)
            .fold(0.0, |most: f64, (_, a)| most.max(*a));
        format!("\u{b1}{} % at {} Hz", figures(100.0 * line, 2), figures(*hz, 3))
    };
    let all: Vec<String> = lamps.iter().map(at).collect();
    format!(
        "No lamp on the mains was found in the light; where its ripple would be there is {}, of \
         whatever cause.",
        all.join(" and ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(frame: u64, light: f64) -> Row {
        Row {
            frame,
            time_s: None,
            shift: [0.0; 2],
            sigma: None,
            light,
            noise_e: None,
            status: "ok",
        }
    }

    fn apart(light: impl Fn(u64) -> f64) -> Option<Apart> {
        let rows: Vec<Row> = (1..=200).map(|n| row(n, light(n))).collect();
        Apart::of(&rows.iter().collect::<Vec<_>>())
    }

    /// A lamp of 100 Hz and 35 % at 1000 frames a second.
    fn lamp(n: u64) -> f64 {
        1.0 + 0.35 * libm::sin(std::f64::consts::TAU * 0.1 * n as f64)
    }

    #[test]
    fn a_flash_in_rippling_light_is_told_and_ripple_alone_is_not() {
        assert_eq!(apart(lamp), None);
        assert_eq!(apart(|n| 0.5 + 0.005 * n as f64), None, "a slow change");
        let flash = apart(|n| if (61..=63).contains(&n) { 2.5 } else { lamp(n) }).unwrap();
        assert_eq!(flash.frames, [61, 62, 63]);
        let told = flash.words();
        assert!(told.contains("Frames 61 to 63 stand apart, at the furthest with 2.5"), "{told}");
        let dark = apart(|n| if n == 7 { 0.05 } else { lamp(n) }).unwrap();
        assert!(dark.words().contains("Frame 7 stands apart with 0.0"), "{}", dark.words());
        assert_eq!(apart(|n| if n % 10 == 0 { 9.0 } else { 1.0 }), None, "a lamp that pulses");
    }

    /// A page's words of a clip of rippling light with a flash in it.
    fn told(mut record: serde_json::Value, rate: f64) -> String {
        let dir = tempfile::tempdir().unwrap();
        record["rates"] = serde_json::json!({ "capture": rate.to_string() });
        record["registration"] = serde_json::json!({ "locked": true });
        std::fs::write(dir.path().join("record.json"), record.to_string()).unwrap();
        let mut csv = String::from("frame,light_gain,status\n");
        for n in 1..=200 {
            let light = if n == 62 { 2.5 } else { lamp(n) };
            csv.push_str(&format!("{n},{light},ok\n"));
        }
        std::fs::write(dir.path().join("frames.csv"), csv).unwrap();
        light(&ClipFolder::read(dir.path())).into_string()
    }

    #[test]
    fn the_fitted_lamp_is_told_where_there_is_one() {
        let fitted = serde_json::json!({
            "lamp_ripple": { "hz": 100.03, "amplitude": 0.34995 },
            "pipeline": { "steps": [{ "use": "flicker" }] },
        });
        let page = told(fitted, 1000.0);
        assert!(page.contains("ripples at 100.03 Hz, by \u{b1}35.0 %"), "{page}");
        assert!(page.contains("Frame 62 stands apart with 2.5"), "{page}");
        assert!(page.contains("lay between 0.667 and 1.33 of the reference level"), "{page}");
        // Without the fit the line of the spectrum, which the flash is not in.
        let page = told(serde_json::json!({}), 1000.0);
        assert!(page.contains("there is \u{b1}35 % at 100 Hz and \u{b1}"), "{page}");
        assert!(page.contains("Without stage flicker"), "{page}");
    }

    #[test]
    fn nothing_is_said_of_lamps_that_the_rate_cannot_follow() {
        for rate in [0.5, 25.0, 199.0] {
            let page = told(serde_json::json!({}), rate);
            assert!(!page.contains("100 Hz") && !page.contains("lamp-p"), "{rate}: {page}");
        }
        let page = told(serde_json::json!({}), 200.0);
        assert!(page.contains("100 Hz") && !page.contains("120 Hz"), "{page}");
    }
}
