//! What underfocus over the series tells of other things: the tilt axis, and the time since autofocus.
//!
//! For a feature that image shift holds in place, underfocus changes by d sin θ + z₀(1 - cos θ), with d the distance
//! of the optical axis from the tilt axis and z₀ the height off it, once the focus that was applied is taken off.

use crate::intake::Series;
use crate::measure::focus::series::defocus_of;
use crate::measured::{Measured, NotMeasured};
use crate::record::Tilt;
use nalgebra::{DMatrix, DVector};

/// Fewer tilts say nothing.
const LEAST_TILTS: usize = 8;
/// An axis offset known worse than this is no witness.
const MOST_ERROR_UM: f64 = 1.0;
/// Residuals beyond this many robust standard deviations are left out.
const OUTLIER: f64 = 4.0;

/// Axis offset and height by underfocus.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Witness {
    /// d.
    pub axis_um: f64,
    /// Its standard uncertainty.
    pub axis_error_um: f64,
    /// z₀.
    pub height_um: f64,
    /// Its standard uncertainty.
    pub height_error_um: f64,
}

/// Fits d, z₀ and a level to the underfocus less the applied focus.
pub fn axis_offset(series: &Series, tilts: &[Tilt]) -> Measured<Witness> {
    let applied = |at: usize| mean(series, at, |row| row.applied_focus_um);
    let shifted = |at: usize| mean(series, at, |row| row.shift_um.map(|shift| shift[0]));
    if !(0..tilts.len()).any(|at| applied(at).is_some()) {
        return Err(NotMeasured::because("the table has no applied_focus_um"));
    }
    if !(0..tilts.len()).any(|at| shifted(at).is_some()) {
        return Err(NotMeasured::because("the table has no image shifts, so the field may have moved over the slope"));
    }
    let points: Vec<(f64, f64)> = tilts
        .iter()
        .enumerate()
        .filter_map(|(at, tilt)| Some((tilt.tilt_deg.to_radians(), defocus_of(tilt)? - applied(at)?)))
        .collect();
    if points.len() < LEAST_TILTS {
        return Err(NotMeasured::because(format!("only {} tilts have a focus", points.len())));
    }
    let rows: Vec<[f64; 3]> = points.iter().map(|(t, _)| [t.sin(), 1.0 - t.cos(), 1.0]).collect();
    let values: Vec<f64> = points.iter().map(|(_, um)| *um).collect();
    let (solution, errors) = robust_fit(&rows, &values)
        .ok_or_else(|| NotMeasured::because("the angles with a focus cannot tell offset and height apart"))?;
    if errors[0] > MOST_ERROR_UM {
        let why = format!("underfocus against tilt gives it to ±{:.1} µm only", errors[0]);
        return Err(NotMeasured::because(why));
    }
    Ok(Witness { axis_um: solution[0], axis_error_um: errors[0], height_um: solution[1], height_error_um: errors[1] })
}

/// Slope of underfocus less the wanted one with the minutes since autofocus last ran, and its uncertainty.
pub fn drift(series: &Series, tilts: &[Tilt], wanted: &[Option<f64>]) -> Measured<[f64; 2]> {
    let mut by_time: Vec<usize> = (0..tilts.len()).collect();
    by_time.sort_by_key(|&at| tilts[at].order);
    if !series.sections.iter().any(|section| section.row.autofocus.is_some()) {
        return Err(NotMeasured::because("the table has no column autofocus"));
    }
    let mut last = None;
    let mut points = Vec::new();
    for at in by_time {
        let group = &series.tilts[at];
        let Some(time) = series.acquired_at(group) else { continue };
        let minutes = time.as_second() as f64 / 60.0;
        if group.rows.iter().any(|&row| series.sections[row].row.autofocus == Some(true)) {
            last = Some(minutes);
        }
        if let (Some(last), Some(um), Some(wanted)) = (last, defocus_of(&tilts[at]), wanted[at]) {
            points.push((minutes - last, um - wanted));
        }
    }
    if points.len() < LEAST_TILTS {
        let why = "fewer than 8 tilts have a time, a focus, a wanted focus, and an autofocus before them";
        return Err(NotMeasured::because(why));
    }
    let ages: Vec<f64> = points.iter().map(|(age, _)| *age).collect();
    let span = ages.iter().copied().fold(0.0, f64::max) - ages.iter().copied().fold(f64::INFINITY, f64::min);
    if span < 1.0 {
        return Err(NotMeasured::because("autofocus ran before every tilt"));
    }
    let rows: Vec<[f64; 3]> = ages.iter().map(|&age| [age, 0.0, 1.0]).collect();
    let values: Vec<f64> = points.iter().map(|(_, um)| *um).collect();
    let (solution, errors) =
        robust_fit(&rows, &values).ok_or_else(|| NotMeasured::because("the ages since autofocus are all alike"))?;
    Ok([solution[0], errors[0]])
}

