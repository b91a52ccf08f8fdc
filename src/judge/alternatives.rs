//! What else could be done: other choices among the tilts that failed a check, each with what it costs, in words.

use crate::judge::exclusion::{Decision, Decisions, coverage_without};
use crate::judge::left::Left;
use crate::judge::profile::{Profile, Yardsticks};
use crate::judge::verdict::sections;
use crate::record::{Alternative, Answer, Coverage, Measures, Tilt};

/// Angles named one by one; more are counted.
const MOST_NAMED: usize = 5;

/// All choices worth showing, the verdict's own first; none where no tilt failed.
pub fn all(
    tilts: &[Tilt],
    measures: &Measures,
    decisions: &Decisions,
    profile: &Profile,
    yardsticks: Yardsticks,
    undecided: bool,
    unaligned: Option<&str>,
) -> Vec<Alternative> {
    let decided = &decisions.decided;
    let of = |take: &dyn Fn(&Decision) -> bool| -> Vec<usize> {
        decided.iter().filter(|d| take(d)).map(|d| d.tilt).collect()
    };
    let mut choices: Vec<Vec<usize>> = Vec::new();
    for choice in [of(&|d| d.left_out), of(&|_| true), of(&|d| d.hard), Vec::new()] {
        if !decided.is_empty() && !choices.contains(&choice) {
            choices.push(choice);
        }
    }
    let chosen = of(&|d| d.left_out);
    let one = |out: Vec<usize>| {
        let coverage = coverage_without(tilts, measures, &out);
        let left = Left { tilts, out: &out, decided, coverage: &coverage, profile, yardsticks, unaligned };
        let answer = match (left.against().is_empty(), undecided, out.is_empty()) {
            (false, _, _) => Answer::DoNotReconstruct,
            (true, true, _) => Answer::Undecided,
            (true, false, true) => Answer::Reconstruct,
            (true, false, false) => Answer::ReconstructWithout,
        };
        let against = left.against().first().map(|why| format!("; not enough: {why}")).unwrap_or_default();
        Alternative {
            sentence: sentence(tilts, measures, &out, &coverage, decided) + &against,
            exclude_tilts_deg: out.iter().map(|&at| tilts[at].tilt_deg).collect(),
            exclude_sections: sections(tilts, &out),
            answer,
            chosen: out == chosen,
        }
    };
    choices.into_iter().map(one).collect()
}

/// `leave out 3 tilts (-60.0°, …): gap 4.0°, resolution 5.2 → 5.5 nm`, and what the tilts that are kept bring along.
fn sentence(tilts: &[Tilt], measures: &Measures, out: &[usize], after: &Coverage, decided: &[Decision]) -> String {
    let before = &measures.coverage;
    let plural = |n: usize| if n == 1 { "" } else { "s" };
    let mut text = match out.len() {
        0 => format!("keep all {} tilts", tilts.len()),
        n => format!("leave out {n} tilt{} ({})", plural(n), named(tilts, out)),
    };
    let mut costs = Vec::new();
    if let Some(gap) = after.largest_gap_deg {
        costs.push(format!("gap {gap:.1}°"));
    }
    let (range_before, range) = (before.max_deg - before.min_deg, after.max_deg - after.min_deg);
    if range_before - range > 0.05 {
        costs.push(format!("range {range_before:.0} → {range:.0}°"));
    }
    if let Some((was, is)) = before.crowther_resolution_nm.zip(after.crowther_resolution_nm) {
        let (was, is) = (format!("{was:.1}"), format!("{is:.1}"));
        costs.push(if was == is { format!("resolution {is} nm") } else { format!("resolution {was} → {is} nm") });
    }
    if !costs.is_empty() {
        text += &format!(": {}", costs.join(", "));
    }
    let kept: Vec<&Decision> = decided.iter().filter(|d| !out.contains(&d.tilt)).collect();
    if !kept.is_empty() {
        text += &format!("; with a low weight stay {}", meaning(tilts, &kept));
    }
    text
}

fn named(tilts: &[Tilt], which: &[usize]) -> String {
    let angles: Vec<String> = which.iter().take(MOST_NAMED).map(|&at| format!("{:+.1}°", tilts[at].tilt_deg)).collect();
    let more = which.len().saturating_sub(MOST_NAMED);
    if more > 0 { format!("{} and {more} more", angles.join(", ")) } else { angles.join(", ") }
}

/// What tilts that are kept bring into the volume, cause by cause.
fn meaning(tilts: &[Tilt], kept: &[&Decision]) -> String {
    let mut causes: Vec<&str> = Vec::new();
    for decision in kept {
        if !causes.contains(&decision.cause) {
            causes.push(decision.cause);
        }
    }
    let parts: Vec<String> = causes
        .iter()
        .map(|cause| {
            let of: Vec<usize> = kept.iter().filter(|d| d.cause == *cause).map(|d| d.tilt).collect();
            format!("{} at {}", brings(cause), named(tilts, &of))
        })
        .collect();
    parts.join(", ")
}

fn brings(cause: &str) -> &str {
    match cause {
        "unreadable_section" => "empty frames",
        "dark_area" => "a dark band",
        "counts_target" | "count_outlier" => "more noise",
        "saturation" => "clipped detail",
        "sharpness_drop" => "blur",
        "directional_blur" => "smear",
        "stated_angle" => "a wrong angle",
        "tracking_step" | "shared_area" => "another field",
        "seam_offset" => "a misplaced tile",
        other => other,
    }
}
