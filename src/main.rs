//! The `tiltworth` command: parse, run, turn an error into a message and an exit status.

use clap::Parser;
use std::io::Write;
use std::process::ExitCode;
use tiltworth::cli::{
    Cli, Command, assess, compare, draft, export, inspect, ledger, pack, profile, render, schema, simulate,
};

fn main() -> ExitCode {
    let done = match Cli::parse().command {
        Command::Assess(args) => {
            assess::run(&args).map_err(|error| error.to_string()).map(|status| (status, String::new()))
        }
        Command::Compare(args) => text(compare::run(&args)),
        Command::Draft(args) => text(draft::run(&args)),
        Command::Export(args) => text(export::run(&args)),
        Command::Inspect(args) => text(inspect::run(&args)),
        Command::Ledger(command) => text(ledger::run(&command)),
        Command::Pack(args) => text(pack::run(&args)),
        Command::Profile(command) => text(profile::run(&command)),
        Command::Render(args) => text(render::run(&args)),
        Command::Schema(args) => text(schema(&args).map(|schema| schema + "\n")),
        Command::Simulate(args) => text(simulate::run(&args)),
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

fn text<E: std::fmt::Display>(result: Result<String, E>) -> Result<(u8, String), String> {
    result.map(|text| (0, text)).map_err(|error| error.to_string())
}
