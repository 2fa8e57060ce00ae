//! Headerless samples, described by the table `[raw]` of `clip.toml`.
//!
//! ```toml
//! [raw]
//! width = 1280            # pixels
//! height = 800
//! bits = 12               # 8 to 16
//! packing = "lsb"         # "msb", "lsb": a stream of bits; "low-byte", "high-byte": 16-bit words
//! header = 512            # bytes to skip at the beginning of a file (0)
//! frame_header = 0        # bytes to skip before each frame (0)
//! channels = 1            # 1, or 3 for red, green and blue side by side (1)
//! extension = "raw"       # which files of the folder ("raw")
//! ```
//!
//! A file may hold many frames; they are numbered from 1. Nothing in such a file can tell that
//! the description is wrong, so **a length that does not fit a whole number of frames is
//! refused**, with the lengths that would fit, as are samples beyond `bits`.

use serde::Deserialize;

use super::fault::{Fault, ends_early};
use super::kind::{FileKind, Source};
use super::packed::Packing;
use super::shape::{Decoded, MAX_SIDE, Shape};
use std::io::SeekFrom;

/// The table `[raw]`: how headerless frames lie in their files.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawLayout {
    /// Width in pixels.
    pub width: u64,
    /// Height in pixels.
    pub height: u64,
    /// Bits a sample, 8 to 16.
    pub bits: u8,
    /// How samples lie in bytes; needed beyond 8 bits.
    #[serde(default)]
    pub packing: Option<Packing>,
    /// Bytes to skip at the beginning of a file.
    #[serde(default)]
    pub header: u64,
    /// Bytes to skip before each frame.
    #[serde(default)]
    pub frame_header: u64,
    /// 1, or 3 for red, green and blue side by side.
    #[serde(default = "one")]
    pub channels: u8,
    /// Extension of the files, without the dot.
    #[serde(default = "raw")]
    pub extension: String,
}

fn one() -> u8 {
    1
}

fn raw() -> String {
    "raw".to_owned()
}

impl RawLayout {
    /// What is wrong with the description.
    ///
    /// # Errors
    /// The key, its value and what to write instead.
    pub fn check(&self) -> Result<(), String> {
        if self.width == 0 || self.height == 0 || self.width > MAX_SIDE || self.height > MAX_SIDE {
            return Err(format!(
                "[raw] is {}x{} pixels: write 1 to {MAX_SIDE} a side",
                self.width, self.height
            ));
        }
        if !(8..=16).contains(&self.bits) {
            return Err(format!("[raw] bits is {}: write 8 to 16", self.bits));
        }
        if self.packing.is_none() && self.bits > 8 {
            return Err(format!(
                "[raw] has {} bits and no packing: write \"msb\", \"lsb\", \"low-byte\" or \
                 \"high-byte\"",
                self.bits
            ));
        }
        if !matches!(self.channels, 1 | 3) {
            return Err(format!("[raw] channels is {}: write 1 or 3", self.channels));
        }
        if self.header > u64::MAX / 4 || self.frame_header > u64::from(u32::MAX) {
            return Err("[raw] skips more bytes than a file can have".to_owned());
        }
        if self.extension.is_empty() || self.extension.contains(['.', '/', '\\']) {
            return Err(format!(
                "[raw] extension is \"{}\": write it without a dot",
                self.extension
            ));
        }
        Ok(())
    }

    fn packing(&self) -> Packing {
        self.packing.unwrap_or(Packing::Msb)
    }

    fn row_bytes(&self) -> u64 {
        self.packing().row_bytes(self.width * u64::from(self.channels), self.bits)
    }

    /// Bytes of one frame with what stands before it.
    fn stride(&self) -> u64 {
        self.frame_header + self.row_bytes() * self.height
    }

    /// Frames in a file of `len` bytes.
    pub(super) fn frames(&self, len: u64) -> Result<usize, Fault> {
        self.check().map_err(Fault::Unsupported)?;
        let body = len.saturating_sub(self.header);
        let (whole, rest) = (body / self.stride(), body % self.stride());
        if whole == 0 || rest != 0 || len < self.header {
            return Err(Fault::damaged(format!(
                "has {len} bytes, but by [raw] in clip.toml a file has {} + n x {}: correct \
                 width, height, bits, packing or header there, or copy the file again",
                self.header,
                self.stride()
            )));
        }
        Ok(usize::try_from(whole).unwrap_or(usize::MAX))
    }

    fn shape(&self) -> Result<Shape, Fault> {
        let bits = if self.bits == 8 && self.packing().row_bytes(1, 8) == 1 { 8 } else { 16 };
        let full = u16::try_from((1_u32 << self.bits) - 1).unwrap_or(u16::MAX);
        let shape = Shape::checked(self.width, self.height, self.channels, bits)?;
        Ok(shape.with_full_scale(full))
    }

