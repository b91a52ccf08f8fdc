//! Tests of the simulator as a whole: what is planted is what comes out.

use crate::simulate::movement::perpendicular;
use crate::simulate::{Recipe, Simulated, run};
use std::path::Path;

/// A small resin montage of 1 × 2 tiles at five tilts.
const SMALL: &str = r#"
seed = 7
title = "small"
series_id = "small"
specimen = "resin-section"
started_at = "2031-04-17T08:30:00Z"
[instrument]
name = "m"
kv = 300.0
cs_mm = 2.7
amplitude_contrast = 0.2
[camera]
width_px = 96
height_px = 96
pixel_nm = 0.8
full_scale_counts = 16383
counts_per_electron = 40.0
[tilt]
axis_deg = 10.0
min_deg = -60.0
max_deg = 60.0
step_deg = 30.0
scheme = "unidirectional"
[slab]
thickness_nm = 100.0
attenuation_length_nm = 160.0
[beam]
kind = "regulated"
target_mean_counts = 6200.0
setup_mean_counts = 9000.0
pre_exposure_e_per_A2 = 1700.0
overhead_per_tilt_e_per_A2 = 0.5
exposure_s = 1.0
seconds_per_tile = 9.0
seconds_per_tilt = 24.0
[focus]
wanted_defocus_um = 3.0
envelope_nm = 0.8
[montage]
cols = 1
rows = 2
overlap_px = [0, 24]
[texture]
grain = 0.1
structure_phase = 0.5
structure_absorption = 1.0
[[structure]]
kind = "granules"
per_um2 = 3000.0
radius_nm = [5.0, 9.0]
density_per_nm = 0.02
"#;

fn recipe(more: &str) -> Recipe {
    Recipe::from_toml(&format!("{SMALL}\n{more}"), Path::new("recipe.toml")).unwrap()
}

fn made(more: &str) -> Simulated {
    run(&recipe(more))
}

fn mean(section: &[u16]) -> f64 {
    section.iter().map(|&value| f64::from(value)).sum::<f64>() / section.len() as f64
}

#[test]
fn the_same_seed_makes_the_same_pixels_with_one_thread_or_three() {
    let pool = |threads| rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
    let one = pool(1).install(|| made(""));
    assert!(one == pool(3).install(|| made("")));
    let other = run(&Recipe { seed: 8, ..recipe("") });
    assert!(one.sections.iter().zip(&other.sections).all(|(a, b)| a != b));
}

#[test]
fn means_are_as_expected_within_counting_error() {
    let series = made("");
    for tilt in &series.truth.tilts {
        for tile in &tilt.tiles {
            // Error of the mean: 40 √(155 / 9216) = 5.2 counts.
            let off = mean(&series.sections[tile.section]) - tile.expected_mean_counts;
            assert!(off.abs() < 26.0, "section {} is {off} off", tile.section);
        }
    }
}

#[test]
fn a_regulated_beam_holds_the_target_until_its_reserve_ends() {
    let tilts = made("").truth.tilts;
    for tilt in &tilts[1..4] {
        assert!((tilt.expected_mean_counts / 6200.0 - 1.0).abs() < 0.05);
    }
    // The reserve is 9000 counts at zero tilt: at 60° the slab lets exp(-0.625) of that through, 4817.
    assert!((tilts[4].expected_mean_counts / 4817.4 - 1.0).abs() < 0.05, "{}", tilts[4].expected_mean_counts);
}

#[test]
fn doses_add_up() {
    let truth = made("").truth;
    // 155 electrons on 64 Å² through exp(-0.625) at zero tilt: 155 / 64 × 1.868246 = 4.524658.
    assert!((truth.tilts[2].this_e_per_a2 - 4.524_658).abs() < 1e-5);
    let total: f64 = truth.tilts.iter().map(|tilt| tilt.this_e_per_a2).sum();
    assert!((truth.total_e_per_a2 - total).abs() < 1e-9);
    let last = &truth.tilts[4];
    assert!((last.before_e_per_a2 - (1700.0 + 5.0 * 0.5 + total - last.this_e_per_a2)).abs() < 1e-9);
}

