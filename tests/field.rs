//! The field: what the seams of a montage tell and what to do about it, what is bridged over, resets of image shift,
//! the operator's area, textures that repeat; against the simulator's truth.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "support/accuracy.rs"]
mod accuracy;

use accuracy::{Plan, bent, jump, place_errors, seam_errors, true_offset};
use std::path::Path;
use tiltworth::record::{Record, SeamCause};
use tiltworth::simulate::truth::Truth;

fn flagged(record: &Record, id: &str) -> Vec<f64> {
    record.tilts.iter().filter(|t| t.flags.iter().any(|flag| flag == id)).map(|t| t.tilt_deg.round()).collect()
}

fn causes(record: &Record) -> Vec<SeamCause> {
    record.measures.seams.as_ref().unwrap().causes.clone()
}

fn edit(series: &Path, name: &str, change: impl Fn(&str) -> String) {
    let file = series.join(name);
    let text = std::fs::read_to_string(&file).unwrap();
    let changed = change(&text);
    assert_ne!(text, changed, "nothing was changed in {name}");
    std::fs::write(file, changed).unwrap();
}

/// Three tiles in a column, 13 tilts.
fn column(seed: u64, faults: String) -> Plan {
    Plan {
        seed,
        tiles: (1, 3),
        side_px: 192,
        overlap_px: 40,
        scatter_px: 0.3,
        step_deg: 10.0,
        faults,
        ..Plan::default()
    }
}

fn misplaced(tilts_deg: &[f64], row: usize, [x, y]: [f64; 2]) -> String {
    format!(
        "[[fault]]\ntilts_deg = {tilts_deg:?}\nwhat = {{ misplaced = {{ col = 0, row = {row}, x_px = {x:?}, y_px = {y:?} }} }}\n"
    )
}

/// Median over the tilts of the true offset of the seam above a row, or of the one below where that is longer.
fn constant_offset(record: &Record, truth: &Truth, row: usize) -> [f64; 2] {
    let of_seam = |to: usize| {
        let offsets: Vec<[f64; 2]> = record
            .tilts
            .iter()
            .map(|tilt| {
                let truth = truth.tilts.iter().find(|truth| truth.order == tilt.order).unwrap();
                let seam = tilt.seams.iter().flatten().find(|seam| seam.to[1] == to).unwrap();
                true_offset(&truth.tiles, seam)
            })
            .collect();
        [0, 1].map(|k| {
            let mut values: Vec<f64> = offsets.iter().map(|offset| offset[k]).collect();
            values.sort_by(f64::total_cmp);
            values[values.len() / 2]
        })
    };
    [of_seam(row), of_seam(row + 1)].into_iter().max_by(|a, b| a[0].hypot(a[1]).total_cmp(&b[0].hypot(b[1]))).unwrap()
}

fn all_tilts() -> Vec<f64> {
    (-6..=6).map(|i| 10.0 * f64::from(i)).collect()
}

#[test]
fn places_wrong_at_all_tilts_are_calibration() {
    let (record, truth) = column(51, misplaced(&all_tilts(), 1, [4.0, -3.0])).assess();
    let told = causes(&record);
    assert_eq!(told.iter().map(|c| c.cause.as_str()).collect::<Vec<_>>(), ["calibration"]);
    let finding = &told[0].finding;
    assert!(finding.contains("at all tilts"), "{finding}");
    // About 5 px: tiles scatter by 0.3 px besides, which the middle of 13 tilts does not take off.
    let said: f64 = finding.strip_prefix("tiles lie ").unwrap().split_once(" px").unwrap().0.parse().unwrap();
    let [x, y] = constant_offset(&record, &truth, 1);
    assert!((said - x.hypot(y)).abs() < 0.1 && (said - 5.0).abs() < 0.5, "{finding}: truly {x:.2}, {y:.2}");
    assert!(told[0].remedy.starts_with("Calibrate the moves between tiles"), "{}", told[0].remedy);
    assert!(record.measures.seams.unwrap().drift_nm_per_s.is_none());
}

#[test]
fn a_tile_off_its_run_at_one_tilt_is_stage_or_shift() {
    let (record, _) = column(52, misplaced(&[20.0], 2, [-7.0, 5.0])).assess();
    let told = causes(&record);
    assert_eq!(told.iter().map(|c| c.cause.as_str()).collect::<Vec<_>>(), ["stage-or-shift"]);
    assert_eq!(told[0].tilts_deg.iter().map(|deg| deg.round()).collect::<Vec<_>>(), [20.0]);
    assert!(told[0].remedy.contains("settle before each tile"), "{}", told[0].remedy);
}

