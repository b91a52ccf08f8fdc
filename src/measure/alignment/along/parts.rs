//! Whether the specimen bends along the axis as it is exposed, by parts of the field.
//!
//! Each part of the field is placed along the axis by itself, as the whole is ([`super`]): so nothing adds up from tilt to tilt,
//! where patches that are followed drift with the angle, which in a series recorded from one end to the other no data tell
//! from what grows with exposure. What a tilt's parts have in common, and what runs through them as a plane, is its shift, turn
//! and magnification; what rests of a part at all tilts is where it lay at the start. What grows besides is fitted by a
//! polynomial of second degree, robustly (Student's t; Lange, Little & Taylor 1989). Places of one part err alike, so errors
//! are the jackknife's, one part after the other left out (Efron & Tibshirani 1993). What both sides of zero tilt do not tell
//! alike is no bend.

use crate::measure::alignment::along::growing::{Bend, Place, quadratics};
use crate::measure::alignment::along::waves::{Waves, off_background};
use crate::measure::alignment::along::{Shown, held_together};
use crate::measure::alignment::model::{Model, TERMS, directions, terms};
use crate::measure::tracking::link::View;
use crate::numerics::median::upper_median;
use crate::numerics::registration::fft2::{Fft2, good_size_within};
use crate::numerics::registration::image::Image;
use nalgebra::{Vector2, Vector3};
use rayon::prelude::*;

/// Side of a part, as a share of the picture's shorter side, and how far apart parts lie, over their side.
const SIDE: f64 = 0.3;
const APART: f64 = 0.75;
/// At most so many parts lie side by side.
const MOST: usize = 6;
/// A smaller part, in pixels, shows too little.
const LEAST_SIDE: usize = 36;
/// The two sides of zero tilt agree so far at least (cosine between the two).
const ALIKE: f64 = 0.7;
/// What parts of a rigid specimen err alike, in pixels: matter of other heights comes out in each as it is tilted (sound simulated
/// series show up to some times this).
const COMMON_ERROR: f64 = 0.2;

/// How far a series bends along the axis at growth 1: root mean square over the tracks, and one standard error of it, in px.
/// Its rigid `model` is about right; `half_field` as in [`terms`], in px. `None` where parts are too small, too few of them are
/// found again, or the two sides of zero tilt do not agree.
pub fn bend(
    images: &[Option<Image>],
    pixel_px: f64,
    model: &Model,
    start: usize,
    half_field: f64,
) -> Option<(f64, f64)> {
    let shown = Shown::of(images, model, start)?;
    let size = shown.first.rows.min(shown.first.cols);
    let side = good_size_within((SIDE * size as f64) as usize);
    let parts = (side >= LEAST_SIDE).then(|| centres(shown.first, side, pixel_px, model, start))?;
    let flat: Vec<Image> =
        shown.tilts.par_iter().filter_map(|&tilt| images[tilt].as_ref().map(off_background)).collect();
    let fft = Fft2::new(side, side);
    let waves = Waves::new(&fft, model.axis);
    let (p, _) = directions(model.axis);
    let of_part = |(part, at): (usize, &[f64; 2])| -> Vec<Place> {
        let spectrum = |(image, &tilt): (&Image, &usize)| {
            let view = View { across: Some(p), tilt_deg: model.tilts[tilt].to_degrees() };
            let place = model.recorded([at[0], at[1], 0.0], tilt).unwrap_or_default();
            waves.spectrum(&fft, image, place.map(|px| px / pixel_px), view)
        };
        let spectra = flat.iter().zip(&shown.tilts).map(spectrum).collect();
        let Some(found) = held_together(spectra, &shown.tangents, &waves, shown.held) else { return Vec::new() };
        let place = |((off, error), tilt): ((Vector2<f64>, f64), &usize)| Place {
            part,
            tilt: *tilt,
            off: off[1] * pixel_px,
            weight: (error * pixel_px).powi(-2),
        };
        let all = found.into_iter().zip(&shown.tilts).map(place);
        all.filter(|place| place.weight.is_finite() && place.tilt != start).collect()
    };
    let mut places: Vec<Place> = parts.par_iter().enumerate().flat_map_iter(of_part).collect();
    let middling = upper_median(places.iter().map(|place| place.weight))?;
    // Few pairs may agree by chance.
    places.iter_mut().for_each(|place| place.weight = 1.0 / (1.0 / place.weight + 1.0 / middling));
    let terms: Vec<[f64; TERMS]> = parts.iter().map(|at| terms(*at, half_field)).collect();
    let growth: Vec<f64> = model.growth.iter().map(|growth| growth - model.growth[start]).collect();
    let side = |sign: f64| {
        let some = places.iter().copied().filter(|place| sign * model.tilts[place.tilt] > 0.0);
        Bend::of(&some.collect::<Vec<_>>(), &terms, &growth)
    };
    let seen = about_their_mean(&model.terms);
    let (one, other) = side(-1.0).zip(side(1.0))?;
    let whole = Bend::of(&places, &terms, &growth).filter(|_| one.alike(&other, &seen) > ALIKE)?;
    let (size, error) = whole.size(&whole.covariance(&places, &terms, &growth), &seen);
    Some((size, error.hypot(COMMON_ERROR * pixel_px)))
}

