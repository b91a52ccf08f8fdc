//! Uniform cubic B-splines: a smooth curve from a few coefficients (de Boor 1978, *A Practical Guide to Splines*).

/// Splines over an interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spline {
    low: f64,
    high: f64,
    count: usize,
}

/// The four splines that are not zero at a place: the first one's number, and their values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Basis {
    /// Number of the first.
    pub first: usize,
    /// Values of it and the next three.
    pub values: [f64; 4],
}

impl Basis {
    /// The curve of some coefficients at this place.
    pub fn at(&self, coefficients: &[f64]) -> f64 {
        self.values.iter().zip(&coefficients[self.first..]).map(|(value, c)| value * c).sum()
    }
}

impl Basis {
    /// Value of the spline of a number.
    pub fn of(&self, spline: usize) -> f64 {
        spline.checked_sub(self.first).and_then(|at| self.values.get(at)).copied().unwrap_or(0.0)
    }
}

impl Spline {
    /// `count` splines (at least 4) from `low` to `high`.
    pub fn new(low: f64, high: f64, count: usize) -> Self {
        Self { low, high, count: count.max(4) }
    }

    /// Number of coefficients.
    pub fn count(&self) -> usize {
        self.count
    }

    /// Splines at a place; outside of the interval those of its nearer end.
    pub fn basis(&self, x: f64) -> Basis {
        let pieces = self.count - 3;
        let place = ((x - self.low) / (self.high - self.low) * pieces as f64).clamp(0.0, pieces as f64);
        let first = (place as usize).min(pieces - 1);
        let t = place - first as f64;
        let (t2, t3) = (t * t, t * t * t);
        let values = [
            (1.0 - t).powi(3) / 6.0,
            (3.0 * t3 - 6.0 * t2 + 4.0) / 6.0,
            (-3.0 * t3 + 3.0 * t2 + 3.0 * t + 1.0) / 6.0,
            t3 / 6.0,
        ];
        Basis { first, values }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn splines_add_up_to_one_and_hold_a_line() {
        let spline = Spline::new(1.0, 3.0, 7);
        let line: Vec<f64> = (0..7).map(f64::from).collect();
        for i in 0..=40 {
            let x = 1.0 + f64::from(i) / 20.0;
            let basis = spline.basis(x);
            assert!((basis.at(&[1.0; 7]) - 1.0).abs() < 1e-12);
            assert!((basis.at(&line) - (1.0 + 2.0 * (x - 1.0))).abs() < 1e-12);
        }
    }
}
