//! Samples of 8 to 16 bits packed into bytes, as many formats hold them.
//!
//! | packing | layout | where |
//! | --- | --- | --- |
//! | [`Packing::Msb`] | a stream of bits, the most significant first | TIFF, DNG, DPX 10/12 packed, GenICam "PFNC Mono12p msb" |
//! | [`Packing::Lsb`] | a stream of bits, the least significant first | GenICam PFNC "Mono10p", "Mono12p" |
//! | [`Packing::LowByte`] | 16-bit words, low byte first, value in the low bits | "Mono12" and the like |
//! | [`Packing::HighByte`] | 16-bit words, high byte first, value in the low bits | |
//!
//! Source: TIFF Revision 6.0, section "FillOrder"; EMVA GenICam Pixel Format Naming Convention,
//! section on packing (the names from memory).

use serde::Deserialize;

/// How samples lie in the bytes of a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Packing {
    /// A stream of bits, most significant first; a row begins on a whole byte.
    Msb,
    /// A stream of bits, least significant first; a row begins on a whole byte.
    Lsb,
    /// 16-bit words, low byte first; the value is in the low bits.
    LowByte,
    /// 16-bit words, high byte first; the value is in the low bits.
    HighByte,
}

impl Packing {
    /// Bytes that `samples` of `bits` bits each take.
    pub(super) fn row_bytes(self, samples: u64, bits: u8) -> u64 {
        match self {
            Self::Msb | Self::Lsb => (samples * u64::from(bits)).div_ceil(8),
            Self::LowByte | Self::HighByte => samples * 2,
        }
    }

    /// Appends the `samples` samples of a row; bytes that are missing count as 0.
    pub(super) fn unpack(self, row: &[u8], bits: u8, samples: usize, out: &mut Vec<u16>) {
        match (self, bits) {
            (Self::Msb | Self::Lsb, 8) => {
                out.extend(row.iter().take(samples).map(|&b| u16::from(b)));
            }
            (Self::LowByte, _) => {
                let words = row.as_chunks::<2>().0.iter().take(samples);
                out.extend(words.map(|&b| u16::from_le_bytes(b)));
            }
            (Self::HighByte, _) => {
                let words = row.as_chunks::<2>().0.iter().take(samples);
                out.extend(words.map(|&b| u16::from_be_bytes(b)));
            }
            (Self::Msb, 16) => Self::HighByte.unpack(row, bits, samples, out),
            (Self::Lsb, 16) => Self::LowByte.unpack(row, bits, samples, out),
            (Self::Msb, _) => unpack_msb(row, bits, samples, out),
            (Self::Lsb, _) => unpack_lsb(row, bits, samples, out),
        }
    }
}

/// Appends `count` samples of `bits` (1 to 15) bits each, most significant bit first.
pub(super) fn unpack_msb(row: &[u8], bits: u8, count: usize, out: &mut Vec<u16>) {
    let wanted = out.len() + count;
    let wide = |b: u8| u16::from(b);
    match bits {
        12 => {
            let groups = row.as_chunks::<3>().0.iter().take(count / 2);
            out.extend(groups.flat_map(|&[a, b, c]| {
                [(wide(a) << 4) | (wide(b) >> 4), ((wide(b) & 15) << 8) | wide(c)]
            }));
        }
        10 => {
            let groups = row.as_chunks::<5>().0.iter().take(count / 4);
            out.extend(groups.flat_map(|&[a, b, c, d, e]| {
                [
                    (wide(a) << 2) | (wide(b) >> 6),
                    ((wide(b) & 63) << 4) | (wide(c) >> 4),
                    ((wide(c) & 15) << 6) | (wide(d) >> 2),
                    ((wide(d) & 3) << 8) | wide(e),
                ]
            }));
        }
        _ => {}
    }
    let done = count - wanted.saturating_sub(out.len()).min(count);
    let mut bytes = row.iter().skip(done * usize::from(bits) / 8);
    let (mut held, mut have) = (0_u32, 0_u8);
    for _ in done..count {
        while have < bits {
            held = (held << 8) | u32::from(bytes.next().copied().unwrap_or(0));
            have += 8;
        }
        have -= bits;
        out.push(low16(held >> have, bits));
        held &= (1 << have) - 1;
    }
}

