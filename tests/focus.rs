//! Focus is measured within its limits where rings can be seen, and withheld where they cannot; a wrong sign of the
//! angles, a saw-tooth and a tile out of focus are named.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "support/focus_series.rs"]
mod focus_series;

use focus_series::{Facts, Outcome, STRUCTURES, assess, compare, recipe};
use tiltworth::intake::{Request, load};
use tiltworth::judge::Profile;
use tiltworth::record::{Grade, Record};
use tiltworth::simulate::{Recipe, run, writer};

/// Resin with plain rings in a small montage.
const MONTAGE: Facts = Facts {
    specimen: "resin-section",
    kv: 300.0,
    cs_mm: 2.7,
    size_px: [400, 400],
    pixel_nm: 0.8,
    dose: 4.0,
    defocus_um: 5.0,
    astigmatism: [0.1, 120.0],
    axis_deg: 8.0,
    grain: 0.12,
    envelope_nm: 0.9,
    step_deg: 30.0,
    montage: Some([3, 1]),
    seed: 31,
};

fn quantile(mut values: Vec<f64>, share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values[(share * (values.len() as f64 - 1.0)).round() as usize]
}

/// The limits of underfocus and astigmatism; twice the bound of the noise counts where it is larger.
fn within_limits(name: &str, all: &[Outcome]) {
    let able: Vec<&Outcome> = all.iter().filter(|tilt| tilt.measurable).collect();
    let measured: Vec<&&Outcome> = able.iter().filter(|tilt| tilt.error_percent.is_some()).collect();
    assert!(able.len() >= 4, "{name}: only {} tilts are measurable", able.len());
    assert!(measured.len() as f64 >= 0.95 * able.len() as f64, "{name}: {all:#?}");
    let errors = |steep: bool| -> Vec<f64> {
        let side = measured.iter().filter(|tilt| (tilt.tilt_deg.abs() > 45.5) == steep);
        side.map(|tilt| tilt.error_percent.unwrap().abs()).collect()
    };
    let bound = |limit: f64| limit.max(quantile(able.iter().map(|tilt| tilt.bound_percent).collect(), 0.5));
    let (flat, steep) = (errors(false), errors(true));
    let whole: Vec<f64> = flat.iter().chain(&steep).copied().collect();
    assert!(quantile(whole, 0.5) <= bound(0.5), "{name}: median");
    assert!(quantile(flat, 0.95) <= bound(2.0), "{name}: 95th percentile to 45°");
    assert!(quantile(steep, 0.95) <= bound(4.0), "{name}: 95th percentile to 60°");
    for tilt in measured {
        let limit = 15f64.max(0.1 * tilt.astigmatism_nm).max(tilt.astigmatism_bound_nm);
        let off = tilt.astigmatism_error_nm.unwrap().abs();
        assert!(off <= 1.5 * limit, "{name}, {}°: astigmatism off by {off:.0} nm of {limit:.0}", tilt.tilt_deg);
        if let Some(off) = tilt.azimuth_error_deg {
            let limit = 5f64.max(tilt.azimuth_bound_deg);
            assert!(off <= limit, "{name}, {}°: azimuth off by {off:.1}°", tilt.tilt_deg);
        }
    }
}

#[test]
fn underfocus_and_astigmatism_are_right_where_rings_are_seen() {
    for kind in
        focus_series::kinds(0).into_iter().filter(|kind| kind.name.contains("200 kV") || kind.name.contains("3 e/"))
    {
        let (record, truths, worth) = assess(&kind.recipe);
        within_limits(kind.name, &compare(&record, &truths, &worth));
    }
}

#[test]
fn no_number_is_given_where_rings_cannot_be_seen() {
    for kind in focus_series::blind_kinds() {
        let (record, truths, worth) = assess(&kind.recipe);
        let all = compare(&record, &truths, &worth);
        let wrong: Vec<&Outcome> = all.iter().filter(|tilt| !tilt.measurable && tilt.error_percent.is_some()).collect();
        assert!(wrong.is_empty(), "{}: {wrong:?}", kind.name);
        assert!(all.iter().all(|tilt| !tilt.why_not.is_empty()), "{}", kind.name);
    }
}

