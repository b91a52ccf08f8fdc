//! The pass over the sections: what is measured while a tilt is in memory, and what is kept of it.

use super::ahead::Ahead;
use super::tilts::place_of;
use crate::intake::Series;
use crate::intake::stack::Section;
use crate::intake::tilts::TiltGroup;
use crate::measure::cells::{self, Cells, Spoilt};
use crate::measure::counts::{self, Gradient, Scale};
use crate::measure::dark_area::DarkArea;
use crate::measure::focus::{self, TiltFocus, maps::Collector, maps::RegionMap};
use crate::measure::hot_pixels::HotPixels;
use crate::measure::seams::{self, settle::Settled};
use crate::measure::sharpness::{self, BAND_EDGES, SECTORS, Spectrum};
use crate::measure::tally::Tally;
use crate::measure::tracking::{self, kept::Kept, lit::Dark};
use crate::measure::{picture, spectrum_picture};
use crate::measured::{Measured, NotMeasured};
use crate::numerics::periodogram::{self, Periodogram};
use crate::numerics::rotational::PolarMap;
use ndarray::Array2;
use rayon::prelude::*;
use std::sync::Mutex;

/// What is kept of a tile.
pub(super) struct TileSeen {
    pub(super) tally: Tally,
    pub(super) level: Option<f64>,
    pub(super) gradient: Option<Gradient>,
    pub(super) dark: Option<DarkArea>,
    pub(super) spectrum: Option<Spectrum>,
}

/// What is kept of a tilt.
pub(super) struct TiltSeen {
    pub(super) tiles: Vec<Result<TileSeen, crate::intake::IntakeError>>,
    pub(super) tally: Option<Tally>,
    pub(super) saturated: Option<f64>,
    pub(super) dark: Option<DarkArea>,
    pub(super) gradient: Option<Gradient>,
    pub(super) spectrum: Option<Spectrum>,
    pub(super) focus: TiltFocus,
    pub(super) spectrum_jpeg: Option<Vec<u8>>,
    pub(super) picture: Option<picture::TiltPicture>,
    pub(super) settled: Settled,
    pub(super) kept: Option<Kept>,
}

/// A tile between its own reading and the completion of its tilt.
pub(super) struct TileRead {
    pub(super) tally: Tally,
    pub(super) level: Option<f64>,
    pub(super) cells: Cells,
    pub(super) spectrum: Option<Spectrum>,
    /// Spectra of its regions, where focus can be measured; their tile is not set yet.
    pub(super) maps: Vec<RegionMap>,
    pub(super) portrait: Option<spectrum_picture::Small>,
    pub(super) binned: Array2<f32>,
}

/// Saturated or unreadable pixels of a patch beyond this share spoil its spectrum; fewer are hot pixels.
pub(super) const SPOILT_SHARE: f64 = 1e-4;

/// Dark cells of a patch beyond this share (a tenth of the side, squared) throw an edge across its spectrum; fewer are
/// as likely a dense granule at the border, which is specimen.
const DARK_SHARE: f64 = 0.01;

/// The pass over the sections.
pub(super) struct Pass<'a> {
    pub(super) series: &'a Series,
    pub(super) scale: Scale,
    pub(super) cell_px: usize,
    pub(super) bin: usize,
    /// Bins that are averaged into a pixel of the picture that tracking keeps.
    pub(super) further: usize,
    pub(super) patch: Option<usize>,
    pub(super) polar: Option<PolarMap>,
    /// What the focus of every tilt is measured with, or why it is not.
    pub(super) focus: Measured<focus::Plan>,
    pub(super) ahead: Ahead,
    /// Idle workers' plans and buffers.
    pub(super) periodograms: Mutex<Vec<Periodogram>>,
}

