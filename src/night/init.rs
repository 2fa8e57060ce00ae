//! What lies in a shoot's folder, and a `shoot.toml` to begin with.
//!
//! Every folder with frames, and every multi-page TIFF, is looked at: what its name hints at, and
//! what a few of its frames show. A folder is called a black reference or an even field only where
//! the content says so; where name and content disagree, that is written as a question.
//!
//! Content: of up to four frames, the mean level, the temporal noise (differences of frames),
//! and the texture (fine differences of the mean beyond what noise makes of them). Black frames
//! are the darkest of their size and have no texture; an even field is bright and has none.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use serde::Serialize;
use walkdir::{DirEntry, WalkDir};

use super::NightError;
use super::levels::Shown;
use super::shoot::{check_name, name_of};
use crate::engine::source::Source;
use crate::footage::{
    FootageError, FrameFile, Shape, decode, may_hold_frames, pictures_in, printable, stacks_of,
};

/// Frames of a folder that are decoded.
const LOOK: usize = 4;
/// Texture below this share of the level (above the darkest folder) is none.
const NO_TEXTURE: f64 = 0.02;
/// An even field is at least this many times its own noise above the darkest folder.
const BRIGHT: f64 = 4.0;

/// Pictures of rules in one folder up to which each is one.
const MOST_RULES: usize = 7;

/// What a folder holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, PartialOrd, Ord)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// Footage.
    Clip,
    /// Black reference.
    Dark,
    /// Even field.
    Flat,
    /// Picture of a rule or graticule.
    Scale,
}

impl Kind {
    fn word(self) -> &'static str {
        match self {
            Self::Clip => "a clip",
            Self::Dark => "a black reference",
            Self::Flat => "an even field",
            Self::Scale => "a scale picture",
        }
    }

    /// Whether a name has no other word than one that hints at a kind.
    fn plain(name: &str) -> bool {
        let words = name.split(|c: char| !c.is_alphabetic()).filter(|w| w.len() > 1).count();
        words == 1 && Self::hinted(name).is_some()
    }

    /// What a name hints at.
    fn hinted(name: &str) -> Option<Self> {
        let name = name.to_lowercase();
        let has = |words: &[&str]| {
            name.split(|c: char| !c.is_alphabetic()).any(|part| words.contains(&part))
        };
        if has(&["black", "blacks", "dark", "darks", "cap", "capped", "lenscap"]) {
            Some(Self::Dark)
        } else if has(&["even", "flat", "flats", "white", "whites", "field", "shading"]) {
            Some(Self::Flat)
        } else if has(&["scale", "rule", "ruler", "graticule", "micrometer", "micrometre"]) {
            Some(Self::Scale)
        } else {
            None
        }
    }
}

/// One folder or stack that was looked at.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Look {
    /// Where it is, relative to the shoot's folder.
    pub path: PathBuf,
    /// What it is taken for.
    pub kind: Kind,
    /// A question for the person, where name and content do not agree.
    pub question: Option<String>,
    /// Frames.
    pub frames: usize,
    /// Size and depth.
    pub shape: Shape,
    /// Mean level in DN.
    pub level: f64,
    /// Temporal noise in DN; 0 with a single frame.
    pub noise: f64,
    /// Fine texture in DN beyond noise.
    pub texture: f64,
    /// Exposure in s, where known.
    pub exposure_s: Option<f64>,
}

/// What was found in a shoot's folder.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Found {
    /// Everything with frames, in order of path.
    pub looks: Vec<Look>,
    /// Folders that could not be read, with the reason.
    pub faults: BTreeMap<String, String>,
    /// The `shoot.toml` to write.
    pub toml: String,
}

impl Found {
    /// How many of a kind there are.
    #[must_use]
    pub fn count(&self, kind: Kind) -> usize {
        self.looks.iter().filter(|l| l.kind == kind).count()
    }

    /// Questions left to the person.
    #[must_use]
    pub fn questions(&self) -> usize {
        self.toml.lines().filter(|l| l.starts_with("# ?")).count()
    }
}

