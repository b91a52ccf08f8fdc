//! Thickness in attenuation lengths and pre-tilt, from counts against tilt.
//!
//! By Beer and Lambert `ln(counts / dose) = c - τ / cos(θ - θ₀)`: τ is the thickness in attenuation lengths of this
//! instrument, θ₀ the pre-tilt of the section (effective tilt = stated tilt - θ₀). Fitted by Gauss and Newton with
//! Huber's weights (Huber 1964, Ann. Math. Stat. 35:73), so that a shadowed or dim tilt has little say.

use crate::measured::{Measured, NotMeasured};
use crate::numerics::regression;

/// Counts of a tilt over the dose that it got, in any unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    /// Stated tilt.
    pub tilt_deg: f64,
    /// Counts per dose.
    pub transmission: f64,
}

/// Thickness of a section.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thickness {
    /// In attenuation lengths.
    pub attenuation_lengths: f64,
    /// One standard uncertainty of it.
    pub error: f64,
    /// effective tilt = stated tilt + this; `None` where it is too uncertain to be of use.
    pub pretilt_deg: Option<f64>,
}

/// Fewer views say too little about scatter.
const LEAST_VIEWS: usize = 7;
/// Path through the section at the highest tilt over that at the lowest: under this τ and c do not part.
const LEAST_PATH_RATIO: f64 = 1.15;
const SIGNIFICANT_SDS: f64 = 3.0;
/// A pre-tilt that is less certain helps nobody.
const PRETILT_ERROR_DEG: f64 = 2.0;
const LARGEST_PRETILT_DEG: f64 = 25.0;
const HUBER_SDS: f64 = 1.345;
const ROUNDS: usize = 30;

/// Measures thickness from the views of a series.
pub fn measure(views: &[View]) -> Measured<Thickness> {
    let views: Vec<View> = views.iter().copied().filter(|view| view.transmission > 0.0).collect();
    if views.len() < LEAST_VIEWS {
        return Err(NotMeasured::because(format!("{} tilts have counts, {LEAST_VIEWS} are needed", views.len())));
    }
    let paths = views.iter().map(|view| path(view.tilt_deg.to_radians()));
    let (shortest, longest) = paths.fold((f64::INFINITY, 0.0f64), |(low, high), path| (low.min(path), high.max(path)));
    if longest / shortest < LEAST_PATH_RATIO {
        return Err(NotMeasured::because("the tilts are too alike: the path through the specimen hardly changes"));
    }
    let found = fit(&views).ok_or_else(|| NotMeasured::because("counts against tilt follow no law of attenuation"))?;
    if found.attenuation_lengths < SIGNIFICANT_SDS * found.error {
        let why = format!(
            "counts fall too little with tilt: {:.2} ± {:.2} attenuation lengths",
            found.attenuation_lengths, found.error
        );
        return Err(NotMeasured::because(why));
    }
    Ok(found)
}

/// Share of the electrons that come through τ attenuation lengths at an effective tilt: exp(-τ / cos θ).
pub fn transmission(attenuation_lengths: f64, effective_deg: f64) -> f64 {
    (-attenuation_lengths * path(effective_deg.to_radians())).exp()
}

fn path(tilt_rad: f64) -> f64 {
    1.0 / tilt_rad.cos()
}

