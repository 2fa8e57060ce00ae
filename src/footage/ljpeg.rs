//! Lossless JPEG: the samples inside DNG strips and tiles.
//!
//! Process 14 of the standard (Huffman coding, sequential, SOF3), 2 to 16 bits, 1 to 4 components
//! side by side without subsampling in one scan, predictors 1 to 7, point transform, restart
//! intervals of whole rows. A piece of a mosaic is usually coded as two components of half its
//! width; samples come out in the order in which they lie in the piece.
//!
//! A stream that ends early, a code that no table has, a size other than the piece's: errors.
//!
//! Source: ITU-T T.81 | ISO/IEC 10918-1 (1992), annexes B (markers), C and F.2.2.3 (Huffman
//! codes), H (lossless); DNG Specification 1.4, "Compression".

use super::fault::Fault;

/// Bits looked up at once; longer codes are searched.
const LOOK: u32 = 10;

/// One Huffman table.
#[derive(Debug, Clone)]
struct Table {
    /// By the next [`LOOK`] bits: length of the code (0: longer) and its symbol.
    fast: Vec<(u8, u8)>,
    /// By length 1 to 16: first code, number of codes, index of the first symbol.
    lengths: [(u32, u32, usize); 17],
    symbols: Vec<u8>,
}

impl Table {
    /// From the 16 counts and the symbols, as DHT holds them (annex C).
    fn new(counts: &[u8; 16], symbols: &[u8]) -> Result<Self, Fault> {
        let mut lengths = [(0, 0, 0); 17];
        let mut fast = vec![(0, 0); 1 << LOOK];
        let (mut code, mut index) = (0_u32, 0_usize);
        for (len, &count) in (1_u32..).zip(counts) {
            let n = u32::from(count);
            let slot = usize::try_from(len).unwrap_or(0);
            lengths[slot] = (code, n, index);
            if code + n > 1 << len {
                return Err(Fault::damaged("has a Huffman table that is no prefix code"));
            }
            for k in 0..n {
                let symbol = symbols[index + usize::try_from(k).unwrap_or(0)];
                if symbol > 16 {
                    return Err(Fault::damaged(format!("codes differences of {symbol} bits")));
                }
                if len <= LOOK {
                    let first = usize::try_from((code + k) << (LOOK - len)).unwrap_or(0);
                    let short = u8::try_from(len).unwrap_or(0);
                    fast[first..first + (1 << (LOOK - len))].fill((short, symbol));
                }
            }
            code = (code + n) << 1;
            index += usize::from(count);
        }
        Ok(Self { fast, lengths, symbols: symbols.to_vec() })
    }
}

/// The bits of one entropy-coded segment.
struct Bits<'a> {
    data: &'a [u8],
    at: usize,
    held: u64,
    have: u32,
    /// Bits made up after the end.
    padding: u32,
}

impl<'a> Bits<'a> {
    fn new(data: &'a [u8], at: usize) -> Self {
        Self { data, at, held: 0, have: 0, padding: 0 }
    }

    /// Makes sure of at least 32 bits; zeros after the end of the segment.
    #[inline]
    fn fill(&mut self) {
        if self.have >= 32 {
            return;
        }
        // Four bytes at once where none of them is a marker's.
        if let Some(&four) = self.data.get(self.at..).and_then(|d| d.first_chunk::<4>())
            && !four.contains(&0xff)
        {
            self.held = (self.held << 32) | u64::from(u32::from_be_bytes(four));
            self.have += 32;
            self.at += 4;
            return;
        }
        while self.have < 32 {
            let byte = match (self.data.get(self.at), self.data.get(self.at + 1)) {
                (Some(0xff), Some(0)) => {
                    self.at += 2;
                    0xff
                }
                (Some(0xff) | None, _) => {
                    self.padding += 8;
                    0
                }
                (Some(&b), _) => {
                    self.at += 1;
                    b
                }
            };
            self.held = (self.held << 8) | u64::from(byte);
            self.have += 8;
        }
    }

