//! Dark areas: the connected part of the frame, touching its border, that is darker than half the robust mean.
//!
//! A grid bar shadows the frame along a straight edge; the beam's edge cuts it with a round one. Which of the two
//! it looks like is read from the boundary: a line and a circle are fitted to it.

use crate::numerics::median::upper_median;
use nalgebra::{DMatrix, DVector};
use ndarray::Array2;

/// A dark area of a frame.
#[derive(Debug, Clone, PartialEq)]
pub struct DarkArea {
    /// Share of the frame.
    pub fraction: f64,
    /// The dark cells.
    pub mask: Array2<bool>,
    /// Cells as dark that do not hang together with the border: dense specimen, or what lies upon it.
    pub inside: Array2<bool>,
    /// What it looks like; `None` without a dark area, or with a boundary too short to tell.
    pub shape: Option<Shape>,
}

/// What a dark area looks like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// A round edge.
    BeamEdge,
    /// A straight edge.
    Bar,
}

impl Shape {
    /// The words of the record.
    pub fn words(self) -> &'static str {
        match self {
            Self::BeamEdge => "beam edge",
            Self::Bar => "bar",
        }
    }
}

/// Mean of the cells that are not shadowed: cells under half of the mean are left out, in turns, starting from the
/// upper quartile, so that a shadow over most of the frame does not become the measure. `None` where there is no light
/// above zero.
pub fn robust_mean(cells: &Array2<f32>) -> Option<f64> {
    let mut values: Vec<f64> = cells.iter().filter(|v| v.is_finite()).map(|&v| f64::from(v)).collect();
    values.sort_by(f64::total_cmp);
    let mut mean = *values.get(values.len() * 3 / 4)?;
    for _ in 0..20 {
        let kept: Vec<f64> = values.iter().copied().filter(|&v| v > 0.5 * mean).collect();
        let next = kept.iter().sum::<f64>() / kept.len().max(1) as f64;
        if (next - mean).abs() < 1e-6 * mean.abs() {
            break;
        }
        mean = next;
    }
    // Pictures that swing about zero (normalised ones) have no light to be without.
    let low = values[values.len() / 4];
    (mean > 0.0 && low > -0.2 * mean).then_some(mean)
}

/// A shadow's cells lie under this share of the robust mean in their median: bars and the world outside the beam are
/// nearly black, while densely stained specimen at the border is merely dark.
const SHADOW_MEDIAN: f64 = 0.35;

/// What does not touch the border is looked at from this share of the frame on: beads and granules are less.
const LEAST_INSIDE: f64 = 0.01;

/// Finds the dark area of a frame given as cell means less the camera's offset (NaN: outside any tile), against
/// the robust mean of the tilt.
pub fn find(cells: &Array2<f32>, robust_mean: f64) -> DarkArea {
    let frame = cells.iter().filter(|v| !v.is_nan()).count().max(1) as f64;
    let mut areas = areas(cells, robust_mean);
    areas.retain(|(area, _)| {
        let median = upper_median(area.iter().map(|&at| f64::from(cells[at])));
        median.is_some_and(|median| median < SHADOW_MEDIAN * robust_mean)
    });
    let (shadows, within): (Vec<_>, Vec<_>) = areas.into_iter().partition(|(_, at_border)| *at_border);
    let shadows: Vec<Vec<(usize, usize)>> = shadows.into_iter().map(|(area, _)| area).collect();
    let (mut mask, mut inside) = (Array2::from_elem(cells.dim(), false), Array2::from_elem(cells.dim(), false));
    shadows.iter().flatten().for_each(|&at| mask[at] = true);
    let large = within.iter().filter(|(area, _)| area.len() as f64 >= LEAST_INSIDE * frame);
    large.flat_map(|(area, _)| area).for_each(|&at| inside[at] = true);
    let fraction = shadows.iter().map(Vec::len).sum::<usize>() as f64 / frame;
    let largest = shadows.iter().max_by_key(|shadow| shadow.len());
    let shape = largest.and_then(|shadow| {
        let mut alone = Array2::from_elem(cells.dim(), false);
        shadow.iter().for_each(|&at| alone[at] = true);
        shape_of(&boundary(&alone, cells), &alone)
    });
    DarkArea { fraction, mask, inside, shape }
}

