//! The slab seen at a tilt: optical depth along the beam, in closed form.
//!
//! A point (u, v, z) is recorded at u' = u cos t + z sin t across the axis and v along it; the axis points along
//! (sin a, cos a) of the stored picture and the perpendicular along (cos a, -sin a). A Gaussian with covariance C
//! projects to one with P C Pᵀ; a ball of radius r to 2 √(r² - ρ²).

use crate::simulate::structure::Matter;

/// Gaussians are followed out to this squared Mahalanobis distance, where e⁻⁵ of the height is left.
const REACH_SQUARED: f64 = 10.0;
/// Variance (px²) added to every Gaussian: the area of the pixel, and a point spread that keeps the sampling honest.
const PIXEL_VARIANCE: f64 = 0.3;

/// How the slab is turned and laid onto the picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    /// Rows of P: picture x and y (px) for a nm of u, v, z.
    rows: [[f64; 3]; 2],
    /// Where the slab's middle lands.
    middle_px: [f64; 2],
    pixel_nm: f64,
}

impl View {
    /// At an effective tilt, with the slab's middle recorded at `middle_px`.
    pub fn new(effective_tilt_deg: f64, axis_deg: f64, pixel_nm: f64, middle_px: [f64; 2]) -> Self {
        let (st, ct) = libm::sincos(effective_tilt_deg.to_radians());
        let (sa, ca) = libm::sincos(axis_deg.to_radians());
        let rows = [[ct * ca, sa, st * ca], [-ct * sa, ca, -st * sa]].map(|row| row.map(|value| value / pixel_nm));
        Self { rows, middle_px, pixel_nm }
    }

    /// The same view of a slab that has changed its size by these factors across the axis and along it.
    pub fn of_changed(self, [across, along]: [f64; 2]) -> Self {
        Self { rows: self.rows.map(|[u, v, z]| [u * across, v * along, z]), ..self }
    }

    /// Where a point of the slab is recorded.
    pub fn place_px(&self, point_nm: [f64; 3]) -> [f64; 2] {
        std::array::from_fn(|k| {
            let row = self.rows[k];
            self.middle_px[k] + row[0] * point_nm[0] + row[1] * point_nm[1] + row[2] * point_nm[2]
        })
    }

    /// P C Pᵀ in px²: xx, xy, yy.
    fn spread_px2(&self, c: &[f64; 6]) -> [f64; 3] {
        let times = |r: &[f64; 3]| {
            [
                c[0] * r[0] + c[1] * r[1] + c[2] * r[2],
                c[1] * r[0] + c[3] * r[1] + c[4] * r[2],
                c[2] * r[0] + c[4] * r[1] + c[5] * r[2],
            ]
        };
        let dot = |a: &[f64; 3], b: &[f64; 3]| a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
        let [x, y] = &self.rows;
        let (cx, cy) = (times(x), times(y));
        [dot(x, &cx) + PIXEL_VARIANCE, dot(x, &cy), dot(y, &cy) + PIXEL_VARIANCE]
    }
}

/// A picture of optical depth.
#[derive(Debug, Clone, PartialEq)]
pub struct Depth {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Row by row.
    pub values: Vec<f64>,
}

/// Optical depth of all matter in a view.
pub fn project(matter: &[Matter], view: &View, width: usize, height: usize) -> Depth {
    let mut depth = Depth { width, height, values: vec![0.0; width * height] };
    for piece in matter {
        match piece {
            Matter::Cloud { centre_nm, covariance_nm2, content_nm2 } => {
                let content_px2 = content_nm2 / (view.pixel_nm * view.pixel_nm);
                depth.add_cloud(view.place_px(*centre_nm), view.spread_px2(covariance_nm2), content_px2);
            }
            Matter::Ball { centre_nm, radius_nm, density_per_nm } => {
                let radius_px = radius_nm / view.pixel_nm;
                depth.add_ball(view.place_px(*centre_nm), radius_px, density_per_nm * view.pixel_nm);
            }
        }
    }
    depth
}

impl Depth {
    /// Indices of rows (or columns) within `reach` of `middle`, cut to the picture.
    fn range(middle: f64, reach: f64, size: usize) -> std::ops::Range<usize> {
        let first = (middle - reach).ceil().clamp(0.0, size as f64) as usize;
        let end = ((middle + reach).floor() + 1.0).clamp(0.0, size as f64) as usize;
        first..end.max(first)
    }

