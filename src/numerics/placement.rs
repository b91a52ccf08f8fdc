//! Places out of differences: weighted least squares over a graph of links.

use nalgebra::{DMatrix, DVector};

/// A measured difference of two places.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Link {
    /// Index of the one.
    pub from: usize,
    /// Index of the other.
    pub to: usize,
    /// Place of `to` less place of `from`, in x and y.
    pub difference: [f64; 2],
    /// Weights of the two components, above zero.
    pub weight: [f64; 2],
}

/// Places of `n` points against point `fixed`, which lies at (0, 0); `None` for those that no chain of links ties to
/// it.
pub fn place(n: usize, links: &[Link], fixed: usize) -> Vec<Option<[f64; 2]>> {
    let tied = tied(n, links, fixed);
    let free: Vec<usize> = (0..n).filter(|&at| tied[at] && at != fixed).collect();
    let component = |k: usize| solve(&free, links, &tied, k);
    let (x, y) = (component(0), component(1));
    let mut places = vec![None; n];
    if fixed < n {
        places[fixed] = Some([0.0; 2]);
    }
    if let (Some(x), Some(y)) = (x, y) {
        for (at, &point) in free.iter().enumerate() {
            places[point] = Some([x[at], y[at]]);
        }
    }
    places
}

fn tied(n: usize, links: &[Link], fixed: usize) -> Vec<bool> {
    let mut tied = vec![false; n];
    if fixed < n {
        tied[fixed] = true;
    }
    // Each round ties at least one more point, or the last is done.
    for _ in 0..n {
        for link in links {
            let both = tied[link.from] || tied[link.to];
            tied[link.from] = both;
            tied[link.to] = both;
        }
    }
    tied
}

/// Normal equations of one component, by Cholesky: the graph is tied, so they have one solution.
fn solve(free: &[usize], links: &[Link], tied: &[bool], k: usize) -> Option<Vec<f64>> {
    if free.is_empty() {
        return Some(Vec::new());
    }
    let index = |point: usize| free.iter().position(|&other| other == point);
    let mut normal = DMatrix::<f64>::zeros(free.len(), free.len());
    let mut target = DVector::<f64>::zeros(free.len());
    for link in links.iter().filter(|link| tied[link.from]) {
        let (weight, difference) = (link.weight[k], link.difference[k]);
        let (from, to) = (index(link.from), index(link.to));
        if let Some(i) = to {
            normal[(i, i)] += weight;
            target[i] += weight * difference;
        }
        if let Some(i) = from {
            normal[(i, i)] += weight;
            target[i] -= weight * difference;
        }
        if let (Some(i), Some(j)) = (from, to) {
            normal[(i, j)] -= weight;
            normal[(j, i)] -= weight;
        }
    }
    normal.cholesky().map(|factor| factor.solve(&target).iter().copied().collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn link(from: usize, to: usize, difference: [f64; 2], weight: f64) -> Link {
        Link { from, to, difference, weight: [weight; 2] }
    }

    #[test]
    fn a_square_shares_its_misfit_out() {
        // Around a square the differences miss closure by 4 in x: equal weights take 1 off each.
        let links = [
            link(0, 1, [11.0, 0.0], 1.0),
            link(1, 3, [1.0, 10.0], 1.0),
            link(0, 2, [-1.0, 10.0], 1.0),
            link(2, 3, [9.0, 0.0], 1.0),
        ];
        let places = place(4, &links, 0);
        assert_eq!(places[0], Some([0.0, 0.0]));
        for (at, expected) in [(1, [10.0, 0.0]), (2, [0.0, 10.0]), (3, [10.0, 10.0])] {
            let found = places[at].unwrap();
            assert!((found[0] - expected[0]).abs() < 1e-12 && (found[1] - expected[1]).abs() < 1e-12, "{found:?}");
        }
    }

    #[test]
    fn what_is_not_tied_has_no_place() {
        let places = place(4, &[link(0, 1, [5.0, 1.0], 2.0), link(3, 2, [1.0, 1.0], 1.0)], 0);
        assert!((places[1].unwrap()[0] - 5.0).abs() < 1e-12 && (places[1].unwrap()[1] - 1.0).abs() < 1e-12);
        assert_eq!((places[0], places[2], places[3]), (Some([0.0, 0.0]), None, None));
    }
}
