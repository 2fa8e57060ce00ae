//! The still background: of several possible layers the one that explains the largest area.
//!
//! A layer is a path and the tiles that move along it. Where one group of tiles, each followed on
//! its own, fills a good part of the frame, it is the background. Otherwise (low light, little
//! texture, a large or slow mechanism) layers are found by following tiles together
//! ([`super::body`]), first all, then those that no layer has taken; each layer is settled by
//! letting only its own tiles say where a frame lies. For each the frames are averaged along the
//! path, and each 32-pixel voter votes for the path that leaves the least there, if the others leave
//! significantly more; the path with the most votes is the background. One voter, one vote.
//!
//! Frames of nothing but noise can be laid so that their average looks like something, and looks
//! the same again: searching makes it so. So the answer is proved on pixels that had no part in it:
//! the background's tiles are split into two halves without a pixel in common, one half gives a
//! path on its own, and the other half must find its frames there, and the other way round.
//!
//! A frame that might as well lie elsewhere is left out of the path; its neighbours say where it
//! is put.

use super::body::{Body, Path};
use super::consensus::{Consensus, groups, median_path};
use super::still::deviation;
use super::template::{Posed, average};
use super::tracks::{Track, allowed, follow, tile_size};
use super::wiener::wiener;
use super::{NoLock, PixelNoise, RegisterSettings};
use crate::frame::convert::to_f32;
use crate::frame::{FixedPlane, Plane};
use crate::math::robust::quantile;
use crate::math::turn::Turn;

/// A group with this part of all tiles needs no vote.
const CLEAR: f64 = 0.4;
/// Groups looked at.
const GROUPS: usize = 2;
/// Layers looked for by following tiles together.
const LAYERS: usize = 2;
/// Rounds in which a layer settles, at the most.
const SETTLE: usize = 5;
/// Side of a voting tile in pixels.
const VOTER: usize = 32;
/// A vote counts when the next best path leaves this many standard deviations more.
const SIGNIFICANT: f64 = 6.0;
/// See [`unexplained`].
const UNEXPLAINED: f64 = 1.5;
/// The background must have this part of the tiles.
const LEAST_AREA: f64 = 0.15;
/// And be the choice of this many voters, and have this many tiles.
const LEAST_VOTES: usize = 3;
/// What one half of the background must say, per frame, of the path that the other half found, in
/// nats. Measured at 25 e-: noise alone in 8 to 60 frames of 96 to 384 px gives up to 0.5 with two
/// tiles a half and up to 0.9 with more (above 0 because the tiles were chosen by the same data);
/// the weakest background tried, `camera`, of which no single tile can be followed, 2.5 to 4.4.
const EVIDENCE: f64 = 1.5;
/// Of halves of few tiles, this for each of their tiles: a tile's say is limited to some 2 nats.
const EVIDENCE_TILE: f64 = 0.4;
/// Tiles of a half at the most.
const HALF: usize = 16;
/// A frame lies where it was found at least with this probability, or is left out.
const SURE: f64 = 0.9;
/// Uncertainty of a coarse path in pixels.
const COARSE: f64 = 0.2;

/// Tiles that move together along a path.
struct Layer {
    path: Path,
    members: Vec<bool>,
}

impl Layer {
    fn count(&self) -> usize {
        self.members.iter().filter(|&&m| m).count()
    }
}

/// Finds the path of the still background.
///
/// # Errors
/// [`NoLock`] where there is no texture, or nothing fills enough of the frame.
pub fn ground(
    frames: &[Option<&FixedPlane>],
    noise: &PixelNoise,
    settings: &RegisterSettings,
) -> Result<Path, NoLock> {
    let mut there = frames.iter().flatten();
    let (Some(first), Some(_)) = (there.next(), there.next()) else { return Err(NoLock::TooFew) };
    if allowed(first, settings).is_empty() {
        return Err(NoLock::NoRoom { side: tile_size(first.width, first.height).0 });
    }
    let tracks = follow(frames, noise, settings);
    if tracks.is_empty() {
        return Err(NoLock::NoTexture);
    }
    let found = groups(&tracks, GROUPS);
    let size = |g: &Consensus| g.still.iter().filter(|&&s| s).count();
    let share = |g: &Consensus| size(g) as f64 / tracks.len() as f64;
    if let Some(best) = found.first().filter(|g| share(g) >= CLEAR) {
        proved(frames, noise, settings, (&tracks, &best.still), true)?;
        return Ok(best.path.clone());
    }
    let all: Vec<&Track> = tracks.iter().collect();
    let mut body = Body::new(frames, noise, settings, &all);
    let mut layers: Vec<Layer> = Vec::new();
    for g in found {
        layers.extend(settle(&mut body, g.path, g.still));
    }
    let mut left = vec![true; tracks.len()];
    for _ in 0..LAYERS {
        body.choose(&left);
        let path = body.follow();
        let Some(layer) = settle(&mut body, path, left.clone()) else { break };
        for (l, m) in left.iter_mut().zip(&layer.members) {
            *l &= !m;
        }
        layers.push(layer);
        if left.iter().filter(|&&l| l).count() < LEAST_VOTES {
            break;
        }
    }
    let layer = elect(frames, noise, settings, layers)?;
    let percent = 100.0 * layer.count() as f64 / tracks.len() as f64;
    if layer.count() < LEAST_VOTES.min(tracks.len()) || percent < 100.0 * LEAST_AREA {
        return Err(NoLock::NoConsensus { tiles: layer.count(), of: tracks.len(), percent });
    }
    proved(frames, noise, settings, (&tracks, &layer.members), false)?;
    body.choose(&layer.members);
    let look = body.look(&layer.path);
    Ok(look.path.iter().zip(&look.sure).map(|(p, &s)| p.filter(|_| s >= SURE)).collect())
}

