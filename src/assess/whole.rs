//! Figures of the series as a whole.

use super::pass::TiltSeen;
use crate::intake::Series;
use crate::intake::sheet::{Beam, DoseBasis};
use crate::intake::tilts::TiltGroup;
use crate::measure::counts::{self, Gradient};
use crate::measure::{coverage, thickness};
use crate::measured::{Measured, NotMeasured, parted};
use crate::record::{CountsMeasure, DoseMeasure, Measures, SeriesFacts, Tilt};

pub(super) fn measures(
    series: &Series,
    observed: &[TiltSeen],
    tilts: &[Tilt],
    dose: DoseMeasure,
    scatter: Option<f64>,
) -> Measures {
    let views: Vec<coverage::View> =
        tilts.iter().map(|tilt| coverage::View { tilt_deg: tilt.tilt_deg, order: tilt.order }).collect();
    let thickness_nm = series
        .sheet
        .specimen_facts
        .thickness_nm
        .ok_or_else(|| NotMeasured::because("the thickness is not stated (specimen_facts.thickness_nm)"));
    let gradients: Vec<Option<Gradient>> = observed.iter().map(|tilt| tilt.gradient).collect();
    let common = counts::common_gradient(&gradients);
    let (beam_reserve, beam_reserve_why_not) = parted(beam_reserve(series, tilts));
    let thickness = thickness_record(series, observed);
    let (dose_match, dose_match_why_not) = parted(dose_match(series, tilts, &thickness));
    Measures {
        counts: CountsMeasure {
            run_scatter_fraction: scatter,
            common_gradient_fraction: common.map(|gradient| gradient.fraction()),
            common_gradient_deg: common.map(|g| g.y.atan2(g.x).to_degrees().rem_euclid(360.0)),
            beam_reserve,
            beam_reserve_why_not,
            dose_match,
            dose_match_upper_side_only: series.dose().basis != Some(DoseBasis::AtCamera) && !thickness.measured,
            dose_match_why_not,
        },
        coverage: coverage::measure(&views, series.order_source.word(), thickness_nm),
        dose,
        geometry: None,
        thickness: Some(thickness),
        seams: None,
        focus: crate::record::FocusMeasure::default(),
        detail: crate::record::DetailMeasure::default(),
        specimen_change: crate::record::SpecimenChange::default(),
        alignment: crate::record::alignment::Alignment::default(),
    }
}

pub(super) fn thickness_record(series: &Series, observed: &[TiltSeen]) -> crate::record::Thickness {
    let (found, why_not) = parted(transmission(series, observed).and_then(|views| thickness::measure(&views)));
    let (mean_free_path, mean_free_path_why_not) = parted(mean_free_path(series));
    let pretilt = found.and_then(|found| found.pretilt_deg).unwrap_or(0.0);
    let steepest = series.tilts.iter().map(|tilt| (tilt.tilt_deg + pretilt).abs()).fold(0.0, f64::max);
    let length_nm = series.sheet.specimen_facts.attenuation_length_nm;
    crate::record::Thickness {
        measured: found.is_some(),
        why_not,
        attenuation_lengths: found.map(|found| found.attenuation_lengths),
        attenuation_lengths_error: found.map(|found| found.error),
        pretilt_deg: found.and_then(|found| found.pretilt_deg),
        steepest_transmission_fraction: found
            .filter(|_| steepest < 90.0)
            .map(|found| thickness::transmission(found.attenuation_lengths, steepest)),
        thickness_nm: found.zip(length_nm).map(|(found, length_nm)| found.attenuation_lengths * length_nm),
        inelastic_mean_free_path_nm: mean_free_path,
        mean_free_path_why_not,
    }
}

/// The inelastic mean free path, which speaks of energy-filtered images alone.
fn mean_free_path(series: &Series) -> Measured<f64> {
    let sheet = &series.sheet;
    let missing = |what: &str| NotMeasured::because(format!("{what} is not stated"));
    if sheet.instrument.energy_filter != Some(true) {
        return Err(NotMeasured::because("the images are not stated to be energy-filtered (instrument.energy_filter)"));
    }
    let kv = series.sheet.instrument.kv.ok_or_else(|| missing("the voltage (instrument.kv)"))?;
    let angle = sheet.instrument.collection_mrad;
    let angle = angle.ok_or_else(|| missing("the collection semi-angle (instrument.collection_mrad)"))?;
    let number = sheet.specimen_facts.mean_atomic_number;
    let number = number.ok_or_else(|| missing("the mean atomic number (specimen_facts.mean_atomic_number)"))?;
    let path_nm = crate::physics::mean_free_path::inelastic_nm(kv, angle, number);
    // The logarithm of the formula ends at small angles.
    Some(path_nm)
        .filter(|path_nm| path_nm.is_finite() && *path_nm > 0.0)
        .ok_or_else(|| NotMeasured::because("the collection semi-angle is too small for the formula"))
}

