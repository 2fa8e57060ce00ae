//! Phases of the ticks in cells of the picture, and the plane through them.

use std::f64::consts::{PI, TAU};

use rustfft::num_complex::Complex64;

use super::super::series::{LinearFit, least_squares};
use super::strips::{Pitch, Span, Turned};
use crate::frame::Plane;
use crate::frame::convert::{floor_isize, index_in, round_usize};
use crate::math::robust::median_f64;

/// Rows of cells over the whole picture, square to the rule.
const ROWS: usize = 24;
/// Harmonics whose phases are used.
const HARMONICS: usize = 3;
/// Least length of a cell, in periods.
const PERIODS: f64 = 4.0;
/// Cells along the rule at the most.
const COLUMNS: f64 = 24.0;
/// Highest frequency of a harmonic, in cycles a pixel.
const HIGHEST: f64 = 0.45;
/// Residuals above this many spreads are left out.
const WILD: f64 = 4.0;
/// Half-overlapping Hann windows share a sixth of their noise: variance of a slope 1 + 2/6.
const SHARED: f64 = 4.0 / 3.0;
/// Standard deviations from which a higher term counts.
const SIGNIFICANT: f64 = 5.0;
/// Least part of a cell that the picture covers. A window that the picture's edge cuts off lets
/// the shading and every fifth tick leak into the phase, alike in all rows: at 2000 e- most of the
/// error was that, and no scatter showed it.
const COVERED: f64 = 0.95;
/// Least number of columns for terms above the plane.
const COLUMNS_FOR_TERMS: usize = 5;

/// The plane through the phases.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PhaseFit {
    /// Cycles a pixel along x and y, at the picture's centre.
    pub frequency: [f64; 2],
    /// Relative standard uncertainty of its length.
    pub relative: f64,
    /// Phase at the centre, in cycles: where it is 0 the fundamental is at its highest.
    pub phase: f64,
    /// Relative change of the pitch over the picture along the rule, and across it.
    pub change: [f64; 2],
    /// Relative change of the pitch from the middle to the ends.
    pub curvature: f64,
    /// Which of the three changes are significant.
    pub significant: [bool; 3],
}

/// Sums of one cell.
#[derive(Debug, Clone, Copy, Default)]
struct Cell {
    weight: f64,
    squares: f64,
    value: f64,
    /// Sum of w v e^(-i h phase), and of w e^(-i h phase).
    wave: [Complex64; HARMONICS],
    window: [Complex64; HARMONICS],
}

impl Cell {
    /// Complex amplitude of a harmonic, the cell's mean taken off.
    fn amplitude(&self, h: usize) -> Complex64 {
        if self.weight > 0.0 {
            self.wave[h] - self.window[h] * (self.value / self.weight)
        } else {
            Complex64::default()
        }
    }
}

/// The picture cut into cells that are turned along the rule.
struct Grid {
    turned: Turned,
    /// Middle of what is looked at along the rule, and half its length.
    middle: f64,
    reach: f64,
    /// Distance of cell centres along u; a cell is twice as long.
    step: f64,
    columns: usize,
    first_row: usize,
    rows: usize,
    harmonics: usize,
}

/// A phase that was measured.
struct Datum {
    harmonic: usize,
    u: f64,
    v: f64,
    /// Deviation from the model in cycles of the fundamental.
    off: f64,
    /// Relative standard deviation.
    sigma: f64,
}

/// Refines a pitch by the phases of all cells within its reach, of the part `span` along the rule
/// or all of it.
pub(super) fn refine(
    picture: &Plane,
    angle: f64,
    pitch: &Pitch,
    span: Option<Span>,
) -> Option<PhaseFit> {
    let grid = Grid::new(picture, angle, pitch, span)?;
    let mut wave = [pitch.frequency, 0.0];
    for _ in 0..3 {
        let turn = grid.turn(&grid.cells(picture, wave));
        wave = [wave[0] + turn[0], wave[1] + turn[1]];
        if turn[0].abs().max(turn[1].abs()) < 1e-7 {
            break;
        }
    }
    grid.plane(&grid.cells(picture, wave), wave)
}

