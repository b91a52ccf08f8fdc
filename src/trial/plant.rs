//! How each kind of fault is planted: what changes in the recipe, or in what the site states of the series.

use crate::simulate::Recipe;
use crate::simulate::faults::{Fault, Side, What};
use crate::simulate::random::{Stream, Use};
use crate::simulate::recipe::Scheme;
use crate::simulate::schedule::{SAME_ANGLE_DEG, nominal_deg};

/// A series with a fault in it.
#[derive(Debug, Clone, PartialEq)]
pub struct Planted {
    /// What its pixels are made from.
    pub recipe: Recipe,
    /// Nominal angles of the tilts that are hit; none: the series as a whole.
    pub tilts_deg: Vec<f64>,
    /// What is done to sheet, table and pixels afterwards.
    pub edits: Edits,
}

/// Faults of what is stated, and of what is kept.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Edits {
    /// Added to the stated direction of the axis.
    pub axis_turned_deg: f64,
    /// The stated gain over the true one.
    pub gain_times: Option<f64>,
    /// Tilts whose pixels are lost.
    pub blank_deg: Vec<f64>,
    /// Tilts whose last tile is missing.
    pub lacking_deg: Vec<f64>,
    /// The operator's area.
    pub area_px: Option<[f64; 4]>,
    /// Stated angles: of which tilt, and what is added to it.
    pub mistyped_deg: Vec<(f64, f64)>,
    /// The stated angles stand in an order of their own.
    pub shuffled: bool,
}

impl Planted {
    /// A sound series as it is.
    pub fn sound(recipe: Recipe) -> Self {
        Self { recipe, tilts_deg: Vec::new(), edits: Edits::default() }
    }

    /// Draws so many tilts to hit, no two of them neighbours' neighbours.
    pub fn draw_tilts(&mut self, number: usize) {
        let mut draw = self.stream();
        let mut free = self.rising();
        while self.tilts_deg.len() < number && !free.is_empty() {
            let at = ((draw.uniform() * free.len() as f64) as usize).min(free.len() - 1);
            let chosen = free[at];
            self.tilts_deg.push(chosen);
            let apart = 2.5 * self.recipe.tilt.step_deg;
            free.retain(|angle| (angle - chosen).abs() > apart);
        }
        self.tilts_deg.sort_by(f64::total_cmp);
    }

    /// The numbers that say where and in which direction the fault lies.
    pub fn stream(&self) -> Stream {
        Stream::new(self.recipe.seed, Use::Invented, 1)
    }

    /// Different nominal angles, rising.
    pub fn rising(&self) -> Vec<f64> {
        let mut angles = nominal_deg(&self.recipe.tilt);
        angles.sort_by(f64::total_cmp);
        angles.dedup_by(|a, b| (*a - *b).abs() < SAME_ANGLE_DEG);
        angles
    }

    fn side_px(&self) -> f64 {
        self.recipe.camera.width_px.min(self.recipe.camera.height_px) as f64
    }

    /// A fault at the tilts hit, or at all where none is.
    fn add(&mut self, what: What) {
        let tilts_deg = if self.tilts_deg.is_empty() { self.rising() } else { self.tilts_deg.clone() };
        self.recipe.faults.push(Fault { tilts_deg, leave_out: false, last_only: false, what });
    }

    fn direction(&self) -> f64 {
        self.stream().between(0.0, 360.0)
    }

    fn any_side(&self) -> Side {
        [Side::LowX, Side::HighX, Side::LowY, Side::HighY][(self.direction() / 90.0) as usize % 4]
    }

    /// The tile with the highest numbers.
    fn last_tile(&self) -> (usize, usize) {
        let (cols, rows) = self.recipe.tiles();
        (cols - 1, rows - 1)
    }
}

/// How a fault of one strength gets into a series.
pub type Plant = fn(&mut Planted, f64);

/// A smear so many px long.
pub fn drift(series: &mut Planted, px: f64) {
    let direction_deg = series.direction();
    series.add(What::Drift { px, direction_deg });
}

/// A round blur of this standard deviation.
pub fn blur(series: &mut Planted, sigma_px: f64) {
    series.add(What::Blur { sigma_px });
}

/// A grid bar over this share of the assembled picture.
pub fn bar(series: &mut Planted, fraction: f64) {
    let side = series.any_side();
    series.add(What::Bar { side, fraction });
}

/// A round beam that misses this share of each tile.
pub fn beam_edge(series: &mut Planted, fraction: f64) {
    let side = series.any_side();
    series.add(What::BeamEdge { side, fraction });
}

/// So many of the pixels clipped.
pub fn clipped(series: &mut Planted, share: f64) {
    series.add(What::Saturation { share });
}

/// This share of the electrons missing.
pub fn dim(series: &mut Planted, missing: f64) {
    series.add(What::Dim { factor: 1.0 - missing });
}

/// A jump there and back, by this share of the shorter side.
pub fn jump(series: &mut Planted, share: f64) {
    let (px, direction_deg) = (share * series.side_px(), series.direction());
    series.add(What::Jump { px, direction_deg, stays: false });
}

