//! Each tile's own focus, against the run over the picture.

use crate::measure::focus::coarse::{Correlations, MOST_UM};
use crate::measure::focus::figures::Figures;
use crate::measure::focus::flat::Flat;
use crate::measure::focus::gradient::{self, Geometry, Run};
use crate::measure::focus::maps::RegionMap;
use crate::measure::focus::refine::{Fit, Fitter, Free};
use crate::measure::focus::sums::{Place, Trial};
use crate::measure::focus::tilt::{Plan, TiltFocus};
use crate::measured::NotMeasured;

/// A tile lies off its neighbours if it does so by this many standard uncertainties …
const OFF_AFTER_SDS: f64 = 5.0;
/// … and by more than this.
const LEAST_OFF_UM: f64 = 0.15;
/// Of fewer tiles it cannot be told which is off.
const LEAST_TILES: usize = 3;
/// A tile is sought this far from where its tilt puts it.
const REACH_UM: f64 = 2.5;
/// What χ² must fall by before a tile is put elsewhere than beside its neighbours.
const CHANGES_PLACE: f64 = 25.0;
/// Least gain of χ² by a tile's own rings: they stand out at five standard deviations.
const LEAST_GAIN: f64 = 25.0;

/// What the tiles of a tilt are measured with.
pub struct Tilt<'a> {
    /// Of the series.
    pub plan: &'a Plan,
    /// All maps, sectors in one.
    pub round: &'a Flat,
    /// The maps.
    pub maps: &'a [RegionMap],
    /// Middles of the tiles in µm.
    pub middles: &'a [[f64; 2]],
    /// How underfocus runs.
    pub run: Run,
    /// Places of the maps under it.
    pub places: &'a [Place],
    /// The geometry.
    pub geometry: &'a Geometry,
    /// The tilt's fit.
    pub fit: &'a Fit,
    /// How far the null scatters beyond the noise.
    pub sd: f64,
}

/// Fills the tiles of a tilt, and its own value where tiles were focused one by one.
pub fn fill(found: &mut TiltFocus, tilt: &Tilt<'_>) {
    let Ok(whole) = found.figures.clone() else {
        let why = found.figures.clone().err().unwrap_or_else(|| NotMeasured::because(""));
        found.tiles = tilt.middles.iter().map(|_| Err(why.clone())).collect();
        return;
    };
    if tilt.middles.len() == 1 {
        found.tiles = vec![Ok(whole)];
        return;
    }
    let own: Vec<Option<Own>> = (0..tilt.middles.len()).map(|tile| one(tilt, tile)).collect();
    for own in &own {
        let Some(own) = own else {
            found.tiles.push(Err(NotMeasured::because("the tile shows too few rings by itself")));
            continue;
        };
        let error_um = own.sd_um.hypot(tilt.fit.um_per_rad * tilt.plan.phase_error_rad);
        found.tiles.push(Ok(Figures { defocus_um: own.defocus_um, error_um, ..whole }));
    }
    name_those_off(found, &own);
    if tilt.run == Run::Refocused
        && let (Some(centre), Ok(figures)) = (centre(tilt.middles), &mut found.figures)
        && let Some(Ok(tile)) = found.tiles.get(centre)
    {
        *figures = Figures { defocus_um: tile.defocus_um, error_um: tile.error_um, ..*figures };
    }
}

/// Names tiles whose focus is off that of the others, and takes them out of the tilt's own.
fn name_those_off(found: &mut TiltFocus, own: &[Option<Own>]) {
    let offs: Vec<(usize, f64, f64)> = own
        .iter()
        .enumerate()
        .filter_map(|(tile, own)| own.as_ref().map(|own| (tile, own.defocus_um - own.expected_um, own.sd_um)))
        .collect();
    if offs.len() < LEAST_TILES {
        return;
    }
    let mut sorted: Vec<f64> = offs.iter().map(|(_, off, _)| *off).collect();
    sorted.sort_by(f64::total_cmp);
    let usual = sorted[sorted.len() / 2];
    let is_off = |off: f64, sd: f64| (off - usual).abs() > (OFF_AFTER_SDS * sd).max(LEAST_OFF_UM);
    let mut good = (0.0, 0.0);
    for &(tile, off, sd) in &offs {
        if is_off(off, sd) {
            found.off_tiles.push((tile, off - usual));
        } else {
            good = (good.0 + off / (sd * sd), good.1 + 1.0 / (sd * sd));
        }
    }
    if let (false, Ok(figures)) = (found.off_tiles.is_empty(), &mut found.figures) {
        figures.defocus_um += good.0 / good.1.max(1e-300);
    }
}

/// The tile nearest to the middle of the picture.
fn centre(middles: &[[f64; 2]]) -> Option<usize> {
    let distance = |at: usize| middles[at][0].hypot(middles[at][1]);
    (0..middles.len()).min_by(|&a, &b| distance(a).total_cmp(&distance(b)))
}

/// A tile by itself.
struct Own {
    defocus_um: f64,
    expected_um: f64,
    sd_um: f64,
}

fn one(tilt: &Tilt<'_>, tile: usize) -> Option<Own> {
    let optics = &tilt.plan.optics;
    let (flat, kept) = tilt.round.only(|map| tilt.maps[map].tile == tile);
    if kept.is_empty() {
        return None;
    }
    let slope = tilt.fit.trial.slope;
    let [gx, gy] = gradient::gradient(tilt.geometry, tilt.run);
    let [x, y] = if tilt.run == Run::Refocused { [0.0, 0.0] } else { tilt.middles[tile] };
    let expected_um = tilt.fit.trial.defocus_um + slope * (gx * x + gy * y);
    // From here on underfocus is that of the tile's own middle.
    let places: Vec<Place> = kept
        .iter()
        .map(|&map| {
            let place = &tilt.places[map];
            Place { expected_um: place.expected_um - (gx * x + gy * y), ..place.clone() }
        })
        .collect();
    let fitter = Fitter::new(&flat, &places, optics);
    let curves = (tilt.fit.background.as_slice(), tilt.fit.amplitude.as_slice());
    let free = Free { defocus: true, astigmatism: false, slope: false };
    let fit = |um: f64| fitter.fit(Trial { defocus_um: um, slope }, [0.0, 0.0], free, Some(curves));
    let near = fit(expected_um);
    let correlations = Correlations::of(&flat, optics, &tilt.plan.table);
    let far = correlations.best(&places, slope, 2).into_iter().filter(|um| (um - expected_um).abs() < REACH_UM);
    let far = far.filter(|um| *um < MOST_UM).filter_map(fit).min_by(|a, b| a.chi2.total_cmp(&b.chi2));
    let best = match (near, far) {
        (Some(near), Some(far)) if far.chi2 + CHANGES_PLACE < near.chi2 => far,
        (Some(near), _) => near,
        (None, Some(far)) => far,
        (None, None) => return None,
    };
    let shows = best.gain > LEAST_GAIN * tilt.sd * tilt.sd && fitter.mean_amplitude(&best) > 0.0;
    shows.then_some(Own { defocus_um: best.trial.defocus_um, expected_um, sd_um: best.sd[0] * tilt.sd })
}
