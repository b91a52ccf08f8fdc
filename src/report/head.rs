//! The head of the page: the answer and what it rests on, each reason with the way to its check, plot and tilts.

use crate::record::{Check, Grade, Record};
use minijinja::{Value, context};

/// Reasons shown at once; the others unfold.
const SHOWN: usize = 3;
/// Tilts of a reason named one by one.
const TILTS_NAMED: usize = 6;

/// Where the figures of a check are drawn: the id of a place on the page that is always there.
pub fn plot_of(check: &str) -> &'static str {
    match check {
        "counts_target"
        | "count_outlier"
        | "saturation"
        | "dark_area"
        | "beam_reserve"
        | "illumination_gradient"
        | "dose_match" => "plot-counts",
        "sharpness_drop" | "directional_blur" | "detail_limit" => "plot-sharpness",
        "pre_exposure" | "total_dose" => "plot-dose",
        "tilt_range" | "tilt_gap" | "repeated_angle" | "stated_angle" | "incomplete_tilt" => "plot-coverage",
        "defocus_error" | "defocus_spread" | "astigmatism" | "tilt_geometry" => "focus",
        "tracking_step" | "first_after_reversal" => "plot-positions",
        "axis_offset" | "height_offset" => "plot-geometry",
        "shared_area" | "target_visible" => "plot-shared",
        "seam_offset" | "seam_intensity" | "seam_residual" | "seam_distortion" => "plot-seams",
        "alignment_outlook" => "alignment",
        _ => "tilts",
    }
}

/// The first reasons, and the others; each with its check, plot and tilts.
pub fn reasons(record: &Record) -> Value {
    let all: Vec<Value> =
        record.verdict.reasons.iter().enumerate().map(|(at, text)| reason(record, at, text)).collect();
    let (first, more) = all.split_at(SHOWN.min(all.len()));
    context! { first => first.to_vec(), more => more.to_vec() }
}

fn reason(record: &Record, at: usize, text: &str) -> Value {
    let id = record.verdict.reason_checks.get(at).and_then(Option::as_deref);
    let check = id.and_then(|id| record.checks.iter().find(|check| check.id == id));
    let Some(check) = check else { return context! { text => text } };
    let rest = text.strip_prefix(&format!("{}: ", check.title)).unwrap_or(text);
    let tilts = tilts(record, check);
    let more = tilts.len().saturating_sub(TILTS_NAMED);
    context! {
        id => check.id.as_str(), title => check.title.as_str(), text => rest, grade => grade(check), plot => plot_of(&check.id),
        tilts => tilts.into_iter().take(TILTS_NAMED).collect::<Vec<_>>(), more_tilts => more,
    }
}

/// The checks in groups: what speaks up (the graver first), what could not be measured, what passed.
pub fn groups(record: &Record) -> Value {
    let of = |grades: &[Grade]| -> Vec<Value> {
        let all = grades.iter().flat_map(|grade| record.checks.iter().filter(move |check| check.grade == *grade));
        all.map(|check| Value::from(minijinja::value::Serde(check))).collect()
    };
    context! {
        attention => of(&[Grade::Fail, Grade::Caution]),
        not_measured => of(&[Grade::NotMeasured]),
        pass => of(&[Grade::Pass]),
    }
}

fn grade(check: &Check) -> Value {
    Value::from(minijinja::value::Serde(check.grade))
}

fn tilts(record: &Record, check: &Check) -> Vec<Value> {
    let flagged = |tilt: &crate::record::Tilt| tilt.flags.contains(&check.id);
    let all = record.tilts.iter().enumerate().filter(|(_, tilt)| flagged(tilt));
    all.map(|(at, tilt)| context! { at => at, deg => tilt.tilt_deg }).collect()
}

/// The tilts that are left out, and those that are better kept with a low weight.
pub fn choices(record: &Record) -> Value {
    let named = |take: &dyn Fn(&crate::record::Tilt) -> bool| -> Vec<Value> {
        let all = record.tilts.iter().enumerate().filter(|(_, tilt)| take(tilt));
        all.map(|(at, tilt)| context! { at => at, deg => tilt.tilt_deg }).collect()
    };
    let low = &record.verdict.low_weight_tilts_deg;
    context! {
        out => named(&|tilt| tilt.exclude),
        low => named(&|tilt| !tilt.exclude && low.contains(&tilt.tilt_deg)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::judge::checks::REGISTRY;

    #[test]
    fn every_check_leads_to_a_place_of_the_page() {
        let page = concat!(
            include_str!("../../report-templates/verdict.html"),
            include_str!("../../report-templates/run.html"),
            include_str!("../../report-templates/field.html"),
            include_str!("../../report-templates/focus.html"),
            include_str!("../../report-templates/alignment.html"),
            include_str!("../../report-templates/tilts.html"),
        );
        for check in REGISTRY {
            let place = format!("id=\"{}\"", plot_of(check.id));
            assert!(page.contains(&place), "{}: {place}", check.id);
        }
    }
}
