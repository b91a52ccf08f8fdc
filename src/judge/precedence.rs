//! One cause, one flag: where a graver fault explains a tilt, lesser checks are not judged on it, and say so.
//!
//! The order of precedence: unreadable, dark, too few electrons, clipped, counts off their run, smeared, blurred, of another
//! angle, jumped, out of the common field, bent seams. A cause must have failed; of two checks that tell the same, the first speaks for
//! both from a caution on; a shadow that is a mere caution explains no more than its share of the counts.

use crate::judge::checks::tracking_step;
use crate::judge::grading::{Look, is_flag};
use crate::record::{Grade, Tilt};

/// What pictures that show nothing cannot be charged with.
const OF_PICTURES: &[&str] = &[
    "sharpness_drop",
    "directional_blur",
    "tracking_step",
    "shared_area",
    "target_visible",
    "first_after_reversal",
    "seam_offset",
    "seam_residual",
    "seam_distortion",
];
/// What brightness cannot be charged with.
const OF_COUNTS: &[&str] = &["counts_target", "count_outlier", "saturation", "seam_intensity"];
/// What few electrons or clipped pixels make unsure.
const OF_DETAIL: &[&str] =
    &["sharpness_drop", "directional_blur", "seam_residual", "seam_distortion", "defocus_error", "astigmatism"];
/// What rings that do not show cannot be charged with.
const OF_FOCUS: &[&str] = &["defocus_error", "astigmatism"];

/// What leaves a picture in which nothing is found of the field, though the field may be there.
const HIDES_THE_FIELD: &[&str] =
    &["counts_target", "saturation", "count_outlier", "directional_blur", "sharpness_drop"];
const OF_THE_FIELD: &[&str] = &["shared_area", "target_visible"];

