//! A plane map out of pairs of points, most of which are right: `to = m · from + t`.

use crate::numerics::median::upper_median;
use crate::numerics::regression;

/// A pair is left out once it lies this many robust standard deviations off the map …
const OUTLYING_SDS: f64 = 4.0;
/// … which are at least this large: below, rounding is what is left.
const LEAST_SD: f64 = 1e-4;
/// Rounds of re-weighting towards least absolute deviations, and of leaving out.
const ROUNDS: usize = 12;
/// A median absolute deviation in two dimensions over the standard deviation in one: √(2 ln 2).
const MAD_OF_A_PLANE: f64 = 1.177_41;

/// A map of the plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Affine {
    /// By rows.
    pub m: [[f64; 2]; 2],
    /// Added.
    pub t: [f64; 2],
}

impl Affine {
    /// A turn from x towards y, a scale and a shift.
    pub fn turned(turn_rad: f64, scale: f64, t: [f64; 2]) -> Self {
        let (sine, cosine) = turn_rad.sin_cos();
        Self { m: [[scale * cosine, -scale * sine], [scale * sine, scale * cosine]], t }
    }

    /// Where a point lands.
    pub fn at(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let [tx, ty] = self.t;
        [self.m[0][0] * x + self.m[0][1] * y + tx, self.m[1][0] * x + self.m[1][1] * y + ty]
    }

    /// Where a difference of two points lands.
    pub fn step(&self, by: [f64; 2]) -> [f64; 2] {
        Self { t: [0.0; 2], ..*self }.at(by)
    }

    /// The map back; `None` where areas vanish.
    pub fn back(&self) -> Option<Self> {
        let [[a, b], [c, d]] = self.m;
        let area = a * d - b * c;
        if area.abs() < 1e-12 {
            return None;
        }
        let m = [[d / area, -b / area], [-c / area, a / area]];
        let t = Self { m, t: [0.0; 2] }.at(self.t);
        Some(Self { m, t: [-t[0], -t[1]] })
    }

    /// This map after another.
    pub fn after(&self, first: &Self) -> Self {
        let column = |k: usize| self.step([first.m[0][k], first.m[1][k]]);
        let (x, y) = (column(0), column(1));
        Self { m: [[x[0], y[0]], [x[1], y[1]]], t: self.at(first.t) }
    }

    /// Turn from x towards y of the turn and scale that are nearest to the map.
    pub fn turn_rad(&self) -> f64 {
        (self.m[1][0] - self.m[0][1]).atan2(self.m[0][0] + self.m[1][1])
    }

    /// Square root of the change of areas.
    pub fn scale(&self) -> f64 {
        (self.m[0][0] * self.m[1][1] - self.m[0][1] * self.m[1][0]).abs().sqrt()
    }
}

/// A fitted map.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// The map.
    pub map: Affine,
    /// One standard error of each entry of `map.m`, for pairs that scatter independently.
    pub m_errors: [[f64; 2]; 2],
    /// One standard error of `map.t`.
    pub t_errors: [f64; 2],
    /// Which pairs entered.
    pub used: Vec<bool>,
    /// Root mean square distance of these from the map.
    pub rms: f64,
}

/// Fits a map to pairs, each with its weight: least absolute deviations first, so that wrong pairs are outvoted, then
/// least squares over those that lie within `OUTLYING_SDS` of it. `None` with fewer than six pairs left, or where they
/// lie on a line.
pub fn fit(from: &[[f64; 2]], to: &[[f64; 2]], weights: &[f64]) -> Option<Fit> {
    let mut map = solve(from, to, weights)?.map;
    for _ in 0..ROUNDS {
        let off = distances(&map, from, to);
        let floor = (0.1 * upper_median(off.iter().copied())?).max(LEAST_SD);
        let lighter: Vec<f64> = weights.iter().zip(&off).map(|(w, off)| w / off.max(floor)).collect();
        map = solve(from, to, &lighter)?.map;
    }
    let mut used = vec![true; from.len()];
    for _ in 0..ROUNDS {
        let off = distances(&map, from, to);
        let inner: Vec<f64> = off.iter().zip(&used).filter(|(_, used)| **used).map(|(off, _)| *off).collect();
        let limit = OUTLYING_SDS * (upper_median(inner.iter().copied())? / MAD_OF_A_PLANE).max(LEAST_SD);
        let kept: Vec<bool> = off.iter().map(|&off| off <= limit).collect();
        let solved = solve(&chosen(from, &kept), &chosen(to, &kept), &chosen(weights, &kept))?;
        map = solved.map;
        if kept == used {
            return Some(Fit { used, ..solved });
        }
        used = kept;
    }
    let solved = solve(&chosen(from, &used), &chosen(to, &used), &chosen(weights, &used))?;
    Some(Fit { used, ..solved })
}

