//! Counts alternating changes over cells and over fields, second by second.

use crate::frame::units::FrameRate;

/// Alternating changes within a second that fail.
pub const MOST_CHANGES: usize = 7;
/// Changes remembered for one place.
const REMEMBERED: usize = 32;
/// Changes within a second that make a run of flashes.
const RUN_CHANGES: usize = 2;

/// A field by its top-left cell; a third of the frame wide and high.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Area {
    /// Column.
    pub x: usize,
    /// Row.
    pub y: usize,
}

/// A stretch of frames in which it fails.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stretch {
    /// First change of the first seven.
    pub from: u64,
    /// Last change of the last seven.
    pub to: u64,
    /// The field that flashes most.
    pub area: Area,
    /// Whether more than a quarter of the frame flashes.
    pub quarter_of_frame: bool,
}

/// Whether two frames lie less than a second apart.
#[must_use]
pub fn within_second(earlier: u64, later: u64, rate: FrameRate) -> bool {
    u128::from(later.saturating_sub(earlier)) * u128::from(rate.den()) < u128::from(rate.num())
}

/// The last changes of one place.
#[derive(Debug, Clone, Default)]
struct Ring {
    times: Vec<u64>,
}

impl Ring {
    fn add(&mut self, at: u64) {
        if self.times.len() == REMEMBERED {
            self.times.remove(0);
        }
        self.times.push(at);
    }

    /// Changes in the second that ends with frame `at`.
    fn count(&self, at: u64, rate: FrameRate) -> usize {
        self.times.iter().rev().take_while(|t| within_second(**t, at, rate)).count()
    }

    /// The change `n` before the last, counted from 1.
    fn back(&self, n: usize) -> Option<u64> {
        self.times.len().checked_sub(n).map(|i| self.times[i])
    }
}

/// Counts for one kind of flash.
#[derive(Debug)]
pub struct Counter {
    size: (usize, usize),
    rate: FrameRate,
    cells: Vec<Ring>,
    fields: Vec<(i8, Ring)>,
    most: usize,
    stretches: Vec<Stretch>,
    run: Option<(u64, u64)>,
    longest_run: u64,
}

impl Counter {
    /// For `size` cells, both multiples of 3.
    #[must_use]
    pub fn new(size: (usize, usize), rate: FrameRate) -> Self {
        let fields = (size.0 - size.0 / 3 + 1) * (size.1 - size.1 / 3 + 1);
        Self {
            size,
            rate,
            cells: vec![Ring::default(); size.0 * size.1],
            fields: vec![(0, Ring::default()); fields],
            most: 0,
            stretches: Vec::new(),
            run: None,
            longest_run: 0,
        }
    }

    /// Cells.
    #[must_use]
    pub fn size(&self) -> (usize, usize) {
        self.size
    }

    /// Most changes in a second over a quarter of a field.
    #[must_use]
    pub fn most(&self) -> usize {
        self.most
    }

    /// Where it fails, in order.
    #[must_use]
    pub fn failures(&self) -> &[Stretch] {
        &self.stretches
    }

    /// Longest time in frames in which flashes follow one another within a second.
    #[must_use]
    pub fn longest_run(&self) -> u64 {
        self.longest_run
    }

    /// The changes of frame `at`, one a cell: 1, -1 or 0.
    pub fn add(&mut self, at: u64, changes: &[i8]) {
        if changes.iter().all(|c| *c == 0) {
            return;
        }
        for (ring, _) in self.cells.iter_mut().zip(changes).filter(|(_, c)| **c != 0) {
            ring.add(at);
        }
        let by_field = self.add_fields(at, changes);
        let counts: Vec<usize> = self.cells.iter().map(|r| r.count(at, self.rate)).collect();
        let mut reached = by_field;
        while self.widest(&counts, reached + 1).is_some() {
            reached += 1;
        }
        self.most = self.most.max(reached);
        if reached >= RUN_CHANGES {
            let (from, to) = self.run.unwrap_or((at, at));
            let from = if within_second(to, at, self.rate) { from } else { at };
            self.run = Some((from, at));
            self.longest_run = self.longest_run.max(at - from);
        }
        if reached >= MOST_CHANGES {
            self.fail(at, &counts);
        }
    }

