//! A second look at tilts whose rings are too weak to be found by themselves.
//!
//! Tilts of one series are focused alike, and their rings have one amplitude curve. All tilts together show both; a
//! tilt is then searched only near where the series lies, with nothing to choose but its underfocus. The null is the
//! same as before, with so many fewer trials.

use crate::measure::focus::agreement;
use crate::measure::focus::coarse::{Correlations, scores};
use crate::measure::focus::figures::Figures;
use crate::measure::focus::flat::Flat;
use crate::measure::focus::null::{CHANCE, Score, reached_by_chance};
use crate::measure::focus::optics::Optics;
use crate::measure::focus::refine::{Fit, Fitter};
use crate::measure::focus::rival;
use crate::measure::focus::sums::{Place, Trial};
use crate::measure::focus::tilt::{Plan, TiltFocus};

/// A tilt is sought this far from the series.
const WINDOW_UM: f64 = 0.5;
/// Steps of the search, in radians of the rings' phase at the highest frequency.
const STEP_RAD: f64 = 0.4;
/// Fewer tilts make no series.
const LEAST_TILTS: usize = 5;
/// Rings this many times as strong as the series' are those of the series; a blurred tilt has lost its own.
const STRENGTH: std::ops::RangeInclusive<f64> = 0.5..=2.0;
/// Least correlation over the series' band, of the one that rings of this score have among so much noise.
const LEAST_AGREEMENT: f64 = 0.5;
/// Where no tilt shows its rings by itself, all together must show so many minima: fewer are taken for those of another
/// underfocus.
pub const LEAST_MINIMA: usize = 4;
/// Larger tilts are not kept for a second look: their rings are seen at the first.
const MOST_MAPS: usize = 16;

/// What is kept of a tilt for a second look: its maps, sectors in one.
#[derive(Debug, Clone)]
pub struct Kept {
    round: Flat,
    places: Vec<Place>,
}

impl Kept {
    /// Keeps a tilt, if it is small enough.
    pub fn of(round: &Flat, places: &[Place]) -> Option<Self> {
        (places.len() <= MOST_MAPS).then(|| Self { round: round.clone(), places: places.to_vec() })
    }
}

/// Looks again at all tilts without figures; `wanted_um`: underfocus asked for at each, 0 where it is not known.
pub fn look(plan: &Plan, tilts: &mut [TiltFocus], wanted_um: &[f64]) {
    let optics = &plan.optics;
    let kept: Vec<(usize, Kept)> =
        tilts.iter_mut().enumerate().filter_map(|(at, tilt)| tilt.kept.take().map(|kept| (at, kept))).collect();
    if kept.len() < LEAST_TILTS || tilts.iter().all(|tilt| tilt.figures.is_ok()) {
        return;
    }
    let base = wanted_um.iter().sum::<f64>() / wanted_um.len() as f64;
    let offset = |at: usize| wanted_um[at] - base;
    let Some(common) = common_underfocus(plan, &kept, tilts, &offset) else { return };
    let Some(series) = Series::of(optics, &kept, common, &offset) else { return };
    let common_um = common.um;
    for (at, kept) in &kept {
        let tilt = &mut tilts[*at];
        if tilt.figures.is_ok() {
            continue;
        }
        let sd = tilt.score.map_or(1.0, |score| score.sd);
        if let Some((figures, rings, score)) = series.seek(plan, kept, common_um + offset(*at), sd) {
            if let [only] = tilt.tiles.as_mut_slice() {
                *only = Ok(figures);
            }
            tilt.figures = Ok(figures);
            tilt.rings = Some(rings);
            tilt.score = Some(score);
        }
    }
}

