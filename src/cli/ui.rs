//! What people see while work goes on: bars on a terminal, timed lines in a log.

use std::io::{IsTerminal, Write};
use std::sync::atomic::{AtomicBool, AtomicU8, Ordering};
use std::sync::{Mutex, OnceLock, PoisonError};
use std::time::{Duration, Instant};

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressState, ProgressStyle};

use super::options::Common;
use crate::engine::{Phase, Progress, Work};
use crate::footage::printable;
use crate::record::Warning;

/// A bar tells no time left before.
const TOO_SOON: Duration = Duration::from_secs(3);
/// Log lines of one phase come at most this often.
const LOG_EVERY: Duration = Duration::from_secs(10);

/// Set when the person asks to stop.
static STOP: AtomicBool = AtomicBool::new(false);

/// Ends the program; finished frames are safe.
#[expect(clippy::exit, reason = "asked for twice")]
fn end_now() -> ! {
    std::process::exit(130)
}

/// Calls `ask` at each signal that asks to end.
#[cfg(unix)]
fn when_asked_to_end(ask: impl Fn() + Send + 'static) -> anyhow::Result<()> {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    let mut wanted = vec![SIGINT, SIGTERM];
    if !hangups_are_ignored() {
        wanted.push(SIGHUP);
    }
    let mut signals = signal_hook::iterator::Signals::new(wanted)?;
    let listen = move || signals.forever().for_each(|_| ask());
    std::thread::Builder::new().name("signals".to_owned()).spawn(listen)?;
    Ok(())
}

#[cfg(not(unix))]
fn when_asked_to_end(ask: impl Fn() + Send + 'static) -> anyhow::Result<()> {
    Ok(ctrlc::set_handler(ask)?)
}

/// Whether who started the program wanted it to go on when the terminal is closed (`nohup`), where the
/// system tells.
#[cfg(unix)]
fn hangups_are_ignored() -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let ignored = status.lines().find_map(|l| l.strip_prefix("SigIgn:"));
    // SIGHUP is number 1, the lowest bit.
    ignored.and_then(|hex| u64::from_str_radix(hex.trim(), 16).ok()).is_some_and(|set| set & 1 == 1)
}

/// Talks to the person.
#[derive(Debug)]
pub struct Ui {
    /// Machine-readable results.
    pub json: bool,
    quiet: bool,
    threads: usize,
    bars: Option<MultiProgress>,
    start: Instant,
    unsaid: OnceLock<std::io::Error>,
}

impl Ui {
    pub(super) fn new(common: &Common) -> Self {
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let terminal = std::io::stderr().is_terminal() && !common.quiet;
        Self {
            json: common.json,
            quiet: common.quiet,
            threads: common.threads.map_or(cores, usize::from),
            bars: terminal
                .then(|| MultiProgress::with_draw_target(ProgressDrawTarget::stderr_with_hz(8))),
            start: Instant::now(),
            unsaid: OnceLock::new(),
        }
    }

    /// Gives the pool its threads, the first time it is called.
    pub(super) fn start_pool(&self) -> anyhow::Result<()> {
        static STARTED: AtomicBool = AtomicBool::new(false);
        if STARTED.swap(true, Ordering::Relaxed) {
            return Ok(());
        }
        rayon::ThreadPoolBuilder::new().num_threads(self.threads).build_global()?;
        Ok(())
    }

    /// Listens for Ctrl-C and for what asks a program to end: the first stops after the frames in
    /// flight, the second at once.
    pub(super) fn listen(&self) -> anyhow::Result<()> {
        static PRESSED: AtomicU8 = AtomicU8::new(0);
        let (quiet, bars) = (self.quiet, self.bars.clone());
        when_asked_to_end(move || {
            STOP.store(true, Ordering::Relaxed);
            if PRESSED.fetch_add(1, Ordering::Relaxed) == 0 {
                let text = "\nstopping after the frames in flight; press again to stop now";
                match &bars {
                    _ if quiet => {}
                    Some(bars) => bars.suspend(|| aside(text)),
                    None => aside(text),
                }
            } else {
                end_now();
            }
        })
    }

