//! Shifts of all tilts from what their pairs say.

use crate::measure::alignment::along::pairs::{Link, Pair};
use nalgebra::{DMatrix, DVector, Vector2};

/// A tilt that agrees with the others by less than this share of what pairs do is not believed: blurred, or another field.
const BELIEVED: f64 = 0.5;
/// One round moves a tilt by no more than this, in pixels.
const LONGEST_STEP: f64 = 2.0;

/// Which tilts agree with the others about as well as pairs do.
pub fn believed(pairs: &[Pair], links: &[Link], tilts: usize) -> Vec<bool> {
    let mut sums = vec![[0.0f64; 2]; tilts];
    for (pair, link) in pairs.iter().zip(links) {
        for tilt in [pair.a, pair.b] {
            sums[tilt].iter_mut().zip(link.agrees).for_each(|(sum, agrees)| *sum += agrees);
        }
    }
    sums.into_iter().map(|[agrees, expected]| agrees > BELIEVED * expected).collect()
}

/// Shifts of all tilts by least squares of the pairs that are believed, that of `held` none. `None` where `held` is not, or
/// something hangs on nothing.
pub fn solve(pairs: &[Pair], links: &[Link], held: usize, believed: &[bool]) -> Option<Vec<Vector2<f64>>> {
    let mut count = 0;
    let mut place = vec![None; believed.len()];
    for tilt in (0..believed.len()).filter(|tilt| *tilt != held && believed[*tilt]) {
        place[tilt] = Some(count);
        count += 2;
    }
    let (mut normal, mut right) = (DMatrix::<f64>::zeros(count, count), DVector::<f64>::zeros(count));
    for (pair, link) in pairs.iter().zip(links).filter(|(pair, _)| believed[pair.a] && believed[pair.b]) {
        let (a, b) = (place[pair.a], place[pair.b]);
        for (at, sign) in [(a, -1.0), (b, 1.0)] {
            let Some(at) = at else { continue };
            right.fixed_rows_mut::<2>(at).axpy(sign, &link.pull, 1.0);
            let mut own = normal.fixed_view_mut::<2, 2>(at, at);
            own += link.known;
        }
        if let (Some(a), Some(b)) = (a, b) {
            for (i, j) in [(a, b), (b, a)] {
                let mut both = normal.fixed_view_mut::<2, 2>(i, j);
                both -= link.known;
            }
        }
    }
    let solution = normal.cholesky().filter(|_| believed[held])?.solve(&right);
    let step = |at: &Option<usize>| at.map_or_else(Vector2::zeros, |at| solution.fixed_rows::<2>(at).into_owned());
    Some(place.iter().map(|at| step(at).map(|px| px.clamp(-LONGEST_STEP, LONGEST_STEP))).collect())
}

/// By tilt: root mean square of what its pairs say of its place along the axis beyond the solution, each by how much it knows;
/// half of the variance is that of the other tilt. No number where a tilt is not believed.
pub fn disagreement(pairs: &[Pair], links: &[Link], steps: &[Vector2<f64>], believed: &[bool]) -> Vec<f64> {
    let mut sums = vec![[0.0f64; 2]; steps.len()];
    for (pair, link) in pairs.iter().zip(links).filter(|(pair, _)| believed[pair.a] && believed[pair.b]) {
        let Some(own) = link.known.try_inverse().map(|inverse| inverse * link.pull) else { continue };
        let off = own[1] - (steps[pair.b][1] - steps[pair.a][1]);
        for tilt in [pair.a, pair.b] {
            sums[tilt][0] += link.known[(1, 1)] * off * off;
            sums[tilt][1] += link.known[(1, 1)];
        }
    }
    sums.into_iter().map(|[square, known]| (0.5 * square / known).sqrt()).collect()
}
