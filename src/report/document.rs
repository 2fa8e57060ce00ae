//! What all pages have in common: the document round them, sections, words.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::verdict::plural;
use crate::footage::printable;

const STYLE: &str = include_str!("style.css");
const SCRIPT: &str = include_str!("script.js");
const POLICY: &str = "default-src 'none'; img-src 'self' file: data:; media-src 'self' file:; \
                      style-src 'unsafe-inline'; script-src 'unsafe-inline'; base-uri 'none'; \
                      form-action 'none'";

/// A whole document: head, style, body, script. Nothing is loaded but files beside the page.
///
/// Markup has every text escaped by the template. Here, where all pages pass, control and
/// direction characters are made visible besides ([`printable`]), so that no name can turn the
/// text around it; what stands for them has no character that HTML knows.
#[must_use]
pub fn document(title: &str, body: &Markup) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="referrer" content="no-referrer";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                link rel="icon" href="data:,";
                title { (printable(title)) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                a.skip href="#main" { "Skip to the results" }
                (PreEscaped(printable(&body.0)))
                script { (PreEscaped(SCRIPT)) }
            }
        }
    };
    page.into_string()
}

/// A section with a heading; nothing where `body` is empty.
#[must_use]
pub fn section(id: &str, heading: &str, body: &Markup) -> Markup {
    html! {
        @if !body.0.is_empty() {
            section aria-labelledby={ (id) "-h" } id=(id) {
                h2 id={ (id) "-h" } { (heading) }
                (body)
            }
        }
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_a_name_holds_is_markup() {
        let name = "\"><script>alert('x')</script>&amp;\u{202e}\n";
        let page = document(name, &html! { p title=(name) { (name) } });
        // HTML Standard, section 13.1.4 and 13.1.2.3.
        let text = "&quot;&gt;&lt;script&gt;alert('x')&lt;/script&gt;&amp;amp;\\u{202e}\\u{a}";
        let body = format!("<p title=\"{text}\">{text}</p>");
        assert!(page.contains(&format!("<title>{text}</title>")), "{page}");
        assert!(page.contains(&body), "{page}");
    }
}
