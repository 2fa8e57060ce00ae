//! The master flat: how each pixel answers to even light.
//!
//! Model: `response(x, y) = smooth x (1 + row + column + pixel)`, mean 1 over each colour of the
//! filter mosaic, so that dividing by it takes vignetting, dust and pixel gain away and leaves
//! the colour balance as it is. The pixel term is shrunk by how much of it is noise. Standard
//! uncertainty: `sqrt(t n / (t + n) + ...)` as for the dark, relative; for a large pattern that is
//! `1 / sqrt(flats x electrons)`.
//!
//! Order: made of flats with a dark (or the black level) taken off and the lamp's flicker divided
//! out, see [`super::stack::StackOptions`]. A response of 0.05 or less is a dead pixel and is
//! never divided by. Source: `y = (raw - dark) mean(flat - dark) / (flat - dark)`, common
//! practice, no source; the uncertainty is arithmetic.
//! Limit: what the lamp does unevenly is taken for the lens.

use super::defects::{DEAD_RESPONSE, DefectMap, mark_response};
use super::pattern::{FixedPattern, smooth_term, split};
use super::robust::typical_variance;
use super::stack::StackStats;
use super::{SensorError, Shape};
use crate::frame::convert::{round_u64, to_f32};
use crate::frame::{Layout, Plane};
use crate::record::Warning;

/// Largest share of pixels that may be full: defects and no more.
pub const MOST_SATURATED: f64 = 0.001;

/// Relative uncertainty that adds 1 % to the noise of a pixel at a signal to noise ratio of 100:
/// `sqrt(1.01^2 - 1) / 100`.
pub const GOOD_SIGMA: f64 = 0.001_417_7;

/// Kinds of pixels of a sensor without a mosaic differ by less than this. Read-outs of several
/// amplifiers differ by some per cent, colours under any lamp by more (common practice, no source).
const MOST_APART: f64 = 0.1;

/// How each pixel answers to even light.
#[derive(Debug, Clone, PartialEq)]
pub struct MasterFlat {
    /// Shape of the frames it was made of.
    pub shape: Shape,
    /// Layout they were taken as: decides over which pixels the mean is 1.
    pub layout: Layout,
    /// Number of frames.
    pub count: usize,
    /// Response, mean 1 over each colour, above 0.05 everywhere; one plane a channel.
    pub response: Vec<Plane>,
    /// Mean level of red, green, blue (or of the one channel) in DN above dark.
    pub level: Vec<f64>,
    /// Variances of the pixel term, relative: one a channel, or one a site of a mosaic.
    pub pattern: Vec<FixedPattern>,
    /// Relative standard uncertainty of a pixel that the subtracted dark brought in; part of
    /// [`MasterFlat::sigma`], and more flats do not lower it.
    pub from_dark: f64,
    /// Largest minus least light of a flat, relative: the lamp.
    pub flicker: f64,
    /// Dead and odd pixels.
    pub defects: DefectMap,
}

/// Pixels `(x0 + i step, y0 + j step)` of one channel.
#[derive(Debug, Clone, Copy)]
struct Lattice {
    channel: usize,
    colour: usize,
    x0: usize,
    y0: usize,
    step: usize,
}

impl Lattice {
    /// The lattices on which pixels of one kind lie.
    fn all(layout: Layout, channels: usize) -> Vec<Self> {
        match layout {
            Layout::Mosaic(mosaic) => (0..4)
                .map(|s| (s % 2, s / 2))
                .map(|(x0, y0)| Self { channel: 0, colour: mosaic.colour(x0, y0), x0, y0, step: 2 })
                .collect(),
            _ => (0..channels)
                .map(|c| Self { channel: c, colour: c, x0: 0, y0: 0, step: 1 })
                .collect(),
        }
    }

    /// The pixels of the lattice as a plane of their own.
    fn take(&self, plane: &Plane) -> Plane {
        let w = (plane.width().saturating_sub(self.x0)).div_ceil(self.step);
        let h = (plane.height().saturating_sub(self.y0)).div_ceil(self.step);
        Plane::from_fn(w, h, |x, y| plane.at(self.x0 + x * self.step, self.y0 + y * self.step))
    }

