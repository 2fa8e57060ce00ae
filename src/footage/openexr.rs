//! OpenEXR, in and out: grey and RGB of half or single precision.
//!
//! In, by the `exr` crate: scan lines or tiles, all compressions that it knows, the first layer
//! with flat data; channel Y (or the only one) is grey, R, G and B are colour, alpha is dropped
//! with a warning. **1.0 becomes 65535 DN**, rounded to nearest. What lies above is white, and so
//! counts as saturated, with a warning; where more than 5 % of a frame's samples do, 1.0 is not
//! white, and the file is refused with the largest value: one factor for a whole clip can only be
//! chosen where the clip is made. What lies below 0, or is no number, becomes 0, with a warning.
//!
//! Facts: `captureRate`, `framesPerSecond` (playback), `expTime`, `capDate`, `timeCode`.
//!
//! Out: half (rounded to nearest: 11 significant bits, so 16-bit samples are **not** kept
//! exactly) or single precision (exact), ZIP compression, with the same attributes and
//! `hushframeMicrometresPerPixel`.
//!
//! Source: the OpenEXR project's "Technical Introduction to OpenEXR" and "Standard Attributes";
//! IEEE 754 for half and single precision.

use std::io::Cursor;

use ::exr::meta::MetaData;
use ::exr::meta::attribute::{AttributeValue, Text, TimeCode};
use ::exr::prelude::{self as lib, ReadChannels, ReadLayers, WritableImage};

use super::FootageError;
use super::facts::Fact;
use super::fault::Fault;
use super::finished::OutFrame;
use super::header::{HeaderFacts, date_of, source};
use super::kind::FileKind;
use super::shape::{Decoded, Shape, plausible};
use crate::frame::Samples;
use crate::frame::convert::{round_u16, to_f32};
use crate::frame::units::{Duration, FrameRate};
use crate::record::Warning;

/// Most decoded bytes for a byte of the file. Run lengths in deflate reach about a thousand; the
/// other compressions stay below.
const BEST_RATIO: u64 = 4096;
/// Share of samples above 1.0 from which 1.0 is not white.
const MOST_ABOVE: f64 = 0.05;
/// Attribute of the object-space size of a pixel.
const SCALE: &str = "hushframeMicrometresPerPixel";
const CAPTURE_RATE: &str = "captureRate";

fn fault(e: &lib::Error) -> Fault {
    match e {
        lib::Error::NotSupported(what) => Fault::unsupported(format!("is not supported: {what}")),
        other => Fault::damaged(format!("is damaged: {other}")),
    }
}

/// Which channels of a layer are read, and the shape.
fn header(bytes: &[u8], len: u64) -> Result<(Shape, MetaData), Fault> {
    let meta = MetaData::read_from_buffered(bytes, false).map_err(|e| fault(&e))?;
    let Some(head) = meta.headers.iter().find(|h| !h.deep) else {
        return Err(Fault::unsupported("is an OpenEXR of deep data only"));
    };
    let names: Vec<String> = head.channels.list.iter().map(|c| c.name.to_string()).collect();
    let has = |n: &str| names.iter().any(|m| m == n);
    let channels = if has("R") && has("G") && has("B") {
        3
    } else if has("Y") || names.len() == 1 {
        1
    } else {
        return Err(Fault::unsupported(format!(
            "is an OpenEXR with the channels {names:?}: only Y, a single one, or R, G and B are \
             read"
        )));
    };
    if head.channels.list.iter().any(|c| c.sampling != lib::Vec2(1, 1)) {
        return Err(Fault::unsupported("is an OpenEXR with subsampled channels: save it as RGB"));
    }
    let wide = |n: usize| u64::try_from(n).unwrap_or(u64::MAX);
    let (width, height) = (wide(head.layer_size.x()), wide(head.layer_size.y()));
    // All channels are decoded, whatever is kept: four bytes a sample at most.
    let all = u8::try_from(names.len().min(64) * 2).unwrap_or(u8::MAX);
    Shape::checked(width, height, all, 16)?;
    let shape = Shape::checked(width, height, channels, 16)?;
    plausible(width * height * wide(names.len()), len, BEST_RATIO)?;
    Ok((shape, meta))
}

/// The shape by the beginning of a file of `len` bytes.
pub(super) fn shape(bytes: &[u8], len: u64) -> Result<Shape, Fault> {
    Ok(header(bytes, len)?.0)
}

