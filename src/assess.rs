//! The one streaming pass: sections are read tilt by tilt, each page once, each by one worker; all single-image
//! measures are made while it is in memory, and little is kept. SHA-256 of the inputs runs beside it in a thread
//! of its own.

use crate::intake::Series;
use crate::intake::sheet::{Beam, DoseBasis};
use crate::intake::stack::Section;
use crate::intake::tilts::TiltGroup;
use crate::judge::{self, Profile};
use crate::measure::cells::{self, Cells, Spoilt};
use crate::measure::counts::{self, Gradient, Scale};
use crate::measure::dark_area::DarkArea;
use crate::measure::dose::{self, Dose, WEIGHT_RESOLUTIONS_NM};
use crate::measure::focus::{self, TiltFocus, maps::Collector, maps::RegionMap};
use crate::measure::seams::{self, settle::Settled};
use crate::measure::sharpness::{self, BAND_EDGES, Motions, SECTORS, SeriesSharpness, Spectrum, TiltSharpness};
use crate::measure::tally::Tally;
use crate::measure::tracking::{self, figures::TiltFrame, kept::Kept};
use crate::measure::{coverage, picture, segments, spectrum_picture, thickness};
use crate::measured::{Measured, NotMeasured, parted};
use crate::numerics::periodogram::{self, Periodogram};
use crate::numerics::rotational::PolarMap;
use crate::record::evidence::{Curves, EVIDENCE_VERSION, Evidence, Picture, TiltCurves};
use crate::record::hashes;
use crate::record::{
    ColumnSource, CountsMeasure, DoseMeasure, Grade, Measures, ProfileUsed, RECORD_VERSION, Record, SeriesFacts,
    Sharpness, Tile, Tilt, Tool,
};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use ndarray::Array2;
use rayon::prelude::*;
use std::sync::Mutex;

/// Something went wrong with the assessment as a whole.
#[derive(Debug, thiserror::Error)]
pub enum AssessError {
    /// Nothing could be read.
    #[error("{0}")]
    Unreadable(crate::intake::IntakeError),
    /// The user stopped it.
    #[error("stopped: nothing was written")]
    Stopped,
    /// A thread of ours ended early.
    #[error("the thread that hashes the inputs ended early: this is a fault of tiltworth's, please report it")]
    Thread,
}

/// Assesses a series; `progress` is called once a section, `go_on` often: once it says no, the work ends.
///
/// # Errors
/// No section can be read; the work was stopped.
pub fn assess(
    series: &Series,
    profile: &Profile,
    progress: &(dyn Fn() + Sync),
    go_on: &(dyn Fn() -> bool + Sync),
) -> Result<(Record, Evidence), AssessError> {
    std::thread::scope(|scope| {
        let hashing = scope.spawn(|| hashes::inputs(&series.inputs, go_on));
        let pass = Pass::new(series);
        let observed = pass.run(progress, go_on).map(|mut observed| {
            if let Ok(plan) = &pass.focus {
                look_again_at_focus(series, plan, &mut observed);
            }
            observed
        });
        let hashed = hashing.join().map_err(|_| AssessError::Thread)?;
        let (Some(observed), Some((inputs, notes))) = (observed, hashed) else { return Err(AssessError::Stopped) };
        let first_error = observed.iter().flat_map(|tilt| &tilt.tiles).find_map(|tile| tile.as_ref().err().cloned());
        let any = observed.iter().flat_map(|tilt| &tilt.tiles).any(Result::is_ok);
        if let Some(error) = first_error.filter(|_| !any) {
            return Err(AssessError::Unreadable(error));
        }
        let (mut record, evidence) = finish(series, profile, observed, inputs);
        record.notes.extend(notes);
        Ok((record, evidence))
    })
}

/// Tilts whose rings are too weak by themselves, seen with the rest of the series.
fn look_again_at_focus(series: &Series, plan: &focus::Plan, observed: &mut [TiltSeen]) {
    let none = |tilt: &mut TiltSeen| std::mem::replace(&mut tilt.focus, TiltFocus::none("", 0));
    let mut all: Vec<TiltFocus> = observed.iter_mut().map(none).collect();
    focus::series::look_again(series, plan, &mut all);
    observed.iter_mut().zip(all).for_each(|(tilt, focus)| tilt.focus = focus);
}

/// What is kept of a tile.
struct TileSeen {
    tally: Tally,
    level: Option<f64>,
    gradient: Option<Gradient>,
    dark: Option<DarkArea>,
    spectrum: Option<Spectrum>,
}

/// What is kept of a tilt.
struct TiltSeen {
    tiles: Vec<Result<TileSeen, crate::intake::IntakeError>>,
    tally: Option<Tally>,
    saturated: Option<f64>,
    dark: Option<DarkArea>,
    gradient: Option<Gradient>,
    spectrum: Option<Spectrum>,
    focus: TiltFocus,
    spectrum_jpeg: Option<Vec<u8>>,
    picture: Option<picture::TiltPicture>,
    settled: Settled,
    kept: Option<Kept>,
}

