//! From what was seen to the record and its evidence.

use super::pass::TiltSeen;
use super::tilts::{comparable_counts, place_of, tile_sharpness, tilt};
use super::whole::{facts, measures};
use super::{Assessed, Zero};
use crate::intake::Series;
use crate::intake::tilts::TiltGroup;
use crate::judge::{self, Profile};
use crate::measure::alignment;
use crate::measure::cells;
use crate::measure::counts;
use crate::measure::detail::Reach;
use crate::measure::dose::{self, Dose, WEIGHT_RESOLUTIONS_NM};
use crate::measure::focus;
use crate::measure::seams;
use crate::measure::sharpness::{self, Motions, SeriesSharpness, Spectrum};
use crate::measure::tracking::{self, figures::TiltFrame, kept::Kept};
use crate::measure::{picture, segments, size_trend, specimen_change, stated_angles};
use crate::numerics::median::upper_median;
use crate::record::evidence::{Curves, EVIDENCE_VERSION, Evidence, Picture, RepeatCurves, TiltCurves};
use crate::record::{ColumnSource, DetailMeasure, DoseMeasure, ProfileUsed, RECORD_VERSION, Record, Tilt, Tool};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;

/// From what was seen to the record and its evidence.
pub(super) fn finish(
    series: &Series,
    profile: &Profile,
    mut observed: Vec<TiltSeen>,
    inputs: Vec<crate::record::Input>,
) -> Assessed {
    let places = segments::places(series);
    let spectra: Vec<Option<Spectrum>> = observed.iter().map(|tilt| tilt.spectrum.clone()).collect();
    let gain = series.sheet.camera.counts_per_electron;
    let motions = Motions::new();
    let sharp = sharpness::measure(&spectra, &places, gain, &motions);
    let tile_sharp = tile_sharpness(series, &observed, gain, &motions);
    let dose = dose::measure(series, profile.curve());
    let pictures: Vec<Option<Kept>> = observed.iter_mut().map(|tilt| tilt.kept.take()).collect();
    let pixel_px = (picture::binning(series.assembled_px)
        * tracking::kept::further_binning(series.assembled_px, picture::binning(series.assembled_px)))
        as f64;
    let tracked = tracking::follow(series, &pictures, &places, pixel_px);
    let followed = tracking::figures::of_tilts(series, &tracked, &frames(series, &observed, &[]));
    let (over_run, scatter) = counts::over_run(&places, &comparable_counts(series, &observed));
    let mut tilts: Vec<Tilt> = (0..observed.len())
        .map(|at| {
            let mut tilt = tilt(series, at, &observed[at], &sharp, &tile_sharp[at], &dose);
            tilt.counts.mean_over_run = over_run[at];
            tilt.tracking = Some(followed[at].clone());
            tilt
        })
        .collect();
    let mut measures = measures(series, &observed, &tilts, dose.series.clone(), scatter);
    measures.focus = focus::series::measure(series, &places, &tilts);
    measures.detail = detail(series, sharp.reach, &tilts);
    measures.geometry = Some(tracking::figures::geometry(series, &tracked));
    let tilt_seams = tilt_seams(series, &observed);
    let told = seams::causes::tell(&tilt_seams, series.pixel_nm);
    measures.seams = seams::figures::of_series(&tilt_seams, &told, series.pixel_nm);
    for (tilt, drift) in tilts.iter_mut().zip(&told.drift_px_per_s) {
        let speed = drift.zip(series.pixel_nm).map(|([x, y], nm)| x.hypot(y) * nm);
        if let Some(tracking) = &mut tilt.tracking {
            tracking.drift_nm_per_s = speed;
        }
    }
    let across = tracked.as_ref().ok().and_then(|tracked| tracked.axis.across());
    let change = specimen_change::measure(series, &tilts, &pictures, pixel_px, across);
    measures.specimen_change = change.figures.clone();
    let tracking_alone = measures.geometry.clone().unwrap_or_default();
    let angles_deg: Vec<f64> = tilts.iter().map(|tilt| tilt.tilt_deg).collect();
    let by_pictures = stated_angles::by_pictures(&angles_deg, &pictures);
    // Along a list in another order nothing is followed, whatever a fit makes of it.
    let followed = if stated_angles::is_disordered(&by_pictures) { None } else { Some(&tracked) };
    let outlook = alignment::figures::measure(series, &tilts, &pictures, followed, pixel_px, &tracking_alone);
    for (tilt, angle) in tilts.iter_mut().zip(stated_angles::together(by_pictures, &outlook.angles)) {
        tilt.angle = Some(angle);
    }
    measures.alignment = outlook.series;
    measures.geometry = Some(alignment::axis::better(tracking_alone, &measures.alignment, series.sheet.tilt.axis_deg));
    for (tilt, alignment) in tilts.iter_mut().zip(outlook.tilts) {
        tilt.alignment = Some(alignment);
    }
    if measures.specimen_change.order_again.is_none()
        && let Some(change) = size_trend::measure(&tilts)
    {
        measures.specimen_change = change;
    }
    let facts = facts(series);
    let (mut checks, mut verdict) = judge::judge(&facts, &mut tilts, &measures, profile);
    // What tilts have in common is asked of those that are kept, which hangs on it in turn.
    let mut out = vec![false; tilts.len()];
    for _ in 0..MOST_SECOND_THOUGHTS {
        let now: Vec<bool> = tilts.iter().map(|tilt| tilt.exclude).collect();
        if now == out {
            break;
        }
        out = now;
        share_anew(series, &tracked, &frames(series, &observed, &out), &mut tilts);
        (checks, verdict) = judge::judge(&facts, &mut tilts, &measures, profile);
    }
    let record = Record {
        record_version: RECORD_VERSION,
        tool: Tool { name: env!("CARGO_PKG_NAME").into(), version: env!("CARGO_PKG_VERSION").into() },
        assessed_at: jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
        series: facts,
        inputs,
        columns: columns(series),
        notes: notes(series, &dose.series),
        options: None,
        profile: ProfileUsed {
            name: profile.name.clone(),
            sha256: profile.sha256.clone(),
            text: Some(profile.text.clone()),
        },
        tilts,
        measures,
        checks,
        verdict,
    };
    let points = tracking::figures::points(series, &tracked).unwrap_or_default();
    let mut evidence = evidence(series, observed, &sharp, dose, &points);
    let (tilt, patches_px) = (change.first, change.patches_px);
    evidence.curves.alignment = outlook.curves;
    evidence.curves.repeat = change.figures.measured.then_some(RepeatCurves { tilt, patches_px });
    let zero = zero(&record.tilts, pictures, pixel_px);
    Assessed { record, evidence, zero }
}