pub(super) fn decode(bytes: &[u8]) -> Result<Decoded, Fault> {
    let len = u64::try_from(bytes.len()).unwrap_or(u64::MAX);
    let (shape, _) = header(bytes, len)?;
    let image = lib::read()
        .no_deep_data()
        .largest_resolution_level()
        .all_channels()
        .first_valid_layer()
        .all_attributes()
        .non_parallel()
        .from_buffered(Cursor::new(bytes))
        .map_err(|e| fault(&e))?;
    let list = &image.layer_data.channel_data.list;
    let named = |n: &str| {
        list.iter().find(|c| c.name.eq(n)).or(if list.len() == 1 { list.first() } else { None })
    };
    let wanted: &[&str] = if shape.channels == 3 { &["R", "G", "B"] } else { &["Y"] };
    let (mut above, mut below, mut largest) = (0_usize, false, 0.0_f32);
    let mut data = vec![0_u16; shape.samples()];
    for (c, name) in wanted.iter().enumerate() {
        let Some(channel) = named(name) else {
            return Err(Fault::damaged(format!("lacks the samples of channel {name}")));
        };
        let values = channel.sample_data.values_as_f32();
        let places = data.iter_mut().skip(c).step_by(shape.channels);
        let mut n = 0;
        for (to, v) in places.zip(values) {
            if v > 1.0 {
                above += 1;
                largest = largest.max(v);
            }
            below |= v.is_nan() || v < 0.0;
            *to = round_u16(v * 65_535.0);
            n += 1;
        }
        if n != shape.width * shape.height {
            return Err(Fault::damaged(format!("has {n} samples in channel {name}")));
        }
    }
    let samples = Samples {
        width: shape.width,
        height: shape.height,
        channels: shape.channels,
        bits: 16,
        data,
    };
    let mut decoded = Decoded::new(samples, FileKind::Exr, shape.full_scale);
    if list.iter().any(|c| c.name.eq("A")) && list.len() > 1 {
        decoded.alpha_dropped();
    }
    let share = above as f64 / decoded.samples.data.len().max(1) as f64;
    if share > MOST_ABOVE {
        return Err(Fault::unsupported(format!(
            "has {:.0} % of its samples above 1.0, which is taken for white, up to {}: divide all \
             frames of the clip by that or more where they are made",
            100.0 * share,
            if largest < 1e5 { format!("{largest:.2}") } else { format!("{largest:.1e}") }
        )));
    }
    if above > 0 {
        decoded.warnings.push(Warning::new(
            "values-clipped",
            "some OpenEXR samples lie above 1.0, which is white here: they count as saturated",
            "divide all frames by one number where they are made, if it is the picture that is cut",
        ));
    }
    if below {
        decoded.warnings.push(Warning::new(
            "values-clipped",
            "some OpenEXR samples lie below 0 and became 0, which brightens the darkest places",
            "add a pedestal where the frames are made, and give it as the black level",
        ));
    }
    Ok(decoded)
}

/// The facts in a header.
pub(super) fn facts(bytes: &[u8]) -> HeaderFacts {
    let mut out = HeaderFacts::default();
    let Ok(meta) = MetaData::read_from_buffered(bytes, false) else { return out };
    let Some(head) = meta.headers.iter().find(|h| !h.deep) else { return out };
    let own = &head.own_attributes;
    let rate = |(num, den): (i32, u32)| FrameRate::new(u64::try_from(num).ok()?, u64::from(den));
    if let Some(AttributeValue::Rational(capture)) = own.other.get(CAPTURE_RATE.as_bytes()) {
        out.facts.rate = Fact::of(rate(*capture), &source("OpenEXR captureRate"));
    }
    let playback = own.frames_per_second.and_then(rate);
    out.facts.playback = Fact::of(playback, &source("OpenEXR framesPerSecond"));
    let exposure = own.exposure.and_then(|s| Duration::from_s(f64::from(s)));
    out.facts.exposure = Fact::of(exposure, &source("OpenEXR expTime"));
    out.taken = own.capture_date.as_ref().and_then(|t| date_of(&t.to_string()));
    out.time_code = head
        .shared_attributes
        .time_code
        .as_ref()
        .map(|t| format!("{:02}:{:02}:{:02}:{:02}", t.hours, t.minutes, t.seconds, t.frame));
    out
}

