//! Patches of a weak seam that stand out together: where electrons are few, most of them do not by themselves, and over
//! texture that runs along one direction none knows its shift along that.
//!
//! Of all peaks of all patches about the seam's shift those are taken that go on from one another along the seam and stand
//! out most in sum (see [`crate::measure::seams::path`]). What chance strings together is told by how little it stands out.
//! What a patch does not know by itself its neighbours do: a bend is smooth.

use crate::measure::seams::common::{Common, Look, weigh_by};
use crate::measure::seams::patch::{Patch, is_bent, is_smooth};
use crate::measure::seams::path::{self, Candidate, Line};
use crate::numerics::registration::spectral::{Bench, Peak};
use crate::numerics::registration::window::Window;
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// Within reach of where a line goes on the highest peak of chance stands out by about as much.
const BY_CHANCE: f64 = 2.5;
/// A line stands out of what chance strings together by this for each of the seam's patches: held against others of their
/// seam they give lines of up to 1.1, and where it is 1.5 to 2 bends came out up to 1.8 times too large.
const STANDS_OUT: f64 = 2.5;
/// By this a line of fewer electrons stands out of chance: it tells no patch, but that the seam is straight
const BEYOND_CHANCE: f64 = 1.1;
/// if it runs along the seam's own shift over this share of the patches; of a bend by 2 px half of them lie there.
const MOSTLY: f64 = 0.75;
/// Where a seam bends, patches are weighed anew so many times,
const WEIGHED_ANEW: usize = 2;
/// after which a peak lies no further from where their run was.
const SAME_PX: f64 = 1.5;
/// A run of patches that leaves its own middle by no more than this, or by no more than two standard deviations, is straight:
/// frequencies are weighed as they should be.
const STRAIGHT_PX: f64 = 0.5;
const STRAIGHT_SDS: f64 = 2.0;
/// A patch that knows its shift so well is taken as it is; one that knows it less well, with what its neighbours say.
const KNOWN_PX: f64 = 0.4;
/// So many of the patches must, or a bend is not known.
const LEAST_KNOWN: f64 = 0.6;
/// Of these the likeliest is how far a patch lies from the middle of its neighbours, one standard deviation in pixels.
const ROUGHNESSES_PX: [f64; 6] = [0.05, 0.15, 0.4, 1.0, 2.0, 4.0];
/// A flat prior that keeps the equations from being singular, in pixels.
const ANYWHERE_PX: f64 = 30.0;

/// What a patch shows by itself.
pub struct Seen {
    /// Its correlation as far as patches are looked for.
    pub window: Option<Window>,
    /// The highest peak about where the seam lies.
    pub peak: Option<Peak>,
}

/// What the patches of a seam say together.
pub struct Together {
    /// All of them; none where chance gives as good a line, or too few of them know their shifts.
    pub patches: Vec<Patch>,
    /// They stand out of chance, and run straight.
    pub is_straight: bool,
}

/// The likeliest line through all patches of a seam, frequencies being weighed by what its shift as a whole tells of them.
/// `seen`: of each patch its correlation as far as patches are looked for, and the highest peak.
pub fn together(common: &Common<'_>, bench: &Bench, looks: &mut [Look], seen: &[Seen]) -> Together {
    let nothing = || Together { patches: Vec::new(), is_straight: false };
    let candidates = |(look, seen): (&Look, &Seen)| -> Vec<Candidate> {
        let peaks = seen.window.as_ref().map(|window| bench.maxima(&look.cross, window, BY_CHANCE)).unwrap_or_default();
        let candidate =
            |(beyond_px, significance): ([i64; 2], f64)| Candidate { beyond_px, slope: [0.0; 2], significance };
        peaks.into_iter().map(candidate).collect()
    };
    let along: Vec<f64> = looks.iter().map(|look| common.along_px(&look.start)).collect();
    let line = path::best(&along, &looks.iter().zip(seen).map(candidates).collect::<Vec<_>>(), BY_CHANCE);
    if line.stands_out < STANDS_OUT * looks.len() as f64 {
        return Together { is_straight: runs_straight(&line, looks.len()), ..nothing() };
    }
    let on_line = |((look, candidate), seen): ((&Look, &Option<Candidate>), &Seen)| {
        let at = candidate.as_ref()?.beyond_px.map(|px| px as f64);
        seen.peak.filter(|peak| is_near(peak, at)).or_else(|| bench.peak_near(&look.cross, at))
    };
    let mut peaks = pooled(&looks.iter().zip(&line.patches).zip(seen).map(on_line).collect::<Vec<_>>(), looks);
    let mut straight = false;
    for _ in 0..WEIGHED_ANEW {
        let Some(run) = smoothed(&peaks) else { return nothing() };
        straight = is_straight(&run);
        // Each where it lies, patches show what fine frequencies they have in common: a bend had smeared that.
        if !straight {
            weigh_by(bench, looks, &run.iter().map(|smooth| smooth.at).collect::<Vec<_>>());
        }
        let again = |((look, smooth), peak): ((&Look, &Smoothed), &Option<Peak>)| {
            let same = peak.filter(|peak| straight && is_near(peak, smooth.at));
            same.or_else(|| bench.peak_near(&look.cross, smooth.at).filter(|peak| is_near(peak, smooth.at)))
        };
        peaks = pooled(&looks.iter().zip(&run).zip(&peaks).map(again).collect::<Vec<_>>(), looks);
        if straight {
            break;
        }
    }
    let is_known = |peak: &&Peak| peak.sd.iter().all(|&sd| sd < KNOWN_PX);
    let known = peaks.iter().flatten().filter(is_known).count();
    let Some(smooth) = smoothed(&peaks).filter(|_| known as f64 >= LEAST_KNOWN * looks.len() as f64) else {
        return Together { is_straight: straight, ..nothing() };
    };
    let patch = |((look, own), smooth): ((&Look, &Option<Peak>), &Smoothed)| {
        let own = own.as_ref().filter(is_known).map(|own| ([own.x, own.y], own.sd));
        let (beyond_px, sd_px) = own.unwrap_or((smooth.at, smooth.sd));
        common.patch(look.start, beyond_px, sd_px)
    };
    let patches: Vec<Patch> = looks.iter().zip(&peaks).zip(&smooth).map(patch).collect();
    let is_chance = is_bent(&patches) && !is_smooth(&patches);
    Together { patches: if is_chance { Vec::new() } else { patches }, is_straight: straight }
}

