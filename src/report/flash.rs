//! Does the movie flash? A screening of the preview, frame by frame at playback rate, looped.
//!
//! **Screening only, not a certificate**: it does not measure a screen, a viewing distance or a
//! viewer, and where a clip is shown a licensed or required test may differ.
//!
//! General flash (WCAG 2.x, success criterion 2.3.1): opposing changes of relative luminance of 0.10
//! or more, the darker state below 0.80. On a screen with a peak of 200 cd/m2 these are the
//! 20 cd/m2 and 160 cd/m2 of ITU-R BT.1702. Red flash (WCAG 2.2): opposing changes to or from a
//! state with R/(R+G+B) of 0.8 or more (linear values), the states more than 0.2 apart in CIE 1976
//! u'v'; here within one second. Where readings differ the stricter one is used:
//! - seven alternating changes within one second fail (three whole flashes and a half), counted
//!   half-open: seven changes that span exactly a second do not;
//! - area: a quarter of any field of W/3 x H/3, contiguous or not (WCAG); more than a quarter of
//!   the frame is told besides (BT.1702). Its exemption of slow flashes is not used;
//! - a place counts with all its changes of that second, whether or not its neighbours change in
//!   the same frame; and a field counts changes of a quarter of it in one frame, whether or not the
//!   same places change the next time.
//!
//! A change counts in the frame that completes it; a half swing at the very start counts too.
//!
//! The picture is averaged over [`GRID`] x [`GRID`] cells, so that grain does not count (fine,
//! balanced patterns are exempt). The clip is joined end to start. Memory: two seconds of cells.

use serde::{Deserialize, Serialize};

use super::flash_count::{Area, Counter, within_second};
use crate::frame::convert::to_f32;
use crate::frame::units::FrameRate;
use crate::frame::{Curve, convert::floor_usize};

/// Cells along a side at most; a multiple of 3.
pub const GRID: usize = 96;
/// Smallest change of relative luminance that counts.
pub const LEAST_CHANGE: f64 = 0.10;
/// The darker state must be below this.
pub const DARKER_BELOW: f64 = 0.80;
/// Share of red from which a state is a saturated red.
pub const RED_SHARE: f64 = 0.8;
/// Distance in u'v' above which a red change counts.
pub const RED_DISTANCE: f64 = 0.2;
/// So that a change of exactly 0.10 counts.
const TINY: f64 = 1e-9;
/// A permitted sequence of flashes longer than this may still be a risk (BT.1702), in seconds.
const LONG_RUN_S: f64 = 5.0;
/// Most frames kept for the join.
const MOST_KEPT: usize = 512;

/// One state of a cell.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct State {
    /// Linear red, green, blue, 0 to 1.
    pub rgb: [f32; 3],
}

impl State {
    /// Relative luminance (WCAG 2.x).
    #[must_use]
    pub fn luminance(&self) -> f64 {
        let [r, g, b] = self.rgb.map(f64::from);
        0.2126 * r + 0.7152 * g + 0.0722 * b
    }

    /// R/(R+G+B); 0 for black.
    #[must_use]
    pub fn red_share(&self) -> f64 {
        let [r, g, b] = self.rgb.map(f64::from);
        let sum = r + g + b;
        if sum > 0.0 { r / sum } else { 0.0 }
    }

    /// CIE 1976 u'v' of the sRGB primaries; black, which has none, counts as white.
    #[must_use]
    pub fn uv(&self) -> [f64; 2] {
        let [r, g, b] = self.rgb.map(f64::from);
        let x = 0.412_456_4 * r + 0.357_576_1 * g + 0.180_437_5 * b;
        let y = 0.212_672_9 * r + 0.715_152_2 * g + 0.072_175_0 * b;
        let z = 0.019_333_9 * r + 0.119_192_0 * g + 0.950_304_1 * b;
        let sum = x + 15.0 * y + 3.0 * z;
        if sum > 0.0 { [4.0 * x / sum, 9.0 * y / sum] } else { [0.1978, 0.4683] }
    }
}

/// Whether the change between two luminances counts for a general flash.
#[must_use]
pub fn general_change(a: f64, b: f64) -> bool {
    (a - b).abs() >= LEAST_CHANGE - TINY && a.min(b) < DARKER_BELOW
}

