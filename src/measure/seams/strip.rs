//! A strip of a tile, as a seam needs it: the camera's stripes taken off, pixels that cannot be trusted left out.
//!
//! All tiles share one camera. A pattern that changes along the seam alone (brighter and darker columns) lies at the
//! same place in both strips of a seam that runs along the rows, and would pull its shift to zero; what changes from
//! pixel to pixel meets other pixels of the other strip and does not. So the fine part of the tile's own mean profile
//! along the seam is taken off.

use crate::intake::stack::{Pixels, Section};
use crate::measure::seams::plan::Rect;
use crate::numerics::registration::image::Image;

/// Rows (columns) of a tile from which its profile is taken: every so many-th.
const PROFILE_STRIDE: usize = 4;
/// The halves of a tile agree in a profile if they do so by this many standard deviations of chance.
const CHANCE_SDS: f32 = 3.0;
/// What is wider than this in the profile is illumination or specimen, and stays.
const STRIPE_REACH_PX: usize = 8;

/// A strip of a tile.
#[derive(Debug, Clone, PartialEq)]
pub struct Strip {
    /// Where it lies in the tile.
    pub rect: Rect,
    /// Its pixels; NaN where they are left out.
    pub image: Image,
}

/// Cuts a strip; `stripes` are those of [`stripes`], `left_out(x, y, value)` tells which pixels are not to be trusted.
pub fn cut(
    section: &Section,
    rect: Rect,
    along_x: bool,
    stripes: &[f32],
    left_out: impl Fn(usize, usize, f32) -> bool,
) -> Strip {
    let mut values = vec![0.0f32; rect.width * rect.height];
    for (line, row) in values.chunks_exact_mut(rect.width).enumerate() {
        let y = rect.y + line;
        section.copy_row(y, rect.x, row);
        for (column, value) in row.iter_mut().enumerate() {
            if left_out(rect.x + column, y, *value) {
                *value = f32::NAN;
            }
        }
        if let Pixels::F32(_) = section.pixels {
            for (column, value) in row.iter_mut().enumerate() {
                if !section.pixels.is_finite(y * section.width + rect.x + column) {
                    *value = f32::NAN;
                }
            }
        }
        if along_x {
            row.iter_mut().zip(&stripes[rect.x..]).for_each(|(value, stripe)| *value -= stripe);
        } else {
            row.iter_mut().for_each(|value| *value -= stripes[y]);
        }
    }
    Strip { rect, image: Image { rows: rect.height, cols: rect.width, values } }
}

/// What the camera adds along a seam: the fine part of the tile's mean profile, as far as both halves of the tile agree in
/// it. Stripes are the same in both; the specimen is not, and its own profile taken off each strip would be noise that
/// the two do not share.
pub fn stripes(section: &Section, along_x: bool) -> Vec<f32> {
    let halves = if along_x { column_means(section) } else { row_means(section) };
    let [a, b] = halves.map(|profile| fine(&profile));
    let mean = |value: &dyn Fn(usize) -> f32| (0..a.len()).map(value).sum::<f32>() / a.len().max(1) as f32;
    let common = mean(&|at| a[at] * b[at]);
    let whole = mean(&|at| 0.25 * (a[at] + b[at]).powi(2));
    // Halves that have nothing in common agree by the root of the profile's length.
    let chance = CHANCE_SDS * (mean(&|at| a[at].powi(2)) * mean(&|at| b[at].powi(2)) / a.len().max(1) as f32).sqrt();
    let share = if common > chance && whole > 0.0 { (common / whole).min(1.0) } else { 0.0 };
    a.iter().zip(&b).map(|(a, b)| 0.5 * share * (a + b)).collect()
}

fn fine(profile: &[f32]) -> Vec<f32> {
    let n = profile.len();
    (0..n)
        .map(|at| {
            let near = &profile[at.saturating_sub(STRIPE_REACH_PX)..(at + STRIPE_REACH_PX + 1).min(n)];
            profile[at] - near.iter().sum::<f32>() / near.len() as f32
        })
        .collect()
}

/// Of the upper and of the lower half.
fn column_means(section: &Section) -> [Vec<f32>; 2] {
    let mut row = vec![0.0f32; section.width];
    let half = section.height / 2;
    [0..half, half..section.height].map(|rows| {
        let mut sums = vec![0.0f32; section.width];
        let mut count = 0.0;
        for y in rows.step_by(PROFILE_STRIDE) {
            section.copy_row(y, 0, &mut row);
            sums.iter_mut().zip(&row).for_each(|(sum, value)| *sum += value);
            count += 1.0;
        }
        sums.into_iter().map(|sum| sum / f32::max(count, 1.0)).collect()
    })
}

/// Of the left and of the right half.
fn row_means(section: &Section) -> [Vec<f32>; 2] {
    let mut row = vec![0.0f32; section.width];
    let half = section.width / 2;
    let mut means = [Vec::with_capacity(section.height), Vec::with_capacity(section.height)];
    for y in 0..section.height {
        section.copy_row(y, 0, &mut row);
        for (mean, part) in means.iter_mut().zip([&row[..half], &row[half..]]) {
            let some = part.iter().step_by(PROFILE_STRIDE);
            mean.push(some.clone().sum::<f32>() / some.len().max(1) as f32);
        }
    }
    means
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_specimen_without_stripes_is_left_as_it_is() {
        let mut state = 5u64;
        let mut noise = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            1000 + ((state >> 40) & 0xff) as u16
        };
        let section = Section { width: 128, height: 96, pixels: Pixels::U16((0..128 * 96).map(|_| noise()).collect()) };
        for along_x in [true, false] {
            assert!(stripes(&section, along_x).iter().all(|stripe| *stripe == 0.0));
        }
    }

    #[test]
    fn stripes_go_and_what_is_left_out_is_marked() {
        let stripe = |x: usize| if x.is_multiple_of(5) { 40 } else { 0 };
        let pixels = (0..64 * 64).map(|at| 1000 + stripe(at % 64) + if at == 70 { 9000 } else { 0 }).collect();
        let section = Section { width: 64, height: 64, pixels: Pixels::U16(pixels) };
        let rect = Rect { x: 10, y: 0, width: 40, height: 8 };
        let strip = cut(&section, rect, true, &stripes(&section, true), |x, y, _| (x, y) == (12, 3));
        let at = |x: usize, y: usize| strip.image.values[y * 40 + x];
        assert!(at(2, 3).is_nan());
        let spread = (0..40).map(|x| at(x, 5)).fold(0.0f32, |most, v| most.max((v - 1008.0).abs()));
        assert!(spread < 6.0, "{spread}");
    }
}
