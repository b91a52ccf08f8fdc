//! What befell single tiles of a tilt, where the whole picture does not show it.

use crate::record::{Tile, Tilt};

/// The mean over the area of what each tile lost, 0 to 1; what is not known of a tile is taken for no loss. `None` of a
/// single area.
pub fn mean_loss(tilt: &Tilt, lost: impl Fn(&Tile) -> Option<f64>) -> Option<f64> {
    let tiles = tilt.tiles.len();
    let each = tilt.tiles.iter().map(|tile| lost(tile).unwrap_or(0.0).clamp(0.0, 1.0));
    (tiles > 1).then(|| each.sum::<f64>() / tiles as f64)
}

/// Where a tilt's loss sits, where tiles lost at least `plain` and others did not: `, in the tile at column 2, row 0`.
pub fn place(tilt: Option<&Tilt>, plain: f64, lost: impl Fn(&Tile) -> Option<f64>) -> String {
    let Some(tilt) = tilt else { return String::new() };
    let (plain, other): (Vec<&Tile>, Vec<&Tile>) =
        tilt.tiles.iter().partition(|tile| lost(tile).is_some_and(|loss| loss >= plain));
    if plain.is_empty() || other.is_empty() {
        return String::new();
    }
    let named: Vec<String> = plain.iter().map(|tile| format!("column {}, row {}", tile.col, tile.row)).collect();
    let tiles = if named.len() == 1 { "tile" } else { "tiles" };
    format!(", there in the {tiles} at {}", named.join(" and "))
}
