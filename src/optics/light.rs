//! Light through a macro lens or an objective: loss, diffraction, depth of field, sampling.
//!
//! m is the magnification, N the f-number marked on the lens (focused at infinity), P the pupil
//! magnification (exit over entrance pupil), NA the aperture on the object's side, in air.

/// Factor by which focusing close lengthens the exposure: `(1 + m/P)^2`.
///
/// Sources: bellows factor (1 + m)^2, "Photography formulas - Macro", tripodplaces.com; with
/// pupils (1 + m/P), J. Conrad, "Depth of Field in Depth", as quoted by photography.grayheron.net.
#[must_use]
pub fn exposure_factor(magnification: f64, pupil: f64) -> f64 {
    let b = 1.0 + magnification / pupil;
    b * b
}

/// F-number that counts for light and diffraction at the sensor: `N (1 + m/P)`.
/// Source: see [`exposure_factor`].
#[must_use]
pub fn effective_f_number(f_number: f64, magnification: f64, pupil: f64) -> f64 {
    f_number * (1.0 + magnification / pupil)
}

/// Light lost by focusing close, in stops: `2 log2(1 + m/P)`. Source: see [`exposure_factor`];
/// the logarithm is the definition of a stop.
#[must_use]
pub fn light_loss_stops(magnification: f64, pupil: f64) -> f64 {
    2.0 * libm::log2(1.0 + magnification / pupil)
}

/// Light lost between two effective f-numbers, in stops: `2 log2(to / from)`.
#[must_use]
pub fn stops_between(from: f64, to: f64) -> f64 {
    2.0 * libm::log2(to / from)
}

/// Effective f-number at the sensor of an objective: `m / (2 NA)`, in air.
///
/// Source: "A New Way of Thinking and Calculating about DOF", photomacrography.net. The same
/// relation solved for NA is `m / (2 N_eff)`: the function is its own inverse.
#[must_use]
pub fn f_number_of_aperture(magnification: f64, aperture: f64) -> f64 {
    magnification / (2.0 * aperture)
}

/// Smallest separation that Rayleigh's criterion calls resolved, on the object, in µm:
/// `0.61 lambda / NA`, lambda in µm. Source: glossary "Rayleigh criterion", forensicspot.com.
#[must_use]
pub fn rayleigh_um(wavelength_um: f64, aperture: f64) -> f64 {
    0.61 * wavelength_um / aperture
}

/// Radius of the Airy disc (first dark ring) on the sensor, in µm: `1.21967 lambda N_eff`,
/// lambda in µm. The factor is the first zero of J1 over pi (encyclopedia, "Angular resolution").
#[must_use]
pub fn airy_radius_um(wavelength_um: f64, effective_f_number: f64) -> f64 {
    1.219_669_89 * wavelength_um * effective_f_number
}

/// Depth of field of a macro lens in mm: `2 N c (1 + m/P) / m^2`, c the circle of confusion on
/// the sensor in mm.
///
/// Derived from W. Smith, Modern Optical Engineering, p. 187, eq. 9.7 and 9.8: total depth
/// `2 c N_eff / m^2`.
#[must_use]
pub fn lens_depth_mm(f_number: f64, circle_mm: f64, magnification: f64, pupil: f64) -> f64 {
    2.0 * circle_mm * effective_f_number(f_number, magnification, pupil)
        / (magnification * magnification)
}

/// Depth of field by diffraction in µm: `n lambda / NA^2`, n the refractive index before the
/// object, lambda in µm. Source: Keiser, Biophotonics: Concepts to Applications, eq. 8.4.
#[must_use]
pub fn wave_depth_um(index: f64, wavelength_um: f64, aperture: f64) -> f64 {
    index * wavelength_um / (aperture * aperture)
}

/// Depth of field of an objective in air in µm: `lambda / NA^2 + e / (m NA)`, e the smallest
/// length the sensor resolves (about its pixel pitch), lambda and e in µm.
///
/// The first term: [`wave_depth_um`]; the second is the textbooks' geometric term (from memory).
/// Other sources give formulas that differ by some per cent: quote to one figure.
#[must_use]
pub fn objective_depth_um(
    wavelength_um: f64,
    aperture: f64,
    resolved_um: f64,
    magnification: f64,
) -> f64 {
    wave_depth_um(1.0, wavelength_um, aperture) + resolved_um / (magnification * aperture)
}

/// Depth of field of an objective by another formula in use, in µm:
/// `(n lambda / NA^2) (1 + 1 / (2 m))`, lambda in µm.
///
/// Source: bipl.umn.edu, node 126. Where it differs from [`objective_depth_um`] neither is right:
/// what counts as sharp is a convention.
#[must_use]
pub fn other_depth_um(index: f64, wavelength_um: f64, aperture: f64, magnification: f64) -> f64 {
    wave_depth_um(index, wavelength_um, aperture) * (1.0 + 0.5 / magnification)
}

/// Coarsest pixel pitch in µm that samples all the lens passes: `lambda N_eff / 2`, lambda in µm
/// (incoherent cut-off `1 / (lambda N_eff)`, two pixels a cycle; Fourier optics, from memory).
#[must_use]
pub fn finest_pitch_um(wavelength_um: f64, effective_f_number: f64) -> f64 {
    0.5 * wavelength_um * effective_f_number
}

