//! The accuracy of the outlook on alignment, on simulated series with known truth.
//!
//! `cargo bench --bench alignment` prints the table that stands in DEVELOPERS.md; `-- beads` (texture, change, alarms) prints a
//! part, and a number sets how many series each row has.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "../support/alignment.rs"]
mod alignment;

use alignment::{Done, demo, done, quantile, single, with_beads};
use tiltworth::record::{Grade, Specimen};
use tiltworth::simulate::Recipe;
use tiltworth::simulate::recipe::Scheme;
use tiltworth::simulate::warp::Warp;
use tiltworth::trial::sound::{Wish, sound};

/// A part of the table, with so many series a row.
type Part = fn(u64);

fn main() {
    let asked: Vec<String> = std::env::args().skip(1).filter(|arg| !arg.starts_with('-')).collect();
    let series: u64 = asked.iter().find_map(|arg| arg.parse().ok()).unwrap_or(6);
    let parts: [(&str, Part); 4] = [("beads", beads), ("texture", texture), ("change", change), ("alarms", alarms)];
    let names: Vec<&String> = asked.iter().filter(|arg| arg.parse::<u64>().is_err()).collect();
    println!("| series | number | shift of a tilt, px | direction of the axis, degrees | heights, nm |");
    println!("| --- | --- | --- | --- | --- |");
    for (name, part) in parts {
        if names.is_empty() || names.iter().any(|asked| *asked == name) {
            part(series);
        }
    }
}

/// A single picture of resin with some forty gold particles.
fn gold(seed: u64) -> Recipe {
    with_gold(single(demo("kelp-chloroplast", seed), 448))
}

fn with_gold(recipe: Recipe) -> Recipe {
    let area_um2 = (448.0 * recipe.camera.pixel_nm * 1e-3).powi(2);
    with_beads(recipe, 45.0 / area_um2, 5.0)
}

fn beads(series: u64) {
    rows("beads, 448², 100 nm of resin, ±60° by 3°", &(0..series).map(|k| done(&gold(9100 + k))).collect::<Vec<_>>());
    let vitrified = |k: u64| done(&with_gold(single(demo("liposome-strip", 9150 + k), 448)));
    rows("beads, 448², 90 nm of ice, ±54° by 6°", &(0..series).map(vitrified).collect::<Vec<_>>());
    let trial = |k: u64| done(&with_gold(sound(9350 + k, &Wish::of(Specimen::Vitrified))));
    rows("beads, 256² to 384², sound vitrified series of a trial", &(0..series).map(trial).collect::<Vec<_>>());
}

fn texture(series: u64) {
    let resin = |k: u64| done(&single(demo("kelp-chloroplast", 9200 + k), 448));
    rows("texture, 448², 100 nm of resin, ±60° by 3°", &(0..series).map(resin).collect::<Vec<_>>());
    for (name, specimen) in [("resin", Specimen::ResinSection), ("vitrified", Specimen::Vitrified)] {
        let all: Vec<Done> = (0..series).map(|k| done(&sound(9300 + k, &Wish::of(specimen)))).collect();
        rows(&format!("texture, 256² to 384², sound {name} series of a trial"), &all);
    }
}

fn rows(name: &str, all: &[Done]) {
    let shifts: Vec<f64> = all.iter().flat_map(Done::shift_errors).collect();
    let axes: Vec<f64> = all.iter().map(|done| done.axis_error_deg().abs()).collect();
    let pulls = all
        .iter()
        .filter_map(|done| Some(done.axis_error_deg().abs() / done.record.measures.alignment.axis_error_deg?));
    let pulls: Vec<f64> = pulls.collect();
    let heights: Vec<f64> = all.iter().flat_map(|done| done.height_errors_nm()).map(f64::abs).collect();
    let changed = all.iter().filter(|done| done.record.measures.alignment.warp_nm.is_some()).count();
    println!(
        "| {name} | {}, a change told in {changed} | median {:.2}, 95 % {:.2} | median {:.3}, worst {:.2} ({:.1} stated errors) | {} |",
        all.len(),
        quantile(&shifts, 0.5),
        quantile(&shifts, 0.95),
        quantile(&axes, 0.5),
        quantile(&axes, 1.0),
        quantile(&pulls, 1.0),
        if heights.is_empty() {
            "–".into()
        } else {
            format!("median {:.1}, 95 % {:.1} ({})", quantile(&heights, 0.5), quantile(&heights, 0.95), heights.len())
        }
    );
}

/// A change of the specimen that grows with dose.
fn change(series: u64) {
    let planted = Warp { across_nm: 6.0, along_nm: 8.0, up_nm: 10.0 };
    let texture = |seed: u64| single(demo("kelp-chloroplast", seed), 448);
    type Row = (&'static str, fn(u64) -> Recipe, Scheme);
    let rows: [Row; 4] = [
        ("beads, one end to the other", gold, Scheme::Unidirectional),
        ("beads, dose-symmetric", gold, Scheme::DoseSymmetric),
        ("texture, one end to the other", texture, Scheme::Unidirectional),
        ("texture, dose-symmetric", texture, Scheme::DoseSymmetric),
    ];
    for (name, of, scheme) in rows {
        let ratio = |k: u64| {
            let mut recipe = of(9400 + k);
            recipe.tilt.scheme = scheme;
            recipe.warp = Some(planted);
            let done = done(&recipe);
            done.record.measures.alignment.warp_nm.map(|nm| nm / done.planted_warp_nm())
        };
        let ratios: Vec<Option<f64>> = (0..series).map(ratio).collect();
        let known: Vec<f64> = ratios.iter().flatten().copied().collect();
        println!(
            "| change over planted, {name} | {series} | told in {} | found over planted: median {:.2}, {:.2} to {:.2} | |",
            known.len(),
            quantile(&known, 0.5),
            quantile(&known, 0.0),
            quantile(&known, 1.0)
        );
    }
}

/// How often sound series are called lost, and series with nothing to follow are told.
fn alarms(series: u64) {
    let mut grades = [0usize; 4];
    let mut tell = |done: &Done| {
        let check = done.record.checks.iter().find(|check| check.id == "alignment_outlook").unwrap();
        if check.grade != Grade::Pass {
            println!("seed {}: {:?}: {}", done.recipe.seed, check.grade, check.why);
        }
        grades[check.grade as usize] += 1;
    };
    for k in 0..series {
        for specimen in [Specimen::ResinSection, Specimen::Vitrified] {
            tell(&done(&sound(9500 + k, &Wish::of(specimen))));
        }
    }
    println!(
        "| sound series | {} | pass {}, caution {}, fail {}, not measured {} | | |",
        2 * series,
        grades[0],
        grades[1],
        grades[2],
        grades[3]
    );
    let lost = |k: u64| {
        let mut recipe = single(demo("kelp-chloroplast", 9600 + k), 256);
        recipe.structures.clear();
        let done = done(&recipe);
        done.record.checks.iter().any(|check| check.id == "alignment_outlook" && check.grade == Grade::Fail)
    };
    println!("| nothing to follow | {series} | told in {} | | |", (0..series).filter(|k| lost(*k)).count());
}