    /// Puts them back.
    fn put(&self, part: &Plane, plane: &mut Plane) {
        for y in 0..part.height() {
            let row = plane.row_mut(self.y0 + y * self.step);
            for (o, &v) in row.iter_mut().skip(self.x0).step_by(self.step).zip(part.row(y)) {
                *o = v;
            }
        }
    }
}

impl MasterFlat {
    /// Makes a master of a stack of flats above dark, taken as `layout`; `white` is the level in
    /// raw DN at which the sensor is full.
    ///
    /// # Errors
    /// [`SensorError::Refused`] where no dark was taken off, where more than
    /// [`MOST_SATURATED`] of the pixels are full, or where a colour has no light;
    /// [`SensorError::Shape`] where `layout` is not that of the frames.
    pub fn from_stack(stats: &StackStats, layout: Layout, white: f32) -> Result<Self, SensorError> {
        check(stats, layout, white)?;
        let shape = stats.shape;
        let lattices = Lattice::all(layout, shape.channels);
        let level = colour_levels(stats, &lattices)?;
        let mut flat = Self {
            shape,
            layout,
            count: stats.count,
            response: stats.mean.clone(),
            level,
            pattern: Vec::new(),
            from_dark: 0.0,
            flicker: stats.flicker,
            defects: DefectMap::new(shape.width, shape.height, shape.channels),
        };
        let mut smooth = stats.mean.clone();
        for lattice in &lattices {
            let c = lattice.channel;
            let mut mean = lattice.take(&stats.mean[c]);
            let level = to_f32(flat.level[lattice.colour]);
            mean.data_mut().iter_mut().for_each(|v| *v /= level);
            let mut variance = lattice.take(&stats.variance[c]);
            variance.data_mut().iter_mut().for_each(|v| *v /= level * level);
            let from_dark = stats.dark_sigma / flat.level[lattice.colour];
            flat.from_dark = flat.from_dark.max(from_dark);
            let one = Response::of(mean, variance, (stats, from_dark));
            flat.pattern.push(one.pattern);
            lattice.put(&one.response, &mut flat.response[c]);
            lattice.put(&one.smooth, &mut smooth[c]);
        }
        for (p, response) in flat.response.iter_mut().enumerate() {
            mark_response(&mut flat.defects, p, response, &smooth[p]);
            for r in response.data_mut() {
                if r.is_nan() || *r <= DEAD_RESPONSE {
                    *r = 1.0;
                }
            }
        }
        Ok(flat)
    }

    /// Relative standard uncertainty of the response of a pixel, as a root mean square.
    #[must_use]
    pub fn sigma(&self) -> f64 {
        let sum: f64 = self.pattern.iter().map(|p| p.sigma() * p.sigma()).sum();
        (sum / self.pattern.len().max(1) as f64).sqrt()
    }

    /// What a person should know of it.
    #[must_use]
    pub fn warnings(&self) -> Vec<Warning> {
        let mut out = Vec::new();
        let sigma = self.sigma();
        if sigma > GOOD_SIGMA {
            out.push(self.too_few(sigma));
        }
        if self.flicker > 0.2 {
            out.push(Warning::new(
                "flat-flicker",
                format!("the light of the flats changes by {:.0} %", 100.0 * self.flicker),
                "use a lamp on direct current, or an exposure of whole mains half-periods",
            ));
        }
        if let Some(apart) = self.apart().filter(|a| *a > MOST_APART) {
            let (text, what) = if self.layout == Layout::Mono {
                (
                    "the pixels of each square of 2 x 2 differ by {} % in even light, as under a \
                     colour mosaic, but the frames are taken as grey",
                    "if the camera has a mosaic, say which: mosaic = \"RGGB\", or the order it has",
                )
            } else {
                (
                    "the two green pixels of each square of 2 x 2 differ by {} % in even light",
                    "the mosaic has another order: see which of RGGB, GRBG, GBRG and BGGR makes them \
                     alike",
                )
            };
            let text = text.replace("{}", &format!("{:.0}", 100.0 * apart));
            out.push(Warning::new("flat-mosaic", text, what));
        }
        out
    }

