//! The focus of one tilt, all its tiles together.

use crate::measure::focus::agreement::{self, Rings};
use crate::measure::focus::coarse::{Correlations, Table};
use crate::measure::focus::flat::Flat;
use crate::measure::focus::gradient::{self, Geometry, Run};
use crate::measure::focus::maps::RegionMap;
use crate::measure::focus::null::{self, Score};
use crate::measure::focus::optics::Optics;
use crate::measure::focus::refine::{Fit, Fitter, Free};
use crate::measure::focus::rival;
use crate::measure::focus::second::Kept;
use crate::measure::focus::sums::{Place, Trial};
use crate::measure::focus::tiles;
use crate::measured::{Measured, NotMeasured};

/// Candidates of the search that are fitted, for each envelope.
const CANDIDATES: usize = 3;
/// What χ² must fall by before a run other than the stated one is taken: four standard deviations.
const CHANGES_RUN: f64 = 16.0;
/// A gradient known better than this is fitted, and takes up a pre-tilt; one that is not is held at what is stated.
const KNOWN_SLOPE: f64 = 0.1;
/// One known worse than this says nothing.
const MOST_SLOPE_ERROR: f64 = 0.5;
/// Standard deviations from which on a gradient is surely not what it is held against.
const SURE_SDS: f64 = 3.5;
/// χ² by which rings stand out plainly.
const PLAIN_GAIN: f64 = 200.0;
/// χ² that an astigmatism must gain where rings are weak: noise gains 20 in one of a thousand searches, and this in one
/// of a hundred thousand, for a series has up to two hundred tilts.
const ASTIGMATISM_GAIN: f64 = 29.0;
/// An astigmatism known worse than this is not known; one that was held out of the fit is known to a micrometre.
const UNKNOWN_UM: f64 = 0.5;
/// A candidate whose χ² is so much larger does not catch up by being refined.
const FAR_BEHIND: f64 = 60.0;
/// Rings that scatter this many times beyond their noise are worth another fit with less weight.
const WORTH_ANOTHER: f64 = 1.5;
/// So many strong spikes make a lattice.
const LATTICE_SPIKES: usize = 2;
/// Least correlation over the band.
const LEAST_AGREEMENT: f64 = 0.3;
/// Half of major - minor and azimuths that a fit of astigmatism is begun from, if it is large.
const STARTS_UM: [f64; 3] = [0.1, 0.22, 0.5];

/// What all tilts of a series share.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Lens, pixels, patches.
    pub optics: Optics,
    /// The grid of underfocus.
    pub table: Table,
    /// Uncertainty of the rings' phase Φ by what is not known of amplitude contrast.
    pub phase_error_rad: f64,
}

/// Focus of a tilt or a tile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figures {
    /// Mean underfocus.
    pub defocus_um: f64,
    /// One standard uncertainty of it.
    pub error_um: f64,
    /// Astigmatism, where the tilt shows it.
    pub astigmatism: Option<Astigmatism>,
    /// Correlation of measured with fitted rings.
    pub agreement: f64,
    /// Finest spacing to which the rings agree.
    pub rings_to_nm: f64,
}

/// Astigmatism of a tilt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Astigmatism {
    /// Major less minor.
    pub um: f64,
    /// One standard uncertainty of it.
    pub error_um: f64,
    /// Azimuth of the largest underfocus, 0 to 180.
    pub deg: f64,
}

/// The gradient over the picture, where the picture can tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gradient {
    /// Fitted gradient over that of the stated geometry.
    pub ratio: f64,
    /// Its standard uncertainty.
    pub error: f64,
}

impl Gradient {
    /// Whether underfocus runs nowhere, as far as is known, and surely not as stated.
    fn is_none(self) -> bool {
        self.ratio.abs() < SURE_SDS * self.error && 1.0 - self.ratio > SURE_SDS * self.error
    }
}

