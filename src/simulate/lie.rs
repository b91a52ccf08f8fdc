//! How the specimen lies under the beam: what a second series of the same specimen, turned in its plane, is made with.
//!
//! The specimen grows from a seed and a room of its own, so that two recipes make the same one; then it is turned and
//! moved.

use crate::simulate::recipe::Recipe;
use crate::simulate::structure::Matter;
use serde::{Deserialize, Serialize};

/// The specimen, and how it lies.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Lie {
    /// Seed of the specimen, in place of the recipe's.
    pub seed: u64,
    /// Half sizes of the room that structures grow in, before it is turned; beyond it the slab is empty.
    pub half_nm: [f64; 2],
    /// Turn in the plane, from stored x towards stored y.
    #[serde(default)]
    pub turn_deg: f64,
    /// Where the specimen's middle lies from the middle of the picture, stored (x, y).
    #[serde(default)]
    pub shift_nm: [f64; 2],
}

/// Turns and moves matter as the recipe says.
pub fn lay(recipe: &Recipe, lie: &Lie, matter: Vec<Matter>) -> Vec<Matter> {
    let (sine, cosine) = libm::sincos(recipe.tilt.axis_deg.to_radians());
    let [x, y] = lie.shift_nm;
    // From stored (x, y) to (across the axis, along it).
    let shift = [x * cosine - y * sine, x * sine + y * cosine];
    matter.into_iter().map(|piece| laid(piece, libm::sincos(lie.turn_deg.to_radians()), shift)).collect()
}

fn laid(piece: Matter, (sine, cosine): (f64, f64), shift: [f64; 2]) -> Matter {
    let place = |[u, v, z]: [f64; 3]| [cosine * u - sine * v + shift[0], sine * u + cosine * v + shift[1], z];
    match piece {
        Matter::Ball { centre_nm, radius_nm, density_per_nm } => {
            Matter::Ball { centre_nm: place(centre_nm), radius_nm, density_per_nm }
        }
        Matter::Cloud { centre_nm, covariance_nm2: [uu, uv, uz, vv, vz, zz], content_nm2 } => {
            let (cc, ss, cs) = (cosine * cosine, sine * sine, cosine * sine);
            let covariance_nm2 = [
                cc * uu - 2.0 * cs * uv + ss * vv,
                cs * (uu - vv) + (cc - ss) * uv,
                cosine * uz - sine * vz,
                ss * uu + 2.0 * cs * uv + cc * vv,
                sine * uz + cosine * vz,
                zz,
            ];
            Matter::Cloud { centre_nm: place(centre_nm), covariance_nm2, content_nm2 }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quarter_turn_swaps_the_axes() {
        let cloud = Matter::Cloud {
            centre_nm: [3.0, 5.0, 7.0],
            covariance_nm2: [9.0, 1.0, 2.0, 4.0, 3.0, 6.0],
            content_nm2: 1.0,
        };
        let Matter::Cloud { centre_nm, covariance_nm2, .. } = laid(cloud, (1.0, 0.0), [10.0, 20.0]) else {
            panic!("a cloud stays one")
        };
        assert_eq!(centre_nm, [5.0, 23.0, 7.0]);
        assert_eq!(covariance_nm2, [4.0, -1.0, -3.0, 9.0, 2.0, 6.0]);
    }
}
