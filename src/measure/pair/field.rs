//! The field that the two zero tilts of a pair share: turn, shift and size by which the one picture lies on the other.

use crate::measure::pair::turns::{self, Turned, band_pass};
use crate::measure::patches;
use crate::measure::tracking::link::{self, sample, stretch};
use crate::measured::{Measured, NotMeasured};
use crate::numerics::affine::{Affine, Fit};
use crate::numerics::polygon::{area, clip};
use crate::numerics::registration::image::Image;
use crate::record::pair::PairField;

/// Two pictures of one specimen differ in size by no more than this, by the stated pixel sizes.
const MOST_SIZE_CHANGE: f64 = 0.1;
/// Band in which the agreement is told, as standard deviations of two Gaussians in pixels of the kept picture.
const AGREEMENT_SIGMA_PX: [f64; 2] = [1.5, 12.0];

/// The picture of a series nearest zero tilt.
pub struct View {
    /// Index of the tilt in the record.
    pub tilt: usize,
    /// Its angle.
    pub tilt_deg: f64,
    /// The kept picture.
    pub picture: Image,
    /// Pixels of the assembled picture in one of its pixels.
    pub pixel_px: f64,
    /// Pixel size of the assembled picture at the specimen.
    pub pixel_nm: Option<f64>,
    /// Width and height of the assembled picture.
    pub assembled_px: [f64; 2],
}

impl View {
    /// From a place in the kept picture (from its middle) to px of the assembled picture (from its upper left corner).
    fn to_assembled(&self) -> Affine {
        let middle = [self.picture.cols, self.picture.rows].map(|n| 0.5 * n as f64 * self.pixel_px);
        Affine::turned(0.0, self.pixel_px, middle)
    }

    fn middle(&self) -> [f64; 2] {
        self.assembled_px.map(|px| 0.5 * px)
    }

    fn frame(&self) -> Vec<[f64; 2]> {
        let [w, h] = self.assembled_px;
        vec![[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]]
    }

    /// From the specimen's plane as it is seen untilted to the picture, across the axis.
    fn squeeze(&self, axis_deg: Option<f64>) -> Affine {
        let across = axis_deg.map(|deg| {
            let (sine, cosine) = deg.to_radians().sin_cos();
            [cosine, -sine]
        });
        let view = |tilt_deg: f64| link::View { across, tilt_deg };
        Affine { m: stretch(view(0.0), view(self.tilt_deg)), t: [0.0; 2] }
    }
}

/// What the two views have in common; `axes` are the directions of the tilt axes in the two pictures.
pub fn measure(a: Option<&View>, b: Option<&View>, axes: [Option<f64>; 2], notes: &mut Vec<String>) -> PairField {
    let [axis_a, axis_b] = axes;
    // The axes are meant to lie a quarter turn apart in the specimen.
    let by_axes = axis_a.zip(axis_b).map_or(0.0, |(a, b)| a - b);
    let expected = [by_axes + 90.0, by_axes - 90.0].map(signed_deg);
    let none = |why: String| PairField { why_not: Some(why), expected_turns_deg: expected, ..PairField::default() };
    let (Some(a), Some(b)) = (a, b) else { return none("one of the two shows no picture near zero tilt".into()) };
    if a.pixel_nm.is_none() || b.pixel_nm.is_none() {
        notes.push("a pixel size is not stated: the two are taken to be the same".into());
    }
    let nm = a.pixel_nm.zip(b.pixel_nm).map_or(1.0, |(a, b)| a / b);
    let scale = nm * a.pixel_px / b.pixel_px;
    match found(a, b, scale, expected) {
        Ok((turned, fit, patches)) => {
            let field = figures(a, b, &fit, scale, axes);
            let field = PairField { expected_turns_deg: expected, patches, ..field };
            PairField { score: Some(turned.score), score_needed: Some(turned.needed), ..field }
        }
        Err(NotMeasured(why)) => none(why),
    }
}

/// An angle from above -180 to 180.
fn signed_deg(deg: f64) -> f64 {
    180.0 - (180.0 - deg).rem_euclid(360.0)
}

