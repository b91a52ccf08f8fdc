//! One invented record: figures per tilt about those of the series, judged by the real checks.

use super::{Draw, WeeksError, WeeksRecipe};
use crate::judge::{self, Profile};
use crate::ledger::figures::FIGURES;
use crate::measure::coverage;
use crate::measured::NotMeasured;
use crate::record::hashes::hex;
use crate::record::{ProfileUsed, Record, Tilt};
use crate::simulate::random::Stream;
use sha2::{Digest, Sha256};

/// A record of the first layout with one tilt and nothing measured.
const SKELETON: &str = include_str!("skeleton.json");
/// From one tilt to the next.
const SECONDS_PER_TILT: i64 = 95;

/// The record of one draw.
pub(super) fn record(
    recipe: &WeeksRecipe,
    draw: &Draw<'_>,
    profile: &Profile,
    stream: &mut Stream,
) -> Result<Record, WeeksError> {
    let mut record: Record = serde_json::from_str(SKELETON)?;
    let figure = |id: &str| {
        FIGURES.iter().position(|figure| figure.id == id).and_then(|at| draw.figures.get(at).copied().flatten())
    };
    let (first, microscope) = (record.tilts.remove(0), draw.microscope);
    let steps = (recipe.weeks.max_deg / recipe.weeks.step_deg + 1e-9).floor() as i64;
    let tilts: Vec<Tilt> =
        (-steps..=steps).map(|at| tilt(recipe, draw, &first, (at, steps), &figure, stream)).collect();
    record.tool.version = env!("CARGO_PKG_VERSION").into();
    let end = SECONDS_PER_TILT * (2 * steps + 20);
    let assessed = draw.started_at.saturating_add(jiff::SignedDuration::from_secs(end)).unwrap_or(draw.started_at);
    record.assessed_at = assessed.to_string();
    let series = &mut record.series;
    series.series_id = draw.series_id.clone();
    series.title = Some(format!("Invented series {}", draw.series_id));
    series.session = Some(draw.session.clone());
    series.specimen = recipe.weeks.specimen;
    series.started_at = Some(draw.started_at.to_string());
    series.instrument = Some(microscope.name.clone());
    (series.kv, series.pixel_nm) = (Some(microscope.kv), Some(microscope.pixel_nm));
    series.tilts = tilts.len();
    series.sections = 2 * tilts.len();
    series.target_mean_counts = Some(microscope.target_counts);
    let identity = format!("{} {}", recipe.seed, draw.series_id);
    for input in &mut record.inputs {
        input.bytes = (series.sections * 2 * series.width_px * series.height_px) as u64;
        input.sha256 = Some(hex(&Sha256::digest(identity.as_bytes())));
    }
    let measures = &mut record.measures;
    let views: Vec<coverage::View> =
        tilts.iter().map(|tilt| coverage::View { tilt_deg: tilt.tilt_deg, order: tilt.order }).collect();
    let unknown = NotMeasured::because("the thickness is not stated (specimen_facts.thickness_nm)");
    measures.coverage = coverage::measure(&views, "acquired_at", Err(unknown));
    measures.counts.beam_reserve = figure("zero_tilt_ratio");
    measures.counts.dose_match = figure("dose_match");
    measures.focus.tilts_measured = tilts.len();
    measures.focus.wanted_um = Some(microscope.wanted_defocus_um);
    measures.focus.median_um = figure("defocus_error_um").map(|error| microscope.wanted_defocus_um + error);
    measures.focus.spread_um = figure("defocus_spread_um");
    measures.focus.wanted_um_by_tilt = vec![Some(microscope.wanted_defocus_um); tilts.len()];
    if let Some(geometry) = &mut measures.geometry {
        geometry.axis_offset_um = figure("axis_offset_um");
        geometry.height_offset_um = figure("height_offset_um");
    }
    if let Some(seams) = &mut measures.seams {
        seams.residual_rms_px = figure("seam_residual_px");
        seams.residual_rms_nm = seams.residual_rms_px.map(|px| px * microscope.pixel_nm);
    }
    record.profile = ProfileUsed { name: profile.name.clone(), sha256: profile.sha256.clone(), text: None };
    record.tilts = tilts;
    (record.checks, record.verdict) = judge::judge(&record.series, &mut record.tilts, &record.measures, profile);
    Ok(record)
}

