//! A seam so bent that most of its patches are not found about its own shift: followed from patch to patch.
//!
//! A bend is smooth. From the patches that stand out within a wide reach it goes on to their neighbours, each sought
//! around the shift of the one before; so few displacements need less of a peak. (Where a bend is so steep that its shift
//! changes within a patch, see [`crate::measure::seams::steep`].)

use crate::numerics::registration::spectral::Peak;

/// A patch that may begin the chain, and one that may go on with it, in standard deviations of chance.
const BEGINS: f64 = 5.0;
const GOES_ON: f64 = 3.8;
/// From one patch to the next the shift changes by less than this, in pixels.
const NEXT_REACH_PX: usize = 7;

/// A patch on a bend: what it was cut at beyond the seam's shift, and the peak about that.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Whole pixels beyond the seam's shift.
    pub beyond_px: [i64; 2],
    /// What is left of the shift.
    pub peak: Peak,
}

impl Step {
    /// Shift beyond that of the seam.
    pub fn px(&self) -> [f64; 2] {
        [self.beyond_px[0] as f64 + self.peak.x, self.beyond_px[1] as f64 + self.peak.y]
    }

    /// The same in whole pixels.
    fn whole(&self) -> [i64; 2] {
        let [x, y] = self.beyond_px;
        [x + self.peak.x.round() as i64, y + self.peak.y.round() as i64]
    }
}

/// Follows so many patches in order along a seam; `look(patch, beyond the seam's shift, reach)` registers one.
pub fn follow(
    patches: usize,
    reach: [usize; 2],
    look: impl Fn(usize, [i64; 2], [usize; 2]) -> Option<Peak>,
) -> Vec<Option<Step>> {
    let found = |patch: usize, beyond_px: [i64; 2], reach: [usize; 2], least: f64| {
        let peak = look(patch, beyond_px, reach)?;
        (peak.inside && peak.significance >= least).then_some(Step { beyond_px, peak })
    };
    let next_reach = [NEXT_REACH_PX; 2];
    let mut steps: Vec<Option<Step>> = (0..patches).map(|patch| found(patch, [0, 0], reach, BEGINS)).collect();
    // Cut where it lies, a patch shows more of itself.
    for (patch, step) in steps.iter_mut().enumerate() {
        let Some(first) = *step else { continue };
        *step = found(patch, first.whole(), next_reach, GOES_ON).or(*step);
    }
    loop {
        let next = (0..patches).filter(|&patch| steps[patch].is_none()).find_map(|patch| {
            let beside = [patch.checked_sub(1), (patch + 1 < patches).then_some(patch + 1)];
            let near = beside.into_iter().flatten().filter_map(|beside| steps[beside]);
            best(near.filter_map(|step| found(patch, step.whole(), next_reach, GOES_ON))).map(|step| (patch, step))
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

    fn peak(x: f64, y: f64, significance: f64) -> Peak {
        Peak { x, y, correlation: 0.7, significance, sd: [0.2; 2], information: [1.0, 0.0, 1.0], inside: true }
    }

    #[test]
    fn a_bend_is_followed_from_where_it_is_plain() {
        let bend = |patch: usize| 11.0 * (patch as f64 * 0.6).sin();
        // What lies further from where it is cut shows less.
        let look = |patch: usize, beyond: [i64; 2], reach: [usize; 2]| {
            let rest = bend(patch) - beyond[1] as f64;
            let inside = rest.abs() < reach[1] as f64;
            inside.then(|| peak(0.0, rest, 6.5 - 0.35 * rest.abs()))
        };
        let steps = follow(10, [6, 12], look);
        for (patch, step) in steps.iter().enumerate() {
            let step = step.unwrap();
            assert!((step.beyond_px[1] as f64 + step.peak.y - bend(patch)).abs() < 1e-9, "{patch}: {step:?}");
        }
    }

    #[test]
    fn without_a_plain_patch_there_is_no_chain() {
        assert!(follow(10, [6, 12], |_, _, _| Some(peak(0.0, 0.0, 4.9))).iter().all(Option::is_none));
    }
}
