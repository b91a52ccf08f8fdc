//! What to do differently next time: at most three actions, each with its size and direction.

use crate::judge::next_focus;
use crate::record::{Check, Grade, Limit, Measures, Sense, SeriesFacts, Tilt};

/// Under this share of the target it is no exposure that was too short, but a beam that was not there.
const HARDLY_ANY: f64 = 0.05;
const MOST: usize = 3;

/// Actions, those of failed checks first, then cautions, then what no limit asks for.
pub fn actions(series: &SeriesFacts, tilts: &[Tilt], measures: &Measures, checks: &[Check]) -> Vec<String> {
    let graded = |grade: Grade| checks.iter().filter(move |check| check.grade == grade);
    let all = graded(Grade::Fail).chain(graded(Grade::Caution));
    let mut actions: Vec<String> = Vec::new();
    let contradicted = checks.iter().any(|check| check.id == "dose_match" && check.grade == Grade::Fail);
    let asked = all.filter_map(|check| action(series, tilts, measures, check, contradicted));
    for action in asked.chain(next_focus::of_tiles(tilts, measures)) {
        if !actions.contains(&action) {
            actions.push(action);
        }
    }
    actions.truncate(MOST);
    actions
}

/// `contradicted`: the counts do not agree with the stated dose.
fn action(
    series: &SeriesFacts,
    tilts: &[Tilt],
    measures: &Measures,
    check: &Check,
    contradicted: bool,
) -> Option<String> {
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
        "counts_target" if value < HARDLY_ANY => {
            Some(format!("Look why hardly any electrons came {spread}, and record such a tilt again at once"))
        }
        "counts_target" => Some(format!("Give {:.1} times the electrons {spread}", 1.0 / value)),
        "beam_reserve" => Some(format!("Set the beam up {} at zero tilt", brighter(caution / value))),
        "saturation" => {
            Some(format!("Lower the exposure {spread}, so that the brightest pixels stay under full scale"))
        }
        "dark_area" => Some(shadow(series, tilts, check, value)),
        "sharpness_drop" | "directional_blur" => {
            Some(format!("Let the stage settle longer before the exposures {spread}"))
        }
        "detail_limit" => Some(format!(
            "Find what blurs every tilt: {value:.1} nm is the finest detail, {:.1} times coarser than it should be",
            value / caution
        )),
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
        "axis_offset" => Some(axis(series, measures)?),
        "height_offset" => {
            let geometry = measures.geometry.as_ref()?;
            let height = geometry.height_offset_um?;
            let way = if height > 0.0 { "down, away from the source" } else { "up, towards the source" };
            Some(format!("Bring the specimen {:.2} µm {way}, to eucentric height, before the series", height.abs()))
        }
        "stated_angle" => Some(format!("Put the table of angles right {spread}, and assess again")),
        "tracking_step" => {
            let px = value * series.width_px.min(series.height_px) as f64;
            let size = series.pixel_nm.map_or(format!("{px:.0} px"), |nm| length(px * nm));
            Some(format!("Track again after each tilt {spread}: the field jumped by up to {size}"))
        }
        "shared_area" if value <= 0.0 => Some(format!(
            "Keep the field: nothing of it was found {spread}; look at each picture before the next, and track more often"
        )),
        // Of a field that is mostly lost no wider one would have kept enough.
        "shared_area" if value < 0.5 => {
            Some(format!("Keep the field: {:.0} % of it is missing {spread}; track more often", 100.0 * (1.0 - value)))
        }
        "shared_area" => Some(format!(
            "Keep the field: {:.0} % of it is missing {spread}; track more often, or record it {:.0} % wider",
            100.0 * (1.0 - value),
            100.0 * (1.0 - value)
        )),
        "target_visible" => Some(format!(
            "Keep the area of interest inside one tile and out of shadows: {:.0} % of it is lost {spread}",
            100.0 * (1.0 - value)
        )),
        "seam_offset" => seams(measures, &["drift", "stage-or-shift", "calibration"]),
        "seam_residual" | "seam_distortion" => seams(measures, &["unsettled-section", "optics", "drift"]),
        "first_after_reversal" => {
            Some("Approach every angle from the same side, or track twice after the stage turned round".into())
        }
        "specimen_change" => Some(change(series, measures)?),
        "alignment_outlook" => Some(alignment(measures, check)),
        "seam_intensity" => Some(format!(
            "Widen the beam and renew the gain reference: tiles differ by {:.0} % where they overlap",
            100.0 * value
        )),
        // Doses that cannot be right say nothing of how long to expose.
        "total_dose" if contradicted => {
            Some("Check the unit of the stated dose before anything is made of it: the counts contradict it".into())
        }
        "total_dose" => Some(format!("Scale the exposure of every tilt by {:.2}", caution / value)),
        "tilt_range" => Some(range(tilts, caution - value)),
        "tilt_gap" => {
            Some("Look at each tilt during collection, and record at once again what is dark, blurred or lost".into())
        }
        _ => next_focus::action(series, tilts, measures, check, caution),
    }
}