/// The same on the object, in µm a pixel: `lambda / (4 NA)`.
#[must_use]
pub fn object_finest_um(wavelength_um: f64, aperture: f64) -> f64 {
    0.25 * wavelength_um / aperture
}

/// The weaker rule of two pixels a Rayleigh distance, in µm a pixel on the object:
/// `0.305 lambda / NA` (common practice, no source).
#[must_use]
pub fn rayleigh_pixel_um(wavelength_um: f64, aperture: f64) -> f64 {
    0.5 * rayleigh_um(wavelength_um, aperture)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(got: f64, expected: f64, within: f64) {
        assert!((got - expected).abs() <= within, "{got}, not {expected}");
    }

    #[test]
    fn close_focus_costs_light() {
        // Bellows factor (tripodplaces.com; with pupils after J. Conrad): N, m, P, N_eff, stops.
        for (n, m, p, effective, stops) in [
            (4.0, 1.0, 1.0, 8.0, 2.0),
            (5.6, 2.0, 1.0, 16.8, 3.17),
            (8.0, 5.0, 1.0, 48.0, 5.17),
            (4.0, 2.0, 1.4, 9.71, 2.56),
        ] {
            near(effective_f_number(n, m, p), effective, 5e-3);
            near(light_loss_stops(m, p), stops, 5e-3);
            near(libm::log2(exposure_factor(m, p)), stops, 5e-3);
        }
    }

    #[test]
    fn objectives_as_tabulated() {
        // m, NA, N_eff, Rayleigh um, Airy um, lambda/NA^2 um, with e/(m NA) for e = 10 um; lambda
        // 0.55 um. Depths of the middle four agree with a table on photomacrography.net.
        for (m, na, n, r, airy, wave, whole) in [
            (2.0, 0.055, 18.2, 6.10, 12.2, 181.8, 272.7),
            (5.0, 0.14, 17.9, 2.40, 12.0, 28.1, 42.3),
            (10.0, 0.28, 17.9, 1.20, 12.0, 7.02, 10.6),
            (20.0, 0.42, 23.8, 0.80, 16.0, 3.12, 4.31),
            (50.0, 0.55, 45.5, 0.61, 30.5, 1.82, 2.18),
        ] {
            let effective = f_number_of_aperture(m, na);
            near(effective, n, 0.05);
            near(f_number_of_aperture(m, effective), na, 1e-12);
            near(rayleigh_um(0.55, na), r, 5e-3);
            near(airy_radius_um(0.55, effective), airy, 0.05);
            near(wave_depth_um(1.0, 0.55, na), wave, 5e-3 * wave);
            near(objective_depth_um(0.55, na, 10.0, m), whole, 5e-3 * whole);
        }
        // From 10x/0.28 to 50x/0.55.
        near(stops_between(f_number_of_aperture(10.0, 0.28), 45.4545), 2.70, 5e-3);
    }

    #[test]
    fn diffraction_agrees_on_both_sides_of_the_lens() {
        // 0.61 lambda/NA for 0.55 um, NA 0.28 is 1.198 um; times 10 it is the Airy radius.
        near(rayleigh_um(0.55, 0.28), 1.198, 5e-4);
        let airy = airy_radius_um(0.55, f_number_of_aperture(10.0, 0.28));
        near(airy, 11.98, 5e-3);
        near(10.0 * rayleigh_um(0.55, 0.28) / airy, 1.0, 3e-4);
        // 1.21966989 is tabulated; here from the first zero of J1 (3.8317059702, tables).
        near(1.219_669_89, 3.831_705_970_2 / std::f64::consts::PI, 1e-8);
    }

    #[test]
    fn depth_of_field() {
        // 2 N c (m + 1)/m^2 after Smith, p. 187: N, c mm, m, mm.
        for (n, c, m, depth) in
            [(5.6, 0.020, 2.0, 0.168), (4.0, 0.030, 1.0, 0.480), (8.0, 0.020, 5.0, 0.0768)]
        {
            near(lens_depth_mm(n, c, m, 1.0), depth, 1e-9);
        }
        // Keiser, Biophotonics, example 8.4: n 1.51, 780 nm.
        near(wave_depth_um(1.51, 0.780, 0.20), 29.4, 0.06);
        near(wave_depth_um(1.51, 0.780, 0.55), 3.89, 6e-3);
        // Another formula, (lambda/NA^2)(1 + 1/(2M)), gives 7.37 um for 10x/0.28 (bipl.umn.edu):
        // the spread is why depth is quoted to one figure.
        let other = other_depth_um(1.0, 0.55, 0.28, 10.0);
        near(other, 7.37, 5e-3);
        assert!((other / objective_depth_um(0.55, 0.28, 10.0, 10.0) - 1.0).abs() > 0.2);
    }

    #[test]
    fn sampling() {
        // Fourier optics, worked by hand: 10x/0.28 wants 4.91 um, a 10 um pixel is 2.04 times that.
        let n = f_number_of_aperture(10.0, 0.28);
        near(finest_pitch_um(0.55, n), 4.91, 5e-3);
        near(10.0 / finest_pitch_um(0.55, n), 2.04, 5e-3);
        near(rayleigh_pixel_um(0.55, 0.28), 0.599, 5e-4);
        near(object_finest_um(0.55, 0.28) * 10.0, finest_pitch_um(0.55, n), 1e-9);
        near(finest_pitch_um(0.55, f_number_of_aperture(50.0, 0.55)), 12.5, 5e-3);
    }
}
