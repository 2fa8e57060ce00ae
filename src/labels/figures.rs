//! Numbers as people read them, rounded from exact fractions.
//!
//! Number and unit are parted by a no-break space, also when used as an adjective, and prefixes
//! are joined to units (BIPM, SI Brochure, 5.3 and 5.4). Whole numbers of five digits and more are grouped in
//! threes by a narrow no-break space (SI Brochure, 5.4.4 in the ninth edition; that number from memory). The
//! multiplication sign is U+00D7, minus U+2212, micro U+00B5.

use crate::frame::units::FrameRate;
use crate::optics::RoundLength;

/// No-break space.
pub const NBSP: char = '\u{a0}';
/// Narrow no-break space, between groups of digits.
pub const NARROW: char = '\u{202f}';
/// Minus sign.
pub const MINUS: char = '\u{2212}';

/// `digits` in groups of three from the right where there are five or more.
#[must_use]
pub fn grouped(digits: &str) -> String {
    let n = digits.len();
    let mut out = String::with_capacity(n + n);
    for (i, c) in digits.chars().enumerate() {
        if n >= 5 && i > 0 && (n - i).is_multiple_of(3) {
            out.push(NARROW);
        }
        out.push(c);
    }
    out
}

/// `num / den` with `decimals` decimals, rounded to nearest (halves up) from the exact fraction.
fn fixed(num: u64, den: u64, decimals: u32) -> (String, bool) {
    let power = 10_u128.pow(decimals);
    let scaled = u128::from(num) * power;
    let den = u128::from(den.max(1));
    let rounded = (scaled + den / 2) / den;
    let text = match decimals {
        0 => grouped(&rounded.to_string()),
        d => format!(
            "{}.{:0width$}",
            grouped(&(rounded / power).to_string()),
            rounded % power,
            width = usize::try_from(d).unwrap_or(0)
        ),
    };
    (text, scaled.is_multiple_of(den))
}

/// A displacement: one place after the point, two below 10; nothing is below zero that reads as zero.
#[must_use]
pub fn displacement(v: f64) -> String {
    let text = if v.abs() >= 10.0 { format!("{:.1}", v.abs()) } else { format!("{:.2}", v.abs()) };
    let minus = v < 0.0 && text.bytes().any(|b| (b'1'..=b'9').contains(&b));
    if minus { format!("{MINUS}{text}") } else { text }
}

/// A ratio to three significant figures; a whole number is written out in full.
///
/// 40 gives "40", 1001/24 "41.7", 1001/6 "167", 25/2 "12.5". Zeros at the end are kept where they
/// are figures that were rounded to (4001/100 gives "40.0") and dropped where the number is exact.
#[must_use]
pub fn three_figures(ratio: FrameRate) -> String {
    let (num, den) = (ratio.num(), ratio.den());
    if den == 1 {
        return grouped(&num.to_string());
    }
    let value = ratio.per_second();
    // 9.996 rounds to 10.0, not to 10.00; hence the limits half a figure low.
    let decimals = match value {
        v if v >= 99.95 => 0,
        v if v >= 9.995 => 1,
        v if v >= 0.9995 => 2,
        _ => 3,
    };
    if value >= 999.5 {
        // Three figures of a larger number: zeros stand for what is not said.
        let mut unit = 1_u64;
        while value / unit as f64 >= 999.5 {
            unit *= 10;
        }
        let steps = (u128::from(num) + u128::from(den) * u128::from(unit) / 2)
            / (u128::from(den) * u128::from(unit));
        return grouped(&(steps * u128::from(unit)).to_string());
    }
    let (text, exact) = fixed(num, den, decimals);
    if exact && text.contains('.') { trimmed(&text) } else { text }
}

/// A rate as a decimal number with at most three decimals: "5000", "29.97", "23.976", "10 000".
///
/// A rate that would round to nothing is written as a fraction.
#[must_use]
pub fn rate(rate: FrameRate) -> String {
    let (text, _) = fixed(rate.num(), rate.den(), 3);
    let text = trimmed(&text);
    if text == "0" { rate.to_string() } else { text }
}

fn trimmed(text: &str) -> String {
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A bar's length with its unit: µm below 1 mm, else mm.
#[must_use]
pub fn bar_length(length: RoundLength) -> String {
    let (exponent, unit) = if length.exponent < 3 {
        (length.exponent, "\u{b5}m")
    } else {
        (length.exponent - 3, "mm")
    };
    let zeros = "0".repeat(usize::try_from(exponent.unsigned_abs()).unwrap_or(0));
    let number = if exponent >= 0 {
        grouped(&format!("{}{zeros}", length.digit))
    } else {
        // One zero before the point, the others after it.
        format!("0.{}{}", &zeros[1..], length.digit)
    };
    format!("{number}{NBSP}{unit}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn r(num: u64, den: u64) -> FrameRate {
        FrameRate::new(num, den).unwrap()
    }

    #[test]
    fn three_figures_from_exact_fractions() {
        // Arithmetic: 1000/25, 1000 at 24000/1001, 5000 at 30000/1001, 2000/24, 25/2.
        for (num, den, text) in [
            (40, 1, "40"),
            (1001, 24, "41.7"),
            (1001, 6, "167"),
            (250, 3, "83.3"),
            (25, 2, "12.5"),
            (4001, 100, "40.0"),
            (9996, 1000, "10.0"),
            (99_951, 1000, "100"),
            (9_994, 1000, "9.99"),
            (12_500, 3, "4170"),
            (100_000, 3, "33\u{202f}300"),
            (4004, 1, "4004"),
        ] {
            assert_eq!(three_figures(r(num, den)), text, "{num}/{den}");
        }
    }

    #[test]
    fn rates_keep_the_decimals_people_know() {
        for (num, den, text) in [
            (30_000, 1001, "29.97"),
            (24_000, 1001, "23.976"),
            (60_000, 1001, "59.94"),
            (5000, 1, "5000"),
            (10_000, 1, "10\u{202f}000"),
            (25, 2, "12.5"),
            (1, 2500, "1/2500"),
        ] {
            assert_eq!(rate(r(num, den)), text);
        }
    }

    #[test]
    fn bars_are_in_micrometres_below_a_millimetre() {
        let l = |digit, exponent| bar_length(RoundLength { digit, exponent });
        assert_eq!(l(5, 2), "500\u{a0}\u{b5}m");
        assert_eq!(l(1, 3), "1\u{a0}mm");
        assert_eq!(l(2, 4), "20\u{a0}mm");
        assert_eq!(l(2, 0), "2\u{a0}\u{b5}m");
        assert_eq!(l(5, -1), "0.5\u{a0}\u{b5}m");
        assert_eq!(l(2, -2), "0.02\u{a0}\u{b5}m");
    }
}
