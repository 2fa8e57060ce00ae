//! The overview: one row a clip.

use std::fmt::Write as _;

use super::charts::{fault_words, jitter_words};
use super::compare::THUMB;
use super::flash::FlashReport;
use super::html::{escape, figures, href};
use super::page::document;
use super::preview::{MOVIE, PreviewNote};
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
             <td data-k=\"Faults\">{}</td>",
            picture(clip),
            address(clip, super::PAGE),
            escape(&clip.name),
            v.grade.word(),
            escape(&v.sentences.join(" ")),
            escape(&gain),
            escape(&jitter_words(clip)),
            escape(&fault_words(clip))
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
        "<header>\n<h1>The morning after</h1>\n</header>\n<main id=\"main\">\n\
         <section class=\"verdict {}\" aria-label=\"Verdict\"><p><span class=\"word\">{}</span> \
         {} {}: {}.</p></section>\n<section aria-label=\"Clips\">\n<table class=\"night\">\n\
         <caption>Each clip links to its own page</caption>\n<thead><tr>\
         <th scope=\"col\">Picture</th><th scope=\"col\">Clip</th><th scope=\"col\">Verdict</th>\
         <th scope=\"col\">Noise divided by</th><th scope=\"col\">Jitter before \u{2192} after</th>\
         <th scope=\"col\">Faults</th></tr></thead>\n<tbody>\n",
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
         <code>hushframe report</code> makes it again.</p>\n</footer>\n",
    );
    document("The morning after", &body)
}

fn address(clip: &ClipFolder, file: &str) -> String {
    let folder = clip.folder.file_name().unwrap_or_default();
    href(&[folder, std::ffi::OsStr::new(file)])
}

/// The small picture, or the movie under it. It never plays by itself: moving pictures are begun
/// by the person, and a movie that flashes is not offered here at all.
fn picture(clip: &ClipFolder) -> String {
    let thumb = clip.folder.join(THUMB).is_file();
    let safe = |p: &&PreviewNote| p.flash.as_ref().is_none_or(FlashReport::passes);
    match (thumb, clip.preview.as_ref().filter(safe)) {
        (_, Some(p)) => format!(
            "<video controls muted loop playsinline preload=\"none\" width=\"{}\" height=\"{}\"{} \
             src=\"{}\" aria-label=\"Preview of {}\"></video>",
            p.size[0],
            p.size[1],
            if thumb { format!(" poster=\"{}\"", address(clip, THUMB)) } else { String::new() },
            address(clip, MOVIE),
            escape(&clip.name)
        ),
        (true, None) => format!(
            "<img class=\"thumb\" src=\"{}\" alt=\"A finished frame of {}\" loading=\"lazy\">",
            address(clip, THUMB),
            escape(&clip.name)
        ),
        (false, None) => "<span class=\"soft\">no picture</span>".to_owned(),
    }
}
