//! The parts of a clip's page about its movie: the preview, and whether it flashes.

use std::ffi::OsStr;
use std::fmt::Write as _;

use super::flash::{Failure, FlashReport};
use super::html::{escape, figures, href};
use super::page::{and_more, capital};
use super::preview::{MOVIE, PreviewNote, playing_time};

/// Failing stretches listed at most.
const MOST_LISTED: usize = 50;

/// The movie with its facts. It never plays by itself.
#[must_use]
pub fn preview(p: &PreviewNote, name: &str) -> String {
    let [w, h] = p.size;
    let flashes = p.flash.as_ref().is_some_and(|f| !f.passes());
    let caution = if flashes {
        "<p class=\"bad\"><span class=\"word\">Caution: this movie flashes.</span> It may harm people \
         with photosensitive epilepsy. See the next section before playing or showing it.</p>\n"
    } else {
        ""
    };
    let rate = if p.rate_given {
        format!("at {} frames/s, as given", p.rate)
    } else {
        format!("at {} frames/s, because no playback rate was given", p.rate)
    };
    let words = format!(
        "{} frames, {w} \u{d7} {h} px, {} {rate}; {}. Where a frame is missing the one before it \
         stays.",
        p.frames,
        playing_time(p.duration_s),
        p.frames_shown.words()
    );
    format!(
        "{caution}<video controls muted {}playsinline preload=\"metadata\" width=\"{w}\" \
         height=\"{h}\" src=\"{}\" aria-label=\"Preview of {}\"></video>\n\
         <p class=\"soft\">{}</p>",
        if flashes { "" } else { "loop " },
        href(&[OsStr::new(MOVIE)]),
        escape(name),
        escape(&words)
    )
}

/// The verdict of the screening of a movie of `movie_s` seconds, where it fails, and what to do.
#[must_use]
pub fn flash(f: &FlashReport, movie_s: f64) -> String {
    let mut out = String::new();
    let counts = format!(
        "Most alternating changes within one second over a quarter of any field a third of the \
         picture wide and high: {} of luminance, {} of saturated red; seven fail.",
        f.general_changes, f.red_changes
    );
    if f.passes() {
        let _ = writeln!(
            out,
            "<p class=\"good\"><span class=\"word\">Pass:</span> below the general and the red flash \
             threshold, looped.</p>\n<p>{}</p>",
            escape(&counts)
        );
    } else {
        let _ = writeln!(
            out,
            "<p class=\"bad\"><span class=\"word\">Fails:</span> it flashes more than three times in \
             a second.</p>\n<p>{}</p>",
            escape(&counts)
        );
        out.push_str(&failures(&f.failures));
        if f.failures.iter().any(|x| x.to_s > movie_s) {
            let _ = writeln!(
                out,
                "<p class=\"soft\">The movie is {} s long and screened as a loop: later times lie in \
                 its next turn.</p>",
                figures(movie_s, 3)
            );
        }
        out.push_str(
            "<p>What to do: take lamp flicker out with the stage flicker; lower the contrast or the \
             exposure; show it slower (a lower playback rate has fewer flashes in a second); light \
             the next shoot with direct current. If it must be shown as it is, warn before it.</p>\n",
        );
    }
    if let Some(run) = f.long_run_s {
        let _ = writeln!(
            out,
            "<p>Permitted flashes follow one another for {} s; a run of more than 5 s may still be a \
             risk.</p>",
            figures(run, 2)
        );
    }
    out.push_str(
        "<p class=\"soft\">This is a screening of the preview by the numbers of WCAG 2.2 (2.3.1), read \
         strictly, and of ITU-R BT.1702 as far as they are known. It is not a certified test. Another \
         edit, size, speed or screen may change the result; where the clip is shown a certified test, \
         or a warning before it, may be required.</p>",
    );
    out
}

fn failures(all: &[Failure]) -> String {
    let mut out = String::from(
        "<div class=\"scroll\"><table><caption>Where it fails</caption><thead><tr>\
         <th scope=\"col\">Time in the movie</th><th scope=\"col\">Flash</th>\
         <th scope=\"col\">Field that flashes most</th><th scope=\"col\">More than a quarter of the \
         frame</th></tr></thead><tbody>\n",
    );
    for f in all.iter().take(MOST_LISTED) {
        let percent = f.field.map(|v| format!("{:.0}", 100.0 * v));
        let _ = writeln!(
            out,
            "<tr><th scope=\"row\">{} to {} s</th><td>{}</td><td>across {} to {} %, down {} to {} \
             %</td><td>{}</td></tr>",
            figures(f.from_s, 3),
            figures(f.to_s, 3),
            escape(&capital(&f.kind)),
            percent[0],
            percent[2],
            percent[1],
            percent[3],
            if f.quarter_of_frame { "yes" } else { "no" }
        );
    }
    out.push_str("</tbody></table></div>\n");
    out.push_str(&and_more(MOST_LISTED, all.len(), "stretch", "preview.json").into_string());
    out
}