    /// What a pass may use.
    pub(super) fn work<'a>(&self, progress: &'a dyn Progress) -> Work<'a> {
        Work::new(self.threads, &STOP, progress)
    }

    /// Whether the person asked to stop.
    pub(super) fn stopped(&self) -> bool {
        STOP.load(Ordering::Relaxed)
    }

    /// A line for the person; nothing with `--quiet`.
    pub(super) fn say(&self, text: &str) {
        if self.quiet {
            return;
        }
        let text = &harmless(text);
        if self.bars.is_some() {
            self.beside_bars(|| aside(text));
        } else {
            aside(&format!("[{:7.1} s] {text}", self.start.elapsed().as_secs_f64()));
        }
    }

    /// Writes with the bars out of the way: not as a line of theirs, which is filled up to the width and
    /// has no end, and not behind one.
    fn beside_bars<T>(&self, write: impl FnOnce() -> T) -> T {
        match &self.bars {
            Some(bars) => bars.suspend(write),
            None => write(),
        }
    }

    /// A fault that work goes on after, also with `--quiet`.
    pub(super) fn fault(&self, text: &str) {
        if self.quiet {
            aside(&harmless(text));
        } else {
            self.say(text);
        }
    }

    /// A line of an answer on standard output; nothing with `--json`, which gives it whole.
    pub(super) fn answer(&self, text: &str) {
        if !self.json {
            self.print(&format!("{}\n", harmless(text)));
        }
    }

    /// Text on standard output. A reader that has seen enough is no fault; for another reason see
    /// [`Ui::all_said`].
    pub(super) fn print(&self, text: &str) {
        let written = self.beside_bars(|| {
            let mut out = std::io::stdout().lock();
            out.write_all(text.as_bytes()).and_then(|()| out.flush())
        });
        if let Err(e) = written
            && e.kind() != std::io::ErrorKind::BrokenPipe
        {
            // The first is enough.
            let _ = self.unsaid.set(e);
        }
    }

    /// Fails where an answer could not be written to standard output.
    pub(super) fn all_said(&self) -> anyhow::Result<()> {
        match self.unsaid.get() {
            None => Ok(()),
            Some(e) => anyhow::bail!("standard output: could not write: {e}"),
        }
    }

    /// A warning with its advice.
    pub(super) fn warn(&self, w: &Warning) {
        self.say(&noted(w));
    }

    /// An error, also with `--quiet`.
    pub(super) fn error(&self, e: &anyhow::Error) {
        let text = format!("error: {}", harmless(&whole(e)));
        self.beside_bars(|| aside(&text));
        if self.json {
            print_fault(&whole(e));
        }
    }

    /// The machine-readable result.
    pub(super) fn result(&self, value: &impl serde::Serialize) -> anyhow::Result<()> {
        if self.json {
            self.print(&format!("{}\n", serde_json::to_string(value)?));
        }
        Ok(())
    }

    /// Watches the work on one clip.
    pub(super) fn watch(&self, name: &str) -> Watch<'_> {
        Watch {
            ui: self,
            name: name.to_owned(),
            state: Mutex::new(Watched {
                phase: None,
                bar: None,
                since: Instant::now(),
                from: 0,
                over: false,
                said: None,
            }),
        }
    }

    /// A bar over all clips, on a terminal.
    pub(super) fn night_bar(&self, clips: usize) -> Option<ProgressBar> {
        let bars = self.bars.as_ref().filter(|_| clips > 1)?;
        let bar = bars.add(ProgressBar::new(clips as u64));
        bar.set_style(style("night    {wide_bar} {pos}/{len} clips  {elapsed} gone"));
        bar.enable_steady_tick(Duration::from_secs(1));
        Some(bar)
    }
}

/// What could not be run, as the machine-readable result.
pub(super) fn print_fault(text: &str) {
    let _ = writeln!(std::io::stdout().lock(), "{}", serde_json::json!({ "error": text }));
}

/// A line on standard error. A night's work does not die of nobody reading it any more.
fn aside(text: &str) {
    let _ = writeln!(std::io::stderr().lock(), "{text}");
}

/// An error with its causes, those left out that it ends in already.
pub(super) fn whole(e: &anyhow::Error) -> String {
    let mut text = e.to_string();
    for cause in e.chain().skip(1).map(ToString::to_string) {
        if !text.ends_with(&cause) {
            text.push_str(": ");
            text.push_str(&cause);
        }
    }
    text
}

/// A warning with its advice, as a line.
pub(super) fn noted(w: &Warning) -> String {
    format!("  note: {}; {}", printable(&w.text), printable(&w.advice))
}

/// A message that may hold names or keys from other people's files, its lines kept.
fn harmless(text: &str) -> String {
    text.split('\n').map(printable).collect::<Vec<_>>().join("\n")
}

