//! The likeliest smooth line of shifts along a seam, of all that its patches allow.
//!
//! Where a bend is so steep that few patches stand out by themselves, they do so together: of the peaks that every patch
//! shows at several slopes, those are taken that go on from one another and stand out most in sum. It is found by going
//! through the patches once (Viterbi 1967, IEEE Trans. Inf. Theory 13:260).

/// A peak of one patch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// Whole pixels beyond the seam's shift.
    pub beyond_px: [i64; 2],
    /// Slope at which the patch was sought: change of the shift (x, y), pixels a pixel along the seam.
    pub slope: [f64; 2],
    /// Standard deviations of chance.
    pub significance: f64,
}

/// A line.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// By patch: where it runs, or none.
    pub patches: Vec<Option<Candidate>>,
    /// By how much its patches stand out of chance in sum.
    pub stands_out: f64,
}

impl Line {
    /// Mean over its patches, in pixels beyond the seam's shift.
    pub fn mean_px(&self) -> [f64; 2] {
        let n = self.patches.iter().flatten().count().max(1) as f64;
        [0, 1].map(|k| self.patches.iter().flatten().map(|candidate| candidate.beyond_px[k] as f64).sum::<f64>() / n)
    }
}

/// From one patch to the next the shift changes by less than this beyond what the slopes say, in pixels.
const NEXT_REACH_PX: f64 = 3.5;
/// So many patches in a row may show nothing.
const BRIDGED: usize = 1;

/// The best line through the candidates of each patch. `along_px`: middles of the patches along the seam; `by_chance`: what a
/// patch must stand out by to count for a line rather than against it.
pub fn best(along_px: &[f64], candidates: &[Vec<Candidate>], by_chance: f64) -> Line {
    // By patch and candidate: the best line that ends there.
    let mut ends: Vec<Vec<End>> = Vec::with_capacity(candidates.len());
    for (patch, own) in candidates.iter().enumerate() {
        let ending = own.iter().map(|candidate| {
            let before = (patch.saturating_sub(BRIDGED + 1)..patch).flat_map(|earlier| {
                let (apart, steps) = (along_px[patch] - along_px[earlier], (patch - earlier) as f64);
                let lines = candidates[earlier].iter().zip(&ends[earlier]).enumerate();
                lines
                    .filter(move |(_, (from, _))| goes_on(from, candidate, apart, steps))
                    .map(move |(at, (_, end))| End { sum: end.sum, from: Some((earlier, at)) })
            });
            let none = End { sum: 0.0, from: None };
            let best = before.max_by(|a, b| a.sum.total_cmp(&b.sum)).filter(|best| best.sum > 0.0).unwrap_or(none);
            End { sum: best.sum + candidate.significance - by_chance, ..best }
        });
        let ending = ending.collect();
        ends.push(ending);
    }
    let all =
        ends.iter().enumerate().flat_map(|(patch, of)| of.iter().enumerate().map(move |(at, end)| (patch, at, end)));
    let last = all.max_by(|a, b| a.2.sum.total_cmp(&b.2.sum));
    let mut patches = vec![None; candidates.len()];
    let mut here = last.map(|(patch, at, _)| (patch, at));
    while let Some((patch, at)) = here {
        patches[patch] = Some(candidates[patch][at]);
        here = ends[patch][at].from;
    }
    Line { patches, stands_out: last.map_or(0.0, |(_, _, end)| end.sum) }
}

/// The end of a line: by how much it stands out, and the patch and candidate that it came from.
#[derive(Clone, Copy)]
struct End {
    sum: f64,
    from: Option<(usize, usize)>,
}

fn goes_on(from: &Candidate, to: &Candidate, apart_px: f64, steps: f64) -> bool {
    (0..2).all(|k| {
        let expected = from.beyond_px[k] as f64 + 0.5 * apart_px * (from.slope[k] + to.slope[k]);
        (to.beyond_px[k] as f64 - expected).abs() <= NEXT_REACH_PX * steps
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_of_low_peaks_beats_higher_ones_that_go_nowhere() {
        let along: Vec<f64> = (0..9).map(|patch| 28.0 * f64::from(patch)).collect();
        let bend = |patch: usize| (8.0 * (patch as f64 * 0.7).sin()).round() as i64;
        let peak = |x: i64, y: i64, significance: f64| Candidate { beyond_px: [x, y], slope: [0.0, 0.0], significance };
        let slope = |patch: usize| [0.0, 0.2 * (patch as f64 * 0.7).cos()];
        let candidates: Vec<Vec<Candidate>> = (0..9)
            .map(|patch| {
                // One patch shows nothing, and each a look-alike, now here, now there.
                let own = (patch != 4).then_some(Candidate { slope: slope(patch), ..peak(0, bend(patch), 4.6) });
                let side = if patch % 2 == 0 { 11 } else { -11 };
                own.into_iter().chain([peak(side, -side, 5.2)]).collect()
            })
            .collect();
        let line = best(&along, &candidates, 3.5);
        for (patch, step) in line.patches.iter().enumerate() {
            assert_eq!(step.map(|step| step.beyond_px), (patch != 4).then_some([0, bend(patch)]), "{patch}");
        }
        assert!((line.stands_out - 8.0 * (4.6 - 3.5)).abs() < 1e-9, "{line:?}");
        assert!(line.mean_px()[1].abs() < 8.0);
        let none = best(&along[..2], &[Vec::new(), Vec::new()], 3.5);
        assert_eq!(none, Line { patches: vec![None, None], stands_out: 0.0 });
    }
}
