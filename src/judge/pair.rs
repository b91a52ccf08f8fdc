//! What two verdicts mean for a pair: one table of rules. Limits are those of the profile for the same things in one
//! series: how much of the field must be shared, and how far the specimen may change.

use crate::judge::profile::{Profile, Term};
use crate::record::pair::{PairMeasures, PairVerdict};
use crate::record::{Answer, Record};

/// Axes that lie further than this from perpendicular are worth an action.
const OFF_PERPENDICULAR_DEG: f64 = 10.0;
const MOST_ACTIONS: usize = 3;

/// Reaches the verdict of a pair.
pub fn reach(a: &Record, b: &Record, measures: &PairMeasures, profile: &Profile) -> PairVerdict {
    let shared = share(measures);
    let limits = Limits::of(profile);
    let answer = answer([a.verdict.answer, b.verdict.answer], shared, limits.share_fail);
    let mut reasons = vec![told("a", a), told("b", b)];
    reasons.extend([coverage(measures), field(measures, &limits)]);
    reasons.extend(size(measures, &limits));
    reasons.push(measures.dose.finding.clone());
    reasons.extend(counts(measures));
    PairVerdict {
        answer,
        headline: headline(answer, a, b, measures),
        reasons,
        next_time: actions(b, measures, &limits),
    }
}

/// The limits that are used.
struct Limits {
    share_caution: Option<f64>,
    share_fail: Option<f64>,
    size_caution: Option<f64>,
    size_sds: f64,
}

impl Limits {
    fn of(profile: &Profile) -> Self {
        let number = |id: &str, fail: bool| {
            let limits = profile.checks.get(id)?;
            match if fail { limits.fail? } else { limits.caution? } {
                Term::Number(value) => Some(value),
                _ => None,
            }
        };
        let sds = profile.checks.get("specimen_change").and_then(|limits| limits.significant_sds);
        Self {
            share_caution: number("shared_area", false),
            share_fail: number("shared_area", true),
            size_caution: number("specimen_change", false),
            size_sds: sds.unwrap_or(0.0),
        }
    }
}

/// The larger of the shares: where the one field lies within the other, nothing of it is lost.
fn share(measures: &PairMeasures) -> Option<f64> {
    let field = &measures.field;
    field.share_of_a.zip(field.share_of_b).map(|(a, b)| a.max(b))
}

fn answer(of: [Answer; 2], shared: Option<f64>, least: Option<f64>) -> Answer {
    let any = |answer: Answer| of.contains(&answer);
    if any(Answer::DoNotReconstruct) {
        return Answer::DoNotReconstruct;
    }
    match shared {
        Some(share) if least.is_some_and(|least| share < least) => Answer::DoNotReconstruct,
        _ if any(Answer::Undecided) => Answer::Undecided,
        None => Answer::Undecided,
        Some(_) if any(Answer::ReconstructWithout) => Answer::ReconstructWithout,
        Some(_) => Answer::Reconstruct,
    }
}

fn percent(fraction: f64) -> String {
    format!("{:.1} %", 100.0 * fraction)
}

fn headline(answer: Answer, a: &Record, b: &Record, measures: &PairMeasures) -> String {
    let left = &measures.coverage.left;
    let gain = format!(
        "{} of all directions stay unseen ({} by a alone, {} by b alone)",
        percent(left.missing_fraction),
        percent(left.missing_a_fraction),
        percent(left.missing_b_fraction)
    );
    let not = |record: &Record| record.verdict.answer == Answer::DoNotReconstruct;
    match answer {
        Answer::Reconstruct => format!("Reconstruct both together: {gain}"),
        Answer::ReconstructWithout => {
            format!("Reconstruct both together without the tilts that each leaves out: {gain}")
        }
        Answer::DoNotReconstruct => match (not(a), not(b)) {
            (true, true) => "Not as a pair: neither series is worth reconstructing as it stands".into(),
            (true, false) => format!(
                "Not as a pair: only b can be used; alone it leaves {} of all directions unseen",
                percent(left.missing_b_fraction)
            ),
            (false, true) => format!(
                "Not as a pair: only a can be used; alone it leaves {} of all directions unseen",
                percent(left.missing_a_fraction)
            ),
            (false, false) => {
                format!(
                    "Not as a pair: only {} of the field is common to both",
                    percent(share(measures).unwrap_or(0.0))
                )
            }
        },
        Answer::Undecided => {
            let open = |record: &Record| record.verdict.answer == Answer::Undecided;
            match (open(a), open(b)) {
                (true, true) => "Undecided, as each series is by itself".into(),
                (true, false) => "Undecided, as series a is by itself".into(),
                (false, true) => "Undecided, as series b is by itself".into(),
                (false, false) => "Undecided: it is not known whether the two series show the same field".into(),
            }
        }
    }
}

fn told(name: &str, record: &Record) -> String {
    format!("{name} ({}): {}", record.series.series_id, record.verdict.headline)
}

