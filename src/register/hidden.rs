//! What is hidden in which frames, in cells of a few pixels; how it is found out is told in
//! [`super::cover`].

use super::{CELL, TILE};

/// Cells along the side of a tile.
const TILE_CELLS: usize = TILE / CELL;
/// Cells that are asked together whether any is hidden.
const AT_ONCE: usize = 16;
/// Most groups of a block: one bit each.
pub(super) const MOST_GROUPS: usize = 64;

/// In which groups of frames each cell is hidden.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cover {
    pub(super) across: usize,
    /// Bit g of a cell: hidden in group g.
    pub(super) cells: Vec<u64>,
    /// Frames of a group.
    pub(super) together: usize,
}

impl Cover {
    /// What one frame of the block hides.
    #[must_use]
    pub fn of(&self, frame: usize) -> Hidden<'_> {
        Hidden { cells: &self.cells, across: self.across, group: frame / self.together }
    }

    /// Of each group: which cells of the tile at `corner` are hidden, a bit each, row by row; empty
    /// where none ever is.
    #[must_use]
    pub fn tile(&self, [x, y]: [usize; 2]) -> Vec<u64> {
        let mut out = [0_u64; MOST_GROUPS];
        let mut any = 0;
        for (row, line) in
            self.cells.chunks_exact(self.across).skip(y / CELL).take(TILE_CELLS).enumerate()
        {
            for (column, &bits) in line.iter().skip(x / CELL).take(TILE_CELLS).enumerate() {
                any |= bits;
                let mut rest = bits;
                while rest != 0 {
                    out[rest.trailing_zeros() as usize] |= 1 << (row * TILE_CELLS + column);
                    rest &= rest - 1;
                }
            }
        }
        if any == 0 { Vec::new() } else { out.to_vec() }
    }

    /// Those of `still` (of a plane `width` pixels wide) that are hidden in no group.
    #[must_use]
    pub fn always(&self, still: &[u8], width: usize) -> Vec<u8> {
        let hidden = |x: usize, y: usize| self.cells[y / CELL * self.across + x / CELL] != 0;
        let keep = |(at, &s): (usize, &u8)| s * u8::from(!hidden(at % width, at / width));
        still.iter().enumerate().map(keep).collect()
    }

    /// The group of a frame.
    #[must_use]
    pub fn group(&self, frame: usize) -> usize {
        frame / self.together
    }
}

/// Which pixels of the reference are hidden in one frame.
#[derive(Debug, Clone, Copy)]
pub struct Hidden<'a> {
    cells: &'a [u64],
    across: usize,
    group: usize,
}

impl Hidden<'_> {
    /// Whether a pixel of the reference is hidden.
    #[must_use]
    pub fn at(&self, x: usize, y: usize) -> bool {
        self.cells[y / CELL * self.across + x / CELL] >> self.group & 1 != 0
    }

    /// Calls `each` with the runs of columns of x0..x1 of a row that are not hidden.
    pub fn runs(
        &self,
        y: usize,
        (x0, x1): (usize, usize),
        mut each: impl FnMut(std::ops::Range<usize>),
    ) {
        let line = &self.cells[y / CELL * self.across..];
        let first = x0 / CELL;
        let cells = line[..x1.div_ceil(CELL).min(line.len())].get(first..).unwrap_or_default();
        let mut begun = None;
        for (cells, from) in cells.chunks(AT_ONCE).zip((first * CELL..).step_by(AT_ONCE * CELL)) {
            // Most stretches hide nothing.
            if cells.iter().fold(0, |all, bits| all | bits) >> self.group & 1 == 0 {
                begun = begun.or(Some(from.max(x0)));
                continue;
            }
            for (bits, x) in cells.iter().zip((from..).step_by(CELL)) {
                let hidden = bits >> self.group & 1 != 0;
                match (hidden, begun) {
                    (true, Some(start)) => {
                        each(start..x);
                        begun = None;
                    }
                    (false, None) => begun = Some(x.max(x0)),
                    _ => {}
                }
            }
        }
        if let Some(start) = begun {
            each(start..x1);
        }
    }
}
