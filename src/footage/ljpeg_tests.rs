//! The decoder against a slow encoder written from the standard's annex H, and against damage.
//! Streams of other people's encoders are in `tests/reference/formats`.

use super::*;

/// How a test stream is coded.
#[derive(Debug, Clone, Copy)]
struct Kind {
    precision: u8,
    components: usize,
    predictor: u8,
    shift: u8,
    restart_rows: usize,
}

/// Bits, most significant first, with stuffing.
#[derive(Default)]
struct Sink {
    out: Vec<u8>,
    held: u32,
    have: u32,
}

impl Sink {
    fn put(&mut self, value: u32, n: u32) {
        for i in (0..n).rev() {
            self.held = (self.held << 1) | ((value >> i) & 1);
            self.have += 1;
            if self.have == 8 {
                let byte = u8::try_from(self.held & 0xff).unwrap();
                self.out.push(byte);
                if byte == 0xff {
                    self.out.push(0);
                }
                (self.held, self.have) = (0, 0);
            }
        }
    }

    fn align(&mut self) {
        while self.have != 0 {
            self.put(1, 1);
        }
    }
}

/// A canonical code with one symbol of each length 1 to 15 (sizes 0 to 14) and two of length 16.
fn canonical(size: u32) -> (u32, u32) {
    if size <= 14 { ((1 << (size + 1)) - 2, size + 1) } else { (65_534 + (size - 15), 16) }
}

fn encode(kind: Kind, width: usize, height: usize, data: &[u16]) -> Vec<u8> {
    let n = kind.components;
    let mut out = vec![0xff, 0xd8, 0xff, 0xc3];
    let two = |v: usize| u16::try_from(v).unwrap().to_be_bytes();
    out.extend(two(8 + 3 * n));
    out.push(kind.precision);
    out.extend(two(height));
    out.extend(two(width));
    out.push(u8::try_from(n).unwrap());
    for c in 0..n {
        out.extend([u8::try_from(c).unwrap(), 0x11, 0]);
    }
    out.extend([0xff, 0xc4]);
    out.extend(two(2 + 17 + 17));
    out.push(0);
    out.extend([1_u8; 15]);
    out.push(2);
    out.extend(0..17_u8);
    if kind.restart_rows > 0 {
        out.extend([0xff, 0xdd, 0, 4]);
        out.extend(two(kind.restart_rows * width));
    }
    out.extend([0xff, 0xda]);
    out.extend(two(6 + 2 * n));
    out.push(u8::try_from(n).unwrap());
    for c in 0..n {
        out.extend([u8::try_from(c).unwrap(), 0]);
    }
    out.extend([kind.predictor, 0, kind.shift]);
    let mut sink = Sink::default();
    let mut marker = 0;
    let at = |x: usize, y: usize, c: usize| i64::from(data[(y * width + x) * n + c] >> kind.shift);
    for y in 0..height {
        let fresh = y == 0 || (kind.restart_rows > 0 && y % kind.restart_rows == 0);
        if fresh && y > 0 {
            sink.align();
            sink.out.extend([0xff, 0xd0 + marker % 8]);
            marker += 1;
        }
        for x in 0..width {
            for c in 0..n {
                let guess = match (x, fresh) {
                    (0, true) => 1 << (kind.precision - kind.shift - 1),
                    (0, false) => at(0, y - 1, c),
                    (_, true) => at(x - 1, y, c),
                    (_, false) => {
                        let (a, b, d) = (at(x - 1, y, c), at(x, y - 1, c), at(x - 1, y - 1, c));
                        match kind.predictor {
                            1 => a,
                            2 => b,
                            3 => d,
                            4 => a + b - d,
                            5 => a + ((b - d) >> 1),
                            6 => b + ((a - d) >> 1),
                            _ => (a + b) >> 1,
                        }
                    }
                };
                // Modulo 65536, into -32767..=32768.
                let mut diff = (at(x, y, c) - guess).rem_euclid(65_536);
                if diff > 32_768 {
                    diff -= 65_536;
                }
                let size = 64 - diff.unsigned_abs().leading_zeros();
                let (bits, len) = canonical(size);
                sink.put(bits, len);
                if size < 16 {
                    let low = if diff < 0 { diff - 1 } else { diff };
                    sink.put(u32::try_from(low & ((1 << size) - 1)).unwrap(), size);
                }
            }
        }
    }
    sink.align();
    out.extend(sink.out);
    out.extend([0xff, 0xd9]);
    out
}

