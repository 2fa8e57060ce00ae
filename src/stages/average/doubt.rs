//! Where cells of 4 x 4 pixels leave in doubt what a segment shows.
//!
//! Squares of 4 x 4 such cells are settled where a segment surely shows what the frame shows, and where
//! it surely shows something else: smaller cells would tell nothing that these do not. What is neither,
//! and where one lies beside the other, is doubted.

use std::ops::Range;

use crate::frame::convert::to_f32;
use crate::math::wide::{Wide, wide};

/// Cells (of 4 x 4 pixels) a side of the squares that doubt is looked for in.
const SQUARE: usize = 4;
/// Mean weight of a segment in a square below which it is doubted there, and weight of a cell: noise
/// alone gets as low at one square in 10,000.
const BEYOND_DOUBT: f32 = 0.4;
const OVER: f32 = 0.01;
/// Mean weight below which a square with such a cell shows something else.
const GONE: f32 = 0.2;
/// Cells beyond an area that its tests look at.
pub(super) const BESIDE: usize = 10;

/// Some columns and rows of cells of 2 x 2 pixels.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Area {
    pub(super) x: Range<usize>,
    pub(super) y: Range<usize>,
}

impl Area {
    /// The smallest area that both are in.
    fn with(&self, other: &Self) -> Self {
        let both = |a: &Range<usize>, b: &Range<usize>| a.start.min(b.start)..a.end.max(b.end);
        Self { x: both(&self.x, &other.x), y: both(&self.y, &other.y) }
    }

    /// Cells that are worked on for it.
    fn cost(&self) -> usize {
        (self.x.len() + 2 * BESIDE) * (self.y.len() + 2 * BESIDE)
    }
}

/// What a segment shows in a square.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum Shows {
    /// The same as the frame, or nothing at all.
    #[default]
    Same,
    Other,
    Unsure,
}

/// Areas of a band in doubt, and what they are found with.
#[derive(Debug, Clone, Default)]
pub(super) struct Doubted {
    pub(super) areas: Vec<Area>,
    /// By square: what a segment shows, and whether any is doubted there.
    shows: Vec<Shows>,
    doubt: Vec<bool>,
    /// By column, those of whole squares: sums of weights less 1, and smallest weights, of four rows.
    less: Vec<f32>,
    least: Vec<f32>,
}

/// Looking at one segment, as one piece of work.
struct Looking<'a> {
    weight: &'a [f32],
    count: &'a [f32],
    width: usize,
    found: &'a mut Doubted,
}

impl Wide for Looking<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { weight, count, width, found } = self;
        let across = width.div_ceil(SQUARE);
        let Doubted { shows, less, least, .. } = found;
        let fours = weight.chunks(SQUARE * width).zip(count.chunks(SQUARE * width));
        for ((weight, count), shows) in fours.zip(shows.chunks_exact_mut(across)) {
            less.fill(0.0);
            least.fill(1.0);
            let (lines, smallest) = (&mut less[..width], &mut least[..width]);
            for (weight, count) in weight.chunks_exact(width).zip(count.chunks_exact(width)) {
                for x in 0..width {
                    // What was never seen is not doubted, nor what is not there.
                    let w = if count[x] < 0.5 { 1.0 } else { weight[x] };
                    lines[x] += w - 1.0;
                    smallest[x] = if w < smallest[x] { w } else { smallest[x] };
                }
            }
            let all = to_f32((weight.len() / width * SQUARE) as f64);
            let squares = less.as_chunks::<SQUARE>().0.iter().zip(least.as_chunks::<SQUARE>().0);
            for (shows, (less, least)) in shows.iter_mut().zip(squares) {
                let less = (less[0] + less[1]) + (less[2] + less[3]);
                *shows = match least.iter().any(|w| *w < OVER) {
                    true if less < (GONE - 1.0) * all => Shows::Other,
                    false if less >= (BEYOND_DOUBT - 1.0) * all => Shows::Same,
                    _ => Shows::Unsure,
                };
            }
        }
    }
}

impl Doubted {
    /// Finds the areas of a band of rows of `width` larger cells, from the weights of its segments and how
    /// many samples each has.
    pub(super) fn find(&mut self, weight: &[Vec<f32>], count: &[Vec<f32>], width: usize) {
        let height = weight.first().map_or(0, |w| w.len() / width.max(1));
        let (across, down) = (width.div_ceil(SQUARE), height.div_ceil(SQUARE));
        for line in [&mut self.less, &mut self.least] {
            line.resize(across * SQUARE, 0.0);
        }
        self.doubt.clear();
        self.doubt.resize(across * down, false);
        self.shows.resize(across * down, Shows::Same);
        for (weight, count) in weight.iter().zip(count) {
            wide(Looking { weight, count, width, found: self });
            self.add(across);
        }
        self.gather((across, down), (2 * width, 2 * height));
    }

