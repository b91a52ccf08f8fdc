//! Tapered windows, and how much of a window is left when it is moved over itself.

use std::f64::consts::PI;

/// A window whose ends fade along a cosine (Tukey 1967), for one direction of an image.
#[derive(Debug, Clone, PartialEq)]
pub struct Taper {
    /// Weights.
    pub weights: Vec<f32>,
    /// Σ w(x) w(x + d) over Σ w(x)², for whole d from 0.
    left: Vec<f64>,
}

impl Taper {
    /// A window of `length`, each end fading over `share` of it (0.5: Hann).
    pub fn new(length: usize, share: f64) -> Self {
        let fade = (share.clamp(0.0, 0.5) * length as f64).max(1.0);
        let weight = |x: usize| {
            let from_end = (x as f64 + 0.5).min(length as f64 - x as f64 - 0.5);
            if from_end >= fade { 1.0 } else { 0.5 - 0.5 * (PI * from_end / fade).cos() }
        };
        let weights: Vec<f64> = (0..length).map(weight).collect();
        let moved = |d: usize| weights.iter().zip(&weights[d.min(length)..]).map(|(a, b)| a * b).sum::<f64>();
        let whole = moved(0).max(1e-30);
        let left = (0..=length).map(|d| moved(d) / whole).collect();
        Self { weights: weights.into_iter().map(|w| w as f32).collect(), left }
    }

    /// Share of the window's power that is left at a displacement, which need not be whole.
    pub fn left(&self, displacement: f64) -> f64 {
        let d = displacement.abs();
        let (low, part) = (d.floor() as usize, d.fract());
        let at = |i: usize| self.left.get(i).copied().unwrap_or(0.0);
        // The curve is even and flat at zero: a parabola there, straight pieces elsewhere.
        if low == 0 { at(0) + (at(1) - at(0)) * part * part } else { at(low) + (at(low + 1) - at(low)) * part }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_window_over_itself_loses_what_leaves_it() {
        let flat = Taper { weights: vec![1.0; 4], left: Taper::new(4, 0.0).left };
        assert!((flat.left(1.0) - 0.75).abs() < 0.2 && flat.left(4.0) == 0.0 && flat.left(0.0) == 1.0);
        let hann = Taper::new(64, 0.5);
        assert!(hann.weights[0] < 0.01 && hann.weights[32] > 0.99);
        assert!(hann.left(3.0) < 1.0 && hann.left(3.0) > hann.left(3.5) && hann.left(-3.5) == hann.left(3.5));
    }
}