fn coverage(measures: &PairMeasures) -> String {
    let (recorded, left) = (&measures.coverage.recorded, &measures.coverage.left);
    let after = if recorded == left {
        String::new()
    } else {
        format!(", {} after the tilts that are left out", percent(left.missing_fraction))
    };
    let apart = &measures.coverage;
    format!(
        "with axes {:.0}° apart ({}) the pair leaves {} of all directions unseen as recorded{after}",
        apart.axes_apart_deg.rem_euclid(180.0),
        apart.axes_apart_source,
        percent(recorded.missing_fraction)
    )
}

fn field(measures: &PairMeasures, limits: &Limits) -> String {
    let field = &measures.field;
    let (Some(turn), Some(of_a), Some(of_b)) = (field.turn_deg, field.share_of_a, field.share_of_b) else {
        let why = field.why_not.as_deref().unwrap_or("the pictures could not be compared");
        return format!("common field not measured: {why}");
    };
    let limit = limits.share_caution.filter(|&limit| of_a.max(of_b) < limit);
    let limit = limit.map(|limit| format!(" (limit {:.0} %)", 100.0 * limit)).unwrap_or_default();
    format!(
        "turned by {turn:+.1}°, b shows {:.0} % of the field of a, and a {:.0} % of that of b{limit}",
        100.0 * of_a,
        100.0 * of_b
    )
}

/// A change of size between the two that is significant and beyond what one series may show.
fn size(measures: &PairMeasures, limits: &Limits) -> Option<String> {
    let field = &measures.field;
    let (percent, error) = field.size_change_percent.zip(field.size_change_error_percent)?;
    let limit =
        limits.size_caution.filter(|&limit| percent.abs() > limit && percent.abs() > limits.size_sds * error)?;
    let did = if percent < 0.0 { "smaller" } else { "larger" };
    Some(format!(
        "the specimen is {:.2} ± {error:.2} % {did} in b than in a (limit {limit:.1} %): it changed, or the pixel sizes differ",
        percent.abs()
    ))
}

fn counts(measures: &PairMeasures) -> Option<String> {
    let counts = &measures.counts;
    let ratio = counts.ratio?;
    let per_dose = counts.ratio_per_dose.map(|ratio| format!(", {ratio:.2} for the same dose")).unwrap_or_default();
    Some(format!("at zero tilt b has {ratio:.2} times the counts of a{per_dose}"))
}

fn actions(b: &Record, measures: &PairMeasures, limits: &Limits) -> Vec<String> {
    let mut actions = Vec::new();
    let (field, coverage) = (&measures.field, &measures.coverage);
    let lost = share(measures).zip(limits.share_caution).is_some_and(|(share, limit)| share < limit);
    if let (true, Some(x), Some(y)) = (lost, field.shift_x_px, field.shift_y_px) {
        let far = x.hypot(y);
        let far = b.series.pixel_nm.map_or(format!("{far:.0} px"), |nm| format!("{:.2} µm", far * nm / 1000.0));
        let towards = y.atan2(x).to_degrees().rem_euclid(360.0);
        actions.push(format!(
            "Find the field of the first series again before the second: it lay {far} off the middle, towards {towards:.0}° in \
             the picture of b"
        ));
    }
    let off = (coverage.axes_apart_deg.rem_euclid(180.0) - 90.0).abs();
    if coverage.axes_apart_source == "measured" && off > OFF_PERPENDICULAR_DEG {
        actions.push(format!("Turn the specimen by 90° between the series: the axes were {off:.0}° off perpendicular"));
    }
    if matches!(measures.dose.sheets.as_str(), "omitted" | "contradicts")
        && let Some(before) = measures.dose.before_second_e_per_A2
    {
        let second = if measures.dose.first == "a" { "b" } else { "a" };
        actions.push(format!("State dose.pre_exposure_e_per_A2 = {before:.0} in the sheet of {second}"));
    }
    actions.truncate(MOST_ACTIONS);
    actions
}

#[cfg(test)]
mod tests {
    use super::*;
    use Answer::{DoNotReconstruct, Reconstruct, ReconstructWithout, Undecided};

    #[test]
    fn a_pair_is_as_good_as_its_worse_series_and_its_common_field() {
        let least = Some(0.6);
        assert_eq!(answer([Reconstruct, Reconstruct], Some(0.9), least), Reconstruct);
        assert_eq!(answer([Reconstruct, ReconstructWithout], Some(0.9), least), ReconstructWithout);
        assert_eq!(answer([Reconstruct, Reconstruct], Some(0.5), least), DoNotReconstruct);
        assert_eq!(answer([Reconstruct, Reconstruct], None, least), Undecided);
        assert_eq!(answer([Undecided, Reconstruct], Some(0.9), least), Undecided);
        assert_eq!(answer([Undecided, DoNotReconstruct], None, least), DoNotReconstruct);
    }
}
