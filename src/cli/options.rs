//! Options that every command takes, and how times, ranges of frames and regions are written.

use std::time::Duration;

use clap::Args;

/// Place in the help: after a command's own options, before those that have headings.
const LAST: usize = 900;

/// Options of every command.
#[derive(Debug, Clone, Args)]
pub(super) struct Common {
    /// Machine-readable result on standard output
    #[arg(long, global = true, display_order = LAST)]
    pub(super) json: bool,
    /// Only errors on standard error
    #[arg(long, global = true, display_order = LAST)]
    pub(super) quiet: bool,
    /// Threads to use; results do not depend on it [default: all cores]
    #[arg(long, global = true, display_order = LAST, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub(super) threads: Option<u16>,
}

/// A time to wait: a number and s, m or h; 0 needs none.
pub(super) fn wait(text: &str) -> Result<Duration, String> {
    let bad = || format!("\"{text}\" is not a time to wait such as 90s, 30m or 8h");
    let text = text.trim();
    let at = text.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(text.len());
    let (number, unit) = text.split_at(at);
    let number: f64 = number.trim().parse().map_err(|_| bad())?;
    let seconds = match unit {
        "s" => number,
        "m" | "min" => number * 60.0,
        "h" => number * 3600.0,
        "" if number == 0.0 => 0.0,
        _ => return Err(bad()),
    };
    // A month is more than any night; beyond it a slip of the pen is likelier.
    let month = 31.0 * 86_400.0;
    Duration::try_from_secs_f64(seconds).ok().filter(|_| seconds <= month).ok_or_else(bad)
}

/// A range of frames: first and last, such as 100-250.
pub(super) fn range(text: &str) -> Result<(u64, u64), String> {
    let bad = || format!("\"{text}\" is not a range of frames such as 100-250");
    let (a, b) = text.split_once('-').ok_or_else(bad)?;
    let (a, b) = (a.trim().parse().map_err(|_| bad())?, b.trim().parse().map_err(|_| bad())?);
    if a <= b {
        Ok((a, b))
    } else {
        Err(format!("\"{text}\" is no range of frames: it ends before it begins"))
    }
}

/// A rectangle of pixels; a type of its own, as clap takes lists for repeated options.
#[derive(Debug, Clone, Copy)]
pub(super) struct Region(pub(super) [usize; 4]);

/// X,Y,W,H in px.
pub(super) fn region(text: &str) -> Result<Region, String> {
    let bad = || format!("\"{text}\" is not a region: write X,Y,W,H in px, such as 300,180,40,40");
    let all: Vec<usize> =
        text.split(',').map(|t| t.trim().parse().map_err(|_| bad())).collect::<Result<_, _>>()?;
    match all[..] {
        [x, y, w, h] if w > 0 && h > 0 => Ok(Region([x, y, w, h])),
        _ => Err(bad()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_to_wait_have_units() {
        let seconds = |t| wait(t).map(|d| d.as_secs_f64()).ok();
        assert_eq!(seconds("90s"), Some(90.0));
        assert_eq!(seconds("1.5 m"), Some(90.0));
        assert_eq!(seconds("8h"), Some(28_800.0));
        assert_eq!(seconds("0"), Some(0.0));
        for bad in ["", "5", "-1s", "1e99h", "nan s", "soon", "5 years"] {
            assert_eq!(seconds(bad), None, "{bad}");
        }
    }
}
