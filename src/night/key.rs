//! The key of a job: what tells whether a clip was done already.

use std::collections::BTreeMap;
use std::time::UNIX_EPOCH;

use serde::Serialize;

use super::job::VERSION;
use super::references::{Noise, Prepared};
use crate::engine::source::Source;
use crate::footage::{Digest, Facts, hash_bytes};
use crate::pipeline::Pipeline;
use crate::sensor::DefectMap;

/// Everything that decides what the finished frames are.
#[derive(Serialize)]
struct Deciding<'a> {
    version: &'a str,
    pipeline: &'a Pipeline,
    facts: &'a Facts,
    references: &'a [Option<String>; 2],
    #[serde(skip_serializing_if = "Option::is_none")]
    spots: Option<String>,
    noise: &'a Noise,
    inventory: &'a str,
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    listed: &'a BTreeMap<u64, Digest>,
}

/// Names, sizes and times of the clip's files, as one hash.
pub(super) fn inventory(source: &Source) -> String {
    let mut text = String::new();
    for f in &source.clip.frames {
        let meta = std::fs::metadata(&f.path).ok();
        let size = meta.as_ref().map_or(0, std::fs::Metadata::len);
        let time = meta
            .and_then(|m| m.modified().ok())
            .and_then(|t| t.duration_since(UNIX_EPOCH).ok())
            .map_or(0, |d| d.as_nanos());
        let name = f.path.file_name().map(|n| n.to_string_lossy().into_owned());
        text.push_str(&format!(
            "{} {} {} {size} {time}\n",
            f.number,
            f.page,
            name.unwrap_or_default()
        ));
    }
    text.push_str(&source.clip.headerless());
    hash_bytes(text.as_bytes())
}

/// Which pixels are marked, as one hash.
fn marks(map: &DefectMap) -> String {
    hash_bytes(&(0..map.planes()).flat_map(|p| map.bits(p)).copied().collect::<Vec<u8>>())
}

/// The key of a job: same key, same bits.
#[must_use]
pub fn key(
    pipeline: &Pipeline,
    source: &Source,
    prepared: &Prepared,
    (noise, inventory): (&Noise, &str),
) -> String {
    let deciding = Deciding {
        version: VERSION,
        pipeline,
        facts: &source.facts,
        references: &prepared.keys,
        spots: prepared.masters.spots.as_deref().map(marks),
        noise,
        inventory,
        listed: &source.listed,
    };
    hash_bytes(serde_json::to_string(&deciding).unwrap_or_default().as_bytes())
}
