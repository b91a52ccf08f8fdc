//! Sharpness: which tilts lost their fine detail, and whether they lost it along one direction.
//!
//! `value` is the amplitude ratio √(S_fine / S_middle) of the power in a fine and a middle band of frequencies,
//! counting noise taken off (S = P - N, see [`crate::measure::noise`]). The fine band is the highest octave in
//! which the series as a whole shows signal; the middle band lies two octaves below it.
//!
//! `relative` holds a tilt up to its neighbours in angle: the change of ln S_fine off its smooth run, less as much
//! of the change of ln S_middle as goes along with it in this series, as an amplitude ratio (1: as expected).
//!
//! A motion by L along azimuth f during the exposure multiplies the power at (g, φ) by sinc²(g L cos(φ - f)). That
//! pattern is fitted to the power in bands × sectors over the series' own run in each; every band has a free
//! level, so that only the direction speaks. `directional_loss` is the amplitude that the fitted motion takes at
//! half of the Nyquist frequency, 1 - |sinc(L / 4 px)|, and all from L = 4 px on.

use crate::measure::detail::{self, Reach};
use crate::measure::noise::{Noise, Rings};
use crate::measure::opposite;
use crate::numerics::median::{MAD_TO_SD, upper_median};
use crate::numerics::rotational::PolarMeans;
use crate::numerics::smooth_run::{self, Place};
use rayon::prelude::*;
use std::f64::consts::PI;

/// Rings of the rotational average, each 1/256 cycle a pixel wide.
pub const RINGS: usize = 128;
/// Edges of the bands, in cycles a pixel.
pub const BAND_EDGES: [f64; 11] = [0.012, 0.02, 0.03, 0.045, 0.065, 0.09, 0.125, 0.175, 0.25, 0.35, 0.48];
/// Bands.
const BANDS: usize = BAND_EDGES.len() - 1;
/// Sectors of azimuth.
pub const SECTORS: usize = 12;
/// Equivalent noise bandwidth of a Hann window in two dimensions: neighbouring frequencies are not independent.
const HANN_BANDWIDTH: f64 = 2.25;

/// A band carries signal if the series' median signal is this share of the noise …
const LEAST_SIGNAL: f64 = 0.05;
/// … and this many standard deviations of it.
const SIGNAL_AFTER_SDS: f64 = 4.0;
/// Scatter of ln amplitude from tilt to tilt beyond which a halved amplitude would not stand out.
const LARGEST_SCATTER: f64 = 0.12;
/// A change of ln amplitude under this is never taken for a blur when the run is drawn.
const LEAST_CHANGE: f64 = 0.08;
/// A tilt that keeps less than this of its fine detail has plainly lost some, and draws no run that a motion is sought against.
const DULL: f64 = 0.75;
/// A motion only takes power away: what it leaves may stand at most this much above the series' run.
const MOST_LEVEL: f64 = 1.25;
/// The level of the noise under a band is known to this share of it.
const NOISE_UNSURE: f64 = 0.05;
/// What views differ by is told by tilts where more than this of the typical power is expected …
const LEAST_EXPECTED: f64 = 0.2;
/// … and is never taken for less than this share.
const LEAST_SHARE: f64 = 0.02;
/// Improvement of χ² by which a motion is significant, over the 36 × 24 motions that are tried.
const SIGNIFICANT: f64 = 30.0;
/// … of a tilt that is known to have lost fine detail: asked is only whether along one direction.
const SIGNIFICANT_OF_DULL: f64 = 20.0;

/// Edges of the rings, in cycles a pixel.
pub fn ring_edges() -> Vec<f64> {
    (0..=RINGS).map(|ring| ring as f64 / (2 * RINGS) as f64).collect()
}

/// Middles of the rings, in cycles a pixel.
pub fn ring_frequencies() -> Vec<f64> {
    (0..RINGS).map(|ring| (ring as f64 + 0.5) / (2 * RINGS) as f64).collect()
}

/// The spectrum of one tilt (or of one tile at one tilt).
#[derive(Debug, Clone, PartialEq)]
pub struct Spectrum {
    /// Means over rings and cells.
    pub means: PolarMeans,
    /// Patches that were averaged.
    pub patches: usize,
    /// Mean counts less the camera's offset.
    pub counts: f64,
}

