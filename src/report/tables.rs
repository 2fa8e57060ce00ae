//! The parts of a clip's page that are lists: warnings, references, facts, settings.

use maud::{Markup, html};
use serde_json::Value;

use super::document::capital;
use super::html::figures;
use super::read::ClipFolder;
use crate::pipeline::STAGES;

/// Facts in the order people think of them: key, name, unit.
const FACTS: &[(&str, &str, &str)] = &[
    ("rate", "Capture rate", "frames/s"),
    ("playback", "Playback rate", "frames/s"),
    ("exposure", "Exposure of a frame", ""),
    ("magnification", "Magnification", "times"),
    ("pixel_pitch", "Pixel pitch of the sensor", ""),
    ("scale", "Size of a pixel on the object", ""),
    ("trigger_frame", "Trigger frame", ""),
    ("mosaic", "Colour mosaic", ""),
    ("black", "Black level", "DN"),
    ("white", "White level", "DN"),
    ("mains", "Mains", "Hz"),
    ("row_time", "Time from row to row", ""),
    ("binning", "Sensor pixels read as one, along a side", ""),
];

fn table(caption: &str, heads: &[&str], rows: &[Vec<String>]) -> Markup {
    html! {
        div.scroll {
            // In a narrow window three columns stand below one another, each with its head before
            // it.
            table class=[(heads.len() > 2).then_some("stack")] {
                caption { (caption) }
                thead { tr { @for h in heads { th scope="col" { (h) } } } }
                tbody {
                    @for row in rows {
                        tr {
                            @if let Some(first) = row.first() { th scope="row" { (first) } }
                            @for (head, cell) in heads.iter().zip(row).skip(1) {
                                td data-k=(head) { (cell) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The unit of a setting behind its value; a value that is none has none.
fn with_unit(text: &str, unit: &str) -> String {
    if unit == "-" || matches!(text, "none" | "\u{2013}") {
        text.to_owned()
    } else {
        format!("{text} {unit}")
    }
}

/// Lengths and times as pages write them: records have "20um" and "50us".
fn spaced(text: &str) -> String {
    let at = text.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(text.len());
    let (number, unit) = text.split_at(at);
    let unit = match unit {
        "um" => "\u{b5}m",
        "us" => "\u{b5}s",
        "mm" | "ms" | "s" => unit,
        _ => return text.to_owned(),
    };
    if number.parse::<f64>().is_ok() { format!("{number} {unit}") } else { text.to_owned() }
}

/// A value of a record as text, without quotes.
fn plain(value: &Value) -> String {
    match value {
        Value::Null => "\u{2013}".to_owned(),
        Value::Bool(b) => if *b { "yes" } else { "no" }.to_owned(),
        Value::String(s) => spaced(s),
        Value::Number(n) if n.is_f64() => {
            // Settings pass through f32: 0.004999999888 was written as 0.005.
            let x = n.as_f64().unwrap_or(0.0);
            let short = format!("{x:.6}");
            let short = short.trim_end_matches('0').trim_end_matches('.').to_owned();
            if x != 0.0 && x.abs() < 1e-4 { figures(x, 4) } else { short }
        }
        Value::Array(all) if all.is_empty() => "none".to_owned(),
        Value::Array(all) => all.iter().map(plain).collect::<Vec<_>>().join(", "),
        Value::Object(all) => {
            all.iter().map(|(k, v)| format!("{k} {}", plain(v))).collect::<Vec<_>>().join(", ")
        }
        Value::Number(n) => n.to_string(),
    }
}

/// Warnings and faults of the records, with advice.
#[must_use]
pub fn warnings(clip: &ClipFolder) -> Markup {
    let warned = clip.warnings();
    html! {
        @if !(warned.is_empty() && clip.faults.is_empty()) {
            ul.plain {
                @for w in &warned {
                    li.warned { strong { (capital(&w.text)) } " " (capital(&w.advice)) }
                }
                @for fault in &clip.faults { li.warned { strong { (fault) } } }
            }
        }
    }
}

/// Which references were used and what they say of the camera.
#[must_use]
pub fn references(clip: &ClipFolder) -> Markup {
    if clip.record.is_null() {
        return html! {};
    }
    let used = |key: &str, word: &str, gain: &str| match clip.text(&["inputs", key]) {
        Some(hash) => {
            let frames = clip.number(&["references", key, "frames"]);
            let frames = frames.map_or("used".to_owned(), |n| format!("{n} frames"));
            let left = match key {
                "dark" => clip.number(&["references", key, "sigma_dn"]).map(|s| (s, "DN")),
                _ => clip.number(&["references", key, "sigma"]).map(|s| (100.0 * s, "%")),
            };
            let left = left.map_or(String::new(), |(s, unit)| {
                format!("; their mean is known to \u{b1} {} {unit} a pixel", figures(s, 2))
            });
            format!("{frames}{left} (fingerprint {})", hash.get(..12).unwrap_or(hash))
        }
        None => format!("none: {word}; {gain}"),
    };
    let mut rows = vec![
        vec![
            "Black frames".to_owned(),
            used(
                "dark",
                "the sensor's own pattern stays in the picture",
                "record 64 frames with the lens covered, at the clip's exposure",
            ),
        ],
        vec![
            "Even frames".to_owned(),
            used(
                "flat",
                "uneven light and dust stay in the picture",
                "record 64 frames of an even field at about half of white",
            ),
        ],
    ];
    let model = |key: &str| clip.number(&["noise_model", key]);
    let with = |value: Option<f64>, sigma: Option<f64>, unit: &str| {
        value.map(|v| {
            let s = sigma.map_or(String::new(), |s| format!(" \u{b1} {}", figures(s, 2)));
            format!("{}{s} {unit}", figures(v, 4))
        })
    };
    let source = match clip.text(&["noise_model", "source"]) {
        Some("references") => "measured on the references",
        Some(other) => other,
        None => "not known",
    };
    // What is taken for granted has no uncertainty to speak of.
    let known = |sigma: Option<f64>| sigma.filter(|_| source != "assumed");
    let gain_sigma = known(model("gain_sigma"));
    if let Some(text) = with(model("gain_e_per_dn"), gain_sigma, "e\u{2212}/DN") {
        rows.push(vec!["Gain".to_owned(), text]);
    }
    if let Some(text) = with(model("read_noise_e"), known(model("read_noise_sigma")), "e\u{2212}") {
        rows.push(vec!["Read noise".to_owned(), text]);
    }
    rows.push(vec!["Noise model from".to_owned(), source.to_owned()]);
    if let Some(text) = defects(clip) {
        rows.push(vec!["Defective pixels".to_owned(), text]);
    }
    if let Some(sigma) = clip.number(&["row_offsets_dn"]) {
        rows.push(vec!["Spread of row offsets".to_owned(), format!("{} DN", figures(sigma, 3))]);
    }
    table(
        "References and the noise model (\u{b1} is one standard uncertainty)",
        &["What", "Value"],
        &rows,
    )
}

/// How many pixels are defective, of which kinds; one may be of several.
fn defects(clip: &ClipFolder) -> Option<String> {
    let count = |key: &str| clip.get(&["references", "defects", key]).as_u64();
    let any = count("any")?;
    let side = |a: usize| clip.get(&["inputs", "shape", ["width", "height"][a]]).as_u64();
    let share = match (side(0), side(1)) {
        (Some(w), Some(h)) if w > 0 && h > 0 => {
            let percent = 100.0 * any as f64 / (w.saturating_mul(h)) as f64;
            format!(" ({} % of all)", figures(percent, 2))
        }
        _ => String::new(),
    };
    if any == 0 {
        return Some("none found".to_owned());
    }
    let kinds: Vec<String> = [
        ("hot", "hot"),
        ("blinking", "blinking"),
        ("dead", "dead"),
        ("odd", "with a response unlike their neighbours'"),
    ]
    .into_iter()
    .filter_map(|(key, word)| count(key).filter(|n| *n > 0).map(|n| format!("{n} {word}")))
    .collect();
    let several = if kinds.len() > 1 { " (a pixel may be of several kinds)" } else { "" };
    Some(format!("{any}{share}: {}{several}", kinds.join(", ")))
}

/// The facts with their sources.
#[must_use]
pub fn facts(clip: &ClipFolder) -> Markup {
    if clip.record.is_null() {
        return html! {};
    }
    let rows: Vec<Vec<String>> = FACTS
        .iter()
        .filter_map(|(key, name, unit)| {
            let fact = clip.get(&["facts", key]);
            let value = fact.get("value")?;
            let text = if *key == "scale" { scale(value) } else { plain(value) };
            let text = if unit.is_empty() { text } else { format!("{text} {unit}") };
            Some(vec![(*name).to_owned(), text, plain(fact.get("source").unwrap_or(&Value::Null))])
        })
        .collect();
    let given: Vec<&str> = FACTS
        .iter()
        .filter(|(key, ..)| clip.get(&["facts", key]).is_null())
        .map(|(_, name, _)| *name)
        .collect();
    html! {
        (table("Facts of the clip", &["Fact", "Value", "From"], &rows))
        @if !given.is_empty() { p.soft { "Not given: " (given.join(", ").to_lowercase()) "." } }
    }
}

fn scale(value: &Value) -> String {
    let number = |key: &str| value.get(key).and_then(Value::as_f64);
    let Some(um) = number("um_per_px") else { return plain(value) };
    let sigma = number("sigma_um_per_px").map_or(" (uncertainty not known)".to_owned(), |s| {
        format!(" \u{b1} {} (one standard uncertainty)", figures(s, 2))
    });
    let file = value.get("file").and_then(Value::as_str);
    let file = file.map_or(String::new(), |f| format!(", from {f}"));
    format!("{} \u{b5}m{sigma}{file}", figures(um, 5))
}

/// Stages in their order with their settings.
#[must_use]
pub fn settings(clip: &ClipFolder) -> Markup {
    let Some(steps) = clip.get(&["pipeline", "steps"]).as_array() else { return html! {} };
    let mut rows = Vec::new();
    for (n, step) in steps.iter().enumerate() {
        let name = step.get("use").and_then(Value::as_str).unwrap_or("?");
        let doc = STAGES.iter().find(|d| d.name == name);
        let summary = doc.map_or("", |d| d.summary);
        let set: Vec<String> = step
            .as_object()
            .into_iter()
            .flatten()
            .filter(|(k, _)| *k != "use")
            .map(|(k, v)| {
                let unit = doc
                    .and_then(|d| d.settings.iter().find(|s| s.name == k))
                    .map_or("-", |s| s.unit);
                format!("{k} = {}", with_unit(&plain(v), unit))
            })
            .collect();
        let set = match idle(clip, name) {
            Some(why) => why.to_owned(),
            None if set.is_empty() => "no settings".to_owned(),
            None => set.join("; "),
        };
        rows.push(vec![format!("{}. {name}", n + 1), summary.to_owned(), set]);
    }
    let heads = ["Stage", "What it does", "Settings"];
    html! { (table("Stages in the order they were done", &heads, &rows)) (output(clip)) }
}

/// Why a stage of the pipeline had nothing to do for this clip.
fn idle(clip: &ClipFolder, stage: &str) -> Option<&'static str> {
    let lacks = |at: &[&str]| clip.get(at).is_null();
    match stage {
        "dark" if lacks(&["references", "dark"]) => {
            Some("no black reference: only the black level was taken off")
        }
        "flat" if lacks(&["references", "flat"]) => Some("no even field: nothing to do"),
        "demosaic" if lacks(&["facts", "mosaic"]) => Some("no colour mosaic: nothing to do"),
        _ => None,
    }
}

fn output(clip: &ClipFolder) -> Markup {
    let mut rows = Vec::new();
    let mut row = |name: &str, text: Option<String>| {
        if let Some(text) = text {
            rows.push(vec![name.to_owned(), text]);
        }
    };
    let pair = |key: &str| {
        let v = clip.get(&[key]);
        Some(format!("{}, {}", v.get(0)?, v.get(1)?))
    };
    row("Frame size, px", pair("frame_size"));
    row("Top-left corner in the reference, px", pair("origin_px"));
    let out_scale = |key: &str| clip.number(&["output_scale", key]);
    row("Output DN for one input DN", out_scale("dn_per_input_dn").map(|v| figures(v, 4)));
    row("Output DN for one electron", out_scale("dn_per_electron").map(|v| figures(v, 4)));
    row("Pedestal", out_scale("pedestal_dn").map(|v| format!("{} DN", figures(v, 4))));
    row(
        "Values of the finished frames",
        Some(match clip.text(&["output_scale", "coded"]) {
            Some(_) => "coded for display".to_owned(),
            None => "linear light".to_owned(),
        }),
    );
    row(
        "Misfit of the registration (1 is as the noise model says)",
        clip.number(&["registration", "misfit"]).filter(|_| clip.locked()).map(|v| figures(v, 3)),
    );
    row("Job", clip.text(&["key"]).map(|k| k.get(..16).unwrap_or(k).to_owned()));
    table("The finished frames", &["What", "Value"], &rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_are_written_in_one_way() {
        assert_eq!(plain(&Value::from("20um")), "20 \u{b5}m");
        assert_eq!(plain(&Value::from("1.003um")), "1.003 \u{b5}m");
        assert_eq!(plain(&Value::from("50us")), "50 \u{b5}s");
        assert_eq!(plain(&Value::from("2ms")), "2 ms");
        for text in ["auto", "top-left", "RGGB", "30000/1001", "sum", "5 apples", ""] {
            assert_eq!(plain(&Value::from(text)), text);
        }
        assert_eq!(with_unit(&plain(&serde_json::json!([])), "px"), "none");
        assert_eq!(with_unit("20", "px"), "20 px");
        assert_eq!(with_unit("quality", "-"), "quality");
    }
}
