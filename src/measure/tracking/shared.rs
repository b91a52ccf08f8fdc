//! What all tilts have in common: the field of the start, followed through the series on a raster.
//!
//! A point of the specimen at X from the middle of the start's picture lies at p + S X at another tilt, p where the
//! start's centre feature is found and S the stretch across the axis. It is seen there if a tile holds that place.

use crate::measure::tracking::link::{View, apply, stretch};

/// Points of the raster along the longer side of the field.
const RASTER: usize = 128;
/// A tilt that holds less than this share of the field has lost it by itself: what later tilts share is not charged
/// with it.
const LOST: f64 = 2.0 / 3.0;

/// A rectangle in the assembled picture, in px: first and last column, first and last row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// Left and right border.
    pub x: [f64; 2],
    /// Upper and lower border.
    pub y: [f64; 2],
}

impl Frame {
    fn holds(&self, [x, y]: [f64; 2]) -> bool {
        x >= self.x[0] && x <= self.x[1] && y >= self.y[0] && y <= self.y[1]
    }
}

/// A tilt's tiles and its place.
#[derive(Debug, Clone)]
pub struct Field {
    /// What it is seen through.
    pub view: View,
    /// 0-based order of acquisition.
    pub order: usize,
    /// Where the start's centre feature is found, from the middle of the assembled picture, in px.
    pub place_px: Option<[f64; 2]>,
    /// Its tiles, those that could be read, each with column and row.
    pub tiles: Vec<((usize, usize), Frame)>,
    /// The verdict leaves it out: what the others share is not charged with it.
    pub left_out: bool,
}

/// What a tilt shares.
#[derive(Debug, Clone, PartialEq)]
pub struct Share {
    /// Of the whole field.
    pub whole: f64,
    /// Of each of the start's tiles.
    pub tiles: Vec<((usize, usize), f64)>,
}

/// Share of the start's field that is common to all kept tilts from zero out to each tilt; `None` where a place is not
/// known. `middle_px` is the middle of the assembled picture.
pub fn shares(fields: &[Field], start: usize, middle_px: [f64; 2]) -> Vec<Option<Share>> {
    let mut shares = vec![None; fields.len()];
    let points = raster(&fields[start].tiles);
    let mut kept = vec![true; points.len()];
    let mut outward: Vec<usize> = (0..fields.len()).collect();
    outward.sort_by(|&a, &b| {
        let key = |at: usize| (at != start, fields[at].view.tilt_deg.abs());
        let (a_key, b_key) = (key(a), key(b));
        a_key.0.cmp(&b_key.0).then(a_key.1.total_cmp(&b_key.1)).then(fields[a].order.cmp(&fields[b].order))
    });
    for at in outward {
        let Some(place) = fields[at].place_px else { continue };
        let seen = seen(&fields[at], &fields[start], place, middle_px, &points);
        let both: Vec<bool> = seen.iter().zip(&kept).map(|(a, b)| *a && *b).collect();
        let own = seen.iter().filter(|&&seen| seen).count() as f64 / points.len().max(1) as f64;
        shares[at] = Some(share(&points, &both));
        if own >= LOST && !fields[at].left_out {
            kept = both;
        }
    }
    shares
}

/// A point of the field: its place in the assembled picture of the start, and the tile it is counted to.
struct Point {
    place_px: [f64; 2],
    tile: (usize, usize),
}

fn raster(tiles: &[((usize, usize), Frame)]) -> Vec<Point> {
    let low = |of: fn(&Frame) -> f64| tiles.iter().map(|(_, f)| of(f)).fold(f64::INFINITY, f64::min);
    let high = |of: fn(&Frame) -> f64| tiles.iter().map(|(_, f)| of(f)).fold(f64::NEG_INFINITY, f64::max);
    let (x0, x1, y0, y1) = (low(|f| f.x[0]), high(|f| f.x[1]), low(|f| f.y[0]), high(|f| f.y[1]));
    let step = ((x1 - x0).max(y1 - y0) / RASTER as f64).max(1e-9);
    let count = |span: f64| (span / step).floor().max(0.0) as usize;
    let mut points = Vec::new();
    for row in 0..count(y1 - y0) {
        for col in 0..count(x1 - x0) {
            let place_px = [x0 + (col as f64 + 0.5) * step, y0 + (row as f64 + 0.5) * step];
            if let Some((tile, _)) = tiles.iter().find(|(_, frame)| frame.holds(place_px)) {
                points.push(Point { place_px, tile: *tile });
            }
        }
    }
    points
}

/// Points that a tilt shows. A tile that was not recorded is another fault than a field that moved away: where it is
/// lacking, the tilt is not charged with it.
fn seen(field: &Field, start: &Field, place: [f64; 2], middle_px: [f64; 2], points: &[Point]) -> Vec<bool> {
    let m = stretch(start.view, field.view);
    let lacks = |tile: (usize, usize)| field.tiles.iter().all(|(own, _)| *own != tile);
    let lacking: Vec<Frame> = start.tiles.iter().filter(|(tile, _)| lacks(*tile)).map(|(_, frame)| *frame).collect();
    let one = |point: &Point| {
        let [x, y] = apply(m, [point.place_px[0] - middle_px[0], point.place_px[1] - middle_px[1]]);
        let there = [middle_px[0] + place[0] + x, middle_px[1] + place[1] + y];
        field.tiles.iter().map(|(_, frame)| frame).chain(&lacking).any(|frame| frame.holds(there))
    };
    points.iter().map(one).collect()
}

