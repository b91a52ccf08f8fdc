//! What is left of a tilt's fine detail, by all bands that carry signal.
//!
//! The power of a tilt over the series' trend is described, band by band, as `A · r^(2 (f/F)²)`, what a Gaussian blur leaves. `r`
//! is the amplitude that is left at F, the middle of the fine band, and `A` a level close to one. Each band weighs by its own
//! scatter from tilt to tilt and by its counting error. A band that fits not at all counts no more than one that fits badly:
//! structures seen edge-on raise the coarse bands of a few tilts many times over.

use super::{BAND_EDGES, Bands, Signal, Signals};
use crate::numerics::median::{MAD_TO_SD, upper_median};
use crate::numerics::regression;
use crate::numerics::smooth_run::{self, Place};

/// A change of ln amplitude under this is never taken for a blur when the run is drawn.
pub(super) const LEAST_CHANGE: f64 = 0.08;
/// No band is trusted to better than a twentieth: structures differ from view to view.
pub(super) const LEAST_SCATTER: f64 = 0.05;
/// What is more than so many standard uncertainties off is ruled out.
pub(super) const SURE_SDS: f64 = 3.0;
/// Of a band that fits not at all, so many squared standard deviations are counted.
const MOST_MISFIT: f64 = 6.0;
/// What ln A is known to beforehand: contrast does not depend on the dose.
const LEVEL_SD: f64 = 0.15;
/// Before anything is seen, ln r lies within this of nothing lost.
const LOSS_SD: f64 = 2.0;
/// Rounds of the trend's fit …
const TREND_ROUNDS: usize = 8;
/// … by Tukey's bisquare (Beaton & Tukey 1974, Technometrics 16:147; value from memory).
const BISQUARE_SDS: f64 = 4.685;
/// The trend never falls under this share of the series' median.
const LEAST_TREND: f64 = 0.25;
/// The levels that are tried: ln A.
const LEVELS: Steps = Steps { from: -0.6, step: 0.05, count: 25 };
/// The amplitudes that are tried: ln r, from more than doubled down to nothing.
const AMPLITUDES: Steps = Steps { from: -4.0, step: 0.02, count: 241 };

/// Evenly spaced values.
struct Steps {
    from: f64,
    step: f64,
    count: usize,
}

impl Steps {
    fn at(&self, place: f64) -> f64 {
        self.from + self.step * place
    }

    fn all(&self) -> impl Iterator<Item = f64> {
        (0..self.count).map(|nth| self.at(nth as f64))
    }
}

/// ln of the amplitude that each tilt has at the middle of the fine band over the series' trend.
pub(super) fn ln_amplitudes(signals: &Signals, bands: &Bands, places: &[Place]) -> Vec<Option<LnAmplitude>> {
    let fine = bands.described.iter().map(|&b| middle(b).ln()).sum::<f64>() / bands.described.len() as f64;
    let against: Vec<Against> = bands.carrying.iter().map(|&b| Against::of(signals, b, fine.exp(), places)).collect();
    let one = |tilt: usize| {
        let powers = signals.bands[tilt].as_ref()?;
        Some(ln_amplitude(&against.iter().map(|band| band.seen(tilt, powers)).collect::<Vec<Seen>>()))
    };
    (0..signals.bands.len()).map(one).collect()
}

fn middle(band: usize) -> f64 {
    (BAND_EDGES[band] * BAND_EDGES[band + 1]).sqrt()
}

/// What a band of each tilt is held against.
struct Against {
    band: usize,
    /// (f/F)².
    falls: f64,
    /// By tilt: the power that the series' trend over angle says.
    trend: Vec<f64>,
    /// Scatter of the power from tilt to tilt, over the trend and beyond what chance does.
    scatter: f64,
}

/// A band of a tilt over the trend.
struct Seen {
    falls: f64,
    power: f64,
    weight: f64,
}

impl Against {
    fn of(signals: &Signals, band: usize, fine: f64, places: &[Place]) -> Self {
        let typical = signals.median_over_tilts(band, |s| s.power);
        let power = |tilt: &Option<Vec<Signal>>| tilt.as_ref().map(|bands| bands[band].power);
        let powers: Vec<Option<f64>> = signals.bands.iter().map(power).collect();
        let trend = trend(places, &powers, typical);
        let over = powers.iter().zip(&trend).map(|(power, trend)| power.map(|power| power / trend));
        let run = smooth_run::draw(places, &over.collect::<Vec<Option<f64>>>(), 2.0 * LEAST_CHANGE);
        // What chance scatters is counted with each tilt's own error.
        let chance = signals.median_over_tilts(band, |s| s.error) / typical;
        let scatter = (run.scatter.unwrap_or(0.0).powi(2) - chance.powi(2)).max(LEAST_SCATTER.powi(2)).sqrt();
        Self { band, falls: (middle(band) / fine).powi(2), trend, scatter }
    }

    fn seen(&self, tilt: usize, powers: &[Signal]) -> Seen {
        let Signal { power, error, .. } = powers[self.band];
        let trend = self.trend[tilt];
        let variance = self.scatter.powi(2) + (error / trend).powi(2);
        Seen { falls: self.falls, power: power / trend, weight: variance.recip() }
    }
}

