//! The display curves: published formulas, and tables of them for whole pictures.
//!
//! sRGB: `V = 12.92 L` up to `L = 0.0031308`, above it `1.055 L^(1/2.4) - 0.055` (IEC 61966-2-1).
//! BT.709: `V = 4.5 L` below `L = 0.018`, above it `1.099 L^0.45 - 0.099` (ITU-R BT.709).
//! With the published three figures the two pieces of BT.709 differ by 0.00025 at 0.018; that
//! step is kept, because it is what other readers of the file undo.

use std::sync::OnceLock;

use super::Curve;
use super::convert::{to_f32, whole_part, whole_part_of_many};
use super::wide::{Wide, wide};

/// Intervals of the encoding table. The error of straight lines between its nodes is at most
/// `h^2/8 * |V''|`, largest at the foot of the sRGB power law: 1.1e-6, a fourteenth of a step of
/// 16 bits.
const ENCODE_STEPS: usize = 16_384;
/// Values that are coded side by side: they and what is known of them fit into the fastest cache.
const ABREAST: usize = 256;
/// Intervals of the decoding table; the same bound gives 3e-8.
const DECODE_STEPS: usize = 4_096;

/// The numbers of one curve: `slope * L` below the knee, `(1 + a) L^power - a` from it on.
#[derive(Debug, Clone, Copy)]
struct Shape {
    knee: f64,
    knee_code: f64,
    slope: f64,
    a: f64,
    power: f64,
}

impl Shape {
    fn of(curve: Curve) -> Self {
        match curve {
            Curve::Srgb => Self {
                knee: 0.003_130_8,
                knee_code: 0.04045,
                slope: 12.92,
                a: 0.055,
                power: 1.0 / 2.4,
            },
            Curve::Bt709 => {
                Self { knee: 0.018, knee_code: 0.081, slope: 4.5, a: 0.099, power: 0.45 }
            }
        }
    }

    /// The power law, also below the knee.
    fn upper(&self, linear: f64) -> f64 {
        (1.0 + self.a) * libm::pow(linear, self.power) - self.a
    }

    /// Inverse of the power law, also below the knee.
    fn upper_inverse(&self, code: f64) -> f64 {
        libm::pow((code + self.a) / (1.0 + self.a), 1.0 / self.power)
    }
}

impl Curve {
    /// Code (0 to 1) of relative light `linear`; clamped to 0..=1, NaN gives 0.
    #[must_use]
    pub fn encode(self, linear: f64) -> f64 {
        let shape = Shape::of(self);
        let x = if linear.is_nan() { 0.0 } else { linear.clamp(0.0, 1.0) };
        if x < shape.knee { shape.slope * x } else { shape.upper(x) }
    }

    /// Relative light (0 to 1) of `code`; clamped to 0..=1, NaN gives 0.
    #[must_use]
    pub fn decode(self, code: f64) -> f64 {
        let shape = Shape::of(self);
        let x = if code.is_nan() { 0.0 } else { code.clamp(0.0, 1.0) };
        if x < shape.knee_code { x / shape.slope } else { shape.upper_inverse(x) }
    }

    /// The tables of this curve, made at first use.
    #[must_use]
    pub fn tables(self) -> &'static CurveTables {
        static SRGB: OnceLock<CurveTables> = OnceLock::new();
        static BT709: OnceLock<CurveTables> = OnceLock::new();
        let cell = match self {
            Self::Srgb => &SRGB,
            Self::Bt709 => &BT709,
        };
        cell.get_or_init(|| CurveTables::new(self))
    }
}

/// A curve and its inverse for whole pictures: straight lines between tabled values, within
/// 1.2e-6 of [`Curve::encode`] and [`Curve::decode`], the same bits on every machine.
#[derive(Debug)]
pub struct CurveTables {
    knee: f32,
    slope: f32,
    encode: Vec<Node>,
    knee_code: f32,
    inverse_slope: f32,
    decode: Vec<Node>,
}

