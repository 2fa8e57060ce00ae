//! Hashes that other programs' lists of files hold, beside our own BLAKE3.
//!
//! | name | what | source |
//! | --- | --- | --- |
//! | blake3 | 64 hexadecimal digits | the BLAKE3 paper |
//! | md5, sha1 | hexadecimal | RFC 1321; FIPS 180-4 |
//! | c4 | "c4" and SHA-512 in base 58, 88 digits | SMPTE ST 2114 |
//! | xxh32, xxh64, xxh3, xxh128 | hexadecimal, high byte first, seed 0 | the xxHash specification |
//!
//! All of them tell damage from data. Against somebody who wants to deceive only blake3 and c4 help.

use std::fmt;
use std::io::{self, Read};
use std::path::Path;

use md5::Digest as _;
use serde::Serialize;
use twox_hash::{XxHash3_64, XxHash3_128, XxHash32, XxHash64};

use super::FootageError;
use super::open::open_regular;
use super::write::read_through;

/// A way to sum up the bytes of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[expect(missing_docs, reason = "names as in the module's table")]
pub enum Algorithm {
    Xxh32,
    Xxh64,
    Xxh3,
    Xxh128,
    Md5,
    Sha1,
    C4,
    Blake3,
}

impl Algorithm {
    /// All, those that are trusted most last.
    pub const ALL: [Self; 8] = [
        Self::Xxh32,
        Self::Xxh64,
        Self::Xxh3,
        Self::Xxh128,
        Self::Md5,
        Self::Sha1,
        Self::C4,
        Self::Blake3,
    ];

    /// Its name in lists.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Xxh32 => "xxh32",
            Self::Xxh64 => "xxh64",
            Self::Xxh3 => "xxh3",
            Self::Xxh128 => "xxh128",
            Self::Md5 => "md5",
            Self::Sha1 => "sha1",
            Self::C4 => "c4",
            Self::Blake3 => "blake3",
        }
    }

    /// By its name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|a| a.name() == name)
    }

    /// Bytes of its sum.
    fn bytes(self) -> usize {
        match self {
            Self::Xxh32 => 4,
            Self::Xxh64 | Self::Xxh3 => 8,
            Self::Xxh128 | Self::Md5 => 16,
            Self::Sha1 => 20,
            Self::Blake3 => 32,
            Self::C4 => 64,
        }
    }
}

/// A sum of a file's bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Digest {
    algorithm: Algorithm,
    text: String,
}

impl Digest {
    /// A sum as it stands in a list; `None` where it cannot be one of this algorithm.
    #[must_use]
    pub fn new(algorithm: Algorithm, text: &str) -> Option<Self> {
        let text = text.trim();
        let text = if algorithm == Algorithm::C4 {
            let digits = text.strip_prefix("c4")?;
            let good = digits.len() == C4_DIGITS && digits.bytes().all(|b| BASE_58.contains(&b));
            good.then(|| text.to_owned())?
        } else {
            let good =
                text.len() == 2 * algorithm.bytes() && text.bytes().all(|b| b.is_ascii_hexdigit());
            good.then(|| text.to_ascii_lowercase())?
        };
        Some(Self { algorithm, text })
    }

    /// How it is made.
    #[must_use]
    pub fn algorithm(&self) -> Algorithm {
        self.algorithm
    }

    /// As it stands in a list.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Of a regular file; and its size, and its BLAKE3 from the same reading.
    ///
    /// # Errors
    /// As [`super::hash_file`].
    pub fn of_file(path: &Path, algorithm: Algorithm) -> Result<Summed, FootageError> {
        let (file, _) = open_regular(path)?;
        summed(file, algorithm).map_err(|e| FootageError::disk(path, "read", e))
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.algorithm {
            Algorithm::Blake3 => f.write_str(&self.text),
            other => write!(f, "{}:{}", other.name(), self.text),
        }
    }
}

impl Serialize for Digest {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// A file that was read once.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Summed {
    /// The sum asked for.
    pub digest: Digest,
    /// BLAKE3, as 64 hexadecimal digits.
    pub blake3: String,
    /// Its size.
    pub bytes: u64,
}

enum Hasher {
    None,
    Md5(md5::Md5),
    Sha1(sha1::Sha1),
    Sha512(sha2::Sha512),
    Xxh32(XxHash32),
    Xxh64(XxHash64),
    Xxh3(XxHash3_64),
    Xxh128(XxHash3_128),
}

impl Hasher {
    fn new(algorithm: Algorithm) -> Self {
        match algorithm {
            Algorithm::Blake3 => Self::None,
            Algorithm::Md5 => Self::Md5(md5::Md5::new()),
            Algorithm::Sha1 => Self::Sha1(sha1::Sha1::new()),
            Algorithm::C4 => Self::Sha512(sha2::Sha512::new()),
            Algorithm::Xxh32 => Self::Xxh32(XxHash32::with_seed(0)),
            Algorithm::Xxh64 => Self::Xxh64(XxHash64::with_seed(0)),
            Algorithm::Xxh3 => Self::Xxh3(XxHash3_64::with_seed(0)),
            Algorithm::Xxh128 => Self::Xxh128(XxHash3_128::with_seed(0)),
        }
    }