/// By how much more, in the words that suit its size.
fn brighter(times: f64) -> String {
    if times < 2.0 {
        format!("{:.0} % brighter", (100.0 * (times - 1.0)).max(1.0))
    } else {
        format!("{times:.1} times brighter")
    }
}

fn length(nm: f64) -> String {
    if nm < 100.0 { format!("{nm:.0} nm") } else { format!("{:.2} µm", nm / 1000.0) }
}

/// The remedy of the first of these causes that the seams tell.
fn seams(measures: &Measures, causes: &[&str]) -> Option<String> {
    let told = &measures.seams.as_ref()?.causes;
    causes.iter().find_map(|cause| told.iter().find(|t| t.cause == *cause)).map(|cause| cause.remedy.clone())
}

/// Where the tilt axis lies from the optical axis: d across it, told in x and y of the stored picture.
fn axis(series: &SeriesFacts, measures: &Measures) -> Option<String> {
    let geometry = measures.geometry.as_ref()?;
    let offset = geometry.axis_offset_um?;
    let (sine, cosine) = geometry.axis_used_deg.or(series.axis_deg)?.to_radians().sin_cos();
    // The optical axis is at +d across the axis (cos a, -sin a); the tilt axis lies the other way.
    let (x, y) = (-offset * cosine, offset * sine);
    let towards = if x.abs() >= y.abs() {
        if x > 0.0 { "+x" } else { "-x" }
    } else if y > 0.0 {
        "+y"
    } else {
        "-y"
    };
    Some(format!(
        "The tilt axis lies {:.2} µm from the optical axis towards {towards}: correct it and redo the fine height",
        offset.abs()
    ))
}

/// What the outlook on alignment asks for.
fn alignment(measures: &Measures, check: &Check) -> String {
    let alignment = &measures.alignment;
    match alignment.warp_nm {
        Some(nm) => {
            format!("Let the specimen settle under the beam before the series: it moved in itself by {nm:.1} nm")
        }
        None if check.sense == Sense::Above => format!(
            "Choose a field with more structure, or spend more electrons on a tilt: what is followed lies {:.1} nm off the \
             places that fit all tilts",
            check.value.unwrap_or(0.0)
        ),
        None => format!(
            "Choose a field with more structure, or add gold particles: tracks live over {:.0} % of the tilts",
            100.0 * alignment.followed_fraction.unwrap_or(0.0)
        ),
    }
}

/// What the specimen did between the first recording of an angle and its repeat, and what to do against it.
fn change(series: &SeriesFacts, measures: &Measures) -> Option<String> {
    let change = &measures.specimen_change;
    let percent = change.in_plane_percent?;
    let did = if percent < 0.0 { "shrank" } else { "grew" };
    let dose = change.dose_between_e_per_A2.map(|dose| format!(" over {dose:.0} e/Å²")).unwrap_or_default();
    let way = match change.across_percent {
        Some(across) if across == percent => " across the tilt axis",
        Some(_) => " along the tilt axis",
        None => "",
    };
    let what = if series.specimen == crate::record::Specimen::Vitrified {
        "Give the series less dose"
    } else {
        "Pre-expose longer, until the section keeps its size"
    };
    Some(format!("{what}: it {did} by {:.1} %{way}{dose}", percent.abs()))
}

/// `at +12.0°`, or `from … to …`.
pub fn spread(tilts_deg: &[f64]) -> String {
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

/// On the side that reaches less far, of the tilts that are left.
fn range(tilts: &[Tilt], lacking: f64) -> String {
    let left = || tilts.iter().filter(|tilt| !tilt.exclude).map(|tilt| tilt.tilt_deg);
    let side = if -left().fold(0.0, f64::min) < left().fold(0.0, f64::max) { "negative" } else { "positive" };
    format!("Tilt {lacking:.0}° further on the {side} side")
}