/// How fine a detail the tilts carry: by the power of their spectra, and by rings of contrast transfer, which half of them
/// may show where the power says nothing yet.
fn detail(series: &Series, reach: Option<Reach>, tilts: &[Tilt]) -> DetailMeasure {
    let none = |why: &str| DetailMeasure { why_not: Some(why.into()), ..DetailMeasure::default() };
    let Some(pixel_nm) = series.pixel_nm else { return none("the pixel size is not stated") };
    let rings: Vec<f64> = tilts.iter().filter_map(|tilt| tilt.focus.as_ref()?.rings_to_nm).collect();
    let rings = upper_median(rings.iter().copied()).filter(|_| 2 * rings.len() > tilts.len());
    let by_power = reach.map(|reach| pixel_nm / reach.frequency);
    let Some(nm) = by_power.into_iter().chain(rings).min_by(f64::total_cmp) else {
        return none("no frequency shows signal above the counting noise");
    };
    let ends_with_the_pixels = reach.is_some_and(|reach| reach.is_whole);
    DetailMeasure { measured: true, why_not: None, signal_to_nm: Some(nm), ends_with_the_pixels }
}

/// The kept picture of the tilt nearest zero (of two, the one recorded first) among those that stay in.
fn zero(tilts: &[Tilt], pictures: Vec<Option<Kept>>, pixel_px: f64) -> Option<Zero> {
    let shown = pictures.into_iter().enumerate().filter_map(|(tilt, picture)| Some((tilt, picture?)));
    let key = |tilt: usize| (tilts[tilt].exclude, tilts[tilt].tilt_deg.abs(), tilts[tilt].order);
    let nearest = shown.min_by(|(a, _), (b, _)| {
        let (a, b) = (key(*a), key(*b));
        a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)).then(a.2.cmp(&b.2))
    });
    nearest.map(|(tilt, picture)| Zero { tilt, picture, pixel_px })
}

/// Leaving tilts out may take another back in, once or twice.
const MOST_SECOND_THOUGHTS: usize = 3;

/// The shared area of each tilt, those that are left out not counted.
fn share_anew(
    series: &Series,
    tracked: &crate::measured::Measured<tracking::Tracked>,
    frames: &[TiltFrame<'_>],
    tilts: &mut [Tilt],
) {
    for (tilt, anew) in tilts.iter_mut().zip(tracking::figures::of_tilts(series, tracked, frames)) {
        if let Some(tracking) = &mut tilt.tracking {
            tracking.shared_area_fraction = anew.shared_area_fraction;
            tracking.shared_area_worst_tile_fraction = anew.shared_area_worst_tile_fraction;
        }
        tilt.not_judged.clear();
    }
}

/// The seams of all tilts with their clocks.
pub(super) fn tilt_seams<'a>(series: &Series, observed: &'a [TiltSeen]) -> Vec<seams::causes::TiltSeams<'a>> {
    let seconds = |row: usize| series.sections[row].row.acquired_at.map(|time| time.as_millisecond() as f64 / 1e3);
    let tilt = |(group, seen): (&TiltGroup, &'a TiltSeen)| seams::causes::TiltSeams {
        tilt_deg: group.tilt_deg,
        order: group.order,
        settled: &seen.settled,
        tiles: group.rows.iter().map(|&row| place_of(series, row)).collect(),
        seconds: group.rows.iter().map(|&row| seconds(row)).collect(),
    };
    series.tilts.iter().zip(observed).map(tilt).collect()
}