    fn add_cloud(&mut self, [x0, y0]: [f64; 2], [xx, xy, yy]: [f64; 3], content_px2: f64) {
        let determinant = xx * yy - xy * xy;
        let peak = content_px2 / (std::f64::consts::TAU * determinant.sqrt());
        let (a, b) = (yy / determinant, -xy / determinant);
        // Along a row the Gaussian's logarithm is a parabola: two factors carry it from pixel to pixel.
        let bend = libm::exp(-a);
        for y in Self::range(y0, (REACH_SQUARED * yy).sqrt(), self.height) {
            let dy = y as f64 - y0;
            let left = (REACH_SQUARED - dy * dy / yy).max(0.0);
            let columns = Self::range(x0 - b / a * dy, (left / a).sqrt(), self.width);
            let dx = columns.start as f64 - x0 + b / a * dy;
            let mut value = peak * libm::exp(-0.5 * (a * dx * dx + dy * dy / yy));
            let mut ratio = libm::exp(-0.5 * a * (2.0 * dx + 1.0));
            for pixel in &mut self.values[y * self.width + columns.start..y * self.width + columns.end] {
                *pixel += value;
                value *= ratio;
                ratio *= bend;
            }
        }
    }

    fn add_ball(&mut self, [x0, y0]: [f64; 2], radius: f64, density_per_px: f64) {
        for y in Self::range(y0, radius, self.height) {
            let dy = y as f64 - y0;
            for x in Self::range(x0, radius, self.width) {
                let dx = x as f64 - x0;
                let left = radius * radius - dx * dx - dy * dy;
                if left > 0.0 {
                    self.values[y * self.width + x] += 2.0 * density_per_px * left.sqrt();
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cloud(centre_nm: [f64; 3]) -> Matter {
        Matter::Cloud { centre_nm, covariance_nm2: [30.0, 5.0, -4.0, 20.0, 3.0, 50.0], content_nm2: 7.0 }
    }

    /// Sum and centre of mass.
    fn moments(depth: &Depth) -> (f64, f64, f64) {
        let (mut sum, mut sx, mut sy) = (0.0, 0.0, 0.0);
        for (i, &value) in depth.values.iter().enumerate() {
            sum += value;
            sx += value * (i % depth.width) as f64;
            sy += value * (i / depth.width) as f64;
        }
        (sum, sx / sum, sy / sum)
    }

    #[test]
    fn a_projection_keeps_what_it_projects_at_every_tilt() {
        for tilt in [-60.0, 0.0, 35.0] {
            let view = View::new(tilt, 20.0, 0.8, [60.0, 60.0]);
            let (sum, _, _) = moments(&project(&[cloud([0.0; 3])], &view, 120, 120));
            // 7 nm² over 0.64 nm² a pixel, less the e⁻⁵ beyond the reach.
            assert!((sum - 7.0 / 0.64).abs() < 0.01 * 7.0 / 0.64, "{sum}");
        }
    }

    #[test]
    fn height_moves_a_feature_along_the_perpendicular() {
        // 20 nm of height at 30° and 1 nm pixels: 10 px along (cos 25°, -sin 25°); mirrored at -30°.
        for (tilt, along) in [(30.0, 10.0), (-30.0, -10.0)] {
            let view = View::new(tilt, 25.0, 1.0, [60.0, 60.0]);
            let (_, x, y) = moments(&project(&[cloud([0.0, 0.0, 20.0])], &view, 120, 120));
            let (sine, cosine) = 25f64.to_radians().sin_cos();
            assert!((x - 60.0 - along * cosine).abs() < 0.02 && (y - 60.0 + along * sine).abs() < 0.02, "{x} {y}");
        }
    }

    #[test]
    fn a_ball_is_as_deep_as_its_diameter() {
        let ball = Matter::Ball { centre_nm: [0.0; 3], radius_nm: 10.0, density_per_nm: 0.1 };
        let depth = project(&[ball], &View::new(0.0, 0.0, 0.5, [40.0, 40.0]), 80, 80);
        assert!((depth.values[40 * 80 + 40] - 2.0).abs() < 1e-12);
        assert_eq!(depth.values[40 * 80 + 61], 0.0);
    }
}