/// A tile between its own reading and the completion of its tilt.
struct TileRead {
    tally: Tally,
    level: Option<f64>,
    cells: Cells,
    spectrum: Option<Spectrum>,
    /// Spectra of its regions, where focus can be measured; their tile is not set yet.
    maps: Vec<RegionMap>,
    portrait: Option<spectrum_picture::Small>,
    binned: Array2<f32>,
}

/// Saturated or unreadable pixels of a patch beyond this share spoil its spectrum; fewer are hot pixels.
const SPOILT_SHARE: f64 = 1e-4;

/// The pass over the sections.
struct Pass<'a> {
    series: &'a Series,
    scale: Scale,
    cell_px: usize,
    bin: usize,
    /// Bins that are averaged into a pixel of the picture that tracking keeps.
    further: usize,
    patch: Option<usize>,
    polar: Option<PolarMap>,
    /// What the focus of every tilt is measured with, or why it is not.
    focus: Measured<focus::Plan>,
    /// Idle workers' plans and buffers.
    periodograms: Mutex<Vec<Periodogram>>,
}

impl<'a> Pass<'a> {
    fn new(series: &'a Series) -> Self {
        let (width, height) = series.size_px;
        let patch = periodogram::patch_size(width, height);
        Self {
            series,
            scale: scale(series),
            cell_px: cells::cell_px(width, height),
            bin: picture::binning(series.assembled_px),
            further: tracking::kept::further_binning(series.assembled_px, picture::binning(series.assembled_px)),
            patch,
            polar: patch.map(|size| PolarMap::new(size, &sharpness::ring_edges(), &BAND_EDGES, SECTORS)),
            focus: focus::series::plan(series, patch),
            periodograms: Mutex::new(Vec::new()),
        }
    }

    fn run(&self, progress: &(dyn Fn() + Sync), go_on: &(dyn Fn() -> bool + Sync)) -> Option<Vec<TiltSeen>> {
        self.series.tilts.par_iter().with_max_len(1).map(|tilt| self.tilt(tilt, progress, go_on)).collect()
    }

    /// `None` where the user stopped the work.
    fn tilt(
        &self,
        tilt: &TiltGroup,
        progress: &(dyn Fn() + Sync),
        go_on: &(dyn Fn() -> bool + Sync),
    ) -> Option<TiltSeen> {
        let desk = seams::Desk::new(self.series, tilt);
        let read = |(slot, &row): (usize, &usize)| {
            let page = self.series.sections[row].page;
            go_on().then(|| {
                let tile = self.series.stack.read(page).and_then(|section| {
                    let tile = self.tile(&section, page, tilt.rows.len())?;
                    self.bring(&desk, slot, &section, &tile);
                    Ok(tile)
                });
                progress();
                tile
            })
        };
        let read: Option<Vec<_>> = tilt.rows.par_iter().enumerate().with_max_len(1).map(read).collect();
        let read = read?;
        let first = tilt.rows.iter().position(|&row| place_of(self.series, row) == (0, 0));
        let settled = seams::settle::settle(desk.finish(), tilt.rows.len(), first);
        Some(self.complete(tilt, read, settled))
    }

    /// Hands the strips of a tile to its seams: what is dark, saturated or no number is left out.
    fn bring(&self, desk: &seams::Desk, slot: usize, section: &Section, tile: &TileRead) {
        if !desk.wants(slot) {
            return;
        }
        let dark = self.dark_cells(&tile.cells).filter(|dark| dark.iter().any(|&dark| dark));
        let level = tile.level.map_or(f32::INFINITY, |level| level as f32);
        let cell_px = tile.cells.cell_px;
        desk.bring(slot, section, |x, y, value| {
            value >= level || dark.as_ref().is_some_and(|dark| dark[(y / cell_px, x / cell_px)])
        });
    }

    /// All single-image measures of a section.
    fn tile(&self, section: &Section, page: usize, tiles: usize) -> Result<TileRead, crate::intake::IntakeError> {
        let tally = Tally::of(&section.pixels);
        self.not_blank(&tally, page)?;
        let level = tally.saturation_level(self.scale.full_scale);
        let saturation_level = level.filter(|&level| tally.max >= level);
        let spoilt = Spoilt { saturation_level, nonfinite: tally.nonfinite > 0 };
        let (cells, binned) = cells::shrink(section, self.cell_px, self.bin, spoilt);
        let (spectrum, maps, portrait) = match self.spectrum(section, &cells, &tally, tiles) {
            Some((spectrum, maps, portrait)) => (Some(spectrum), maps, Some(portrait)),
            None => (None, Vec::new(), None),
        };
        Ok(TileRead { tally, level, cells, spectrum, maps, portrait, binned })
    }

    /// A section without a number, or with one and the same everywhere, holds no picture.
    fn not_blank(&self, tally: &Tally, page: usize) -> Result<(), crate::intake::IntakeError> {
        let fault = match tally.n {
            0 => "none of its pixels is a finite number".to_owned(),
            n if n > 1 && tally.min == tally.max => format!("every pixel holds {}", tally.min),
            _ => return Ok(()),
        };
        let file = self.series.stack.files().into_iter().next().unwrap_or_default();
        let remedy = "export the section again, or leave it out";
        Err(crate::intake::IntakeError::bad(&file, format!("section {page}"), fault, remedy))
    }

