//! The level of counting noise under a power spectrum, estimated from the series itself.
//!
//! Counting noise has power in proportion to the counts and falls off with frequency as the camera's response
//! does: `N(f) = counts · exp(c - a·f^1.5)`, f in cycles a pixel. `c` and `a` are fitted to the tenth of all
//! tilts that have the least at high frequencies, where the least signal is; with the camera's gain known, `exp c` is held
//! near it.
//! The exponent 1.5 has no source: it was chosen by eye, because it followed the noise of simulated series, between a
//! Gaussian camera response (2) and an exponential one (1).

use crate::numerics::regression;
use std::ops::Range;

/// The noise of a series: level over counts at each frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    c: f64,
    a: f64,
}

/// Signal is least from here up, in cycles a pixel.
const HIGH_FREQUENCY: f64 = 0.33;
/// So many neighbouring rings are taken together.
const POOLED: usize = 4;
/// Share of the tilts taken for free of signal.
const LOW_SHARE: f64 = 0.1;
/// Share of the frequencies that tell a flat level: a single lowest one lies under the noise by chance.
const LOWEST_LEVELS: f64 = 1.0 / 3.0;
/// Weight of the known gain against all high frequencies together.
const GAIN_WEIGHT: f64 = 0.5;

/// One tilt's rotational average.
pub struct Rings<'a> {
    /// Mean power of each ring; `None` where no pixel of the spectrum falls.
    pub power: &'a [Option<f64>],
    /// What noise is in proportion to: mean counts less the offset (any positive figure common in its unit).
    pub counts: f64,
}

