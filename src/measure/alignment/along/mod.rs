//! Where each tilt lies along the axis, by the whole field.
//!
//! Pictures at all tilts share the frequencies along the axis (Bracewell 1956, Aust. J. Phys. 9:198, value from memory): drawn
//! out across the axis to the size of zero tilt, two of them agree at a frequency κ across it as long as the section is much
//! thinner than 1/(κ |Δtan|). So pictures far apart in angle can be held together directly, where patches have only their
//! neighbours, and errors do not add up from tilt to tilt. How far all pairs agree, by ring of frequency and by κ |Δtan|, is
//! learnt from the pairs themselves; each frequency counts by C/(1 - C²) of that correlation C (Knapp & Carter 1976); shifts
//! of all tilts are the least squares of all pairs. Across the axis this would follow the rims of what is round, which move over
//! it as it is turned, and is left to the tracks.

mod pairs;
mod solve;
mod waves;

use crate::measure::alignment::model::{Model, directions};
use crate::measure::tracking::link::View;
use crate::numerics::registration::fft2::{Fft2, good_size_within};
use crate::numerics::registration::image::Image;
use nalgebra::Vector2;
use pairs::{Link, Weights, pairs};
use rayon::prelude::*;
use rustfft::num_complex::Complex32;
use solve::{believed, disagreement, solve};
use waves::Waves;

/// Fewer tilts say no more than their tracks do.
const FEWEST_TILTS: usize = 5;
/// After so many rounds of weights and steps hardly anything moves any more (tried on slabs made by others).
const ROUNDS: usize = 3;
/// Least standard error, in pixels: pictures were put together from tiles, and drawn out, no better than that.
const LEAST_ERROR: f64 = 0.02;

/// A place along the axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Along {
    /// Of the specimen's origin along (sin a, cos a), in px of the assembled picture from its middle.
    pub px: f64,
    /// One standard error, by how far the tilt's pairs disagree.
    pub error_px: f64,
}