impl Spectrum {
    /// Averages the spectra of a tilt's tiles by their patches; `None` without any.
    pub fn average(tiles: &[&Spectrum]) -> Option<Self> {
        let first = tiles.first()?;
        let patches: usize = tiles.iter().map(|tile| tile.patches).sum();
        let share = |tile: &Spectrum| tile.patches as f64 / patches as f64;
        let mean = |of: fn(&PolarMeans) -> &Vec<Option<f64>>, at: usize| -> Option<f64> {
            tiles.iter().map(|tile| of(&tile.means)[at].map(|power| power * share(tile))).sum()
        };
        let rings = (0..first.means.rings.len()).map(|ring| mean(|means| &means.rings, ring)).collect();
        let cells = (0..first.means.cells.len()).map(|cell| mean(|means| &means.cells, cell)).collect();
        let cell_frequencies = first.means.cell_frequencies.clone();
        let counts = tiles.iter().map(|tile| tile.counts * share(tile)).sum();
        Some(Self { means: PolarMeans { rings, cells, cell_frequencies }, patches, counts })
    }

    /// Independent values behind a cell's mean.
    fn degrees(&self, cell: usize) -> f64 {
        // Half of the frequencies mirror the other half.
        self.means.cell_frequencies[cell] * self.patches as f64 / (2.0 * HANN_BANDWIDTH)
    }
}

/// What sharpness found of one tilt.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct TiltSharpness {
    /// √(S_fine / S_middle).
    pub value: Option<f64>,
    /// `value` that the run predicts.
    pub run: Option<f64>,
    /// Amplitude of the fine band over what is expected.
    pub relative: Option<f64>,
    /// Direction of the motion, where one is significant.
    pub direction_deg: Option<f64>,
    /// Amplitude lost along it at half Nyquist; `None` where a motion of 3 px could not have been seen.
    pub directional_loss: Option<f64>,
    /// Frequency (cycles a pixel) at which signal and noise are equally strong.
    pub signal_to: Option<f64>,
    /// Level of the counting noise at zero frequency.
    pub noise: Option<f64>,
    /// Amplitude at each azimuth over the series' run, fine bands together.
    pub azimuth_relative: Vec<Option<f64>>,
}

/// Sharpness of a series, or why there is none.
#[derive(Debug, Clone, PartialEq)]
pub struct SeriesSharpness {
    /// One entry a tilt.
    pub tilts: Vec<TiltSharpness>,
    /// How far the signal of all tilts together reaches.
    pub reach: Option<Reach>,
    /// Why `relative` is missing throughout.
    pub why_not: Option<String>,
}

/// Measures the sharpness of tilts in ascending angle; `None` where a tilt has no clean patch.
pub fn measure(
    spectra: &[Option<Spectrum>],
    places: &[Place],
    counts_per_electron: Option<f64>,
    motions: &Motions,
) -> SeriesSharpness {
    let Some(signals) = Signals::of(spectra, counts_per_electron) else {
        return nothing(spectra.len(), "no tilt has a clean patch of at least 32 × 32 px");
    };
    let mut tilts: Vec<TiltSharpness> = (0..spectra.len()).map(|at| signals.anchors(spectra, at)).collect();
    let Some(bands) = Bands::of(&signals) else {
        let why = "the spectra show no signal above the counting noise";
        return SeriesSharpness { tilts, reach: signals.reach, why_not: Some(why.into()) };
    };
    let why_not = relative(&signals, &bands, places, &mut tilts).err();
    let dull: Vec<bool> = tilts.iter().map(|tilt| tilt.relative.is_some_and(|relative| relative < DULL)).collect();
    Directions::of(&signals, &bands, (places, &dull), motions).judge(&signals, &mut tilts);
    SeriesSharpness { tilts, reach: signals.reach, why_not }
}

fn nothing(tilts: usize, why: &str) -> SeriesSharpness {
    SeriesSharpness { tilts: vec![TiltSharpness::default(); tilts], reach: None, why_not: Some(why.into()) }
}

/// Signal power of every tilt, noise taken off, over the square of the counts (contrast does not depend on dose).
struct Signals {
    noise: Noise,
    /// How far that of all tilts together reaches.
    reach: Option<Reach>,
    /// By tilt, by band.
    bands: Vec<Option<Vec<Signal>>>,
    /// By tilt, by cell (band × sector).
    cells: Vec<Option<Vec<Signal>>>,
}