    /// The spectrum of a tile, and what its focus needs of it.
    fn spectrum(
        &self,
        section: &Section,
        cells: &Cells,
        tally: &Tally,
        tiles: usize,
    ) -> Option<(Spectrum, Vec<RegionMap>, spectrum_picture::Small)> {
        let (size, polar) = (self.patch?, self.polar.as_ref()?);
        let dark = self.dark_cells(cells);
        let clean = |row: usize, column: usize| clean_patch(cells, dark.as_ref(), row, column, size);
        let idle = self.periodograms.lock().ok().and_then(|mut idle| idle.pop());
        let mut periodogram = idle.unwrap_or_else(|| Periodogram::new(size));
        let (width, height) = (section.width, section.height);
        let grid = self.focus.as_ref().ok().map(|plan| &plan.optics.grid);
        let mut collector = grid.map(|grid| Collector::new(grid, (width, height), tiles));
        let copy = |y: usize, x: usize, out: &mut [f32]| section.copy_row(y, x, out);
        let power = periodogram.average_and_show((width, height), copy, clean, |row, column, transform| {
            if let Some(collector) = &mut collector {
                collector.add(row, column, transform);
            }
        });
        let norm = periodogram.window_square_sum();
        if let Ok(mut idle) = self.periodograms.lock() {
            idle.push(periodogram);
        }
        let power = power?;
        let maps = collector.map(|collector| collector.finish(0, norm)).unwrap_or_default();
        let counts = tally.mean - self.scale.offset;
        let portrait = spectrum_picture::shrink(&power);
        Some((Spectrum { means: polar.average(&power), patches: power.patches, counts }, maps, portrait))
    }

    /// Dark cells by the tile alone, as its tilt is not complete yet.
    fn dark_cells(&self, cells: &Cells) -> Option<Array2<bool>> {
        let alone = counts::assemble(&[(cells, 0.0, 0.0)], self.scale.offset);
        counts::dark_area(&alone).map(|(dark, _)| dark.mask)
    }

    fn complete(
        &self,
        tilt: &TiltGroup,
        mut read: Vec<Result<TileRead, crate::intake::IntakeError>>,
        settled: Settled,
    ) -> TiltSeen {
        let focus = self.focus(tilt, &mut read);
        let portraits: Vec<_> = read.iter().flatten().filter_map(|tile| tile.portrait.as_ref()).collect();
        let spectrum_jpeg = spectrum_picture::encode(&portraits);
        let place = |row: usize| self.series.sections[row].place;
        let known: Vec<(&TileRead, f64, f64)> = read
            .iter()
            .zip(&tilt.rows)
            .filter_map(|(tile, &row)| tile.as_ref().ok().map(|tile| (tile, place(row).x_px, place(row).y_px)))
            .collect();
        let frame: Vec<(&Cells, f64, f64)> = known.iter().map(|(tile, x, y)| (&tile.cells, *x, *y)).collect();
        let found = counts::dark_area(&counts::assemble(&frame, self.scale.offset));
        let spectra: Vec<&Spectrum> = known.iter().filter_map(|(tile, _, _)| tile.spectrum.as_ref()).collect();
        let spectrum = Spectrum::average(&spectra);
        let tally = known.iter().map(|(tile, _, _)| tile.tally.clone()).reduce(|mut sum, tile| {
            sum.merge(&tile);
            sum
        });
        let saturated = saturated_share(&known);
        let robust_mean = found.as_ref().map(|(_, mean)| *mean);
        let nominal: Vec<[f64; 2]> = tilt.rows.iter().map(|&row| [place(row).x_px, place(row).y_px]).collect();
        let mut binned = Vec::new();
        let mut tiles = Vec::new();
        for (tile, found) in read.into_iter().zip(settled.assembled_px(&nominal)) {
            tiles.push(tile.map(|tile| {
                let seen = self.settle(&tile, robust_mean);
                binned.push((tile.binned, found));
                seen
            }));
        }
        // Nothing is followed through a frame without light: its noise could match a neighbour's by chance.
        let lit = robust_mean.is_some();
        let frame = self.series.assembled_px;
        let kept = (lit && !binned.is_empty()).then(|| Kept::assemble(&binned, frame, self.bin, self.further));
        let picture = picture::assemble(&binned, self.bin);
        let gradient = mean_gradient(tiles.iter().filter_map(|tile| tile.as_ref().ok()));
        TiltSeen {
            tiles,
            tally,
            saturated,
            dark: found.map(|(dark, _)| dark),
            gradient,
            spectrum,
            focus,
            spectrum_jpeg,
            picture,
            settled,
            kept,
        }
    }

