//! Convex polygons: corners in one sense, closed by itself.

/// Twice the signed area of the triangle a, b, c.
fn turn(a: [f64; 2], b: [f64; 2], c: [f64; 2]) -> f64 {
    (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
}

/// The part of a convex polygon inside another, corners in the same sense (Sutherland & Hodgman 1974).
pub fn clip(polygon: &[[f64; 2]], by: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let mut left = polygon.to_vec();
    for (k, &a) in by.iter().enumerate() {
        let b = by[(k + 1) % by.len()];
        let corners = std::mem::take(&mut left);
        for (i, &p) in corners.iter().enumerate() {
            let q = corners[(i + 1) % corners.len()];
            let (p_in, q_in) = (turn(a, b, p), turn(a, b, q));
            if p_in >= 0.0 {
                left.push(p);
            }
            if (p_in >= 0.0) != (q_in >= 0.0) {
                let t = p_in / (p_in - q_in);
                left.push([p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1])]);
            }
        }
    }
    left
}

/// Signed area, positive where the corners turn from x towards y.
pub fn area(polygon: &[[f64; 2]]) -> f64 {
    let n = polygon.len();
    let cross = |i: usize| {
        let (a, b) = (polygon[i], polygon[(i + 1) % n]);
        a[0] * b[1] - a[1] * b[0]
    };
    0.5 * (0..n).map(cross).sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn polygons_are_clipped_to_what_both_hold() {
        let square = [[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]];
        let moved: Vec<[f64; 2]> = square.iter().map(|[x, y]| [x + 4.0, y - 3.0]).collect();
        let both = clip(&square, &moved);
        assert!((area(&both) - 6.0 * 7.0).abs() < 1e-9, "{both:?}");
        let away: Vec<[f64; 2]> = square.iter().map(|[x, y]| [x + 40.0, *y]).collect();
        assert!(area(&clip(&square, &away)).abs() < 1e-9);
    }
}
