//! The command line: one file a command.

pub mod assess;
pub mod batch;
mod chosen;
pub mod compare;
pub mod deploy;
pub mod draft;
pub mod export;
pub mod facts;
pub mod files;
pub mod inspect;
pub mod ledger;
pub mod links;
pub mod many;
pub mod pack;
pub mod pair;
pub mod paper;
pub mod profile;
pub mod render;
pub mod simulate;
pub mod trial;
pub mod watch;

use clap::{Parser, Subcommand};

/// The version with the commit that was built, where that is known.
pub const VERSION: &str = concat!(env!("CARGO_PKG_VERSION"), env!("TILTWORTH_COMMIT"));

/// Quality report for electron-tomography tilt series.
#[derive(Debug, Parser)]
#[command(name = "tiltworth", version = VERSION, about, max_term_width = 100)]
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
    /// Share out many series among the machines of a cluster
    #[command(subcommand)]
    Batch(batch::BatchCommand),
    /// Compare the sessions of weeks by control charts
    Compare(compare::CompareArgs),
    /// Print what a shell completes words with
    Completions(deploy::CompletionArgs),
    /// Print a job script, a service unit or a container file to start from
    Deploy(deploy::DeployArgs),
    /// Write a first series sheet from a stack and its table, to be filled in
    Draft(draft::DraftArgs),
    /// Write a record as the matching items of the public mmCIF dictionary
    Export(export::ExportArgs),
    /// Print what is understood of a series, without measuring it
    Inspect(inspect::InspectArgs),
    /// Keep records in a database: an SQLite file, or a facility's PostgreSQL
    #[command(subcommand)]
    Ledger(ledger::LedgerCommand),
    /// Print the manual page, or write those of all commands
    Man(deploy::ManArgs),
    /// Pack a record with its report and tables for an electronic lab notebook
    Pack(pack::PackArgs),
    /// List, show, check or try profiles of limits
    #[command(subcommand)]
    Profile(profile::ProfileCommand),
    /// Make the report page again from a record and its evidence
    Render(render::RenderArgs),
    /// Print the JSON Schema of record.json
    Schema(SchemaArgs),
    /// Make a series with known truth from a recipe
    Simulate(simulate::SimulateArgs),
    /// Assess series in folders as they become complete
    Watch(watch::WatchArgs),
}

/// Options of `tiltworth schema`.
#[derive(Debug, Clone, clap::Args)]
pub struct SchemaArgs {
    /// The schema of pair.json instead
    #[arg(long)]
    pub pair: bool,
}

/// The JSON Schema of the record, or of a pair's.
///
/// # Errors
/// Never in practice: the schema is plain data.
pub fn schema(args: &SchemaArgs) -> Result<String, serde_json::Error> {
    if args.pair {
        return serde_json::to_string_pretty(&schemars::schema_for!(crate::record::pair::PairRecord));
    }
    let version = crate::record::RECORD_VERSION;
    let mut schema = serde_json::to_value(schemars::schema_for!(crate::record::Record))?;
    // A schema speaks of one layout: a record of another is not valid under it.
    schema["$id"] = format!("urn:tiltworth:record:{version}").into();
    schema["properties"]["record_version"]["const"] = version.into();
    serde_json::to_string_pretty(&schema)
}
