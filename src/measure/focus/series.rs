//! Focus over the series: what it is measured with, how it enters the record, and what the run of it tells.

use crate::intake::Series;
use crate::measure::focus::coarse::Table;
use crate::measure::focus::figures::Figures;
use crate::measure::focus::gradient::Run;
use crate::measure::focus::optics::Optics;
use crate::measure::focus::tilt::{Plan, TiltFocus};
use crate::measure::focus::{broad, second, witness};
use crate::measured::{Measured, NotMeasured, parted};
use crate::numerics::median::{MAD_TO_SD, median};
use crate::numerics::smooth_run::{self, Place};
use crate::physics::contrast::Lens;
use crate::record::evidence::RingCurves;
use crate::record::{Focus, FocusMeasure, Specimen, Tilt};

/// Share of amplitude contrast where none is stated: common practice, no source.
const VITRIFIED_CONTRAST: f64 = 0.07;
const STAINED_CONTRAST: f64 = 0.2;
/// What is not known of it in stained resin.
const STAINED_UNCERTAINTY: f64 = 0.1;
/// Spherical aberration where none is stated; common practice, no source. At 1 nm 1 mm more is 2 nm of underfocus.
const CS_MM: f64 = 2.0;
/// A jump of underfocus off its run under this is no failure of refocusing.
const LEAST_JUMP_UM: f64 = 0.3;

/// What focus is measured with; `patch`: side of a patch in pixels.
pub fn plan(series: &Series, patch: Option<usize>) -> Measured<Plan> {
    let missing = |what: &str| NotMeasured::because(format!("{what} is not stated"));
    let instrument = &series.sheet.instrument;
    let kv = instrument.kv.ok_or_else(|| missing("the voltage (instrument.kv)"))?;
    let pixel_nm = series.pixel_nm.ok_or_else(|| missing("the pixel size (camera.pixel_nm)"))?;
    let size = patch.ok_or_else(|| NotMeasured::because("the images are too small for a spectrum"))?;
    let vitrified = series.specimen == Specimen::Vitrified;
    let (cs_mm, contrast) = lens_facts(series);
    let lens = Lens::new(kv, cs_mm, contrast);
    let optics = Optics::new(lens, pixel_nm, size);
    if optics.band.1 < optics.band.0 + 24 {
        return Err(NotMeasured::because("the images are too small for a spectrum with rings"));
    }
    let more = if vitrified { 0.0 } else { STAINED_UNCERTAINTY };
    let phase_error_rad = 2.0 * ((contrast + more).min(1.0).asin() - contrast.min(1.0).asin());
    Ok(Plan { table: Table::new(&optics), optics, phase_error_rad })
}

/// Spherical aberration in mm and share of amplitude contrast, as stated or as usual.
fn lens_facts(series: &Series) -> (f64, f64) {
    let instrument = &series.sheet.instrument;
    let usual = if series.specimen == Specimen::Vitrified { VITRIFIED_CONTRAST } else { STAINED_CONTRAST };
    (instrument.cs_mm.unwrap_or(CS_MM), instrument.amplitude_contrast.unwrap_or(usual))
}

/// Middle of a section from the middle of the assembled picture.
pub fn middle_px(series: &Series, row: usize) -> [f64; 2] {
    let place = series.sections[row].place;
    let middle = |at: f64, size: usize, whole: usize| at + 0.5 * size as f64 - 0.5 * whole as f64;
    [
        middle(place.x_px, series.size_px.0, series.assembled_px.0),
        middle(place.y_px, series.size_px.1, series.assembled_px.1),
    ]
}

fn record(figures: &Measured<Figures>) -> Focus {
    let (known, why_not) = parted(figures.clone());
    let of = |f: fn(&Figures) -> f64| known.as_ref().map(f);
    let round = known.and_then(|figures| figures.astigmatism.map(|astigmatism| (figures, astigmatism)));
    Focus {
        measured: known.is_some(),
        why_not,
        defocus_um: of(|f| f.defocus_um),
        defocus_major_um: round.map(|(f, a)| f.defocus_um + 0.5 * a.um),
        defocus_minor_um: round.map(|(f, a)| f.defocus_um - 0.5 * a.um),
        astigmatism_um: round.map(|(_, a)| a.um),
        astigmatism_deg: round.map(|(_, a)| a.deg),
        ring_agreement: of(|f| f.agreement),
        rings_to_nm: of(|f| f.rings_to_nm),
        error_um: of(|f| f.error_um),
        astigmatism_error_um: round.map(|(_, a)| a.error_um),
        score: None,
        score_needed: None,
        gradient_ratio: None,
        gradient_error: None,
        gradient_run: None,
        off_neighbours_um: None,
    }
}

