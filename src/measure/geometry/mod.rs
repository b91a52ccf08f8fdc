//! Tilt geometry: where the tilt axis lies against the optical axis, and how far the specimen is off eucentric height.
//!
//! With recorded image shift taken off, a feature on the optical axis at zero tilt moves across the axis by
//! d (cos θ - 1) + z₀ sin θ. What is tracked lies somewhere in the section, so z₀ is known to half its thickness at
//! best. Every reset of image shift, and every break of the run, starts a new piece with a constant of its own.

use crate::measured::{Measured, NotMeasured};
use crate::numerics::regression;

/// Fewer tilts fit anything.
const FEWEST: usize = 6;
/// Angles must span this much for sin θ and cos θ - 1 to part.
const LEAST_SPAN_DEG: f64 = 40.0;
/// Tukey's biweight reaches so many robust standard deviations (95 % efficient on normal scatter).
const BIWEIGHT: f64 = 4.685;
const ROUNDS: usize = 30;

/// A tilt of the fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Angle.
    pub tilt_deg: f64,
    /// Measured position across the axis less the recorded image shift.
    pub across_um: f64,
    /// Which piece it belongs to, from 0.
    pub piece: usize,
}

/// What is known of the height of what is followed.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Heights {
    /// Thickness of the section, in which it lies anywhere.
    pub section_um: Option<f64>,
    /// Standard deviation of the mean height of what one side of the series shows.
    pub mean_um: Option<f64>,
}

/// The fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// d.
    pub axis_offset_um: f64,
    /// One standard uncertainty, with what heights leave open.
    pub axis_offset_error_um: f64,
    /// The part of it that scatter about the fit makes.
    pub axis_offset_scatter_um: f64,
    /// z₀.
    pub height_offset_um: f64,
    /// One standard uncertainty, with what heights leave open.
    pub height_offset_error_um: f64,
    /// The part of it that scatter about the fit makes.
    pub height_offset_scatter_um: f64,
    /// Constants of the pieces.
    pub constants_um: Vec<f64>,
    /// Scatter about the fit, points that do not count left out.
    pub rms_um: f64,
    /// Share of the points that count.
    pub used_fraction: f64,
}

/// Fits d, z₀ and a constant for each piece, robustly.
///
/// # Errors
/// Too few tilts, too small a span of angles.
pub fn fit(points: &[Point], heights: Heights) -> Measured<Fit> {
    if points.len() < FEWEST {
        return Err(NotMeasured::because(format!("only {} tilts could be followed", points.len())));
    }
    let low = points.iter().map(|p| p.tilt_deg).fold(f64::INFINITY, f64::min);
    let high = points.iter().map(|p| p.tilt_deg).fold(f64::NEG_INFINITY, f64::max);
    if high - low < LEAST_SPAN_DEG {
        let why = format!("the tilts that could be followed span {:.0}° only", high - low);
        return Err(NotMeasured::because(why));
    }
    let columns = columns(points);
    let by: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    let y: Vec<f64> = points.iter().map(|p| p.across_um).collect();
    let weights = weights(&by, &y);
    let undetermined = || NotMeasured::because("the image shift was reset so often that the pieces tell nothing");
    let fitted = regression::fit(&by, &y, Some(&weights)).ok_or_else(undetermined)?;
    let residual: Vec<f64> = residuals(&by, &y, &fitted.coefficients);
    let total: f64 = weights.iter().sum();
    let rms = (residual.iter().zip(&weights).map(|(r, w)| w * r * r).sum::<f64>() / total.max(1e-12)).sqrt();
    // Positions are chained: neighbours err alike, and fewer of them are independent than there are.
    let inflation = correlated(&residual, &weights);
    let scatter = [0, 1].map(|k| inflation * fitted.standard_errors[k]);
    let taken = taken_by_heights(points, &by, &weights, heights);
    // Uniform in the section: its standard deviation is the thickness over √12.
    let section = heights.section_um.unwrap_or(0.0) / 12f64.sqrt();
    Ok(Fit {
        axis_offset_um: fitted.coefficients[0],
        axis_offset_error_um: scatter[0].hypot(taken[0]),
        axis_offset_scatter_um: scatter[0],
        height_offset_um: fitted.coefficients[1],
        height_offset_error_um: scatter[1].hypot(taken[1]).hypot(section),
        height_offset_scatter_um: scatter[1],
        constants_um: fitted.coefficients[2..].to_vec(),
        rms_um: rms,
        used_fraction: weights.iter().filter(|&&w| w > 0.05).count() as f64 / points.len() as f64,
    })
}

/// What a mean height that differs between the two sides of the series does to d and z₀: the fit's answer to |sin θ| and
/// sin θ, which such heights add to the positions.
fn taken_by_heights(points: &[Point], by: &[&[f64]], weights: &[f64], heights: Heights) -> [f64; 2] {
    let Some(mean_um) = heights.mean_um else { return [0.0; 2] };
    let sides = [f64::abs as fn(f64) -> f64, |sine| sine];
    let answers = sides.map(|side| {
        let added: Vec<f64> = points.iter().map(|p| side(p.tilt_deg.to_radians().sin())).collect();
        regression::fit(by, &added, Some(weights)).map_or([0.0; 2], |fit| [fit.coefficients[0], fit.coefficients[1]])
    });
    // Two independent sides: half their sum is common, half their difference is not.
    [0, 1].map(|k| mean_um * answers[0][k].hypot(answers[1][k]) / 2f64.sqrt())
}

