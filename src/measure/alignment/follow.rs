//! A place of the specimen followed from tilt to tilt.
//!
//! From the tilt nearest zero outward, each next picture is searched about where the track is expected (the chain of
//! tracking, the height that the track has shown so far, and where it was last) for what the last pictures showed there. A
//! peak that could be chance is none; a tilt that shows none is bridged; a track that has seen nothing for too long ends. The
//! search reaches no further than heights can have moved the place since, so that nothing that merely looks alike is taken up.

use crate::measure::alignment::model::directions;
use crate::measure::alignment::round::round;
use crate::measure::tracking::link::{View, apply, sample, stretch};
use crate::numerics::registration::image::Image;
use crate::numerics::registration::spectral::{Band, Bench, Peak};
use rustfft::num_complex::Complex32;
use std::collections::VecDeque;

/// How a kind of place is followed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Manner {
    /// Side of the patch, in pixels of the kept picture.
    pub side: usize,
    /// Frequencies that count.
    pub band: Band,
    /// Whether the place shrinks across the axis as the stage tilts: texture does, a ball does not.
    pub shrinks: bool,
    /// So many of the last pictures make the pattern, and so many to either side in a second look.
    pub memory: usize,
}

/// A tilt as it is followed through.
pub struct Through<'a> {
    /// Angle.
    pub tilt_deg: f64,
    /// Its picture.
    pub image: Option<&'a Image>,
    /// Where tracking finds the centre feature, from the middle, in pixels of the kept picture.
    pub place: Option<[f64; 2]>,
}

/// Where a place was seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// Index of the tilt.
    pub tilt: usize,
    /// From the middle of the picture, in pixels of the kept picture.
    pub at: [f64; 2],
    /// Covariance (xx, xy, yy) by noise alone, in pixels² of the kept picture.
    pub covariance: [f64; 3],
}

/// A patch is believed from so many standard deviations of chance on: of the some fifty independent displacements in reach,
/// one comes so high in some hundred patches.
const BELIEVED: f64 = 4.0;
/// No search reaches further than this share of the side.
const REACH: f64 = 0.34;
/// The middle of a patch lies inside the picture by this share of its side.
const INSIDE: f64 = 0.4;
/// Patches fade over this share of each side.
pub const TAPER: f64 = 0.3;
/// A track ends where it has not been seen for more than this, and for more than so many tilts.
const BRIDGED_DEG: f64 = 10.0;
const BRIDGED_TILTS: usize = 2;
/// Heights are unknown by this at first, in pixels of the kept picture; each sight halves what is left of it, but for this.
const FIRST_HEIGHT_PX: f64 = 100.0;
const LEAST_HEIGHT_PX: f64 = 4.0;
/// A place moves against the chain by this much from tilt to tilt whatever its height.
const LEAST_REACH_PX: f64 = 2.5;
/// Once the shift is taken off, no more than this is left.
const REST_PX: usize = 2;
/// A patch cut no further than this beside the place is as good as one cut there: what its edges show differs too little.
const AS_GOOD_PX: f64 = 1.0;
/// A second look reaches so far about the place that the model expects.
const AGAIN_PX: usize = 4;
/// No patch knows its place better than this: it is no point.
const LEAST_SD_PX: f64 = 0.12;

/// The follower of one series in one manner.
pub struct Follower<'a> {
    bench: Bench,
    manner: Manner,
    axis_deg: f64,
    tilts: &'a [Through<'a>],
}

/// What a track knows on its way outward.
struct Way {
    pattern: VecDeque<Vec<Complex32>>,
    /// sin t of the tilt from which it is followed.
    first: f64,
    /// How much a height of 1 moves the place, and offset across, of each later sight.
    seen: Vec<(f64, f64)>,
    /// sin t, offset across less that of the height, offset along, of the last sight.
    last: (f64, f64, f64),
    last_deg: f64,
    missed: usize,
}