/// A signal power with its counting error.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Signal {
    power: f64,
    error: f64,
    over_noise: f64,
}

impl Signals {
    fn of(spectra: &[Option<Spectrum>], counts_per_electron: Option<f64>) -> Option<Self> {
        let known: Vec<&Spectrum> = spectra.iter().flatten().collect();
        // Pictures whose mean is not above zero carry no counts: their noise is taken for the same in all.
        let counted = known.iter().all(|spectrum| spectrum.counts > 0.0);
        let unit = |spectrum: &Spectrum| if counted { spectrum.counts } else { 1.0 };
        let rings: Vec<Rings<'_>> = known.iter().map(|s| Rings { power: &s.means.rings, counts: unit(s) }).collect();
        let noise = Noise::fit(&rings, &ring_frequencies(), counts_per_electron.filter(|_| counted))?;
        let cells: Vec<Option<Vec<Signal>>> = spectra
            .iter()
            .map(|spectrum| {
                spectrum.as_ref().map(|s| (0..BANDS * SECTORS).map(|cell| signal(s, cell, &noise, unit(s))).collect())
            })
            .collect();
        let bands = cells.iter().map(|cells| cells.as_ref().map(|cells| (0..BANDS).map(|b| band(cells, b)).collect()));
        let reach = detail::reach(&rings, &ring_frequencies(), &noise);
        Some(Self { noise, reach, bands: bands.collect(), cells })
    }

    /// What a tilt shows by itself.
    fn anchors(&self, spectra: &[Option<Spectrum>], at: usize) -> TiltSharpness {
        let Some(spectrum) = &spectra[at] else { return TiltSharpness::default() };
        let counts = if spectrum.counts > 0.0 { spectrum.counts } else { 1.0 };
        let strong = |(ring, f): &(usize, &f64)| {
            spectrum.means.rings[*ring].is_some_and(|power| power >= 2.0 * self.noise.at(**f, counts))
        };
        let frequencies = ring_frequencies();
        // Rings of contrast transfer dip below the noise on the way: the last strong ring counts.
        let last = frequencies.iter().enumerate().rev().find(strong).map(|(_, f)| *f);
        TiltSharpness { signal_to: last, noise: Some(self.noise.at(0.0, counts)), ..TiltSharpness::default() }
    }

    fn median_over_tilts(&self, band: usize, of: fn(&Signal) -> f64) -> f64 {
        upper_median(known(self.bands.iter().flatten().map(|bands| of(&bands[band])))).unwrap_or(0.0)
    }
}

fn signal(spectrum: &Spectrum, cell: usize, noise: &Noise, counts: f64) -> Signal {
    let band = cell / SECTORS;
    let power = spectrum.means.cells[cell];
    let degrees = spectrum.degrees(cell);
    let Some(power) = power.filter(|_| degrees >= 1.0) else {
        return Signal { power: 0.0, error: f64::INFINITY, over_noise: 0.0 };
    };
    let level = noise.at((BAND_EDGES[band] * BAND_EDGES[band + 1]).sqrt(), counts);
    let squared = counts * counts;
    Signal {
        power: (power - level) / squared,
        error: power / squared / degrees.sqrt(),
        over_noise: (power - level) / level,
    }
}

/// A band is the mean of its sectors.
fn band(cells: &[Signal], band: usize) -> Signal {
    let sectors: Vec<&Signal> =
        cells[band * SECTORS..(band + 1) * SECTORS].iter().filter(|cell| cell.error.is_finite()).collect();
    let n = sectors.len() as f64;
    if sectors.is_empty() {
        return Signal { power: 0.0, error: f64::INFINITY, over_noise: 0.0 };
    }
    Signal {
        power: sectors.iter().map(|s| s.power).sum::<f64>() / n,
        error: sectors.iter().map(|s| s.error.powi(2)).sum::<f64>().sqrt() / n,
        over_noise: sectors.iter().map(|s| s.over_noise).sum::<f64>() / n,
    }
}

/// Which bands are fine and which are middle, for the whole series.
struct Bands {
    fine: Vec<usize>,
    middle: Vec<usize>,
    /// Bands with enough signal for a direction.
    directed: Vec<usize>,
}

