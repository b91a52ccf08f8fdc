//! How well and how far measured rings agree with the fitted ones.
//!
//! Every cell is brought to the frequency at which the underfocus of the picture's middle has the same phase, so that
//! maps and sectors of different underfocus add up to one curve. It is held against the fitted rings in windows of at
//! least one ring.

use crate::measure::focus::flat::Flat;
use crate::measure::focus::optics::Optics;
use crate::measure::focus::refine::{Fit, Fitter};
use crate::measure::focus::sums::Place;
use std::f64::consts::{PI, TAU};

/// Bins of phase in which a ring is looked at.
pub const BINS_A_RING: f64 = 8.0;
/// The fewest that make a window.
const LEAST_IN_WINDOW: usize = 7;
/// A ring stands out by this many standard deviations.
const STANDS_OUT: f64 = 2.5;
/// Rings agree down to this correlation.
const AGREES: f64 = 0.5;

/// The aligned curve of a tilt.
#[derive(Debug, Clone, PartialEq)]
pub struct Rings {
    /// Power over the background, by ring of the grid; 0 weight where nothing fell.
    pub measured: Vec<f64>,
    /// Fitted power over the background.
    pub fitted: Vec<f64>,
    /// Weight of each ring.
    pub weight: Vec<f64>,
    /// Phase Φ of each ring.
    pub phase: Vec<f64>,
    /// Frequency of each ring in cycles a pixel.
    pub frequency: Vec<f64>,
    /// First ring of the fit, and one past the last at which the rings agree.
    pub band: (usize, usize),
    /// Correlation over the band from the first minimum on.
    pub agreement: f64,
    /// Minima of the fitted rings up to where they agree.
    pub minima: usize,
    /// Neighbouring rings (between minima) that stand out of the noise.
    pub strong: usize,
}

/// Sums of what fell on one ring: measured power, weight, fitted amplitude, and what is kept of it.
type Sums = [f64; 4];

/// Aligns the maps by a fit.
pub fn rings(flat: &Flat, places: &[Place], optics: &Optics, fit: &Fit, fitter: &Fitter<'_>) -> Rings {
    let count = flat.rings;
    let (low, high) = flat.band;
    let phase: Vec<f64> = (0..count).map(|j| optics.ring_a[j] * fit.trial.defocus_um + optics.ring_b[j]).collect();
    let along = fit.along_um();
    // Noise is white over the band's own level: 1 over it, and the amplitude over it.
    let curves: Vec<(f64, f64)> = (0..count).map(|ring| fitter.curves(fit, ring)).collect();
    let over = |cell: usize| {
        let (level, m) = curves[cell % count];
        let level = (level + fitter.own_level(fit, cell / count, cell % count)).max(0.05);
        (level.recip(), m / level)
    };
    let over: Vec<(f64, f64)> = (0..flat.w.len()).map(over).collect();
    let bend = Bend::of(flat, optics);
    let mut sums: Vec<Sums> = vec![[0.0; 4]; count];
    let mut to = vec![0.0f32; high - low];
    for ((y, n), place) in flat.y.iter().zip(&flat.n).zip(places) {
        let own = fit.trial.of(place);
        let variance = place.variance_um2 * fit.trial.slope.powi(2);
        let kept: Vec<f64> = (low..high).map(|j| optics.kept(j, own, variance)).collect();
        for (sector, along) in along.iter().enumerate().take(flat.sectors) {
            let cells = sector * count + low..sector * count + high;
            bend.places(cells.clone(), own + along, fit.trial.defocus_um, &mut to);
            for ((cell, kept), &to) in cells.zip(&kept).zip(&to) {
                // A cell counts by how much of the rings it still shows.
                let w = n * flat.w[cell] * kept.abs();
                if w == 0.0 || !(to >= low as f32 && to < high as f32) {
                    continue;
                }
                let (over_level, m) = over[cell];
                let parts = [w * f64::from(y[cell]) * over_level, w, w * m * kept, w * kept.abs()];
                sums[to as usize].iter_mut().zip(parts).for_each(|(sum, part)| *sum += part);
            }
        }
    }
    let column = |at: usize| -> Vec<f64> { sums.iter().map(|sums| sums[at]).collect() };
    let [sum, weight, model, kept_sum] = [0, 1, 2, 3].map(column);
    let divided = |sums: &[f64]| -> Vec<f64> {
        sums.iter().zip(&weight).map(|(s, w)| if *w > 0.0 { s / w } else { 0.0 }).collect()
    };
    let (measured, amplitude) = (divided(&sum), divided(&model));
    let fitted: Vec<f64> = amplitude.iter().zip(&phase).map(|(m, p)| 1.0 - m * p.cos()).collect();
    let errors: Vec<f64> =
        weight.iter().zip(&kept_sum).map(|(w, k)| if *w > 0.0 { k / (w * w) } else { 0.0 }).collect();
    Rings { frequency: optics.frequency.clone(), ..judge(flat.band, measured, fitted, weight, phase, &errors) }
}

