//! How a part turns: maximum likelihood of its rotation, together with its place and light.
//!
//! ```text
//! I(X + s + (R - 1)(X - m)) = a T(X)      R: rotation about the middle m of the region
//! ```
//!
//! Each frame is brought to the template's pose (`math::turn`), and what is left is explained, in
//! Gauss-Newton steps over all pixels of the region that stay with the part, by the template's own
//! slopes: two for the place, one for the rotation, and the light. So no lever has to be known, and a
//! rotation of several pixels at the rim is as right as a small one. The template begins as the first
//! frame, and is made again from frames that were turned back, three times.
//!
//! Two halves of the region, each followed by a shift, were simpler and read 0.78 to 1.1 of the truth:
//! the place at which a shift is measured depends on texture and noise.
//!
//! Uncertainty: the inverse of the information, widened by the misfit. Unit: rad, clockwise on screen.
//! Cost: about 0.3 us a pixel of the region, step and frame. No magnification is fitted.
//!
//! Limits: the kernel that turns a frame misplaces the finest detail, by a part of the way: with
//! detail of 3 px and no noise, turns of 59 mrad read 1.003, 1.009 and 1.026 of the truth on regions
//! of 64 x 48, 48 x 36 and 36 x 28 px. Where the corners turn by more than some 3 px they leave the
//! window (8 px around the region) and only the middle tells: 295 mrad read 0.996, 1.043 and 1.039.

use super::MeasureError;
use super::follow::{Cut, Follower, local};
use crate::frame::{FixedPlane, Plane};
use crate::math::linear::solve;
use crate::math::turn::Turn;
use crate::register::template::{Average, Posed, average};
use crate::register::{PixelNoise, Pose};

/// Steps at the most.
const STEPS: usize = 12;
/// Settled when no corner moves by more, in pixels.
const SETTLED: f64 = 1e-4;
/// Times the template is made again.
const PASSES: usize = 3;
/// A rotation that moves the corners less certainly than this, in pixels, is none.
const UNCERTAIN: f64 = 0.5;
/// How far the place may go from where a shift alone put it, in pixels.
const FURTHEST: f64 = 8.0;
/// Unknowns: place along x and y, rotation, relative light.
const UNKNOWNS: usize = 4;

/// A rotation against the template.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turned {
    /// In rad, clockwise on screen.
    pub angle: f64,
    /// Its standard uncertainty in rad.
    pub sigma: f64,
}

/// Follows the rotation of a region.
#[derive(Debug)]
pub struct Turner {
    template: Plane,
    slopes: [Plane; 2],
    still: Vec<u8>,
    noise: PixelNoise,
    /// The angle of the frame before, to begin with.
    last: f64,
}

/// Where the part lies in a cut.
#[derive(Clone, Copy)]
struct At {
    shift: [f64; 2],
    angle: f64,
    light: f64,
    sigma: f64,
}

impl At {
    fn posed<'a>(&self, cut: &'a Cut) -> Posed<'a> {
        let turn = Turn { angle: self.angle, stretch: 0.0 };
        Posed { frame: &cut.frame, shift: self.shift, turn, light: self.light, hidden: None }
    }
}

