//! A correlation at whole displacements about none, and its peaks.

use crate::numerics::registration::taper::Taper;
use crate::numerics::wide::wide;

/// Peaks this close to the highest are as high as it: the one nearest to where it should be counts.
const AS_HIGH: f64 = 0.93;
/// A ridge is a maximum too: neighbours may be higher by this share.
const LEVEL: f64 = 0.01;

/// The correlation at whole displacements within reach and one beyond, taper divided out.
pub struct Window {
    /// Pixels along rows and towards later rows.
    pub reach: [i64; 2],
    values: Vec<f64>,
}

impl Window {
    /// Lines of a correlation that are needed for a reach of so many pixels, of `rows`: from the one furthest above on.
    pub fn lines(reach: i64, rows: usize) -> Vec<usize> {
        (-reach - 1..=reach + 1).map(|y| y.rem_euclid(rows as i64) as usize).collect()
    }

    /// Of those lines, one after another; `tapers` and `reach` along rows and towards later rows. `least_left`: where less
    /// than this is left of the tapers, no more is divided out.
    pub fn of(lines: &[f32], cols: usize, reach: [i64; 2], tapers: [&Taper; 2], least_left: f64) -> Self {
        let wide = reach.map(|reach| reach + 1);
        let left = [0, 1].map(|k| (-wide[k]..=wide[k]).map(|d| tapers[k].left(d as f64)).collect::<Vec<f64>>());
        let mut values = vec![0.0; left[0].len() * left[1].len()];
        let before = wide[0] as usize;
        for ((out, line), left_y) in values.chunks_exact_mut(left[0].len()).zip(lines.chunks_exact(cols)).zip(&left[1])
        {
            // Displacements below zero stand at the end of a line.
            let (below, from_zero) = out.split_at_mut(before);
            divide_out(below, &line[cols - before..], &left[0][..before], [*left_y, least_left]);
            divide_out(from_zero, line, &left[0][before..], [*left_y, least_left]);
        }
        Self { reach, values }
    }

    /// The correlation at a displacement within reach, or one beyond.
    pub fn at(&self, x: i64, y: i64) -> f64 {
        let wide = self.reach.map(|reach| reach + 1);
        self.values[((y + wide[1]) * (2 * wide[0] + 1) + x + wide[0]) as usize]
    }

    /// The highest point within a reach no wider than the window's; of local maxima about as high, the one nearest to no displacement.
    pub fn nearest_peak(&self, reach: [i64; 2]) -> Option<[i64; 2]> {
        let best = self
            .rows(reach)
            .flat_map(|(_, line)| line)
            .fold(f64::NEG_INFINITY, |best, value| if value.is_finite() && *value > best { *value } else { best });
        let least = if best > 0.0 { AS_HIGH * best } else { best };
        let high = self.rows(reach).flat_map(|(y, line)| {
            let high = (-reach[0]..).zip(line).filter(move |(_, value)| **value >= least);
            high.filter(move |(x, value)| **value >= best || self.is_maximum([*x, y])).map(move |(x, _)| [x, y])
        });
        high.min_by_key(|[x, y]| x * x + y * y)
    }

    /// Displacements towards later rows within a reach, each with the correlation along rows.
    fn rows(&self, reach: [i64; 2]) -> impl Iterator<Item = (i64, &[f64])> {
        let wide = self.reach.map(|reach| reach + 1);
        let along = (wide[0] - reach[0]) as usize..(wide[0] + reach[0] + 1) as usize;
        let lines = self.values.chunks_exact((2 * wide[0] + 1) as usize).skip((wide[1] - reach[1]) as usize);
        (-reach[1]..=reach[1]).zip(lines).map(move |(y, line)| (y, &line[along.clone()]))
    }

    /// All displacements within reach.
    pub fn places(&self) -> impl Iterator<Item = [i64; 2]> {
        places(self.reach)
    }

    /// Whether no neighbour is higher.
    pub fn is_maximum(&self, [x, y]: [i64; 2]) -> bool {
        let most = self.at(x, y) * (1.0 + LEVEL);
        (-1..=1).all(|dy| (-1..=1).all(|dx| (dx, dy) == (0, 0) || self.at(x + dx, y + dy) <= most))
    }
}

fn places([x, y]: [i64; 2]) -> impl Iterator<Item = [i64; 2]> {
    (-y..=y).flat_map(move |y| (-x..=x).map(move |x| [x, y]))
}

wide! {
    /// Values over what is left of both tapers, or over the least that is divided out.
    fn divide_out<'a>(out: &'a mut [f64], line: &'a [f32], left_x: &'a [f64], terms: [f64; 2]) {
        let [left_y, least_left] = terms;
        for ((out, value), left_x) in out.iter_mut().zip(line).zip(left_x) {
            let left = left_x * left_y;
            *out = f64::from(*value) / if left > least_left { left } else { least_left };
        }
    }
}
