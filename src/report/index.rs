//! The overview: one row a clip.

use maud::{Markup, html};

use super::charts::{fault_words, jitter_words};
use super::document::document;
use super::flash::FlashReport;
use super::html::{figures, href};
use super::notes::{MOVIE, PreviewNote, THUMB};
use super::page::PAGE;
use super::preview::playing_time;
use super::read::ClipFolder;
use super::verdict::{Grade, noise, plural, verdict};

/// Name of the overview.
pub const INDEX: &str = "index.html";

/// The words before that time on the overview.
pub const MADE_IN: &str = "made in ";

/// What the overview shows of a clip; the clip's rows need not be kept for it.
#[derive(Debug, Clone)]
pub struct Line {
    grade: Grade,
    cells: Markup,
}

impl Line {
    /// Of a clip.
    #[must_use]
    pub fn of(clip: &ClipFolder) -> Self {
        let v = verdict(clip);
        let gain = noise(clip)
            .and_then(|n| n.before.map(|b| b / n.after.max(1e-9)))
            .map_or("\u{2013}".to_owned(), |g| figures(g, 2));
        let cells = html! {
            td { (picture(clip)) }
            th scope="row" { a.name href=(address(clip, PAGE)) { (clip.name) } }
            td data-k="Verdict" {
                span.word { (v.grade.word()) } " " (v.sentences.join(" "))
            }
            td data-k="Noise divided by" { (gain) }
            td data-k="Jitter" { (jitter_words(clip)) }
            td data-k="Faults" { (fault_words(clip)) }
            td data-k="Time" { (times(clip)) }
        };
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
    let heads = [
        "Picture",
        "Clip",
        "Verdict",
        "Noise divided by",
        "Jitter before \u{2192} after",
        "Faults",
        "Time",
    ];
    let body = html! {
        div.wide {
            header { h1 { "The morning after" } }
            main id="main" {
                section class={ "verdict " (worst.class()) } aria-label="Verdict" {
                    p {
                        span.word { (worst.word()) } " " (lines.len()) " "
                        (plural(lines.len(), "clip")) ": " (words.join(", ")) "."
                    }
                }
                section aria-label="Clips" {
                    table.night {
                        caption { "Each clip links to its own page" }
                        thead { tr { @for h in heads { th scope="col" { (h) } } } }
                        tbody {
                            @for line in lines { tr class=(line.grade.class()) { (line.cells) } }
                        }
                    }
                }
            }
            footer {
                p { "Made from the records; " code { "hushframe report" } " makes it again." }
            }
        }
    };
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
        parts.push(format!("{}{}", MADE_IN, seconds(took)));
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
fn picture(clip: &ClipFolder) -> Markup {
    let has_thumb = clip.folder.join(THUMB).is_file();
    let thumb = |alt: &str| {
        html! { img.thumb src=(address(clip, THUMB)) alt=(alt) loading="lazy"; }
    };
    let safe = |p: &&PreviewNote| p.flash.as_ref().is_none_or(FlashReport::passes);
    html! {
        @if let Some(p) = clip.preview.as_ref().filter(safe) {
            button.play type="button" aria-pressed="false"
                aria-label={ "Play the preview of " (clip.name) } {
                @if has_thumb { (thumb("")) } @else { span.thumb.none {} }
                video muted loop playsinline hidden preload="none" width=(p.size[0])
                    height=(p.size[1]) src=(address(clip, MOVIE)) {}
            }
        } @else if has_thumb {
            (thumb(&format!("A finished frame of {}", clip.name)))
        } @else {
            span.soft { "no picture" }
        }
    }
}
