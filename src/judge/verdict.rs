//! The verdict: one table of rules, each reason a sentence with its number and its limit.
//!
//! Not worth reconstructing as it stands: only by what is left (range, gap, number and share of tilts, common field).
//! Undecided: a needed figure is missing. Else reconstruct, with or without the tilts left out.

use crate::judge::checks::{alignment_outlook, stated_angle};
use crate::judge::exclusion::Decisions;
use crate::judge::left::Left;
use crate::judge::profile::{Need, Profile, Yardsticks};
use crate::judge::{alternatives, next_time, thick};
use crate::record::{Answer, Check, Grade, Measures, SeriesFacts, Tilt, Verdict};

/// A reason, and the check that it comes from.
type Reason = (String, Option<String>);

/// Reaches the verdict.
pub fn reach(
    series: &SeriesFacts,
    tilts: &[Tilt],
    measures: &Measures,
    checks: &[Check],
    decisions: Decisions,
    profile: &Profile,
    yardsticks: Yardsticks,
) -> Verdict {
    let out: Vec<usize> = decisions.decided.iter().filter(|d| d.left_out).map(|d| d.tilt).collect();
    let coverage = &decisions.coverage_after;
    let spoken = against_the_whole(checks, tilts.len(), profile);
    let unaligned = spoken.map(|check| check.why.as_str());
    let left = Left { tilts, out: &out, decided: &decisions.decided, coverage, profile, yardsticks, unaligned };
    let against = left.against();
    let missing = missing(tilts, measures, profile);
    let undecided = !missing.is_empty();
    let answer = match (against.is_empty(), undecided, out.is_empty()) {
        (false, _, _) => Answer::DoNotReconstruct,
        (true, true, _) => Answer::Undecided,
        (true, false, false) => Answer::ReconstructWithout,
        (true, false, true) => Answer::Reconstruct,
    };
    let plain = |sentence: String| (sentence, None);
    let mut reasons: Vec<Reason> = against.into_iter().chain(missing).map(plain).collect();
    reasons.extend(findings(checks, Grade::Fail, spoken));
    reasons.extend(findings(checks, Grade::Caution, spoken));
    reasons.extend(thick::ambitious(measures, profile).map(plain));
    reasons.extend(left.few().map(plain));
    reasons.push((left.sentence(), None));
    let headline = headline(answer, &left, &reasons, spoken.is_some());
    let low: Vec<usize> = decisions.decided.iter().filter(|d| !d.left_out).map(|d| d.tilt).collect();
    let (reasons, reason_checks) = reasons.into_iter().unzip();
    Verdict {
        headline,
        answer,
        reasons,
        reason_checks,
        exclude_tilts_deg: angles(tilts, &out),
        exclude_sections: sections(tilts, &out),
        low_weight_tilts_deg: angles(tilts, &low),
        checks_made: checks.iter().filter(|check| check.grade != Grade::NotMeasured).count(),
        checks_in_profile: checks.len(),
        next_time: next_time::actions(series, tilts, measures, checks),
        alternatives: alternatives::all(tilts, measures, &decisions, profile, yardsticks, undecided, unaligned),
        costs: decisions.costs,
        coverage_after: decisions.coverage_after,
        what_if: None,
    }
}

/// The check that speaks against a reconstruction as a whole: a list of angles that does not belong to the stack, or an
/// outlook on alignment that failed by what is left wrong. Where too few tilts are followed, that nothing could be followed is
/// a figure that is missing, and leaves the answer undecided.
fn against_the_whole<'a>(checks: &'a [Check], tilts: usize, profile: &Profile) -> Option<&'a Check> {
    let from_share = profile.checks.get(stated_angle::CHECK.id).and_then(|limits| limits.whole_from_share);
    let disordered = |check: &&Check| {
        check.id == stated_angle::CHECK.id && stated_angle::is_whole_list(check.tilts_deg.len(), tilts, from_share)
    };
    let definition = &alignment_outlook::CHECK;
    let unaligned =
        |check: &&Check| check.id == definition.id && check.grade == Grade::Fail && check.unit == definition.unit;
    checks.iter().find(disordered).or_else(|| checks.iter().find(unaligned))
}

