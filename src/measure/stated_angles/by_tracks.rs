//! The angle at which the places that were followed lie as a tilt shows them.
//!
//! A place at u across the axis, v along it and height z is recorded at u cos t + z sin t across. The rigid fit knows u, v
//! and z by all tilts together; held against them, each tilt by itself tells the angle t that suits it best, its shift, turn
//! and magnification free. Student's t is the law of errors, as in the fit.

use crate::measure::alignment::align::Aligned;
use crate::measure::alignment::fit::FREEDOM;
use crate::measure::alignment::model::directions;
use crate::numerics::median::{MAD_TO_SD, upper_median};
use nalgebra::{Matrix4, Vector4};

/// Angles that are tried: to this on both sides, in coarse steps; in fine ones where the stated angle is not as good.
const MOST_DEG: f64 = 75.0;
const COARSE_DEG: f64 = 5.0;
const STEP_DEG: f64 = 0.5;
/// A tilt with fewer tracks tells nothing.
const FEWEST_TRACKS: usize = 8;
/// An angle is ruled out where the tracks are less likely by it than by the best, by this much in twice the logarithm: six
/// standard deviations, as patches that overlap err together.
const RULED_OUT: f64 = 36.0;
/// No place is known better, in px.
const LEAST_SD_PX: f64 = 0.1;
const ROUNDS: usize = 6;
/// Where more than this share of the tilts, and more than so many, seem to be off, the specimen changed its size or the fit
/// went wrong, and no single angle is.
const MOST_OFF: f64 = 0.15;
const MOST_OFF_TILTS: usize = 2;

/// What the tracks say of a tilt's angle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ByTracks {
    /// The angle that suits them best.
    pub best_deg: f64,
    /// How far the nearest angle that they do not rule out lies from the stated one.
    pub off_at_least_deg: f64,
}

/// A track at one tilt: across and along the axis as recorded, and its point (u, v, z).
#[derive(Debug, Clone, Copy)]
pub struct Seen {
    /// In px.
    pub at: [f64; 2],
    /// In px.
    pub point: [f64; 3],
}

/// By tilt; `None` where too few tracks tell. None at all where too many tilts seem to be off.
pub fn angles(aligned: &Aligned) -> Vec<Option<ByTracks>> {
    let model = &aligned.rigid.model;
    let (p, q) = directions(model.axis);
    let along = |d: [f64; 2], v: [f64; 2]| d[0] * v[0] + d[1] * v[1];
    let spread = |d: [f64; 2]| {
        let off = aligned.rigid.residuals.iter().map(|left| along(d, *left).abs()).filter(|off| off.is_finite());
        (MAD_TO_SD * upper_median(off).unwrap_or(0.0)).max(LEAST_SD_PX)
    };
    let sds = [spread(p), spread(q)];
    let one = |tilt: usize| {
        let seen = aligned.sights.iter().filter(|sight| sight.tilt == tilt);
        let seen = seen.map(|s| Seen { at: [along(p, s.at), along(q, s.at)], point: model.points[s.track] });
        of_tilt(&seen.collect::<Vec<Seen>>(), sds, model.tilts[tilt].to_degrees())
    };
    let mut found: Vec<Option<ByTracks>> = (0..model.tilts.len()).map(one).collect();
    let off = found.iter().flatten().filter(|by| by.off_at_least_deg > STEP_DEG).count();
    if off > MOST_OFF_TILTS && off as f64 > MOST_OFF * found.len() as f64 {
        found.fill(None);
    }
    found
}

/// Of one tilt, its stated angle, and one standard deviation of a place across and along.
pub fn of_tilt(seen: &[Seen], sds: [f64; 2], stated_deg: f64) -> Option<ByTracks> {
    if seen.len() < FEWEST_TRACKS {
        return None;
    }
    let cost = |deg: f64| (deg, unlikeliness(seen, sds, deg));
    let every = |step: f64| (0..=(2.0 * MOST_DEG / step) as usize).map(move |k| k as f64 * step - MOST_DEG);
    let stated = cost(stated_deg);
    let mut costs: Vec<(f64, f64)> = every(COARSE_DEG).map(cost).collect();
    if costs.iter().all(|(_, cost)| stated.1 <= *cost) {
        // The best lies beside it, and is likelier by no more than what a coarse step to either side is less likely.
        let beside = |side: f64| cost(stated_deg + side * STEP_DEG).1;
        if stated.1 - beside(1.0).min(beside(-1.0)) <= STEP_DEG / COARSE_DEG * RULED_OUT {
            return Some(ByTracks { best_deg: stated_deg, off_at_least_deg: 0.0 });
        }
    }
    costs.extend(every(STEP_DEG).map(cost).chain([stated]));
    let &(best_deg, least) = costs.iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
    let possible = costs.iter().filter(|(_, cost)| cost - least <= RULED_OUT);
    let off_at_least_deg = possible.map(|(deg, _)| (deg - stated_deg).abs()).fold(f64::INFINITY, f64::min);
    off_at_least_deg.is_finite().then_some(ByTracks { best_deg, off_at_least_deg })
}

