//! Medians, and the scatter that goes with them.

/// Standard deviations in a median absolute deviation of the normal law: 1 / Φ⁻¹(3/4).
pub const MAD_TO_SD: f64 = 1.4826;

/// The middle value, of an even number the mean of both middle ones; `None` of nothing.
pub fn median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    let sorted = sorted(values);
    let n = sorted.len();
    (n > 0).then(|| 0.5 * (sorted[n / 2] + sorted[(n - 1) / 2]))
}

/// The middle value, of an even number the larger of both middle ones, so that it is one of them; `None` of nothing.
pub fn upper_median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    let sorted = sorted(values);
    sorted.get(sorted.len() / 2).copied()
}

fn sorted(values: impl IntoIterator<Item = f64>) -> Vec<f64> {
    let mut values: Vec<f64> = values.into_iter().collect();
    values.sort_by(f64::total_cmp);
    values
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn medians_are_the_middle() {
        assert_eq!((median([]), upper_median([])), (None, None));
        assert_eq!((median([3.0, 1.0, 2.0]), upper_median([3.0, 1.0, 2.0])), (Some(2.0), Some(2.0)));
        assert_eq!((median([4.0, 1.0, 2.0, 3.0]), upper_median([4.0, 1.0, 2.0, 3.0])), (Some(2.5), Some(3.0)));
    }
}
