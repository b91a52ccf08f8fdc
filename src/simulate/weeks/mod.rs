//! Invented weeks: records of many sessions of several microscopes, without a picture, to try ledger and charts on.
//!
//! Figures are drawn about what a microscope usually gives, with a part that a session's series share; drifts are laid
//! over them. Checks and verdict are the real ones.

mod invented;
pub mod recipe;

use crate::judge::{Profile, ProfileError};
use crate::ledger::figures::{FIGURES, Scale};
use crate::record::Record;
use crate::simulate::SimulateError;
use crate::simulate::random::{Stream, Use};
pub use recipe::WeeksRecipe;
use recipe::{Microscope, Usual};
use std::path::Path;

/// What one series is drawn from.
struct Draw<'a> {
    microscope: &'a Microscope,
    series_id: String,
    session: String,
    started_at: jiff::Timestamp,
    /// The watched figures in their order; `None` where the recipe is silent.
    figures: Vec<Option<f64>>,
}

/// Why weeks were not invented.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "each variant passes another stage's message on")]
pub enum WeeksError {
    #[error("{0}")]
    Simulate(#[from] SimulateError),
    #[error("{0}")]
    Profile(#[from] ProfileError),
    #[error("the built-in skeleton of a record cannot be used ({0}): this is a fault of tiltworth's, please report it")]
    Skeleton(#[from] serde_json::Error),
}

/// Makes the records of a recipe, by microscope and time.
///
/// # Errors
/// A fault of tiltworth's own.
pub fn run(recipe: &WeeksRecipe) -> Result<Vec<Record>, WeeksError> {
    let profile = Profile::find(None, recipe.weeks.specimen)?;
    let mut records = Vec::new();
    for (number, microscope) in recipe.microscopes.iter().enumerate() {
        let mut stream = Stream::new(recipe.seed, Use::Invented, number);
        for week in (0..recipe.weeks.weeks).filter(|week| !recipe.weeks.closed.contains(week)) {
            for session in 0..recipe.weeks.sessions_per_week {
                let day = 7 * week + session * 7 / recipe.weeks.sessions_per_week;
                for draw in draws(recipe, microscope, day, &mut stream) {
                    records.push(invented::record(recipe, &draw, &profile, &mut stream)?);
                }
            }
        }
    }
    Ok(records)
}

/// The series of one session.
fn draws<'a>(recipe: &WeeksRecipe, microscope: &'a Microscope, day: u32, stream: &mut Stream) -> Vec<Draw<'a>> {
    let shared: Vec<f64> = FIGURES.iter().map(|_| stream.normal()).collect();
    let [least, most] = recipe.weeks.series_per_session;
    let number = least + (stream.uniform() * f64::from(most - least + 1)) as u32;
    let date = recipe.weeks.first_day.saturating_add(jiff::Span::new().days(i64::from(day)));
    let morning = jiff::tz::TimeZone::UTC.to_timestamp(date.at(8, 0, 0, 0)).unwrap_or_default();
    let mut draws = Vec::new();
    for at in 0..number {
        let figures = FIGURES.iter().zip(&shared).map(|(figure, shared)| {
            let usual = microscope.usual.get(figure.id)?;
            let own = stream.normal();
            Some(value(microscope, figure.id, figure.scale, usual, f64::from(day) / 7.0, shared, own))
        });
        draws.push(Draw {
            microscope,
            series_id: format!("{}-{date}-{}", microscope.short, at + 1),
            session: format!("{date} day"),
            figures: figures.collect(),
            started_at: morning.saturating_add(jiff::SignedDuration::from_mins(95 * i64::from(at))).unwrap_or(morning),
        });
    }
    draws
}

fn value(microscope: &Microscope, id: &str, scale: Scale, usual: &Usual, week: f64, shared: &f64, own: f64) -> f64 {
    let drifts = microscope.drift.iter().filter(|drift| drift.figure == id);
    let weeks = |from: f64| (week - from).max(0.0);
    let scatter = usual.sessions * shared + usual.series * own;
    match scale {
        Scale::Log => {
            let drift: f64 = drifts.map(|drift| libm::log1p(drift.per_week) * weeks(drift.from_week)).sum();
            usual.middle * libm::exp(scatter + drift)
        }
        Scale::Plain => {
            usual.middle + scatter + drifts.map(|drift| drift.per_week * weeks(drift.from_week)).sum::<f64>()
        }
        Scale::Root => {
            let drift: f64 = drifts.map(|drift| drift.per_week * weeks(drift.from_week)).sum();
            (usual.middle + scatter + drift).max(0.0)
        }
    }
}

/// Makes the records and writes each into `dir/SERIES_ID/record.json`, all of them or none; gives their number.
///
/// # Errors
/// The folder is there already; what the disk says.
pub fn write(recipe: &WeeksRecipe, dir: &Path, replace: bool) -> Result<usize, WeeksError> {
    if dir.exists() && !replace {
        return Err(SimulateError::Exists(dir.to_path_buf()).into());
    }
    let records = run(recipe)?;
    let io = |path: &Path| {
        let path = path.to_path_buf();
        move |error| SimulateError::io(&path, error)
    };
    let parent = dir.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    std::fs::create_dir_all(parent).map_err(io(parent))?;
    let beside = tempfile::Builder::new().prefix(".simulate-").tempdir_in(parent).map_err(io(parent))?;
    // The temporary folder is readable by its owner alone; a folder made within it has the usual permissions.
    let made = beside.path().join("weeks");
    for record in &records {
        let folder = made.join(&record.series.series_id);
        std::fs::create_dir_all(&folder).map_err(io(&folder))?;
        let file = folder.join("record.json");
        std::fs::write(&file, serde_json::to_string_pretty(record)? + "\n").map_err(io(&file))?;
    }
    if dir.exists() {
        std::fs::rename(dir, beside.path().join("replaced")).map_err(io(dir))?;
    }
    std::fs::rename(&made, dir).map_err(io(dir))?;
    Ok(records.len())
}
