//! `hushframe stages`.

use std::fmt::Write as _;

use anyhow::bail;

use super::{Outcome, Ui};
use crate::pipeline::STAGES;
use crate::stages::{Realm, StageDoc};

/// Arguments of `stages`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Name of one stage
    name: Option<String>,
}

fn word(realm: Realm) -> &'static str {
    match realm {
        Realm::Sensor => "sensor",
        Realm::Linear => "linear",
        Realm::Display => "display",
    }
}

fn takes(doc: &StageDoc) -> String {
    doc.takes.iter().map(|&r| word(r)).collect::<Vec<_>>().join(" or ")
}

fn as_json(doc: &StageDoc) -> serde_json::Value {
    serde_json::json!({
        "name": doc.name,
        "summary": doc.summary,
        "takes": doc.takes.iter().map(|&r| word(r)).collect::<Vec<_>>(),
        "gives": doc.gives.map(word),
        "settings": doc.settings.iter().map(|s| serde_json::json!({
            "name": s.name, "unit": s.unit, "range": s.range, "default": s.default,
            "meaning": s.meaning,
        })).collect::<Vec<_>>(),
    })
}

pub(super) fn run(args: &Args, ui: &Ui) -> anyhow::Result<Outcome> {
    let shown: Vec<&StageDoc> = match &args.name {
        None => STAGES.to_vec(),
        Some(name) => STAGES.iter().copied().filter(|d| d.name == name).collect(),
    };
    if shown.is_empty() {
        let names: Vec<&str> = STAGES.iter().map(|d| d.name).collect();
        bail!(
            "there is no stage \"{}\": {}",
            args.name.clone().unwrap_or_default(),
            names.join(", ")
        );
    }
    if ui.json {
        let all: Vec<_> = shown.iter().map(|d| as_json(d)).collect();
        ui.result(&all)?;
        return Ok(Outcome::Well);
    }
    let mut text = String::new();
    for doc in shown {
        if args.name.is_none() {
            let _ = writeln!(text, "{:12} {}", doc.name, doc.summary);
            continue;
        }
        let _ = writeln!(text, "{}: {}\n", doc.name, doc.summary);
        let gives = doc.gives.map_or("the same", word);
        let _ = writeln!(text, "takes {} values, gives {gives}", takes(doc));
        for s in doc.settings {
            let _ = writeln!(text, "\n  {} = {}", s.name, s.default);
            let _ = writeln!(text, "      {}", s.meaning);
            let _ = writeln!(text, "      unit: {}; {}", s.unit, s.range);
        }
        if doc.settings.is_empty() {
            let _ = writeln!(text, "\n  no settings");
        }
    }
    ui.print(&text);
    Ok(Outcome::Well)
}
