//! The part of a clip's page about noise: what is left against what averaging could do, and the
//! photon transfer curve that electrons come from.

use std::fmt::Write as _;

use maud::{Markup, html};
use serde_json::Value;

use super::charts::Time;
use super::html::figures;
use super::plot::{Line, Plot};
use super::read::ClipFolder;
use super::verdict::noise;

/// The part.
#[must_use]
pub fn part(clip: &ClipFolder) -> Markup {
    html! { (left(clip)) (transfer(clip)) }
}

/// Frames that go into one finished frame at most, and the name of that number; `None` where none
/// are averaged.
fn window(clip: &ClipFolder) -> Option<usize> {
    let frames = clip
        .step("average")
        .and_then(|s| s.get("frames"))
        .and_then(Value::as_u64)
        .unwrap_or(1)
        .max(1);
    let all = usize::try_from(frames.saturating_add(clip.combined() - 1)).ok()?;
    (all > 1).then_some(all)
}

/// For each row, how many frames with a picture lie in the window around it.
///
/// The window is cut at the clip's ends, and one of combined frames reaches from their first to
/// their last.
fn averaged(clip: &ClipFolder, window: usize) -> Vec<usize> {
    let mut before = vec![0_usize];
    for row in &clip.rows {
        before.push(before[before.len() - 1] + usize::from(row.usable()));
    }
    let more = usize::try_from(clip.combined() - 1).unwrap_or(0);
    let half = window.saturating_sub(more).saturating_sub(1) / 2;
    (0..clip.rows.len())
        .map(|i| {
            let to = i.saturating_add(more).saturating_add(half + 1).min(clip.rows.len());
            before[to] - before[i.saturating_sub(half)]
        })
        .collect()
}

/// Noise over time, with the ideal of averaging.
fn left(clip: &ClipFolder) -> Markup {
    let Some(n) = noise(clip) else {
        return html! {
            p {
                "The gain of the camera is not known, so noise has no figure in electrons: give a \
                 folder of black and one of even frames."
            }
        };
    };
    let time = Time::of(clip);
    let mut words = format!(
        "Noise left at the median level: {} e\u{2212} (median of the frames)",
        figures(n.after, 3)
    );
    let points = clip.rows.iter().filter_map(|r| Some([time.at(r), r.noise_e?])).collect();
    let mut lines = vec![Line::new("noise left", points)];
    if let Some(before) = n.before {
        let gain = before / n.after.max(1e-9);
        let _ = write!(
            words,
            "; before, by the noise model: {} e\u{2212}. Divided by {}: as much as averaging {} \
             frames of a still scene would",
            figures(before, 3),
            figures(gain, 2),
            figures(gain * gain, 2)
        );
        if let Some(window) = window(clip) {
            let counts = averaged(clip, window);
            let ideal: Vec<[f64; 2]> = clip
                .rows
                .iter()
                .zip(&counts)
                .filter(|(r, count)| r.noise_e.is_some() && **count > 0)
                .map(|(r, count)| [time.at(r), before / (*count as f64).sqrt()])
                .collect();
            let mut levels: Vec<f64> = ideal.iter().map(|p| p[1]).collect();
            if let Some(level) = crate::math::robust::median_f64(&mut levels) {
                let most = counts.iter().copied().max().unwrap_or(1);
                let _ = write!(
                    words,
                    ". The ideal, if nothing moved and all frames within reach ({most} at most) \
                     were averaged: {} e\u{2212}; less than that is left where smooth places were \
                     smoothed besides",
                    figures(level, 3)
                );
            }
            lines.push(Line::new("ideal of averaging the frames within reach", ideal));
        }
    }
    words.push('.');
    let plot = Plot {
        id: "noise-p",
        title: "Noise left in each frame, and the ideal of averaging".to_owned(),
        description: words.clone(),
        x_label: time.label.to_owned(),
        y_label: "noise, e\u{2212}".to_owned(),
        lines,
        from_zero: true,
        ..Plot::default()
    };
    html! { p { (words) } (plot.svg()) }
}