    /// The next `n` (up to 16) bits; they must have been filled.
    #[inline]
    fn take(&mut self, n: u32) -> u32 {
        self.have -= n;
        u32::try_from((self.held >> self.have) & ((1 << n) - 1)).unwrap_or(0)
    }

    /// One coded difference (H.1.2.2), modulo 65536.
    #[inline]
    fn difference(&mut self, table: &Table) -> Result<u16, Fault> {
        self.fill();
        let next = (self.held >> (self.have - LOOK)) & ((1 << LOOK) - 1);
        let (len, symbol) = table.fast[usize::try_from(next).unwrap_or(0)];
        let size = if len > 0 {
            self.have -= u32::from(len);
            symbol
        } else {
            self.long_code(table)?
        };
        match size {
            0 => Ok(0),
            16 => Ok(32_768),
            n => {
                let n = u32::from(n);
                let bits = self.take(n);
                // EXTEND (F.2.2.1): the upper half stands for itself, the lower is negative.
                let value = if bits >> (n - 1) == 1 { bits } else { bits + 65_536 - (1 << n) + 1 };
                Ok(u16::try_from(value & 0xffff).unwrap_or(0))
            }
        }
    }

    fn long_code(&mut self, table: &Table) -> Result<u8, Fault> {
        let sixteen = u32::try_from((self.held >> (self.have - 16)) & 0xffff).unwrap_or(0);
        for len in LOOK + 1..=16 {
            let (first, n, index) = table.lengths[usize::try_from(len).unwrap_or(0)];
            let code = sixteen >> (16 - len);
            if code >= first && code - first < n {
                self.have -= len;
                let at = index + usize::try_from(code - first).unwrap_or(0);
                return Ok(table.symbols[at]);
            }
        }
        Err(Fault::damaged("its lossless JPEG has a code that no table holds"))
    }

    /// Whether more bits were used than the segment has.
    fn overrun(&self) -> bool {
        self.padding > self.have
    }

    /// Steps over a restart marker (the rest of the current byte is padding).
    fn restart(&mut self) -> Result<(), Fault> {
        // Bytes filled beyond the marker cannot be: filling stops at it.
        match (self.data.get(self.at), self.data.get(self.at + 1)) {
            (Some(0xff), Some(0xd0..=0xd7)) => {
                *self = Self::new(self.data, self.at + 2);
                Ok(())
            }
            _ => Err(Fault::damaged("its lossless JPEG lacks a restart marker")),
        }
    }
}

/// What the headers say.
struct Header {
    precision: u8,
    width: usize,
    height: usize,
    tables: Vec<Table>,
    predictor: u8,
    shift: u8,
    /// Rows between restart markers; 0: none.
    restart_rows: usize,
    /// Where the coded bits begin.
    scan: usize,
}

fn word(b: &[u8]) -> usize {
    b.iter().take(2).fold(0, |n, &b| (n << 8) | usize::from(b))
}

/// Reads the markers up to the scan.
fn header(bytes: &[u8]) -> Result<Header, Fault> {
    let cut = || Fault::damaged("its lossless JPEG ends early");
    if bytes.get(..2) != Some(&[0xff, 0xd8]) {
        return Err(Fault::damaged("its lossless JPEG does not begin with a start marker"));
    }
    let mut at = 2;
    let mut tables: [Option<Table>; 4] = [const { None }; 4];
    let mut frame: Option<(u8, usize, usize, Vec<u8>)> = None;
    let mut interval = 0;
    loop {
        let (Some(0xff), Some(&marker)) = (bytes.get(at), bytes.get(at + 1)) else {
            return Err(cut());
        };
        if marker == 0xff {
            at += 1;
            continue;
        }
        let length = word(bytes.get(at + 2..at + 4).ok_or_else(cut)?).max(2);
        let body = bytes.get(at + 4..at + 2 + length).ok_or_else(cut)?;
        at += 2 + length;
        match marker {
            0xc3 => frame = Some(sof(body)?),
            0xc4 => dht(body, &mut tables)?,
            0xdd => interval = word(body.get(..2).ok_or_else(cut)?),
            0xda => {
                let frame = frame.ok_or_else(|| Fault::damaged("has a scan before its frame"))?;
                return sos(body, frame, &tables, interval, at);
            }
            0xc0..=0xcf => {
                return Err(Fault::unsupported(format!(
                    "holds JPEG of process {}: only lossless JPEG (process 3) is read here",
                    marker - 0xc0
                )));
            }
            0xd8 | 0xd9 => return Err(cut()),
            _ => {}
        }
    }
}

