//! Numbers for people: one place for decimals, signs and what is missing.

use minijinja::Value;
use minijinja::value::ValueKind;

/// What stands where a figure is missing.
pub const MISSING: &str = "–";

/// A number with so many decimals; never `-0.0`.
pub fn fixed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let is_zero = text.trim_start_matches('-').chars().all(|c| c == '0' || c == '.');
    if is_zero { text.trim_start_matches('-').to_owned() } else { text }
}

/// Three significant digits, powers of ten where that is shorter.
pub fn significant(value: f64) -> String {
    let size = value.abs();
    if value == 0.0 {
        "0".into()
    } else if !(1e-3..1e6).contains(&size) {
        format!("{value:.1e}")
    } else if size >= 100.0 {
        fixed(value, 0)
    } else if size >= 10.0 {
        fixed(value, 1)
    } else if size >= 1.0 {
        fixed(value, 2)
    } else {
        fixed(value, 3)
    }
}

fn number(value: &Value) -> Option<f64> {
    if value.kind() == ValueKind::Number { f64::try_from(value.clone()).ok() } else { None }
}

/// Template filter `fixed(decimals)`.
pub fn fixed_filter(value: Value, decimals: usize) -> String {
    number(&value).map_or(MISSING.into(), |value| fixed(value, decimals))
}

/// Template filter `signed(decimals)`: an angle with its sign.
pub fn signed_filter(value: Value, decimals: usize) -> String {
    number(&value).map_or(MISSING.into(), |value| {
        let text = fixed(value, decimals);
        if value > 0.0 && !text.trim_matches(['0', '.']).is_empty() {
            format!("+{text}")
        } else {
            text.replace('-', "−")
        }
    })
}

/// Template filter `significant`.
pub fn significant_filter(value: Value) -> String {
    number(&value).map_or(MISSING.into(), significant)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zero_has_no_sign() {
        assert_eq!((fixed(-0.04, 1), fixed(-0.06, 1)), ("0.0".into(), "-0.1".into()));
        assert_eq!(signed_filter(Value::from(0.0), 1), "0.0");
        assert_eq!(signed_filter(Value::from(12.0), 1), "+12.0");
        assert_eq!(signed_filter(Value::from(-12.0), 0), "−12");
    }

    #[test]
    fn missing_is_no_zero() {
        assert_eq!(fixed_filter(Value::from(()), 2), MISSING);
        assert_eq!(
            (significant(0.0001), significant(6200.4), significant(0.0)),
            ("1.0e-4".into(), "6200".into(), "0".into())
        );
    }
}
