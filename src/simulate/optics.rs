//! Image formation: from the slab at a tilt to the brightness of each tile.
//!
//! Brightness = exp(-absorption) × (1 + phase contrast), its mean over the assembled picture 1. Phase contrast is what
//! the lens makes of structures and grain: each spatial frequency times -sin χ and the envelope. On a tilted slab the
//! underfocus grows by u' tan t along the perpendicular direction: the picture is formed at several underfocuses, so
//! close that χ differs by no more than `LARGEST_STEP_RAD` at the Nyquist frequency, and blended between them.

use crate::physics::contrast::{Astigmatic, Lens};
use crate::physics::tilt::path_factor;
use crate::simulate::bend::{Bend, between};
use crate::simulate::montage::assembled_px;
use crate::simulate::motion;
use crate::simulate::movement::perpendicular;
use crate::simulate::phantom::Phantom;
use crate::simulate::plan::TiltPlan;
use crate::simulate::projection::{Depth, View, project};
use crate::simulate::random::{Stream, Use};
use crate::simulate::recipe::Recipe;
use crate::simulate::transform::{C64, Transform};
use crate::simulate::warp::bent;
use std::f64::consts::{PI, TAU};

/// Linear blending between pictures whose χ differs by s loses s²/8 of the amplitude: 6 % at Nyquist, less below.
const LARGEST_STEP_RAD: f64 = 0.7;
/// Outermost pixels over which the picture fades to its mean, so that its opposite sides meet.
const FADE_PX: usize = 24;
/// What contrast transfer and fractional shifts may reach into from a border.
const GUARD_PX: f64 = 40.0;

/// The padded picture that every tilt of a recipe is formed on.
#[derive(Debug, Clone)]
pub struct Bench {
    transform: Transform,
    /// Where the assembled picture's pixel (0,0) lies.
    margin_px: f64,
    lens: Lens,
}

impl Bench {
    /// A bench that holds all tiles of all tilts.
    pub fn new(recipe: &Recipe, tilts: &[TiltPlan]) -> Self {
        let margin_px = margin_px(tilts);
        let [width, height] = assembled_px(recipe).map(|px| (px + 2.0 * margin_px) as usize);
        let instrument = &recipe.instrument;
        let lens = Lens::new(instrument.kv, instrument.cs_mm, instrument.amplitude_contrast);
        Self { transform: Transform::new(width, height), margin_px, lens }
    }

    /// What lies outside the assembled picture on the longer side.
    pub fn reach_px(&self, recipe: &Recipe) -> f64 {
        let (width, height) = self.transform.size_px();
        let [w, h] = assembled_px(recipe);
        (width as f64 - w).max(height as f64 - h)
    }

    /// Brightness of each tile of a tilt, row by row, without shades; 1 is the mean of the assembled picture.
    pub fn tiles(&self, recipe: &Recipe, phantom: &Phantom, tilt: &TiltPlan) -> Vec<Vec<f64>> {
        if tilt.tile_focus_um.iter().all(|um| *um == 0.0) {
            let field = self.field(recipe, phantom, tilt);
            return self.cut(recipe, tilt, field);
        }
        // Tiles of different focus: each is cut out of a picture of its own.
        let own = |(tile, um): (&crate::simulate::montage::TilePlace, &f64)| {
            let mut alone = tilt.clone();
            alone.tiles = vec![*tile];
            alone.focus.major_um += um;
            alone.focus.minor_um += um;
            let field = self.field(recipe, phantom, &alone);
            self.cut(recipe, &alone, field)
        };
        tilt.tiles.iter().zip(&tilt.tile_focus_um).flat_map(own).collect()
    }

    /// Brightness of the padded picture, less 1.
    fn field(&self, recipe: &Recipe, phantom: &Phantom, tilt: &TiltPlan) -> Vec<f64> {
        let depth = self.depth(recipe, phantom, tilt);
        let spectrum = self.transform.forward(phase_object(recipe, tilt, &depth, self.transform.size_px().0));
        let mut field = self.through_the_lens(recipe, tilt, &spectrum);
        for (value, depth) in field.iter_mut().zip(&depth.values) {
            *value = libm::exp(-recipe.texture.structure_absorption * depth) * (1.0 + *value).max(0.0);
        }
        self.level(recipe, &mut field);
        field
    }