    fn update(&mut self, bytes: &[u8]) {
        use std::hash::Hasher as _;
        match self {
            Self::None => {}
            Self::Md5(h) => h.update(bytes),
            Self::Sha1(h) => h.update(bytes),
            Self::Sha512(h) => h.update(bytes),
            Self::Xxh32(h) => h.write(bytes),
            Self::Xxh64(h) => h.write(bytes),
            Self::Xxh3(h) => h.write(bytes),
            Self::Xxh128(h) => h.write(bytes),
        }
    }

    /// The sum; `None` where only BLAKE3 is wanted.
    fn finish(self) -> Option<String> {
        use std::hash::Hasher as _;
        Some(match self {
            Self::None => return None,
            Self::Md5(h) => hex(&h.finalize()),
            Self::Sha1(h) => hex(&h.finalize()),
            Self::Sha512(h) => c4(&h.finalize()),
            Self::Xxh32(h) => format!("{:08x}", h.finish_32()),
            Self::Xxh64(h) => format!("{:016x}", h.finish()),
            Self::Xxh3(h) => format!("{:016x}", h.finish()),
            Self::Xxh128(h) => format!("{:032x}", h.finish_128()),
        })
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// The digits of base 58: no 0, O, I, l.
const BASE_58: &[u8; 58] = b"123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz";
/// Digits that 512 bits need.
const C4_DIGITS: usize = 88;

/// "c4" and the number in base 58.
fn c4(sum: &[u8]) -> String {
    let mut number = sum.to_vec();
    let mut digits = [BASE_58[0]; C4_DIGITS];
    for digit in digits.iter_mut().rev() {
        let mut rest = 0_usize;
        for byte in &mut number {
            let value = rest * 256 + usize::from(*byte);
            *byte = u8::try_from(value / 58).unwrap_or(u8::MAX);
            rest = value % 58;
        }
        *digit = BASE_58[rest];
    }
    format!("c4{}", digits.iter().map(|&d| char::from(d)).collect::<String>())
}

fn summed(file: impl Read, algorithm: Algorithm) -> io::Result<Summed> {
    let mut blake3 = blake3::Hasher::new();
    let mut hasher = Hasher::new(algorithm);
    let bytes = read_through(file, |part| {
        blake3.update(part);
        hasher.update(part);
    })?;
    let blake3 = blake3.finalize().to_hex().to_string();
    let text = hasher.finish().unwrap_or_else(|| blake3.clone());
    Ok(Summed { digest: Digest { algorithm, text }, blake3, bytes })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(bytes: &[u8], algorithm: Algorithm) -> String {
        summed(bytes, algorithm).unwrap().digest.text
    }

    /// RFC 1321 A.5, FIPS 180-4 examples, the xxHash specification's sanity checks (empty input,
    /// seed 0) and, for "abc" in C4 and the xxh3 family, what the Python packages hashlib and
    /// xxhash 4.1.0 give.
    #[test]
    fn sums_are_those_of_their_standards() {
        for (algorithm, empty, abc) in [
            (
                Algorithm::Md5,
                "d41d8cd98f00b204e9800998ecf8427e",
                "900150983cd24fb0d6963f7d28e17f72",
            ),
            (
                Algorithm::Sha1,
                "da39a3ee5e6b4b0d3255bfef95601890afd80709",
                "a9993e364706816aba3e25717850c26c9cd0d89d",
            ),
            (Algorithm::Xxh32, "02cc5d05", "32d153ff"),
            (Algorithm::Xxh64, "ef46db3751d8e999", "44bc2cf5ad770999"),
            (Algorithm::Xxh3, "2d06800538d394c2", "78af5f94892f3950"),
            (
                Algorithm::Xxh128,
                "99aa06d3014798d86001c324468d497f",
                "06b05ab6733a618578af5f94892f3950",
            ),
            (
                Algorithm::C4,
                "c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT",
                "c45S4rnaTNWonxss1u8LzsaJdEph1AJhWUF4sh2waXKMsutyfAxg4ybUeuXVWS9HdNcEypmeXn8FZGonD4w1rj9DZp",
            ),
        ] {
            assert_eq!(of(b"", algorithm), empty, "{algorithm:?}");
            assert_eq!(of(b"abc", algorithm), abc, "{algorithm:?}");
            assert_eq!(Digest::new(algorithm, abc).unwrap().text(), abc);
            assert_eq!(Algorithm::named(algorithm.name()), Some(algorithm));
        }
        // More than one buffer, and BLAKE3 from the same reading.
        let long = vec![7_u8; 600_000];
        let s = summed(long.as_slice(), Algorithm::Xxh64).unwrap();
        assert_eq!(s.digest.text, "fb04fd1fd20c5d62");
        assert_eq!((s.bytes, s.blake3), (600_000, super::super::hash_bytes(&long)));
    }

    #[test]
    fn what_is_no_sum_is_not_taken() {
        for (algorithm, text) in [
            (Algorithm::Md5, "d41d8cd98f00b204e9800998ecf8427"),
            (Algorithm::Md5, "d41d8cd98f00b204e9800998ecf8427g"),
            (Algorithm::C4, "c4"),
            (Algorithm::Blake3, ""),
        ] {
            assert_eq!(Digest::new(algorithm, text), None, "{text}");
        }
        let upper = Digest::new(Algorithm::Xxh32, " 02CC5D05\n").unwrap();
        assert_eq!(upper.to_string(), "xxh32:02cc5d05");
    }
}