impl Turner {
    /// Learns from the block that `follower` learned from.
    ///
    /// # Errors
    /// Where the rotation cannot be told in half of the block.
    pub fn new(
        follower: &mut Follower,
        block: &[(&FixedPlane, Pose)],
    ) -> Result<Self, MeasureError> {
        follower.restart();
        let placed: Vec<(Cut, At)> = block
            .iter()
            .filter_map(|(frame, pose)| {
                let found = follower.step(frame, pose)?;
                let place = [0, 1].map(|a| found.shift[a] + pose.shift[a]);
                let cut = follower.cut(frame, place)?;
                let shift = local(&cut, place);
                Some((cut, At { shift, angle: 0.0, light: found.light, sigma: 0.0 }))
            })
            .collect();
        follower.restart();
        let mut own = Self {
            template: Plane::filled(1, 1, 0.0),
            slopes: [0, 1].map(|_| Plane::filled(1, 1, 0.0)),
            still: Vec::new(),
            noise: PixelNoise { factor: None, ..follower.noise().clone() },
            last: 0.0,
        };
        // A mean of frames that are not turned back yet would hold each of them where it is.
        let first: Vec<Posed<'_>> = placed.iter().take(1).map(|(cut, at)| at.posed(cut)).collect();
        own.learn(follower.learned_from(&first));
        for _ in 0..PASSES {
            own.last = 0.0;
            let posed: Vec<Posed<'_>> = placed
                .iter()
                .filter_map(|(cut, at)| Some(own.fit(cut, at.shift, at.light)?.posed(cut)))
                .collect();
            if posed.is_empty() || 2 * posed.len() < block.len() {
                return Err(MeasureError::refused(
                    format!(
                        "rotation could be told in only {} of {} frames",
                        posed.len(),
                        block.len()
                    ),
                    "choose a larger region with more texture, or light it more",
                ));
            }
            own.learn(follower.learned_from(&posed));
        }
        own.last = 0.0;
        Ok(own)
    }

    /// The rotation in the next frame, where `follower` found the part at `place` (reference
    /// coordinates); `None` where it cannot be told.
    pub fn step(
        &mut self,
        follower: &Follower,
        frame: &FixedPlane,
        (place, light): ([f64; 2], f64),
    ) -> Option<Turned> {
        let cut = follower.cut(frame, place)?;
        let at = self.fit(&cut, local(&cut, place), light)?;
        Some(Turned { angle: at.angle, sigma: at.sigma })
    }

    fn learn(&mut self, (template, still): (Plane, Vec<u8>)) {
        self.still = still;
        let (w, h) = (template.width(), template.height());
        // Five-point differences; the rim is not used.
        let slope = |along: usize| {
            Plane::from_fn(w, h, |x, y| {
                let inside = x >= 2 && y >= 2 && x + 2 < w && y + 2 < h;
                let at = |k: usize| {
                    if along == 0 { template.at(x + k - 2, y) } else { template.at(x, y + k - 2) }
                };
                if inside { (8.0 * (at(3) - at(1)) - (at(4) - at(0))) / 12.0 } else { 0.0 }
            })
        };
        self.slopes = [slope(0), slope(1)];
        self.template = template;
    }

    /// The middle of the window and half its diagonal.
    fn middle(&self) -> ([f64; 2], f64) {
        let size = [self.template.width(), self.template.height()];
        let middle = size.map(|n| (n as f64 - 1.0) / 2.0);
        (middle, libm::hypot(middle[0], middle[1]).max(1.0))
    }

    fn fit(&mut self, cut: &Cut, shift: [f64; 2], light: f64) -> Option<At> {
        let (_, radius) = self.middle();
        let mut at = At { shift, angle: self.last, light, sigma: f64::INFINITY };
        let (w, h) = (self.template.width(), self.template.height());
        for _ in 0..STEPS {
            let seen = average(&[at.posed(cut)], w, h);
            let (step, sigma) = self.solve(&seen)?;
            at.shift = [0, 1].map(|a| at.shift[a] + step[a]);
            at.angle += step[2] / radius;
            at.light *= 1.0 + step[3];
            at.sigma = sigma / radius;
            let near = |a: usize| (at.shift[a] - shift[a]).abs() < FURTHEST;
            let sound = near(0) && near(1) && at.light > 0.05 && at.light < 20.0;
            if !sound {
                return None;
            }
            if step[..3].iter().all(|s| s.abs() < SETTLED) {
                break;
            }
        }
        let sure = at.sigma.is_finite() && at.sigma * radius < UNCERTAIN;
        sure.then(|| {
            self.last = at.angle;
            at
        })
    }

