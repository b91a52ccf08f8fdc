//! Series of one simulated specimen: turned and moved in its plane, shrinking under the beam, recorded again at the end.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]
#![allow(dead_code, reason = "each test uses its part")]

use std::path::Path;
use tiltworth::assess::{Assessed, assess_whole};
use tiltworth::intake::{Request, Series, load};
use tiltworth::judge::Profile;
use tiltworth::simulate::truth::Truth;
use tiltworth::simulate::{Recipe, run, write};

/// What a series is made of.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Seed of all but the specimen.
    pub seed: u64,
    /// Seed of the specimen.
    pub specimen: u64,
    /// Turn of the specimen in its plane.
    pub turn_deg: f64,
    /// Shift of its middle.
    pub shift_px: [f64; 2],
    /// Direction of the tilt axis.
    pub axis_deg: f64,
    /// Width and height of a section.
    pub size_px: [usize; 2],
    /// Mean counts, 40 of which make an electron.
    pub counts: f64,
    /// Largest angle and step.
    pub range_deg: [f64; 2],
    /// Order.
    pub scheme: &'static str,
    /// Angles recorded again at the end.
    pub repeat_deg: Vec<f64>,
    /// Shrinkage over the series, per cent across and along the axis.
    pub shrink: [f64; 2],
    /// Dose before the series.
    pub pre_exposure: f64,
    /// First exposure.
    pub started_at: &'static str,
    /// Lines before all tables, e.g. `axis_name = "b"`.
    pub top: String,
    /// Tables at the end.
    pub more: String,
}

pub const PIXEL_NM: f64 = 0.72;

impl Default for Plan {
    fn default() -> Self {
        Self {
            seed: 1,
            specimen: 1,
            turn_deg: 0.0,
            shift_px: [0.0; 2],
            axis_deg: 4.2,
            size_px: [256, 256],
            counts: 7500.0,
            range_deg: [60.0, 10.0],
            scheme: "unidirectional",
            repeat_deg: Vec::new(),
            shrink: [0.0; 2],
            pre_exposure: 1700.0,
            started_at: "2031-04-17T08:30:00Z",
            top: String::new(),
            more: String::new(),
        }
    }
}

impl Plan {
    fn text(&self) -> String {
        let Self { seed, specimen, turn_deg, axis_deg, scheme, repeat_deg, pre_exposure, started_at, .. } = self;
        let [x, y] = self.shift_px.map(|px| px * PIXEL_NM);
        let [width, height] = self.size_px;
        let ([range, step], [across, along]) = (self.range_deg, self.shrink);
        let half = 0.75 * PIXEL_NM * width.max(height) as f64 + 60.0;
        let (counts, setup, top, more) = (self.counts, 2.0 * self.counts, &self.top, &self.more);
        format!(
            r#"
seed = {seed}
title = "series {seed}"
series_id = "series-{seed}"
specimen = "resin-section"
started_at = "{started_at}"
{top}
[lie]
seed = {specimen}
half_nm = [{half:?}, {half:?}]
turn_deg = {turn_deg:?}
shift_nm = [{x:?}, {y:?}]
[shrink]
across_percent = {across:?}
along_percent = {along:?}
[instrument]
name = "Microscope 2"
kv = 300.0
cs_mm = 2.7
amplitude_contrast = 0.2
[camera]
width_px = {width}
height_px = {height}
pixel_nm = {PIXEL_NM:?}
full_scale_counts = 65535
counts_per_electron = 40.0
readout_noise_counts = 16.0
compression = "none"
[tilt]
axis_deg = {axis_deg:?}
min_deg = -{range:?}
max_deg = {range:?}
step_deg = {step:?}
scheme = "{scheme}"
repeat_deg = {repeat_deg:?}
scatter_deg = 0.01
[slab]
thickness_nm = 100.0
attenuation_length_nm = 160.0
[beam]
kind = "regulated"
target_mean_counts = {counts:?}
setup_mean_counts = {setup:?}
pre_exposure_e_per_A2 = {pre_exposure:?}
exposure_s = 1.0
seconds_per_tile = 9.0
seconds_per_tilt = 24.0
[focus]
wanted_defocus_um = 4.0
envelope_nm = 0.9
[movement]
axis_offset_um = 0.1
height_offset_um = 0.05
wander_um = 0.0003
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
per_um2 = 9000.0
radius_nm = [3.0, 5.0]
density_per_nm = 0.014
{more}
"#
        )
    }

    /// Writes the series into a new folder.
    pub fn write(&self, folder: &Path) -> Truth {
        let recipe = Recipe::from_toml(&self.text(), Path::new("pair.toml")).unwrap();
        let simulated = run(&recipe);
        write(&recipe, &simulated, folder, false).unwrap();
        simulated.truth
    }

    /// Makes the series and assesses it.
    pub fn assess(&self) -> (Series, Assessed, Truth) {
        let folder = tempfile::tempdir().unwrap();
        let truth = self.write(&folder.path().join("series"));
        let series = load(&Request { path: folder.path().join("series"), ..Request::default() }).unwrap();
        let profile = Profile::find(None, series.specimen).unwrap();
        let assessed = assess_whole(&series, &profile, &|| (), &|| true).unwrap();
        (series, assessed, truth)
    }
}