impl<'a> Pass<'a> {
    pub(super) fn new(series: &'a Series) -> Self {
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
            ahead: Ahead::new(
                series.tilts.iter().flat_map(|tilt| &tilt.rows).map(|&row| series.sections[row].page).collect(),
            ),
            periodograms: Mutex::new(Vec::new()),
        }
    }

    pub(super) fn run(&self, progress: &(dyn Fn() + Sync), go_on: &(dyn Fn() -> bool + Sync)) -> Option<Vec<TiltSeen>> {
        std::thread::scope(|scope| {
            let stack = self.series.stack.as_ref();
            scope.spawn(|| self.ahead.run(stack, &|| go_on() && !self.ahead.is_over()));
            let _asking = self.ahead.asking();
            // One after another, and not in halves, so that what comes next is known.
            let tilts = self.series.tilts.iter().enumerate().par_bridge();
            let seen: Option<Vec<_>> = tilts.map(|(at, tilt)| Some((at, self.tilt(tilt, progress, go_on)?))).collect();
            let mut seen = seen?;
            seen.sort_by_key(|(at, _)| *at);
            Some(seen.into_iter().map(|(_, tilt)| tilt).collect())
        })
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
                self.ahead.taken();
                progress();
                tile
            })
        };
        let read: Option<Vec<_>> = tilt.rows.par_iter().enumerate().with_max_len(1).map(read).collect();
        let read = read?;
        let first = first_tile(self.series, tilt);
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
        let hot = HotPixels::of(tally);
        let copy = |y: usize, x: usize, out: &mut [f32]| {
            section.copy_row(y, x, out);
            hot.iter().for_each(|hot| hot.take_out(out));
        };
        let power = match &mut collector {
            Some(collector) => periodogram.average_and_show((width, height), copy, clean, |row, column, power| {
                collector.add(row, column, power);
            }),
            None => periodogram.average((width, height), copy, clean),
        };
        if let Ok(mut idle) = self.periodograms.lock() {
            idle.push(periodogram);
        }
        let power = power?;
        let maps = collector.map(|collector| collector.finish(0)).unwrap_or_default();
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
        let dark = found.as_ref().map(|(dark, _)| Dark { mask: &dark.mask, cell_px: self.cell_px });
        let (mut binned, mut lit_tiles) = (Vec::new(), Vec::new());
        let mut tiles = Vec::new();
        for ((tile, nominal), found) in read.into_iter().zip(&nominal).zip(settled.assembled_px(&nominal)) {
            tiles.push(tile.map(|tile| {
                let seen = self.settle(&tile, robust_mean);
                let left_out = dark.as_ref().and_then(|dark| dark.left_out(&tile.binned, *nominal, self.bin));
                lit_tiles.extend(left_out.map(|tile| (tile, found)));
                binned.push((tile.binned, found));
                seen
            }));
        }
        // Nothing is followed through a frame without light: its noise could match a neighbour's by chance.
        let lit = robust_mean.is_some();
        let frame = self.series.assembled_px;
        let followed = if lit_tiles.is_empty() { &binned } else { &lit_tiles };
        let kept = (lit && !binned.is_empty()).then(|| Kept::assemble(followed, frame, self.bin, self.further));
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

/// The tile against which the others are placed, with its nominal place against column 0, row 0: that tile itself where
/// the tilt has it, else the first there is.
fn first_tile(series: &Series, tilt: &TiltGroup) -> Option<(usize, [f64; 2])> {
    let place = |row: usize| series.sections[row].place;
    let slot_of = |tilt: &TiltGroup| tilt.rows.iter().position(|&row| place_of(series, row) == (0, 0));
    if let Some(slot) = slot_of(tilt) {
        return Some((slot, [0.0; 2]));
    }
    let corner = series.tilts.iter().find_map(|other| slot_of(other).map(|slot| place(other.rows[slot])));
    let [x0, y0] = corner.map_or([0.0; 2], |corner| [corner.x_px, corner.y_px]);
    let slot = (0..tilt.rows.len()).min_by_key(|&slot| {
        let (col, row) = place_of(series, tilt.rows[slot]);
        (row, col)
    })?;
    let first = place(tilt.rows[slot]);
    Some((slot, [first.x_px - x0, first.y_px - y0]))
}

pub(super) fn clean_patch(cells: &Cells, dark: Option<&Array2<bool>>, row: usize, column: usize, size: usize) -> bool {
    let range = |from: usize| from / cells.cell_px..=(from + size - 1) / cells.cell_px;
    let (mut spoilt, mut dark_cells, mut all_cells) = (0u64, 0u64, 0u64);
    for r in range(row) {
        for c in range(column) {
            spoilt += u64::from(cells.saturated[(r, c)]) + u64::from(cells.nonfinite[(r, c)]);
            dark_cells += u64::from(dark.is_some_and(|dark| dark[(r, c)]));
            all_cells += 1;
        }
    }
    dark_cells as f64 <= DARK_SHARE * all_cells as f64 && spoilt as f64 <= SPOILT_SHARE * (size * size) as f64
}

pub(super) fn saturated_share(tiles: &[(&TileRead, f64, f64)]) -> Option<f64> {
    let pixels: u64 = tiles.iter().map(|(tile, _, _)| tile.tally.n).sum();
    let saturated: Option<u64> =
        tiles.iter().map(|(tile, _, _)| tile.level.map(|level| tile.tally.at_or_above(level))).sum();
    (pixels > 0).then_some(())?;
    saturated.map(|saturated| saturated as f64 / pixels as f64)
}

pub(super) fn mean_gradient<'a>(tiles: impl Iterator<Item = &'a TileSeen>) -> Option<Gradient> {
    let gradients: Vec<Gradient> = tiles.filter_map(|tile| tile.gradient).collect();
    let n = gradients.len() as f64;
    let sum = gradients.into_iter().reduce(|a, b| Gradient { x: a.x + b.x, y: a.y + b.y })?;
    Some(Gradient { x: sum.x / n, y: sum.y / n })
}

pub(super) fn scale(series: &Series) -> Scale {
    Scale { offset: series.offset_counts(), full_scale: series.full_scale_counts, target: series.targets().mean_counts }
}
