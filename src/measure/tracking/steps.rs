//! Steps: what remains of a tilt's movement once the smooth run of its neighbours' movements is taken off.
//!
//! A tilt's movement leads to it from its neighbour in angle. A tilt that jumped alone has two, there and back: the
//! second is its neighbour's movement and not its neighbour's jump, so it is taken off, and the jump is told once, at
//! the tilt that jumped. A jump that stays is told at the later of the two tilts in the order of acquisition.

use crate::numerics::smooth_run::{self, Place};

/// A tilt on the run; tilts stand in ascending angle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Angle, and the stretch of the acquisition it belongs to.
    pub place: Place,
    /// 0-based order of acquisition.
    pub order: usize,
    /// Position, any unit; `None` where it is not known.
    pub position: Option<[f64; 2]>,
}

/// Two movements that differ from opposite ones by less than this share are a jump there and back.
const THERE_AND_BACK: f64 = 0.35;

/// The step of each tilt as a vector, in the unit of the positions; `None` where the tilt's own position is not known
/// or there is no run to hold it against. A movement under `least` never counts as a jump when the run is drawn.
pub fn steps(points: &[Point], least: f64) -> Vec<Option<[f64; 2]>> {
    let known: Vec<usize> = (0..points.len()).filter(|&at| points[at].position.is_some()).collect();
    let mut steps = vec![None; points.len()];
    if known.len() < 3 {
        return steps;
    }
    let (rest, over_breaks) = rests(points, &known, least);
    for (&at, step) in known.iter().zip(attribute(points, &known, rest, &over_breaks, least)) {
        steps[at] = Some(step);
    }
    steps
}

/// What the run leaves of a movement, one entry a pair of neighbours.
type Rests = Vec<Option<[f64; 2]>>;

/// What the run leaves of each movement: entry k leads from `known[k]` to `known[k + 1]`; first those within segments,
/// then those over breaks, against what the run expects there.
fn rests(points: &[Point], known: &[usize], least: f64) -> (Rests, Rests) {
    let pairs: Vec<(usize, usize)> = known.windows(2).map(|pair| (pair[0], pair[1])).collect();
    let places: Vec<Place> = pairs
        .iter()
        // A break takes its own movement out; those on either side of it run on into each other.
        .map(|&(a, b)| Place { x: 0.5 * (points[a].place.x + points[b].place.x), segment: 0 })
        .collect();
    let movement = |&(a, b): &(usize, usize), k: usize| {
        let same = points[a].place.segment == points[b].place.segment;
        let (from, to) = (points[a].position?, points[b].position?);
        // Per step in angle, so that a bridged tilt does not look like a jump of its neighbour.
        same.then(|| (to[k] - from[k]) / gap(points, a, b))
    };
    let component = |k: usize| {
        let values: Vec<Option<f64>> = pairs.iter().map(|pair| movement(pair, k)).collect();
        smooth_run::draw(&places, &values, least / usual_gap(points, known))
    };
    let runs = [component(0), component(1)];
    let within = |at: usize, &(a, b): &(usize, usize)| {
        let wide = gap(points, a, b);
        Some([runs[0].deviation[at]? * wide, runs[1].deviation[at]? * wide])
    };
    let over = |at: usize, &(a, b): &(usize, usize)| {
        if points[a].place.segment == points[b].place.segment {
            return None;
        }
        let (from, to, wide) = (points[a].position?, points[b].position?, gap(points, a, b));
        Some([to[0] - from[0] - runs[0].expected[at]? * wide, to[1] - from[1] - runs[1].expected[at]? * wide])
    };
    let every = || pairs.iter().enumerate();
    (every().map(|(at, pair)| within(at, pair)).collect(), every().map(|(at, pair)| over(at, pair)).collect())
}

/// Degrees between two tilts; repeats of one angle count as a tenth of a degree apart.
fn gap(points: &[Point], a: usize, b: usize) -> f64 {
    (points[b].place.x - points[a].place.x).abs().max(0.1)
}

fn usual_gap(points: &[Point], known: &[usize]) -> f64 {
    let mut gaps: Vec<f64> = known.windows(2).map(|pair| gap(points, pair[0], pair[1])).collect();
    gaps.sort_by(f64::total_cmp);
    gaps.get(gaps.len() / 2).copied().unwrap_or(1.0)
}

