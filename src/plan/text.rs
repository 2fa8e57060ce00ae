//! How people write the quantities of a plan, and how a plan shows them.

use super::error::PlanError;
use super::quantity::{Kind, Quantity};
use crate::footage::Mains;
use crate::frame::units::{Duration, FrameRate, Length};

/// Reads one value of `quantity`, in the unit of its kind, and holds it against its range.
///
/// # Errors
/// Where it cannot be read, has a wrong unit, or is outside the quantity's range.
pub fn parse(quantity: Quantity, text: &str) -> Result<f64, PlanError> {
    let about = quantity.about();
    let bad = |why: String| PlanError::Value {
        option: quantity.option().unwrap_or_else(|| about.key.to_owned()),
        why,
    };
    let unit = |units: &[(&str, f64)]| number(text, units, about.example);
    let value = match about.kind {
        Kind::Length | Kind::Scale => text
            .trim()
            .trim_end_matches("/px")
            .parse::<Length>()
            .map(Length::um)
            .map_err(|e| e.to_string()),
        Kind::Time if text.contains('/') => {
            Err(format!("\"{text}\" is a fraction: write the time with its unit, such as 200us"))
        }
        Kind::Time => text.parse::<Duration>().map(Duration::s).map_err(|e| e.to_string()),
        Kind::Rate => {
            text.parse::<FrameRate>().map(FrameRate::per_second).map_err(|e| e.to_string())
        }
        Kind::Mains => text.parse::<Mains>().map(Mains::hz),
        Kind::Frequency => unit(&[("", 1.0), ("Hz", 1.0), ("kHz", 1e3)]),
        Kind::Speed => unit(&[
            ("m/s", 1.0),
            ("cm/s", 1e-2),
            ("mm/s", 1e-3),
            ("um/s", 1e-6),
            ("mm/ms", 1.0),
            ("um/ms", 1e-3),
            ("um/us", 1.0),
        ]),
        Kind::Bytes | Kind::ByteRate => unit(BYTES),
        Kind::Pixels | Kind::WholePixels => unit(&[("", 1.0), ("px", 1.0)]),
        Kind::Frames => unit(&[("", 1.0), ("frames", 1.0)]),
        Kind::Bits => unit(&[("", 1.0), ("bit", 1.0), ("bits", 1.0)]),
        Kind::Times => unit(&[("", 1.0), ("x", 1.0)]),
        Kind::Percent => unit(&[("", 1.0), ("%", 1.0)]),
        Kind::Electrons => unit(&[("", 1.0), ("e-", 1.0), ("e", 1.0)]),
        Kind::Gain => unit(&[("", 1.0), ("e-/DN", 1.0)]),
        Kind::Number | Kind::Degrees | Kind::Stops => unit(&[("", 1.0)]),
    }
    .map_err(bad)?;
    if about.kind == Kind::WholePixels && value.fract().abs() > 0.0 {
        return Err(bad(format!("{value} must be a whole number of pixels")));
    }
    in_range(quantity, value).map_err(bad)?;
    Ok(value)
}

const BYTES: &[(&str, f64)] = &[
    ("B", 1.0),
    ("kB", 1e3),
    ("MB", 1e6),
    ("GB", 1e9),
    ("TB", 1e12),
    ("KiB", 1024.0),
    ("MiB", 1_048_576.0),
    ("GiB", 1_073_741_824.0),
    ("TiB", 1_099_511_627_776.0),
];

/// Says what is wrong with a value outside the quantity's range.
pub(super) fn in_range(quantity: Quantity, value: f64) -> Result<(), String> {
    let about = quantity.about();
    let (low, high) = about.range;
    if value.is_finite() && (low..=high).contains(&value) {
        return Ok(());
    }
    if quantity == Quantity::Aperture {
        return Err(format!("{value} is no numerical aperture in air: it lies between 0 and 1"));
    }
    let words = about.words;
    Err(format!(
        "{words} {} is outside {} to {}",
        show(about.kind, value),
        show(about.kind, low),
        show(about.kind, high)
    ))
}

/// A number followed by one of `units`.
fn number(text: &str, units: &[(&str, f64)], example: &str) -> Result<f64, String> {
    let trimmed = text.trim().replace(['\u{b5}', '\u{3bc}'], "u");
    // The longest unit that fits: "mm/s" before "m/s".
    let fits = units.iter().filter_map(|&(u, f)| {
        let value = trimmed.strip_suffix(u)?.trim_end().parse::<f64>().ok()?;
        Some((u.len(), value * f))
    });
    if let Some((_, value)) = fits.max_by_key(|&(len, _)| len).filter(|(_, v)| v.is_finite()) {
        return Ok(value);
    }
    let names: Vec<&str> = units.iter().map(|u| u.0).filter(|u| !u.is_empty()).collect();
    let plain = trimmed.parse::<f64>().is_ok_and(f64::is_finite);
    Err(match (plain, names.is_empty()) {
        (true, _) => {
            format!("\"{text}\" has no unit: write {}, for example \"{example}\"", names.join(", "))
        }
        (false, true) => format!("\"{text}\" is not a number: write for example \"{example}\""),
        (false, false) => format!(
            "\"{text}\" is not a number with one of {}: write for example \"{example}\"",
            names.join(", ")
        ),
    })
}

