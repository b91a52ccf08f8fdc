//! The `tiltworth` command: parse, run, turn an error into a message and an exit status.

#![forbid(unsafe_code)]

use clap::Parser;
use std::io::Write;
use std::process::ExitCode;
use tiltworth::cli::{
    Cli, Command, assess, batch, compare, deploy, draft, export, inspect, ledger, pack, profile, render, schema,
    simulate, watch,
};

fn main() -> ExitCode {
    let done = match Cli::parse().command {
        Command::Assess(args) => status(assess::run(&args)),
        Command::Batch(command) => status(batch::run(&command)),
        Command::Compare(args) => text(compare::run(&args)),
        Command::Completions(args) => Ok((0, deploy::completions(&args))),
        Command::Deploy(args) => Ok((0, deploy::run(&args))),
        Command::Draft(args) => text(draft::run(&args)),
        Command::Export(args) => text(export::run(&args)),
        Command::Inspect(args) => text(inspect::run(&args)),
        Command::Ledger(command) => text(ledger::run(&command)),
        Command::Man(args) => text(deploy::man(&args)),
        Command::Pack(args) => text(pack::run(&args)),
        Command::Profile(command) => text(profile::run(&command)),
        Command::Render(args) => text(render::run(&args)),
        Command::Schema(args) => text(schema(&args).map(|schema| schema + "\n")),
        Command::Simulate(args) => text(simulate::run(&args)),
        Command::Watch(args) => status(watch::run(&args)),
    };
    match done {
        Ok((status, text)) => {
            let mut out = std::io::stdout().lock();
            match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
                // A reader that closed the pipe has read enough.
                Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
                    let _ =
                        writeln!(std::io::stderr().lock(), "tiltworth: standard output cannot be written ({error})");
                    ExitCode::from(1)
                }
                _ => ExitCode::from(status),
            }
        }
        Err(message) => {
            let _ = writeln!(std::io::stderr().lock(), "tiltworth: {message}");
            ExitCode::from(1)
        }
    }
}

fn status<E: std::fmt::Display>(result: Result<u8, E>) -> Result<(u8, String), String> {
    result.map(|status| (status, String::new())).map_err(|error| error.to_string())
}

fn text<E: std::fmt::Display>(result: Result<String, E>) -> Result<(u8, String), String> {
    result.map(|text| (0, text)).map_err(|error| error.to_string())
}
