//! Orthonormal cosine transform (type II) of eight values, along each axis of a block in turn.
//!
//! `sum of squares` is kept, so white noise of variance v has variance v in every coefficient.
//! Both functions are plain sums, made to be called in a loop over neighbouring values.

/// Side of a block.
pub const SIDE: usize = 8;
/// Values of a block.
pub const AREA: usize = SIDE * SIDE;

/// cos(k pi / 16) / 2 for k = 1..8, to f32; k = 4 stands for the constant 1/(2 sqrt 2) too.
const C1: f32 = 0.490_392_64;
const C2: f32 = 0.461_939_77;
const C3: f32 = 0.415_734_8;
const C4: f32 = 0.353_553_38;
const C5: f32 = 0.277_785_12;
const C6: f32 = 0.191_341_71;
const C7: f32 = 0.097_545_16;

/// Transforms eight values.
#[inline(always)]
#[must_use]
pub fn forward(x: [f32; SIDE]) -> [f32; SIDE] {
    let (s07, d07) = (x[0] + x[7], x[0] - x[7]);
    let (s16, d16) = (x[1] + x[6], x[1] - x[6]);
    let (s25, d25) = (x[2] + x[5], x[2] - x[5]);
    let (s34, d34) = (x[3] + x[4], x[3] - x[4]);
    let (a, b) = (s07 + s34, s16 + s25);
    let (c, d) = (s07 - s34, s16 - s25);
    [
        C4 * (a + b),
        C1 * d07 + C3 * d16 + C5 * d25 + C7 * d34,
        C2 * c + C6 * d,
        C3 * d07 - C7 * d16 - C1 * d25 - C5 * d34,
        C4 * (a - b),
        C5 * d07 - C1 * d16 + C7 * d25 + C3 * d34,
        C6 * c - C2 * d,
        C7 * d07 - C5 * d16 + C3 * d25 - C1 * d34,
    ]
}

/// Undoes [`forward`].
#[inline(always)]
#[must_use]
pub fn inverse(y: [f32; SIDE]) -> [f32; SIDE] {
    let (p, q) = (C4 * (y[0] + y[4]), C4 * (y[0] - y[4]));
    let (r, s) = (C2 * y[2] + C6 * y[6], C6 * y[2] - C2 * y[6]);
    let (e0, e3) = (p + r, p - r);
    let (e1, e2) = (q + s, q - s);
    let o0 = C1 * y[1] + C3 * y[3] + C5 * y[5] + C7 * y[7];
    let o1 = C3 * y[1] - C7 * y[3] - C1 * y[5] - C5 * y[7];
    let o2 = C5 * y[1] - C1 * y[3] + C7 * y[5] + C3 * y[7];
    let o3 = C7 * y[1] - C5 * y[3] + C3 * y[5] - C1 * y[7];
    [e0 + o0, e1 + o1, e2 + o2, e3 + o3, e3 - o3, e2 - o2, e1 - o1, e0 - o0]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn block() -> [[f32; SIDE]; SIDE] {
        std::array::from_fn(|y| std::array::from_fn(|x| ((x * 7 + y * 13) % 17) as f32 - 8.0))
    }

    /// The definition, slowly.
    fn slow(b: &[[f32; SIDE]; SIDE], kx: usize, ky: usize) -> f64 {
        let norm = |k: usize| if k == 0 { (1.0 / 8.0_f64).sqrt() } else { 0.5 };
        let mut sum = 0.0;
        for (y, row) in b.iter().enumerate() {
            for (x, &v) in row.iter().enumerate() {
                let c = |k: usize, i: usize| {
                    libm::cos(std::f64::consts::PI * (2 * i + 1) as f64 * k as f64 / 16.0)
                };
                sum += f64::from(v) * c(kx, x) * c(ky, y);
            }
        }
        sum * norm(kx) * norm(ky)
    }

    #[test]
    fn agrees_with_the_definition_and_comes_back() {
        let turned = |b: &[[f32; SIDE]; SIDE]| -> [[f32; SIDE]; SIDE] {
            std::array::from_fn(|i| std::array::from_fn(|j| b[j][i]))
        };
        let b = block();
        let mut t = turned(&b.map(forward)).map(forward);
        for (kx, column) in t.iter().enumerate() {
            for (ky, &v) in column.iter().enumerate() {
                assert!((f64::from(v) - slow(&b, kx, ky)).abs() < 1e-4, "{kx} {ky}");
            }
        }
        t = turned(&t.map(inverse)).map(inverse);
        for (a, b) in t.iter().flatten().zip(b.iter().flatten()) {
            assert!((a - b).abs() < 1e-4);
        }
    }
}