/// Where the series lies: the median of what was measured, else the peak of all tilts' correlations together.
fn common_underfocus(
    plan: &Plan,
    kept: &[(usize, Kept)],
    tilts: &[TiltFocus],
    offset: &dyn Fn(usize) -> f64,
) -> Option<Common> {
    let mut known: Vec<f64> = tilts
        .iter()
        .enumerate()
        .filter_map(|(at, tilt)| tilt.figures.as_ref().ok().map(|figures| figures.defocus_um - offset(at)))
        .collect();
    if known.len() >= LEAST_TILTS {
        known.sort_by(f64::total_cmp);
        return known.get(known.len() / 2).map(|&um| Common { um, least_minima: 2 });
    }
    let mut sum: Vec<f64> = Vec::new();
    for (at, kept) in kept {
        let places: Vec<Place> =
            kept.places.iter().map(|place| Place { fixed_um: place.fixed_um + offset(*at), ..place.clone() }).collect();
        let correlations = Correlations::of(&kept.round, &plan.optics, &plan.table);
        let own = scores(&plan.table, correlations.widest(), &places, 1.0);
        sum.resize(own.len(), 0.0);
        sum.iter_mut().zip(own).for_each(|(sum, own)| *sum += own);
    }
    let least = plan.optics.least_defocus_um();
    let points = plan.table.searched().filter(|&point| plan.table.at(point) > least && point < sum.len());
    let best = points.max_by(|&a, &b| sum[a].total_cmp(&sum[b]))?;
    Some(Common { um: plan.table.at(best), least_minima: LEAST_MINIMA })
}

/// Where a series lies, and how many minima all its tilts together must show for that to be believed.
#[derive(Debug, Clone, Copy)]
struct Common {
    um: f64,
    least_minima: usize,
}

/// Background and amplitude that all tilts share.
struct Series {
    fit: Fit,
    /// First ring, and one past the last at which the rings of all tilts together agree.
    band: (usize, usize),
}

impl Series {
    /// Fits them to all tilts; `None` where all together show no rings.
    fn of(optics: &Optics, kept: &[(usize, Kept)], common: Common, offset: &dyn Fn(usize) -> f64) -> Option<Self> {
        let first = &kept.first()?.1.round;
        let mut joint = Flat { n: Vec::new(), y: Vec::new(), w: vec![0.0; first.rings], ..first.clone() };
        let mut places = Vec::new();
        for (at, kept) in kept {
            joint.n.extend(&kept.round.n);
            joint.y.extend(kept.round.y.iter().cloned());
            joint.w.iter_mut().zip(&kept.round.w).for_each(|(sum, w)| *sum += w);
            places.extend(
                kept.places.iter().map(|place| Place { fixed_um: place.fixed_um + offset(*at), ..place.clone() }),
            );
        }
        let share = 1.0 / kept.len() as f64;
        joint.w.iter_mut().for_each(|w| *w *= share);
        let fitter = Fitter::new(&joint, &places, optics);
        let fit = fitter.at(Trial { defocus_um: common.um, slope: 1.0 }, [0.0, 0.0])?;
        let whole = reached_by_chance(CHANCE / 1e3);
        let rings = agreement::rings(&joint, &places, optics, &fit, &fitter);
        let shows = fit.gain > whole && fitter.mean_amplitude(&fit) > 0.0 && rings.minima >= common.least_minima;
        // So many patches know their noise better than any curve follows them.
        let sd = fit.scale.sqrt();
        let alone = shows && rival::as_good(&joint, &places, optics, &fit, sd).is_none();
        alone.then_some(Self { fit, band: rings.band })
    }

