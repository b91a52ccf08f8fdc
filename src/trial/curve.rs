//! How strong a fault must be to be caught: a curve through counts of caught and planted, and its points at 50 and 95 %.
//!
//! Logistic regression on the logarithm of the strength, fitted by Newton's method. A twentieth of a success and of a
//! failure more at every strength keeps the slope finite where strengths part the caught from the missed without overlap.
//! Uncertainty by the delta method.

/// Caught and planted at one strength.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Step {
    /// Strength of the fault.
    pub strength: f64,
    /// Faults planted.
    pub planted: usize,
    /// Faults caught.
    pub caught: usize,
}

/// A strength read off the curve, with one standard uncertainty as a factor.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Reached {
    /// Strength.
    pub strength: f64,
    /// It lies between strength / factor and strength × factor (one standard uncertainty).
    pub factor: f64,
}

/// A fitted curve.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Curve {
    /// ln(p/(1 - p)) = offset + slope × ln(strength).
    pub offset: f64,
    /// See `offset`.
    pub slope: f64,
    covariance: [f64; 3],
}

const ROUNDS: usize = 60;
/// What every strength gets besides of caught and of missed.
const PRIOR: f64 = 0.05;

impl Curve {
    /// Fits a curve; `None` with fewer than two strengths above zero, or where strength does not help.
    pub fn fit(steps: &[Step]) -> Option<Self> {
        let points: Vec<(f64, f64, f64)> = steps
            .iter()
            .filter(|step| step.strength > 0.0 && step.planted > 0)
            .map(|step| (step.strength.ln(), step.planted as f64 + 2.0 * PRIOR, step.caught as f64 + PRIOR))
            .collect();
        if points.len() < 2 {
            return None;
        }
        let middle = points.iter().map(|point| point.0).sum::<f64>() / points.len() as f64;
        let (mut offset, mut slope) = (0.0f64, 1.0f64);
        let mut information = [1.0, 0.0, 1.0];
        for _ in 0..ROUNDS {
            let (mut gradient, mut hessian) = ([0.0; 2], [1e-9, 0.0, 1e-9]);
            for &(x, n, k) in &points {
                let x = x - middle;
                let p = chance(offset + slope * x);
                let (off, weight) = (k - n * p, n * p * (1.0 - p));
                gradient = [gradient[0] + off, gradient[1] + off * x];
                hessian = [hessian[0] + weight, hessian[1] + weight * x, hessian[2] + weight * x * x];
            }
            let determinant = hessian[0] * hessian[2] - hessian[1] * hessian[1];
            if determinant <= 0.0 {
                return None;
            }
            let step = [
                (hessian[2] * gradient[0] - hessian[1] * gradient[1]) / determinant,
                (hessian[0] * gradient[1] - hessian[1] * gradient[0]) / determinant,
            ];
            offset += step[0].clamp(-2.0, 2.0);
            slope += step[1].clamp(-4.0, 4.0);
            information = hessian;
            if step[0].abs() + step[1].abs() < 1e-9 {
                break;
            }
        }
        let determinant = information[0] * information[2] - information[1] * information[1];
        let [oo, os, ss] = [information[2], -information[1], information[0]].map(|value| value / determinant);
        // Back to ln(strength) from its distance to the middle.
        let covariance = [oo - 2.0 * middle * os + middle * middle * ss, os - middle * ss, ss];
        (slope > 0.0).then_some(Self { offset: offset - slope * middle, slope, covariance })
    }

    /// Share caught at a strength.
    pub fn share(&self, strength: f64) -> f64 {
        chance(self.offset + self.slope * strength.ln())
    }

    /// The strength at which a share is caught; `None` where it lies beyond the strengths tried.
    pub fn reaches(&self, share: f64, steps: &[Step]) -> Option<Reached> {
        let odds = (share / (1.0 - share)).ln();
        let log = (odds - self.offset) / self.slope;
        let tried = steps.iter().filter(|step| step.planted > 0).map(|step| step.strength).fold(0.0, f64::max);
        let [oo, os, ss] = self.covariance;
        let variance = (oo + 2.0 * log * os + log * log * ss) / (self.slope * self.slope);
        let found = Reached { strength: log.exp(), factor: variance.max(0.0).sqrt().min(5.0).exp() };
        (found.strength <= tried).then_some(found)
    }
}

fn chance(odds: f64) -> f64 {
    1.0 / (1.0 + (-odds).exp())
}

/// Interval that holds the true share of `k` in `n` with 95 % confidence (Wilson 1927, J. Am. Stat. Assoc. 22:209).
pub fn wilson(k: usize, n: usize) -> [f64; 2] {
    if n == 0 {
        return [0.0, 1.0];
    }
    const Z: f64 = 1.959_964;
    let (k, n) = (k as f64, n as f64);
    let (p, z2) = (k / n, Z * Z);
    let middle = (p + z2 / (2.0 * n)) / (1.0 + z2 / n);
    let half = Z / (1.0 + z2 / n) * (p * (1.0 - p) / n + z2 / (4.0 * n * n)).sqrt();
    [(middle - half).max(0.0), (middle + half).min(1.0)]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn steps(of: impl Fn(f64) -> usize) -> Vec<Step> {
        let strengths = [0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0];
        strengths.map(|strength| Step { strength, planted: 1000, caught: of(strength) }).to_vec()
    }

    #[test]
    fn a_known_curve_is_found_again() {
        // ln(p/(1-p)) = 4 ln(s/2): 50 % at 2, 95 % at 2 × 19^(1/4) = 4.1757.
        let steps = steps(|s| (1000.0 * chance(4.0 * (s / 2.0f64).ln())).round() as usize);
        let curve = Curve::fit(&steps).unwrap();
        let half = curve.reaches(0.5, &steps).unwrap();
        assert!((half.strength - 2.0).abs() < 0.02, "{half:?}");
        let most = curve.reaches(0.95, &steps).unwrap();
        assert!((most.strength - 4.1757).abs() < 0.06, "{most:?}");
        assert!(half.factor > 1.0 && half.factor < 1.05, "{half:?}");
    }

    #[test]
    fn a_sharp_step_and_one_that_never_comes() {
        let sharp = steps(|s| if s < 1.7 { 0 } else { 1000 });
        let half = Curve::fit(&sharp).unwrap().reaches(0.5, &sharp).unwrap();
        assert!(half.strength > 1.4 && half.strength < 2.1, "{half:?}");
        let never = steps(|_| 0);
        assert!(Curve::fit(&never).is_none_or(|curve| curve.reaches(0.5, &never).is_none()));
    }

    #[test]
    fn wilson_by_hand() {
        // k = 0 of 10: upper end z²/(n + z²) = 3.8415/13.8415 = 0.27753.
        let [low, high] = wilson(0, 10);
        assert!(low.abs() < 1e-12 && (high - 0.277_53).abs() < 1e-4);
        // 5 of 10: 0.5 ± 1.95996 √(0.025 + 0.0096037) / 1.38415 = 0.5 ± 0.2634.
        let [low, high] = wilson(5, 10);
        assert!((low - 0.2366).abs() < 1e-3 && (high - 0.7634).abs() < 1e-3);
    }
}