impl Noise {
    /// Fits the noise of a series; `frequencies` of the rings in cycles a pixel.
    pub fn fit(tilts: &[Rings<'_>], frequencies: &[f64], counts_per_electron: Option<f64>) -> Option<Self> {
        let (mut f15, mut level) = (Vec::new(), Vec::new());
        let first = frequencies.iter().position(|&f| f >= HIGH_FREQUENCY)?;
        let low = lowest(tilts, first);
        for (nth, pooled) in frequencies[first..].chunks(POOLED).enumerate() {
            let rings = first + nth * POOLED..first + nth * POOLED + pooled.len();
            let over: Vec<Option<f64>> = low.iter().map(|tilt| over_counts(tilt, rings.clone())).collect();
            if let Some(low) = mean(&over).filter(|&low| low > 0.0) {
                f15.push(-(pooled.iter().sum::<f64>() / pooled.len() as f64).powf(1.5));
                level.push(low.ln());
            }
        }
        let flat = mean_of_lowest(level.clone(), LOWEST_LEVELS);
        let mut weights = vec![1.0; level.len()];
        if let Some(gain) = counts_per_electron {
            weights.push(GAIN_WEIGHT * level.len() as f64);
            f15.push(0.0);
            level.push(gain.ln());
        }
        let ones = vec![1.0; level.len()];
        let fit = regression::fit(&[&ones, &f15], &level, Some(&weights))?;
        let (c, a) = (fit.coefficients[0], fit.coefficients[1]);
        if a > 0.0 {
            return Some(Self { c, a });
        }
        // A camera's response does not rise with frequency: then the noise is flat, and signal reaches up to the
        // highest frequencies. The lowest level there is, or the known gain, bounds it from above.
        let known = counts_per_electron.map_or(f64::INFINITY, f64::ln);
        Some(Self { c: flat?.min(known), a: 0.0 })
    }

    /// Noise power at a frequency (cycles a pixel) for a tilt of these counts.
    pub fn at(&self, frequency: f64, counts: f64) -> f64 {
        counts * (self.c - self.a * frequency.powf(1.5)).exp()
    }
}

/// Of the rings that are known.
fn mean(power: &[Option<f64>]) -> Option<f64> {
    let known: Vec<f64> = power.iter().flatten().copied().collect();
    (!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64)
}

/// Power over counts in some rings.
fn over_counts(tilt: &Rings<'_>, rings: Range<usize>) -> Option<f64> {
    Some(mean(&tilt.power[rings])? / tilt.counts)
}

/// The tilts with the least power over counts from a ring on: in all of them together, as in single ones chance chooses.
fn lowest<'a, 'b>(tilts: &'a [Rings<'b>], from: usize) -> Vec<&'a Rings<'b>> {
    let high = |tilt: &'a Rings<'b>| Some((over_counts(tilt, from..tilt.power.len())?, tilt));
    let mut ranked: Vec<(f64, &Rings<'b>)> = tilts.iter().filter_map(high).collect();
    ranked.sort_by(|a, b| a.0.total_cmp(&b.0));
    let kept = share(ranked.len(), LOW_SHARE);
    ranked.into_iter().take(kept).map(|(_, tilt)| tilt).collect()
}

fn mean_of_lowest(mut values: Vec<f64>, of: f64) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.truncate(share(values.len(), of));
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// A share of so many, at least one.
fn share(of: usize, share: f64) -> usize {
    ((share * of as f64).round() as usize).clamp(1, of.max(1))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frequencies() -> Vec<f64> {
        (0..128).map(|i| (f64::from(i) + 0.5) / 256.0).collect()
    }

    fn fit(noise: impl Fn(f64) -> f64, gain: Option<f64>) -> Noise {
        // Signal in all tilts, ever less towards high frequencies.
        let power = |counts: f64| -> Vec<Option<f64>> {
            frequencies()
                .iter()
                .map(|&f| Some(counts * noise(f) + counts * counts * 1e-3 * (-f * 20.0).exp()))
                .collect()
        };
        let tilts: Vec<(Vec<Option<f64>>, f64)> = [90.0, 100.0, 110.0].map(|c| (power(c), c)).into();
        let rings: Vec<Rings<'_>> = tilts.iter().map(|(power, counts)| Rings { power, counts: *counts }).collect();
        Noise::fit(&rings, &frequencies(), gain).unwrap()
    }

    #[test]
    fn flat_noise_is_found_flat() {
        let noise = fit(|_| 10.0, Some(10.0));
        for f in [0.05, 0.2, 0.45] {
            assert!((noise.at(f, 100.0) / 1000.0 - 1.0).abs() < 0.01, "{}", noise.at(f, 100.0));
        }
    }

    #[test]
    fn chance_and_signal_everywhere_do_not_pull_flat_noise_down() {
        // Rings of contrast transfer up to the highest frequencies, each ring known to a twentieth.
        let mut state = 3u64;
        let mut normal = || {
            let mut uniform = || {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                (state >> 40) as f64 / (1u64 << 24) as f64
            };
            (0..12).map(|_| uniform()).sum::<f64>() - 6.0
        };
        let mut power = || -> Vec<Option<f64>> {
            let signal = |f: f64| 0.6 * (60.0 * f).sin().powi(2);
            frequencies().iter().map(|&f| Some(1000.0 * (1.0 + signal(f)) * (1.0 + 0.05 * normal()))).collect()
        };
        let tilts: Vec<Vec<Option<f64>>> = (0..41).map(|_| power()).collect();
        let rings: Vec<Rings<'_>> = tilts.iter().map(|power| Rings { power, counts: 100.0 }).collect();
        let noise = Noise::fit(&rings, &frequencies(), Some(10.0)).unwrap();
        assert!((noise.at(0.4, 100.0) / 1000.0 - 1.0).abs() < 0.04, "{}", noise.at(0.4, 100.0));
    }

    #[test]
    fn a_cameras_roll_off_is_followed_to_low_frequencies() {
        for exponent in [1.3, 1.5, 1.8] {
            let truth = |f: f64| 10.0 * (-2.0 * f.powf(exponent)).exp();
            let noise = fit(truth, Some(10.0));
            for f in [0.05, 0.15, 0.4] {
                assert!((noise.at(f, 1.0) / truth(f) - 1.0).abs() < 0.08, "{exponent}, {f}");
            }
        }
    }
}
