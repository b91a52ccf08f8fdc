//! What if other tilts were left out? Judged again from a record alone: no stack is read.
//!
//! What hangs on the pixels stays as it was measured; the area common to all tilts is that of all tilts, as the record
//! holds it.

use crate::judge::grading::judge_leaving;
use crate::judge::profile::{BUILT_IN, Profile, ProfileError};
use crate::record::{Record, Tilt, WhatIf};

/// An angle names a tilt within this.
const NEAR_DEG: f64 = 0.3;
/// Entries this near are one angle.
const SAME_DEG: f64 = 0.1;

/// A question that cannot be answered.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum WhatIfError {
    /// A word that is neither an angle, a section nor `auto`.
    #[error("--without: \"{0}\" is no angle; give angles in degrees (12,-60), sections (s17), or auto")]
    NotAnAngle(String),
    /// No tilt at that angle.
    #[error("--without: there is no tilt at {asked:+.1}°; the nearest is {nearest:+.2}°")]
    NoSuchTilt {
        /// What was asked for.
        asked: f64,
        /// The nearest angle.
        nearest: f64,
    },
    /// The angle was recorded more than once.
    #[error("--without: {asked:+.1}° was recorded {times} times; name one by a section of its own: {sections}")]
    Repeated {
        /// What was asked for.
        asked: f64,
        /// How often it is there.
        times: usize,
        /// First section of each.
        sections: String,
    },
    /// No tilt with that section.
    #[error("--without: there is no section {0} in this record")]
    NoSuchSection(usize),
    /// Nothing would be left.
    #[error("--without: no tilt would be left")]
    NothingLeft,
    /// The record does not hold its profile.
    #[error(
        "the record was judged by the profile {0}, which neither the record holds nor this version has; give it with \
         --profile FILE"
    )]
    NoProfile(String),
    /// The profile given cannot be used.
    #[error("{0}")]
    Profile(#[from] ProfileError),
}

/// The record as it would be without these tilts: `auto`, or a list of angles in degrees and sections (`s17`) with commas
/// between. `auto` in a list stands for what the verdict leaves out.
///
/// # Errors
/// A word that names no tilt, or more than one; a profile that is not there.
pub fn without(record: &Record, list: &str, profile: Option<&Profile>) -> Result<Record, WhatIfError> {
    let out = tilts_of(record, list)?;
    if out.len() == record.tilts.len() {
        return Err(WhatIfError::NothingLeft);
    }
    let own;
    let profile = match profile {
        Some(profile) => profile,
        None => {
            own = profile_of(record)?;
            &own
        }
    };
    let mut again = record.clone();
    let (checks, mut verdict) = judge_leaving(&record.series, &mut again.tilts, &record.measures, profile, Some(&out));
    verdict.what_if = Some(WhatIf {
        asked: list.to_owned(),
        instead_of: record.verdict.headline.clone(),
        instead_of_tilts_deg: record.verdict.exclude_tilts_deg.clone(),
    });
    (again.checks, again.verdict) = (checks, verdict);
    again.profile.name.clone_from(&profile.name);
    again.profile.sha256.clone_from(&profile.sha256);
    again.profile.text = Some(profile.text.clone());
    Ok(again)
}

/// The profile that the record holds; else the built-in one of the same text.
fn profile_of(record: &Record) -> Result<Profile, WhatIfError> {
    let used = &record.profile;
    if let Some(text) = &used.text {
        let mut profile = Profile::parse(text, &used.name)?;
        // What was laid together from several files keeps the name that it had there.
        profile.sha256.clone_from(&used.sha256);
        return Ok(profile);
    }
    let built_in = BUILT_IN.iter().filter_map(|(name, text)| Profile::parse(text, name).ok());
    let same = built_in.into_iter().find(|profile| profile.sha256 == used.sha256);
    same.ok_or_else(|| WhatIfError::NoProfile(used.name.clone()))
}

/// Indices of the tilts that a list names, each once.
fn tilts_of(record: &Record, list: &str) -> Result<Vec<usize>, WhatIfError> {
    let mut out: Vec<usize> = Vec::new();
    for word in list.split(',').map(str::trim).filter(|word| !word.is_empty()) {
        let named = if word.eq_ignore_ascii_case("auto") {
            (0..record.tilts.len()).filter(|&at| record.tilts[at].exclude).collect()
        } else {
            vec![tilt_of(record, word)?]
        };
        out.extend(named);
    }
    out.sort_unstable();
    out.dedup();
    Ok(out)
}

fn tilt_of(record: &Record, word: &str) -> Result<usize, WhatIfError> {
    let section = word.strip_prefix(['s', 'S']).and_then(|digits| digits.parse::<usize>().ok());
    if let Some(section) = section {
        let holds = |tilt: &Tilt| tilt.sections.contains(&section);
        return record.tilts.iter().position(holds).ok_or(WhatIfError::NoSuchSection(section));
    }
    let asked: f64 = word.trim_end_matches('°').parse().map_err(|_| WhatIfError::NotAnAngle(word.into()))?;
    if !asked.is_finite() {
        return Err(WhatIfError::NotAnAngle(word.into()));
    }
    let off = |at: usize| (record.tilts[at].tilt_deg - asked).abs();
    let nearest = (0..record.tilts.len()).min_by(|&a, &b| off(a).total_cmp(&off(b)));
    let nearest = nearest.ok_or(WhatIfError::NothingLeft)?;
    // Half of a step at most, so that fine steps are told apart.
    let near = record.measures.coverage.step_deg.map_or(NEAR_DEG, |step| NEAR_DEG.min(0.5 * step));
    if off(nearest) > near {
        return Err(WhatIfError::NoSuchTilt { asked, nearest: record.tilts[nearest].tilt_deg });
    }
    let here = record.tilts[nearest].tilt_deg;
    let same: Vec<&Tilt> = record.tilts.iter().filter(|tilt| (tilt.tilt_deg - here).abs() <= SAME_DEG).collect();
    if same.len() > 1 {
        let first = |tilt: &&Tilt| format!("s{}", tilt.sections.first().copied().unwrap_or(0));
        let sections = same.iter().map(first).collect::<Vec<_>>().join(", ");
        return Err(WhatIfError::Repeated { asked, times: same.len(), sections });
    }
    Ok(nearest)
}
