//! What a clip came to, in words and in the few numbers that the overview shows.

use super::html::figures;
use super::read::ClipFolder;

/// How well it went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grade {
    /// Nothing to do.
    Good,
    /// Usable, but something should be looked at.
    Fair,
    /// Not finished, or frames are lost.
    Bad,
}

impl Grade {
    /// The class in the style sheet.
    #[must_use]
    pub fn class(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Fair => "fair",
            Self::Bad => "bad",
        }
    }

    /// The word before the sentence; never colour alone.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Good => "All well.",
            Self::Fair => "Look at this.",
            Self::Bad => "Faults.",
        }
    }
}

/// A verdict and the sentences behind it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verdict {
    /// The worst that was found.
    pub grade: Grade,
    /// Sentences, the worst first.
    pub sentences: Vec<String>,
}

/// Movement, rms of both axes in px: before, and what is expected to be left. From frame to frame;
/// where a move was kept, about the kept path.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Jitter {
    /// As measured.
    pub before: f64,
    /// From the uncertainties of the poses; not measured again on the finished frames. `None` where they
    /// were not steadied.
    pub after: Option<f64>,
    /// Where the camera's own path was kept: from its first place to its last in px.
    pub kept: Option<f64>,
}

/// Whether the pipeline steadies.
fn steadied(clip: &ClipFolder) -> bool {
    clip.step("steady").is_some()
}

/// The jitter of a clip whose still background was found.
#[must_use]
pub fn jitter(clip: &ClipFolder) -> Option<Jitter> {
    let before = clip.number(&["registration", "jitter_px"]).filter(|_| clip.locked())?;
    let sigmas: Vec<f64> =
        clip.rows.iter().filter(|r| r.usable()).filter_map(|r| r.sigma).collect();
    if let Some((shake, travel)) = kept(clip) {
        // On two axes: variance 2 a^2.
        let squares = sigmas.iter().map(|s| 2.0 * s * s).sum::<f64>();
        let after = (!sigmas.is_empty()).then(|| (squares / sigmas.len() as f64).sqrt());
        return Some(Jitter { before: shake, after, kept: Some(travel) });
    }
    // Independent errors of two neighbours, on two axes: variance 2 (a^2 + b^2).
    let pairs = sigmas.windows(2).map(|p| 2.0 * (p[0] * p[0] + p[1] * p[1]));
    let n = sigmas.len().saturating_sub(1);
    let after = (n > 0 && steadied(clip)).then(|| (pairs.sum::<f64>() / n as f64).sqrt());
    Some(Jitter { before, after, kept: None })
}

/// The movement about the path that was kept, and how far that leads, in px.
fn kept(clip: &ClipFolder) -> Option<(f64, f64)> {
    let number = |key| clip.number(&["registration", "motion", key]);
    clip.text(&["registration", "path"]).filter(|p| *p == "keep" && steadied(clip))?;
    Some((number("shake_px")?, number("travel_px")?))
}

/// Noise at the median level in electrons: before by the noise model, after as measured (median
/// of the frames).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    /// By the model, at the median level of the compared frame.
    pub before: Option<f64>,
    /// Median over the frames.
    pub after: f64,
}

/// The noise of a clip, where its gain is known.
#[must_use]
pub fn noise(clip: &ClipFolder) -> Option<Noise> {
    let mut left: Vec<f64> = clip.rows.iter().filter_map(|r| r.noise_e).collect();
    let after = crate::math::robust::median_f64(&mut left)?;
    let model = |key| clip.number(&["noise_model", key]);
    let before = (|| {
        let signal_e = clip.compared.as_ref()?.median_dn.max(0.0) * model("gain_e_per_dn")?;
        let read = model("read_noise_e")?;
        Some((signal_e + read * read).sqrt())
    })();
    Some(Noise { before, after })
}

/// Judges a clip by its records.
#[must_use]
pub fn verdict(clip: &ClipFolder) -> Verdict {
    let mut said: Vec<(Grade, String)> = Vec::new();
    let (failed, missing) = (clip.failed().len(), clip.missing().len());
    if let Some(why) = &clip.failure {
        said.push((Grade::Bad, format!("The last run failed: {why}.")));
    } else if clip.record.is_null() {
        said.push((Grade::Bad, "The clip is not finished: run the same command again.".into()));
    } else if !clip.complete {
        said.push((
            Grade::Bad,
            "Not every frame is made yet: run the same command again, without --frames.".into(),
        ));
    }
    if failed > 0 {
        said.push((Grade::Bad, format!("{failed} {} could not be made.", plural(failed, "frame"))));
    }
    if missing > 0 {
        said.push((
            Grade::Bad,
            format!(
                "{missing} {} of the sequence {} no file.",
                plural(missing, "number"),
                if missing == 1 { "has" } else { "have" }
            ),
        ));
    }
    let steadied = steadied(clip);
    if let Some(j) = jitter(clip) {
        let left = j.after.map_or(String::new(), |a| {
            format!("; about {} px are expected to be left", figures(a, 2))
        });
        let moved = figures(j.before, 2);
        let said_of = match (j.kept, steadied) {
            (Some(travel), _) => format!(
                "Steadied: the camera's own path, {} px from end to end, was kept; about it the \
                 picture trembled by {moved} px rms{left}.",
                figures(travel, 2)
            ),
            (None, true) => {
                format!("Steadied: it moved by {moved} px rms from frame to frame{left}.")
            }
            (None, false) => {
                format!("Not steadied: it moves by {moved} px rms from frame to frame.")
            }
        };
        said.push((Grade::Good, said_of));
    } else if steadied && !clip.record.is_null() {
        said.push((
            Grade::Fair,
            "Not steadied: the still background was not found; see the warnings.".into(),
        ));
    }
    let low = clip.rows.iter().filter(|r| r.status == "low-confidence").count();
    let bright = clip.rows.iter().filter(|r| r.status == "saturated").count();
    if low > 0 {
        said.push((
            Grade::Fair,
            format!("In {low} {} the position is uncertain.", plural(low, "frame")),
        ));
    }
    if bright > 0 {
        said.push((
            Grade::Fair,
            format!(
                "{bright} {} more than a hundredth of the pixels saturated.",
                if bright == 1 { "frame has" } else { "frames have" }
            ),
        ));
    }
    if clip.preview.as_ref().and_then(|p| p.flash.as_ref()).is_some_and(|f| !f.passes()) {
        said.push((
            Grade::Fair,
            "The preview fails the screening for flashes: see \u{201c}Does it flash?\u{201d} \
             before showing it."
                .into(),
        ));
    }
    if !clip.faults.is_empty() {
        said.push((Grade::Bad, "Records are damaged; see the warnings.".into()));
    }
    let warned = clip.warnings().len();
    if warned > 0 {
        said.push((Grade::Fair, format!("{warned} {}.", plural(warned, "warning"))));
    }
    if clip.complete && failed + missing == 0 && clip.failure.is_none() {
        said.insert(0, (Grade::Good, format!("All {} frames are made.", clip.made())));
    }
    said.sort_by_key(|s| std::cmp::Reverse(s.0));
    Verdict {
        grade: said.iter().map(|s| s.0).max().unwrap_or(Grade::Good),
        sentences: said.into_iter().map(|s| s.1).collect(),
    }
}

