//! Normal equations of the fit, and steps from them.

use crate::measure::focus::refine::{AMPLITUDE, BACKGROUND, Free, LENS, SIZE};
use crate::measure::focus::sector::{Sector, sum};
use crate::measure::focus::shapes::{Own, POWERS, Shapes};
use crate::numerics::spline::Basis;
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

/// Sums of the rings over their sectors.
pub struct Rings {
    w: Vec<f64>,
    y: Vec<f64>,
    c: Vec<f64>,
    cc: Vec<f64>,
    yc: Vec<f64>,
    /// Of lens and background, of lens and amplitude together.
    level: [Vec<f64>; LENS],
    amplitude: [Vec<f64>; LENS],
}

impl Rings {
    /// For so many rings.
    pub fn new(rings: usize) -> Self {
        let none = || vec![0.0; rings];
        let lens = || [(); LENS].map(|()| vec![0.0; rings]);
        Self { w: none(), y: none(), c: none(), cc: none(), yc: none(), level: lens(), amplitude: lens() }
    }
}

wide! {
    /// Adds a sector; `lens`: what underfocus and both components of astigmatism do to it.
    pub fn add_sector<'a>(own: &'a mut Rings, sector: &'a Sector, lens: [f64; 3]) {
        let plain = [&mut own.w, &mut own.y, &mut own.c, &mut own.cc, &mut own.yc];
        for (sums, values) in plain.into_iter().zip([&sector.w, &sector.y, &sector.c, &sector.cc, &sector.yc]) {
            for (sum, value) in sums.iter_mut().zip(values) {
                *sum += value;
            }
        }
        for (p, lens) in lens.into_iter().enumerate() {
            for (sums, values) in [(&mut own.level[p], &sector.level), (&mut own.amplitude[p], &sector.amplitude)] {
                for (sum, value) in sums.iter_mut().zip(values) {
                    *sum += lens * value;
                }
            }
        }
        let [_, level, amplitude, ..] = &sector.slope;
        for (sums, values) in [(&mut own.level[3], level), (&mut own.amplitude[3], amplitude)] {
            for (sum, value) in sums.iter_mut().zip(values) {
                *sum += value;
            }
        }
    }
}

impl Normal {
    /// Without anything.
    pub fn none() -> Self {
        Self { matrix: Matrix::zeros(), right: SVector::zeros(), chi2: 0.0, phase: 0.0, shapes: Vec::new() }
    }

    /// Background and amplitude of one ring.
    pub fn add_ring(
        &mut self,
        rings: &Rings,
        at: usize,
        (level, m, n): (f64, f64, f64),
        background: &Basis,
        amplitude: &Basis,
    ) {
        let (w, y, c, cc, yc) = (rings.w[at], rings.y[at], rings.c[at], rings.cc[at], rings.yc[at]);
        self.chi2 += n * w * level * level - 2.0 * level * m * c + m * m * cc;
        for (i, u) in background.values.iter().enumerate() {
            let row = LENS + background.first + i;
            self.right[row] += u * (y - level * n * w + m * c);
            for p in 0..LENS {
                self.matrix[(row, p)] += u * rings.level[p][at];
            }
            for (k, v) in background.values.iter().enumerate().take(i + 1) {
                self.matrix[(row, LENS + background.first + k)] += n * w * u * v;
            }
        }
        for (i, u) in amplitude.values.iter().enumerate() {
            let row = LENS + BACKGROUND + amplitude.first + i;
            self.right[row] -= u * (yc - level * c + m * cc);
            for p in 0..LENS {
                self.matrix[(row, p)] -= u * rings.amplitude[p][at];
            }
            for (k, v) in background.values.iter().enumerate() {
                self.matrix[(row, LENS + background.first + k)] -= u * v * c;
            }
            for (k, v) in amplitude.values.iter().enumerate().take(i + 1) {
                self.matrix[(row, LENS + BACKGROUND + amplitude.first + k)] += u * v * cc;
            }
        }
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
    /// What a sector says of the lens alone.
    pub fn add_lens<'a>(own: &'a mut Normal, sector: &'a Sector, lens: [f64; 3]) {
        own.chi2 += sum(&sector.chi2);
        own.phase += sum(&sector.phase);
        let (pull, stiff) = (sum(&sector.pull), sum(&sector.stiff));
        let [slope_pull, _, _, slope_lens, slope] = &sector.slope;
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
