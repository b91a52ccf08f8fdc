//! What to leave out: a tilt goes only if the harm is greater than the loss.
//!
//! Hard faults (nothing usable in the frame) leave a tilt out whatever it costs. Soft faults, the worst first, do
//! so while they are few, and while what is left keeps its range and opens no hole; else the tilt is better kept
//! with a low weight.

use crate::judge::profile::{Profile, Yardsticks};
use crate::measure::coverage::{self, View};
use crate::measured::NotMeasured;
use crate::record::{Coverage, ExclusionCost, Measures, Tilt};

/// A tilt that failed a check which may exclude.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Index of the tilt.
    pub tilt: usize,
    /// Id of the check.
    pub cause: &'static str,
    /// Nothing usable in the frame.
    pub hard: bool,
    /// How many times beyond the limit.
    pub severity: f64,
}

/// What was decided of a candidate.
#[derive(Debug, Clone, PartialEq)]
pub struct Decision {
    /// Index of the tilt.
    pub tilt: usize,
    /// Id of the check.
    pub cause: &'static str,
    /// Nothing usable in the frame.
    pub hard: bool,
    /// Left out, else kept with a low weight.
    pub left_out: bool,
}

/// All decisions, and what is left.
#[derive(Debug, Clone, PartialEq)]
pub struct Decisions {
    /// By ascending tilt.
    pub decided: Vec<Decision>,
    /// Coverage of the tilts that are left.
    pub coverage_after: Coverage,
    /// What each decision costs.
    pub costs: Vec<ExclusionCost>,
}

/// Decides about all candidates.
pub fn decide(
    tilts: &[Tilt],
    measures: &Measures,
    mut candidates: Vec<Candidate>,
    profile: &Profile,
    yardsticks: Yardsticks,
) -> Decisions {
    candidates.sort_by(|a, b| b.hard.cmp(&a.hard).then(b.severity.total_cmp(&a.severity)).then(a.tilt.cmp(&b.tilt)));
    let most_soft = ((tilts.len() as f64 * profile.left.most_soft_exclusions).floor() as usize).max(1);
    // What most tilts have is no fault of some: leaving out the worst of them would cure nothing.
    let causes: Vec<&str> = candidates.iter().map(|candidate| candidate.cause).collect();
    let widespread = |cause: &str| 2 * causes.iter().filter(|other| **other == cause).count() > tilts.len();
    let mut out: Vec<usize> = Vec::new();
    let mut soft = 0;
    let mut decided = Vec::new();
    for candidate in candidates {
        let left_out = candidate.hard
            || (soft < most_soft
                && !widespread(candidate.cause)
                && bearable(tilts, measures, &out, candidate.tilt, profile, yardsticks));
        if left_out {
            out.push(candidate.tilt);
            soft += usize::from(!candidate.hard);
        }
        decided.push(Decision { tilt: candidate.tilt, cause: candidate.cause, hard: candidate.hard, left_out });
    }
    settled(tilts, measures, decided)
}

/// Leaves out the tilts asked for and no other; what failed a check and is kept, is kept with a low weight.
pub fn as_asked(tilts: &[Tilt], measures: &Measures, candidates: &[Candidate], out: &[usize]) -> Decisions {
    let failed = |tilt: usize| candidates.iter().find(|candidate| candidate.tilt == tilt);
    let all = (0..tilts.len()).filter(|&tilt| out.contains(&tilt) || failed(tilt).is_some());
    let decided = all.map(|tilt| Decision {
        tilt,
        cause: failed(tilt).map_or("asked", |candidate| candidate.cause),
        hard: failed(tilt).is_some_and(|candidate| candidate.hard),
        left_out: out.contains(&tilt),
    });
    settled(tilts, measures, decided.collect())
}

fn settled(tilts: &[Tilt], measures: &Measures, mut decided: Vec<Decision>) -> Decisions {
    decided.sort_by_key(|decision| decision.tilt);
    let out: Vec<usize> = decided.iter().filter(|decision| decision.left_out).map(|decision| decision.tilt).collect();
    let costs = decided.iter().map(|decision| cost(tilts, measures, &out, decision)).collect();
    Decisions { decided, coverage_after: coverage_without(tilts, measures, &out), costs }
}

/// Whether what is left without one more tilt keeps its range, and its gaps stay as they were or bearable.
fn bearable(
    tilts: &[Tilt],
    measures: &Measures,
    out: &[usize],
    tilt: usize,
    profile: &Profile,
    yardsticks: Yardsticks,
) -> bool {
    let before = coverage_without(tilts, measures, out);
    let after = coverage_without(tilts, measures, &[out, &[tilt]].concat());
    let range = |coverage: &Coverage| coverage.max_deg - coverage.min_deg;
    let gap = |out: &[usize]| weighed_gap(tilts, out, profile, yardsticks);
    let limit = profile.left.largest_gap.number(&yardsticks).unwrap_or(f64::INFINITY);
    let (gap_before, gap_after) = (gap(out), gap(&[out, &[tilt]].concat()));
    let keeps_gaps = gap_after <= limit || gap_after <= gap_before;
    let keeps_range = range(&after) >= profile.left.range_deg || range(&after) >= range(&before);
    keeps_gaps && keeps_range
}

/// Coverage of the tilts but those in `out`.
pub fn coverage_without(tilts: &[Tilt], measures: &Measures, out: &[usize]) -> Coverage {
    let left = tilts.iter().enumerate().filter(|(at, _)| !out.contains(at));
    let views: Vec<View> = left.map(|(_, tilt)| View { tilt_deg: tilt.tilt_deg, order: tilt.order }).collect();
    let before = &measures.coverage;
    let thickness = before.thickness_nm.ok_or_else(|| {
        NotMeasured::because(before.resolution_why_not.clone().unwrap_or_else(|| "the thickness is not known".into()))
    });
    coverage::measure(&views, &before.order_source, thickness)
}

/// The largest gap, what goes beyond a step counted twice where the gap reaches into the centre of the range.
pub fn weighed_gap(tilts: &[Tilt], out: &[usize], profile: &Profile, yardsticks: Yardsticks) -> f64 {
    let angles: Vec<f64> =
        tilts.iter().enumerate().filter(|(at, _)| !out.contains(at)).map(|(_, tilt)| tilt.tilt_deg).collect();
    let step = yardsticks.step_deg.unwrap_or(0.0);
    let weighed = angles.windows(2).map(|pair| {
        let gap = pair[1] - pair[0];
        let central = pair[0] < profile.left.centre_deg && pair[1] > -profile.left.centre_deg;
        gap + if central { (gap - step).max(0.0) } else { 0.0 }
    });
    weighed.fold(0.0, f64::max)
}

fn cost(tilts: &[Tilt], measures: &Measures, out: &[usize], decision: &Decision) -> ExclusionCost {
    let others: Vec<usize> = out.iter().copied().filter(|&tilt| tilt != decision.tilt).collect();
    let with = coverage_without(tilts, measures, &others);
    let without = coverage_without(tilts, measures, &[&others[..], &[decision.tilt]].concat());
    ExclusionCost {
        tilt_deg: tilts[decision.tilt].tilt_deg,
        cause: decision.cause.into(),
        gap_with_deg: with.largest_gap_deg,
        gap_without_deg: without.largest_gap_deg,
        resolution_with_nm: with.gap_resolution_nm,
        resolution_without_nm: without.gap_resolution_nm,
        range_with_deg: Some(with.max_deg - with.min_deg),
        range_without_deg: Some(without.max_deg - without.min_deg),
        decision: if decision.left_out { "left out" } else { "low weight" }.into(),
    }
}
