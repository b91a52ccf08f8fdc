//! What `tiltworth compare` holds up to the figures of many sessions: the `[watch]` table of a profile.

use crate::numerics::control::false_signals::Rules;
use serde::Deserialize;

/// `[watch]`
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Watch {
    /// The first so many sessions are the baseline, where none is chosen.
    pub baseline_sessions: usize,
    /// With fewer in the baseline there are no limits.
    pub least_baseline_sessions: usize,
    /// Sessions further apart than this are not compared as neighbours.
    pub gap_days: f64,
    /// Weight of the newest session in the weighted mean, 0 to 1.
    pub weighted_lambda: f64,
    /// Its limits, in its own standard deviations.
    pub weighted_sds: f64,
    /// Which signals are given.
    pub tests: WatchTests,
}

/// `[watch.tests]`
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(clippy::struct_excessive_bools, reason = "each stands for a switch of its own")]
pub struct WatchTests {
    beyond_3sd: bool,
    nine_on_one_side: bool,
    six_rising_or_falling: bool,
    fourteen_alternating: bool,
    two_of_three_beyond_2sd: bool,
    four_of_five_beyond_1sd: bool,
    fifteen_within_1sd: bool,
    eight_beyond_1sd: bool,
    weighted_mean: bool,
}

impl Watch {
    /// The rules in force.
    pub fn rules(&self) -> Rules {
        let tests = &self.tests;
        Rules {
            tests: [
                tests.beyond_3sd,
                tests.nine_on_one_side,
                tests.six_rising_or_falling,
                tests.fourteen_alternating,
                tests.two_of_three_beyond_2sd,
                tests.four_of_five_beyond_1sd,
                tests.fifteen_within_1sd,
                tests.eight_beyond_1sd,
            ],
            weighted: tests.weighted_mean.then_some((self.weighted_lambda, self.weighted_sds)),
        }
    }

    /// What cannot be, where something cannot.
    pub(super) fn fault(&self) -> Option<&'static str> {
        if !(self.weighted_lambda > 0.0 && self.weighted_lambda <= 1.0) {
            return Some("watch.weighted_lambda lies outside 0 to 1");
        }
        if self.weighted_sds.is_nan() || self.weighted_sds <= 0.0 || self.gap_days.is_nan() || self.gap_days <= 0.0 {
            return Some("watch.weighted_sds and watch.gap_days must be above 0");
        }
        (self.least_baseline_sessions < 2 || self.baseline_sessions < self.least_baseline_sessions)
            .then_some("watch.least_baseline_sessions must be 2 at least, and watch.baseline_sessions no less")
    }
}
