//! For tests: pictures of a slab of blobs, drawn one by one where each tilt records them.

use crate::measure::alignment::model::{Model, Pose, directions};
use crate::numerics::registration::image::Image;

pub const AXIS: f64 = 0.3;
pub const TILTS: usize = 21;
/// The tilt at zero.
pub const START: usize = TILTS / 2;

/// A slab of blobs.
pub struct Scene {
    pub rows: usize,
    pub cols: usize,
    pub blobs: usize,
    /// Where they lie, so to say.
    pub seed: u64,
    /// How far along the axis a tilt shows a blob moved that lies at (u, v).
    pub moved: fn(usize, [f64; 2]) -> f64,
}

fn random(state: &mut u64) -> f64 {
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    (*state >> 40) as f64 / (1u64 << 24) as f64
}

pub fn tilt(k: usize) -> f64 {
    (6.0 * k as f64 - 60.0).to_radians()
}

/// Where the origin is recorded at a tilt, in px.
pub fn shift(k: usize) -> [f64; 2] {
    if k == START { [0.0; 2] } else { [(k * 5 % 7) as f64 - 3.0, (k * 3 % 11) as f64 * 0.7 - 3.5] }
}

impl Scene {
    /// A tilt's picture, with noise.
    pub fn picture(&self, k: usize) -> Image {
        let (rows, cols, mut state) = (self.rows, self.cols, self.seed);
        let (p, q) = directions(AXIS);
        let (sine, cosine) = tilt(k).sin_cos();
        let ranges = [2.7 * cols as f64, 1.6 * rows as f64, 30.0, 2.0];
        let mut values = vec![100.0f32; rows * cols];
        for _ in 0..self.blobs {
            let [u, v, z, weight] = ranges.map(|range| range * (random(&mut state) - 0.5));
            let (across, v) = (u * cosine + z * sine, v + (self.moved)(k, [u, v]));
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

    /// The pictures of all tilts.
    pub fn pictures(&self) -> Vec<Option<Image>> {
        (0..TILTS).map(|k| Some(self.picture(k))).collect()
    }
}

/// A model without tracks whose shifts are off by so much at each tilt but the start.
pub fn model(off: impl Fn(usize) -> [f64; 2]) -> Model {
    let pose = |k: usize| {
        let off = if k == START { [0.0; 2] } else { off(k) };
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
