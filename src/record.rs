//! What happened: measures, warnings and where each fact came from. Plain data, no I/O.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Something a person should know, with what to do about it.
///
/// The terminal, the record and the page print the same ones.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, PartialOrd, Ord)]
pub struct Warning {
    /// Short fixed name of the kind, for machines: "few-darks", "no-flat", ...
    pub kind: String,
    /// What was found, with the numbers.
    pub text: String,
    /// What to do about it.
    pub advice: String,
}

impl Warning {
    /// A warning of `kind`.
    pub fn new(kind: &str, text: impl Into<String>, advice: impl Into<String>) -> Self {
        Self { kind: kind.to_owned(), text: text.into(), advice: advice.into() }
    }
}

/// Why a clip failed as a whole; kept as [`crate::footage::FAILED`] in its folder.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Failure {
    /// Its name.
    pub clip: String,
    /// The error, as the terminal said it.
    pub error: String,
}

/// What stages note about one frame: named measures and warnings.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Notes {
    /// Measures by name, for example `noise_dn`.
    pub measures: BTreeMap<String, f64>,
    /// Warnings, in the order they came.
    pub warnings: Vec<Warning>,
}

impl Notes {
    /// Keeps a measure, replacing one of the same name.
    pub fn measure(&mut self, name: &str, value: f64) {
        self.measures.insert(name.to_owned(), value);
    }

    /// Keeps a warning.
    pub fn warn(&mut self, warning: Warning) {
        self.warnings.push(warning);
    }
}

/// How a source frame fared; the words of the `status` column.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, PartialOrd, Ord)]
#[serde(rename_all = "kebab-case")]
pub enum FrameStatus {
    /// All well.
    Ok,
    /// A number in the sequence without a file.
    Missing,
    /// A file that could not be decoded.
    Unreadable,
    /// Its pose could not be measured well and comes from its neighbours.
    LowConfidence,
    /// More than a hundredth of its pixels are saturated.
    Saturated,
}

impl FrameStatus {
    /// The word written into tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Ok => "ok",
            Self::Missing => "missing",
            Self::Unreadable => "unreadable",
            Self::LowConfidence => "low-confidence",
            Self::Saturated => "saturated",
        }
    }
}
/// "1 frame", "2 frames".
#[must_use]
pub fn counted(n: u64, word: &str) -> String {
    format!("{n} {word}{}", if n == 1 { "" } else { "s" })
}