    fn depth(&self, recipe: &Recipe, phantom: &Phantom, tilt: &TiltPlan) -> Depth {
        let (width, height) = self.transform.size_px();
        let middle = self.middle_px(recipe);
        let middle = std::array::from_fn(|k| middle[k] + tilt.seen_px[k]);
        let effective_deg = tilt.tilt_deg + recipe.slab.pretilt_deg;
        let view =
            View::new(effective_deg, recipe.tilt.axis_deg, recipe.camera.pixel_nm, middle).of_changed(tilt.scale);
        match &recipe.warp {
            Some(warp) => project(&bent(recipe, warp, phantom, tilt.received).matter, &view, width, height),
            None => project(&phantom.matter, &view, width, height),
        }
    }

    /// The middle of the assembled picture: half of its size, less half a pixel, as pixel (0,0) has its middle at 0.
    fn middle_px(&self, recipe: &Recipe) -> [f64; 2] {
        assembled_px(recipe).map(|px| self.margin_px + 0.5 * (px - 1.0))
    }

    /// Phase contrast of the padded picture.
    fn through_the_lens(&self, recipe: &Recipe, tilt: &TiltPlan, spectrum: &[C64]) -> Vec<f64> {
        let (width, height) = self.transform.size_px();
        let pixel_um = recipe.camera.pixel_nm * 1e-3;
        let slope = libm::tan((tilt.tilt_deg + recipe.slab.pretilt_deg).to_radians()) * pixel_um;
        let [px, py] = perpendicular(recipe.tilt.axis_deg);
        let [x0, y0] = self.middle_px(recipe);
        let change_um = |x: f64, y: f64| slope * ((x - x0) * px + (y - y0) * py);
        let corners = [(0, 0), (width, 0), (0, height), (width, height)];
        let corners = corners.map(|(x, y)| change_um(x as f64, y as f64));
        let low = corners.iter().copied().fold(f64::INFINITY, f64::min);
        let high = corners.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let planes = ((high - low) / self.finest_step_um(recipe)).ceil() as usize + 1;
        let step = if planes > 1 { (high - low) / (planes - 1) as f64 } else { 1.0 };
        let spectrum = &self.enveloped(recipe, spectrum);
        let mut field = vec![0.0; width * height];
        for first in (0..planes).step_by(2) {
            // Both pictures are real: one transform forms the first as its real part, the second as its imaginary one.
            let at = |plane: usize| low + step * plane as f64;
            let pair = self.pair(recipe, tilt, spectrum, [at(first), at(first + 1)]);
            for (index, value) in field.iter_mut().enumerate() {
                let (x, y) = ((index % width) as f64, (index / width) as f64);
                let place = (change_um(x, y) - low) / step - first as f64;
                let weight = |distance: f64| (1.0 - distance.abs()).max(0.0);
                *value += pair[index].re * weight(place);
                if first + 1 < planes {
                    *value += pair[index].im * weight(place - 1.0);
                }
            }
        }
        field
    }

    fn finest_step_um(&self, recipe: &Recipe) -> f64 {
        let nyquist_per_nm = 0.5 / recipe.camera.pixel_nm;
        LARGEST_STEP_RAD / (PI * self.lens.wavelength_nm * nyquist_per_nm * nyquist_per_nm) * 1e-3
    }

    /// What the envelope leaves of a spectrum.
    fn enveloped(&self, recipe: &Recipe, spectrum: &[C64]) -> Vec<C64> {
        let (_, height) = self.transform.size_px();
        let envelope_nm2 = recipe.focus.envelope_nm * recipe.focus.envelope_nm;
        let per_px_to_per_nm = 1.0 / recipe.camera.pixel_nm;
        let left = spectrum.iter().enumerate().map(|(index, value)| {
            let (gx, gy) = self.transform.frequency(index / height, index % height);
            let (gx, gy) = (gx * per_px_to_per_nm, gy * per_px_to_per_nm);
            *value * libm::exp(-(gx * gx + gy * gy) * envelope_nm2)
        });
        left.collect()
    }

    /// Pictures at two underfocuses, as real and imaginary part.
    fn pair(&self, recipe: &Recipe, tilt: &TiltPlan, spectrum: &[C64], added_um: [f64; 2]) -> Vec<C64> {
        let (_, height) = self.transform.size_px();
        let per_px_to_per_nm = 1.0 / recipe.camera.pixel_nm;
        let azimuth = libm::sincos(2.0 * tilt.focus.azimuth_deg.to_radians());
        let passed = spectrum.iter().enumerate().map(|(index, value)| {
            let (gx, gy) = self.transform.frequency(index / height, index % height);
            let (gx, gy) = (gx * per_px_to_per_nm, gy * per_px_to_per_nm);
            let g2 = gx * gx + gy * gy;
            let along_um = defocus_along_um(&tilt.focus, azimuth, [gx, gy]);
            let [a, b] = added_um.map(|added| self.lens.transfer(g2, along_um + added));
            *value * C64::new(a, b)
        });
        self.transform.inverse(passed.collect())
    }

