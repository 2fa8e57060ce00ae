//! `hushframe plan`. Its options are the library's own list of quantities.

use std::fmt::Write as _;

use clap::{Arg, ArgMatches, Command, FromArgMatches};

use super::{Outcome, Ui};
use crate::plan::{Plan, PlanInput, PlanReport, Quantity, Source, Sweep, run as work_out, show};

/// Width of a line of prose.
const LINE: usize = 96;
/// Values of a sweep side by side.
const SIDE_BY_SIDE: usize = 5;

/// Arguments of `plan`: what is known, as written.
#[derive(Debug)]
pub(super) struct Args {
    given: Vec<(&'static str, String)>,
    find: Option<String>,
}

/// What can only be worked out, by group; an option has a place in the help of its own.
fn worked_out() -> String {
    let mut text =
        String::from("\n\nWorked out from these, and asked for with --find as any of them:\n");
    let mut group = "";
    for &q in Quantity::ALL.iter().filter(|q| q.option().is_none()) {
        if q.group() != group {
            group = q.group();
            let _ = writeln!(text, "  {group}:");
        }
        let _ = writeln!(text, "      {:24} {q}", q.name());
    }
    text
}

const HELP: &str = "\
Give what is known or wished for; all that follows is worked out and shown with its formula. \
Several values of one quantity, with commas between them, give a table.

  what rate for 20 frames across 1.5 ms
      hushframe plan --frames-across 20 --event-length 1.5ms
  what exposure for 1 px of blur at 0.3 m/s
      hushframe plan --blur-limit 1px --event-speed 0.3m/s --pixel-pitch 10um --magnification 10
  how blur grows with magnification
      hushframe plan --magnification 2,5,10,20 --pixel-pitch 10um --event-speed 0.1m/s \
--exposure 50us";

impl clap::Args for Args {
    fn augment_args(command: Command) -> Command {
        let mut command = command.arg(
            Arg::new("find")
                .long("find")
                .value_name("NAME")
                .help("Only this quantity, such as exposure or blur; says what is missing for it"),
        );
        for &q in Quantity::ALL {
            let (about, Some(option)) = (q.about(), q.option()) else { continue };
            command = command.arg(
                Arg::new(about.key)
                    .long(option.trim_start_matches("--").to_owned())
                    .value_name(about.kind.value_name())
                    .allow_negative_numbers(true)
                    .help_heading(q.group())
                    .help(format!("{}, such as {}", capital(about.words), about.example)),
            );
        }
        command.after_help(format!("{HELP}{}", worked_out()))
    }

    fn augment_args_for_update(command: Command) -> Command {
        Self::augment_args(command)
    }
}

impl FromArgMatches for Args {
    fn from_arg_matches(matches: &ArgMatches) -> Result<Self, clap::Error> {
        let text = |id: &str| matches.get_one::<String>(id).cloned();
        let given = Quantity::ALL
            .iter()
            .filter(|q| q.option().is_some())
            .filter_map(|q| Some((q.about().key, text(q.about().key)?)))
            .collect();
        Ok(Self { given, find: text("find") })
    }

    fn update_from_arg_matches(&mut self, matches: &ArgMatches) -> Result<(), clap::Error> {
        *self = Self::from_arg_matches(matches)?;
        Ok(())
    }
}

pub(super) fn run(args: &Args, ui: &Ui) -> anyhow::Result<Outcome> {
    let mut input = PlanInput::default();
    for (key, text) in &args.given {
        input.set(key, text)?;
    }
    if let Some(key) = &args.find {
        input.find(key)?;
    }
    let report = work_out(&input)?;
    if let Some(plan) = &report.plan {
        show_plan(plan, report.wanted, ui);
    }
    if let Some(sweep) = &report.sweep {
        show_sweep(sweep, ui);
        ui.answer("");
        for line in &report.plot {
            ui.answer(line);
        }
    }
    advise(&report, ui);
    ui.result(&report)?;
    Ok(Outcome::Well)
}

fn show_plan(plan: &Plan, wanted: Option<Quantity>, ui: &Ui) {
    let rows: Vec<_> =
        plan.rows.iter().filter(|r| wanted.is_none_or(|w| r.quantity == w)).collect();
    let name = rows.iter().map(|r| r.name.chars().count()).max().unwrap_or(0);
    let shown = rows.iter().map(|r| r.shown.chars().count()).max().unwrap_or(0);
    let mut group = "";
    for r in rows {
        if wanted.is_none() && r.quantity.group() != group {
            group = r.quantity.group();
            ui.answer(group);
        }
        let mut how = match (r.source, &r.formula) {
            (Source::Given, _) => "given".to_owned(),
            (Source::Assumed, _) => "assumed".to_owned(),
            (Source::Computed, Some(formula)) => formula.clone(),
            (Source::Computed, None) => String::new(),
        };
        if let Some(note) = &r.note {
            how = if how.is_empty() { note.clone() } else { format!("{how} ({note})") };
        }
        ui.answer(format!("  {:name$}  {:>shown$}  {how}", r.name, r.shown).trim_end());
    }
}

/// Quantities down, values across, so many at a time.
fn show_sweep(sweep: &Sweep, ui: &Ui) {
    let kind = sweep.quantity.about().kind;
    let words = |q: Quantity| q.about().words;
    let name = sweep.columns.iter().chain([&sweep.quantity]).map(|&q| words(q).chars().count());
    let name = name.max().unwrap_or(0);
    for block in sweep.rows.chunks(SIDE_BY_SIDE) {
        let cell = |i: usize, c: usize| match (&block[i].fault, block[i].shown[c].as_str()) {
            (Some(_), _) | (None, "") => "-".to_owned(),
            (None, text) => text.split(" (").next().unwrap_or(text).to_owned(),
        };
        let line = |first: &str, cells: Vec<String>| {
            let rest: Vec<String> = cells.iter().map(|c| format!("{c:>14}")).collect();
            ui.answer(format!("  {first:name$}{}", rest.concat()).trim_end());
        };
        line(words(sweep.quantity), block.iter().map(|r| show(kind, r.value)).collect());
        for (c, &q) in sweep.columns.iter().enumerate() {
            line(words(q), (0..block.len()).map(|i| cell(i, c)).collect());
        }
    }
    for r in &sweep.rows {
        let at = show(kind, r.value);
        for text in r.fault.iter().chain(&r.warnings) {
            prose(&format!("at {at}: {text}"), ui);
        }
    }
}

fn advise(report: &PlanReport, ui: &Ui) {
    for w in report.plan.iter().flat_map(|p| &p.warnings) {
        ui.answer("");
        prose(&format!("note: {w}"), ui);
    }
    ui.answer("");
    ui.answer("Cautions");
    for c in &report.cautions {
        prose(&format!("{}: {}", c.topic, c.text), ui);
    }
}

/// A paragraph, its further lines set in.
fn prose(text: &str, ui: &Ui) {
    let mut line = String::from(" ");
    for word in text.split_whitespace() {
        if line.chars().count() + word.chars().count() >= LINE {
            ui.answer(&line);
            line = String::from("   ");
        }
        line.push(' ');
        line.push_str(word);
    }
    ui.answer(&line);
}

fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map(|c| c.to_uppercase().chain(letters).collect()).unwrap_or_default()
}
