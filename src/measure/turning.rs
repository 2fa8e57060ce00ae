//! How a part turns: maximum likelihood of its rotation, together with its place and light.
//!
//! ```text
//! I(m + s + R (X - m)) = a T(X)      R: rotation about the middle m of the region
//! ```
//!
//! Each frame is brought to the template's pose, pixel by pixel at any angle (the eight taps of
//! `math::resample` along both axes), and what is left is explained, in Gauss-Newton steps over all
//! pixels of the region that stay with the part, by the template's own slopes: two for the place, one
//! for the rotation, and the light. So no lever has to be known. The template begins as the first
//! frame, and is made again from frames that were turned back, three times.
//!
//! The place is that of the middle of the region. A shift alone follows what turns to somewhere else:
//! on a disc that turned about the middle of a region of 80 x 80 px it went 2.9 px away. So where
//! rotation is asked for, displacements are those found here, and there is none where it was lost.
//!
//! Two halves of the region, each followed by a shift, were simpler and read 0.78 to 1.1 of the truth:
//! the place at which a shift is measured depends on texture and noise.
//!
//! Each frame is begun where the last one's movement leads, and where a shift alone puts it; the better
//! fit counts. Uncertainty: the inverse of the information, widened by the misfit. Unit: rad, clockwise
//! on screen. Cost: about 0.1 us a pixel of the region, step and frame. No magnification is fitted.
//!
//! Limits: a turn of more than about a pixel at the corners from frame to frame beyond what the last
//! ones lead to is lost where texture is fine, and with it the frames after.

use super::MeasureError;
use super::follow::{Followed, Follower};
use crate::frame::convert::{floor_isize, index_in, signed};
use crate::frame::{Coding, FixedPlane, Plane};
use crate::math::linear::solve;
use crate::math::resample::{BEFORE, TAPS, dot, taps};
use crate::math::turn::Turn;
use crate::register::template::Posed;
use crate::register::{PixelNoise, Pose};

/// Steps at the most.
const STEPS: usize = 16;
/// Settled when no corner moves by more, in pixels.
const SETTLED: f64 = 1e-4;
/// What moves by more in the last step was not found, in pixels.
const UNSETTLED: f64 = 0.02;
/// Times the template is made again.
const PASSES: usize = 3;
/// A rotation that moves the corners less certainly than this, in pixels, is none.
const UNCERTAIN: f64 = 0.5;
/// How far the place may go from where it begins, in pixels.
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

/// Follows the rotation of a region, and its place.
#[derive(Debug)]
pub struct Turner {
    /// Region with its padding, in reference coordinates: x, y, width, height.
    window: [usize; 4],
    template: Plane,
    slopes: [Plane; 2],
    still: Vec<u8>,
    noise: PixelNoise,
    /// Displacement and angle in the frame before, and by how much they changed to it.
    last: [f64; 3],
    speed: [f64; 3],
}

/// Where the part lies in a frame.
#[derive(Clone, Copy)]
struct At {
    shift: [f64; 2],
    angle: f64,
    light: f64,
    /// Standard uncertainties: along x, along y, of the angle.
    sigma: [f64; 3],
    misfit: f64,
}

