//! Random numbers that are the same on every machine.
//!
//! One named generator (ChaCha with 8 rounds), one stream for each use and index, so that neither the order in which
//! tilts are made nor the number of threads changes a pixel; logarithm, sine and exponential come from the crate
//! `libm` and not from the platform.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use std::f64::consts::TAU;

/// What a stream of random numbers is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Use {
    /// Places and shapes of a structure; index: the structure.
    Phantom = 1,
    /// The texture that is new at every tilt; index: order of acquisition.
    Granularity = 2,
    /// Movement of the field; index 0.
    Movement = 3,
    /// Errors of focus; index 0.
    Focus = 4,
    /// Errors of the tile places; index: order of acquisition.
    Places = 5,
    /// Counting noise; index: section.
    Counting = 6,
    /// Errors of the goniometer; index 0.
    Goniometer = 7,
    /// The camera's fixed pattern; index 0: pixels, 1: columns.
    Gain = 8,
    /// Invented sessions and the make of trial series, whose seeds are their own; index: microscope, or what is drawn.
    Invented = 9,
    /// Charts of a process in control, to count false signals; index: the chart.
    Charts = 10,
}

/// One stream of random numbers.
#[derive(Debug, Clone)]
pub struct Stream {
    generator: ChaCha8Rng,
    spare: Option<f64>,
}

impl Stream {
    /// The stream of a use and an index under a seed; different uses and indices (under 2⁴⁸) never share numbers.
    pub fn new(seed: u64, purpose: Use, index: usize) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(((purpose as u64) << 48) | index as u64);
        Self { generator, spare: None }
    }

    /// Uniform in [0, 1), 53 bits.
    pub fn uniform(&mut self) -> f64 {
        (self.generator.next_u64() >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
    }

    /// Uniform in [low, high).
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Normal with mean 0 and standard deviation 1 (Box & Muller 1958, Ann. Math. Stat. 29:610, value from memory).
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * libm::log(1.0 - self.uniform())).sqrt();
        let (sine, cosine) = libm::sincos(TAU * self.uniform());
        self.spare = Some(radius * sine);
        radius * cosine
    }

    /// Poisson with the given mean.
    ///
    /// Up to [`LARGEST_INVERTED_MEAN`] by inversion, exact to rounding; beyond it a normal approximation with the
    /// skewness taken along (the first Cornish-Fisher term), rounded: μ + √μ z + (z² - 1)/6.
    pub fn poisson(&mut self, mean: f64) -> f64 {
        if mean <= 0.0 {
            return 0.0;
        }
        if mean > LARGEST_INVERTED_MEAN {
            let z = self.normal();
            return (mean + mean.sqrt() * z + (z * z - 1.0) / 6.0).round().max(0.0);
        }
        let uniform = self.uniform();
        let mut term = libm::exp(-mean);
        let (mut sum, mut count) = (term, 0.0);
        // Beyond a thousand the terms are under the rounding of `sum`, which may stay just below `uniform`.
        while uniform >= sum && count < 1000.0 {
            count += 1.0;
            term *= mean / count;
            sum += term;
        }
        count
    }
}

/// Largest mean for which Poisson numbers are drawn by inversion, whose cost grows with the mean.
pub const LARGEST_INVERTED_MEAN: f64 = 50.0;

#[cfg(test)]
mod tests {
    use super::*;

    fn moments(values: &[f64]) -> (f64, f64, f64) {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        let central = |power: i32| values.iter().map(|v| (v - mean).powi(power)).sum::<f64>() / n;
        (mean, central(2), central(3))
    }

    #[test]
    fn poisson_numbers_have_mean_variance_and_third_moment_equal() {
        for mean in [0.7, 18.0, 49.0, 51.0, 155.0] {
            let mut stream = Stream::new(5, Use::Counting, 3);
            let values: Vec<f64> = (0..200_000).map(|_| stream.poisson(mean)).collect();
            let (found, variance, third) = moments(&values);
            // Standard errors: √(μ/n), about μ √(2/n) and μ^1.5 √(6/n) for the three.
            assert!((found - mean).abs() < 5.0 * (mean / 2e5).sqrt(), "mean {found} of {mean}");
            assert!((variance - mean - 1.0 / 12.0).abs() < 0.03 * mean + 0.1, "variance {variance} of {mean}");
            assert!((third - mean).abs() < 6.0 * mean * mean.sqrt() * (6.0f64 / 2e5).sqrt() + 0.05 * mean);
        }
    }

    #[test]
    fn normal_numbers_have_mean_0_and_variance_1() {
        let mut stream = Stream::new(5, Use::Focus, 0);
        let values: Vec<f64> = (0..200_000).map(|_| stream.normal()).collect();
        let (mean, variance, _) = moments(&values);
        assert!(mean.abs() < 0.01 && (variance - 1.0).abs() < 0.02);
    }

    #[test]
    fn a_stream_is_its_seed_use_and_index() {
        let first = |seed, purpose, index| Stream::new(seed, purpose, index).uniform();
        assert_eq!(first(1, Use::Counting, 7), first(1, Use::Counting, 7));
        assert_ne!(first(1, Use::Counting, 7), first(2, Use::Counting, 7));
        assert_ne!(first(1, Use::Counting, 7), first(1, Use::Counting, 8));
        assert_ne!(first(1, Use::Counting, 7), first(1, Use::Places, 7));
    }

    #[test]
    fn nothing_is_counted_where_nothing_comes() {
        assert_eq!(Stream::new(1, Use::Counting, 0).poisson(0.0), 0.0);
    }
}
