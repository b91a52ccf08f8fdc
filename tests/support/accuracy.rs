//! Series that the simulator makes, assessed, and their record held against the truth: what the tests of seams and
//! tracking share with the command that prints the accuracy table.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]
#![allow(dead_code, reason = "each test uses its part")]

use std::path::Path;
use tiltworth::intake::{Request, load};
use tiltworth::judge::Profile;
use tiltworth::numerics::registration::fft2::Fft2;
use tiltworth::record::{Record, Seam};
use tiltworth::simulate::beam::electrons_per_px;
use tiltworth::simulate::truth::{TileTruth, Truth};
use tiltworth::simulate::{Recipe, optics, phantom, plan, run, write};

/// What a simulated series is made of.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Seed of every random number.
    pub seed: u64,
    /// Side of a tile.
    pub side_px: usize,
    /// Columns and rows of the montage.
    pub tiles: (usize, usize),
    /// Nominal overlap.
    pub overlap_px: usize,
    /// Standard deviation of a tile's place.
    pub scatter_px: f64,
    /// Mean counts, 40 of which make an electron.
    pub counts: f64,
    /// Direction of the axis.
    pub axis_deg: f64,
    /// Largest angle.
    pub range_deg: f64,
    /// Step.
    pub step_deg: f64,
    /// Angles that are not recorded.
    pub leave_out_deg: Vec<f64>,
    /// Order.
    pub scheme: &'static str,
    /// d and z₀.
    pub offsets_um: [f64; 2],
    /// What tracking leaves.
    pub wander_um: f64,
    /// Gain from pixel to pixel, from column to column.
    pub pattern: [f64; 2],
    /// Tables of planted faults.
    pub faults: String,
}

impl Default for Plan {
    fn default() -> Self {
        Self {
            seed: 1,
            side_px: 256,
            tiles: (1, 1),
            overlap_px: 40,
            scatter_px: 0.0,
            counts: 7500.0,
            axis_deg: 4.2,
            range_deg: 60.0,
            step_deg: 3.0,
            leave_out_deg: Vec::new(),
            scheme: "unidirectional",
            offsets_um: [0.1, 0.05],
            wander_um: 0.0003,
            pattern: [0.0; 2],
            faults: String::new(),
        }
    }
}

impl Plan {
    fn text(&self) -> String {
        let (cols, rows) = self.tiles;
        let montage = if (cols, rows) == (1, 1) {
            String::new()
        } else {
            format!(
                "[montage]\ncols = {cols}\nrows = {rows}\noverlap_px = [{}, {}]\nplace_scatter_px = {:?}\n",
                if cols > 1 { self.overlap_px } else { 0 },
                if rows > 1 { self.overlap_px } else { 0 },
                self.scatter_px
            )
        };
        format!(
            r#"
seed = {seed}
title = "accuracy"
series_id = "accuracy"
specimen = "resin-section"
started_at = "2031-04-17T08:30:00Z"
[instrument]
name = "Microscope 2"
kv = 300.0
cs_mm = 2.7
amplitude_contrast = 0.2
[camera]
width_px = {side}
height_px = {side}
pixel_nm = 0.72
full_scale_counts = 65535
counts_per_electron = 40.0
readout_noise_counts = 16.0
gain_sd = {gain:?}
stripe_sd = {stripe:?}
compression = "none"
[tilt]
axis_deg = {axis:?}
min_deg = -{range:?}
max_deg = {range:?}
step_deg = {step:?}
leave_out_deg = {leave_out:?}
scheme = "{scheme}"
scatter_deg = 0.01
[slab]
thickness_nm = 100.0
attenuation_length_nm = 160.0
[beam]
kind = "regulated"
target_mean_counts = {counts:?}
setup_mean_counts = {setup:?}
pre_exposure_e_per_A2 = 1700.0
exposure_s = 1.0
seconds_per_tile = 9.0
seconds_per_tilt = 24.0
[focus]
wanted_defocus_um = 4.0
envelope_nm = 0.9
[movement]
axis_offset_um = {d:?}
height_offset_um = {z:?}
wander_um = {wander:?}
{montage}
[texture]
grain = 0.10
structure_phase = 0.5
structure_absorption = 1.0
[[structure]]
kind = "lamellae"
bands = 5
sacs = 3
pitch_nm = 21.0
lumen_nm = 9.0
spacing_nm = 105.0
direction_deg = 62.0
waviness_nm = 26.0
piece_nm = [260.0, 700.0]
density_per_nm = 0.0065
[[structure]]
kind = "granules"
per_um2 = 420.0
radius_nm = [8.0, 11.0]
density_per_nm = 0.03
[[structure]]
kind = "granules"
per_um2 = 16000.0
radius_nm = [3.0, 5.0]
density_per_nm = 0.014
{faults}
"#,
            seed = self.seed,
            side = self.side_px,
            gain = self.pattern[0],
            stripe = self.pattern[1],
            axis = self.axis_deg,
            range = self.range_deg,
            step = self.step_deg,
            leave_out = self.leave_out_deg,
            scheme = self.scheme,
            counts = self.counts,
            setup = 2.0 * self.counts,
            d = self.offsets_um[0],
            z = self.offsets_um[1],
            wander = self.wander_um,
            faults = self.faults,
        )
    }