/// All that was found of a tilt.
#[derive(Debug, Clone)]
pub struct TiltFocus {
    /// At the middle of the assembled picture.
    pub figures: Measured<Figures>,
    /// By tile of the tilt.
    pub tiles: Vec<Measured<Figures>>,
    /// Tiles whose focus is off that of their neighbours, with how far.
    pub off_tiles: Vec<(usize, f64)>,
    /// How underfocus was taken to run over the picture.
    pub run: Option<Run>,
    /// The gradient, where it is known.
    pub gradient: Option<Gradient>,
    /// The curve behind it.
    pub rings: Option<Rings>,
    /// How significant the rings are.
    pub score: Option<Score>,
    /// What a second look needs.
    pub kept: Option<Kept>,
    /// Underfocus of one broad ring that describes the spectrum as well as several, where there is one.
    pub broad_um: Option<f64>,
}

impl TiltFocus {
    /// Nothing, for a reason.
    pub fn none(why: &str, tiles: usize) -> Self {
        let none = || Err(NotMeasured::because(why));
        Self {
            figures: none(),
            tiles: (0..tiles).map(|_| none()).collect(),
            off_tiles: Vec::new(),
            run: None,
            gradient: None,
            rings: None,
            score: None,
            kept: None,
            broad_um: None,
        }
    }
}

/// A run with its best fit, sectors in one.
struct Tried {
    run: Run,
    places: Vec<Place>,
    fit: Fit,
}

/// Measures a tilt. `middles_px`: middle of each tile from the middle of the assembled picture.
pub fn measure(plan: &Plan, maps: &[RegionMap], middles_px: &[[f64; 2]], geometry: &Geometry) -> TiltFocus {
    let tile_count = middles_px.len();
    if maps.is_empty() {
        return TiltFocus::none("every patch is dark, saturated or too small", tile_count);
    }
    let optics = &plan.optics;
    let Some(mut flat) = Flat::of(maps, optics) else {
        return TiltFocus::none("the patches are too small to show rings", tile_count);
    };
    let pixel_um = optics.pixel_nm * 1e-3;
    let middles: Vec<[f64; 2]> = middles_px.iter().map(|middle| middle.map(|px| px * pixel_um)).collect();
    let scene = Scene { plan, maps, middles: &middles, geometry };
    let mut round = flat.round();
    let Some((mut tried, mut fit, mut gradient)) = scene.search(&flat, &round) else {
        return TiltFocus::none(&no_rings(&flat, plan, None), tile_count);
    };
    // Structures scatter more than noise: what the first fit leaves over says how much each ring is worth.
    let excess = Fitter::new(&flat, &tried.places, optics).excess(&fit);
    if excess.iter().any(|excess| *excess > WORTH_ANOTHER) {
        flat.trust_less(&excess);
        round = flat.round();
        // Where rings stand out plainly, only their weights change; else the search may have gone astray.
        let again = if fit.gain > PLAIN_GAIN {
            best_of(&round, &tried.places, optics, &[fit.trial.defocus_um]).and_then(|start| {
                let tried = Tried { fit: start, places: tried.places.clone(), ..tried };
                let (fit, gradient) = settle(&flat, &round, &tried, optics, Some(&fit))?;
                Some((tried, fit, gradient))
            })
        } else {
            scene.search(&flat, &round)
        };
        if let Some(again) = again {
            (tried, fit, gradient) = again;
        }
    }
    let score = null::score(&round, &tried.places, optics, &plan.table, &fit, scene.runs().len());
    // What scatters beyond the noise in the null does so in the fit.
    fit.sd.iter_mut().for_each(|sd| *sd *= score.sd);
    let gradient = gradient.map(|gradient| Gradient { error: gradient.error * score.sd, ..gradient });
    let fitter = Fitter::new(&flat, &tried.places, optics);
    let rings = agreement::rings(&flat, &tried.places, optics, &fit, &fitter);
    let accepted = accept(&flat, plan, &fit, &rings, score);
    let broad_um = accepted.as_ref().ok().and_then(|_| rival::as_good(&round, &tried.places, optics, &fit, score.sd));
    let figures = accepted.and_then(|figures| no_rival(broad_um).map(|()| figures));
    let mut found = TiltFocus {
        tiles: Vec::new(),
        off_tiles: Vec::new(),
        run: Some(tried.run),
        gradient: gradient.filter(|_| figures.is_ok()),
        rings: Some(rings),
        score: Some(score),
        kept: Kept::of(&round, &tried.places),
        broad_um,
        figures,
    };
    tiles::fill(
        &mut found,
        &tiles::Tilt {
            plan,
            round: &round,
            maps,
            middles: &middles,
            run: tried.run,
            places: &tried.places,
            geometry,
            fit: &fit,
            sd: score.sd,
        },
    );
    found
}

