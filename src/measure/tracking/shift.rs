//! Recorded image shift, and where it was reset or made a jump of the stage good.

use crate::intake::Series;
use crate::measure::tracking::steps::Step;
use crate::numerics::median::upper_median;

/// A reset leaves at most this share of the shift that was there.
const LEFT_AFTER_RESET: f64 = 0.3;
/// It is this many times the usual change between the tilts about it …
const TIMES_USUAL: f64 = 5.0;
const ABOUT: usize = 3;
/// … and more than this, in px, or it would not matter.
const LEAST_RESET_PX: f64 = 8.0;
/// Of a jump of the stage that image shift made good, the picture shows less than this share.
const SHOWN: f64 = 0.3;

/// Mean image shift over the tiles of each tilt, at the specimen, in µm; `None` where a tilt states none.
pub fn shifts_um(series: &Series) -> Vec<Option<[f64; 2]>> {
    let of_tilt = |rows: &[usize]| {
        let stated: Vec<[f64; 2]> = rows.iter().filter_map(|&row| series.sections[row].row.shift_um).collect();
        let n = stated.len() as f64;
        (!stated.is_empty()).then(|| [0, 1].map(|k| stated.iter().map(|shift| shift[k]).sum::<f64>() / n))
    };
    series.tilts.iter().map(|tilt| of_tilt(&tilt.rows)).collect()
}

/// The same in px of the assembled picture; `None` without a pixel size.
pub fn shifts_px(series: &Series) -> Vec<Option<[f64; 2]>> {
    let per_um = series.pixel_nm.map(|pixel_nm| 1000.0 / pixel_nm);
    shifts_um(series).into_iter().map(|shift| shift.zip(per_um).map(|(s, per_um)| s.map(|um| um * per_um))).collect()
}

/// The order of the first tilt after each reset, which takes most of a large shift back at once, while the picture stays where
/// it was or jumps with it.
pub fn resets(orders: &[usize], shifts_px: &[Option<[f64; 2]>]) -> Vec<usize> {
    let mut in_time: Vec<usize> = (0..orders.len()).filter(|&at| shifts_px[at].is_some()).collect();
    in_time.sort_by_key(|&at| orders[at]);
    let length = |v: [f64; 2]| v[0].hypot(v[1]);
    let shift = |at: usize| shifts_px[at].unwrap_or_default();
    let change = |a: usize, b: usize| length([shift(b)[0] - shift(a)[0], shift(b)[1] - shift(a)[1]]);
    let changes: Vec<f64> = in_time.windows(2).map(|pair| change(pair[0], pair[1])).collect();
    let usual = |at: usize| {
        let near = at.saturating_sub(ABOUT)..(at + ABOUT + 1).min(changes.len());
        let mut others: Vec<f64> = near.filter(|&other| other != at).map(|other| changes[other]).collect();
        others.sort_by(f64::total_cmp);
        others.get(others.len() / 2).copied().unwrap_or(0.0)
    };
    let is_reset = |at: usize, a: usize, b: usize| {
        changes[at] > LEAST_RESET_PX
            && changes[at] > TIMES_USUAL * usual(at)
            && length(shift(b)) < LEFT_AFTER_RESET * length(shift(a))
    };
    let every = in_time.windows(2).enumerate();
    every.filter(|(at, pair)| is_reset(*at, pair[0], pair[1])).map(|(_, pair)| orders[pair[1]]).collect()
}

/// The order of each tilt from which on the stage stands elsewhere: a jump that stays, far beyond what the stage does from tilt
/// to tilt, and made good by image shift, so that the picture shows little of it.
pub fn made_good(orders: &[usize], steps: &[Option<Step>], stage_steps: &[Option<Step>]) -> Vec<usize> {
    let usual = upper_median(stage_steps.iter().flatten().map(Step::length).filter(|length| *length > 0.0));
    let least = LEAST_RESET_PX.max(TIMES_USUAL * usual.unwrap_or(0.0));
    let shown = |at: usize| steps[at].as_ref().map_or(0.0, Step::length);
    let is_one = |(at, step): &(usize, &Option<Step>)| {
        let jump = step.as_ref().filter(|step| step.stays()).map_or(0.0, Step::length);
        jump > least && shown(*at) < SHOWN * jump
    };
    stage_steps.iter().enumerate().filter(is_one).map(|(at, _)| orders[at]).collect()
}

/// The piece of each tilt, from 0 and without holes; one begins at each of the orders `starts`.
pub fn pieces(orders: &[usize], positions_px: &[Option<[f64; 2]>], starts: &[usize]) -> Vec<usize> {
    let raw: Vec<usize> = orders.iter().map(|order| starts.iter().filter(|start| *start <= order).count()).collect();
    // Pieces without a followed tilt would leave a hole in the numbering.
    let mut kept: Vec<usize> = raw.iter().zip(positions_px).filter(|(_, p)| p.is_some()).map(|(r, _)| *r).collect();
    kept.sort_unstable();
    kept.dedup();
    raw.iter().map(|piece| kept.iter().position(|kept| kept >= piece).unwrap_or(0)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reset_begins_a_new_piece_and_a_slow_walk_through_zero_does_not() {
        let orders: Vec<usize> = (0..21).collect();
        let places = vec![Some([0.0; 2]); 21];
        let walk = |reset: bool| -> Vec<Option<[f64; 2]>> {
            (0..21)
                .map(|i| Some([6.0 * f64::from(i) - 60.0 + if reset && i >= 18 { -48.0 } else { 0.0 }, 0.0]))
                .collect()
        };
        assert!(resets(&orders, &walk(false)).is_empty());
        let with = pieces(&orders, &places, &resets(&orders, &walk(true)));
        assert_eq!((with[17], with[18], with[20]), (0, 1, 1));
    }

    #[test]
    fn a_series_without_shifts_is_one_piece() {
        let starts = resets(&[0, 1, 2], &[None; 3]);
        assert_eq!(pieces(&[0, 1, 2], &[None, Some([0.0; 2]), None], &starts), [0, 0, 0]);
    }
}