/// Where each cell lies, and how spherical aberration bends the phase there; in `f32`, for a thousandth of a ring is
/// enough.
struct Bend {
    size: f32,
    /// Square of the frequency in (cycles a pixel)², and underfocus that spherical aberration takes off.
    cells: Vec<[f32; 2]>,
}

impl Bend {
    fn of(flat: &Flat, optics: &Optics) -> Self {
        let half_lambda2_cs_um = 0.5 * optics.lens.wavelength_nm.powi(2) * optics.lens.cs_nm * 1e-3;
        let per_square = half_lambda2_cs_um / (optics.pixel_nm * optics.pixel_nm);
        let square = |cell: usize| {
            if flat.sectors == 1 { optics.frequency[cell].powi(2) } else { optics.grid.squares[cell] }
        };
        let cells = (0..flat.w.len()).map(|cell| [square(cell) as f32, (per_square * square(cell)) as f32]);
        Self { size: optics.grid.size as f32, cells: cells.collect() }
    }

    /// The ring, with its fraction, at which an underfocus of `middle_um` has the phase that `here_um` has in each cell;
    /// not a number or 0 where there is none. The phase is a Δf - bend g⁴.
    fn places(&self, cells: std::ops::Range<usize>, here_um: f64, middle_um: f64, to: &mut [f32]) {
        let (here, middle) = (here_um as f32, middle_um as f32);
        for (to, [square, spherical]) in to.iter_mut().zip(&self.cells[cells]) {
            let first = (here - spherical) / middle;
            let ratio = (here - spherical) / (middle - spherical * first);
            let found = (square * ratio).sqrt() * self.size;
            *to = if first > 0.0 { found } else { 0.0 };
        }
    }
}

/// The aligned curve in bins of phase: so wide that noise is averaged, so narrow that a ring has several.
struct Bin {
    first: usize,
    phase: f64,
    measured: f64,
    weight: f64,
}

fn bins((low, high): (usize, usize), measured: &[f64], weight: &[f64], phase: &[f64]) -> Vec<Bin> {
    let mut bins: Vec<Bin> = Vec::new();
    let mut part = None;
    for j in low..high {
        let now = (phase[j] / TAU * BINS_A_RING).floor() as i64;
        if part != Some(now) {
            bins.push(Bin { first: j, phase: 0.0, measured: 0.0, weight: 0.0 });
            part = Some(now);
        }
        if let Some(bin) = bins.last_mut() {
            bin.phase += weight[j] * phase[j];
            bin.measured += weight[j] * measured[j];
            bin.weight += weight[j];
        }
    }
    bins.retain(|bin| bin.weight > 0.0);
    for bin in &mut bins {
        bin.phase /= bin.weight;
        bin.measured /= bin.weight;
    }
    bins
}

/// Correlation of measured and fitted rings from the first minimum to the end of a band.
pub fn over(rings: &Rings, band: (usize, usize)) -> f64 {
    let bins = bins(band, &rings.measured, &rings.weight, &rings.phase);
    let first = bins.iter().position(|bin| bin.phase >= TAU).unwrap_or(bins.len());
    correlation(&bins[first..]).unwrap_or(0.0)
}

