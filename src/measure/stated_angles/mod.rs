//! Do the stated angles belong to their pictures? A list in another order than the stack, a sign that got lost, a mistyped
//! angle: pictures resemble those of other angles more ([`elsewhere`]), or places lie as they do at another angle
//! ([`by_tracks`]).

pub mod by_tracks;
pub mod elsewhere;
pub mod likeness;

use crate::measure::stated_angles::by_tracks::ByTracks;
use crate::measure::stated_angles::elsewhere::{Standing, standings};
use crate::measure::stated_angles::likeness::Likeness;
use crate::measure::tracking::kept::Kept;
use crate::numerics::median::upper_median;
use crate::numerics::registration::image::Image;
use crate::record::angles::TiltAngle;

/// Two pictures that vouch for a third lie no further apart than so many steps, or they say no angle.
const TOGETHER_STEPS: f64 = 3.5;
/// With so few pictures no other place in the list is likelier.
const FEWEST_PICTURES: usize = 6;
/// Where this share of the tilts that show a picture stand elsewhere, the list as a whole does not belong to the stack.
const DISORDER: f64 = 0.25;

/// What the pictures by themselves say of each tilt's angle, ascending; `None` where one shows nothing.
pub fn by_pictures(angles_deg: &[f64], pictures: &[Option<Kept>]) -> Vec<TiltAngle> {
    let shown: Vec<usize> = (0..angles_deg.len()).filter(|&at| pictures[at].is_some()).collect();
    let mut told = vec![TiltAngle::default(); angles_deg.len()];
    let images: Vec<Image> = pictures.iter().flatten().map(Kept::image).collect();
    let likeness = Likeness::of(&images.iter().collect::<Vec<&Image>>());
    let Some(mut likeness) = likeness.filter(|likeness| likeness.count() >= FEWEST_PICTURES) else { return told };
    let listed: Vec<f64> = shown.iter().map(|&at| angles_deg[at]).collect();
    for (&at, standing) in shown.iter().zip(standings(&mut likeness)) {
        told[at] = angle(&listed, angles_deg[at], standing);
    }
    if is_disordered(&told) { told } else { told.into_iter().map(placed).collect() }
}

/// Of a list in order: two pictures far from each other that a third resembles have something in common with it, a shadow or a
/// burnt patch, and say no angle.
fn placed(told: TiltAngle) -> TiltAngle {
    let is_off = told.off_at_least_deg.is_some_and(|off| off > 0.0);
    if is_off && told.seems_deg.is_none() { TiltAngle::default() } else { told }
}

/// What a standing in the list of angles says of the stated one.
fn angle(listed: &[f64], stated: f64, standing: Standing) -> TiltAngle {
    let Standing::Elsewhere(like) = standing else {
        let off_at_least_deg = (standing == Standing::AtHome).then_some(0.0);
        return TiltAngle { off_at_least_deg, ..TiltAngle::default() };
    };
    let [a, b] = like.map(|at| listed[at]);
    let step = upper_median(listed.windows(2).map(|pair| pair[1] - pair[0])).unwrap_or(0.0);
    let seems_deg = ((a - b).abs() <= TOGETHER_STEPS * step).then_some(0.5 * (a + b));
    let off = [a, b].map(|deg| (deg - stated).abs());
    TiltAngle { off_at_least_deg: Some(off[0].min(off[1])), seems_deg, by: Some("pictures".into()) }
}

/// Whether the list as a whole does not belong to the stack: no picture can be followed along it.
pub fn is_disordered(told: &[TiltAngle]) -> bool {
    let known = told.iter().filter_map(|angle| angle.off_at_least_deg);
    let (shown, off) = known.fold((0, 0), |(shown, off), deg| (shown + 1, off + usize::from(deg > 0.0)));
    off as f64 >= DISORDER * f64::from(shown).max(1.0)
}

/// What pictures and tracks say together: pictures of gross errors, tracks where the former see none, and more exactly.
pub fn together(pictures: Vec<TiltAngle>, tracks: &[Option<ByTracks>]) -> Vec<TiltAngle> {
    let one = |(own, tracks): (TiltAngle, &Option<ByTracks>)| {
        let Some(tracks) = tracks else { return own };
        if own.off_at_least_deg.is_some_and(|off| off > 0.0) {
            return own;
        }
        let off = tracks.off_at_least_deg > 0.0;
        TiltAngle {
            off_at_least_deg: Some(tracks.off_at_least_deg),
            seems_deg: off.then_some(tracks.best_deg),
            by: off.then(|| "tracks".into()),
        }
    };
    pictures.into_iter().zip(tracks).map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_likenesses_side_by_side_say_an_angle_and_two_far_apart_none() {
        let listed: Vec<f64> = (-15..=15).map(|k| 4.0 * f64::from(k)).collect();
        let at = |deg: f64| listed.iter().position(|other| *other == deg).unwrap();
        let told = angle(&listed, -36.0, Standing::Elsewhere([at(32.0), at(40.0)]));
        assert_eq!((told.seems_deg, told.off_at_least_deg), (Some(36.0), Some(68.0)));
        let told = angle(&listed, -52.0, Standing::Elsewhere([at(0.0), at(40.0)]));
        assert_eq!((told.seems_deg, told.off_at_least_deg), (None, Some(52.0)));
        assert_eq!(placed(told), TiltAngle::default());
        assert_eq!(angle(&listed, 0.0, Standing::AtHome).off_at_least_deg, Some(0.0));
        assert_eq!(angle(&listed, 0.0, Standing::Unknown).off_at_least_deg, None);
    }

    #[test]
    fn tracks_tell_where_pictures_see_nothing() {
        let home = TiltAngle { off_at_least_deg: Some(0.0), ..TiltAngle::default() };
        let tracks = ByTracks { best_deg: 20.5, off_at_least_deg: 4.8 };
        let told = together(vec![home.clone(), home], &[Some(tracks), None]);
        assert_eq!((told[0].seems_deg, told[0].by.as_deref()), (Some(20.5), Some("tracks")));
        assert_eq!((told[1].off_at_least_deg, told[1].seems_deg), (Some(0.0), None));
    }

    #[test]
    fn a_quarter_of_the_tilts_elsewhere_is_another_order() {
        let told = |off: usize| -> Vec<TiltAngle> {
            let angle = |at: usize| if at < off { 30.0 } else { 0.0 };
            (0..20).map(|at| TiltAngle { off_at_least_deg: Some(angle(at)), ..TiltAngle::default() }).collect()
        };
        assert!(!is_disordered(&told(4)) && is_disordered(&told(5)) && !is_disordered(&told(0)));
    }
}