/// Precision, width, height and the components' identifiers.
fn sof(body: &[u8]) -> Result<(u8, usize, usize, Vec<u8>), Fault> {
    let [precision, h1, h0, w1, w0, n, rest @ ..] = body else {
        return Err(Fault::damaged("has a frame header that is too short"));
    };
    let components = rest.as_chunks::<3>().0;
    let n = usize::from(*n);
    if !(2..=16).contains(precision) || !(1..=4).contains(&n) || components.len() < n {
        return Err(Fault::unsupported(format!(
            "holds lossless JPEG of {precision} bits and {n} components"
        )));
    }
    if components[..n].iter().any(|c| c[1] != 0x11) {
        return Err(Fault::unsupported("holds lossless JPEG with subsampled components"));
    }
    let ids = components[..n].iter().map(|c| c[0]).collect();
    Ok((*precision, word(&[*w1, *w0]), word(&[*h1, *h0]), ids))
}

fn dht(body: &[u8], tables: &mut [Option<Table>; 4]) -> Result<(), Fault> {
    let short = || Fault::damaged("has a Huffman table that is too short");
    let mut rest = body;
    while let [kind, tail @ ..] = rest {
        let counts = tail.first_chunk::<16>().ok_or_else(short)?;
        let n: usize = counts.iter().map(|&c| usize::from(c)).sum();
        let symbols = tail.get(16..16 + n).ok_or_else(short)?;
        let slot = tables
            .get_mut(usize::from(*kind))
            .ok_or_else(|| Fault::damaged(format!("has a Huffman table of number {kind}")))?;
        *slot = Some(Table::new(counts, symbols)?);
        rest = &tail[16 + n..];
    }
    Ok(())
}

fn sos(
    body: &[u8],
    (precision, width, height, ids): (u8, usize, usize, Vec<u8>),
    tables: &[Option<Table>; 4],
    interval: usize,
    scan: usize,
) -> Result<Header, Fault> {
    let [n, rest @ ..] = body else {
        return Err(Fault::damaged("has a scan header that is too short"));
    };
    let n = usize::from(*n);
    let (Some(components), Some(&[predictor, _, shift])) =
        (rest.get(..2 * n), rest.get(2 * n..2 * n + 3))
    else {
        return Err(Fault::damaged("has a scan header that is too short"));
    };
    let shift = shift & 15;
    let components = components.as_chunks::<2>().0;
    if !components.iter().map(|c| c[0]).eq(ids) {
        return Err(Fault::unsupported("holds lossless JPEG with a scan for each component"));
    }
    if !(1..=7).contains(&predictor) || shift >= precision {
        return Err(Fault::unsupported(format!(
            "holds lossless JPEG with predictor {predictor} and point transform {shift}"
        )));
    }
    let tables = components
        .iter()
        .map(|c| {
            let table = tables.get(usize::from(c[1] >> 4)).and_then(Option::as_ref);
            table.cloned().ok_or_else(|| Fault::damaged("names a Huffman table it does not have"))
        })
        .collect::<Result<_, _>>()?;
    if width == 0 || height == 0 || !interval.is_multiple_of(width) {
        return Err(Fault::unsupported(format!(
            "holds lossless JPEG of {width}x{height} with a restart every {interval} pixels"
        )));
    }
    let restart_rows = interval / width;
    Ok(Header { precision, width, height, tables, predictor, shift, restart_rows, scan })
}