fn is_near(peak: &Peak, [x, y]: [f64; 2]) -> bool {
    (peak.x - x).hypot(peak.y - y) < SAME_PX
}

/// Whether a line that stands out too little to be told, but more than chance, runs along the seam's own shift.
fn runs_straight(line: &Line, patches: usize) -> bool {
    let along = |candidate: &&Candidate| candidate.beyond_px.iter().all(|px| (*px as f64).abs() < SAME_PX);
    let n = line.patches.iter().flatten().filter(along).count() as f64;
    line.stands_out >= BEYOND_CHANCE * patches as f64 && n >= MOSTLY * patches as f64
}

/// Whether nothing shows that a run leaves its own middle.
fn is_straight(run: &[Smoothed]) -> bool {
    (0..2).all(|k| {
        let middle = run.iter().map(|smooth| smooth.at[k]).sum::<f64>() / run.len() as f64;
        run.iter().all(|smooth| (smooth.at[k] - middle).abs() < STRAIGHT_PX.max(STRAIGHT_SDS * smooth.sd[k]))
    })
}

/// The same with the uncertainties of peaks that are as sharp as all of them are on average: where electrons are few, noise
/// makes the one sharp and the other blunt, and all show one texture.
fn pooled(peaks: &[Option<Peak>], looks: &[Look]) -> Vec<Option<Peak>> {
    let unsure2 = |peak: &Peak, look: &Look| {
        (1.0 - peak.correlation.powi(2)).max(1e-6) * (look.cross.chance_sd() / peak.correlation.max(1e-6)).powi(2)
    };
    let both = || peaks.iter().zip(looks).filter_map(|(peak, look)| Some((peak.as_ref()?, look)));
    let heights: f64 = both().map(|(peak, _)| peak.correlation).sum();
    let mean = |k: usize| {
        both().map(|(peak, look)| peak.correlation * peak.information[k] * unsure2(peak, look)).sum::<f64>() / heights
    };
    let sharpness = [0, 1, 2].map(mean);
    let one = |(peak, look): (&Option<Peak>, &Look)| {
        let peak = peak.as_ref()?;
        let unsure2 = unsure2(peak, look);
        let sd = [sharpness[0], sharpness[2]].map(|k| (unsure2 / k.max(1e-12)).sqrt());
        Some(Peak { sd, information: sharpness.map(|k| k / unsure2), ..*peak })
    };
    peaks.iter().zip(looks).map(one).collect()
}

/// A patch with what its neighbours say.
struct Smoothed {
    at: [f64; 2],
    sd: [f64; 2],
}

/// Each patch's peak with its own uncertainty, and a run of patches whose second differences are normal, of the likeliest
/// width (Wahba 1978, J. R. Stat. Soc. B 40:364: a smoothing spline by the likelihood of what is observed).
fn smoothed(peaks: &[Option<Peak>]) -> Option<Vec<Smoothed>> {
    let fits = ROUGHNESSES_PX.into_iter().filter_map(|roughness| Fit::of(peaks, roughness));
    let best = fits.max_by(|a, b| a.likelihood.total_cmp(&b.likelihood))?;
    let covariance = best.precision.inverse();
    let one = |at: usize| Smoothed {
        at: [best.places[2 * at], best.places[2 * at + 1]],
        sd: [0, 1].map(|k| covariance[(2 * at + k, 2 * at + k)].max(0.0).sqrt()),
    };
    Some((0..peaks.len()).map(one).collect())
}