/// Counts of each tilt over the electrons that it got; only where the beam before the specimen is known.
pub(super) fn transmission(series: &Series, observed: &[TiltSeen]) -> Measured<Vec<thickness::View>> {
    if series.dose().basis == Some(DoseBasis::AtCamera) {
        return Err(NotMeasured::because("the dose was read behind the specimen, where it follows the counts"));
    }
    let mean = |tilt: &TiltGroup, cell: fn(&crate::intake::rows::Row) -> Option<f64>| -> Option<f64> {
        let cells: Option<Vec<f64>> = tilt.rows.iter().map(|&row| cell(&series.sections[row].row)).collect();
        cells.map(|cells| cells.iter().sum::<f64>() / cells.len() as f64).filter(|&mean| mean > 0.0)
    };
    let column = |cell| series.tilts.iter().map(|tilt| mean(tilt, cell)).collect::<Option<Vec<f64>>>();
    let doses = column(|row| row.dose);
    let alike = |doses: &Vec<f64>| doses.iter().all(|dose| (dose / doses[0] - 1.0).abs() < 1e-3);
    let beam = match doses {
        Some(doses) if series.beam_is_fixed() || !alike(&doses) => doses,
        _ if series.beam_is_fixed() => column(|row| row.exposure_s).unwrap_or_else(|| vec![1.0; series.tilts.len()]),
        Some(_) => return Err(NotMeasured::because("one dose is stated for all tilts, and the beam not to be fixed")),
        None => return Err(NotMeasured::because("neither the dose of each tilt is stated nor a fixed beam")),
    };
    let views = observed.iter().zip(&series.tilts).zip(beam).filter_map(|((seen, tilt), beam)| {
        let counts = seen.tally.as_ref().filter(|tally| tally.n > 0)?.mean - series.offset_counts();
        Some(thickness::View { tilt_deg: tilt.tilt_deg, transmission: counts / beam })
    });
    Ok(views.collect())
}

/// Counts with the set-up beam at zero tilt over the target.
pub(super) fn beam_reserve(series: &Series, tilts: &[Tilt]) -> Measured<f64> {
    let targets = series.targets();
    let target =
        targets.mean_counts.ok_or_else(|| NotMeasured::because("no target is stated (targets.mean_counts)"))?;
    let offset = series.offset_counts();
    if let Some(setup) = targets.setup_mean_counts {
        return Ok((setup - offset) / (target - offset));
    }
    if !series.beam_is_fixed() {
        let beam =
            if series.dose().beam == Some(Beam::Regulated) { "was regulated" } else { "is not stated to be fixed" };
        let why =
            format!("the beam {beam}, and no picture from before the series is stated (targets.setup_mean_counts)");
        return Err(NotMeasured::because(why));
    }
    let zero = tilts.iter().min_by(|a, b| a.tilt_deg.abs().total_cmp(&b.tilt_deg.abs()));
    let mean = zero.and_then(|tilt| tilt.counts.mean);
    mean.map(|mean| (mean - offset) / (target - offset))
        .ok_or_else(|| NotMeasured::because("the zero tilt has no counts"))
}

/// Electrons counted over electrons stated, median over the tilts.
pub(super) fn dose_match(series: &Series, tilts: &[Tilt], thickness: &crate::record::Thickness) -> Measured<f64> {
    let missing = |what: &str| NotMeasured::because(format!("{what} is not stated"));
    let gain = series.sheet.camera.counts_per_electron.ok_or_else(|| missing("counts_per_electron"))?;
    let pixel_nm = series.pixel_nm.ok_or_else(|| missing("the pixel size"))?;
    let pixel_area = (10.0 * pixel_nm).powi(2);
    // Of what was stated before the specimen, as much is expected as the specimen lets through, where that is known.
    let incident = series.dose().basis != Some(DoseBasis::AtCamera);
    let let_through = |tilt_deg: f64| match thickness.attenuation_lengths.filter(|_| incident) {
        Some(lengths) => thickness::transmission(lengths, tilt_deg + thickness.pretilt_deg.unwrap_or(0.0)),
        None => 1.0,
    };
    let ratio = |tilt: &Tilt| {
        let stated = tilt.dose.this_e_per_A2.filter(|&dose| dose > 0.0)?;
        let expected = stated * pixel_area * let_through(tilt.tilt_deg);
        Some((tilt.counts.mean? - series.offset_counts()) / gain / expected)
    };
    let mut ratios: Vec<f64> = tilts.iter().filter_map(ratio).collect();
    ratios.sort_by(f64::total_cmp);
    ratios.get(ratios.len() / 2).copied().ok_or_else(|| missing("the dose"))
}

pub(super) fn facts(series: &Series) -> SeriesFacts {
    let sheet = &series.sheet;
    let started = series.tilts.iter().filter_map(|tilt| series.acquired_at(tilt)).min();
    SeriesFacts {
        series_id: series.series_id.clone(),
        title: sheet.title.clone(),
        session: sheet.session.clone(),
        specimen: series.specimen,
        started_at: started.map(|time| time.to_string()),
        instrument: sheet.instrument.name.clone(),
        kv: sheet.instrument.kv,
        pixel_nm: series.pixel_nm,
        width_px: series.size_px.0,
        height_px: series.size_px.1,
        sections: series.sections.len(),
        tilts: series.tilts.len(),
        montage_cols: series.grid.0,
        montage_rows: series.grid.1,
        axis_deg: sheet.tilt.axis_deg,
        repeats_deg: sheet.tilt.repeats_deg.clone(),
        axis_name: sheet.axis_name.clone(),
        assembled_width_px: series.assembled_px.0,
        assembled_height_px: series.assembled_px.1,
        full_scale_counts: series.full_scale_counts,
        target_mean_counts: series.targets().mean_counts,
        target_resolution_nm: series.targets().resolution_nm,
        target_area_px: series.targets().area_px,
    }
}