/// Looks again at tilts whose rings are too weak by themselves.
pub fn look_again(series: &Series, plan: &Plan, tilts: &mut [TiltFocus]) {
    let wanted: Vec<f64> = wanted(series).into_iter().map(|um| um.unwrap_or(0.0)).collect();
    broad::doubt(tilts);
    second::look(plan, tilts, &wanted);
}

/// A tilt's focus as the record keeps it.
pub fn of_tilt(found: &TiltFocus) -> Focus {
    Focus {
        score: found.score.map(|score| score.score),
        score_needed: found.score.map(|score| score.needed),
        gradient_ratio: found.gradient.map(|gradient| gradient.ratio),
        gradient_error: found.gradient.map(|gradient| gradient.error),
        gradient_run: found.run.filter(|_| found.figures.is_ok()).and_then(run_word).map(str::to_owned),
        ..record(&found.figures)
    }
}

/// A tile's focus as the record keeps it.
pub fn of_tile(found: &TiltFocus, tile: usize) -> Focus {
    let none = Err(NotMeasured::because("its pixels could not be read"));
    let off = found.off_tiles.iter().find(|(at, _)| *at == tile).map(|(_, off)| *off);
    Focus { off_neighbours_um: off, ..record(found.tiles.get(tile).unwrap_or(&none)) }
}

/// The curve behind a tilt's focus, for the report.
pub fn curves(found: &TiltFocus) -> Option<RingCurves> {
    let rings = found.rings.as_ref()?;
    let used = |value: f64, at: usize| (rings.weight[at] > 0.0).then_some(value as f32);
    let end = rings.band.1.min(rings.frequency.len() - 1);
    Some(RingCurves {
        frequency_cycles_per_px: rings.frequency.iter().map(|f| *f as f32).collect(),
        measured: rings.measured.iter().enumerate().map(|(at, value)| used(*value, at)).collect(),
        fitted: rings.fitted.iter().map(|value| *value as f32).collect(),
        agrees_to_cycles_per_px: rings.frequency[end] as f32,
    })
}

fn run_word(run: Run) -> Option<&'static str> {
    match run {
        Run::Stated => None,
        Run::Reversed => Some("reversed"),
        Run::Along(_) => Some("along-axis"),
        Run::Refocused => Some("each-tile"),
        Run::Found(_) => Some("found"),
    }
}

/// Figures of the series, from its tilts in ascending angle and their places on a run.
pub fn measure(series: &Series, places: &[Place], tilts: &[Tilt]) -> FocusMeasure {
    let defocus: Vec<Option<f64>> = tilts.iter().map(defocus_of).collect();
    let known: Vec<f64> = defocus.iter().flatten().copied().collect();
    let wanted = wanted(series);
    let (cs_mm, contrast) = lens_facts(series);
    if known.is_empty() {
        let why = tilts.iter().find_map(|tilt| tilt.focus.as_ref()?.why_not.clone());
        let why = why.unwrap_or_else(|| "there is no tilt".into());
        let none = || Some("no tilt has a focus".to_owned());
        return FocusMeasure {
            why_not: Some(why),
            cs_mm: Some(cs_mm),
            amplitude_contrast: Some(contrast),
            wanted_um: median(wanted.iter().flatten().copied()),
            wanted_um_by_tilt: wanted,
            run_um_by_tilt: vec![None; tilts.len()],
            drift_why_not: none(),
            gradient_why_not: none(),
            axis_offset_why_not: none(),
            ..FocusMeasure::default()
        };
    }
    let off: Vec<f64> = defocus
        .iter()
        .zip(&wanted)
        .filter_map(|(defocus, wanted)| defocus.map(|um| um - wanted.unwrap_or(0.0)))
        .collect();
    // What was asked for may change from tilt to tilt: the run is drawn through what is off it.
    let base: Vec<f64> = wanted.iter().map(|um| um.unwrap_or(0.0)).collect();
    let errors: Vec<Option<f64>> = defocus.iter().zip(&base).map(|(um, base)| um.map(|um| um - base)).collect();
    let run = smooth_run::draw(places, &errors, LEAST_JUMP_UM);
    let run_um_by_tilt = run.expected.iter().zip(&base).map(|(um, base)| um.map(|um| um + base)).collect();
    let off_run = run.off.iter().zip(tilts).filter(|(off, _)| **off).map(|(_, tilt)| tilt.tilt_deg).collect();
    let (drift, drift_why_not) = parted(witness::drift(series, tilts, &wanted));
    let (gradient, gradient_why_not) = parted(gradient(tilts));
    let (axis, axis_why_not) = parted(witness::axis_offset(series, tilts));
    FocusMeasure {
        measured: true,
        why_not: None,
        cs_mm: Some(cs_mm),
        amplitude_contrast: Some(contrast),
        tilts_measured: known.len(),
        median_um: median(known),
        spread_um: robust_sd(off),
        wanted_um: median(wanted.iter().flatten().copied()),
        wanted_um_by_tilt: wanted,
        run_um_by_tilt,
        off_run_deg: off_run,
        drift_since_autofocus_um_per_min: drift.map(|[slope, _]| slope),
        drift_error_um_per_min: drift.map(|[_, error]| error),
        drift_why_not,
        gradient_ratio: gradient.map(|[ratio, _]| ratio),
        gradient_error: gradient.map(|[_, error]| error),
        gradient_why_not,
        refocused_deg: tilts.iter().filter(|tilt| each_tile(tilt)).map(|tilt| tilt.tilt_deg).collect(),
        axis_offset_um: axis.map(|witness| witness.axis_um),
        axis_offset_error_um: axis.map(|witness| witness.axis_error_um),
        height_offset_um: axis.map(|witness| witness.height_um),
        height_offset_error_um: axis.map(|witness| witness.height_error_um),
        axis_offset_why_not: axis_why_not,
    }
}

