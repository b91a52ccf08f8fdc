//! Seams and tracking over spectra: the time that the field measures add to the pass, over the time of the averaged
//! periodograms of the same sections on the same cores (60 sections of 2048² as 20 tilts of 1 × 3 tiles), once with the
//! pictures as they are and once with few electrons, where seams are measured at full size and patch by patch. Only the
//! ratio travels from machine to machine; it must not pass 1. `cargo bench --bench field -- 1024 4096` for other sides.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "../support/mod.rs"]
mod support;

use ndarray::Array2;
use rayon::prelude::*;
use std::time::Instant;
use tiltworth::intake::stack::{Pixels, Section};
use tiltworth::intake::{Request, Series, load};
use tiltworth::measure::tracking::{self, kept::Kept};
use tiltworth::measure::{cells, picture, seams, segments};
use tiltworth::numerics::periodogram::Periodogram;

const SIDE: usize = 2048;
const SECTIONS: usize = 60;
const PATCH: usize = 512;
const ROUNDS: usize = 3;
/// Few electrons: so many a pixel on average, each of so many counts.
const ELECTRONS: f64 = 12.5;
const COUNTS_AN_ELECTRON: f64 = 40.0;

fn main() {
    let asked: Vec<usize> = std::env::args().skip(1).filter_map(|arg| arg.parse().ok()).collect();
    for side in if asked.is_empty() { vec![SIDE] } else { asked } {
        at_side(side);
    }
}

fn at_side(side: usize) {
    let folder = tempfile::tempdir().unwrap();
    support::big_montage(folder.path(), side, SECTIONS);
    let series = load(&Request { path: folder.path().to_path_buf(), ..Request::default() }).unwrap();
    // Six different pages: all are in memory, so that reading is not measured.
    let pages: Vec<Section> = (0..6).map(|page| series.stack.read(page).unwrap()).collect();
    measure(&format!("{side}², as they are"), &series, &pages);
    let weak: Vec<Section> = pages.iter().enumerate().map(|(page, section)| weakened(section, page as u64)).collect();
    measure(&format!("{side}², 12.5 electrons a pixel"), &series, &weak);
}

fn measure(pictures: &str, series: &Series, pages: &[Section]) {
    let mut ratios: Vec<f64> = (0..ROUNDS)
        .map(|_| {
            let (spectra, seams, tracking) = (spectra(pages), seams(series, pages), tracking(series, pages));
            let ratio = (seams + tracking) / spectra;
            println!("spectra {spectra:.3} s, seams {seams:.3} s, tracking {tracking:.3} s, ratio {ratio:.2}");
            ratio
        })
        .collect();
    ratios.sort_by(f64::total_cmp);
    println!("{pictures}: seams and tracking over spectra, median of {ROUNDS}: {:.2}", ratios[ROUNDS / 2]);
}

/// The same picture with few electrons: counting noise of about the normal law.
fn weakened(section: &Section, seed: u64) -> Section {
    let mut row = vec![0.0f32; section.width];
    let mut values: Vec<f64> = Vec::with_capacity(section.width * section.height);
    for y in 0..section.height {
        section.copy_row(y, 0, &mut row);
        values.extend(row.iter().map(|&value| f64::from(value)));
    }
    let electrons = ELECTRONS * values.len() as f64 / values.iter().sum::<f64>();
    let mut random = support::Cheap(100 + seed);
    let counts = values.into_iter().map(|value| {
        // The sum of twelve numbers of a uniform law, each of variance 1/12.
        let noise: f64 = (0..12).map(|_| f64::from(random.next()) / 4_294_967_296.0 - 0.5).sum();
        let mean = electrons * value;
        (COUNTS_AN_ELECTRON * (mean + mean.sqrt() * noise)).max(0.0).round() as u16
    });
    Section { width: section.width, height: section.height, pixels: Pixels::U16(counts.collect()) }
}

fn spectra(pages: &[Section]) -> f64 {
    let start = Instant::now();
    (0..SECTIONS).into_par_iter().with_max_len(1).for_each_init(
        || Periodogram::new(PATCH),
        |periodogram, at| {
            let section = &pages[at % 6];
            let copy = |y: usize, x: usize, out: &mut [f32]| section.copy_row(y, x, out);
            std::hint::black_box(periodogram.average((section.height, section.width), copy, |_, _| true));
        },
    );
    start.elapsed().as_secs_f64()
}

fn seams(series: &Series, pages: &[Section]) -> f64 {
    let start = Instant::now();
    series.tilts.par_iter().with_max_len(1).for_each(|tilt| {
        let desk = seams::Desk::new(series, tilt);
        (0..3usize).into_par_iter().with_max_len(1).for_each(|slot| {
            desk.bring(slot, &pages[slot], |_, _, _| false);
        });
        let settled = seams::settle::settle(desk.finish(), 3, Some((0, [0.0; 2])));
        assert!(settled.seams.iter().all(|seam| seam.found.is_ok()), "a seam was not found");
    });
    start.elapsed().as_secs_f64()
}

fn tracking(series: &Series, pages: &[Section]) -> f64 {
    let (side, bin) = (series.size_px.1, picture::binning(series.assembled_px));
    let further = tracking::kept::further_binning(series.assembled_px, bin);
    // Binning is a part of the report's picture.
    let binned: Vec<Array2<f32>> =
        pages.iter().map(|page| cells::shrink(page, 32, bin, cells::Spoilt::default()).1).collect();
    let start = Instant::now();
    let kept: Vec<Option<Kept>> = (0..SECTIONS / 3)
        .into_par_iter()
        .map(|tilt| {
            let tiles: Vec<(Array2<f32>, [f64; 2])> = (0..3)
                .map(|row| (binned[(3 * tilt + row) % 6].clone(), [0.0, (row * (side - side / 10)) as f64]))
                .collect();
            Some(Kept::assemble(&tiles, series.assembled_px, bin, further))
        })
        .collect();
    let tracked = tracking::follow(series, &kept, &segments::places(series), (bin * further) as f64).unwrap();
    assert!(tracked.positions_px.iter().flatten().count() > SECTIONS / 4, "the field was not followed");
    start.elapsed().as_secs_f64()
}
