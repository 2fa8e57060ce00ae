//! Small dense linear systems.

/// Solves `a x = b` for a square system by elimination with row pivoting; `a` holds rows.
/// `None` where the matrix is singular to working precision.
#[must_use]
pub fn solve(mut a: Vec<Vec<f64>>, mut b: Vec<f64>) -> Option<Vec<f64>> {
    eliminate(&mut a, &mut b)?;
    Some(b)
}

/// [`solve`] for a system of known size.
#[must_use]
pub fn solve_small<const N: usize>(mut a: [[f64; N]; N], mut b: [f64; N]) -> Option<[f64; N]> {
    eliminate(&mut a, &mut b)?;
    Some(b)
}

/// Makes of `b` the solution.
fn eliminate<R: AsRef<[f64]> + AsMut<[f64]>>(a: &mut [R], b: &mut [f64]) -> Option<()> {
    let n = b.len();
    let at = |a: &[R], row: usize, col: usize| a[row].as_ref()[col];
    for col in 0..n {
        let size = |row: usize| at(a, row, col).abs();
        let pivot = (col..n).max_by(|&i, &j| size(i).total_cmp(&size(j)))?;
        if size(pivot) < 1e-300 {
            return None;
        }
        a.swap(col, pivot);
        b.swap(col, pivot);
        for row in col + 1..n {
            let factor = at(a, row, col) / at(a, col, col);
            let (above, below) = a.split_at_mut(row);
            let (above, below) = (above[col].as_ref(), below[0].as_mut());
            for (v, u) in below[col..n].iter_mut().zip(&above[col..n]) {
                *v -= factor * u;
            }
            b[row] -= factor * b[col];
        }
    }
    for row in (0..n).rev() {
        let known: f64 = (row + 1..n).map(|k| at(a, row, k) * b[k]).sum();
        b[row] = (b[row] - known) / at(a, row, row);
    }
    b.iter().all(|v| v.is_finite()).then_some(())
}

/// A symmetric 2 x 2 matrix `[[xx, xy], [xy, yy]]`.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Sym2 {
    /// Element (0, 0).
    pub xx: f64,
    /// Elements (0, 1) and (1, 0).
    pub xy: f64,
    /// Element (1, 1).
    pub yy: f64,
}

impl Sym2 {
    /// Adds `w` times another matrix.
    pub fn add(&mut self, other: Self, w: f64) {
        self.xx += w * other.xx;
        self.xy += w * other.xy;
        self.yy += w * other.yy;
    }

    /// The inverse, `None` unless the matrix is positive definite with a condition below 1e10.
    #[must_use]
    pub fn inverse(self) -> Option<Self> {
        let det = self.xx * self.yy - self.xy * self.xy;
        let trace = self.xx + self.yy;
        (det > 1e-10 * trace * trace && trace > 0.0).then(|| Self {
            xx: self.yy / det,
            xy: -self.xy / det,
            yy: self.xx / det,
        })
    }

    /// The product with a vector.
    #[must_use]
    pub fn times(self, v: [f64; 2]) -> [f64; 2] {
        [self.xx * v[0] + self.xy * v[1], self.xy * v[0] + self.yy * v[1]]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn solves_by_hand() {
        // 2x + y = 5, x + 3y = 10 -> x = 1, y = 3
        let x = solve(vec![vec![2.0, 1.0], vec![1.0, 3.0]], vec![5.0, 10.0]).unwrap();
        assert!((x[0] - 1.0).abs() < 1e-12 && (x[1] - 3.0).abs() < 1e-12);
        assert!(solve(vec![vec![1.0, 2.0], vec![2.0, 4.0]], vec![1.0, 2.0]).is_none());
        let small = solve_small([[2.0, 1.0], [1.0, 3.0]], [5.0, 10.0]).unwrap();
        assert!(small.iter().zip(&x).all(|(a, b)| a.to_bits() == b.to_bits()));
        let m = Sym2 { xx: 2.0, xy: 1.0, yy: 3.0 };
        let v = m.inverse().unwrap().times(m.times([0.3, -0.7]));
        assert!((v[0] - 0.3).abs() < 1e-12 && (v[1] + 0.7).abs() < 1e-12);
        assert!(Sym2 { xx: 1.0, xy: 1.0, yy: 1.0 }.inverse().is_none());
    }
}
