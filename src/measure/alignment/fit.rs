//! The model fitted to all tracks at once, robustly.
//!
//! Weighted least squares (Gauss-Newton) with Student's t as the law of errors (Lange, Little & Taylor 1989), so that a
//! track that followed something else is outweighed. Each point has three numbers of its own, which are eliminated
//! (Schur's complement; Triggs et al. 2000). What no data can tell (the mean height; where the origin lies) is held by weak
//! ties and then settled by the rule of [`Model::settle_origin`]; the sign of heights is that of the stated axis and angles,
//! and the tilt of the specimen in the stage is that of the plane through the heights.

use crate::measure::alignment::equations::{Layout, gather, misfits};
use crate::measure::alignment::errors::finish;
use crate::measure::alignment::model::{Model, TERMS};
use crate::numerics::median::{MAD_TO_SD, upper_median};
use nalgebra::{DMatrix, DVector};

/// Where a track was seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sight {
    /// Which track.
    pub track: usize,
    /// At which tilt.
    pub tilt: usize,
    /// Where, in px from the middle of the picture.
    pub at: [f64; 2],
    /// Inverse covariance (xx, xy, yy) of `at`, in 1/px².
    pub information: [f64; 3],
}

/// What is fitted beside places and shifts.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Freedom {
    /// The direction of the axis.
    pub axis: bool,
    /// Turn and magnification of each tilt.
    pub turns: bool,
    /// The smooth change of the specimen …
    pub warp: bool,
    /// … along the axis alone.
    pub along_only: bool,
    /// Heights scatter about one mean by as much as they turn out to: patches of texture, which do not last. Else each is
    /// free.
    pub scattered: bool,
    /// Side of the cells within which errors go together, in px.
    pub cell_px: f64,
    /// Errors as they are stated; else they are scaled until the median misfit is what it should be.
    pub stated_errors: bool,
    /// The model given is a fit of these tracks: what lies off it counts little from the beginning.
    pub begun: bool,
    /// A further fit begins from this one.
    pub roughly: bool,
}

/// A fit.
#[derive(Debug, Clone)]
pub struct Fit {
    /// The model.
    pub model: Model,
    /// By sight: seen less expected.
    pub residuals: Vec<[f64; 2]>,
    /// By sight: how much it counts, against one that fits (1: in full).
    pub weights: Vec<f64>,
    /// How much larger errors are than stated, squared.
    pub scale: f64,
    /// By how much variances grow because residuals of a track at neighbouring tilts go together.
    pub together: f64,
    /// By sight: squared distance from what is expected, in stated errors.
    pub misfits: Vec<f64>,
    /// Covariance of the shared unknowns.
    pub covariance: DMatrix<f64>,
    /// Which of them is which.
    pub layout: Layout,
    /// Variance of each track's (u, v, z).
    pub point_variances: Vec<[f64; 3]>,
}

/// Degrees of freedom of the law of errors.
pub const FREEDOM: f64 = 3.0;
/// Median of a χ² of two degrees of freedom.
const MEDIAN_CHI2: f64 = 1.386;
const ROUNDS: usize = 40;
const FEWEST_ROUNDS: usize = 4;
/// A round that changes no shift by more than this, in px, is the last: what is still to come is some times as much, and shifts
/// are known to a tenth of a pixel at best.
const SETTLED_PX: f64 = 3e-3;
/// The same where a further fit begins from this one.
const ROUGHLY_PX: f64 = 0.03;
/// Heights scatter by this at least.
const LEAST_SCATTER_PX: f64 = 3.0;
/// Weak ties: places of points and shifts lie within this, in px …
pub const FAR_PX: f64 = 1e4;
/// … turns within 1°, magnifications within 1 % (common practice, no source) …
pub const TURN_SD: f64 = 0.017_453;
/// See [`TURN_SD`].
pub const MAGNIFICATION_SD: f64 = 0.01;
/// … and the terms of the change within this, in px.
pub const WARP_SD_PX: f64 = 30.0;