/// The connected areas under half of the mean, and whether they touch the border of the frame.
fn areas(cells: &Array2<f32>, robust_mean: f64) -> Vec<(Vec<(usize, usize)>, bool)> {
    let (rows, cols) = cells.dim();
    let outside = |r: usize, c: usize| r >= rows || c >= cols || cells[(r, c)].is_nan();
    let dark = |at: (usize, usize)| f64::from(cells[at]) < 0.5 * robust_mean;
    let mut seen = Array2::from_elem(cells.dim(), false);
    let mut areas = Vec::new();
    for (start, _) in cells.indexed_iter() {
        if !dark(start) || seen[start] {
            continue;
        }
        let (mut area, mut open, mut at_border) = (Vec::new(), vec![start], false);
        while let Some(at) = open.pop() {
            if !std::mem::replace(&mut seen[at], true) {
                area.push(at);
                let next = neighbours(at.0, at.1);
                at_border |= next.iter().any(|&(r, c)| outside(r, c));
                open.extend(next.into_iter().filter(|&(r, c)| !outside(r, c) && dark((r, c)) && !seen[(r, c)]));
            }
        }
        areas.push((area, at_border));
    }
    areas
}

/// The four neighbours; below zero wraps to a place outside any frame.
fn neighbours(r: usize, c: usize) -> [(usize, usize); 4] {
    [(r.wrapping_sub(1), c), (r + 1, c), (r, c.wrapping_sub(1)), (r, c + 1)]
}

/// Middles of the cell sides that part dark from bright inside the frame, as (x, y) in cells.
fn boundary(mask: &Array2<bool>, cells: &Array2<f32>) -> Vec<(f64, f64)> {
    let (rows, cols) = mask.dim();
    let mut points = Vec::new();
    for ((r, c), _) in mask.indexed_iter().filter(|(_, dark)| **dark) {
        for (nr, nc) in neighbours(r, c) {
            if nr < rows && nc < cols && !mask[(nr, nc)] && !cells[(nr, nc)].is_nan() {
                points.push((0.5 * (c as f64 + nc as f64), 0.5 * (r as f64 + nr as f64)));
            }
        }
    }
    points
}

/// Fewest boundary points from which a curve can be told from a line.
const FEWEST_POINTS: usize = 8;
/// A boundary straighter than this (in cells) is a straight one, whatever circle may fit it a little better.
const STRAIGHT_CELLS: f64 = 0.8;

fn shape_of(points: &[(f64, f64)], mask: &Array2<bool>) -> Option<Shape> {
    if points.len() < FEWEST_POINTS {
        return None;
    }
    let line = line_rms(points);
    let Some((circle, centre)) = circle_fit(points) else { return Some(Shape::Bar) };
    // The beam is the bright disc: its middle is not in the dark.
    let (rows, cols) = mask.dim();
    let (c, r) = (centre.0.round(), centre.1.round());
    let inside = r >= 0.0 && c >= 0.0 && (r as usize) < rows && (c as usize) < cols;
    let round = line > STRAIGHT_CELLS && circle < 0.6 * line && !(inside && mask[(r as usize, c as usize)]);
    Some(if round { Shape::BeamEdge } else { Shape::Bar })
}

/// Rms distance of the points from their best line (total least squares).
fn line_rms(points: &[(f64, f64)]) -> f64 {
    let n = points.len() as f64;
    let (mx, my) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for &(x, y) in points {
        xx += (x - mx).powi(2) / n;
        xy += (x - mx) * (y - my) / n;
        yy += (y - my).powi(2) / n;
    }
    // The smaller eigenvalue of the covariance.
    (0.5 * (xx + yy - ((xx - yy).powi(2) + 4.0 * xy * xy).sqrt())).max(0.0).sqrt()
}

