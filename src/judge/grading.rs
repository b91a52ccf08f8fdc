//! From values to grades, flags and checks.

use crate::judge::checks::{self, Case, Definition, Outcome, REGISTRY, Values, stated_angle, tracking_step};
use crate::judge::exclusion::{self, Candidate, Decisions};
use crate::judge::profile::{CheckLimits, Excludes, Profile, Term, Yardsticks};
use crate::judge::{precedence, verdict};
use crate::measured::{Measured, NotMeasured};
use crate::record::{Check, Coverage, Grade, Limit, Measures, Sense, SeriesFacts, Tilt, Verdict};

/// Grades a series by a profile: fills grade, flags and exclusion of each tilt, gives the checks and the verdict.
pub fn judge(
    series: &SeriesFacts,
    tilts: &mut [Tilt],
    measures: &Measures,
    profile: &Profile,
) -> (Vec<Check>, Verdict) {
    judge_leaving(series, tilts, measures, profile, None)
}

/// The same; where `out` is given, those tilts are left out and no other.
pub fn judge_leaving(
    series: &SeriesFacts,
    tilts: &mut [Tilt],
    measures: &Measures,
    profile: &Profile,
    out: Option<&[usize]>,
) -> (Vec<Check>, Verdict) {
    let yardsticks = yardsticks(series, measures, profile);
    let mut looks: Vec<Look> = Vec::new();
    for definition in REGISTRY {
        let Some(limits) = profile.checks.get(definition.id) else { continue };
        let limits = settled(definition.id, limits, series, tilts, measures, &yardsticks);
        let case = Case { series, tilts, measures, coverage_after: &measures.coverage, limits: &limits, yardsticks };
        let look = Look::new(definition, &case);
        looks.push(Look { limits, ..look });
    }
    precedence::set_aside(&mut looks, tilts);
    let candidates = candidates(&looks, tilts);
    let decisions = match out {
        Some(out) => exclusion::as_asked(tilts, measures, &candidates, out),
        None => exclusion::decide(tilts, measures, candidates, profile, yardsticks),
    };
    for (at, tilt) in tilts.iter_mut().enumerate() {
        tilt.exclude = decisions.out(at);
        tilt.flags = flags(&looks, at);
        tilt.grade = looks.iter().filter_map(|look| look.grade_of(at)).fold(Grade::NotMeasured, worse);
    }
    let checks: Vec<Check> =
        looks.iter().map(|look| look.check(series, tilts, measures, &decisions.coverage_after, yardsticks)).collect();
    let verdict = verdict::reach(series, tilts, measures, &checks, decisions, profile, yardsticks);
    (checks, verdict)
}

fn yardsticks(series: &SeriesFacts, measures: &Measures, profile: &Profile) -> Yardsticks {
    Yardsticks {
        step_deg: measures.coverage.step_deg,
        resolution_nm: series.target_resolution_nm.unwrap_or(profile.resolution_nm),
        wanted_defocus_um: measures.focus.wanted_um,
        wavelength_nm: series.kv.map(crate::physics::electron::wavelength_nm),
        pixel_nm: series.pixel_nm,
        reserve_for_range: reserve_for_range(measures),
    }
}

/// exp(τ(1/cos θmax - 1)): what a section of τ attenuation lengths takes more at the steepest tilt than at zero.
fn reserve_for_range(measures: &Measures) -> Option<f64> {
    let tau = measures.thickness.as_ref()?.attenuation_lengths?;
    let coverage = &measures.coverage;
    let steepest = coverage.min_deg.abs().max(coverage.max_deg.abs());
    Some((tau * (crate::physics::tilt::path_factor(steepest) - 1.0)).exp())
}

/// Limits of a single area replace those of a montage where the profile has them; only the upper side of a dose match
/// is judged where no transmission is known.
fn settled(
    id: &str,
    limits: &CheckLimits,
    series: &SeriesFacts,
    tilts: &[Tilt],
    measures: &Measures,
    yardsticks: &Yardsticks,
) -> CheckLimits {
    let mut limits = limits.clone();
    if id == checks::alignment_outlook::ID {
        return checks::alignment_outlook::settled(&limits, &measures.alignment, tilts, yardsticks);
    }
    if id == tracking_step::ID
        && let (Some(sds), Some(scatter)) = (limits.robust_sds, checks::tracking_scatter(series, tilts))
    {
        limits.caution = limits.caution.map(|limit| limit.no_less_than(sds * scatter));
        return limits;
    }
    if id == "dose_match" && measures.counts.dose_match_upper_side_only {
        limits.caution = limits.caution.map(Term::upper_side);
        limits.fail = limits.fail.map(Term::upper_side);
        limits.sense = Some(Sense::Above);
    }
    // A deviation within the usual scatter is no fault; the value stays what was measured.
    if let (Some(sds), Some(scatter)) = (limits.robust_sds, measures.counts.run_scatter_fraction) {
        limits.caution = limits.caution.map(|limit| limit.no_less_than(sds * scatter));
        limits.fail = limits.fail.map(|limit| limit.no_less_than(sds * scatter));
    }
    if let Some(single) = limits.single_area.filter(|_| series.montage_cols * series.montage_rows == 1) {
        limits.caution = single.caution;
        limits.fail = single.fail;
    }
    limits
}

