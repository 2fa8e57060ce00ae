//! Which tiles lie on the still background: the largest set that moves together.
//!
//! The distance of two tiles is the median over frames of the distance between their
//! trajectories, or that over the last third of the block where it is larger (a slow mover parts
//! from the background late). Each tile is scored by how many others are near it; the tiles near
//! the best one are the background. A set that is spread over the frame counts for more than a
//! cluster of the same size: the background surrounds the mechanism. A vote is a tile, whatever its texture: weighting by
//! information would follow the mechanism, which is often the better textured.

use super::NoLock;
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
/// The background must fill this part of all tiles.
const LEAST_AREA: f64 = 0.15;
/// And be seen in this many tiles.
const LEAST_TILES: usize = 3;

/// The still background and its coarse path.
#[derive(Debug, Clone, PartialEq)]
pub struct Consensus {
    /// For each track whether it lies on the still background.
    pub still: Vec<bool>,
    /// Shift of the background for each frame, `None` where no tile saw it.
    pub path: Vec<Option<[f64; 2]>>,
}

fn apart(a: &Track, b: &Track, frames: usize) -> f64 {
    let part = |range: std::ops::Range<usize>, seen: usize| {
        let mut d: Vec<f64> = a.shifts[range.clone()]
            .iter()
            .zip(&b.shifts[range])
            .filter_map(|(p, q)| {
                let (p, q) = ((*p)?, (*q)?);
                Some(((p[0] - q[0]).powi(2) + (p[1] - q[1]).powi(2)).sqrt())
            })
            .collect();
        // Tiles that were hardly seen together tell nothing of each other.
        (2 * d.len() >= seen).then(|| median_f64(&mut d)).flatten()
    };
    let n = a.shifts.len();
    let third = n.div_ceil(3);
    match (part(0..n, frames), part(n - third..n, third * frames / n.max(1))) {
        (Some(all), Some(late)) => all.max(late),
        _ => f64::INFINITY,
    }
}

/// How far the voters lie from each other (variance of their places, pixels squared): a
/// background surrounds a mechanism, so of two sets of equal size the wider one is the background.
fn spread(tracks: &[&Track], votes: &[f64]) -> f64 {
    let total: f64 = votes.iter().sum();
    let axis = |f: &dyn Fn(&Track) -> usize| {
        let mean = |g: &dyn Fn(f64) -> f64| {
            tracks.iter().zip(votes).map(|(t, v)| v * g(f(t) as f64)).sum::<f64>() / total
        };
        let centre = mean(&|x| x);
        mean(&|x| (x - centre).powi(2))
    };
    axis(&|t| t.x) + axis(&|t| t.y) + 1.0
}

/// Finds the background among `tracks`.
///
/// # Errors
/// [`NoLock`] where there are no tiles, or too few of them move together.
pub fn background(tracks: &[Track]) -> Result<Consensus, NoLock> {
    let clear: Vec<&Track> = tracks.iter().filter(|t| t.sigma < VAGUE).collect();
    let found = largest_set(&clear, tracks.len())?;
    let mut still = found.still.into_iter();
    let still = tracks.iter().map(|t| t.sigma < VAGUE && still.next().unwrap_or(false)).collect();
    Ok(Consensus { still, path: found.path })
}

/// The same for tiles that are all clear enough to vote; `of` tiles were tried.
fn largest_set(tracks: &[&Track], of: usize) -> Result<Consensus, NoLock> {
    if tracks.is_empty() {
        return Err(NoLock::NoTexture);
    }
    let n = tracks.len();
    // Frames that are there at all: those that any tile saw.
    let length = tracks[0].shifts.len();
    let frames = (0..length).filter(|&k| tracks.iter().any(|t| t.shifts[k].is_some())).count();
    let mut distance = vec![vec![0.0; n]; n];
    for i in 0..n {
        for j in i + 1..n {
            // Beyond what their uncertainty explains.
            let noise = tracks[i].sigma.powi(2) + tracks[j].sigma.powi(2);
            let d = apart(tracks[i], tracks[j], frames);
            let d = (d * d - MEDIAN_SQUARE * noise).max(0.0).sqrt();
            distance[i][j] = d;
            distance[j][i] = d;
        }
    }
    let score = |i: usize| {
        let votes: Vec<f64> =
            distance[i].iter().map(|d| (1.0 + (d / NEAR).powi(2)).powi(-2)).collect();
        votes.iter().sum::<f64>() * spread(tracks, &votes)
    };
    let winner = (0..n).max_by(|&i, &j| score(i).total_cmp(&score(j))).unwrap_or(0);
    let mut close: Vec<f64> = distance[winner].iter().copied().filter(|&d| d < FAR).collect();
    let limit = median_f64(&mut close).map_or(FAR, |m| (3.0 * m).max(0.5)).min(FAR);
    let still: Vec<bool> = distance[winner].iter().map(|&d| d <= limit).collect();
    let count = still.iter().filter(|&&s| s).count();
    let share = count as f64 / of as f64;
    if count < LEAST_TILES.min(of) || share < LEAST_AREA {
        return Err(NoLock::NoConsensus { tiles: count, of, percent: 100.0 * share });
    }
    let path = (0..length)
        .map(|k| {
            let axis = |a: usize| {
                let mut v: Vec<f64> = tracks
                    .iter()
                    .zip(&still)
                    .filter(|&(_, &s)| s)
                    .filter_map(|(t, _)| t.shifts[k].map(|p| p[a]))
                    .collect();
                median_f64(&mut v)
            };
            Some([axis(0)?, axis(1)?])
        })
        .collect();
    Ok(Consensus { still, path })
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
        let c = background(&tracks).unwrap();
        assert_eq!(c.still, [true, true, true, true, true, true, false, false, false, false]);
        assert!((c.path[4].unwrap()[0] - 0.1).abs() < 1e-12);
    }

    #[test]
    fn a_crowd_without_agreement_is_no_lock() {
        let tracks: Vec<Track> =
            (0..20).map(|i| track(i, |k| [(i * k) as f64, (i * i) as f64])).collect();
        let text = background(&tracks).unwrap_err().to_string();
        assert!(text.contains("15 %"), "{text}");
        assert!(background(&[]).is_err());
    }
}
