//! What the cells of one sector give to the equations of the fit, ring by ring and many rings at a time.

use crate::measure::focus::sums::{Sums, turn, turn_two};
use crate::numerics::sine::sin_cos;
use crate::numerics::wide::wide;

/// What is known of the cells of one sector; all slices run over the rings of the band.
pub struct Known<'a> {
    /// Weight of a cell for one patch.
    pub w: &'a [f64],
    /// Phase of the cell's rings, a radian a µm and radians; and that of the whole ring.
    pub a: [&'a [f64]; 2],
    /// The same at no underfocus.
    pub b: [&'a [f64]; 2],
    /// Σn(y - 1) and Σn(y - 1)².
    pub levels: [&'a [f32]; 2],
    /// Number of the first cell in the sums by cell.
    pub cell: usize,
    /// Background less 1, and amplitude.
    pub curves: [&'a [f64]; 2],
}

/// Underfocus of a sector beyond that at which the sums were made, and the latter.
#[derive(Debug, Clone, Copy)]
pub struct Turn {
    /// Beyond.
    pub um: f64,
    /// At which.
    pub base_um: f64,
}

/// Sums over the maps of what the cells give, weighted; C and S: cosine and sine of the rings' phase with what is kept of
/// their amplitude, m the amplitude.
#[derive(Default)]
pub struct Sector {
    /// Weights.
    pub w: Vec<f64>,
    /// y less 1.
    pub y: Vec<f64>,
    /// C.
    pub c: Vec<f64>,
    /// CC.
    pub cc: Vec<f64>,
    /// yC.
    pub yc: Vec<f64>,
    /// χ² but for what the ring's background and amplitude alone give.
    pub chi2: Vec<f64>,
    /// m²·a·SS: what a radian of phase does.
    pub phase: Vec<f64>,
    /// m·a·(yS - level·S + m·CS): the pull on underfocus.
    pub pull: Vec<f64>,
    /// m²·a²·SS.
    pub stiff: Vec<f64>,
    /// m·a·S: what underfocus has to do with the background.
    pub level: Vec<f64>,
    /// m·a·CS: what it has to do with the amplitude.
    pub amplitude: Vec<f64>,
    /// y less the fit.
    pub rest: Vec<f64>,
    /// Where the gradient is fitted: its pull, what it has to do with background and amplitude, with underfocus, and itself.
    pub slope: [Vec<f64>; 5],
}

impl Sector {
    /// For so many rings.
    pub fn new(rings: usize, sloped: bool) -> Self {
        let none = || vec![0.0; rings];
        let slope = [(); 5].map(|()| vec![0.0; if sloped { rings } else { 0 }]);
        let (y, c, cc, yc) = (none(), none(), none(), none());
        let (chi2, phase, pull, stiff, level) = (none(), none(), none(), none(), none());
        Self { w: none(), y, c, cc, yc, chi2, phase, pull, stiff, level, amplitude: none(), rest: none(), slope }
    }

    /// Computes all of it from sums over the maps of the rings `band`, turned.
    pub fn fill(&mut self, known: &Known<'_>, sums: &Sums, band: (usize, usize), turn: Turn) {
        plain(self, known, sums, band, turn);
        if sums.is_sloped() {
            sloped(self, known, sums, band, turn);
        }
    }
}

wide! {
    /// Correlation of the cells with the rings at a turn: Σ w m (yC - level C). `products` is scratch.
    pub fn correlation<'a>(
        known: &'a Known<'a>,
        sums: &'a Sums,
        band: (usize, usize),
        by: Turn,
        products: &'a mut [f64],
    ) -> f64 {
        let (low, high) = band;
        let n = high - low;
        let ([level, amplitude], w) = (known.curves.map(|v| &v[..n]), &known.w[..n]);
        let [c0, s0] = [0, 1].map(|k| &sums.one[k][low..high]);
        let [yc0, ys0] = [0, 1].map(|k| &sums.wave[k][known.cell..known.cell + n]);
        let known = &Known { a: known.a.map(|v| &v[..n]), b: known.b.map(|v| &v[..n]), ..*known };
        let products = &mut products[..n];
        for j in 0..n {
            let by = angle(known, j, by);
            let [c, _] = turn([c0[j], s0[j]], by);
            let [yc, _] = turn([f64::from(yc0[j]), f64::from(ys0[j])], by);
            products[j] = w[j] * amplitude[j] * (yc - level[j] * c);
        }
        sum(products)
    }
}

/// Sine and cosine of what is to be turned.
#[inline(always)]
fn angle(known: &Known<'_>, j: usize, by: Turn) -> (f64, f64) {
    let ([a, ring_a], [b, ring_b]) = (known.a, known.b);
    let (sine, cosine) = sin_cos(a[j] * by.um + (a[j] - ring_a[j]) * by.base_um + b[j] - ring_b[j]);
    (cosine, sine)
}

wide! {
    fn plain<'a>(own: &'a mut Sector, known: &'a Known<'a>, sums: &'a Sums, band: (usize, usize), by: Turn) {
        let (low, high) = band;
        let n = high - low;
        // Slices of one length let the compiler leave out every check.
        let (w, a) = (&known.w[..n], &known.a[0][..n]);
        let ([ones, squares], [level, amplitude]) = (known.levels.map(|v| &v[..n]), known.curves.map(|v| &v[..n]));
        let [c0, s0] = [0, 1].map(|k| &sums.one[k][low..high]);
        let [cc0, cs0, ss0] = [0, 1, 2].map(|k| &sums.two[k][low..high]);
        let [yc0, ys0] = [0, 1].map(|k| &sums.wave[k][known.cell..known.cell + n]);
        let known = &Known { a: known.a.map(|v| &v[..n]), b: known.b.map(|v| &v[..n]), ..*known };
        let Sector {
            w: weights,
            y: ys_out,
            c,
            cc,
            yc,
            chi2,
            phase,
            pull,
            stiff,
            level: with_level,
            amplitude: with,
            rest,
            ..
        } = own;
        let (weights, ys_out, c, cc, yc) =
            (&mut weights[..n], &mut ys_out[..n], &mut c[..n], &mut cc[..n], &mut yc[..n]);
        let (chi2, phase, pull, stiff) = (&mut chi2[..n], &mut phase[..n], &mut pull[..n], &mut stiff[..n]);
        let (with_level, with, rest) = (&mut with_level[..n], &mut with[..n], &mut rest[..n]);
        for j in 0..n {
            let by = angle(known, j, by);
            let [c1, s1] = turn([c0[j], s0[j]], by);
            let [c2, cs, ss] = turn_two([cc0[j], cs0[j], ss0[j]], by);
            let [yc1, ys1] = turn([f64::from(yc0[j]), f64::from(ys0[j])], by);
            let (y, yy) = (f64::from(ones[j]), f64::from(squares[j]));
            let (m, over, wa) = (amplitude[j], level[j], w[j] * a[j]);
            weights[j] = w[j];
            ys_out[j] = w[j] * y;
            c[j] = w[j] * c1;
            cc[j] = w[j] * c2;
            yc[j] = w[j] * yc1;
            chi2[j] = w[j] * (yy - 2.0 * over * y + 2.0 * m * yc1);
            phase[j] = m * m * wa * ss;
            pull[j] = m * wa * (ys1 - over * s1 + m * cs);
            stiff[j] = m * m * wa * a[j] * ss;
            with_level[j] = m * wa * s1;
            with[j] = m * wa * cs;
            rest[j] = w[j] * (y - over * sums.n + m * c1);
        }
    }
}

wide! {
    fn sloped<'a>(own: &'a mut Sector, known: &'a Known<'a>, sums: &'a Sums, band: (usize, usize), by: Turn) {
        let (low, high) = band;
        let [pull, with_level, with_amplitude, with_lens, stiff] = &mut own.slope;
        for j in 0..high - low {
            let (ring, cell) = (low + j, known.cell + j);
            let by = angle(known, j, by);
            let [_, s1] = turn([0, 1].map(|k| sums.e_one[k][ring]), by);
            let [_, cs, ss] = turn_two([0, 1, 2].map(|k| sums.e_two[k][ring]), by);
            let [_, _, ss_ee] = turn_two([0, 1, 2].map(|k| sums.ee_two[k][ring]), by);
            let [_, ys] = turn([0, 1].map(|k| f64::from(sums.tilted[k][cell])), by);
            let (m, wa) = (known.curves[1][j], known.w[j] * known.a[0][j]);
            pull[j] = m * wa * (ys - known.curves[0][j] * s1 + m * cs);
            with_level[j] = m * wa * s1;
            with_amplitude[j] = m * wa * cs;
            with_lens[j] = m * m * wa * known.a[0][j] * ss;
            stiff[j] = m * m * wa * known.a[0][j] * ss_ee;
        }
    }
}

/// Σ over a slice, in lanes.
#[inline(always)]
pub fn sum(values: &[f64]) -> f64 {
    let (fours, rest) = values.as_chunks::<4>();
    let mut lanes = [0.0f64; 4];
    for four in fours {
        lanes.iter_mut().zip(four).for_each(|(lane, value)| *lane += value);
    }
    lanes.iter().sum::<f64>() + rest.iter().sum::<f64>()
}

/// Σ of products.
#[inline(always)]
pub fn dot((a, b): (&[f64], &[f64])) -> f64 {
    let ((a4, a), (b4, b)) = (a.as_chunks::<4>(), b.as_chunks::<4>());
    let mut lanes = [0.0f64; 4];
    for (a, b) in a4.iter().zip(b4) {
        (0..4).for_each(|lane| lanes[lane] += a[lane] * b[lane]);
    }
    lanes.iter().sum::<f64>() + a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>()
}