    /// Adds what is doubted of a segment.
    fn add(&mut self, across: usize) {
        let Self { shows, doubt, .. } = self;
        for (i, &here) in shows.iter().enumerate() {
            doubt[i] |= here == Shows::Unsure;
            let left = (i % across > 0).then(|| i - 1);
            for beside in [left, i.checked_sub(across)].into_iter().flatten() {
                if (here == Shows::Other) != (shows[beside] == Shows::Other) {
                    (doubt[i], doubt[beside]) = (true, true);
                }
            }
        }
    }

    /// Squares in doubt, and those around them, as few areas; `cells` across and down the band, at most one
    /// more than there are.
    fn gather(&mut self, (across, down): (usize, usize), cells: (usize, usize)) {
        let Self { areas, doubt, .. } = self;
        areas.clear();
        let near = |i: usize, n: usize| i.saturating_sub(1)..(i + 2).min(n);
        for y in 0..down {
            let before = areas.len();
            let y_cells = 2 * SQUARE * y..(2 * SQUARE * (y + 1)).min(cells.1);
            for x in 0..across {
                let doubted = near(y, down)
                    .any(|y| doubt[y * across..][near(x, across)].iter().any(|doubt| *doubt));
                if !doubted {
                    continue;
                }
                let x_cells = 2 * SQUARE * x..(2 * SQUARE * (x + 1)).min(cells.0);
                let area = Area { x: x_cells, y: y_cells.clone() };
                match areas[before..].last_mut() {
                    Some(last) if last.x.end == area.x.start => last.x.end = area.x.end,
                    _ => areas.push(area),
                }
            }
        }
        // Together where that costs no more.
        let mut i = 0;
        while i < areas.len() {
            let cheaper =
                |other: &Area| areas[i].with(other).cost() <= areas[i].cost() + other.cost();
            match areas[..i].iter().position(cheaper) {
                Some(j) => {
                    let area = areas.remove(i);
                    areas[j] = areas[j].with(&area);
                    // What it is now may go with others.
                    i = j;
                }
                None => i += 1,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Areas of a band of `width` x 120 larger cells, of which some have the weight `of` in one segment.
    fn areas(width: usize, of: impl Fn(usize, usize) -> f32) -> Vec<Area> {
        let n = width * 120;
        let weight: Vec<f32> = (0..n).map(|i| of(i % width, i / width)).collect();
        let mut found = Doubted::default();
        // A segment that nobody saw is not doubted.
        let none = (vec![0.0; n], vec![0.0; n]);
        found.find(&[weight, none.0], &[vec![6.0; n], none.1], width);
        found.areas
    }

    /// Whether some area holds the larger cell (x, y).
    fn holds(areas: &[Area], [x, y]: [usize; 2]) -> bool {
        areas.iter().any(|a| a.x.contains(&(2 * x)) && a.y.contains(&(2 * y)))
    }

    #[test]
    fn of_what_moves_only_the_rim_is_doubted() {
        // Rims between squares, and through the middle of some.
        for from in [32, 34] {
            let inside = |v: usize| (from..from + 72).contains(&v);
            let found = areas(131, |x, y| if inside(x) && inside(y) { 0.0 } else { 1.0 });
            for v in from - 4..from + 76 {
                for rim in [from - 4, from, from + 3, from + 68, from + 71, from + 75] {
                    assert!(holds(&found, [v, rim]) && holds(&found, [rim, v]), "{v} {rim}");
                }
            }
            for settled in [[68, 68], [52, 80], [10, 60], [60, 10], [130, 119]] {
                assert!(!holds(&found, settled), "{settled:?} {found:?}");
            }
        }
    }

    #[test]
    fn what_is_neither_is_doubted_where_it_is_and_beside() {
        assert_eq!(areas(40, |_, _| 1.0), []);
        assert_eq!(areas(40, |_, _| 0.0), []);
        let found = areas(42, |x, y| if (x, y) == (41, 118) { 0.0 } else { 1.0 });
        assert_eq!(found, [Area { x: 72..84, y: 224..240 }]);
        let found = areas(42, |x, y| if x < 4 && y < 4 { 0.3 } else { 1.0 });
        assert_eq!(found, [Area { x: 0..16, y: 0..16 }]);
        // Two that lie close go together, two far apart do not.
        let two = |apart: usize| {
            move |x, y| if y == 60 && (x == 20 || x == 20 + apart) { 0.0 } else { 1.0 }
        };
        assert_eq!((areas(150, two(14)).len(), areas(150, two(100)).len()), (1, 2));
    }
}
