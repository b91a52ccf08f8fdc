//! Which pictures resemble those of other angles more than those beside them in the list of angles.
//!
//! A picture that lies between two others in angle resembles each of them more than they resemble each other. One that
//! does not, and is more like two pictures elsewhere in the list, does not belong where it stands. What is blurred, dark or
//! of another field is like none.

use crate::measure::stated_angles::likeness::Likeness;

/// A likeness counts from so many standard deviations of chance on.
const BELIEVED: f64 = 6.0;
/// Elsewhere counts where it is better by so many of them,
const BETTER_SDS: f64 = 4.0;
/// and so many times as good as beside.
const BETTER: f64 = 1.25;
/// … and so many times as good as the usual one: a dark particle upon another looks a little like every particle there is.
const STANDS_OUT: f64 = 1.5;
/// Two pictures beside one vouch for its place if it resembles them by this share of what they resemble each other by.
const VOUCHED: f64 = 0.9;
/// So many places to each side are beside, where the nearest show nothing.
const BESIDE: usize = 2;
/// A picture that resembles those beside it less than this share of what theirs do is looked at.
const SUSPECT: f64 = 0.8;
/// … theirs being those of so many places to each side.
const AROUND: usize = 3;

/// How a picture stands in the list.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It resembles those beside it.
    AtHome,
    /// It resembles these two more.
    Elsewhere([usize; 2]),
    /// It resembles none.
    Unknown,
}

/// Where each picture stands; pictures in the order of stated angles.
pub fn standings(likeness: &mut Likeness) -> Vec<Standing> {
    let n = likeness.count();
    let reach = BESIDE + 1;
    likeness.look((0..n).flat_map(|a| (a + 1..(a + reach + 1).min(n)).map(move |b| (a, b))));
    let suspects: Vec<usize> = (0..n).filter(|&at| is_suspect(likeness, at)).collect();
    likeness.look(suspects.iter().flat_map(|&a| (0..n).map(move |b| (a, b))));
    (0..n).map(|at| if suspects.contains(&at) { judged(likeness, at) } else { at_home(likeness, at) }).collect()
}

fn believed(likeness: &Likeness) -> f64 {
    BELIEVED * likeness.chance_sd()
}

/// The places beside one.
fn beside(n: usize, at: usize, reach: usize) -> impl Iterator<Item = usize> {
    (at.saturating_sub(reach)..(at + reach + 1).min(n)).filter(move |&other| other != at)
}

/// How much a picture resembles the best of those beside it.
fn best_beside(likeness: &Likeness, at: usize) -> f64 {
    beside(likeness.count(), at, BESIDE).map(|other| likeness.between(at, other)).fold(0.0, f64::max)
}

/// The nearest two pictures, one to each side, that resemble each other, and how much.
fn between(likeness: &Likeness, at: usize) -> Option<([usize; 2], f64)> {
    let n = likeness.count();
    let pairs = [(1, 1), (1, 2), (2, 1)].into_iter();
    let pairs = pairs.filter_map(|(below, above)| Some([at.checked_sub(below)?, at + above]));
    let mut pairs = pairs.filter(|[_, above]| *above < n).map(|pair| (pair, likeness.between(pair[0], pair[1])));
    pairs.find(|(_, alike)| *alike > believed(likeness))
}

fn mean_to(likeness: &Likeness, at: usize, [a, b]: [usize; 2]) -> f64 {
    0.5 * (likeness.between(at, a) + likeness.between(at, b))
}

/// Whether the two beside a picture speak against its place; `None` where no two tell.
fn contradicted(likeness: &Likeness, at: usize) -> Option<bool> {
    between(likeness, at).map(|(pair, alike)| mean_to(likeness, at, pair) < VOUCHED * alike)
}

fn is_suspect(likeness: &Likeness, at: usize) -> bool {
    let mut around: Vec<f64> = beside(likeness.count(), at, AROUND).map(|other| best_beside(likeness, other)).collect();
    around.sort_by(f64::total_cmp);
    let usual = around.get(around.len() / 2).copied().unwrap_or(0.0);
    contradicted(likeness, at).unwrap_or(true) || best_beside(likeness, at) < SUSPECT * usual
}

fn at_home(likeness: &Likeness, at: usize) -> Standing {
    if best_beside(likeness, at) > believed(likeness) { Standing::AtHome } else { Standing::Unknown }
}

