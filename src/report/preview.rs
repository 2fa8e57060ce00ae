//! The preview movie of a clip, made from its finished frames, and its flash screening.
//!
//! At most [`WIDEST`] px wide, even sizes, mean of the pixels that fall on each new one; 8 bit, the
//! sRGB curve where frames are linear (see [`super::picture`]). One frame after another at the exact
//! playback rate; where a frame is missing the one before it stays. Frames are read, scaled and
//! screened on several threads and encoded in order on one: the bytes do not depend on the number
//! of threads. Memory: a few frames and two seconds of screening cells.

use std::path::Path;
use std::sync::atomic::Ordering;

use super::compare::fitted;
use super::flash::{Cells, FlashReport, Screening};
use super::notes::{MOVIE, PREVIEWED, PreviewNote};
use super::picture::{Shown, as_picture, finished, is_finished, smaller};
use super::read::{ClipFolder, Row};
use crate::engine::ordered::ordered;
use crate::engine::{EngineError, Phase, Work};
use crate::footage::{
    Disk, Encoder, FootageError, MovieWriter, OutFrame, Yuv, hash_bytes, hash_file, printable,
    write_on,
};
use crate::frame::convert::{count_u32, round_u64, to_f32};
use crate::frame::units::FrameRate;

/// Widest movie in pixels.
pub const WIDEST: usize = 1280;
/// Tallest movie in pixels: what decoders of phones take at that width.
const TALLEST: usize = 1280;
/// Frames that the exposure of linear frames is chosen from.
const SAMPLED: usize = 9;
/// Bits for each pixel of the movie at most: averaged frames come within 40 dB with less.
const BITS_A_PIXEL: f64 = 0.5;
/// Fewest bits a second.
const FEWEST_BITS: f64 = 600_000.0;
/// Most bits a second.
const MOST_BITS: f64 = 24_000_000.0;
/// Bytes of a movie that are not much exceeded: what is sent to a phone.
const MOST_BYTES: f64 = 256e6;
/// Playback rate where nobody gave one.
const USUAL_RATE: u64 = 25;

/// Makes the movie of a clip on the disk that its folder lies on, unless it is there for these frames already.
///
/// # Errors
/// Where a finished frame does not read, the movie cannot be coded or written, or on request.
pub fn make(clip: &ClipFolder, disk: &dyn Disk, work: &Work<'_>) -> Result<(), EngineError> {
    let rows: Vec<&Row> =
        clip.rows.iter().filter(|r| r.usable() && is_finished(&clip.folder, r.frame)).collect();
    let Some(first) = rows.first() else { return Ok(()) };
    let made_of = made_of(clip, &rows);
    let there = clip.preview.as_ref().is_some_and(|p| {
        p.made_of == made_of
            && hash_file(&clip.folder.join(MOVIE)).is_ok_and(|w| w.hash == p.blake3)
    });
    if there {
        return Ok(());
    }
    let given = clip.text(&["rates", "playback"]).and_then(|t| t.parse::<FrameRate>().ok());
    let rate = given.or_else(|| FrameRate::new(USUAL_RATE, 1));
    let Some(rate) = rate else { return Ok(()) };
    let shown = shown(clip, &rows)?;
    let picture = as_picture(finished(&clip.folder, first.frame)?, &clip.folder)?;
    let maker = Maker {
        clip,
        disk,
        folder: &clip.folder,
        codes: shown.codes(),
        lights: shown.lights(),
        whole: (picture.width, picture.height, picture.channels),
        size: movie_size((picture.width, picture.height)),
    };
    let film = maker.film(&rows, rate, work)?;
    let note = PreviewNote {
        frames: rows.len(),
        size: [maker.size.0, maker.size.1],
        rate,
        rate_given: given.is_some(),
        duration_s: film.ticks as f64 * rate.interval_s(),
        frames_shown: shown,
        light: film.light,
        flash: film.flash,
        key: clip.text(&["key"]).unwrap_or("").to_owned(),
        made_of,
        blake3: film.hash,
    };
    let text = serde_json::to_string(&note).unwrap_or_default();
    write_on(disk, &clip.folder.join(PREVIEWED), |w| w.write_all(text.as_bytes()))?;
    Ok(())
}

/// A name for the frames that a movie is made of: job, and numbers.
fn made_of(clip: &ClipFolder, rows: &[&Row]) -> String {
    let mut text = clip.text(&["key"]).unwrap_or("").to_owned();
    for row in rows {
        text.push_str(&format!(" {}", row.frame));
    }
    hash_bytes(text.as_bytes())
}

/// How the frames of a clip are shown, from a few of `rows`, all of them finished.
///
/// # Errors
/// Where a finished frame does not read.
pub fn shown(clip: &ClipFolder, rows: &[&Row]) -> Result<Shown, FootageError> {
    let every = rows.len().div_ceil(SAMPLED).max(1);
    let sampled: Vec<_> = rows
        .iter()
        .step_by(every)
        .map(|r| finished(&clip.folder, r.frame))
        .collect::<Result<_, _>>()?;
    Ok(Shown::of(clip.get(&["output_scale"]), &sampled.iter().collect::<Vec<_>>()))
}

/// Even width and height within the limits, in proportion; at least 2.
fn movie_size(size: (usize, usize)) -> (usize, usize) {
    let (w, h) = fitted(size, WIDEST);
    let (h, w) = fitted((h, w), TALLEST);
    ((w / 2 * 2).max(2), (h / 2 * 2).max(2))
}

struct Maker<'a> {
    clip: &'a ClipFolder,
    disk: &'a dyn Disk,
    folder: &'a Path,
    codes: Vec<u8>,
    lights: Vec<f64>,
    whole: (usize, usize, usize),
    size: (usize, usize),
}

