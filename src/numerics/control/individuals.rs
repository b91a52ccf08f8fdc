//! The chart of individuals with its moving range, and the exponentially weighted moving average.

/// Mean range of two normal values over their standard deviation: 2/√π = 1.128379, in the three decimals in which the
/// tables of control charts print it, so that limits agree with theirs.
pub const D2: f64 = 1.128;
/// Upper limit of the range of two over its mean, as printed (exactly 1 + 3 √(2 − 4/π)/(2/√π) = 3.266532).
pub const D4: f64 = 3.267;
/// Control limits lie this many standard deviations from the centre (Shewhart 1931, value from memory).
pub const SDS: f64 = 3.0;

/// Centre and scatter of a baseline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Baseline {
    /// Mean of its values.
    pub centre: f64,
    /// Mean of its moving ranges.
    pub mean_range: f64,
}

impl Baseline {
    /// From values in order, cut into pieces: no range is taken across a cut (NIST/SEMATECH e-Handbook of Statistical
    /// Methods, section 6.3.2.2). `None` without a single range.
    pub fn of(pieces: &[&[f64]]) -> Option<Self> {
        let ranges: Vec<f64> =
            pieces.iter().flat_map(|piece| piece.windows(2).map(|pair| (pair[1] - pair[0]).abs())).collect();
        let n: usize = pieces.iter().map(|piece| piece.len()).sum();
        (!ranges.is_empty()).then(|| Self {
            centre: pieces.iter().flat_map(|piece| piece.iter()).sum::<f64>() / n as f64,
            mean_range: ranges.iter().sum::<f64>() / ranges.len() as f64,
        })
    }

    /// Standard deviation by the mean moving range.
    pub fn sd(&self) -> f64 {
        self.mean_range / D2
    }

    /// Lower and upper control limit of the values.
    pub fn limits(&self) -> [f64; 2] {
        [self.centre - SDS * self.sd(), self.centre + SDS * self.sd()]
    }

    /// Upper control limit of the moving range; the lower one is 0.
    pub fn range_limit(&self) -> f64 {
        D4 * self.mean_range
    }
}

/// z₀ = `centre`, zᵢ = λxᵢ + (1 − λ)zᵢ₋₁ (Roberts 1959; e-Handbook 6.3.2.4).
pub fn weighted(values: &[f64], centre: f64, lambda: f64) -> Vec<f64> {
    values
        .iter()
        .scan(centre, |z, &x| {
            *z = lambda * x + (1.0 - lambda) * *z;
            Some(*z)
        })
        .collect()
}

/// Half of the width between the limits of the weighted mean after `n` values (from 1), in standard deviations of the
/// values: k √(λ/(2 − λ) · [1 − (1 − λ)²ⁿ]). Without `n` the width that this comes to.
pub fn weighted_width(lambda: f64, sds: f64, n: Option<usize>) -> f64 {
    let settled = n.map_or(1.0, |n| 1.0 - (1.0 - lambda).powi(2 * i32::try_from(n).unwrap_or(i32::MAX / 2)));
    sds * (lambda / (2.0 - lambda) * settled).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST/SEMATECH e-Handbook 6.3.2.2: flow rates.
    const FLOW: [f64; 10] = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
    /// 6.3.2.4: the same after ten more.
    const EWMA: [f64; 20] = [
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4,
        53.6, 52.1,
    ];

    #[test]
    fn individuals_of_the_handbook() {
        let baseline = Baseline::of(&[&FLOW]).unwrap();
        let close = |found: f64, printed: f64| assert!((found - printed).abs() < 1e-4, "{found} for {printed}");
        close(baseline.centre, 50.81);
        close(baseline.mean_range, 1.8778);
        let [low, high] = baseline.limits();
        close(high, 55.8041);
        close(low, 45.8159);
        close(baseline.range_limit(), 6.1347);
    }

    #[test]
    fn the_weighted_mean_of_the_handbook() {
        // Computed from the printed data; the page prints two decimals.
        let expected = [
            50.6000, 49.5200, 50.5640, 50.1848, 50.1594, 49.2116, 49.7481, 49.8537, 50.2576, 50.3303, 50.1112, 49.3578,
            49.5205, 50.0543, 49.3780, 49.9246, 50.7272, 51.2291, 51.9403, 51.9882,
        ];
        let printed = [
            50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38,
            49.92, 50.73, 51.23, 51.94, 51.99,
        ];
        for ((found, expected), printed) in weighted(&EWMA, 50.0, 0.3).iter().zip(expected).zip(printed) {
            assert!((found - expected).abs() < 1e-4 && (found - printed).abs() < 5.1e-3, "{found} for {expected}");
        }
        let limit = |n| 50.0 + 2.0539 * weighted_width(0.3, 3.0, n);
        // The page cuts 52.588432 and 47.411568 off after four decimals.
        assert!((limit(None) - 52.5884).abs() < 1e-4 && (100.0 - limit(None) - 47.4115).abs() < 1e-4);
        for (n, expected) in [(1, 51.8485), (2, 52.2564), (3, 52.4314), (4, 52.5127)] {
            assert!((limit(Some(n)) - expected).abs() < 1e-4, "{n}: {}", limit(Some(n)));
        }
        // No signal, as the page says.
        assert!(weighted(&EWMA, 50.0, 0.3).iter().all(|z| (47.4115..52.5884).contains(z)));
    }

    #[test]
    fn no_range_is_taken_across_a_cut() {
        let cut = Baseline::of(&[&[1.0, 2.0, 1.0], &[11.0, 12.0]]).unwrap();
        assert_eq!((cut.centre, cut.mean_range), (5.4, 1.0));
        assert!(Baseline::of(&[&[1.0], &[2.0]]).is_none());
    }
}