/// Appends `count` samples of `bits` (1 to 15) bits each, least significant bit first.
fn unpack_lsb(row: &[u8], bits: u8, count: usize, out: &mut Vec<u16>) {
    let wanted = out.len() + count;
    let wide = |b: u8| u16::from(b);
    if bits == 12 {
        let groups = row.as_chunks::<3>().0.iter().take(count / 2);
        out.extend(groups.flat_map(|&[a, b, c]| {
            [wide(a) | ((wide(b) & 15) << 8), (wide(b) >> 4) | (wide(c) << 4)]
        }));
    }
    let done = count - wanted.saturating_sub(out.len()).min(count);
    let mut bytes = row.iter().skip(done * usize::from(bits) / 8);
    let (mut held, mut have) = (0_u32, 0_u8);
    for _ in done..count {
        while have < bits {
            held |= u32::from(bytes.next().copied().unwrap_or(0)) << have;
            have += 8;
        }
        out.push(low16(held, bits));
        held >>= bits;
        have -= bits;
    }
}

/// The low `bits` (up to 16) bits.
fn low16(value: u32, bits: u8) -> u16 {
    u16::try_from(value & ((1 << bits) - 1)).unwrap_or(u16::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The obvious way: bit by bit.
    fn slow(row: &[u8], bits: usize, count: usize, msb: bool) -> Vec<u16> {
        let bit = |i: usize| {
            let byte = row.get(i / 8).copied().unwrap_or(0);
            u16::from((byte >> if msb { 7 - i % 8 } else { i % 8 }) & 1)
        };
        (0..count)
            .map(|k| {
                (0..bits).fold(0, |v, j| {
                    let b = bit(k * bits + j);
                    if msb { (v << 1) | b } else { v | (b << j) }
                })
            })
            .collect()
    }

    #[test]
    fn every_depth_and_length_agrees_with_the_bit_by_bit_reader() {
        let row: Vec<u8> = (0..64_u32).map(|i| (i * 89 + 31).to_le_bytes()[0]).collect();
        for bits in 8..=16_u8 {
            for count in 0..24 {
                // Also rows that end early: the rest is 0.
                for len in [row.len(), count] {
                    let row = &row[..len];
                    for packing in [Packing::Msb, Packing::Lsb] {
                        let mut out = vec![7];
                        packing.unpack(row, bits, count, &mut out);
                        out.resize(count + 1, 0);
                        let mut wanted =
                            slow(row, usize::from(bits), count, packing == Packing::Msb);
                        if matches!(bits, 8 | 16) {
                            // Whole words: an odd last byte is no sample.
                            let whole = len * 8 / usize::from(bits);
                            wanted.iter_mut().skip(whole).for_each(|v| *v = 0);
                        }
                        assert_eq!(out[0], 7, "what was there stays");
                        assert_eq!(out[1..], wanted, "{bits} {count} {packing:?}");
                    }
                }
            }
        }
    }

    #[test]
    fn published_layouts_by_hand() {
        let mut out = Vec::new();
        // TIFF 6.0: 0xabc, 0xdef in three bytes, high bit first.
        Packing::Msb.unpack(&[0xab, 0xcd, 0xef], 12, 2, &mut out);
        // PFNC Mono12p: the low byte of the first sample, then its high nibble and so on.
        Packing::Lsb.unpack(&[0xbc, 0xfa, 0xde], 12, 2, &mut out);
        Packing::LowByte.unpack(&[0xbc, 0x0a], 12, 1, &mut out);
        Packing::HighByte.unpack(&[0x0a, 0xbc], 12, 1, &mut out);
        assert_eq!(out, [0xabc, 0xdef, 0xabc, 0xdef, 0xabc, 0xabc]);
        assert_eq!(Packing::Msb.row_bytes(3, 10), 4);
        assert_eq!(Packing::LowByte.row_bytes(3, 10), 6);
    }
}