/// Underfocus of a tilt, where it is measured.
pub fn defocus_of(tilt: &Tilt) -> Option<f64> {
    tilt.focus.as_ref()?.defocus_um
}

fn each_tile(tilt: &Tilt) -> bool {
    tilt.focus.as_ref().and_then(|focus| focus.gradient_run.as_deref()) == Some("each-tile")
}

/// Underfocus asked for at each tilt: the mean of its rows, else the sheet's.
fn wanted(series: &Series) -> Vec<Option<f64>> {
    let of = |rows: &[usize]| {
        let cells: Vec<f64> = rows.iter().filter_map(|&row| series.sections[row].row.wanted_defocus_um).collect();
        let mean = (!cells.is_empty()).then(|| cells.iter().sum::<f64>() / cells.len() as f64);
        mean.or(series.targets().defocus_um)
    };
    series.tilts.iter().map(|tilt| of(&tilt.rows)).collect()
}

/// Weighted mean of the gradients over the stated one; its uncertainty takes the scatter from tilt to tilt in.
fn gradient(tilts: &[Tilt]) -> Measured<[f64; 2]> {
    let of = |tilt: &Tilt| {
        let focus = tilt.focus.as_ref().filter(|focus| focus.gradient_run.as_deref() != Some("found"))?;
        focus.gradient_ratio.zip(focus.gradient_error)
    };
    let known: Vec<(f64, f64)> = tilts.iter().filter(|tilt| !each_tile(tilt)).filter_map(of).collect();
    let refocused = tilts.iter().filter(|tilt| each_tile(tilt)).count();
    if refocused > known.len() {
        return Err(NotMeasured::because(format!(
            "its tiles were focused one by one ({refocused} tilts show it), so that no gradient runs from tile to tile"
        )));
    }
    if known.is_empty() {
        return Err(NotMeasured::because(
            "no tilt shows how underfocus runs over the picture (the axis is not stated, or the picture is too small, \
             or the rings are too weak)",
        ));
    }
    let (sum, weights) = known.iter().fold((0.0, 0.0), |(s, w), (r, e)| (s + r / (e * e), w + 1.0 / (e * e)));
    let mean = sum / weights;
    let chi2: f64 = known.iter().map(|(r, e)| ((r - mean) / e).powi(2)).sum();
    let excess = (chi2 / (known.len() as f64 - 1.0).max(1.0)).max(1.0);
    Ok([mean, (excess / weights).sqrt()])
}

fn robust_sd(values: Vec<f64>) -> Option<f64> {
    if values.len() < 5 {
        return None;
    }
    let middle = median(values.iter().copied())?;
    median(values.iter().map(|value| (value - middle).abs())).map(|mad| MAD_TO_SD * mad)
}