    /// The recipe.
    pub fn recipe(&self) -> Recipe {
        Recipe::from_toml(&self.text(), Path::new("accuracy.toml")).unwrap()
    }

    /// Makes the series and assesses it.
    pub fn assess(&self) -> (Record, Truth) {
        self.assess_edited(|_| ())
    }

    /// The same, with its folder edited in between.
    pub fn assess_edited(&self, edit: impl FnOnce(&Path)) -> (Record, Truth) {
        let folder = tempfile::tempdir().unwrap();
        let recipe = self.recipe();
        let simulated = run(&recipe);
        let series = folder.path().join("series");
        write(&recipe, &simulated, &series, false).unwrap();
        edit(&series);
        let series = load(&Request { path: series, ..Request::default() }).unwrap();
        let profile = Profile::find(None, series.specimen).unwrap();
        let (record, _) = tiltworth::assess::assess(&series, &profile, &|| (), &|| true).unwrap();
        (record, simulated.truth)
    }
}

/// What is found against what is true, a number each.
#[derive(Debug, Clone, Default)]
pub struct Errors(pub Vec<f64>);

impl Errors {
    /// A quantile, 0 to 1.
    pub fn quantile(&self, q: f64) -> f64 {
        let mut sorted = self.0.clone();
        sorted.sort_by(f64::total_cmp);
        sorted[((sorted.len() - 1) as f64 * q).round() as usize]
    }
}

fn tile(truth: &[TileTruth], [col, row]: [usize; 2]) -> &TileTruth {
    truth.iter().find(|tile| (tile.col, tile.row) == (col, row)).unwrap()
}

/// True offset of a seam.
pub fn true_offset(truth: &[TileTruth], seam: &Seam) -> [f64; 2] {
    let (a, b) = (tile(truth, seam.from), tile(truth, seam.to));
    let off = |t: &TileTruth| [t.place_x_px - t.nominal_x_px, t.place_y_px - t.nominal_y_px];
    [off(b)[0] - off(a)[0], off(b)[1] - off(a)[1]]
}

/// Length of the error of each measured seam, and how many were not measured.
pub fn seam_errors(record: &Record, truth: &Truth) -> (Errors, usize) {
    let (mut errors, mut missing) = (Errors::default(), 0);
    for tilt in &record.tilts {
        let truth = truth.tilts.iter().find(|t| t.sections.iter().min() == tilt.sections.iter().min()).unwrap();
        for seam in tilt.seams.iter().flatten() {
            let [x, y] = true_offset(&truth.tiles, seam);
            match (seam.offset_x_px, seam.offset_y_px) {
                (Some(found_x), Some(found_y)) => errors.0.push((found_x - x).hypot(found_y - y)),
                _ => {
                    println!(
                        "not measured: {}° {:?}–{:?}, truly {x:.1}, {y:.1} off, {:?}",
                        tilt.tilt_deg, seam.from, seam.to, seam.why_not
                    );
                    missing += 1;
                }
            }
        }
    }
    (errors, missing)
}

/// What the length of a seam's error cannot fall under, as its median, one number a seam: the Cramér-Rao bound of the
/// shift between two noisy pictures of one unknown scene,
///
///   J = Σ (2π)² f fᵀ s²/(1 + 2 s),   s = S(f) / N
///
/// over all frequencies f of the shared area (Knapp & Carter 1976): S the power of the noise-free picture, averaged over
/// rings, N that of counting and reading. Where noise is low this is Σ |∇ picture|² over twice the noise. The median
/// length of a normal error of covariance J⁻¹ is about 0.833 √trace.
pub fn seam_bounds(recipe: &Recipe) -> Errors {
    let plans = plan::plan(recipe);
    let bench = optics::Bench::new(recipe, &plans);
    let steepest = plans.iter().map(|plan| plan.tilt_deg.abs()).fold(0.0, f64::max);
    let wander = plans.iter().flat_map(|plan| plan.seen_px).map(f64::abs).fold(0.0, f64::max);
    let slab = phantom::phantom(recipe, bench.reach_px(recipe) + wander, steepest);
    let (width, height) = (recipe.camera.width_px, recipe.camera.height_px);
    let mut bounds = Errors::default();
    for plan in &plans {
        let brightness = electrons_per_px(recipe, plan.planned_dose_e_per_a2, plan.tilt_deg);
        let tiles = bench.tiles(recipe, &slab, plan);
        for (from, a) in plan.tiles.iter().enumerate() {
            for b in &plan.tiles {
                let (right, below) = ((a.col + 1, a.row) == (b.col, b.row), (a.col, a.row + 1) == (b.col, b.row));
                if right || below {
                    let off = [0, 1].map(|k| (b.true_px[k] - a.true_px[k]).round() as i64);
                    let span = |off: i64, n: usize| off.max(0) as usize..((n as i64 + off).min(n as i64)) as usize;
                    let (xs, ys) = (span(off[0], width), span(off[1], height));
                    let (rows, cols) = (ys.len(), xs.len());
                    let shared: Vec<f64> = ys
                        .flat_map(|y| &tiles[from][y * width + xs.start..y * width + xs.end])
                        .map(|value| value.max(0.0) * brightness)
                        .collect();
                    bounds.0.push(bound(recipe, &shared, (rows, cols)));
                }
            }
        }
    }
    bounds
}

