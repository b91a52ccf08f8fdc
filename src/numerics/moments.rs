//! Mean and spread of many values without losing digits.

/// Number, mean and Σ(v - mean)² of some values.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Moments {
    /// How many.
    pub n: u64,
    /// Mean; 0 without any.
    pub mean: f64,
    /// Σ(v - mean)².
    pub m2: f64,
}

impl Moments {
    /// Of values that can be gone through more than once: first about zero, then about the first mean, which takes
    /// off the rounding of the first pass (Chan, Golub & LeVeque 1983, Am. Stat. 37:242, the corrected two-pass).
    pub fn of(values: impl Iterator<Item = f64> + Clone) -> Self {
        let (n, sum) = values.clone().fold((0u64, 0.0), |(n, sum), v| (n + 1, sum + v));
        if n == 0 {
            return Self::default();
        }
        let first = sum / n as f64;
        let (rest, squares) = values.fold((0.0, 0.0), |(rest, squares), v| {
            let d = v - first;
            (rest + d, squares + d * d)
        });
        Self { n, mean: first + rest / n as f64, m2: squares - rest * rest / n as f64 }
    }

    /// Of the values behind both (Chan, Golub & LeVeque 1983).
    pub fn merged(&self, other: &Self) -> Self {
        let (a, b) = (self.n as f64, other.n as f64);
        if self.n + other.n == 0 {
            return Self::default();
        }
        let delta = other.mean - self.mean;
        Self {
            n: self.n + other.n,
            mean: self.mean + delta * b / (a + b),
            m2: self.m2 + other.m2 + delta * delta * a * b / (a + b),
        }
    }

    /// Standard deviation with n in the denominator; `None` without values.
    pub fn sd(&self) -> Option<f64> {
        (self.n > 0).then(|| (self.m2 / self.n as f64).sqrt())
    }
}