/// Fits a model that is about right; sights of tilts without a pose are left out. `start` is the tilt whose shift is none.
/// `None` where too little is seen.
pub fn fit(about: &Model, sights: &[Sight], start: usize, freedom: Freedom) -> Option<Fit> {
    let mut model = about.clone();
    if !freedom.warp {
        model.warp = None;
    }
    let layout = Layout::new(&model, start, freedom);
    let mut by_track = vec![Vec::new(); model.points.len()];
    for (at, sight) in sights.iter().enumerate().filter(|(_, sight)| model.poses[sight.tilt].is_some()) {
        by_track[sight.track].push(at);
    }
    let scatter = |model: &Model| if freedom.scattered { scatter_of_heights(model, &by_track) } else { FAR_PX };
    let (mut weights, mut scale, mut height) = (vec![1.0; sights.len()], 1.0, FAR_PX);
    if freedom.begun {
        (weights, scale) = weights_of(&model, sights, freedom);
        height = scatter(&model);
    }
    let settled_px = if freedom.roughly { ROUGHLY_PX } else { SETTLED_PX };
    for nth in 0..ROUNDS {
        let equations = gather(&model, &layout, sights, (&by_track, height), &weights, scale);
        let solution = equations.step()?;
        for (point, own) in model.points.iter_mut().zip(&equations.tracks) {
            let moved = own.moved(&solution);
            *point = std::array::from_fn(|k| point[k] + moved[k]);
        }
        layout.step(&mut model, &solution);
        if freedom.begun || nth > 1 {
            height = scatter(&model);
        }
        (weights, scale) = weights_of(&model, sights, freedom);
        if nth >= FEWEST_ROUNDS && solution.amax() < settled_px {
            break;
        }
    }
    finish(model, layout, sights, (&by_track, height), (start, freedom.cell_px.max(1.0)), weights, scale)
}

/// How much each sight counts, and how much larger errors are than stated (squared).
fn weights_of(model: &Model, sights: &[Sight], freedom: Freedom) -> (Vec<f64>, f64) {
    let misfits = misfits(model, sights);
    let known = misfits.iter().copied().filter(|misfit| misfit.is_finite());
    let median = upper_median(known).filter(|_| !freedom.stated_errors);
    let scale = median.map_or(1.0, |median| (median / MEDIAN_CHI2).max(1e-6));
    (misfits.iter().map(|misfit| weight(misfit / scale)).collect(), scale)
}

/// Robust standard deviation of the heights.
fn scatter_of_heights(model: &Model, by_track: &[Vec<usize>]) -> f64 {
    let seen = || model.points.iter().zip(by_track).filter(|(_, of)| !of.is_empty());
    let heights = || seen().map(|(point, _)| point[2]).filter(|z| z.is_finite());
    let middle = upper_median(heights()).unwrap_or(0.0);
    let off = upper_median(heights().map(|z| (z - middle).abs()));
    off.map_or(FAR_PX, |off| (MAD_TO_SD * off).max(LEAST_SCATTER_PX))
}

/// Of Student's law in two dimensions.
fn weight(misfit: f64) -> f64 {
    (FREEDOM + 2.0) / (FREEDOM + misfit)
}

impl Fit {
    /// Minus twice the logarithm of the likelihood, up to a constant, were errors so much larger than stated (squared).
    pub fn unlikeliness_at(&self, scale: f64) -> f64 {
        let known = self.misfits.iter().filter(|misfit| misfit.is_finite());
        known.map(|misfit| (FREEDOM + 2.0) * (misfit / scale / FREEDOM).ln_1p()).sum()
    }

    fn error(&self, at: Option<usize>) -> Option<f64> {
        at.map(|at| self.covariance[(at, at)].max(0.0).sqrt())
    }

    /// One standard error of the direction of the axis, in radians; `None` where it was held.
    pub fn axis_error(&self) -> Option<f64> {
        self.error(self.layout.axis)
    }

    /// One standard error of a tilt's shift, in px, the larger of the two; `None` where it was held.
    pub fn shift_error(&self, tilt: usize) -> Option<f64> {
        let at = self.layout.shifts[tilt];
        Some(self.error(at)?.max(self.error(at.map(|at| at + 1))?))
    }

    /// One standard error of a tilt's turn, in radians, and of the logarithm of its magnification.
    pub fn turn_errors(&self, tilt: usize) -> Option<[f64; 2]> {
        let at = self.layout.turns[tilt];
        Some([self.error(at)?, self.error(at.map(|at| at + 1))?])
    }