/// The parabola over angle that most tilts follow, never under a share of the typical value: thickness and a section's
/// wedge change what a band carries, and a few bad tilts do not.
fn trend(places: &[Place], values: &[Option<f64>], typical: f64) -> Vec<f64> {
    let known: Vec<(f64, f64)> =
        places.iter().zip(values).filter_map(|(place, value)| value.map(|value| (place.x, value / typical))).collect();
    let x: Vec<f64> = known.iter().map(|(x, _)| *x).collect();
    let squares: Vec<f64> = x.iter().map(|x| x * x).collect();
    let (ones, y) = (vec![1.0; x.len()], known.iter().map(|(_, y)| *y).collect::<Vec<f64>>());
    let mut parabola = [1.0, 0.0, 0.0];
    let at = |parabola: [f64; 3], x: f64| parabola[0] + x * (parabola[1] + x * parabola[2]);
    for _ in 0..TREND_ROUNDS {
        let rest: Vec<f64> = x.iter().zip(&y).map(|(x, y)| y - at(parabola, *x)).collect();
        let Some(sd) = upper_median(rest.iter().map(|rest| rest.abs())).map(|mad| MAD_TO_SD * mad) else { break };
        let weight = |rest: &f64| (1.0 - (rest / (BISQUARE_SDS * sd)).powi(2)).max(0.0).powi(2);
        let weights: Vec<f64> = rest.iter().map(weight).collect();
        let Some(fit) = regression::fit(&[&ones, &x, &squares], &y, Some(&weights)) else { break };
        parabola = [0, 1, 2].map(|k| fit.coefficients[k]);
    }
    places.iter().map(|place| typical * at(parabola, place.x).max(LEAST_TREND)).collect()
}

/// What of a tilt's amplitude is known, as ln r.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct LnAmplitude {
    /// The best.
    pub best: f64,
    /// Three standard uncertainties above it.
    pub most: f64,
}

/// ln r of the best description, refined by the parabola through the best and its neighbours, and the largest that is not
/// much worse.
fn ln_amplitude(bands: &[Seen]) -> LnAmplitude {
    let misfits: Vec<f64> = AMPLITUDES.all().map(|ln_r| misfit(bands, ln_r)).collect();
    let best = (0..misfits.len()).min_by(|&a, &b| misfits[a].total_cmp(&misfits[b])).unwrap_or(0);
    let beside = match (best.checked_sub(1).map(|below| misfits[below]), misfits.get(best + 1)) {
        (Some(below), Some(&above)) => {
            let bend = below - 2.0 * misfits[best] + above;
            if bend > 0.0 { (0.5 * (below - above) / bend).clamp(-0.5, 0.5) } else { 0.0 }
        }
        _ => 0.0,
    };
    let most = misfits.iter().rposition(|misfit| *misfit < misfits[best] + SURE_SDS.powi(2)).unwrap_or(best);
    LnAmplitude { best: AMPLITUDES.at(best as f64 + beside), most: AMPLITUDES.at(most as f64) }
}

/// How badly an amplitude describes a tilt, with the level that suits it best.
fn misfit(bands: &[Seen], ln_r: f64) -> f64 {
    let left: Vec<f64> = bands.iter().map(|band| (2.0 * ln_r * band.falls).exp()).collect();
    let of_level = |ln_a: f64| {
        let of_band =
            |(band, left): (&Seen, &f64)| (band.weight * (band.power - ln_a.exp() * left).powi(2)).min(MOST_MISFIT);
        bands.iter().zip(&left).map(of_band).sum::<f64>() + (ln_a / LEVEL_SD).powi(2)
    };
    LEVELS.all().map(of_level).fold(f64::INFINITY, f64::min) + (ln_r / LOSS_SD).powi(2)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(power: impl Fn(f64) -> f64, scatter: f64) -> Vec<Seen> {
        let weight = scatter.powi(-2);
        (0..6).map(|k| 0.1 * 1.6f64.powi(k)).map(|f| Seen { falls: f * f, power: power(f), weight }).collect()
    }

    #[test]
    fn what_a_blur_leaves_is_found_whatever_the_level() {
        for (left, level) in [(1.0, 1.0), (0.7, 1.0), (0.5, 0.9), (0.3, 1.1), (1.3, 1.0)] {
            let found = ln_amplitude(&seen(|f| level * f64::powf(left, 2.0 * f * f), 0.05)).best.exp();
            assert!((found / left - 1.0).abs() < 0.05, "{left}: {found}");
        }
    }

    #[test]
    fn a_trend_is_followed_past_a_stretch_of_bad_tilts() {
        let places: Vec<Place> = (0..41).map(|i| Place { x: 3.0 * f64::from(i) - 60.0, segment: 0 }).collect();
        let truth = |x: f64| 5.0 * (1.0 + 0.004 * x + 1e-4 * x * x);
        let value =
            |(at, place): (usize, &Place)| Some(truth(place.x) * if (24..31).contains(&at) { 0.0 } else { 1.0 });
        let values: Vec<Option<f64>> = places.iter().enumerate().map(value).collect();
        for (place, found) in places.iter().zip(trend(&places, &values, 5.0)) {
            assert!((found / truth(place.x) - 1.0).abs() < 0.02, "{}: {found}", place.x);
        }
    }

    #[test]
    fn coarse_bands_that_are_raised_many_times_are_no_blur() {
        let found = ln_amplitude(&seen(|f| if f < 0.3 { 3.0 } else { 1.0 }, 0.1)).best.exp();
        assert!((found - 1.0).abs() < 0.05, "{found}");
    }

    #[test]
    fn bands_of_which_nothing_is_left_are_a_total_blur_though_noise_is_not_quite_known() {
        let found = ln_amplitude(&seen(|f| if f < 0.2 { 0.9 } else { -0.3 }, 0.3)).best.exp();
        assert!(found < 0.25, "{found}");
    }
}
