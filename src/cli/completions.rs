//! `hushframe completions` and `hushframe man`, from the same definitions as the help.

use super::{Outcome, Ui};

/// Arguments of `completions`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The shell
    shell: clap_complete::Shell,
}

/// Completions for `all`, the whole command line.
pub(super) fn run(args: &Args, mut all: clap::Command, ui: &Ui) -> anyhow::Result<Outcome> {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut all, "hushframe", &mut text);
    say(&text, ui)
}

/// The text as it is, or with `--json` as a string.
fn say(text: &[u8], ui: &Ui) -> anyhow::Result<Outcome> {
    let text = String::from_utf8_lossy(text);
    if ui.json {
        ui.result(&serde_json::json!({ "text": text }))?;
    } else {
        ui.print(&text);
    }
    Ok(Outcome::Well)
}

/// The manual page of `all`.
pub(super) fn man(mut all: clap::Command, ui: &Ui) -> anyhow::Result<Outcome> {
    let mut text = Vec::new();
    all.build();
    clap_mangen::Man::new(all.clone()).render(&mut text)?;
    of_commands(&all, "hushframe", &mut text)?;
    say(&text, ui)
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
