//! Tracking: where the field of the tilt nearest zero is found at every other tilt, and what that says of stage, image
//! shift and axis.

pub mod agree;
pub mod astray;
pub mod axis;
pub mod chain;
pub mod figures;
pub mod kept;
pub mod link;
pub mod lit;
pub mod odd;
pub mod patches;
pub mod shared;
pub mod shift;
pub mod solve;
pub mod steps;

use crate::intake::Series;
use crate::measure::tracking::axis::apart_deg;
use crate::measure::tracking::chain::{Apart, Chain, Seen};
use crate::measure::tracking::kept::Kept;
use crate::measure::tracking::link::View;
use crate::measure::tracking::steps::{Point, Step};
use crate::measured::{Measured, NotMeasured};
use crate::numerics::smooth_run::Place;

/// A movement under this many px of the assembled picture, or half a pixel of the kept pictures, is no jump when a run
/// of movements is drawn.
const LEAST_STEP_PX: f64 = 1.5;
/// A stated axis off by more than this is noticed …
pub const AXIS_OFF_DEG: f64 = 2.0;
/// … if it is by this many standard errors,
pub const AXIS_OFF_ERRORS: f64 = 3.0;
/// and if places move against each other across it so many times as much as along it.
const LEAST_CONTRAST: f64 = 1.5;
/// A direction that is known no better than this is none.
const WORST_AXIS_ERROR_DEG: f64 = 5.0;

/// The series, followed.
#[derive(Debug, Clone, PartialEq)]
pub struct Tracked {
    /// Index of the tilt against which all is told.
    pub start: usize,
    /// Where its centre feature is found, in px of the assembled picture from its middle, by tilt.
    pub positions_px: Vec<Option<[f64; 2]>>,
    /// Covariance (xx, xy, yy) of each position against its neighbours', in px²; `None` where patches told none.
    pub errors_px: Vec<Option<[f64; 3]>>,
    /// How well the mean height of what is followed is known to lie at mid-thickness.
    pub heights_px: Option<f64>,
    /// By tilt: it shows another field than the start.
    pub apart: Vec<Option<Apart>>,
    /// Correlation of the link that found it.
    pub correlations: Vec<Option<f64>>,
    /// What the run leaves of each movement.
    pub steps_px: Vec<Option<Step>>,
    /// The same with recorded image shift taken off; `None` throughout where it is not stated.
    pub stage_steps_px: Vec<Option<Step>>,
    /// Piece of the geometry fit that each tilt belongs to: a reset of image shift, or a jump of the stage, begins a new one.
    pub pieces: Vec<usize>,
    /// The axis that was used and what is known of it.
    pub axis: Axis,
}

/// The direction of the tilt axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// What the figures across the axis used; `None`: not stated, and not found.
    pub used_deg: Option<f64>,
    /// Out of the pictures.
    pub found: Option<axis::Found>,
    /// What the reader must know: the stated direction is wrong, or none is stated.
    pub note: Option<String>,
}

impl Axis {
    /// (cos a, -sin a).
    pub fn across(&self) -> Option<[f64; 2]> {
        self.used_deg.map(|deg| {
            let (sine, cosine) = deg.to_radians().sin_cos();
            [cosine, -sine]
        })
    }
}

