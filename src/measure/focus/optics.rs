//! The rings' phase at every cell of the grid.
//!
//! sin²χ = ½(1 - cos Φ) with Φ = 2χ = a Δf + b, a = 2πλg², b = 2 asin A - πλ³Cs g⁴. The rings that a patch shows are
//! weaker than cos Φ by three factors: underfocus that varies by σ within it (exp(-½a²σ²)), its tapers, whose
//! autocorrelation is taken at the rings' own period (the image's delocalisation over the patch), and the width of a
//! ring of the grid (sinc).

use crate::measure::focus::grid::{Grid, SECTORS};
use crate::measure::focus::smooth::Smooth;
use crate::numerics::tapers::autocorrelation;
use crate::physics::contrast::Lens;
use std::f64::consts::{PI, TAU};

/// Lowest frequency used, in cycles a pixel and in steps of the patch: under it structures and the plane's removal rule.
const LOWEST: f64 = 0.02;
const LOWEST_STEPS: f64 = 5.0;
/// Highest frequency used, in cycles a pixel.
const HIGHEST: f64 = 0.48;
const TABLE: usize = 1024;

/// What of the microscope and the patches the fit hangs on.
#[derive(Debug, Clone)]
pub struct Optics {
    /// The lens.
    pub lens: Lens,
    /// Pixel size.
    pub pixel_nm: f64,
    /// The grid.
    pub grid: Grid,
    /// First and one past the last ring used.
    pub band: (usize, usize),
    /// a of each ring in radians a µm, sectors averaged.
    pub ring_a: Vec<f64>,
    /// b of each ring in radians.
    pub ring_b: Vec<f64>,
    /// a of each cell.
    pub cell_a: Vec<f64>,
    /// b of each cell.
    pub cell_b: Vec<f64>,
    /// Frequency of each ring in cycles a pixel.
    pub frequency: Vec<f64>,
    /// The smooth curves of the fit.
    pub smooth: Smooth,
    /// Loss by window and ring width at a lag of 0 to 1 patch.
    loss: Vec<f64>,
}

impl Optics {
    /// For a lens, a pixel size and a patch size.
    pub fn new(lens: Lens, pixel_nm: f64, size: usize) -> Self {
        let grid = Grid::new(size);
        let rings = grid.rings;
        let phase = |square: f64| {
            let g2 = square / (pixel_nm * pixel_nm);
            let lambda = lens.wavelength_nm;
            let b = 2.0 * lens.amplitude_phase_rad - PI * lambda.powi(3) * lens.cs_nm * g2 * g2;
            (TAU * lambda * g2 * 1e3, b)
        };
        let squares: Vec<f64> = (0..rings).map(|ring| mean_square(&grid, ring)).collect();
        let (ring_a, ring_b) = squares.iter().map(|&square| phase(square)).unzip();
        let (cell_a, cell_b) = grid.squares.iter().map(|&square| phase(square)).unzip();
        let low = (LOWEST * size as f64).max(LOWEST_STEPS).ceil() as usize;
        let high = ((HIGHEST * size as f64) as usize).min(rings);
        let loss = (0..=TABLE).map(|i| loss(i as f64 / TABLE as f64)).collect();
        let frequency: Vec<f64> = squares.iter().map(|square| square.sqrt()).collect();
        let smooth = Smooth::new(&frequency, (low, high));
        Self { lens, pixel_nm, grid, band: (low, high), ring_a, ring_b, cell_a, cell_b, frequency, smooth, loss }
    }

    /// Spatial frequency of a ring in 1/nm.
    pub fn per_nm(&self, ring: usize) -> f64 {
        self.frequency[ring] / self.pixel_nm
    }

    /// What is left of the rings' amplitude at a ring, with underfocus `defocus_um` that varies by `variance_um2`.
    pub fn kept(&self, ring: usize, defocus_um: f64, variance_um2: f64) -> f64 {
        self.resolved(ring, defocus_um) * self.blurred(ring, variance_um2)
    }

    /// What underfocus that varies leaves of it.
    pub fn blurred(&self, ring: usize, variance_um2: f64) -> f64 {
        let a = self.ring_a[ring];
        (-0.5 * a * a * variance_um2).exp()
    }