fn share(points: &[Point], kept: &[bool]) -> Share {
    let of = |tile: Option<(usize, usize)>| {
        let mine = points.iter().zip(kept).filter(|(point, _)| tile.is_none_or(|tile| point.tile == tile));
        let (all, left) =
            mine.fold((0.0, 0.0), |(all, left), (_, kept)| (all + 1.0, left + f64::from(u8::from(*kept))));
        if all > 0.0 { left / all } else { 0.0 }
    };
    let mut tiles: Vec<(usize, usize)> = points.iter().map(|point| point.tile).collect();
    tiles.sort_unstable();
    tiles.dedup();
    Share { whole: of(None), tiles: tiles.into_iter().map(|tile| (tile, of(Some(tile)))).collect() }
}

/// Share of an area (x, y, width, height on the start's assembled picture) that a tilt shows in exactly one tile and
/// where `clear(x, y)` says that it is not in a shadow.
pub fn visible(
    area_px: [f64; 4],
    field: &Field,
    from: View,
    middle_px: [f64; 2],
    clear: impl Fn(f64, f64) -> bool,
) -> Option<f64> {
    let place = field.place_px?;
    let m = stretch(from, field.view);
    const ACROSS: usize = 32;
    let mut shown = 0;
    for row in 0..ACROSS {
        for col in 0..ACROSS {
            let part = |k: usize| (k as f64 + 0.5) / ACROSS as f64;
            let (x, y) = (area_px[0] + part(col) * area_px[2], area_px[1] + part(row) * area_px[3]);
            let [dx, dy] = apply(m, [x - middle_px[0], y - middle_px[1]]);
            let there = [middle_px[0] + place[0] + dx, middle_px[1] + place[1] + dy];
            let tiles = field.tiles.iter().filter(|(_, frame)| frame.holds(there)).count();
            shown += usize::from(tiles == 1 && clear(there[0], there[1]));
        }
    }
    Some(shown as f64 / (ACROSS * ACROSS) as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn field(tilt_deg: f64, order: usize, place: [f64; 2]) -> Field {
        let tile = |row: usize| {
            let y0 = 90.0 * row as f64;
            ((0, row), Frame { x: [0.0, 100.0], y: [y0, y0 + 100.0] })
        };
        let view = View { across: Some([1.0, 0.0]), tilt_deg };
        Field { view, order, place_px: Some(place), tiles: vec![tile(0), tile(1)], left_out: false }
    }

    #[test]
    fn a_shift_along_the_montage_costs_its_outer_tile_most() {
        let fields = [field(0.0, 0, [0.0, 0.0]), field(3.0, 1, [0.0, 19.0])];
        let shares = shares(&fields, 0, [50.0, 95.0]);
        assert_eq!(shares[0].as_ref().unwrap().whole, 1.0);
        let second = shares[1].as_ref().unwrap();
        // 19 of 190 rows leave at the lower end, all of them of the second tile's 90 own rows.
        assert!((second.whole - 0.9).abs() < 0.01, "{second:?}");
        assert!((second.tiles[1].1 - 71.0 / 90.0).abs() < 0.02 && second.tiles[0].1 == 1.0, "{second:?}");
    }

    #[test]
    fn steep_tilts_see_more_and_one_lost_tilt_costs_no_other() {
        let fields = [field(0.0, 0, [0.0; 2]), field(30.0, 1, [0.0, 160.0]), field(60.0, 2, [20.0, 0.0])];
        let shares = shares(&fields, 0, [50.0, 95.0]);
        assert!(shares[1].as_ref().unwrap().whole < 0.2);
        // At 60° the field is half as wide across the axis: a shift of 20 leaves it inside.
        assert_eq!(shares[2].as_ref().unwrap().whole, 1.0);
    }

    #[test]
    fn a_tilt_that_is_left_out_costs_no_other() {
        let mut fields = [field(0.0, 0, [0.0; 2]), field(3.0, 1, [0.0, 60.0]), field(6.0, 2, [0.0; 2])];
        assert!(shares(&fields, 0, [50.0, 95.0])[2].as_ref().unwrap().whole < 0.7);
        fields[1].left_out = true;
        let shares = shares(&fields, 0, [50.0, 95.0]);
        assert_eq!(shares[2].as_ref().unwrap().whole, 1.0);
        assert!(shares[1].as_ref().unwrap().whole < 0.7, "its own share stays");
    }

    #[test]
    fn an_area_on_a_seam_or_in_the_dark_is_not_seen() {
        let here = field(0.0, 0, [0.0; 2]);
        let see = |area: [f64; 4], clear: &dyn Fn(f64, f64) -> bool| {
            visible(area, &here, here.view, [50.0, 95.0], clear).unwrap()
        };
        assert_eq!(see([10.0, 10.0, 40.0, 60.0], &|_, _| true), 1.0);
        assert!((see([10.0, 80.0, 40.0, 20.0], &|_, _| true) - 0.5).abs() < 0.05);
        assert!((see([10.0, 10.0, 40.0, 60.0], &|x, _| x > 30.0) - 0.5).abs() < 0.05);
    }
}
