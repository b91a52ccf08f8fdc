//! A tile whose picture is bent: places along it are displaced by a wave, as by a section that has not settled or by a
//! projector that distorts.

use std::f64::consts::{PI, TAU};

/// Pixels on either side that interpolation looks at.
const REACH: i64 = 6;

/// A wave of displacements over one tile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bend {
    /// Column of the tile.
    pub col: usize,
    /// Row of the tile.
    pub row: usize,
    /// Largest displacement, in x and y.
    pub px: [f64; 2],
    /// Waves over the tile's width and height.
    pub waves: [f64; 2],
}

impl Bend {
    /// Displacement of the place where pixel (x, y) of a tile of `size` looks.
    pub fn displacement(&self, [x, y]: [f64; 2], size: [f64; 2]) -> [f64; 2] {
        let phase = TAU * (self.waves[0] * x / size[0] + self.waves[1] * y / size[1]);
        let wave = libm::sin(phase);
        self.px.map(|px| px * wave)
    }
}

/// sinc(x) sinc(x / REACH): Lanczos's window.
fn lanczos(x: f64) -> f64 {
    if x.abs() < 1e-9 {
        return 1.0;
    }
    if x.abs() >= REACH as f64 {
        return 0.0;
    }
    let (a, b) = (PI * x, PI * x / REACH as f64);
    libm::sin(a) * libm::sin(b) / (a * b)
}

/// The value between pixels, by Lanczos interpolation of `at(x, y)`.
pub fn between(at: impl Fn(i64, i64) -> f64, x: f64, y: f64) -> f64 {
    let (x0, y0) = (x.floor() as i64, y.floor() as i64);
    let weights = |place: f64, first: i64| -> Vec<f64> {
        let raw: Vec<f64> = (1 - REACH..=REACH).map(|k| lanczos(place - (first + k) as f64)).collect();
        let sum: f64 = raw.iter().sum();
        raw.into_iter().map(|w| w / sum).collect()
    };
    let (wx, wy) = (weights(x, x0), weights(y, y0));
    let mut value = 0.0;
    for (j, wy) in wy.iter().enumerate() {
        for (i, wx) in wx.iter().enumerate() {
            value += wx * wy * at(x0 + 1 - REACH + i as i64, y0 + 1 - REACH + j as i64);
        }
    }
    value
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_smooth_picture_is_met_between_its_pixels() {
        let at = |x: i64, y: i64| libm::sin(0.7 * x as f64 + 0.4 * y as f64);
        let found = between(at, 20.37, 31.81);
        assert!((found - libm::sin(0.7 * 20.37 + 0.4 * 31.81)).abs() < 2e-3, "{found}");
    }

    #[test]
    fn a_wave_displaces_most_at_a_quarter() {
        let bend = Bend { col: 0, row: 0, px: [2.0, -1.0], waves: [1.0, 0.0] };
        assert_eq!(bend.displacement([25.0, 7.0], [100.0, 80.0]), [2.0, -1.0]);
        assert!(bend.displacement([50.0, 7.0], [100.0, 80.0])[0].abs() < 1e-12);
    }
}
