//! Facts that formats keep in their headers: rates, exposure, levels, time code.
//!
//! Headers rarely say which rate they mean, that of the recording or that of showing it. So a
//! rate of at most [`MOST_PLAYBACK`] frames a second is taken for the playback rate and a higher
//! one for the capture rate, unless the field's own standard names one of the two. These facts
//! stand lowest: options, `shoot.toml` and `clip.toml` overrule them, and the record names the
//! field of each.

use serde::{Deserialize, Serialize};

use super::facts::{Fact, FactSource, Facts};
use crate::frame::convert::round_u64;
use crate::frame::units::FrameRate;

/// Highest rate that a screen is driven at, in frames a second (ITU-R BT.2020 table 2 ends at
/// 120; faster ones exist for play, not for footage).
const MOST_PLAYBACK: f64 = 120.0;

/// What a file's header says.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct HeaderFacts {
    /// The facts among it, each with the field it came from.
    pub facts: Facts,
    /// Date and time, as "2024-11-25 21:04:00".
    pub taken: Option<String>,
    /// Time code of the frame, as "01:02:03:04".
    pub time_code: Option<String>,
}

impl HeaderFacts {
    /// A rate from a field that does not say which one it means.
    pub(super) fn rate(&mut self, rate: Option<FrameRate>, field: &str) {
        let Some(rate) = rate else { return };
        if rate.per_second() > MOST_PLAYBACK {
            self.facts.rate = Fact::of(Some(rate), &source(field));
        } else {
            self.facts.playback = Fact::of(Some(rate), &source(field));
        }
    }
}

/// The source of a fact found in the field `field` of a header.
pub(super) fn source(field: &str) -> FactSource {
    FactSource::Header(field.to_owned())
}

/// A rate written as a floating-point number: a whole number, n x 1000/1001, or to a thousandth.
pub(super) fn rate_of(x: f64) -> Option<FrameRate> {
    if !x.is_finite() || x <= 0.0 || x > 1e9 {
        return None;
    }
    let near = |a: f64| (a / x - 1.0).abs() < 2e-6;
    let whole = round_u64(x);
    if near(whole as f64) {
        return FrameRate::new(whole, 1);
    }
    let drop = round_u64(x * 1.001);
    if near(drop as f64 / 1.001) {
        return FrameRate::new(drop * 1000, 1001);
    }
    FrameRate::new(round_u64(x * 1000.0), 1000)
}

/// "2024:11:25 21:04:00" (any separators) as "2024-11-25 21:04:00"; `None` where it is no date.
pub(super) fn date_of(text: &str) -> Option<String> {
    let numbers: Vec<u32> = text
        .split(|c: char| !c.is_ascii_digit())
        .filter(|s| !s.is_empty())
        .take(6)
        .map_while(|s| s.parse().ok())
        .collect();
    let &[y, mo, d, h, mi, s] = numbers.as_slice() else { return None };
    let sound = (1900..2200).contains(&y)
        && (1..=12).contains(&mo)
        && (1..=31).contains(&d)
        && h < 24
        && mi < 60
        && s < 61;
    sound.then(|| format!("{y:04}-{mo:02}-{d:02} {h:02}:{mi:02}:{s:02}"))
}

/// "2024-11-25 21:04:00" as EXIF writes it.
pub(super) fn exif_date(text: &str) -> String {
    text.replace('-', ":")
}

/// A rational of two 32-bit numbers near `x` (above zero), with the largest denominator that
/// is a power of ten and fits.
pub(super) fn rational(x: f64) -> Option<(u32, u32)> {
    let mut den = 1_000_000_u32;
    while den >= 1 {
        let num = round_u64(x * f64::from(den));
        if num > 0 && num <= u64::from(u32::MAX) {
            return u32::try_from(num).ok().map(|num| (num, den));
        }
        den /= 10;
    }
    None
}

/// Seconds as a fraction: one over a whole number where that is as good, else a decimal one.
pub(super) fn seconds(s: f64) -> Option<(u32, u32)> {
    let per = round_u64(1.0 / s);
    match u32::try_from(per) {
        Ok(n) if n > 0 && (1.0 / f64::from(n) / s - 1.0).abs() < 1e-9 => Some((1, n)),
        _ => rational(s),
    }
}

/// SMPTE ST 12 time code from its 32 bits of decimal digits, as DPX and OpenEXR keep them
/// without flags: hours, minutes, seconds, frames.
pub(super) fn time_code_of(bits: u32) -> Option<String> {
    let [h, m, s, f] = bits.to_be_bytes();
    let digits = |b: u8| b >> 4 <= 9 && b & 15 <= 9;
    ([h, m, s, f].into_iter().all(digits) && h < 0x24 && m < 0x60 && s < 0x60)
        .then(|| format!("{h:02x}:{m:02x}:{s:02x}:{f:02x}"))
}

/// The 32 bits of the time code `frame` frames after 00:00:00:00 at `per_second` frames a second
/// (without drop frames); hours wrap at 24.
pub(super) fn time_code_bits(frame: u64, per_second: u64) -> u32 {
    let per_second = per_second.clamp(1, 99);
    let seconds = frame / per_second;
    let two = |n: u64| u32::try_from((n / 10 % 10) * 16 + n % 10).unwrap_or(0);
    (two(seconds / 3600 % 24) << 24)
        | (two(seconds / 60 % 60) << 16)
        | (two(seconds % 60) << 8)
        | two(frame % per_second)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_become_fractions() {
        let text = |x| rate_of(x).map(|r| format!("{}/{}", r.num(), r.den()));
        assert_eq!(text(25.0).as_deref(), Some("25/1"));
        assert_eq!(text(f64::from(23.976_f32)).as_deref(), Some("24000/1001"));
        assert_eq!(text(f64::from(29.97_f32)).as_deref(), Some("30000/1001"));
        assert_eq!(text(5000.5).as_deref(), Some("10001/2"));
        for bad in [0.0, -25.0, f64::NAN, f64::INFINITY, 1e12] {
            assert_eq!(text(bad), None);
        }
    }

    #[test]
    fn slow_rates_are_playback_and_fast_ones_capture() {
        let mut h = HeaderFacts::default();
        h.rate(rate_of(25.0), "DPX frame rate");
        assert_eq!((h.facts.rate.is_some(), h.facts.playback.is_some()), (false, true));
        h.rate(rate_of(5000.0), "DPX frame rate");
        let rate = h.facts.rate.unwrap();
        assert_eq!(rate.source.to_string(), "header DPX frame rate");
        assert_eq!(FactSource::from(rate.source.to_string()), rate.source);
    }

    #[test]
    fn dates_and_time_codes() {
        assert_eq!(date_of("2024:11:25:21:04:00CET").as_deref(), Some("2024-11-25 21:04:00"));
        assert_eq!(date_of("2024-11-25T21:04:00").as_deref(), Some("2024-11-25 21:04:00"));
        for bad in ["", "2024", "2024:13:25:21:04:00", "9999999999999:1:1:1:1:1"] {
            assert_eq!(date_of(bad), None);
        }
        assert_eq!(time_code_of(0x0102_0304).as_deref(), Some("01:02:03:04"));
        assert_eq!(time_code_of(0xffff_ffff), None);
        assert_eq!(time_code_bits(25 * 3661 + 7, 25), 0x0101_0107);
    }

    #[test]
    fn resolutions_fit_their_rationals() {
        assert_eq!(rational(10_000.0), Some((1_000_000_000, 100_000)));
        assert_eq!(rational(1e12), None);
        assert_eq!(rational(2.5), Some((2_500_000, 1_000_000)));
    }
}
