//! The command line: one file a command. It parses, calls the layers below and prints; it does
//! not compute.

mod check;
mod checksum;
mod completions;
mod demo;
mod export;
mod facts;
mod farm;
mod init;
mod measure;
mod options;
mod outcome;
mod plan;
mod reference;
mod report;
mod run;
mod scale;
mod shard;
mod stages;
mod status;
mod ui;

use clap::{CommandFactory, Parser, Subcommand};

pub use outcome::Outcome;
pub use ui::Ui;

/// Overnight post-processing of high-speed macro footage.
///
/// Dark, flat, defects, noise, steadying; then, for viewers, scale bar, slow-down caption and clock.
#[derive(Debug, Parser)]
#[command(name = "hushframe", version, max_term_width = 100)]
pub struct Cli {
    #[command(flatten)]
    common: options::Common,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Make a small music-box shoot with known truth and run the main job on it
    Demo(demo::Args),
    /// The main job: a shoot.toml, or a folder that holds one clip's frames
    Run(run::Args),
    /// Look through a shoot's folder and write a shoot.toml to edit
    Init(init::Args),
    /// Everything that can be known before a run; writes nothing
    Check(check::Args),
    /// How far a run is, what failed and why
    Status(status::Args),
    /// Finished frames in another format: PNG, DPX, OpenEXR, OME-TIFF, or Y4M for an encoder
    Export(export::Args),
    /// Build the pages of a run again from its records
    Report(report::Args),
    /// A hash list of a folder of originals, or a comparison with one
    Checksum(checksum::Args),
    /// A master reference from a folder of frames
    Reference(reference::Args),
    /// Plan a shot: give what is known or wished for, see all that follows
    Plan(plan::Args),
    /// Size of a pixel on the object, from a picture of a rule or graticule
    Scale(scale::Args),
    /// Motion of a part against the still background: displacement, events, ring-down
    Measure(measure::Args),
    /// One part of a clip's work, for an engine that runs many machines
    #[command(subcommand)]
    Shard(shard::Step),
    /// Job files for an engine that runs a clip in parts on many machines
    #[command(subcommand)]
    Farm(farm::Engine),
    /// The stages of a pipeline and their settings
    Stages(stages::Args),
    /// Completions for a shell
    Completions(completions::Args),
    /// The manual page
    Man,
}

/// Parses the command line, does what it says and gives the exit code.
#[must_use]
pub fn run() -> u8 {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) => {
            // Help and version are answers; the rest cannot be run.
            let code = if e.use_stderr() { 2 } else { 0 };
            let _ = e.print();
            if code == 2 && std::env::args_os().any(|a| a == "--json") {
                ui::print_fault(e.render().to_string().trim());
            }
            return code;
        }
    };
    let ui = Ui::new(&cli.common);
    match dispatch(cli.command, &ui).and_then(|o| ui.all_said().map(|()| o)) {
        Ok(outcome) => outcome.code(),
        Err(e) => {
            ui.error(&e);
            if ui.stopped() { Outcome::Interrupted.code() } else { 2 }
        }
    }
}

fn dispatch(command: Command, ui: &Ui) -> anyhow::Result<Outcome> {
    // A run, or a part of one, starts its threads where they can do no harm to originals.
    if !matches!(command, Command::Run(_) | Command::Shard(_)) {
        ui.start_pool()?;
    }
    match command {
        Command::Demo(args) => demo::run(&args, ui),
        Command::Run(args) => run::run(&args, ui),
        Command::Init(args) => init::run(&args, ui),
        Command::Status(args) => status::run(&args, ui),
        Command::Export(args) => export::run(&args, ui),
        Command::Report(args) => report::run(&args, ui),
        Command::Checksum(args) => checksum::run(&args, ui),
        Command::Check(args) => check::run(&args, ui),
        Command::Reference(args) => reference::run(&args, ui),
        Command::Measure(args) => measure::run(&args, ui),
        Command::Plan(args) => plan::run(&args, ui),
        Command::Scale(args) => scale::run(&args, ui),
        Command::Shard(step) => shard::run(&step, ui),
        Command::Farm(engine) => farm::run(&engine, ui),
        Command::Stages(args) => stages::run(&args, ui),
        Command::Completions(args) => completions::run(&args, Cli::command(), ui),
        Command::Man => completions::man(Cli::command(), ui),
    }
}
