//! A seam that bends so steeply that its shift changes within a patch: its patches are sought at many slopes, the one side
//! drawn out along the seam or leant, and the likeliest line through all of their peaks is taken.

use crate::measure::seams::common::Common;
use crate::measure::seams::find::Found;
use crate::measure::seams::held::intensity_ratio;
use crate::measure::seams::patch::{Patch, bent_mean, is_smooth, weighted_mean};
use crate::measure::seams::path::{self, Candidate, Line};
use crate::measured::{Measured, NotMeasured};
use crate::numerics::registration::spectral::{Bench, Cross, Peak};
use rustfft::num_complex::Complex32;

/// In patches larger than this a bend of some pixels changes little, and to look for slopes would take long.
const LARGEST_PX: usize = 64;
/// A line stands out of what chance strings together by this, in standard deviations: patches held against others of their
/// seam give lines of up to 5, and of 8 over a lattice.
const STANDS_OUT: f64 = 12.0;
/// Of the peaks of chance that lie about where a line goes on, at all slopes, the highest comes to about as much.
const BY_CHANCE: f64 = 3.5;
/// A line whose mean is further from where it was sought is sought there once more: its other end may lie out of reach.
const FAR_PX: f64 = 2.0;
/// Cut where it lies, a patch is off by no more than this.
const REST_PX: usize = 3;
/// A patch of a line knows its shift to this at least: what it does not show, say along its stripes, its neighbours do.
const WORST_SD_PX: f64 = 2.0;

/// All pairs of -0.2, -0.1 … 0.2: beyond that nothing of a specimen is left to recognise.
const SLOPES: [[f64; 2]; 25] = {
    let mut slopes = [[0.0; 2]; 25];
    let mut at = 0;
    while at < 25 {
        slopes[at] = [(at % 5) as f64 * 0.1 - 0.2, (at / 5) as f64 * 0.1 - 0.2];
        at += 1;
    }
    slopes
};

/// What such a seam says; `offset_counts` are counts without electrons.
///
/// # Errors
/// Where chance gives as good a line, or it does not bend.
pub fn steep(common: &Common<'_>, offset_counts: f64) -> Measured<Found> {
    let none = || NotMeasured::because("its overlap shows no common texture");
    if common.size.0.max(common.size.1) > LARGEST_PX {
        return Err(none());
    }
    let bench = common.bench();
    let sides = Sides::new(common, &bench);
    let steps = sides.line().ok_or_else(none)?;
    let patch = |step: &Step| {
        let beyond = step.candidate.beyond_px.map(|px| px as f64);
        let px = [beyond[0] + step.peak.x, beyond[1] + step.peak.y];
        common.patch(common.starts[step.patch], px, step.peak.sd.map(|sd| sd.min(WORST_SD_PX)))
    };
    let patches: Vec<Patch> = steps.iter().map(patch).collect();
    let looked = common.starts.len();
    let difference_px = bent_mean(&patches, looked).filter(|_| is_smooth(&patches)).ok_or_else(none)?;
    let (_, sd_px) = weighted_mean(&patches).ok_or_else(none)?;
    let correlation = steps.iter().map(|step| step.peak.correlation).sum::<f64>() / steps.len() as f64;
    let intensity_ratio = intensity_ratio(&common.looks(&bench, |_| true), offset_counts);
    Ok(Found { difference_px, sd_px, correlation, intensity_ratio, patches, looked })
}

/// A patch of the line, and what is left of its shift.
struct Step {
    patch: usize,
    candidate: Candidate,
    peak: Peak,
}

/// The patches of both tiles.
struct Sides<'a> {
    common: &'a Common<'a>,
    bench: &'a Bench,
    from: Vec<Option<Vec<Complex32>>>,
}

impl<'a> Sides<'a> {
    fn new(common: &'a Common<'a>, bench: &'a Bench) -> Self {
        let spectrum =
            |&start: &[usize; 2]| Some(bench.spectrum(&common.sloped(common.from, start, [0, 0], [0.0; 2])?));
        Self { common, bench, from: common.starts.iter().map(spectrum).collect() }
    }

    fn cross(&self, patch: usize, beyond: [i64; 2], slope: [f64; 2]) -> Option<Cross> {
        let common = self.common;
        let moved = [0, 1].map(|k| common.whole[k] + beyond[k]);
        let side = common.sloped(common.to, common.starts[patch], moved, slope)?;
        Some(self.bench.cross(self.from[patch].as_ref()?, &self.bench.spectrum(&side)))
    }

    /// All peaks of a patch about a shift beyond that of the seam.
    fn candidates(&self, patch: usize, about: [i64; 2]) -> Vec<Candidate> {
        let reach = self.common.widest();
        let at = |&slope: &[f64; 2]| {
            let maxima = |cross: Cross| Some(self.bench.maxima(&cross, &self.bench.window(&cross, reach)?, BY_CHANCE));
            let peaks = self.cross(patch, about, slope).and_then(maxima);
            let candidate = move |([x, y], significance): ([i64; 2], f64)| Candidate {
                beyond_px: [about[0] + x, about[1] + y],
                slope,
                significance,
            };
            peaks.unwrap_or_default().into_iter().map(candidate)
        };
        SLOPES.iter().flat_map(at).collect()
    }

    fn line_about(&self, about: [i64; 2]) -> Line {
        let candidates: Vec<Vec<Candidate>> =
            (0..self.common.starts.len()).map(|patch| self.candidates(patch, about)).collect();
        let along: Vec<f64> = self.common.starts.iter().map(|start| self.common.along_px(start)).collect();
        path::best(&along, &candidates, BY_CHANCE)
    }

    /// The likeliest line; `None` where chance gives as good a one.
    fn line(&self) -> Option<Vec<Step>> {
        let mut line = self.line_about([0, 0]);
        let about = line.mean_px();
        if about.iter().any(|px| px.abs() > FAR_PX) {
            let again = self.line_about(about.map(|px| px.round() as i64));
            line = if again.stands_out > line.stands_out { again } else { line };
        }
        let step = |(patch, candidate): (usize, Option<Candidate>)| {
            let candidate = candidate?;
            let peak = self.bench.peak(&self.cross(patch, candidate.beyond_px, candidate.slope)?, [REST_PX; 2])?;
            Some(Step { patch, candidate, peak })
        };
        (line.stands_out >= STANDS_OUT).then(|| line.patches.into_iter().enumerate().filter_map(step).collect())
    }
}