#[test]
fn planted_brightness_comes_out() {
    let series = made(
        "[[fault]]\ntilts_deg = [0.0]\nwhat = { dim = { factor = 0.25 } }\n\
         [[fault]]\ntilts_deg = [30.0]\nleave_out = true\nwhat = { saturation = { share = 0.05 } }",
    );
    assert!((series.truth.tilts[2].expected_mean_counts / 1550.0 - 1.0).abs() < 0.05);
    assert!((series.truth.tilts[3].saturated_fraction - 0.05).abs() < 0.006);
    assert_eq!(series.truth.exclude_tilts_deg, [30.0]);
    assert_eq!(series.truth.answer, crate::record::Answer::ReconstructWithout);
}

#[test]
fn a_planted_bar_is_dark_where_it_lies() {
    let fault = "[[fault]]\ntilts_deg = [0.0]\nwhat = { bar = { side = \"low-x\", fraction = 0.25 } }";
    let series = made(fault);
    let tilt = &series.truth.tilts[2];
    assert!((tilt.dark_area_fraction - 0.25).abs() < 0.01, "{}", tilt.dark_area_fraction);
    let rows = series.sections[4].chunks(96);
    assert!(rows.clone().all(|row| row[..15].iter().all(|&value| value == 0)));
    assert!(rows.map(|row| mean(&row[40..])).all(|mean| mean > 3000.0));
}

/// Sum of squares of the differences of neighbours along x and along y.
fn roughness(section: &[u16]) -> (f64, f64) {
    let at = |x: usize, y: usize| f64::from(section[y * 96 + x]);
    let sum = |dx: usize, dy: usize| {
        let pixels = (0..95 * 95).map(|k| (k % 95, k / 95));
        pixels.map(|(x, y)| at(x, y) - at(x + dx, y + dy)).map(|d| d * d).sum::<f64>()
    };
    (sum(1, 0), sum(0, 1))
}

#[test]
fn a_drift_smooths_the_picture_along_itself_alone() {
    let (x, y) = roughness(&made("").sections[4]);
    let fault = "[[fault]]\ntilts_deg = [0.0]\nwhat = { drift = { px = 8.0, direction_deg = 0.0 } }";
    let (x_drifted, y_drifted) = roughness(&made(fault).sections[4]);
    let (across, along) = (y_drifted / y, x_drifted / x);
    assert!((x / y - 1.0).abs() < 0.1, "even without drift");
    assert!(along < 0.97 * across, "{along} along, {across} across");
}

#[test]
fn faults_of_place_stand_in_the_truth() {
    let series = made(
        "[[fault]]\ntilts_deg = [0.0]\nwhat = { jump = { px = 10.0, direction_deg = 90.0 } }\n\
         [[fault]]\ntilts_deg = [30.0]\nwhat = { misplaced = { col = 0, row = 1, x_px = 6.0, y_px = -4.0 } }\n\
         [[fault]]\ntilts_deg = [30.0]\nwhat = { pause = { minutes = 12.0 } }",
    );
    let [before, jumped, after] = [1, 2, 3].map(|k| &series.truth.tilts[k]);
    assert!((jumped.seen_y_px - before.seen_y_px - 10.0).abs() < 1e-9 && after.seen_y_px == before.seen_y_px);
    assert_eq!((after.tiles[1].place_x_px, after.tiles[1].place_y_px), (6.0, 68.0));
    assert!((series.plans[3].begins_s - series.plans[2].begins_s - (720.0 + 2.0 * 9.0 + 24.0)).abs() < 1e-9);
}

#[test]
fn tiles_overlap_by_what_their_places_say() {
    // Without counting noise worth naming, the rows that two tiles share are the same picture.
    let recipe = recipe("");
    let bright = Recipe {
        camera: crate::simulate::recipe::Camera { counts_per_electron: 0.001, ..recipe.camera.clone() },
        ..recipe.clone()
    };
    let series = run(&bright);
    let (upper, lower) = (&series.sections[4], &series.sections[5]);
    let shared = 72 * 96..96 * 96;
    let differ = shared.clone().map(|k| (f64::from(upper[k]) - f64::from(lower[k - 72 * 96])).abs());
    assert!(differ.fold(0.0, f64::max) < 60.0);
}

#[test]
fn underfocus_grows_along_the_perpendicular_direction() {
    let truth = made("").truth;
    // Tile middles lie 36 px above and below the picture's, at y' = ∓36 px: u' = -sin 10° × ∓28.8 nm, tan 60° µm a µm.
    let expected = 2.0 * perpendicular(10.0)[1] * 0.0288 * 60f64.to_radians().tan();
    let [first, second] = [0, 1].map(|k| truth.tilts[4].tiles[k].defocus_um);
    assert!((second - first - expected).abs() < 1e-9, "{}", second - first);
}