fn chosen<T: Copy>(all: &[T], used: &[bool]) -> Vec<T> {
    all.iter().zip(used).filter(|(_, used)| **used).map(|(one, _)| *one).collect()
}

fn distances(map: &Affine, from: &[[f64; 2]], to: &[[f64; 2]]) -> Vec<f64> {
    let one = |(from, to): (&[f64; 2], &[f64; 2])| {
        let at = map.at(*from);
        (at[0] - to[0]).hypot(at[1] - to[1])
    };
    from.iter().zip(to).map(one).collect()
}

/// Weighted least squares.
fn solve(from: &[[f64; 2]], to: &[[f64; 2]], weights: &[f64]) -> Option<Fit> {
    if from.len() < 6 {
        return None;
    }
    let column = |points: &[[f64; 2]], k: usize| -> Vec<f64> { points.iter().map(|point| point[k]).collect() };
    let (x, y, ones) = (column(from, 0), column(from, 1), vec![1.0; from.len()]);
    let row = |k: usize| regression::fit(&[&x, &y, &ones], &column(to, k), Some(weights));
    let (first, second) = (row(0)?, row(1)?);
    let pair = |of: &[f64]| [of[0], of[1]];
    let map = Affine {
        m: [pair(&first.coefficients), pair(&second.coefficients)],
        t: [first.coefficients[2], second.coefficients[2]],
    };
    let off = distances(&map, from, to);
    Some(Fit {
        m_errors: [pair(&first.standard_errors), pair(&second.standard_errors)],
        t_errors: [first.standard_errors[2], second.standard_errors[2]],
        used: vec![true; from.len()],
        rms: (off.iter().map(|off| off * off).sum::<f64>() / off.len() as f64).sqrt(),
        map,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(state: &mut u64) -> f64 {
        let mut sum = 0.0;
        for _ in 0..12 {
            *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            sum += (*state >> 40) as f64 / (1u64 << 24) as f64;
        }
        sum - 6.0
    }

    fn grid() -> Vec<[f64; 2]> {
        (0..64).map(|i| [f64::from(i % 8) * 30.0 - 105.0, f64::from(i / 8) * 20.0 - 70.0]).collect()
    }

    #[test]
    fn a_quarter_of_wrong_pairs_is_outvoted() {
        let truth = Affine { m: [[0.99, -0.3], [0.31, 1.02]], t: [4.0, -7.0] };
        let mut state = 3;
        let to: Vec<[f64; 2]> = grid()
            .iter()
            .enumerate()
            .map(|(i, &p)| {
                let [x, y] = truth.at(p);
                let wrong = if i % 4 == 0 { 9.0 + i as f64 } else { 0.0 };
                [x + 0.05 * noise(&mut state) + wrong, y + 0.05 * noise(&mut state)]
            })
            .collect();
        let fit = fit(&grid(), &to, &[1.0; 64]).unwrap();
        for k in 0..2 {
            for l in 0..2 {
                assert!((fit.map.m[k][l] - truth.m[k][l]).abs() < 1e-3, "{fit:?}");
            }
        }
        assert!(fit.used.iter().enumerate().all(|(i, used)| *used == (i % 4 != 0)), "{:?}", fit.used);
    }

    #[test]
    fn standard_errors_are_as_large_as_the_errors() {
        let mut state = 11;
        let mut pulls = 0.0;
        for _ in 0..200 {
            let to: Vec<[f64; 2]> =
                grid().iter().map(|[x, y]| [x + 0.1 * noise(&mut state), y + 0.1 * noise(&mut state)]).collect();
            let fit = fit(&grid(), &to, &[1.0; 64]).unwrap();
            pulls += ((fit.map.m[0][0] - 1.0) / fit.m_errors[0][0]).powi(2) / 200.0;
        }
        assert!((0.8..1.25).contains(&pulls), "{pulls}");
    }

    #[test]
    fn maps_turn_and_come_back() {
        let map = Affine::turned(0.4, 1.1, [3.0, -2.0]);
        let back = map.back().unwrap();
        let there = map.at([5.0, 9.0]);
        let again = back.at(there);
        assert!((again[0] - 5.0).abs() < 1e-12 && (again[1] - 9.0).abs() < 1e-12);
        assert!((map.turn_rad() - 0.4).abs() < 1e-12 && (map.scale() - 1.1).abs() < 1e-12);
        let both = back.after(&map).at([1.0, 2.0]);
        assert!((both[0] - 1.0).abs() < 1e-12 && (both[1] - 2.0).abs() < 1e-12);
        assert_eq!(fit(&grid()[..5], &grid()[..5], &[1.0; 5]), None);
    }
}
