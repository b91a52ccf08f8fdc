//! The command line: one file a command.

pub mod assess;
pub mod draft;
pub mod facts;
pub mod inspect;
pub mod profile;
pub mod render;
pub mod simulate;
pub mod trial;

use clap::{Parser, Subcommand};

/// Quality report for electron-tomography tilt series.
#[derive(Debug, Parser)]
#[command(name = "tiltworth", version, about, max_term_width = 100)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Measure tilt series, judge them, and write a report with a verdict
    Assess(assess::AssessArgs),
    /// Write a first series sheet from a stack and its table, to be filled in
    Draft(draft::DraftArgs),
    /// Print what is understood of a series, without measuring it
    Inspect(inspect::InspectArgs),
    /// List, show, check or try profiles of limits
    #[command(subcommand)]
    Profile(profile::ProfileCommand),
    /// Make the report page again from a record and its evidence
    Render(render::RenderArgs),
    /// Print the JSON Schema of record.json
    Schema,
    /// Make a series with known truth from a recipe
    Simulate(simulate::SimulateArgs),
}

/// The JSON Schema of the record.
///
/// # Errors
/// Never in practice: the schema is plain data.
pub fn schema() -> Result<String, serde_json::Error> {
    serde_json::to_string_pretty(&schemars::schema_for!(crate::record::Record))
}