#[test]
fn a_wrong_key_is_named_with_its_line() {
    let text = SMALL.replace("pixel_nm", "pixel_size");
    let message = Recipe::from_toml(&text, Path::new("r.toml")).unwrap_err().to_string();
    assert!(message.starts_with("r.toml, line "), "{message}");
    assert!(message.contains("pixel_size"), "{message}");
    let text = SMALL.replace("step_deg = 30.0", "step_deg = 0.0");
    let message = Recipe::from_toml(&text, Path::new("r.toml")).unwrap_err().to_string();
    assert_eq!(message, "r.toml, tilt.step_deg: 0 is not greater than 0; give a number greater than 0");
}

#[test]
fn a_folder_that_is_there_is_kept_unless_told() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("series");
    let (recipe, series) = (recipe(""), made(""));
    crate::simulate::write(&recipe, &series, &out, false).unwrap();
    let refused = crate::simulate::write(&recipe, &series, &out, false).unwrap_err();
    assert!(matches!(refused, crate::simulate::SimulateError::Exists(_)));
    crate::simulate::write(&recipe, &series, &out, true).unwrap();
    let names: Vec<_> = std::fs::read_dir(dir.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(names, ["series"], "nothing is left beside it");
    assert_eq!(std::fs::read_dir(&out).unwrap().count(), 4);
}

#[test]
fn a_fixed_beam_makes_a_bell_and_a_floor_a_plateau_with_more_near_zero() {
    let mut fixed = recipe("");
    fixed.beam.kind = crate::simulate::recipe::BeamKind::Fixed;
    fixed.beam.dose_e_per_a2 = Some(4.0);
    let dose = crate::simulate::beam::dose_e_per_a2;
    assert_eq!([-60.0, 0.0, 60.0].map(|tilt| dose(&fixed, tilt)), [4.0; 3]);
    let bell: Vec<f64> = run(&fixed).truth.tilts.iter().map(|tilt| tilt.expected_mean_counts).collect();
    // exp(-0.625 (1/cos 60° - 1)) = 0.535 of the counts at zero are left; the overlap, which counts twice in the mean
    // over tiles, is a little darker or brighter than the rest.
    assert!((bell[4] / bell[2] / 0.535_261 - 1.0).abs() < 0.03, "{bell:?}");
    assert!(bell[4] < bell[3] && bell[3] < bell[2] && bell[1] < bell[2] && bell[0] < bell[1], "{bell:?}");
    let mut floored = recipe("");
    // The target needs 4.52 e/Å² at 0°, 4.98 at 30°.
    floored.beam.lowest_dose_e_per_a2 = 4.8;
    assert_eq!(dose(&floored, 0.0), 4.8);
    assert!((dose(&floored, 30.0) - 4.983_9).abs() < 1e-3, "{}", dose(&floored, 30.0));
}

#[test]
fn a_fault_planted_where_nothing_is_recorded_is_refused() {
    let text = format!("{SMALL}\n[[fault]]\ntilts_deg = [7.0]\nwhat = {{ blur = {{ sigma_px = 2.0 }} }}");
    let message = Recipe::from_toml(&text, Path::new("r.toml")).unwrap_err().to_string();
    assert_eq!(message, "r.toml, fault.tilts_deg: 7 degrees are not recorded; give nominal angles of the series");
}

#[test]
fn eight_bit_stacks_hold_the_counts() {
    let mut narrow = recipe("");
    narrow.camera = crate::simulate::recipe::Camera {
        bits: 8,
        full_scale_counts: 255.0,
        counts_per_electron: 1.0,
        compression: crate::simulate::recipe::Packing::None,
        ..narrow.camera
    };
    narrow.beam.target_mean_counts = Some(120.0);
    narrow.beam.setup_mean_counts = None;
    let series = run(&narrow);
    let dir = tempfile::tempdir().unwrap();
    crate::simulate::write(&narrow, &series, &dir.path().join("s"), false).unwrap();
    let file = std::fs::File::open(dir.path().join("s/stack.tif")).unwrap();
    let page = tiff::decoder::Decoder::new(file).unwrap().read_image().unwrap();
    let tiff::decoder::DecodingResult::U8(page) = page else { panic!("not 8 bits") };
    assert!(page.iter().zip(&series.sections[0]).all(|(&a, &b)| u16::from(a) == b));
    assert!((mean(&series.sections[0]) - 120.0).abs() < 12.0);
}
