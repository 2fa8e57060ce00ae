//! `hushframe completions` and `hushframe man`, from the same definitions as the help.

use clap::CommandFactory;

use super::{Cli, Outcome};

/// Arguments of `completions`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The shell
    shell: clap_complete::Shell,
}

pub(super) fn run(args: &Args) -> anyhow::Result<Outcome> {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "hushframe", &mut text);
    print!("{}", String::from_utf8_lossy(&text));
    Ok(Outcome::Well)
}

pub(super) fn man() -> anyhow::Result<Outcome> {
    let mut text = Vec::new();
    clap_mangen::Man::new(Cli::command()).render(&mut text)?;
    print!("{}", String::from_utf8_lossy(&text));
    Ok(Outcome::Well)
}