/// All tiles of a tilt off their places along with the time of their exposure.
#[test]
fn offsets_that_go_along_with_time_are_drift_with_its_speed() {
    let faults = misplaced(&[-20.0], 1, [6.0, -4.0]) + &misplaced(&[-20.0], 2, [12.0, -8.0]);
    let (record, _) = column(53, faults).assess();
    let told = causes(&record);
    assert_eq!(told.iter().map(|c| c.cause.as_str()).collect::<Vec<_>>(), ["drift"]);
    assert!(told[0].remedy.starts_with("Wait until drift has fallen"), "{}", told[0].remedy);
    // 7.2 px of 0.72 nm in the 9 s from tile to tile.
    let expected = 6f64.hypot(4.0) * 0.72 / 9.0;
    for tilt in &record.tilts {
        let drift = tilt.tracking.as_ref().unwrap().drift_nm_per_s;
        match tilt.tilt_deg.round() as i64 {
            -20 => assert!((drift.unwrap() / expected - 1.0).abs() < 0.15, "{drift:?}, truly {expected}"),
            _ => assert_eq!(drift, None, "{}", tilt.tilt_deg),
        }
    }
}

/// Bends that fall from tilt to tilt as the section settles.
#[test]
fn a_bend_that_falls_with_dose_is_an_unsettled_section() {
    let bends: String = all_tilts()
        .iter()
        .enumerate()
        .map(|(order, deg)| bent(&[*deg], (0, 1), 6.0 - 0.45 * order as f64, 30.0, [1.0, 0.0]))
        .collect();
    let (record, _) = column(54, bends).assess();
    let told = causes(&record);
    assert!(told.iter().any(|c| c.cause == "unsettled-section"), "{told:?}");
    assert!(told.iter().all(|c| c.cause != "optics"), "{told:?}");
    let section = told.iter().find(|c| c.cause == "unsettled-section").unwrap();
    assert!(section.finding.contains("falls from") && section.remedy.contains("Pre-expose"), "{section:?}");
}

/// A lattice through the whole section: tiles three pixels off must not lock on its next period.
#[test]
fn a_repeating_texture_locks_no_seam_on_its_neighbour() {
    let lattice = format!(
        "[[fault]]\ntilts_deg = {:?}\nwhat = {{ lattice = {{ spacing_nm = 7.0, direction_deg = 3.0, strength = 0.06 }} }}\n",
        all_tilts()
    );
    let plan = Plan { scatter_px: 1.5, ..column(55, lattice) };
    let (record, truth) = plan.assess();
    let (errors, missing) = seam_errors(&record, &truth);
    assert!(errors.0.len() >= 13, "{missing} not measured");
    assert!(errors.quantile(1.0) < 1.0, "{errors:?}");
}

/// A tilt that is smeared beyond use, and angles that are missing.
#[test]
fn a_blurred_tilt_and_gaps_of_nine_degrees_are_bridged() {
    let faults = "[[fault]]\ntilts_deg = [-30.0]\nwhat = { blur = { sigma_px = 12.0 } }\n".to_owned();
    let plan = Plan { seed: 56, faults, leave_out_deg: vec![15.0, 18.0, -48.0], ..Plan::default() };
    let (record, truth) = plan.assess();
    for (tilt, error) in record.tilts.iter().zip(place_errors(&record, &truth)) {
        if tilt.tilt_deg.round() as i64 != -30 {
            assert!(error.is_some_and(|error| error < 6.0), "{}: {error:?}", tilt.tilt_deg);
        }
    }
    assert_eq!(flagged(&record, "tracking_step"), [] as [f64; 0]);
}