/// Samples that use the whole range, with jumps of every size.
fn samples(n: usize, precision: u8, shift: u8) -> Vec<u16> {
    let mut state = 12_345_u32;
    (0..n)
        .map(|i| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let wide = (state >> 8) & ((1 << precision) - 1);
            let small = (u32::try_from(i).unwrap() * 3) & ((1 << precision) - 1);
            let v = if (state >> 28) < 6 { wide } else { small };
            u16::try_from(v >> shift << shift).unwrap()
        })
        .collect()
}

#[test]
fn every_predictor_depth_and_layout_comes_back() {
    let (width, height) = (13, 9);
    for precision in [2, 8, 10, 12, 14, 16] {
        for components in 1..=4 {
            for predictor in 1..=7 {
                for (shift, restart_rows) in [(0, 0), (0, 1), (1, 4)] {
                    let kind = Kind { precision, components, predictor, shift, restart_rows };
                    let data = samples(width * height * components, precision, shift);
                    let file = encode(kind, width, height, &data);
                    let mut out = Vec::new();
                    decode(&file, (width * components, height), precision, &mut out)
                        .unwrap_or_else(|e| panic!("{kind:?}: {e}"));
                    assert_eq!(out, data, "{kind:?}");
                }
            }
        }
    }
}

const PLAIN: Kind = Kind { precision: 12, components: 2, predictor: 1, shift: 0, restart_rows: 0 };

#[test]
fn differences_of_sixteen_bits_need_no_more_bits() {
    // H.1.2.2: category 16 is the difference 32768 alone.
    let kind = Kind { precision: 16, components: 1, ..PLAIN };
    let data = [0, 32_768, 0, 65_535];
    let mut out = Vec::new();
    decode(&encode(kind, 4, 1, &data), (4, 1), 16, &mut out).unwrap();
    assert_eq!(out, data);
}

#[test]
fn rows_may_be_coded_in_pairs_and_more_rows_than_needed_are_left() {
    let data = samples(8 * 6, 12, 0);
    let file = encode(PLAIN, 8, 3, &data);
    let mut out = Vec::new();
    decode(&file, (8, 6), 12, &mut out).unwrap();
    assert_eq!(out, data, "two rows of the piece in one of the stream");
    out.clear();
    decode(&file, (16, 2), 12, &mut out).unwrap();
    assert_eq!(out, data[..32]);
}

#[test]
fn damage_is_an_error_and_never_more() {
    let data = samples(16 * 6, 12, 0);
    let file = encode(PLAIN, 8, 6, &data);
    let fault = |bytes: &[u8], size, bits| decode(bytes, size, bits, &mut Vec::new());
    assert!(fault(&file, (16, 7), 12).unwrap_err().to_string().contains("piece of 16x7"));
    assert!(fault(&file, (16, 6), 10).unwrap_err().to_string().contains("12 bits"));
    // The end marker and one byte of padding may go; nothing else.
    for len in 0..file.len() - 3 {
        assert!(fault(&file[..len], (16, 6), 12).is_err(), "cut to {len}");
    }
    for at in 0..file.len() {
        for bit in 0..8 {
            let mut bad = file.clone();
            bad[at] ^= 1 << bit;
            let mut out = Vec::new();
            if decode(&bad, (16, 6), 12, &mut out).is_ok() {
                assert_eq!(out.len(), 96);
                assert!(out.iter().all(|&v| v < 4096), "{at} {bit}");
            }
        }
    }
    // Baseline JPEG is no lossless JPEG.
    let mut baseline = file;
    baseline[3] = 0xc0;
    assert!(fault(&baseline, (16, 6), 12).unwrap_err().to_string().contains("process 0"));
}
