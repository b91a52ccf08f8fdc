//! The smooth curves of the fit, ring by ring: splines and parabolas over the band, the same for all tilts of a series.

use crate::measure::focus::sector::dot;
use crate::numerics::spline::{Basis, Spline};

/// Splines of the background.
pub const BACKGROUND: usize = 7;
/// Splines of the amplitude.
pub const AMPLITUDE: usize = 5;
/// Splines of the curve that maps are divided by before they are fitted.
const CURVE: usize = 6;
/// Splines of a background, and of the amplitude over it, that are too stiff to follow a ring.
pub const STIFF: usize = 4;
/// Coefficients of a parabola.
pub const POWERS: usize = 3;

/// A curve that is zero outside of some neighbouring rings of the band.
#[derive(Debug, Clone)]
pub struct Column {
    first: usize,
    values: Vec<f64>,
}

impl Column {
    fn of(values: impl Iterator<Item = f64>) -> Self {
        let values: Vec<f64> = values.collect();
        let first = values.iter().position(|value| *value != 0.0).unwrap_or(0);
        let end = values.iter().rposition(|value| *value != 0.0).map_or(first, |last| last + 1);
        Self { first, values: values[first..end].to_vec() }
    }

    /// The product of two.
    pub fn times(&self, other: &Self) -> Self {
        let value = |of: &Self, ring: usize| {
            ring.checked_sub(of.first).and_then(|at| of.values.get(at)).copied().unwrap_or(0.0)
        };
        let end = (self.first + self.values.len()).max(other.first + other.values.len());
        Self::of((0..end).map(|ring| value(self, ring) * value(other, ring)))
    }

    /// The product with values by ring of the band.
    #[inline(always)]
    pub fn weigh(&self, values: &[f64], out: &mut [f64]) {
        out.fill(0.0);
        let rings = self.first..self.first + self.values.len();
        let products = self.values.iter().zip(&values[rings.clone()]);
        out[rings].iter_mut().zip(products).for_each(|(out, (a, b))| *out = a * b);
    }

    /// Σ of the products with values by ring of the band.
    #[inline(always)]
    pub fn dot(&self, values: &[f64]) -> f64 {
        dot((&self.values, &values[self.first..self.first + self.values.len()]))
    }
}

/// So many splines over the band.
#[derive(Debug, Clone)]
pub struct Splines {
    /// By ring of the grid: those that are not zero there.
    pub bases: Vec<Basis>,
    /// By spline, over the band.
    pub columns: Vec<Column>,
}

impl Splines {
    fn new(abscissa: &[f64], (low, high): (usize, usize), count: usize) -> Self {
        let spline = Spline::new(abscissa[low], abscissa[high - 1], count);
        let bases: Vec<Basis> = abscissa.iter().map(|&x| spline.basis(x)).collect();
        let column = |spline: usize| Column::of(bases[low..high].iter().map(|basis| basis.of(spline)));
        let columns = (0..count).map(column).collect();
        Self { bases, columns }
    }
}

/// All of them.
#[derive(Debug, Clone)]
pub struct Smooth {
    /// The place of each ring on which they are drawn: fine at low frequencies, where backgrounds fall steeply.
    pub abscissa: Vec<f64>,
    /// Of the curve that maps are divided by.
    pub curve: Splines,
    /// Of the background.
    pub background: Splines,
    /// Of the amplitude.
    pub amplitude: Splines,
    /// Of a stiff background, and of the amplitude over it.
    pub stiff: Splines,
    /// Powers of the abscissa, from -1 to 1 over the band, by ring of the grid.
    pub powers: Vec<[f64; POWERS]>,
    /// The same by power, over the band.
    pub along: [Vec<f64>; POWERS],
    /// Products of the splines of the amplitude with them.
    pub shaped: [[Column; AMPLITUDE]; POWERS],
}

impl Smooth {
    /// For rings of these frequencies, of which those of the band are used: two at least.
    pub fn new(frequency: &[f64], band: (usize, usize)) -> Self {
        let (low, high) = band;
        let abscissa: Vec<f64> = frequency.iter().map(|frequency| frequency.sqrt()).collect();
        let (from, to) = (abscissa[low], abscissa[high - 1]);
        let powers: Vec<[f64; POWERS]> = abscissa
            .iter()
            .map(|x| {
                let t = 2.0 * (x - from) / (to - from) - 1.0;
                [1.0, t, t * t]
            })
            .collect();
        let along: [Vec<f64>; POWERS] =
            std::array::from_fn(|p| powers[low..high].iter().map(|powers| powers[p]).collect());
        let splines = |count: usize| Splines::new(&abscissa, band, count);
        let (curve, background, amplitude, stiff) =
            (splines(CURVE), splines(BACKGROUND), splines(AMPLITUDE), splines(STIFF));
        let parabolas: [Column; POWERS] = std::array::from_fn(|p| Column::of(along[p].iter().copied()));
        let shaped = std::array::from_fn(|p| std::array::from_fn(|k| amplitude.columns[k].times(&parabolas[p])));
        Self { curve, background, amplitude, stiff, powers, along, shaped, abscissa }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn smooth() -> Smooth {
        let frequency: Vec<f64> = (0..128).map(|ring| (f64::from(ring) + 0.5) / 256.0).collect();
        Smooth::new(&frequency, (6, 120))
    }

    #[test]
    fn columns_are_what_bases_say() {
        let smooth = smooth();
        let values: Vec<f64> = (0..114).map(|j| f64::from(j * 37 % 11)).collect();
        for (spline, column) in smooth.background.columns.iter().enumerate() {
            let bases = smooth.background.bases[6..120].iter().zip(&values);
            let sum: f64 = bases.map(|(basis, value)| basis.of(spline) * value).sum();
            assert!((column.dot(&values) - sum).abs() < 1e-9, "{spline}");
        }
        let sum: f64 =
            (0..114).map(|j| smooth.amplitude.bases[6 + j].of(2) * smooth.powers[6 + j][1] * values[j]).sum();
        assert!((smooth.shaped[1][2].dot(&values) - sum).abs() < 1e-9);
    }
}
