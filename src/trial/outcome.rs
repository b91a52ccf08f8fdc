//! What a trial found, check by check.

use crate::judge::Profile;
use crate::judge::checks::definition;
use crate::record::{Check, Grade, Specimen};
use crate::trial::curve::{Curve, Reached, Step, wilson};
use crate::trial::grid::{Job, Mode};
use crate::trial::kinds::{Hits, KINDS};
use crate::trial::run::Tried;
use serde::Serialize;

/// What a trial found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trial {
    /// Name of the profile.
    pub profile: String,
    /// SHA-256 of its text.
    pub profile_sha256: String,
    /// Specimen of the series.
    pub specimen: Specimen,
    /// How much was tried.
    pub mode: Mode,
    /// Seed of the first series.
    pub seed: u64,
    /// Series made.
    pub series: usize,
    /// Sound ones among them.
    pub sound_series: usize,
    /// Their tilts.
    pub sound_tilts: usize,
    /// Every check of the profile.
    pub checks: Vec<CheckTrial>,
}

/// What a trial found of a check.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckTrial {
    /// Its id.
    pub id: String,
    /// For people.
    pub title: String,
    /// The faults that were planted for it.
    pub faults: Vec<FaultTrial>,
    /// Sound series in which it was flagged, and in how many it could be made.
    pub sound_flagged: usize,
    /// See `sound_flagged`.
    pub sound_measured: usize,
    /// The true share of sound series flagged lies here, with 95 % confidence.
    pub sound_interval: [f64; 2],
    /// Why no fault was planted for it.
    pub not_tried: Option<String>,
}

/// What a trial found of one kind of fault.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FaultTrial {
    /// Its name.
    pub name: String,
    /// Unit of its strength.
    pub unit: String,
    /// Caught and planted by strength.
    pub steps: Vec<Step>,
    /// The strength at which half of the faults are caught; null: not reached.
    pub half: Option<Reached>,
    /// The strength at which 95 % are.
    pub most: Option<Reached>,
    /// The curve behind them.
    pub curve: Option<Curve>,
}

fn is_flag(grade: Grade) -> bool {
    matches!(grade, Grade::Caution | Grade::Fail)
}

/// Puts the outcomes of all series together.
pub fn gather(profile: &Profile, specimen: Specimen, mode: Mode, seed: u64, all: &[(Job, Tried)]) -> Trial {
    let sound: Vec<&Tried> = all.iter().filter(|(job, _)| job.kind.is_none()).map(|(_, tried)| tried).collect();
    // A profile may leave a check out.
    let ids = crate::judge::checks::REGISTRY.iter().map(|check| check.id);
    let checks =
        ids.filter(|id| profile.checks.contains_key(*id)).map(|id| of_check(id, specimen, &sound, all)).collect();
    Trial {
        profile: profile.name.clone(),
        profile_sha256: profile.sha256.clone(),
        specimen,
        mode,
        seed,
        series: all.len(),
        sound_series: sound.len(),
        sound_tilts: sound.iter().map(|tried| tried.record.tilts.len()).sum(),
        checks,
    }
}

fn of_check(id: &str, specimen: Specimen, sound: &[&Tried], all: &[(Job, Tried)]) -> CheckTrial {
    let found = |tried: &Tried| -> Option<Check> { tried.record.checks.iter().find(|c| c.id == id).cloned() };
    let graded: Vec<Grade> = sound.iter().filter_map(|tried| found(tried)).map(|check| check.grade).collect();
    let measured = graded.iter().filter(|grade| **grade != Grade::NotMeasured).count();
    let flagged = graded.iter().filter(|grade| is_flag(**grade)).count();
    let mut names: Vec<&str> = Vec::new();
    for kind in all.iter().filter_map(|(job, _)| job.kind).filter(|kind| kind.check == Some(id)) {
        if !names.contains(&kind.name) {
            names.push(kind.name);
        }
    }
    let faults: Vec<FaultTrial> = names.into_iter().map(|name| of_fault(name, id, all)).collect();
    CheckTrial {
        id: id.into(),
        title: definition(id).map_or(id, |definition| definition.title).into(),
        not_tried: faults.is_empty().then(|| why_not_tried(id, specimen)),
        faults,
        sound_flagged: flagged,
        sound_measured: measured,
        sound_interval: wilson(flagged, measured),
    }
}

fn of_fault(name: &str, id: &str, all: &[(Job, Tried)]) -> FaultTrial {
    let unit = KINDS.iter().find(|kind| kind.name == name).map_or("", |kind| kind.unit);
    let mut steps: Vec<Step> = Vec::new();
    for (job, tried) in all.iter().filter(|(job, _)| job.kind.is_some_and(|kind| kind.name == name)) {
        for (angles, strength) in &job.hits {
            let caught = caught(job, tried, id, angles);
            match steps.iter_mut().find(|step| step.strength == *strength) {
                Some(step) => (step.planted, step.caught) = (step.planted + 1, step.caught + usize::from(caught)),
                None => steps.push(Step { strength: *strength, planted: 1, caught: usize::from(caught) }),
            }
        }
    }
    steps.sort_by(|a, b| a.strength.total_cmp(&b.strength));
    let curve = Curve::fit(&steps);
    let reaches = |share: f64| curve.and_then(|curve| curve.reaches(share, &steps));
    FaultTrial { name: name.into(), unit: unit.into(), half: reaches(0.5), most: reaches(0.95), curve, steps }
}

/// Whether a fault was told under the right id, at the tilts that it hit.
fn caught(job: &Job, tried: &Tried, id: &str, angles: &[f64]) -> bool {
    let record = &tried.record;
    if job.kind.is_some_and(|kind| kind.hits == Hits::Series) {
        return record.checks.iter().any(|check| check.id == id && is_flag(check.grade));
    }
    let nominal = |order: usize| tried.made.truth.tilts[order].nominal_deg;
    let hit = |order: usize| angles.iter().any(|angle| (angle - nominal(order)).abs() < 0.05);
    record.tilts.iter().any(|tilt| hit(tilt.order) && tilt.flags.iter().any(|flag| flag == id))
}

fn why_not_tried(id: &str, specimen: Specimen) -> String {
    let of_check = || KINDS.iter().filter(|kind| kind.check == Some(id));
    if of_check().any(|kind| kind.specimens.contains(&specimen)) {
        return "left out of this trial".into();
    }
    match id {
        "seam_residual" => "what bends a seam is told as its distortion first".into(),
        "counts_target" | "beam_reserve" => "series of this specimen have a fixed beam and no target".into(),
        "total_dose" => "the dose of this specimen is shown only".into(),
        "detail_limit" => "a blur of every tilt is not planted".into(),
        "specimen_change" => "the simulator plants no change of the specimen".into(),
        _ => "no fault of the simulator is made for it".into(),
    }
}
