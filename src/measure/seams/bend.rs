//! A seam so bent that most of its patches are not found about its own shift: followed from patch to patch.
//!
//! A bend is smooth. From the patches that stand out within a wide reach it goes on to their neighbours, each sought
//! around the shift of the one before; so few displacements need less of a peak. Where a bend is so steep that its shift
//! changes within a patch, patches are sought with a slope as well: the one side is drawn out along the seam, or leant.

use crate::numerics::registration::spectral::Peak;

/// How patches are looked for.
pub struct Manner {
    /// Slopes that are tried: change of the shift (x, y), pixels a pixel along the seam.
    pub slopes: &'static [[f64; 2]],
    /// A patch that may begin the chain, and one that may go on with it, in standard deviations of chance.
    begins: f64,
    goes_on: f64,
    /// From one patch to the next the shift changes by less than this beyond what the slopes say, in pixels.
    next_reach_px: usize,
}

/// A patch keeps one shift.
pub const EVEN: Manner = Manner { slopes: &[[0.0; 2]], begins: 5.0, goes_on: 3.8, next_reach_px: 7 };
/// A patch is drawn out or leant; with as many slopes chance comes higher.
pub const STEEP: Manner = Manner { slopes: &SLOPES, begins: 6.0, goes_on: 4.5, next_reach_px: 4 };
const SLOPES: [[f64; 2]; 25] = slopes();

/// All pairs of -0.2, -0.1 … 0.2: beyond that nothing of a specimen is left to recognise.
const fn slopes() -> [[f64; 2]; 25] {
    let mut slopes = [[0.0; 2]; 25];
    let mut at = 0;
    while at < 25 {
        slopes[at] = [(at % 5) as f64 * 0.1 - 0.2, (at / 5) as f64 * 0.1 - 0.2];
        at += 1;
    }
    slopes
}

/// A patch on a bend: what it was cut at beyond the seam's shift, and the peak about that.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Whole pixels beyond the seam's shift.
    pub beyond_px: [i64; 2],
    /// Slope of the shift at which it shows most.
    pub slope: [f64; 2],
    /// What is left of the shift.
    pub peak: Peak,
}

impl Step {
    /// Shift beyond that of the seam.
    fn whole(&self) -> [i64; 2] {
        let [x, y] = self.beyond_px;
        [x + self.peak.x.round() as i64, y + self.peak.y.round() as i64]
    }

    /// The same at a place `px` further along the seam, where the slope is another.
    fn whole_at(&self, px: f64, slope: [f64; 2]) -> [i64; 2] {
        let whole = self.whole();
        [0, 1].map(|k| whole[k] + (0.5 * px * (self.slope[k] + slope[k])).round() as i64)
    }
}

/// Follows patches whose middles along the seam are `along_px`; `look(patch, beyond the seam's shift, slope, reach)`
/// registers one.
pub fn follow(
    manner: &Manner,
    along_px: &[f64],
    reach: [usize; 2],
    look: impl Fn(usize, [i64; 2], [f64; 2], [usize; 2]) -> Option<Peak>,
) -> Vec<Option<Step>> {
    let n = along_px.len();
    let found = |patch: usize, beyond_at: &dyn Fn([f64; 2]) -> [i64; 2], reach: [usize; 2], least: f64| {
        let at = |&slope: &[f64; 2]| {
            let beyond_px = beyond_at(slope);
            let peak = look(patch, beyond_px, slope, reach)?;
            (peak.inside && peak.significance >= least).then_some(Step { beyond_px, slope, peak })
        };
        best(manner.slopes.iter().filter_map(at))
    };
    let next_reach = [manner.next_reach_px; 2];
    let mut steps: Vec<Option<Step>> = (0..n).map(|patch| found(patch, &|_| [0, 0], reach, manner.begins)).collect();
    // Cut where it lies, a patch shows more of itself.
    for (patch, step) in steps.iter_mut().enumerate() {
        let Some(first) = *step else { continue };
        *step = found(patch, &|_| first.whole(), next_reach, manner.goes_on).or(*step);
    }
    loop {
        let next = (0..n).filter(|&patch| steps[patch].is_none()).find_map(|patch| {
            let beside = [patch.checked_sub(1), (patch + 1 < n).then_some(patch + 1)];
            let near = beside.into_iter().flatten().filter_map(|beside| steps[beside].map(|step| (beside, step)));
            let go_on = |(beside, step): (usize, Step)| {
                let apart = along_px[patch] - along_px[beside];
                found(patch, &|slope| step.whole_at(apart, slope), next_reach, manner.goes_on)
            };
            best(near.filter_map(go_on)).map(|step| (patch, step))
        });
        let Some((patch, step)) = next else { return steps };
        steps[patch] = Some(step);
    }
}

/// The one that stands out most.
fn best(steps: impl Iterator<Item = Step>) -> Option<Step> {
    steps.max_by(|a, b| a.peak.significance.total_cmp(&b.peak.significance))
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALONG: [f64; 10] = [16.0, 41.0, 66.0, 91.0, 116.0, 141.0, 166.0, 191.0, 216.0, 241.0];

    fn peak(x: f64, y: f64, significance: f64) -> Peak {
        Peak { x, y, correlation: 0.7, significance, sd: [0.2; 2], information: [1.0, 0.0, 1.0], inside: true }
    }

    #[test]
    fn a_bend_is_followed_from_where_it_is_plain() {
        let bend = |patch: usize| 11.0 * (patch as f64 * 0.6).sin();
        // What lies further from where it is cut shows less.
        let look = |patch: usize, beyond: [i64; 2], _: [f64; 2], reach: [usize; 2]| {
            let rest = bend(patch) - beyond[1] as f64;
            let inside = rest.abs() < reach[1] as f64;
            inside.then(|| peak(0.0, rest, 6.5 - 0.35 * rest.abs()))
        };
        let steps = follow(&EVEN, &ALONG, [6, 12], look);
        for (patch, step) in steps.iter().enumerate() {
            let step = step.unwrap();
            assert!((step.beyond_px[1] as f64 + step.peak.y - bend(patch)).abs() < 1e-9, "{patch}: {step:?}");
        }
    }

    #[test]
    fn a_steep_bend_is_followed_by_its_slopes() {
        let place = |patch: usize| ALONG[patch] * 0.025;
        let bend = |patch: usize| 8.0 * place(patch).sin();
        // A patch shows itself at about its own slope alone.
        let look = |patch: usize, beyond: [i64; 2], slope: [f64; 2], reach: [usize; 2]| {
            let (rest, steep) = (bend(patch) - beyond[1] as f64, 0.2 * place(patch).cos());
            let shows = 7.0 - 20.0 * (slope[1] - steep).abs() - 20.0 * slope[0].abs() - 0.2 * rest.abs();
            (rest.abs() < reach[1] as f64).then(|| peak(0.0, rest, shows))
        };
        let found = |manner: &Manner| follow(manner, &ALONG, [6, 12], look).iter().flatten().count();
        assert_eq!(found(&STEEP), ALONG.len());
        assert!(found(&EVEN) < ALONG.len());
    }

    #[test]
    fn without_a_plain_patch_there_is_no_chain() {
        assert!(follow(&EVEN, &ALONG, [6, 12], |_, _, _, _| Some(peak(0.0, 0.0, 4.9))).iter().all(Option::is_none));
        assert!(follow(&STEEP, &ALONG, [6, 12], |_, _, _, _| Some(peak(0.0, 0.0, 5.9))).iter().all(Option::is_none));
    }
}
