//! What is left decides, and the verdict says why: a sound demo series, its figures changed by hand, judged again.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use std::path::Path;
use std::sync::OnceLock;
use tiltworth::intake::{Request, load};
use tiltworth::judge::{Profile, judge};
use tiltworth::record::{Answer, Check, DetailMeasure, Grade, Measures, Record, Tilt, Verdict};

/// The sound montage among the demo stacks: 41 tilts from -60° to +60° in steps of 3°.
fn sound() -> Record {
    static RECORD: OnceLock<Record> = OnceLock::new();
    let make = || {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-stacks/kelp-chloroplast");
        let series = load(&Request { path, ..Request::default() }).unwrap();
        let profile = Profile::find(None, series.specimen).unwrap();
        tiltworth::assess::assess(&series, &profile, &|| (), &|| true).unwrap().0
    };
    RECORD.get_or_init(make).clone()
}

fn judged_by(profile: &str, change: impl FnOnce(&mut [Tilt], &mut Measures)) -> (Vec<Check>, Verdict, Vec<Tilt>) {
    let mut record = sound();
    change(&mut record.tilts, &mut record.measures);
    let profile = Profile::find(Some(profile), record.series.specimen).unwrap();
    let (checks, verdict) = judge(&record.series, &mut record.tilts, &record.measures, &profile);
    (checks, verdict, record.tilts)
}

fn judged(change: impl FnOnce(&mut [Tilt], &mut Measures)) -> (Vec<Check>, Verdict, Vec<Tilt>) {
    judged_by("resin-section", change)
}

fn blur(tilts: &mut [Tilt], which: impl IntoIterator<Item = usize>) {
    for at in which {
        (tilts[at].sharpness.relative, tilts[at].sharpness.relative_at_most) = (Some(0.3), Some(0.4));
    }
}

fn grade(checks: &[Check], id: &str) -> Grade {
    checks.iter().find(|check| check.id == id).unwrap().grade
}

#[test]
fn a_sound_series_has_nothing_against_it_and_no_alternatives() {
    let (checks, verdict, tilts) = judged(|_, _| ());
    assert_eq!(verdict.answer, Answer::Reconstruct);
    assert!(checks.iter().all(|check| check.grade != Grade::Fail), "{:?}", verdict.reasons);
    assert!(verdict.alternatives.is_empty() && verdict.costs.is_empty() && verdict.what_if.is_none());
    assert!(tilts.iter().all(|tilt| !tilt.exclude));
    assert_eq!(verdict.reasons.len(), verdict.reason_checks.len());
}

#[test]
fn an_end_costs_range_and_the_middle_costs_a_gap() {
    let (_, verdict, _) = judged(|tilts, _| blur(tilts, [20, 40]));
    assert_eq!(verdict.exclude_tilts_deg.len(), 2);
    let [middle, end] = [&verdict.costs[0], &verdict.costs[1]];
    assert!(end.gap_without_deg.unwrap() - end.gap_with_deg.unwrap() < 0.05, "{end:?}");
    assert!((end.range_with_deg.unwrap() - end.range_without_deg.unwrap() - 3.0).abs() < 0.05, "{end:?}");
    assert!((middle.gap_without_deg.unwrap() - middle.gap_with_deg.unwrap() - 3.0).abs() < 0.05, "{middle:?}");
    assert_eq!(middle.range_with_deg, middle.range_without_deg);
}

#[test]
fn four_neighbours_go_at_the_end_and_stay_in_the_middle() {
    // 15 % of 41 are 6, so that the number alone forbids neither.
    let (_, at_the_end, _) = judged(|tilts, _| blur(tilts, 37..41));
    assert_eq!((at_the_end.exclude_tilts_deg.len(), at_the_end.low_weight_tilts_deg.len()), (4, 0));
    let (_, in_the_middle, _) = judged(|tilts, _| blur(tilts, 19..23));
    // A gap of 15° inside ±20° weighs 15 + 12; 15° can be borne.
    assert!(!in_the_middle.low_weight_tilts_deg.is_empty(), "{:?}", in_the_middle.exclude_tilts_deg);
    assert_eq!(in_the_middle.answer, Answer::ReconstructWithout);
    let stays = in_the_middle.alternatives.iter().find(|a| a.chosen).unwrap();
    assert!(stays.sentence.contains("; with a low weight stay blur at "), "{}", stays.sentence);
}