/// What does not change while a tilt is fitted.
struct Scene<'a> {
    plan: &'a Plan,
    maps: &'a [RegionMap],
    middles: &'a [[f64; 2]],
    geometry: &'a Geometry,
}

impl Scene<'_> {
    fn runs(&self) -> Vec<Run> {
        gradient::runs(self.maps, self.plan.optics.pixel_nm * 1e-3, self.middles, self.geometry)
    }

    /// The preferred run, and the fit by sectors under it.
    fn search(&self, flat: &Flat, round: &Flat) -> Option<(Tried, Fit, Option<Gradient>)> {
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
fn best_of(round: &Flat, places: &[Place], optics: &Optics, candidates: &[f64]) -> Option<Fit> {
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
fn settle(
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

/// Figures, or why there are none.
fn accept(flat: &Flat, plan: &Plan, fit: &Fit, rings: &Rings, score: Score) -> Measured<Figures> {
    let optics = &plan.optics;
    if !score.is_significant() {
        return Err(NotMeasured::because(no_rings(flat, plan, Some(score))));
    }
    if rings.strong < 2 || rings.agreement < LEAST_AGREEMENT {
        return Err(NotMeasured::because(not_like_rings(flat, rings)));
    }
    if rings.minima < 2 {
        let why = format!(
            "fewer than two minima of the rings lie within what the picture shows; with these pixels that takes over \
             {:.1} µm of underfocus",
            optics.least_defocus_um()
        );
        return Err(NotMeasured::because(why));
    }
    Ok(figures(plan, fit, rings))
}

/// An error where one broad ring would do as well.
pub fn no_rival(um: Option<f64>) -> Measured<()> {
    um.map_or(Ok(()), |um| {
        Err(NotMeasured::because(format!(
            "one broad ring, as {um:.1} µm of underfocus would give, describes the spectrum as well; these pixels show fewer \
             than two minima of it"
        )))
    })
}

/// Figures of a fit.
pub fn figures(plan: &Plan, fit: &Fit, rings: &Rings) -> Figures {
    let [a1, a2] = fit.astigmatism_um;
    let azimuth = 0.5 * a2.atan2(a1).to_degrees();
    let end = rings.band.1.saturating_sub(1);
    let astigmatism = Astigmatism {
        um: 2.0 * a1.hypot(a2),
        // Both components are known about equally well; their difference matters little to the length.
        error_um: 2.0 * (0.5 * (fit.sd[1].powi(2) + fit.sd[2].powi(2))).sqrt(),
        deg: azimuth.rem_euclid(180.0),
    };
    Figures {
        defocus_um: fit.trial.defocus_um,
        error_um: fit.sd[0].hypot(fit.um_per_rad * plan.phase_error_rad),
        astigmatism: Some(astigmatism).filter(|known| known.error_um < UNKNOWN_UM),
        agreement: rings.agreement,
        rings_to_nm: plan.optics.per_nm(end).recip(),
    }
}

const LATTICE: &str = "a periodic structure (a lattice, a grid, a fixed pattern) outshines the rings";

fn not_like_rings(flat: &Flat, rings: &Rings) -> String {
    if flat.spikes >= LATTICE_SPIKES {
        return LATTICE.into();
    }
    format!(
        "something stands out of the spectrum, but not as rings do: it agrees with them to {:.2} of 1, and {} neighbouring \
         rings stand out of the noise where it takes two",
        rings.agreement, rings.strong
    )
}

fn no_rings(flat: &Flat, plan: &Plan, score: Option<Score>) -> String {
    if flat.spikes >= LATTICE_SPIKES {
        return LATTICE.into();
    }
    let least = plan.optics.least_defocus_um();
    let coarse = format!("with these pixels two minima take over {least:.1} µm of underfocus");
    match score {
        Some(score) => format!(
            "no rings stand out of the spectrum: their score is {:.1}, chance alone reaches {:.1} once in a thousand; \
             {coarse}",
            score.score, score.needed
        ),
        None => format!("no rings stand out of the spectrum; {coarse}"),
    }
}
