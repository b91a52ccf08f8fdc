//! Spectra over their background: what the fit sees.
//!
//! Each map is divided by a curve common to the tilt (a spline through the logarithm of the mean spectrum), and by a
//! parabola of its own and of each sector. These have too few parameters to follow a ring. What is left of the
//! background is fitted together with the rings (see [`crate::measure::focus::refine`]), so that it does not eat the
//! first of them.

use crate::measure::focus::grid::SECTORS;
use crate::measure::focus::maps::RegionMap;
use crate::measure::focus::optics::Optics;
use crate::numerics::tapers::BANDWIDTH;
use nalgebra::{DMatrix, DVector, Matrix3, Vector3};

/// No spectrum follows smooth curves to better than this, however many patches there are.
const ROUGHNESS: f64 = 0.004;
/// A cell is a spike of a lattice if noise gives so much power over the median of its rings once in e^this cells …
const SPIKE_LN_CHANCE: f64 = 16.0;
/// … and it is so many times over it.
const SPIKE_RATIO: f64 = 2.5;
/// A spike that no fibre or fold would make is so many times over it.
const STRONG_RATIO: f64 = 6.0;

/// All maps of a tilt over their background.
#[derive(Debug, Clone)]
pub struct Flat {
    /// Sectors.
    pub sectors: usize,
    /// Rings.
    pub rings: usize,
    /// Band of rings used.
    pub band: (usize, usize),
    /// Weight of each map: its patches.
    pub n: Vec<f64>,
    /// Power over background, by map, by cell.
    pub y: Vec<Vec<f32>>,
    /// Weight of each cell for one patch: inverse of the relative variance.
    pub w: Vec<f64>,
    /// Cells of the band that hold strong spikes, as of a lattice.
    pub spikes: usize,
    /// Power of the common curve at each ring.
    pub curve: Vec<f64>,
}

impl Flat {
    /// Flattens the maps of a tilt; `None` where the band is too narrow to speak of.
    pub fn of(maps: &[RegionMap], optics: &Optics) -> Option<Self> {
        let rings = optics.grid.rings;
        let (low, high) = optics.band;
        if high < low + 24 || maps.is_empty() {
            return None;
        }
        let n: Vec<f64> = maps.iter().map(|map| map.patches).collect();
        let patches: f64 = n.iter().sum();
        let total = mean_map(maps, patches);
        let (mut w, spikes) = weights(&total, optics, patches);
        let mean = rotational(&total, &w, rings);
        let curve = common_curve(&mean, &w, optics)?;
        let background = background(&total, &w, optics, &curve);
        let y = maps.iter().map(|map| flattened(&map.power, &background, &w, optics)).collect();
        for w in w.chunks_exact_mut(rings) {
            w[..low].fill(0.0);
            w[high..].fill(0.0);
        }
        Some(Self { sectors: SECTORS, rings, band: optics.band, n, y, w, spikes, curve })
    }

    /// Lowers the weight of each ring by how much it scatters beyond its noise.
    pub fn trust_less(&mut self, excess: &[f64]) {
        for (cell, w) in self.w.iter_mut().enumerate() {
            *w /= excess[cell % self.rings];
        }
    }

    /// The same with all sectors in one.
    pub fn round(&self) -> Self {
        let w: Vec<f64> =
            (0..self.rings).map(|j| (0..self.sectors).map(|k| self.w[k * self.rings + j]).sum()).collect();
        let mean = |y: &Vec<f32>| {
            let (sums, _) = ring_sums(y, &self.w, self.rings);
            sums.iter().zip(&w).map(|(sum, weight)| (sum / weight.max(1e-300)) as f32).collect()
        };
        let y = self.y.iter().map(mean).collect();
        Self { sectors: 1, w, y, n: self.n.clone(), curve: self.curve.clone(), ..*self }
    }

    /// The maps of one tile alone.
    pub fn only(&self, keep: impl Fn(usize) -> bool) -> (Self, Vec<usize>) {
        let kept: Vec<usize> = (0..self.n.len()).filter(|&map| keep(map)).collect();
        let n = kept.iter().map(|&map| self.n[map]).collect();
        let y = kept.iter().map(|&map| self.y[map].clone()).collect();
        (Self { n, y, w: self.w.clone(), curve: self.curve.clone(), ..*self }, kept)
    }
}

fn mean_map(maps: &[RegionMap], patches: f64) -> Vec<f32> {
    let mut total = vec![0.0f32; maps[0].power.len()];
    for map in maps {
        let share = (map.patches / patches) as f32;
        total.iter_mut().zip(&map.power).for_each(|(sum, power)| *sum += share * power);
    }
    total
}

/// Weight of each cell, 0 where a lattice has a spike; and the number of strong ones.
fn weights(total: &[f32], optics: &Optics, patches: f64) -> (Vec<f64>, usize) {
    let (rings, grid) = (optics.grid.rings, &optics.grid);
    let degrees = |cell: usize| grid.counts[cell] / BANDWIDTH;
    let mut w: Vec<f64> = (0..total.len())
        .map(|cell| {
            let d = degrees(cell);
            d / (1.0 + ROUGHNESS * ROUGHNESS * d * patches)
        })
        .collect();
    let mut strong = 0usize;
    let shown: Vec<Vec<f64>> = (0..rings).map(|ring| ring_levels(total, &w, optics, ring)).collect();
    let lowest: Vec<f64> = shown.iter().map(|levels| levels.iter().copied().fold(f64::INFINITY, f64::min)).collect();
    for ring in optics.band.0..optics.band.1 {
        // Two rings on each side: a lattice's own ring may be spiked in every sector.
        let around = ring.saturating_sub(2)..(ring + 3).min(rings);
        let highest = shown[ring].iter().copied().fold(0.0, f64::max);
        if lowest[around.clone()].iter().all(|lowest| highest <= SPIKE_RATIO * lowest) {
            continue;
        }
        let mut near: Vec<f64> = around.flat_map(|r| shown[r].iter().copied()).collect();
        let at = near.len() / 2;
        let (_, &mut median, _) = near.select_nth_unstable_by(at, f64::total_cmp);
        for sector in 0..SECTORS {
            let cell = optics.cell(sector, ring);
            let over = f64::from(total[cell]) / median;
            // Means of k exponential powers: the chance of x times their mean is under exp(-k(x - 1 - ln x)).
            let k = (degrees(cell) * patches).max(0.5);
            if over > SPIKE_RATIO && k * (over - 1.0 - over.ln()) > SPIKE_LN_CHANCE {
                strong += usize::from(over > STRONG_RATIO);
                // A spike leaks into its neighbours through the window.
                (ring.saturating_sub(1)..=(ring + 1).min(rings - 1)).for_each(|r| w[optics.cell(sector, r)] = 0.0);
            }
        }
    }
    (w, strong)
}

