//! The finest spacing at which the tilts of a series together carry signal.
//!
//! A single tilt of few electrons holds less signal than noise at most frequencies, and yet the volume shows what it
//! shows there: the mean of N tilts carries as much signal as noise where each carries 1/N of it. So the median over the
//! tilts of (P - N)/N is asked for, ring by ring, down to a tenth: the noise is not known well enough for less.

use crate::measure::noise::{Noise, Rings};
use crate::numerics::median::{MAD_TO_SD, median};
use std::ops::Range;

/// Signal over noise of a tilt from which on it is told: twice what the noise is known to.
const LEAST: f64 = 0.1;
/// So many neighbouring rings are taken together, …
const POOLED: usize = 4;
/// … whose median must stand this many of its standard errors above nothing.
const SURE_SDS: f64 = 4.0;
/// Standard error of a median over that of the mean, of the normal law: √(π/2).
const OF_A_MEDIAN: f64 = 1.2533;

/// How far signal reaches.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reach {
    /// Highest frequency with signal, in cycles a pixel.
    pub frequency: f64,
    /// Whether no higher one was looked at.
    pub is_whole: bool,
}

/// How far the signal of some tilts reaches; `None` where there is none at all. Rings of contrast transfer dip below the
/// limit on the way: the last that are strong count.
pub fn reach(tilts: &[Rings<'_>], frequencies: &[f64], noise: &Noise) -> Option<Reach> {
    let pools = || (0..frequencies.len()).step_by(POOLED).map(|at| at..(at + POOLED).min(frequencies.len()));
    let strong: Vec<Option<bool>> = pools()
        .map(|rings| {
            let over = tilts.iter().filter_map(|tilt| over_noise(tilt, frequencies, rings.clone(), noise));
            let (middle, error) = with_error(over.collect())?;
            Some(middle >= LEAST && middle > SURE_SDS * error)
        })
        .collect();
    let last = strong.iter().rposition(|strong| *strong == Some(true))?;
    let rings = pools().nth(last)?;
    let frequency = frequencies[rings.clone()].iter().sum::<f64>() / rings.len() as f64;
    Some(Reach { frequency, is_whole: strong[last + 1..].iter().all(Option::is_none) })
}

/// Signal over noise of a tilt in some rings.
fn over_noise(tilt: &Rings<'_>, frequencies: &[f64], rings: Range<usize>, noise: &Noise) -> Option<f64> {
    let over = |ring: usize| tilt.power[ring].map(|power| power / noise.at(frequencies[ring], tilt.counts) - 1.0);
    let known: Vec<f64> = rings.filter_map(over).collect();
    (!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64)
}

/// A median with its standard error.
fn with_error(values: Vec<f64>) -> Option<(f64, f64)> {
    let middle = median(values.iter().copied())?;
    let sd = MAD_TO_SD * median(values.iter().map(|value| (value - middle).abs()))?;
    Some((middle, OF_A_MEDIAN * sd / (values.len() as f64).sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frequencies() -> Vec<f64> {
        (0..128).map(|ring| (f64::from(ring) + 0.5) / 256.0).collect()
    }

    /// Tilts with this signal over flat noise.
    fn found(signal: impl Fn(f64) -> f64) -> Option<Reach> {
        let power = |tilt: usize| -> Vec<Option<f64>> {
            let scatter = |ring: usize| 0.03 * (((ring * 7919 + tilt * 104_729) % 31) as f64 / 15.0 - 1.0);
            frequencies().iter().enumerate().map(|(ring, &f)| Some(10.0 * (1.0 + signal(f) + scatter(ring)))).collect()
        };
        let tilts: Vec<Vec<Option<f64>>> = (0..21).map(power).collect();
        let rings: Vec<Rings<'_>> = tilts.iter().map(|power| Rings { power, counts: 1.0 }).collect();
        let noise = Noise::fit(&rings, &frequencies(), Some(10.0))?;
        reach(&rings, &frequencies(), &noise)
    }

    #[test]
    fn signal_ends_where_it_falls_under_a_tenth_of_the_noise() {
        // 2 exp(-f / 0.05) is 0.1 at f = 0.05 ln 20 = 0.150.
        let reach = found(|f| 2.0 * (-f / 0.05).exp()).unwrap();
        assert!((reach.frequency - 0.150).abs() < 0.01 && !reach.is_whole, "{reach:?}");
    }

    #[test]
    fn rings_that_dip_do_not_end_it() {
        let reach = found(|f| if f < 0.3 { 0.5 * (60.0 * f).sin().powi(2) } else { 0.0 }).unwrap();
        assert!((reach.frequency - 0.29).abs() < 0.02, "{reach:?}");
    }

    #[test]
    fn noise_carries_nothing() {
        assert_eq!(found(|_| 0.0), None);
    }
}