/// Needed figures that are missing.
fn missing(tilts: &[Tilt], measures: &Measures, profile: &Profile) -> Vec<String> {
    let lacks = |need: &Need| match need {
        Need::Counts if tilts.iter().any(|tilt| !tilt.exclude && tilt.counts.mean.is_none()) => {
            Some("the counts of some tilts could not be measured")
        }
        Need::Coverage if measures.coverage.tilts < 2 => Some("there is only one angle"),
        Need::Order if measures.coverage.order_source == "assumed" => {
            Some("the order of acquisition is not known (add acquired_at or order, or give --rows-are-in-order)")
        }
        Need::Tracking => untracked(tilts, profile),
        _ => None,
    };
    profile.needs.iter().filter_map(lacks).map(str::to_owned).collect()
}

/// Tracking is missing where fewer of the tilts that are left could be followed than must be left.
fn untracked(tilts: &[Tilt], profile: &Profile) -> Option<&'static str> {
    let left = || tilts.iter().filter(|tilt| !tilt.exclude);
    let followed = left().filter(|tilt| tilt.tracking.as_ref().is_some_and(|t| t.shift_x_px.is_some())).count();
    let least = profile.left.share_of_tilts * left().count() as f64;
    ((followed as f64) < least)
        .then_some("the field could not be followed from tilt to tilt (too little texture in common)")
}

/// The sentences of the checks with this grade. One cause, one reason: checks that speak of the same tilts for the
/// same cause (counts twice, sharpness twice) are told once.
fn findings(checks: &[Check], grade: Grade, spoken: Option<&Check>) -> Vec<Reason> {
    const SAME_CAUSE: [(&str, &str); 5] = [
        ("count_outlier", "counts_target"),
        ("sharpness_drop", "directional_blur"),
        ("seam_residual", "seam_distortion"),
        ("seam_residual", "seam_offset"),
        ("first_after_reversal", "tracking_step"),
    ];
    let told_by_other = |check: &Check| {
        SAME_CAUSE.iter().filter(|(told, _)| *told == check.id).any(|(_, by)| {
            let other =
                checks.iter().find(|other| other.id == *by && matches!(other.grade, Grade::Fail | Grade::Caution));
            other.is_some_and(|other| check.tilts_deg.iter().all(|deg| other.tilts_deg.contains(deg)))
        })
    };
    // What speaks against the whole is told before.
    let told = |check: &Check| told_by_other(check) || spoken.is_some_and(|spoken| spoken.id == check.id);
    let graded = checks.iter().filter(|check| check.grade == grade && !told(check));
    graded.map(|check| (format!("{}: {}", check.title, check.why), Some(check.id.clone()))).collect()
}

/// `spoken`: what speaks against the whole says itself what to do.
fn headline(answer: Answer, left: &Left<'_>, reasons: &[Reason], spoken: bool) -> String {
    let range = format!("{:+.0}° to {:+.0}°", left.coverage.min_deg, left.coverage.max_deg);
    let first = reasons.first().map_or("", |reason| reason.0.as_str());
    match answer {
        Answer::Reconstruct => format!("Reconstruct: all {} tilts are usable, {range}", left.tilts.len()),
        Answer::ReconstructWithout => {
            let (out, all) = (left.out.len(), left.tilts.len());
            format!("Reconstruct without {out} of {all} tilts, {range}")
        }
        Answer::DoNotReconstruct if spoken => format!("Not as it stands: {first}"),
        Answer::DoNotReconstruct => {
            format!("Not as it stands: {first}; record what is missing again, and it would do")
        }
        Answer::Undecided => format!("Undecided: {first}"),
    }
}

fn angles(tilts: &[Tilt], which: &[usize]) -> Vec<f64> {
    let mut angles: Vec<f64> = which.iter().map(|&at| tilts[at].tilt_deg).collect();
    angles.sort_by(f64::total_cmp);
    angles
}

/// Pages of the tilts left out, and single pages that cannot be read.
pub fn sections(tilts: &[Tilt], out: &[usize]) -> Vec<usize> {
    let mut sections: Vec<usize> = out.iter().flat_map(|&at| tilts[at].sections.iter().copied()).collect();
    let unreadable = tilts.iter().flat_map(|tilt| &tilt.tiles).filter(|tile| tile.unreadable.is_some());
    sections.extend(unreadable.map(|tile| tile.section));
    sections.sort_unstable();
    sections.dedup();
    sections
}
