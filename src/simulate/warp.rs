//! The section bends as it is exposed: its middle moves against its edges, in proportion to the dose that it received in the
//! series.

use crate::simulate::montage::assembled_px;
use crate::simulate::phantom::Phantom;
use crate::simulate::recipe::Recipe;
use crate::simulate::structure::Matter;
use serde::{Deserialize, Serialize};
use std::f64::consts::FRAC_PI_2;

/// How far the middle has moved against the edges of the field when the last tilt is recorded.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Warp {
    /// Across the tilt axis.
    #[serde(default)]
    pub across_nm: f64,
    /// Along the tilt axis.
    #[serde(default)]
    pub along_nm: f64,
    /// Towards the source.
    #[serde(default)]
    pub up_nm: f64,
}

/// Share of the middle's displacement at a place across and along the axis, which is 0 at half the field's size: a cushion.
pub fn share(recipe: &Recipe, [u, v]: [f64; 2]) -> f64 {
    let [width, height] = assembled_px(recipe).map(|px| px * recipe.camera.pixel_nm);
    let (sine, cosine) = libm::sincos(recipe.tilt.axis_deg.to_radians());
    let half_u = 0.5 * (width * cosine.abs() + height * sine.abs());
    let half_v = 0.5 * (width * sine.abs() + height * cosine.abs());
    libm::cos(FRAC_PI_2 * (u / half_u).clamp(-2.0, 2.0)) * libm::cos(FRAC_PI_2 * (v / half_v).clamp(-2.0, 2.0))
}

/// The slab as it lies once a share of the dose has been received.
pub fn bent(recipe: &Recipe, warp: &Warp, phantom: &Phantom, received: f64) -> Phantom {
    let moved = |centre: [f64; 3]| {
        let share = received * share(recipe, [centre[0], centre[1]]);
        let by = [warp.across_nm, warp.along_nm, warp.up_nm];
        std::array::from_fn(|k| centre[k] + share * by[k])
    };
    let one = |piece: &Matter| match *piece {
        Matter::Cloud { centre_nm, covariance_nm2, content_nm2 } => {
            Matter::Cloud { centre_nm: moved(centre_nm), covariance_nm2, content_nm2 }
        }
        Matter::Ball { centre_nm, radius_nm, density_per_nm } => {
            Matter::Ball { centre_nm: moved(centre_nm), radius_nm, density_per_nm }
        }
    };
    Phantom { matter: phantom.matter.iter().map(one).collect() }
}