/// A cause, its word where it stands in for a figure, and the checks that it explains.
struct Cause {
    check: &'static str,
    word: &'static str,
    explains: &'static [&'static [&'static str]],
}

/// What explains what, the gravest first.
const ORDER: &[Cause] = &[
    Cause {
        check: "unreadable_section",
        word: "unreadable",
        explains: &[&["dark_area"], OF_COUNTS, OF_PICTURES, OF_FOCUS],
    },
    Cause { check: "dark_area", word: "dark", explains: &[OF_COUNTS, OF_PICTURES, OF_FOCUS] },
    Cause { check: "counts_target", word: "too few electrons", explains: &[&["count_outlier"], OF_DETAIL] },
    Cause { check: "saturation", word: "clipped", explains: &[&["count_outlier"], OF_DETAIL] },
    Cause { check: "count_outlier", word: "counts off their run", explains: &[OF_DETAIL] },
    Cause {
        check: "directional_blur",
        word: "smeared",
        explains: &[&["sharpness_drop", "seam_residual", "seam_distortion"], OF_FOCUS],
    },
    Cause { check: "sharpness_drop", word: "blurred", explains: &[&["seam_residual", "seam_distortion"], OF_FOCUS] },
    Cause {
        check: "stated_angle",
        word: "of another angle",
        explains: &[&["tracking_step", "first_after_reversal"], OF_THE_FIELD],
    },
    Cause {
        check: "tracking_step",
        word: "jumped",
        explains: &[&["shared_area", "target_visible", "first_after_reversal"]],
    },
    Cause { check: "shared_area", word: "out of the common field", explains: &[&["target_visible"]] },
    Cause { check: "seam_distortion", word: "bent seams", explains: &[&["seam_residual"]] },
];

/// Two checks that tell the same of a tilt: the first explains the second where it is graded as badly, cautions too.
const SAME: &[(&str, &str, &str)] = &[
    ("counts_target", "too few electrons", "count_outlier"),
    ("directional_blur", "smeared", "sharpness_drop"),
    ("first_after_reversal", "turned round before", "tracking_step"),
    ("seam_distortion", "bent seams", "seam_residual"),
];

/// Takes lesser checks off tilts that a graver fault explains, and notes it on the tilt.
pub fn set_aside(looks: &mut [Look], tilts: &mut [Tilt]) {
    for (at, tilt) in tilts.iter_mut().enumerate() {
        tilt.not_judged.clear();
        for cause in ORDER {
            // Where the field stays displaced, how much of it is left in common is judged of every tilt, the first too.
            if cause.check == tracking_step::ID && !tracking_step::leaving_out_cures(tilt) {
                continue;
            }
            let failed = |look: &&Look| look.id() == cause.check && look.grade_of(at) == Some(Grade::Fail);
            if looks.iter().any(|look| failed(&look)) {
                for &lesser in cause.explains.iter().copied().flatten() {
                    // A shadow upon the operator's area is what is asked there.
                    if !(lesser == "target_visible" && cause.check == "dark_area" && has_shadow_on_area(tilt)) {
                        set_aside_all(looks, tilt, at, cause.word, &[lesser]);
                    }
                }
                if HIDES_THE_FIELD.contains(&cause.check) && has_no_place(tilt) {
                    set_aside_all(looks, tilt, at, cause.word, OF_THE_FIELD);
                }
            }
        }
        for &(cause, word, other) in SAME {
            let grade = |id: &str| looks.iter().find(|look| look.id() == id).and_then(|look| look.grade_of(at));
            // A failure is kept, as only that may leave the tilt out.
            if grade(cause).is_some_and(is_flag)
                && grade(other).is_some_and(is_flag)
                && grade(other) != Some(Grade::Fail)
                || grade(cause) == Some(Grade::Fail)
            {
                set_aside_all(looks, tilt, at, word, &[other]);
            }
        }
        if shadow_explains_counts(looks, tilt, at) {
            set_aside_all(looks, tilt, at, "partly dark", &["counts_target", "count_outlier"]);
        }
    }
}

fn set_aside_all(looks: &mut [Look], tilt: &mut Tilt, at: usize, word: &str, lesser: &[&str]) {
    for look in looks.iter_mut().filter(|look| lesser.contains(&look.id())) {
        if look.value_of(at).is_some() {
            look.set_aside(at, word);
            tilt.not_judged.push(format!("{}: {word}", look.id()));
        }
    }
}

fn has_shadow_on_area(tilt: &Tilt) -> bool {
    tilt.tracking.as_ref().and_then(|tracking| tracking.target_dark_fraction).is_some_and(|dark| dark > 0.0)
}

fn has_no_place(tilt: &Tilt) -> bool {
    tilt.tracking.as_ref().is_none_or(|tracking| tracking.shift_x_px.is_none())
}

/// A small shadow is no failure, but it takes its own share of the counts.
fn shadow_explains_counts(looks: &[Look], tilt: &Tilt, at: usize) -> bool {
    let shadow = |look: &&Look| look.id() == "dark_area" && look.grade_of(at) == Some(Grade::Caution);
    let Some(times) = looks.iter().find(shadow).and_then(|look| look.limits.explains_counts_times) else {
        return false;
    };
    let (Some(dark), Some(over)) = (tilt.counts.dark_area_fraction, tilt.counts.mean_over_run) else { return false };
    over < 1.0 && 1.0 - over <= times * dark
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::judge::checks::definition;

    #[test]
    fn every_cause_and_all_that_it_explains_are_checks() {
        for cause in ORDER {
            assert!(definition(cause.check).is_some(), "{}", cause.check);
            for id in cause.explains.iter().copied().flatten() {
                assert!(definition(id).is_some(), "{id}");
                assert_ne!(*id, cause.check);
            }
        }
    }

    /// Nothing explains what is graver than itself, so that the order of the list is the order of precedence.
    #[test]
    fn the_order_has_no_circle() {
        let place = |id: &str| ORDER.iter().position(|cause| cause.check == id);
        for (at, cause) in ORDER.iter().enumerate() {
            for id in cause.explains.iter().copied().flatten() {
                assert!(place(id).is_none_or(|lesser| lesser > at), "{} before {id}", cause.check);
            }
        }
    }
}
