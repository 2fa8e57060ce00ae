//! Finished frames as they are shown: 16-bit DN to 8-bit sRGB codes.
//!
//! Frames of a pipeline that codes for display are shown as they are. Linear frames are shown
//! through the sRGB curve (IEC 61966-2-1) at one exposure for the whole clip: the level below which
//! 99.8 % of a few sampled frames lies comes to 85 % of white. Which it was is said in words.

use std::path::Path;

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::footage::{Decoded, FootageError, FrameFile, OutFrame, decode, encode_png8, printable};
use crate::frame::Curve;
use crate::frame::convert::{round_u8, round_u16, to_f32};

/// Where the bright level comes to, as a share of white.
const BRIGHT: f64 = 0.85;
/// Share of the picture below the bright level.
const BRIGHT_SHARE: f64 = 0.998;
/// Every how manieth sample is looked at for it.
const EVERY: usize = 5;

/// How finished frames of a clip are shown.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "shown", rename_all = "kebab-case")]
pub enum Shown {
    /// They are coded for display already.
    AsCoded,
    /// They are linear: `L = (DN - pedestal) / span`, then sRGB.
    Linear {
        /// DN of black.
        pedestal: f64,
        /// DN from black to white.
        span: f64,
    },
}

impl Shown {
    /// From the record's `output_scale` and a few finished frames.
    #[must_use]
    pub fn of(output_scale: &Value, samples: &[&Decoded]) -> Self {
        let Some(pedestal) = output_scale.get("pedestal_dn").and_then(Value::as_f64) else {
            return Self::AsCoded;
        };
        let mut levels: Vec<f32> = samples
            .iter()
            .flat_map(|d| d.samples.data.iter().step_by(EVERY))
            .map(|&v| f32::from(v))
            .collect();
        let bright =
            crate::math::robust::quantile(&mut levels, BRIGHT_SHARE).map_or(65_535.0, f64::from);
        Self::Linear { pedestal, span: ((bright - pedestal) / BRIGHT).max(1.0) }
    }

    /// The 8-bit code of each 16-bit value.
    #[must_use]
    pub fn codes(&self) -> Vec<u8> {
        (0..=u16::MAX).map(|v| round_u8(to_f32(255.0 * self.code(f64::from(v))))).collect()
    }

    /// The 16-bit code of each 16-bit value.
    #[must_use]
    pub fn codes16(&self) -> Vec<u16> {
        (0..=u16::MAX).map(|v| round_u16(to_f32(65_535.0 * self.code(f64::from(v))))).collect()
    }

    /// The light, 0 to 1 at white, of each 16-bit value.
    #[must_use]
    pub fn lights(&self) -> Vec<f64> {
        let light = |dn: f64| match *self {
            Self::AsCoded => Curve::Srgb.decode(dn / 65_535.0),
            Self::Linear { pedestal, span } => (dn - pedestal) / span,
        };
        (0..=u16::MAX).map(|v| light(f64::from(v))).collect()
    }

    fn code(&self, dn: f64) -> f64 {
        match *self {
            Self::AsCoded => dn / 65_535.0,
            Self::Linear { pedestal, span } => Curve::Srgb.encode((dn - pedestal) / span),
        }
    }

    /// What a person should know of it.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::AsCoded => "shown as the finished frames are coded".to_owned(),
            Self::Linear { pedestal, span } => format!(
                "the frames are linear; shown through the sRGB curve, {} DN as black and {} DN as \
                 white for the whole clip",
                super::html::figures(*pedestal, 4),
                super::html::figures(pedestal + span, 4)
            ),
        }
    }
}

fn place(folder: &Path, frame: u64) -> std::path::PathBuf {
    folder.join("frames").join(format!("{frame:06}.tif"))
}

/// Whether a frame's finished file is there.
#[must_use]
pub fn is_finished(folder: &Path, frame: u64) -> bool {
    place(folder, frame).is_file()
}

/// A finished frame of a clip's folder.
///
/// # Errors
/// Where it is not there or does not read.
pub fn finished(folder: &Path, frame: u64) -> Result<Decoded, FootageError> {
    decode(&FrameFile::single(&place(folder, frame)))
}

/// 8-bit PNG bytes of samples through a table of codes.
///
/// # Errors
/// As [`encode_png8`].
pub fn png(picture: &OutFrame, codes: &[u8]) -> Result<Vec<u8>, FootageError> {
    let data: Vec<u8> =
        picture.data.iter().map(|&v| codes.get(usize::from(v)).copied().unwrap_or(0)).collect();
    encode_png8((picture.width, picture.height, picture.channels), &data)
}

