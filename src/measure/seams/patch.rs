//! Patches of a seam: which of them to believe, and what all of them say together.

/// Patches that scatter by less about their mean, or by little more than noise, are those of a straight seam.
const LEAST_BENT_PX: f64 = 0.5;
const BENT_OVER_NOISE: f64 = 9.0;
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
    let n = patches.len() as f64;
    if patches.len() < 4 || 3 * patches.len() < 2 * looks {
        return None;
    }
    let mean = [0, 1].map(|k| patches.iter().map(|patch| patch.difference_px[k]).sum::<f64>() / n);
    let away = |k: usize| patches.iter().map(|patch| (patch.difference_px[k] - mean[k]).powi(2)).sum::<f64>() / n;
    let noise = |k: usize| patches.iter().map(|patch| patch.sd_px[k].powi(2)).sum::<f64>() / n;
    let spread = away(0) + away(1);
    (spread.sqrt() > LEAST_BENT_PX && spread > BENT_OVER_NOISE * (noise(0) + noise(1))).then_some(mean)
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
