//! Does each picture look as its stated angle says? A wrong angle smears a reconstruction, and is easily put right.

use super::words::{angles, limit};
use super::{Case, Definition, Outcome, Values};
use crate::measured::NotMeasured;
use crate::record::{Sense, Tilt};

/// The check.
pub const CHECK: Definition = Definition {
    id: "stated_angle",
    title: "Angles that belong to their pictures",
    unit: "degrees off at least",
    sense: Sense::Above,
    values,
    sentence,
};

/// Angles named with what they seem to be.
const MOST_NAMED: usize = 3;
const REMEDY: &str = "put the angle right in the table, or leave the picture out";

fn values(case: &Case<'_>) -> Values {
    let off = |tilt: &Tilt| {
        let off = tilt.angle.as_ref().and_then(|angle| angle.off_at_least_deg);
        off.ok_or_else(|| NotMeasured::because("the pictures have too little in common to tell one angle from another"))
    };
    Values::Tilts(case.tilts.iter().map(off).collect())
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    if found.tilts_deg.is_empty() {
        return "every picture looks as its angle says".into();
    }
    if is_whole_list(found.tilts_deg.len(), case.tilts.len(), case.limits.whole_from_share) {
        return whole_list(found.tilts_deg.len(), case.tilts.len());
    }
    let flagged = case.tilts.iter().filter(|tilt| found.tilts_deg.contains(&tilt.tilt_deg));
    let seems = |tilt: &Tilt| Some((tilt.tilt_deg, tilt.angle.as_ref()?.seems_deg?));
    let seems = flagged.filter_map(seems).take(MOST_NAMED);
    let seems: Vec<String> = seems.map(|(stated, seems)| format!("{stated:+.1}° like about {seems:+.0}°")).collect();
    let which = angles(found.tilts_deg, "does not show", "do not show");
    let (off, limit) = (found.value, limit(found, 1));
    if seems.is_empty() {
        return format!("{which} what the angle says, {off:.1}° off at least (limit {limit}): {REMEDY}");
    }
    let seems = seems.join(", ");
    format!("{which} what the angle says ({seems}), {off:.1}° off at least (limit {limit}): {REMEDY}")
}

/// Whether so many tilts of all are off that the list does not belong to the stack.
pub fn is_whole_list(off: usize, all: usize, from_share: Option<f64>) -> bool {
    from_share.is_some_and(|share| off as f64 >= share * all as f64)
}

fn whole_list(off: usize, all: usize) -> String {
    format!(
        "{off} of {all} pictures look more like those of angles far off than like those beside them: the angles do not \
         stand in the order of the pictures; put the table right and assess again"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quarter_of_all_angles_is_the_whole_list() {
        assert!(is_whole_list(10, 40, Some(0.25)) && !is_whole_list(9, 40, Some(0.25)) && !is_whole_list(40, 40, None));
    }
}
