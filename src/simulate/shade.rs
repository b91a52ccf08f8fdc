//! What keeps electrons from parts of a picture: grid bars and the edge of the beam.

use crate::simulate::faults::Side;

/// How far (px) the edge of a grid bar is from black to clear: it is a thick, rough thing.
const BAR_EDGE_PX: f64 = 5.0;
/// How far (px) the edge of the beam is from black to clear.
const BEAM_EDGE_PX: f64 = 9.0;
/// A bar's edge leans so much against the picture's side.
const BAR_SLOPE: f64 = 0.06;
/// Radius of the beam over the diagonal of the tile.
const BEAM_RADIUS: f64 = 0.62;

/// Something that shades; coordinates in the frame that it was made for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shade {
    /// Dark where `normal · (point - middle) > away`.
    Bar {
        /// Middle of the frame.
        middle: [f64; 2],
        /// Unit vector into the dark.
        normal: [f64; 2],
        /// Distance of the edge from the middle.
        away: f64,
    },
    /// Dark outside a circle.
    Beam {
        /// Middle of the circle.
        middle: [f64; 2],
        /// Radius.
        radius: f64,
    },
}

impl Shade {
    /// A straight bar that covers a share of a frame from one side; its edge leans a little.
    pub fn bar(side: Side, fraction: f64, size: [f64; 2]) -> Self {
        let lean = 1.0 / (1.0 + BAR_SLOPE * BAR_SLOPE).sqrt();
        let (sine, cosine) = (BAR_SLOPE * lean, lean);
        let (normal, length) = match side {
            Side::LowX => ([-cosine, sine], size[0]),
            Side::HighX => ([cosine, sine], size[0]),
            Side::LowY => ([sine, -cosine], size[1]),
            Side::HighY => ([sine, cosine], size[1]),
        };
        // The edge passes the middle line of the frame at the share asked for, so its lean changes no area as long as
        // it meets the two sides beside it.
        Self::Bar { middle: size.map(|s| 0.5 * s), normal, away: (0.5 - fraction) * length * lean }
    }

    /// A round beam that leaves a share of a frame dark in one corner.
    pub fn beam_edge(side: Side, fraction: f64, size: [f64; 2]) -> Self {
        let away = match side {
            Side::LowX => [1.0, 1.0],
            Side::HighX => [-1.0, -1.0],
            Side::LowY => [-1.0, 1.0],
            Side::HighY => [1.0, -1.0],
        };
        let diagonal = (size[0] * size[0] + size[1] * size[1]).sqrt();
        let radius = BEAM_RADIUS * diagonal;
        let at = |part: f64| Self::Beam {
            middle: std::array::from_fn(|k| 0.5 * size[k] + away[k] * part * 0.5 * size[k]),
            radius,
        };
        // The dark share grows as the beam moves away from the corner.
        let (mut low, mut high) = (0.0, 2.0);
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if at(middle).dark_share(size) < fraction { low = middle } else { high = middle }
        }
        at(0.5 * (low + high))
    }

    /// Signed distance (px) into the dark.
    fn depth(&self, point: [f64; 2]) -> f64 {
        match self {
            Self::Bar { middle, normal, away } => {
                (point[0] - middle[0]) * normal[0] + (point[1] - middle[1]) * normal[1] - away
            }
            Self::Beam { middle, radius } => {
                let (dx, dy) = (point[0] - middle[0], point[1] - middle[1]);
                (dx * dx + dy * dy).sqrt() - radius
            }
        }
    }

    /// Share of the electrons that come through at a point.
    pub fn clear(&self, point: [f64; 2]) -> f64 {
        let edge = match self {
            Self::Bar { .. } => BAR_EDGE_PX,
            Self::Beam { .. } => BEAM_EDGE_PX,
        };
        let x = (0.5 - self.depth(point) / edge).clamp(0.0, 1.0);
        x * x * (3.0 - 2.0 * x)
    }

    fn dark_share(&self, [width, height]: [f64; 2]) -> f64 {
        const GRID: usize = 96;
        let at = |k: usize, length: f64| (k as f64 + 0.5) / GRID as f64 * length;
        let points = (0..GRID * GRID).map(|k| [at(k % GRID, width), at(k / GRID, height)]);
        points.filter(|&point| self.depth(point) > 0.0).count() as f64 / (GRID * GRID) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shades_cover_the_share_asked_for() {
        for side in [Side::LowX, Side::HighX, Side::LowY, Side::HighY] {
            for fraction in [0.1, 0.3] {
                let bar = Shade::bar(side, fraction, [300.0, 500.0]).dark_share([300.0, 500.0]);
                let beam = Shade::beam_edge(side, fraction, [300.0, 300.0]).dark_share([300.0, 300.0]);
                assert!((bar - fraction).abs() < 0.01, "bar {bar}");
                assert!((beam - fraction).abs() < 0.01, "beam {beam}");
            }
        }
    }

    #[test]
    fn a_bar_is_opaque_and_lies_on_its_side() {
        let bar = Shade::bar(Side::HighX, 0.2, [200.0, 200.0]);
        assert_eq!(bar.clear([195.0, 100.0]), 0.0);
        assert_eq!(bar.clear([20.0, 100.0]), 1.0);
    }
}