    /// By how much pixels of a 2 x 2 pattern differ that should be alike, relative: all four of frames that
    /// are a single plane of light, the two green ones of a mosaic.
    fn apart(&self) -> Option<f64> {
        let alike: Vec<usize> = match self.layout {
            Layout::Mono => vec![0, 1, 2, 3],
            Layout::Mosaic(m) => (0..4).filter(|s| m.colour(s % 2, s / 2) == 1).collect(),
            _ => return None,
        };
        let plane = self.response.first()?;
        let mean = |s: usize| {
            let site = Lattice { channel: 0, colour: 0, x0: s % 2, y0: s / 2, step: 2 }.take(plane);
            let sum: f64 = site.data().iter().map(|&v| f64::from(v)).sum();
            sum / site.data().len().max(1) as f64
        };
        let means: Vec<f64> = alike.into_iter().map(mean).collect();
        let most = means.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let least = means.iter().copied().fold(f64::INFINITY, f64::min);
        Some((most - least) / most)
    }
}

impl MasterFlat {
    /// What would make the flat good enough.
    fn too_few(&self, sigma: f64) -> Warning {
        let square = |x: f64| x * x;
        let (dark, good) = (square(self.from_dark), square(GOOD_SIGMA));
        let now = format!("{} flats leave {:.2} % of fixed pattern", self.count, 100.0 * sigma);
        if dark > 0.9 * good {
            let part = 100.0 * self.from_dark;
            return Warning::new(
                "few-flats",
                format!("{now}, the dark taken off them alone {part:.2} %"),
                "record more darks, and brighter flats below saturation",
            );
        }
        let times = (square(sigma) - dark).max(0.0) / (good - dark);
        let wanted = round_u64((self.count as f64 * times).ceil());
        Warning::new(
            "few-flats",
            format!("{now}; {wanted} would leave {:.2} %", 100.0 * GOOD_SIGMA),
            format!("record {wanted} flats, or brighter ones below saturation"),
        )
    }
}

/// One lattice's response, before the guard.
struct Response {
    response: Plane,
    smooth: Plane,
    pattern: FixedPattern,
}

impl Response {
    /// `mean` and `variance` are relative to the colour's level, and so is the uncertainty that
    /// the dark brought in.
    fn of(mean: Plane, mut variance: Plane, (stats, from_dark): (&StackStats, f64)) -> Self {
        let (mut smooth, _) = smooth_term(&mean, 0.0);
        let mut ratio = mean;
        smooth.data_mut().iter_mut().for_each(|s| *s = s.max(0.01));
        for ((r, v), &s) in ratio.data_mut().iter_mut().zip(variance.data_mut()).zip(smooth.data())
        {
            *r /= s;
            *v /= s * s;
        }
        let temporal = typical_variance(variance.data(), stats.dof()) / stats.count as f64;
        let noise = temporal + from_dark * from_dark;
        let parts = split(&ratio, noise);
        let mut response = parts.estimate;
        for (r, &s) in response.data_mut().iter_mut().zip(smooth.data()) {
            *r *= s;
        }
        Self { response, smooth, pattern: parts.pattern }
    }
}

fn check(stats: &StackStats, layout: Layout, white: f32) -> Result<(), SensorError> {
    let shape = stats.shape;
    if !shape.fits(layout, shape.width, shape.height) {
        return Err(SensorError::Shape {
            what: "the flat".to_owned(),
            found: shape.to_string(),
            expected: format!("{layout:?}"),
        });
    }
    if !stats.above_dark {
        return Err(SensorError::Refused(
            "the flats have no dark taken off: give darks of the same exposure, or the black level"
                .to_owned(),
        ));
    }
    let share = stats.saturated_share(white);
    if share > MOST_SATURATED {
        return Err(SensorError::Refused(format!(
            "flat: {:.1} % of the pixels reach {white} DN, where the sensor is full: take the \
             flats again with half the light or exposure",
            100.0 * share
        )));
    }
    Ok(())
}

