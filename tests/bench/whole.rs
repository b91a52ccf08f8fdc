//! The whole run over its floor: reading, measuring and judging 60 sections of 2048² 16-bit pixels and making the
//! page, over one real 2-D FFT of 512² patches of the same pixels on the same cores. Only the ratio travels from
//! machine to machine.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "../support/mod.rs"]
mod support;

use rayon::prelude::*;
use realfft::RealFftPlanner;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex32;
use std::time::Instant;
use tiltworth::intake::{Request, Series, load};
use tiltworth::judge::Profile;
use tiltworth::report;

const SIDE: usize = 2048;
const SECTIONS: usize = 60;
const PATCH: usize = 512;
const ROUNDS: usize = 3;

fn main() {
    let folder = tempfile::tempdir().unwrap();
    support::big_series(folder.path(), SIDE, SECTIONS);
    let series = load(&Request { path: folder.path().to_path_buf(), ..Request::default() }).unwrap();
    let mut ratios: Vec<(f64, f64, f64)> = (0..ROUNDS)
        .map(|_| {
            let (read, floor, whole) = (reading(&series), fft_floor(&series), whole(&series));
            println!("read {read:.2} s, FFT floor {floor:.2} s, whole run {whole:.2} s, ratio {:.2}", whole / floor);
            (whole / floor, floor, whole)
        })
        .collect();
    ratios.sort_by(|a, b| a.0.total_cmp(&b.0));
    println!("whole run over FFT floor, median of {ROUNDS}: {:.2}", ratios[ROUNDS / 2].0);
}

fn reading(series: &Series) -> f64 {
    let start = Instant::now();
    (0..SECTIONS).into_par_iter().for_each(|page| drop(series.stack.read(page).unwrap()));
    start.elapsed().as_secs_f64()
}

/// One real FFT along rows and one complex FFT along columns of every patch, nothing else, from pixels in memory.
fn fft_floor(series: &Series) -> f64 {
    let mut patch = vec![0.0; PATCH * PATCH];
    series.stack.read(0).unwrap().pixels.copy_f32(0, &mut patch);
    let patches = SECTIONS * (SIDE / PATCH).pow(2);
    let half = PATCH / 2 + 1;
    let start = Instant::now();
    (0..patches).into_par_iter().for_each_init(
        || {
            let rows = RealFftPlanner::<f32>::new().plan_fft_forward(PATCH);
            let columns = FftPlanner::<f32>::new().plan_fft_forward(PATCH);
            let scratch = vec![Complex32::default(); columns.get_inplace_scratch_len().max(rows.get_scratch_len())];
            (rows, columns, scratch, patch.clone(), vec![Complex32::default(); half * PATCH])
        },
        |(rows, columns, scratch, work, spectrum), _| {
            work.copy_from_slice(&patch);
            for (line, out) in work.chunks_exact_mut(PATCH).zip(spectrum.chunks_exact_mut(half)) {
                rows.process_with_scratch(line, out, scratch).unwrap();
            }
            columns.process_with_scratch(spectrum, scratch);
            std::hint::black_box(spectrum[5]);
        },
    );
    start.elapsed().as_secs_f64()
}

fn whole(series: &Series) -> f64 {
    let profile = Profile::find(None, series.specimen).unwrap();
    let start = Instant::now();
    let (record, evidence) = tiltworth::assess::assess(series, &profile, &|| ()).unwrap();
    let page = report::render(&record, &evidence, None).unwrap();
    let elapsed = start.elapsed().as_secs_f64();
    assert!(page.len() > 10_000);
    elapsed
}
