//! The page of one clip.

use std::ffi::OsStr;
use std::fmt::Write as _;

use maud::{Markup, html};

use super::charts;
use super::compare::{AFTER, BEFORE, Compared};
use super::html::{escape, figures, href};
use super::movie;
use super::noise;
use super::read::ClipFolder;
use super::tables;
use super::verdict::{jitter, noise as noise_of, plural, verdict};

const STYLE: &str = include_str!("style.css");
const SCRIPT: &str = include_str!("script.js");

/// A whole document: head, style, body, script. Nothing is loaded but files beside the page.
#[must_use]
pub fn document(title: &str, body: &str) -> String {
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"referrer\" content=\"no-referrer\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; \
         img-src 'self' file: data:; media-src 'self' file:; style-src 'unsafe-inline'; \
         script-src 'unsafe-inline'; base-uri 'none'; form-action 'none'\">\n\
         <link rel=\"icon\" href=\"data:,\">\n\
         <title>{}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n\
         <a class=\"skip\" href=\"#main\">Skip to the results</a>\n{body}\
         <script>\n{SCRIPT}</script>\n</body>\n</html>\n",
        escape(title)
    )
}

/// A section with a heading; nothing where `body` is empty.
#[must_use]
pub fn section(id: &str, heading: &str, body: &str) -> String {
    if body.is_empty() {
        return String::new();
    }
    format!(
        "<section aria-labelledby=\"{id}-h\" id=\"{id}\">\n<h2 id=\"{id}-h\">{}</h2>\n{body}\n\
         </section>\n",
        escape(heading)
    )
}

/// The page.
#[must_use]
pub fn page(clip: &ClipFolder) -> String {
    let tool = clip.text(&["tool"]).unwrap_or("hushframe");
    let mut body = String::new();
    let _ = writeln!(
        body,
        "<header>\n<p><a href=\"../index.html\">All clips</a></p>\n<h1>{}</h1>\n\
         <p class=\"soft\">{}</p>\n</header>\n<main id=\"main\">",
        escape(&clip.name),
        escape(&subtitle(clip))
    );
    body.push_str(&verdict_section(clip));
    let warned = tables::warnings(clip);
    body.push_str(&section("warnings", "Warnings, and what to do", &warned));
    if let Some(p) = &clip.preview {
        body.push_str(&section("preview", "Preview", &movie::preview(p, &clip.name)));
        if let Some(f) = &p.flash {
            body.push_str(&section("flash", "Does it flash?", &movie::flash(f, p.duration_s)));
        }
    }
    if let Some(c) = &clip.compared {
        body.push_str(&section("compare", "Before and after", &compare(c)));
    }
    body.push_str(&section("frames", "Frames", &charts::frames(clip).into_string()));
    body.push_str(&section("drift", "Where the scene lay", &charts::drift(clip).into_string()));
    body.push_str(&section("shake", "What shakes", &charts::shake(clip).into_string()));
    body.push_str(&section("light", "Light", &charts::light(clip).into_string()));
    body.push_str(&section("noise", "Noise", &noise::part(clip).into_string()));
    body.push_str(&section("references", "References", &tables::references(clip)));
    body.push_str(&section("facts", "Facts, and where each came from", &tables::facts(clip)));
    body.push_str(&section("settings", "Stages and settings", &tables::settings(clip)));
    let _ = writeln!(
        body,
        "</main>\n<footer>\n<p>Made by {} from record.json, frames.csv and the files beside this \
         page; <code>hushframe report</code> makes it again.</p>\n</footer>",
        escape(tool)
    );
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

fn verdict_section(clip: &ClipFolder) -> String {
    let v = verdict(clip);
    let mut out = format!(
        "<section class=\"verdict {}\" aria-label=\"Verdict\">\n<p><span class=\"word\">{}</span> \
         {}</p>\n<dl class=\"sums\">\n",
        v.grade.class(),
        v.grade.word(),
        escape(&v.sentences.join(" "))
    );
    for (name, value) in sums(clip) {
        let _ = writeln!(out, "<div><dt>{}</dt><dd>{}</dd></div>", escape(name), escape(&value));
    }
    out.push_str("</dl>\n</section>\n");
    out
}

/// The few numbers at the top.
fn sums(clip: &ClipFolder) -> Vec<(&'static str, String)> {
    let mut all = Vec::new();
    if !clip.rows.is_empty() {
        all.push((
            "Frames made, missing, failed",
            format!("{}, {}, {}", clip.made(), clip.missing().len(), clip.failed().len()),
        ));
    }
    if let Some(j) = jitter(clip) {
        let after = j.after.map_or("?".to_owned(), |a| format!("about {}", figures(a, 2)));
        all.push(("Jitter before, after", format!("{}, {after} px rms", figures(j.before, 2))));
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

fn compare(c: &Compared) -> String {
    let exposure = if c.same_exposure {
        "both with the same exposure"
    } else if c.coloured {
        "before has its colours from the nearest samples of the mosaic, each made as bright as \
         after at the median"
    } else {
        "before made as bright as after at the median"
    };
    let mosaic = if c.mosaic { ", the colour mosaic in grey as the sensor gave it" } else { "" };
    let [w, h] = c.size;
    format!(
        "<p>Frame {} at full resolution ({w} \u{d7} {h} px), as recorded on the left and finished \
         on the right. Move the divider with the slider, with the arrow keys, or by dragging in the \
         picture.</p>\n\
         <div class=\"slide\"><label for=\"cut\">Divider</label>\
         <input type=\"range\" id=\"cut\" min=\"0\" max=\"100\" value=\"50\" step=\"1\">\
         <label><input type=\"checkbox\" id=\"full\"> pixel for pixel</label></div>\n\
         <div class=\"pair\" data-slide=\"cut\" data-full=\"full\" tabindex=\"0\" role=\"group\" \
         aria-label=\"Before and after, one over the other\"><div class=\"stack\">\
         <img src=\"{}\" width=\"{w}\" height=\"{h}\" alt=\"Frame {} as recorded\">\
         <img class=\"over\" src=\"{}\" width=\"{w}\" height=\"{h}\" alt=\"Frame {} finished\">\
         </div></div>\n<p class=\"soft\">{}; {exposure}{mosaic}. Before has its black level taken \
         off and nothing else; it is moved by whole pixels only.</p>",
        c.frame,
        href(&[OsStr::new(BEFORE)]),
        c.frame,
        href(&[OsStr::new(AFTER)]),
        c.frame,
        escape(&capital(&c.after.words()))
    )
}

/// With a capital first letter.
#[must_use]
pub fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or(String::new(), |c| c.to_uppercase().chain(chars).collect())
}

/// "And 3 more reasons" and the like for lists that are cut.
#[must_use]
pub fn and_more(shown: usize, all: usize, word: &str, place: &str) -> Markup {
    let n = all.saturating_sub(shown);
    html! {
        @if n > 0 { p { "And " (n) " more " (plural(n, word)) ", listed in " (place) "." } }
    }
}
