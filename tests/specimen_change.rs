//! A repeated angle tells how the specimen changed: planted shrinkage is found, a clean repeat is not flagged, and what
//! is not there is not measured.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "support/pair_series.rs"]
mod pair_series;

use pair_series::Plan;
use tiltworth::record::{Check, Grade, Record};
use tiltworth::simulate::truth::Truth;

fn check(record: &Record) -> &Check {
    record.checks.iter().find(|check| check.id == "specimen_change").unwrap()
}

fn repeated(seed: u64, shrink: [f64; 2]) -> Plan {
    let (range_deg, size_px) = ([40.0, 20.0], [512, 512]);
    Plan { seed, specimen: seed, shrink, range_deg, size_px, repeat_deg: vec![0.0], ..Plan::default() }
}

/// True change from the first zero tilt to the last, in per cent across and along the axis.
fn planted(truth: &Truth) -> [f64; 2] {
    let zeros: Vec<_> = truth.tilts.iter().filter(|tilt| tilt.nominal_deg.abs() < 0.1).collect();
    let (first, last) = (zeros[0], zeros[zeros.len() - 1]);
    [last.scale_across / first.scale_across, last.scale_along / first.scale_along].map(|ratio| 100.0 * (ratio - 1.0))
}

#[test]
fn planted_shrinkage_is_found_across_and_along_the_axis() {
    for (seed, shrink, counts, axis_deg) in [
        (501, [1.0, 1.0], 7500.0, 4.2),
        (502, [3.0, 2.0], 7500.0, 80.0),
        (503, [6.0, 5.0], 6000.0, 120.0),
        (504, [2.0, 0.0], 7500.0, 200.0),
        (505, [-2.0, 1.0], 1500.0, 33.0),
    ] {
        let plan = Plan { counts, axis_deg, ..repeated(seed, shrink) };
        let (_, assessed, truth) = plan.assess();
        let change = &assessed.record.measures.specimen_change;
        assert!(change.measured, "{seed}: {:?}", change.why_not);
        let found = [change.across_percent.unwrap(), change.along_percent.unwrap()];
        let errors = [change.across_error_percent.unwrap(), change.along_error_percent.unwrap()];
        for ((found, planted), error) in found.into_iter().zip(planted(&truth)).zip(errors) {
            println!("{seed}: planted {planted:+.3} found {found:+.3} ± {error:.3}, {} patches", change.patches);
            assert!((found - planted).abs() <= 0.1f64.max(0.1 * planted.abs()), "{seed}: {found} for {planted}");
            // The lens does not shrink with the specimen: a few hundredths of the change are lost in what it spreads.
            let honest = 5.0 * error + 0.03 * planted.abs();
            assert!((found - planted).abs() <= honest, "{seed}: {found} ± {error} for {planted}");
        }
        assert!(change.rotation_deg.unwrap().abs() < 0.1);
        assert_eq!((change.tilt_deg.unwrap().abs() < 0.1, change.order_again), (true, Some(5)));
        let counts = change.counts_ratio.unwrap();
        assert!((counts - 1.0).abs() < 0.02, "{counts}");
    }
}

#[test]
fn clean_repeats_are_not_flagged() {
    let (mut pulls, mut passed) = (Vec::new(), 0);
    for seed in 520..542 {
        let counts = if seed % 2 == 0 { 7500.0 } else { 2500.0 };
        let (_, assessed, _) = Plan { counts, size_px: [320, 320], ..repeated(seed, [0.0; 2]) }.assess();
        let found = check(&assessed.record);
        assert!(!matches!(found.grade, Grade::Caution | Grade::Fail), "{seed}: {:?} {}", found.value, found.why);
        passed += usize::from(found.grade == Grade::Pass);
        let change = &assessed.record.measures.specimen_change;
        let known =
            |percent: Option<f64>, error: Option<f64>| percent.zip(error).map(|(percent, error)| percent / error);
        pulls.extend(known(change.across_percent, change.across_error_percent));
        pulls.extend(known(change.along_percent, change.along_error_percent));
        println!("{seed}: {:?} ± {:?}, {}", change.in_plane_percent, change.in_plane_error_percent, found.why);
    }
    assert!(passed >= 18, "{passed} of 22 clean repeats were told to be clean; the others were not measured");
    let rms = (pulls.iter().map(|pull| pull * pull).sum::<f64>() / pulls.len() as f64).sqrt();
    println!("pulls: rms {rms:.2} over {}", pulls.len());
    assert!((0.6..1.6).contains(&rms), "the stated errors are not what the errors are: {rms:.2}");
}

#[test]
fn shrinkage_beyond_the_limit_is_flagged_with_its_remedy() {
    let (_, assessed, truth) = repeated(551, [4.0, 1.0]).assess();
    let record = &assessed.record;
    let found = check(record);
    assert_eq!(found.grade, Grade::Caution, "{} for {:?}", found.why, planted(&truth));
    assert!(
        found.advice && found.why.contains("across the axis") && found.why.contains("pre-expose longer"),
        "{}",
        found.why
    );
    let next = record.verdict.next_time.join("; ");
    assert!(next.contains("until the section keeps its size") && next.contains("across the tilt axis"), "{next}");
    assert!(!record.verdict.costs.iter().any(|cost| cost.cause == "specimen_change"), "it leaves no tilt out");
    let repeat = assessed.evidence.curves.repeat.as_ref().unwrap();
    assert!(repeat.patches_px.len() >= 10 && record.tilts[repeat.tilt].tilt_deg.abs() < 0.1);
}

#[test]
fn a_repeat_that_lost_its_detail_says_so() {
    let more = "[[fault]]\ntilts_deg = [0.0]\nlast_only = true\nwhat = { blur = { sigma_px = 1.2 } }\n\
                [[fault]]\ntilts_deg = [0.0]\nlast_only = true\nwhat = { dim = { factor = 0.8 } }\n";
    let plan = Plan { more: more.into(), range_deg: [60.0, 10.0], size_px: [320, 320], ..repeated(561, [0.0; 2]) };
    let (_, assessed, _) = plan.assess();
    let change = &assessed.record.measures.specimen_change;
    let ratio = change.sharpness_ratio.unwrap();
    assert!(ratio < 0.8, "{ratio}");
    assert!((change.counts_ratio.unwrap() - 0.8).abs() < 0.02, "{:?}", change.counts_ratio);
    assert_eq!(check(&assessed.record).grade, Grade::Pass, "a blur is no change of size");
}

#[test]
fn without_a_repeat_or_with_another_field_nothing_is_measured() {
    let (_, assessed, _) = Plan { repeat_deg: Vec::new(), ..repeated(571, [3.0; 2]) }.assess();
    let change = &assessed.record.measures.specimen_change;
    assert!(!change.measured && change.why_not.as_ref().unwrap().contains("no angle was recorded twice"));
    assert_eq!(check(&assessed.record).grade, Grade::NotMeasured);
    assert!(change.in_plane_percent.is_none() && change.tilt_deg.is_none());
    // The field jumped away altogether: nothing of it is left in the later picture.
    let more =
        "[[fault]]\ntilts_deg = [0.0]\nlast_only = true\nwhat = { jump = { px = 300.0, direction_deg = 20.0 } }\n";
    let (_, assessed, _) = Plan { more: more.into(), ..repeated(572, [0.0; 2]) }.assess();
    let change = &assessed.record.measures.specimen_change;
    assert!(!change.measured && change.in_plane_percent.is_none() && change.why_not.is_some());
    assert_eq!(check(&assessed.record).grade, Grade::NotMeasured);
}
