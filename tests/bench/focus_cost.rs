//! What focus adds to the spectra: `cargo bench --bench focus_cost` measures with criterion the time of the spectra alone, of
//! the same with the regions' spectra gathered, and of the fit, for tilts of one section and of a montage on one core, and
//! prints the ratios: only they travel from machine to machine.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "../support/focus_series.rs"]
#[allow(dead_code, reason = "shared with the tests of accuracy")]
mod focus_series;

use criterion::Criterion;
use std::hint::black_box;
use std::path::Path;
use std::time::Duration;
use tiltworth::measure::focus::gradient::Geometry;
use tiltworth::measure::focus::maps::{Collector, RegionMap};
use tiltworth::measure::focus::{Plan, coarse::Table, measure, optics::Optics};
use tiltworth::numerics::periodogram::{Periodogram, patch_size};
use tiltworth::physics::contrast::Lens;
use tiltworth::simulate::{Recipe, run};

const PARTS: [&str; 3] = ["spectra", "gathered", "fit"];

fn main() {
    let results = tempfile::tempdir().unwrap();
    let mut criterion = Criterion::default()
        .output_directory(results.path())
        .warm_up_time(Duration::from_millis(300))
        .measurement_time(Duration::from_secs(1))
        .sample_size(30);
    let mut table =
        String::from("| tilt | spectra, ms | gathering over spectra | fit over spectra |\n| --- | --- | --- | --- |\n");
    for (side, tiles, tilt_deg) in [
        (512, 1, 60.0),
        (512, 3, 60.0),
        (1024, 1, 0.0),
        (1024, 1, 60.0),
        (1024, 3, 60.0),
        (2048, 1, 60.0),
        (2048, 3, 60.0),
    ] {
        let name = format!("{tiles} of {side}² at {tilt_deg}°");
        time(&mut criterion, &name, side, tiles, tilt_deg);
        let [spectra, gathered, fit] = PARTS.map(|part| median_ms(results.path(), &name, part));
        let (gathering, fit) = ((gathered - spectra) / spectra, fit / spectra);
        table += &format!("| {name} | {spectra:.2} | {gathering:.2} | {fit:.2} |\n");
    }
    criterion.final_summary();
    println!("\n{table}");
}

/// Times the parts of one tilt.
fn time(criterion: &mut Criterion, name: &str, side: usize, tiles: usize, tilt_deg: f64) {
    let facts = focus_series::Facts { step_deg: 60.0, size_px: [side.min(1024), side.min(1024)], ..FACTS };
    let recipe = Recipe::from_toml(&focus_series::recipe(&facts, ""), Path::new("cost")).unwrap();
    let at = if tilt_deg == 0.0 { 1 } else { 2 };
    let made = &run(&recipe).sections[at];
    let width = facts.size_px[0];
    // Larger pictures repeat the simulated one: the work is the same.
    let pixel = |y: usize, x: usize| f32::from(made[y % width * width + x % width]);
    let image: Vec<f32> = (0..side * side).map(|i| pixel(i / side, i % side)).collect();
    let size = patch_size(side, side).unwrap();
    let optics = Optics::new(Lens::new(300.0, 2.7, 0.07), facts.pixel_nm, size);
    let plan = Plan { table: Table::new(&optics), optics, phase_error_rad: 0.0 };
    let geometry = Geometry { tilt_deg, axis_deg: Some(facts.axis_deg) };
    let copy = |y: usize, x: usize, out: &mut [f32]| {
        let len = out.len();
        out.copy_from_slice(&image[y * side + x..y * side + x + len]);
    };
    let mut periodogram = Periodogram::new(size);
    let mut gather = || -> Vec<RegionMap> {
        let one = |tile: usize| {
            let mut collector = Collector::new(&plan.optics.grid, (side, side), tiles);
            let add = |row: usize, column: usize, power: &[f32]| collector.add(row, column, power);
            black_box(periodogram.average_and_show((side, side), copy, |_, _| true, add));
            collector.finish(tile)
        };
        (0..tiles).flat_map(one).collect()
    };
    let maps = gather();
    // All tiles show the same: they were refocused one by one, as far as the fit can tell.
    let middles: Vec<[f64; 2]> = (0..tiles).map(|tile| [0.0, 0.9 * (tile * side) as f64]).collect();
    let found = measure(&plan, &maps, &middles, &geometry);
    assert!(found.figures.is_ok() || side > 1024, "{:?}", found.figures);
    let mut group = criterion.benchmark_group(name);
    group.bench_function(PARTS[1], |bencher| bencher.iter(&mut gather));
    group.bench_function(PARTS[2], |bencher| bencher.iter(|| measure(&plan, &maps, &middles, &geometry)));
    let mut alone = || (0..tiles).for_each(|_| drop(black_box(periodogram.average((side, side), copy, |_, _| true))));
    group.bench_function(PARTS[0], |bencher| bencher.iter(&mut alone));
    group.finish();
}

/// The median that criterion found.
fn median_ms(results: &Path, name: &str, part: &str) -> f64 {
    let file = results.join(name).join(part).join("new/estimates.json");
    let estimates: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap();
    1e-6 * estimates["median"]["point_estimate"].as_f64().unwrap()
}

const FACTS: focus_series::Facts = focus_series::Facts {
    specimen: "vitrified",
    kv: 300.0,
    cs_mm: 2.7,
    size_px: [1024, 1024],
    pixel_nm: 0.5,
    dose: 4.0,
    defocus_um: 3.0,
    astigmatism: [0.06, 35.0],
    axis_deg: 8.0,
    grain: 0.15,
    envelope_nm: 0.6,
    step_deg: 60.0,
    montage: None,
    seed: 5,
};