impl CurveTables {
    fn new(curve: Curve) -> Self {
        let shape = Shape::of(curve);
        let nodes = |steps: usize, f: &dyn Fn(f64) -> f64| -> Vec<Node> {
            let at = |i: usize| to_f32(f(i.min(steps) as f64 / steps as f64));
            (0..=steps).map(|i| [at(i), at(i + 1) - at(i)]).collect()
        };
        // Only the power law is tabled, so that no interval straddles the knee.
        Self {
            knee: to_f32(shape.knee),
            slope: to_f32(shape.slope),
            encode: nodes(ENCODE_STEPS, &|x| shape.upper(x)),
            knee_code: to_f32(shape.knee_code),
            inverse_slope: to_f32(1.0 / shape.slope),
            decode: nodes(DECODE_STEPS, &|x| shape.upper_inverse(x)),
        }
    }

    /// Code (0 to 1) of relative light `linear`; clamped to 0..=1, NaN gives 0.
    #[inline]
    #[must_use]
    pub fn encode(&self, linear: f32) -> f32 {
        if linear < self.knee { linear.max(0.0) * self.slope } else { lookup(&self.encode, linear) }
    }

    /// [`Self::encode`] of each value times `gain`, in place.
    pub fn encode_all(&self, values: &mut [f32], gain: f32) {
        let (many, rest) = values.as_chunks_mut::<ABREAST>();
        wide(Encoding { tables: self, gain, values: many });
        if !rest.is_empty() {
            let mut last = [[0.0; ABREAST]];
            last[0][..rest.len()].copy_from_slice(rest);
            wide(Encoding { tables: self, gain, values: &mut last });
            rest.copy_from_slice(&last[0][..rest.len()]);
        }
    }

    /// Relative light (0 to 1) of `code`; clamped to 0..=1, NaN gives 0.
    #[inline]
    #[must_use]
    pub fn decode(&self, code: f32) -> f32 {
        if code < self.knee_code {
            code.max(0.0) * self.inverse_slope
        } else {
            lookup(&self.decode, code)
        }
    }
}

/// Codes of values times `gain`, in place, as one piece of work.
struct Encoding<'a> {
    tables: &'a CurveTables,
    gain: f32,
    values: &'a mut [[f32; ABREAST]],
}

impl Wide for Encoding<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let CurveTables { knee, slope, ref encode, .. } = *self.tables;
        // Arrays of its own: what is known to lie apart is worked on side by side.
        let [mut inside, mut part] = [[0.0; ABREAST]; 2];
        let mut at = [0; ABREAST];
        let mut nodes = [[0.0; 2]; ABREAST];
        for values in self.values {
            for k in 0..ABREAST {
                // What is no number becomes 0 here.
                inside[k] = f32::min((values[k] * self.gain).max(0.0), 1.0);
                let t = inside[k] * ENCODE_STEPS as f32;
                let (i, whole) = whole_part_of_many(t);
                (at[k], part[k]) = (i, t - whole);
            }
            read_nodes(encode, &at, &mut nodes);
            for k in 0..ABREAST {
                let [node, rise] = nodes[k];
                let (lower, upper) = (inside[k] * slope, node + rise * part[k]);
                values[k] = if inside[k] < knee { lower } else { upper };
            }
        }
    }
}

/// Reads nodes one by one. Not inlined, or it would be compiled to instructions that gather, which
/// are slower.
#[inline(never)]
fn read_nodes(table: &[Node], at: &[u32; ABREAST], nodes: &mut [Node; ABREAST]) {
    let last = table.len() - 1;
    for (node, &at) in nodes.iter_mut().zip(at) {
        *node = table[(at as usize).min(last)];
    }
}

/// A tabled value, and by how much the next one is larger.
type Node = [f32; 2];

