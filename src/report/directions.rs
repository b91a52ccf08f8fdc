//! Directions that a pair sees, as a disc: the beam at zero tilt in the middle, the plane of the specimen on the rim, equal
//! areas for equal solid angles (Lambert's azimuthal projection).

use crate::physics::pyramid::{Range, seen};
use crate::record::pair::{PairCoverage, PairRanges};
use crate::report::theme::escape;
use crate::report::words::Words;
use std::f64::consts::{FRAC_PI_2, TAU};

/// Wedges of the disc.
const WEDGES: usize = 180;
const RADIUS: f64 = 150.0;
const MIDDLE: [f64; 2] = [180.0, 170.0];
const SIZE: [f64; 2] = [360.0, 410.0];

/// Who sees a direction.
#[derive(Clone, Copy, PartialEq, Eq)]
enum By {
    Both,
    A,
    B,
    None,
}

/// Each with its class on the page.
const LEGEND: [(By, &str); 4] = [(By::Both, "both"), (By::A, "only-a"), (By::B, "only-b"), (By::None, "none")];

/// Draws what is left of the two ranges; `axis_deg` is the direction of a's axis in its picture.
pub fn draw(words: &Words, coverage: &PairCoverage, axis_deg: Option<f64>) -> String {
    let ranges = &coverage.left;
    // Perpendicular directions in the picture of a: (cos p, sin p).
    let a = -axis_deg.unwrap_or(0.0).to_radians();
    let b = a - coverage.axes_apart_deg.to_radians();
    let mut paths = [const { String::new() }; 4];
    for wedge in 0..WEDGES {
        let ends = [wedge, wedge + 1].map(|k| TAU * k as f64 / WEDGES as f64);
        let psi = 0.5 * (ends[0] + ends[1]);
        for (by, low, high) in bands(ranges, (psi - a).cos(), (psi - b).cos()) {
            let at = LEGEND.iter().position(|(one, _)| *one == by).unwrap_or(0);
            paths[at].push_str(&sector(ends, low, high));
        }
    }
    let drawn: String =
        LEGEND.iter().zip(&paths).map(|((_, class), path)| format!("<path class=\"{class}\" d=\"{path}\"/>")).collect();
    let unseen = format!("{:.1}", 100.0 * ranges.missing_fraction);
    let title = escape(&words.told("directions", "title", &[("percent", unseen)]));
    let [w, h] = SIZE;
    format!(
        "<svg class=\"plot directions\" viewBox=\"0 0 {w} {h}\" role=\"img\" aria-label=\"{title}\">{HATCHES}{drawn}<circle class=\"rim\" cx=\"{}\" cy=\"{}\" r=\"{RADIUS}\"/>{}{}{}</svg>",
        MIDDLE[0],
        MIDDLE[1],
        axis(a, "a"),
        axis(b, "b"),
        legend(words)
    )
}

const HATCHES: &str = "<defs><pattern id=\"hatch-a\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\">\
    <path d=\"M0 7 7 0\" stroke=\"var(--data)\" stroke-width=\"1.6\"/></pattern>\
    <pattern id=\"hatch-b\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\">\
    <path d=\"M0 0 7 7\" stroke=\"var(--second)\" stroke-width=\"1.6\"/></pattern></defs>";

/// Who sees which elevations (as sines, from low to high) at an azimuth.
fn bands(ranges: &PairRanges, of_a: f64, of_b: f64) -> Vec<(By, f64, f64)> {
    let range = |[min_deg, max_deg]: [f64; 2]| Range { min_deg, max_deg };
    let (a, b) = (seen(range(ranges.a_deg), of_a), seen(range(ranges.b_deg), of_b));
    let mut edges = [0.0, 1.0, a[0], a[1], b[0], b[1]];
    edges.sort_by(f64::total_cmp);
    let holds = |of: [f64; 2], at: f64| at > of[0] && at < of[1];
    let band = |pair: &[f64]| {
        let middle = 0.5 * (pair[0] + pair[1]);
        let by = match (holds(a, middle), holds(b, middle)) {
            (true, true) => By::Both,
            (true, false) => By::A,
            (false, true) => By::B,
            (false, false) => By::None,
        };
        (by, pair[0], pair[1])
    };
    edges.windows(2).filter(|pair| pair[1] - pair[0] > 1e-4).map(band).collect()
}

/// Distance from the middle at which a sine of elevation lies.
fn radius(sine: f64) -> f64 {
    RADIUS * (1.0 - sine).max(0.0).sqrt()
}

fn point(psi: f64, radius: f64) -> [f64; 2] {
    [MIDDLE[0] + radius * psi.cos(), MIDDLE[1] + radius * psi.sin()]
}

fn sector([from, to]: [f64; 2], low: f64, high: f64) -> String {
    let corner = |psi: f64, sine: f64| {
        let [x, y] = point(psi, radius(sine));
        format!("{x:.1} {y:.1}")
    };
    format!("M{}L{}L{}L{}Z", corner(from, low), corner(to, low), corner(to, high), corner(from, high))
}

/// A tilt axis, a quarter turn from its perpendicular direction, with its name outside of the rim.
fn axis(perpendicular: f64, name: &str) -> String {
    let along = perpendicular + FRAC_PI_2;
    let ([x0, y0], [x1, y1]) = (point(along, -RADIUS), point(along, RADIUS));
    let [x, y] = point(along, RADIUS + 13.0);
    format!(
        "<path class=\"axis\" d=\"M{x0:.1} {y0:.1}L{x1:.1} {y1:.1}\"/><text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">\
         {name}</text>",
        y + 5.0
    )
}

fn legend(words: &Words) -> String {
    let word = |by: By| match by {
        By::Both => words.plot("directions", "both"),
        By::A => words.plot("directions", "a_alone"),
        By::B => words.plot("directions", "b_alone"),
        By::None => words.plot("directions", "neither"),
    };
    let entry = |(at, (by, class)): (usize, &(By, &str))| {
        let words = escape(word(*by));
        let (x, y) = (20 + 175 * (at % 2), 352 + 28 * (at / 2));
        format!(
            "<rect class=\"{class} swatch\" x=\"{x}\" y=\"{y}\" width=\"20\" height=\"16\"/><text x=\"{}\" y=\"{}\">{words}</text>",
            x + 27,
            y + 13
        )
    };
    LEGEND.iter().enumerate().map(entry).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_disc_shows_as_much_unseen_as_is_missing() {
        let ranges = PairRanges {
            a_deg: [-60.0, 60.0],
            b_deg: [-60.0, 60.0],
            missing_a_fraction: 1.0 / 3.0,
            missing_b_fraction: 1.0 / 3.0,
            missing_fraction: 0.160_861,
        };
        let unseen = |k: usize| {
            let psi = TAU * (k as f64 + 0.5) / WEDGES as f64;
            let bands = bands(&ranges, psi.cos(), psi.sin());
            bands.iter().filter(|(by, _, _)| *by == By::None).map(|(_, low, high)| high - low).sum::<f64>()
        };
        let share = (0..WEDGES).map(unseen).sum::<f64>() / WEDGES as f64;
        assert!((share - 0.160_861).abs() < 1e-3, "{share}");
    }
}