/// What a frame shows at the template's pixels.
struct Seen {
    values: Vec<f32>,
    there: Vec<bool>,
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
        let mut own = Self {
            window: follower.window(),
            template: Plane::filled(1, 1, 0.0),
            slopes: [0, 1].map(|_| Plane::filled(1, 1, 0.0)),
            still: Vec::new(),
            noise: PixelNoise { factor: None, ..follower.noise().clone() },
            last: [0.0; 3],
            speed: [0.0; 3],
        };
        let founds: Vec<Option<Followed>> = {
            follower.restart();
            let founds = block.iter().map(|(frame, pose)| follower.step(frame, pose)).collect();
            follower.restart();
            founds
        };
        // A mean of frames that are not turned back yet would hold each of them where it is.
        let Some((frame, pose)) = block.first() else {
            return Err(MeasureError::input("no frame is given", "give at least one"));
        };
        let first =
            At { shift: pose.shift, angle: 0.0, light: pose.light, sigma: [0.0; 3], misfit: 0.0 };
        own.learn(follower, &[(own.back(frame, &first), first.light)]);
        for _ in 0..PASSES {
            own.restart();
            let turned: Vec<(FixedPlane, f64)> = block
                .iter()
                .zip(&founds)
                .filter_map(|((frame, pose), found)| {
                    let at = own.find(frame, pose, found.as_ref())?;
                    Some((own.back(frame, &at), at.light))
                })
                .collect();
            if turned.is_empty() || 2 * turned.len() < block.len() {
                return Err(MeasureError::refused(
                    format!(
                        "rotation could be told in only {} of {} frames",
                        turned.len(),
                        block.len()
                    ),
                    "choose a larger region with more texture, or light it more",
                ));
            }
            own.learn(follower, &turned);
        }
        own.restart();
        Ok(own)
    }

    fn restart(&mut self) {
        self.last = [0.0; 3];
        self.speed = [0.0; 3];
    }

    /// Place and rotation in the next frame, which `follower` may have found by a shift alone; `None`
    /// where the rotation cannot be told.
    pub fn step(
        &mut self,
        frame: &FixedPlane,
        pose: &Pose,
        found: Option<&Followed>,
    ) -> Option<(Followed, Turned)> {
        let at = self.find(frame, pose, found)?;
        let followed = Followed {
            shift: [0, 1].map(|a| at.shift[a] - pose.shift[a]),
            sigma: [0, 1].map(|a| libm::hypot(at.sigma[a], pose.sigma)),
            light: at.light,
            misfit: at.misfit,
        };
        Some((followed, Turned { angle: at.angle, sigma: at.sigma[2] }))
    }

    /// The best fit from where the part is expected.
    fn find(&mut self, frame: &FixedPlane, pose: &Pose, found: Option<&Followed>) -> Option<At> {
        let [x, y, angle] = [0, 1, 2].map(|i| self.last[i] + self.speed[i]);
        let begin = |d: [f64; 2], light: f64| At {
            shift: [0, 1].map(|a| pose.shift[a] + d[a]),
            angle,
            light,
            sigma: [f64::INFINITY; 3],
            misfit: f64::INFINITY,
        };
        let led = self.fit(frame, begin([x, y], pose.light));
        let shifted = found.and_then(|f| self.fit(frame, begin(f.shift, f.light)));
        let best = led.into_iter().chain(shifted).min_by(|a, b| a.misfit.total_cmp(&b.misfit));
        let Some(at) = best else {
            self.speed = [0.0; 3];
            return None;
        };
        let now = [at.shift[0] - pose.shift[0], at.shift[1] - pose.shift[1], at.angle];
        self.speed = [0, 1, 2].map(|i| now[i] - self.last[i]);
        self.last = now;
        Some(at)
    }

    /// Learns from frames that were turned back, each with its light.
    fn learn(&mut self, follower: &Follower, turned: &[(FixedPlane, f64)]) {
        let posed: Vec<Posed<'_>> = turned
            .iter()
            .map(|(frame, light)| Posed {
                frame,
                shift: [0.0; 2],
                turn: Turn::NONE,
                light: *light,
                hidden: None,
            })
            .collect();
        let (template, still) = follower.learned_from(&posed);
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
        let middle = [self.window[2], self.window[3]].map(|n| (n as f64 - 1.0) / 2.0);
        (middle, libm::hypot(middle[0], middle[1]).max(1.0))
    }

    /// A frame in the template's pose, not in its light.
    fn seen(&self, frame: &FixedPlane, at: &At) -> Seen {
        let [x0, y0, w, h] = self.window;
        let (middle, _) = self.middle();
        let (sin, cos) = libm::sincos(at.angle);
        let centre = [x0 as f64 + middle[0] + at.shift[0], y0 as f64 + middle[1] + at.shift[1]];
        let mut seen = Seen { values: vec![0.0; w * h], there: vec![false; w * h] };
        let pixels = seen.values.iter_mut().zip(&mut seen.there).enumerate();
        for (i, (value, there)) in pixels {
            let d = [(i % w) as f64 - middle[0], (i / w) as f64 - middle[1]];
            let place = [centre[0] + cos * d[0] - sin * d[1], centre[1] + sin * d[0] + cos * d[1]];
            // The first tap of each axis, and what lies beyond the frame's edge.
            let first = place.map(|v| floor_isize(v) - signed(BEFORE));
            let within =
                |a: usize, length: usize| index_in(first[a], (length + 1).saturating_sub(TAPS));
            let Some((x, y)) = within(0, frame.width).zip(within(1, frame.height)) else {
                continue;
            };
            let [tx, ty] = place.map(|v| taps(v - v.floor()));
            let coding = &frame.coding;
            *value = dot(&ty, |j| {
                let row = &frame.row(y + j)[x..x + TAPS];
                dot(&tx, |i| coding.decode(row[i]))
            });
            let middle = frame.row(y + BEFORE)[x + BEFORE];
            *there = middle != Coding::MISSING && middle != Coding::SATURATED;
        }
        seen
    }

    /// A frame turned back into the template's pose.
    fn back(&self, frame: &FixedPlane, at: &At) -> FixedPlane {
        let [_, _, w, h] = self.window;
        let seen = self.seen(frame, at);
        let plane = Plane::from_vec(w, h, seen.values).unwrap_or_default();
        FixedPlane::from_plane(&plane, None, frame.coding)
    }

    fn fit(&self, frame: &FixedPlane, begin: At) -> Option<At> {
        let (_, radius) = self.middle();
        let mut at = begin;
        let mut last = f64::INFINITY;
        for _ in 0..STEPS {
            let seen = self.seen(frame, &at);
            let (sin, cos) = libm::sincos(at.angle);
            let Step { by, sigma, misfit } = self.solve(&seen, at.light)?;
            // Steps are along the template's axes, which are turned in the frame.
            at.shift[0] += cos * by[0] - sin * by[1];
            at.shift[1] += sin * by[0] + cos * by[1];
            at.angle += by[2] / radius;
            at.light *= 1.0 + by[3];
            at.sigma = [
                libm::hypot(cos * sigma[0], sin * sigma[1]),
                libm::hypot(sin * sigma[0], cos * sigma[1]),
                sigma[2] / radius,
            ];
            at.misfit = misfit;
            let near = |a: usize| (at.shift[a] - begin.shift[a]).abs() < FURTHEST;
            if !(near(0) && near(1) && at.light > 0.05 && at.light < 20.0) {
                return None;
            }
            last = by[..3].iter().fold(0.0, |most: f64, s| most.max(s.abs()));
            if last < SETTLED {
                break;
            }
        }
        let [x, y, angle] = at.sigma;
        let sure = [x, y, angle * radius].iter().all(|s| s.is_finite() && *s < UNCERTAIN);
        (sure && last < UNSETTLED).then_some(at)
    }

    /// One step from a frame brought to the template's pose.
    fn solve(&self, seen: &Seen, light: f64) -> Option<Step> {
        let (middle, radius) = self.middle();
        let (w, h) = (self.template.width(), self.template.height());
        let mut matrix = vec![vec![0.0; UNKNOWNS]; UNKNOWNS];
        let mut right = vec![0.0; UNKNOWNS];
        let (mut misfit, mut pixels) = (0.0, 0.0_f64);
        for y in 0..h {
            for x in (0..w).filter(|x| self.still[y * w + x] != 0 && seen.there[y * w + x]) {
                let t = f64::from(self.template.at(x, y));
                let [gx, gy] = self.slopes.each_ref().map(|s| f64::from(s.at(x, y)));
                let [dx, dy] = [x as f64 - middle[0], y as f64 - middle[1]];
                // Where the pose falls short by e, the part lies further on by e: it shows T(X - e).
                let model = [-gx, -gy, (gx * dy - gy * dx) / radius, t];
                let left = f64::from(seen.values[y * w + x]) / light - t;
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
        let misfit = misfit / pixels.max(1.0);
        let spread = |k: usize| {
            let unit = (0..UNKNOWNS).map(|i| if i == k { 1.0 } else { 0.0 }).collect();
            Some((solve(matrix.clone(), unit)?[k] * misfit.max(1.0)).max(0.0).sqrt())
        };
        let sigma = [spread(0)?, spread(1)?, spread(2)?];
        let step: [f64; UNKNOWNS] = solve(matrix, right)?.try_into().ok()?;
        // Half a pixel at the most: beyond it the slopes say little.
        let most = step[..3].iter().fold(0.0, |m: f64, s| m.max(s.abs()));
        let by = if most > 0.5 { 0.5 / most } else { 1.0 };
        Some(Step { by: step.map(|s| s * by), sigma, misfit })
    }
}

/// A step of a fit: place, rotation as movement of the corners in pixels, relative light; and the
/// uncertainties of the first three, and the squared misfit a pixel in units of the noise.
struct Step {
    by: [f64; UNKNOWNS],
    sigma: [f64; 3],
    misfit: f64,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::convert::to_f32;
    use crate::frame::{Coding, NoiseModel};

    /// A frame of a texture that is turned about a point.
    fn turned((width, height): (usize, usize), angle: f64) -> FixedPlane {
        let centre = [66.0, 44.0];
        let (sin, cos) = libm::sincos(angle);
        let plane = Plane::from_fn(width, height, |x, y| {
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
    }

    /// A texture that is turned about a point: angles come back, small and large, with a place
    /// that a shift alone gets wrong.
    #[test]
    fn angles_come_back() {
        let angles: Vec<f64> = (0..24).map(|k| 0.2 * libm::sin(0.3 * f64::from(k))).collect();
        let frames: Vec<FixedPlane> = angles.iter().map(|&a| turned((120, 100), a)).collect();
        let block: Vec<(&FixedPlane, Pose)> = frames.iter().map(|f| (f, Pose::ZERO)).collect();
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let mut follower = Follower::new(&block, [36, 30, 48, 40], &noise).unwrap();
        let mut turner = Turner::new(&mut follower, &block).unwrap();
        check(&mut turner, &mut follower, &block, &angles);
    }

    /// The middle of the region above lies here from the point it is turned about.
    const LEVER: [f64; 2] = [-6.5, 5.5];

    fn check(
        turner: &mut Turner,
        follower: &mut Follower,
        block: &[(&FixedPlane, Pose)],
        angles: &[f64],
    ) {
        let mut zero = None;
        for ((frame, pose), a) in block.iter().zip(angles) {
            let found = follower.step(frame, pose);
            let (f, t) = turner.step(frame, pose, found.as_ref()).unwrap();
            let off = t.angle - *zero.get_or_insert(t.angle) - a;
            assert!(off.abs() < 5e-4, "{off} for {a}");
            let (sin, cos) = libm::sincos(*a);
            let moved = [
                LEVER[0] * cos - LEVER[1] * sin - LEVER[0],
                LEVER[0] * sin + LEVER[1] * cos - LEVER[1],
            ];
            let miss = libm::hypot(f.shift[0] - moved[0], f.shift[1] - moved[1]);
            assert!(miss < 0.02, "{:?}, truth {moved:?}, at {a}", f.shift);
        }
    }

    /// From rest to 0.9 rad: a shift alone says something else, and the rotation is followed to the end.
    #[test]
    fn a_part_that_turns_far_stays_where_it_is() {
        let angles: Vec<f64> = (0..60).map(|k| 0.018 * f64::from((k - 10).max(0))).collect();
        let frames: Vec<FixedPlane> = angles.iter().map(|&a| turned((140, 120), a)).collect();
        let block: Vec<(&FixedPlane, Pose)> = frames.iter().map(|f| (f, Pose::ZERO)).collect();
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let mut follower = Follower::new(&block[..30], [36, 30, 48, 40], &noise).unwrap();
        let mut turner = Turner::new(&mut follower, &block[..30]).unwrap();
        check(&mut turner, &mut follower, &block, &angles);
    }
}
