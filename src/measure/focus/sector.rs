//! What the cells of one sector give to the equations of the fit, many rings at a time.

use crate::measure::focus::sums::{Sums, turn, turn_two};
use crate::numerics::sine::sin_cos;
use crate::numerics::wide::wide;

/// Rings that are computed at a time.
const BLOCK: usize = 64;

/// What is known of the cells of one sector; all slices run over the rings of the band.
pub struct Known<'a> {
    /// Weight of a cell for one patch.
    pub w: &'a [f64],
    /// Phase of the cell's rings, a radian a µm and radians; and that of the whole ring.
    pub a: [&'a [f64]; 2],
    /// The same at no underfocus.
    pub b: [&'a [f64]; 2],
    /// Number of the first cell in the sums by cell.
    pub cell: usize,
    /// Background less 1, and amplitude.
    pub curves: [&'a [f64]; 2],
    /// What underfocus and both components of astigmatism do to the sector's underfocus.
    pub lens: [f64; 3],
}

/// Underfocus of a sector beyond that at which the sums were made, and the latter.
#[derive(Debug, Clone, Copy)]
pub struct Turn {
    /// Beyond.
    pub um: f64,
    /// At which.
    pub base_um: f64,
}

/// Sums over the maps of what the cells of a sector give, weighted; C and S: cosine and sine of the rings' phase with what
/// is kept of their amplitude, m the amplitude.
pub struct Sector {
    /// C.
    pub c: Vec<f64>,
    /// m·a·S: what underfocus has to do with the background.
    pub level: Vec<f64>,
    /// m²·a·SS: what a radian of phase does.
    pub phase: Vec<f64>,
    /// m·a·(yS - level·S + m·CS): the pull on underfocus.
    pub pull: Vec<f64>,
    /// m²·a²·SS.
    pub stiff: Vec<f64>,
    /// Where the gradient is fitted: its pull, what it has to do with underfocus, and itself.
    pub slope: [Vec<f64>; 3],
}

/// Sums of the same over all sectors, by ring.
pub struct Rings {
    /// C.
    pub c: Vec<f64>,
    /// CC.
    pub cc: Vec<f64>,
    /// yC.
    pub yc: Vec<f64>,
    /// m·a·S, times what each of the lens' parameters does to the sector; the gradient's last.
    pub level: [Vec<f64>; 4],
    /// m·a·CS, likewise.
    pub amplitude: [Vec<f64>; 4],
}

impl Sector {
    /// For so many rings.
    pub fn new(rings: usize, sloped: bool) -> Self {
        let none = || vec![0.0; rings];
        let slope = [(); 3].map(|()| vec![0.0; if sloped { rings } else { 0 }]);
        Self { c: none(), level: none(), phase: none(), pull: none(), stiff: none(), slope }
    }

    /// Computes all of it from sums over the maps of the rings `band`, turned, and adds it to the rings.
    pub fn add_to(&mut self, rings: &mut Rings, known: &Known<'_>, sums: &Sums, band: (usize, usize), by: Turn) {
        plain(self, rings, known, sums, band, by);
        if sums.is_sloped() {
            sloped(self, rings, known, sums, band, by);
        }
    }
}

impl Rings {
    /// For so many rings.
    pub fn new(rings: usize) -> Self {
        let none = || vec![0.0; rings];
        let lens = || [(); 4].map(|()| none());
        Self { c: none(), cc: none(), yc: none(), level: lens(), amplitude: lens() }
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
    fn plain<'a>(
        own: &'a mut Sector,
        rings: &'a mut Rings,
        known: &'a Known<'a>,
        sums: &'a Sums,
        band: (usize, usize),
        by: Turn,
    ) {
        let (low, high) = band;
        // What is computed goes into arrays of its own first: where the compiler must ask whether one of two dozen slices
        // lies on another, it computes ring by ring.
        for first in (low..high).step_by(BLOCK) {
            let block = first..(first + BLOCK).min(high);
            let (cells, n) = (first - low..block.end - low, block.len());
            let (w, a) = (&known.w[cells.clone()][..n], &known.a[0][cells.clone()][..n]);
            let [level, amplitude] = known.curves.map(|v| &v[cells.clone()][..n]);
            let [c0, s0] = [0, 1].map(|k| &sums.one[k][block.clone()][..n]);
            let [cc0, cs0, ss0] = [0, 1, 2].map(|k| &sums.two[k][block.clone()][..n]);
            let (ahead, lens) = (known.cell + first - low, known.lens);
            let [yc0, ys0] = [0, 1].map(|k| &sums.wave[k][ahead..ahead + n]);
            let [of_a, of_b] = [known.a, known.b].map(|of| of.map(|v| &v[cells.clone()][..n]));
            let known = &Known { a: of_a, b: of_b, ..*known };
            let (mut c, mut s, mut phase, mut pull) = ([0.0; BLOCK], [0.0; BLOCK], [0.0; BLOCK], [0.0; BLOCK]);
            let (mut stiff, mut cc, mut yc, mut cs) = ([0.0; BLOCK], [0.0; BLOCK], [0.0; BLOCK], [0.0; BLOCK]);
            for j in 0..n {
                let by = angle(known, j, by);
                let [c1, s1] = turn([c0[j], s0[j]], by);
                let [cc1, cs1, ss1] = turn_two([cc0[j], cs0[j], ss0[j]], by);
                let [yc1, ys1] = turn([f64::from(yc0[j]), f64::from(ys0[j])], by);
                let (m, over) = (amplitude[j], level[j]);
                let ma = m * w[j] * a[j];
                c[j] = w[j] * c1;
                cc[j] = w[j] * cc1;
                yc[j] = w[j] * yc1;
                s[j] = ma * s1;
                cs[j] = ma * cs1;
                phase[j] = m * ma * ss1;
                stiff[j] = a[j] * m * ma * ss1;
                pull[j] = ma * (ys1 - over * s1 + m * cs1);
            }
            for (sums, block) in [
                (&mut own.c, &c),
                (&mut own.level, &s),
                (&mut own.phase, &phase),
                (&mut own.pull, &pull),
                (&mut own.stiff, &stiff),
            ] {
                sums[cells.clone()].copy_from_slice(&block[..n]);
            }
            for (sums, block) in [(&mut rings.c, &c), (&mut rings.cc, &cc), (&mut rings.yc, &yc)] {
                add_times(&mut sums[cells.clone()], &block[..n], 1.0);
            }
            for (p, lens) in lens.into_iter().enumerate() {
                add_times(&mut rings.level[p][cells.clone()], &s[..n], lens);
                add_times(&mut rings.amplitude[p][cells.clone()], &cs[..n], lens);
            }
        }
    }
}

#[inline(always)]
fn add_times(sums: &mut [f64], values: &[f64], times: f64) {
    sums.iter_mut().zip(values).for_each(|(sum, value)| *sum += times * value);
}

wide! {
    fn sloped<'a>(
        own: &'a mut Sector,
        rings: &'a mut Rings,
        known: &'a Known<'a>,
        sums: &'a Sums,
        band: (usize, usize),
        by: Turn,
    ) {
        let (low, high) = band;
        let [pull, with_lens, stiff] = &mut own.slope;
        for j in 0..high - low {
            let (ring, cell) = (low + j, known.cell + j);
            let by = angle(known, j, by);
            let [_, s1] = turn([0, 1].map(|k| sums.e_one[k][ring]), by);
            let [_, cs, ss] = turn_two([0, 1, 2].map(|k| sums.e_two[k][ring]), by);
            let [_, _, ss_ee] = turn_two([0, 1, 2].map(|k| sums.ee_two[k][ring]), by);
            let [_, ys] = turn([0, 1].map(|k| f64::from(sums.tilted[k][cell])), by);
            let (m, wa) = (known.curves[1][j], known.w[j] * known.a[0][j]);
            pull[j] = m * wa * (ys - known.curves[0][j] * s1 + m * cs);
            with_lens[j] = m * m * wa * known.a[0][j] * ss;
            stiff[j] = m * m * wa * known.a[0][j] * ss_ee;
            rings.level[3][j] += m * wa * s1;
            rings.amplitude[3][j] += m * wa * cs;
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
