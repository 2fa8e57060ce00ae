//! Sequences on disk: finding them, reading their frames and facts, writing results safely.
//!
//! | file | what it holds |
//! | --- | --- |
//! | `find` | which files make a clip, in which order, with which numbers missing |
//! | `stack` | files of many frames |
//! | `decode` | one frame's samples, whatever its format; limits before any allocation |
//! | `held` | the same of a file that was read whole and hashed |
//! | `tiff`, `ifd`, `pieces`, `ljpeg`, `dng`, `dpx`, `openexr`, `y4m`, `raw`, `png`, `jpeg`, `pnm` | the formats |
//! | `spool` | a stream on standard input, kept as a file |
//! | `packed` | samples of 8 to 16 bits packed into bytes |
//! | `facts` | rate, exposure, scale ... and where each came from |
//! | `motion` | the table of a part's motion that `measure` wrote |
//! | `scale`, `toml_text` | the object-space scale; small TOML files and their mistakes |
//! | `exif`, `header` | the facts a camera wrote into its files |
//! | `write` | temp file, fsync, rename, fsync of the folder; TIFF and PNG bytes |
//! | `ome` | the OME description of a written TIFF |
//! | `mp4`, `h264` | the preview movie: container and stream |
//! | `digest` | hashes of other programs' lists |
//! | `disk` | what is written to, behind a trait; an error of a sync is final |
//! | `guard` | no output inside an input |
//! | `open` | inputs: read-only, regular files, never waiting for a pipe |
//! | `names` | names from disk as harmless text |
//!
//! **Nothing here opens an input for writing, and no input is mapped into memory** (a file that
//! shrinks under a map kills the process).

mod decode;
mod digest;
mod disk;
mod dng;
mod dpx;
mod exif;
mod facts;
mod find;
mod guard;
mod h264;
mod header;
mod held;
mod ifd;
mod jpeg;
mod ljpeg;
mod motion;
mod mp4;
mod names;
mod ome;
mod open;
mod openexr;
mod packed;
mod pieces;
mod png;
mod pnm;
mod raw;
mod scale;
mod spool;
mod stack;
mod tiff;
mod toml_text;
mod write;
mod y4m;

use std::io;
use std::path::Path;

use thiserror::Error;

pub use decode::{
    Decoded, Expected, FileKind, MAX_DECODED_BYTES, MAX_SIDE, Shape, decode, decode_bytes, shape_of,
};
pub use digest::{Algorithm, Digest, Summed};
pub use disk::{Disk, DiskFile, OnceSynced, RealDisk};
pub use dpx::{DpxTags, encode_dpx};
pub use exif::{ExifFacts, exif_facts};
pub use facts::{Fact, FactSource, Facts, FactsFile, Mains, parse_mosaic};
pub use find::{Clip, FrameFile, MAX_SPAN, find, may_hold_frames, stacks_of};
pub use guard::{check_no_footage, check_output, clip_folders};
pub use h264::{CAN_ENCODE, Encoder, Yuv};
pub use header::HeaderFacts;
pub use held::{HeldFrame, SamplesOf};
pub use motion::{MotionRow, MotionTable, MotionValue, read_motion};
pub use mp4::MovieWriter;
pub use names::printable;
pub use ome::{OmeTags, ome_xml, xml_escaped};
pub use openexr::{ExrTags, encode_exr};
pub use packed::Packing;
pub use png::encode_png8;
pub use raw::RawLayout;
pub use scale::{ScaleText, ScaleValue, Taken, read_scale};
pub use spool::spool;
pub use toml_text::{TableFault, key_line, line_of, read_table, toml_fault};
pub use write::{
    OutFrame, TiffFrame, TiffTags, Written, create_folders, encode_png16, encode_tiff, hash_bytes,
    hash_file, hash_of, write_atomic, write_bytes, write_on,
};
pub use y4m::{Y4mKind, Y4mWriter};

/// What went wrong with files, by who must act.
#[derive(Debug, Error)]
pub enum FootageError {
    /// The footage: a file or folder is damaged or not what is needed here.
    #[error("{path}: {what}")]
    Footage {
        /// The file or folder, as printable text.
        path: String,
        /// What is wrong with it and what to do.
        what: String,
    },
    /// The footage is sound, but of a kind that this program does not read.
    #[error("{path}: {what}")]
    Unsupported {
        /// The file, as printable text.
        path: String,
        /// Which kind it is, and which would be read.
        what: String,
    },
    /// A file claims more than the hard limits allow.
    #[error("{path}: {what}")]
    Limit {
        /// The file, as printable text.
        path: String,
        /// The number claimed and the limit.
        what: String,
    },
    /// The person's settings: a fact in a file or option does not make sense.
    #[error("{place}: {what}")]
    Facts {
        /// File, line and key, or the option.
        place: String,
        /// What is wrong and what to write instead.
        what: String,
    },
    /// The place for results: it would harm the originals.
    #[error("{path}: {what}")]
    Output {
        /// The output, as printable text.
        path: String,
        /// Why it is refused, and what to do.
        what: String,
    },
    /// The disk or the operating system.
    #[error("{path}: could not {doing}: {source}")]
    Disk {
        /// The file or folder, as printable text.
        path: String,
        /// What was being done: "open", "write" ...
        doing: &'static str,
        /// What the system said.
        source: io::Error,
    },
}

impl FootageError {
    fn footage(path: &Path, what: impl Into<String>) -> Self {
        Self::Footage { path: printable(path), what: what.into() }
    }

    /// A fault of the disk or the operating system while `doing` ("open", "write" ...) at `path`.
    #[must_use]
    pub fn disk(path: &Path, doing: &'static str, source: io::Error) -> Self {
        Self::Disk { path: printable(path), doing, source }
    }
}
