//! Sequences on disk: finding them, reading their frames and facts, writing results safely.
//!
//! | file | what it holds |
//! | --- | --- |
//! | `clip` | a clip: its frames in order, and the file of each |
//! | `find` | which files make a clip, in which order, with which numbers missing |
//! | `stack` | files of many frames |
//! | `kind`, `shape` | the format of a file; size and depth of a frame, their limits, the frame decoded |
//! | `decode` | one frame's samples, whatever its format; limits before any allocation |
//! | `held` | the same of a file that was read whole and hashed |
//! | `tiff`, `ifd`, `pieces`, `ljpeg`, `dng`, `dpx`, `openexr`, `y4m`, `raw`, `png`, `jpeg`, `pnm` | the formats |
//! | `spool` | a stream on standard input, kept as a file |
//! | `packed` | samples of 8 to 16 bits packed into bytes |
//! | `facts` | rate, exposure, scale ... and where each came from |
//! | `motion` | the table of a part's motion that `measure` wrote |
//! | `scale`, `toml_text` | the object-space scale; small TOML files and their mistakes |
//! | `exif`, `header` | the facts a camera wrote into its files |
//! | `write` | temp file, fsync, rename, fsync of the folder; hashes |
//! | `finished` | finished frames as TIFF and PNG bytes |
//! | `ome` | the OME description of a written TIFF |
//! | `mp4`, `h264` | the preview movie: container and stream |
//! | `digest` | hashes of other programs' lists |
//! | `disk` | what is written to, behind a trait; an error of a sync is final |
//! | `guard` | no output inside an input |
//! | `open` | inputs: read-only, regular files, never waiting for a pipe |
//! | `names` | names from disk as harmless text |
//! | `fault` | what is wrong with a file |
//!
//! **Nothing here opens an input for writing, and no input is mapped into memory** (a file that
//! shrinks under a map kills the process).

mod clip;
mod decode;
mod digest;
mod disk;
mod dng;
mod dpx;
mod exif;
mod facts;
mod fault;
mod find;
mod finished;
mod guard;
mod h264;
mod header;
mod held;
mod ifd;
mod jpeg;
mod kind;
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
mod shape;
mod spool;
mod stack;
mod tiff;
mod toml_text;
mod write;
mod y4m;

pub use clip::{Clip, FrameFile, MAX_SPAN};
pub use decode::{Expected, decode, decode_bytes, shape_of};
pub use digest::{Algorithm, Digest, Summed};
pub use disk::{Disk, DiskFile, OnceSynced, RealDisk};
pub use dpx::{DpxTags, encode_dpx};
pub use exif::{ExifFacts, exif_facts};
pub use facts::{Fact, FactSource, Facts, FactsFile, Mains, parse_mosaic};
pub use fault::FootageError;
pub use find::{find, may_hold_frames, pictures_in, stacks_of};
pub use finished::{OutFrame, TiffFrame, TiffTags, encode_png16, encode_tiff};
pub use guard::{FAILED, check_no_footage, check_output, clip_folders};
pub use h264::{CAN_ENCODE, Encoder, Yuv};
pub use header::HeaderFacts;
pub use held::{HeldFrame, SamplesOf};
pub use kind::FileKind;
pub use motion::{MotionRow, MotionTable, MotionValue, read_motion};
pub use mp4::MovieWriter;
pub use names::printable;
pub use ome::{OmeTags, ome_xml, xml_escaped};
pub use openexr::{ExrTags, encode_exr};
pub use packed::Packing;
pub use png::encode_png8;
pub use raw::RawLayout;
pub use scale::{ScaleText, ScaleValue, Taken, read_scale};
pub use shape::{Decoded, MAX_DECODED_BYTES, MAX_SIDE, Shape};
pub use spool::spool;
pub use toml_text::{TableFault, key_line, line_of, parse_times, read_table, toml_fault};
pub use write::{
    Written, create_folders, hash_bytes, hash_file, hash_of, write_atomic, write_bytes, write_on,
};
pub use y4m::{Y4mKind, Y4mWriter};