impl Bands {
    fn of(signals: &Signals) -> Option<Self> {
        let carries = |band: usize| {
            let power = signals.median_over_tilts(band, |s| s.power);
            let error = signals.median_over_tilts(band, |s| s.error);
            signals.median_over_tilts(band, |s| s.over_noise) >= LEAST_SIGNAL && power > SIGNAL_AFTER_SDS * error
        };
        let directed: Vec<usize> = (0..BANDS).filter(|&band| carries(band)).collect();
        let top = BAND_EDGES[*directed.last()? + 1];
        let within = |low: f64, high: f64| {
            let inside = |&band: &usize| BAND_EDGES[band] >= 0.95 * low && BAND_EDGES[band + 1] <= 1.05 * high;
            directed.iter().copied().filter(inside).collect::<Vec<usize>>()
        };
        let (fine, middle) = (within(top / 2.0, top), within(top / 8.0, top / 4.0));
        (!fine.is_empty() && !middle.is_empty()).then_some(Self { fine, middle, directed })
    }
}

/// ln of the mean power of some bands, each over the series' median and weighted by its certainty; a power lost
/// in the noise counts as one standard deviation.
fn ln_power(signals: &Signals, bands: &[usize]) -> Vec<Option<f64>> {
    let typical: Vec<f64> = bands.iter().map(|&b| signals.median_over_tilts(b, |s| s.power)).collect();
    let one = |tilt: &Vec<Signal>| {
        let (mut sum, mut weights) = (0.0, 0.0);
        for (&band, typical) in bands.iter().zip(&typical) {
            // No band is trusted to better than a twentieth: structures differ from view to view.
            let variance = (tilt[band].error / typical).powi(2) + 0.05f64.powi(2);
            sum += tilt[band].power / typical / variance;
            weights += 1.0 / variance;
        }
        (sum / weights).max(weights.sqrt().recip()).ln()
    };
    signals.bands.iter().map(|tilt| tilt.as_ref().map(one)).collect()
}

/// Fills `value`, `run` and `relative`.
fn relative(signals: &Signals, bands: &Bands, places: &[Place], tilts: &mut [TiltSharpness]) -> Result<(), String> {
    let (fine, middle) = (ln_power(signals, &bands.fine), ln_power(signals, &bands.middle));
    let typical = |bands: &[usize]| {
        bands.iter().map(|&b| signals.median_over_tilts(b, |s| s.power)).sum::<f64>() / bands.len() as f64
    };
    let ratio = typical(&bands.fine) / typical(&bands.middle);
    for (tilt, (fine, middle)) in tilts.iter_mut().zip(fine.iter().zip(&middle)) {
        tilt.value = fine.zip(*middle).map(|(fine, middle)| (0.5 * (ratio.ln() + fine - middle)).exp());
    }
    let off = |values: &[Option<f64>]| smooth_run::draw(places, values, 2.0 * LEAST_CHANGE).deviation;
    let shared = slope(&off(&fine), &off(&middle));
    let amplitude: Vec<Option<f64>> =
        fine.iter().zip(&middle).map(|(fine, middle)| fine.zip(*middle).map(|(f, m)| 0.5 * (f - shared * m))).collect();
    let run = smooth_run::draw(places, &amplitude, LEAST_CHANGE);
    let Some(scatter) = run.scatter else { return Err("there are too few tilts for a run".into()) };
    if scatter > LARGEST_SCATTER {
        let percent = 100.0 * scatter;
        return Err(format!("the fine detail changes by {percent:.0} % from tilt to tilt by itself"));
    }
    let angles: Vec<f64> = places.iter().map(|place| place.x).collect();
    let below = opposite::below(&angles, &amplitude, LEAST_CHANGE);
    for (at, tilt) in tilts.iter_mut().enumerate() {
        let change = match (run.deviation[at], below[at]) {
            (Some(deviation), Some(below)) => Some(deviation.min(below)),
            (deviation, _) => deviation,
        };
        tilt.relative = change.map(f64::exp);
        tilt.run = tilt.value.zip(tilt.relative).map(|(value, relative)| value / relative);
    }
    Ok(())
}

