//! Normal equations of the fit, and steps from them.

use crate::measure::focus::flat::Flat;
use crate::measure::focus::refine::{Free, LENS, SIZE};
use crate::measure::focus::sector::{Rings, Sector, sum};
use crate::measure::focus::shapes::{Own, Shapes};
use crate::measure::focus::smooth::{AMPLITUDE, BACKGROUND, POWERS, Smooth};
use crate::numerics::wide::wide;
use nalgebra::{DVector, SMatrix, SVector};

/// Pull on c and d that keeps an unconstrained spline finite; against weights of hundreds it is nothing.
const RIDGE: f64 = 1e-3;
/// Second differences of c and d of 0.5 cost as much as one standard deviation: at the lowest frequencies, where
/// cos Φ hardly changes, background and amplitude could else grow against each other without end.
pub const STIFFNESS: f64 = 4.0;

/// A matrix of the equations.
pub type Matrix = SMatrix<f64, SIZE, SIZE>;

/// The equations at a state.
pub struct Normal {
    /// Lower triangle.
    pub matrix: Matrix,
    /// Right side.
    pub right: SVector<f64, SIZE>,
    /// χ².
    pub chi2: f64,
    /// What a radian more of phase pulls.
    pub phase: f64,
    /// Each sector's own background.
    pub shapes: Vec<[f64; POWERS]>,
}

/// What is the same at every step: weights, data and the background's products with itself.
pub struct Fixed {
    /// Σn.
    n: f64,
    /// Σ w (y - 1)².
    yy: f64,
    /// By ring of the band, sectors summed: w and w (y - 1).
    w: Vec<f64>,
    y: Vec<f64>,
    background: [[f64; BACKGROUND]; BACKGROUND],
}

impl Fixed {
    /// For some maps; `levels`: Σn(y - 1) and Σn(y - 1)² of every cell.
    pub fn of(flat: &Flat, smooth: &Smooth, levels: &[Vec<f32>; 2]) -> Self {
        let (low, high) = flat.band;
        let n: f64 = flat.n.iter().sum();
        let (mut w, mut y, mut yy) = (vec![0.0; high - low], vec![0.0; high - low], 0.0);
        for sector in 0..flat.sectors {
            let cells = sector * flat.rings + low..sector * flat.rings + high;
            let data = flat.w[cells.clone()].iter().zip(&levels[0][cells.clone()]).zip(&levels[1][cells]);
            for ((w, y), ((weight, one), two)) in w.iter_mut().zip(&mut y).zip(data) {
                *w += weight;
                *y += weight * f64::from(*one);
                yy += weight * f64::from(*two);
            }
        }
        let columns = &smooth.background.columns;
        let (mut background, mut weighed) = ([[0.0; BACKGROUND]; BACKGROUND], vec![0.0; high - low]);
        for (row, u) in background.iter_mut().zip(columns) {
            u.weigh(&w, &mut weighed);
            row.iter_mut().zip(columns).for_each(|(sum, v)| *sum = n * v.dot(&weighed));
        }
        Self { n, yy, w, y, background }
    }
}

impl Normal {
    /// Without anything.
    pub fn none() -> Self {
        Self { matrix: Matrix::zeros(), right: SVector::zeros(), chi2: 0.0, phase: 0.0, shapes: Vec::new() }
    }

    /// χ² of the best background without rings, these equations having been made with amplitude `d`: χ² is quadratic
    /// in background and amplitude.
    pub fn bare_chi2(&self, d: &[f64]) -> Option<f64> {
        let matrix = symmetric(&self.matrix);
        let d = DVector::from_row_slice(d);
        let (first, count) = (LENS + BACKGROUND, AMPLITUDE);
        let pull = self.right.rows(first, count);
        let own = matrix.view((first, first), (count, count));
        let without = self.chi2 + 2.0 * pull.dot(&d) + (own * &d).dot(&d);
        let right = self.right.rows(LENS, BACKGROUND) + matrix.view((LENS, first), (BACKGROUND, count)) * &d;
        let background = matrix.view((LENS, LENS), (BACKGROUND, BACKGROUND)).into_owned();
        Some(without - background.cholesky()?.solve(&right).dot(&right))
    }

    /// Adds the cost of second differences of coefficients that stand at `first`.
    pub fn smooth(&mut self, first: usize, coefficients: &[f64]) {
        for (at, three) in coefficients.windows(3).enumerate() {
            let bend = three[0] - 2.0 * three[1] + three[2];
            self.chi2 += STIFFNESS * bend * bend;
            for (i, u) in [1.0, -2.0, 1.0].into_iter().enumerate() {
                self.right[first + at + i] -= STIFFNESS * u * bend;
                for (k, v) in [1.0, -2.0, 1.0].into_iter().enumerate().take(i + 1) {
                    self.matrix[(first + at + i, first + at + k)] += STIFFNESS * u * v;
                }
            }
        }
    }

    /// The step that they ask for, damped; what is not free stays.
    pub fn step(&self, free: Free, damping: f64) -> Option<SVector<f64, SIZE>> {
        let mut matrix = symmetric(&self.matrix);
        hold(&mut matrix, free);
        let mut right = self.right;
        for (p, fitted) in free.of_lens().into_iter().enumerate() {
            if fitted {
                matrix[(p, p)] = matrix[(p, p)] * (1.0 + damping) + 1e-6;
            } else {
                right[p] = 0.0;
            }
        }
        Some(matrix.cholesky()?.solve(&right))
    }