/// Looks through `folder` for a shoot file that will be `file`: paths in it are relative to its own
/// folder where that is `folder`, whole elsewhere.
///
/// # Errors
/// Where the folder cannot be walked, or holds no frames at all.
pub fn look_through(folder: &Path, file: &Path) -> Result<Found, NightError> {
    let beside = file.parent().unwrap_or(Path::new(""));
    let whole = |p: &Path| {
        let p = if p.as_os_str().is_empty() { Path::new(".") } else { p };
        p.canonicalize()
    };
    let base = match (whole(folder), whole(beside)) {
        (Ok(own), Ok(other)) if own != other => own,
        _ => PathBuf::new(),
    };
    let mut places: Vec<PathBuf> = Vec::new();
    // The folder that was named is looked at whatever it is called.
    let shown = |e: &DirEntry| e.depth() == 0 || !e.file_name().to_string_lossy().starts_with('.');
    let walk = WalkDir::new(folder).follow_links(false).max_depth(12).sort_by_file_name();
    for entry in walk.into_iter().filter_entry(shown) {
        let entry = entry.map_err(|e| {
            let place = e.path().unwrap_or(folder).to_owned();
            FootageError::disk(&place, "walk", e.into())
        })?;
        let result = entry.path().join("complete.json").exists()
            || entry.path().join("journal.jsonl").exists();
        if entry.file_type().is_dir() && !result {
            places.push(entry.into_path());
        }
    }
    let mut looks = Vec::new();
    let mut faults = BTreeMap::new();
    for place in places {
        // Folders of folders, and those of results, are not clips.
        if place.parent().is_some_and(|p| p.join("journal.jsonl").exists()) {
            continue;
        }
        if !may_hold_frames(&place) {
            continue;
        }
        if place.to_str().is_none() {
            let why = "a shoot file cannot hold this name: rename the folder";
            faults.insert(printable(&place), why.to_owned());
            continue;
        }
        let (rules, alone) = rules_in(&place);
        for rule in rules {
            match look_at_rule(folder, &rule) {
                Ok(l) => looks.push(l),
                Err(e) => {
                    faults.insert(printable(&rule), e.to_string());
                }
            }
        }
        if alone {
            continue;
        }
        let stacks = stacks_of(&place);
        for clip in if stacks.is_empty() { vec![place] } else { stacks } {
            match look(folder, &clip) {
                Ok(l) => looks.push(l),
                Err(e) => {
                    faults.insert(printable(&clip), e.to_string());
                }
            }
        }
    }
    if looks.is_empty() {
        let why =
            faults.into_iter().next().map_or_else(String::new, |(p, e)| format!(" ({p}: {e})"));
        return Err(NightError::Refused(format!(
            "{}: no folder with frames was found here{why}",
            printable(folder)
        )));
    }
    classify(&mut looks);
    let toml = write_toml(&looks, &base);
    Ok(Found { looks, faults, toml })
}

/// Pictures of a rule or graticule in a folder, each by its own name, and whether nothing else is there.
/// A folder that is called so itself, or of many, is looked at as a whole.
fn rules_in(folder: &Path) -> (Vec<PathBuf>, bool) {
    let called = |path: &Path| {
        let name = path.file_stem().map(|s| s.to_string_lossy().into_owned());
        name.is_some_and(|n| Kind::hinted(&n) == Some(Kind::Scale))
    };
    let mut all = pictures_in(folder);
    let pictures = all.len();
    all.retain(|p| called(p));
    if called(folder) || all.len() > MOST_RULES {
        all.clear();
    }
    let alone = !all.is_empty() && all.len() == pictures;
    (all, alone)
}

fn look_at_rule(base: &Path, path: &Path) -> Result<Look, NightError> {
    let decoded = decode(&FrameFile::single(path))?;
    let seen = [decoded.samples.data.iter().map(|&v| f64::from(v)).collect()];
    let shape = decoded.shape();
    let Shown { level, noise, texture } = Shown::of(&seen, shape);
    Ok(Look {
        kind: Kind::Scale,
        question: None,
        frames: 1,
        shape,
        level,
        noise,
        texture,
        exposure_s: None,
        path: path.strip_prefix(base).unwrap_or(path).to_owned(),
    })
}

fn look(base: &Path, place: &Path) -> Result<Look, NightError> {
    let source = Source::open(place, Vec::new())?;
    let frames = &source.clip.frames;
    let mut seen: Vec<Vec<f64>> = Vec::new();
    for file in frames.iter().take(LOOK) {
        let decoded = source.expected.decode(file)?;
        seen.push(decoded.samples.data.iter().map(|&v| f64::from(v)).collect());
    }
    let Shown { level, noise, texture } = Shown::of(&seen, source.expected.shape);
    let path = place.strip_prefix(base).unwrap_or(place).to_owned();
    Ok(Look {
        kind: Kind::Clip,
        question: None,
        frames: frames.len(),
        shape: source.expected.shape,
        level,
        noise,
        texture,
        exposure_s: source.facts.exposure.as_ref().map(|e| e.value.s()),
        path,
    })
}