/// A time as people say it: no more digits than it is worth.
pub(super) fn span(seconds: f64) -> String {
    if seconds < 1.0 {
        "a second".to_owned()
    } else if seconds < 120.0 {
        format!("{seconds:.0} s")
    } else if seconds < 7200.0 {
        format!("{:.0} min", seconds / 60.0)
    } else {
        format!("{:.1} h", seconds / 3600.0)
    }
}

/// Frames a second since a bar began: frames come in runs, after each of which there is work to do, so a
/// moment's rate tells little.
fn pace(state: &ProgressState) -> f64 {
    state.pos() as f64 / state.elapsed().as_secs_f64().max(1e-3)
}

fn style(template: &str) -> ProgressStyle {
    ProgressStyle::with_template(template)
        .unwrap_or_else(|_| ProgressStyle::default_bar())
        .with_key("rate", |state: &ProgressState, out: &mut dyn std::fmt::Write| {
            // A bar has no way to say that its line could not be written.
            let _ = write!(out, "{:.1} frames/s", pace(state));
        })
        .with_key("left", |state: &ProgressState, out: &mut dyn std::fmt::Write| {
            let left = state.len().unwrap_or(0).saturating_sub(state.pos());
            let _ = if left == 0 {
                write!(out, "ending")
            } else if state.pos() == 0 || state.elapsed() < TOO_SOON {
                write!(out, "\u{2026}")
            } else {
                write!(out, "{} left", span(left as f64 / pace(state)))
            };
        })
        .progress_chars("=> ")
}

fn word(phase: Phase) -> &'static str {
    match phase {
        Phase::References => "references",
        Phase::Analyse => "analyse",
        Phase::Render => "render",
        Phase::Preview => "preview",
        Phase::Hash => "files",
    }
}

struct Watched {
    phase: Option<Phase>,
    bar: Option<ProgressBar>,
    since: Instant,
    /// What was done when this was first heard of.
    from: u64,
    /// Whether the count has come to its end; a step that is the first again begins another.
    over: bool,
    said: Option<Instant>,
}

/// Progress of one clip.
pub(super) struct Watch<'a> {
    ui: &'a Ui,
    name: String,
    state: Mutex<Watched>,
}

impl Drop for Watch<'_> {
    fn drop(&mut self) {
        let s = self.state.get_mut().unwrap_or_else(PoisonError::into_inner);
        if let Some(bar) = s.bar.take() {
            bar.finish_and_clear();
        }
    }
}

impl Progress for Watch<'_> {
    fn note(&self, text: &str) {
        self.ui.say(text);
    }

    fn step(&self, phase: Phase, done: u64, total: u64) {
        if self.ui.quiet {
            return;
        }
        let mut s = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        if s.phase != Some(phase) || (s.over && done == 1) {
            if let Some(bar) = s.bar.take() {
                bar.finish_and_clear();
            }
            let (since, from) = (Instant::now(), done);
            *s = Watched { phase: Some(phase), bar: None, since, from, over: false, said: None };
            s.bar = self.ui.bars.as_ref().map(|bars| {
                let bar = bars.add(ProgressBar::new(total));
                bar.set_style(style("{msg:24!} {wide_bar} {pos}/{len}  {rate}  {left}"));
                bar.set_message(format!("{} {}", word(phase), self.name));
                // Time goes on where no frame is done.
                bar.enable_steady_tick(Duration::from_secs(1));
                bar
            });
        }
        s.over |= done >= total;
        if let Some(bar) = &s.bar {
            bar.set_length(total);
            bar.set_position(done);
            return;
        }
        let now = Instant::now();
        let seconds = now.duration_since(s.since).as_secs_f64();
        let due = s.said.is_none_or(|t| now.duration_since(t) >= LOG_EVERY);
        if done < total && !(due && now.duration_since(s.since) >= LOG_EVERY) {
            return;
        }
        s.said = Some(now);
        let rate = done.saturating_sub(s.from) as f64 / seconds.max(1e-6);
        let unit = if phase == Phase::Hash { "files/s" } else { "frames/s" };
        // A moment tells no rate.
        let pace = if seconds < 1.0 { String::new() } else { format!(", {rate:.1} {unit}") };
        let left = (total.saturating_sub(done)) as f64 / rate.max(1e-9);
        let left = if done >= total { String::new() } else { format!(", {left:.0} s left") };
        self.ui.say(&format!("{}: {} {done} of {total}{pace}{left}", self.name, word(phase)));
    }
}