    /// The shape of the frames of a file, which must fit its length.
    pub(super) fn shape_of(&self, source: &mut impl Source) -> Result<Shape, Fault> {
        let len = source.seek(SeekFrom::End(0)).map_err(Fault::Io)?;
        self.frames(len)?;
        self.shape()
    }

    /// Decodes frame `page` (from 0) of a file.
    pub(super) fn decode(&self, source: &mut impl Source, page: usize) -> Result<Decoded, Fault> {
        let len = source.seek(SeekFrom::End(0)).map_err(Fault::Io)?;
        let frames = self.frames(len)?;
        if page >= frames {
            return Err(Fault::damaged(format!(
                "has {frames} frame(s), so there is no frame {}",
                page.saturating_add(1)
            )));
        }
        let shape = self.shape()?;
        let page = u64::try_from(page).unwrap_or(u64::MAX);
        let at = self.header + page * self.stride() + self.frame_header;
        source.seek(SeekFrom::Start(at)).map_err(Fault::Io)?;
        let row_bytes = usize::try_from(self.row_bytes()).unwrap_or(usize::MAX);
        let mut bytes = vec![0; row_bytes * shape.height];
        source.read_exact(&mut bytes).map_err(ends_early)?;
        let in_row = shape.width * shape.channels;
        let mut data = Vec::with_capacity(shape.samples());
        for row in bytes.chunks_exact(row_bytes) {
            self.packing().unpack(row, self.bits, in_row, &mut data);
        }
        if let Some(at) = data.iter().position(|&v| v > shape.full_scale) {
            return Err(Fault::damaged(format!(
                "sample {at} is {}, beyond {} bits: [raw] in clip.toml does not fit (another \
                 packing, or other bits)",
                data[at], self.bits
            )));
        }
        let samples = shape.filled(data);
        Ok(Decoded::new(samples, FileKind::Raw, shape.full_scale))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    fn layout(text: &str) -> RawLayout {
        toml::from_str(text).unwrap()
    }

    #[test]
    fn packed_frames_behind_a_header() {
        let l = layout(
            "width = 2\nheight = 2\nbits = 12\npacking = \"lsb\"\nheader = 3\nframe_header = 1",
        );
        // PFNC Mono12p: 0xabc, 0xdef is bc fa de.
        let file = [9, 9, 9, 7, 0xbc, 0xfa, 0xde, 1, 0, 0, 7, 2, 0, 0, 3, 0x40, 0];
        let mut source = Cursor::new(&file[..]);
        assert_eq!(l.frames(17).unwrap(), 2);
        assert_eq!(l.decode(&mut source, 0).unwrap().samples.data, [0xabc, 0xdef, 1, 0]);
        let d = l.decode(&mut source, 1).unwrap();
        assert_eq!((d.samples.data.as_slice(), d.full_scale), (&[2, 0, 3, 4][..], 4095));
        assert_eq!(l.shape_of(&mut source).unwrap(), d.shape());
        assert!(l.decode(&mut source, 2).unwrap_err().to_string().contains("2 frame(s)"));
    }

    #[test]
    fn a_length_that_does_not_fit_is_refused() {
        let l = layout("width = 4\nheight = 2\nbits = 8");
        assert_eq!(l.frames(24).unwrap(), 3);
        for len in [0, 7, 9] {
            let text = l.frames(len).unwrap_err().to_string();
            assert!(text.contains("0 + n x 8"), "{text}");
        }
    }

    #[test]
    fn samples_beyond_the_depth_are_refused() {
        let l = layout("width = 1\nheight = 1\nbits = 12\npacking = \"high-byte\"");
        assert_eq!(l.decode(&mut Cursor::new(&[0x0f, 0xff]), 0).unwrap().samples.data, [4095]);
        let text = l.decode(&mut Cursor::new(&[0x10, 0x00]), 0).unwrap_err().to_string();
        assert!(text.contains("is 4096, beyond 12 bits"), "{text}");
    }

    #[test]
    fn wrong_descriptions_say_what_to_write() {
        for (text, part) in [
            ("width = 0\nheight = 2\nbits = 8", "0x2"),
            ("width = 70000\nheight = 2\nbits = 8", "1 to 65535"),
            ("width = 4\nheight = 2\nbits = 7", "8 to 16"),
            ("width = 4\nheight = 2\nbits = 10", "no packing"),
            ("width = 4\nheight = 2\nbits = 8\nchannels = 2", "1 or 3"),
            ("width = 4\nheight = 2\nbits = 8\nextension = \".raw\"", "without a dot"),
        ] {
            let fault = layout(text).check().unwrap_err();
            assert!(fault.contains(part), "{fault}");
        }
        assert!(toml::from_str::<RawLayout>("width = 4\nheight = 2\nbits = 8\nskip = 2").is_err());
    }
}
