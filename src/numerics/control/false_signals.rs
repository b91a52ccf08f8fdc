//! How often a set of tests cries wolf: a process in control, charted many times over.

use super::individuals::{Baseline, weighted, weighted_width};
use super::runs::{Tests, completed};

/// Which signals a chart gives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rules {
    /// Run tests.
    pub tests: Tests,
    /// Weight of the newest value and width of the limits, where a weighted mean is charted.
    pub weighted: Option<(f64, f64)>,
}

/// Values charted after the baseline.
const LENGTH: usize = 100;

/// Mean number of false signals (a stretch of values that complete a test counts once, each test by itself) per 100
/// values that are normal, independent and unchanged, over `charts` charts. With a `baseline` of so many values, centre
/// and scatter are estimated from it as in earnest; else they are known. `normal` gives the values.
pub fn per_hundred(rules: &Rules, baseline: Option<usize>, charts: usize, mut normal: impl FnMut() -> f64) -> f64 {
    let mut signals = 0;
    for _ in 0..charts {
        let (centre, sd) = match baseline {
            None => (0.0, 1.0),
            Some(n) => {
                let values: Vec<f64> = (0..n).map(|_| normal()).collect();
                Baseline::of(&[&values]).map_or((0.0, 1.0), |baseline| (baseline.centre, baseline.sd()))
            }
        };
        let z: Vec<f64> = (0..LENGTH).map(|_| (normal() - centre) / sd).collect();
        signals += stretches(&z, rules);
    }
    100.0 * signals as f64 / (charts * LENGTH) as f64
}

/// Number of stretches of signals.
fn stretches(z: &[f64], rules: &Rules) -> usize {
    let found = completed(z, &rules.tests);
    let begins = |test: usize, at: usize| !found.iter().any(|other| other.test == test && other.at + 1 == at);
    let runs = found.iter().filter(|one| begins(one.test, one.at)).count();
    let weighted = rules.weighted.map_or(0, |(lambda, sds)| {
        let outside: Vec<bool> = weighted(z, 0.0, lambda)
            .iter()
            .enumerate()
            .map(|(at, mean)| mean.abs() > weighted_width(lambda, sds, Some(at + 1)))
            .collect();
        (0..outside.len()).filter(|&at| outside[at] && (at == 0 || !outside[at - 1])).count()
    });
    runs + weighted
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::{Rng, SeedableRng};

    /// Normal numbers of a seed, by the quantile of uniform ones.
    fn normals(seed: u64) -> impl FnMut() -> f64 {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        move || super::super::counts::quantile((generator.next_u64() >> 11) as f64 / (1u64 << 53) as f64)
    }

    fn rate(tests: &[usize], baseline: Option<usize>) -> f64 {
        let mut rules = Rules { tests: [false; 8], weighted: None };
        tests.iter().for_each(|&test| rules.tests[test - 1] = true);
        per_hundred(&rules, baseline, 2000, normals(tests.iter().sum::<usize>() as u64))
    }

    #[test]
    fn rates_of_single_tests_are_those_of_probability() {
        // Beyond 3σ: 0.27 of 100, less those beside each other.
        assert!((rate(&[1], None) - 0.27).abs() < 0.05, "{}", rate(&[1], None));
        // Nine on one side begin anew at a value that is the ninth of its side: 2 · ½¹⁰ of those after the ninth, and
        // the first nine themselves: 0.0039 + 91 · 0.00098 a hundred.
        let nine = 100.0 * (0.5f64.powi(8) + 91.0 * 0.5f64.powi(9)) / 100.0;
        assert!((rate(&[2], None) - nine).abs() < 0.05, "{} for {nine}", rate(&[2], None));
    }

    #[test]
    fn limits_from_few_values_cry_wolf_more_often() {
        assert!(rate(&[1, 2, 5, 6], Some(15)) > 1.3 * rate(&[1, 2, 5, 6], None));
    }

    #[test]
    fn a_weighted_mean_adds_its_own() {
        let rules = Rules { tests: [false; 8], weighted: Some((0.2, 3.0)) };
        let rate = per_hundred(&rules, None, 2000, normals(12));
        // Mean run length of this chart is about 560 (Lucas & Saccucci 1990, value from memory).
        assert!((0.1..0.35).contains(&rate), "{rate}");
    }
}