/// A finished frame's samples as a picture to write.
///
/// # Errors
/// [`FootageError::Footage`] for frames of a kind that this program does not make.
pub fn as_picture(decoded: Decoded, path: &Path) -> Result<OutFrame, FootageError> {
    let s = decoded.samples;
    if s.bits != 16 || !matches!(s.channels, 1 | 3) {
        return Err(FootageError::Footage {
            path: printable(path),
            what: format!(
                "{} channels of {} bits: not a finished frame of this program, run the clip again",
                s.channels, s.bits
            ),
        });
    }
    Ok(OutFrame { width: s.width, height: s.height, channels: s.channels, data: s.data })
}

/// A picture made smaller by the mean of the pixels that fall on each new one, in the unit of the
/// samples; never larger. `width` and `height` must be at least 1 and at most the picture's.
#[must_use]
pub fn smaller(picture: &OutFrame, width: usize, height: usize) -> OutFrame {
    if (width, height) == (picture.width, picture.height) {
        return picture.clone();
    }
    let c = picture.channels;
    let across = spans(picture.width, width);
    let mut data = vec![0_u16; width * height * c];
    let mut row = vec![0.0_f32; width * c];
    for (y, weights) in spans(picture.height, height).into_iter().enumerate() {
        row.fill(0.0);
        for (sy, wy) in weights {
            let source = &picture.data[sy * picture.width * c..(sy + 1) * picture.width * c];
            for (x, parts) in across.iter().enumerate() {
                for k in 0..c {
                    let sum: f32 =
                        parts.iter().map(|&(sx, wx)| wx * f32::from(source[sx * c + k])).sum();
                    row[x * c + k] += wy * sum;
                }
            }
        }
        let out = &mut data[y * width * c..(y + 1) * width * c];
        out.iter_mut().zip(&row).for_each(|(o, v)| *o = round_u16(*v));
    }
    OutFrame { width, height, channels: c, data }
}

/// For each of `to` new pixels the old ones that it covers, with their share; shares sum to 1.
fn spans(from: usize, to: usize) -> Vec<Vec<(usize, f32)>> {
    // In units of 1/to of an old pixel all borders are whole numbers.
    (0..to)
        .map(|i| {
            let (low, high) = (i * from, (i + 1) * from);
            (low / to..high.div_ceil(to))
                .map(|s| {
                    let shared = high.min((s + 1) * to) - low.max(s * to);
                    (s, to_f32(shared as f64 / from as f64))
                })
                .collect()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Samples;

    #[test]
    fn smaller_by_hand_and_constant_stays() {
        let p = OutFrame { width: 3, height: 2, channels: 1, data: vec![0, 30, 60, 10, 40, 70] };
        // The first new pixel covers column 0 and half of column 1: ((0+10) + (30+40)/2) / 3.
        assert_eq!(smaller(&p, 2, 1).data, [15, 55]);
        let flat = OutFrame { width: 7, height: 5, channels: 3, data: vec![777; 105] };
        assert!(smaller(&flat, 4, 2).data.iter().all(|&v| v == 777));
        assert_eq!(smaller(&flat, 7, 5), flat);
    }

    #[test]
    fn linear_frames_are_coded_as_the_standard_says() {
        // IEC 61966-2-1 by hand: L = 0.5 is code 0.7354, 8 bit 188.
        let shown = Shown::Linear { pedestal: 256.0, span: 10_000.0 };
        let codes = shown.codes();
        assert_eq!((codes[0], codes[256], codes[5256], codes[10_256]), (0, 0, 188, 255));
        assert_eq!(Shown::AsCoded.codes()[65_535], 255);
    }

    #[test]
    fn exposure_puts_the_bright_level_at_85_percent() {
        let samples =
            Samples { width: 100, height: 1, channels: 1, bits: 16, data: vec![1256; 100] };
        let d = Decoded {
            samples,
            kind: crate::footage::FileKind::Tiff,
            full_scale: 65_535,
            curve: None,
            warnings: Vec::new(),
        };
        let scale = serde_json::json!({ "pedestal_dn": 256.0 });
        let Shown::Linear { span, .. } = Shown::of(&scale, &[&d]) else { panic!("not linear") };
        assert!((span - 1000.0 / 0.85).abs() < 0.01, "{span}");
        assert_eq!(Shown::of(&serde_json::json!({ "coded": "display" }), &[&d]), Shown::AsCoded);
    }
}
