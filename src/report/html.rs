//! Addresses and numbers in pages. Text becomes HTML in templates only (`maud::html!`), which
//! escape it; a page has no place where a record's text becomes script, style or an address.

use std::fmt::Write as _;

/// A relative address of a file in a folder beside the page: percent-encoded (RFC 3986), each
/// segment on its own, and always with "./" before it, so that no name reads as a scheme.
#[must_use]
pub fn href(segments: &[&std::ffi::OsStr]) -> String {
    let mut out = String::from(".");
    for segment in segments {
        out.push('/');
        for &byte in segment.as_encoded_bytes() {
            if byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.' | b'_' | b'~') {
                out.push(char::from(byte));
            } else {
                // Writing into a String cannot fail.
                let _ = write!(out, "%{byte:02X}");
            }
        }
    }
    out
}

/// A number with `figures` significant figures, without an exponent where it can be read so.
#[must_use]
pub fn figures(x: f64, figures: usize) -> String {
    if !x.is_finite() {
        return "not a number".to_owned();
    }
    if x == 0.0 {
        return "0".to_owned();
    }
    // The exponent of the rounded number: 9.996 with three figures is 10.0.
    let scientific = format!("{x:.*e}", figures.saturating_sub(1));
    let exponent: i64 = scientific.split('e').nth(1).and_then(|e| e.parse().ok()).unwrap_or(0);
    if !(-5..=6).contains(&exponent) {
        return scientific.replace('e', " \u{d7} 10^");
    }
    let wanted = i64::try_from(figures).unwrap_or(3) - 1 - exponent;
    let decimals = usize::try_from(wanted).unwrap_or(0);
    format!("{x:.decimals$}").replace('-', "\u{2212}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::ffi::OsStr;

    #[test]
    fn addresses_stay_inside() {
        assert_eq!(href(&[OsStr::new("a b"), OsStr::new("x.mp4")]), "./a%20b/x.mp4");
        assert_eq!(href(&[OsStr::new("javascript:alert(1)")]), "./javascript%3Aalert%281%29");
        assert_eq!(href(&[OsStr::new("\"<>%")]), "./%22%3C%3E%25");
    }

    #[test]
    fn figures_are_significant_ones() {
        assert_eq!(figures(0.239_304, 3), "0.239");
        assert_eq!(figures(9.996, 3), "10.0");
        assert_eq!(figures(5000.0, 4), "5000");
        assert_eq!(figures(-1.5, 2), "\u{2212}1.5");
        assert_eq!(figures(1.5e-9, 2), "1.5 \u{d7} 10^-9");
    }
}