    /// The focus of a tilt; takes the spectra of the regions out of its tiles.
    fn focus(&self, tilt: &TiltGroup, read: &mut [Result<TileRead, crate::intake::IntakeError>]) -> TiltFocus {
        let plan = match &self.focus {
            Ok(plan) => plan,
            Err(NotMeasured(why)) => return TiltFocus::none(why, read.len()),
        };
        let mut maps: Vec<RegionMap> = Vec::new();
        for (at, tile) in read.iter_mut().enumerate() {
            let taken = tile.as_mut().map(|tile| std::mem::take(&mut tile.maps)).unwrap_or_default();
            maps.extend(taken.into_iter().map(|map| RegionMap { tile: at, ..map }));
        }
        let middles: Vec<[f64; 2]> = tilt.rows.iter().map(|&row| focus::series::middle_px(self.series, row)).collect();
        let geometry = focus::gradient::Geometry { tilt_deg: tilt.tilt_deg, axis_deg: self.series.sheet.tilt.axis_deg };
        focus::measure(plan, &maps, &middles, &geometry)
    }

    /// A tile's dark area is measured against its tilt: a tile that lies wholly in the dark has no light of its own.
    fn settle(&self, tile: &TileRead, robust_mean: Option<f64>) -> TileSeen {
        let alone = counts::assemble(&[(&tile.cells, 0.0, 0.0)], self.scale.offset);
        let dark = robust_mean.map(|mean| crate::measure::dark_area::find(&alone, mean));
        let gradient = counts::gradient(&tile.cells, self.scale.offset, dark.as_ref().map(|dark| &dark.mask));
        TileSeen { tally: tile.tally.clone(), level: tile.level, gradient, dark, spectrum: tile.spectrum.clone() }
    }
}

fn clean_patch(cells: &Cells, dark: Option<&Array2<bool>>, row: usize, column: usize, size: usize) -> bool {
    let range = |from: usize| from / cells.cell_px..=(from + size - 1) / cells.cell_px;
    let (mut spoilt, mut in_the_dark) = (0u64, false);
    for r in range(row) {
        for c in range(column) {
            spoilt += u64::from(cells.saturated[(r, c)]) + u64::from(cells.nonfinite[(r, c)]);
            in_the_dark |= dark.is_some_and(|dark| dark[(r, c)]);
        }
    }
    !in_the_dark && spoilt as f64 <= SPOILT_SHARE * (size * size) as f64
}

fn saturated_share(tiles: &[(&TileRead, f64, f64)]) -> Option<f64> {
    let pixels: u64 = tiles.iter().map(|(tile, _, _)| tile.tally.n).sum();
    let saturated: Option<u64> =
        tiles.iter().map(|(tile, _, _)| tile.level.map(|level| tile.tally.at_or_above(level))).sum();
    (pixels > 0).then_some(())?;
    saturated.map(|saturated| saturated as f64 / pixels as f64)
}

fn mean_gradient<'a>(tiles: impl Iterator<Item = &'a TileSeen>) -> Option<Gradient> {
    let gradients: Vec<Gradient> = tiles.filter_map(|tile| tile.gradient).collect();
    let n = gradients.len() as f64;
    let sum = gradients.into_iter().reduce(|a, b| Gradient { x: a.x + b.x, y: a.y + b.y })?;
    Some(Gradient { x: sum.x / n, y: sum.y / n })
}

fn scale(series: &Series) -> Scale {
    Scale { offset: series.offset_counts(), full_scale: series.full_scale_counts, target: series.targets().mean_counts }
}

/// From what was seen to the record and its evidence.
fn finish(
    series: &Series,
    profile: &Profile,
    mut observed: Vec<TiltSeen>,
    inputs: Vec<crate::record::Input>,
) -> (Record, Evidence) {
    let places = segments::places(series);
    let spectra: Vec<Option<Spectrum>> = observed.iter().map(|tilt| tilt.spectrum.clone()).collect();
    let gain = series.sheet.camera.counts_per_electron;
    let motions = Motions::new();
    let sharp = sharpness::measure(&spectra, &places, gain, &motions);
    let tile_sharp = tile_sharpness(series, &observed, gain, &motions);
    let dose = dose::measure(series, profile.curve());
    let pictures: Vec<Option<Kept>> = observed.iter_mut().map(|tilt| tilt.kept.take()).collect();
    let pixel_px = (picture::binning(series.assembled_px)
        * tracking::kept::further_binning(series.assembled_px, picture::binning(series.assembled_px)))
        as f64;
    let tracked = tracking::follow(series, &pictures, &places, pixel_px);
    let followed = tracking::figures::of_tilts(series, &tracked, &frames(series, &observed));
    let (over_run, scatter) = counts::over_run(&places, &comparable_counts(series, &observed));
    let mut tilts: Vec<Tilt> = (0..observed.len())
        .map(|at| {
            let mut tilt = tilt(series, at, &observed[at], &sharp, &tile_sharp[at], &dose);
            tilt.counts.mean_over_run = over_run[at];
            tilt.tracking = Some(followed[at].clone());
            tilt
        })
        .collect();
    let mut measures = measures(series, &observed, &tilts, dose.series.clone(), scatter);
    measures.focus = focus::series::measure(series, &places, &tilts);
    measures.geometry = Some(tracking::figures::geometry(series, &tracked));
    let tilt_seams = tilt_seams(series, &observed);
    let told = seams::causes::tell(&tilt_seams, series.pixel_nm);
    measures.seams = seams::figures::of_series(&tilt_seams, &told, series.pixel_nm);
    for (tilt, drift) in tilts.iter_mut().zip(&told.drift_px_per_s) {
        let speed = drift.zip(series.pixel_nm).map(|([x, y], nm)| x.hypot(y) * nm);
        if let Some(tracking) = &mut tilt.tracking {
            tracking.drift_nm_per_s = speed;
        }
    }
    let facts = facts(series);
    let (checks, verdict) = judge::judge(&facts, &mut tilts, &measures, profile);
    let record = Record {
        record_version: RECORD_VERSION,
        tool: Tool { name: env!("CARGO_PKG_NAME").into(), version: env!("CARGO_PKG_VERSION").into() },
        assessed_at: jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
        series: facts,
        inputs,
        columns: columns(series),
        notes: notes(series, &dose.series),
        profile: ProfileUsed { name: profile.name.clone(), sha256: profile.sha256.clone() },
        tilts,
        measures,
        checks,
        verdict,
    };
    let points = tracking::figures::points(series, &tracked).unwrap_or_default();
    let evidence = evidence(series, observed, &sharp, dose, &points);
    (record, evidence)
}

