//! Options that every command takes.

use clap::Args;

/// Options of every command.
#[derive(Debug, Clone, Args)]
pub(super) struct Common {
    /// Machine-readable result on standard output
    #[arg(long, global = true)]
    pub(super) json: bool,
    /// Only errors on standard error
    #[arg(long, global = true)]
    pub(super) quiet: bool,
    /// Threads to use; results do not depend on it [default: all cores]
    #[arg(long, global = true, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub(super) threads: Option<u16>,
}
