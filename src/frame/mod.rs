//! Pictures in memory: planes of `f32`, their layout and domain, display curves, and compact
//! 16-bit planes.
//!
//! Origin at the centre of the top-left pixel, x right, y down. Rows are stored one after another
//! without padding. Nothing here reads a file or can fail at run time.

pub mod convert;
mod curve;
mod fixed;
pub mod spare;
pub mod units;
pub mod wide;

pub use curve::CurveTables;
pub use fixed::{Coding, FixedPlane};

use serde::{Deserialize, Serialize};

/// One channel: `width * height` values, row by row.
#[derive(Debug, PartialEq, Default)]
pub struct Plane {
    width: usize,
    height: usize,
    data: Vec<f32>,
}

impl Plane {
    /// A plane filled with `value`.
    #[must_use]
    pub fn filled(width: usize, height: usize, value: f32) -> Self {
        Self { width, height, data: spare::values_of(width * height, value) }
    }

    /// A plane whose values are all to be written: what they are now is left over from another.
    #[must_use]
    pub fn to_write(width: usize, height: usize) -> Self {
        Self { width, height, data: spare::values_to_write(width * height) }
    }

    /// A plane from its values; `None` where their number is not `width * height`.
    #[must_use]
    pub fn from_vec(width: usize, height: usize, data: Vec<f32>) -> Option<Self> {
        (data.len() == width.checked_mul(height)?).then_some(Self { width, height, data })
    }

    /// A plane whose pixel (x, y) is `f(x, y)`.
    #[must_use]
    pub fn from_fn(width: usize, height: usize, mut f: impl FnMut(usize, usize) -> f32) -> Self {
        let mut data = spare::values(width * height);
        for y in 0..height {
            data.extend((0..width).map(|x| f(x, y)));
        }
        Self { width, height, data }
    }

    /// Width in pixels.
    #[must_use]
    pub fn width(&self) -> usize {
        self.width
    }

    /// Height in pixels.
    #[must_use]
    pub fn height(&self) -> usize {
        self.height
    }

    /// All values, row by row.
    #[must_use]
    pub fn data(&self) -> &[f32] {
        &self.data
    }

    /// All values, row by row.
    pub fn data_mut(&mut self) -> &mut [f32] {
        &mut self.data
    }

    /// Row `y`.
    #[must_use]
    pub fn row(&self, y: usize) -> &[f32] {
        &self.data[y * self.width..(y + 1) * self.width]
    }

    /// Row `y`.
    pub fn row_mut(&mut self, y: usize) -> &mut [f32] {
        &mut self.data[y * self.width..(y + 1) * self.width]
    }

    /// The value at (x, y).
    #[inline]
    #[must_use]
    pub fn at(&self, x: usize, y: usize) -> f32 {
        self.data[y * self.width + x]
    }

    /// Sets the value at (x, y).
    #[inline]
    pub fn set(&mut self, x: usize, y: usize, value: f32) {
        self.data[y * self.width + x] = value;
    }

    /// The part with its top-left corner at (x, y); clipped to the plane.
    #[must_use]
    pub fn crop(&self, x: usize, y: usize, width: usize, height: usize) -> Self {
        let x1 = (x + width).min(self.width);
        let y1 = (y + height).min(self.height);
        let (x, y) = (x.min(x1), y.min(y1));
        let mut data = spare::values((x1 - x) * (y1 - y));
        for row in y..y1 {
            data.extend_from_slice(&self.data[row * self.width + x..row * self.width + x1]);
        }
        Self { width: x1 - x, height: y1 - y, data }
    }
}

impl Clone for Plane {
    fn clone(&self) -> Self {
        let mut data = spare::values(self.data.len());
        data.extend_from_slice(&self.data);
        Self { width: self.width, height: self.height, data }
    }
}

impl Drop for Plane {
    fn drop(&mut self) {
        spare::keep_values(std::mem::take(&mut self.data));
    }
}

/// The colour filter over the top-left 2 x 2 pixels, read row by row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "UPPERCASE")]
pub enum Mosaic {
    /// Red, green / green, blue.
    Rggb,
    /// Blue, green / green, red.
    Bggr,
    /// Green, red / blue, green.
    Grbg,
    /// Green, blue / red, green.
    Gbrg,
}

impl Mosaic {
    /// Colour (0 red, 1 green, 2 blue) of the filter over pixel (x, y).
    #[must_use]
    pub fn colour(self, x: usize, y: usize) -> usize {
        let sites = match self {
            Self::Rggb => [0, 1, 1, 2],
            Self::Bggr => [2, 1, 1, 0],
            Self::Grbg => [1, 0, 2, 1],
            Self::Gbrg => [1, 2, 0, 1],
        };
        sites[(y % 2) * 2 + x % 2]
    }

    /// The pattern of a picture that begins `dx` columns and `dy` rows further in.
    #[must_use]
    pub fn shifted(self, dx: usize, dy: usize) -> Self {
        let at = |x: usize, y: usize| self.colour(x + dx, y + dy);
        match (at(0, 0), at(1, 0)) {
            (0, _) => Self::Rggb,
            (2, _) => Self::Bggr,
            (_, 0) => Self::Grbg,
            _ => Self::Gbrg,
        }
    }
}

/// What the planes of a frame are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Layout {
    /// One plane of light.
    Mono,
    /// Three planes: red, green, blue.
    Rgb,
    /// One plane, as it lies under a colour filter array.
    Mosaic(Mosaic),
    /// Four half-size planes, one for each site of the 2 x 2 pattern, row by row.
    Sites(Mosaic),
}