impl Grid {
    fn new(picture: &Plane, angle: f64, pitch: &Pitch, span: Option<Span>) -> Option<Self> {
        let turned = Turned::new(picture, angle);
        let [from, to] = span.unwrap_or([-turned.half[0], turned.half[0]]);
        let (middle, reach) = (0.5 * (from + to), 0.5 * (to - from));
        let cell = (PERIODS / pitch.frequency).max(4.0 * reach / COLUMNS);
        let steps = round_usize(2.0 * reach / (0.5 * cell));
        let row_of = |v: f64| {
            let at = (v + turned.half[1]) / (2.0 * turned.half[1]) * ROWS as f64;
            round_usize(at.clamp(0.0, ROWS as f64))
        };
        let (first_row, end) = (row_of(pitch.reach[0]), row_of(pitch.reach[1]));
        let harmonics =
            (1..=HARMONICS).take_while(|&h| h as f64 * pitch.frequency < HIGHEST).count();
        (steps >= 3 && end > first_row && harmonics > 0).then(|| Self {
            turned,
            middle,
            reach,
            step: 2.0 * reach / steps as f64,
            // A cell is two steps long.
            columns: steps - 1,
            first_row,
            rows: end - first_row,
            harmonics,
        })
    }

    /// u of the centre of column `k`: a cell reaches one step to both sides.
    fn u(&self, k: usize) -> f64 {
        (k as f64 + 1.0) * self.step - self.reach + self.middle
    }

    fn v(&self, r: usize) -> f64 {
        let height = 2.0 * self.turned.half[1] / ROWS as f64;
        ((self.first_row + r) as f64 + 0.5) * height - self.turned.half[1]
    }

    /// Sums of all cells for ticks of the frequency `wave` (cycles a pixel along u and v).
    fn cells(&self, picture: &Plane, wave: [f64; 2]) -> Vec<Cell> {
        let mut cells = vec![Cell::default(); self.columns * self.rows];
        let along_x = self.turned.back(wave)[0];
        let turn = Complex64::new(libm::cos(TAU * along_x), -libm::sin(TAU * along_x));
        for y in 0..picture.height() {
            let [u, v] = self.turned.at(0.0, y as f64);
            let start = -TAU * (wave[0] * u + wave[1] * v);
            let mut wheel = Complex64::new(libm::cos(start), libm::sin(start));
            for (x, &value) in picture.row(y).iter().enumerate() {
                let at = self.turned.at(x as f64, y as f64);
                self.add(&mut cells, at, f64::from(value), wheel);
                wheel *= turn;
            }
        }
        cells
    }

    fn add(&self, cells: &mut [Cell], [u, v]: [f64; 2], value: f64, wheel: Complex64) {
        let row = (v + self.turned.half[1]) / (2.0 * self.turned.half[1]) * ROWS as f64;
        let row = floor_isize(row).checked_sub_unsigned(self.first_row);
        let Some(row) = row.and_then(|r| index_in(r, self.rows)) else { return };
        let at = (u - self.middle + self.reach) / self.step - 1.0;
        let low = floor_isize(at);
        let part = at - at.floor();
        // Hann windows two steps long: the weights of the two cells add up to one.
        let right = 0.5 - 0.5 * libm::cos(PI * part);
        for (k, w) in [(low, 1.0 - right), (low + 1, right)] {
            let Some(k) = index_in(k, self.columns) else { continue };
            let cell = &mut cells[row * self.columns + k];
            cell.weight += w;
            cell.squares += w * w;
            cell.value += w * value;
            let mut power = wheel;
            for h in 0..self.harmonics {
                cell.wave[h] += power * (w * value);
                cell.window[h] += power * w;
                power *= wheel;
            }
        }
    }

    /// A cell is used where the picture covers it.
    fn covered(&self, cell: &Cell) -> bool {
        let height = 2.0 * self.turned.half[1] / ROWS as f64;
        cell.weight > COVERED * self.step * height
    }

    /// Mean turn of the fundamental's phase from cell to cell, in cycles a pixel along u and v.
    fn turn(&self, cells: &[Cell]) -> [f64; 2] {
        let z = |r: usize, k: usize| {
            let cell = &cells[r * self.columns + k];
            if self.covered(cell) { cell.amplitude(0) } else { Complex64::default() }
        };
        let (mut along, mut across) = (Complex64::default(), Complex64::default());
        for r in 0..self.rows {
            for k in 0..self.columns {
                if k > 0 {
                    along += z(r, k) * z(r, k - 1).conj();
                }
                if r > 0 {
                    across += z(r, k) * z(r - 1, k).conj();
                }
            }
        }
        let height = 2.0 * self.turned.half[1] / ROWS as f64;
        [along.arg() / (TAU * self.step), across.arg() / (TAU * height)]
    }