/// Mean of each colour in DN above dark.
fn colour_levels(stats: &StackStats, lattices: &[Lattice]) -> Result<Vec<f64>, SensorError> {
    let colours = lattices.iter().map(|l| l.colour + 1).max().unwrap_or(0);
    let mut sums = vec![(0.0_f64, 0_u64); colours];
    for lattice in lattices {
        let (sum, n) = &mut sums[lattice.colour];
        for &v in lattice.take(&stats.mean[lattice.channel]).data() {
            *sum += f64::from(v);
            *n += 1;
        }
    }
    sums.iter()
        .enumerate()
        .map(|(c, &(sum, n))| {
            let level = sum / n.max(1) as f64;
            if level > 0.0 {
                return Ok(level);
            }
            Err(SensorError::Refused(format!(
                "flat: colour {c} has a mean of {level:.2} DN above dark: it shows no light, take \
                 the flats again"
            )))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::convert::round_u16;
    use crate::frame::{Mosaic, Samples};
    use crate::sensor::{StackOptions, collect};
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    const W: usize = 128;
    const H: usize = 112;

    /// Vignetting to 0.7 in the corners, pixel gain of `prnu`; 1 DN an electron, read noise 8 e-.
    fn truth(prnu: f32, rng: &mut ChaCha8Rng) -> Plane {
        let normal = Normal::new(0.0_f32, 1.0).unwrap();
        Plane::from_fn(W, H, |x, y| {
            let dx = (x as f64 - 63.5) / 85.0;
            let dy = (y as f64 - 55.5) / 85.0;
            to_f32(1.0 - 0.3 * (dx * dx + dy * dy)) * (1.0 + prnu * normal.sample(rng))
        })
    }

    fn stack(
        count: usize,
        light: &dyn Fn(usize, usize) -> f32,
        truth: &Plane,
        rng: &mut ChaCha8Rng,
    ) -> StackStats {
        let normal = Normal::new(0.0_f32, 1.0).unwrap();
        let dark = [Plane::filled(W, H, 100.0)];
        let read = |k: usize| -> Result<Samples, String> {
            let flicker = if k.is_multiple_of(2) { 1.0 } else { 1.06 };
            let mut data = Vec::with_capacity(W * H);
            for y in 0..H {
                for x in 0..W {
                    let e = light(x, y) * truth.at(x, y) * flicker;
                    data.push(round_u16(100.0 + e + (e + 64.0).sqrt() * normal.sample(rng)));
                }
            }
            Ok(Samples { width: W, height: H, channels: 1, bits: 16, data })
        };
        let options =
            StackOptions { subtract: Some(&dark), even_light: true, ..Default::default() };
        collect(count, read, &options).unwrap()
    }

    fn relative_rms(flat: &MasterFlat, truth: &Plane) -> f64 {
        let mean = truth.data().iter().map(|&v| f64::from(v)).sum::<f64>() / (W * H) as f64;
        let (mut sum, mut n) = (0.0, 0_u32);
        for (i, (&r, &t)) in flat.response[0].data().iter().zip(truth.data()).enumerate() {
            if flat.defects.bits(0)[i] == 0 {
                let d = f64::from(r) / (f64::from(t) / mean) - 1.0;
                sum += d * d;
                n += 1;
            }
        }
        (sum / f64::from(n)).sqrt()
    }

    #[test]
    fn lies_within_its_own_uncertainty_of_the_truth() {
        for (count, prnu) in [(16, 0.02), (16, 0.002), (40, 0.01)] {
            let mut rng = ChaCha8Rng::seed_from_u64(21);
            let truth = truth(prnu, &mut rng);
            let stats = stack(count, &|_, _| 10_000.0, &truth, &mut rng);
            let flat = MasterFlat::from_stack(&stats, Layout::Mono, 65_535.0).unwrap();
            let ratio = relative_rms(&flat, &truth) / flat.sigma();
            assert!((0.9..1.1).contains(&ratio), "{count} flats of {prnu}: {ratio}");
            assert!((flat.flicker - 0.06 / 1.03).abs() < 0.003, "{}", flat.flicker);
        }
    }

    #[test]
    fn sixteen_flats_of_ten_thousand_electrons_leave_a_quarter_of_a_percent() {
        // Master noise 1 / sqrt(N S): 10000 e-, 16 flats -> 0.25 % (arithmetic). The mean response
        // is 0.89 here, so the level is set to give 10000 e- on average.
        let mut rng = ChaCha8Rng::seed_from_u64(2);
        let truth = truth(0.03, &mut rng);
        let stats = stack(16, &|_, _| 11_200.0, &truth, &mut rng);
        let flat = MasterFlat::from_stack(&stats, Layout::Mono, 65_535.0).unwrap();
        assert!((flat.sigma() - 0.0025).abs() < 0.0001, "{}", flat.sigma());
        let warnings = flat.warnings();
        assert!(warnings[0].text.starts_with("16 flats leave 0.25 %"), "{}", warnings[0].text);
        // 50 flats of 10000 e- add 1 % to a pixel at 100 (arithmetic).
        assert!(warnings[0].text.ends_with("; 50 would leave 0.14 %"), "{}", warnings[0].text);
    }

    #[test]
    fn each_colour_of_a_mosaic_has_mean_one() {
        let mut rng = ChaCha8Rng::seed_from_u64(4);
        let truth = truth(0.01, &mut rng);
        let mosaic = Mosaic::Grbg;
        let light = |x, y| [4_000.0, 9_000.0, 3_000.0][mosaic.colour(x, y)];
        let stats = stack(20, &light, &truth, &mut rng);
        let flat = MasterFlat::from_stack(&stats, Layout::Mosaic(mosaic), 65_535.0).unwrap();
        for colour in 0..3 {
            let (mut sum, mut n) = (0.0, 0_u32);
            for y in 0..H {
                for x in (0..W).filter(|&x| mosaic.colour(x, y) == colour) {
                    sum += f64::from(flat.response[0].at(x, y));
                    n += 1;
                }
            }
            assert!((sum / f64::from(n) - 1.0).abs() < 1e-3, "colour {colour}: {sum}");
        }
        assert_eq!(flat.pattern.len(), 4);
        assert!(relative_rms(&flat, &truth) < 1.1 * flat.sigma() + 1e-3);
    }

    #[test]
    fn a_mosaic_that_is_taken_as_grey_is_said() {
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        let truth = truth(0.01, &mut rng);
        let mosaic = Mosaic::Rggb;
        // Two amplifiers that differ by 3 %, and a mosaic under a whitish lamp.
        let columns = |x: usize, _: usize| if x.is_multiple_of(2) { 9_000.0 } else { 9_270.0 };
        let colours = |x: usize, y: usize| [6_500.0, 9_000.0, 7_000.0][mosaic.colour(x, y)];
        let said = |light: &dyn Fn(usize, usize) -> f32, layout, part: &str| {
            let stats = stack(16, light, &truth, &mut ChaCha8Rng::seed_from_u64(8));
            let flat = MasterFlat::from_stack(&stats, layout, 65_535.0).unwrap();
            let text = |w: &Warning| w.text.contains(part);
            flat.warnings().iter().filter(|w| w.kind == "flat-mosaic").map(text).next_back()
        };
        assert_eq!(said(&columns, Layout::Mono, ""), None);
        assert_eq!(said(&colours, Layout::Mono, "differ by 28 %"), Some(true));
        assert_eq!(said(&colours, Layout::Mosaic(mosaic), ""), None);
        // Another order: red and blue pass for the greens, 1 - 4000 / 7000.
        let strong = |x: usize, y: usize| [4_000.0, 9_000.0, 7_000.0][mosaic.colour(x, y)];
        let greens = "two green pixels of each square of 2 x 2 differ by 43 %";
        assert_eq!(said(&strong, Layout::Mosaic(Mosaic::Grbg), greens), Some(true));
    }

    #[test]
    fn dead_pixels_are_guarded_and_odd_ones_marked() {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let mut truth = truth(0.01, &mut rng);
        truth.set(10, 10, 0.01);
        truth.set(40, 60, 0.3);
        truth.set(41, 70, 2.0);
        let stats = stack(16, &|_, _| 5_000.0, &truth, &mut rng);
        let flat = MasterFlat::from_stack(&stats, Layout::Mono, 65_535.0).unwrap();
        let counts = flat.defects.counts();
        assert_eq!((counts.dead, counts.odd), (1, 2));
        assert!((flat.response[0].at(10, 10) - 1.0).abs() < 1e-6);
    }

    #[test]
    fn full_and_raw_flats_are_refused() {
        let mut rng = ChaCha8Rng::seed_from_u64(6);
        let truth = truth(0.01, &mut rng);
        let stats = stack(6, &|_, _| 4_200.0, &truth, &mut rng);
        let text = MasterFlat::from_stack(&stats, Layout::Mono, 4_095.0).unwrap_err().to_string();
        assert!(text.contains("% of the pixels reach 4095 DN"), "{text}");
        let raw = StackStats { above_dark: false, ..stats };
        let text = MasterFlat::from_stack(&raw, Layout::Mono, 65_535.0).unwrap_err().to_string();
        assert!(text.contains("no dark taken off"), "{text}");
    }
}
