//! Tracking and geometry as the record keeps them.

use crate::intake::Series;
use crate::measure::dark_area::DarkArea;
use crate::measure::geometry::{self, Point};
use crate::measure::seams::settle::Settled;
use crate::measure::tracking::chain::Apart;
use crate::measure::tracking::shared::{self, Field, Frame, Share, Target};
use crate::measure::tracking::steps::Step;
use crate::measure::tracking::{Tracked, shift};
use crate::measured::{Measured, NotMeasured};
use crate::record::{Geometry, Tracking};
use ndarray::Array2;

/// What tracking must know of each tilt's tiles.
pub struct TiltFrame<'a> {
    /// Its seams and found places.
    pub settled: &'a Settled,
    /// Which of its tiles could be read.
    pub readable: Vec<bool>,
    /// The verdict leaves it out.
    pub left_out: bool,
    /// Dark area of the assembled frame.
    pub dark: Option<&'a DarkArea>,
    /// Side of its cells in px.
    pub cell_px: usize,
}

/// The record's tracking of every tilt.
pub fn of_tilts(series: &Series, tracked: &Measured<Tracked>, frames: &[TiltFrame<'_>]) -> Vec<Tracking> {
    let tracked = match tracked {
        Ok(tracked) => tracked,
        Err(why) => {
            return frames.iter().map(|_| Tracking { why_not: Some(why.0.clone()), ..Tracking::default() }).collect();
        }
    };
    let middle_px = middle_px(series);
    let fields: Vec<Field> = (0..frames.len()).map(|at| field(series, tracked, at, &frames[at])).collect();
    let shares = shared::shares(&fields, tracked.start, middle_px);
    let of_area = |at: usize| target(series, tracked, &fields, frames, at);
    (0..frames.len())
        .map(|at| Tracking {
            target_visible_fraction: of_area(at).map(|area| area.visible),
            target_dark_fraction: of_area(at).map(|area| area.dark),
            ..of_tilt(tracked, at, shares[at].as_ref())
        })
        .collect()
}

fn of_tilt(tracked: &Tracked, at: usize, share: Option<&Share>) -> Tracking {
    let place = tracked.positions_px[at];
    let worst = share.and_then(|share| share.tiles.iter().map(|(_, share)| *share).reduce(f64::min));
    // What is found of the field: nothing.
    let none = tracked.apart[at].map(|_| 0.0);
    Tracking {
        shift_x_px: place.map(|place| place[0]),
        shift_y_px: place.map(|place| place[1]),
        step_px: tracked.steps_px[at].as_ref().map(Step::length),
        step_error_px: tracked.step_error_px(at),
        step_stays: tracked.step_stays(at),
        stage_step_px: tracked.stage_steps_px[at].as_ref().map(Step::length),
        correlation: tracked.correlations[at],
        shared_area_fraction: share.map(|share| share.whole).or(none),
        shared_area_worst_tile_fraction: worst.or(none),
        target_visible_fraction: None,
        target_dark_fraction: None,
        drift_nm_per_s: None,
        why_not: why_not(tracked, at).map(str::to_owned),
    }
}

/// Why a tilt has no place, or a place but no step.
fn why_not(tracked: &Tracked, at: usize) -> Option<&'static str> {
    // Where no tilt has a step there are too few for a run, and no hole is to blame.
    let run = tracked.steps_px.iter().any(Option::is_some);
    match (tracked.positions_px[at], &tracked.steps_px[at]) {
        _ if tracked.apart[at] == Some(Apart::Together) => {
            Some("it shows another field: what its neighbours show is found, and nothing of the rest")
        }
        _ if tracked.apart[at] == Some(Apart::Alone) => {
            Some("it shows another field: nothing of what its neighbours have in common is found in it")
        }
        (None, _) => Some("it shows no texture in common with a neighbour"),
        (Some(_), None) if run => Some("no tilt near it in angle was recorded before it, so a jump cannot be told"),
        (Some(_), _) => None,
    }
}

/// The middle of the assembled picture by nominal places.
fn middle_px(series: &Series) -> [f64; 2] {
    [0.5 * series.assembled_px.0 as f64, 0.5 * series.assembled_px.1 as f64]
}

fn field(series: &Series, tracked: &Tracked, at: usize, frame: &TiltFrame<'_>) -> Field {
    let tilt = &series.tilts[at];
    let nominal: Vec<[f64; 2]> =
        tilt.rows.iter().map(|&row| series.sections[row].place).map(|place| [place.x_px, place.y_px]).collect();
    let places = frame.settled.assembled_px(&nominal);
    let (width, height) = (series.size_px.0 as f64, series.size_px.1 as f64);
    let tiles = tilt
        .rows
        .iter()
        .zip(&places)
        .zip(&frame.readable)
        .filter(|(_, readable)| **readable)
        .map(|((&row, [x, y]), _)| {
            let place = series.sections[row].place;
            ((place.col, place.row), Frame { x: [*x, x + width], y: [*y, y + height] })
        })
        .collect();
    Field {
        view: tracked.view(tilt.tilt_deg),
        order: tilt.order,
        place_px: tracked.positions_px[at],
        tiles,
        left_out: frame.left_out,
    }
}