/// Lets the tiles of a layer say where the frames lie, and those that moved so be its tiles, in
/// turn. `None` where no tile is left.
fn settle(body: &mut Body<'_>, mut path: Path, mut members: Vec<bool>) -> Option<Layer> {
    for _ in 0..SETTLE {
        body.choose(&members);
        let look = body.look(&path);
        let next = body.members();
        if !next.contains(&true) {
            return None;
        }
        path = look.path;
        if next == members {
            break;
        }
        members = next;
    }
    Some(Layer { path, members })
}

/// Proves a layer on pixels that had no part in finding the path.
fn proved(
    frames: &[Option<&FixedPlane>],
    noise: &PixelNoise,
    settings: &RegisterSettings,
    (tracks, members): (&[Track], &[bool]),
    one_by_one: bool,
) -> Result<(), NoLock> {
    let apart = apart(tracks, members);
    let quarters: Vec<Track> = apart.iter().flat_map(|t| quarters(t)).collect();
    // Of a region too small for two tiles, four quarters make the halves.
    let few = apart.len() < 4;
    let halves = if few { dealt(quarters.iter()) } else { dealt(apart.into_iter()) };
    let mut evidence = 0.0;
    let fewest = halves[0].len().min(halves[1].len()) as f64;
    for (half, other) in [(0, 1), (1, 0)] {
        let path = if one_by_one && !few {
            median_path(&halves[half])
        } else {
            Body::new(frames, noise, settings, &halves[half]).follow()
        };
        evidence += 0.5 * Body::new(frames, noise, settings, &halves[other]).look(&path).evidence;
    }
    if evidence < EVIDENCE.min(EVIDENCE_TILE * fewest) {
        Err(NoLock::NotConfirmed { evidence })
    } else {
        Ok(())
    }
}

/// Tiles of a layer no two of which have a pixel in common.
fn apart<'t>(tracks: &'t [Track], members: &[bool]) -> Vec<&'t Track> {
    let mut apart: Vec<&Track> = Vec::new();
    for t in tracks.iter().zip(members).filter(|&(_, &m)| m).map(|(t, _)| t) {
        let near = |o: &&Track| o.x.abs_diff(t.x) < t.side && o.y.abs_diff(t.y) < t.side;
        if !apart.iter().any(near) {
            apart.push(t);
        }
    }
    apart
}

/// The four quarters of a tile, so that those of a diagonal fall to the same half.
fn quarters(t: &Track) -> [Track; 4] {
    let side = t.side / 2;
    [(0, 0), (1, 0), (1, 1), (0, 1)].map(|(i, j)| Track {
        x: t.x + i * side,
        y: t.y + j * side,
        side,
        ..t.clone()
    })
}

/// Deals tiles into two halves, some of them where there are many.
fn dealt<'t>(tiles: impl ExactSizeIterator<Item = &'t Track>) -> [Vec<&'t Track>; 2] {
    let every = tiles.len().div_ceil(2 * HALF).max(1);
    let mut out = [Vec::new(), Vec::new()];
    for (i, t) in tiles.step_by(every).enumerate() {
        out[i % 2].push(t);
    }
    out
}

/// The layer with the most votes.
fn elect(
    frames: &[Option<&FixedPlane>],
    noise: &PixelNoise,
    settings: &RegisterSettings,
    mut layers: Vec<Layer>,
) -> Result<Layer, NoLock> {
    let left: Vec<Vec<Option<f64>>> =
        layers.iter().map(|l| left_by(frames, noise, settings, &l.path)).collect();
    let tiles = left.first().map_or(0, Vec::len);
    let mut votes = vec![0_usize; layers.len()];
    let mut open = 0_usize;
    let lost = unexplained(&left);
    for t in 0..tiles {
        let mut all: Vec<(f64, usize)> =
            left.iter().enumerate().filter_map(|(c, l)| Some((l[t]?, c))).collect();
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        // Paths that explain the tile as well as the best one get its vote too: two of them may
        // be the same.
        let Some(&(best, _)) = all.first().filter(|b| b.0 < lost) else { continue };
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
    let winner = (0..layers.len()).filter(|&c| votes[c] == most).min_by(|&a, &b| {
        let sum = |c: usize| left[c].iter().flatten().sum::<f64>();
        sum(a).total_cmp(&sum(b))
    });
    let share = (most + open) as f64 / tiles.max(1) as f64;
    winner
        .filter(|_| share >= LEAST_AREA)
        .map(|w| layers.swap_remove(w))
        .ok_or(NoLock::NoConsensus { tiles: most + open, of: tiles, percent: 100.0 * share })
}

/// A voter of which even the best path leaves this much is explained by none: well above what the
/// best explained voters keep, so that a noise model that is off by some tens of per cent matters
/// little.
fn unexplained(left: &[Vec<Option<f64>>]) -> f64 {
    let tiles = left.first().map_or(0, Vec::len);
    let mut best: Vec<f32> = (0..tiles)
        .filter_map(|t| left.iter().filter_map(|l| l[t]).min_by(f64::total_cmp))
        .map(to_f32)
        .collect();
    quantile(&mut best, 0.1).map_or(f64::INFINITY, |q| UNEXPLAINED * f64::from(q))
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
        .filter_map(|(f, p)| {
            Some(Posed { frame: (*f)?, shift: (*p)?, turn: Turn::NONE, light: 1.0, hidden: None })
        })
        .collect();
    let (w, h) = posed.first().map_or((0, 0), |p| (p.frame.width, p.frame.height));
    let mean = average(&posed, w, h);
    let ratio = deviation(&posed, &wiener(&mean, noise), noise, COARSE).each;
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