/// The map from the kept picture of `a` to that of `b`, and how many patches it rests on.
fn found(a: &View, b: &View, scale: f64, expected_deg: [f64; 2]) -> Measured<(Turned, Fit, usize)> {
    if ![a, b].into_iter().all(|view| patches::is_large_enough(&view.picture)) {
        return Err(NotMeasured::because("the pictures are too small to be compared patch by patch"));
    }
    let turned = turns::search(&a.picture, &b.picture, scale, expected_deg.map(f64::to_radians))?;
    let few = "the two zero tilts look alike as a whole, but too few patches of the one are found in the other";
    let mapped = patches::map(&a.picture, &b.picture, turned.map).ok_or_else(|| NotMeasured::because(few))?;
    if (mapped.fit.map.scale() / scale - 1.0).abs() > MOST_SIZE_CHANGE {
        let percent = 100.0 * (mapped.fit.map.scale() / scale - 1.0);
        let why = format!("the pictures go together only if the pixel sizes are wrong by {percent:+.0} %");
        return Err(NotMeasured::because(why));
    }
    let patches = mapped.fit.used.iter().filter(|used| **used).count();
    Ok((turned, mapped.fit, patches))
}

fn figures(a: &View, b: &View, fit: &Fit, scale: f64, [axis_a, axis_b]: [Option<f64>; 2]) -> PairField {
    let map = &fit.map;
    // As both would look untilted.
    let flat = b.squeeze(axis_b).back().map_or(*map, |back| back.after(map).after(&a.squeeze(axis_a)));
    let errors = &fit.m_errors;
    let whole = a.to_assembled().back().map(|into| b.to_assembled().after(&map.after(&into)));
    let Some((whole, back)) = whole.and_then(|whole| Some((whole, whole.back()?))) else {
        return PairField { why_not: Some("the pictures cannot be laid on each other".into()), ..PairField::default() };
    };
    let middle = whole.at(a.middle());
    let b_on_a: Vec<[f64; 2]> = b.frame().into_iter().map(|corner| back.at(corner)).collect();
    let common = clip(&a.frame(), &b_on_a);
    let rows = [0, 1].map(|k| [whole.m[k][0], whole.m[k][1], whole.t[k]]);
    PairField {
        measured: true,
        turn_deg: Some(signed_deg(flat.turn_rad().to_degrees())),
        turn_error_deg: Some((0.5 * errors[0][1].hypot(errors[1][0]) / scale).to_degrees()),
        shift_x_px: Some(middle[0] - b.middle()[0]),
        shift_y_px: Some(middle[1] - b.middle()[1]),
        shift_error_px: Some(b.pixel_px * fit.t_errors[0].max(fit.t_errors[1])),
        size_change_percent: Some(100.0 * (flat.scale() / scale - 1.0)),
        size_change_error_percent: Some(50.0 * errors[0][0].hypot(errors[1][1]) / scale),
        agreement: agreement(&a.picture, &b.picture, map),
        share_of_a: Some(area(&common) / area(&a.frame())),
        share_of_b: Some(area(&common) / area(&b_on_a)),
        b_on_a_px: b_on_a,
        common_on_a_px: common,
        a_to_b_px: Some(rows),
        ..PairField::default()
    }
}

/// Correlation of the band-passed pictures where both show the specimen.
fn agreement(a: &Image, b: &Image, map: &Affine) -> Option<f64> {
    let (a, b) = (band_pass(a, AGREEMENT_SIGMA_PX), band_pass(b, AGREEMENT_SIGMA_PX));
    let other = sample(&b, (a.rows, a.cols), map.t, map.m);
    let both = || a.values.iter().zip(&other).filter(|(a, b)| a.is_finite() && b.is_finite());
    let n = both().count() as f64;
    let mean = |of: &dyn Fn((&f32, &f32)) -> f64| both().map(of).sum::<f64>() / n;
    let (ma, mb) = (mean(&|(a, _)| f64::from(*a)), mean(&|(_, b)| f64::from(*b)));
    let product = mean(&|(a, b)| (f64::from(*a) - ma) * (f64::from(*b) - mb));
    let (va, vb) = (mean(&|(a, _)| (f64::from(*a) - ma).powi(2)), mean(&|(_, b)| (f64::from(*b) - mb).powi(2)));
    (n > 1.0 && va > 0.0 && vb > 0.0).then(|| product / (va * vb).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn angles_run_from_above_minus_180_to_180() {
        assert_eq!([-180.0, 180.0, 270.0, -90.0, 540.0].map(signed_deg), [180.0, 180.0, -90.0, -90.0, 180.0]);
    }
}
