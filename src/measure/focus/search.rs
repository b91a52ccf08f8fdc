//! The fit of one tilt: how underfocus runs over its picture, where it lies, and astigmatism.

use crate::measure::focus::coarse::Correlations;
use crate::measure::focus::flat::Flat;
use crate::measure::focus::gradient::{self, Geometry, Run};
use crate::measure::focus::maps::RegionMap;
use crate::measure::focus::optics::Optics;
use crate::measure::focus::refine::{Fit, Fitter, Free};
use crate::measure::focus::sums::{Place, Trial};
use crate::measure::focus::tilt::{Gradient, Plan};

/// Candidates of the search that are fitted, for each envelope.
const CANDIDATES: usize = 3;
/// What χ² must fall by before a run other than the stated one is taken: four standard deviations.
const CHANGES_RUN: f64 = 16.0;
/// A gradient known better than this is fitted, and takes up a pre-tilt; one that is not is held at what is stated.
const KNOWN_SLOPE: f64 = 0.1;
/// One known worse than this says nothing.
const MOST_SLOPE_ERROR: f64 = 0.5;
/// χ² by which rings stand out plainly.
pub const PLAIN_GAIN: f64 = 200.0;
/// χ² that an astigmatism must gain where rings are weak: noise gains 20 in one of a thousand searches, and this in one
/// of a hundred thousand, for a series has up to two hundred tilts.
const ASTIGMATISM_GAIN: f64 = 29.0;
/// A candidate whose χ² is so much larger does not catch up by being refined.
const FAR_BEHIND: f64 = 60.0;
/// Half of major - minor and azimuths that a fit of astigmatism is begun from, if it is large.
const STARTS_UM: [f64; 3] = [0.1, 0.22, 0.5];

/// A run with its best fit, sectors in one.
pub struct Tried {
    /// The run.
    pub run: Run,
    /// Places of the maps under it.
    pub places: Vec<Place>,
    /// The fit.
    pub fit: Fit,
}

/// What does not change while a tilt is fitted.
pub struct Scene<'a> {
    /// Of the series.
    pub plan: &'a Plan,
    /// Regions' spectra.
    pub maps: &'a [RegionMap],
    /// Middles of the tiles in µm.
    pub middles: &'a [[f64; 2]],
    /// What is stated.
    pub geometry: &'a Geometry,
}

impl Scene<'_> {
    /// Ways in which underfocus may run.
    pub fn runs(&self) -> Vec<Run> {
        gradient::runs(self.maps, self.plan.optics.pixel_nm * 1e-3, self.middles, self.geometry)
    }

    /// The preferred run, and the fit by sectors under it.
    pub fn search(&self, flat: &Flat, round: &Flat) -> Option<(Tried, Fit, Option<Gradient>)> {
        let optics = &self.plan.optics;
        let correlations = Correlations::of(round, optics, &self.plan.table);
        let runs = self.runs();
        let stated = matches!(runs.first(), Some(Run::Stated));
        let scored = runs.iter().map(|&run| {
            let places = gradient::places(self.maps, optics.pixel_nm * 1e-3, self.middles, self.geometry, run);
            (run, correlations.peak(&places, 1.0), places)
        });
        let mut scored: Vec<(Run, f64, Vec<Place>)> = scored.collect();
        // Runs that do worse than the stated one in the search need no fit; without a stated one the best two do.
        let first = scored.first().map_or(0.0, |(_, peak, _)| *peak);
        if stated {
            scored.retain(|(run, peak, _)| *run == Run::Stated || *peak > first);
        } else {
            scored.sort_by(|a, b| b.1.total_cmp(&a.1));
            scored.truncate(2);
        }
        let tried = scored.into_iter().filter_map(|(run, _, places)| {
            let fit = best_of(round, &places, optics, &correlations.best(&places, 1.0, CANDIDATES))?;
            Some(Tried { run, places, fit })
        });
        let tried = prefer(tried.collect())?;
        let (fit, gradient) = settle(flat, round, &tried, optics, None)?;
        if tried.run == Run::Stated && gradient.is_some_and(|gradient| gradient.is_none()) {
            let refocused = self.refocused(flat, round, &correlations, &tried);
            return refocused.or(Some((tried, fit, gradient)));
        }
        Some((tried, fit, gradient))
    }

    /// The same where no gradient shows from tile to tile: the tiles focused one by one, if that fits better. Too little
    /// may run over so small a picture for the search to tell the two apart.
    fn refocused(
        &self,
        flat: &Flat,
        round: &Flat,
        correlations: &Correlations<'_>,
        stated: &Tried,
    ) -> Option<(Tried, Fit, Option<Gradient>)> {
        let optics = &self.plan.optics;
        let run = (self.middles.len() > 1).then_some(Run::Refocused)?;
        let places = gradient::places(self.maps, optics.pixel_nm * 1e-3, self.middles, self.geometry, run);
        let fit = best_of(round, &places, optics, &correlations.best(&places, 1.0, CANDIDATES))?;
        let tried = (fit.chi2 + CHANGES_RUN < stated.fit.chi2).then_some(Tried { run, places, fit })?;
        let (fit, gradient) = settle(flat, round, &tried, optics, None)?;
        Some((tried, fit, gradient))
    }
}