/// A frame ready to be coded.
struct Ready {
    yuv: Yuv,
    cells: Option<Cells>,
    light: f64,
}

/// A movie that is written.
struct Film {
    hash: String,
    flash: Option<FlashReport>,
    /// Playing time in frame times.
    ticks: u64,
    light: Vec<(u64, f64)>,
}

impl Maker<'_> {
    fn fault(&self, what: &str) -> FootageError {
        FootageError::Unsupported {
            path: printable(self.folder.join(MOVIE)),
            what: what.to_owned(),
        }
    }

    fn ready(&self, frame: u64) -> Result<Ready, FootageError> {
        let picture = as_picture(finished(self.folder, frame)?, self.folder)?;
        if (picture.width, picture.height, picture.channels) != self.whole {
            return Err(self.fault(&format!("frame {frame} has another size than the first")));
        }
        if picture.width < 2 || picture.height < 2 {
            return Err(self.fault("frames of less than 2 x 2 pixels make no movie"));
        }
        let OutFrame { width, height, channels, data } =
            smaller(&picture, self.size.0, self.size.1);
        let codes: Vec<u8> = data.iter().map(|&v| self.codes[usize::from(v)]).collect();
        let light: f64 = data.iter().map(|&v| self.lights[usize::from(v)]).sum();
        // Five figures are plenty, and keep the note small.
        let light = round_to(light / data.len() as f64, 1e5);
        let size = (width, height, channels);
        let yuv = Yuv::of(size, &codes).ok_or_else(|| self.fault("a frame has an odd size"))?;
        Ok(Ready { yuv, cells: Cells::of(size, &codes), light })
    }

    fn film(&self, rows: &[&Row], rate: FrameRate, work: &Work<'_>) -> Result<Film, EngineError> {
        let bits = planned_bits(self.size, rate.per_second(), rows.len());
        let mut encoder =
            Encoder::new(to_f32(rate.per_second()), bits).map_err(|e| self.fault(&e))?;
        let side = |v: usize| u16::try_from(v).unwrap_or(u16::MAX);
        let size = (side(self.size.0), side(self.size.1));
        let mut movie = MovieWriter::begin((self.disk, &self.folder.join(MOVIE)), size, rate)?;
        let mut screening: Option<Screening> = None;
        let mut ticks = 0_u64;
        let mut light = Vec::with_capacity(rows.len());
        let make = |i: usize| rows.get(i).map(|r| self.ready(r.frame));
        let take = |i: usize, ready: Option<Result<Ready, FootageError>>| {
            if work.stop.load(Ordering::Relaxed) {
                return Err(EngineError::Stopped);
            }
            let Some(ready) = ready else { return Ok(()) };
            let ready = ready?;
            let next = rows.get(i + 1).map(|r| r.frame);
            let place = |n: u64| self.clip.place(n);
            let hold = next.map_or(1, |n| place(n).saturating_sub(place(rows[i].frame)).max(1));
            let stream = encoder.encode(&ready.yuv).map_err(|e| self.fault(&e))?;
            movie.add(&stream, hold)?;
            if let Some(cells) = ready.cells {
                let size = cells.size;
                screening.get_or_insert_with(|| Screening::new(size, rate)).push(cells, hold);
            }
            ticks += hold;
            light.push((rows[i].frame, ready.light));
            work.progress.step(Phase::Preview, i as u64 + 1, rows.len() as u64);
            Ok(())
        };
        ordered(rows.len(), (work.threads, work.ahead + 2), make, take)?;
        let hash = movie.finish()?.hash;
        Ok(Film { hash, flash: screening.map(Screening::finish), ticks, light })
    }
}

fn round_to(x: f64, steps: f64) -> f64 {
    libm::round(x * steps) / steps
}

/// Bits a second that a movie of `frames` pictures is planned with.
fn planned_bits((width, height): (usize, usize), rate: f64, frames: usize) -> u32 {
    let wanted = (width * height) as f64 * rate * BITS_A_PIXEL;
    let room = 8.0 * MOST_BYTES * rate / frames.max(1) as f64;
    let bits = wanted.clamp(FEWEST_BITS, MOST_BITS).min(room.max(FEWEST_BITS));
    count_u32(crate::frame::convert::floor_usize(bits))
}

/// Playing time as people say it.
#[must_use]
pub fn playing_time(seconds: f64) -> String {
    let whole = round_u64(seconds);
    if seconds < 60.0 {
        format!("{} s", super::html::figures(seconds, 3))
    } else {
        format!("{} min {:02} s", whole / 60, whole % 60)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn movies_are_even_and_at_most_1280_wide() {
        assert_eq!(movie_size((1920, 1080)), (1280, 720));
        assert_eq!(movie_size((641, 361)), (640, 360));
        assert_eq!(movie_size((1000, 3000)), (426, 1280));
        assert_eq!(movie_size((3, 2)), (2, 2));
    }

    #[test]
    fn a_long_movie_of_noise_stays_small_enough_for_a_phone() {
        // 0.5 bits a pixel; 24 Mbit/s at most; 256 MB in all, but never less than 0.6 Mbit/s.
        assert_eq!(planned_bits((1280, 720), 25.0, 500), 11_520_000);
        assert_eq!(planned_bits((1280, 1280), 60.0, 500), 24_000_000);
        assert_eq!(planned_bits((154, 116), 25.0, 24), 600_000);
        assert_eq!(planned_bits((1280, 720), 25.0, 20_000), 2_560_000);
        assert_eq!(planned_bits((1280, 720), 25.0, 1_000_000), 600_000);
    }

    #[test]
    fn times_are_said_as_people_say_them() {
        assert_eq!(playing_time(4.0), "4.00 s");
        assert_eq!(playing_time(125.4), "2 min 05 s");
    }
}
