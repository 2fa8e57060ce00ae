//! Coverage of pixels by a drawing: 0 outside, 1 inside, between the two on its edge.

use crate::frame::convert::{floor_usize, to_f32};

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

    /// Covers the stroke of `width` pixels from one place to another, round at its ends and soft over
    /// a pixel; places are in pixel edges. Strokes over each other do not add up.
    pub fn stroke(&mut self, from: [f64; 2], to: [f64; 2], width: f64) {
        let reach = 0.5 * width + 1.0;
        let side = |i: usize, all: usize| {
            let low = floor_usize((from[i].min(to[i]) - reach).max(0.0)).min(all);
            let high = floor_usize((from[i].max(to[i]) + reach + 1.0).max(0.0)).min(all);
            low..high
        };
        let d = [to[0] - from[0], to[1] - from[1]];
        let squared = (d[0] * d[0] + d[1] * d[1]).max(1e-12);
        for y in side(1, self.height) {
            for x in side(0, self.width) {
                let r = [x as f64 + 0.5 - from[0], y as f64 + 0.5 - from[1]];
                let part = ((r[0] * d[0] + r[1] * d[1]) / squared).clamp(0.0, 1.0);
                let off = libm::hypot(r[0] - part * d[0], r[1] - part * d[1]);
                let cover = to_f32((0.5 * width + 0.5 - off).clamp(0.0, 1.0));
                let cell = &mut self.data[y * self.width + x];
                *cell = cell.max(cover);
            }
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
    fn a_stroke_covers_its_length_times_its_width() {
        let mut m = Mask::new(60, 40);
        m.stroke([10.0, 20.0], [50.0, 20.0], 2.0);
        // And two half discs at its ends.
        assert!((m.area() - (40.0 * 2.0 + std::f64::consts::PI)).abs() < 2.0, "{}", m.area());
        let before = m.area();
        m.stroke([10.0, 20.0], [50.0, 20.0], 2.0);
        assert!((m.area() - before).abs() < 1e-6, "twice is once");
        m.stroke([-1e9, f64::NAN], [1e9, 5.0], 2.0);
        m.stroke([-50.0, -50.0], [-40.0, -40.0], 3.0);
    }

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
