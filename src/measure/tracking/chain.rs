//! The chain of links: from the tilt nearest zero outward, each tilt by its neighbour on the way there, or over it
//! where that one is dark or blurred.

use crate::measure::tracking::kept::Kept;
use crate::measure::tracking::link::{Linker, Moved, View, apply, stretch};
use rayon::prelude::*;

/// No link reaches over more than this.
const LONGEST_LINK_DEG: f64 = 10.0;
/// Of the tilts nearest zero, so many are tried as the start.
const STARTS: usize = 3;

/// A tilt as tracking sees it; tilts stand in ascending angle.
pub struct Seen<'a> {
    /// Angle.
    pub tilt_deg: f64,
    /// 0-based order of acquisition.
    pub order: usize,
    /// Its picture; `None` where it could not be read or shows nothing.
    pub picture: Option<&'a Kept>,
}

/// Where a tilt's field lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Of the start's centre feature, from the middle of the picture, in pixels of the kept picture.
    pub px: [f64; 2],
    /// Of the link that found it; 1 for the start.
    pub correlation: f64,
    /// One standard deviation of the link, in pixels of the kept picture.
    pub sd: f64,
}

/// A chain.
#[derive(Debug, Clone, PartialEq)]
pub struct Chain {
    /// Index of the start.
    pub start: usize,
    /// By tilt.
    pub places: Vec<Option<Place>>,
}

/// Chains all tilts; `across` is the perpendicular direction, where known. `None` where no tilt has a picture.
pub fn chain(tilts: &[Seen<'_>], across: Option<[f64; 2]>) -> Option<Chain> {
    let mut starts: Vec<usize> = (0..tilts.len()).filter(|&at| tilts[at].picture.is_some()).collect();
    starts.sort_by(|&a, &b| {
        let (x, y) = (tilts[a].tilt_deg.abs(), tilts[b].tilt_deg.abs());
        if (x - y).abs() < 1e-6 { tilts[a].order.cmp(&tilts[b].order) } else { x.total_cmp(&y) }
    });
    let with_picture = starts.len();
    let first = tilts.get(*starts.first()?)?.picture?;
    let links = Links::new(tilts, across, Linker::new(first.rows, first.cols));
    let mut best: Option<Chain> = None;
    for &start in starts.iter().take(STARTS) {
        let chain = links.from_start(start);
        let count = |chain: &Chain| chain.places.iter().flatten().count();
        if best.as_ref().is_none_or(|best| count(&chain) > count(best)) {
            best = Some(chain);
        }
        // A start that most tilts can be followed from is no bad tilt itself.
        if best.as_ref().is_some_and(|best| 2 * count(best) > with_picture) {
            break;
        }
    }
    best
}

/// Links between tilts. Those of neighbours are made at once, side by side: where the middle of the one lies in the
/// other does not hang on the chain.
struct Links<'a> {
    tilts: &'a [Seen<'a>],
    across: Option<[f64; 2]>,
    linker: Linker,
    /// By the index of the lower tilt: (that tilt, its next with a picture), seen outward from zero.
    neighbours: Vec<Option<Moved>>,
    next: Vec<Option<usize>>,
}

impl<'a> Links<'a> {
    fn new(tilts: &'a [Seen<'a>], across: Option<[f64; 2]>, linker: Linker) -> Self {
        let next = |at: usize| {
            tilts[at].picture?;
            (at + 1..tilts.len()).find(|&other| tilts[other].picture.is_some())
        };
        let next: Vec<Option<usize>> = (0..tilts.len()).map(next).collect();
        let mut links = Self { tilts, across, linker, neighbours: Vec::new(), next };
        links.neighbours = (0..tilts.len())
            .into_par_iter()
            .map(|at| {
                let other = links.next[at]?;
                let (inner, outer) = links.outward(at, other);
                links.make(inner, outer)
            })
            .collect();
        links
    }

    /// The two tilts, the one nearer zero first.
    fn outward(&self, a: usize, b: usize) -> (usize, usize) {
        if self.tilts[a].tilt_deg.abs() <= self.tilts[b].tilt_deg.abs() { (a, b) } else { (b, a) }
    }

    fn view(&self, at: usize) -> View {
        View { across: self.across, tilt_deg: self.tilts[at].tilt_deg }
    }

    /// Where the middle of the inner tilt's picture lies in the outer one's.
    fn make(&self, inner: usize, outer: usize) -> Option<Moved> {
        let (a, b) = (self.tilts[inner].picture?.image(), self.tilts[outer].picture?.image());
        self.linker.link(&self.linker.reference(&a), &b, (self.view(inner), self.view(outer)))
    }

    /// A feature's place at `to` from its place at `from`, by the link between them.
    fn carry(&self, from: usize, to: usize, place: Place) -> Option<Place> {
        let (inner, outer) = self.outward(from, to);
        let low = from.min(to);
        let moved = if self.next[low] == Some(from.max(to)) { self.neighbours[low] } else { self.make(inner, outer) }?;
        let forward = stretch(self.view(inner), self.view(outer));
        let px = if inner == from {
            let carried = apply(forward, place.px);
            [moved.place[0] + carried[0], moved.place[1] + carried[1]]
        } else {
            let away = [place.px[0] - moved.place[0], place.px[1] - moved.place[1]];
            apply(stretch(self.view(outer), self.view(inner)), away)
        };
        Some(Place { px, correlation: moved.correlation, sd: moved.sd })
    }

    fn from_start(&self, start: usize) -> Chain {
        let mut places: Vec<Option<Place>> = vec![None; self.tilts.len()];
        places[start] = Some(Place { px: [0.0; 2], correlation: 1.0, sd: 0.0 });
        let up: Vec<usize> = (start + 1..self.tilts.len()).collect();
        let down: Vec<usize> = (0..start).rev().collect();
        for side in [up, down] {
            // The tilts already placed on the way out, the nearest last.
            let mut behind = vec![start];
            for at in side {
                places[at] = self.place(&places, &behind, at);
                if places[at].is_some() {
                    behind.push(at);
                }
            }
        }
        Chain { start, places }
    }

    /// A tilt's place by the nearest placed neighbour that it can be linked to.
    fn place(&self, places: &[Option<Place>], behind: &[usize], at: usize) -> Option<Place> {
        self.tilts[at].picture?;
        for (tried, &other) in behind.iter().rev().enumerate() {
            // Over a gap wider than any link, the nearest is tried all the same.
            if tried > 0 && (self.tilts[other].tilt_deg - self.tilts[at].tilt_deg).abs() > LONGEST_LINK_DEG {
                break;
            }
            if let Some(place) = places[other].and_then(|known| self.carry(other, at, known)) {
                return Some(place);
            }
        }
        None
    }
}
