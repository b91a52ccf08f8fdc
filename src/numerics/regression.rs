//! Linear least squares with standard errors.

use nalgebra::{DMatrix, DVector};

/// A weighted linear fit `y ≈ Σ coefficients[j] · columns[j]`.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// One a column.
    pub coefficients: Vec<f64>,
    /// Standard deviation of each coefficient.
    pub standard_errors: Vec<f64>,
    /// Residual standard deviation, √(Σ w r² / (n - columns)).
    pub residual_sd: f64,
}

/// Fits `y` by the given columns (all of `y`'s length), each row with its weight; `None` with fewer rows than
/// columns, or where the columns do not part.
///
/// Columns are scaled to unit length and the system is solved by singular values, so that columns of very
/// different size (powers of a large x) cost no digits.
pub fn fit(columns: &[&[f64]], y: &[f64], weights: Option<&[f64]>) -> Option<Fit> {
    let (n, p) = (y.len(), columns.len());
    if n < p || p == 0 || columns.iter().any(|column| column.len() != n) {
        return None;
    }
    let root = |row: usize| weights.map_or(1.0, |weights| weights[row].sqrt());
    let scale: Vec<f64> = columns.iter().map(|c| c.iter().map(|v| v * v).sum::<f64>().sqrt()).collect();
    if scale.iter().any(|&scale| !(scale.is_finite() && scale > 0.0)) {
        return None;
    }
    let design = DMatrix::from_fn(n, p, |row, column| root(row) * columns[column][row] / scale[column]);
    let target = DVector::from_fn(n, |row, _| root(row) * y[row]);
    let svd = design.clone().svd(true, true);
    let smallest = svd.singular_values.min();
    if smallest.partial_cmp(&(1e-13 * svd.singular_values.max())) != Some(std::cmp::Ordering::Greater) {
        return None;
    }
    let solution = svd.solve(&target, 0.0).ok()?;
    let residual = &design * &solution - &target;
    let residual_sd = if n > p { (residual.norm_squared() / (n - p) as f64).sqrt() } else { 0.0 };
    let v_t = svd.v_t.as_ref()?;
    let variance = |j: usize| (0..p).map(|k| (v_t[(k, j)] / svd.singular_values[k]).powi(2)).sum::<f64>();
    Some(Fit {
        coefficients: (0..p).map(|j| solution[j] / scale[j]).collect(),
        standard_errors: (0..p).map(|j| residual_sd * variance(j).sqrt() / scale[j]).collect(),
        residual_sd,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_through_points_worked_by_hand() {
        // x = 0, 1, 2, y = 1, 3, 4: slope 3/2, intercept 7/6, Σr² = 1/6.
        let fit = fit(&[&[1.0, 1.0, 1.0], &[0.0, 1.0, 2.0]], &[1.0, 3.0, 4.0], None).unwrap();
        assert!((fit.coefficients[0] - 7.0 / 6.0).abs() < 1e-12 && (fit.coefficients[1] - 1.5).abs() < 1e-12);
        assert!((fit.residual_sd - (1.0f64 / 6.0).sqrt()).abs() < 1e-12);
        // Slope's standard error: residual sd / √Σ(x - x̄)².
        assert!((fit.standard_errors[1] - (1.0f64 / 6.0).sqrt() / 2.0f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn what_cannot_be_solved_is_not() {
        assert_eq!(fit(&[&[1.0, 1.0], &[2.0, 2.0]], &[1.0, 2.0], None), None);
        assert_eq!(fit(&[&[1.0], &[2.0]], &[1.0], None), None);
    }
}