/// Says what each folder is, from content and name together.
fn classify(looks: &mut [Look]) {
    let called = |l: &Look| l.path.file_name().map(|n| n.to_string_lossy().into_owned());
    let plainly_dark = |n: &String| Kind::plain(n) && Kind::hinted(n) == Some(Kind::Dark);
    let named_plainly: Vec<Shape> = looks
        .iter()
        .filter(|l| called(l).as_ref().is_some_and(plainly_dark))
        .map(|l| l.shape)
        .collect();
    for i in 0..looks.len() {
        let l = &looks[i];
        let darkest = looks
            .iter()
            .filter(|o| o.shape == l.shape && o.kind != Kind::Scale)
            .map(|o| o.level)
            .fold(f64::INFINITY, f64::min);
        let above = l.level - darkest;
        let flat_noise = l.noise.max(0.5);
        let like = |o: &&Look| o.shape == l.shape && o.kind != Kind::Scale;
        let alone = looks.iter().filter(like).count() <= 1;
        let plain = l.texture <= (NO_TEXTURE * above).max(0.75 * flat_noise);
        let content = if plain && above < flat_noise && !alone {
            Some(Kind::Dark)
        } else if plain && above > BRIGHT * flat_noise {
            Some(Kind::Flat)
        } else {
            None
        };
        let name = l.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let hint = Kind::hinted(&name);
        let plainly = Kind::plain(&name);
        let (kind, question) = match (hint, content) {
            (Some(Kind::Scale), _) => (Kind::Scale, None),
            // "tine very dark" beside "black": a clip may be called so, and be as dark.
            (Some(Kind::Dark), Some(Kind::Dark)) if !plainly && named_plainly.contains(&l.shape) => (
                Kind::Clip,
                Some(
                    "it is as dark as a black reference and its name says dark, but another folder is \
                     plainly called so"
                        .to_owned(),
                ),
            ),
            (Some(h), Some(c)) if h == c => (h, None),
            (None, None) => (Kind::Clip, None),
            (None, Some(c)) => (
                Kind::Clip,
                Some(format!("its content looks like {}, its name does not say so", c.word())),
            ),
            (Some(h), None) if h == Kind::Dark && alone => (
                h,
                Some("its name says black reference; there is nothing else of its size to compare with".to_owned()),
            ),
            (Some(h), c) => (
                Kind::Clip,
                Some(format!(
                    "its name says {}, its content {} (level {:.0} DN, texture {:.1} DN)",
                    h.word(),
                    c.map_or("does not", Kind::word),
                    l.level,
                    l.texture
                )),
            ),
        };
        (looks[i].kind, looks[i].question) = (kind, question);
    }
}

/// The references that fit a clip, best first, with a word on how well.
fn fitting<'a>(clip: &Look, looks: &'a [Look], kind: Kind) -> Vec<&'a Look> {
    let mut all: Vec<&Look> =
        looks.iter().filter(|l| l.kind == kind && l.shape == clip.shape).collect();
    let shared = |l: &Look| {
        let name = |p: &Path| p.to_string_lossy().to_lowercase();
        let (a, b) = (name(&clip.path), name(&l.path));
        a.chars().zip(b.chars()).take_while(|(x, y)| x == y).count()
    };
    let off = |l: &Look| match (l.exposure_s, clip.exposure_s) {
        (Some(a), Some(b)) if kind == Kind::Dark => !(0.9..=1.1).contains(&(a / b)),
        _ => false,
    };
    all.sort_by_key(|l| (off(l), usize::MAX - shared(l)));
    all
}

/// A folder as it is written: below `base`, which is empty where the file lies beside it.
fn quoted(base: &Path, path: &Path) -> String {
    let text = base.join(path).to_string_lossy().into_owned();
    let text = if cfg!(windows) { text.replace('\\', "/") } else { text };
    // A string of JSON is one of TOML, on one line, but for one character.
    serde_json::Value::String(text).to_string().replace('\u{7f}', "\\u007f")
}

