//! Patches that agree with each other, as those of one field do.
//!
//! What lies at different heights moves apart across the axis alone. So patches of one field have moved by the same along
//! it, and what chance found lies anywhere within reach. Where no more patches of a pair of tilts agree than chance would
//! bring together, none of them is believed: in pictures of few electrons two in five of them are found by chance, and
//! would move the places about that the whole pictures know better.

use crate::measure::tracking::patches::{Bit, Bits};
use std::collections::BTreeMap;

/// Patches agree within so many pixels of the specimen, to either side.
const WITHIN_PX: f64 = 2.5;
/// By this many standard deviations of what chance brings together there must be more of them.
const SURE_SDS: f64 = 4.0;

/// The patches that agree with most others of their pair of tilts along the axis; `across` is the perpendicular direction.
pub fn agreeing(bits: &Bits, across: [f64; 2]) -> Vec<Bit> {
    let mut pairs: BTreeMap<(usize, usize), Vec<(f64, Bit)>> = BTreeMap::new();
    for bit in &bits.all {
        let (Some(from), Some(to)) = (bits.cut_at[bit.tilts.0], bits.cut_at[bit.tilts.1]) else { continue };
        let rest = [0, 1].map(|k| bit.moved[k] - (to[k] - from[k]));
        pairs.entry(bit.tilts).or_default().push((rest[1] * across[0] - rest[0] * across[1], *bit));
    }
    pairs.into_values().flat_map(|pair| of_pair(&pair, bits.reach_px)).collect()
}

/// Of the patches of a pair, each with how far it moved along the axis.
fn of_pair(pair: &[(f64, Bit)], reach_px: f64) -> Vec<Bit> {
    let near = |middle: f64| pair.iter().filter(move |(along, _)| (along - middle).abs() <= WITHIN_PX);
    let best = pair.iter().map(|(along, _)| *along).max_by_key(|&middle| near(middle).count());
    let kept: Vec<Bit> = best.map_or(Vec::new(), |middle| near(middle).map(|(_, bit)| *bit).collect());
    let share = (WITHIN_PX / reach_px.max(WITHIN_PX)).min(1.0);
    let chance = share * pair.len() as f64;
    let is_more = kept.len() as f64 >= chance + SURE_SDS * (chance * (1.0 - share)).sqrt();
    if is_more { kept } else { Vec::new() }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Patches that moved by this along the axis and across it.
    fn bits(moved: impl Iterator<Item = [f64; 2]>) -> Bits {
        let bit = |(patch, moved)| Bit { tilts: (0, 1), patch, at: [0.0; 2], moved, information: [1.0, 0.0, 1.0] };
        Bits { all: moved.enumerate().map(bit).collect(), cut_at: vec![Some([0.0; 2]); 2], reach_px: 21.0 }
    }

    #[test]
    fn what_chance_found_does_not_agree() {
        // Anywhere within reach: steps of the golden ratio.
        let anywhere = |at: usize| 42.0 * (0.618_033_988 * at as f64).fract() - 21.0;
        let moved = (0..12).map(|at| [anywhere(at), anywhere(5 * at + 3)]);
        assert!(agreeing(&bits(moved), [0.0, 1.0]).is_empty());
    }

    #[test]
    fn heights_agree_along_the_axis_and_what_chance_found_beside_them_goes() {
        // The axis lies along x: heights move patches apart along y.
        let field = (0..8).map(|at| [6.0 + 0.2 * f64::from(at % 3), 4.0 * f64::from(at) - 14.0]);
        let chance = [[-15.0, 3.0], [14.0, -8.0], [-3.0, 17.0], [19.0, 2.0]];
        let kept = agreeing(&bits(field.chain(chance)), [0.0, 1.0]);
        assert_eq!(kept.iter().map(|bit| bit.patch).collect::<Vec<_>>(), [0, 1, 2, 3, 4, 5, 6, 7]);
    }
}