/// What a written OpenEXR says of itself.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ExrTags {
    /// Program, for example "hushframe 0.1.0".
    pub software: String,
    /// What was done.
    pub description: String,
    /// DN that becomes 0.0; 65535 becomes 1.0.
    pub black_dn: f32,
    /// Rate of the recording.
    pub capture: Option<FrameRate>,
    /// Rate at which it is shown.
    pub playback: Option<FrameRate>,
    /// Exposure time in seconds.
    pub exposure_s: Option<f64>,
    /// Date of the recording, as "2024-11-25 21:04:00".
    pub taken: Option<String>,
    /// Object-space size of a pixel in micrometres.
    pub um_per_px: Option<f64>,
    /// Frames from the first of the sequence: becomes the time code at the playback rate.
    pub position: u64,
}

impl ExrTags {
    fn time_code(&self) -> Option<TimeCode> {
        let per_second = crate::frame::convert::round_u64(self.playback?.per_second());
        let bits = super::header::time_code_bits(self.position, per_second);
        let [h, m, s, f] = bits.to_be_bytes().map(|b| (b >> 4) * 10 + (b & 15));
        Some(TimeCode {
            hours: h,
            minutes: m,
            seconds: s,
            frame: f,
            drop_frame: false,
            color_frame: false,
            field_phase: false,
            binary_group_flags: [false; 3],
            binary_groups: [0; 8],
        })
    }
}

