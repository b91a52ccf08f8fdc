//! `tiltworth deploy`, `completions`, `man`: texts for those who set tiltworth up for others.

use super::{Cli, files};
use clap::{Args, CommandFactory, ValueEnum};
use std::io;
use std::path::PathBuf;

/// A text to start from.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum Text {
    /// Job script of a Slurm array
    Slurm,
    /// Unit of systemd for `watch`
    Systemd,
    /// Container file of a static image
    Container,
}

/// Options of `tiltworth deploy`.
#[derive(Debug, Clone, Args)]
pub struct DeployArgs {
    /// Which
    #[arg(value_name = "WHAT")]
    pub what: Text,
}

/// The text.
pub fn run(args: &DeployArgs) -> String {
    match args.what {
        Text::Slurm => include_str!("../deploy/slurm.sh"),
        Text::Systemd => include_str!("../deploy/tiltworth-watch.service"),
        Text::Container => include_str!("../deploy/Containerfile"),
    }
    .to_owned()
}

/// Options of `tiltworth completions`.
#[derive(Debug, Clone, Args)]
pub struct CompletionArgs {
    /// For which shell
    #[arg(value_name = "SHELL")]
    pub shell: clap_complete::Shell,
}

/// The script that a shell completes words with.
pub fn completions(args: &CompletionArgs) -> String {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "tiltworth", &mut script);
    String::from_utf8_lossy(&script).into_owned()
}

/// Options of `tiltworth man`.
#[derive(Debug, Clone, Args)]
pub struct ManArgs {
    /// Write the pages of all commands into this folder, as tiltworth-assess.1
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
}

/// The manual page, or all of them into a folder; gives what to print.
///
/// # Errors
/// The folder cannot be written.
pub fn man(args: &ManArgs) -> io::Result<String> {
    let mut command = Cli::command();
    command.build();
    let Some(folder) = &args.out else { return Ok(page(command)?.1) };
    std::fs::create_dir_all(folder)?;
    let mut number = 0;
    let mut left = vec![command];
    while let Some(mut command) = left.pop() {
        left.extend(
            command.get_subcommands_mut().filter(|inner| inner.get_name() != "help").map(|inner| inner.clone()),
        );
        let (name, text) = page(command)?;
        files::write(&folder.join(name), text.as_bytes(), true)?;
        number += 1;
    }
    Ok(format!("{number} pages: {}\n", folder.display()))
}

/// A page with the name of its file.
fn page(command: clap::Command) -> io::Result<(String, String)> {
    let page = clap_mangen::Man::new(command);
    let mut text = Vec::new();
    page.render(&mut text)?;
    Ok((page.get_filename(), String::from_utf8_lossy(&text).into_owned()))
}
