//! The whole run over its floor: reading, hashing, measuring and judging 60 sections of 2048² 16-bit pixels (20 tilts of
//! a 1 × 3 montage of one field) and making the page, over one pass of real 2-D FFTs of 512² patches over the same pixels
//! on the same cores; and under the same measurements by a script of numpy, scipy and scikit-image (`numpy/measure.py`),
//! where `TILTWORTH_PYTHON` names a Python that has these, mrcfile and pillow. `-- growth` prints how time grows with
//! sections and pixels instead. Only ratios travel from machine to machine.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "../support/mod.rs"]
mod support;

use rayon::prelude::*;
use realfft::{RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex32;
use rustfft::{Fft, FftPlanner};
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::Instant;
use tiltworth::intake::stack::Section;
use tiltworth::intake::{Request, Series, load};
use tiltworth::judge::Profile;
use tiltworth::report;

const SIDE: usize = 2048;
const SECTIONS: usize = 60;
const PATCH: usize = 512;
const ROUNDS: usize = 3;

fn main() {
    if std::env::args().any(|argument| argument == "growth") {
        growth();
    } else {
        over_floor();
    }
}

/// Seconds a million pixels, over sections and over pixels: they stay about the same where time grows in proportion.
fn growth() {
    for (side, sections) in [(1024, 21), (1024, 60), (1024, 120), (1024, 183), (512, 60), (2048, 60), (4096, 60)] {
        let folder = tempfile::tempdir().unwrap();
        let series = montage(folder.path(), side, sections);
        let mut times: Vec<f64> = (0..ROUNDS).map(|_| whole(&series)).collect();
        times.sort_by(f64::total_cmp);
        let megapixels = (side * side * sections) as f64 / 1e6;
        let ms = 1e3 * times[ROUNDS / 2] / megapixels;
        println!("{sections} sections of {side}²: {:.2} s, {ms:.2} ms a million pixels", times[ROUNDS / 2]);
    }
}

fn montage(folder: &Path, side: usize, sections: usize) -> Series {
    support::big_montage(folder, side, sections);
    load(&Request { path: folder.to_path_buf(), ..Request::default() }).unwrap()
}

/// Seconds of the script, as it states them: its imports are left out.
fn script(folder: &Path) -> Option<f64> {
    let python = std::env::var_os("TILTWORTH_PYTHON")?;
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench/numpy/measure.py");
    let output = Command::new(python).arg(script).arg(folder).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    Some(String::from_utf8(output.stdout).unwrap().trim().parse().unwrap())
}

fn over_floor() {
    let folder = tempfile::tempdir().unwrap();
    let series = montage(folder.path(), SIDE, SECTIONS);
    let mut ratios: Vec<(f64, f64, Option<f64>)> = (0..ROUNDS)
        .map(|_| {
            let (read, arithmetic, pass) = (reading(&series), fft_arithmetic(), fft_pass(&series));
            let whole = whole(&series);
            println!(
                "read {read:.2} s, FFT arithmetic {arithmetic:.2} s, FFT pass {pass:.2} s, whole run {whole:.2} s"
            );
            let script = script(folder.path());
            script.iter().for_each(|script| println!("script {script:.2} s"));
            (whole / pass, whole / arithmetic, script.map(|script| script / whole))
        })
        .collect();
    ratios.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (over_pass, over_arithmetic, _) = ratios[ROUNDS / 2];
    println!("whole run over one real-FFT pass of the same pixels, median of {ROUNDS}: {over_pass:.2}");
    println!("(over the arithmetic of the FFTs alone: {over_arithmetic:.2})");
    match ratios.iter().filter_map(|ratio| ratio.2).min_by(f64::total_cmp) {
        Some(times) => println!("faster than the script: {times:.1} times, the least of {ROUNDS}"),
        None => println!("the script was not run: TILTWORTH_PYTHON names no Python"),
    }
}

fn reading(series: &Series) -> f64 {
    let start = Instant::now();
    (0..SECTIONS).into_par_iter().for_each(|page| drop(series.stack.read(page).unwrap()));
    start.elapsed().as_secs_f64()
}

/// One pass of real FFTs over the same pixels, as they lie in memory: every patch of every section is taken as f32
/// and transformed to its half spectrum by realfft along rows, a transposition and rustfft along columns. Nothing is
/// windowed, squared, summed or kept.
fn fft_pass(series: &Series) -> f64 {
    let sections: Vec<Section> = (0..SECTIONS).map(|page| series.stack.read(page).unwrap()).collect();
    let start = Instant::now();
    sections.par_iter().with_max_len(1).for_each_init(Plans::new, |plans, section| {
        for row in (0..SIDE).step_by(PATCH) {
            for column in (0..SIDE).step_by(PATCH) {
                for y in 0..PATCH {
                    section.copy_row(row + y, column, &mut plans.patch[y * PATCH..(y + 1) * PATCH]);
                }
                plans.transform();
                std::hint::black_box(plans.spectrum[5]);
            }
        }
    });
    start.elapsed().as_secs_f64()
}

/// The same transforms of one patch over and over, which then never leaves the cache, and never transposed: what the
/// arithmetic alone costs.
fn fft_arithmetic() -> f64 {
    let patches = SECTIONS * (SIDE / PATCH).pow(2);
    let start = Instant::now();
    (0..patches).into_par_iter().for_each_init(Plans::new, |plans, _| {
        plans.patch.fill(1.0);
        plans.rows_and_columns();
        std::hint::black_box(plans.row_spectra[5]);
    });
    start.elapsed().as_secs_f64()
}

const HALF: usize = PATCH / 2 + 1;

struct Plans {
    rows: Arc<dyn RealToComplex<f32>>,
    columns: Arc<dyn Fft<f32>>,
    patch: Vec<f32>,
    row_spectra: Vec<Complex32>,
    spectrum: Vec<Complex32>,
    scratch: Vec<Complex32>,
}

impl Plans {
    fn new() -> Self {
        let rows = RealFftPlanner::<f32>::new().plan_fft_forward(PATCH);
        let columns = FftPlanner::<f32>::new().plan_fft_forward(PATCH);
        let scratch = vec![Complex32::default(); columns.get_inplace_scratch_len().max(rows.get_scratch_len())];
        let spectrum = vec![Complex32::default(); HALF * PATCH];
        Self { rows, columns, patch: vec![0.0; PATCH * PATCH], row_spectra: spectrum.clone(), spectrum, scratch }
    }

    fn along_rows(&mut self) {
        for (line, out) in self.patch.chunks_exact_mut(PATCH).zip(self.row_spectra.chunks_exact_mut(HALF)) {
            self.rows.process_with_scratch(line, out, &mut self.scratch).unwrap();
        }
    }

    fn transform(&mut self) {
        self.along_rows();
        transpose::transpose(&self.row_spectra, &mut self.spectrum, HALF, PATCH);
        self.columns.process_with_scratch(&mut self.spectrum, &mut self.scratch);
    }

    fn rows_and_columns(&mut self) {
        self.along_rows();
        self.columns.process_with_scratch(&mut self.row_spectra, &mut self.scratch);
    }
}

fn whole(series: &Series) -> f64 {
    let profile = Profile::find(None, series.specimen).unwrap();
    let start = Instant::now();
    let (record, evidence) = tiltworth::assess::assess(series, &profile, &|| (), &|| true).unwrap();
    let page = report::render(&record, &evidence, None).unwrap();
    let elapsed = start.elapsed().as_secs_f64();
    assert!(page.len() > 10_000);
    elapsed
}