impl Layout {
    /// Number of planes.
    #[must_use]
    pub fn planes(self) -> usize {
        match self {
            Self::Mono | Self::Mosaic(_) => 1,
            Self::Rgb => 3,
            Self::Sites(_) => 4,
        }
    }
}

/// A display curve.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Curve {
    /// IEC 61966-2-1.
    Srgb,
    /// ITU-R BT.709 opto-electronic transfer.
    Bt709,
}

/// What the numbers of a frame mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Domain {
    /// DN as the camera gave them, black level included.
    Raw,
    /// DN above black, proportional to light; may be negative.
    Linear,
    /// Coded for display, 0 to 1.
    Display(Curve),
}

/// A picture: equal planes of `f32` and what they mean.
#[derive(Debug, Clone, PartialEq)]
pub struct Frame {
    /// The channels, in the order of `layout`; all of one size.
    pub planes: Vec<Plane>,
    /// What the planes are.
    pub layout: Layout,
    /// What the numbers mean.
    pub domain: Domain,
    /// Pixels that were saturated on the sensor or have no data: one value a pixel of the first
    /// plane's size and plane, see [`Flaw`]. Empty where every pixel is good.
    pub flaws: Vec<Vec<Flaw>>,
}

/// What is wrong with one pixel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, PartialOrd, Ord)]
pub enum Flaw {
    /// Nothing.
    #[default]
    None,
    /// The sensor was full: the value is a lower bound.
    Saturated,
    /// No value: a defect without good neighbours, or outside the picture.
    Missing,
}

impl Frame {
    /// A frame of one plane of linear light.
    #[must_use]
    pub fn mono(plane: Plane) -> Self {
        Self {
            planes: vec![plane],
            layout: Layout::Mono,
            domain: Domain::Linear,
            flaws: Vec::new(),
        }
    }

    /// Width of its planes in pixels.
    #[must_use]
    pub fn width(&self) -> usize {
        self.planes.first().map_or(0, Plane::width)
    }

    /// Height of its planes in pixels.
    #[must_use]
    pub fn height(&self) -> usize {
        self.planes.first().map_or(0, Plane::height)
    }

    /// The flaws of plane `p`, made (all good) where there were none.
    pub fn flaws_mut(&mut self, p: usize) -> &mut [Flaw] {
        if self.flaws.len() != self.planes.len() {
            self.flaws = self.planes.iter().map(|q| vec![Flaw::None; q.data().len()]).collect();
        }
        &mut self.flaws[p]
    }

    /// The flaws of plane `p`, `None` where every pixel of the frame is good.
    #[must_use]
    pub fn flaws_of(&self, p: usize) -> Option<&[Flaw]> {
        self.flaws.get(p).map(Vec::as_slice)
    }
}

/// The samples of one file as they were written: interleaved, not scaled.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Samples {
    /// Width in pixels.
    pub width: usize,
    /// Height in pixels.
    pub height: usize,
    /// 1 (mono or mosaic) or 3 (red, green, blue interleaved).
    pub channels: usize,
    /// Bits a sample takes in the file: 8 or 16.
    pub bits: u8,
    /// `width * height * channels` values.
    pub data: Vec<u16>,
}

/// How a sensor turns light into numbers: `variance = signal/gain + (read_noise/gain)^2`, in DN.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NoiseModel {
    /// Electrons a DN.
    pub gain_e_per_dn: f64,
    /// Temporal dark noise in electrons.
    pub read_noise_e: f64,
}

impl NoiseModel {
    /// Temporal variance in DN^2 of a pixel that shows `signal` DN above black.
    #[inline]
    #[must_use]
    pub fn variance(&self, signal: f64) -> f64 {
        let read = self.read_noise_e / self.gain_e_per_dn;
        signal.max(0.0) / self.gain_e_per_dn + read * read
    }

    /// The same as slope and intercept for inner loops: `(1/gain, (read/gain)^2)`.
    #[must_use]
    pub fn coefficients(&self) -> (f32, f32) {
        let read = self.read_noise_e / self.gain_e_per_dn;
        (convert::to_f32(1.0 / self.gain_e_per_dn), convert::to_f32(read * read))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mosaic_letters_shift_with_the_crop() {
        // RGGB moved by one column is GRBG, by one row GBRG, by both BGGR (common practice, no source).
        assert_eq!(Mosaic::Rggb.shifted(1, 0), Mosaic::Grbg);
        assert_eq!(Mosaic::Rggb.shifted(0, 1), Mosaic::Gbrg);
        assert_eq!(Mosaic::Rggb.shifted(1, 1), Mosaic::Bggr);
        assert_eq!(Mosaic::Gbrg.shifted(2, 4), Mosaic::Gbrg);
    }

    #[test]
    fn crop_is_clipped() {
        let p = Plane::from_fn(4, 3, |x, y| f32::from(u8::try_from(x + 10 * y).unwrap()));
        let c = p.crop(2, 1, 9, 9);
        assert_eq!((c.width(), c.height()), (2, 2));
        assert_eq!(c.data(), &[12.0, 13.0, 22.0, 23.0]);
    }

    #[test]
    fn variance_is_a_line_in_the_signal() {
        let n = NoiseModel { gain_e_per_dn: 2.0, read_noise_e: 8.0 };
        assert!((n.variance(100.0) - (50.0 + 16.0)).abs() < 1e-12);
        assert!((n.variance(-5.0) - 16.0).abs() < 1e-12);
    }
}
