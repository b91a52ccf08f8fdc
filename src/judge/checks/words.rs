//! Words that the sentences of checks share.

use super::Outcome;
use crate::record::{Grade, Limit};

/// Angles as the subject of a sentence: `+12.0° is`, `-3.0° and +6.0° are`, `7 tilts (from … to …) are`.
pub fn angles(tilts_deg: &[f64], singular: &str, plural: &str) -> String {
    let named: Vec<String> = tilts_deg.iter().map(|deg| format!("{deg:+.1}°")).collect();
    match named.as_slice() {
        [] => format!("no tilt {singular}"),
        [one] => format!("{one} {singular}"),
        [first, .., last] if named.len() > 4 => {
            format!("{} tilts from {first} to {last} {plural}", named.len())
        }
        [some @ .., last] => format!("{} and {last} {plural}", some.join(", ")),
    }
}

/// An uncertainty in µm, where one is known.
pub fn plus_minus(error_um: Option<f64>) -> String {
    error_um.map(|error| format!(" (± {error:.3})")).unwrap_or_default()
}

/// A share as a percentage.
pub fn percent(share: f64) -> String {
    let percent = 100.0 * share;
    if percent.abs() < 10.0 { format!("{percent:.1} %") } else { format!("{percent:.0} %") }
}

/// The limit that was passed, with so many decimals.
pub fn limit(found: &Outcome<'_>, decimals: usize) -> String {
    match passed(found) {
        Some(Limit::One(value)) => format!("{value:.decimals$}"),
        Some(Limit::Between([low, high])) if high == f64::INFINITY => format!("at least {low:.decimals$}"),
        Some(Limit::Between([low, high])) if low == f64::NEG_INFINITY => format!("at most {high:.decimals$}"),
        Some(Limit::Between([low, high])) => format!("{low:.decimals$} to {high:.decimals$}"),
        None => "none".into(),
    }
}

/// The limit that was passed, as a power of ten.
pub fn limit_exp(found: &Outcome<'_>) -> String {
    match passed(found) {
        Some(Limit::One(value)) => format!("{value:.0e}"),
        _ => limit(found, 4),
    }
}

fn passed(found: &Outcome<'_>) -> Option<Limit> {
    if found.grade == Grade::Fail { found.fail } else { found.caution }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_open_end_of_a_range_is_not_named() {
        let of = |fail: [f64; 2]| {
            let (caution, fail) = (None, Some(Limit::Between(fail)));
            let found = Outcome { grade: Grade::Fail, value: -1.0, worst_deg: None, tilts_deg: &[], caution, fail };
            limit(&found, 1)
        };
        assert_eq!(of([0.0, f64::INFINITY]), "at least 0.0");
        assert_eq!(of([f64::NEG_INFINITY, 2.0]), "at most 2.0");
        assert_eq!(of([0.5, 2.0]), "0.5 to 2.0");
    }

    #[test]
    fn angles_make_a_subject() {
        assert_eq!(angles(&[12.0], "is", "are"), "+12.0° is");
        assert_eq!(angles(&[-3.0, 0.0, 6.0], "is", "are"), "-3.0°, +0.0° and +6.0° are");
        assert_eq!(angles(&[1.0, 2.0, 3.0, 4.0, 5.0], "is", "are"), "5 tilts from +1.0° to +5.0° are");
    }
}