/// Robust slope (median of pairwise ratios) of `y` on `x`, held between 0 and 1.
fn slope(y: &[Option<f64>], x: &[Option<f64>]) -> f64 {
    let points: Vec<(f64, f64)> = y.iter().zip(x).filter_map(|(y, x)| x.zip(*y)).collect();
    let mut slopes = Vec::new();
    for (at, a) in points.iter().enumerate() {
        for b in &points[..at] {
            if (a.0 - b.0).abs() > 0.02 {
                slopes.push((a.1 - b.1) / (a.0 - b.0));
            }
        }
    }
    upper_median(known(slopes)).unwrap_or(0.0).clamp(0.0, 1.0)
}

/// Motions that are tried.
const DIRECTION_STEP_DEG: f64 = 5.0;
const LENGTHS: usize = 24;

fn lengths_px() -> impl Iterator<Item = f64> {
    // From 0.7 px (a twentieth of the amplitude at half Nyquist) to 40 px, in equal ratios.
    (0..LENGTHS).map(|i| 0.7 * (40.0f64 / 0.7).powf(i as f64 / (LENGTHS - 1) as f64))
}

/// Power of a cell at one tilt, in units of the series' typical power there.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Power {
    found: f64,
    /// By the series' run; 0 where it predicts nothing that a motion could take away.
    expected: f64,
}

/// How far what is found in a cell lies from what is expected.
#[derive(Debug, Clone, Copy, PartialEq)]
struct CellError {
    /// By counting, in units of the series' typical power.
    counting: f64,
    /// By how views differ, as a share of what is expected.
    share: f64,
}

impl CellError {
    /// Standard deviation where so much is expected.
    fn at(&self, expected: f64) -> f64 {
        self.counting.max(self.share * expected)
    }
}

/// The series' run in every cell, and how much cells scatter about it.
struct Directions {
    /// Cells that carry enough signal.
    cells: Vec<usize>,
    /// By tilt, by entry of `cells`.
    powers: Vec<Option<Vec<Power>>>,
    /// By entry of `cells`.
    errors: Vec<CellError>,
    /// By band with signal: counting noise over the typical power.
    noise: Vec<f64>,
    /// By motion, by entry of `cells`: what is left of the power.
    patterns: Vec<(f64, f64, Vec<f64>)>,
    fine: Vec<usize>,
}

impl Directions {
    fn of(signals: &Signals, bands: &Bands, (places, dull): (&[Place], &[bool]), motions: &Motions) -> Self {
        let cells: Vec<usize> =
            bands.directed.iter().flat_map(|band| (0..SECTORS).map(move |sector| band * SECTORS + sector)).collect();
        let typicals: Vec<f64> = cells
            .iter()
            .map(|&cell| {
                upper_median(known(signals.cells.iter().flatten().map(|tilt| tilt[cell].power))).unwrap_or(0.0)
            })
            .collect();
        let by_cell: Vec<Vec<Option<Power>>> = cells
            .par_iter()
            .zip(&typicals)
            .map(|(&cell, &typical)| about_run(signals, cell, typical, (places, dull)))
            .collect();
        let errors = cells.iter().zip(&typicals).zip(&by_cell).map(|((&cell, &typical), powers)| {
            let share = |power: &Power| (power.found / power.expected - 1.0).abs();
            let shares = powers.iter().flatten().filter(|power| power.expected > LEAST_EXPECTED).map(share);
            let share = (MAD_TO_SD * upper_median(known(shares)).unwrap_or(0.0)).max(LEAST_SHARE);
            let counting = upper_median(known(signals.cells.iter().flatten().map(|tilt| tilt[cell].error)));
            let counting = counting.filter(|_| typical > 0.0).map_or(f64::INFINITY, |counting| counting / typical);
            CellError { counting, share }
        });
        let errors = errors.collect();
        let powers =
            (0..places.len()).map(|at| by_cell.iter().map(|powers| powers[at]).collect::<Option<Vec<_>>>()).collect();
        let of_cells = |left: &Vec<f64>| cells.iter().map(|&cell| left[cell]).collect();
        let patterns =
            motions.0.iter().map(|(length, direction, left)| (*length, *direction, of_cells(left))).collect();
        let noise = bands.directed.iter().map(|&band| 1.0 / signals.median_over_tilts(band, |s| s.over_noise));
        Self { noise: noise.collect(), cells, powers, errors, patterns, fine: bands.fine.clone() }
    }

