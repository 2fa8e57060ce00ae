//! The overview: one row a clip.

use std::fmt::Write as _;

use super::charts::{fault_words, jitter_words};
use super::compare::THUMB;
use super::flash::FlashReport;
use super::html::{escape, figures, href};
use super::page::document;
use super::preview::{MOVIE, PreviewNote, playing_time};
use super::read::ClipFolder;
use super::verdict::{Grade, noise, plural, verdict};

/// What the overview shows of a clip; the clip's rows need not be kept for it.
#[derive(Debug, Clone)]
pub struct Line {
    grade: Grade,
    cells: String,
}

impl Line {
    /// Of a clip.
    #[must_use]
    pub fn of(clip: &ClipFolder) -> Self {
        let v = verdict(clip);
        let gain = noise(clip)
            .and_then(|n| n.before.map(|b| b / n.after.max(1e-9)))
            .map_or("\u{2013}".to_owned(), |g| figures(g, 2));
        let cells = format!(
            "<td>{}</td><th scope=\"row\"><a class=\"name\" href=\"{}\">{}</a></th>\
             <td data-k=\"Verdict\"><span class=\"word\">{}</span> {}</td>\
             <td data-k=\"Noise divided by\">{}</td><td data-k=\"Jitter\">{}</td>\
             <td data-k=\"Faults\">{}</td><td data-k=\"Time\">{}</td>",
            picture(clip),
            address(clip, super::PAGE),
            escape(&clip.name),
            v.grade.word(),
            escape(&v.sentences.join(" ")),
            escape(&gain),
            escape(&jitter_words(clip)),
            escape(&fault_words(clip)),
            escape(&times(clip))
        );
        Self { grade: v.grade, cells }
    }
}

/// The page.
#[must_use]
pub fn index(lines: &[Line]) -> String {
    let count = |g: Grade| lines.iter().filter(|l| l.grade == g).count();
    let words: Vec<String> =
        [(Grade::Good, "all well"), (Grade::Fair, "to look at"), (Grade::Bad, "with faults")]
            .into_iter()
            .filter(|(grade, _)| count(*grade) > 0)
            .map(|(grade, word)| format!("{} {word}", count(grade)))
            .collect();
    let worst = lines.iter().map(|l| l.grade).max().unwrap_or(Grade::Good);
    let mut body = format!(
        "<div class=\"wide\">\n<header>\n<h1>The morning after</h1>\n</header>\n<main id=\"main\">\n\
         <section class=\"verdict {}\" aria-label=\"Verdict\"><p><span class=\"word\">{}</span> \
         {} {}: {}.</p></section>\n<section aria-label=\"Clips\">\n<table class=\"night\">\n\
         <caption>Each clip links to its own page</caption>\n<thead><tr>\
         <th scope=\"col\">Picture</th><th scope=\"col\">Clip</th><th scope=\"col\">Verdict</th>\
         <th scope=\"col\">Noise divided by</th><th scope=\"col\">Jitter before \u{2192} after</th>\
         <th scope=\"col\">Faults</th><th scope=\"col\">Time</th></tr></thead>\n<tbody>\n",
        worst.class(),
        worst.word(),
        lines.len(),
        plural(lines.len(), "clip"),
        words.join(", ")
    );
    for line in lines {
        // Writing into a String cannot fail.
        let _ = writeln!(body, "<tr class=\"{}\">{}</tr>", line.grade.class(), line.cells);
    }
    body.push_str(
        "</tbody></table>\n</section>\n</main>\n<footer>\n<p>Made from the records; \
         <code>hushframe report</code> makes it again.</p>\n</footer>\n</div>\n",
    );
    document("The morning after", &body)
}

fn address(clip: &ClipFolder, file: &str) -> String {
    let folder = clip.folder.file_name().unwrap_or_default();
    href(&[folder, std::ffi::OsStr::new(file)])
}

/// How long it was filmed and is shown, and how long it took to make.
fn times(clip: &ClipFolder) -> String {
    let mut parts = Vec::new();
    let n = clip.rows.len() as f64;
    if let Some(rate) = clip.rate().filter(|_| n > 0.0) {
        parts.push(format!("{} filmed", seconds(n / rate)));
    }
    let shown = clip.preview.as_ref().map(|p| p.duration_s).or_else(|| {
        let rate = super::read::rate(clip.text(&["rates", "playback"])?)?;
        Some(n / clip.combined() as f64 / rate)
    });
    if let Some(shown) = shown.filter(|s| *s > 0.0) {
        parts.push(format!("{} shown", seconds(shown)));
    }
    if let Some(took) = clip.took_s {
        parts.push(format!("{}{}", super::MADE_IN, seconds(took)));
    }
    if parts.is_empty() { "\u{2013}".to_owned() } else { parts.join(", ") }
}

fn seconds(s: f64) -> String {
    let text = if s < 1.0 { format!("{} ms", figures(1000.0 * s, 3)) } else { playing_time(s) };
    text.replace(' ', "\u{a0}")
}

/// The small picture, and the movie in its place where the person wants it. It never plays by
/// itself: moving pictures are begun by the person (the script does it for a pointer that rests
/// on the picture, too), and a movie that flashes is not offered here at all.
fn picture(clip: &ClipFolder) -> String {
    let name = escape(&clip.name);
    let thumb = clip.folder.join(THUMB).is_file().then(|| {
        let place = address(clip, THUMB);
        move |alt: &str| {
            format!("<img class=\"thumb\" src=\"{place}\" alt=\"{alt}\" loading=\"lazy\">")
        }
    });
    let safe = |p: &&PreviewNote| p.flash.as_ref().is_none_or(FlashReport::passes);
    match (thumb, clip.preview.as_ref().filter(safe)) {
        (thumb, Some(p)) => format!(
            "<button type=\"button\" class=\"play\" aria-pressed=\"false\" aria-label=\"Play the \
             preview of {name}\">{}<video muted loop playsinline hidden preload=\"none\" \
             width=\"{}\" height=\"{}\" src=\"{}\"></video></button>",
            thumb.map_or_else(|| "<span class=\"thumb none\"></span>".to_owned(), |t| t("")),
            p.size[0],
            p.size[1],
            address(clip, MOVIE)
        ),
        (Some(thumb), None) => thumb(&format!("A finished frame of {name}")),
        (None, None) => "<span class=\"soft\">no picture</span>".to_owned(),
    }
}
