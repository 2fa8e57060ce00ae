//! Quantities with their units as types, and how people write them.
//!
//! A rate is an exact fraction: 30000/1001 frames a second is never rounded, so a slow-down
//! factor computed from two rates is exact too. Lengths and times are kept in SI base units.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use thiserror::Error;

use super::convert::round_u64;

/// Why a quantity could not be read.
#[derive(Debug, Error, Clone, PartialEq, Eq)]
pub enum UnitError {
    /// No number at the front.
    #[error("\"{0}\" is not a number with a unit; write for example \"{1}\"")]
    NotANumber(String, &'static str),
    /// The unit is not one we know.
    #[error("\"{0}\" has the unit \"{1}\", which is none of {2}")]
    UnknownUnit(String, String, &'static str),
    /// The number has no unit and needs one.
    #[error("\"{0}\" has no unit; write for example \"{1}\"")]
    MissingUnit(String, &'static str),
    /// The value must be above zero.
    #[error("\"{0}\" must be above zero")]
    NotPositive(String),
    /// A fraction that does not fit.
    #[error("\"{0}\" is not a rate; write frames a second such as 5000, 29.97 or 30000/1001")]
    BadRate(String),
}

/// Frames a second as an exact, reduced fraction; always above zero.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct FrameRate {
    num: u64,
    den: u64,
}

fn gcd(mut a: u64, mut b: u64) -> u64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

impl FrameRate {
    /// The rate `num / den`, reduced; `None` where either is zero.
    #[must_use]
    pub fn new(num: u64, den: u64) -> Option<Self> {
        if num == 0 || den == 0 {
            return None;
        }
        let g = gcd(num, den);
        Some(Self { num: num / g, den: den / g })
    }

    /// Numerator of the reduced fraction.
    #[must_use]
    pub fn num(self) -> u64 {
        self.num
    }

    /// Denominator of the reduced fraction.
    #[must_use]
    pub fn den(self) -> u64 {
        self.den
    }

    /// Frames a second as a floating-point number.
    #[must_use]
    pub fn per_second(self) -> f64 {
        self.num as f64 / self.den as f64
    }

    /// Seconds from one frame to the next.
    #[must_use]
    pub fn interval_s(self) -> f64 {
        self.den as f64 / self.num as f64
    }

    /// Seconds from frame `origin` to `frame`; below zero for a frame before it.
    #[must_use]
    pub fn time_s(self, frame: u64, origin: u64) -> f64 {
        let steps =
            if frame >= origin { (frame - origin) as f64 } else { -((origin - frame) as f64) };
        steps * self.den as f64 / self.num as f64
    }

    /// The rate of frames of which each stands for `frames` of these; `None` where that does not
    /// fit 64 bits, or for 0 frames.
    #[must_use]
    pub fn slowed(self, frames: usize) -> Option<Self> {
        Self::new(self.num, self.den.checked_mul(u64::try_from(frames).ok()?)?)
    }

    /// `self / other` as an exact fraction, for example the slow-down capture / playback.
    /// `None` where the fraction does not fit 64 bits.
    #[must_use]
    pub fn ratio(self, other: Self) -> Option<Self> {
        let g1 = gcd(self.num, other.num);
        let g2 = gcd(self.den, other.den);
        let num = (self.num / g1).checked_mul(other.den / g2)?;
        let den = (self.den / g2).checked_mul(other.num / g1)?;
        Self::new(num, den)
    }
}

impl FromStr for FrameRate {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        let bad = || UnitError::BadRate(text.to_owned());
        let trimmed = text.trim();
        let trimmed = trimmed.strip_suffix("fps").map_or(trimmed, str::trim_end);
        let (num, den) = match trimmed.split_once('/') {
            Some((n, d)) => {
                let n = n.trim().parse::<u64>().map_err(|_| bad())?;
                let d = d.trim().parse::<u64>().map_err(|_| bad())?;
                (n, d)
            }
            None => decimal_fraction(trimmed).ok_or_else(bad)?,
        };
        if num == 0 && den != 0 {
            return Err(UnitError::NotPositive(text.to_owned()));
        }
        Self::new(num, den).ok_or_else(bad)
    }
}

/// "29.97" as (2997, 100), exactly.
fn decimal_fraction(text: &str) -> Option<(u64, u64)> {
    let (whole, part) = text.split_once('.').unwrap_or((text, ""));
    let digits_only = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
    if (whole.is_empty() && part.is_empty()) || !digits_only(whole) || !digits_only(part) {
        return None;
    }
    let den = 10_u64.checked_pow(u32::try_from(part.len()).ok()?)?;
    let whole = if whole.is_empty() { 0 } else { whole.parse::<u64>().ok()? };
    let part = if part.is_empty() { 0 } else { part.parse::<u64>().ok()? };
    Some((whole.checked_mul(den)?.checked_add(part)?, den))
}

impl fmt::Display for FrameRate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.den == 1 {
            write!(f, "{}", self.num)
        } else {
            write!(f, "{}/{}", self.num, self.den)
        }
    }
}

