//! Kerning of the pairs that labels can hold.
//!
//! The built-in font keeps its kerning in its GPOS table, which the glyph reader used here does not
//! look at. These are that table's horizontal adjustments for digits, the point, minus and the
//! words of the labels, read from the font file with a general-purpose font parser; pairs that are
//! not listed have none.

/// Units of the font in an em.
const UNITS: f32 = 2816.0;

/// First character, second character, change of the first one's advance in font units; sorted.
const PAIRS: &[(char, char, i16)] = &[
    ('.', '0', -76),
    ('.', '1', -248),
    ('.', '3', -72),
    ('.', '5', -32),
    ('.', '6', -76),
    ('.', '7', -52),
    ('.', '8', -70),
    ('.', '9', -26),
    ('0', '.', -76),
    ('0', '7', -56),
    ('1', '.', -116),
    ('2', '4', -44),
    ('3', '.', -62),
    ('4', '.', -77),
    ('4', '1', -28),
    ('5', '.', -72),
    ('6', '.', -92),
    ('7', '.', -352),
    ('7', '0', -44),
    ('7', '3', -48),
    ('7', '4', -164),
    ('7', '5', -28),
    ('7', '6', -44),
    ('7', '7', 56),
    ('7', '8', -40),
    ('7', '9', -28),
    ('8', '.', -62),
    ('9', '.', -76),
    ('9', '7', -56),
    ('f', 'a', -48),
    ('o', 'w', -47),
    ('r', 'e', -56),
    ('t', 'e', -16),
    ('w', 'e', -47),
    ('\u{2212}', '2', -83),
    ('\u{2212}', '3', -26),
    ('\u{2212}', '7', -70),
];

/// Change of the advance between `first` and `second`, in em.
#[must_use]
pub(super) fn between(first: char, second: char) -> f32 {
    PAIRS
        .binary_search_by_key(&(first, second), |&(a, b, _)| (a, b))
        .map_or(0.0, |i| f32::from(PAIRS[i].2) / UNITS)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pairs_are_sorted_and_found() {
        assert!(PAIRS.windows(2).all(|w| (w[0].0, w[0].1) < (w[1].0, w[1].1)));
        assert!((between('7', '.') + 0.125).abs() < 1e-6);
        assert!(between('0', '0').abs() < 1e-9);
    }
}