impl<'a> Follower<'a> {
    /// For pictures whose axis is at `axis_deg`.
    pub fn new(manner: Manner, axis_deg: f64, tilts: &'a [Through<'a>]) -> Self {
        let bench = Bench::new(manner.side, manner.side, &[manner.band], TAPER);
        Self { bench, manner, axis_deg, tilts }
    }

    /// How a step in the patch looks in the picture of a tilt.
    fn view(&self, tilt: usize) -> [[f64; 2]; 2] {
        let across = self.manner.shrinks.then(|| directions(self.axis_deg.to_radians()).0);
        let view = |tilt_deg| View { across, tilt_deg };
        stretch(view(0.0), view(self.tilts[tilt].tilt_deg))
    }

    /// The patch about a place of a tilt's picture; `None` where the picture does not hold it.
    fn cut(&self, tilt: usize, at: [f64; 2]) -> Option<Vec<Complex32>> {
        let image = self.tilts[tilt].image?;
        let half = [image.cols, image.rows].map(|n| 0.5 * n as f64);
        let view = self.view(tilt);
        let side = self.manner.side;
        let held = (0..2).all(|k| at[k].abs() + INSIDE * side as f64 * view[k][k] <= half[k]);
        held.then(|| self.bench.spectrum(&sample(image, (side, side), at, view)))
    }

    /// Follows the place seen at `at` (from the middle, in pixels) in the picture of the tilt `from`; in order of tilts.
    pub fn follow(&self, at: [f64; 2], from: usize) -> Vec<Found> {
        let Some((first, place)) = self.cut(from, at).zip(self.tilts[from].place) else { return Vec::new() };
        let (p, q) = directions(self.axis_deg.to_radians());
        let off = [at[0] - place[0], at[1] - place[1]];
        let cosine = self.tilts[from].tilt_deg.to_radians().cos();
        let uv = [(p[0] * off[0] + p[1] * off[1]) / cosine, q[0] * off[0] + q[1] * off[1]];
        let sd = LEAST_SD_PX * LEAST_SD_PX;
        let mut found = vec![Found { tilt: from, at, covariance: [sd, 0.0, sd] }];
        let outward: [Vec<usize>; 2] = [(0..from).rev().collect(), (from + 1..self.tilts.len()).collect()];
        for tilts in outward {
            let mut way = self.way(first.clone(), from);
            for tilt in tilts {
                match self.next(&mut way, uv, tilt) {
                    Step::Seen(one) => found.push(one),
                    Step::Missed => {}
                    Step::Ended => break,
                }
            }
        }
        found.sort_by_key(|one| one.tilt);
        found
    }

    /// Looks once more at a track whose place at every tilt is expected (`None`: not there) and that was `seen` at some:
    /// each tilt's patch against the mean of those about it, itself left out, all cut where they are expected. So no error
    /// is carried from tilt to tilt. A particle's mean is made round.
    pub fn again(&self, expected: &[Option<[f64; 2]>], seen: &[bool]) -> Vec<Found> {
        let cut = |tilt: usize| expected[tilt].and_then(|at| self.cut(tilt, at));
        let patches: Vec<Option<Vec<Complex32>>> = (0..self.tilts.len()).map(cut).collect();
        let pattern = |tilt: usize| {
            let mut near: Vec<usize> =
                (0..patches.len()).filter(|&other| other != tilt && seen[other] && patches[other].is_some()).collect();
            let apart = |other: &usize| (self.tilts[*other].tilt_deg - self.tilts[tilt].tilt_deg).abs();
            near.sort_by(|a, b| apart(a).total_cmp(&apart(b)));
            near.truncate(2 * self.manner.memory);
            near.retain(|other| !self.manner.shrinks || apart(other) <= BRIDGED_DEG);
            let mut of = near.into_iter().filter_map(|other| patches[other].as_ref());
            let mut sum = of.next()?.clone();
            of.for_each(|other| sum.iter_mut().zip(other).for_each(|(sum, value)| *sum += value));
            Some(if self.manner.shrinks { sum } else { self.round(&sum) })
        };
        let found = |tilt: usize| {
            let (at, patch) = (expected[tilt]?, patches[tilt].as_ref()?);
            let peak = self.believed(&pattern(tilt)?, patch, AGAIN_PX)?;
            let view = self.view(tilt);
            let [x, y] = apply(view, [-peak.x, -peak.y]);
            Some(Found { tilt, at: [at[0] + x, at[1] + y], covariance: covariance(peak.information, view) })
        };
        (0..self.tilts.len()).filter_map(found).collect()
    }

    /// A particle's pattern made round about the middle of the patch.
    fn round(&self, pattern: &[Complex32]) -> Vec<Complex32> {
        let middle = 0.5 * (self.manner.side as f64 - 1.0);
        let about_the_first = self.bench.moved(pattern, [-middle; 2]);
        self.bench.moved(&round(&about_the_first, self.manner.side), [middle; 2])
    }

    fn way(&self, first: Vec<Complex32>, from: usize) -> Way {
        let last_deg = self.tilts[from].tilt_deg;
        let sine = last_deg.to_radians().sin();
        Way {
            pattern: VecDeque::from([first]),
            first: sine,
            seen: Vec::new(),
            last: (sine, 0.0, 0.0),
            last_deg,
            missed: 0,
        }
    }

    fn next(&self, way: &mut Way, uv: [f64; 2], tilt: usize) -> Step {
        let through = &self.tilts[tilt];
        let (Some(place), Some(_)) = (through.place, through.image) else { return Step::Missed };
        let (sine, cosine) = through.tilt_deg.to_radians().sin_cos();
        let (p, q) = directions(self.axis_deg.to_radians());
        let height = way.height();
        let rise = way.rise(sine, cosine);
        let across = uv[0] * cosine + height * rise + way.last.1;
        let along = uv[1] + way.last.2;
        let expected: [f64; 2] = std::array::from_fn(|k| place[k] + p[k] * across + q[k] * along);
        let seen = self.seek(way, tilt, expected, self.reach(way, sine, cosine));
        let Some((at, peak, spectrum)) = seen else {
            way.missed += 1;
            let lost = way.missed > BRIDGED_TILTS && (through.tilt_deg - way.last_deg).abs() > BRIDGED_DEG;
            return if lost { Step::Ended } else { Step::Missed };
        };
        let off = [at[0] - place[0], at[1] - place[1]];
        let off_across = p[0] * off[0] + p[1] * off[1] - uv[0] * cosine;
        way.seen.push((rise, off_across));
        let height = way.height();
        way.last = (sine, off_across - height * rise, q[0] * off[0] + q[1] * off[1] - uv[1]);
        (way.last_deg, way.missed) = (through.tilt_deg, 0);
        way.pattern.push_back(spectrum);
        if way.pattern.len() > self.manner.memory {
            way.pattern.pop_front();
        }
        Step::Seen(Found { tilt, at, covariance: covariance(peak.information, self.view(tilt)) })
    }

    /// In pixels of the patch.
    fn reach(&self, way: &Way, sine: f64, cosine: f64) -> usize {
        let unsure = (FIRST_HEIGHT_PX / (1.0 + way.seen.len() as f64)).max(LEAST_HEIGHT_PX);
        let px = LEAST_REACH_PX + unsure * (sine - way.last.0).abs();
        let shrunk = if self.manner.shrinks { cosine.max(0.2) } else { 1.0 };
        ((px / shrunk).min(REACH * self.manner.side as f64)).ceil() as usize + 1
    }

    /// Finds the pattern about a place: where, how surely, and the patch there.
    fn seek(
        &self,
        way: &Way,
        tilt: usize,
        expected: [f64; 2],
        reach: usize,
    ) -> Option<([f64; 2], Peak, Vec<Complex32>)> {
        let pattern = way.mean();
        let view = self.view(tilt);
        let moved = |at: [f64; 2], peak: &Peak| {
            // b(x) = a(x + d): what lies in the middle of the one lies at -d in the other.
            let [x, y] = apply(view, [-peak.x, -peak.y]);
            [at[0] + x, at[1] + y]
        };
        let patch = self.cut(tilt, expected)?;
        let first = self.believed(&pattern, &patch, reach)?;
        let at = moved(expected, &first);
        if first.x.hypot(first.y) < AS_GOOD_PX {
            let patch = self.bench.moved(&patch, [first.x, first.y]);
            return Some((at, first, patch));
        }
        let patch = self.cut(tilt, at)?;
        let second = self.believed(&pattern, &patch, REST_PX)?;
        Some((moved(at, &second), second, patch))
    }

    fn believed(&self, pattern: &[Complex32], patch: &[Complex32], reach: usize) -> Option<Peak> {
        let peak = self.bench.peak(&self.bench.cross(pattern, patch), [reach; 2])?;
        (peak.inside && peak.significance >= BELIEVED).then_some(peak)
    }
}

