//! Inner loops compiled twice, for every machine and for newer ones.
//!
//! A program that must run anywhere may not use the wider registers of newer processors; which ones
//! there are is asked when it runs. What a loop does to each value stays the same, in the same
//! order (nothing is contracted or reordered), so the results are the same bits on both paths.

/// A piece of work for [`wide`]. Its `call`, and all that this calls, must be `#[inline(always)]`,
/// or they stay as they are for every machine; a large closure is not inlined.
pub use pulp::NullaryFnOnce as Wide;

/// Runs `work` compiled for the widest registers that this machine has.
#[inline]
pub fn wide<W: Wide>(work: W) -> W::Output {
    pulp::Arch::new().dispatch(work)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[inline(always)]
    fn sums(values: &[f32]) -> Vec<f32> {
        let mut out = vec![0.0; 32];
        for line in values.chunks_exact(32) {
            for (o, v) in out.iter_mut().zip(line) {
                *o += v * 1.1 + 0.3 * v * v;
            }
        }
        out
    }

    #[test]
    fn both_paths_give_the_same_bits() {
        let values: Vec<f32> = (0..3200_u16).map(|i| (f32::from(i) * 0.37).sin()).collect();
        let bits = |v: Vec<f32>| v.into_iter().map(f32::to_bits).collect::<Vec<_>>();
        struct Work<'a>(&'a [f32]);
        impl Wide for Work<'_> {
            type Output = Vec<f32>;
            #[inline(always)]
            fn call(self) -> Vec<f32> {
                sums(self.0)
            }
        }
        assert_eq!(bits(wide(Work(&values))), bits(sums(&values)));
    }
}