/// Whether the change between two states counts for a red flash.
#[must_use]
pub fn red_change(a: &State, b: &State) -> bool {
    let [du, dv] = [0, 1].map(|k| a.uv()[k] - b.uv()[k]);
    (a.red_share() >= RED_SHARE || b.red_share() >= RED_SHARE) && libm::hypot(du, dv) > RED_DISTANCE
}

/// One frame as cells, row by row.
#[derive(Debug, Clone, PartialEq)]
pub struct Cells {
    /// Columns and rows.
    pub size: (usize, usize),
    /// The states.
    pub states: Vec<State>,
    /// Whether there is any colour.
    pub colour: bool,
}

impl Cells {
    /// Means over the cells of a picture in 8-bit sRGB codes, 1 or 3 channels interleaved.
    /// `None` for pictures of less than 3 x 3 pixels.
    #[must_use]
    pub fn of((width, height, channels): (usize, usize, usize), codes: &[u8]) -> Option<Self> {
        let size = (width.min(GRID) / 3 * 3, height.min(GRID) / 3 * 3);
        if size.0 == 0 || size.1 == 0 || codes.len() != width * height * channels {
            return None;
        }
        let light: Vec<f32> =
            (0..=255).map(|c| to_f32(Curve::Srgb.decode(f64::from(c) / 255.0))).collect();
        let mut sums = vec![[0.0_f32; 4]; size.0 * size.1];
        for y in 0..height {
            let row = y * size.1 / height * size.0;
            for x in 0..width {
                let cell = &mut sums[row + x * size.0 / width];
                let at = (y * width + x) * channels;
                for (k, sum) in cell.iter_mut().take(3).enumerate() {
                    *sum += light[usize::from(codes[at + k.min(channels - 1)])];
                }
                cell[3] += 1.0;
            }
        }
        let states =
            sums.iter().map(|s| State { rgb: [s[0] / s[3], s[1] / s[3], s[2] / s[3]] }).collect();
        Some(Self { size, states, colour: channels == 3 })
    }
}

/// Where and when one kind of flash fails.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Failure {
    /// "general" or "red".
    pub kind: String,
    /// From, in seconds of the movie.
    pub from_s: f64,
    /// To, in seconds of the movie; past its end where it goes on over the join.
    pub to_s: f64,
    /// Left, top, right and bottom of the field that flashes most, as shares of the picture.
    pub field: [f64; 4],
    /// Whether more than a quarter of the frame flashes (BT.1702).
    pub quarter_of_frame: bool,
}

/// What the screening found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FlashReport {
    /// Most alternating changes of luminance within a second over a quarter of a field.
    pub general_changes: usize,
    /// The same for saturated red.
    pub red_changes: usize,
    /// Where it fails.
    pub failures: Vec<Failure>,
    /// Longest run of permitted flashes in seconds, where longer than five.
    pub long_run_s: Option<f64>,
}

impl FlashReport {
    /// Whether nothing fails.
    #[must_use]
    pub fn passes(&self) -> bool {
        self.failures.is_empty()
    }
}

/// Follows one cell's luminance from extreme to extreme.
#[derive(Debug, Clone, Copy)]
struct Follower {
    low: f64,
    high: f64,
    /// Direction of the last change that counted; 0 before the first.
    last: i8,
}

impl Follower {
    /// The change that this value completes: 1 up, -1 down, 0 none.
    fn step(&mut self, v: f64) -> i8 {
        self.low = self.low.min(v);
        self.high = self.high.max(v);
        let up = self.last != 1 && v > self.low && general_change(self.low, v);
        let down = self.last != -1 && v < self.high && general_change(self.high, v);
        let change = if up { 1 } else { -i8::from(down) };
        if change != 0 {
            *self = Self { low: v, high: v, last: change };
        }
        change
    }
}

/// The screening of one movie; frames go in one after another.
#[derive(Debug)]
pub struct Screening {
    rate: FrameRate,
    second: usize,
    followers: Vec<Follower>,
    general: Counter,
    red: Counter,
    /// Direction of each cell's last red change, and the frame of it.
    red_last: Vec<(i8, u64)>,
    /// The last second, newest last, with its frame number.
    history: std::collections::VecDeque<(u64, Cells)>,
    /// The beginning, to be shown again after the end.
    beginning: Vec<(Cells, u64)>,
    kept_all: bool,
    clock: u64,
}