/// Assesses the series of a recipe whose sheet is changed before it is read.
fn assess_changed(text: &str, change: impl Fn(String) -> String) -> Record {
    let recipe = Recipe::from_toml(text, std::path::Path::new("focus")).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("series");
    writer::write(&recipe, &run(&recipe), &path, false).unwrap();
    let sheet = std::fs::read_to_string(path.join("series.toml")).unwrap();
    let changed = change(sheet.clone());
    assert_ne!(sheet, changed, "the sheet was not changed");
    std::fs::write(path.join("series.toml"), changed).unwrap();
    let series = load(&Request { path, ..Request::default() }).unwrap();
    let profile = Profile::find(None, series.specimen).unwrap();
    tiltworth::assess::assess(&series, &profile, &|| (), &|| true).unwrap().0
}

fn check<'a>(record: &'a Record, id: &str) -> &'a tiltworth::record::Check {
    record.checks.iter().find(|check| check.id == id).unwrap()
}

#[test]
fn a_stated_geometry_that_is_right_passes() {
    let (record, truths, worth) = assess(&recipe(&MONTAGE, STRUCTURES));
    within_limits("montage", &compare(&record, &truths, &worth));
    let geometry = check(&record, "tilt_geometry");
    assert_eq!(geometry.grade, Grade::Pass, "{}", geometry.why);
    assert!((geometry.value.unwrap() - 1.0).abs() < 0.1, "{}", geometry.why);
    // Each tile's own value at its own middle.
    for (tilt, truth) in record.tilts.iter().zip(&truths) {
        for (tile, truth) in tilt.tiles.iter().zip(&truth.tiles) {
            let focus = tile.focus.as_ref().unwrap();
            let off = (focus.defocus_um.unwrap() - truth.defocus_um).abs();
            assert!(off < 0.02 * truth.defocus_um, "{}°, column {}: off by {off:.3}", tilt.tilt_deg, tile.col);
        }
    }
}

#[test]
fn an_axis_stated_the_wrong_way_round_is_named_and_high_tilts_are_still_measured() {
    let record =
        assess_changed(&recipe(&MONTAGE, STRUCTURES), |sheet| sheet.replace("axis_deg = 8.0", "axis_deg = 188.0"));
    let geometry = check(&record, "tilt_geometry");
    assert_eq!(geometry.grade, Grade::Fail, "{}", geometry.why);
    assert!((geometry.value.unwrap() + 1.0).abs() < 0.15 && geometry.why.contains("sign"), "{}", geometry.why);
    assert!(geometry.advice && record.tilts.iter().all(|tilt| !tilt.exclude));
    for tilt in record.tilts.iter().filter(|tilt| tilt.tilt_deg.abs() > 20.0) {
        let focus = tilt.focus.as_ref().unwrap();
        assert_eq!(focus.gradient_run.as_deref(), Some("reversed"), "{}", tilt.tilt_deg);
        assert!((focus.defocus_um.unwrap() - 5.0).abs() < 0.4, "{}: {:?}", tilt.tilt_deg, focus.defocus_um);
    }
}

#[test]
fn without_an_axis_the_gradient_is_found_and_marked() {
    let record = assess_changed(&recipe(&MONTAGE, STRUCTURES), |sheet| sheet.replace("axis_deg = 8.0", ""));
    assert_eq!(check(&record, "tilt_geometry").grade, Grade::NotMeasured);
    let steep = record.tilts.iter().find(|tilt| tilt.tilt_deg > 50.0).unwrap().focus.as_ref().unwrap();
    assert_eq!(steep.gradient_run.as_deref(), Some("found"));
    assert!((steep.defocus_um.unwrap() - 5.0).abs() < 0.4, "{:?}", steep.defocus_um);
}