fn write_toml(looks: &[Look], base: &Path) -> String {
    let quoted = |path: &Path| quoted(base, path);
    let mut out = String::from(
        "# What to do with this shoot; written by hushframe init, to be edited.\n\
         # Lines that begin with \"# ?\" are questions: what was not certain was not guessed.\n\n\
         # clean: linear frames for the edit. clean-and-label: with display curve, bar, caption, clock.\n\
         pipeline = \"clean\"\n\n\
         # Facts for all clips; a clip's own go before these.\n[facts]\n\
         # rate = 5000              # capture rate, frames a second\n\
         # playback = 25            # rate at which the result is shown\n\
         # exposure = \"50us\"\n\
         # pixel_pitch = \"10um\"\n\
         # magnification = 4        # or scale = \"2.5um\", the size of a pixel on the object\n\
         # black = 160              # levels in DN: 12-bit data in 16-bit files needs white\n\
         # white = 4095\n",
    );
    for l in looks.iter().filter(|l| l.kind != Kind::Clip) {
        let _ = writeln!(
            out,
            "\n# {} is {} ({} frame{}, {})",
            quoted(&l.path),
            l.kind.word(),
            l.frames,
            if l.frames == 1 { "" } else { "s" },
            l.shape
        );
        if l.kind == Kind::Scale {
            let _ = writeln!(
                out,
                "# measure it: hushframe scale PICTURE --pitch LENGTH -o rule.toml; then, for clips \
                 taken like it, scale = \"rule.toml\""
            );
        }
        if let Some(q) = &l.question {
            let _ = writeln!(out, "# ? {q}");
        }
    }
    let mut names = std::collections::BTreeSet::new();
    for l in looks.iter().filter(|l| l.kind == Kind::Clip) {
        let own = l.path.as_os_str().is_empty() && base.as_os_str().is_empty();
        let path = if own { Path::new(".") } else { &l.path };
        let _ = writeln!(
            out,
            "\n[[clip]]\nframes = {}          # {} frames, {}",
            quoted(path),
            l.frames,
            l.shape
        );
        if let Some(q) = &l.question {
            let _ = writeln!(out, "# ? {q}: remove this clip if it is none");
        }
        // Two folders of one name in different places need names of their own.
        let plain = name_of(&path.to_string_lossy());
        let whole = name_of(&path.to_string_lossy().replace(['/', '\\'], "-"));
        let mut name = if names.contains(&plain.to_lowercase()) { whole } else { plain.clone() };
        let mut n = 2;
        while names.contains(&name.to_lowercase()) || check_name(&name).is_err() {
            name = format!("{plain}-{n}");
            n += 1;
        }
        names.insert(name.to_lowercase());
        if name != plain {
            let _ = writeln!(out, "name = \"{name}\"");
        }
        for (kind, key) in [(Kind::Dark, "dark"), (Kind::Flat, "flat")] {
            let fit = fitting(l, looks, kind);
            match fit.as_slice() {
                [] => {
                    let _ = writeln!(
                        out,
                        "# ? no {} of this size was found: {key} = \"FOLDER\"",
                        &kind.word()[2..].trim()
                    );
                }
                [one] => {
                    let _ = writeln!(out, "{key} = {}", quoted(&one.path));
                }
                [best, rest @ ..] => {
                    let _ = writeln!(out, "{key} = {}", quoted(&best.path));
                    let others: Vec<String> = rest.iter().map(|l| quoted(&l.path)).collect();
                    let _ = writeln!(out, "# ? or {}", others.join(", "));
                }
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_hint() {
        assert_eq!(Kind::hinted("black"), Some(Kind::Dark));
        assert_eq!(Kind::hinted("10x_darks_50us"), Some(Kind::Dark));
        assert_eq!(Kind::hinted("even-field"), Some(Kind::Flat));
        assert_eq!(Kind::hinted("graticule 10x"), Some(Kind::Scale));
        assert_eq!(Kind::hinted("evening-take"), None);
        assert!(
            Kind::plain("black") && Kind::plain("10x_darks_2") && !Kind::plain("tine very dark")
        );
    }

    #[test]
    fn the_small_set_is_told_apart_and_reads_back() {
        let found = look_through(
            Path::new("test-frames/music-box"),
            Path::new("test-frames/music-box/shoot.toml"),
        )
        .unwrap();
        let kind = |name: &str| found.looks.iter().find(|l| l.path.ends_with(name)).unwrap().kind;
        assert_eq!(kind("black"), Kind::Dark);
        assert_eq!(kind("even"), Kind::Flat);
        assert_eq!(kind("comb-pluck"), Kind::Clip);
        assert!(found.toml.contains("dark = \"black\"") && found.toml.contains("flat = \"even\""));
        let odd = Path::new("a \"b\"\n\u{7f}c\\d");
        let line = quoted(Path::new(""), odd);
        assert!(!line.contains('\n'), "{line}");
        let back: toml::Table = toml::from_str(&format!("x = {line}")).unwrap();
        let same = if cfg!(windows) { "a \"b\"\n\u{7f}c/d" } else { "a \"b\"\n\u{7f}c\\d" };
        assert_eq!(back["x"].as_str(), Some(same));
        let value: toml::Table = toml::from_str(&found.toml).unwrap();
        assert!(value["clip"].is_array());
    }
}
