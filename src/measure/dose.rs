//! Dose: what each tilt got, what it had received before, and what radiation damage leaves of its detail.
//!
//! A tilt's dose is the mean over its field: of its tiles' exposures, or with the beam's diameter known of the
//! overlapping beams. Totals sum over tilts. A dose weight is the amplitude kept at N = before + half of this
//! exposure (Grant & Grigorieff 2015, see [`crate::physics::exposure`]).

use crate::intake::Series;
use crate::intake::sheet::Dose as Stated;
use crate::intake::tilts::TiltGroup;
use crate::measured::{Measured, NotMeasured};
use crate::physics::exposure::{CriticalExposure, voltage_factor};
use crate::record::{DoseMeasure, Specimen, TiltDose};

/// Resolutions at which weights are tabled, in nm.
pub const WEIGHT_RESOLUTIONS_NM: [f64; 12] = [0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.2, 1.5, 2.0, 3.0, 4.0, 5.0];

/// Dose of every tilt and of the series.
#[derive(Debug, Clone, PartialEq)]
pub struct Dose {
    /// One entry a tilt, in the order of the series' tilts.
    pub tilts: Vec<TiltDose>,
    /// One row a tilt at [`WEIGHT_RESOLUTIONS_NM`]; empty rows where there are no weights.
    pub weights: Vec<Vec<f64>>,
    /// The series.
    pub series: DoseMeasure,
}

/// Measures dose; `curve` is the critical exposure of this specimen, where one is known.
pub fn measure(series: &Series, curve: Option<CriticalExposure>) -> Dose {
    let field = BeamField::of(series);
    let per_tilt: Vec<Option<OneTilt>> =
        series.tilts.iter().map(|tilt| one_tilt(series, tilt, field.as_ref())).collect();
    let before = before(series, &per_tilt);
    let weighting = weighting(series, curve, &before);
    let mut tilts = Vec::new();
    let mut weights = Vec::new();
    for (at, dose) in per_tilt.iter().enumerate() {
        let received = before.as_ref().ok().map(|before| before[at]);
        let this = dose.as_ref().map(|dose| dose.mean);
        let exposure = received.zip(this).map(|(before, this)| before + this / 2.0);
        let weight = |spacing_nm: f64| {
            let (curve, factor) = weighting.as_ref().ok()?;
            Some(curve.amplitude_kept(0.1 / spacing_nm, exposure?, *factor))
        };
        weights.push(WEIGHT_RESOLUTIONS_NM.iter().filter_map(|&nm| weight(nm)).collect());
        tilts.push(TiltDose {
            this_e_per_A2: this,
            largest_e_per_A2: dose.as_ref().and_then(|dose| dose.largest()),
            before_e_per_A2: received,
            after_e_per_A2: received.zip(this).map(|(before, this)| before + this),
            weight_at_nyquist: series.pixel_nm.and_then(|pixel_nm| weight(2.0 * pixel_nm)),
        });
    }
    let series = whole(series, &per_tilt, field.is_some(), &before, &weighting);
    Dose { tilts, weights, series }
}

/// Dose of one tilt: its mean, and the map over the field where beams overlap.
struct OneTilt {
    mean: f64,
    map: Option<Vec<f64>>,
}

impl OneTilt {
    fn largest(&self) -> Option<f64> {
        self.map.as_ref().map(|map| map.iter().copied().fold(0.0, f64::max))
    }
}

fn one_tilt(series: &Series, tilt: &TiltGroup, field: Option<&BeamField>) -> Option<OneTilt> {
    let stated = series.dose().per_image_e_per_A2;
    let doses: Option<Vec<f64>> = tilt.rows.iter().map(|&row| series.sections[row].row.dose.or(stated)).collect();
    let doses = doses?;
    let Some(field) = field else {
        return Some(OneTilt { mean: doses.iter().sum::<f64>() / doses.len() as f64, map: None });
    };
    let centres = tilt
        .rows
        .iter()
        .map(|&row| series.sections[row].place)
        .map(|place| (place.x_px + series.size_px.0 as f64 / 2.0, place.y_px + series.size_px.1 as f64 / 2.0));
    let map = field.dose_map(&centres.zip(doses).collect::<Vec<_>>());
    Some(OneTilt { mean: map.iter().sum::<f64>() / map.len() as f64, map: Some(map) })
}

/// Points of the assembled picture at which overlapping beams are added up.
struct BeamField {
    points: Vec<(f64, f64)>,
    radius_px: f64,
}

impl BeamField {
    /// Points along the longer side: a step of a hundredth of the picture is far finer than any beam.
    const POINTS: usize = 100;

    /// A montage whose beam diameter and pixel size are known.
    fn of(series: &Series) -> Option<Self> {
        if series.grid == (1, 1) {
            return None;
        }
        let radius_px = series.dose().beam_diameter_um? * 1000.0 / series.pixel_nm? / 2.0;
        let (width, height) = (series.assembled_px.0 as f64, series.assembled_px.1 as f64);
        let step = width.max(height) / Self::POINTS as f64;
        let along = |length: f64| {
            let n = (length / step).round().max(1.0);
            (0..n as usize).map(move |i| (i as f64 + 0.5) * length / n)
        };
        let points = along(height).flat_map(|y| along(width).map(move |x| (x, y))).collect();
        Some(Self { points, radius_px })
    }

    fn dose_map(&self, beams: &[((f64, f64), f64)]) -> Vec<f64> {
        let at = |&(x, y): &(f64, f64)| {
            let lit = beams.iter().filter(|((cx, cy), _)| (x - cx).hypot(y - cy) <= self.radius_px);
            lit.map(|(_, dose)| dose).sum()
        };
        self.points.iter().map(at).collect()
    }
}

