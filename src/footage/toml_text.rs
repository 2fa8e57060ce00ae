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
        let before = text.get(..span.start).unwrap_or(text);
        let number = before.bytes().filter(|&b| b == b'\n').count() + 1;
        place = format!("{place}:{number}");
        let line = text.lines().nth(number - 1).unwrap_or("");
        if let Some((key, _)) = line.split_once('=') {
            place = format!("{place}: {}", printable(key.trim()));
        }
    }
    FootageError::Facts { place, what: error.message().trim().replace('\n', "; ") }
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
    fn files_that_are_too_large_or_no_text_are_refused() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("clip.toml");
        std::fs::write(&path, vec![b'#'; 2 << 20]).unwrap();
        assert!(read_toml::<One>(&path).unwrap_err().to_string().contains("at most"));
        std::fs::write(&path, b"size = \xff").unwrap();
        assert!(read_toml::<One>(&path).unwrap_err().to_string().contains("UTF-8"));
    }
}
