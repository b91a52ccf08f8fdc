//! Numbers that a file may hold: what a damaged one holds is refused before anything is computed from it.

use serde_json::Value;

/// No figure of ours is as large: up to here every whole number is exact in `f64`, and sums and products stay finite.
const LARGEST: f64 = 9_007_199_254_740_992.0;

/// The first number beyond all bounds, with its place in the file; `None` where there is none.
pub fn beyond(value: &Value) -> Option<String> {
    match value {
        Value::Number(number) => {
            let sane = number.as_f64().is_some_and(|number| number.abs() <= LARGEST);
            (!sane).then(|| format!(" holds {number}"))
        }
        Value::Array(items) => {
            items.iter().enumerate().find_map(|(at, item)| beyond(item).map(|rest| format!("[{at}]{rest}")))
        }
        Value::Object(keys) => keys.iter().find_map(|(key, item)| beyond(item).map(|rest| format!(".{key}{rest}"))),
        Value::Null | Value::Bool(_) | Value::String(_) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_number_beyond_bounds_is_named_with_its_place() {
        assert_eq!(beyond(&json!({"a": [1, -2.5e15, {"b": "1e300"}], "c": null})), None);
        assert_eq!(beyond(&json!({"a": [1, {"b": u64::MAX}]})), Some(".a[1].b holds 18446744073709551615".into()));
        assert_eq!(beyond(&json!([-1e300])), Some("[0] holds -1e+300".into()));
    }
}