/// The field goes away by this share of the shorter side for the last three tilts in time, and does not come back.
pub fn lost_field(series: &mut Planted, share: f64) {
    lost_from(series, share, 3);
}

/// The same from the middle of the acquisition on.
pub fn lost_half(series: &mut Planted, share: f64) {
    let half = nominal_deg(&series.recipe.tilt).len() / 2;
    lost_from(series, share, half);
}

fn lost_from(series: &mut Planted, share: f64, tilts: usize) {
    let in_time = nominal_deg(&series.recipe.tilt);
    let last = &in_time[in_time.len().saturating_sub(tilts)..];
    let first = last.first().copied().into_iter().collect();
    // Along rows or columns, so that the share of the side is the share of the field.
    let direction_deg = (series.direction() / 90.0).floor() * 90.0;
    let what = What::Jump { px: share * series.side_px(), direction_deg, stays: true };
    series.recipe.faults.push(Fault { tilts_deg: first, leave_out: false, last_only: false, what });
    series.tilts_deg = last.to_vec();
    series.tilts_deg.sort_by(f64::total_cmp);
}

/// A jump at the first tilt after a bidirectional series has turned round.
pub fn after_reversal(series: &mut Planted, share: f64) {
    let in_time = nominal_deg(&series.recipe.tilt);
    let turned = in_time.windows(2).find(|pair| pair[1] < pair[0]).map(|pair| pair[1]);
    series.tilts_deg = turned.into_iter().collect();
    jump(series, share);
}

/// Underfocus off by so much.
pub fn misfocus(series: &mut Planted, add_um: f64) {
    series.add(What::Misfocus { add_um });
}

/// Astigmatism of the whole series.
pub fn astigmatic(series: &mut Planted, um: f64) {
    series.recipe.focus.astigmatism_um = um;
}

/// Underfocus that scatters from tilt to tilt.
pub fn scattered_focus(series: &mut Planted, sd_um: f64) {
    series.recipe.focus.scatter_um = sd_um;
}

/// One tile off its place along the seam, by this share of the overlap.
pub fn misplaced(series: &mut Planted, share: f64) {
    let (col, row) = series.last_tile();
    let overlap = series.recipe.montage.as_ref().map_or([0, 0], |montage| montage.overlap_px);
    // Along the seam the tiles keep what they share.
    let along_x = overlap[1] > 0;
    let px = share * overlap[usize::from(along_x)] as f64;
    let (x_px, y_px) = if along_x { (px, 0.0) } else { (0.0, px) };
    series.add(What::Misplaced { col, row, x_px, y_px });
}

/// One tile bent by a wave along its seam.
pub fn bent(series: &mut Planted, px: f64) {
    let (col, row) = series.last_tile();
    let waves = if series.recipe.tiles().1 > 1 { [1.0, 0.0] } else { [0.0, 1.0] };
    let direction_deg = series.direction();
    series.add(What::Bent { col, row, px, direction_deg, waves });
}

/// One tile with this share of its electrons missing.
pub fn tile_dim(series: &mut Planted, missing: f64) {
    let (col, row) = series.last_tile();
    series.add(What::TileDim { col, row, factor: 1.0 - missing });
}

/// The focus of one tile off by so much.
pub fn tile_misfocus(series: &mut Planted, add_um: f64) {
    let (col, row) = series.last_tile();
    series.add(What::TileMisfocus { col, row, add_um });
}

/// Every tile of every tilt focused at its own middle.
pub fn refocused(series: &mut Planted, _: f64) {
    series.add(What::Refocused {});
}

/// A slab that holds nothing.
pub fn featureless(series: &mut Planted, _: f64) {
    series.recipe.structures.clear();
}

/// A square lattice in the slab of this strength.
pub fn lattice(series: &mut Planted, strength: f64) {
    let (spacing_nm, direction_deg) = (8.0 * series.recipe.camera.pixel_nm, series.direction());
    series.add(What::Lattice { spacing_nm, direction_deg, strength });
}

/// Pixels that cannot be read.
pub fn blank(series: &mut Planted, _: f64) {
    series.edits.blank_deg = series.tilts_deg.clone();
}

/// A tile that was never recorded.
pub fn lacking_tile(series: &mut Planted, _: f64) {
    series.edits.lacking_deg = series.tilts_deg.clone();
}

/// A pause of so many minutes before one tilt, which is not the first.
pub fn pause(series: &mut Planted, minutes: f64) {
    let in_time = nominal_deg(&series.recipe.tilt);
    let at = 1 + (series.stream().uniform() * (in_time.len() - 1) as f64) as usize;
    let tilts_deg = in_time.get(at).copied().into_iter().collect();
    series.recipe.faults.push(Fault { tilts_deg, leave_out: false, last_only: false, what: What::Pause { minutes } });
}

