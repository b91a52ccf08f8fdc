//! The recipe of invented weeks: which microscopes, how their figures usually run, and which of them drift.

use crate::ledger::figures::FIGURES;
use crate::record::Specimen;
use crate::simulate::SimulateError;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::Path;

/// A recipe as written.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WeeksRecipe {
    /// Seed of every random number.
    pub seed: u64,
    /// When, and how much.
    pub weeks: Weeks,
    /// The microscopes.
    #[serde(rename = "microscope")]
    pub microscopes: Vec<Microscope>,
}

/// `[weeks]`
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Weeks {
    /// First day, `2031-02-03`.
    #[serde(deserialize_with = "date")]
    pub first_day: jiff::civil::Date,
    /// How many.
    pub weeks: u32,
    /// Weeks, counted from 0, in which nothing is recorded.
    #[serde(default)]
    pub closed: Vec<u32>,
    /// Sessions of each microscope in a week, on different days.
    pub sessions_per_week: u32,
    /// Least and most series of a session.
    pub series_per_session: [u32; 2],
    /// Kind of specimen.
    pub specimen: Specimen,
    /// Highest angle; the lowest is its opposite.
    pub max_deg: f64,
    /// Increment.
    pub step_deg: f64,
}

/// A microscope.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Microscope {
    /// Its name.
    pub name: String,
    /// Short form for the ids of its series.
    pub short: String,
    /// Acceleration voltage.
    pub kv: f64,
    /// Pixel size.
    pub pixel_nm: f64,
    /// Underfocus asked for.
    pub wanted_defocus_um: f64,
    /// Counts asked for.
    pub target_counts: f64,
    /// Chance that a tilt jumps, or loses its light.
    pub fault_chance: f64,
    /// How the watched figures usually run.
    pub usual: BTreeMap<String, Usual>,
    /// What changes over the weeks.
    #[serde(default)]
    pub drift: Vec<Drift>,
}

/// How a figure usually runs. Scatters are of the figure itself, or relative ones where it is charted by logarithm.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Usual {
    /// Its middle.
    pub middle: f64,
    /// Scatter from session to session.
    pub sessions: f64,
    /// Scatter from series to series of one session.
    pub series: f64,
}

/// A change.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Drift {
    /// The figure.
    pub figure: String,
    /// From which week on, counted from 0.
    pub from_week: f64,
    /// By how much a week; a share of the figure where it is charted by logarithm.
    pub per_week: f64,
}

impl WeeksRecipe {
    /// Whether a text is a recipe of weeks rather than of one series.
    pub fn is_one(text: &str) -> bool {
        toml::from_str::<toml::Table>(text).is_ok_and(|table| table.contains_key("weeks"))
    }

    /// Reads a recipe.
    ///
    /// # Errors
    /// A text that is no recipe, or that names a figure that is not watched.
    pub fn parse(text: &str, file: &Path) -> Result<Self, SimulateError> {
        let wrong = |key: String, fault: String, remedy: &str| SimulateError::Recipe {
            file: file.to_path_buf(),
            key,
            fault,
            remedy: remedy.into(),
        };
        let recipe: Self = toml::from_str(text).map_err(|error| {
            wrong(
                "the recipe".into(),
                error.message().replace('\n', ", "),
                "demo-stacks/weeks/recipe.toml is an example",
            )
        })?;
        for microscope in &recipe.microscopes {
            let named = microscope.usual.keys().chain(microscope.drift.iter().map(|drift| &drift.figure));
            if let Some(stranger) = named.into_iter().find(|name| FIGURES.iter().all(|figure| figure.id != **name)) {
                let known: Vec<&str> = FIGURES.iter().map(|figure| figure.id).collect();
                let remedy = format!("give one of {}", known.join(", "));
                return Err(wrong(format!("usual.{stranger}"), "no figure that is watched".into(), &remedy));
            }
        }
        let weeks = &recipe.weeks;
        let [least, most] = weeks.series_per_session;
        if !(weeks.step_deg > 0.0 && weeks.max_deg > weeks.step_deg && weeks.max_deg < 90.0) {
            return Err(wrong("weeks.max_deg, weeks.step_deg".into(), "no range of tilts".into(), "give 60 and 3"));
        }
        if least == 0 || most < least || weeks.weeks == 0 || !(1..=7).contains(&weeks.sessions_per_week) {
            let keys = "weeks.weeks, weeks.sessions_per_week, weeks.series_per_session";
            return Err(wrong(keys.into(), "nothing to record".into(), "give 13, 3 and [1, 3]"));
        }
        Ok(recipe)
    }
}

/// A day, given as a string.
fn date<'de, D: serde::Deserializer<'de>>(source: D) -> Result<jiff::civil::Date, D::Error> {
    String::deserialize(source)?.parse().map_err(serde::de::Error::custom)
}