/// The seams of all tilts with their clocks.
fn tilt_seams<'a>(series: &Series, observed: &'a [TiltSeen]) -> Vec<seams::causes::TiltSeams<'a>> {
    let seconds = |row: usize| series.sections[row].row.acquired_at.map(|time| time.as_millisecond() as f64 / 1e3);
    let tilt = |(group, seen): (&TiltGroup, &'a TiltSeen)| seams::causes::TiltSeams {
        tilt_deg: group.tilt_deg,
        order: group.order,
        settled: &seen.settled,
        tiles: group.rows.iter().map(|&row| place_of(series, row)).collect(),
        seconds: group.rows.iter().map(|&row| seconds(row)).collect(),
    };
    series.tilts.iter().zip(observed).map(tilt).collect()
}

/// What tracking must know of the tilts.
fn frames<'a>(series: &Series, observed: &'a [TiltSeen]) -> Vec<TiltFrame<'a>> {
    let cell_px = cells::cell_px(series.size_px.0, series.size_px.1);
    let frame = |tilt: &'a TiltSeen| TiltFrame {
        settled: &tilt.settled,
        readable: tilt.tiles.iter().map(Result::is_ok).collect(),
        dark: tilt.dark.as_ref().map(|dark| (&dark.mask, cell_px)),
    };
    observed.iter().map(frame).collect()
}

fn columns(series: &Series) -> Vec<ColumnSource> {
    series.columns.clone()
}

fn notes(series: &Series, dose: &DoseMeasure) -> Vec<String> {
    let mut notes = series.notes.clone();
    if !series.order_source.is_known() {
        notes.push("the order of acquisition is not stated: the rows are taken to stand in it".into());
    }
    if dose.total_e_per_A2.is_some() && dose.pre_exposure_e_per_A2.is_none() {
        notes.push("the pre-exposure is not stated: the dose received before counts from the first tilt".into());
    }
    if dose.total_is_lower_bound {
        let missing = if series.pixel_nm.is_none() { "pixel size" } else { "beam diameter (dose.beam_diameter_um)" };
        notes.push(format!("the {missing} is not stated: the dose of the montage leaves out overlapping beams"));
    }
    if series.sheet.camera.full_scale_counts.is_none()
        && let Some(full) = series.full_scale_counts
    {
        notes.push(format!("full scale is not stated: {full}, the largest value of the pixel type, is taken"));
    }
    notes
}

/// Mean counts less the offset; per stated exposure where that is known before the specimen.
fn comparable_counts(series: &Series, observed: &[TiltSeen]) -> Vec<Option<f64>> {
    let exposure = exposures(series);
    observed
        .iter()
        .enumerate()
        .map(|(at, seen)| {
            let mean = seen.tally.as_ref().filter(|tally| tally.n > 0).map(|tally| tally.mean - series.offset_counts());
            mean.map(|mean| mean / exposure.as_ref().map_or(1.0, |exposure| exposure[at]))
        })
        .collect()
}

/// Dose of each tilt, else its exposure time, where one of them is stated for every section and above zero.
fn exposures(series: &Series) -> Option<Vec<f64>> {
    let read = |cell: fn(&crate::intake::rows::Row) -> Option<f64>| -> Option<Vec<f64>> {
        let tilt = |tilt: &TiltGroup| {
            let cells: Option<Vec<f64>> = tilt.rows.iter().map(|&row| cell(&series.sections[row].row)).collect();
            cells.map(|cells| cells.iter().sum::<f64>() / cells.len() as f64).filter(|&mean| mean > 0.0)
        };
        series.tilts.iter().map(tilt).collect()
    };
    // A dose read behind the specimen follows the counts, and would hide what befell them.
    let dose = if series.dose().basis == Some(DoseBasis::AtCamera) { None } else { read(|row| row.dose) };
    dose.or_else(|| read(|row| row.exposure_s))
}