    /// Counts fields of which a quarter changes in this frame, at most one change each: where
    /// different places go up and down, the one that alternates. Gives the most changes of one.
    fn add_fields(&mut self, at: u64, changes: &[i8]) -> usize {
        let quarter = self.size.0 / 3 * (self.size.1 / 3);
        let by_way = [1, -1].map(|way| {
            let hot: Vec<bool> = changes.iter().map(|c| *c == way).collect();
            (way, self.areas(&hot))
        });
        let mut most = 0;
        for (k, (last, ring)) in self.fields.iter_mut().enumerate() {
            let way = by_way.iter().find(|(way, areas)| way != last && 4 * areas[k].1 >= quarter);
            if let Some((way, _)) = way {
                *last = *way;
                ring.add(at);
                most = most.max(ring.count(at, self.rate));
            }
        }
        most
    }

    /// Every field with its number of hot cells.
    fn areas(&self, hot: &[bool]) -> Vec<(Area, usize)> {
        let (w, h) = self.size;
        // Sums over all cells left of and above a corner.
        let mut sums = vec![0_usize; (w + 1) * (h + 1)];
        for y in 0..h {
            for x in 0..w {
                sums[(y + 1) * (w + 1) + x + 1] = usize::from(hot[y * w + x])
                    + sums[y * (w + 1) + x + 1]
                    + sums[(y + 1) * (w + 1) + x]
                    - sums[y * (w + 1) + x];
            }
        }
        let (fw, fh) = (w / 3, h / 3);
        let at = |x: usize, y: usize| sums[y * (w + 1) + x];
        (0..=h - fh)
            .flat_map(|y| (0..=w - fw).map(move |x| (x, y)))
            .map(|(x, y)| {
                let inside = at(x + fw, y + fh) + at(x, y) - at(x + fw, y) - at(x, y + fh);
                (Area { x, y }, inside)
            })
            .collect()
    }

    /// The field with most cells of at least `wanted` changes, where they are a quarter of it.
    fn widest(&self, counts: &[usize], wanted: usize) -> Option<Area> {
        let hot: Vec<bool> = counts.iter().map(|c| *c >= wanted).collect();
        let quarter = self.size.0 / 3 * (self.size.1 / 3);
        if 4 * hot.iter().filter(|h| **h).count() < quarter {
            return None;
        }
        let mut best: Option<(Area, usize)> = None;
        for (area, n) in self.areas(&hot) {
            if 4 * n >= quarter && best.is_none_or(|(_, most)| n > most) {
                best = Some((area, n));
            }
        }
        best.map(|(area, _)| area)
    }

    fn fail(&mut self, at: u64, counts: &[usize]) {
        let hot = counts.iter().filter(|c| **c >= MOST_CHANGES).count();
        let field = self.fields.iter().position(|(_, r)| r.count(at, self.rate) >= MOST_CHANGES);
        let columns = self.size.0 - self.size.0 / 3 + 1;
        let area = self
            .widest(counts, MOST_CHANGES)
            .or_else(|| field.map(|k| Area { x: k % columns, y: k / columns }))
            .unwrap_or(Area { x: 0, y: 0 });
        let rings = self.cells.iter().chain(self.fields.iter().map(|(_, r)| r));
        let from = rings
            .filter(|r| r.count(at, self.rate) >= MOST_CHANGES)
            .filter_map(|r| r.back(r.count(at, self.rate)))
            .min()
            .unwrap_or(at);
        let quarter_of_frame = 4 * hot > self.size.0 * self.size.1;
        match self.stretches.last_mut() {
            Some(s) if s.to >= from => {
                s.to = at;
                s.quarter_of_frame |= quarter_of_frame;
            }
            _ => self.stretches.push(Stretch { from, to: at, area, quarter_of_frame }),
        }
    }
}