/// The worse of two grades; a figure that is missing outweighs nothing.
pub fn worse(a: Grade, b: Grade) -> Grade {
    let rank = |grade: Grade| match grade {
        Grade::NotMeasured => 0,
        Grade::Pass => 1,
        Grade::Caution => 2,
        Grade::Fail => 3,
    };
    if rank(b) > rank(a) { b } else { a }
}

/// Whether a value lies beyond a limit; a limit itself still passes.
fn beyond(value: f64, limit: Option<Limit>, sense: Sense) -> bool {
    match (limit, sense) {
        (Some(Limit::One(limit)), Sense::Below) => value < limit,
        (Some(Limit::One(limit)), _) => value > limit,
        (Some(Limit::Between([low, high])), _) => value < low || value > high,
        (None, _) => false,
    }
}

/// How far beyond a limit a value lies, to name the worst tilt: larger is worse.
fn badness(value: f64, sense: Sense) -> f64 {
    if sense == Sense::Below { -value } else { value }
}

/// A check with its values and grades.
pub struct Look {
    definition: &'static Definition,
    /// Its limits, settled for this series.
    pub limits: CheckLimits,
    sense: Sense,
    caution: Option<Limit>,
    fail: Option<Limit>,
    values: Values,
}

impl Look {
    fn new(definition: &'static Definition, case: &Case<'_>) -> Self {
        Self {
            definition,
            limits: CheckLimits::default(),
            sense: case.limits.sense.unwrap_or(definition.sense),
            caution: case.limits.caution.and_then(|term| term.evaluate(&case.yardsticks)),
            fail: case.limits.fail.and_then(|term| term.evaluate(&case.yardsticks)),
            values: (definition.values)(case),
        }
    }

    fn grade(&self, value: &Measured<f64>) -> Grade {
        match value {
            Err(_) => Grade::NotMeasured,
            Ok(value) if beyond(*value, self.fail, self.sense) => Grade::Fail,
            Ok(value) if beyond(*value, self.caution, self.sense) => Grade::Caution,
            Ok(_) => Grade::Pass,
        }
    }

    /// Its id.
    pub fn id(&self) -> &'static str {
        self.definition.id
    }

    /// The grade of one tilt; `None` for a check of the series.
    pub fn grade_of(&self, tilt: usize) -> Option<Grade> {
        match &self.values {
            Values::Tilts(values) => values.get(tilt).map(|value| self.grade(value)),
            Values::Series(_) => None,
        }
    }

    /// The value of one tilt, where it is measured and judged.
    pub fn value_of(&self, tilt: usize) -> Option<f64> {
        match &self.values {
            Values::Tilts(values) => values.get(tilt)?.as_ref().ok().copied(),
            Values::Series(_) => None,
        }
    }

    /// Takes the value of a tilt away, for this cause.
    pub fn set_aside(&mut self, tilt: usize, cause: &str) {
        if let Values::Tilts(values) = &mut self.values
            && let Some(value) = values.get_mut(tilt)
        {
            *value = Err(NotMeasured::because(cause));
        }
    }

    /// The check as the record keeps it.
    fn check(
        &self,
        series: &SeriesFacts,
        tilts: &[Tilt],
        measures: &Measures,
        coverage_after: &Coverage,
        yardsticks: Yardsticks,
    ) -> Check {
        let case = Case { series, tilts, measures, coverage_after, limits: &self.limits, yardsticks };
        let (value, worst_deg, tilts_deg) = self.worst(&case);
        let (grade, value, why) = match value {
            Err(NotMeasured(why)) => (Grade::NotMeasured, None, format!("not measured: {why}")),
            Ok(value) => {
                let grade = self.grade(&Ok(value));
                let (caution, fail) = (self.caution, self.fail);
                let outcome = Outcome { grade, value, worst_deg, tilts_deg: &tilts_deg, caution, fail };
                (grade, Some(value), (self.definition.sentence)(&case, &outcome))
            }
        };
        Check {
            id: self.definition.id.into(),
            title: self.definition.title.into(),
            grade,
            value,
            unit: self.limits.unit.unwrap_or(self.definition.unit).into(),
            sense: self.sense,
            caution: self.caution,
            fail: self.fail,
            why,
            tilts_deg,
            advice: self.limits.excludes.is_none(),
        }
    }

    /// The value that stands for the series, the worst tilt, and the tilts beyond a limit. Checks of the series
    /// look again, now that it is known what is left.
    fn worst(&self, case: &Case<'_>) -> (Measured<f64>, Option<f64>, Vec<f64>) {
        let Values::Tilts(values) = &self.values else {
            let again = match (self.definition.values)(case) {
                Values::Series(value) => value,
                Values::Tilts(_) => Err(NotMeasured::because("the check has no value of the series")),
            };
            return (again, None, Vec::new());
        };
        let known =
            values.iter().zip(case.tilts).filter_map(|(value, tilt)| Some((*value.as_ref().ok()?, tilt.tilt_deg)));
        let worst = known.max_by(|a, b| badness(a.0, self.sense).total_cmp(&badness(b.0, self.sense)));
        let flagged = values.iter().zip(case.tilts).filter(|(value, _)| is_flag(self.grade(value)));
        let tilts_deg = flagged.map(|(_, tilt)| tilt.tilt_deg).collect();
        match worst {
            Some((value, deg)) => (Ok(value), Some(deg), tilts_deg),
            None => {
                let why = values.iter().find_map(|value| value.as_ref().err().cloned());
                (Err(why.unwrap_or_else(|| NotMeasured::because("there is no tilt"))), None, tilts_deg)
            }
        }
    }
}

