//! Coverage of a pair: which directions neither series sees.

use crate::physics::pyramid::{Range, missing_fraction};
use crate::physics::tilt::missing_wedge_fraction;
use crate::record::pair::{PairCoverage, PairRanges};
use crate::record::{Coverage, Record};

/// Axes this far from perpendicular are told: at 10° off, ±60° leave 16.7 % unseen in place of 16.1 %.
const OFF_PERPENDICULAR_DEG: f64 = 10.0;

/// Coverage as recorded and after exclusion. The axis of `a` is seen in the picture of `b` at its direction less the
/// turn of the specimen, so that the axes lie `b - a + turn` apart in the specimen.
pub fn measure(
    a: &Record,
    b: &Record,
    [axis_a, axis_b]: [Option<f64>; 2],
    turn_deg: Option<f64>,
    notes: &mut Vec<String>,
) -> PairCoverage {
    let known = axis_a.zip(axis_b).zip(turn_deg).map(|((a, b), turn)| (b - a + turn).rem_euclid(360.0));
    let apart = known.unwrap_or(90.0);
    if known.is_none() {
        notes.push("the angle between the two axes is not measured: coverage takes them to be perpendicular".into());
    } else if (apart.rem_euclid(180.0) - 90.0).abs() > OFF_PERPENDICULAR_DEG {
        let apart = apart.rem_euclid(180.0);
        notes.push(format!(
            "the two axes lie {apart:.0}° apart in the specimen, not 90°: the pair covers less than it could"
        ));
    }
    PairCoverage {
        axes_apart_deg: apart,
        axes_apart_source: if known.is_some() { "measured".into() } else { "assumed".into() },
        recorded: ranges(&a.measures.coverage, &b.measures.coverage, apart),
        left: ranges(&a.verdict.coverage_after, &b.verdict.coverage_after, apart),
    }
}

fn ranges(a: &Coverage, b: &Coverage, apart_deg: f64) -> PairRanges {
    let range = |of: &Coverage| Range { min_deg: of.min_deg, max_deg: of.max_deg };
    PairRanges {
        a_deg: [a.min_deg, a.max_deg],
        b_deg: [b.min_deg, b.max_deg],
        missing_a_fraction: missing_wedge_fraction(a.min_deg, a.max_deg),
        missing_b_fraction: missing_wedge_fraction(b.min_deg, b.max_deg),
        missing_fraction: missing_fraction(range(a), range(b), apart_deg),
    }
}
