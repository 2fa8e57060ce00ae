//! Cells of a band of the window, and what is known of each.

use std::ops::Range;

use super::agree::AgreeScratch;
use super::doubt::Doubted;
use super::slip::SlipScratch;

/// Cells of a part of the picture: `first` is the first row of cells, `left` the first column.
#[derive(Debug, Clone, Default)]
pub(super) struct CellBand {
    pub(super) first: usize,
    pub(super) left: usize,
    pub(super) width: usize,
    pub(super) height: usize,
    /// Current frame, DN; and whether any of its pixels is good (1) or none (0).
    pub(super) now: Vec<f32>,
    pub(super) known: Vec<f32>,
    /// Variance of one frame's cell mean; of one frame's pixel.
    pub(super) cell_variance: Vec<f32>,
    pub(super) pixel_variance: Vec<f32>,
    /// Means and mean counts of the segments.
    pub(super) mean: Vec<Vec<f32>>,
    pub(super) count: Vec<Vec<f32>>,
    /// Variances of the segments that their own means do not explain, in codes.
    pub(super) unsteady: Vec<Vec<f32>>,
    /// Weights of the segments; the largest of those next to the current frame.
    pub(super) weight: Vec<Vec<f32>>,
    pub(super) sure: Vec<f32>,
    /// Whether cells are of 4 x 4 pixels.
    pub(super) large: bool,
    /// Cells twice the size that judge, or judge first; an area that is judged once more, and all those.
    pub(super) coarse: Option<Box<CellBand>>,
    pub(super) part: Option<Box<CellBand>>,
    pub(super) doubted: Doubted,
    pub(super) slipped: Option<Box<SlipScratch>>,
    pub(super) work: Work,
}

/// Working memory.
#[derive(Debug, Clone, Default)]
pub(super) struct Work {
    pub(super) agree: AgreeScratch,
    pub(super) difference: Vec<f32>,
    pub(super) inverse: Vec<f32>,
    pub(super) agreed: Vec<f32>,
    pub(super) kept: Vec<f32>,
    pub(super) number: Vec<f32>,
    pub(super) line: Vec<f32>,
}

impl CellBand {
    /// Room for its cells.
    pub(super) fn fit(&mut self, segments: usize) {
        let n = self.width * self.height;
        for list in [&mut self.mean, &mut self.count, &mut self.unsteady, &mut self.weight] {
            list.resize_with(segments, Vec::new);
            list.iter_mut().for_each(|v| v.resize(n, 0.0));
        }
        let work = &mut self.work;
        work.line.resize(3 * self.width + 2, 0.0);
        for v in [
            &mut self.now,
            &mut self.known,
            &mut self.cell_variance,
            &mut self.pixel_variance,
            &mut self.sure,
            &mut work.kept,
            &mut work.number,
        ] {
            v.resize(n, 0.0);
        }
    }

    /// The same, and room to judge them.
    pub(super) fn fit_to_judge(&mut self, segments: usize) {
        self.fit(segments);
        let (n, work) = (self.width * self.height, &mut self.work);
        work.agree.fit(n);
        for v in [&mut work.difference, &mut work.inverse, &mut work.agreed] {
            v.resize(n, 0.0);
        }
    }

    /// Where the cell (x, y) of the picture is.
    #[inline(always)]
    pub(super) fn at(&self, x: usize, y: usize) -> usize {
        (y - self.first) * self.width + x - self.left
    }

    /// The segments next to the current frame.
    #[inline(always)]
    pub(super) fn near(&self) -> Range<usize> {
        match self.mean.len() {
            4 => 1..3,
            n => 0..n,
        }
    }

    /// Mean of the current frame and of segments, and how many frames that is; weighted or not.
    #[inline(always)]
    pub(super) fn average(&mut self, of: Range<usize>, weighted: bool) {
        let n = self.now.len();
        let (now, known) = (&self.now[..n], &self.known[..n]);
        let (sum, number) = (&mut self.work.kept[..n], &mut self.work.number[..n]);
        for i in 0..n {
            sum[i] = known[i] * now[i];
            number[i] = known[i];
        }
        for s in of {
            let (mean, count, weight) =
                (&self.mean[s][..n], &self.count[s][..n], &self.weight[s][..n]);
            for i in 0..n {
                let k = if weighted { weight[i] * count[i] } else { count[i] };
                sum[i] += k * mean[i];
                number[i] += k;
            }
        }
        for i in 0..n {
            let least = if weighted { 1e-30 } else { 1.0 };
            sum[i] /= if number[i] > least { number[i] } else { least };
        }
    }
}
