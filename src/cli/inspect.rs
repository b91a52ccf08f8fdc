//! `tiltworth inspect`: what is understood of a series, without measuring it.

use crate::cli::facts::FactArgs;
use crate::intake::log::LogSeen;
use crate::intake::{IntakeError, Request, Series, load};
use crate::measure::coverage::{View, scheme};
use crate::record::ColumnSource;
use clap::Args;
use std::fmt::Write;
use std::path::PathBuf;

/// Options of `tiltworth inspect`.
#[derive(Debug, Clone, Args)]
pub struct InspectArgs {
    /// Folder with a series.toml, such a file, or a stack
    #[arg(value_name = "SERIES")]
    pub series: PathBuf,
    /// Look at what is there of a series that was broken off
    #[arg(long)]
    pub partial: bool,
    /// The rows of the table (or list) stand in the order of acquisition
    #[arg(long)]
    pub rows_are_in_order: bool,
    /// Facts.
    #[command(flatten)]
    pub facts: FactArgs,
}

/// Reads a series and describes it.
///
/// # Errors
/// As [`load`].
pub fn run(args: &InspectArgs) -> Result<String, IntakeError> {
    let series = load(&Request {
        path: args.series.clone(),
        options: args.facts.sheet(),
        partial: args.partial,
        rows_are_in_order: args.rows_are_in_order,
    })?;
    Ok(describe(&series).unwrap_or_default())
}

fn describe(series: &Series) -> Result<String, std::fmt::Error> {
    let mut out = String::new();
    let or_none = |value: Option<f64>, unit: &str| value.map_or("not stated".into(), |v| format!("{v} {unit}"));
    let (width, height) = series.size_px;
    writeln!(out, "series      {}", series.series_id)?;
    if let Some(title) = &series.sheet.title {
        writeln!(out, "title       {title}")?;
    }
    writeln!(
        out,
        "stack       {} sections of {width} × {height} px; {}",
        series.stack.sections(),
        series.stack.description()
    )?;
    writeln!(out, "pixel       {}", or_none(series.pixel_nm, "nm"))?;
    writeln!(out, "voltage     {}", or_none(series.sheet.instrument.kv, "kV"))?;
    writeln!(out, "full scale  {}", or_none(series.full_scale_counts, "counts"))?;
    tilts(&mut out, series)?;
    let (cols, rows) = series.grid;
    let (wide, high) = series.assembled_px;
    match (cols, rows) {
        (1, 1) => writeln!(out, "montage     none")?,
        _ => writeln!(out, "montage     {cols} columns × {rows} rows, assembled {wide} × {high} px")?,
    }
    for ColumnSource { column, heading, source } in &series.columns {
        match column {
            Some(column) if column == heading => writeln!(out, "column      {column} ({source})")?,
            Some(column) => writeln!(out, "column      {column}, from \"{heading}\" ({source})")?,
            None => writeln!(out, "not used    \"{heading}\" ({source})")?,
        }
    }
    if let Some(seen) = &series.log {
        log(&mut out, seen)?;
    }
    for input in &series.inputs {
        let files = if input.paths.len() > 1 { format!(", {} files", input.paths.len()) } else { String::new() };
        writeln!(out, "read        {} ({}{files})", input.name, input.role)?;
    }
    for note in &series.notes {
        writeln!(out, "note        {note}")?;
    }
    Ok(out)
}

fn log(out: &mut String, seen: &LogSeen) -> std::fmt::Result {
    writeln!(
        out,
        "log         {}: record_start caught {} records, field {} lines",
        seen.file, seen.records, seen.fields
    )?;
    if seen.repeated > 0 {
        writeln!(out, "            {} keys came again in their record: the last value counts", seen.repeated)?;
    }
    let Some((line, text)) = &seen.first_missed else { return writeln!(out, "            no line was left over") };
    writeln!(out, "            {} lines caught by neither, the first: line {line} \"{text}\"", seen.missed)?;
    match &seen.first_missed_in_record {
        Some(first) if Some(first) != seen.first_missed.as_ref() => {
            writeln!(out, "            the first inside a record: line {} \"{}\"", first.0, first.1)
        }
        _ => Ok(()),
    }
}

fn tilts(out: &mut String, series: &Series) -> std::fmt::Result {
    let views: Vec<View> =
        series.tilts.iter().map(|tilt| View { tilt_deg: tilt.tilt_deg, order: tilt.order }).collect();
    let ends = (views.first().map_or(0.0, |v| v.tilt_deg), views.last().map_or(0.0, |v| v.tilt_deg));
    writeln!(out, "tilts       {} from {:+.2}° to {:+.2}°", views.len(), ends.0, ends.1)?;
    let lacking = series.tilts.iter().filter(|tilt| tilt.rows.len() < series.grid.0 * series.grid.1);
    let lacking: Vec<String> = lacking.map(|tilt| format!("{:+.2}°", tilt.tilt_deg)).collect();
    if !lacking.is_empty() {
        writeln!(out, "incomplete  {}", lacking.join(", "))?;
    }
    let source = series.order_source.word();
    if series.order_source.is_known() {
        writeln!(out, "order       {}, from {source}", scheme(&views))
    } else {
        writeln!(out, "order       assumed to be that of the rows (add acquired_at or order, or --rows-are-in-order)")
    }
}
