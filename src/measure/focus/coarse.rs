//! Search of underfocus over its whole range, all maps together.
//!
//! The correlation of each map with rings of every underfocus on a grid is found once; a gradient over the picture
//! then only says which of a map's values belongs to which underfocus at the middle. The grid is so fine that the
//! rings' phase never changes by more than `STEP_RAD` from one point to the next at the highest frequency used.

use crate::measure::focus::flat::Flat;
use crate::measure::focus::optics::Optics;
use crate::measure::focus::sums::{Place, Trial};
use crate::numerics::wide::wide;

/// Largest underfocus searched at the middle of the picture.
pub const MOST_UM: f64 = 13.0;
/// The grid reaches further, for the maps at the borders.
const REACH_UM: [f64; 2] = [-3.0, 17.0];
const STEP_RAD: f64 = 0.8;
const MOST_POINTS: usize = 1600;
/// Points of the grid that are correlated at a time.
const BLOCK: usize = 16;
/// A peak under this share of the best one is none to be fitted.
const NEAR_THE_BEST: f64 = 0.6;
/// Frequencies (cycles a pixel) over which the two envelopes that are tried fall to 1/e: rings may end early.
const ENVELOPES: [f64; 2] = [0.5, 0.16];

/// Cosines of the rings' phase on the grid.
#[derive(Debug, Clone)]
pub struct Table {
    low_um: f64,
    step_um: f64,
    points: usize,
    /// One past the last ring that the grid is fine enough for.
    top: usize,
    first: usize,
    cosines: Vec<f32>,
}

impl Table {
    /// For an optics.
    pub fn new(optics: &Optics) -> Self {
        let (first, high) = optics.band;
        let finest = (REACH_UM[1] - REACH_UM[0]) / MOST_POINTS as f64;
        let top =
            (first + 1..=high).rev().find(|&top| optics.ring_a[top - 1] * finest <= STEP_RAD).unwrap_or(first + 1);
        let step_um = STEP_RAD / optics.ring_a[top - 1].max(1e-9);
        let points = (((REACH_UM[1] - REACH_UM[0]) / step_um) as usize + 2).min(MOST_POINTS + 2);
        let mut cosines = Vec::with_capacity(points * (top - first));
        for point in 0..points {
            let defocus = REACH_UM[0] + step_um * point as f64;
            cosines.extend((first..top).map(|ring| (optics.ring_a[ring] * defocus + optics.ring_b[ring]).cos() as f32));
        }
        Self { low_um: REACH_UM[0], step_um, points, top, first, cosines }
    }

    /// Underfocus of a point.
    pub fn at(&self, point: usize) -> f64 {
        self.low_um + self.step_um * point as f64
    }

    /// The rings that the grid is fine enough for.
    pub fn rings(&self) -> std::ops::Range<usize> {
        self.first..self.top
    }

    /// Points of underfocuses from 0 to the largest that is searched.
    pub fn searched(&self) -> std::ops::Range<usize> {
        let point = |um: f64| ((um - self.low_um) / self.step_um) as usize;
        point(0.0)..point(MOST_UM).min(self.points)
    }

    /// How often the rings' phase turns by half at the highest frequency over that range.
    pub fn half_turns(&self) -> f64 {
        self.searched().len() as f64 * STEP_RAD / std::f64::consts::PI
    }

    /// Correlation of signals (one value a ring of the grid) with rings at each point.
    pub fn correlate(&self, signals: &[Vec<f32>]) -> Vec<Vec<f32>> {
        let width = self.top - self.first;
        let signals: Vec<&[f32]> = signals.iter().map(|signal| &signal[self.first..self.top]).collect();
        let mut found = vec![vec![0.0; self.points]; signals.len()];
        // A few points at a time with all signals: the table is larger than a processor's cache.
        for (block, cosines) in self.cosines.chunks(BLOCK * width).enumerate() {
            for (found, signal) in found.iter_mut().zip(&signals) {
                dots(&mut found[block * BLOCK..], cosines, signal);
            }
        }
        found
    }
}

wide! {
    fn dots<'a>(found: &'a mut [f32], cosines: &'a [f32], signal: &'a [f32]) {
        for (found, cosines) in found.iter_mut().zip(cosines.chunks_exact(signal.len())) {
            *found = -dot(cosines, signal);
        }
    }
}