/// Reads a table of 0..=1 between its nodes; NaN gives 0.
#[inline]
fn lookup(table: &[Node], x: f32) -> f32 {
    let last = table.len() - 1;
    if x.is_nan() {
        return 0.0;
    }
    let t = x.min(1.0) * last as f32;
    let (i, whole) = whole_part(t);
    let [node, rise] = table[(i as usize).min(last)];
    node + rise * (t - whole)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Light, sRGB code, BT.709 code. sRGB(0.18) = 0.4613561 and BT.709(0.18) = 0.4090077 are the
    /// check values printed in the documentation of a general colour library; the others are the
    /// standards' formulas worked in another language.
    const CODES: &[(f64, f64, f64)] = &[
        (0.001, 0.012_920, 0.004_500),
        (0.01, 0.099_853, 0.045_000),
        (0.18, 0.461_356_1, 0.409_007_7),
        (0.5, 0.735_357, 0.705_515),
        (0.9, 0.954_687, 0.949_110),
    ];

    /// Code, light by sRGB, light by BT.709: as above.
    const LIGHTS: &[(f64, f64, f64)] = &[
        (0.1, 0.010_023, 0.022_428),
        (0.25, 0.050_876, 0.078_154),
        (0.5, 0.214_041, 0.259_589),
        (0.75, 0.522_522, 0.563_522),
        (0.04045, 0.003_131, 0.008_989),
    ];

    #[test]
    fn published_values_of_both_curves() {
        for &(light, srgb, bt709) in CODES {
            assert!((Curve::Srgb.encode(light) - srgb).abs() < 6e-7, "{light}");
            assert!((Curve::Bt709.encode(light) - bt709).abs() < 6e-7, "{light}");
        }
        for &(code, srgb, bt709) in LIGHTS {
            assert!((Curve::Srgb.decode(code) - srgb).abs() < 6e-7, "{code}");
            assert!((Curve::Bt709.decode(code) - bt709).abs() < 6e-7, "{code}");
        }
        // IEC 61966-2-1 in 8 bits: 0.18, 0.5 and 0.9 are codes 118, 188 and 243.
        for (light, code) in [(0.18, 118.0), (0.5, 188.0), (0.9, 243.0)] {
            assert!(((Curve::Srgb.encode(light) * 255.0).round() - code).abs() < 1e-9);
        }
    }

    #[test]
    fn tables_keep_the_stated_accuracy() {
        for curve in [Curve::Srgb, Curve::Bt709] {
            let tables = curve.tables();
            let mut worst = 0.0_f64;
            for i in 0..=200_003_u32 {
                let x = f64::from(i) / 200_003.0;
                let single = to_f32(x);
                let x = f64::from(single);
                // Single precision may take the other side of the knee, where BT.709 steps.
                if (x - Shape::of(curve).knee).abs() > 1e-8 {
                    worst = worst.max((f64::from(tables.encode(single)) - curve.encode(x)).abs());
                }
                if (x - Shape::of(curve).knee_code).abs() > 1e-8 {
                    worst = worst.max((f64::from(tables.decode(single)) - curve.decode(x)).abs());
                }
            }
            assert!(worst < 1.2e-6, "{curve:?}: {worst:e}");
        }
    }

    #[test]
    fn many_values_are_coded_as_each_alone() {
        for curve in [Curve::Srgb, Curve::Bt709] {
            let tables = curve.tables();
            let mut values: Vec<f32> = (0..=u32::MAX).step_by(65_521).map(f32::from_bits).collect();
            values.extend((0..200_003_u32).map(|i| i as f32 / 150_000.0 - 0.1));
            values.extend([tables.knee, tables.knee.next_down(), 1.0, 1.0_f32.next_down()]);
            for gain in [1.0, 0.37] {
                let mut all = values.clone();
                tables.encode_all(&mut all, gain);
                for (v, coded) in values.iter().zip(all) {
                    assert!((coded - tables.encode(v * gain)).abs() <= 0.0, "{v}: {coded}");
                }
            }
        }
    }

    #[test]
    fn the_ends_are_exact_and_nothing_leaves_the_range() {
        for curve in [Curve::Srgb, Curve::Bt709] {
            let tables = curve.tables();
            for x in [-1.0_f32, 0.0, f32::NAN, f32::NEG_INFINITY] {
                assert!(tables.encode(x).abs() < f32::EPSILON, "{x}");
                assert!(tables.decode(x).abs() < f32::EPSILON, "{x}");
            }
            for x in [1.0_f32, 7.0, f32::INFINITY] {
                assert!((tables.encode(x) - 1.0).abs() < 1e-6);
                assert!((tables.decode(x) - 1.0).abs() < 1e-6);
            }
        }
    }
}