    /// Phases of all cells against the mean phase of their harmonic.
    fn data(&self, cells: &[Cell]) -> Vec<Datum> {
        let mut out = Vec::new();
        for h in 0..self.harmonics {
            let used = || cells.iter().enumerate().filter(|(_, c)| self.covered(c));
            let mean: Complex64 = used().map(|(_, c)| c.amplitude(h)).sum();
            let order = h as f64 + 1.0;
            for (i, cell) in used() {
                let z = cell.amplitude(h);
                let size = z.norm() / cell.squares.sqrt();
                if size > 0.0 {
                    // e^(-i phase) was multiplied in: what is left turns against the phase.
                    let off = (z * mean.conj()).arg() / (TAU * order);
                    let (u, v) = (self.u(i % self.columns), self.v(i / self.columns));
                    out.push(Datum { harmonic: h, u, v, off, sigma: 1.0 / (order * size) });
                }
            }
        }
        out
    }

    /// Row of the fit: an offset a harmonic, u, v, then u^2, u v, u^3 (in half extents).
    fn row(&self, d: &Datum, terms: usize) -> Vec<f64> {
        let (u, v) = ((d.u - self.middle) / self.reach, d.v / self.turned.half[1]);
        let mut row = vec![0.0; self.harmonics];
        row[d.harmonic] = 1.0;
        row.extend([u, v, u * u, u * v, u * u * u].iter().take(terms));
        row
    }

    fn fit(&self, data: &[Datum], terms: usize) -> Option<LinearFit> {
        let rows = data.iter().map(|d| (self.row(d, terms), d.off, d.sigma));
        least_squares(rows, self.harmonics + terms)
    }

    /// Terms that can be told apart: those above the plane want columns.
    fn terms(&self, data: &[Datum]) -> usize {
        let mut places: Vec<f64> = data.iter().map(|d| d.u).collect();
        places.sort_by(f64::total_cmp);
        places.dedup();
        if places.len() < COLUMNS_FOR_TERMS { 2 } else { 5 }
    }

    /// Leaves out wild phases, twice.
    fn tamed(&self, mut data: Vec<Datum>) -> Option<Vec<Datum>> {
        for _ in 0..2 {
            let terms = self.terms(&data);
            let fit = self.fit(&data, terms)?;
            let miss = |d: &Datum| {
                let model: f64 =
                    self.row(d, terms).iter().zip(&fit.value).map(|(a, b)| a * b).sum();
                (d.off - model).abs() / d.sigma
            };
            let mut misses: Vec<f64> = data.iter().map(miss).collect();
            let limit = WILD * 1.4826 * median_f64(&mut misses)?;
            data.retain(|d| miss(d) <= limit);
        }
        Some(data)
    }

    fn plane(&self, cells: &[Cell], wave: [f64; 2]) -> Option<PhaseFit> {
        let mean: Complex64 =
            cells.iter().filter(|c| self.covered(c)).map(|c| c.amplitude(0)).sum();
        let data = self.tamed(self.data(cells))?;
        let full = self.fit(&data, self.terms(&data))?;
        let n = self.harmonics;
        let wide = |f: &LinearFit| f.misfit().sqrt() * SHARED.sqrt();
        let term = |i: usize| full.value.get(n + i).copied();
        let tells = |i: usize| {
            term(i).is_some_and(|v| v.abs() > SIGNIFICANT * full.sigma(n + i) * wide(&full))
        };
        let significant = [tells(2), tells(3), tells(4)];
        let [bend, fan, curve] = [2, 3, 4].map(|i| term(i).unwrap_or(0.0));
        // Higher terms only where they are there: they cost accuracy.
        let plane = if significant.contains(&true) { full.clone() } else { self.fit(&data, 2)? };
        let (half_u, half_v) = (self.reach, self.turned.half[1]);
        let along = wave[0] + plane.value[n] / half_u;
        let across = wave[1] + plane.value[n + 1] / half_v;
        let length = libm::hypot(along, across);
        let share = [along / length, across / length];
        let sigma =
            libm::hypot(share[0] * plane.sigma(n) / half_u, share[1] * plane.sigma(n + 1) / half_v);
        // The phase's slope is 1/pitch: pitch changes against it.
        let cycles = length * half_u;
        Some(PhaseFit {
            frequency: self.turned.back([along, across]),
            relative: sigma * wide(&plane) / length,
            phase: mean.arg() / TAU + plane.value[0] - plane.value[n] * self.middle / half_u,
            change: [-4.0 * bend / cycles, -2.0 * fan / cycles],
            curvature: -3.0 * curve / cycles,
            significant,
        })
    }
}