/// Places of all tilts of a model that is about right, the tilt `start` held; `pixel_px` px make a pixel of the images.
/// `None` where a tilt has no pose or picture, or nothing holds it.
pub fn along(images: &[Option<Image>], pixel_px: f64, model: &Model, start: usize) -> Vec<Option<Along>> {
    let mut found = vec![None; images.len()];
    let shown: Vec<usize> =
        (0..images.len()).filter(|&tilt| images[tilt].is_some() && model.poses[tilt].is_some()).collect();
    let first = images.iter().flatten().next().filter(|_| shown.len() >= FEWEST_TILTS);
    let held = shown.iter().position(|tilt| *tilt == start);
    let (Some(first), Some(held)) = (first, held) else { return found };
    let fft = Fft2::new(good_size_within(first.rows), good_size_within(first.cols));
    let waves = Waves::new(&fft, model.axis);
    let mut spectra: Vec<Vec<Complex32>> = shown
        .par_iter()
        .map(|&tilt| match (&images[tilt], &model.poses[tilt]) {
            (Some(image), Some(pose)) => {
                let view = View { across: Some(directions(model.axis).0), tilt_deg: model.tilts[tilt].to_degrees() };
                waves.spectrum(&fft, image, pose.shift.map(|px| px / pixel_px), view)
            }
            _ => Vec::new(),
        })
        .collect();
    let tangents: Vec<f64> = shown.iter().map(|&tilt| model.tilts[tilt].tan()).collect();
    let pairs = pairs(&tangents, &waves);
    let mut off = vec![Vector2::zeros(); shown.len()];
    let mut errors = vec![f64::INFINITY; shown.len()];
    for _ in 0..ROUNDS {
        let weights = Weights::of(&pairs, &spectra, &waves);
        let links: Vec<Link> = pairs.par_iter().map(|pair| weights.link(pair, &spectra, &waves)).collect();
        let believed = believed(&pairs, &links, shown.len());
        let Some(steps) = solve(&pairs, &links, held, &believed) else { return found };
        errors = disagreement(&pairs, &links, &steps, &believed);
        spectra.par_iter_mut().zip(&steps).for_each(|(spectrum, step)| waves.turn(spectrum, *step));
        off.iter_mut().zip(&steps).for_each(|(off, step)| *off += step);
    }
    let (_, q) = directions(model.axis);
    for ((&tilt, off), error) in shown.iter().zip(&off).zip(errors) {
        if let Some(pose) = model.poses[tilt].filter(|_| error.is_finite()) {
            let px = q[0] * pose.shift[0] + q[1] * pose.shift[1] + off[1] * pixel_px;
            found[tilt] = Some(Along { px, error_px: error.max(LEAST_ERROR) * pixel_px });
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::alignment::model::Pose;

    const AXIS: f64 = 0.3;
    const TILTS: usize = 21;

    fn random(state: &mut u64) -> f64 {
        *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (*state >> 40) as f64 / (1u64 << 24) as f64
    }

    fn tilt(k: usize) -> f64 {
        (6.0 * k as f64 - 60.0).to_radians()
    }

    /// Where the origin is recorded at a tilt, in px.
    fn shift(k: usize) -> [f64; 2] {
        if k == TILTS / 2 { [0.0; 2] } else { [(k * 5 % 7) as f64 - 3.0, (k * 3 % 11) as f64 * 0.7 - 3.5] }
    }

    /// Blobs anywhere in a slab of 30 px, drawn one by one where a tilt records them; with noise.
    fn picture(k: usize, scene: u64) -> Image {
        let (rows, cols, mut state) = (160, 128, scene);
        let (p, q) = directions(AXIS);
        let (sine, cosine) = tilt(k).sin_cos();
        let mut values = vec![100.0f32; rows * cols];
        for _ in 0..900 {
            let [u, v, z, weight] = [340.0, 260.0, 30.0, 2.0].map(|range| range * (random(&mut state) - 0.5));
            let across = u * cosine + z * sine;
            let x = shift(k)[0] + p[0] * across + q[0] * v + 0.5 * (cols - 1) as f64;
            let y = shift(k)[1] + p[1] * across + q[1] * v + 0.5 * (rows - 1) as f64;
            for row in (y - 6.0).max(0.0) as usize..((y + 7.0).max(0.0) as usize).min(rows) {
                for col in (x - 6.0).max(0.0) as usize..((x + 7.0).max(0.0) as usize).min(cols) {
                    let r2 = (col as f64 - x).powi(2) + (row as f64 - y).powi(2);
                    values[row * cols + col] += (20.0 * weight * (-0.5 * r2 / 2.0).exp()) as f32;
                }
            }
        }
        let mut noise = 77 + k as u64;
        values.iter_mut().for_each(|value| *value += (6.0 * (random(&mut noise) - 0.5)) as f32);
        Image { rows, cols, values }
    }

    /// A model whose shifts are off by up to 1.5 px in each direction.
    fn about() -> Model {
        let off = |k: usize| [0, 1].map(|axis| 1.5 * ((k * (7 + 4 * axis)) % 5) as f64 / 2.0 - 1.5);
        let pose = |k: usize| {
            let off = if k == TILTS / 2 { [0.0; 2] } else { off(k) };
            Some(Pose { shift: [0, 1].map(|axis| shift(k)[axis] + off[axis]), ..Pose::default() })
        };
        Model {
            tilts: (0..TILTS).map(tilt).collect(),
            growth: vec![0.0; TILTS],
            axis: AXIS,
            poses: (0..TILTS).map(pose).collect(),
            points: Vec::new(),
            terms: Vec::new(),
            warp: None,
            along: Vec::new(),
        }
    }

    fn truly(k: usize) -> f64 {
        let (_, q) = directions(AXIS);
        q[0] * shift(k)[0] + q[1] * shift(k)[1]
    }

    /// So small a field has little in common from step to step at high tilt.
    fn within(k: usize) -> f64 {
        if tilt(k).abs() < 0.75 { 0.1 } else { 0.6 }
    }

    #[test]
    fn tilts_lie_along_the_axis_where_they_were_drawn() {
        let images: Vec<Option<Image>> = (0..TILTS).map(|k| Some(picture(k, 5))).collect();
        let found = along(&images, 1.0, &about(), TILTS / 2);
        for (k, found) in found.into_iter().enumerate() {
            let found = found.unwrap();
            let off = found.px - truly(k);
            assert!(off.abs() < within(k) && off.abs() < 5.0 * found.error_px && found.error_px < 0.3, "{k}: {off}");
        }
    }

    #[test]
    fn another_field_is_not_believed_and_moves_nothing() {
        let images: Vec<Option<Image>> = (0..TILTS).map(|k| Some(picture(k, if k == 13 { 8 } else { 5 }))).collect();
        let found = along(&images, 1.0, &about(), TILTS / 2);
        for (k, found) in found.into_iter().enumerate() {
            assert_eq!(found.is_none(), k == 13);
            if let Some(found) = found {
                assert!((found.px - truly(k)).abs() < within(k) + 0.05, "{k}: {found:?} is not {}", truly(k));
            }
        }
    }

    #[test]
    fn tilts_that_show_nothing_are_left_out() {
        let mut images: Vec<Option<Image>> = (0..TILTS).map(|k| Some(picture(k, 5))).collect();
        let mut model = about();
        (images[3], model.poses[12]) = (None, None);
        let found = along(&images, 1.0, &model, TILTS / 2);
        assert!(found[3].is_none() && found[12].is_none() && found.iter().flatten().count() == TILTS - 2);
        // The tilt that holds the origin must be there, and so must enough others.
        assert!(along(&images, 1.0, &model, 3).iter().all(Option::is_none));
        images[..17].fill(None);
        assert!(along(&images, 1.0, &model, 18).iter().all(Option::is_none));
    }
}