#[inline(always)]
fn dot(a: &[f32], b: &[f32]) -> f32 {
    let (a8, a_rest) = a.as_chunks::<8>();
    let (b8, b_rest) = b.as_chunks::<8>();
    let mut lanes = [0.0f32; 8];
    for (a, b) in a8.iter().zip(b8) {
        for lane in 0..8 {
            lanes[lane] += a[lane] * b[lane];
        }
    }
    lanes.iter().sum::<f32>() + a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum::<f32>()
}

/// Correlations of every map, for each envelope.
pub struct Correlations<'a> {
    table: &'a Table,
    least_um: f64,
    /// By envelope, by map.
    maps: Vec<Vec<Vec<f32>>>,
}

impl<'a> Correlations<'a> {
    /// Of maps whose sectors are one.
    pub fn of(round: &Flat, optics: &Optics, table: &'a Table) -> Self {
        let tapers =
            ENVELOPES.map(|end| optics.frequency.iter().map(|f| (-(f / end).powi(2)).exp()).collect::<Vec<f64>>());
        let signal = |(taper, (y, n)): (&Vec<f64>, (&Vec<f32>, &f64))| {
            let rings = y.iter().zip(&round.w).zip(taper);
            rings.map(|((y, w), taper)| (n * w * taper * (f64::from(*y) - 1.0)) as f32).collect()
        };
        let maps = || round.y.iter().zip(&round.n);
        let signals: Vec<Vec<f32>> =
            tapers.iter().flat_map(|taper| maps().map(move |map| (taper, map))).map(signal).collect();
        let mut found = table.correlate(&signals);
        let narrow = found.split_off(round.y.len());
        let maps = vec![found, narrow];
        Self { table, least_um: 0.8 * optics.least_defocus_um(), maps }
    }

    /// Of the widest envelope.
    pub fn widest(&self) -> &[Vec<f32>] {
        &self.maps[0]
    }

    /// The highest correlation under a gradient, whichever envelope gives it, each in terms of its own scatter.
    pub fn peak(&self, places: &[Place], slope: f64) -> f64 {
        let of = |maps: &Vec<Vec<f32>>| {
            let scores = scores(self.table, maps, places, slope);
            let used: Vec<f64> = self.table.searched().filter_map(|point| scores.get(point).copied()).collect();
            let norm: f64 = maps.iter().flatten().map(|value| f64::from(*value).powi(2)).sum::<f64>();
            used.iter().copied().fold(0.0, f64::max) / norm.sqrt().max(1e-300)
        };
        self.maps.iter().map(of).fold(0.0, f64::max)
    }

    /// The best underfocuses at the middle under a gradient, at most `most` for each envelope.
    pub fn best(&self, places: &[Place], slope: f64, most: usize) -> Vec<f64> {
        let mut found = Vec::new();
        for maps in &self.maps {
            let scores = scores(self.table, maps, places, slope);
            let mut peaks: Vec<(f64, f64)> = (1..scores.len().saturating_sub(1))
                .filter(|&p| scores[p] > scores[p - 1] && scores[p] >= scores[p + 1])
                .map(|p| (scores[p], self.table.at(p)))
                .filter(|(_, um)| *um >= self.least_um && *um <= MOST_UM)
                .collect();
            peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
            let least = peaks.first().map_or(0.0, |(score, _)| NEAR_THE_BEST * score);
            peaks.retain(|(score, _)| *score >= least);
            found.extend(peaks.into_iter().take(most).map(|(_, um)| um));
        }
        found.sort_by(f64::total_cmp);
        found.dedup_by(|a, b| (*a - *b).abs() < 0.6 * self.table.step_um);
        found
    }
}

wide! {
    /// Adds what lies between each value and the next.
    fn add_between<'a>(scores: &'a mut [f64], map: &'a [f32], part: f64) {
        for ((score, here), next) in scores.iter_mut().zip(map).zip(&map[1..]) {
            *score += f64::from(*here) * (1.0 - part) + f64::from(*next) * part;
        }
    }
}

/// Sum over the maps at each underfocus of the middle.
pub fn scores(table: &Table, maps: &[Vec<f32>], places: &[Place], slope: f64) -> Vec<f64> {
    let mut scores = vec![0.0f64; table.points];
    for (map, place) in maps.iter().zip(places) {
        let shift = Trial { defocus_um: 0.0, slope }.of(place) / table.step_um;
        let (whole, part) = (shift.floor() as isize, shift - shift.floor());
        // Where the map is looked at from its point `skip` on, and the scores from `first` on.
        let (first, skip) = ((-whole).max(0) as usize, whole.max(0) as usize);
        if first < scores.len() && skip + 1 < map.len() {
            add_between(&mut scores[first..], &map[skip..], part);
        }
    }
    scores
}