/// Follows a series through its kept pictures (one a tilt, `None` where a tilt shows nothing), whose pixel is
/// `pixel_px` of the assembled picture.
///
/// # Errors
/// Why it could not be followed.
pub fn follow(series: &Series, pictures: &[Option<Kept>], places: &[Place], pixel_px: f64) -> Measured<Tracked> {
    if series.tilts.len() < 2 {
        return Err(NotMeasured::because("there is only one tilt"));
    }
    let tilts: Vec<Seen<'_>> = series
        .tilts
        .iter()
        .zip(pictures)
        .map(|(tilt, picture)| Seen { tilt_deg: tilt.tilt_deg, order: tilt.order, picture: picture.as_ref() })
        .collect();
    let stated = settle_axis(series.sheet.tilt.axis_deg, None);
    let (mut chain, mut bits) = chained(&tilts, stated.across())?;
    let angles: Vec<f64> = tilts.iter().map(|tilt| tilt.tilt_deg).collect();
    let found = bits.as_ref().and_then(|bits| axis::find(&angles, stated.across(), &chain, bits));
    let axis = settle_axis(series.sheet.tilt.axis_deg, found);
    if axis.used_deg != stated.used_deg {
        (chain, bits) = chained(&tilts, axis.across())?;
    }
    let mut errors_px = vec![None; tilts.len()];
    let mut heights_px = None;
    if let (Some(bits), Some(across)) = (&bits, axis.across()) {
        let solution = solve::solve(&angles, across, &agree::agreeing(bits, across), &bits.cut_at, chain.start);
        heights_px = solution.mean_height_error.map(|error| error * pixel_px);
        for (at, solved) in solution.places.into_iter().enumerate() {
            if let (Some(solved), Some(place)) = (solved, chain.places[at].as_mut()) {
                let view = patches::to_picture(Some(across), angles[at]);
                place.px = link::apply(view, solved.place);
                let covariance = axis::covariance_seen(solved.covariance, view);
                errors_px[at] = Some(covariance.map(|c| c * pixel_px * pixel_px));
            }
        }
    }
    if chain.places.iter().flatten().count() < 2 {
        return Err(NotMeasured::because("no two tilts show the same texture"));
    }
    Ok(Tracked { errors_px, heights_px, ..tracked(series, chain, places, pixel_px, axis) })
}

