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
/// known. `middle_px` is the middle of the assembled picture. Where the start is left out, or shows what most others do not, a
/// tilt that shows what most do stands in for it.
pub fn shares(fields: &[Field], start: usize, middle_px: [f64; 2]) -> Vec<Option<Share>> {
    let mut shares = vec![None; fields.len()];
    let start = reference(fields, start);
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
        let [x0, y0] = fields[start].place_px.unwrap_or_default();
        let seen =
            seen(&fields[at], &fields[start], place, [middle_px, [middle_px[0] + x0, middle_px[1] + y0]], &points);
        let both: Vec<bool> = seen.iter().zip(&kept).map(|(a, b)| *a && *b).collect();
        let own = seen.iter().filter(|&&seen| seen).count() as f64 / points.len().max(1) as f64;
        shares[at] = Some(share(&points, &both));
        if own >= LOST && !fields[at].left_out {
            kept = both;
        }
    }
    shares
}

/// The start, or the tilt nearest zero among those whose places agree with most.
fn reference(fields: &[Field], start: usize) -> usize {
    let candidates = || fields.iter().enumerate().filter(|(_, field)| !field.left_out);
    let placed: Vec<(usize, [f64; 2])> = candidates().filter_map(|(at, field)| Some((at, field.place_px?))).collect();
    let far = extent(&fields[start].tiles).map(|[low, high]| (1.0 - LOST) * (high - low));
    let agree = |place: [f64; 2]| {
        let near = |other: [f64; 2]| (0..2).all(|k| (other[k] - place[k]).abs() < far[k]);
        placed.iter().filter(|(_, other)| near(*other)).count()
    };
    if placed.iter().any(|&(at, place)| at == start && 2 * agree(place) >= placed.len()) {
        return start;
    }
    let most = placed.iter().map(|(_, place)| agree(*place)).max().unwrap_or(0);
    let best = placed.iter().filter(|(_, place)| agree(*place) == most).map(|(at, _)| *at);
    best.min_by(|&a, &b| fields[a].view.tilt_deg.abs().total_cmp(&fields[b].view.tilt_deg.abs())).unwrap_or(start)
}

/// First and last column and row of the tiles together.
fn extent(tiles: &[((usize, usize), Frame)]) -> [[f64; 2]; 2] {
    let over = |of: fn(&Frame) -> [f64; 2]| {
        let sides = tiles.iter().map(|(_, frame)| of(frame));
        sides.fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], [l, h]| [low.min(l), high.max(h)])
    };
    [over(|frame| frame.x), over(|frame| frame.y)]
}

/// A point of the field: its place in the assembled picture of the start, and the tile it is counted to.
struct Point {
    place_px: [f64; 2],
    tile: (usize, usize),
}

fn raster(tiles: &[((usize, usize), Frame)]) -> Vec<Point> {
    let [[x0, x1], [y0, y1]] = extent(tiles);
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
/// `middles_px` are that of the assembled picture, and where the feature of the places is at the start.
fn seen(field: &Field, start: &Field, place: [f64; 2], middles_px: [[f64; 2]; 2], points: &[Point]) -> Vec<bool> {
    let [middle_px, feature_px] = middles_px;
    let m = stretch(start.view, field.view);
    let lacks = |tile: (usize, usize)| field.tiles.iter().all(|(own, _)| *own != tile);
    let lacking: Vec<Frame> = start.tiles.iter().filter(|(tile, _)| lacks(*tile)).map(|(_, frame)| *frame).collect();
    let one = |point: &Point| {
        let [x, y] = apply(m, [point.place_px[0] - feature_px[0], point.place_px[1] - feature_px[1]]);
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

/// What a tilt shows of an area.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Target {
    /// Share that it shows in exactly one tile and in no shadow.
    pub visible: f64,
    /// Share that lies in a shadow.
    pub dark: f64,
}

/// What a tilt shows of an area (x, y, width, height on the start's assembled picture); `is_dark(place here, place at the
/// start)` says what lies in a shadow. `None` where the tilt has no place.
pub fn target(
    area_px: [f64; 4],
    field: &Field,
    from: View,
    middle_px: [f64; 2],
    is_dark: impl Fn([f64; 2], [f64; 2]) -> bool,
) -> Option<Target> {
    let place = field.place_px?;
    let m = stretch(from, field.view);
    const ACROSS: usize = 32;
    let (mut shown, mut in_shadow) = (0usize, 0usize);
    for row in 0..ACROSS {
        for col in 0..ACROSS {
            let part = |k: usize| (k as f64 + 0.5) / ACROSS as f64;
            let (x, y) = (area_px[0] + part(col) * area_px[2], area_px[1] + part(row) * area_px[3]);
            let [dx, dy] = apply(m, [x - middle_px[0], y - middle_px[1]]);
            let there = [middle_px[0] + place[0] + dx, middle_px[1] + place[1] + dy];
            let tiles = field.tiles.iter().filter(|(_, frame)| frame.holds(there)).count();
            let dark = tiles > 0 && is_dark(there, [x, y]);
            shown += usize::from(tiles == 1 && !dark);
            in_shadow += usize::from(dark);
        }
    }
    let share = |count: usize| count as f64 / (ACROSS * ACROSS) as f64;
    Some(Target { visible: share(shown), dark: share(in_shadow) })
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

    /// A lone start that lies far off: the others still share their field, and it is the one that does not.
    #[test]
    fn a_start_that_is_off_all_others_is_no_measure_of_them() {
        let off = |at: usize| if at == 2 { [0.0, 0.0] } else { [1.0, 80.0] };
        let fields: Vec<Field> = (0..5).map(|at| field(3.0 * at as f64 - 6.0, at, off(at))).collect();
        let whole: Vec<f64> = shares(&fields, 2, [50.0, 95.0]).into_iter().map(|share| share.unwrap().whole).collect();
        assert!(whole.iter().enumerate().all(|(at, whole)| (at == 2) == (*whole < LOST)), "{whole:?}");
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
        let see = |area: [f64; 4], dark: &dyn Fn(f64) -> bool| {
            target(area, &here, here.view, [50.0, 95.0], |[x, _], _| dark(x)).unwrap()
        };
        assert_eq!(see([10.0, 10.0, 40.0, 60.0], &|_| false), Target { visible: 1.0, dark: 0.0 });
        assert!((see([10.0, 80.0, 40.0, 20.0], &|_| false).visible - 0.5).abs() < 0.05);
        let half = see([10.0, 10.0, 40.0, 60.0], &|x| x <= 30.0);
        assert!((half.visible - 0.5).abs() < 0.05 && (half.dark - 0.5).abs() < 0.05, "{half:?}");
    }
}