/// The table takes the image shift off from one tilt on, and the stage makes up for it.
#[test]
fn a_reset_of_image_shift_is_no_step_and_a_new_piece() {
    let plan = Plan { seed: 57, offsets_um: [0.9, 0.5], ..Plan::default() };
    let (record, _) = plan.assess_edited(|series| {
        edit(series, "sections.csv", |text| {
            let mut lines = text.lines();
            let heading = lines.next().unwrap();
            let column = |name: &str| heading.split(',').position(|h| h == name).unwrap();
            let shifts = [column("shift_x_um"), column("shift_y_um")];
            let rows: Vec<Vec<String>> = lines.map(|line| line.split(',').map(str::to_owned).collect()).collect();
            let at = 30;
            let taken: Vec<f64> = shifts.iter().map(|&k| rows[at][k].parse().unwrap()).collect();
            let mut out = heading.to_owned() + "\n";
            for (order, mut row) in rows.into_iter().enumerate() {
                for (&k, taken) in shifts.iter().zip(&taken) {
                    let shift: f64 = row[k].parse().unwrap();
                    row[k] = format!("{:.5}", if order >= at { shift - taken } else { shift });
                }
                out += &(row.join(",") + "\n");
            }
            out
        });
    });
    let geometry = record.measures.geometry.as_ref().unwrap();
    assert_eq!(geometry.piece_constants_um.len(), 2, "{geometry:?}");
    let (d, z) = (geometry.axis_offset_um.unwrap(), geometry.height_offset_um.unwrap());
    assert!((d - 0.9).abs() < 0.05 && (z - 0.5).abs() < 0.05, "{geometry:?}");
    assert_eq!(flagged(&record, "tracking_step"), [] as [f64; 0]);
    let stage = record.tilts.iter().filter_map(|tilt| tilt.tracking.as_ref()?.stage_step_px);
    assert!(stage.fold(0.0, f64::max) < 5.0);
}

/// The table states more image shift from one tilt on, and the picture stays where it was: the stage stands elsewhere.
#[test]
fn a_jump_of_the_stage_made_good_is_a_new_piece() {
    let plan = Plan { seed: 60, offsets_um: [0.9, 0.5], ..Plan::default() };
    let (record, _) = plan.assess_edited(|series| {
        edit(series, "sections.csv", |text| {
            let mut lines = text.lines();
            let heading = lines.next().unwrap();
            let column = |name: &str| heading.split(',').position(|h| h == name).unwrap();
            let more = [(column("shift_x_um"), 0.08), (column("shift_y_um"), -0.06)];
            let mut out = heading.to_owned() + "\n";
            for (order, line) in lines.enumerate() {
                let mut row: Vec<String> = line.split(',').map(str::to_owned).collect();
                for (k, more) in more.into_iter().filter(|_| order >= 24) {
                    row[k] = format!("{:.5}", row[k].parse::<f64>().unwrap() + more);
                }
                out += &(row.join(",") + "\n");
            }
            out
        });
    });
    let geometry = record.measures.geometry.as_ref().unwrap();
    assert_eq!(geometry.piece_constants_um.len(), 2, "{geometry:?}");
    let (d, z) = (geometry.axis_offset_um.unwrap(), geometry.height_offset_um.unwrap());
    assert!((d - 0.9).abs() < 0.05 && (z - 0.5).abs() < 0.05, "{geometry:?}");
    assert_eq!(flagged(&record, "tracking_step"), [] as [f64; 0]);
    let stage = record.tilts.iter().filter_map(|tilt| tilt.tracking.as_ref()?.stage_step_px);
    assert!(stage.fold(0.0, f64::max) > 20.0, "the jump is still told");
}

#[test]
fn the_operators_area_is_lost_where_it_leaves_the_frame_or_lies_on_a_seam() {
    let faults = jump(24.0, 24.0, 180.0);
    let plan = Plan { seed: 58, step_deg: 6.0, faults, ..Plan::default() };
    let with = |plan: &Plan, area: &str| {
        let (record, _) = plan.assess_edited(|series| {
            edit(series, "series.toml", |text| text.replacen("[targets]", &format!("[targets]\narea_px = {area}"), 1));
        });
        record
    };
    // The jump takes what lies at the left border out of the frame.
    let record = with(&plan, "[2, 90, 40, 60]");
    assert_eq!(flagged(&record, "target_visible"), [24.0]);
    let worst = |tilt: &tiltworth::record::Tilt| tilt.tracking.as_ref().unwrap().target_visible_fraction;
    let seen = record.tilts.iter().find(|tilt| tilt.tilt_deg.round() as i64 == 24).and_then(worst).unwrap();
    // At 24° its 40 px are 36.5, from 13 to 49; 24 px less leave 25.
    assert!((seen - 0.70).abs() < 0.08, "{seen}");
    let montage = column(59, String::new());
    let on_a_seam = with(&montage, "[60, 130, 60, 60]");
    assert_eq!(flagged(&on_a_seam, "target_visible").len(), on_a_seam.tilts.len());
}