/// Appends the samples of a piece of `in_row` samples by `rows` rows, of `bits` bits.
pub(super) fn decode(
    bytes: &[u8],
    (in_row, rows): (usize, usize),
    bits: u8,
    out: &mut Vec<u16>,
) -> Result<(), Fault> {
    let head = header(bytes)?;
    let n = head.tables.len();
    let coded = head.width * n;
    // Rows of the stream need not be rows of the piece: two of them may be coded as one.
    let same = coded == in_row && head.height >= rows;
    if !same && coded.saturating_mul(head.height) != in_row * rows {
        return Err(Fault::damaged(format!(
            "its lossless JPEG has {}x{} samples of {n} component(s) for a piece of {in_row}x{rows}",
            head.width, head.height
        )));
    }
    if head.precision > bits {
        return Err(Fault::damaged(format!(
            "its lossless JPEG has {} bits where the page says {bits}",
            head.precision
        )));
    }
    let lines = if same { rows } else { head.height };
    let start = out.len();
    let mut reader = Bits::new(bytes, head.scan);
    out.reserve(coded * lines);
    for y in 0..lines {
        let restarts = head.restart_rows > 0 && y > 0 && y % head.restart_rows == 0;
        if restarts {
            reader.restart()?;
        }
        let above = if y == 0 || restarts { None } else { Some(out.len() - coded) };
        line(&mut reader, &head, above, out)?;
        if reader.overrun() {
            return Err(Fault::damaged(format!(
                "its lossless JPEG ends early, in row {} of {lines}",
                y + 1
            )));
        }
    }
    if head.shift > 0 {
        out[start..].iter_mut().for_each(|v| *v <<= head.shift);
    }
    if bits < 16 && out[start..].iter().any(|&v| v >> bits != 0) {
        return Err(Fault::damaged(format!("its lossless JPEG has samples beyond {bits} bits")));
    }
    Ok(())
}

/// Appends one line; `above` is where the line over it begins.
fn line(
    reader: &mut Bits<'_>,
    head: &Header,
    above: Option<usize>,
    out: &mut Vec<u16>,
) -> Result<(), Fault> {
    let n = head.tables.len();
    // The first pixel: from above, or half the range (H.1.2.1).
    for (c, table) in head.tables.iter().enumerate() {
        let guess = match above {
            Some(at) => out[at + c],
            None => 1 << (head.precision - head.shift - 1),
        };
        let difference = reader.difference(table)?;
        out.push(guess.wrapping_add(difference));
    }
    // In the first line every prediction is the left neighbour.
    let predictor = if above.is_none() { 1 } else { head.predictor };
    for x in 1..head.width {
        for (c, table) in head.tables.iter().enumerate() {
            let a = out[out.len() - n];
            let guess = match above.filter(|_| predictor != 1) {
                None => a,
                Some(at) => {
                    let b = out[at + x * n + c];
                    let diagonal = out[at + (x - 1) * n + c];
                    predict(predictor, a, b, diagonal)
                }
            };
            let difference = reader.difference(table)?;
            out.push(guess.wrapping_add(difference));
        }
    }
    Ok(())
}

/// Table H.1: left `a`, above `b`, above left `c`.
fn predict(predictor: u8, a: u16, b: u16, c: u16) -> u16 {
    let (ra, rb, rc) = (i32::from(a), i32::from(b), i32::from(c));
    let value = match predictor {
        1 => ra,
        2 => rb,
        3 => rc,
        4 => ra + rb - rc,
        5 => ra + ((rb - rc) >> 1),
        6 => rb + ((ra - rc) >> 1),
        _ => (ra + rb) >> 1,
    };
    u16::try_from(value & 0xffff).unwrap_or(0)
}

#[cfg(test)]
#[path = "ljpeg_tests.rs"]
mod tests;
