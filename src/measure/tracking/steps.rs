//! Steps: what remains of a tilt's movement once the smooth run of its neighbours' movements is taken off.
//!
//! A tilt's movement leads to it from its neighbour in angle. A tilt that jumped alone has two, there and back: the
//! second is its neighbour's movement and not its neighbour's jump, so it is taken off, and the jump is told once, at
//! the tilt that jumped. A jump that stays is told at the later of the two tilts in the order of acquisition, of two at an end
//! of the range at the outer one; over a hole
//! in the range, where pictures have too little in common, nobody knows whether there was one.

use crate::numerics::median::upper_median;
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

/// A step, and what it is made of.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// The step, in the unit of the positions.
    pub by: [f64; 2],
    /// Tilts with the shares of their positions in it: what they are unsure by, so is the step.
    pub shares: Vec<(usize, f64)>,
}

impl Step {
    /// None, of a tilt by itself.
    fn none(at: usize) -> Self {
        Self { by: [0.0; 2], shares: vec![(at, 1.0)] }
    }

    /// There and back from the tilts on either side.
    fn alone(by: [f64; 2], [before, at, after]: [usize; 3]) -> Self {
        Self { by, shares: vec![(before, -0.5), (at, 1.0), (after, -0.5)] }
    }

    /// How far it leads.
    pub fn length(&self) -> f64 {
        self.by[0].hypot(self.by[1])
    }

    /// Whether the tilts beyond it stay where it led.
    pub fn stays(&self) -> bool {
        self.shares.len() == 2
    }

    /// A movement from a neighbour. What is expected over a gap some `times` wider than usual is that much less sure.
    fn from(by: [f64; 2], other: usize, at: usize, times: f64) -> Self {
        let times = times.max(1.0);
        Self { by, shares: vec![(other, -times), (at, times)] }
    }
}

/// Two movements that differ from opposite ones by less than this share are a jump there and back.
const THERE_AND_BACK: f64 = 0.35;
/// … or by what chance leaves of a movement once in five hundred, of lengths of two normal components with this median.
const BY_CHANCE: f64 = 3.0;
/// A jump of so many times the median of what is left of movements is plain.
const PLAIN: f64 = 3.0;
/// So many plain jumps are taken out at most.
const ROUNDS: usize = 12;
/// Movements on either side that tell what is expected of one.
const BESIDE: usize = 5;
/// Over a wider hole a movement cannot be told from what a thick specimen's own structures do against each other: at 24°
/// one of four pairs of sound pictures was matched at the right place.
const WIDEST_DEG: f64 = 15.0;
/// Fewer positions make no run.
const LEAST_KNOWN: usize = 3;

/// The step of each tilt; `None` where the tilt's own position is not known, or there is no run to hold it against, or a
/// hole lies before it. A movement under `least` never counts as a jump when the run is drawn.
pub fn steps(points: &[Point], least: f64) -> Vec<Option<Step>> {
    let mut points = points.to_vec();
    let mut steps = vec![None; points.len()];
    // A tilt that plainly jumped alone pulls the run of its neighbours: it is taken out before that is drawn.
    for _ in 0..ROUNDS {
        let known = known(&points);
        let Some((at, step)) = spike(&points, &known, least) else { break };
        steps[known[at]] = Some(Step::alone(step, [known[at - 1], known[at], known[at + 1]]));
        points[known[at]].position = None;
    }
    let known = known(&points);
    if known.len() < LEAST_KNOWN {
        return steps;
    }
    let (rest, over_breaks) = rests(&points, &known, least);
    for (&at, step) in known.iter().zip(attribute(&points, &known, rest, &over_breaks, least)) {
        steps[at] = step;
    }
    steps
}

fn known(points: &[Point]) -> Vec<usize> {
    (0..points.len()).filter(|&at| points[at].position.is_some()).collect()
}

fn length(v: [f64; 2]) -> f64 {
    v[0].hypot(v[1])
}