/// A narrow bar over this share of the operator's area, which lies at the side of the frame. Tilts are those near zero: at
/// steep ones the specimen shrinks away from the sides, and the area out of a bar's reach.
pub fn covered_area(series: &mut Planted, share: f64) {
    const DEPTH: f64 = 0.12;
    const MOST_DEG: f64 = 12.0;
    let flat: Vec<f64> = nominal_deg(&series.recipe.tilt).into_iter().filter(|deg| deg.abs() <= MOST_DEG).collect();
    for at in 0..series.tilts_deg.len() {
        if series.tilts_deg[at].abs() > MOST_DEG
            && let Some(&deg) = flat.iter().find(|deg| !series.tilts_deg.contains(deg))
        {
            series.tilts_deg[at] = deg;
        }
    }
    let (width, height) = (series.recipe.camera.width_px as f64, series.recipe.camera.height_px as f64);
    series.edits.area_px = Some([0.0, 0.35 * height, DEPTH * width, 0.3 * height]);
    series.add(What::Bar { side: Side::LowX, fraction: DEPTH * share });
}

/// An illumination that slopes by this share of its mean.
pub fn slope(series: &mut Planted, fraction: f64) {
    series.recipe.beam.slope_fraction = fraction;
}

/// A set-up beam with this share of what the target needs at the steepest tilt missing.
pub fn weak_beam(series: &mut Planted, missing: f64) {
    let beam = &mut series.recipe.beam;
    beam.setup_mean_counts = beam.setup_mean_counts.map(|counts| counts * (1.0 - missing));
}

/// A stated gain that is so many times too small.
pub fn wrong_gain(series: &mut Planted, times: f64) {
    series.edits.gain_times = Some(1.0 / times);
}

/// This share of 1,500 e/Å² missing before the series.
pub fn short_pre_exposure(series: &mut Planted, missing: f64) {
    series.recipe.beam.pre_exposure_e_per_a2 = 1500.0 * (1.0 - missing);
}

/// So many e/Å² spent on the area before the series.
pub fn spent_before(series: &mut Planted, e_per_a2: f64) {
    series.recipe.beam.pre_exposure_e_per_a2 = e_per_a2;
}

/// So many e/Å² in all.
pub fn high_dose(series: &mut Planted, e_per_a2: f64) {
    let tilts = nominal_deg(&series.recipe.tilt).len() as f64;
    series.recipe.beam.dose_e_per_a2 = Some(e_per_a2 / tilts);
}

/// The optical axis so far from the tilt axis.
pub fn off_axis(series: &mut Planted, um: f64) {
    series.recipe.movement.axis_offset_um = um;
}

/// The specimen so far from eucentric height.
pub fn off_height(series: &mut Planted, um: f64) {
    series.recipe.movement.height_offset_um = um;
}

/// So many degrees missing of 120.
pub fn short_range(series: &mut Planted, missing_deg: f64) {
    let half = 60.0 - 0.5 * missing_deg;
    let tilt = &mut series.recipe.tilt;
    let steps = (half / tilt.step_deg).floor();
    (tilt.min_deg, tilt.max_deg) = (-steps * tilt.step_deg, steps * tilt.step_deg);
}

/// So many neighbouring tilts never recorded, away from the middle.
pub fn hole(series: &mut Planted, tilts: f64) {
    hole_from(series, 30.0, tilts);
}

/// The same in the middle of the range.
pub fn hole_in_the_middle(series: &mut Planted, tilts: f64) {
    hole_from(series, 0.0, tilts);
}

fn hole_from(series: &mut Planted, from_deg: f64, tilts: f64) {
    let left_out = |angle: &f64| *angle >= from_deg - SAME_ANGLE_DEG;
    let missing = series.rising().into_iter().filter(left_out).take(tilts.round() as usize).collect();
    series.recipe.tilt.leave_out_deg = missing;
    // A start that is left out would leave a two-sided scheme without its first tilt.
    series.recipe.tilt.scheme = Scheme::Unidirectional;
}

/// The last tilts recorded once more at once.
pub fn repeated(series: &mut Planted, tilts: f64) {
    series.recipe.tilt.scheme = Scheme::Unidirectional;
    let rising = series.rising();
    series.recipe.tilt.repeat_deg = rising.into_iter().rev().take(tilts.round() as usize).collect();
}

/// An axis stated so many degrees off; the montage runs across it, so that underfocus changes over the picture.
pub fn wrong_axis(series: &mut Planted, turned_deg: f64) {
    series.recipe.tilt.axis_deg = 85.0;
    series.edits.axis_turned_deg = turned_deg;
}

/// An angle stated so many degrees nearer to zero than it was, or beyond zero.
pub fn mistyped(series: &mut Planted, deg: f64) {
    let off = |&truly: &f64| (truly, if truly > 0.0 { -deg } else { deg });
    series.edits.mistyped_deg = series.tilts_deg.iter().map(off).collect();
}

/// Angles that stand in another order than the pictures.
pub fn shuffled(series: &mut Planted, _: f64) {
    series.edits.shuffled = true;
}
