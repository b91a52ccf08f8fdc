//! Where the field was lost: a link between neighbours that is much weaker than those on both its sides.
//!
//! Two good pictures of one field show about as much in common as each does with its other neighbour. A dark or blurred
//! picture links weakly on both its sides, and is not taken for a lost field.

/// A link that has less than this share of the significance of both links beside it is odd.
pub const ODD: f64 = 0.6;
/// It is held against links that stand out at least so many standard deviations of chance,
const STRONG: f64 = 8.0;
/// over a step in angle that is no more than so many times smaller than its own,
const WIDER: f64 = 1.5;
/// and is no wider than this itself.
const WIDEST_DEG: f64 = 10.0;

/// An odd link.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Odd {
    /// Its tilts, the lower angle first.
    pub pair: (usize, usize),
    /// The significance that it would need.
    pub least: f64,
}

impl Odd {
    /// Whether a link goes over it.
    pub fn lies_within(&self, a: usize, b: usize) -> bool {
        a.min(b) <= self.pair.0 && a.max(b) >= self.pair.1
    }
}

/// The odd ones among the links of neighbours. `seen` are the tilts with pictures in ascending angle; `significance` that of
/// the link of two of them, 0 where there is none.
pub fn odd(angles_deg: &[f64], seen: &[usize], significance: impl Fn(usize, usize) -> f64) -> Vec<Odd> {
    let step = |a: usize, b: usize| angles_deg[b] - angles_deg[a];
    let one = |run: &[usize]| {
        let &[before, a, b, after] = run else { return None };
        let own = step(a, b);
        let alike = own <= WIDEST_DEG && own <= WIDER * step(before, a).min(step(b, after));
        let beside = significance(before, a).min(significance(b, after));
        let least = ODD * beside;
        (alike && beside >= STRONG && significance(a, b) < least).then_some(Odd { pair: (a, b), least })
    };
    seen.windows(4).filter_map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_link_much_weaker_than_both_beside_it_is_odd() {
        let angles = [-6.0, -3.0, 0.0, 3.0, 6.0, 9.0];
        let links = |of: [f64; 5]| move |a: usize, b: usize| if b == a + 1 { of[a] } else { 0.0 };
        let all = [0, 1, 2, 3, 4, 5];
        let lost = odd(&angles, &all, links([18.0, 17.0, 6.0, 16.0, 15.0]));
        assert_eq!(lost, [Odd { pair: (2, 3), least: 9.6 }]);
        assert!(lost[0].lies_within(4, 2) && !lost[0].lies_within(3, 5));
        // One bad picture has two weak links.
        assert_eq!(odd(&angles, &all, links([18.0, 6.0, 6.0, 16.0, 15.0])), []);
        // What stands at the end is held against nothing.
        assert_eq!(odd(&angles, &all, links([18.0, 17.0, 16.0, 16.0, 5.0])), []);
        // Over a wide step less is in common.
        assert_eq!(odd(&[-6.0, -3.0, 0.0, 9.0, 12.0, 15.0], &all, links([18.0, 17.0, 6.0, 16.0, 15.0])), []);
    }
}