    /// The underfocus of one tilt near a place, if chance does not reach its score.
    fn seek(&self, plan: &Plan, kept: &Kept, near_um: f64, sd: f64) -> Option<(Figures, agreement::Rings, Score)> {
        let optics = &plan.optics;
        let fitter = Fitter::new(&kept.round, &kept.places, optics);
        let step = STEP_RAD / optics.ring_a[optics.band.1 - 1];
        let steps = (WINDOW_UM / step) as i32;
        let at = |um: f64| (um, self.gain(&fitter, kept, optics, um).gain);
        let tried: Vec<(f64, f64)> = (-steps..=steps).map(|i| at(near_um + step * f64::from(i))).collect();
        let best = (1..tried.len().checked_sub(1)?).max_by(|&a, &b| tried[a].1.total_cmp(&tried[b].1))?;
        let [before, peak, after] = [tried[best - 1].1, tried[best].1, tried[best + 1].1];
        let bend = before - 2.0 * peak + after;
        let shift = if bend < 0.0 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 };
        let defocus_um = tried[best].0 + step * shift;
        let Gain { gain, strength, information, phase } = self.gain(&fitter, kept, optics, defocus_um);
        // One parameter: the tail of χ² of one degree is under exp(-x/2).
        let trials = (2.0 * WINDOW_UM * optics.ring_a[optics.band.1 - 1] / std::f64::consts::PI).max(1.0);
        let needed = sd * (2.0 * (trials / CHANCE).ln()).sqrt();
        let score = Score { score: gain.max(0.0).sqrt(), needed, sd };
        if !score.is_significant() || !STRENGTH.contains(&strength) {
            return None;
        }
        let sd_um = sd / information.sqrt();
        let fit = Fit { trial: Trial { defocus_um, slope: 1.0 }, um_per_rad: phase / information, ..self.fit.clone() };
        let fit = Fit { sd: [sd_um; 4], ..fit };
        // How far the rings carry is seen in all tilts together; one alone is too noisy to say.
        let end = self.band.1.saturating_sub(1);
        let mut rings = agreement::rings(&kept.round, &kept.places, optics, &fit, &fitter);
        rings.minima = (rings.phase[end] / std::f64::consts::TAU).max(0.0) as usize;
        rings.band = self.band;
        rings.agreement = agreement::over(&rings, self.band);
        if rings.minima < 2 || rings.agreement < LEAST_AGREEMENT * expected_agreement(&score, &rings) {
            return None;
        }
        let error_um = sd_um.hypot(fit.um_per_rad * plan.phase_error_rad);
        let figures = Figures {
            defocus_um,
            error_um,
            astigmatism: None,
            agreement: rings.agreement,
            rings_to_nm: optics.per_nm(end).recip(),
        };
        Some((figures, rings, score))
    }

    /// What the series' rings do for a tilt at an underfocus.
    fn gain(&self, fitter: &Fitter<'_>, kept: &Kept, optics: &Optics, defocus_um: f64) -> Gain {
        let (mut product, mut norm, mut information, mut phase) = (0.0, 0.0, 1e-300, 0.0);
        let trial = Trial { defocus_um, slope: 1.0 };
        for ((y, n), place) in kept.round.y.iter().zip(&kept.round.n).zip(&kept.places) {
            let own = trial.of(place);
            for (j, y) in y.iter().enumerate().take(kept.round.band.1).skip(kept.round.band.0) {
                let (level, m) = fitter.curves(&self.fit, j);
                let (sine, cosine) = (optics.ring_a[j] * own + optics.ring_b[j]).sin_cos();
                let m = m * optics.kept(j, own, place.variance_um2);
                let w = n * kept.round.w[j];
                product -= w * (f64::from(*y) - level) * m * cosine;
                norm += w * (m * cosine).powi(2);
                let slope = m * sine * optics.ring_a[j];
                information += w * slope * slope;
                phase += w * slope * m * sine;
            }
        }
        let gain = if product > 0.0 && norm > 0.0 { product * product / norm } else { 0.0 };
        Gain { gain, strength: product / norm.max(1e-300), information, phase }
    }
}

/// Correlation to be expected of rings of a score, spread over the bins of their band, each with its noise.
fn expected_agreement(score: &Score, rings: &agreement::Rings) -> f64 {
    let square = (score.score / score.sd).powi(2);
    (square / (square + agreement::BINS_A_RING * rings.minima as f64)).sqrt()
}

/// What the series' rings do for one tilt.
struct Gain {
    /// What they take off χ².
    gain: f64,
    /// Strength of the tilt's rings over the series'.
    strength: f64,
    /// Information on underfocus.
    information: f64,
    /// The same with the phase.
    phase: f64,
}