/// The quadratic terms of places, less their mean.
fn about_their_mean(places: &[[f64; TERMS]]) -> Vec<Vector3<f64>> {
    let mean = places.iter().map(quadratics).sum::<Vector3<f64>>() / places.len().max(1) as f64;
    places.iter().map(|terms| quadratics(terms) - mean).collect()
}

/// (u, v) of the middles of all parts.
fn centres(image: &Image, side: usize, pixel_px: f64, model: &Model, start: usize) -> Vec<[f64; 2]> {
    let along = [image.cols, image.rows].map(|n| {
        let count = ((n - side) as f64 / (APART * side as f64)).floor().clamp(1.0, (MOST - 1) as f64) + 1.0;
        let step = (n - side) as f64 / (count - 1.0);
        (0..count as usize).map(|at| (at as f64 - 0.5 * (count - 1.0)) * step * pixel_px).collect::<Vec<f64>>()
    });
    let (p, q) = directions(model.axis);
    let cosine = model.tilts[start].cos();
    let places = along[1].iter().flat_map(|y| along[0].iter().map(move |x| [*x, *y]));
    places.map(|[x, y]| [(p[0] * x + p[1] * y) / cosine, q[0] * x + q[1] * y]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::alignment::along::scene::{START, Scene, TILTS, model};

    const SIDE_PX: usize = 224;
    const HALF_PX: f64 = 112.0;

    /// How far exposure has gone in a series that is recorded from one end to the other.
    fn growth(k: usize) -> f64 {
        k as f64 / (TILTS - 1) as f64
    }

    /// What is told of a scene whose blobs move so; the model knows shifts to 0.7 px, and has tracks all over the field.
    fn told(moved: fn(usize, [f64; 2]) -> f64) -> Option<(f64, f64)> {
        let scene = Scene { rows: SIDE_PX, cols: SIDE_PX, blobs: 2600, seed: 11, moved };
        let mut about = model(|k| [((k * 7) % 3) as f64 * 0.7 - 0.7, ((k * 11) % 3) as f64 * 0.7 - 0.7]);
        about.growth = (0..TILTS).map(growth).collect();
        about.terms = places().map(|at| terms(at, HALF_PX)).collect();
        bend(&scene.pictures(), 1.0, &about, START, HALF_PX)
    }

    fn places() -> impl Iterator<Item = [f64; 2]> {
        (-4..=4).flat_map(|u| (-4..=4).map(move |v| [24.0 * f64::from(u), 24.0 * f64::from(v)]))
    }

    /// A saddle of 6 px at half the field's side.
    fn saddle([u, v]: [f64; 2]) -> f64 {
        6.0 * ((v / HALF_PX).powi(2) - 0.5 * (u / HALF_PX).powi(2))
    }

    #[test]
    fn a_bend_that_grows_is_told() {
        let (size, error) = told(|k, at| growth(k) * saddle(at)).unwrap();
        let n = places().count() as f64;
        let mean = places().map(saddle).sum::<f64>() / n;
        let planted = (places().map(|at| (saddle(at) - mean).powi(2)).sum::<f64>() / n).sqrt();
        assert!((size - planted).abs() < 0.2 * planted && size > 4.0 * error, "{size} ± {error} for {planted}");
    }

    #[test]
    fn a_rigid_specimen_and_one_that_bends_there_and_back_are_not() {
        let stands_out = |told: Option<(f64, f64)>| told.is_some_and(|(size, error)| size > 4.0 * error);
        assert!(!stands_out(told(|_, _| 0.0)));
        // One that leans and grows is no bend either.
        assert!(!stands_out(told(|k, [u, v]| growth(k) * 0.03 * (u + v))));
        assert_eq!(told(|k, at| (growth(k) - 0.5).abs() * 2.0 * saddle(at)), None);
    }
}
