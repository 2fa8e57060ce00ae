//! Small TOML files that people write: read safely, and mistakes told with file, line and key.

use std::io::Read;
use std::path::Path;

use serde::de::{DeserializeOwned, Error as _};
use serde::{Deserialize, Deserializer};

use super::open::open_regular;
use super::{FootageError, printable};

/// Largest file that is read; real ones have a few hundred bytes.
const MAX_TOML_BYTES: u64 = 1 << 20;

/// Reads a small TOML file into `T`.
pub(super) fn read_toml<T: DeserializeOwned>(path: &Path) -> Result<T, FootageError> {
    let (file, meta) = open_regular(path)?;
    if meta.len() > MAX_TOML_BYTES {
        return Err(FootageError::Limit {
            path: printable(path),
            what: format!("has {} bytes: such a file has at most {MAX_TOML_BYTES}", meta.len()),
        });
    }
    let mut text = String::new();
    file.take(MAX_TOML_BYTES)
        .read_to_string(&mut text)
        .map_err(|e| FootageError::disk(path, "read", e))?;
    toml::from_str(&text).map_err(|e| toml_fault(path, &text, &e))
}

/// A TOML error as one line: file, line, key, reason.
#[must_use]
pub fn toml_fault(path: &Path, text: &str, error: &toml::de::Error) -> FootageError {
    let mut place = printable(path);
    if let Some(span) = error.span() {
        let number = line_of(text, span.start);
        place = format!("{place}:{number}");
        let line = text.lines().nth(number - 1).unwrap_or("");
        if let Some((key, _)) = line.split_once('=') {
            place = format!("{place}: {}", printable(key.trim()));
        }
    }
    FootageError::Facts { place, what: error.message().trim().replace('\n', "; ") }
}

/// Number of the line that holds byte `at`, counted from 1.
#[must_use]
pub fn line_of(text: &str, at: usize) -> usize {
    text.bytes().take(at).filter(|&b| b == b'\n').count() + 1
}

/// Number of the first line, from byte `from` on, that sets `key`; the line of `from` where none
/// does.
#[must_use]
pub fn key_line(text: &str, from: usize, key: &str) -> usize {
    let first = line_of(text, from);
    let sets = |l: &str| {
        let rest = l.trim_start().trim_start_matches('"').strip_prefix(key)?;
        Some(rest.trim_start_matches('"').trim_start().starts_with('='))
    };
    text.lines()
        .enumerate()
        .skip(first - 1)
        .find(|(_, l)| sets(l) == Some(true))
        .map_or(first, |(i, _)| i + 1)
}

/// What is wrong with a table that was cut out of a text and so has no lines of its own.
#[derive(Debug)]
pub struct TableFault {
    /// The key that is refused when it stands alone; `None` where no single key is.
    pub key: Option<String>,
    /// Its line, or that of the table.
    pub line: usize,
    /// What is wrong, on one line.
    pub what: String,
}

/// Reads a table that begins at byte `from` of `text`.
///
/// # Errors
/// The key at fault, found by reading each alone, and its line.
pub fn read_table<T>(
    table: toml::Table,
    (text, from): (&str, usize),
    read: impl Fn(toml::Table) -> Result<T, toml::de::Error>,
) -> Result<T, TableFault> {
    let said = |e: &toml::de::Error| e.message().trim().replace('\n', "; ");
    read(table.clone()).map_err(|all| {
        for (key, value) in table {
            if let Err(e) = read(toml::Table::from_iter([(key.clone(), value)])) {
                let line = key_line(text, from, &key);
                return TableFault { key: Some(key), line, what: said(&e) };
            }
        }
        TableFault { key: None, line: line_of(text, from), what: said(&all) }
    })
}

/// A number above zero.
pub(super) fn above_zero<'de, D: Deserializer<'de>>(d: D) -> Result<Option<f64>, D::Error> {
    let x = f64::deserialize(d)?;
    if x.is_finite() && x > 0.0 {
        Ok(Some(x))
    } else {
        Err(D::Error::custom(format!("{x} must be a number above zero")))
    }
}

/// Reads a number of times as people write it: "4" or "4x".
///
/// # Errors
/// Where it is no number above zero.
pub fn parse_times(text: &str) -> Result<f64, String> {
    let number = text.trim().trim_end_matches(['x', '\u{d7}']).trim_end();
    let value = number.parse::<f64>().ok().filter(|x| x.is_finite() && *x > 0.0);
    value.ok_or_else(|| format!("\"{text}\" must be a number above zero, such as 4 or 4x"))
}

/// A number of times: 4, or "4x" as text.
pub(super) fn times<'de, D: Deserializer<'de>>(d: D) -> Result<Option<f64>, D::Error> {
    match toml::Value::deserialize(d)? {
        toml::Value::String(text) => parse_times(&text).map(Some).map_err(D::Error::custom),
        other => above_zero(other).map_err(|e: toml::de::Error| D::Error::custom(e.message())),
    }
}

/// A finite number.
pub(super) fn finite<'de, D: Deserializer<'de>>(d: D) -> Result<Option<f64>, D::Error> {
    let x = f64::deserialize(d)?;
    if x.is_finite() { Ok(Some(x)) } else { Err(D::Error::custom(format!("{x} is not finite"))) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, Deserialize)]
    struct One {
        #[serde(deserialize_with = "above_zero")]
        #[expect(dead_code, reason = "only its refusal is looked at")]
        size: Option<f64>,
    }

    #[test]
    fn the_line_of_the_mistake_is_named() {
        let text = "# tines\n\nsize = -2.5 # mm\n";
        let error = toml::from_str::<One>(text).unwrap_err();
        let told = toml_fault(Path::new("comb.toml"), text, &error).to_string();
        assert_eq!(told, "comb.toml:3: size: -2.5 must be a number above zero");
    }

    #[test]
    fn times_may_have_their_sign() {
        #[derive(Debug, Deserialize)]
        struct Times {
            #[serde(deserialize_with = "times")]
            m: Option<f64>,
        }
        for text in ["m = 4", "m = 4.0", "m = \"4x\"", "m = \"4 \u{d7}\"", "m = \"4\""] {
            assert_eq!(toml::from_str::<Times>(text).unwrap().m, Some(4.0), "{text}");
        }
        for (text, why) in [
            ("m = 0", "0 must be a number above zero"),
            ("m = \"-4x\"", "\"-4x\" must be a number above zero"),
            ("m = \"x\"", "above zero"),
            ("m = true", "boolean"),
        ] {
            let told = toml::from_str::<Times>(text).unwrap_err().to_string();
            assert!(told.contains(why), "{text}: {told}");
        }
    }

    #[test]
    fn files_that_are_too_large_or_no_text_are_refused() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("clip.toml");
        std::fs::write(&path, vec![b'#'; 2 << 20]).unwrap();
        assert!(read_toml::<One>(&path).unwrap_err().to_string().contains("at most"));
        std::fs::write(&path, b"size = \xff").unwrap();
        assert!(read_toml::<One>(&path).unwrap_err().to_string().contains("UTF-8"));
    }
}