/// The largest plain jump there and back, by the neighbours' movements alone: what the middle ones of them are is expected.
fn spike(points: &[Point], known: &[usize], least: f64) -> Option<(usize, [f64; 2])> {
    let movement = |k: usize| -> Option<[f64; 2]> {
        let (from, to) = (points[*known.get(k)?].position?, points[*known.get(k + 1)?].position?);
        let wide = gap(points, known[k], known[k + 1]);
        Some([0, 1].map(|k| (to[k] - from[k]) / wide))
    };
    let expected = |at: usize| -> Option<[f64; 2]> {
        let near = at.saturating_sub(1 + BESIDE)..at + 1 + BESIDE;
        let others: Vec<[f64; 2]> = near.filter(|k| *k + 1 != at && *k != at).filter_map(movement).collect();
        (others.len() >= BESIDE)
            .then(|| [0, 1].map(|k| upper_median(others.iter().map(|other| other[k])).unwrap_or(0.0)))
    };
    let rest = |k: usize, expected: [f64; 2]| -> Option<[f64; 2]> {
        let (movement, wide) = (movement(k)?, gap(points, known[k], known[k + 1]));
        Some([0, 1].map(|k| (movement[k] - expected[k]) * wide))
    };
    let usual = upper_median((1..known.len()).filter_map(|at| rest(at, expected(at)?)).map(length)).unwrap_or(0.0);
    let found = (1..known.len().saturating_sub(1)).filter_map(|at| {
        let segment = |k: usize| points[known[k]].place.segment;
        let both_over_breaks = segment(at - 1) != segment(at) && segment(at) != segment(at + 1);
        let (there, back) = (rest(at - 1, expected(at)?)?, rest(at, expected(at)?)?);
        let step = [0, 1].map(|k| 0.5 * (there[k] - back[k]));
        let left = length([0, 1].map(|k| there[k] + back[k]));
        let both = length(there).min(length(back));
        let plain = both > least.max(PLAIN * usual) && left < (2.0 * THERE_AND_BACK * both).max(BY_CHANCE * usual);
        (plain && !both_over_breaks).then_some((at, step))
    });
    found.max_by(|a, b| length(a.1).total_cmp(&length(b.1)))
}

/// Median length of what the run leaves.
fn usual(rest: &Rests) -> f64 {
    upper_median(rest.iter().flatten().map(|&rest| length(rest))).unwrap_or(0.0)
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
        let same = !is_break(points, a, b);
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
        if !is_break(points, a, b) {
            return None;
        }
        let (from, to, wide) = (points[a].position?, points[b].position?, gap(points, a, b));
        Some([to[0] - from[0] - runs[0].expected[at]? * wide, to[1] - from[1] - runs[1].expected[at]? * wide])
    };
    let every = || pairs.iter().enumerate();
    (every().map(|(at, pair)| within(at, pair)).collect(), every().map(|(at, pair)| over(at, pair)).collect())
}

/// Whether the movement from one tilt to the next is no step: over a break of the acquisition, or over a hole.
fn is_break(points: &[Point], a: usize, b: usize) -> bool {
    points[a].place.segment != points[b].place.segment || is_hole(points, a, b)
}