/// The photon transfer curve with its fit.
fn transfer(clip: &ClipFolder) -> Markup {
    let number = |key: &str| clip.number(&["noise_model", "transfer", key]);
    let points: Vec<[f64; 3]> =
        serde_json::from_value(clip.get(&["noise_model", "transfer", "points"]).clone())
            .unwrap_or_default();
    let (Some(dark), Some(k)) = (number("dark_variance_dn2"), number("k_dn_per_e")) else {
        return html! {};
    };
    let Some(last) = points.last().filter(|p| p[0] > 0.0 && k > 0.0) else {
        return html! {};
    };
    let fitted = number("fitted")
        .map_or(points.len(), |n| crate::frame::convert::floor_usize(n.max(0.0)).min(points.len()));
    let (used, over) = points.split_at(fitted);
    let worst =
        used.iter().map(|p| (p[1] - dark - k * p[0]).abs() / p[2].max(1e-12)).fold(0.0, f64::max);
    let words = format!(
        "Variance grows with light by {} DN\u{b2} a DN, so one DN is {} e\u{2212}. {} points are \
         fitted{}; the worst lies {} of its standard uncertainties off the line.",
        figures(k, 4),
        figures(1.0 / k, 4),
        used.len(),
        if over.is_empty() {
            String::new()
        } else {
            format!(", {} too near saturation are not", over.len())
        },
        figures(worst, 2)
    );
    let dots = |all: &[[f64; 3]]| all.iter().map(|p| [p[0], p[1]]).collect::<Vec<_>>();
    let mut lines = vec![
        Line::new("the fit", vec![[0.0, dark], [last[0], dark + k * last[0]]]),
        Line::dots("places of the even frames, by brightness", dots(used)),
    ];
    if !over.is_empty() {
        lines.push(Line::dots("not fitted", dots(over)));
    }
    let plot = Plot {
        id: "transfer-p",
        title: "Photon transfer: variance over signal".to_owned(),
        description: words.clone(),
        x_label: "signal above dark, DN".to_owned(),
        y_label: "variance in time, DN\u{b2}".to_owned(),
        lines,
        from_zero: true,
        ..Plot::default()
    };
    html! { h3 { (plot.title) } p { (words) } (plot.svg()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clip(rows: usize, steps: &Value, combined: u64) -> ClipFolder {
        let dir = tempfile::tempdir().unwrap();
        let record = serde_json::json!({
            "pipeline": { "steps": steps },
            "combined": { "frames": combined },
            "noise_model": { "transfer": {
                "points": [[10.0, 44.0, 1.0], [20.0, 84.0, 2.0], [30.0, 90.0, 3.0]],
                "fitted": 2, "dark_variance_dn2": 4.0, "k_dn_per_e": 4.0 } },
        });
        std::fs::write(dir.path().join("record.json"), record.to_string()).unwrap();
        let mut csv = "frame,shift_x_px,shift_y_px,noise_e,status\n".to_owned();
        for n in 0..rows {
            let status = if n == 1 { "missing" } else { "ok" };
            csv.push_str(&format!("{n},0,0,,{status}\n"));
        }
        std::fs::write(dir.path().join("frames.csv"), csv).unwrap();
        ClipFolder::read(dir.path())
    }

    #[test]
    fn the_window_is_cut_at_the_ends_and_counts_pictures() {
        let steps = serde_json::json!([{ "use": "average", "frames": 5 }]);
        let c = clip(7, &steps, 1);
        assert_eq!(window(&c), Some(5));
        // Frame 1 has none: 0 and 2 of three; 0, 2, 3; and so on.
        assert_eq!(averaged(&c, 5), [2, 3, 4, 4, 5, 4, 3]);
        assert_eq!(window(&clip(7, &serde_json::json!([]), 1)), None);
        let c = clip(7, &serde_json::json!([]), 3);
        assert_eq!((window(&c), averaged(&c, 3)[0], averaged(&c, 3)[3]), (Some(3), 2, 3));
    }

    #[test]
    fn the_transfer_curve_shows_fitted_points_and_others() {
        let svg = transfer(&clip(3, &serde_json::json!([]), 1)).into_string();
        // Three places and two samples in the legend; the line from the dark point on.
        assert_eq!(svg.matches("<circle").count(), 5, "{svg}");
        assert!(svg.contains("2 points are fitted, 1 too near saturation are not"), "{svg}");
        assert!(svg.contains("one DN is 0.2500 e"), "{svg}");
        assert!(svg.contains("the worst lies 0 of"), "{svg}");
    }
}