    fn judge(&self, signals: &Signals, tilts: &mut [TiltSharpness]) {
        let visible = self.would_see(3.0);
        for (at, tilt) in tilts.iter_mut().enumerate() {
            let Some(powers) = &self.powers[at] else { continue };
            tilt.azimuth_relative = self.azimuths(powers);
            if signals.cells[at].is_none() {
                continue;
            }
            let dull = tilt.relative.is_some_and(|relative| relative < DULL);
            let found = self.fit(powers, if dull { SIGNIFICANT_OF_DULL } else { SIGNIFICANT });
            // None found is none only where it could have been seen.
            let none = visible.then_some(0.0);
            tilt.directional_loss = found.map(|(length, _)| loss_at_half_nyquist(length)).or(none);
            tilt.direction_deg = found.map(|(_, direction)| direction);
        }
    }

    /// Length and direction of the motion, where one makes the fit better by more than `least`.
    fn fit(&self, powers: &[Power], least: f64) -> Option<(f64, f64)> {
        let still = self.chi_square(powers, &vec![1.0; self.cells.len()]);
        let (chi, length, direction) = self
            .patterns
            .iter()
            .map(|(length, direction, left)| (self.chi_square(powers, left), *length, *direction))
            .min_by(|a, b| a.0.total_cmp(&b.0))?;
        // A misfit of the best motion enlarges all errors: what no motion explains must not speak for one.
        let misfit = (chi / (self.cells.len() as f64 - 3.0).max(1.0)).max(1.0);
        ((still - chi) / misfit > least).then_some((length, direction))
    }

    /// χ² of a pattern with a free level in every band, over noise whose level is known so far.
    fn chi_square(&self, powers: &[Power], left: &[f64]) -> f64 {
        let mut chi = 0.0;
        for (start, noise) in (0..self.cells.len()).step_by(SECTORS).zip(&self.noise) {
            let mut sums = Sums { nn: (NOISE_UNSURE * noise).powi(-2), ..Sums::default() };
            for at in start..(start + SECTORS).min(self.cells.len()) {
                sums.add(
                    self.errors[at].at(powers[at].expected).powi(-2),
                    powers[at].found,
                    powers[at].expected * left[at],
                );
            }
            chi += sums.chi_square();
        }
        chi
    }

    /// Whether a motion of this length would be significant, whatever its direction.
    fn would_see(&self, length_px: f64) -> bool {
        let nearest = lengths_px().min_by(|a, b| (a - length_px).abs().total_cmp(&(b - length_px).abs()));
        let still = vec![1.0; self.cells.len()];
        self.patterns.iter().filter(|(length, _, _)| Some(*length) == nearest).all(|(_, _, left)| {
            let moved: Vec<Power> = left.iter().map(|&found| Power { found, expected: 1.0 }).collect();
            self.chi_square(&moved, &still) > SIGNIFICANT
        })
    }

    /// Amplitude of the fine bands at each azimuth.
    fn azimuths(&self, powers: &[Power]) -> Vec<Option<f64>> {
        let one = |sector: usize| {
            let (mut sum, mut weights) = (0.0, 0.0);
            for (at, &cell) in self.cells.iter().enumerate() {
                if cell % SECTORS == sector
                    && self.fine.contains(&(cell / SECTORS))
                    && self.errors[at].counting.is_finite()
                {
                    // The level of what is expected that fits best.
                    let weight = self.errors[at].at(powers[at].expected).powi(-2) * powers[at].expected;
                    sum += weight * powers[at].found;
                    weights += weight * powers[at].expected;
                }
            }
            (weights > 0.0).then(|| (sum / weights).max(0.0).sqrt())
        };
        (0..SECTORS).map(one).collect()
    }
}

/// Weighted sums over the cells of a band: of what is found (f), of the pattern (p), of ones (n).
#[derive(Default)]
struct Sums {
    ff: f64,
    fp: f64,
    pp: f64,
    fn_: f64,
    pn: f64,
    nn: f64,
}

impl Sums {
    fn add(&mut self, weight: f64, found: f64, pattern: f64) {
        self.ff += weight * found * found;
        self.fp += weight * found * pattern;
        self.pp += weight * pattern * pattern;
        self.fn_ += weight * found;
        self.pn += weight * pattern;
        self.nn += weight;
    }