fn fit(views: &[View]) -> Option<Thickness> {
    let logs: Vec<f64> = views.iter().map(|view| view.transmission.ln()).collect();
    let ones = vec![1.0; views.len()];
    let mut weights = vec![1.0; views.len()];
    let (mut tau, mut theta0) = (0.3f64, 0.0f64);
    let mut last = None;
    for _ in 0..ROUNDS {
        let angle = |view: &View| view.tilt_deg.to_radians() - theta0;
        let minus_path: Vec<f64> = views.iter().map(|view| -path(angle(view))).collect();
        // d/dθ₀ of -τ / cos(θ - θ₀).
        let turned: Vec<f64> = views.iter().map(|view| tau * angle(view).tan() * path(angle(view))).collect();
        let found = regression::fit(&[&ones, &minus_path, &turned], &logs, Some(&weights))?;
        let [_, new_tau, step] = found.coefficients[..] else { return None };
        let residuals: Vec<f64> = (0..views.len())
            .map(|i| logs[i] - found.coefficients[0] - new_tau * minus_path[i] - step * turned[i])
            .collect();
        weights = huber(&residuals);
        tau = new_tau.max(1e-3);
        let limit = LARGEST_PRETILT_DEG.to_radians();
        theta0 = (theta0 + step.clamp(-0.1, 0.1)).clamp(-limit, limit);
        let done = step.abs() < 1e-9;
        last = Some((new_tau, found.standard_errors[1], found.standard_errors[2]));
        if done {
            break;
        }
    }
    let (tau, error, theta_error) = last?;
    let certain = theta_error.to_degrees() < PRETILT_ERROR_DEG && theta0.to_degrees().abs() < LARGEST_PRETILT_DEG;
    // The effective tilt is stated + pre-tilt, and the fit has θ - θ₀.
    Some(Thickness { attenuation_lengths: tau, error, pretilt_deg: certain.then(|| -theta0.to_degrees()) })
}

fn huber(residuals: &[f64]) -> Vec<f64> {
    let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let limit = HUBER_SDS * 1.4826 * sizes.get(sizes.len() / 2).copied().unwrap_or(0.0);
    residuals.iter().map(|r| if r.abs() <= limit || limit == 0.0 { 1.0 } else { limit / r.abs() }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn views(tau: f64, pretilt_deg: f64, noise: impl Fn(usize) -> f64) -> Vec<View> {
        (0..41)
            .map(|i| {
                let tilt_deg = -60.0 + 3.0 * i as f64;
                let effective = (tilt_deg + pretilt_deg).to_radians();
                View { tilt_deg, transmission: 77.0 * (-tau / effective.cos() + noise(i)).exp() }
            })
            .collect()
    }

    #[test]
    fn the_law_is_found_again() {
        // ln I against 1/cos θ has the slope -0.5 for t/λ = 0.5; I/I₀ at 0, 45, 60 and 70° is 0.606531 … 0.231795.
        let found = measure(&views(0.5, 0.0, |_| 0.0)).unwrap();
        assert!((found.attenuation_lengths - 0.5).abs() < 1e-9 && found.pretilt_deg.unwrap().abs() < 1e-7);
        let turned = measure(&views(0.8, -7.5, |_| 0.0)).unwrap();
        assert!((turned.attenuation_lengths - 0.8).abs() < 1e-9, "{turned:?}");
        assert!((turned.pretilt_deg.unwrap() + 7.5).abs() < 1e-6, "{turned:?}");
        for (tilt, share) in [(0.0f64, 0.606531), (45.0, 0.493069), (60.0, 0.367879), (70.0, 0.231795)] {
            assert!(((-0.5 * path(tilt.to_radians())).exp() - share).abs() < 1e-6);
        }
    }

    #[test]
    fn a_shadowed_tilt_has_little_say() {
        let ragged = |i: usize| 0.01 * ((i * 7919 % 13) as f64 / 6.0 - 1.0) - if i == 30 { 0.8 } else { 0.0 };
        let found = measure(&views(0.5, 3.0, ragged)).unwrap();
        assert!((found.attenuation_lengths - 0.5).abs() < 0.03 && (found.pretilt_deg.unwrap() - 3.0).abs() < 1.0);
        assert!((found.attenuation_lengths - 0.5).abs() < 4.0 * found.error, "{found:?}");
    }

    #[test]
    fn what_the_counts_do_not_carry_is_not_measured() {
        let level = |_| View { tilt_deg: 0.0, transmission: 1.0 };
        assert!(measure(&(0..20).map(level).collect::<Vec<_>>()).unwrap_err().0.contains("too alike"));
        assert!(measure(&views(0.5, 0.0, |_| 0.0)[..5]).unwrap_err().0.contains("5 tilts have counts"));
        let noisy = |i: usize| 0.4 * ((i * 7919 % 13) as f64 / 6.0 - 1.0);
        assert!(measure(&views(0.02, 0.0, noisy)).is_err());
    }
}
