//! What to do differently next time: at most three actions, each with its size and direction.

use crate::record::{Check, Grade, Limit, Measures, SeriesFacts, Tilt};

const MOST: usize = 3;

/// Actions, those of failed checks first.
pub fn actions(series: &SeriesFacts, tilts: &[Tilt], measures: &Measures, checks: &[Check]) -> Vec<String> {
    let graded = |grade: Grade| checks.iter().filter(move |check| check.grade == grade);
    let all = graded(Grade::Fail).chain(graded(Grade::Caution));
    let mut actions: Vec<String> = Vec::new();
    for action in all.filter_map(|check| action(series, tilts, measures, check)) {
        if !actions.contains(&action) {
            actions.push(action);
        }
    }
    actions.truncate(MOST);
    actions
}

fn action(series: &SeriesFacts, tilts: &[Tilt], measures: &Measures, check: &Check) -> Option<String> {
    let value = check.value?;
    let caution = match check.caution? {
        Limit::One(limit) => limit,
        Limit::Between([low, high]) => {
            if value < low {
                low
            } else {
                high
            }
        }
    };
    let spread = spread(&check.tilts_deg);
    match check.id.as_str() {
        "counts_target" => Some(format!("Give {:.1} times the electrons {spread}", 1.0 / value.max(0.01))),
        "beam_reserve" => Some(format!("Set the beam up {:.1} times brighter at zero tilt", caution / value)),
        "saturation" => {
            Some(format!("Lower the exposure {spread}, so that the brightest pixels stay under full scale"))
        }
        "dark_area" => Some(shadow(series, tilts, check, value)),
        "sharpness_drop" | "directional_blur" => {
            Some(format!("Let the stage settle longer before the exposures {spread}"))
        }
        "illumination_gradient" => {
            let towards = measures.counts.common_gradient_deg?;
            let away = (towards + 180.0) % 360.0;
            Some(format!(
                "Move the beam towards {away:.0}° in the image: it is {:.0} % brighter on the other side",
                100.0 * value
            ))
        }
        "pre_exposure" if value < caution => Some(format!("Pre-expose by {:.0} e/Å² more", caution - value)),
        "pre_exposure" => Some(format!("Keep searching and focusing {:.0} e/Å² lower on the area", value - caution)),
        "total_dose" => Some(format!("Scale the exposure of every tilt by {:.2}", caution / value)),
        "tilt_range" => Some(range(measures, caution - value)),
        "tilt_gap" => {
            Some("Check each tilt for dark or lost frames during collection, and record it again at once".into())
        }
        _ => None,
    }
}

/// `at +12.0°`, or `from … to …`.
fn spread(tilts_deg: &[f64]) -> String {
    match tilts_deg {
        [] => "at all tilts".into(),
        [one] => format!("at {one:+.0}°"),
        [a, b] => format!("at {a:+.0}° and {b:+.0}°"),
        [first, .., last] => format!("at the {} tilts named between {first:+.0}° and {last:+.0}°", tilts_deg.len()),
    }
}

fn shadow(series: &SeriesFacts, tilts: &[Tilt], check: &Check, fraction: f64) -> String {
    let shape = |tilt: &&Tilt| check.tilts_deg.contains(&tilt.tilt_deg) && tilt.counts.dark_area_shape.is_some();
    let shape = tilts.iter().find(shape).and_then(|tilt| tilt.counts.dark_area_shape.as_deref());
    let side_px = (series.assembled_width_px.min(series.assembled_height_px)) as f64;
    let depth = series.pixel_nm.map(|pixel_nm| format!("{:.1} µm", (fraction * side_px * pixel_nm / 1000.0).max(0.1)));
    let depth = depth.unwrap_or_else(|| format!("{:.0} % of the frame", 100.0 * fraction));
    match shape {
        Some("beam edge") => format!("Centre or widen the beam: its edge cuts off about {depth}"),
        _ => format!("Choose an area about {depth} further from the bar of the grid"),
    }
}

fn range(measures: &Measures, lacking: f64) -> String {
    let coverage = &measures.coverage;
    let side = if -coverage.min_deg < coverage.max_deg { "negative" } else { "positive" };
    format!("Tilt {lacking:.0}° further on the {side} side")
}