    /// Least Σ w (f - level p - offset)², the level within what a motion can leave.
    fn chi_square(&self) -> f64 {
        // With the best offset for each level, what is left is a parabola in the level.
        let (ff, fp, pp) = (
            self.ff - self.fn_ * self.fn_ / self.nn,
            self.fp - self.fn_ * self.pn / self.nn,
            self.pp - self.pn * self.pn / self.nn,
        );
        let level = if pp > 0.0 { (fp / pp).clamp(0.0, MOST_LEVEL) } else { 0.0 };
        ff - 2.0 * level * fp + level * level * pp
    }
}

/// Power of one cell at each tilt and by the series' own run in that cell, which tilts that are `dull` do not draw.
fn about_run(signals: &Signals, cell: usize, typical: f64, (places, dull): (&[Place], &[bool])) -> Vec<Option<Power>> {
    let values: Vec<Option<f64>> = signals.cells.iter().map(|tilt| tilt.as_ref().map(|t| t[cell].power)).collect();
    let drawing: Vec<Option<f64>> = values.iter().zip(dull).map(|(value, dull)| value.filter(|_| !*dull)).collect();
    let run = smooth_run::draw(places, &drawing, 0.3 * typical.abs());
    let power = |(value, expected): (&Option<f64>, &Option<f64>)| {
        let found = value.map(|value| value / typical).filter(|found| found.is_finite());
        let expected = expected.map_or(1.0, |expected| (expected / typical).max(0.0));
        value.map(|_| found.map_or(Power { found: 0.0, expected: 0.0 }, |found| Power { found, expected }))
    };
    values.iter().zip(&run.expected).map(power).collect()
}

/// The motions that are tried, each with what it leaves of the power of every cell; made once.
pub struct Motions(Vec<(f64, f64, Vec<f64>)>);

impl Motions {
    /// All lengths in all directions.
    pub fn new() -> Self {
        let directions = (180.0 / DIRECTION_STEP_DEG) as usize;
        let all: Vec<(f64, f64)> = lengths_px()
            .flat_map(|length| (0..directions).map(move |step| (length, step as f64 * DIRECTION_STEP_DEG)))
            .collect();
        let left = |&(length, direction): &(f64, f64)| {
            let left = (0..BANDS * SECTORS).map(|cell| power_left(cell, length, direction)).collect();
            (length, direction, left)
        };
        Self(all.par_iter().map(left).collect())
    }
}

impl Default for Motions {
    fn default() -> Self {
        Self::new()
    }
}

/// Share of the power of a cell that a motion leaves, averaged over the cell.
fn power_left(cell: usize, length_px: f64, direction_deg: f64) -> f64 {
    const STEPS: usize = 4;
    let (band, sector) = (cell / SECTORS, cell % SECTORS);
    let (low, high) = (BAND_EDGES[band], BAND_EDGES[band + 1]);
    let mut sum = 0.0;
    for i in 0..STEPS {
        let frequency = low + (high - low) * (i as f64 + 0.5) / STEPS as f64;
        for j in 0..STEPS {
            let azimuth = (sector as f64 - 0.5 + (j as f64 + 0.5) / STEPS as f64) * PI / SECTORS as f64;
            sum += sinc(frequency * length_px * (azimuth - direction_deg.to_radians()).cos()).powi(2);
        }
    }
    sum / (STEPS * STEPS) as f64
}

fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-9 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

/// Amplitude that a motion by `length_px` takes at 1/4 cycle a pixel, along it.
pub fn loss_at_half_nyquist(length_px: f64) -> f64 {
    if length_px >= 4.0 { 1.0 } else { 1.0 - sinc(length_px / 4.0).abs() }
}