    /// Root mean square displacement (u, v, z together) of the smooth change over the tracks at growth 1, what errors put
    /// into it taken off, and one standard error of it, in px; `None` where it was held.
    pub fn warp_size(&self) -> Option<(f64, f64)> {
        let (at, warp) = (self.layout.warp?, self.model.warp?);
        let n = self.model.terms.len().max(1) as f64;
        // A displacement common to all is the tilts' shifts.
        let mean: [f64; TERMS] = std::array::from_fn(|term| self.model.terms.iter().map(|t| t[term]).sum::<f64>() / n);
        let (mut square, mut noise, mut slope) = (0.0, 0.0, DVector::<f64>::zeros(self.layout.count));
        for terms in &self.model.terms {
            let terms: [f64; TERMS] = std::array::from_fn(|term| terms[term] - mean[term]);
            let moved = warp.displacement(&terms);
            let terms = DVector::from_row_slice(&terms);
            for (k, moved) in moved.iter().enumerate() {
                let own = at + k * TERMS;
                square += moved * moved / n;
                noise += terms.dot(&(self.covariance.view((own, own), (TERMS, TERMS)) * &terms)) / n;
                slope.rows_mut(own, TERMS).axpy(moved / n, &terms, 1.0);
            }
        }
        let variance = (slope.transpose() * &self.covariance * &slope)[(0, 0)] / square.max(1e-12);
        Some(((square - noise).max(0.0).sqrt(), variance.max(0.0).sqrt()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::alignment::along::Along;
    use crate::measure::alignment::model::{Pose, Warp, directions, terms};

    /// Twenty points, fifteen tilts, no noise but a ripple of a hundredth of a pixel; `spoil` tracks follow something else.
    fn bundle(spoil: usize) -> (Model, Model, Vec<Sight>) {
        let tilts: Vec<f64> = (0..15).map(|k| (8.0 * f64::from(k) - 56.0f64).to_radians()).collect();
        let at = |k: usize, m: usize, n: usize| ((k * m) % n) as f64 / n as f64 - 0.5;
        let points: Vec<[f64; 3]> =
            (0..20).map(|k| [500.0 * at(k, 7, 20), 500.0 * at(k, 13, 19), 120.0 * at(k, 11, 17)]).collect();
        let pose = |k: usize| Pose { shift: [9.0 * at(k, 5, 13), 9.0 * at(k, 3, 11)], ..Pose::default() };
        let mut truth = Model {
            growth: (0..15).map(|k| f64::from(k) / 14.0).collect(),
            axis: 0.4,
            poses: (0..15).map(|k| Some(if k == 7 { Pose::default() } else { pose(k) })).collect(),
            terms: points.iter().map(|p| terms([p[0], p[1]], 250.0)).collect(),
            points,
            warp: None,
            along: Vec::new(),
            tilts,
        };
        let good: Vec<bool> = (0..20).map(|track| track >= spoil).collect();
        truth.settle_origin(&good, 7);
        let mut sights = Vec::new();
        for track in 0..20 {
            for tilt in 0..15 {
                let mut seen = truth.expected(track, tilt).unwrap();
                seen = [0, 1].map(|k| seen[k] + 0.02 * at(track * 15 + tilt + k, 17, 23));
                if track < spoil {
                    seen = [0, 1].map(|k| seen[k] + 40.0 * at(track * 31 + tilt * (3 + k), 29, 41));
                }
                sights.push(Sight { track, tilt, at: seen, information: [100.0, 0.0, 100.0] });
            }
        }
        let mut about = truth.clone();
        about.axis += 0.03;
        about.points.iter_mut().for_each(|point| point[2] = 0.0);
        about.poses.iter_mut().flatten().for_each(|pose| pose.shift = [pose.shift[0] + 1.0, pose.shift[1] - 1.5]);
        about.poses[7] = Some(Pose::default());
        (truth, about, sights)
    }

    fn compare(truth: &Model, found: &Model, spoil: usize, within: f64) {
        assert!((found.axis - truth.axis).abs() < 1e-3 * within, "{}", found.axis - truth.axis);
        for (own, theirs) in found.poses.iter().flatten().zip(truth.poses.iter().flatten()) {
            let off = (own.shift[0] - theirs.shift[0]).hypot(own.shift[1] - theirs.shift[1]);
            assert!(off < within, "{own:?} {theirs:?}");
        }
        for (own, theirs) in found.points.iter().zip(&truth.points).skip(spoil) {
            assert!((0..3).all(|k| (own[k] - theirs[k]).abs() < within), "{own:?} {theirs:?}");
        }
    }

    #[test]
    fn a_bundle_with_a_known_answer_comes_back() {
        let (truth, about, sights) = bundle(0);
        let mut found = fit(&about, &sights, 7, Freedom { axis: true, ..Freedom::default() }).unwrap();
        found.model.settle_origin(&[true; 20], 7);
        compare(&truth, &found.model, 0, 0.03);
    }

    #[test]
    fn a_fifth_of_the_tracks_spoilt_changes_next_to_nothing() {
        let (truth, about, sights) = bundle(4);
        let mut found = fit(&about, &sights, 7, Freedom { axis: true, ..Freedom::default() }).unwrap();
        let good: Vec<bool> = (0..20).map(|track| track >= 4).collect();
        found.model.settle_origin(&good, 7);
        compare(&truth, &found.model, 4, 0.05);
    }

    #[test]
    fn what_the_whole_field_says_along_the_axis_outweighs_tracks_that_err_alike() {
        let (truth, about, mut sights) = bundle(0);
        let (_, q) = directions(truth.axis);
        for sight in sights.iter_mut().filter(|sight| sight.tilt == 3) {
            sight.at = [0, 1].map(|k| sight.at[k] + 0.5 * q[k]);
        }
        let mut held = about.clone();
        let place = |pose: &Pose| q[0] * pose.shift[0] + q[1] * pose.shift[1];
        let along = |pose: &Option<Pose>| pose.as_ref().map(|pose| Along { px: place(pose), error_px: 0.003 });
        held.along = truth.poses.iter().map(along).collect();
        let off = |about: &Model| {
            let found = fit(about, &sights, 7, Freedom { axis: true, ..Freedom::default() }).unwrap();
            place(&found.model.poses[3].unwrap()) - place(&truth.poses[3].unwrap())
        };
        assert!((off(&about) - 0.5).abs() < 0.05 && off(&held).abs() < 0.05, "{} {}", off(&about), off(&held));
    }

    #[test]
    fn turns_and_a_growing_change_are_told_from_each_other() {
        let (mut truth, about, _) = bundle(0);
        for (k, pose) in truth.poses.iter_mut().enumerate() {
            let pose = pose.as_mut().unwrap();
            pose.turn = 0.004 * ((k * 3 % 7) as f64 - 3.0);
            pose.log_magnification = 0.002 * ((k * 5 % 7) as f64 - 3.0);
        }
        let mut coefficients = [[0.0; TERMS]; 3];
        (coefficients[0][2], coefficients[1][4], coefficients[2][3]) = (6.0, -5.0, 8.0);
        truth.warp = Some(Warp { coefficients });
        let mut sights = Vec::new();
        for track in 0..20 {
            for tilt in 0..15 {
                let at = truth.expected(track, tilt).unwrap();
                sights.push(Sight { track, tilt, at, information: [100.0, 0.0, 100.0] });
            }
        }
        let freedom = Freedom { axis: true, turns: true, warp: true, ..Freedom::default() };
        let found = fit(&about, &sights, 7, freedom).unwrap();
        let (planted, fitted) = (truth.warp.unwrap(), found.model.warp.unwrap());
        for (k, term) in [(0, 2), (1, 4), (2, 3)] {
            let (a, b) = (planted.coefficients[k][term], fitted.coefficients[k][term]);
            assert!((a - b).abs() < 0.1 * a.abs(), "{k} {term}: {a} {b}");
        }
        let turned = |k: usize| found.model.poses[k].unwrap().turn - found.model.poses[0].unwrap().turn;
        let truly = |k: usize| truth.poses[k].unwrap().turn - truth.poses[0].unwrap().turn;
        assert!((0..15).all(|k| (turned(k) - truly(k)).abs() < 5e-4));
    }
}