    /// What the patch resolves of it.
    pub fn resolved(&self, ring: usize, defocus_um: f64) -> f64 {
        let lambda = self.lens.wavelength_nm;
        let g = self.per_nm(ring);
        let lag_nm = 2.0 * lambda * g * (defocus_um * 1e3 - lambda * lambda * g * g * self.lens.cs_nm);
        let lag = lag_nm.abs() / (self.pixel_nm * self.grid.size as f64) * TABLE as f64;
        if lag >= TABLE as f64 {
            return 0.0;
        }
        let (at, part) = (lag as usize, lag.fract());
        self.loss[at] * (1.0 - part) + self.loss[at + 1] * part
    }

    /// Least underfocus that puts two minima into the band.
    pub fn least_defocus_um(&self) -> f64 {
        let top = self.band.1 - 1;
        (4.0 * PI - self.ring_b[top]) / self.ring_a[top]
    }

    /// The cell of a sector and a ring.
    pub fn cell(&self, sector: usize, ring: usize) -> usize {
        sector * self.grid.rings + ring
    }
}

fn mean_square(grid: &Grid, ring: usize) -> f64 {
    let cells = (0..SECTORS).map(|sector| sector * grid.rings + ring);
    let (sum, n) =
        cells.fold((0.0, 0.0), |(s, n), cell| (s + grid.squares[cell] * grid.counts[cell], n + grid.counts[cell]));
    if n > 0.0 { sum / n } else { ((ring as f64 + 0.5) / grid.size as f64).powi(2) }
}

/// What the tapers keep at a lag of s patches, times the mean of a wave over one frequency step.
fn loss(s: f64) -> f64 {
    let window = autocorrelation(s).max(0.0);
    if s == 0.0 { 1.0 } else { window * (PI * s).sin() / (PI * s) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn optics() -> Optics {
        Optics::new(Lens::new(300.0, 2.7, 0.07), 0.36, 512)
    }

    #[test]
    fn phases_are_twice_those_of_contrast_transfer() {
        let optics = optics();
        for ring in [20, 100, 240] {
            let g2 = optics.per_nm(ring).powi(2);
            let twice = 2.0 * optics.lens.chi_rad(g2, 2.5);
            assert!((optics.ring_a[ring] * 2.5 + optics.ring_b[ring] - twice).abs() < 1e-9);
        }
    }

    /// Zeros of the transfer of 300 kV, 2.7 mm, 2 µm, 7 % of amplitude contrast, by root-finding (scipy, mpmath).
    #[test]
    fn the_phase_makes_full_turns_at_the_zeros_of_the_transfer() {
        let zeros_per_angstrom = [0.04984641, 0.07091792, 0.08704849, 0.10064265, 0.11262272];
        let lens = Lens::new(300.0, 2.7, 0.07);
        for (n, g) in zeros_per_angstrom.into_iter().enumerate() {
            let g2 = f64::powi(10.0 * g, 2);
            // One ring of a grid whose mean square is that of the zero.
            let turn = 2.0 * lens.chi_rad(g2, 2.0) / TAU;
            assert!((turn - (n + 1) as f64).abs() < 1e-5, "{n}: {turn}");
            let optics = Optics::new(lens, 0.36, 512);
            let near = (0..255)
                .min_by(|&i, &j| (optics.per_nm(i) - 10.0 * g).abs().total_cmp(&(optics.per_nm(j) - 10.0 * g).abs()));
            let ring = near.unwrap();
            let shift = optics.ring_a[ring] * 2.0 + optics.ring_b[ring] - TAU * (n + 1) as f64;
            let expected = (optics.per_nm(ring) - 10.0 * g) * 2.0 * TAU * lens.wavelength_nm * 10.0 * g * 2e3;
            assert!((shift - expected).abs() < 0.05, "{n}: {shift} is not {expected}");
        }
    }

    #[test]
    fn rings_finer_than_a_patch_resolves_are_gone() {
        let optics = optics();
        assert!(optics.kept(30, 1.0, 0.0) > 0.9);
        assert!(optics.kept(240, 30.0, 0.0) < 0.05);
        assert!(optics.kept(240, 1.0, 0.04) < optics.kept(240, 1.0, 0.0));
    }
}
