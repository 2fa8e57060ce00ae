//! `hushframe completions` and `hushframe man`, from the same definitions as the help.

use clap::CommandFactory;

use super::{Cli, Outcome, Ui};

/// Arguments of `completions`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The shell
    shell: clap_complete::Shell,
}

pub(super) fn run(args: &Args, ui: &Ui) -> anyhow::Result<Outcome> {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "hushframe", &mut text);
    ui.print(&String::from_utf8_lossy(&text));
    Ok(Outcome::Well)
}

pub(super) fn man(ui: &Ui) -> anyhow::Result<Outcome> {
    let mut text = Vec::new();
    let mut all = Cli::command();
    all.build();
    clap_mangen::Man::new(all.clone()).render(&mut text)?;
    of_commands(&all, "hushframe", &mut text)?;
    ui.print(&String::from_utf8_lossy(&text));
    Ok(Outcome::Well)
}

/// A section for each command below `of`, and for those below it.
fn of_commands(of: &clap::Command, name: &str, text: &mut Vec<u8>) -> std::io::Result<()> {
    for command in of.get_subcommands().filter(|c| c.get_name() != "help") {
        let name = format!("{name} {}", command.get_name());
        let man = clap_mangen::Man::new(command.clone());
        let mut own = Vec::new();
        man.render_description_section(&mut own)?;
        man.render_options_section(&mut own)?;
        let own = String::from_utf8_lossy(&own).replace(".SH ", ".SS ");
        text.extend_from_slice(format!(".SH \"{name}\"\n{own}").as_bytes());
        of_commands(command, &name, text)?;
    }
    Ok(())
}