/// Sharpness of each tile against the same tile at the neighbouring angles, by tilt, by tile.
fn tile_sharpness(
    series: &Series,
    observed: &[TiltSeen],
    gain: Option<f64>,
    motions: &Motions,
) -> Vec<Vec<TiltSharpness>> {
    let places = segments::places(series);
    let (cols, rows) = series.grid;
    let grid: Vec<(usize, usize)> = (0..rows).flat_map(|row| (0..cols).map(move |col| (col, row))).collect();
    let measured: Vec<(Vec<Option<usize>>, Vec<TiltSharpness>)> = grid
        .par_iter()
        .map(|&tile| {
            let at = |tilt: &TiltGroup| tilt.rows.iter().position(|&row| place_of(series, row) == tile);
            let slots: Vec<Option<usize>> = series.tilts.iter().map(at).collect();
            let seen = slots.iter().zip(observed);
            let spectrum =
                |(slot, seen): (&Option<usize>, &TiltSeen)| seen.tiles[(*slot)?].as_ref().ok()?.spectrum.clone();
            let spectra: Vec<Option<Spectrum>> = seen.map(spectrum).collect();
            (slots, sharpness::measure(&spectra, &places, gain, motions).tilts)
        })
        .collect();
    let mut by_tilt: Vec<Vec<TiltSharpness>> =
        series.tilts.iter().map(|tilt| vec![TiltSharpness::default(); tilt.rows.len()]).collect();
    for (slots, sharps) in measured {
        for ((slot, tilt), sharp) in slots.into_iter().zip(&mut by_tilt).zip(sharps) {
            if let Some(slot) = slot {
                tilt[slot] = sharp;
            }
        }
    }
    by_tilt
}

fn place_of(series: &Series, row: usize) -> (usize, usize) {
    let place = series.sections[row].place;
    (place.col, place.row)
}

fn tilt(
    series: &Series,
    at: usize,
    seen: &TiltSeen,
    sharp: &SeriesSharpness,
    tile_sharp: &[TiltSharpness],
    dose: &Dose,
) -> Tilt {
    let group = &series.tilts[at];
    let scale = scale(series);
    let mut whole = seen.tally.as_ref().map(|tally| counts::figures(tally, None, &scale)).unwrap_or_default();
    whole.saturated_fraction = seen.saturated;
    shadow(&mut whole, seen.dark.as_ref());
    whole.gradient_fraction = seen.gradient.map(|gradient| gradient.fraction());
    Tilt {
        tilt_deg: (group.tilt_deg * 1e6).round() / 1e6,
        order: group.order,
        acquired_at: series.acquired_at(group).map(|time| time.to_string()),
        sections: group.rows.iter().map(|&row| series.sections[row].page).collect(),
        counts: whole,
        focus: Some(focus::series::of_tilt(&seen.focus)),
        sharpness: sharp_record(series, &sharp.tilts[at], sharp.why_not.as_deref(), seen.spectrum.is_some()),
        tracking: None,
        dose: dose.tilts[at].clone(),
        tiles: seen
            .tiles
            .iter()
            .zip(&group.rows)
            .zip(tile_sharp)
            .zip(&seen.settled.places_px)
            .enumerate()
            .map(|(at, (((t, &row), s), place))| Tile {
                focus: Some(focus::series::of_tile(&seen.focus, at)),
                ..tile(series, row, t, s, *place)
            })
            .collect(),
        seams: (series.grid != (1, 1))
            .then(|| seams::figures::of_tilt(&seen.settled, |slot| place_of(series, group.rows[slot]))),
        grade: Grade::NotMeasured,
        flags: Vec::new(),
        not_judged: Vec::new(),
        exclude: false,
    }
}

fn shadow(counts: &mut crate::record::Counts, dark: Option<&DarkArea>) {
    counts.dark_area_fraction = dark.map(|dark| dark.fraction);
    counts.dark_area_shape = dark.and_then(|dark| dark.shape).map(|shape| shape.words().into());
}

fn tile(
    series: &Series,
    row: usize,
    seen: &Result<TileSeen, crate::intake::IntakeError>,
    sharp: &TiltSharpness,
    place_px: Option<[f64; 2]>,
) -> Tile {
    let facts = &series.sections[row];
    let figures = seen.as_ref().ok().map(|seen| {
        let mut figures = counts::figures(&seen.tally, seen.level, &scale(series));
        shadow(&mut figures, seen.dark.as_ref());
        figures.gradient_fraction = seen.gradient.map(|gradient| gradient.fraction());
        figures
    });
    let has_spectrum = seen.as_ref().is_ok_and(|seen| seen.spectrum.is_some());
    Tile {
        section: facts.page,
        col: facts.place.col,
        row: facts.place.row,
        place_x_px: place_px.filter(|_| series.grid != (1, 1)).map(|place| place[0]),
        place_y_px: place_px.filter(|_| series.grid != (1, 1)).map(|place| place[1]),
        nominal_x_px: facts.place.x_px,
        nominal_y_px: facts.place.y_px,
        counts: figures.unwrap_or_default(),
        focus: None,
        sharpness: sharp_record(series, sharp, None, has_spectrum),
        unreadable: seen.as_ref().err().map(ToString::to_string),
    }
}

