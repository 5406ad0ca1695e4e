//! `backwall manual`: man pages and shell completions, made from the options the program itself knows.

use anyhow::Context;
use clap::{Args, CommandFactory};
use clap_complete::Shell;
use std::path::{Path, PathBuf};

#[derive(Args, Debug)]
pub struct ManualArgs {
    /// The folder to write to; it is made if it is not there
    #[arg(long, value_name = "FOLDER")]
    pub out: PathBuf,
}

const SHELLS: [Shell; 4] = [Shell::Bash, Shell::Zsh, Shell::Fish, Shell::PowerShell];

pub fn run(args: &ManualArgs) -> anyhow::Result<()> {
    let (pages, completions) = (args.out.join("man1"), args.out.join("completions"));
    for folder in [&pages, &completions] {
        std::fs::create_dir_all(folder).with_context(|| format!("{}: cannot be made", folder.display()))?;
    }
    clap_mangen::generate_to(super::Cli::command(), &pages).with_context(|| format!("{}: cannot be written", pages.display()))?;
    for shell in SHELLS {
        clap_complete::generate_to(shell, &mut super::Cli::command(), "backwall", &completions)
            .with_context(|| format!("{}: cannot be written", completions.display()))?;
    }
    say!("{}: {} man pages, completions for {}", args.out.display(), count(&pages)?, SHELLS.map(|shell| shell.to_string()).join(", "));
    Ok(())
}

fn count(folder: &Path) -> anyhow::Result<usize> {
    Ok(std::fs::read_dir(folder).with_context(|| format!("{}: cannot be read", folder.display()))?.count())
}
