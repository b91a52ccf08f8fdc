//! The eight run and trend tests of Nelson (1984, J. Qual. Technol. 16), on values in standard deviations from the
//! centre.

/// Which tests are made, by number less one.
pub type Tests = [bool; 8];

/// A test that a value completes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Completed {
    /// 1 to 8.
    pub test: usize,
    /// The first value of the pattern.
    pub from: usize,
    /// The value that completes it.
    pub at: usize,
}

/// How many values a pattern of each test holds.
const LENGTHS: [usize; 8] = [1, 9, 6, 14, 3, 5, 15, 8];

/// Every completion of every test that is made, by value and test.
pub fn completed(z: &[f64], tests: &Tests) -> Vec<Completed> {
    let mut found = Vec::new();
    for at in 0..z.len() {
        for (number, &length) in LENGTHS.iter().enumerate() {
            if tests[number] && at + 1 >= length && holds(number + 1, &z[at + 1 - length..=at]) {
                found.push(Completed { test: number + 1, from: at + 1 - length, at });
            }
        }
    }
    found
}

/// Whether a window of the test's own length shows its pattern, completed by its last value.
fn holds(test: usize, window: &[f64]) -> bool {
    let Some(&last) = window.last() else { return false };
    let same_side = |limit: f64| window.iter().filter(|&&z| z * last.signum() > limit).count();
    let rises = |pair: &[f64]| pair[1] > pair[0];
    let falls = |pair: &[f64]| pair[1] < pair[0];
    match test {
        1 => last.abs() > 3.0,
        2 => same_side(0.0) == window.len(),
        3 => window.windows(2).all(rises) || window.windows(2).all(falls),
        4 => window.windows(3).all(|w| (rises(&w[..2]) && falls(&w[1..])) || (falls(&w[..2]) && rises(&w[1..]))),
        5 => last.abs() > 2.0 && same_side(2.0) >= 2,
        6 => last.abs() > 1.0 && same_side(1.0) >= 4,
        7 => window.iter().all(|z| z.abs() < 1.0),
        8 => window.iter().all(|z| z.abs() > 1.0) && window.iter().any(|&z| z > 0.0) && window.iter().any(|&z| z < 0.0),
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: Tests = [true; 8];

    /// Sequences by hand; each completes one test and no other.
    const SEQUENCES: [(usize, usize, usize, &[f64]); 8] = [
        (1, 6, 6, &[0.2, -0.5, 1.1, -1.3, 0.4, 3.2, -0.7]),
        (2, 2, 10, &[-0.4, 0.3, 1.2, 0.5, 0.9, 0.1, 1.4, 0.6, 0.2, 0.8]),
        (3, 2, 7, &[0.6, -1.4, -0.9, -0.3, 0.2, 0.7, 1.3, -0.2]),
        (4, 1, 14, &[0.5, -0.2, 1.2, -1.1, 0.3, -0.6, 1.5, 0.1, 0.9, -0.8, 0.4, -1.2, 0.2, -0.5]),
        (5, 3, 5, &[0.3, -0.4, 2.3, 0.5, 2.4, -0.2]),
        (6, 2, 6, &[-0.3, 1.2, 1.6, 0.4, 1.3, 1.1, -0.6]),
        (7, 1, 15, &[0.1, -0.6, 0.4, 0.8, -0.3, -0.9, 0.2, 0.5, -0.1, -0.7, 0.3, 0.9, 0.6, -0.4, 0.7]),
        (8, 2, 9, &[0.2, 1.3, -1.2, 1.6, 1.1, -1.8, -1.4, 1.7, -1.1]),
    ];

    #[test]
    fn each_sequence_completes_its_test_alone_and_where_it_should() {
        for (test, from, at, z) in SEQUENCES {
            assert_eq!(completed(z, &ALL), [Completed { test, from: from - 1, at: at - 1 }], "test {test}");
            let mirrored: Vec<f64> = z.iter().map(|z| -z).collect();
            assert_eq!(completed(&mirrored, &ALL), [Completed { test, from: from - 1, at: at - 1 }], "mirrored {test}");
            let mut without = ALL;
            without[test - 1] = false;
            assert_eq!(completed(z, &without), [], "test {test} switched off");
        }
    }

    #[test]
    fn a_pattern_that_lacks_one_value_is_none() {
        for (test, _, at, z) in SEQUENCES {
            assert_eq!(completed(&z[..at - 1], &ALL), [], "test {test}");
        }
        // Exactly on a line is not beyond it; equal neighbours neither rise nor fall; eight on one side are test 2's.
        assert_eq!(completed(&[3.0, -3.0], &ALL), []);
        assert_eq!(completed(&[0.1, 0.2, 0.3, 0.3, 0.4, 0.5, 0.6], &ALL), []);
        assert_eq!(
            completed(&[1.1, 1.3, 1.2, 1.4, 1.1, 1.3, 1.2, 1.4], &[false, true, true, true, true, false, true, true]),
            []
        );
    }
}
