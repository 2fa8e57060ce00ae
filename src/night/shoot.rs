//! `shoot.toml`: which clips, their references and facts, which pipeline.
//!
//! ```toml
//! pipeline = "clean"           # for all clips: a name that comes along, or a file beside this one
//! dark = "black"               # references for all clips, folders beside this file
//! flat = "even"
//! checksums = "night.b3"       # hash list of the originals (hushframe checksum): frames must be as then
//! when_done = "./tell-me"      # a program to run when the night has ended (`night::hook`)
//! memory = "4GB"               # what the run may take at the most (as --memory)
//!
//! [facts]                      # facts for all clips
//! rate = 5000
//!
//! [[clip]]
//! frames = "comb-pluck"        # folder of numbered frames, or a multi-page TIFF
//! exposure = "50us"            # facts of this clip
//! ```
//!
//! What a clip says goes before what the file says for all.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::Spanned;

use super::NightError;
use super::job::ClipJob;
use crate::footage::{
    FactSource, Facts, FactsFile, FootageError, key_line, line_of, printable, read_table,
    toml_fault,
};
use crate::frame::units::Bytes;
use crate::pipeline::{self, Pipeline};

/// Pipeline of a clip for which none is named.
pub const DEFAULT_PIPELINE: &str = "clean";

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    pipeline: Option<String>,
    dark: Option<PathBuf>,
    flat: Option<PathBuf>,
    checksums: Option<PathBuf>,
    when_done: Option<PathBuf>,
    memory: Option<Bytes>,
    facts: Option<Spanned<toml::Table>>,
    #[serde(default)]
    clip: Vec<Spanned<toml::Table>>,
}

fn fault(path: &Path, line: usize, what: impl Into<String>) -> NightError {
    FootageError::Facts { place: format!("{}:{line}", printable(path)), what: what.into() }.into()
}

/// What is wrong with a shoot file, in our words where its clips are no list.
fn single(path: &Path, text: &str, e: &toml::de::Error) -> NightError {
    let table = toml::from_str::<toml::Table>(text).ok();
    match table.as_ref().and_then(|t| t.get("clip")) {
        Some(toml::Value::Table(_)) => fault(
            path,
            e.span().map_or(1, |s| line_of(text, s.start)),
            "clips are a list: write [[clip]], with two brackets on each side",
        ),
        _ => toml_fault(path, text, e).into(),
    }
}

/// A shoot file being read.
struct Reader<'a> {
    path: &'a Path,
    text: &'a str,
}

impl Reader<'_> {
    /// The folder that paths in the file are relative to.
    fn base(&self) -> &Path {
        self.path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."))
    }

    /// The facts of a table; `beside` names what else may stand in it.
    fn facts(&self, table: toml::Table, from: usize, beside: &str) -> Result<Facts, NightError> {
        let file: FactsFile =
            read_table(table, (self.text, from), toml::Table::try_into).map_err(|f| {
                let key = f.key.map_or_else(String::new, |k| format!("{k}: "));
                let beside = if f.what.contains("unknown field") { beside } else { "" };
                fault(self.path, f.line, format!("{key}{}{beside}", f.what))
            })?;
        Ok(file.resolve(&FactSource::Shoot, self.base())?)
    }

    /// Takes a text out of a clip's table.
    fn take(
        &self,
        table: &mut toml::Table,
        key: &str,
        from: usize,
    ) -> Result<Option<String>, NightError> {
        match table.remove(key) {
            None => Ok(None),
            Some(toml::Value::String(text)) => Ok(Some(text)),
            Some(other) => Err(fault(
                self.path,
                key_line(self.text, from, key),
                format!("{key}: {other} is not a text: write it in quotes"),
            )),
        }
    }
}

/// The program that a sound shoot file wants run at the end. With a `/` in it, it is a file relative
/// to the shoot file; else it is looked for where the system looks for programs.
#[must_use]
pub fn when_done(path: &Path) -> Option<PathBuf> {
    let text = fs::read_to_string(path).ok()?;
    let raw: Raw = toml::from_str(&text).ok()?;
    let program = raw.when_done?;
    let base = Reader { path, text: &text }.base().to_owned();
    Some(if program.components().count() > 1 { base.join(program) } else { program })
}

