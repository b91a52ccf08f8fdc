//! What focus adds to the spectra: `cargo bench --bench focus_cost` prints the time of the spectra alone, of the same
//! with the regions' spectra gathered, and of the fit, for tilts of one section and of a montage on one core. Only the
//! ratio travels from machine to machine.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "../support/focus_series.rs"]
#[allow(dead_code, reason = "shared with the tests of accuracy")]
mod focus_series;

use std::hint::black_box;
use std::time::Instant;
use tiltworth::measure::focus::gradient::Geometry;
use tiltworth::measure::focus::maps::Collector;
use tiltworth::measure::focus::{Plan, coarse::Table, measure, optics::Optics};
use tiltworth::numerics::periodogram::{Periodogram, patch_size};
use tiltworth::physics::contrast::Lens;
use tiltworth::simulate::{Recipe, run};

const ROUNDS: usize = 15;

fn main() {
    for (side, tiles, tilt_deg) in [
        (512, 1, 60.0),
        (512, 3, 60.0),
        (1024, 1, 0.0),
        (1024, 1, 60.0),
        (1024, 3, 60.0),
        (2048, 1, 60.0),
        (2048, 3, 60.0),
    ] {
        let facts = focus_series::Facts { step_deg: 60.0, size_px: [side.min(1024), side.min(1024)], ..FACTS };
        let recipe = Recipe::from_toml(&focus_series::recipe(&facts, ""), std::path::Path::new("cost")).unwrap();
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
        let mut times: Vec<[f64; 3]> = Vec::new();
        for _ in 0..ROUNDS {
            let start = Instant::now();
            for _ in 0..tiles {
                black_box(periodogram.average((side, side), copy, |_, _| true));
            }
            let spectra = start.elapsed().as_secs_f64();
            let start = Instant::now();
            let mut maps = Vec::new();
            for tile in 0..tiles {
                let mut collector = Collector::new(&plan.optics.grid, (side, side), tiles);
                let add = |row: usize, column: usize, power: &[f32]| collector.add(row, column, power);
                black_box(periodogram.average_and_show((side, side), copy, |_, _| true, add));
                maps.extend(collector.finish(tile));
            }
            let gathered = start.elapsed().as_secs_f64();
            let start = Instant::now();
            // All tiles show the same: they were refocused one by one, as far as the fit can tell.
            let middles: Vec<[f64; 2]> = (0..tiles).map(|tile| [0.0, 0.9 * (tile * side) as f64]).collect();
            let found = measure(&plan, &maps, &middles, &geometry);
            let fit = start.elapsed().as_secs_f64();
            assert!(found.figures.is_ok() || side > 1024, "{:?}", found.figures);
            times.push([spectra, gathered - spectra, fit]);
        }
        let median = |k: usize| {
            let mut values: Vec<f64> = times.iter().map(|times| times[k]).collect();
            values.sort_by(f64::total_cmp);
            1e3 * values[ROUNDS / 2]
        };
        let (spectra, gather, fit) = (median(0), median(1), median(2));
        println!(
            "{tiles} × {side}² at {tilt_deg}°: spectra {spectra:.2} ms, gathering {gather:.2} ms, fit {fit:.2} ms; added over spectra {:.2}",
            (gather + fit) / spectra
        );
    }
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