/// Measured and fitted curve held against each other.
fn judge(
    (low, high): (usize, usize),
    measured: Vec<f64>,
    fitted: Vec<f64>,
    weight: Vec<f64>,
    phase: Vec<f64>,
    errors: &[f64],
) -> Rings {
    let bins = bins((low, high), &measured, &weight, &phase);
    let first = bins.iter().position(|bin| bin.phase >= TAU).unwrap_or(bins.len());
    let local: Vec<Option<f64>> = (0..bins.len()).map(|at| correlation(window(&bins, at))).collect();
    let fallen = (first..bins.len()).find(|&at| local[at].is_none_or(|r| r < AGREES)).unwrap_or(bins.len());
    let end = bins.get(fallen).map_or(high, |bin| bin.first);
    let agreement = correlation(&bins[first.min(fallen)..fallen]).unwrap_or(0.0);
    let last = phase[end.saturating_sub(1).max(low)];
    let minima = if fallen > first { (last / TAU).floor() as usize } else { 0 };
    let strong = strong_rings(low..high, &measured, &phase, errors);
    Rings { measured, fitted, weight, phase, frequency: Vec::new(), band: (low, end), agreement, minima, strong }
}

/// Bins within half a ring of one, and at least so many.
fn window(bins: &[Bin], at: usize) -> &[Bin] {
    let near = |bin: &Bin| (bin.phase - bins[at].phase).abs() <= PI;
    let from = bins.iter().position(near).unwrap_or(at).min(at.saturating_sub(LEAST_IN_WINDOW / 2));
    let to = bins.iter().rposition(near).unwrap_or(at).max(at + LEAST_IN_WINDOW / 2) + 1;
    &bins[from..to.min(bins.len())]
}

/// Correlation of the measured power with -cos Φ.
fn correlation(bins: &[Bin]) -> Option<f64> {
    if bins.len() < 5 {
        return None;
    }
    let x = centred(bins.iter().map(|bin| bin.measured));
    let y = centred(bins.iter().map(|bin| -bin.phase.cos()));
    let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let norm = (product(&x, &x) * product(&y, &y)).sqrt();
    (norm > 0.0).then(|| product(&x, &y) / norm)
}

fn centred(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let values: Vec<f64> = values.collect();
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    values.iter().map(|value| value - mean).collect()
}

/// The longest row of neighbouring rings whose measured power stands out of its noise.
fn strong_rings(range: std::ops::Range<usize>, measured: &[f64], phase: &[f64], errors: &[f64]) -> usize {
    let mut by_ring: std::collections::BTreeMap<i64, (f64, f64)> = std::collections::BTreeMap::new();
    for j in range.filter(|&j| errors[j] > 0.0) {
        let (sum, norm) = by_ring.entry((phase[j] / TAU).floor() as i64).or_default();
        *sum -= (measured[j] - 1.0) * phase[j].cos() / errors[j];
        *norm += phase[j].cos().powi(2) / errors[j];
    }
    let stands = by_ring.values().map(|(sum, norm)| *sum >= STANDS_OUT * norm.sqrt());
    let (longest, _) = stands.fold((0, 0), |(longest, row), stands| {
        let row = if stands { row + 1 } else { 0 };
        (row.max(longest), row)
    });
    longest
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rings of a period of 20 grid rings that end at ring 160.
    fn judged(noise: f64) -> Rings {
        let phase: Vec<f64> = (0..240).map(|j| TAU * f64::from(j) / 20.0).collect();
        let rough = |j: usize| noise * (((j * 7919) % 31) as f64 / 15.0 - 1.0);
        let amplitude = |j: usize| if j < 160 { 0.4 } else { 0.0 };
        let measured = phase.iter().enumerate().map(|(j, p)| 1.0 - amplitude(j) * p.cos() + rough(j)).collect();
        judge((6, 230), measured, vec![1.0; 240], vec![1.0; 240], phase, &[0.01; 240])
    }

    #[test]
    fn rings_agree_down_to_where_they_end() {
        let rings = judged(0.1);
        assert!(rings.agreement > 0.95 && rings.strong == 8, "{} {}", rings.agreement, rings.strong);
        assert!((150..=172).contains(&rings.band.1), "{}", rings.band.1);
        assert_eq!(rings.minima, rings.band.1.saturating_sub(1) / 20);
    }

    #[test]
    fn noise_has_no_rings() {
        let phase: Vec<f64> = (0..240).map(|j| TAU * f64::from(j) / 20.0).collect();
        let measured = (0..240).map(|j: usize| 1.0 + 0.1 * (((j * 7919) % 31) as f64 / 15.0 - 1.0)).collect();
        let rings = judge((6, 230), measured, vec![1.0; 240], vec![1.0; 240], phase, &[0.01; 240]);
        assert!(rings.strong < 2 && rings.minima < 3);
    }
}
