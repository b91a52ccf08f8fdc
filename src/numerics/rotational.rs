//! Averages of a half-plane spectrum over rings and over sectors of bands, by exact frequencies.

use crate::numerics::periodogram::PowerSpectrum;

/// Where each frequency of a spectrum of one size belongs; made once a size.
#[derive(Debug, Clone)]
pub struct PolarMap {
    size: usize,
    rings: Vec<u16>,
    cells: Vec<u16>,
    ring_count: usize,
    cell_count: usize,
}

/// Means of a spectrum, with the number of frequencies (both halves of the plane) behind each.
#[derive(Debug, Clone, PartialEq)]
pub struct PolarMeans {
    /// Mean power of each ring; `None` where no frequency falls.
    pub rings: Vec<Option<f64>>,
    /// Mean power of each cell, band by band, sector by sector.
    pub cells: Vec<Option<f64>>,
    /// Frequencies in each cell.
    pub cell_frequencies: Vec<f64>,
}

const NOWHERE: u16 = u16::MAX;

impl PolarMap {
    /// Rings and bands by their edges in cycles a pixel (ascending; a band holds its lower edge), `sectors` equal
    /// sectors of azimuth from 0 to 180°, the azimuth being that of (fx, fy), fy towards later rows; the first
    /// sector is centred on 0°.
    pub fn new(size: usize, ring_edges: &[f64], band_edges: &[f64], sectors: usize) -> Self {
        let half = size / 2 + 1;
        let mut rings = vec![NOWHERE; half * size];
        let mut cells = vec![NOWHERE; half * size];
        for x in 0..half {
            for y in 0..size {
                let fy = (if y > size / 2 { y as f64 - size as f64 } else { y as f64 }) / size as f64;
                let fx = x as f64 / size as f64;
                let frequency = fx.hypot(fy);
                if let Some(ring) = bin(frequency, ring_edges) {
                    rings[x * size + y] = ring as u16;
                }
                if let Some(band) = bin(frequency, band_edges) {
                    let turn = fy.atan2(fx) / std::f64::consts::PI * sectors as f64 + 0.5;
                    let sector = (turn.floor().rem_euclid(sectors as f64)) as usize % sectors;
                    cells[x * size + y] = (band * sectors + sector) as u16;
                }
            }
        }
        let bins = |edges: &[f64]| edges.len().saturating_sub(1);
        Self { size, rings, cells, ring_count: bins(ring_edges), cell_count: bins(band_edges) * sectors }
    }

    /// Averages a spectrum of this map's size.
    pub fn average(&self, spectrum: &PowerSpectrum) -> PolarMeans {
        let mut rings = vec![(0.0, 0.0); self.ring_count];
        let mut cells = vec![(0.0, 0.0); self.cell_count];
        for x in 0..=self.size / 2 {
            // Inner columns stand for their mirror image too.
            let weight = if x == 0 || x == self.size / 2 { 1.0 } else { 2.0 };
            let column = x * self.size..(x + 1) * self.size;
            let places = self.rings[column.clone()].iter().zip(&self.cells[column.clone()]);
            for ((&ring, &cell), &power) in places.zip(&spectrum.power[column]) {
                let power = f64::from(power) * weight;
                if let Some((sum, n)) = rings.get_mut(usize::from(ring)) {
                    *sum += power;
                    *n += weight;
                }
                if let Some((sum, n)) = cells.get_mut(usize::from(cell)) {
                    *sum += power;
                    *n += weight;
                }
            }
        }
        let means = |sums: &[(f64, f64)]| sums.iter().map(|&(sum, n)| (n > 0.0).then(|| sum / n)).collect();
        PolarMeans {
            rings: means(&rings),
            cells: means(&cells),
            cell_frequencies: cells.iter().map(|&(_, n)| n).collect(),
        }
    }
}

fn bin(value: f64, edges: &[f64]) -> Option<usize> {
    let above = edges.partition_point(|&edge| edge <= value);
    (above > 0 && above < edges.len()).then(|| above - 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spectrum(power: impl Fn(f64, f64) -> f32) -> PowerSpectrum {
        let size = 64usize;
        let frequency = |y: usize| (if y > size / 2 { y as f64 - size as f64 } else { y as f64 }) / size as f64;
        let values = (0..=size / 2).flat_map(|x| (0..size).map(move |y| (x, y)));
        let power = values.map(|(x, y)| power(x as f64 / size as f64, frequency(y))).collect();
        PowerSpectrum { size, power, patches: 1 }
    }

    #[test]
    fn a_round_spectrum_gives_its_profile() {
        let map = PolarMap::new(64, &[0.1, 0.2, 0.3], &[0.1, 0.3], 6);
        let means = map.average(&spectrum(|fx, fy| if fx.hypot(fy) < 0.2 { 3.0 } else { 5.0 }));
        assert_eq!(means.rings, [Some(3.0), Some(5.0)]);
    }

    #[test]
    fn a_sector_is_found_at_its_azimuth() {
        let map = PolarMap::new(64, &[0.1, 0.4], &[0.1, 0.4], 6);
        // Power only within 15° of azimuth 60°, towards later rows and higher columns, and its mirror image.
        let lit = |fx: f64, fy: f64| {
            let azimuth = fy.atan2(fx).to_degrees().rem_euclid(180.0);
            if (azimuth - 60.0).abs() < 14.9 { 1.0 } else { 0.0 }
        };
        let means = map.average(&spectrum(lit));
        let bright: Vec<bool> = means.cells.iter().map(|cell| cell.unwrap() > 0.9).collect();
        assert_eq!(bright, [false, false, true, false, false, false]);
    }

    #[test]
    fn all_frequencies_of_the_plane_are_counted() {
        let map = PolarMap::new(64, &[0.0, 1.0], &[0.0, 1.0], 1);
        assert_eq!(map.average(&spectrum(|_, _| 1.0)).cell_frequencies, [4096.0]);
    }

    #[test]
    fn a_ring_finer_than_the_grid_is_empty() {
        let map = PolarMap::new(64, &[0.1001, 0.1002, 0.2], &[], 1);
        assert_eq!(map.average(&spectrum(|_, _| 1.0)).rings, [None, Some(1.0)]);
    }
}
