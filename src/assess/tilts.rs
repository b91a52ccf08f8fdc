//! The record of each tilt and tile.

use super::pass::{TileSeen, TiltSeen, scale};
use crate::intake::Series;
use crate::intake::sheet::DoseBasis;
use crate::intake::tilts::TiltGroup;
use crate::measure::counts;
use crate::measure::dark_area::DarkArea;
use crate::measure::dose::Dose;
use crate::measure::focus;
use crate::measure::seams;
use crate::measure::segments;
use crate::measure::sharpness::{self, Motions, SeriesSharpness, Spectrum, TiltSharpness};
use crate::record::{Grade, Sharpness, Tile, Tilt};
use rayon::prelude::*;

/// Mean counts less the offset; per stated exposure where that is known before the specimen.
pub(super) fn comparable_counts(series: &Series, observed: &[TiltSeen]) -> Vec<Option<f64>> {
    let exposure = exposures(series);
    observed
        .iter()
        .enumerate()
        .map(|(at, seen)| {
            let mean = seen.tally.as_ref().filter(|tally| tally.n > 0).map(|tally| tally.mean - series.offset_counts());
            mean.map(|mean| mean / exposure.as_ref().map_or(1.0, |exposure| exposure[at]))
        })
        .collect()
}

/// Dose of each tilt, else its exposure time, where one of them is stated for every section and above zero.
pub(super) fn exposures(series: &Series) -> Option<Vec<f64>> {
    let read = |cell: fn(&crate::intake::rows::Row) -> Option<f64>| -> Option<Vec<f64>> {
        let tilt = |tilt: &TiltGroup| {
            let cells: Option<Vec<f64>> = tilt.rows.iter().map(|&row| cell(&series.sections[row].row)).collect();
            cells.map(|cells| cells.iter().sum::<f64>() / cells.len() as f64).filter(|&mean| mean > 0.0)
        };
        series.tilts.iter().map(tilt).collect()
    };
    // A dose read behind the specimen follows the counts, and would hide what befell them.
    let dose = if series.dose().basis == Some(DoseBasis::AtCamera) { None } else { read(|row| row.dose) };
    dose.or_else(|| read(|row| row.exposure_s))
}

/// Sharpness of each tile against the same tile at the neighbouring angles, by tilt, by tile.
pub(super) fn tile_sharpness(
    series: &Series,
    observed: &[TiltSeen],
    gain: Option<f64>,
    motions: &Motions,
) -> Vec<Vec<TiltSharpness>> {
    let places = segments::places(series);
    let (cols, rows) = series.grid;
    let grid: Vec<(usize, usize)> = (0..rows).flat_map(|row| (0..cols).map(move |col| (col, row))).collect();
    let measured: Vec<(Vec<Option<usize>>, Vec<TiltSharpness>)> = grid
        .par_iter()
        .map(|&tile| {
            let at = |tilt: &TiltGroup| tilt.rows.iter().position(|&row| place_of(series, row) == tile);
            let slots: Vec<Option<usize>> = series.tilts.iter().map(at).collect();
            let seen = slots.iter().zip(observed);
            let spectrum =
                |(slot, seen): (&Option<usize>, &TiltSeen)| seen.tiles[(*slot)?].as_ref().ok()?.spectrum.clone();
            let spectra: Vec<Option<Spectrum>> = seen.map(spectrum).collect();
            (slots, sharpness::measure(&spectra, &places, gain, motions).tilts)
        })
        .collect();
    let mut by_tilt: Vec<Vec<TiltSharpness>> =
        series.tilts.iter().map(|tilt| vec![TiltSharpness::default(); tilt.rows.len()]).collect();
    for (slots, sharps) in measured {
        for ((slot, tilt), sharp) in slots.into_iter().zip(&mut by_tilt).zip(sharps) {
            if let Some(slot) = slot {
                tilt[slot] = sharp;
            }
        }
    }
    by_tilt
}

pub(super) fn place_of(series: &Series, row: usize) -> (usize, usize) {
    let place = series.sections[row].place;
    (place.col, place.row)
}