impl Screening {
    /// For a movie of `size` cells at `rate`.
    #[must_use]
    pub fn new(size: (usize, usize), rate: FrameRate) -> Self {
        Self {
            rate,
            second: floor_usize(rate.per_second().ceil()).max(1),
            followers: Vec::new(),
            general: Counter::new(size, rate),
            red: Counter::new(size, rate),
            red_last: vec![(0, 0); size.0 * size.1],
            history: std::collections::VecDeque::new(),
            beginning: Vec::new(),
            kept_all: true,
            clock: 0,
        }
    }

    /// The next frame, shown for `hold` frame times. Frames of another size are passed over.
    pub fn push(&mut self, cells: Cells, hold: u64) {
        if cells.states.len() != self.red_last.len() {
            return;
        }
        let room = (2 * self.second).min(MOST_KEPT);
        if self.beginning.len() < room {
            self.beginning.push((cells.clone(), hold));
        } else {
            self.kept_all = false;
        }
        self.show(cells, hold);
    }

    fn show(&mut self, cells: Cells, hold: u64) {
        if self.followers.is_empty() {
            self.followers = cells
                .states
                .iter()
                .map(|s| Follower { low: s.luminance(), high: s.luminance(), last: 0 })
                .collect();
        }
        let changes: Vec<i8> = self
            .followers
            .iter_mut()
            .zip(&cells.states)
            .map(|(f, s)| f.step(s.luminance()))
            .collect();
        self.general.add(self.clock, &changes);
        if cells.colour {
            self.show_red(cells);
        }
        self.clock += hold.max(1);
    }

    fn show_red(&mut self, cells: Cells) {
        let (clock, rate) = (self.clock, self.rate);
        self.history.retain(|(at, _)| within_second(*at, clock, rate));
        let mut changes = vec![0_i8; cells.states.len()];
        for (c, now) in cells.states.iter().enumerate() {
            let red = now.red_share() >= RED_SHARE;
            let (last, since) = self.red_last[c];
            let found = self.history.iter().filter(|(at, _)| *at >= since).find_map(|(_, old)| {
                let then = &old.states[c];
                if !red && then.red_share() < RED_SHARE {
                    return None;
                }
                let way = if now.red_share() >= then.red_share() { 1 } else { -1 };
                (way != last && red_change(now, then)).then_some(way)
            });
            if let Some(way) = found {
                changes[c] = way;
                self.red_last[c] = (way, clock);
            }
        }
        self.red.add(clock, &changes);
        self.history.push_back((clock, cells));
    }

    /// Joins the end to the start and says what was found.
    #[must_use]
    pub fn finish(mut self) -> FlashReport {
        let length = self.clock;
        let beginning = std::mem::take(&mut self.beginning);
        let seconds = 2 * self.second as u64;
        // A clip shorter than two seconds comes round more than once.
        let rounds = if self.kept_all { seconds.max(1) } else { 1 };
        'join: for _ in 0..rounds {
            for (cells, hold) in &beginning {
                if self.clock >= length + seconds {
                    break 'join;
                }
                self.show(cells.clone(), *hold);
            }
        }
        let interval = self.rate.interval_s();
        let mut failures = Vec::new();
        for (kind, counter) in [("general", &self.general), ("red", &self.red)] {
            failures.extend(counter.failures().iter().map(|f| Failure {
                kind: kind.to_owned(),
                from_s: f.from as f64 * interval,
                to_s: (f.to + 1) as f64 * interval,
                field: field(f.area, counter.size()),
                quarter_of_frame: f.quarter_of_frame,
            }));
        }
        let run = self.general.longest_run().max(self.red.longest_run()) as f64 * interval;
        FlashReport {
            general_changes: self.general.most(),
            red_changes: self.red.most(),
            failures,
            long_run_s: (run > LONG_RUN_S).then_some(run),
        }
    }
}

fn field(area: Area, size: (usize, usize)) -> [f64; 4] {
    let share = |v: usize, of: usize| v as f64 / of.max(1) as f64;
    [
        share(area.x, size.0),
        share(area.y, size.1),
        share(area.x + size.0 / 3, size.0),
        share(area.y + size.1 / 3, size.1),
    ]
}