/// Dose received before each tilt's own exposure.
fn before(series: &Series, per_tilt: &[Option<OneTilt>]) -> Measured<Vec<f64>> {
    let stated: Option<Vec<f64>> = series.tilts.iter().map(|tilt| stated_before(series, tilt)).collect();
    if let Some(stated) = stated {
        return Ok(stated);
    }
    if !series.order_source.is_known() && series.specimen == Specimen::Vitrified {
        let why = "the order of acquisition is not known (add acquired_at or order, or give --rows-are-in-order)";
        return Err(NotMeasured::because(why));
    }
    let doses: Option<Vec<f64>> = per_tilt.iter().map(|dose| dose.as_ref().map(|dose| dose.mean)).collect();
    let doses = doses.ok_or_else(|| NotMeasured::because(NO_DOSE))?;
    Ok(running_sum(&series.tilts, &doses, series.dose()))
}

const NO_DOSE: &str = "the dose is not stated for every section (column dose_e_per_A2, or dose.per_image_e_per_A2)";

fn stated_before(series: &Series, tilt: &TiltGroup) -> Option<f64> {
    let cells: Option<Vec<f64>> = tilt.rows.iter().map(|&row| series.sections[row].row.dose_before).collect();
    cells.map(|cells| cells.iter().sum::<f64>() / cells.len() as f64)
}

/// Sum in order of acquisition on top of the pre-exposure; a tilt's tracking and focus exposures come before it.
fn running_sum(tilts: &[TiltGroup], doses: &[f64], stated: &Stated) -> Vec<f64> {
    let overhead = stated.overhead_per_tilt_e_per_A2.unwrap_or(0.0);
    let mut in_time: Vec<usize> = (0..tilts.len()).collect();
    in_time.sort_by_key(|&tilt| tilts[tilt].order);
    let mut received = stated.pre_exposure_e_per_A2.unwrap_or(0.0);
    let mut before = vec![0.0; tilts.len()];
    for tilt in in_time {
        before[tilt] = received + overhead;
        received = before[tilt] + doses[tilt];
    }
    before
}

/// The curve and the factor of the voltage that weights are computed with.
fn weighting(
    series: &Series,
    curve: Option<CriticalExposure>,
    before: &Measured<Vec<f64>>,
) -> Measured<(CriticalExposure, f64)> {
    let curve = curve.ok_or_else(|| {
        NotMeasured::because(
            "no critical exposure is known for this specimen (the published curve is for vitrified protein)",
        )
    })?;
    before.as_ref().map_err(NotMeasured::clone)?;
    let kv =
        series.sheet.instrument.kv.ok_or_else(|| NotMeasured::because("the voltage is not stated (instrument.kv)"))?;
    let factor = voltage_factor(kv)
        .ok_or_else(|| NotMeasured::because(format!("no measurement of radiation damage reaches to {kv} kV")))?;
    Ok((curve, factor))
}

fn whole(
    series: &Series,
    per_tilt: &[Option<OneTilt>],
    beams_known: bool,
    before: &Measured<Vec<f64>>,
    weighting: &Measured<(CriticalExposure, f64)>,
) -> DoseMeasure {
    let doses: Option<Vec<&OneTilt>> = per_tilt.iter().map(Option::as_ref).collect();
    let total = doses.as_ref().map(|doses| doses.iter().map(|dose| dose.mean).sum());
    let why_not = match (total, before, weighting) {
        (None, _, _) => Some(NO_DOSE.to_owned()),
        (_, Err(NotMeasured(why)), _) | (_, _, Err(NotMeasured(why))) => Some(why.clone()),
        _ => None,
    };
    DoseMeasure {
        total_e_per_A2: total,
        largest_total_e_per_A2: doses.as_ref().and_then(|doses| largest_total(doses)),
        total_is_lower_bound: total.is_some() && series.grid != (1, 1) && !beams_known,
        overhead_e_per_A2: series.dose().overhead_per_tilt_e_per_A2.map(|dose| dose * series.tilts.len() as f64),
        pre_exposure_e_per_A2: series.dose().pre_exposure_e_per_A2,
        weighting: weighting.is_ok().then(|| "critical-exposure".to_owned()),
        voltage_factor: weighting.as_ref().ok().map(|(_, factor)| *factor),
        why_not,
    }
}

/// Largest sum over the tilts at one spot of the field.
fn largest_total(doses: &[&OneTilt]) -> Option<f64> {
    let maps: Option<Vec<&Vec<f64>>> = doses.iter().map(|dose| dose.map.as_ref()).collect();
    let maps = maps?;
    let points = maps.first()?.len();
    (0..points).map(|point| maps.iter().map(|map| map[point]).sum()).reduce(f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_running_sum_follows_the_order_of_acquisition() {
        let tilt = |order| TiltGroup { tilt_deg: 0.0, order, rows: Vec::new() };
        let stated =
            Stated { pre_exposure_e_per_A2: Some(10.0), overhead_per_tilt_e_per_A2: Some(0.5), ..Stated::default() };
        assert_eq!(running_sum(&[tilt(2), tilt(0), tilt(1)], &[1.0, 2.0, 4.0], &stated), [17.5, 10.5, 13.0]);
    }

    #[test]
    fn overlapping_beams_add_up() {
        // Two beams of diameter 100 px whose centres lie 50 px apart: the middle sees both.
        let field = BeamField { points: vec![(0.0, 0.0), (25.0, 0.0), (50.0, 0.0), (120.0, 0.0)], radius_px: 50.0 };
        assert_eq!(field.dose_map(&[((0.0, 0.0), 2.0), ((50.0, 0.0), 3.0)]), [5.0, 5.0, 5.0, 0.0]);
    }
}