/// What tracking must know of the tilts; `left_out` by tilt, where it is decided.
pub(super) fn frames<'a>(series: &Series, observed: &'a [TiltSeen], left_out: &[bool]) -> Vec<TiltFrame<'a>> {
    let cell_px = cells::cell_px(series.size_px.0, series.size_px.1);
    let frame = |(at, tilt): (usize, &'a TiltSeen)| TiltFrame {
        settled: &tilt.settled,
        left_out: left_out.get(at).copied().unwrap_or(false),
        readable: tilt.tiles.iter().map(Result::is_ok).collect(),
        dark: tilt.dark.as_ref(),
        cell_px,
    };
    observed.iter().enumerate().map(frame).collect()
}

pub(super) fn columns(series: &Series) -> Vec<ColumnSource> {
    series.columns.clone()
}

pub(super) fn notes(series: &Series, dose: &DoseMeasure) -> Vec<String> {
    let mut notes = series.notes.clone();
    if !series.order_source.is_known() {
        notes.push("the order of acquisition is not stated: the rows are taken to stand in it".into());
    }
    if dose.total_e_per_A2.is_some() && dose.pre_exposure_e_per_A2.is_none() {
        notes.push("the pre-exposure is not stated: the dose received before counts from the first tilt".into());
    }
    if dose.total_is_lower_bound {
        let missing = if series.pixel_nm.is_none() { "pixel size" } else { "beam diameter (dose.beam_diameter_um)" };
        notes.push(format!("the {missing} is not stated: the dose of the montage leaves out overlapping beams"));
    }
    if series.sheet.camera.full_scale_counts.is_none()
        && let Some(full) = series.full_scale_counts
    {
        notes.push(format!("full scale is not stated: {full}, the largest value of the pixel type, is taken"));
    }
    notes
}

pub(super) fn evidence(
    series: &Series,
    observed: Vec<TiltSeen>,
    sharp: &SeriesSharpness,
    dose: Dose,
    points: &[Option<crate::measure::geometry::Point>],
) -> Evidence {
    let bin = picture::binning(series.assembled_px) as f64;
    let (mut pictures, mut tilts) = (Vec::new(), Vec::new());
    for (at, (seen, weights)) in observed.into_iter().zip(dose.weights).enumerate() {
        let name = format!("pictures/{at:03}.jpg");
        let drawn = seen.picture;
        let (tile_places_px, seam_patches_px) = tracking::figures::drawn(series, at, &seen.settled);
        let point = points.get(at).copied().flatten();
        tilts.push(TiltCurves {
            picture: name.clone(),
            picture_px: drawn.as_ref().map_or([0, 0], |picture| picture.size_px),
            picture_scale: bin,
            picture_counts: drawn.as_ref().map_or([0.0, 0.0], |picture| picture.counts),
            power: seen
                .spectrum
                .map(|spectrum| spectrum.means.rings.iter().map(|power| power.map(|p| p as f32)).collect())
                .unwrap_or_default(),
            noise: sharp.tilts[at].noise,
            azimuth_relative: sharp.tilts[at].azimuth_relative.iter().map(|a| a.map(|a| a as f32)).collect(),
            sharpness_run: sharp.tilts[at].run,
            weights,
            spectrum_jpeg: seen.spectrum_jpeg.map(|jpeg| STANDARD.encode(jpeg)),
            rings: focus::series::curves(&seen.focus),
            picture_origin_px: drawn.as_ref().map_or([0.0; 2], |picture| picture.origin_px),
            tile_places_px,
            seam_patches_px,
            across_um: point.map(|point| point.across_um),
            piece: point.map_or(0, |point| point.piece),
        });
        pictures.push(Picture { name, jpeg: drawn.map(|picture| picture.jpeg).unwrap_or_default() });
    }
    let curves = Curves {
        evidence_version: EVIDENCE_VERSION,
        frequency_cycles_per_px: sharpness::ring_frequencies().iter().map(|&f| f as f32).collect(),
        tilts,
        weight_resolution_nm: WEIGHT_RESOLUTIONS_NM.to_vec(),
        repeat: None,
        alignment: None,
    };
    Evidence { curves, pictures }
}