fn ring_levels(total: &[f32], w: &[f64], optics: &Optics, ring: usize) -> Vec<f64> {
    let cells = (0..SECTORS).map(|sector| optics.cell(sector, ring)).filter(|&cell| w[cell] > 0.0);
    cells.map(|cell| f64::from(total[cell])).collect()
}

fn rotational(total: &[f32], w: &[f64], rings: usize) -> Vec<f64> {
    (0..rings)
        .map(|ring| {
            let cells = (0..SECTORS).map(|sector| sector * rings + ring);
            let (sum, n) = cells.fold((0.0, 0.0), |(s, n), c| (s + w[c] * f64::from(total[c]), n + w[c]));
            if n > 0.0 { sum / n } else { f64::NAN }
        })
        .collect()
}

fn common_curve(mean: &[f64], w: &[f64], optics: &Optics) -> Option<Vec<f64>> {
    let bases = &optics.smooth.curve.bases;
    let count = optics.smooth.curve.columns.len();
    let mut normal = DMatrix::<f64>::identity(count, count) * 1e-9;
    let mut right = DVector::<f64>::zeros(count);
    for ring in optics.band.0..optics.band.1 {
        if mean[ring].is_nan() || mean[ring] <= 0.0 {
            continue;
        }
        let weight: f64 = (0..SECTORS).map(|sector| w[optics.cell(sector, ring)]).sum();
        let basis = &bases[ring];
        for (i, u) in basis.values.iter().enumerate() {
            right[basis.first + i] += weight * u * mean[ring].ln();
            for (j, v) in basis.values.iter().enumerate() {
                normal[(basis.first + i, basis.first + j)] += weight * u * v;
            }
        }
    }
    let solution = normal.cholesky()?.solve(&right);
    Some(bases.iter().map(|basis| basis.at(solution.as_slice()).exp()).collect())
}

/// Parabola in the abscissa that runs through some values with weights, at every ring; held above a tenth.
fn parabola(optics: &Optics, values: impl Iterator<Item = (usize, f64, f64)>) -> Vec<f64> {
    let powers = &optics.smooth.powers;
    let (mut normal, mut right) = (Matrix3::<f64>::identity() * 1e-9, Vector3::<f64>::zeros());
    for (ring, value, weight) in values {
        let powers = Vector3::from(powers[ring]);
        normal += weight * powers * powers.transpose();
        right += weight * value * powers;
    }
    let Some(solution) = normal.cholesky().map(|c| c.solve(&right)) else { return vec![1.0; optics.grid.rings] };
    powers.iter().map(|p| (solution[0] * p[0] + solution[1] * p[1] + solution[2] * p[2]).max(0.1)).collect()
}

/// What stands under each cell of the mean spectrum: the common curve, and a parabola for each sector.
fn background(total: &[f32], w: &[f64], optics: &Optics, curve: &[f64]) -> Vec<f32> {
    let (low, high) = optics.band;
    let rings = optics.grid.rings;
    let sectors = total.chunks_exact(rings).zip(w.chunks_exact(rings));
    let under = sectors.flat_map(|(total, w)| {
        let shape = parabola(optics, (low..high).map(|ring| (ring, f64::from(total[ring]) / curve[ring], w[ring])));
        shape.into_iter().zip(curve).map(|(shape, curve)| (shape * curve) as f32)
    });
    under.collect()
}

/// Σwy and Σw of each ring, over its sectors.
fn ring_sums(y: &[f32], w: &[f64], rings: usize) -> (Vec<f64>, Vec<f64>) {
    let (mut sums, mut weights) = (vec![0.0; rings], vec![0.0; rings]);
    for (y, w) in y.chunks_exact(rings).zip(w.chunks_exact(rings)) {
        for (((sum, weight), y), w) in sums.iter_mut().zip(&mut weights).zip(y).zip(w) {
            *sum += w * f64::from(*y);
            *weight += w;
        }
    }
    (sums, weights)
}

/// A map over its background and a parabola of its own.
fn flattened(power: &[f32], background: &[f32], w: &[f64], optics: &Optics) -> Vec<f32> {
    let (low, high) = optics.band;
    let rings = optics.grid.rings;
    let mut y: Vec<f32> = power.iter().zip(background).map(|(power, under)| power / under).collect();
    let (sums, weights) = ring_sums(&y, w, rings);
    let own = parabola(optics, (low..high).map(|ring| (ring, sums[ring] / weights[ring].max(1e-300), weights[ring])));
    let over: Vec<f32> = own.into_iter().map(|own| own.recip() as f32).collect();
    y.chunks_exact_mut(rings).for_each(|y| y.iter_mut().zip(&over).for_each(|(y, over)| *y *= over));
    y
}