/// One tilt; `at` of −`steps` to `steps`.
fn tilt(
    recipe: &WeeksRecipe,
    draw: &Draw<'_>,
    first: &Tilt,
    (at, steps): (i64, i64),
    figure: &dyn Fn(&str) -> Option<f64>,
    stream: &mut Stream,
) -> Tilt {
    let mut tilt = first.clone();
    let microscope = draw.microscope;
    let order = (at + steps) as usize;
    let (jumps, dark) = (stream.uniform() < microscope.fault_chance, stream.uniform() < 0.5 * microscope.fault_chance);
    tilt.tilt_deg = at as f64 * recipe.weeks.step_deg;
    tilt.order = order;
    tilt.sections = vec![2 * order, 2 * order + 1];
    let begun = jiff::SignedDuration::from_secs(SECONDS_PER_TILT * order as i64);
    tilt.acquired_at = draw.started_at.saturating_add(begun).ok().map(|time| time.to_string());
    let light = if dark { 0.2 } else { 1.0 + 0.02 * stream.normal() };
    tilt.counts.ratio_to_target = figure("counts_ratio").map(|ratio| ratio * light);
    tilt.counts.mean = tilt.counts.ratio_to_target.map(|ratio| ratio * microscope.target_counts);
    tilt.counts.saturated_fraction = Some(0.0);
    tilt.counts.dark_area_fraction = Some(0.0);
    tilt.counts.mean_over_run = Some(light);
    tilt.sharpness.value = figure("sharpness").map(|value| value * libm::exp(0.05 * stream.normal()));
    tilt.sharpness.relative = Some(libm::exp(0.05 * stream.normal()));
    tilt.sharpness.directional_loss = Some(0.05 * stream.uniform());
    let spread = figure("defocus_spread_um").unwrap_or(0.0) * stream.normal();
    let astigmatism = figure("astigmatism_um").map(|value| value * libm::exp(0.2 * stream.normal()));
    if let Some(focus) = &mut tilt.focus {
        focus.defocus_um = figure("defocus_error_um").map(|error| microscope.wanted_defocus_um + error + spread);
        focus.error_um = Some(0.03);
        focus.astigmatism_um = astigmatism;
        focus.astigmatism_error_um = Some(0.02);
        focus.astigmatism_deg = Some(30.0 + 4.0 * stream.normal());
    }
    let step = figure("tracking_step_px").map(|step| step * libm::exp(0.4 * stream.normal()));
    if let Some(tracking) = &mut tilt.tracking {
        (tracking.shift_x_px, tracking.shift_y_px) = (Some(3.0 * stream.normal()), Some(3.0 * stream.normal()));
        tracking.step_px = if jumps { Some(260.0 + 40.0 * stream.uniform()) } else { step };
        tracking.correlation = Some(0.8);
        tracking.shared_area_fraction = Some(0.95);
    }
    let dose = 10.0;
    tilt.dose.this_e_per_A2 = Some(dose);
    tilt.dose.before_e_per_A2 = Some(1800.0 + dose * order as f64);
    tilt.dose.after_e_per_A2 = Some(1800.0 + dose * (order + 1) as f64);
    for seam in tilt.seams.iter_mut().flatten() {
        seam.residual_rms_px = figure("seam_residual_px").map(|px| px * libm::exp(0.1 * stream.normal()));
        seam.residual_max_px = seam.residual_rms_px.map(|px| 2.0 * px);
        seam.distortion_rms_px = figure("seam_distortion_px").map(|px| px * libm::exp(0.1 * stream.normal()));
        (seam.offset_x_px, seam.offset_y_px) = (Some(stream.normal()), Some(stream.normal()));
        (seam.correlation, seam.intensity_ratio) = (Some(0.8), Some(1.0 + 0.01 * stream.normal()));
    }
    tilt
}