/// The chain of all tilts, and their patches.
fn chained(tilts: &[Seen<'_>], across: Option<[f64; 2]>) -> Measured<(Chain, Option<patches::Bits>)> {
    let chain = chain::chain(tilts, across).ok_or_else(|| NotMeasured::because("no tilt shows a picture"))?;
    let bits = patches::follow(tilts, across, &chain);
    Ok((chain, bits))
}

fn tracked(series: &Series, chain: Chain, places: &[Place], pixel_px: f64, axis: Axis) -> Tracked {
    let positions_px: Vec<Option<[f64; 2]>> =
        chain.places.iter().map(|place| place.map(|place| place.px.map(|px| px * pixel_px))).collect();
    let shifts_px = shift::shifts_px(series);
    let orders: Vec<usize> = series.tilts.iter().map(|tilt| tilt.order).collect();
    let resets = shift::resets(&orders, &shifts_px);
    let pieces = shift::pieces(&orders, &positions_px, &resets);
    let least = LEAST_STEP_PX.max(0.5 * pixel_px);
    let steps = |positions: Vec<Option<[f64; 2]>>, break_at_resets: bool| {
        let point = |at: usize| {
            let segment = if break_at_resets { places[at].segment * 1000 + pieces[at] } else { places[at].segment };
            Point { place: Place { x: places[at].x, segment }, order: orders[at], position: positions[at] }
        };
        steps::steps(&(0..positions.len()).map(point).collect::<Vec<_>>(), least)
    };
    let stage: Vec<Option<[f64; 2]>> = positions_px
        .iter()
        .zip(&shifts_px)
        .map(|(place, shift)| place.zip(*shift).map(|(p, s)| [p[0] - s[0], p[1] - s[1]]))
        .collect();
    let (steps_px, stage_steps_px) = (steps(positions_px.clone(), false), steps(stage, true));
    let starts = [resets, shift::made_good(&orders, &steps_px, &stage_steps_px)].concat();
    let pieces = shift::pieces(&orders, &positions_px, &starts);
    Tracked {
        start: chain.start,
        steps_px,
        stage_steps_px,
        errors_px: Vec::new(),
        heights_px: None,
        apart: chain.apart,
        correlations: chain.places.iter().map(|place| place.map(|place| place.correlation)).collect(),
        positions_px,
        pieces,
        axis,
    }
}

/// The direction that is used, and what must be said of it.
fn settle_axis(stated: Option<f64>, found: Option<axis::Found>) -> Axis {
    let sure = found.filter(|found| found.error_deg < WORST_AXIS_ERROR_DEG && found.contrast > LEAST_CONTRAST);
    let (used_deg, note) = match (stated, sure) {
        (None, None) => (None, Some("the axis is not stated (tilt.axis_deg), and the pictures do not tell it".into())),
        (None, Some(found)) => {
            let deg = found.axis_deg;
            let note = format!(
                "the axis is not stated (tilt.axis_deg): {deg:.1}° (± {:.1}°) out of the pictures is used, which could as \
                 well be {:.1}° with the signs of axis offset and height turned",
                found.error_deg,
                deg + 180.0
            );
            (Some(deg), Some(note))
        }
        (Some(stated), None) => (Some(stated), None),
        (Some(stated), Some(found)) => {
            let off = apart_deg(found.axis_deg, stated);
            if off.abs() <= AXIS_OFF_DEG.max(AXIS_OFF_ERRORS * found.error_deg) {
                (Some(stated), None)
            } else {
                let used = (stated + off).rem_euclid(360.0);
                (Some(used), Some(axis_note(stated, used, off, found.error_deg)))
            }
        }
    };
    Axis { used_deg, found, note }
}

fn axis_note(stated: f64, used: f64, off: f64, error: f64) -> String {
    if off.abs() > 80.0 {
        return format!(
            "the stated axis ({stated:.1}°) is wrong by 90°: places move against each other along it, not across it; their axis is at \
             {used:.1}° (± {error:.1}°), which is used"
        );
    }
    format!(
        "the stated axis ({stated:.1}°) is off by {:.1}°: by how places move against each other it is at {used:.1}° (± {error:.1}°), \
         which is used; correct tilt.axis_deg",
        off.abs()
    )
}

impl Tracked {
    /// One standard uncertainty of a tilt's step along its own direction, by those of all positions that it is made of;
    /// `None` where one of them is not known.
    pub fn step_error_px(&self, at: usize) -> Option<f64> {
        let step = self.steps_px[at].as_ref()?;
        let [xx, xy, yy] = step.shares.iter().try_fold([0.0; 3], |sum: [f64; 3], &(other, share)| {
            let own = self.errors_px.get(other).copied().flatten()?;
            Some(std::array::from_fn(|k| sum[k] + share * share * own[k]))
        })?;
        let [x, y] = step.by;
        let length = x.hypot(y);
        if length < 1e-9 {
            return Some((0.5 * (xx + yy)).max(0.0).sqrt());
        }
        let (x, y) = (x / length, y / length);
        Some((x * x * xx + 2.0 * x * y * xy + y * y * yy).max(0.0).sqrt())
    }

    /// Whether the tilts beyond this one in angle stay where its step led; `None` where it made none, or nothing lies beyond.
    pub fn step_stays(&self, at: usize) -> Option<bool> {
        let step = self.steps_px[at].as_ref().filter(|step| step.length() > 0.0)?;
        if !step.stays() {
            return Some(false);
        }
        let (from, _) = *step.shares.first()?;
        let beyond = if from < at { at + 1..self.positions_px.len() } else { 0..at };
        self.positions_px[beyond].iter().any(Option::is_some).then_some(true)
    }

    /// What a tilt is seen through.
    pub fn view(&self, tilt_deg: f64) -> View {
        View { across: self.axis.across(), tilt_deg }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(axis_deg: f64) -> Option<axis::Found> {
        Some(axis::Found { axis_deg, error_deg: 0.3, contrast: 5.0 })
    }

    #[test]
    fn an_axis_that_is_off_is_noticed_and_a_right_one_is_not() {
        assert_eq!(settle_axis(Some(184.0), found(3.5)).used_deg, Some(184.0));
        let off = settle_axis(Some(352.0), found(175.0));
        assert!((off.used_deg.unwrap() - 355.0).abs() < 1e-9 && off.note.unwrap().contains("off by 3.0°"));
        let turned = settle_axis(Some(4.0), found(93.0));
        assert!(turned.note.unwrap().contains("wrong by 90°"));
        assert!(settle_axis(None, found(12.0)).note.unwrap().contains("not stated"));
        assert_eq!(settle_axis(None, None).used_deg, None);
    }
}