fn known(values: impl IntoIterator<Item = f64>) -> impl Iterator<Item = f64> {
    values.into_iter().filter(|value| !value.is_nan())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numerics::rotational::PolarMap;

    /// A made-up spectrum: signal that falls with frequency over flat noise, with the blur of a motion.
    fn spectrum(seed: usize, signal: f64, length: f64, direction: f64, gauss: f64) -> Spectrum {
        let cells = PolarMap::new(256, &ring_edges(), &BAND_EDGES, SECTORS).average(&flat(256)).cell_frequencies;
        let power =
            |f: f64, left: f64| 1000.0 + signal * (0.05 / f).powf(1.5) * left * (-(2.0 * PI * f * gauss).powi(2)).exp();
        let ragged = |at: usize| 1.0 + 0.02 * (((at * 7919 + seed * 104_729) % 101) as f64 / 50.0 - 1.0);
        let middle = |cell: usize| (BAND_EDGES[cell / SECTORS] * BAND_EDGES[cell / SECTORS + 1]).sqrt();
        let of_cell = |cell: usize| power(middle(cell), power_left(cell, length, direction)) * ragged(cell);
        let values: Vec<Option<f64>> = (0..BANDS * SECTORS).map(|cell| Some(of_cell(cell))).collect();
        let rings = ring_frequencies().into_iter().map(|f| Some(power(f, if length > 0.5 { 0.5 } else { 1.0 })));
        let means = PolarMeans { rings: rings.collect(), cells: values, cell_frequencies: cells };
        Spectrum { means, patches: 12, counts: 100.0 }
    }

    fn flat(size: usize) -> crate::numerics::periodogram::PowerSpectrum {
        crate::numerics::periodogram::PowerSpectrum { size, power: vec![1.0; (size / 2 + 1) * size], patches: 1 }
    }

    fn series(faults: &[(usize, f64, f64, f64)]) -> SeriesSharpness {
        let spectra: Vec<Option<Spectrum>> = (0..31)
            .map(|tilt| {
                let fault = faults.iter().find(|fault| fault.0 == tilt).copied().unwrap_or((0, 0.0, 0.0, 0.0));
                Some(spectrum(tilt, 3000.0, fault.1, fault.2, fault.3))
            })
            .collect();
        let places: Vec<Place> = (0..31).map(|i| Place { x: 4.0 * f64::from(i) - 60.0, segment: 0 }).collect();
        measure(&spectra, &places, Some(10.0), &Motions::new())
    }

    #[test]
    fn a_clean_series_is_as_sharp_as_expected() {
        let found = series(&[]);
        assert_eq!(found.why_not, None);
        for tilt in &found.tilts {
            assert!((tilt.relative.unwrap() - 1.0).abs() < 0.1, "{:?}", tilt.relative);
            assert_eq!((tilt.directional_loss, tilt.direction_deg), (Some(0.0), None));
        }
    }

    #[test]
    fn a_motion_is_found_with_its_direction_and_loss() {
        let found = series(&[(9, 3.0, 40.0, 0.0), (20, 12.0, 115.0, 0.0)]);
        let three = &found.tilts[9];
        assert_eq!(three.direction_deg, Some(40.0));
        // 1 - sin(3π/4)/(3π/4) = 0.70.
        assert!((three.directional_loss.unwrap() - 0.70).abs() < 0.12, "{:?}", three.directional_loss);
        let twelve = &found.tilts[20];
        assert!((twelve.direction_deg.unwrap() - 115.0).abs() <= 5.0);
        assert_eq!(twelve.directional_loss, Some(1.0));
        assert!(twelve.relative.unwrap() < 0.75);
    }

    #[test]
    fn a_round_blur_has_no_direction() {
        let found = series(&[(15, 0.0, 0.0, 1.2)]);
        let blurred = &found.tilts[15];
        assert!(blurred.relative.unwrap() < 0.7, "{:?}", blurred.relative);
        assert_eq!(blurred.direction_deg, None);
        assert!((found.tilts[16].relative.unwrap() - 1.0).abs() < 0.1);
    }

    #[test]
    fn noise_alone_has_no_sharpness() {
        let spectra: Vec<Option<Spectrum>> = (0..21).map(|tilt| Some(spectrum(tilt, 0.0, 0.0, 0.0, 0.0))).collect();
        let places: Vec<Place> = (0..21).map(|i| Place { x: f64::from(i), segment: 0 }).collect();
        let found = measure(&spectra, &places, Some(10.0), &Motions::new());
        assert!(found.why_not.unwrap().contains("no signal above the counting noise"));
        assert_eq!(found.tilts[3].relative, None);
    }

    #[test]
    fn a_drift_of_2_and_3_px_takes_0_36_and_0_70_at_half_nyquist() {
        assert!((loss_at_half_nyquist(2.0) - 0.36).abs() < 0.005);
        assert!((loss_at_half_nyquist(3.0) - 0.70).abs() < 0.005);
        assert_eq!(loss_at_half_nyquist(14.0), 1.0);
    }
}
