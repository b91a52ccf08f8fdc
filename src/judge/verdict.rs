//! The verdict: one table of rules, each reason a sentence with its number and its limit.
//!
//! Not worth reconstructing as it stands: only by what is left (range, gap, number and share of tilts). Undecided:
//! a needed figure is missing. Else reconstruct, with or without the tilts left out.

use crate::judge::exclusion::{Decisions, weighed_gap};
use crate::judge::next_time;
use crate::judge::profile::{Need, Profile, Yardsticks};
use crate::record::{Answer, Check, Coverage, Grade, Measures, SeriesFacts, Tilt, Verdict};

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
    let left = Left { tilts, out: &out, coverage: &decisions.coverage_after, profile, yardsticks };
    let against = left.against();
    let missing = missing(tilts, measures, profile);
    let answer = match (against.is_empty(), missing.is_empty(), out.is_empty()) {
        (false, _, _) => Answer::DoNotReconstruct,
        (true, false, _) => Answer::Undecided,
        (true, true, false) => Answer::ReconstructWithout,
        (true, true, true) => Answer::Reconstruct,
    };
    let mut reasons: Vec<String> = against.into_iter().chain(missing).collect();
    reasons.extend(findings(checks, Grade::Fail));
    reasons.extend(findings(checks, Grade::Caution));
    reasons.extend(left.few());
    reasons.push(left.sentence());
    Verdict {
        headline: headline(answer, &left, &reasons),
        answer,
        reasons,
        exclude_tilts_deg: angles(tilts, &out),
        exclude_sections: sections(tilts, &out),
        low_weight_tilts_deg: angles(
            tilts,
            &decisions.decided.iter().filter(|d| !d.left_out).map(|d| d.tilt).collect::<Vec<_>>(),
        ),
        checks_made: checks.iter().filter(|check| check.grade != Grade::NotMeasured).count(),
        checks_in_profile: checks.len(),
        next_time: next_time::actions(series, tilts, measures, checks),
        costs: decisions.costs,
        coverage_after: decisions.coverage_after,
    }
}

/// What is left after exclusion.
struct Left<'a> {
    tilts: &'a [Tilt],
    out: &'a [usize],
    coverage: &'a Coverage,
    profile: &'a Profile,
    yardsticks: Yardsticks,
}

impl Left<'_> {
    fn number(&self) -> usize {
        self.tilts.len() - self.out.len()
    }

    fn range(&self) -> f64 {
        self.coverage.max_deg - self.coverage.min_deg
    }

    /// What speaks against a reconstruction.
    fn against(&self) -> Vec<String> {
        let left = &self.profile.left;
        let mut against = Vec::new();
        if self.number() < left.tilts {
            against.push(format!("only {} tilts are left; at least {} are needed", self.number(), left.tilts));
        }
        let share = self.number() as f64 / self.tilts.len().max(1) as f64;
        if share < left.share_of_tilts {
            let (share, least) = (100.0 * share, 100.0 * left.share_of_tilts);
            against.push(format!("only {share:.0} % of the recorded tilts are left; at least {least:.0} % are needed"));
        }
        if self.range() < left.range_deg {
            against.push(format!("only {:.0}° are left; at least {:.0}° are needed", self.range(), left.range_deg));
        }
        let gap = weighed_gap(self.tilts, self.out, self.profile, self.yardsticks);
        if let Some(limit) = left.largest_gap.number(&self.yardsticks).filter(|&limit| gap > limit) {
            against.push(format!(
                "the gaps that are left weigh {gap:.1}° (inside ±{:.0}° counted twice beyond a step); at most {limit:.1}° can be borne",
                left.centre_deg
            ));
        }
        against
    }

    fn few(&self) -> Option<String> {
        let few = self.number() < self.profile.left.few_tilts;
        few.then(|| {
            format!("{} tilts are few; {} or more give a smoother volume", self.number(), self.profile.left.few_tilts)
        })
    }

    fn sentence(&self) -> String {
        let coverage = self.coverage;
        let gap = coverage.largest_gap_deg.map(|gap| format!(", largest gap {gap:.1}°")).unwrap_or_default();
        let resolution = coverage
            .gap_resolution_nm
            .map(|nm| format!(", resolution by the largest gap {nm:.1} nm"))
            .unwrap_or_default();
        format!(
            "{} of {} tilts are left, {:+.1}° to {:+.1}°{gap}{resolution}",
            self.number(),
            self.tilts.len(),
            coverage.min_deg,
            coverage.max_deg
        )
    }
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
fn findings(checks: &[Check], grade: Grade) -> Vec<String> {
    const SAME_CAUSE: [(&str, &str); 4] = [
        ("count_outlier", "counts_target"),
        ("sharpness_drop", "directional_blur"),
        ("seam_residual", "seam_distortion"),
        ("seam_residual", "seam_offset"),
    ];
    let told_by_other = |check: &Check| {
        SAME_CAUSE.iter().filter(|(told, _)| *told == check.id).any(|(_, by)| {
            let other =
                checks.iter().find(|other| other.id == *by && matches!(other.grade, Grade::Fail | Grade::Caution));
            other.is_some_and(|other| check.tilts_deg.iter().all(|deg| other.tilts_deg.contains(deg)))
        })
    };
    let graded = checks.iter().filter(|check| check.grade == grade && !told_by_other(check));
    graded.map(|check| format!("{}: {}", check.title, check.why)).collect()
}

fn headline(answer: Answer, left: &Left<'_>, reasons: &[String]) -> String {
    let range = format!("{:+.0}° to {:+.0}°", left.coverage.min_deg, left.coverage.max_deg);
    match answer {
        Answer::Reconstruct => format!("Reconstruct: all {} tilts are usable, {range}", left.tilts.len()),
        Answer::ReconstructWithout => {
            let (out, all) = (left.out.len(), left.tilts.len());
            format!("Reconstruct without {out} of {all} tilts, {range}")
        }
        Answer::DoNotReconstruct => {
            let first = reasons.first().map_or("", String::as_str);
            format!("Not as it stands: {first}; record what is missing again, and it would do")
        }
        Answer::Undecided => format!("Undecided: {}", reasons.first().map_or("", String::as_str)),
    }
}

fn angles(tilts: &[Tilt], which: &[usize]) -> Vec<f64> {
    let mut angles: Vec<f64> = which.iter().map(|&at| tilts[at].tilt_deg).collect();
    angles.sort_by(f64::total_cmp);
    angles
}

/// Pages of the tilts left out, and single pages that cannot be read.
fn sections(tilts: &[Tilt], out: &[usize]) -> Vec<usize> {
    let mut sections: Vec<usize> = out.iter().flat_map(|&at| tilts[at].sections.iter().copied()).collect();
    let unreadable = tilts.iter().flat_map(|tilt| &tilt.tiles).filter(|tile| tile.unreadable.is_some());
    sections.extend(unreadable.map(|tile| tile.section));
    sections.sort_unstable();
    sections.dedup();
    sections
}