/// Whether a grade is told on the tilt.
pub fn is_flag(grade: Grade) -> bool {
    matches!(grade, Grade::Caution | Grade::Fail)
}

fn flags(looks: &[Look], tilt: usize) -> Vec<String> {
    let flagged = looks.iter().filter(|look| look.grade_of(tilt).is_some_and(is_flag));
    flagged.map(|look| look.definition.id.to_owned()).collect()
}

/// Tilts that a check which may exclude has failed, each with its first cause; not those whose leaving out cures nothing.
fn candidates(looks: &[Look], tilts: &[Tilt]) -> Vec<Candidate> {
    let mut candidates: Vec<Candidate> = Vec::new();
    for look in looks {
        let Some(excludes) = look.limits.excludes else { continue };
        let Values::Tilts(values) = &look.values else { continue };
        // Of a list in another order no tilt is at fault.
        let flagged = values.iter().filter(|value| is_flag(look.grade(value))).count();
        if stated_angle::is_whole_list(flagged, tilts.len(), look.limits.whole_from_share) {
            continue;
        }
        for (tilt, value) in values.iter().enumerate() {
            let failed = look.grade(value) == Grade::Fail;
            let cures = look.id() != tracking_step::ID || tracking_step::leaving_out_cures(&tilts[tilt]);
            if failed && cures && candidates.iter().all(|candidate| candidate.tilt != tilt) {
                let value = value.as_ref().ok().copied();
                let hard = excludes == Excludes::Hard;
                let severity = severity(value, look.fail, look.sense);
                candidates.push(Candidate { tilt, cause: look.definition.id, hard, severity });
            }
        }
    }
    candidates
}

/// How many times beyond its limit a value lies (1: at the limit).
fn severity(value: Option<f64>, fail: Option<Limit>, sense: Sense) -> f64 {
    let (Some(value), Some(Limit::One(limit))) = (value, fail) else { return 1.0 };
    let ratio = if sense == Sense::Below { limit / value.max(1e-9) } else { value / limit.max(1e-9) };
    ratio.clamp(1.0, 1e6)
}

impl Decisions {
    fn out(&self, tilt: usize) -> bool {
        self.decided.iter().any(|decision| decision.tilt == tilt && decision.left_out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_at_its_limit_still_passes() {
        assert!(!beyond(0.7, Some(Limit::One(0.7)), Sense::Below) && beyond(0.69, Some(Limit::One(0.7)), Sense::Below));
        assert!(!beyond(5.0, Some(Limit::One(5.0)), Sense::Above) && beyond(5.1, Some(Limit::One(5.0)), Sense::Above));
        let range = Some(Limit::Between([0.2, 1.1]));
        assert!(beyond(0.1, range, Sense::Outside) && beyond(1.2, range, Sense::Outside));
        assert!(!beyond(0.2, range, Sense::Outside) && !beyond(9.0, None, Sense::Above));
    }

    #[test]
    fn a_missing_figure_outweighs_nothing() {
        assert_eq!(worse(Grade::Pass, Grade::NotMeasured), Grade::Pass);
        assert_eq!(worse(Grade::NotMeasured, Grade::Caution), Grade::Caution);
        assert_eq!(worse(Grade::Fail, Grade::Caution), Grade::Fail);
    }
}
