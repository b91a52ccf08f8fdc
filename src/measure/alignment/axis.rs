//! The direction of the axis by the places that were followed for alignment, where it is better known than by tracking
//! alone: in pictures of few electrons many small patches between two tilts say less than places followed through all.

use crate::measure::tracking::axis::apart_deg;
use crate::measure::tracking::{AXIS_OFF_DEG, AXIS_OFF_ERRORS};
use crate::record::Geometry;
use crate::record::alignment::Alignment;

/// The geometry with the better known direction, and with what must be said of a stated one that is off by it.
pub fn better(geometry: Geometry, alignment: &Alignment, stated_deg: Option<f64>) -> Geometry {
    let (Some(deg), Some(error)) = (alignment.axis_deg, alignment.axis_error_deg) else { return geometry };
    if !alignment.measured || geometry.axis_found_error_deg.is_some_and(|tracking| tracking <= error) {
        return geometry;
    }
    let off = stated_deg.map(|stated| apart_deg(deg, stated));
    let note = off.filter(|off| off.abs() > AXIS_OFF_DEG.max(AXIS_OFF_ERRORS * error)).map(|off| {
        format!(
            "the stated axis is off by {:.1}°: by the places that were followed through the tilts it is at {:.1}° (± {error:.1}°); \
             correct tilt.axis_deg and assess again, as the stated one is used here",
            off.abs(),
            (stated_deg.unwrap_or_default() + off).rem_euclid(360.0)
        )
    });
    Geometry {
        axis_found_deg: Some(deg.rem_euclid(180.0)),
        axis_found_error_deg: Some(error),
        // Tracking that noticed it has used the right one already.
        axis_note: geometry.axis_note.or(note),
        ..geometry
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(error_deg: f64, note: Option<&str>) -> Geometry {
        Geometry {
            axis_found_deg: Some(3.0),
            axis_found_error_deg: Some(error_deg),
            axis_note: note.map(str::to_owned),
            ..Geometry::default()
        }
    }

    #[test]
    fn the_better_known_direction_counts() {
        let followed =
            Alignment { measured: true, axis_deg: Some(187.5), axis_error_deg: Some(0.5), ..Alignment::default() };
        let kept = better(found(0.4, None), &followed, Some(184.0));
        assert_eq!((kept.axis_found_deg, kept.axis_note), (Some(3.0), None));
        let off = better(found(2.5, None), &followed, Some(184.0));
        assert_eq!((off.axis_found_deg, off.axis_found_error_deg), (Some(7.5), Some(0.5)));
        assert!(off.axis_note.is_some_and(|note| note.contains("off by 3.5°") && note.contains("187.5°")));
        assert_eq!(better(found(2.5, None), &followed, Some(186.0)).axis_note, None);
        assert_eq!(better(found(2.5, Some("wrong")), &followed, Some(184.0)).axis_note.as_deref(), Some("wrong"));
        let lost = Alignment { measured: false, ..followed };
        assert_eq!(better(found(2.5, None), &lost, Some(184.0)).axis_found_deg, Some(3.0));
    }
}