enum Step {
    Seen(Found),
    Missed,
    Ended,
}

impl Way {
    /// Mean of the last patches.
    fn mean(&self) -> Vec<Complex32> {
        let mut sum = self.pattern[0].clone();
        for other in self.pattern.iter().skip(1) {
            sum.iter_mut().zip(other).for_each(|(sum, value)| *sum += value);
        }
        sum
    }

    /// By how much a height of 1 moves a place across between the first tilt and this one, seen from which both are cut: the
    /// place at the first tilt stays where it was chosen.
    fn rise(&self, sine: f64, cosine: f64) -> f64 {
        sine - cosine * self.first / (1.0 - self.first * self.first).max(1e-3).sqrt()
    }

    /// Height by the sights so far, held towards none as heights are unknown at first.
    fn height(&self) -> f64 {
        let (mut up, mut down) = (0.0, (LEAST_HEIGHT_PX / FIRST_HEIGHT_PX).powi(2));
        for (rise, across) in &self.seen {
            up += rise * across;
            down += rise * rise;
        }
        up / down
    }
}

/// Of a peak in the patch, as it lies in the picture.
fn covariance([xx, xy, yy]: [f64; 3], view: [[f64; 2]; 2]) -> [f64; 3] {
    let least = LEAST_SD_PX * LEAST_SD_PX;
    let det = (xx * yy - xy * xy).max(1e-12);
    let [a, b, c] = [yy / det + least, -xy / det, xx / det + least];
    let (first, second) = (apply(view, [a, b]), apply(view, [b, c]));
    let (x, y) = (apply(view, [first[0], second[0]]), apply(view, [first[1], second[1]]));
    [x[0], x[1], y[1]]
}