/// Shares of the operator's area that a tilt shows, and that lie in the dark. What is dark inside the frame is a shadow only
/// where the start shows no dark thing of the specimen's.
fn target(series: &Series, tracked: &Tracked, fields: &[Field], frames: &[TiltFrame<'_>], at: usize) -> Option<Target> {
    let area = series.targets().area_px?;
    let at_cell = |mask: &Array2<bool>, frame: &TiltFrame<'_>, [x, y]: [f64; 2]| {
        let index = |px: f64| (px.max(0.0) / frame.cell_px as f64) as usize;
        mask.get((index(y), index(x))).copied().unwrap_or(false)
    };
    let (frame, first) = (&frames[at], &frames[tracked.start]);
    let is_dark = |there: [f64; 2], at_start: [f64; 2]| {
        frame.dark.is_some_and(|dark| {
            let specimen = first.dark.is_some_and(|dark| at_cell(&dark.inside, first, at_start));
            at_cell(&dark.mask, frame, there) || !specimen && at_cell(&dark.inside, frame, there)
        })
    };
    shared::target(area, &fields[at], fields[tracked.start].view, middle_px(series), is_dark)
}

/// What the page draws of a tilt's seams and tiles: places of the tiles, and of each seam's patches their middle in the
/// assembled picture with what the placement leaves of them.
pub fn drawn(series: &Series, at: usize, settled: &Settled) -> (Vec<[f64; 2]>, Vec<Vec<[f64; 4]>>) {
    let place = |row: &usize| series.sections[*row].place;
    let nominal: Vec<[f64; 2]> = series.tilts[at].rows.iter().map(place).map(|p| [p.x_px, p.y_px]).collect();
    let places = settled.assembled_px(&nominal);
    let patches = settled.seams.iter().map(|seam| {
        let found = seam.found.as_ref().map(|found| found.patches.as_slice()).unwrap_or_default();
        let [x0, y0] = places[seam.pair.from];
        let patch = |(patch, [dx, dy]): (&crate::measure::seams::patch::Patch, &[f64; 2])| {
            [x0 + patch.middle_px[0], y0 + patch.middle_px[1], *dx, *dy]
        };
        found.iter().zip(&seam.residuals_px).map(patch).collect()
    });
    (places.clone(), patches.collect())
}

/// Points of the geometry fit, one a tilt: position across the axis less the recorded image shift.
///
/// # Errors
/// What is missing.
pub fn points(series: &Series, tracked: &Measured<Tracked>) -> Measured<Vec<Option<Point>>> {
    let tracked = tracked.as_ref().map_err(Clone::clone)?;
    let missing = |what: &str| NotMeasured::because(format!("{what} is not stated"));
    let pixel_nm = series.pixel_nm.ok_or_else(|| missing("the pixel size (camera.pixel_nm)"))?;
    let across = tracked.axis.across().ok_or_else(|| missing("the direction of the tilt axis (tilt.axis_deg)"))?;
    let shifts = shift::shifts_um(series);
    if shifts.iter().all(Option::is_none) {
        return Err(missing("the image shift (columns shift_x_um and shift_y_um)"));
    }
    let point = |at: usize| {
        let (place, shift) = (tracked.positions_px[at]?, shifts[at]?);
        let um = |k: usize| place[k] * pixel_nm / 1000.0 - shift[k];
        let across_um = across[0] * um(0) + across[1] * um(1);
        Some(Point { tilt_deg: series.tilts[at].tilt_deg, across_um, piece: tracked.pieces[at] })
    };
    Ok((0..series.tilts.len()).map(point).collect())
}

/// The record's geometry.
pub fn geometry(series: &Series, tracked: &Measured<Tracked>) -> Geometry {
    let um = |px: f64, pixel_nm: f64| px * pixel_nm / 1000.0;
    let thickness_nm = series.sheet.specimen_facts.thickness_nm;
    let followed = tracked.as_ref().ok().and_then(|tracked| tracked.heights_px).zip(series.pixel_nm);
    let heights = geometry::Heights {
        section_um: thickness_nm.map(|nm| nm / 1000.0),
        mean_um: followed.map(|(px, pixel_nm)| um(px, pixel_nm)),
    };
    let fitted = points(series, tracked)
        .and_then(|points| geometry::fit(&points.into_iter().flatten().collect::<Vec<_>>(), heights));
    let axis = tracked.as_ref().ok().map(|tracked| &tracked.axis);
    let found = axis.and_then(|axis| axis.found);
    let fit = fitted.as_ref().ok();
    Geometry {
        measured: fitted.is_ok(),
        why_not: fitted.as_ref().err().map(|why| why.0.clone()),
        axis_offset_um: fit.map(|fit| fit.axis_offset_um),
        height_offset_um: fit.map(|fit| fit.height_offset_um),
        fit_rms_um: fit.map(|fit| fit.rms_um),
        axis_offset_error_um: fit.map(|fit| fit.axis_offset_error_um),
        height_offset_error_um: fit.map(|fit| fit.height_offset_error_um),
        axis_offset_scatter_um: fit.map(|fit| fit.axis_offset_scatter_um),
        height_offset_scatter_um: fit.map(|fit| fit.height_offset_scatter_um),
        error_note: fit.map(|_| error_note(heights)),
        axis_used_deg: axis.and_then(|axis| axis.used_deg),
        axis_found_deg: found.map(|found| found.axis_deg),
        axis_found_error_deg: found.map(|found| found.error_deg),
        axis_note: axis.and_then(|axis| axis.note.clone()),
        piece_constants_um: fit.map(|fit| fit.constants_um.clone()).unwrap_or_default(),
    }
}

/// What the uncertainties of axis offset and height speak of.
fn error_note(heights: geometry::Heights) -> String {
    let section = match heights.section_um {
        Some(um) => format!("what is followed lies anywhere in the {:.0} nm of the section", 1000.0 * um),
        None => "the thickness is not stated, so where in the section lies what is followed is left out".into(),
    };
    let mean = match heights.mean_um {
        Some(um) => format!("the mean height of what is followed is known to {:.0} nm on either side", 1000.0 * um),
        None => "how its mean height changes with tilt is not known".into(),
    };
    let scatter = "one standard uncertainty: scatter about the fit";
    format!("{scatter}; {section}; {mean}")
}