/// Hands each rest to a tilt.
fn attribute(points: &[Point], known: &[usize], mut rest: Rests, over_breaks: &Rests, least: f64) -> Vec<[f64; 2]> {
    let either = |rest: &Rests, at: usize| rest[at].or(over_breaks[at]);
    let length = |v: [f64; 2]| v[0].hypot(v[1]);
    let mut steps = vec![[0.0; 2]; known.len()];
    // There and back first, the largest first: the tilt between the two movements jumped alone.
    let mut alone: Vec<(usize, f64)> = Vec::new();
    for at in 1..known.len().saturating_sub(1) {
        if let (Some(there), Some(back)) = (either(&rest, at - 1), either(&rest, at)) {
            let both = length(there).min(length(back));
            let left = length([there[0] + back[0], there[1] + back[1]]);
            if both > least && left < THERE_AND_BACK * both.max(1e-12) * 2.0 {
                alone.push((at, both));
            }
        }
    }
    alone.sort_by(|a, b| b.1.total_cmp(&a.1));
    for (at, _) in alone {
        // A movement over a break is no step by itself, but tells which side of it jumped.
        if rest[at - 1].is_none() && rest[at].is_none() {
            continue;
        }
        if let (Some(there), Some(back)) = (either(&rest, at - 1), either(&rest, at)) {
            // Both movements know the jump; their mean difference knows it better.
            steps[at] = [0.5 * (there[0] - back[0]), 0.5 * (there[1] - back[1])];
            rest[at - 1] = None;
            rest[at] = None;
        }
    }
    for (k, left) in rest.into_iter().enumerate() {
        let Some(left) = left else { continue };
        let (a, b) = (k, k + 1);
        let later = if points[known[b]].order >= points[known[a]].order { b } else { a };
        let towards = if later == b { left } else { [-left[0], -left[1]] };
        if length(towards) > length(steps[later]) {
            steps[later] = towards;
        }
    }
    steps
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(n: usize, position: impl Fn(usize, f64) -> Option<[f64; 2]>, order: impl Fn(usize) -> usize) -> Vec<f64> {
        let points: Vec<Point> = (0..n)
            .map(|at| {
                let x = 120.0 * at as f64 / (n - 1) as f64 - 60.0;
                Point { place: Place { x, segment: 0 }, order: order(at), position: position(at, x) }
            })
            .collect();
        steps(&points, 1.0).into_iter().map(|step| step.map_or(f64::NAN, |s| s[0].hypot(s[1]))).collect()
    }

    fn smooth(at: usize, deg: f64) -> [f64; 2] {
        let t = deg.to_radians();
        [900.0 * (t.cos() - 1.0) + 60.0 * t.sin() + 0.2 * ((at * 7 % 5) as f64 - 2.0), 0.2 * ((at * 3 % 4) as f64)]
    }

    #[test]
    fn a_lone_jump_is_told_once_at_the_tilt_that_jumped() {
        let jumped = |at: usize, deg: f64| {
            let [x, y] = smooth(at, deg);
            Some(if at == 13 { [x + 3.0, y - 4.0] } else { [x, y] })
        };
        let found = run(41, jumped, |at| at);
        assert!((found[13] - 5.0).abs() < 1.0, "{}", found[13]);
        assert!(found.iter().enumerate().all(|(at, step)| at == 13 || *step < 2.0), "{found:?}");
    }

    #[test]
    fn a_jump_that_stays_is_told_at_the_later_tilt() {
        let jumped = |at: usize, deg: f64| {
            let [x, y] = smooth(at, deg);
            Some(if at <= 20 { [x + 9.0, y] } else { [x, y] })
        };
        // Recorded from +60° to -60°: the tilt of index 20 comes after that of 21.
        let found = run(41, jumped, |at| 40 - at);
        assert!((found[20] - 9.0).abs() < 1.5, "{found:?}");
        assert!(found.iter().enumerate().all(|(at, step)| at == 20 || *step < 2.0), "{found:?}");
    }

    #[test]
    fn a_jump_beside_a_break_is_told_at_the_tilt_that_jumped() {
        let points: Vec<Point> = (0..41)
            .map(|at| {
                let x = 3.0 * at as f64 - 60.0;
                let segment = usize::from(at >= 20);
                let order = if at >= 20 { at - 20 } else { 40 - at };
                let [px, py] = smooth(at, x);
                let jumped = if at == 19 { 6.0 } else { 0.0 };
                let drifted = if at < 20 { 1.0 } else { 0.0 };
                Point { place: Place { x, segment }, order, position: Some([px + jumped + drifted, py]) }
            })
            .collect();
        let found: Vec<f64> = steps(&points, 1.0).into_iter().map(|s| s.map_or(-1.0, |s| s[0].hypot(s[1]))).collect();
        assert!((found[19] - 6.0).abs() < 1.5, "{found:?}");
        assert!(found.iter().enumerate().all(|(at, step)| at == 19 || *step < 2.0), "{found:?}");
    }

    #[test]
    fn a_tilt_without_position_makes_no_step() {
        let found = run(41, |at, deg| (at != 30).then(|| smooth(at, deg)), |at| at);
        assert!(
            found.iter().enumerate().all(|(at, step)| if at == 30 { step.is_nan() } else { *step < 2.0 }),
            "{found:?}"
        );
    }
}
