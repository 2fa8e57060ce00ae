//! Names from disk as text that is safe to print.
//!
//! File names come from other people's disks: they may hold escape codes that move the cursor,
//! direction overrides that make `gpj.exe` read as `exe.jpg`, or bytes that are no text at all.
//! Every message, record and caption shows a name through [`printable`].

use std::ffi::OsStr;
use std::fmt::Write as _;

/// A name or path as one line of harmless text.
///
/// Control characters (C0, DEL, C1), line and paragraph separators, direction marks and
/// overrides (U+061C, U+200E/F, U+202A-202E, U+2066-2069) and the byte-order mark become
/// `\u{..}`; bytes that are no UTF-8 become `\x..`. All else stays as it is, so ordinary names
/// in any script read as they should. For people only: the form cannot be turned back.
#[must_use]
pub fn printable(name: impl AsRef<OsStr>) -> String {
    let mut out = String::new();
    for chunk in name.as_ref().as_encoded_bytes().utf8_chunks() {
        for c in chunk.valid().chars() {
            if is_harmful(c) {
                // Writing into a String cannot fail.
                let _ = write!(out, "\\u{{{:x}}}", u32::from(c));
            } else {
                out.push(c);
            }
        }
        for byte in chunk.invalid() {
            let _ = write!(out, "\\x{byte:02x}");
        }
    }
    out
}

/// Whether a character may change how the text around it is shown.
fn is_harmful(c: char) -> bool {
    c.is_control()
        || matches!(
            c,
            '\u{61c}'
                | '\u{200e}'
                | '\u{200f}'
                | '\u{2028}'..='\u{202e}'
                | '\u{2066}'..='\u{2069}'
                | '\u{feff}'
        )
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    #[test]
    fn ordinary_names_stay() {
        for name in ["comb_000412.tif", "Zungenkamm \u{e4}\u{df}.tif", "\u{97f3}\u{7b71} 01.png"] {
            assert_eq!(printable(name), name);
        }
        assert_eq!(printable(Path::new("a/b c.tif")), "a/b c.tif");
    }

    #[test]
    fn escape_codes_and_overrides_are_shown() {
        assert_eq!(printable("a\u{1b}[2Jb\n"), "a\\u{1b}[2Jb\\u{a}");
        assert_eq!(printable("x\u{202e}gpj.exe"), "x\\u{202e}gpj.exe");
        assert_eq!(printable("\u{85}\u{2069}"), "\\u{85}\\u{2069}");
    }

    #[cfg(unix)]
    #[test]
    fn bytes_that_are_no_text_are_shown() {
        use std::os::unix::ffi::OsStrExt;
        assert_eq!(printable(OsStr::from_bytes(b"f\xff\xfe1.tif")), "f\\xff\\xfe1.tif");
    }
}
