//! Spectra of the regions of a tile, reduced while the tile is in memory.

use crate::measure::focus::grid::{Grid, SECTORS};
use crate::numerics::periodogram::patch_starts;
use crate::numerics::tapers::{PLACE_VARIANCE, independent};

/// Regions that a tilt is cut into, all its tiles together.
const MOST_REGIONS: usize = 64;

/// The mean spectrum of the patches of one region of one tile.
#[derive(Debug, Clone, PartialEq)]
pub struct RegionMap {
    /// Place of the tile among its tilt's rows.
    pub tile: usize,
    /// Mean middle of the patches, from the middle of the tile, in pixels.
    pub middle_px: [f64; 2],
    /// Variance of the place (xx, xy, yy), within patches and among them, in pixels².
    pub spread_px2: [f64; 3],
    /// Independent patches that those of the region are worth.
    pub patches: f64,
    /// Power by cell of the [`Grid`].
    pub power: Vec<f32>,
}

/// Gathers the patches of one tile.
pub struct Collector<'a> {
    grid: &'a Grid,
    size_px: (usize, usize),
    across: usize,
    down: usize,
    regions: Vec<Region>,
    /// Independent patches over patches: those of the last row and column overlap their neighbours.
    share: f64,
}

#[derive(Clone, Default)]
struct Region {
    sums: Vec<f32>,
    patches: f64,
    middle: [f64; 2],
    square: [f64; 3],
}

impl<'a> Collector<'a> {
    /// For a tile of `size_px`, one of `tiles` of its tilt.
    pub fn new(grid: &'a Grid, size_px: (usize, usize), tiles: usize) -> Self {
        let most = (MOST_REGIONS / tiles.max(1)).max(1);
        let columns = size_px.0.div_ceil(grid.size);
        let rows = size_px.1.div_ceil(grid.size);
        let mut cut = (columns, rows);
        while cut.0 * cut.1 > most {
            if cut.0 >= cut.1 { cut.0 = cut.0.div_ceil(2) } else { cut.1 = cut.1.div_ceil(2) }
        }
        let share = |length: usize| {
            let starts = patch_starts(length, grid.size);
            independent(&starts, grid.size) / starts.len().max(1) as f64
        };
        let regions = vec![Region::default(); cut.0 * cut.1];
        Self { grid, size_px, across: cut.0, down: cut.1, regions, share: share(size_px.0) * share(size_px.1) }
    }

    /// Takes a patch by its first row and column and its power.
    pub fn add(&mut self, row: usize, column: usize, power: &[f32]) {
        let half = 0.5 * self.grid.size as f64;
        let middle = [column as f64 + half, row as f64 + half];
        let part = |at: f64, whole: usize, parts: usize| (at / whole as f64 * parts as f64) as usize;
        let x = part(middle[0], self.size_px.0, self.across).min(self.across - 1);
        let y = part(middle[1], self.size_px.1, self.down).min(self.down - 1);
        let region = &mut self.regions[y * self.across + x];
        if region.sums.is_empty() {
            region.sums = vec![0.0; self.grid.rings * SECTORS];
        }
        self.grid.add(power, &mut region.sums);
        let [x, y] = [middle[0] - 0.5 * self.size_px.0 as f64, middle[1] - 0.5 * self.size_px.1 as f64];
        region.patches += 1.0;
        region.middle = [region.middle[0] + x, region.middle[1] + y];
        region.square = [region.square[0] + x * x, region.square[1] + x * y, region.square[2] + y * y];
    }

    /// The regions that have a patch.
    pub fn finish(self, tile: usize) -> Vec<RegionMap> {
        let (grid, share) = (self.grid, self.share);
        let within = PLACE_VARIANCE * (grid.size * grid.size) as f64;
        let one = |region: Region| {
            let n = region.patches;
            let [x, y] = region.middle.map(|sum| sum / n);
            let [xx, xy, yy] = region.square.map(|sum| sum / n);
            let norm = |n_cell: f64| (n_cell * n).max(1e-300).recip();
            let power = region.sums.iter().zip(&grid.counts).map(|(sum, c)| (f64::from(*sum) * norm(*c)) as f32);
            RegionMap {
                tile,
                middle_px: [x, y],
                spread_px2: [(xx - x * x).max(0.0) + within, xy - x * y, (yy - y * y).max(0.0) + within],
                patches: n * share,
                power: power.collect(),
            }
        };
        self.regions.into_iter().filter(|region| region.patches > 0.0).map(one).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn regions_keep_their_places_and_numbers() {
        let grid = Grid::new(64);
        let mut collector = Collector::new(&grid, (128, 64), 1);
        let flat = vec![0.5; 33 * 64];
        collector.add(0, 0, &flat);
        collector.add(0, 64, &flat);
        let maps = collector.finish(2);
        assert_eq!(
            maps.iter().map(|map| (map.tile, map.middle_px)).collect::<Vec<_>>(),
            [(2, [-32.0, 0.0]), (2, [32.0, 0.0])]
        );
        assert!(maps[0].power.iter().zip(&grid.counts).all(|(p, n)| *n == 0.0 || (p - 0.5).abs() < 1e-6));
    }

    #[test]
    fn a_large_montage_has_one_region_a_tile() {
        let grid = Grid::new(64);
        assert_eq!(Collector::new(&grid, (640, 640), 100).regions.len(), 1);
        assert_eq!(Collector::new(&grid, (640, 640), 1).regions.len(), 50);
    }
}
