//! What stands out on a chart: completed tests that follow each other are one signal, told in one sentence.

use super::chart::{Chart, Point};
use crate::numerics::control::runs::Completed;

/// 9 stands for the weighted mean; 1 to 8 are Nelson's tests.
pub const WEIGHTED: usize = 9;

/// A signal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signal {
    /// Number of the test, or [`WEIGHTED`].
    pub kind: usize,
    /// The first point of the pattern.
    pub from: usize,
    /// The first point that completes it.
    pub told: usize,
    /// The last that does.
    pub until: usize,
    /// Above the centre (rising, for test 3).
    pub up: bool,
    /// Still so at the last session.
    pub lasts: bool,
}

/// Completions that follow each other without a break, of one test on one side, as signals. `start` is the place of the
/// first value that `found` counts from.
pub fn merge(found: &[Completed], start: usize, z: &[f64]) -> Vec<Signal> {
    let mut signals: Vec<Signal> = Vec::new();
    for one in found {
        let (from, at) = (start + one.from, start + one.at);
        let up = if one.test == 3 { z[at] > z[from] } else { z[at] > 0.0 };
        // Tests that look at both sides have none.
        let sided = ![4, 7, 8].contains(&one.test);
        let open = signals.iter_mut().rev().find(|signal| signal.kind == one.test);
        match open {
            Some(signal) if signal.until + 1 == at && (signal.up == up || !sided) => signal.until = at,
            _ => signals.push(Signal { kind: one.test, from, told: at, until: at, up, lasts: false }),
        }
    }
    signals
}

/// Stretches of a piece in which the weighted mean lies outside its limits; each begins where the mean left the centre.
pub fn weighted_signals(points: &[Point], piece: std::ops::Range<usize>, centre: Option<f64>) -> Vec<Signal> {
    let Some(centre) = centre else { return Vec::new() };
    let side = |at: usize| -> i8 {
        match (points[at].weighted, points[at].weighted_limits) {
            (Some(mean), Some([_, high])) if mean > high => 1,
            (Some(mean), Some([low, _])) if mean < low => -1,
            _ => 0,
        }
    };
    let mut signals: Vec<Signal> = Vec::new();
    for at in piece.clone().filter(|&at| side(at) != 0) {
        let up = side(at) > 0;
        match signals.last_mut() {
            Some(signal) if signal.until + 1 == at && signal.up == up => signal.until = at,
            _ => {
                let beyond = |at: usize| points[at].weighted.is_some_and(|mean| (mean > centre) == up);
                let from = (piece.start..=at).rev().take_while(|&at| beyond(at)).last().unwrap_or(at);
                signals.push(Signal { kind: WEIGHTED, from, told: at, until: at, up, lasts: false });
            }
        }
    }
    signals
}

/// A signal in a sentence, with the date since when; `date` gives the date of a point.
pub fn sentence(
    chart: &Chart,
    signal: &Signal,
    date: &dyn Fn(usize) -> String,
    number: &dyn Fn(f64) -> String,
) -> String {
    let side = if signal.up { "above" } else { "below" };
    let count = signal.until - signal.from + 1;
    let unit = chart.watched.unit();
    let value = |at: usize| format!("{} {unit}", number(chart.points[at].value)).trim_end().to_owned();
    let (from, until) = (date(signal.from), date(signal.until));
    if signal.kind == 1 && signal.told == signal.until {
        let limit = chart.points[signal.from].limits.map(|[low, high]| if signal.up { high } else { low });
        let limit = limit.map(|limit| format!(" (limit {})", number(limit))).unwrap_or_default();
        return format!("{side} the limit on {from}: {}{limit}", value(signal.from));
    }
    let end = if signal.lasts { ", and still at the last session".into() } else { format!(" until {until}") };
    let what = match signal.kind {
        1 => format!("{count} sessions in a row {side} the limit"),
        2 => format!("{count} sessions in a row {side} the centre"),
        3 => format!("{} steadily over {count} sessions", if signal.up { "rising" } else { "falling" }),
        4 => format!("up and down in turns over {count} sessions"),
        5 => format!("two of three sessions beyond two thirds of the way to the {} limit", edge(signal.up)),
        6 => format!("four of five sessions beyond a third of the way to the {} limit", edge(signal.up)),
        7 => format!("{count} sessions in a row unusually near the centre (the limits may be too wide)"),
        8 => format!("{count} sessions in a row away from the centre on both sides (two things may be mixed)"),
        _ => format!("the weighted mean drifts {side} its limit, having left the centre"),
    };
    match signal.kind {
        WEIGHTED => format!("{what} on {from} and passed the limit on {}{end}", date(signal.told)),
        _ => format!("{what} since {from}{end}"),
    }
}

fn edge(up: bool) -> &'static str {
    if up { "upper" } else { "lower" }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numerics::control::runs::completed;

    #[test]
    fn completions_that_follow_each_other_are_one_signal() {
        // Eleven above the centre: nine complete test 2 and two more go on.
        let z = [-0.5, 0.3, 0.6, 0.2, 0.9, 0.4, 0.8, 0.1, 0.5, 0.7, 0.3, 0.6, -0.2];
        let signals = merge(&completed(&z, &[false, true, false, false, false, false, false, false]), 0, &z);
        assert_eq!(signals, [Signal { kind: 2, from: 1, told: 9, until: 11, up: true, lasts: false }]);
    }

    #[test]
    fn beyond_one_limit_and_then_the_other_are_two() {
        let z = [0.0, 3.5, -3.5, -3.6];
        let signals = merge(&completed(&z, &[true, false, false, false, false, false, false, false]), 0, &z);
        let told: Vec<(usize, usize, bool)> = signals.iter().map(|s| (s.from, s.until, s.up)).collect();
        assert_eq!(told, [(1, 1, true), (2, 3, false)]);
    }
}