fn sharp_record(series: &Series, sharp: &TiltSharpness, why_not: Option<&str>, has_spectrum: bool) -> Sharpness {
    let why = if has_spectrum { why_not } else { Some("every patch is dark, saturated or too small") };
    Sharpness {
        value: sharp.value,
        relative: sharp.relative,
        blur_direction_deg: sharp.direction_deg,
        directional_loss: sharp.directional_loss,
        signal_to_nm: series.pixel_nm.zip(sharp.signal_to).map(|(pixel_nm, frequency)| pixel_nm / frequency),
        why_not: why.filter(|_| sharp.relative.is_none()).map(str::to_owned),
    }
}

fn measures(
    series: &Series,
    observed: &[TiltSeen],
    tilts: &[Tilt],
    dose: DoseMeasure,
    scatter: Option<f64>,
) -> Measures {
    let views: Vec<coverage::View> =
        tilts.iter().map(|tilt| coverage::View { tilt_deg: tilt.tilt_deg, order: tilt.order }).collect();
    let thickness_nm = series
        .sheet
        .specimen_facts
        .thickness_nm
        .ok_or_else(|| NotMeasured::because("the thickness is not stated (specimen_facts.thickness_nm)"));
    let gradients: Vec<Option<Gradient>> = observed.iter().map(|tilt| tilt.gradient).collect();
    let common = counts::common_gradient(&gradients);
    let (beam_reserve, beam_reserve_why_not) = parted(beam_reserve(series, tilts));
    let (dose_match, dose_match_why_not) = parted(dose_match(series, tilts));
    Measures {
        counts: CountsMeasure {
            run_scatter_fraction: scatter,
            common_gradient_fraction: common.map(|gradient| gradient.fraction()),
            common_gradient_deg: common.map(|g| g.y.atan2(g.x).to_degrees().rem_euclid(360.0)),
            beam_reserve,
            beam_reserve_why_not,
            dose_match,
            dose_match_upper_side_only: series.dose().basis != Some(DoseBasis::AtCamera),
            dose_match_why_not,
        },
        coverage: coverage::measure(&views, series.order_source.word(), thickness_nm),
        dose,
        geometry: None,
        thickness: Some(thickness_record(series, observed)),
        seams: None,
        focus: crate::record::FocusMeasure::default(),
    }
}

fn thickness_record(series: &Series, observed: &[TiltSeen]) -> crate::record::Thickness {
    let (found, why_not) = parted(transmission(series, observed).and_then(|views| thickness::measure(&views)));
    crate::record::Thickness {
        measured: found.is_some(),
        why_not,
        attenuation_lengths: found.map(|found| found.attenuation_lengths),
        attenuation_lengths_error: found.map(|found| found.error),
        pretilt_deg: found.and_then(|found| found.pretilt_deg),
    }
}

/// Counts of each tilt over the electrons that it got; only where the beam before the specimen is known.
fn transmission(series: &Series, observed: &[TiltSeen]) -> Measured<Vec<thickness::View>> {
    if series.dose().basis == Some(DoseBasis::AtCamera) {
        return Err(NotMeasured::because("the dose was read behind the specimen, where it follows the counts"));
    }
    let mean = |tilt: &TiltGroup, cell: fn(&crate::intake::rows::Row) -> Option<f64>| -> Option<f64> {
        let cells: Option<Vec<f64>> = tilt.rows.iter().map(|&row| cell(&series.sections[row].row)).collect();
        cells.map(|cells| cells.iter().sum::<f64>() / cells.len() as f64).filter(|&mean| mean > 0.0)
    };
    let column = |cell| series.tilts.iter().map(|tilt| mean(tilt, cell)).collect::<Option<Vec<f64>>>();
    let doses = column(|row| row.dose);
    let alike = |doses: &Vec<f64>| doses.iter().all(|dose| (dose / doses[0] - 1.0).abs() < 1e-3);
    let beam = match doses {
        Some(doses) if series.beam_is_fixed() || !alike(&doses) => doses,
        _ if series.beam_is_fixed() => column(|row| row.exposure_s).unwrap_or_else(|| vec![1.0; series.tilts.len()]),
        Some(_) => return Err(NotMeasured::because("one dose is stated for all tilts, and the beam not to be fixed")),
        None => return Err(NotMeasured::because("neither the dose of each tilt is stated nor a fixed beam")),
    };
    let views = observed.iter().zip(&series.tilts).zip(beam).filter_map(|((seen, tilt), beam)| {
        let counts = seen.tally.as_ref().filter(|tally| tally.n > 0)?.mean - series.offset_counts();
        Some(thickness::View { tilt_deg: tilt.tilt_deg, transmission: counts / beam })
    });
    Ok(views.collect())
}