impl Serialize for FrameRate {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

/// What a TOML or JSON value may be where a quantity is wanted.
#[derive(Deserialize)]
#[serde(untagged, expecting = "wanted is a number, or a text in quotes such as \"50us\"")]
enum Written {
    Int(i64),
    Float(f64),
    Text(String),
}

impl Written {
    fn text(self) -> String {
        match self {
            Self::Int(i) => i.to_string(),
            Self::Float(x) => x.to_string(),
            Self::Text(t) => t,
        }
    }
}

impl<'de> Deserialize<'de> for FrameRate {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        Written::deserialize(d)?.text().parse().map_err(serde::de::Error::custom)
    }
}

/// Splits "1.5 mm" into 1.5 and "mm".
fn number_and_unit(text: &str, example: &'static str) -> Result<(f64, String), UnitError> {
    let trimmed = text.trim();
    let end = trimmed
        .char_indices()
        .find(|&(i, c)| {
            let exponent = matches!(c, 'e' | 'E')
                && trimmed[i + 1..].starts_with(|n: char| n.is_ascii_digit() || n == '-');
            !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+') || exponent)
        })
        .map_or(trimmed.len(), |(i, _)| i);
    let (number, unit) = trimmed.split_at(end);
    let value = number
        .parse::<f64>()
        .ok()
        .filter(|v| v.is_finite())
        .ok_or_else(|| UnitError::NotANumber(text.to_owned(), example))?;
    Ok((value, unit.trim().replace('\u{3bc}', "\u{b5}")))
}

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $example:literal, $list:literal, [$($unit:pat => $factor:expr),+ $(,)?]) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl FromStr for $name {
            type Err = UnitError;

            fn from_str(text: &str) -> Result<Self, UnitError> {
                let (value, unit) = number_and_unit(text, $example)?;
                let factor = match unit.as_str() {
                    $($unit => $factor,)+
                    "" => return Err(UnitError::MissingUnit(text.to_owned(), $example)),
                    other => {
                        return Err(UnitError::UnknownUnit(
                            text.to_owned(),
                            other.to_owned(),
                            $list,
                        ));
                    }
                };
                if value <= 0.0 {
                    return Err(UnitError::NotPositive(text.to_owned()));
                }
                Ok(Self(value * factor))
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                Written::deserialize(d)?.text().parse().map_err(serde::de::Error::custom)
            }
        }
    };
}

quantity!(
    /// A length above zero, kept in metres. Written with its unit: "10um", "1.2 mm".
    Length, "10um", "nm, um (or \u{b5}m), mm, cm, m",
    ["nm" => 1e-9, "um" | "\u{b5}m" => 1e-6, "mm" => 1e-3, "cm" => 1e-2, "m" => 1.0]
);
quantity!(
    /// A duration above zero, kept in seconds. Written with its unit: "50us", "1.2 ms".
    Duration, "50us", "ns, us (or \u{b5}s), ms, s",
    ["ns" => 1e-9, "us" | "\u{b5}s" => 1e-6, "ms" => 1e-3, "s" => 1.0]
);

quantity!(
    /// An amount of memory above zero, kept in bytes. Written with its unit: "4GB", "512 MB",
    /// "2GiB"; powers of ten, or of two with an i (IEC 80000-13).
    Bytes, "4GB", "kB, MB, GB, TB, KiB, MiB, GiB, TiB",
    [
        "kB" | "KB" | "kb" => 1e3,
        "MB" | "mb" => 1e6,
        "GB" | "gb" => 1e9,
        "TB" | "tb" => 1e12,
        "KiB" | "kib" => 1024.0,
        "MiB" | "mib" => 1_048_576.0,
        "GiB" | "gib" => 1_073_741_824.0,
        "TiB" | "tib" => 1_099_511_627_776.0,
    ]
);

impl Bytes {
    /// So many bytes.
    #[must_use]
    pub fn of(bytes: u64) -> Self {
        Self(bytes as f64)
    }
    /// In whole bytes.
    #[must_use]
    pub fn count(self) -> u64 {
        round_u64(self.0)
    }
    /// The least amount in three figures that is not below this one, as it would be written.
    #[must_use]
    pub fn rounded_up(self) -> String {
        let (value, unit) = self.parts();
        let step = if value < 10.0 {
            0.01
        } else if value < 100.0 {
            0.1
        } else {
            1.0
        };
        format!("{}{unit}", short((value / step).ceil() * step))
    }

    fn parts(self) -> (f64, &'static str) {
        match self.0 {
            b if b < 1e6 => (b / 1e3, "kB"),
            b if b < 1e9 => (b / 1e6, "MB"),
            b if b < 1e12 => (b / 1e9, "GB"),
            b => (b / 1e12, "TB"),
        }
    }
}

impl fmt::Display for Bytes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (value, unit) = self.parts();
        let decimals = if value < 10.0 {
            2
        } else if value < 100.0 {
            1
        } else {
            0
        };
        write!(f, "{value:.decimals$} {unit}")
    }
}

