//! Dose and counts of a pair: what the specimen got in all, and whether the two sheets know of each other.

use crate::measure::pair::Side;
use crate::record::pair::{PairCounts, PairDose};
use crate::record::{DoseMeasure, Record, Tilt};

/// Two statements of one fact may differ by this share, as everywhere in tiltworth.
const SAME: f64 = 0.01;

/// Dose of both series together, and what the second had received before it began.
pub fn dose(a: &Record, b: &Record, notes: &mut Vec<String>) -> PairDose {
    let b_first = b_was_first(a, b, notes);
    let (first, second) = if b_first { (b, a) } else { (a, b) };
    let [name_first, name_second] = if b_first { ["b", "a"] } else { ["a", "b"] };
    let of = |record: &Record| given(&record.measures.dose);
    let pre_first = first.measures.dose.pre_exposure_e_per_A2;
    let before = of(first).map(|given| given + pre_first.unwrap_or(0.0));
    let stated = second.measures.dose.pre_exposure_e_per_A2;
    let total = before.zip(of(second)).map(|(before, second)| before + second);
    let lower = [first, second].iter().any(|record| record.measures.dose.total_is_lower_bound) || pre_first.is_none();
    let (sheets, finding) = told(before, stated, lower, [name_first, name_second]);
    PairDose {
        first: name_first.into(),
        a_e_per_A2: of(a),
        b_e_per_A2: of(b),
        total_e_per_A2: total,
        lower_bound: total.is_some() && lower,
        before_second_e_per_A2: before,
        stated_before_second_e_per_A2: stated,
        finding,
        sheets: sheets.into(),
    }
}

/// Exposures and overhead of a series.
fn given(dose: &DoseMeasure) -> Option<f64> {
    dose.total_e_per_A2.map(|total| total + dose.overhead_e_per_A2.unwrap_or(0.0))
}

/// By the clocks, where both state times; else a was first.
fn b_was_first(a: &Record, b: &Record, notes: &mut Vec<String>) -> bool {
    let time = |record: &Record| record.series.started_at.as_ref()?.parse::<jiff::Timestamp>().ok();
    match (time(a), time(b)) {
        (Some(a), Some(b)) if b < a => {
            notes.push("by the clocks b was recorded before a: the doses are told in that order".into());
            true
        }
        (Some(_), Some(_)) => false,
        _ => {
            notes.push("the times do not tell which series was recorded first: a is taken to be".into());
            false
        }
    }
}

fn told(before: Option<f64>, stated: Option<f64>, lower: bool, [first, second]: [&str; 2]) -> (&'static str, String) {
    let key = "dose.pre_exposure_e_per_A2";
    let Some(before) = before else {
        return (
            "unknown",
            format!("the dose of {first} is not stated, so what {second} had received before is not known"),
        );
    };
    let least = if lower { "at least " } else { "" };
    let Some(stated) = stated else {
        let finding = format!(
            "{second} does not state its pre-exposure: {first} alone had given the specimen {least}{before:.0} e/Å² before; \
             state {key} = {before:.0} in its sheet"
        );
        return ("omitted", finding);
    };
    if stated < before * (1.0 - SAME) {
        let finding = format!(
            "{second} states {stated:.0} e/Å² before its first tilt, but {first} alone had given {least}{before:.0} e/Å²: \
             state {key} = {before:.0} in its sheet"
        );
        return ("contradicts", finding);
    }
    if stated > before * (1.0 + SAME) {
        let more = stated - before;
        let finding = format!(
            "{second} states {stated:.0} e/Å² before its first tilt, {more:.0} e/Å² more than the {before:.0} e/Å² that \
             {first} had given: exposures between the two, or an error"
        );
        return ("more", finding);
    }
    ("agrees", format!("{second} states {stated:.0} e/Å² before its first tilt, as the sheet of {first} has it"))
}

/// Counts at the tilts whose pictures are compared, b over a.
pub fn counts(a: &Side<'_>, b: &Side<'_>) -> PairCounts {
    let tilt = |side: &Side<'_>| side.view.as_ref().and_then(|view| side.record.tilts.get(view.tilt).cloned());
    let counts = |side: &Side<'_>, tilt: &Option<Tilt>| Some(tilt.as_ref()?.counts.mean? - side.offset_counts);
    let (of_a, of_b) = (tilt(a), tilt(b));
    let (counts_a, counts_b) = (counts(a, &of_a), counts(b, &of_b));
    let ratio = counts_b.zip(counts_a).filter(|(_, a)| *a > 0.0).map(|(b, a)| b / a);
    let dose = |tilt: &Option<Tilt>| tilt.as_ref()?.dose.this_e_per_A2.filter(|&dose| dose > 0.0);
    let doses = dose(&of_b).zip(dose(&of_a));
    PairCounts {
        a_counts: counts_a,
        b_counts: counts_b,
        ratio,
        ratio_per_dose: ratio.zip(doses).map(|(ratio, (b, a))| ratio * a / b),
        why_not: ratio.is_none().then(|| "one of the two zero tilts has no counts".into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_second_sheet_is_held_against_the_first() {
        let names = ["a", "b"];
        let (kind, finding) = told(Some(2300.0), None, false, names);
        assert!(kind == "omitted" && finding.contains("pre_exposure_e_per_A2 = 2300"), "{finding}");
        assert_eq!(told(Some(2300.0), Some(2310.0), false, names).0, "agrees");
        let (kind, finding) = told(Some(2300.0), Some(1700.0), true, names);
        assert!(kind == "contradicts" && finding.contains("at least 2300"), "{finding}");
        assert!(told(Some(2300.0), Some(2500.0), false, names).1.contains("200 e/Å² more"));
        assert_eq!(told(None, Some(1.0), false, names).0, "unknown");
    }
}