    /// Variances of the lens' parameters for weights of one; what is not free has one.
    pub fn variances(&self, free: Free) -> Option<[f64; LENS]> {
        let mut held = symmetric(&self.matrix);
        hold(&mut held, free);
        let inverse = held.cholesky()?.inverse();
        Some(std::array::from_fn(|p| inverse[(p, p)].max(0.0)))
    }
}

wide! {
    /// Background and amplitude. `curves`: background less 1, and amplitude, by ring of the band; `lens`: which of the lens'
    /// parameters the sums hold.
    pub fn add_rings<'a>(
        own: &'a mut Normal,
        rings: &'a Rings,
        fixed: &'a Fixed,
        smooth: &'a Smooth,
        curves: [&'a [f64]; 2],
        lens: &'a [usize],
    ) {
        let n = fixed.w.len();
        let [level, m] = curves.map(|curve| &curve[..n]);
        let (w, y) = (&fixed.w[..n], &fixed.y[..n]);
        let (c, cc, yc) = (&rings.c[..n], &rings.cc[..n], &rings.yc[..n]);
        let [mut behind, mut over, mut chi2] = [(); 3].map(|()| vec![0.0; n]);
        for j in 0..n {
            behind[j] = y[j] - level[j] * fixed.n * w[j] + m[j] * c[j];
            over[j] = yc[j] - level[j] * c[j] + m[j] * cc[j];
            chi2[j] = level[j] * (fixed.n * w[j] * level[j] - 2.0 * y[j])
                + m[j] * (2.0 * (yc[j] - level[j] * c[j]) + m[j] * cc[j]);
        }
        own.chi2 += fixed.yy + sum(&chi2);
        let (background, amplitude) = (&smooth.background.columns, &smooth.amplitude.columns);
        for (i, u) in background.iter().enumerate() {
            let row = LENS + i;
            own.right[row] += u.dot(&behind);
            lens.iter().for_each(|&p| own.matrix[(row, p)] += u.dot(&rings.level[p]));
            (0..=i).for_each(|k| own.matrix[(row, LENS + k)] += fixed.background[i][k]);
        }
        let [with_c, with_cc] = [&mut behind, &mut chi2];
        for (i, v) in amplitude.iter().enumerate() {
            let row = LENS + BACKGROUND + i;
            own.right[row] -= v.dot(&over);
            lens.iter().for_each(|&p| own.matrix[(row, p)] -= v.dot(&rings.amplitude[p]));
            v.weigh(c, with_c);
            v.weigh(cc, with_cc);
            background.iter().enumerate().for_each(|(k, u)| own.matrix[(row, LENS + k)] -= u.dot(with_c));
            (0..=i).for_each(|k| own.matrix[(row, LENS + BACKGROUND + k)] += amplitude[k].dot(with_cc));
        }
    }
}

wide! {
    /// What a sector says of the lens alone.
    pub fn add_lens<'a>(own: &'a mut Normal, sector: &'a Sector, lens: [f64; 3]) {
        own.phase += sum(&sector.phase);
        let (pull, stiff) = (sum(&sector.pull), sum(&sector.stiff));
        let [slope_pull, slope_lens, slope] = &sector.slope;
        let with = sum(slope_lens);
        for p in 0..3 {
            own.right[p] += lens[p] * pull;
            own.matrix[(3, p)] += lens[p] * with;
            for q in 0..=p {
                own.matrix[(p, q)] += lens[p] * lens[q] * stiff;
            }
        }
        own.right[3] += sum(slope_pull);
        own.matrix[(3, 3)] += sum(slope);
    }
}

wide! {
    /// Solves for one sector's own background, which enters linearly, and takes it out of the equations (Golub & Pereyra
    /// 1973, SIAM J. Numer. Anal. 10:413): what it could explain no longer counts for the lens.
    pub fn take_out<'a>(equations: &'a mut Normal, shapes: &'a Shapes, sector: usize, own: &'a Own) {
        let inverse = &shapes.inverse[sector];
        let solved: [[f64; SIZE]; POWERS] =
            std::array::from_fn(|p| std::array::from_fn(|i| (0..POWERS).map(|q| inverse[p][q] * own.with[q][i]).sum()));
        let best: [f64; POWERS] = std::array::from_fn(|p| (0..POWERS).map(|q| inverse[p][q] * own.pull[q]).sum());
        for p in 0..POWERS {
            equations.chi2 -= own.pull[p] * best[p];
            for i in 0..SIZE {
                equations.right[i] -= own.with[p][i] * best[p];
            }
            // Columns lie in memory one after another; what is done above the diagonal is not looked at.
            for (k, right) in solved[p].iter().enumerate() {
                let mut column = equations.matrix.column_mut(k);
                (0..SIZE).for_each(|i| column[i] -= own.with[p][i] * right);
            }
        }
        equations.shapes.push(best);
    }
}

fn symmetric(lower: &Matrix) -> Matrix {
    let mut whole = *lower;
    whole.fill_upper_triangle_with_lower_triangle();
    for i in LENS..SIZE {
        whole[(i, i)] += RIDGE;
    }
    whole
}

/// Takes parameters that are not fitted out of the equations.
fn hold(matrix: &mut Matrix, free: Free) {
    for (p, _) in free.of_lens().into_iter().enumerate().filter(|(_, fitted)| !fitted) {
        matrix.row_mut(p).fill(0.0);
        matrix.column_mut(p).fill(0.0);
        matrix[(p, p)] = 1.0;
    }
}
