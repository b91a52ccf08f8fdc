//! The compact form of a patch's spectrum: means over rings one frequency step wide and twelve sectors of azimuth.
//!
//! Frequencies on the axes are left out: the lines that a camera's rows and columns leave lie there.

/// Sectors of azimuth from 0 to 180°, the first centred on 0°.
pub const SECTORS: usize = 12;
/// Frequencies this near an axis (in steps) are left out.
const AXIS: usize = 1;

/// Where each frequency of a half-plane spectrum belongs; made once a patch size. Cells run sector by sector.
#[derive(Debug, Clone)]
pub struct Grid {
    /// Side of a patch in pixels.
    pub size: usize,
    /// Rings.
    pub rings: usize,
    /// Frequencies in each cell.
    pub counts: Vec<f64>,
    /// Mean of the square of the frequency in each cell, in (cycles a pixel)².
    pub squares: Vec<f64>,
    /// Places of the frequencies of each cell in a half-plane spectrum, cell by cell, and where each cell begins.
    places: Vec<u32>,
    begins: Vec<u32>,
}

impl Grid {
    /// The grid of a patch size.
    pub fn new(size: usize) -> Self {
        let rings = size / 2;
        let half = size / 2 + 1;
        let mut found: Vec<(usize, usize)> = Vec::new();
        let mut counts = vec![0.0; rings * SECTORS];
        let mut squares = vec![0.0; rings * SECTORS];
        for x in AXIS + 1..half - 1 {
            for y in 0..size {
                let signed = if y > size / 2 { y as f64 - size as f64 } else { y as f64 };
                let (fx, fy) = (x as f64 / size as f64, signed / size as f64);
                let ring = (fx.hypot(fy) * size as f64) as usize;
                if signed.abs() <= AXIS as f64 || ring >= rings {
                    continue;
                }
                let turn = (fy.atan2(fx) / std::f64::consts::PI * SECTORS as f64 + 0.5).floor();
                let cell = turn.rem_euclid(SECTORS as f64) as usize % SECTORS * rings + ring;
                found.push((cell, x * size + y));
                counts[cell] += 1.0;
                squares[cell] += fx * fx + fy * fy;
            }
        }
        squares.iter_mut().zip(&counts).for_each(|(square, n)| *square /= f64::max(*n, 1.0));
        found.sort_unstable();
        let begins = (0..=counts.len()).map(|cell| found.partition_point(|(at, _)| *at < cell) as u32).collect();
        let places = found.into_iter().map(|(_, place)| place as u32).collect();
        Self { size, rings, counts, squares, places, begins }
    }

    /// Azimuth of the middle of a sector.
    pub fn azimuth_rad(sector: usize) -> f64 {
        std::f64::consts::PI * sector as f64 / SECTORS as f64
    }

    /// Adds a half-plane power spectrum to sums over cells. Each cell's frequencies are gone through at a stretch: adding
    /// up in the order of the spectrum would wait for the sum of the cell at every step.
    pub fn add(&self, power: &[f32], sums: &mut [f32]) {
        for (sum, ends) in sums.iter_mut().zip(self.begins.windows(2)) {
            let (fours, rest) = self.places[ends[0] as usize..ends[1] as usize].as_chunks::<4>();
            let mut lanes = [0.0f32; 4];
            for four in fours {
                lanes.iter_mut().zip(four).for_each(|(lane, &place)| *lane += power[place as usize]);
            }
            let rest: f32 = rest.iter().map(|&place| power[place as usize]).sum();
            *sum += lanes.iter().sum::<f32>() + rest;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_frequency_off_the_axes_lies_in_one_cell() {
        let grid = Grid::new(64);
        let inside = (2..32).flat_map(|x| (-31i32..=32).map(move |y| (x, y)));
        let inside = inside.filter(|&(x, y)| y.abs() > 1 && f64::from(x).hypot(f64::from(y)) < 32.0).count();
        assert_eq!(grid.counts.iter().sum::<f64>(), inside as f64);
        let mut sums = vec![0.0; 32 * SECTORS];
        grid.add(&vec![1.0; 33 * 64], &mut sums);
        assert!(sums.iter().zip(&grid.counts).all(|(sum, n)| (f64::from(*sum) - n).abs() < 1e-4 * n.max(1.0)));
    }

    #[test]
    fn a_sector_holds_its_azimuth() {
        let grid = Grid::new(64);
        // (20, 20) lies at 45°, which is sector 3 of 15° each, on ring 28.
        let mut spectrum = vec![0.0; 33 * 64];
        spectrum[20 * 64 + 20] = 1.0;
        let mut sums = vec![0.0; 32 * SECTORS];
        grid.add(&spectrum, &mut sums);
        assert_eq!(sums.iter().position(|&sum| sum > 0.0), Some(3 * 32 + 28));
    }
}