/// "frame" or "frames".
#[must_use]
pub fn plural(n: usize, word: &str) -> String {
    let end = if word.ends_with("ch") { "es" } else { "s" };
    if n == 1 { word.to_owned() } else { format!("{word}{end}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clip(record: &serde_json::Value, csv: &str, complete: bool) -> ClipFolder {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("record.json"), record.to_string()).unwrap();
        let head = "frame,shift_x_px,shift_y_px,shift_sigma_px,noise_e,status\n";
        std::fs::write(dir.path().join("frames.csv"), format!("{head}{csv}")).unwrap();
        if complete {
            std::fs::write(dir.path().join("complete.json"), "{}").unwrap();
        }
        ClipFolder::read(dir.path())
    }

    #[test]
    fn well_uncertain_and_faulty() {
        let locked = serde_json::json!({
            "pipeline": { "steps": [{ "use": "steady" }] },
            "registration": { "locked": true, "jitter_px": 0.5 },
        });
        let well = clip(&locked, "1,0,0,0.01,2,ok\n2,1,0,0.01,4,ok\n", true);
        let v = verdict(&well);
        assert_eq!(v.grade, Grade::Good);
        assert_eq!(v.sentences[0], "All 2 frames are made.");
        // 2 (0.01^2 + 0.01^2) = 0.02^2.
        assert!((jitter(&well).unwrap().after.unwrap() - 0.02).abs() < 1e-12);
        assert!((noise(&well).unwrap().after - 3.0).abs() < 1e-12);
        let unsure = clip(&locked, "1,0,0,0.5,,low-confidence\n", true);
        assert_eq!(verdict(&unsure).grade, Grade::Fair);
        let lost = clip(&locked, "1,0,0,0.01,2,ok\n2,0,0,,,missing\n", true);
        assert_eq!(verdict(&lost).grade, Grade::Bad);
        assert_eq!(verdict(&clip(&locked, "", false)).grade, Grade::Bad);
    }

    #[test]
    fn of_a_clip_that_was_not_steadied_nothing_is_promised() {
        let record = serde_json::json!({ "registration": { "locked": true, "jitter_px": 0.5 } });
        let as_it_was = clip(&record, "1,0,0,0.01,2,ok\n2,1,0,0.01,4,ok\n", true);
        let v = verdict(&as_it_was);
        let said = "Not steadied: it moves by 0.50 px rms from frame to frame.";
        assert!(v.sentences.iter().any(|s| s == said), "{v:?}");
        assert_eq!(jitter(&as_it_was).unwrap().after, None);
    }

    #[test]
    fn of_a_kept_move_the_tremble_about_it_is_told() {
        let record = serde_json::json!({
            "pipeline": { "steps": [{ "use": "steady" }] },
            "registration": {
                "locked": true, "jitter_px": 0.85, "path": "keep",
                "motion": { "kind": "move", "travel_px": 84.0, "length_px": 84.2, "shake_px": 0.125 },
            },
        });
        let panned = clip(&record, "1,0,0,0.01,2,ok\n2,0.8,0,0.01,4,ok\n", true);
        let said = "Steadied: the camera's own path, 84 px from end to end, was kept; about it the \
                    picture trembled by 0.12 px rms; about 0.014 px are expected to be left.";
        let v = verdict(&panned);
        assert!(v.sentences.iter().any(|s| s == said), "{v:?}");
        // 2 x 0.01^2 on both axes.
        assert!((jitter(&panned).unwrap().after.unwrap() - 0.02_f64.sqrt() / 10.0).abs() < 1e-12);
    }

    #[test]
    fn a_clip_without_lock_is_not_called_steadied() {
        let record = serde_json::json!({
            "pipeline": { "steps": [{ "use": "steady" }] },
            "registration": { "locked": false, "jitter_px": 0.0 },
        });
        let v = verdict(&clip(&record, "1,0,0,,,ok\n", true));
        assert_eq!(v.grade, Grade::Fair);
        assert!(v.sentences.iter().any(|s| s.contains("was not found")), "{v:?}");
    }
}