fn is_hole(points: &[Point], a: usize, b: usize) -> bool {
    gap(points, a, b) > WIDEST_DEG
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

/// Tilts that jumped there and back, with their steps, the largest first; no movement counts for two of them.
fn alone(rest: &Rests, over_breaks: &Rests, least: f64) -> Vec<(usize, [f64; 2])> {
    let either = |at: usize| rest[at].or(over_breaks[at]);
    // What chance leaves of there and back is no more than it leaves of one movement.
    let chance = BY_CHANCE * usual(rest);
    let mut found: Vec<(usize, f64, [f64; 2])> = Vec::new();
    for at in 1..=rest.len().saturating_sub(1) {
        // A movement over a break is no step by itself, but tells which side of it jumped.
        if rest[at - 1].is_none() && rest[at].is_none() {
            continue;
        }
        if let (Some(there), Some(back)) = (either(at - 1), either(at)) {
            let both = length(there).min(length(back));
            let left = length([there[0] + back[0], there[1] + back[1]]);
            if both > least && left < (2.0 * THERE_AND_BACK * both).max(chance.min(both)) {
                // Both movements know the jump; their mean difference knows it better.
                found.push((at, both, [0.5 * (there[0] - back[0]), 0.5 * (there[1] - back[1])]));
            }
        }
    }
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    let mut used = vec![false; rest.len()];
    found.retain(|(at, _, _)| {
        let free = !used[at - 1] && !used[*at];
        if free {
            (used[at - 1], used[*at]) = (true, true);
        }
        free
    });
    found.into_iter().map(|(at, _, step)| (at, step)).collect()
}

/// Hands each rest to a tilt; `None` where a tilt comes after a hole and nothing else tells that it jumped.
fn attribute(points: &[Point], known: &[usize], mut rest: Rests, over_breaks: &Rests, least: f64) -> Vec<Option<Step>> {
    let mut steps: Vec<Option<Step>> = known.iter().map(|&at| Some(Step::none(at))).collect();
    let usual = usual_gap(points, known);
    // A tilt at the end of the range that lies off all others is the one that is off, whenever it was recorded.
    let later = |k: usize| match k {
        0 => 0,
        _ if k + 2 == known.len() => k + 1,
        _ if points[known[k + 1]].order >= points[known[k]].order => k + 1,
        _ => k,
    };
    for k in (0..rest.len()).filter(|&k| is_hole(points, known[k], known[k + 1])) {
        steps[later(k)] = None;
    }
    for (at, step) in alone(&rest, over_breaks, least) {
        steps[at] = Some(Step::alone(step, [known[at - 1], known[at], known[at + 1]]));
        rest[at - 1] = None;
        rest[at] = None;
    }
    for (k, left) in rest.into_iter().enumerate() {
        let Some(left) = left else { continue };
        let later = later(k);
        let towards = if later == k + 1 { left } else { [-left[0], -left[1]] };
        if length(towards) > steps[later].as_ref().map_or(least, |step| length(step.by)) {
            let times = gap(points, known[k], known[k + 1]) / usual;
            steps[later] = Some(Step::from(towards, known[2 * k + 1 - later], known[later], times));
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
        steps(&points, 1.0).into_iter().map(|step| step.map_or(f64::NAN, |step| length(step.by))).collect()
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
    fn an_end_that_lies_off_all_others_is_told_itself() {
        let jumped = |at: usize, deg: f64| {
            let [x, y] = smooth(at, deg);
            Some(if at == 0 { [x + 9.0, y] } else { [x, y] })
        };
        // Recorded first, or last: either way the others agree.
        for found in [run(41, jumped, |at| at), run(41, jumped, |at| 40 - at)] {
            assert!((found[0] - 9.0).abs() < 1.5, "{found:?}");
            assert!(found.iter().skip(1).all(|step| *step < 2.0), "{found:?}");
        }
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
        let found: Vec<f64> =
            steps(&points, 1.0).into_iter().map(|step| step.map_or(-1.0, |step| length(step.by))).collect();
        assert!((found[19] - 6.0).abs() < 1.5, "{found:?}");
        assert!(found.iter().enumerate().all(|(at, step)| at == 19 || *step < 2.0), "{found:?}");
    }

    /// Where positions are noisy, a jump must not bend the run that its neighbours are held against.
    #[test]
    fn a_jump_does_not_rub_off_on_its_neighbours() {
        let mut state = 5u64;
        let mut noise = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            1.6 * ((state >> 33) as f64 / f64::from(1u32 << 31) - 0.5)
        };
        let noises: Vec<[f64; 2]> = (0..41).map(|_| [noise(), noise()]).collect();
        for jumped_at in [3, 20, 35, 37] {
            let jumped = |at: usize, _: f64| {
                let [x, y] = noises[at];
                Some(if at == jumped_at { [x - 6.0, y + 3.5] } else { [x, y] })
            };
            let found = run(41, jumped, |at| at);
            assert!((found[jumped_at] - 7.0).abs() < 1.5, "{jumped_at}: {}", found[jumped_at]);
            let beside = (jumped_at - 3..jumped_at + 4).filter(|&at| at != jumped_at);
            assert!(beside.filter_map(|at| found.get(at)).all(|step| *step < 2.5), "{jumped_at}: {found:?}");
        }
    }

    #[test]
    fn after_a_hole_nobody_knows_whether_the_field_jumped() {
        let behind = |at: usize, deg: f64| {
            let [x, y] = smooth(at, deg);
            if at >= 31 { Some([x + 30.0, y]) } else { (at < 24).then_some([x, y]) }
        };
        // 24° are missing; the later tilt is 31 where the angles rose, 23 where they fell.
        for (after, descending) in [(31, false), (23, true)] {
            let found = run(41, behind, |at| if descending { 40 - at } else { at });
            let told = |at: usize| (24..31).contains(&at) || at == after;
            assert!(found.iter().enumerate().all(|(at, step)| if told(at) { step.is_nan() } else { *step < 2.0 }));
        }
        // What jumps further on is told as ever.
        let jumped = |at: usize, deg: f64| behind(at, deg).map(|[x, y]| if at == 36 { [x + 7.0, y] } else { [x, y] });
        assert!((run(41, jumped, |at| at)[36] - 7.0).abs() < 1.0);
    }

    /// A lone jump is known by its neighbours on both sides, one that stays by the tilt before it, less so over a gap.
    #[test]
    fn steps_say_what_they_hang_on() {
        let points = |missing: usize, jumped: &dyn Fn(usize) -> bool| -> Vec<Point> {
            let one = |at: usize| {
                let x = 3.0 * at as f64 - 60.0;
                let [px, py] = smooth(at, x);
                let position = (at != missing).then_some([px + if jumped(at) { 9.0 } else { 0.0 }, py]);
                Point { place: Place { x, segment: 0 }, order: at, position }
            };
            (0..41).map(one).collect()
        };
        let shares = |missing: usize, jumped: &dyn Fn(usize) -> bool, at: usize| {
            steps(&points(missing, jumped), 1.0)[at].clone().unwrap().shares
        };
        assert_eq!(shares(40, &|at| at == 13, 13), [(12, -0.5), (13, 1.0), (14, -0.5)]);
        assert_eq!(shares(40, &|at| at >= 20, 20), [(19, -1.0), (20, 1.0)]);
        assert_eq!(shares(19, &|at| at >= 20, 20), [(18, -2.0), (20, 2.0)]);
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