/// Counts with the set-up beam at zero tilt over the target.
fn beam_reserve(series: &Series, tilts: &[Tilt]) -> Measured<f64> {
    let targets = series.targets();
    let target =
        targets.mean_counts.ok_or_else(|| NotMeasured::because("no target is stated (targets.mean_counts)"))?;
    let offset = series.offset_counts();
    if let Some(setup) = targets.setup_mean_counts {
        return Ok((setup - offset) / (target - offset));
    }
    if !series.beam_is_fixed() {
        let beam =
            if series.dose().beam == Some(Beam::Regulated) { "was regulated" } else { "is not stated to be fixed" };
        let why =
            format!("the beam {beam}, and no picture from before the series is stated (targets.setup_mean_counts)");
        return Err(NotMeasured::because(why));
    }
    let zero = tilts.iter().min_by(|a, b| a.tilt_deg.abs().total_cmp(&b.tilt_deg.abs()));
    let mean = zero.and_then(|tilt| tilt.counts.mean);
    mean.map(|mean| (mean - offset) / (target - offset))
        .ok_or_else(|| NotMeasured::because("the zero tilt has no counts"))
}

/// Electrons counted over electrons stated, median over the tilts.
fn dose_match(series: &Series, tilts: &[Tilt]) -> Measured<f64> {
    let missing = |what: &str| NotMeasured::because(format!("{what} is not stated"));
    let gain = series.sheet.camera.counts_per_electron.ok_or_else(|| missing("counts_per_electron"))?;
    let pixel_nm = series.pixel_nm.ok_or_else(|| missing("the pixel size"))?;
    let pixel_area = (10.0 * pixel_nm).powi(2);
    let ratio = |tilt: &Tilt| {
        let stated = tilt.dose.this_e_per_A2.filter(|&dose| dose > 0.0)?;
        Some((tilt.counts.mean? - series.offset_counts()) / gain / (stated * pixel_area))
    };
    let mut ratios: Vec<f64> = tilts.iter().filter_map(ratio).collect();
    ratios.sort_by(f64::total_cmp);
    ratios.get(ratios.len() / 2).copied().ok_or_else(|| missing("the dose"))
}

fn facts(series: &Series) -> SeriesFacts {
    let sheet = &series.sheet;
    let started = series.tilts.iter().filter_map(|tilt| series.acquired_at(tilt)).min();
    SeriesFacts {
        series_id: series.series_id.clone(),
        title: sheet.title.clone(),
        session: sheet.session.clone(),
        specimen: series.specimen,
        started_at: started.map(|time| time.to_string()),
        instrument: sheet.instrument.name.clone(),
        kv: sheet.instrument.kv,
        pixel_nm: series.pixel_nm,
        width_px: series.size_px.0,
        height_px: series.size_px.1,
        sections: series.sections.len(),
        tilts: series.tilts.len(),
        montage_cols: series.grid.0,
        montage_rows: series.grid.1,
        axis_deg: sheet.tilt.axis_deg,
        repeats_deg: sheet.tilt.repeats_deg.clone(),
        axis_name: sheet.axis_name.clone(),
        assembled_width_px: series.assembled_px.0,
        assembled_height_px: series.assembled_px.1,
        full_scale_counts: series.full_scale_counts,
        target_mean_counts: series.targets().mean_counts,
        target_resolution_nm: series.targets().resolution_nm,
        target_area_px: series.targets().area_px,
    }
}

fn evidence(
    series: &Series,
    observed: Vec<TiltSeen>,
    sharp: &SeriesSharpness,
    dose: Dose,
    points: &[Option<crate::measure::geometry::Point>],
) -> Evidence {
    let bin = picture::binning(series.assembled_px) as f64;
    let (mut pictures, mut tilts) = (Vec::new(), Vec::new());
    for (at, (seen, weights)) in observed.into_iter().zip(dose.weights).enumerate() {
        let name = format!("pictures/{at:03}.jpg");
        let drawn = seen.picture;
        let (tile_places_px, seam_patches_px) = tracking::figures::drawn(series, at, &seen.settled);
        let point = points.get(at).copied().flatten();
        tilts.push(TiltCurves {
            picture: name.clone(),
            picture_px: drawn.as_ref().map_or([0, 0], |picture| picture.size_px),
            picture_scale: bin,
            picture_counts: drawn.as_ref().map_or([0.0, 0.0], |picture| picture.counts),
            power: seen
                .spectrum
                .map(|spectrum| spectrum.means.rings.iter().map(|power| power.map(|p| p as f32)).collect())
                .unwrap_or_default(),
            noise: sharp.tilts[at].noise,
            azimuth_relative: sharp.tilts[at].azimuth_relative.iter().map(|a| a.map(|a| a as f32)).collect(),
            sharpness_run: sharp.tilts[at].run,
            weights,
            spectrum_jpeg: seen.spectrum_jpeg.map(|jpeg| STANDARD.encode(jpeg)),
            rings: focus::series::curves(&seen.focus),
            picture_origin_px: drawn.as_ref().map_or([0.0; 2], |picture| picture.origin_px),
            tile_places_px,
            seam_patches_px,
            across_um: point.map(|point| point.across_um),
            piece: point.map_or(0, |point| point.piece),
        });
        pictures.push(Picture { name, jpeg: drawn.map(|picture| picture.jpeg).unwrap_or_default() });
    }
    let curves = Curves {
        evidence_version: EVIDENCE_VERSION,
        frequency_cycles_per_px: sharpness::ring_frequencies().iter().map(|&f| f as f32).collect(),
        tilts,
        weight_resolution_nm: WEIGHT_RESOLUTIONS_NM.to_vec(),
    };
    Evidence { curves, pictures }
}
