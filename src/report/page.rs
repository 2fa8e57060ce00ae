//! The page of one clip.

use std::ffi::OsStr;

use maud::{Markup, html};

use super::charts;
use super::document::{capital, document, section};
use super::html::{figures, href};
use super::light::light;
use super::movie;
use super::noise;
use super::notes::{AFTER, BEFORE, Compared};
use super::read::ClipFolder;
use super::tables;
use super::verdict::{jitter, noise as noise_of, verdict};

/// Name of a clip's page.
pub const PAGE: &str = "report.html";

/// The page.
#[must_use]
pub fn page(clip: &ClipFolder) -> String {
    let body = html! {
        header {
            p { a href="../index.html" { "All clips" } }
            h1 { (clip.name) }
            p.soft { (subtitle(clip)) }
        }
        main id="main" {
            (verdict_section(clip))
            (section("warnings", "Warnings, and what to do", &tables::warnings(clip)))
            @if let Some(p) = &clip.preview {
                (section("preview", "Preview", &movie::preview(p, &clip.name)))
                @if let Some(f) = &p.flash {
                    (section("flash", "Does it flash?", &movie::flash(f, p.duration_s)))
                }
            }
            @if let Some(c) = &clip.compared {
                (section("compare", "Before and after", &compare(c)))
            }
            // Of what was never begun there is nothing more to say.
            @if !clip.record.is_null() || !clip.rows.is_empty() {
                (section("frames", "Frames", &charts::frames(clip)))
                (section("drift", "Where the scene lay", &charts::drift(clip)))
                (section("shake", "What shakes", &charts::shake(clip)))
                (section("light", "Light", &light(clip)))
                (section("noise", "Noise", &noise::part(clip)))
                (section("references", "References", &tables::references(clip)))
                (section("facts", "Facts, and where each came from", &tables::facts(clip)))
                (section("settings", "Stages and settings", &tables::settings(clip)))
            }
        }
        footer {
            p {
                "Made by " (clip.text(&["tool"]).unwrap_or("hushframe"))
                " from record.json, frames.csv and the files beside this page; "
                code { "hushframe report" } " makes it again."
            }
        }
    };
    document(&format!("{} \u{2013} results", clip.name), &body)
}

fn subtitle(clip: &ClipFolder) -> String {
    let mut parts = Vec::new();
    if let Some(name) = clip.text(&["pipeline", "name"]) {
        parts.push(format!("pipeline {name}"));
    }
    if let (Some(w), Some(h)) = (clip.get(&["frame_size"]).get(0), clip.get(&["frame_size"]).get(1))
    {
        parts.push(format!("{w} \u{d7} {h} px"));
    }
    if let Some(rate) = clip.text(&["rates", "capture"]) {
        parts.push(format!("filmed at {rate} frames/s"));
        if let Some(finished) = clip.text(&["combined", "rate"]) {
            let of = clip.combined();
            parts.push(format!("{of} combined into one: {finished} frames/s"));
        }
    }
    if let Some(rate) = clip.text(&["rates", "playback"]) {
        parts.push(format!("shown at {rate}"));
    }
    parts.join(" \u{b7} ")
}

fn verdict_section(clip: &ClipFolder) -> Markup {
    let v = verdict(clip);
    html! {
        section class={ "verdict " (v.grade.class()) } aria-label="Verdict" {
            p { span.word { (v.grade.word()) } " " (v.sentences.join(" ")) }
            dl.sums {
                @for (name, value) in sums(clip) { div { dt { (name) } dd { (value) } } }
            }
        }
    }
}

/// The few numbers at the top.
fn sums(clip: &ClipFolder) -> Vec<(&'static str, String)> {
    let mut all = Vec::new();
    if !clip.rows.is_empty() {
        let made = match (clip.complete, clip.made()) {
            (true, n) => n.to_string(),
            (false, n) => format!("{n} of {}", clip.to_be_made()),
        };
        all.push((
            "Frames made, missing, failed",
            format!("{made}, {}, {}", clip.missing().len(), clip.failed().len()),
        ));
    }
    if let Some(j) = jitter(clip) {
        let before = figures(j.before, 2);
        let both = |after| format!("{before}, about {} px rms", figures(after, 2));
        all.push(match (j.after, j.kept) {
            (Some(a), None) => ("Jitter before, after", both(a)),
            (Some(a), Some(_)) => ("Tremble about the kept path before, after", both(a)),
            (None, _) => ("Jitter", format!("{before} px rms")),
        });
    }
    if let Some(n) = noise_of(clip) {
        let before = n.before.map_or("?".to_owned(), |b| figures(b, 2));
        all.push(("Noise before, after", format!("{before}, {} e\u{2212}", figures(n.after, 2))));
        if let Some(before) = n.before.filter(|_| n.after > 0.0) {
            all.push(("Noise divided by", figures(before / n.after, 2)));
        }
    }
    let share = clip.number(&["registration", "still_share"]).filter(|_| clip.locked());
    if let Some(share) = share {
        all.push(("Still background", format!("{:.0} % of the frame", 100.0 * share)));
    }
    all
}

fn compare(c: &Compared) -> Markup {
    let exposure = if c.same_exposure {
        "both with the same exposure"
    } else if c.coloured {
        "before has its colours from the nearest samples of the mosaic, each made as bright as \
         after at the median"
    } else {
        "before made as bright as after at the median"
    };
    let mosaic = if c.mosaic { ", the colour mosaic in grey as the sensor gave it" } else { "" };
    let ([w, h], n) = (c.size, c.frame);
    html! {
        p {
            "Frame " (n) " at full resolution (" (w) " \u{d7} " (h) " px), as recorded on the left \
             and finished on the right. Move the divider with the slider, with the arrow keys, or \
             by dragging in the picture."
        }
        div.slide {
            label for="cut" { "Divider" }
            input type="range" id="cut" min="0" max="100" value="50" step="1";
            label { input type="checkbox" id="full"; " pixel for pixel" }
        }
        div.pair data-slide="cut" data-full="full" tabindex="0" role="group"
            aria-label="Before and after, one over the other" {
            div.stack {
                img src=(href(&[OsStr::new(BEFORE)])) width=(w) height=(h)
                    alt={ "Frame " (n) " as recorded" };
                img.over src=(href(&[OsStr::new(AFTER)])) width=(w) height=(h)
                    alt={ "Frame " (n) " finished" };
            }
        }
        p.soft {
            (capital(&c.after.words())) "; " (exposure) (mosaic) ". Before has its black level \
             taken off and nothing else; it is moved by whole pixels only."
        }
    }
}
