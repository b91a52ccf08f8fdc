//! Sharpness: which tilts lost their fine detail, and whether they lost it along one direction.
//!
//! `value` is the amplitude ratio √(S_fine / S_middle) of the power in a fine and a middle band of frequencies,
//! counting noise taken off (S = P - N, see [`crate::measure::noise`]). The fine band is the highest octave in
//! which the series as a whole shows signal; the middle band lies two octaves below it.
//!
//! `relative` holds a tilt up to its neighbours in angle, as an amplitude ratio (1: as expected), by that ratio or by what a
//! Gaussian blur leaves in all bands with signal (see `relative.rs`).
//!
//! A motion by L along azimuth f during the exposure multiplies the power at (g, φ) by sinc²(g L cos(φ - f)). That
//! pattern is fitted to the power in bands × sectors over the series' own run in each; every band has a free
//! level, so that only the direction speaks. `directional_loss` is the amplitude that the fitted motion takes at
//! half of the Nyquist frequency, 1 - |sinc(L / 4 px)|, and all from L = 4 px on.

mod described;
mod directions;
mod motions;
mod relative;

pub use motions::{Motions, loss_at_half_nyquist};

use self::directions::{DULL, Directions};
use self::relative::relative;
use crate::measure::detail::{self, Reach};
use crate::measure::noise::{Noise, Rings};
use crate::numerics::median::upper_median;
use crate::numerics::rotational::PolarMeans;
use crate::numerics::smooth_run::Place;

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
/// … and this many standard deviations of what a single tilt's is known to, …
const SIGNAL_AFTER_SDS: f64 = 2.0;
/// … this many for a direction, which is sought in parts of it.
const DIRECTED_AFTER_SDS: f64 = 4.0;

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
    /// The most that may be left by what is known: three standard uncertainties over `relative`.
    pub relative_at_most: Option<f64>,
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

impl TiltSharpness {
    /// Whether it has plainly lost fine detail.
    fn is_dull(&self) -> bool {
        let below = |value: Option<f64>, limit: f64| value.is_some_and(|value| value < limit);
        below(self.relative, DULL) && below(self.relative_at_most, 1.0)
    }
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
    let dull: Vec<bool> = tilts.iter().map(TiltSharpness::is_dull).collect();
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
    /// Whether every tilt shows signal in both by itself.
    is_strong: bool,
    /// The highest octave with signal, strong or not.
    described: Vec<usize>,
    /// Bands with signal.
    carrying: Vec<usize>,
    /// Bands with enough signal for a direction.
    directed: Vec<usize>,
}

impl Bands {
    fn of(signals: &Signals) -> Option<Self> {
        let carries = |band: usize, sds: f64| {
            let power = signals.median_over_tilts(band, |s| s.power);
            let error = signals.median_over_tilts(band, |s| s.error);
            signals.median_over_tilts(band, |s| s.over_noise) >= LEAST_SIGNAL && power > sds * error
        };
        let carrying: Vec<usize> = (0..BANDS).filter(|&band| carries(band, SIGNAL_AFTER_SDS)).collect();
        let directed: Vec<usize> = (0..BANDS).filter(|&band| carries(band, DIRECTED_AFTER_SDS)).collect();
        let (strong, any) = (Octaves::of(&directed), Octaves::of(&carrying));
        let described = any.as_ref().or(strong.as_ref())?.fine.clone();
        let is_strong = strong.is_some();
        let Octaves { fine, middle } = strong.or(any)?;
        Some(Self { fine, middle, is_strong, described, carrying, directed })
    }
}

/// The highest octave of some bands, and that two octaves below it.
struct Octaves {
    fine: Vec<usize>,
    middle: Vec<usize>,
}

impl Octaves {
    fn of(bands: &[usize]) -> Option<Self> {
        let top = BAND_EDGES[*bands.last()? + 1];
        let within = |low: f64, high: f64| {
            let inside = |&band: &usize| BAND_EDGES[band] >= 0.95 * low && BAND_EDGES[band + 1] <= 1.05 * high;
            bands.iter().copied().filter(inside).collect::<Vec<usize>>()
        };
        let (fine, middle) = (within(top / 2.0, top), within(top / 8.0, top / 4.0));
        (!fine.is_empty() && !middle.is_empty()).then_some(Self { fine, middle })
    }
}

fn known(values: impl IntoIterator<Item = f64>) -> impl Iterator<Item = f64> {
    values.into_iter().filter(|value| !value.is_nan())
}

#[cfg(test)]
mod tests {
    use super::motions::power_left;
    use super::*;
    use crate::numerics::rotational::PolarMap;
    use std::f64::consts::PI;

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
}
