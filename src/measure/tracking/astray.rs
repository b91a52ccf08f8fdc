//! A picture that shows nothing of the field: nothing ties it to the others, and the links beside it are strong.
//!
//! Where the whole series shows little in common, a tilt that nothing ties is no wonder, and nothing is said of its field.

/// A link of this many standard deviations of chance would, were it as weak as an odd one, still be found.
const STRONG: f64 = 14.0;
/// A tilt is expected to be tied over no more than this to its neighbours in angle.
const WIDEST_DEG: f64 = 10.0;

/// Of each tilt that is not tied, how strong the links beside it are at least, where they are so strong that it shows another
/// field than its neighbours; `None` for all others. `seen` are the tilts with pictures in ascending angle; `tied`
/// says which are tied to the start; `significance` is that of the link of two tilts, the lower angle first, 0 where there is
/// none.
pub fn astray(
    angles_deg: &[f64],
    seen: &[usize],
    tied: impl Fn(usize) -> bool,
    significance: impl Fn(usize, usize) -> f64,
) -> Vec<Option<f64>> {
    let mut found = vec![None; angles_deg.len()];
    for (k, &at) in seen.iter().enumerate().filter(|(_, at)| !tied(**at)) {
        let below: Vec<usize> = seen[..k].iter().rev().copied().filter(|&other| tied(other)).take(2).collect();
        let above: Vec<usize> = seen[k + 1..].iter().copied().filter(|&other| tied(other)).take(2).collect();
        let near = |side: &[usize]| side.first().is_some_and(|&n| (angles_deg[n] - angles_deg[at]).abs() <= WIDEST_DEG);
        // A lone tilt beyond the lost one has no neighbour to be held against; the other side decides.
        let beside = |side: &[usize]| match *side {
            [a, b] => Some(significance(a.min(b), a.max(b))),
            _ => None,
        };
        let weakest = [&below, &above].into_iter().filter_map(|side| beside(side)).reduce(f64::min);
        found[at] = weakest.filter(|weakest| *weakest >= STRONG && (near(&below) || near(&above)));
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    const ANGLES: [f64; 7] = [-9.0, -6.0, -3.0, 0.0, 3.0, 6.0, 9.0];
    const ALL: [usize; 7] = [0, 1, 2, 3, 4, 5, 6];

    fn lost(untied: &[usize], strength: f64) -> Vec<usize> {
        let found = astray(&ANGLES, &ALL, |at| !untied.contains(&at), |_, _| strength);
        (0..7).filter(|&at| found[at].is_some()).collect()
    }

    #[test]
    fn a_tilt_that_nothing_ties_amid_strong_links_is_astray() {
        assert_eq!(lost(&[2], 18.0), [2]);
        assert_eq!(lost(&[0, 6], 18.0), [0, 6], "at the ends the inner side decides");
        assert_eq!(lost(&[4, 5], 18.0), [4, 5], "two beside each other");
        assert!(lost(&[], 18.0).is_empty());
    }

    #[test]
    fn amid_weak_links_nothing_is_said() {
        assert!(lost(&[2], 9.0).is_empty());
        assert!(lost(&[1, 2, 3, 4, 5, 6], 18.0).is_empty(), "nothing is tied that could be a witness");
    }

    #[test]
    fn over_a_wide_step_nothing_is_said() {
        let found = astray(&[-36.0, -24.0, -12.0, 0.0], &[0, 1, 2, 3], |at| at != 0, |_, _| 18.0);
        assert_eq!(found, [None; 4]);
    }
}