/// A frame as OpenEXR; `half` for half, else single precision.
///
/// # Errors
/// [`FootageError::Limit`] where the samples do not match the size or cannot be coded.
pub fn encode_exr(frame: &OutFrame, half: bool, tags: &ExrTags) -> Result<Vec<u8>, FootageError> {
    frame.size()?;
    let limit = |what: String| FootageError::Limit { path: "finished frame".to_owned(), what };
    let names: &[&str] = if frame.channels == 3 { &["R", "G", "B"] } else { &["Y"] };
    let span = 65_535.0 - tags.black_dn;
    let channels = names.iter().enumerate().map(|(c, name)| {
        let values = frame.data.iter().skip(c).step_by(frame.channels);
        let values = values.map(|&v| (f32::from(v) - tags.black_dn) / span);
        let samples = if half {
            lib::FlatSamples::F16(values.map(lib::f16::from_f32).collect())
        } else {
            lib::FlatSamples::F32(values.collect())
        };
        lib::AnyChannel::new(*name, samples)
    });
    let channels = lib::AnyChannels::sort(channels.collect());
    let text = |t: &str| Text::new_or_none(t);
    let rate = |r: FrameRate| Some((i32::try_from(r.num()).ok()?, u32::try_from(r.den()).ok()?));
    let mut own = lib::LayerAttributes {
        comments: text(&tags.description),
        software_name: text(&tags.software),
        frames_per_second: tags.playback.and_then(rate),
        exposure: tags.exposure_s.map(to_f32),
        capture_date: tags.taken.as_ref().and_then(|t| text(&t.replace('-', ":"))),
        ..lib::LayerAttributes::default()
    };
    if let (Some(key), Some(rate)) = (text(CAPTURE_RATE), tags.capture.and_then(rate)) {
        own.other.insert(key, AttributeValue::Rational(rate));
    }
    if let (Some(key), Some(um)) = (text(SCALE), tags.um_per_px) {
        own.other.insert(key, AttributeValue::F64(um));
    }
    let encoding = lib::Encoding {
        compression: lib::Compression::ZIP16,
        blocks: lib::Blocks::ScanLines,
        line_order: lib::LineOrder::Increasing,
    };
    let layer = lib::Layer::new((frame.width, frame.height), own, encoding, channels);
    let mut image = lib::Image::from_layer(layer);
    image.attributes.time_code = tags.time_code();
    let mut out = Cursor::new(Vec::new());
    image
        .write()
        .non_parallel()
        .to_buffered(&mut out)
        .map_err(|e| limit(format!("could not be coded as OpenEXR: {e}")))?;
    Ok(out.into_inner())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(channels: usize) -> OutFrame {
        let (width, height) = (9, 5);
        let n = u16::try_from(width * height * channels).unwrap();
        let data = (0..n).map(|i| i.wrapping_mul(1489)).collect();
        OutFrame { width, height, channels, data }
    }

    fn tags() -> ExrTags {
        ExrTags {
            software: "hushframe".to_owned(),
            description: "music box".to_owned(),
            black_dn: 0.0,
            capture: FrameRate::new(5000, 1),
            playback: FrameRate::new(30_000, 1001),
            exposure_s: Some(50e-6),
            taken: Some("2024-11-25 21:04:00".to_owned()),
            um_per_px: Some(1.003),
            position: 61,
        }
    }

    #[test]
    fn single_precision_is_exact_and_half_is_rounded() {
        for channels in [1, 3] {
            let f = frame(channels);
            let d = decode(&encode_exr(&f, false, &tags()).unwrap()).unwrap();
            assert_eq!(d.samples.data, f.data);
            assert!(d.warnings.is_empty(), "{:?}", d.warnings);
            let d = decode(&encode_exr(&f, true, &tags()).unwrap()).unwrap();
            // 11 significant bits: half a step is at most 2^-11 of the value, and one more by
            // rounding to whole DN.
            for (a, b) in d.samples.data.iter().zip(&f.data) {
                assert!(f64::from(a.abs_diff(*b)) <= f64::from(*b) / 2048.0 + 1.0, "{a} {b}");
            }
        }
    }

    #[test]
    fn facts_come_back() {
        let f = facts(&encode_exr(&frame(1), true, &tags()).unwrap());
        assert_eq!(f.facts.rate.unwrap().value, FrameRate::new(5000, 1).unwrap());
        assert_eq!(f.facts.playback.unwrap().value, FrameRate::new(30_000, 1001).unwrap());
        assert!((f.facts.exposure.unwrap().value.s() - 50e-6).abs() < 1e-11);
        assert_eq!(f.taken.as_deref(), Some("2024-11-25 21:04:00"));
        assert_eq!(f.time_code.as_deref(), Some("00:00:02:01"));
    }

    #[test]
    fn black_is_zero_and_what_lies_below_it_is_kept() {
        let f = OutFrame { width: 3, height: 1, channels: 1, data: vec![256, 0, 65_535] };
        let tags = ExrTags { black_dn: 256.0, ..ExrTags::default() };
        let bytes = encode_exr(&f, false, &tags).unwrap();
        let image = lib::read()
            .no_deep_data()
            .largest_resolution_level()
            .all_channels()
            .first_valid_layer()
            .all_attributes()
            .from_buffered(Cursor::new(&bytes))
            .unwrap();
        let got: Vec<f32> =
            image.layer_data.channel_data.list[0].sample_data.values_as_f32().collect();
        assert_eq!(got, [0.0, -256.0 / 65_279.0, 1.0]);
        let d = decode(&bytes).unwrap();
        assert_eq!(d.samples.data, [0, 0, 65_535]);
        assert_eq!(d.warnings[0].kind, "values-clipped");
    }

    #[test]
    fn what_lies_above_one_is_saturated_or_too_much() {
        let of = |bright: usize| {
            let values = move |p: lib::Vec2<usize>| (if p.0 < bright { 3.25_f32 } else { 0.5 },);
            let channels = lib::SpecificChannels::build().with_channel("Y").with_pixel_fn(values);
            let mut out = Cursor::new(Vec::new());
            let image = lib::Image::from_channels((100, 2), channels);
            image.write().to_buffered(&mut out).unwrap();
            decode(out.get_ref())
        };
        let d = of(5).unwrap();
        assert_eq!((d.samples.data[0], d.samples.data[5]), (65_535, 32_768));
        assert!(d.warnings[0].text.contains("saturated"), "{:?}", d.warnings);
        let said = of(6).unwrap_err().to_string();
        assert!(said.contains("6 % of its samples") && said.contains("up to 3.25"), "{said}");
    }

    #[test]
    fn cuts_are_errors_and_turned_bits_never_panic() {
        let sound = encode_exr(&frame(3), true, &tags()).unwrap();
        for len in 0..sound.len() {
            assert!(decode(&sound[..len]).is_err(), "{len}");
            let _ = facts(&sound[..len]);
        }
        for at in 0..sound.len() {
            for bit in [0, 3, 7] {
                let mut bad = sound.clone();
                bad[at] ^= 1 << bit;
                if let Ok(d) = decode(&bad) {
                    assert_eq!(d.samples.data.len(), d.shape().samples());
                }
            }
        }
    }
}