pub(super) fn tilt(
    series: &Series,
    at: usize,
    seen: &TiltSeen,
    sharp: &SeriesSharpness,
    tile_sharp: &[TiltSharpness],
    dose: &Dose,
) -> Tilt {
    let group = &series.tilts[at];
    let scale = scale(series);
    let mut whole = seen.tally.as_ref().map(|tally| counts::figures(tally, None, &scale)).unwrap_or_default();
    whole.saturated_fraction = seen.saturated;
    shadow(&mut whole, seen.dark.as_ref());
    whole.gradient_fraction = seen.gradient.map(|gradient| gradient.fraction());
    Tilt {
        tilt_deg: (group.tilt_deg * 1e6).round() / 1e6,
        order: group.order,
        acquired_at: series.acquired_at(group).map(|time| time.to_string()),
        sections: group.rows.iter().map(|&row| series.sections[row].page).collect(),
        counts: whole,
        focus: Some(focus::series::of_tilt(&seen.focus)),
        sharpness: sharp_record(series, &sharp.tilts[at], sharp.why_not.as_deref(), seen.spectrum.is_some()),
        tracking: None,
        alignment: None,
        angle: None,
        dose: dose.tilts[at].clone(),
        tiles: seen
            .tiles
            .iter()
            .zip(&group.rows)
            .zip(tile_sharp)
            .zip(&seen.settled.places_px)
            .enumerate()
            .map(|(at, (((t, &row), s), place))| Tile {
                focus: Some(focus::series::of_tile(&seen.focus, at)),
                ..tile(series, row, t, s, *place)
            })
            .collect(),
        seams: (series.grid != (1, 1))
            .then(|| seams::figures::of_tilt(&seen.settled, |slot| place_of(series, group.rows[slot]))),
        grade: Grade::NotMeasured,
        flags: Vec::new(),
        not_judged: Vec::new(),
        exclude: false,
    }
}

pub(super) fn shadow(counts: &mut crate::record::Counts, dark: Option<&DarkArea>) {
    counts.dark_area_fraction = dark.map(|dark| dark.fraction);
    counts.dark_area_shape = dark.and_then(|dark| dark.shape).map(|shape| shape.words().into());
}

pub(super) fn tile(
    series: &Series,
    row: usize,
    seen: &Result<TileSeen, crate::intake::IntakeError>,
    sharp: &TiltSharpness,
    place_px: Option<[f64; 2]>,
) -> Tile {
    let facts = &series.sections[row];
    let figures = seen.as_ref().ok().map(|seen| {
        let mut figures = counts::figures(&seen.tally, seen.level, &scale(series));
        shadow(&mut figures, seen.dark.as_ref());
        figures.gradient_fraction = seen.gradient.map(|gradient| gradient.fraction());
        figures
    });
    let has_spectrum = seen.as_ref().is_ok_and(|seen| seen.spectrum.is_some());
    Tile {
        section: facts.page,
        col: facts.place.col,
        row: facts.place.row,
        place_x_px: place_px.filter(|_| series.grid != (1, 1)).map(|place| place[0]),
        place_y_px: place_px.filter(|_| series.grid != (1, 1)).map(|place| place[1]),
        nominal_x_px: facts.place.x_px,
        nominal_y_px: facts.place.y_px,
        counts: figures.unwrap_or_default(),
        focus: None,
        sharpness: sharp_record(series, sharp, None, has_spectrum),
        unreadable: seen.as_ref().err().map(ToString::to_string),
    }
}

pub(super) fn sharp_record(
    series: &Series,
    sharp: &TiltSharpness,
    why_not: Option<&str>,
    has_spectrum: bool,
) -> Sharpness {
    let why = if has_spectrum { why_not } else { Some("every patch is dark, saturated or too small") };
    Sharpness {
        value: sharp.value,
        relative: sharp.relative,
        relative_at_most: sharp.relative_at_most,
        blur_direction_deg: sharp.direction_deg,
        directional_loss: sharp.directional_loss,
        signal_to_nm: series.pixel_nm.zip(sharp.signal_to).map(|(pixel_nm, frequency)| pixel_nm / frequency),
        why_not: why.filter(|_| sharp.relative.is_none()).map(str::to_owned),
    }
}