/// Minus twice the logarithm of the likelihood of an angle, up to a constant; infinite where no pose fits.
fn unlikeliness(seen: &[Seen], sds: [f64; 2], deg: f64) -> f64 {
    let (sine, cosine) = deg.to_radians().sin_cos();
    let inverse = sds.map(|sd| sd.powi(-2));
    let across = |point: [f64; 3]| point[0] * cosine + point[2] * sine;
    let mut misfits = vec![0.0; seen.len()];
    for _ in 0..ROUNDS {
        // Shift across and along, then magnification and turn of (across, along).
        let (mut normal, mut target) = (Matrix4::<f64>::zeros(), Vector4::<f64>::zeros());
        for (one, misfit) in seen.iter().zip(&misfits) {
            let weight = (FREEDOM + 2.0) / (FREEDOM + misfit);
            for (row, (at, inverse)) in rows(one, across(one.point)).iter().zip(one.at.into_iter().zip(inverse)) {
                normal += row * row.transpose() * (weight * inverse);
                target += row * (weight * inverse * at);
            }
        }
        let Some(pose) = normal.cholesky().map(|factor| factor.solve(&target)) else { return f64::INFINITY };
        for (one, misfit) in seen.iter().zip(&mut misfits) {
            let rows = rows(one, across(one.point));
            *misfit = (0..2).map(|k| (one.at[k] - rows[k].dot(&pose)).powi(2) * inverse[k]).sum();
        }
    }
    misfits.iter().map(|misfit| (FREEDOM + 2.0) * (misfit / FREEDOM).ln_1p()).sum()
}

fn rows(seen: &Seen, across: f64) -> [Vector4<f64>; 2] {
    let v = seen.point[1];
    [Vector4::new(1.0, 0.0, across, v), Vector4::new(0.0, 1.0, v, -across)]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn places(truly_deg: f64, noise: f64) -> Vec<Seen> {
        let (sine, cosine) = truly_deg.to_radians().sin_cos();
        let at = |k: usize, m: usize, n: usize| ((k * m) % n) as f64 / n as f64 - 0.5;
        let seen = |k: usize| {
            let point = [400.0 * at(k, 7, 40), 400.0 * at(k, 13, 39), 60.0 * at(k, 11, 37)];
            let own = [12.0 + point[0] * cosine + point[2] * sine, -5.0 + point[1]];
            Seen { at: [own[0] + noise * at(k, 17, 23), own[1] + noise * at(k, 5, 29)], point }
        };
        (0..40).map(seen).collect()
    }

    #[test]
    fn the_angle_at_which_places_lie_is_found_and_a_right_one_is_let_be() {
        let found = of_tilt(&places(20.0, 2.0), [0.6; 2], 26.0).unwrap();
        assert!((found.best_deg - 20.0).abs() <= 1.0 && found.off_at_least_deg > 3.0, "{found:?}");
        assert_eq!(of_tilt(&places(20.0, 2.0), [0.6; 2], 20.2).unwrap().off_at_least_deg, 0.0);
        assert_eq!(of_tilt(&places(20.0, 2.0)[..5], [0.6; 2], 26.0), None);
    }

    #[test]
    fn heights_tell_the_sign() {
        let found = of_tilt(&places(-36.0, 1.0), [0.3; 2], 36.0).unwrap();
        assert!((found.best_deg + 36.0).abs() < 1.5 && found.off_at_least_deg > 60.0, "{found:?}");
    }

    #[test]
    fn a_fifth_of_the_tracks_spoilt_change_nothing() {
        let mut seen = places(-40.0, 1.0);
        seen.iter_mut().step_by(5).for_each(|one| one.at[0] += 25.0);
        let found = of_tilt(&seen, [0.3; 2], -30.0).unwrap();
        assert!((found.best_deg + 40.0).abs() < 1.5, "{found:?}");
    }
}