    /// Divides by the mean over the assembled picture, takes 1 off, and fades to 0 at the border.
    fn level(&self, recipe: &Recipe, field: &mut [f64]) {
        let (width, height) = self.transform.size_px();
        let first = self.margin_px as usize;
        let [w, h] = assembled_px(recipe).map(|px| px as usize);
        let row_sum = |y: usize| field[y * width + first..y * width + first + w].iter().sum::<f64>();
        let mean = (first..first + h).map(row_sum).sum::<f64>() / (w * h) as f64;
        let fade = |k: usize, size: usize| fade(k.min(size - 1 - k));
        for (index, value) in field.iter_mut().enumerate() {
            *value = (*value / mean - 1.0) * fade(index % width, width) * fade(index / width, height);
        }
    }

    /// Tiles at their true places, movement during the exposure included; two at a time, as real and imaginary part.
    fn cut(&self, recipe: &Recipe, tilt: &TiltPlan, field: Vec<f64>) -> Vec<Vec<f64>> {
        let spectrum = self.transform.forward(field.into_iter().map(|value| C64::new(value, 0.0)).collect());
        let spectrum = self.smeared(tilt, spectrum);
        let mut tiles = Vec::new();
        for pair in tilt.tiles.chunks(2) {
            let places: Vec<[f64; 2]> = pair.iter().map(|tile| tile.true_px.map(|px| px + self.margin_px)).collect();
            let second = places[places.len() - 1];
            let pictures = self.shifted(&spectrum, [places[0].map(fraction), second.map(fraction)]);
            for (k, place) in places.iter().enumerate() {
                let part = |value: &C64| 1.0 + if k == 0 { value.re } else { value.im };
                let tile = &pair[k];
                let bend = tilt.bends.iter().find(|bend| (bend.col, bend.row) == (tile.col, tile.row));
                tiles.push(match bend {
                    Some(bend) => self.crop_bent(recipe, &pictures, *place, bend, part),
                    None => self.crop(recipe, &pictures, *place, part),
                });
            }
        }
        tiles
    }

    fn smeared(&self, tilt: &TiltPlan, mut spectrum: Vec<C64>) -> Vec<C64> {
        if motion::moved(tilt) {
            let (_, height) = self.transform.size_px();
            for (index, value) in spectrum.iter_mut().enumerate() {
                let (gx, gy) = self.transform.frequency(index / height, index % height);
                *value *= motion::kept(tilt, [gx, gy]);
            }
        }
        spectrum
    }

    /// The picture sampled at two fractional places, as real and imaginary part.
    fn shifted(&self, spectrum: &[C64], [a, b]: [[f64; 2]; 2]) -> Vec<C64> {
        let (width, height) = self.transform.size_px();
        let ramps_x = [a, b].map(|place| ramp(width, place[0]));
        let ramps_y = [a, b].map(|place| ramp(height, place[1]));
        let sampled = spectrum.iter().enumerate().map(|(index, value)| {
            let (kx, ky) = (index / height, index % height);
            let first = ramps_x[0][kx] * ramps_y[0][ky];
            let second = ramps_x[1][kx] * ramps_y[1][ky];
            *value * (first + C64::I * second)
        });
        self.transform.inverse(sampled.collect())
    }

    fn crop_bent(
        &self,
        recipe: &Recipe,
        picture: &[C64],
        place: [f64; 2],
        bend: &Bend,
        part: impl Fn(&C64) -> f64,
    ) -> Vec<f64> {
        let (width, height) = self.transform.size_px();
        let [x0, y0] = place.map(f64::floor);
        let size = [recipe.camera.width_px as f64, recipe.camera.height_px as f64];
        let at = |x: i64, y: i64| {
            let (x, y) = (x.clamp(0, width as i64 - 1) as usize, y.clamp(0, height as i64 - 1) as usize);
            part(&picture[y * width + x])
        };
        let pixel = |index: usize| {
            let (x, y) = ((index % recipe.camera.width_px) as f64, (index / recipe.camera.width_px) as f64);
            let [dx, dy] = bend.displacement([x, y], size);
            between(at, x0 + x + dx, y0 + y + dy)
        };
        (0..recipe.camera.width_px * recipe.camera.height_px).map(pixel).collect()
    }

