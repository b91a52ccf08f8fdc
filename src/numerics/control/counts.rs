//! Counts of faults: how unusual a count is under a rate, as a normal score.

/// What a count is a count of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Law {
    /// So many of n are faulty: binomial.
    Share,
    /// So many faults on n things: Poisson.
    Number,
}

/// Expected counts under this are too few for run tests: a count of 0 would lie on one side of the centre for ever.
/// Common practice for the normal approximation, no source.
pub const FEW: f64 = 5.0;

impl Law {
    /// P(X = x) at `rate` per thing on `n` things.
    fn probability(self, x: u64, n: u64, rate: f64) -> f64 {
        let (count, things) = (x as f64, n as f64);
        let log = match self {
            Self::Share if x > n => return 0.0,
            Self::Share if rate <= 0.0 => return if x == 0 { 1.0 } else { 0.0 },
            Self::Share if rate >= 1.0 => return if x == n { 1.0 } else { 0.0 },
            Self::Share => {
                libm::lgamma(things + 1.0) - libm::lgamma(count + 1.0) - libm::lgamma(things - count + 1.0)
                    + count * rate.ln()
                    + (things - count) * (-rate).ln_1p()
            }
            Self::Number if rate <= 0.0 => return if x == 0 { 1.0 } else { 0.0 },
            Self::Number => count * (rate * things).ln() - rate * things - libm::lgamma(count + 1.0),
        };
        log.exp()
    }

    /// P(X < x) and P(X > x).
    pub fn tails(self, x: u64, n: u64, rate: f64) -> (f64, f64) {
        let below: f64 = (0..x).map(|count| self.probability(count, n, rate)).sum();
        // Added up on its own side, so that a small tail keeps its digits.
        let mut above = 0.0;
        let mut count = x + 1;
        loop {
            let term = self.probability(count, n, rate);
            above += term;
            let past_the_middle = count as f64 > rate * n as f64;
            if (past_the_middle && term <= above * 1e-17) || (self == Self::Share && count >= n) {
                break;
            }
            count += 1;
        }
        (below.min(1.0), above.min(1.0))
    }

    /// The normal score of a count: Φ⁻¹(P(X < x) + ½ P(X = x)), the mid-probability (Lancaster 1961, value from memory).
    pub fn score(self, x: u64, n: u64, rate: f64) -> f64 {
        let (below, above) = self.tails(x, n, rate);
        let half = 0.5 * (1.0 - below - above).max(0.0);
        if below + half <= 0.5 { quantile(below + half) } else { -quantile(above + half) }
    }

    /// The largest count that lies within ±`sds` normal scores, and the smallest; `None` for the smallest where even 0
    /// does.
    pub fn limits(self, n: u64, rate: f64, sds: f64) -> (Option<u64>, u64) {
        let most = if self == Self::Share { n } else { u64::MAX };
        let mut high = ((rate * n as f64) as u64).min(most);
        while high < most && self.score(high + 1, n, rate) <= sds {
            high += 1;
        }
        let mut low = (rate * n as f64) as u64;
        while low > 0 && self.score(low - 1, n, rate) >= -sds {
            low -= 1;
        }
        ((low > 0).then_some(low), high)
    }
}

/// The standard normal distribution function.
pub fn normal_below(z: f64) -> f64 {
    0.5 * libm::erfc(-z / std::f64::consts::SQRT_2)
}

/// Φ⁻¹(p) for p ≤ ½ and, by symmetry, above: bisection of Φ over ±40, beyond which nothing is told apart.
pub fn quantile(p: f64) -> f64 {
    if p > 0.5 {
        return -quantile(1.0 - p);
    }
    let (mut low, mut high) = (-40.0, 0.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if normal_below(middle) < p { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_are_those_of_the_tables() {
        for (p, z) in [(0.5, 0.0), (0.975, 1.959_964), (0.00135, -2.999_977), (0.158_655_254, -1.0)] {
            assert!((quantile(p) - z).abs() < 1e-5, "{p}: {}", quantile(p));
        }
    }

    #[test]
    fn tails_are_those_of_small_numbers_by_hand() {
        // Binomial of 4 at ½: 1 4 6 4 1 of 16.
        let (below, above) = Law::Share.tails(1, 4, 0.5);
        assert!((below - 1.0 / 16.0).abs() < 1e-12 && (above - 11.0 / 16.0).abs() < 1e-12);
        // Poisson of 2: e⁻² (1, 2, 2, 4/3, …).
        let (below, above) = Law::Number.tails(2, 4, 0.5);
        let e = (-2.0f64).exp();
        assert!((below - 3.0 * e).abs() < 1e-12 && (above - (1.0 - 5.0 * e)).abs() < 1e-12);
    }

    #[test]
    fn scores_are_symmetric_and_settle_on_the_normal_ones() {
        assert!(Law::Share.score(2, 4, 0.5).abs() < 1e-9);
        assert!((Law::Share.score(0, 4, 0.5) + Law::Share.score(4, 4, 0.5)).abs() < 1e-9);
        // 400 of mean 400 plus two standard deviations.
        assert!((Law::Number.score(440, 400, 1.0) - 2.0).abs() < 0.04);
        // A rate of 0 leaves no room for a fault, and none is no surprise.
        assert!(Law::Share.score(1, 40, 0.0) > 8.0 && Law::Share.score(0, 40, 0.0).abs() < 1e-6);
    }

    #[test]
    fn limits_hold_what_lies_within() {
        let (low, high) = Law::Number.limits(10, 0.3, 3.0);
        assert_eq!(low, None);
        assert!(Law::Number.score(high, 10, 0.3) <= 3.0 && Law::Number.score(high + 1, 10, 0.3) > 3.0);
        assert_eq!(Law::Share.limits(3, 0.9, 3.0), (Some(1), 3));
    }
}
