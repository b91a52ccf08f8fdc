//! Many series in one run: found in folders, those that changed assessed some at a time within the memory that is free,
//! whatever becomes of the others.

pub mod ask;
pub mod find;
pub mod memory;
pub mod run;
pub mod standing;
pub mod watch;

pub use ask::Ask;
pub use find::{Found, Search};
pub use run::{Done, How, Job, State};

use crate::record::{Answer, Record};

/// What a list of series tells of one: the few facts of its record that are kept when many are held.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// Id of the series.
    pub series_id: String,
    /// Title.
    pub title: Option<String>,
    /// Microscope.
    pub instrument: Option<String>,
    /// RFC 3339 time of the first exposure.
    pub started_at: Option<String>,
    /// RFC 3339 time of the assessment.
    pub assessed_at: String,
    /// Number of tilts.
    pub tilts: usize,
    /// The answer.
    pub answer: Answer,
    /// The answer in words.
    pub headline: String,
    /// Tilts to leave out.
    pub exclude_tilts_deg: Vec<f64>,
    /// Tilts to keep with a low weight.
    pub low_weight_tilts_deg: Vec<f64>,
}

impl Told {
    /// What a record tells.
    pub fn of(record: &Record) -> Self {
        let Record { series, verdict, .. } = record;
        Self {
            series_id: series.series_id.clone(),
            title: series.title.clone(),
            instrument: series.instrument.clone(),
            started_at: series.started_at.clone(),
            assessed_at: record.assessed_at.clone(),
            tilts: series.tilts,
            answer: verdict.answer,
            headline: verdict.headline.clone(),
            exclude_tilts_deg: verdict.exclude_tilts_deg.clone(),
            low_weight_tilts_deg: verdict.low_weight_tilts_deg.clone(),
        }
    }
}
