//! Will it align? What would be left wrong in a volume aligned rigidly, and over how many tilts tracks live.
//!
//! Two figures, one check: where the share of tilts is graded worse than what is left, the share is the value, with limits
//! of its own ([`settled`]).

use super::words::{limit, percent};
use super::{Case, Definition, Outcome, Values};
use crate::judge::profile::{CheckLimits, Term, Yardsticks};
use crate::measured::NotMeasured;
use crate::record::alignment::Alignment;
use crate::record::{Grade, Sense, Tilt};

/// Its id.
pub const ID: &str = "alignment_outlook";
const SHARE: &str = "share of the tilts followed";

/// The check.
pub const CHECK: Definition = Definition {
    id: ID,
    title: "Outlook on alignment",
    unit: "nm left after alignment",
    sense: Sense::Above,
    values,
    sentence,
};

fn values(case: &Case<'_>) -> Values {
    let alignment = &case.measures.alignment;
    let share = share(alignment, case.tilts);
    let why = || NotMeasured::because(alignment.why_not.clone().unwrap_or_else(|| "it was not looked at".into()));
    let figure = if by_share(case.limits) { share } else { alignment.left_nm };
    let no_size = || NotMeasured::because("the pixel size is not stated (camera.pixel_nm)");
    Values::Series(match (alignment.measured, figure) {
        (false, _) => Err(why()),
        (true, figure) => figure.ok_or_else(no_size),
    })
}

/// Share of the tilts that show a picture and are not left out over which enough tracks live.
fn share(alignment: &Alignment, tilts: &[Tilt]) -> Option<f64> {
    let of = |tilt: &Tilt| tilt.alignment.as_ref().filter(|a| a.shown && !tilt.exclude).map(|a| a.shift_x_px.is_some());
    let followed: Vec<bool> = tilts.iter().filter_map(of).collect();
    match followed.len() {
        _ if !alignment.measured => None,
        0 => alignment.followed_fraction,
        n => Some(followed.iter().filter(|followed| **followed).count() as f64 / n as f64),
    }
}

fn by_share(limits: &CheckLimits) -> bool {
    limits.unit == Some(SHARE)
}

/// The limits that the check is judged by: those of the share of tilts where it is the worse figure, or the only one.
pub fn settled(limits: &CheckLimits, alignment: &Alignment, tilts: &[Tilt], yardsticks: &Yardsticks) -> CheckLimits {
    let number = |term: Option<Term>| term.and_then(|term| term.number(yardsticks));
    let rank = |beyond: [bool; 2]| u8::from(beyond[0]) + u8::from(beyond[1]);
    let by_left = |left: f64| rank([limits.caution, limits.fail].map(|term| number(term).is_some_and(|l| left > l)));
    let by_share = |share: f64| {
        rank([limits.followed_caution, limits.followed_fail].map(|term| number(term).is_some_and(|l| share < l)))
    };
    let share_counts = match (share(alignment, tilts), alignment.left_nm) {
        (Some(share), Some(left)) => by_share(share) > by_left(left),
        (Some(_), None) => true,
        _ => false,
    };
    if !share_counts {
        return limits.clone();
    }
    CheckLimits {
        caution: limits.followed_caution,
        fail: limits.followed_fail,
        sense: Some(Sense::Below),
        unit: Some(SHARE),
        ..limits.clone()
    }
}

fn sentence(case: &Case<'_>, found: &Outcome<'_>) -> String {
    let alignment = &case.measures.alignment;
    let outlook = alignment.outlook.clone().unwrap_or_else(|| "nothing is told of it".into());
    if found.grade == Grade::Pass {
        return outlook;
    }
    if by_share(case.limits) {
        return format!(
            "{outlook}; {} of the tilts are followed (limit {}): {}",
            percent(found.value),
            limit(found, 2),
            remedy(alignment)
        );
    }
    let growing = alignment.warp_nm.zip(alignment.warp_grows_with.as_deref());
    let cause = growing.map_or(String::new(), |(nm, with)| {
        let with = if with == "dose" { "the dose" } else { "the order of acquisition" };
        format!("; the specimen moves in itself, by {nm:.1} nm at the end, and more with {with}")
    });
    format!(
        "{outlook}{cause} (limit {} nm): align with local corrections, and next time expose before the series until the \
         specimen has settled, or spend less dose",
        limit(found, 2)
    )
}

fn remedy(alignment: &Alignment) -> &'static str {
    match alignment.followed.as_deref() {
        Some("beads") => "leave out what is not followed, or record it again",
        _ => "next time add gold particles, choose a field with more structure, or spend more electrons on a tilt",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::judge::Profile;
    use crate::record::Specimen;

    #[test]
    fn the_worse_of_the_two_figures_is_judged() {
        let profile = Profile::find(Some("resin-section"), Specimen::Other).unwrap();
        let yardsticks = Yardsticks {
            step_deg: None,
            resolution_nm: 3.0,
            wanted_defocus_um: None,
            wavelength_nm: None,
            pixel_nm: None,
            reserve_for_range: None,
        };
        let by_share = |left_nm, followed_fraction| {
            let alignment = Alignment { measured: true, left_nm, followed_fraction, ..Alignment::default() };
            by_share(&settled(&profile.checks[ID], &alignment, &[], &yardsticks))
        };
        assert!(!by_share(Some(0.2), Some(1.0)) && !by_share(Some(1.4), Some(0.7)), "alike: what is left is told");
        assert!(by_share(Some(0.2), Some(0.7)) && by_share(Some(1.4), Some(0.4)) && by_share(None, Some(0.0)));
    }
}