#[test]
fn alternatives_say_in_words_what_they_cost() {
    let (_, verdict, _) = judged(|tilts, _| blur(tilts, [10, 20, 40]));
    let sentences: Vec<&str> = verdict.alternatives.iter().map(|a| a.sentence.as_str()).collect();
    assert!(sentences[0].starts_with("leave out 3 tilts (-30.0°, +0.0°, +60.0°): gap 6.0°, range 120 → 117°, "));
    // D Δθ: 100 nm × 120°/40 = 5.24 nm; 100 nm × 117°/37 = 5.52 nm.
    assert!(sentences[0].ends_with("resolution 5.2 → 5.5 nm"), "{sentences:?}");
    assert!(
        sentences[1]
            .starts_with("keep all 41 tilts: gap 3.0°, resolution 5.2 nm; with a low weight stay blur at -30.0°, "),
        "{sentences:?}"
    );
    assert_eq!(verdict.alternatives.iter().filter(|a| a.chosen).count(), 1);
}

#[test]
fn many_blurred_tilts_are_not_made_good_by_leaving_them_out() {
    let (_, verdict, _) = judged(|tilts, _| blur(tilts, (0..41).step_by(3)));
    // Every third is bad, 14 tilts: 15 % of 41 are six, and the others are kept with a low weight.
    assert_eq!((verdict.exclude_tilts_deg.len(), verdict.low_weight_tilts_deg.len()), (6, 8));
}

/// What most tilts have is the series': none of them is singled out.
#[test]
fn a_fault_of_most_tilts_leaves_none_out() {
    let (_, verdict, _) = judged(|tilts, _| blur(tilts, 0..21));
    assert_eq!((verdict.exclude_tilts_deg.len(), verdict.low_weight_tilts_deg.len()), (0, 21));
}

#[test]
fn a_dark_tilt_is_dark_and_nothing_else() {
    let (checks, verdict, tilts) = judged(|tilts, _| {
        let tilt = &mut tilts[9];
        tilt.counts.dark_area_fraction = Some(0.9);
        tilt.counts.ratio_to_target = Some(0.1);
        tilt.counts.mean_over_run = Some(0.1);
        (tilt.sharpness.relative, tilt.sharpness.relative_at_most) = (Some(0.2), Some(0.3));
        tilt.sharpness.directional_loss = Some(0.9);
        tilt.tracking.as_mut().unwrap().step_px = Some(150.0);
    });
    assert_eq!(tilts[9].flags, ["dark_area"]);
    for id in ["counts_target", "count_outlier", "sharpness_drop", "directional_blur", "tracking_step"] {
        assert!(tilts[9].not_judged.contains(&format!("{id}: dark")), "{id}: {:?}", tilts[9].not_judged);
        assert_eq!(grade(&checks, id), Grade::Pass, "{id}");
    }
    assert_eq!(verdict.costs[0].cause, "dark_area");
}

#[test]
fn too_few_electrons_come_before_blur_and_an_odd_count() {
    let (_, _, tilts) = judged(|tilts, _| {
        tilts[9].counts.ratio_to_target = Some(0.2);
        tilts[9].counts.mean_over_run = Some(0.2);
        blur(tilts, [9]);
    });
    assert_eq!(tilts[9].flags, ["counts_target"]);
    assert!(tilts[9].not_judged.contains(&"sharpness_drop: too few electrons".to_owned()));
}

#[test]
fn undecided_has_its_reason() {
    let (_, untracked, _) = judged(|tilts, _| tilts.iter_mut().for_each(|tilt| tilt.tracking = None));
    assert_eq!(untracked.answer, Answer::Undecided);
    assert!(untracked.headline.starts_with("Undecided: the field could not be followed from tilt to tilt"));
    let (_, unordered, _) = judged_by("vitrified", |_, measures| measures.coverage.order_source = "assumed".into());
    assert_eq!(unordered.answer, Answer::Undecided);
    assert!(
        unordered.headline.starts_with("Undecided: the order of acquisition is not known"),
        "{}",
        unordered.headline
    );
    // On resin the order is not needed.
    let (_, resin, _) = judged(|_, measures| measures.coverage.order_source = "assumed".into());
    assert_eq!(resin.answer, Answer::Reconstruct);
}

#[test]
fn a_series_that_is_bad_throughout_is_told_by_its_anchor() {
    // All tilts alike: each lies on the run of the others.
    let (checks, verdict, _) = judged(|_, measures| {
        let (signal_to_nm, ends_with_the_pixels) = (Some(6.0), false);
        measures.detail = DetailMeasure { signal_to_nm, ends_with_the_pixels, ..measures.detail.clone() };
    });
    assert_eq!(grade(&checks, "sharpness_drop"), Grade::Pass);
    assert_eq!(grade(&checks, "detail_limit"), Grade::Caution);
    assert!(verdict.reasons[0].starts_with("Finest detail of the tilts: the tilts carry signal to 6.0 nm"));
    assert!(verdict.next_time[0].starts_with("Find what blurs every tilt"), "{:?}", verdict.next_time);
    // Without an anchor the pass says what it is worth.
    let (checks, ..) = judged(|_, measures| measures.detail = DetailMeasure::default());
    assert_eq!(grade(&checks, "detail_limit"), Grade::NotMeasured);
    let sharpness = checks.iter().find(|check| check.id == "sharpness_drop").unwrap();
    assert!(sharpness.why.ends_with("(it passes against itself only)"), "{}", sharpness.why);
}

