//! Patches of a seam: which of them to believe, and what all of them say together.

/// Patches that scatter by less about their mean, or by little more than noise, are those of a straight seam.
const LEAST_BENT_PX: f64 = 0.5;
const BENT_OVER_NOISE: f64 = 9.0;
/// A bend of one wave over six patches leaves them half of its spread off the middle of their neighbours, chance 1.2 times
/// it.
const MOST_ROUGH: f64 = 0.65;
/// A patch so far off the middle of all, unless a neighbour is off the same way by a part of it, has found a look-alike: a
/// bend is smooth.
const LOOK_ALIKE_PX: f64 = 3.0;
const BORNE_OUT: f64 = 0.25;

/// A patch of a seam.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Patch {
    /// Its middle in `from`.
    pub middle_px: [f64; 2],
    /// Place of `to` less that of `from`, as this patch has it.
    pub difference_px: [f64; 2],
    /// One standard deviation of the two.
    pub sd_px: [f64; 2],
}

/// The patches that a neighbour bears out, or that lie near the middle of all.
pub fn without_look_alikes(patches: &[Patch]) -> Vec<Patch> {
    let middle = [0, 1].map(|k| {
        let mut values: Vec<f64> = patches.iter().map(|patch| patch.difference_px[k]).collect();
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied().unwrap_or(0.0)
    });
    let off = |at: usize| [0, 1].map(|k| patches[at].difference_px[k] - middle[k]);
    let is_borne_out = |at: usize| {
        let [x, y] = off(at);
        let length = x.hypot(y);
        let neighbours = [at.checked_sub(1), (at + 1 < patches.len()).then_some(at + 1)];
        length < LOOK_ALIKE_PX
            || neighbours.into_iter().flatten().any(|beside| {
                let [dx, dy] = off(beside);
                dx * x + dy * y >= BORNE_OUT * length * length
            })
    };
    (0..patches.len()).filter(|&at| is_borne_out(at)).map(|at| patches[at]).collect()
}

/// The mean over the patches where they differ by more than noise: no one shift fits a bent seam, and the sum of its
/// spectra would follow the patches with most contrast. `None` where the seam is straight, or too few patches are known.
pub fn bent_mean(patches: &[Patch], looks: usize) -> Option<[f64; 2]> {
    let enough = patches.len() >= 4 && 3 * patches.len() >= 2 * looks;
    let (mean, is_bent) = spread(patches);
    (enough && is_bent).then_some(mean)
}

/// Whether patches differ by more than noise, be they ever so few of those that were looked at.
pub fn is_bent(patches: &[Patch]) -> bool {
    spread(patches).1
}

/// The mean, and whether patches are further off it than noise brings them.
fn spread(patches: &[Patch]) -> ([f64; 2], bool) {
    let n = patches.len().max(1) as f64;
    let mean = [0, 1].map(|k| patches.iter().map(|patch| patch.difference_px[k]).sum::<f64>() / n);
    let away = |k: usize| patches.iter().map(|patch| (patch.difference_px[k] - mean[k]).powi(2)).sum::<f64>() / n;
    let noise = |k: usize| patches.iter().map(|patch| patch.sd_px[k].powi(2)).sum::<f64>() / n;
    let spread = away(0) + away(1);
    (mean, spread.sqrt() > LEAST_BENT_PX && spread > BENT_OVER_NOISE * (noise(0) + noise(1)))
}

/// Whether patches in order along a seam bend smoothly: each lies about between its neighbours, by the spread of all. Chance
/// strung together does not: there the one is no likelier near its neighbours than any other.
pub fn is_smooth(patches: &[Patch]) -> bool {
    let along = |patch: &Patch, from: &Patch| {
        (patch.middle_px[0] - from.middle_px[0]).hypot(patch.middle_px[1] - from.middle_px[1])
    };
    let step = patches.windows(2).map(|pair| along(&pair[1], &pair[0])).fold(f64::INFINITY, f64::min);
    let off = |three: &[Patch]| {
        let (here, whole) = (along(&three[1], &three[0]), along(&three[2], &three[0]));
        let between = |k: usize| {
            let [a, b, c] = [0, 1, 2].map(|at: usize| three[at].difference_px[k]);
            b - (a + (c - a) * here / whole)
        };
        // Over a gap a bend leaves its chord by the square of the distance.
        (between(0).powi(2) + between(1).powi(2)) / (0.5 * whole / step).powi(4)
    };
    let n = patches.len() as f64;
    let mean = [0, 1].map(|k| patches.iter().map(|patch| patch.difference_px[k]).sum::<f64>() / n);
    let away = |patch: &Patch| (0..2).map(|k| (patch.difference_px[k] - mean[k]).powi(2)).sum::<f64>();
    let spread = patches.iter().map(away).sum::<f64>() / n;
    let rough = patches.windows(3).map(off).sum::<f64>() / (n - 2.0).max(1.0);
    rough <= MOST_ROUGH.powi(2) * spread
}

/// The mean of patches by their own uncertainties, and its own; `None` without a patch.
pub fn weighted_mean(patches: &[Patch]) -> Option<([f64; 2], [f64; 2])> {
    let weight = |k: usize| patches.iter().map(|patch| patch.sd_px[k].powi(-2)).sum::<f64>();
    let sum = |k: usize| patches.iter().map(|p| p.difference_px[k] * p.sd_px[k].powi(-2)).sum::<f64>();
    (!patches.is_empty()).then(|| ([0, 1].map(|k| sum(k) / weight(k)), [0, 1].map(|k| weight(k).sqrt().recip())))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waves_are_smooth_and_chance_is_not() {
        let patches = |at: &[usize], offs: &dyn Fn(usize) -> [f64; 2]| -> Vec<Patch> {
            let patch =
                |&i: &usize| Patch { middle_px: [32.0 * i as f64, 9.0], difference_px: offs(i), sd_px: [0.2; 2] };
            at.iter().map(patch).collect()
        };
        let wave = |i: usize| [5.0 * (i as f64 * 0.9).sin(), -6.0 * (i as f64 * 0.9).sin()];
        assert!(is_smooth(&patches(&[0, 1, 2, 3, 4, 5, 6, 7], &wave)));
        assert!(is_smooth(&patches(&[0, 1, 3, 4, 6, 7], &wave)));
        // Four that lie still, then peaks of chance, each within reach of the one before.
        let chance =
            [[0.1, 0.2], [-0.1, 0.4], [-0.2, 0.0], [-0.8, 0.6], [2.9, -3.9], [0.3, -9.2], [-1.7, -4.7], [0.0, 0.0]];
        assert!(!is_smooth(&patches(&[0, 1, 2, 3, 4, 5, 6, 7], &|i| chance[i])));
    }

    #[test]
    fn a_bend_is_kept_and_a_look_alike_is_not() {
        let patches = |offs: &[f64]| -> Vec<Patch> {
            let patch = |y: &f64| Patch { middle_px: [0.0; 2], difference_px: [0.1, 213.0 + y], sd_px: [0.1; 2] };
            offs.iter().map(patch).collect()
        };
        let bend: Vec<f64> = (0..10).map(|i| 8.0 * (f64::from(i) * 0.7).sin()).collect();
        assert_eq!(without_look_alikes(&patches(&bend)).len(), 10);
        let odd = [0.1, -0.2, 8.0, 0.0, 0.2, -0.1, -7.0, 0.1];
        let left = without_look_alikes(&patches(&odd));
        assert!(left.len() == 6 && left.iter().all(|patch| (patch.difference_px[1] - 213.0).abs() < 1.0));
    }
}