impl Length {
    /// From metres; `None` unless finite and above zero.
    #[must_use]
    pub fn from_m(m: f64) -> Option<Self> {
        (m.is_finite() && m > 0.0).then_some(Self(m))
    }
    /// From micrometres; `None` unless finite and above zero.
    #[must_use]
    pub fn from_um(um: f64) -> Option<Self> {
        Self::from_m(um * 1e-6)
    }
    /// In metres.
    #[must_use]
    pub fn m(self) -> f64 {
        self.0
    }
    /// In micrometres.
    #[must_use]
    pub fn um(self) -> f64 {
        self.0 * 1e6
    }
}

impl Duration {
    /// From seconds; `None` unless finite and above zero.
    #[must_use]
    pub fn from_s(s: f64) -> Option<Self> {
        (s.is_finite() && s > 0.0).then_some(Self(s))
    }
    /// In seconds.
    #[must_use]
    pub fn s(self) -> f64 {
        self.0
    }
}

/// Trims a number to at most six significant figures without trailing zeros.
fn short(x: f64) -> String {
    if x <= 0.0 || !x.is_finite() {
        return format!("{x}");
    }
    let magnitude = x.log10().floor();
    let decimals = (5.0 - magnitude).clamp(0.0, 12.0);
    let text = format!("{x:.*}", usize::try_from(round_u64(decimals)).unwrap_or(0));
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

impl fmt::Display for Length {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0 < 1e-3 {
            write!(f, "{}um", short(self.0 * 1e6))
        } else {
            write!(f, "{}mm", short(self.0 * 1e3))
        }
    }
}

impl fmt::Display for Duration {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0 < 1e-3 {
            write!(f, "{}us", short(self.0 * 1e6))
        } else if self.0 < 1.0 {
            write!(f, "{}ms", short(self.0 * 1e3))
        } else {
            write!(f, "{}s", short(self.0))
        }
    }
}

impl Serialize for Length {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl Serialize for Duration {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_are_exact() {
        let r: FrameRate = "30000/1001".parse().unwrap();
        assert_eq!((r.num(), r.den()), (30000, 1001));
        let capture: FrameRate = "5000".parse().unwrap();
        let slow = capture.ratio(r).unwrap();
        // 5000 at 30000/1001 is 1001/6 = 166.8333 (arithmetic).
        assert_eq!((slow.num(), slow.den()), (1001, 6));
        assert_eq!("29.97".parse::<FrameRate>().unwrap(), FrameRate::new(2997, 100).unwrap());
        assert_eq!("25 fps".parse::<FrameRate>().unwrap(), FrameRate::new(25, 1).unwrap());
    }

    #[test]
    fn rate_zero_and_nonsense_are_refused() {
        assert!("0".parse::<FrameRate>().unwrap_err().to_string().contains("above zero"));
        assert!("25/0".parse::<FrameRate>().is_err());
        assert!("fast".parse::<FrameRate>().unwrap_err().to_string().contains("30000/1001"));
        assert!("-5".parse::<FrameRate>().is_err());
    }

    #[test]
    fn lengths_and_durations_take_their_units() {
        assert!(("10um".parse::<Length>().unwrap().um() - 10.0).abs() < 1e-12);
        assert!(("10 \u{3bc}m".parse::<Length>().unwrap().um() - 10.0).abs() < 1e-12);
        assert!(("1.5 mm".parse::<Length>().unwrap().m() - 1.5e-3).abs() < 1e-15);
        assert!(("50us".parse::<Duration>().unwrap().s() - 5e-5).abs() < 1e-18);
        assert!(("1e-4s".parse::<Duration>().unwrap().s() - 1e-4).abs() < 1e-18);
        let text = "10".parse::<Length>().unwrap_err().to_string();
        assert!(text.contains("no unit") && text.contains("10um"), "{text}");
        assert!("10 inch".parse::<Length>().unwrap_err().to_string().contains("none of"));
        assert!("0um".parse::<Length>().is_err());
        assert_eq!("1.003um".parse::<Length>().unwrap().to_string(), "1.003um");
    }

    #[test]
    fn amounts_of_memory_have_units_of_ten_and_of_two() {
        let count = |t: &str| t.parse::<Bytes>().map(Bytes::count);
        assert_eq!(count("4GB").unwrap(), 4_000_000_000);
        assert_eq!(count(" 512 MB ").unwrap(), 512_000_000);
        assert_eq!(count("2GiB").unwrap(), 2 << 30);
        assert_eq!(count("1.5GB").unwrap(), 1_500_000_000);
        for (bad, words) in [
            ("4", "has no unit"),
            ("GB", "not a number"),
            ("4 GBit", "none of kB, MB"),
            ("0GB", "above zero"),
            ("-1GB", "above zero"),
            ("", "not a number"),
        ] {
            let text = count(bad).unwrap_err().to_string();
            assert!(text.contains(words), "{bad}: {text}");
        }
        assert_eq!(Bytes::of(685_300_000).to_string(), "685 MB");
        assert_eq!(Bytes::of(4_250_000_000).to_string(), "4.25 GB");
        assert_eq!(Bytes::of(685_300_000).rounded_up(), "686MB");
        let up: Bytes = Bytes::of(1_234_567_890).rounded_up().parse().unwrap();
        assert!((1_234_567_890..1_240_000_001).contains(&up.count()));
    }
}
