//! Sentences of the outlook on alignment.

use crate::measure::alignment::choose::Kind;
use crate::record::alignment::Alignment;
use crate::record::{Geometry, Tilt};

/// What no data can tell.
pub const GAUGE: &str = "the origin is recorded at the middle of the picture nearest zero tilt, and heights are zero in the \
                         mean of the tracks; the sign of heights is that of the stated axis and angles (an axis turned by 180° \
                         turns it); turns and magnifications are zero and one in the mean of the tilts; a tilt of the whole \
                         specimen about the axis is told by the plane through the heights, if the specimen is flat";

/// Two figures agree within so many of their combined standard errors.
const AGREE_ERRORS: f64 = 3.0;
/// Angles named one by one; more are counted.
const MOST_NAMED: usize = 4;

/// What the sentence is made from.
pub struct Told<'a> {
    /// Figures of the series.
    pub series: &'a Alignment,
    /// What was followed.
    pub kind: Kind,
    /// The tilts.
    pub step: &'a [Tilt],
}

/// Nothing to follow.
pub fn lost(why: &str) -> String {
    format!("it will not align: nothing can be followed from tilt to tilt ({why})")
}

/// Places do not last although the whole field is followed.
pub fn apart(why: &str) -> String {
    format!(
        "{why}, though the field as a whole is followed: what lies at different heights moves apart too far, as in a small \
         field of a thick specimen"
    )
}

/// Whether it will align, on what, and which tilts will not; limits are not known here.
pub fn outlook(told: &Told<'_>) -> String {
    let series = told.series;
    let share = series.followed_fraction.unwrap_or(0.0);
    let on = match told.kind {
        Kind::Beads => format!("{} beads", series.tracks),
        Kind::Texture => format!("{} patches of texture", series.tracks),
    };
    let all = series.tilts_shown;
    let followed = all - series.lost_tilts_deg.len();
    // Patches of texture hold matter of many heights, and share errors that the fit does not see.
    let least = match told.kind {
        Kind::Beads => "",
        Kind::Texture => " at least",
    };
    let left = match (series.left_nm, series.left_px) {
        (Some(nm), Some(px)) => format!("; places are left uncertain by {nm:.2} nm ({px:.2} px){least}"),
        (None, Some(px)) => format!("; places are left uncertain by {px:.2} px{least}"),
        _ => String::new(),
    };
    if series.lost_tilts_deg.is_empty() {
        return format!("it can be aligned on {on}, over all {all} tilts{left}");
    }
    let verb = if share < 0.5 { "most of it cannot be aligned" } else { "it can be aligned in part" };
    format!("{verb}: {on} live over {followed} of {all} tilts, not at {}{left}", named(&series.lost_tilts_deg))
}

fn named(angles: &[f64]) -> String {
    let all: Vec<String> = angles.iter().map(|deg| format!("{deg:+.1}°")).collect();
    match all.as_slice() {
        // The bracket ends it: what follows is another clause.
        [first, .., last] if all.len() > MOST_NAMED => format!("{} tilts ({first} to {last})", all.len()),
        [some @ .., last] if !some.is_empty() => format!("{} and {last}", some.join(", ")),
        _ => all.concat(),
    }
}

/// What the heights say of the thickness.
pub fn thickness(kind: Kind) -> &'static str {
    match kind {
        Kind::Beads => "the span of the beads' heights: the thickness, if some lie on either face",
        Kind::Texture => "patches hold matter of many heights: the span of their heights is less than the thickness",
    }
}

/// How axis and axis offset compare with those of tracking; `turned` is the fitted axis less that found by tracking.
pub fn agreement(told: &Alignment, geometry: &Geometry, turned: Option<f64>) -> Option<String> {
    let mut parts = Vec::new();
    if let (Some(off), Some(own), Some(theirs)) = (turned, told.axis_error_deg, geometry.axis_found_error_deg) {
        let error = own.hypot(theirs);
        let verb = if off.abs() <= AGREE_ERRORS * error { "agrees with" } else { "differs from" };
        parts.push(format!("the axis {verb} that of tracking ({off:+.2}° ± {error:.2}°)"));
    }
    let offsets = told.axis_offset_um.zip(geometry.axis_offset_um);
    let errors = told.axis_offset_error_um.zip(geometry.axis_offset_error_um);
    if let (Some((own, theirs)), Some((own_error, their_error))) = (offsets, errors) {
        let (off, error) = (own - theirs, own_error.hypot(their_error));
        let verb = if off.abs() <= AGREE_ERRORS * error { "agrees with" } else { "differs from" };
        parts.push(format!("the axis offset {verb} that of tracking ({off:+.3} ± {error:.3} µm)"));
    }
    (!parts.is_empty()).then(|| parts.join("; "))
}
