//! One series of a trial: made, written into a folder of its own, assessed, forgotten.

use crate::assess::{AssessError, assess};
use crate::intake::{IntakeError, Request, load};
use crate::judge::Profile;
use crate::record::Record;
use crate::simulate::schedule::SAME_ANGLE_DEG;
use crate::simulate::{Recipe, SimulateError, Simulated, run, writer};
use crate::trial::plant::{Edits, Planted};
use std::path::Path;

/// A series that could not be made or assessed.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "each variant passes another stage's message on")]
pub enum TrialError {
    #[error("{0}")]
    Simulate(#[from] SimulateError),
    #[error("{0}")]
    Intake(#[from] IntakeError),
    #[error("{0}")]
    Assess(#[from] AssessError),
    #[error("a series of the trial cannot be written ({0}); check the space on the disk")]
    Disk(#[from] std::io::Error),
}

/// A series of a trial, assessed.
#[derive(Debug, Clone, PartialEq)]
pub struct Tried {
    /// What tiltworth says of it.
    pub record: Record,
    /// What was made; its pixels are dropped.
    pub made: Simulated,
}

/// Makes a series and assesses it by a profile.
///
/// # Errors
/// The disk is full; the work was stopped.
pub fn try_series(
    planted: &Planted,
    profile: &Profile,
    go_on: &(dyn Fn() -> bool + Sync),
) -> Result<Tried, TrialError> {
    let mut made = run(&planted.recipe);
    blank(&mut made, planted);
    let folder = tempfile::tempdir()?;
    let place = folder.path().join("series");
    writer::write(&planted.recipe, &made, &place, false)?;
    made.sections = Vec::new();
    restate(&planted.recipe, &planted.edits, &place)?;
    drop_rows(&made, planted, &place)?;
    relabel(&made, planted, &place)?;
    let partial = !planted.edits.lacking_deg.is_empty();
    let series = load(&Request { path: place, partial, ..Request::default() })?;
    let (record, _) = assess(&series, profile, &|| (), go_on)?;
    Ok(Tried { record, made })
}

fn hit(angles: &[f64], nominal_deg: f64) -> bool {
    angles.iter().any(|angle| (angle - nominal_deg).abs() < SAME_ANGLE_DEG)
}

/// Pages of the tilts at these nominal angles.
fn pages<'a>(made: &'a Simulated, angles: &'a [f64]) -> impl Iterator<Item = &'a [usize]> {
    let tilts = made.truth.tilts.iter().filter(|tilt| hit(angles, tilt.nominal_deg));
    tilts.map(|tilt| tilt.sections.as_slice())
}

/// One and the same value everywhere is no picture.
fn blank(made: &mut Simulated, planted: &Planted) {
    let lost: Vec<usize> = pages(made, &planted.edits.blank_deg).flatten().copied().collect();
    for page in lost {
        made.sections[page].fill(1);
    }
}

/// Writes the sheet as the edits have it.
fn restate(recipe: &Recipe, edits: &Edits, place: &Path) -> Result<(), TrialError> {
    let mut stated = recipe.clone();
    stated.tilt.axis_deg = (stated.tilt.axis_deg + edits.axis_turned_deg).rem_euclid(360.0);
    stated.camera.counts_per_electron *= edits.gain_times.unwrap_or(1.0);
    let mut text = writer::sheet_text(&stated)?;
    if let Some([x, y, width, height]) = edits.area_px {
        // `[targets]` is the sheet's last table.
        text.push_str(&format!("area_px = [{x:.1}, {y:.1}, {width:.1}, {height:.1}]\n"));
    }
    Ok(std::fs::write(place.join(writer::SHEET), text)?)
}

/// Takes the rows of missing tiles out of the table.
fn drop_rows(made: &Simulated, planted: &Planted, place: &Path) -> Result<(), TrialError> {
    let lost: Vec<usize> = pages(made, &planted.edits.lacking_deg).filter_map(|pages| pages.last()).copied().collect();
    if lost.is_empty() {
        return Ok(());
    }
    let table = place.join(writer::TABLE);
    let text = std::fs::read_to_string(&table)?;
    let of_lost = |line: &str| {
        let section = line.split(',').next().and_then(|cell| cell.parse::<usize>().ok());
        section.is_some_and(|section| lost.contains(&section))
    };
    let kept: Vec<&str> = text.lines().filter(|line| !of_lost(line)).collect();
    Ok(std::fs::write(table, kept.join("\n") + "\n")?)
}

/// Writes other angles into the table.
fn relabel(made: &Simulated, planted: &Planted, place: &Path) -> Result<(), TrialError> {
    let edits = &planted.edits;
    if edits.mistyped_deg.is_empty() && !edits.shuffled {
        return Ok(());
    }
    let mut stated: Vec<f64> = made.truth.tilts.iter().map(|tilt| tilt.nominal_deg).collect();
    if edits.shuffled {
        let mut draw = planted.stream();
        for last in (1..stated.len()).rev() {
            stated.swap(last, ((draw.uniform() * (last + 1) as f64) as usize).min(last));
        }
    }
    for (angle, tilt) in stated.iter_mut().zip(&made.truth.tilts) {
        let of_tilt = edits.mistyped_deg.iter().find(|(truly, _)| hit(&[*truly], tilt.nominal_deg));
        *angle += of_tilt.map_or(0.0, |(_, added)| *added);
    }
    let tilt_of = |page: usize| made.truth.tilts.iter().position(|tilt| tilt.sections.contains(&page));
    let table = place.join(writer::TABLE);
    let text = std::fs::read_to_string(&table)?;
    let column = text.lines().next().and_then(|head| head.split(',').position(|name| name == "tilt_deg"));
    let line = |line: &str| {
        let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
        let tilt = cells[0].parse().ok().and_then(tilt_of);
        if let (Some(tilt), Some(cell)) = (tilt, column.and_then(|column| cells.get_mut(column))) {
            *cell = format!("{:.2}", stated[tilt]);
        }
        cells.join(",")
    };
    Ok(std::fs::write(&table, text.lines().map(line).collect::<Vec<String>>().join("\n") + "\n")?)
}