/// The best fit, sectors in one, begun from some underfocuses.
pub fn best_of(round: &Flat, places: &[Place], optics: &Optics, candidates: &[f64]) -> Option<Fit> {
    let fitter = Fitter::new(round, places, optics);
    let fits = candidates.iter().filter_map(|&um| fitter.at(Trial { defocus_um: um, slope: 1.0 }, [0.0, 0.0]));
    let mut fits: Vec<Fit> = fits.filter(|fit| fitter.mean_amplitude(fit) > 0.0).collect();
    fits.sort_by(|a, b| a.chi2.total_cmp(&b.chi2));
    // A second candidate is refined only where the first does not leave it far behind.
    let near = fits.first().map_or(0.0, |fit| fit.chi2) + FAR_BEHIND;
    let free = Free { defocus: true, astigmatism: false, slope: false };
    let refined = fits
        .iter()
        .take(2)
        .filter(|fit| fit.chi2 <= near)
        .filter_map(|fit| fitter.fit(fit.trial, [0.0, 0.0], free, Some((&fit.background, &fit.amplitude))));
    refined.min_by(|a, b| a.chi2.total_cmp(&b.chi2))
}

/// The first run, unless another fits significantly better.
fn prefer(mut tried: Vec<Tried>) -> Option<Tried> {
    let best = (0..tried.len()).min_by(|&a, &b| tried[a].fit.chi2.total_cmp(&tried[b].fit.chi2))?;
    let found = matches!(tried[0].run, Run::Found(_));
    let at = if found || tried[best].fit.chi2 + CHANGES_RUN < tried[0].fit.chi2 { best } else { 0 };
    Some(tried.swap_remove(at))
}

/// The fit by sectors, and the gradient where it is known; begun from an earlier fit's astigmatism, where there is one.
pub fn settle(
    flat: &Flat,
    round: &Flat,
    tried: &Tried,
    optics: &Optics,
    earlier: Option<&Fit>,
) -> Option<(Fit, Option<Gradient>)> {
    let rounds = Fitter::new(round, &tried.places, optics);
    let start = &tried.fit;
    let free = Free { defocus: true, astigmatism: false, slope: true };
    let varied = tried.places.iter().any(|place| place.expected_um.abs() > 0.03);
    let sloped = if varied {
        rounds.fit(start.trial, [0.0, 0.0], free, Some((&start.background, &start.amplitude)))
    } else {
        None
    };
    let sloped = sloped.filter(|fit| fit.sd[3] < MOST_SLOPE_ERROR && fit.chi2 <= start.chi2 + 1.0);
    let gradient =
        sloped.as_ref().map(|fit| Gradient { ratio: over_stated(tried.run) * fit.trial.slope, error: fit.sd[3] });
    let known = sloped.filter(|fit| fit.sd[3] < KNOWN_SLOPE && fit.trial.slope > 0.3);
    let start = known.as_ref().unwrap_or(start);
    let fitter = Fitter::new(flat, &tried.places, optics);
    let free = Free { defocus: true, astigmatism: true, slope: false };
    let curves = Some((start.background.as_slice(), start.amplitude.as_slice()));
    let begin = match earlier {
        Some(earlier) => earlier.astigmatism_um,
        None => fitter.begin_astigmatism(start, &astigmatisms()).unwrap_or([0.0, 0.0]),
    };
    let mut best = fitter.fit(start.trial, begin, free, curves)?;
    if best.gain < PLAIN_GAIN {
        // Weak rings let noise choose an astigmatism: without a significant gain it stays out of the fit.
        let held = Free { astigmatism: false, ..free };
        let plain = fitter.fit(start.trial, [0.0, 0.0], held, curves);
        best = plain.filter(|plain| plain.chi2 < best.chi2 + ASTIGMATISM_GAIN).unwrap_or(best);
    }
    Some((best, gradient))
}

/// Astigmatisms to begin from.
fn astigmatisms() -> Vec<[f64; 2]> {
    let azimuths = (0..6).map(|i| (std::f64::consts::PI / 3.0 * f64::from(i)).sin_cos());
    azimuths.flat_map(|(sine, cosine)| STARTS_UM.map(|half_um| [half_um * cosine, half_um * sine])).collect()
}

/// What a run's gradient of one is of the stated one, across the stated axis.
fn over_stated(run: Run) -> f64 {
    match run {
        Run::Stated | Run::Found(_) | Run::Refocused => 1.0,
        Run::Reversed => -1.0,
        Run::Along(_) => 0.0,
    }
}