struct Fit {
    places: DVector<f64>,
    precision: Cholesky<f64, Dyn>,
    /// Logarithm of the likelihood of the peaks, up to a constant.
    likelihood: f64,
}

impl Fit {
    fn of(peaks: &[Option<Peak>], roughness_px: f64) -> Option<Self> {
        let n = peaks.len();
        let mut prior = DMatrix::<f64>::identity(2 * n, 2 * n) * ANYWHERE_PX.powi(-2);
        for first in 0..n.saturating_sub(2) {
            for (i, u) in [1.0, -2.0, 1.0].into_iter().enumerate() {
                for (j, v) in [1.0, -2.0, 1.0].into_iter().enumerate() {
                    for k in 0..2 {
                        prior[(2 * (first + i) + k, 2 * (first + j) + k)] += u * v * roughness_px.powi(-2);
                    }
                }
            }
        }
        let (mut precision, mut pull, mut square) = (prior.clone(), DVector::<f64>::zeros(2 * n), 0.0);
        for (at, peak) in peaks.iter().enumerate() {
            let Some(Peak { x, y, information: [xx, xy, yy], .. }) = *peak else { continue };
            for (k, l, value) in [(0, 0, xx), (0, 1, xy), (1, 0, xy), (1, 1, yy)] {
                precision[(2 * at + k, 2 * at + l)] += value;
            }
            pull[2 * at] += xx * x + xy * y;
            pull[2 * at + 1] += xy * x + yy * y;
            square += xx * x * x + 2.0 * xy * x * y + yy * y * y;
        }
        let log_det = |cholesky: &Cholesky<f64, Dyn>| {
            2.0 * cholesky.l_dirty().diagonal().iter().map(|value| value.ln()).sum::<f64>()
        };
        let (before, after) = (prior.cholesky()?, precision.cholesky()?);
        let places = after.solve(&pull);
        let likelihood = 0.5 * (log_det(&before) - log_det(&after) - square + places.dot(&pull));
        Some(Self { places, precision: after, likelihood })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn peak(x: f64, y: f64, sd: [f64; 2]) -> Option<Peak> {
        let information = [sd[0].powi(-2), 0.0, sd[1].powi(-2)];
        Some(Peak { x, y, correlation: 0.4, significance: 4.0, sd, information, inside: true })
    }

    #[test]
    fn a_faint_line_runs_straight_where_most_of_it_lies_on_the_seam() {
        let line = |bend: f64, stands_out: f64| {
            let candidate = |at: usize| Candidate {
                // One in five is a peak of chance.
                beyond_px: [if at.is_multiple_of(5) { 3 } else { 0 }, (bend * (0.7 * at as f64).sin()).round() as i64],
                slope: [0.0; 2],
                significance: 4.0,
            };
            Line { patches: (0..12).map(|at| Some(candidate(at))).collect(), stands_out }
        };
        assert!(runs_straight(&line(0.0, 16.0), 12));
        assert!(!runs_straight(&line(0.0, 12.0), 12), "chance gives as much");
        assert!(!runs_straight(&line(3.0, 16.0), 12), "it bends");
        assert!(!runs_straight(&line(0.0, 16.0), 14), "too few of its patches");
    }

    #[test]
    fn what_a_patch_does_not_know_its_neighbours_do() {
        let bend = |at: usize| [2.0 * (0.7 * at as f64).sin(), -(0.7 * at as f64).sin()];
        let mut peaks: Vec<Option<Peak>> = (0..9).map(|at| peak(bend(at)[0], bend(at)[1], [0.2; 2])).collect();
        // One shows nothing, one runs along y.
        peaks[3] = None;
        peaks[6] = peak(bend(6)[0], bend(6)[1] + 3.0, [0.2, 4.0]);
        let smooth = smoothed(&peaks).unwrap();
        for at in [3, 6] {
            let off = [0, 1].map(|k| smooth[at].at[k] - bend(at)[k]);
            assert!(off[0].hypot(off[1]) < 0.6, "{at}: {off:?}");
        }
        assert!(smooth[3].sd[0] > 0.2 && smooth[3].sd[0] < 1.5 && smooth[6].sd[0] < 0.25);
        // Patches that lie still bend nowhere.
        let still: Vec<Option<Peak>> =
            (0..9).map(|at| peak(if at % 2 == 0 { 0.1 } else { -0.1 }, 0.0, [0.3; 2])).collect();
        assert!(smoothed(&still).unwrap().iter().all(|smooth| smooth.at[0].abs() < 0.05));
    }
}
