//! The focus of one tilt, all its tiles together.

use crate::measure::focus::agreement::{self, Rings};
use crate::measure::focus::coarse::Table;
use crate::measure::focus::figures::{Figures, accept, no_rings, no_rival};
use crate::measure::focus::flat::Flat;
use crate::measure::focus::gradient::{Geometry, Run};
use crate::measure::focus::maps::RegionMap;
use crate::measure::focus::null::{self, Score};
use crate::measure::focus::optics::Optics;
use crate::measure::focus::refine::Fitter;
use crate::measure::focus::rival;
use crate::measure::focus::search::{PLAIN_GAIN, Scene, Tried, best_of, settle};
use crate::measure::focus::second::Kept;
use crate::measure::focus::tiles;
use crate::measured::{Measured, NotMeasured};

/// Standard deviations from which on a gradient is surely not what it is held against.
const SURE_SDS: f64 = 3.5;
/// Rings that scatter this many times beyond their noise are worth another fit with less weight.
const WORTH_ANOTHER: f64 = 1.5;

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
    pub fn is_none(self) -> bool {
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