/// Rms distance from the best circle and its centre (Kåsa 1976: linear least squares of x² + y²).
fn circle_fit(points: &[(f64, f64)]) -> Option<(f64, (f64, f64))> {
    let rows: Vec<f64> = points.iter().flat_map(|&(x, y)| [2.0 * x, 2.0 * y, 1.0]).collect();
    let design = DMatrix::from_row_slice(points.len(), 3, &rows);
    let squares = DVector::from_iterator(points.len(), points.iter().map(|&(x, y)| x * x + y * y));
    let solution = design.svd(true, true).solve(&squares, 1e-9).ok()?;
    let centre = (solution[0], solution[1]);
    let radius = (solution[2] + centre.0.powi(2) + centre.1.powi(2)).max(0.0).sqrt();
    let square = |&(x, y): &(f64, f64)| ((x - centre.0).hypot(y - centre.1) - radius).powi(2);
    Some(((points.iter().map(square).sum::<f64>() / points.len() as f64).sqrt(), centre))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(dark: impl Fn(f64, f64) -> bool) -> DarkArea {
        let cells = Array2::from_shape_fn((64, 64), |(r, c)| {
            let texture = 1.0 + 0.1 * ((r * 31 + c * 17) % 7) as f32 / 7.0;
            texture * if dark(c as f64, r as f64) { 10.0 } else { 100.0 }
        });
        find(&cells, robust_mean(&cells).unwrap())
    }

    #[test]
    fn a_slanted_bar_is_straight() {
        let area = frame(|x, y| x + 0.4 * y > 60.0);
        assert_eq!(area.shape, Some(Shape::Bar));
        // The line cuts x from 60 (y = 0) to 34.4 (y = 64): on average 16.8 of 64 columns are dark.
        assert!((area.fraction - 16.8 / 64.0).abs() < 0.02, "{}", area.fraction);
    }

    #[test]
    fn the_beams_edge_is_round() {
        let area = frame(|x, y| (x - 25.0).hypot(y - 25.0) > 42.0);
        assert_eq!(area.shape, Some(Shape::BeamEdge));
        assert!(area.fraction > 0.05);
    }

    #[test]
    fn a_dark_thing_inside_is_specimen() {
        let area = frame(|x, y| (x - 30.0).hypot(y - 30.0) < 8.0);
        assert_eq!((area.fraction, area.shape), (0.0, None));
        let share = area.inside.iter().filter(|dark| **dark).count() as f64 / 4096.0;
        assert!((share - 64.0 * std::f64::consts::PI / 4096.0).abs() < 0.005, "{share}");
        assert!(frame(|x, y| (x - 30.0).hypot(y - 30.0) < 3.0).inside.iter().all(|dark| !dark), "a bead");
    }

    #[test]
    fn dense_specimen_at_the_border_is_no_shadow() {
        let cells = Array2::from_shape_fn((64, 64), |(r, c)| if r < 20 && c < 20 { 42.0 } else { 100.0 });
        assert_eq!(find(&cells, 100.0).fraction, 0.0);
    }

    #[test]
    fn a_shadow_over_most_of_the_frame_is_still_found() {
        let area = frame(|x, _| x > 18.0);
        assert!((area.fraction - 45.0 / 64.0).abs() < 0.02);
    }

    #[test]
    fn nothing_bright_has_no_robust_mean() {
        assert_eq!(robust_mean(&Array2::from_elem((4, 4), -1.0)), None);
        assert_eq!(robust_mean(&Array2::from_elem((4, 4), f32::NAN)), None);
        let about_zero = Array2::from_shape_fn((8, 8), |(r, c)| if (r + c) % 2 == 0 { 1.0 } else { -0.9 });
        assert_eq!(robust_mean(&about_zero), None);
    }
}
