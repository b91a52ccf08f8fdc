//! A quick part of the table of the judgement (`cargo bench --bench judgement`): plain faults of single tilts are told under
//! the right id, they alone are left out, and sound series raise nothing.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "support/judgement.rs"]
mod judgement;

use judgement::{Score, judge, planted_case};
use tiltworth::trial::kinds::KINDS;
use tiltworth::trial::plant::Planted;
use tiltworth::trial::sound::{Wish, sound};

/// Seeds of this test alone.
const SEED: u64 = 8_200_000;

fn planted(name: &str) -> Score {
    let at = KINDS.iter().position(|kind| kind.name == name).unwrap();
    let score = judge(&planted_case(&KINDS[at], SEED + at as u64, 0));
    println!("{score:?}");
    score
}

#[test]
fn plain_faults_of_single_tilts_are_told_and_left_out() {
    for name in
        ["drift", "blur", "bar", "beam edge", "clipped", "dim, with a target", "jump", "unreadable", "angle mistyped"]
    {
        let score = planted(name);
        assert_eq!(score.told, score.planted, "{name}: {:?}", score.details);
        assert_eq!(score.lists, [score.planted, 0, 0], "{name}: rightly out, wrongly out, missed");
        assert_eq!(score.answers.0, score.answers.1, "{name}");
    }
}

#[test]
fn faults_of_what_is_stated_are_told_and_cost_no_tilt() {
    for name in ["pause", "gain stated wrong", "short pre-exposure", "weak beam", "short range", "hole at the side"] {
        let score = planted(name);
        assert_eq!(score.told, 1, "{name}: {:?}", score.details);
        assert_eq!(score.lists[1], 0, "{name}: nothing is left out");
        assert_eq!(score.answers.0, score.answers.1, "{name}");
    }
}

#[test]
fn a_list_of_angles_in_another_order_is_told_and_worth_no_reconstruction() {
    let score = planted("angles in another order");
    assert_eq!((score.told, score.answers.0), (1, score.answers.1), "{score:?}");
}

/// A jump of half the frame that stays leaves no tilt after it without a flag; whether it is told as a jump or as another
/// field hangs on how far the tilt could be followed.
#[test]
fn a_field_that_was_lost_is_told() {
    let score = planted("field lost at the end");
    assert_eq!(score.clean_flagged, 0, "{score:?}");
    let as_a_jump = score.details.iter().filter(|line| line.contains("tracking_step [")).count();
    assert_eq!(score.told + as_a_jump, score.planted, "{score:?}");
}

/// A jump beyond the near reach at a tilt with a look-alike within it; a look-alike behind a hole of 24°.
#[test]
fn look_alikes_are_taken_for_no_field() {
    for (name, seed, nth) in [("jump", 8_810_029, 2), ("hole at the side", 8_810_111, 0)] {
        let kind = KINDS.iter().find(|kind| kind.name == name).unwrap();
        let score = judge(&planted_case(kind, seed, nth));
        assert!(score.is_right(), "{score:?}");
    }
}

/// Pixels that show one broad ring and no second minimum: no underfocus is told; and no field is lost with a tile that is
/// not there.
#[test]
fn coarse_pixels_and_a_lacking_tile_flag_no_focus_and_no_field() {
    let at = KINDS.iter().position(|kind| kind.name == "tile lacking").unwrap();
    for seed in [SEED + 40, SEED + 41] {
        let score = judge(&planted_case(&KINDS[at], seed, 0));
        assert_eq!(score.told, score.planted, "{score:?}");
        let flagged = |id: &str| score.false_flags.iter().chain(&score.second_flags).any(|(_, flag)| flag == id);
        assert!(!flagged("defocus_error") && !flagged("shared_area"), "{score:?}");
        assert_eq!(score.lists, [0, 0, 0], "{score:?}");
    }
}

#[test]
fn sound_series_are_worth_reconstructing() {
    for (at, specimen) in [(0, tiltworth::record::Specimen::ResinSection), (1, tiltworth::record::Specimen::Vitrified)]
    {
        let wish = Wish { side_px: Some(256), step_deg: Some(6.0), ..Wish::of(specimen) };
        let case =
            judgement::Case { kind: None, strength: 0.0, planted: Planted::sound(sound(SEED + 900 + at, &wish)) };
        let score = judge(&case);
        assert_eq!(score.answers.0, score.answers.1, "{score:?}");
        assert_eq!(score.lists[1], 0, "{score:?}");
        assert!(score.false_fails.is_empty(), "{score:?}");
        assert_eq!(score.clean_flagged, 0, "{score:?}");
    }
}

/// A shadow over a third of one tilt, in steps so coarse that nothing is tied over a neighbour: the tilts beyond show the same
/// field.
#[test]
fn a_shadow_hides_no_field() {
    let at = KINDS.iter().position(|kind| kind.name == "beam edge").unwrap();
    let score = judge(&planted_case(&KINDS[at], 9_810_014, 1));
    assert!(score.is_right(), "{score:?}");
}

/// A bar of the grid over a third of one tilt or two, in steps as coarse: its edge has more contrast than the specimen, and the
/// tilts beyond show the same field.
#[test]
fn a_bar_is_not_followed() {
    let kind = KINDS.iter().find(|kind| kind.name == "bar").unwrap();
    for (seed, nth) in [(10_110_009, 0), (10_110_012, 3)] {
        let score = judge(&planted_case(kind, seed, nth));
        assert!(score.is_right(), "{score:?}");
    }
}
