//! Where each tilt lies along the axis, by the whole field.
//!
//! Pictures at all tilts share the frequencies along the axis (Bracewell 1956, Aust. J. Phys. 9:198, value from memory): drawn
//! out across the axis to the size of zero tilt, two of them agree at a frequency κ across it as long as the section is much
//! thinner than 1/(κ |Δtan|). So pictures far apart in angle can be held together directly, where patches have only their
//! neighbours, and errors do not add up from tilt to tilt. How far all pairs agree, by ring of frequency and by κ |Δtan|, is
//! learnt from the pairs themselves; each frequency counts by C/(1 - C²) of that correlation C (Knapp & Carter 1976); shifts
//! of all tilts are the least squares of all pairs. Across the axis this would follow the rims of what is round, which move over
//! it as it is turned, and is left to the tracks.

mod growing;
mod pairs;
pub mod parts;
#[cfg(test)]
mod scene;
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
use waves::{Waves, off_background};

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

/// The tilts that can be held together.
struct Shown<'a> {
    /// Their numbers.
    tilts: Vec<usize>,
    /// tan t of each.
    tangents: Vec<f64>,
    /// Which of them holds the origin.
    held: usize,
    /// A picture of them.
    first: &'a Image,
}

impl<'a> Shown<'a> {
    /// Those with a pose and a picture; `None` where they are too few or the tilt `start` is not among them.
    fn of(images: &'a [Option<Image>], model: &Model, start: usize) -> Option<Self> {
        let tilts: Vec<usize> =
            (0..images.len()).filter(|&tilt| images[tilt].is_some() && model.poses[tilt].is_some()).collect();
        let first = images.iter().flatten().next().filter(|_| tilts.len() >= FEWEST_TILTS)?;
        let held = tilts.iter().position(|tilt| *tilt == start)?;
        Some(Self { tangents: tilts.iter().map(|&tilt| model.tilts[tilt].tan()).collect(), tilts, held, first })
    }
}

/// Places of all tilts of a model that is about right, the tilt `start` held; `pixel_px` px make a pixel of the images.
/// `None` where a tilt has no pose or picture, or nothing holds it.
pub fn along(images: &[Option<Image>], pixel_px: f64, model: &Model, start: usize) -> Vec<Option<Along>> {
    let mut found = vec![None; images.len()];
    let Some(shown) = Shown::of(images, model, start) else { return found };
    let fft = Fft2::new(good_size_within(shown.first.rows), good_size_within(shown.first.cols));
    let waves = Waves::new(&fft, model.axis);
    let (p, q) = directions(model.axis);
    let spectrum = |tilt: &usize| {
        let (image, pose) = images[*tilt].as_ref().zip(model.poses[*tilt])?;
        let view = View { across: Some(p), tilt_deg: model.tilts[*tilt].to_degrees() };
        Some(waves.spectrum(&fft, &off_background(image), pose.shift.map(|px| px / pixel_px), view))
    };
    let spectra: Vec<Vec<Complex32>> = shown.tilts.par_iter().filter_map(spectrum).collect();
    let held = held_together(spectra, &shown.tangents, &waves, shown.held);
    for (&tilt, (off, error)) in shown.tilts.iter().zip(held.into_iter().flatten()) {
        if let Some(pose) = model.poses[tilt].filter(|_| error.is_finite()) {
            let px = q[0] * pose.shift[0] + q[1] * pose.shift[1] + off[1] * pixel_px;
            found[tilt] = Some(Along { px, error_px: error * pixel_px });
        }
    }
    found
}

/// How far the pictures with such spectra lie off each other, across and along the axis, the one `held` not at all; and one
/// standard error along it, by how far a picture's pairs disagree (no number where it is not believed); in pixels.
fn held_together(
    mut spectra: Vec<Vec<Complex32>>,
    tangents: &[f64],
    waves: &Waves,
    held: usize,
) -> Option<Vec<(Vector2<f64>, f64)>> {
    let pairs = pairs(tangents, waves);
    let mut off = vec![Vector2::zeros(); spectra.len()];
    let mut errors = vec![f64::INFINITY; spectra.len()];
    for _ in 0..ROUNDS {
        let weights = Weights::of(&pairs, &spectra, waves);
        let links: Vec<Link> = pairs.par_iter().map(|pair| weights.link(pair, &spectra, waves)).collect();
        let believed = believed(&pairs, &links, spectra.len());
        let steps = solve(&pairs, &links, held, &believed)?;
        errors = disagreement(&pairs, &links, &steps, &believed);
        spectra.par_iter_mut().zip(&steps).for_each(|(spectrum, step)| waves.turn(spectrum, *step));
        off.iter_mut().zip(&steps).for_each(|(off, step)| *off += step);
    }
    // No number stays none.
    let errors = errors.into_iter().map(|error| if error < LEAST_ERROR { LEAST_ERROR } else { error });
    Some(off.into_iter().zip(errors).collect())
}

#[cfg(test)]
mod tests {
    use super::scene::{AXIS, START, Scene, TILTS, model, shift, tilt};
    use super::*;

    fn scene(seed: u64) -> Scene {
        Scene { rows: 160, cols: 128, blobs: 900, seed, moved: |_, _| 0.0 }
    }

    /// A model whose shifts are off by up to 1.5 px in each direction.
    fn about() -> Model {
        model(|k| [0, 1].map(|axis| 1.5 * ((k * (7 + 4 * axis)) % 5) as f64 / 2.0 - 1.5))
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
        let found = along(&scene(5).pictures(), 1.0, &about(), START);
        for (k, found) in found.into_iter().enumerate() {
            let found = found.unwrap();
            let off = found.px - truly(k);
            assert!(off.abs() < within(k) && off.abs() < 5.0 * found.error_px && found.error_px < 0.3, "{k}: {off}");
        }
    }

    #[test]
    fn another_field_is_not_believed_and_moves_nothing() {
        let mut images = scene(5).pictures();
        images[13] = Some(scene(8).picture(13));
        let found = along(&images, 1.0, &about(), START);
        for (k, found) in found.into_iter().enumerate() {
            assert_eq!(found.is_none(), k == 13);
            if let Some(found) = found {
                assert!((found.px - truly(k)).abs() < within(k) + 0.05, "{k}: {found:?} is not {}", truly(k));
            }
        }
    }

    #[test]
    fn tilts_that_show_nothing_are_left_out() {
        let mut images = scene(5).pictures();
        let mut model = about();
        (images[3], model.poses[12]) = (None, None);
        let found = along(&images, 1.0, &model, START);
        assert!(found[3].is_none() && found[12].is_none() && found.iter().flatten().count() == TILTS - 2);
        // The tilt that holds the origin must be there, and so must enough others.
        assert!(along(&images, 1.0, &model, 3).iter().all(Option::is_none));
        images[..17].fill(None);
        assert!(along(&images, 1.0, &model, 18).iter().all(Option::is_none));
    }
}
