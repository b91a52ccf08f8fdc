//! What pairs of tilts say of their shifts, each frequency weighed by how far all pairs agree in it.

use crate::measure::alignment::along::waves::{RINGS, Waves};
use nalgebra::{Matrix2, Vector2};
use rayon::prelude::*;
use rustfft::num_complex::Complex32;
use std::f32::consts::TAU;

/// Upper ends of the bins of κ |Δtan|, in cycles a pixel; beyond the last nothing is looked at.
const ENDS: [f64; 5] = [0.00125, 0.0025, 0.005, 0.0075, 0.0125];
/// Frequencies that a pair must share.
const FEWEST_WAVES: usize = 40;
/// A correlation outside of these counts as the end next to it, and a bin with fewer frequencies as the lower one.
const CORRELATION: [f64; 2] = [0.003, 0.97];
const FEWEST_IN_BIN: f64 = 20.0;
/// Each tilt is held against neighbours up to so many tilts away, and against about so many others over the series.
const NEIGHBOURS: usize = 6;
const OTHERS: usize = 24;

/// Two tilts that are held together.
pub struct Pair {
    /// The first, among the tilts that are shown.
    pub a: usize,
    /// The second.
    pub b: usize,
    /// Where the bins of κ |Δtan| end among the frequencies.
    ends: [usize; ENDS.len()],
}

impl Pair {
    /// Its frequencies, bin by bin.
    fn bins(&self) -> impl Iterator<Item = std::ops::Range<usize>> {
        let starts = [0].into_iter().chain(self.ends);
        starts.zip(self.ends).map(|(from, to)| from..to)
    }
}

/// Those that are looked at; `tangents` of the tilts' angles.
pub fn pairs(tangents: &[f64], waves: &Waves) -> Vec<Pair> {
    let n = tangents.len();
    let apart = n.div_ceil(OTHERS);
    let all = (0..n).flat_map(|a| (a + 1..n).map(move |b| (a, b)));
    let used = all.filter(|(a, b)| b - a <= NEIGHBOURS || (b - a).is_multiple_of(apart));
    let pair = |(a, b): (usize, usize)| {
        let apart = (tangents[b] - tangents[a]).abs().max(1e-9);
        let ends = ENDS.map(|end| waves.across.partition_point(|across| f64::from(across.abs()) * apart < end));
        Pair { a, b, ends }
    };
    used.map(pair).filter(|pair| pair.ends[ENDS.len() - 1] >= FEWEST_WAVES).collect()
}

/// What one pair says of the shift of the second tilt against the first: its pull, and how much it knows.
pub struct Link {
    /// In weighted radians a pixel, across and along the axis.
    pub pull: Vector2<f64>,
    /// Inverse covariance, were all frequencies independent.
    pub known: Matrix2<f64>,
    /// How far the two agree, and how far they would if they did as all pairs do.
    pub agrees: [f64; 2],
}

/// How much a frequency counts, by bin and ring.
pub struct Weights {
    correlation: [[f64; RINGS]; ENDS.len()],
}

impl Weights {
    /// By how far all pairs agree.
    pub fn of(pairs: &[Pair], spectra: &[Vec<Complex32>], waves: &Waves) -> Self {
        let agree = |pair: &Pair| {
            let (a, b) = (&spectra[pair.a], &spectra[pair.b]);
            let mut sums = [[[0.0f64; 2]; RINGS]; ENDS.len()];
            for (sums, bin) in sums.iter_mut().zip(pair.bins()) {
                for at in bin {
                    let [sum, count] = &mut sums[usize::from(waves.ring[at])];
                    *sum += f64::from(waves.times[at] * (a[at].re * b[at].re + a[at].im * b[at].im));
                    *count += f64::from(waves.times[at]);
                }
            }
            sums
        };
        // Added up in the order of the pairs, whatever number of cores there is.
        let of_pairs: Vec<_> = pairs.par_iter().map(agree).collect();
        let correlation = std::array::from_fn(|bin| {
            std::array::from_fn(|ring| {
                let add = |(s, n): (f64, f64), of: &[[[f64; 2]; RINGS]; ENDS.len()]| {
                    (s + of[bin][ring][0], n + of[bin][ring][1])
                };
                let (sum, count) = of_pairs.iter().fold((0.0, 0.0), add);
                if count < FEWEST_IN_BIN { CORRELATION[0] } else { (sum / count).clamp(CORRELATION[0], CORRELATION[1]) }
            })
        });
        Self { correlation }
    }

    /// What a pair says.
    pub fn link(&self, pair: &Pair, spectra: &[Vec<Complex32>], waves: &Waves) -> Link {
        let (a, b) = (&spectra[pair.a], &spectra[pair.b]);
        let (mut pull, mut known, mut agrees) = ([0.0f64; 2], [0.0f64; 3], [0.0f64; 2]);
        for (correlation, bin) in self.correlation.iter().zip(pair.bins()) {
            let weight = correlation.map(|c| (c / (1.0 - c * c)) as f32);
            let knows = correlation.map(|c| (c * c / (1.0 - c * c)) as f32);
            for at in bin {
                let ring = usize::from(waves.ring[at]);
                let (u, v) = (TAU * waves.across[at], TAU * waves.along[at]);
                // A shift of b against a turns the product by minus the frequency times it.
                let weight = waves.times[at] * weight[ring];
                let turned = weight * (a[at].im * b[at].re - a[at].re * b[at].im);
                let knows = waves.times[at] * knows[ring];
                agrees[0] += f64::from(weight * (a[at].re * b[at].re + a[at].im * b[at].im));
                agrees[1] += f64::from(knows);
                pull[0] += f64::from(u * turned);
                pull[1] += f64::from(v * turned);
                known[0] += f64::from(knows * u * u);
                known[1] += f64::from(knows * u * v);
                known[2] += f64::from(knows * v * v);
            }
        }
        Link { pull: Vector2::from(pull), known: Matrix2::new(known[0], known[1], known[1], known[2]), agrees }
    }
}