#[test]
fn a_saw_tooth_and_a_tile_out_of_focus_are_named() {
    let faults = "[[fault]]\ntilts_deg = [60.0]\nwhat = { refocused = {} }\n\
                  [[fault]]\ntilts_deg = [0.0]\nwhat = { tile-misfocus = { col = 2, row = 0, add_um = 0.6 } }\n\
                  [[fault]]\ntilts_deg = [30.0]\nwhat = { tile-misfocus = { col = 0, row = 0, add_um = 1.6 } }\n\
                  [[fault]]\ntilts_deg = [-30.0]\nwhat = { misfocus = { add_um = 2.0 } }\n";
    let (record, truths, _) = assess(&recipe(&MONTAGE, &format!("{STRUCTURES}{faults}")));
    let at = |deg: f64| record.tilts.iter().position(|tilt| (tilt.tilt_deg - deg).abs() < 0.1).unwrap();
    let saw = &record.tilts[at(60.0)];
    assert_eq!(saw.focus.as_ref().unwrap().gradient_run.as_deref(), Some("each-tile"));
    for (tile, truth) in saw.tiles.iter().zip(&truths[at(60.0)].tiles) {
        let off = tile.focus.as_ref().unwrap().defocus_um.unwrap() - truth.defocus_um;
        assert!(off.abs() < 0.04 * truth.defocus_um, "column {}: {off:.3}", tile.col);
    }
    let off: Vec<Option<f64>> =
        record.tilts[at(0.0)].tiles.iter().map(|tile| tile.focus.as_ref().unwrap().off_neighbours_um).collect();
    assert!(off[0].is_none() && off[1].is_none(), "{off:?}");
    assert!((off[2].unwrap() - 0.6).abs() < 0.15, "{off:?}");
    let error = check(&record, "defocus_error");
    assert_eq!((error.grade, error.tilts_deg.as_slice()), (Grade::Caution, [-30.0, 30.0].as_slice()), "{}", error.why);
}

/// Where every tile is focused by itself no gradient runs from tile to tile, and no angle or axis is to blame for it.
#[test]
fn tiles_focused_one_by_one_are_no_wrong_geometry() {
    // Stacked about along the axis: so little would run from tile to tile that runs over the picture look alike.
    let facts = Facts { montage: Some([1, 3]), size_px: [384, 384], pixel_nm: 0.63, axis_deg: 349.0, ..MONTAGE };
    let all: Vec<String> = (-6..=6).map(|i| format!("{:.1}", 10.0 * f64::from(i))).collect();
    let fault = format!("[[fault]]\ntilts_deg = [{}]\nwhat = {{ refocused = {{}} }}\n", all.join(", "));
    let facts = Facts { step_deg: 10.0, ..facts };
    let (record, _, _) = assess(&recipe(&facts, &format!("{STRUCTURES}{fault}")));
    let geometry = check(&record, "tilt_geometry");
    assert_eq!(geometry.grade, Grade::NotMeasured, "{}", geometry.why);
    assert!(geometry.why.contains("focused one by one"), "{}", geometry.why);
    let (plain, _, _) = assess(&recipe(&facts, STRUCTURES));
    assert_eq!(check(&plain, "tilt_geometry").grade, Grade::Pass, "{}", check(&plain, "tilt_geometry").why);
}

#[test]
fn a_lattice_in_place_of_rings_gets_no_number() {
    let facts = Facts { montage: None, size_px: [512, 512], grain: 0.0, pixel_nm: 0.5, step_deg: 20.0, ..MONTAGE };
    let fault = "[[fault]]\ntilts_deg = [-60.0, -40.0, -20.0, 0.0, 20.0, 40.0, 60.0]\n\
                 what = { lattice = { spacing_nm = 3.1, direction_deg = 27.0, strength = 0.1 } }\n";
    let (record, _, _) = assess(&recipe(&facts, fault));
    for tilt in &record.tilts {
        let focus = tilt.focus.as_ref().unwrap();
        assert!(!focus.measured, "{}: {focus:?}", tilt.tilt_deg);
        assert!(focus.why_not.as_ref().unwrap().contains("periodic"), "{:?}", focus.why_not);
    }
}
