//! A correlation at whole displacements about none, and its peaks.

use crate::numerics::registration::taper::Taper;

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
        let mut values = Vec::with_capacity(left[0].len() * left[1].len());
        for (line, left_y) in lines.chunks_exact(cols).zip(&left[1]) {
            for (x, left_x) in (-wide[0]..=wide[0]).zip(&left[0]) {
                let value = f64::from(line[x.rem_euclid(cols as i64) as usize]);
                values.push(value / (left_x * left_y).max(least_left));
            }
        }
        Self { reach, values }
    }

    /// The correlation at a displacement within reach, or one beyond.
    pub fn at(&self, x: i64, y: i64) -> f64 {
        let wide = self.reach.map(|reach| reach + 1);
        self.values[((y + wide[1]) * (2 * wide[0] + 1) + x + wide[0]) as usize]
    }

    /// The highest point within reach; of local maxima about as high, the one nearest to no displacement.
    pub fn nearest_peak(&self) -> Option<[i64; 2]> {
        let values = self.places().map(|[x, y]| self.at(x, y));
        let best = values.filter(|v| v.is_finite()).fold(f64::NEG_INFINITY, f64::max);
        let least = if best > 0.0 { AS_HIGH * best } else { best };
        let high = self.places().filter(|&[x, y]| {
            let value = self.at(x, y);
            value >= least && (value >= best || self.is_maximum([x, y]))
        });
        high.min_by_key(|[x, y]| x * x + y * y)
    }

    /// All displacements within reach.
    pub fn places(&self) -> impl Iterator<Item = [i64; 2]> {
        let [reach_x, reach_y] = self.reach;
        (-reach_y..=reach_y).flat_map(move |y| (-reach_x..=reach_x).map(move |x| [x, y]))
    }

    /// Whether no neighbour is higher.
    pub fn is_maximum(&self, [x, y]: [i64; 2]) -> bool {
        let most = self.at(x, y) * (1.0 + LEVEL);
        (-1..=1).all(|dy| (-1..=1).all(|dx| (dx, dy) == (0, 0) || self.at(x + dx, y + dy) <= most))
    }
}