#[test]
fn a_field_that_most_tilts_do_not_share_is_not_worth_it() {
    let lose = |tilts: &mut [Tilt], from: usize| {
        for tilt in &mut tilts[from..] {
            let tracking = tilt.tracking.as_mut().unwrap();
            tracking.shared_area_fraction = Some(0.4);
            tracking.shared_area_worst_tile_fraction = Some(0.4);
        }
    };
    let (_, half, _) = judged(|tilts, _| lose(tilts, 20));
    assert_eq!(half.answer, Answer::DoNotReconstruct);
    assert!(half.headline.contains("of the recorded tilts show the common field; at least 75 % are needed"));
    let (_, end, _) = judged(|tilts, _| lose(tilts, 38));
    assert_eq!((end.answer, end.exclude_tilts_deg.len()), (Answer::ReconstructWithout, 3));
}

#[test]
fn a_range_too_ambitious_for_the_specimen_is_noted_with_one_that_would_do() {
    let thick = |tau: f64| {
        judged(move |_, measures| {
            let thickness = measures.thickness.as_mut().unwrap();
            thickness.attenuation_lengths = Some(tau);
            thickness.steepest_transmission_fraction = Some((-tau / 60f64.to_radians().cos()).exp());
        })
        .1
    };
    // exp(-1.8 / 0.5) = 2.7 %; cos θ = 1.8 / ln 20 = 0.6009, θ = 53.1°.
    let verdict = thick(1.8);
    let note = verdict.reasons.iter().find(|reason| reason.starts_with("The range is ambitious")).unwrap();
    assert!(note.contains("2.7 % of the electrons") && note.ends_with("to ±53° it would be 5 % or more"), "{note}");
    assert!(thick(1.4).reasons.iter().all(|reason| !reason.starts_with("The range is ambitious")));
}

#[test]
fn a_loss_that_chance_may_have_made_is_not_judged() {
    let lost = |at_most: f64| {
        let (_, _, tilts) = judged(|tilts, _| {
            blur(tilts, [10]);
            tilts[10].sharpness.relative_at_most = Some(at_most);
        });
        tilts[10].flags.clone()
    };
    assert_eq!(lost(0.99), ["sharpness_drop"]);
    assert!(lost(1.01).is_empty());
}

/// The series has a row of tiles: one that is ruined is a caution, all of them are a failure.
#[test]
fn a_ruined_tile_is_told_and_named() {
    let ruined = |tiles: usize| {
        let (checks, verdict, tilts) = judged(|tilts, _| {
            for tile in &mut tilts[12].tiles[..tiles] {
                (tile.sharpness.relative, tile.sharpness.relative_at_most) = (Some(0.05), Some(0.2));
            }
        });
        (grade(&checks, "sharpness_drop"), verdict.reasons.join("; "), tilts[12].exclude)
    };
    assert_eq!(sound().tilts[12].tiles.len(), 3);
    let (one, reasons, out) = ruined(1);
    assert!(one == Grade::Caution && !out, "{reasons}");
    assert!(reasons.contains("there in the tile at column 0, row 0"), "{reasons}");
    let (all, _, out) = ruined(3);
    assert!(all == Grade::Fail && out);
    let (checks, _, tilts) = judged(|tilts, _| tilts[12].tiles[2].sharpness.directional_loss = Some(1.0));
    assert_eq!((grade(&checks, "directional_blur"), tilts[12].exclude), (Grade::Caution, false));
}

fn jump(tilt: &mut Tilt, stays: bool) {
    let tracking = tilt.tracking.as_mut().unwrap();
    (tracking.step_px, tracking.step_stays) = (Some(200.0), Some(stays));
}

#[test]
fn a_jump_after_which_the_field_stays_costs_no_tilt() {
    let (checks, _, tilts) = judged(|tilts, _| jump(&mut tilts[14], true));
    assert!(grade(&checks, "tracking_step") == Grade::Fail && !tilts[14].exclude);
    let (_, _, tilts) = judged(|tilts, _| jump(&mut tilts[14], false));
    assert!(tilts[14].exclude);
    // What it leaves in common is judged all the same.
    let (_, _, tilts) = judged(|tilts, _| {
        jump(&mut tilts[14], true);
        tilts[14].tracking.as_mut().unwrap().shared_area_fraction = Some(0.3);
    });
    assert!(tilts[14].exclude && tilts[14].flags.contains(&"shared_area".to_owned()), "{:?}", tilts[14].flags);
}