fn bound(recipe: &Recipe, electrons: &[f64], (rows, cols): (usize, usize)) -> f64 {
    let n = electrons.len() as f64;
    let mean = electrons.iter().sum::<f64>() / n;
    let noise = mean + (recipe.camera.readout_noise_counts / recipe.camera.counts_per_electron).powi(2);
    // Borders fade over a few pixels, so that they make no gradient.
    let fade = |at: usize, n: usize| ((at.min(n - 1 - at) as f64 + 0.5) / 8.0).min(1.0);
    let weight = |at: usize| fade(at % cols, cols) * fade(at / cols, rows);
    let kept: f64 = (0..electrons.len()).map(|at| weight(at).powi(2)).sum();
    let picture: Vec<f32> =
        electrons.iter().enumerate().map(|(at, value)| ((value - mean) * weight(at)) as f32).collect();
    let fft = Fft2::new(rows, cols);
    let spectrum = fft.forward(&picture);
    let ring = |at: usize| {
        let (x, y) = fft.frequency(at);
        (x.hypot(y) * 64.0) as usize
    };
    let mut rings = vec![(0.0f64, 0.0f64); 64];
    for (at, value) in spectrum.iter().enumerate() {
        let times = f64::from(fft.multiplicity(at / rows));
        rings[ring(at)].0 += times * f64::from(value.norm_sqr()) / kept;
        rings[ring(at)].1 += times;
    }
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for at in 1..spectrum.len() {
        let (power, bins) = rings[ring(at)];
        let over = power / bins / noise;
        let knows = f64::from(fft.multiplicity(at / rows)) * over * over / (1.0 + 2.0 * over);
        let (x, y) = fft.frequency(at);
        let square = std::f64::consts::TAU.powi(2) * knows;
        xx += square * x * x;
        xy += square * x * y;
        yy += square * y * y;
    }
    0.833 * ((xx + yy) / (xx * yy - xy * xy)).sqrt()
}

/// Distance of each tilt's place from the true one, in px; `None` where it was not followed.
pub fn place_errors(record: &Record, truth: &Truth) -> Vec<Option<f64>> {
    let truth_of = |order: usize| truth.tilts.iter().find(|t| t.order == order).unwrap();
    let at_zero = |shift: Option<f64>| shift == Some(0.0);
    let start = record.tilts.iter().find(|tilt| tilt.tracking.as_ref().is_some_and(|t| at_zero(t.shift_x_px))).unwrap();
    let zero = truth_of(start.order);
    let one = |tilt: &tiltworth::record::Tilt| {
        let (tracking, truth) = (tilt.tracking.as_ref()?, truth_of(tilt.order));
        let x = tracking.shift_x_px? - (truth.seen_x_px - zero.seen_x_px);
        Some(x.hypot(tracking.shift_y_px? - (truth.seen_y_px - zero.seen_y_px)))
    };
    record.tilts.iter().map(one).collect()
}

/// Steps at tilts with a planted jump, and at all others, in px.
pub fn steps(record: &Record, truth: &Truth) -> (Vec<f64>, Vec<f64>) {
    let (mut planted, mut others) = (Vec::new(), Vec::new());
    for tilt in &record.tilts {
        let truth = truth.tilts.iter().find(|t| t.order == tilt.order).unwrap();
        let jump = truth.jump_x_px.hypot(truth.jump_y_px);
        let step = tilt.tracking.as_ref().and_then(|tracking| tracking.step_px);
        match step {
            Some(step) if jump > 0.0 => planted.push(step),
            Some(step) => others.push(step),
            None if jump > 0.0 => planted.push(0.0),
            None => (),
        }
    }
    (planted, others)
}

/// A lone jump at a tilt.
pub fn jump(tilt_deg: f64, px: f64, direction_deg: f64) -> String {
    format!(
        "[[fault]]\ntilts_deg = [{tilt_deg:?}]\nwhat = {{ jump = {{ px = {px:?}, direction_deg = {direction_deg:?} }} }}\n"
    )
}

/// A tile bent at all of these tilts.
pub fn bent(tilts_deg: &[f64], (col, row): (usize, usize), px: f64, direction_deg: f64, waves: [f64; 2]) -> String {
    format!(
        "[[fault]]\ntilts_deg = {tilts_deg:?}\nwhat = {{ bent = {{ col = {col}, row = {row}, px = {px:?}, direction_deg \
         = {direction_deg:?}, waves = {waves:?} }} }}\n"
    )
}
