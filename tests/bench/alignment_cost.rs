//! The outlook on alignment over spectra: the time that following and fitting take, over the time of the averaged
//! periodograms of the same sections on the same cores (21 tilts of simulated resin). Only the ratio travels from machine to
//! machine; it must not pass 1.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "../support/alignment.rs"]
mod alignment;

use alignment::{demo, single, with_beads};
use rayon::prelude::*;
use std::time::{Duration, Instant};
use tiltworth::intake::stack::Section;
use tiltworth::intake::{Request, Series, load};
use tiltworth::judge::Profile;
use tiltworth::measure::alignment::figures;
use tiltworth::measure::tracking::{self, kept::Kept};
use tiltworth::measure::{cells, picture, segments};
use tiltworth::numerics::periodogram::Periodogram;
use tiltworth::record::Record;
use tiltworth::simulate::{Recipe, run, write};

const PATCH: usize = 512;
const CELL: usize = 32;
const ROUNDS: usize = 5;

fn main() {
    println!("| series | followed | over the spectra |");
    println!("| --- | --- | --- |");
    for side in [1024, 2048] {
        let mut recipe = single(demo("kelp-chloroplast", 9700), side);
        recipe.tilt.step_deg = 6.0;
        row(side, &recipe);
        let area_um2 = (side as f64 * recipe.camera.pixel_nm * 1e-3).powi(2);
        row(side, &with_beads(recipe, 45.0 / area_um2, 8.0));
    }
}

fn row(side: usize, recipe: &Recipe) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("series");
    write(recipe, &run(recipe), &path, false).unwrap();
    let series = load(&Request { path, ..Request::default() }).unwrap();
    let profile = Profile::find(None, series.specimen).unwrap();
    let (record, _) = tiltworth::assess::assess(&series, &profile, &|| (), &|| true).unwrap();
    // All are in memory, so that reading is not measured.
    let pages: Vec<Section> = (0..record.tilts.len()).map(|page| series.stack.read(page).unwrap()).collect();
    let mut ratios: Vec<f64> = (0..ROUNDS)
        .map(|_| outlook(&series, &record, &pages).as_secs_f64() / spectra(&pages, side).as_secs_f64())
        .collect();
    ratios.sort_by(f64::total_cmp);
    let followed = record.measures.alignment.followed.as_deref().unwrap_or("nothing");
    println!("| {} of {side}² | {followed} | {:.2} |", record.tilts.len(), ratios[ROUNDS / 2]);
}

fn spectra(pages: &[Section], side: usize) -> Duration {
    let start = Instant::now();
    pages.par_iter().with_max_len(1).for_each_init(
        || Periodogram::new(PATCH),
        |periodogram, section| {
            let copy = |y: usize, x: usize, out: &mut [f32]| section.copy_row(y, x, out);
            std::hint::black_box(periodogram.average((side, side), copy, |_, _| true));
        },
    );
    start.elapsed()
}

fn outlook(series: &Series, record: &Record, pages: &[Section]) -> Duration {
    let bin = picture::binning(series.assembled_px);
    let further = tracking::kept::further_binning(series.assembled_px, bin);
    let pixel_px = (bin * further) as f64;
    let kept = |tilt: &tiltworth::record::Tilt| {
        let tile = cells::shrink(&pages[tilt.sections[0]], CELL, bin, cells::Spoilt::default()).1;
        Some(Kept::assemble(&[(tile, [0.0; 2])], series.assembled_px, bin, further))
    };
    let kept: Vec<Option<Kept>> = record.tilts.iter().map(kept).collect();
    let tracked = tracking::follow(series, &kept, &segments::places(series), pixel_px);
    let geometry = record.measures.geometry.clone().unwrap_or_default();
    let start = Instant::now();
    let outlook = figures::measure(series, &record.tilts, &kept, Some(&tracked), pixel_px, &geometry);
    let took = start.elapsed();
    assert_eq!(outlook.series.followed, record.measures.alignment.followed, "another outlook than the record's");
    took
}