/// Of a picture that was held against all others.
fn judged(likeness: &Likeness, at: usize) -> Standing {
    let n = likeness.count();
    let mut others: Vec<usize> = (0..n).filter(|&other| other != at).collect();
    others.sort_by(|&a, &b| likeness.between(at, b).total_cmp(&likeness.between(at, a)));
    let &[first, second, ..] = others.as_slice() else { return at_home(likeness, at) };
    let likest = likeness.between(at, second);
    let usual = STANDS_OUT * likeness.between(at, others[others.len() / 2]);
    let better_than = |home: f64| {
        let least = believed(likeness).max(usual).max(BETTER * home).max(home + BETTER_SDS * likeness.chance_sd());
        likest > least
    };
    let is_beside = |other: usize| beside(n, at, BESIDE).any(|near| near == other);
    let far_from_all = !is_beside(first) && !is_beside(second) && better_than(best_beside(likeness, at));
    let off_its_pair = between(likeness, at).is_some_and(|(pair, _)| {
        let of_its_pair = [first, second].iter().any(|other| pair.contains(other));
        let both_beside = [first, second].into_iter().all(is_beside);
        !of_its_pair
            && !both_beside
            && contradicted(likeness, at) == Some(true)
            && better_than(mean_to(likeness, at, pair))
    });
    if far_from_all || off_its_pair { Standing::Elsewhere([first, second]) } else { at_home(likeness, at) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numerics::registration::image::Image;

    /// A thick scene of blobs seen from an angle, about an axis along the columns.
    fn picture(tilt_deg: f64) -> Image {
        const SIDE: usize = 128;
        let (sine, cosine) = tilt_deg.to_radians().sin_cos();
        let mut state = 5u64;
        let mut random = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / 16_777_216.0 - 0.5
        };
        let mut values = vec![0.0f32; SIDE * SIDE];
        for _ in 0..400 {
            let (u, v, z) = (300.0 * random(), 150.0 * random(), 60.0 * random());
            let (cx, cy) = (63.5 + u * cosine + z * sine, 63.5 + v);
            let near =
                |middle: f64| ((middle - 9.0).max(0.0) as usize)..((middle + 9.0).clamp(0.0, SIDE as f64) as usize);
            for y in near(cy) {
                for x in near(cx) {
                    let r2 = (x as f64 - cx).powi(2) + (y as f64 - cy).powi(2);
                    values[y * SIDE + x] += (-0.5 * r2 / 5.0).exp() as f32;
                }
            }
        }
        Image { rows: SIDE, cols: SIDE, values }
    }

    fn told(truly_deg: &[f64]) -> Vec<Standing> {
        let pictures: Vec<Image> = truly_deg.iter().map(|deg| picture(*deg)).collect();
        standings(&mut Likeness::of(&pictures.iter().collect::<Vec<&Image>>()).unwrap())
    }

    fn ladder() -> Vec<f64> {
        (-10..=10).map(|k| 5.0 * f64::from(k)).collect()
    }

    #[test]
    fn a_list_in_order_is_at_home_throughout() {
        assert!(told(&ladder()).iter().all(|standing| *standing == Standing::AtHome), "{:?}", told(&ladder()));
    }

    #[test]
    fn two_that_changed_places_are_found_where_they_belong() {
        let mut angles = ladder();
        angles.swap(4, 14);
        let told = told(&angles);
        let at = |place: usize| match told[place] {
            Standing::Elsewhere([a, b]) => [a.min(b), a.max(b)],
            other => panic!("{place}: {other:?}"),
        };
        assert_eq!((at(4), at(14)), ([13, 15], [3, 5]));
        let home = told.iter().filter(|standing| **standing == Standing::AtHome).count();
        assert_eq!(home, 19, "{told:?}");
    }

    #[test]
    fn a_picture_like_no_other_stands_nowhere() {
        let mut pictures: Vec<Image> = ladder().into_iter().map(picture).collect();
        let noise = |at: usize| ((at * 7919 + at * at * 31) % 1009) as f32;
        pictures[6].values = (0..128 * 128).map(noise).collect();
        let told = standings(&mut Likeness::of(&pictures.iter().collect::<Vec<&Image>>()).unwrap());
        let elsewhere = told.iter().filter(|standing| matches!(standing, Standing::Elsewhere(_))).count();
        assert_eq!((told[6], elsewhere), (Standing::Unknown, 0), "{told:?}");
    }

    #[test]
    fn a_list_in_another_order_is_found_out() {
        let angles: Vec<f64> = (0..21).map(|k| ladder()[(k * 8 + 3) % 21]).collect();
        let elsewhere = told(&angles).iter().filter(|standing| matches!(standing, Standing::Elsewhere(_))).count();
        assert!(elsewhere > 10, "{elsewhere}");
    }
}