    /// One step from a frame brought to the template's pose: place, rotation as movement of the
    /// corners in pixels, relative light; and the uncertainty of the rotation in the same unit.
    fn solve(&self, seen: &Average) -> Option<([f64; UNKNOWNS], f64)> {
        let (middle, radius) = self.middle();
        let (w, h) = (self.template.width(), self.template.height());
        let mut matrix = vec![vec![0.0; UNKNOWNS]; UNKNOWNS];
        let mut right = vec![0.0; UNKNOWNS];
        let (mut misfit, mut pixels) = (0.0, 0.0_f64);
        for y in 0..h {
            for x in (0..w).filter(|x| self.still[y * w + x] != 0 && seen.count.at(*x, y) > 0.0) {
                let t = f64::from(self.template.at(x, y));
                let [gx, gy] = self.slopes.each_ref().map(|s| f64::from(s.at(x, y)));
                let [dx, dy] = [x as f64 - middle[0], y as f64 - middle[1]];
                // Where the pose falls short by e, the part lies further on by e: it shows T(X - e).
                let model = [-gx, -gy, (gx * dy - gy * dx) / radius, t];
                let left = f64::from(seen.mean.at(x, y)) - t;
                let variance = f64::from(self.noise.slope) * t.max(0.0)
                    + f64::from(self.noise.floor).max(1e-12);
                let weight = 1.0 / variance;
                for (i, row) in matrix.iter_mut().enumerate() {
                    for (m, other) in row.iter_mut().zip(&model) {
                        *m += weight * model[i] * other;
                    }
                    right[i] += weight * model[i] * left;
                }
                misfit += weight * left * left;
                pixels += 1.0;
            }
        }
        let unit = (0..UNKNOWNS).map(|i| if i == 2 { 1.0 } else { 0.0 }).collect();
        let spread = solve(matrix.clone(), unit)?[2];
        let step: [f64; UNKNOWNS] = solve(matrix, right)?.try_into().ok()?;
        // Half a pixel at the most: beyond it the slopes say little.
        let most = step[..3].iter().fold(0.0, |m: f64, s| m.max(s.abs()));
        let by = if most > 0.5 { 0.5 / most } else { 1.0 };
        let widen = (misfit / pixels.max(1.0)).max(1.0);
        Some((step.map(|s| s * by), (spread * widen).max(0.0).sqrt()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::convert::to_f32;
    use crate::frame::{Coding, NoiseModel};

    /// A texture that is turned about a point: angles come back, small and large, with a place
    /// that a shift alone gets wrong.
    #[test]
    fn angles_come_back() {
        let size = (120, 100);
        let centre = [66.0, 44.0];
        let frame = |angle: f64| {
            let (sin, cos) = libm::sincos(angle);
            let plane = Plane::from_fn(size.0, size.1, |x, y| {
                let d = [x as f64 - centre[0], y as f64 - centre[1]];
                let at = [d[0] * cos + d[1] * sin, d[1] * cos - d[0] * sin];
                to_f32(
                    1000.0
                        + 150.0 * libm::sin(0.7 * at[0] + 0.3 * at[1])
                        + 120.0 * libm::cos(0.45 * at[1] - 0.6 * at[0])
                        + 90.0 * libm::sin(0.31 * at[0] - 0.8 * at[1] + 1.0),
                )
            });
            FixedPlane::from_plane(&plane, None, Coding::for_white(4095.0))
        };
        let angles: Vec<f64> = (0..24).map(|k| 0.2 * libm::sin(0.3 * f64::from(k))).collect();
        let frames: Vec<FixedPlane> = angles.iter().map(|&a| frame(a)).collect();
        let block: Vec<(&FixedPlane, Pose)> = frames.iter().map(|f| (f, Pose::ZERO)).collect();
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let mut follower = Follower::new(&block, [36, 30, 48, 40], &noise).unwrap();
        let mut turner = Turner::new(&mut follower, &block).unwrap();
        let found: Vec<f64> = block
            .iter()
            .map(|(frame, pose)| {
                let f = follower.step(frame, pose).unwrap();
                turner.step(&follower, frame, (f.shift, f.light)).unwrap().angle
            })
            .collect();
        for (f, a) in found.iter().zip(&angles) {
            // Without noise: the kernel's part, and corners that leave the window (limits above).
            let off = (f - found[0] - a).abs();
            assert!(off < 0.03 * a.abs() + 1e-3, "{} for {a}", f - found[0]);
        }
    }
}
