//! Bending vibration of tines: straight bars clamped at one end.

use std::f64::consts::PI;

/// First three roots of `cos(b) cosh(b) = -1`: the bending modes of a bar clamped at one end.
///
/// Source: tabulated in vibration handbooks (1.8751, 4.6941, 7.8548).
pub const CANTILEVER_ROOTS: [f64; 3] = [1.875_104_068_7, 4.694_091_133_0, 7.854_757_438_2];

/// A tine: a straight bar of even rectangular section, clamped at one end.
///
/// The width cancels out of every frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tine {
    /// Free length in metres.
    pub length_m: f64,
    /// Thickness in the direction of bending, in metres.
    pub thickness_m: f64,
    /// Young's modulus in pascals; steel 200e9.
    pub youngs_pa: f64,
    /// Density in kilograms a cubic metre; steel 7850.
    pub density_kg_m3: f64,
}

impl Tine {
    /// A tine of plain steel (200 GPa, 7850 kg/m^3).
    #[must_use]
    pub fn steel(length_m: f64, thickness_m: f64) -> Self {
        Self { length_m, thickness_m, youngs_pa: 200e9, density_kg_m3: 7850.0 }
    }

    /// Frequency in hertz of bending mode `mode` (0 is the lowest, up to 2);
    /// `None` for other modes or where a dimension is not above zero.
    ///
    /// Euler and Bernoulli's thin bar: `f = (b^2 / 2 pi) (h / L^2) sqrt(E / (12 rho))`, without
    /// tip weights or a thinned root; a real comb differs from it by some per cent.
    #[must_use]
    pub fn frequency_hz(&self, mode: usize) -> Option<f64> {
        let root = CANTILEVER_ROOTS.get(mode)?;
        let all = [self.length_m, self.thickness_m, self.youngs_pa, self.density_kg_m3];
        if !all.iter().all(|v| v.is_finite() && *v > 0.0) {
            return None;
        }
        let stiffness = (self.youngs_pa / (12.0 * self.density_kg_m3)).sqrt();
        Some(
            root * root / (2.0 * PI) * self.thickness_m / (self.length_m * self.length_m)
                * stiffness,
        )
    }
}

/// Deflection of a clamped bar in its lowest mode at `along` of its length (0 the clamp, 1 the
/// free end), relative to the deflection of the free end.
///
/// `(cosh u - cos u - s (sinh u - sin u)) / 2` with `u = b along`,
/// `s = (cosh b + cos b) / (sinh b + sin b)`.
#[must_use]
pub fn cantilever_shape(along: f64) -> f64 {
    let b = CANTILEVER_ROOTS[0];
    let s = (libm::cosh(b) + libm::cos(b)) / (libm::sinh(b) + libm::sin(b));
    let u = b * along.clamp(0.0, 1.0);
    0.5 * (libm::cosh(u) - libm::cos(u) - s * (libm::sinh(u) - libm::sin(u)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steel_tines_ring_as_the_table_says() {
        // Worked table computed apart from this code from f = (b^2/2pi)(h/L^2) sqrt(E/12rho) with
        // the handbook roots; L mm, h mm, f1, f2, f3 in Hz, rounded to whole hertz.
        let table = [
            (10.0, 0.30, [2446.0, 15330.0, 42924.0]),
            (15.0, 0.40, [1449.6, 9084.0, 25436.0]),
            (20.0, 0.50, [1019.2, 6387.0, 17885.0]),
            (8.0, 0.25, [3185.0, 19961.0, 55890.0]),
        ];
        for (length, thickness, expected) in table {
            let tine = Tine::steel(length * 1e-3, thickness * 1e-3);
            for (mode, f) in expected.into_iter().enumerate() {
                let got = tine.frequency_hz(mode).unwrap();
                assert!(
                    (got / f - 1.0).abs() < 3e-4,
                    "{length} mm, mode {mode}: {got} Hz, not {f}"
                );
            }
        }
    }

    #[test]
    fn a_metre_of_square_bar_hums_at_41_8_hz() {
        // 1 m, 50 mm square, E 210 GPa, rho 7850: 41.8 Hz (worked by hand; a page in circulation
        // gives 208.6 Hz, which contradicts the formula it prints).
        let bar =
            Tine { length_m: 1.0, thickness_m: 0.05, youngs_pa: 210e9, density_kg_m3: 7850.0 };
        assert!((bar.frequency_hz(0).unwrap() - 41.8).abs() < 0.05);
    }

    #[test]
    fn ratios_of_modes_and_the_characteristic_equation() {
        let tine = Tine::steel(0.02, 0.0005);
        let f: Vec<f64> = (0..3).map(|m| tine.frequency_hz(m).unwrap()).collect();
        // Handbook ratios 1 : 6.267 : 17.547.
        assert!((f[1] / f[0] - 6.267).abs() < 1e-3 && (f[2] / f[0] - 17.547).abs() < 1e-3);
        for b in CANTILEVER_ROOTS {
            assert!((libm::cos(b) * libm::cosh(b) + 1.0).abs() < 1e-6, "{b}");
        }
        assert_eq!(tine.frequency_hz(3), None);
        assert_eq!(Tine::steel(0.0, 0.001).frequency_hz(0), None);
    }

    #[test]
    fn the_shape_is_clamped_and_reaches_one() {
        assert!(cantilever_shape(0.0).abs() < 1e-15);
        assert!((cantilever_shape(1.0) - 1.0).abs() < 1e-9);
        // Half way along 0.3395 (tabulated for the first mode; value from memory).
        assert!((cantilever_shape(0.5) - 0.3395).abs() < 5e-4);
        assert!(cantilever_shape(1e-3) < 1e-5, "the clamp holds the slope too");
    }
}
