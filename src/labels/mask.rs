//! Coverage of pixels by a drawing: 0 outside, 1 inside, between the two on its edge.

use crate::frame::convert::to_f32;

/// A rectangle of coverage values.
#[derive(Debug, Clone, PartialEq)]
pub struct Mask {
    width: usize,
    height: usize,
    data: Vec<f32>,
}

impl Mask {
    /// An empty mask of `width` x `height` pixels.
    #[must_use]
    pub fn new(width: usize, height: usize) -> Self {
        Self { width, height, data: vec![0.0; width * height] }
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

    /// Row `y`.
    #[must_use]
    pub fn row(&self, y: usize) -> &[f32] {
        &self.data[y * self.width..(y + 1) * self.width]
    }

    /// Row `y`.
    pub fn row_mut(&mut self, y: usize) -> &mut [f32] {
        &mut self.data[y * self.width..(y + 1) * self.width]
    }

    /// Adds `coverage` at (x, y), up to 1; outside the mask nothing happens.
    pub fn add(&mut self, x: usize, y: usize, coverage: f32) {
        if x < self.width && y < self.height {
            let cell = &mut self.data[y * self.width + x];
            *cell = (*cell + coverage).min(1.0);
        }
    }

    /// Covers the rectangle from `(x0, y0)` to `(x1, y1)`, in pixel edges (0 is the left edge of
    /// the first pixel). Each pixel gets the part of its area that lies inside: the drawn length
    /// is exact, whatever its fraction. What is outside the mask is cut off.
    pub fn add_box(&mut self, x0: f64, y0: f64, x1: f64, y1: f64) {
        for y in 0..self.height {
            let part_y = overlap(y, y0, y1);
            if part_y <= 0.0 {
                continue;
            }
            for (x, cell) in self.row_mut(y).iter_mut().enumerate() {
                let part = overlap(x, x0, x1) * part_y;
                *cell = (*cell + to_f32(part)).min(1.0);
            }
        }
    }

    /// Sum of all coverage, in pixels of area.
    #[must_use]
    pub fn area(&self) -> f64 {
        self.data.iter().map(|&c| f64::from(c)).sum()
    }
}

/// How much of the pixel `i..i+1` lies in `from..to`.
fn overlap(i: usize, from: f64, to: f64) -> f64 {
    (to.min(i as f64 + 1.0) - from.max(i as f64)).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_box_covers_its_own_area() {
        let mut m = Mask::new(8, 4);
        m.add_box(1.25, 0.5, 6.75, 2.0);
        assert!((m.area() - 5.5 * 1.5).abs() < 1e-6);
        assert!((m.row(1)[1] - 0.75).abs() < 1e-6 && (m.row(1)[6] - 0.75).abs() < 1e-6);
        assert!((m.row(0)[3] - 0.5).abs() < 1e-6);
        m.add(99, 0, 1.0);
        m.add(3, 1, 1.0);
        assert!((m.row(1)[3] - 1.0).abs() < 1e-6, "coverage stays at most 1");
    }
}