/// The memory that a sound shoot file allows.
#[must_use]
pub fn memory(path: &Path) -> Option<Bytes> {
    let text = fs::read_to_string(path).ok()?;
    toml::from_str::<Raw>(&text).ok()?.memory
}

/// Reads a shoot file into jobs; `given` are facts from the command line.
///
/// # Errors
/// With file and line.
pub fn read(path: &Path, given: &Facts) -> Result<Vec<ClipJob>, NightError> {
    let text = fs::read_to_string(path).map_err(|e| FootageError::disk(path, "read", e))?;
    let raw: Raw = toml::from_str(&text).map_err(|e| single(path, &text, &e))?;
    if raw.clip.is_empty() {
        return Err(fault(
            path,
            1,
            "there is no [[clip]]: list at least one, with frames = \"FOLDER\"",
        ));
    }
    let reader = Reader { path, text: &text };
    let base = reader.base();
    let common = match raw.facts {
        Some(table) => {
            let from = table.span().start;
            reader.facts(table.into_inner(), from, "")?
        }
        None => Facts::default(),
    };
    let mut names = BTreeSet::new();
    let mut jobs = Vec::new();
    for table in raw.clip {
        let from = table.span().start;
        let mut table = table.into_inner();
        let Some(frames) = reader.take(&mut table, "frames", from)? else {
            return Err(fault(path, line_of(&text, from), "[[clip]] has no frames = \"FOLDER\""));
        };
        let name = reader.take(&mut table, "name", from)?.unwrap_or_else(|| name_of(&frames));
        check_name(&name).map_err(|what| fault(path, line_of(&text, from), what))?;
        if !names.insert(name.to_lowercase()) {
            let what =
                format!("two clips are called \"{name}\": give one of them another name = \"...\"");
            return Err(fault(path, line_of(&text, from), what));
        }
        let mut folder =
            |key: &str, all: &Option<PathBuf>| -> Result<Option<PathBuf>, NightError> {
                let own = reader.take(&mut table, key, from)?;
                Ok(own.map(PathBuf::from).or_else(|| all.clone()).map(|p| base.join(p)))
            };
        let (dark, flat) = (folder("dark", &raw.dark)?, folder("flat", &raw.flat)?);
        let listed = folder("checksums", &raw.checksums)?;
        let wanted = reader
            .take(&mut table, "pipeline", from)?
            .or_else(|| raw.pipeline.clone())
            .unwrap_or_else(|| DEFAULT_PIPELINE.to_owned());
        let beside = ", frames, name, dark, flat, pipeline, checksums";
        let facts = reader.facts(table, from, beside)?;
        jobs.push(ClipJob {
            name,
            input: base.join(frames),
            facts: vec![given.clone(), facts, common.clone()],
            pipeline: find_pipeline(&wanted, base)?,
            dark,
            flat,
            listed,
            range: None,
        });
    }
    Ok(jobs)
}

/// Bytes of a clip's name at the most.
const LONGEST_NAME: usize = 100;
/// Those that a name made here leaves free, for clips whose folders are called alike.
const ROOM_FOR_A_NUMBER: usize = 10;
/// What lies in the output folder beside the clips' folders.
const TAKEN: &str = "index.html";

/// A clip's name from its folder or file, one that [`check_name`] takes.
#[must_use]
pub fn name_of(frames: &str) -> String {
    let path = Path::new(frames);
    let stem = if path.extension().is_some() { path.file_stem() } else { path.file_name() };
    let text = stem.map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let clean: String = text
        .chars()
        .map(|c| if c.is_alphanumeric() || matches!(c, '.' | '_' | '-') { c } else { '-' })
        .collect();
    let begins = clean.trim_start_matches(|c: char| !c.is_alphanumeric());
    let short = &begins[..begins.floor_char_boundary(LONGEST_NAME - ROOM_FOR_A_NUMBER)];
    let clean = short.trim_end_matches(['.', '-']);
    match check_name(clean) {
        Ok(()) => clean.to_owned(),
        Err(_) => "clip".to_owned(),
    }
}

