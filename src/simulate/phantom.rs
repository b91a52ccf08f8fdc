//! The slab: all matter of a recipe, over an area that every tilt's picture lies in.

use crate::simulate::lie::lay;
use crate::simulate::montage::assembled_px;
use crate::simulate::random::{Stream, Use};
use crate::simulate::recipe::Recipe;
use crate::simulate::structure::{Matter, Room, build};

/// All matter of the slab.
#[derive(Debug, Clone, PartialEq)]
pub struct Phantom {
    /// Clouds and balls, in a fixed order.
    pub matter: Vec<Matter>,
}

/// Builds the slab of a recipe. `margin_px` is what a picture needs beyond the assembled one; `steepest_deg` the
/// steepest effective tilt, at which the picture covers 1/cos of its width on the specimen.
pub fn phantom(recipe: &Recipe, margin_px: f64, steepest_deg: f64) -> Phantom {
    let (seed, room) = match &recipe.lie {
        Some(lie) => (lie.seed, Room { half_nm: [lie.half_nm[0], lie.half_nm[1], 0.5 * recipe.slab.thickness_nm] }),
        None => (recipe.seed, room(recipe, margin_px, steepest_deg)),
    };
    let of_group = |(index, structure)| build(structure, &room, &mut Stream::new(seed, Use::Phantom, index));
    let matter = recipe.structures.iter().enumerate().flat_map(of_group).collect();
    Phantom {
        matter: match &recipe.lie {
            Some(lie) => lay(recipe, lie, matter),
            None => matter,
        },
    }
}

fn room(recipe: &Recipe, margin_px: f64, steepest_deg: f64) -> Room {
    let [width, height] = assembled_px(recipe).map(|px| (0.5 * px + margin_px) * recipe.camera.pixel_nm);
    let (sine, cosine) = libm::sincos(recipe.tilt.axis_deg.to_radians());
    let (sine, cosine) = (sine.abs(), cosine.abs());
    let half_thickness = 0.5 * recipe.slab.thickness_nm;
    let steepest_rad = steepest_deg.to_radians();
    let across = width * cosine + height * sine + half_thickness * libm::sin(steepest_rad);
    let along = width * sine + height * cosine;
    Room { half_nm: [across / libm::cos(steepest_rad), along, half_thickness] }
}