fn mean(series: &Series, tilt: usize, cell: impl Fn(&crate::intake::table::Row) -> Option<f64>) -> Option<f64> {
    let rows = &series.tilts[tilt].rows;
    let cells: Option<Vec<f64>> = rows.iter().map(|&row| cell(&series.sections[row].row)).collect();
    let cells = cells?;
    (!cells.is_empty()).then(|| cells.iter().sum::<f64>() / cells.len() as f64)
}

/// Least squares with outliers left out; solution and standard uncertainties. Columns of zeros are held at 0.
fn robust_fit(rows: &[[f64; 3]], values: &[f64]) -> Option<([f64; 3], [f64; 3])> {
    let mut kept: Vec<usize> = (0..rows.len()).collect();
    for _ in 0..5 {
        let (solution, errors) = least_squares(rows, values, &kept)?;
        let rest = |at: usize| values[at] - (0..3).map(|k| rows[at][k] * solution[k]).sum::<f64>();
        let mut sizes: Vec<f64> = kept.iter().map(|&at| rest(at).abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let limit = OUTLIER * 1.4826 * sizes[sizes.len() / 2] + 1e-9;
        let next: Vec<usize> = (0..rows.len()).filter(|&at| rest(at).abs() <= limit).collect();
        if next == kept || next.len() < LEAST_TILTS {
            return Some((solution, errors));
        }
        kept = next;
    }
    least_squares(rows, values, &kept)
}

fn least_squares(rows: &[[f64; 3]], values: &[f64], kept: &[usize]) -> Option<([f64; 3], [f64; 3])> {
    let used: Vec<usize> = (0..3).filter(|&k| kept.iter().any(|&at| rows[at][k] != 0.0)).collect();
    let design = DMatrix::from_fn(kept.len(), used.len(), |i, k| rows[kept[i]][used[k]]);
    let right = DVector::from_fn(kept.len(), |i, _| values[kept[i]]);
    let inverse = (design.transpose() * &design).try_inverse()?;
    let solution = &inverse * design.transpose() * &right;
    let rest = (&design * &solution - right).norm_squared() / (kept.len().checked_sub(used.len())?.max(1)) as f64;
    let (mut full, mut errors) = ([0.0; 3], [0.0; 3]);
    for (place, &k) in used.iter().enumerate() {
        full[k] = solution[place];
        errors[k] = (rest * inverse[(place, place)]).max(0.0).sqrt();
    }
    Some((full, errors))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn offset_and_height_are_found_beside_an_outlier() {
        let angles: Vec<f64> = (-20..=20).map(|i| (3.0 * f64::from(i)).to_radians()).collect();
        let rows: Vec<[f64; 3]> = angles.iter().map(|t| [t.sin(), 1.0 - t.cos(), 1.0]).collect();
        let mut values: Vec<f64> = angles
            .iter()
            .enumerate()
            .map(|(i, t)| 1.4 * t.sin() - 0.6 * (1.0 - t.cos()) + 3.0 + 0.02 * ((i * 7 % 5) as f64 - 2.0))
            .collect();
        values[30] += 2.0;
        let (solution, errors) = robust_fit(&rows, &values).unwrap();
        assert!((solution[0] - 1.4).abs() < 4.0 * errors[0] && errors[0] < 0.02);
        assert!((solution[1] + 0.6).abs() < 4.0 * errors[1]);
    }
}