/// A value for people, with a unit that suits its size.
#[must_use]
pub fn show(kind: Kind, value: f64) -> String {
    match kind {
        Kind::Length => scaled(value, &[(1e6, "m"), (1e3, "mm"), (1.0, "um"), (1e-3, "nm")]),
        Kind::Time => {
            scaled(value, &[(60.0, "min"), (1.0, "s"), (1e-3, "ms"), (1e-6, "us"), (1e-9, "ns")])
        }
        Kind::Speed => scaled(value, &[(1.0, "m/s"), (1e-3, "mm/s"), (1e-6, "um/s")]),
        Kind::Bytes => bytes(value, ""),
        Kind::ByteRate => bytes(value, "/s"),
        Kind::Times => format!("{}x", figures(value, 4)),
        Kind::Percent => format!("{} %", figures(value, 3)),
        Kind::Number => figures(value, 3),
        _ => format!("{} {}", figures(value, 4), kind.unit()),
    }
}

fn scaled(value: f64, units: &[(f64, &str)]) -> String {
    let size = value.abs();
    // The largest unit of which there is at least one; the last one for what is smaller.
    let found = units.iter().find(|u| size >= u.0 * (1.0 - 1e-9)).or(units.last());
    found.map_or_else(|| figures(value, 4), |(f, u)| format!("{} {u}", figures(value / f, 4)))
}

fn bytes(value: f64, per: &str) -> String {
    let decimal = scaled(value, &[(1e12, "TB"), (1e9, "GB"), (1e6, "MB"), (1e3, "kB"), (1.0, "B")]);
    if value < 1e9 {
        return format!("{decimal}{per}");
    }
    format!("{decimal}{per} ({} GiB{per})", figures(value / 1_073_741_824.0, 3))
}

/// A number to `n` significant figures, without trailing zeros.
#[must_use]
pub fn figures(value: f64, n: u32) -> String {
    if value.abs() <= 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let magnitude = libm::floor(libm::log10(value.abs()));
    let decimals = f64::from(n) - 1.0 - magnitude;
    if decimals <= 0.0 {
        return format!("{value:.0}");
    }
    let places = crate::frame::convert::round_usize(decimals.min(15.0));
    let text = format!("{value:.places$}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_with_units() {
        for (q, text, value) in [
            (Quantity::EventSpeed, "0.3 m/s", 0.3),
            (Quantity::EventSpeed, "300mm/s", 0.3),
            (Quantity::EventSpeed, "300 \u{b5}m/ms", 0.3),
            (Quantity::Memory, "16GiB", 17_179_869_184.0),
            (Quantity::Memory, "16 GB", 16e9),
            (Quantity::EventFrequency, "1.45kHz", 1450.0),
            (Quantity::Magnification, "10x", 10.0),
            (Quantity::Playback, "24000/1001", 24000.0 / 1001.0),
            (Quantity::EventLength, "1.5ms", 1.5e-3),
            (Quantity::Scale, "1.003um", 1.003),
            (Quantity::MainsFrequency, "60", 60.0),
            (Quantity::Flicker, "8%", 8.0),
        ] {
            let got = parse(q, text).unwrap();
            assert!((got / value - 1.0).abs() < 1e-12, "{text}: {got}");
        }
    }

    #[test]
    fn a_new_users_mistakes_get_a_sentence() {
        for (q, text, part) in [
            (Quantity::EventSpeed, "0.3", "has no unit: write m/s"),
            (Quantity::EventSpeed, "0.3 km/h", "is not a number with one of m/s"),
            (Quantity::EventLength, "1.5", "has no unit"),
            (Quantity::EventLength, "1.5mm", "none of ns, us"),
            (Quantity::Memory, "16", "has no unit"),
            (Quantity::Magnification, "-2", "magnification -2x is outside"),
            (Quantity::Aperture, "1.4", "no numerical aperture in air"),
            (Quantity::Rate, "fast", "write frames a second"),
            (Quantity::MainsFrequency, "55", "write 50 or 60"),
            (Quantity::Width, "12.5", "whole number"),
            (Quantity::FNumber, "f/5.6", "write for example \"5.6\""),
        ] {
            let got = parse(q, text).unwrap_err().to_string();
            assert!(got.contains(part), "{text}: {got}");
            assert!(got.starts_with("--"), "the option is named: {got}");
        }
    }

    #[test]
    fn numbers_for_people() {
        for (kind, value, text) in [
            (Kind::Length, 1.003, "1.003 um"),
            (Kind::Length, 12_800.0, "12.8 mm"),
            (Kind::Length, 0.55, "550 nm"),
            (Kind::Time, 1.0 / 13_333.333, "75 us"),
            (Kind::Rate, 13_333.333, "13333 fps"),
            (Kind::Times, 1001.0 / 24.0, "41.71x"),
            (Kind::ByteRate, 6.2208e9, "6.221 GB/s (5.79 GiB/s)"),
            (Kind::Pixels, 0.0, "0 px"),
        ] {
            assert_eq!(show(kind, value), text);
        }
    }
}