/// cos θ - 1, sin θ, and one column a piece.
fn columns(points: &[Point]) -> Vec<Vec<f64>> {
    let pieces = points.iter().map(|p| p.piece).max().unwrap_or(0) + 1;
    let mut columns: Vec<Vec<f64>> = vec![
        points.iter().map(|p| p.tilt_deg.to_radians().cos() - 1.0).collect(),
        points.iter().map(|p| p.tilt_deg.to_radians().sin()).collect(),
    ];
    for piece in 0..pieces {
        columns.push(points.iter().map(|p| f64::from(u8::from(p.piece == piece))).collect());
    }
    columns
}

fn residuals(columns: &[&[f64]], y: &[f64], coefficients: &[f64]) -> Vec<f64> {
    let model = |row: usize| columns.iter().zip(coefficients).map(|(column, c)| c * column[row]).sum::<f64>();
    (0..y.len()).map(|row| y[row] - model(row)).collect()
}

/// Weights by iteration: least absolute deviations first, then Tukey's biweight from there.
fn weights(columns: &[&[f64]], y: &[f64]) -> Vec<f64> {
    let mut weights = vec![1.0; y.len()];
    for round in 0..ROUNDS {
        let Some(fit) = regression::fit(columns, y, Some(&weights)) else { break };
        let residual = residuals(columns, y, &fit.coefficients);
        let mut sizes: Vec<f64> = residual.iter().map(|r| r.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let scale = (1.4826 * sizes[sizes.len() / 2]).max(1e-6);
        let weight = |r: &f64| {
            if round < ROUNDS / 2 {
                1.0 / r.abs().max(0.1 * scale)
            } else {
                (1.0 - (r / (BIWEIGHT * scale)).powi(2)).max(0.0).powi(2).max(1e-6)
            }
        };
        weights = residual.iter().map(weight).collect();
    }
    weights
}

/// √((1 + r)/(1 - r)), r the correlation of neighbouring residuals: how much larger errors are than independent ones.
fn correlated(residual: &[f64], weights: &[f64]) -> f64 {
    let kept: Vec<f64> = residual.iter().zip(weights).filter(|(_, w)| **w > 0.05).map(|(r, _)| *r).collect();
    let squares: f64 = kept.iter().map(|r| r * r).sum();
    let products: f64 = kept.windows(2).map(|pair| pair[0] * pair[1]).sum();
    let r = if squares > 0.0 { (products / squares).clamp(0.0, 0.95) } else { 0.0 };
    ((1.0 + r) / (1.0 - r)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(d: f64, z: f64, piece: impl Fn(usize) -> usize, extra: impl Fn(usize) -> f64) -> Vec<Point> {
        (0..41)
            .map(|at| {
                let tilt_deg = 3.0 * at as f64 - 60.0;
                let t = tilt_deg.to_radians();
                Point { tilt_deg, across_um: d * (t.cos() - 1.0) + z * t.sin() + extra(at), piece: piece(at) }
            })
            .collect()
    }

    #[test]
    fn offset_and_height_come_back_through_scatter_and_wrong_tilts() {
        let scatter = |at: usize| 0.002 * ((at * 17 % 11) as f64 - 5.0) + if at % 9 == 4 { 0.8 } else { 0.0 };
        let fit = fit(&points(1.4, -0.3, |_| 0, scatter), Heights::default()).unwrap();
        assert!((fit.axis_offset_um - 1.4).abs() < 0.02 && (fit.height_offset_um + 0.3).abs() < 0.01, "{fit:?}");
        assert!((fit.axis_offset_um - 1.4).abs() < 4.0 * fit.axis_offset_error_um);
        assert!(fit.used_fraction < 0.95);
    }

    #[test]
    fn a_reset_is_a_new_piece_and_no_height() {
        let reset = |at: usize| if at >= 30 { 1.2 } else { 0.0 };
        let fit = fit(&points(0.5, 0.1, |at| usize::from(at >= 30), reset), Heights::default()).unwrap();
        assert!((fit.axis_offset_um - 0.5).abs() < 1e-6 && (fit.height_offset_um - 0.1).abs() < 1e-6);
        assert!((fit.constants_um[1] - fit.constants_um[0] - 1.2).abs() < 1e-6);
    }

    #[test]
    fn heights_that_are_not_known_widen_the_errors() {
        let scatter = |at: usize| 0.002 * ((at * 17 % 11) as f64 - 5.0);
        let of = |heights| fit(&points(1.4, -0.3, |_| 0, scatter), heights).unwrap();
        let bare = of(Heights::default());
        assert_eq!(bare.axis_offset_error_um, bare.axis_offset_scatter_um);
        let thick = of(Heights { section_um: Some(0.12), mean_um: None });
        assert!((thick.height_offset_error_um - 0.12 / 12f64.sqrt()).abs() < 0.002, "{thick:?}");
        assert_eq!(thick.axis_offset_error_um, bare.axis_offset_error_um);
        // |sin θ| over ±60° looks like some 1.5 (1 - cos θ).
        let mean = of(Heights { section_um: None, mean_um: Some(0.02) });
        assert!(mean.axis_offset_error_um > 0.015 && mean.axis_offset_error_um < 0.035, "{mean:?}");
    }

    #[test]
    fn a_narrow_range_tells_nothing() {
        let few: Vec<Point> =
            points(1.0, 0.0, |_| 0, |_| 0.0).into_iter().filter(|p| p.tilt_deg.abs() < 12.0).collect();
        assert!(fit(&few, Heights::default()).unwrap_err().0.contains("span 18°"));
    }
}
