//! The parts of a clip's page about its movie: the preview, and whether it flashes.

use std::ffi::OsStr;

use maud::{Markup, html};

use super::document::{and_more, capital};
use super::flash::{Failure, FlashReport};
use super::flash_count::MOST_CHANGES;
use super::html::{figures, href};
use super::notes::{MOVIE, PreviewNote};
use super::preview::playing_time;

/// Failing stretches listed at most.
const MOST_LISTED: usize = 50;

/// The movie with its facts. It never plays by itself.
#[must_use]
pub fn preview(p: &PreviewNote, name: &str) -> Markup {
    let [w, h] = p.size;
    let flashes = p.flash.as_ref().is_some_and(|f| !f.passes());
    let rate = if p.rate_given { "as given" } else { "because no playback rate was given" };
    html! {
        @if flashes {
            p.bad {
                span.word { "Caution: this movie flashes." }
                " It may harm people with photosensitive epilepsy. See the next section before \
                 playing or showing it."
            }
        }
        video controls muted loop[!flashes] playsinline preload="metadata" width=(w) height=(h)
            src=(href(&[OsStr::new(MOVIE)])) aria-label={ "Preview of " (name) } {}
        p.soft {
            (p.frames) " frames, " (w) " \u{d7} " (h) " px, " (playing_time(p.duration_s)) " at "
            (p.rate.to_string()) " frames/s, " (rate) "; " (p.frames_shown.words())
            ". Where a frame is missing the one before it stays."
        }
    }
}

/// The verdict of the screening of a movie of `movie_s` seconds, where it fails, and what to do.
#[must_use]
pub fn flash(f: &FlashReport, movie_s: f64) -> Markup {
    let counts = format!(
        "Most alternating changes within one second over a quarter of any field a third of the \
         picture wide and high: {} of luminance, {} of saturated red; seven fail.",
        f.general_changes, f.red_changes
    );
    html! {
        @if f.passes() {
            p.good {
                span.word { "Pass:" } " below the general and the red flash threshold, looped."
            }
            p { (counts) }
        } @else {
            p.bad { span.word { "Fails:" } " " (counted(f)) }
            p { (counts) }
            (failures(&f.failures))
            @if f.failures.iter().any(|x| x.to_s > movie_s) {
                p.soft {
                    "The movie is " (figures(movie_s, 3)) " s long and screened as a loop: later \
                     times lie in its next turn."
                }
            }
            p {
                "What to do: take lamp flicker out with the stage flicker; lower the contrast or \
                 the exposure; show it slower (a lower playback rate has fewer flashes in a \
                 second); light the next shoot with direct current. If it must be shown as it is, \
                 warn before it."
            }
        }
        @if let Some(run) = f.long_run_s {
            p {
                "Permitted flashes follow one another for " (figures(run, 2)) " s; a run of more \
                 than 5 s may still be a risk."
            }
        }
        p.soft {
            "This is a screening of the preview by the numbers of WCAG 2.2 (2.3.1), read strictly, \
             and of ITU-R BT.1702 as far as they are known. It is not a certified test. Another \
             edit, size, speed or screen may change the result; where the clip is shown a \
             certified test, or a warning before it, may be required."
        }
    }
}

/// What was counted, where it is too much.
fn counted(f: &FlashReport) -> String {
    let kinds = [(f.general_changes, "luminance"), (f.red_changes, "saturated red")];
    let over: Vec<(usize, &str)> = kinds.into_iter().filter(|(n, _)| *n >= MOST_CHANGES).collect();
    let list: Vec<String> =
        over.iter().map(|(n, of)| format!("{n} alternating changes of {of}")).collect();
    let allowed = MOST_CHANGES - 1;
    // Three flashes and a half: the half is where the clip begins.
    let edge = if over.iter().all(|(n, _)| *n == MOST_CHANGES) {
        "; light at exactly three flashes a second has seven where the clip begins in the middle \
         of a swing"
    } else {
        ""
    };
    format!("{} in one second; {allowed} are allowed{edge}.", list.join(" and "))
}

fn failures(all: &[Failure]) -> Markup {
    html! {
        div.scroll {
            table {
                caption { "Where it fails" }
                thead {
                    tr {
                        th scope="col" { "Time in the movie" }
                        th scope="col" { "Flash" }
                        th scope="col" { "Field that flashes most" }
                        th scope="col" { "More than a quarter of the frame" }
                    }
                }
                tbody {
                    @for f in all.iter().take(MOST_LISTED) {
                        @let [left, top, right, low] = f.field.map(|v| format!("{:.0}", 100.0 * v));
                        tr {
                            th scope="row" { (figures(f.from_s, 3)) " to " (figures(f.to_s, 3)) " s" }
                            td { (capital(&f.kind)) }
                            td {
                                "across " (left) " to " (right) " %, down " (top) " to " (low) " %"
                            }
                            td { @if f.quarter_of_frame { "yes" } @else { "no" } }
                        }
                    }
                }
            }
        }
        (and_more(MOST_LISTED, all.len(), "stretch", "preview.json"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_fails_is_what_was_counted() {
        let report = |general_changes, red_changes| FlashReport {
            general_changes,
            red_changes,
            failures: Vec::new(),
            long_run_s: None,
        };
        assert_eq!(
            counted(&report(7, 2)),
            "7 alternating changes of luminance in one second; 6 are allowed; light at exactly \
             three flashes a second has seven where the clip begins in the middle of a swing."
        );
        assert_eq!(
            counted(&report(10, 8)),
            "10 alternating changes of luminance and 8 alternating changes of saturated red in one \
             second; 6 are allowed."
        );
    }
}
