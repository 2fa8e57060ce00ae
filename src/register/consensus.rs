//! Tiles that move together.
//!
//! The distance of two tiles is the median over frames of the distance between their
//! trajectories, or that over the last third of the block where it is larger (a slow mover parts
//! from the background late). Each tile is scored by how many others are near it; the tiles near
//! the best one are a group, and so on with those left. A vote is a tile, whatever its texture:
//! weighting by information would follow the mechanism, which is often the better textured.
//! Which group is the background is for [`super::ground`] to say.

use super::tracks::Track;
use crate::math::robust::median_f64;

/// Scale of the vote in pixels.
const NEAR: f64 = 0.35;
/// Tiles more uncertain than this say nothing, in pixels.
const VAGUE: f64 = 0.8;
/// Square of the median length of a vector whose two parts are normal with standard deviation 1.
const MEDIAN_SQUARE: f64 = 1.386;
/// Tiles further than this from the winner never belong to it, in pixels.
const FAR: f64 = 1.0;
/// A group has at least this many tiles.
const LEAST_TILES: usize = 3;

/// The still background and its coarse path.
#[derive(Debug, Clone, PartialEq)]
pub struct Consensus {
    /// For each track whether it lies on the still background.
    pub still: Vec<bool>,
    /// Shift of the background for each frame, `None` where no tile saw it.
    pub path: Vec<Option<[f64; 2]>>,
}

fn apart(a: &Track, b: &Track, frames: usize, d: &mut Vec<f64>) -> f64 {
    let mut part = |range: std::ops::Range<usize>, seen: usize| {
        d.clear();
        d.extend(a.shifts[range.clone()].iter().zip(&b.shifts[range]).filter_map(|(p, q)| {
            let (p, q) = ((*p)?, (*q)?);
            Some(((p[0] - q[0]).powi(2) + (p[1] - q[1]).powi(2)).sqrt())
        }));
        // Tiles that were hardly seen together tell nothing of each other.
        (2 * d.len() >= seen).then(|| median_f64(d)).flatten()
    };
    let n = a.shifts.len();
    let third = n.div_ceil(3);
    match (part(0..n, frames), part(n - third..n, third * frames / n.max(1))) {
        (Some(all), Some(late)) => all.max(late),
        _ => f64::INFINITY,
    }
}

/// Groups of tiles that move together, the largest first; each tile belongs to one group at the
/// most, and groups of fewer than three tiles (of fewer than all, where there are not three) are
/// left out.
#[must_use]
pub fn groups(tracks: &[Track], most: usize) -> Vec<Consensus> {
    let n = tracks.len();
    let mut free: Vec<bool> = tracks.iter().map(|t| t.sigma < VAGUE).collect();
    let distance = distances(tracks, &free);
    let mut found = Vec::new();
    while found.len() < most {
        let score = |i: usize| -> f64 {
            let near = |j: usize| (1.0 + (distance[i][j] / NEAR).powi(2)).powi(-2);
            (0..n).filter(|&j| free[j]).map(near).sum()
        };
        let Some(winner) =
            (0..n).filter(|&i| free[i]).max_by(|&i, &j| score(i).total_cmp(&score(j)))
        else {
            break;
        };
        let mut close: Vec<f64> =
            (0..n).filter(|&j| free[j]).map(|j| distance[winner][j]).filter(|&d| d < FAR).collect();
        let limit = median_f64(&mut close).map_or(FAR, |m| (3.0 * m).max(0.5)).min(FAR);
        let still: Vec<bool> = (0..n).map(|j| free[j] && distance[winner][j] <= limit).collect();
        let count = still.iter().filter(|&&s| s).count();
        if count < LEAST_TILES.min(n) {
            break;
        }
        for (f, s) in free.iter_mut().zip(&still) {
            *f &= !s;
        }
        found.push(Consensus { path: path(tracks, &still), still });
    }
    found
}

/// Distances between all pairs of `free` tiles, beyond what their uncertainty explains.
fn distances(tracks: &[Track], free: &[bool]) -> Vec<Vec<f64>> {
    let n = tracks.len();
    // Frames that are there at all: those that any tile saw.
    let length = tracks.first().map_or(0, |t| t.shifts.len());
    let frames = (0..length).filter(|&k| tracks.iter().any(|t| t.shifts[k].is_some())).count();
    let (mut distance, mut scratch) = (vec![vec![0.0; n]; n], Vec::new());
    for i in (0..n).filter(|&i| free[i]) {
        for j in (i + 1..n).filter(|&j| free[j]) {
            let noise = tracks[i].sigma.powi(2) + tracks[j].sigma.powi(2);
            let d = apart(&tracks[i], &tracks[j], frames, &mut scratch);
            let d = (d * d - MEDIAN_SQUARE * noise).max(0.0).sqrt();
            distance[i][j] = d;
            distance[j][i] = d;
        }
    }
    distance
}

/// Median shift of the chosen tiles for each frame.
fn path(tracks: &[Track], chosen: &[bool]) -> Vec<Option<[f64; 2]>> {
    let some: Vec<&Track> =
        tracks.iter().zip(chosen).filter(|&(_, &s)| s).map(|(t, _)| t).collect();
    median_path(&some)
}

/// Median shift of some tiles for each frame.
#[must_use]
pub fn median_path(tracks: &[&Track]) -> Vec<Option<[f64; 2]>> {
    let length = tracks.first().map_or(0, |t| t.shifts.len());
    (0..length)
        .map(|k| {
            let axis = |a: usize| {
                let mut v: Vec<f64> =
                    tracks.iter().filter_map(|t| t.shifts[k].map(|p| p[a])).collect();
                median_f64(&mut v)
            };
            Some([axis(0)?, axis(1)?])
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn track(x: usize, f: impl Fn(usize) -> [f64; 2]) -> Track {
        Track { x, y: 0, side: 64, shifts: (0..30).map(|k| Some(f(k))).collect(), sigma: 0.05 }
    }

    #[test]
    fn follows_the_larger_set_not_the_mover() {
        let still = |k: usize| [0.1 * (k % 3) as f64, 0.0];
        let moving = |k: usize| [0.7 * k as f64, 0.2 * k as f64];
        let mut tracks: Vec<Track> = (0..6).map(|i| track(i, still)).collect();
        tracks.extend((0..4).map(|i| track(100 + i, moving)));
        let found = groups(&tracks, 5);
        assert_eq!(found.len(), 2);
        let c = &found[0];
        assert_eq!(c.still, [true, true, true, true, true, true, false, false, false, false]);
        assert!((c.path[4].unwrap()[0] - 0.1).abs() < 1e-12);
        assert!((found[1].path[4].unwrap()[0] - 2.8).abs() < 1e-12);
    }

    #[test]
    fn a_crowd_without_agreement_forms_no_group() {
        let tracks: Vec<Track> =
            (0..20).map(|i| track(i, |k| [(i * k) as f64, (i * i) as f64])).collect();
        assert!(groups(&tracks, 3).is_empty());
        assert!(groups(&[], 3).is_empty());
    }
}