/// Whether a name can be that of a folder on any system.
///
/// # Errors
/// What is wrong with it.
pub fn check_name(name: &str) -> Result<(), String> {
    let good = name.len() <= LONGEST_NAME
        && !name.eq_ignore_ascii_case(TAKEN)
        && name.chars().next().is_some_and(char::is_alphanumeric)
        && name.chars().all(|c| c.is_alphanumeric() || matches!(c, '.' | '_' | '-'))
        && !name.ends_with('.');
    if good {
        return Ok(());
    }
    Err(format!(
        "\"{}\" cannot be a clip's name: use letters, digits, '-', '_' and '.', at most \
         {LONGEST_NAME} bytes, a letter or digit first, and not {TAKEN}",
        printable(name)
    ))
}

/// A pipeline by the name of one that comes along, or by its file, relative to `base`.
///
/// # Errors
/// Where there is none, or it is not sound.
pub fn find_pipeline(wanted: &str, base: &Path) -> Result<Pipeline, NightError> {
    if let Some(text) = pipeline::standard(wanted) {
        return Ok(pipeline::parse(wanted, text)?);
    }
    let path = base.join(wanted);
    match fs::read_to_string(&path) {
        Ok(text) => Ok(pipeline::parse(&printable(&path), &text)?),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
            let names: Vec<&str> = pipeline::STANDARD.iter().map(|(n, _)| *n).collect();
            Err(NightError::Refused(format!(
                "there is no pipeline \"{}\": neither a file {} nor one that comes along ({})",
                printable(wanted),
                printable(&path),
                names.join(", ")
            )))
        }
        Err(e) => Err(FootageError::disk(&path, "read", e).into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read_text(text: &str) -> Result<Vec<ClipJob>, String> {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("shoot.toml");
        fs::write(&path, text).unwrap();
        read(&path, &Facts::default()).map_err(|e| e.to_string())
    }

    #[test]
    fn a_clip_says_more_than_the_file_says_for_all() {
        let jobs = read_text(
            "dark = \"black\"\n[facts]\nrate = 5000\nplayback = 25\n\n[[clip]]\nframes = \"comb\"\n\
             \n[[clip]]\nframes = \"relay\"\nname = \"relay-1\"\nrate = 1000\ndark = \"black-2\"\n",
        )
        .unwrap();
        assert_eq!(jobs[0].name, "comb");
        let rate = |j: &ClipJob| Facts::merge(j.facts.clone()).rate.unwrap().value.num();
        assert_eq!((rate(&jobs[0]), rate(&jobs[1])), (5000, 1000));
        assert!(jobs[1].dark.as_ref().unwrap().ends_with("black-2"));
        assert_eq!(jobs[0].pipeline.name, "clean");
    }

    #[test]
    fn faults_name_the_line() {
        let e = read_text("[[clip]]\nframes = \"comb\"\nspeed = 5\n").unwrap_err();
        assert!(e.contains("shoot.toml:3") && e.contains("speed"), "{e}");
        let e = read_text("[[clip]]\nframes = \"comb\"\nrate = 0\n").unwrap_err();
        assert!(e.contains(":3") && e.contains("above zero"), "{e}");
        assert!(read_text("").unwrap_err().contains("[[clip]]"));
        let e = read_text("pipeline = \"clean\"\n[clip]\nframes = \"comb\"\n").unwrap_err();
        assert!(e.contains(":2") && e.contains("[[clip]]"), "{e}");
        let twice = "[[clip]]\nframes = \"a/comb\"\n[[clip]]\nframes = \"b/comb\"\n";
        assert!(read_text(twice).unwrap_err().contains("two clips"));
        let e = read_text("[[clip]]\nframes = \"comb\"\nname = \"../x\"\n").unwrap_err();
        assert!(e.contains("cannot be"), "{e}");
        let e = read_text("pipeline = \"shine\"\n[[clip]]\nframes = \"comb\"\n").unwrap_err();
        assert!(e.contains("clean-and-label"), "{e}");
    }

    #[test]
    fn names_come_from_folders() {
        assert_eq!(name_of("takes/comb pluck"), "comb-pluck");
        assert_eq!(name_of("takes/stack.tif"), "stack");
        assert_eq!(name_of(".."), "clip");
        assert_eq!(name_of("_comb"), "comb");
        for name in ["x".repeat(101), "\u{fc}".repeat(60), "_".to_owned(), "a/-.-".to_owned()] {
            check_name(&name_of(&name)).unwrap();
        }
        assert!(check_name("Index.html").is_err());
    }
}