    fn crop(&self, recipe: &Recipe, picture: &[C64], place: [f64; 2], part: impl Fn(&C64) -> f64) -> Vec<f64> {
        let (width, _) = self.transform.size_px();
        let [x0, y0] = place.map(|p| p.floor() as usize);
        let rows = y0..y0 + recipe.camera.height_px;
        rows.flat_map(|y| &picture[y * width + x0..y * width + x0 + recipe.camera.width_px]).map(part).collect()
    }
}

/// Phase ramp e^(2πi g f) that samples at a fraction f of a pixel further; at Nyquist its real part, so that a real
/// picture stays real.
fn ramp(size: usize, fraction: f64) -> Vec<C64> {
    let at = |k: usize| {
        let signed = if 2 * k > size { k as f64 - size as f64 } else { k as f64 };
        let (sine, cosine) = libm::sincos(TAU * signed / size as f64 * fraction);
        if 2 * k == size { C64::new(cosine, 0.0) } else { C64::new(cosine, sine) }
    };
    (0..size).map(at).collect()
}

fn fraction(place: f64) -> f64 {
    place - place.floor()
}

/// 0 at the border to 1 at [`FADE_PX`], along a cosine.
fn fade(from_border: usize) -> f64 {
    if from_border >= FADE_PX {
        return 1.0;
    }
    0.5 - 0.5 * libm::cos(PI * (from_border as f64 + 0.5) / FADE_PX as f64)
}

/// Room around the assembled picture for misplaced tiles and smears.
fn margin_px(tilts: &[TiltPlan]) -> f64 {
    let tiles = tilts.iter().flat_map(|tilt| &tilt.tiles);
    let off = tiles.flat_map(|tile| [0, 1].map(|k| (tile.true_px[k] - tile.nominal_px[k]).abs())).fold(0.0, f64::max);
    let smear = |tilt: &TiltPlan| {
        let drifts = tilt.drifts_px.iter().map(|[x, y]| (x * x + y * y).sqrt()).sum::<f64>();
        let bends = tilt
            .bends
            .iter()
            .map(|bend| (bend.px[0] * bend.px[0] + bend.px[1] * bend.px[1]).sqrt())
            .fold(0.0, f64::max);
        0.5 * drifts + 3.0 * tilt.blur_sigma_px + bends
    };
    (GUARD_PX + off + tilts.iter().map(smear).fold(0.0, f64::max)).ceil()
}

/// Underfocus along a spatial frequency, from sine and cosine of twice the azimuth of the largest one.
fn defocus_along_um(focus: &Astigmatic, (sine, cosine): (f64, f64), [gx, gy]: [f64; 2]) -> f64 {
    let g2 = gx * gx + gy * gy;
    if g2 <= 0.0 {
        return focus.mean_um();
    }
    let twice = ((gx * gx - gy * gy) * cosine + 2.0 * gx * gy * sine) / g2;
    focus.mean_um() + 0.5 * (focus.major_um - focus.minor_um) * twice
}

/// What shifts the phase: structures and the grain of this tilt, which grows with the path through the slab.
fn phase_object(recipe: &Recipe, tilt: &TiltPlan, depth: &Depth, width: usize) -> Vec<C64> {
    let mut stream = Stream::new(recipe.seed, Use::Granularity, tilt.order);
    let path = path_factor(tilt.tilt_deg + recipe.slab.pretilt_deg);
    let grain = recipe.texture.grain * path.sqrt();
    let phase = |depth: &f64| C64::new(recipe.texture.structure_phase * depth + grain * stream.normal(), 0.0);
    let mut object: Vec<C64> = depth.values.iter().map(phase).collect();
    for [spacing_nm, direction_deg, strength] in &tilt.lattices {
        let (sine, cosine) = libm::sincos(direction_deg.to_radians());
        let turns_a_px = TAU * recipe.camera.pixel_nm / spacing_nm;
        for (index, value) in object.iter_mut().enumerate() {
            let (x, y) = ((index % width) as f64, (index / width) as f64);
            let [along, across] = [x * cosine + y * sine, y * cosine - x * sine].map(|px| libm::cos(turns_a_px * px));
            value.re += strength * (along + across);
        }
    }
    object
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn underfocus_along_a_frequency_agrees_with_the_formula_by_azimuth() {
        let focus = Astigmatic::around(2.0, 0.3, 40.0);
        let azimuth = libm::sincos(80f64.to_radians());
        for degrees in [0.0f64, 40.0, 95.0, 130.0] {
            let (sine, cosine) = degrees.to_radians().sin_cos();
            let found = defocus_along_um(&focus, azimuth, [0.3 * cosine, 0.3 * sine]);
            assert!((found - focus.along_um(degrees)).abs() < 1e-12);
        }
    }
}
