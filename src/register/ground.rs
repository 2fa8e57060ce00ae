//! The still background: of several possible paths the one that explains the largest area.
//!
//! Where one group of tiles fills a good part of the frame, it is the background. Otherwise (low
//! light, little texture, a large or slow mechanism) there are several possible paths: those of
//! the groups, and those of all tiles outside of a group followed as one body. For each the
//! frames are averaged along the path; a path is right where the frames agree with their average.
//! Each 32-pixel tile votes for the path that leaves the least there, if the others leave
//! significantly more; the path with the most votes is the background. One tile, one vote.
//! Frames of nothing but noise can be laid so that their average looks like something; so each
//! frame is at last looked up in the average of all others, and must be found again.

use super::consensus::{Consensus, groups};
use super::template::{Posed, average, variance_ratio, wiener};
use super::tracks::{Body, Track, follow};
use super::{NoLock, PixelNoise, RegisterSettings};
use crate::frame::{FixedPlane, Plane};

/// A group with this part of all tiles needs no vote.
const CLEAR: f64 = 0.4;
/// Groups looked at.
const GROUPS: usize = 3;
/// Side of a voting tile in pixels.
const VOTER: usize = 32;
/// A vote counts when the next best path leaves this many standard deviations more.
const SIGNIFICANT: f64 = 6.0;
/// The background must explain this part of the voting tiles' area.
const LEAST_AREA: f64 = 0.15;
/// And be the choice of this many tiles.
const LEAST_VOTES: usize = 3;
/// This part of the frames must be found where the path has them when each is looked up in the
/// average of the others.
const FOUND_AGAIN: f64 = 0.85;
/// How often they are looked up.
const REPEATS: usize = 3;
/// Uncertainty of a coarse path in pixels.
const COARSE: f64 = 0.2;

/// Shift of the background for each frame, good to some tenths of a pixel; `None` for missing
/// frames.
pub type Path = Vec<Option<[f64; 2]>>;

/// Finds the path of the still background.
///
/// # Errors
/// [`NoLock`] where there is no texture, or nothing fills enough of the frame.
pub fn ground(
    frames: &[Option<&FixedPlane>],
    noise: &PixelNoise,
    settings: &RegisterSettings,
) -> Result<Path, NoLock> {
    let tracks = follow(frames, noise, settings);
    if tracks.is_empty() {
        return Err(NoLock::NoTexture);
    }
    let found = groups(&tracks, GROUPS);
    let size = |g: &Consensus| g.still.iter().filter(|&&s| s).count();
    let share = |g: &Consensus| size(g) as f64 / tracks.len() as f64;
    if let Some(best) = found.first().filter(|g| share(g) >= CLEAR) {
        return Ok(best.path.clone());
    }
    let mut paths: Vec<Path> = found.iter().map(|g| g.path.clone()).collect();
    let mut bodies: Vec<Vec<&Track>> = vec![tracks.iter().collect()];
    bodies.extend(
        found
            .iter()
            .map(|g| tracks.iter().zip(&g.still).filter(|&(_, &s)| !s).map(|(t, _)| t).collect()),
    );
    paths.extend(bodies.iter().map(|b| Body::new(frames, noise, settings, b).follow()));
    let path = elect(frames, noise, settings, paths)?;
    let all: Vec<&Track> = tracks.iter().collect();
    // Noise moves on at each repetition, a background stays.
    let mut body = Body::new(frames, noise, settings, &all);
    let (mut path, mut found) = (path, 0.0);
    for _ in 0..REPEATS {
        (path, found) = body.again(&path);
    }
    if found < FOUND_AGAIN { Err(NoLock::NotRepeated { percent: 100.0 * found }) } else { Ok(path) }
}

/// The path with the most votes.
fn elect(
    frames: &[Option<&FixedPlane>],
    noise: &PixelNoise,
    settings: &RegisterSettings,
    mut paths: Vec<Path>,
) -> Result<Path, NoLock> {
    let left: Vec<Vec<Option<f64>>> =
        paths.iter().map(|p| left_by(frames, noise, settings, p)).collect();
    let tiles = left.first().map_or(0, Vec::len);
    let mut votes = vec![0_usize; paths.len()];
    let mut open = 0_usize;
    for t in 0..tiles {
        let mut all: Vec<(f64, usize)> =
            left.iter().enumerate().filter_map(|(c, l)| Some((l[t]?, c))).collect();
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        // Paths that explain the tile as well as the best one get its vote too: two of them may
        // be the same.
        let Some(&(best, _)) = all.first() else { continue };
        let limit = best + SIGNIFICANT * (2.0 * (VOTER * VOTER) as f64).sqrt();
        if all.last().is_some_and(|l| l.0 <= limit) {
            open += 1;
            continue;
        }
        for &(_, c) in all.iter().filter(|a| a.0 <= limit) {
            votes[c] += 1;
        }
    }
    let most = votes.iter().copied().max().unwrap_or(0);
    // Of equal ones the path that leaves least.
    let winner = (0..paths.len()).filter(|&c| votes[c] == most).min_by(|&a, &b| {
        let sum = |c: usize| left[c].iter().flatten().sum::<f64>();
        sum(a).total_cmp(&sum(b))
    });
    let share = (most + open) as f64 / tiles.max(1) as f64;
    match winner {
        Some(w) if share >= LEAST_AREA && (most >= LEAST_VOTES || open == tiles) => {
            Ok(paths.swap_remove(w))
        }
        _ => Err(NoLock::NoConsensus { tiles: most, of: tiles, percent: 100.0 * share }),
    }
}

/// Sum of squared deviations (in units of the noise) that a path leaves in each voting tile;
/// `None` for tiles that the settings leave out or that were not seen.
fn left_by(
    frames: &[Option<&FixedPlane>],
    noise: &PixelNoise,
    settings: &RegisterSettings,
    path: &Path,
) -> Vec<Option<f64>> {
    let posed: Vec<Posed<'_>> = frames
        .iter()
        .zip(path)
        .filter_map(|(f, p)| Some(Posed { frame: (*f)?, shift: (*p)?, light: 1.0 }))
        .collect();
    let (w, h) = posed.first().map_or((0, 0), |p| (p.frame.width, p.frame.height));
    let mean = average(&posed, w, h);
    let ratio = variance_ratio(&posed, &wiener(&mean, noise), noise, COARSE);
    let most = mean.count.data().iter().copied().fold(0.0, f32::max);
    let mut out = Vec::new();
    for y in (0..h.saturating_sub(VOTER - 1)).step_by(VOTER) {
        for x in (0..w.saturating_sub(VOTER - 1)).step_by(VOTER) {
            let usable = settings.allows([x, y, VOTER, VOTER]);
            out.push(usable.then(|| tile_sum(&ratio, &mean.count, most, (x, y))).flatten());
        }
    }
    out
}

/// The sum over a tile, extrapolated to all frames; `None` where most frames did not see it.
fn tile_sum(ratio: &Plane, count: &Plane, most: f32, (x, y): (usize, usize)) -> Option<f64> {
    let (mut sum, mut n) = (0.0, 0.0);
    for row in y..y + VOTER {
        for column in x..x + VOTER {
            if count.at(column, row) > 0.5 * most {
                sum += f64::from(ratio.at(column, row));
                n += 1.0;
            }
        }
    }
    let area = (VOTER * VOTER) as f64;
    (n > 0.5 * area).then(|| sum / n * area * f64::from(most))
}
