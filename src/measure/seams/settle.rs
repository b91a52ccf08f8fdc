//! A tilt's seams put together: all tiles placed, and what the placement leaves of each patch.

use crate::measure::seams::find::Found;
use crate::measure::seams::plan::Pair;
use crate::measured::Measured;
use crate::numerics::placement::{self, Link};

/// No seam is trusted beyond this: what a placement weighs is more than counting noise.
const LEAST_SD_PX: f64 = 0.05;
/// Fewer patches tell no bend, nor does a smaller share of those that were looked at: where the rest of it is not seen, a
/// bend looks smaller than it is.
const FEWEST_PATCHES: usize = 3;
const LEAST_SEEN: f64 = 0.6;

/// The placed tiles of a tilt.
#[derive(Debug, Clone, PartialEq)]
pub struct Settled {
    /// Place of each tile (by its slot) against column 0, row 0; `None` where no chain of seams leads there.
    pub places_px: Vec<Option<[f64; 2]>>,
    /// The seams, in the order of the pairs.
    pub seams: Vec<SeamFigures>,
}

/// A seam with its figures.
#[derive(Debug, Clone, PartialEq)]
pub struct SeamFigures {
    /// The pair.
    pub pair: Pair,
    /// What was found.
    pub found: Measured<Found>,
    /// Found difference of places less the nominal one.
    pub offset_px: Option<[f64; 2]>,
    /// What the placement leaves of each patch.
    pub residuals_px: Vec<[f64; 2]>,
    /// What the seam's own shift leaves of each patch.
    pub distortions_px: Vec<[f64; 2]>,
}

/// Places the tiles of a tilt (`tiles` of them). `first` is the slot of column 0, row 0 with no place of its own; where
/// that tile is not there, any other with its nominal place against it.
pub fn settle(pairs: Vec<(Pair, Measured<Found>)>, tiles: usize, first: Option<(usize, [f64; 2])>) -> Settled {
    let link = |(pair, found): &(Pair, Measured<Found>)| {
        let found = found.as_ref().ok()?;
        let weight = found.sd_px.map(|sd| 1.0 / (sd * sd + LEAST_SD_PX * LEAST_SD_PX));
        Some(Link { from: pair.from, to: pair.to, difference: found.difference_px, weight })
    };
    let links: Vec<Link> = pairs.iter().filter_map(link).collect();
    let places_px = match first {
        Some((first, [x0, y0])) => placement::place(tiles, &links, first)
            .into_iter()
            .map(|place| place.map(|[x, y]| [x + x0, y + y0]))
            .collect(),
        None => vec![None; tiles],
    };
    let seams = pairs.into_iter().map(|(pair, found)| figures(pair, found, &places_px)).collect();
    Settled { places_px, seams }
}

impl Settled {
    /// Places of the tiles in the assembled picture: found ones, laid so that their middle deviation from the nominal
    /// ones is none; nominal ones for tiles without.
    pub fn assembled_px(&self, nominal_px: &[[f64; 2]]) -> Vec<[f64; 2]> {
        let middle = |k: usize| {
            let off = |(found, nominal): (&Option<[f64; 2]>, &[f64; 2])| found.map(|found| nominal[k] - found[k]);
            let mut off: Vec<f64> = self.places_px.iter().zip(nominal_px).filter_map(off).collect();
            off.sort_by(f64::total_cmp);
            match off.len() {
                0 => 0.0,
                n => 0.5 * (off[(n - 1) / 2] + off[n / 2]),
            }
        };
        let laid = [middle(0), middle(1)];
        let one = |(found, nominal): (&Option<[f64; 2]>, &[f64; 2])| {
            found.map_or(*nominal, |found| [found[0] + laid[0], found[1] + laid[1]])
        };
        self.places_px.iter().zip(nominal_px).map(one).collect()
    }
}

fn figures(pair: Pair, found: Measured<Found>, places_px: &[Option<[f64; 2]>]) -> SeamFigures {
    let minus = |a: [f64; 2], b: [f64; 2]| [a[0] - b[0], a[1] - b[1]];
    let Ok(seam) = &found else {
        return SeamFigures { pair, found, offset_px: None, residuals_px: Vec::new(), distortions_px: Vec::new() };
    };
    let offset_px = Some(minus(seam.difference_px, pair.nominal_px));
    let placed = places_px[pair.from].zip(places_px[pair.to]).map(|(from, to)| minus(to, from));
    let patches = || seam.patches.iter().map(|patch| patch.difference_px);
    // A seam whose patches are mostly too weak alone still has its shift as a whole.
    let residuals_px = match placed {
        Some(placed) if !shows_bend(seam) => vec![minus(seam.difference_px, placed)],
        Some(placed) => patches().map(|patch| minus(patch, placed)).collect(),
        None => Vec::new(),
    };
    let distortions_px = patches().map(|patch| minus(patch, seam.difference_px)).collect();
    SeamFigures { pair, found, offset_px, residuals_px, distortions_px }
}

/// Whether enough of a seam's patches are known to tell a bend.
fn shows_bend(seam: &Found) -> bool {
    seam.patches.len() >= FEWEST_PATCHES && seam.patches.len() as f64 >= LEAST_SEEN * seam.looked as f64
}

impl SeamFigures {
    /// Root mean square of the distortions, what counting noise makes of them taken off; `None` with too few patches to
    /// tell a bend.
    pub fn distortion_px(&self) -> Option<f64> {
        let power = rms(&self.distortions_px)?.powi(2);
        let found = self.found.as_ref().ok()?;
        let patches = &found.patches;
        if !shows_bend(found) {
            return None;
        }
        let noise: f64 = patches.iter().map(|patch| patch.sd_px.iter().map(|sd| sd * sd).sum::<f64>()).sum();
        Some((power - noise / patches.len() as f64).max(0.0).sqrt())
    }
}

/// √(mean of x² + y²); `None` without a vector.
pub fn rms(vectors: &[[f64; 2]]) -> Option<f64> {
    let sum: f64 = vectors.iter().map(|[x, y]| x * x + y * y).sum();
    (!vectors.is_empty()).then(|| (sum / vectors.len() as f64).sqrt())
}

/// The longest; `None` without a vector.
pub fn longest(vectors: &[[f64; 2]]) -> Option<f64> {
    vectors.iter().map(|[x, y]| x.hypot(*y)).reduce(f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seam(from: usize, to: usize, difference_px: [f64; 2]) -> (Pair, Measured<Found>) {
        let pair = Pair {
            from,
            to,
            along_x: true,
            nominal_px: [0.0, 200.0],
            whole_px: [0, 200],
            overlap_px: 40,
            reach_px: 22,
        };
        let found = Found {
            difference_px,
            sd_px: [0.02; 2],
            correlation: 0.9,
            intensity_ratio: Some(1.0),
            patches: Vec::new(),
            looked: 0,
        };
        (pair, Ok(found))
    }

    #[test]
    fn tiles_are_placed_without_the_first_one() {
        // The tiles of rows 1 and 2 alone: row 1 lies at its nominal place, row 2 where it was found against it.
        let settled = settle(vec![seam(0, 1, [1.5, 203.0])], 2, Some((0, [0.0, 200.0])));
        assert_eq!(settled.places_px[0], Some([0.0, 200.0]));
        let [x, y] = settled.places_px[1].unwrap();
        assert!((x - 1.5).abs() < 1e-9 && (y - 403.0).abs() < 1e-9);
        assert_eq!(settled.seams[0].offset_px, Some([1.5, 3.0]));
    }
}
