//! What the specimen has become while the series was recorded: an angle that was recorded again at the end is compared
//! with the first time, for change of size, loss of sharpness, and counts.

use crate::intake::Series;
use crate::measure::patches::{self, Mapped};
use crate::measure::tracking::kept::Kept;
use crate::measure::tracking::link::sample;
use crate::measured::{Measured, NotMeasured};
use crate::numerics::affine::Affine;
use crate::numerics::registration::fft2::good_size_within;
use crate::numerics::registration::image::Image;
use crate::numerics::registration::rings;
use crate::numerics::registration::spectral::{Band, Bench};
use crate::record::{SpecimenChange, Tilt};

/// Entries closer than this are one angle.
const SAME_DEG: f64 = 0.1;
/// The pictures fade over this share of each side, as in tracking.
const TAPER: f64 = 0.25;
/// Frequencies that count for the shift of the whole, in cycles a pixel: finer than the illumination, and in two guesses
/// coarser than what is new in every exposure.
const HIGH_PASS: f64 = 0.012;
const LOW_PASS: [f64; 2] = [0.12, 0.06];
/// The field may have moved by this share of the frame between the two.
const REACH_SHARE: f64 = 0.4;
/// A shift of the whole picture is believed from so many standard deviations of chance on: it may be far.
const BELIEVED: f64 = 8.0;

/// What was found, and the patches for the page: x and y of the middle, and displacement less the common shift, in px of
/// the assembled picture.
pub struct Change {
    /// For the record.
    pub figures: SpecimenChange,
    /// Index of the tilt's first entry among the tilts; meaningless where nothing was measured.
    pub first: usize,
    /// The patches that entered.
    pub patches_px: Vec<[f64; 4]>,
}

/// Compares the two recordings of the angle nearest zero that was recorded more than once. `pictures` are the kept ones,
/// whose pixel is `pixel_px` of the assembled picture; `across` is the perpendicular direction, where the axis is known.
pub fn measure(
    series: &Series,
    tilts: &[Tilt],
    pictures: &[Option<Kept>],
    pixel_px: f64,
    across: Option<[f64; 2]>,
) -> Change {
    let Some((first, again)) = repeat(series) else {
        return none(None, "no angle was recorded twice (the zero tilt again at the end tells it)".into());
    };
    let between = Some([&tilts[first], &tilts[again]]);
    let pair = pictures[first].as_ref().zip(pictures[again].as_ref());
    let compared = pair
        .ok_or_else(|| NotMeasured::because("one of the two recordings shows no picture"))
        .and_then(|(a, b)| compare(&a.image(), &b.image()));
    match compared {
        Err(NotMeasured(why)) => none(between, why),
        Ok(mapped) => {
            let angles = [first, again].map(|at| series.tilts[at].tilt_deg);
            let figures = figures(series, tilts, [first, again], &mapped, pixel_px, angles, across);
            let middle = [0.5 * series.assembled_px.0 as f64, 0.5 * series.assembled_px.1 as f64];
            Change { figures, first, patches_px: drawn(&mapped, pixel_px, middle) }
        }
    }
}

/// First and last recording of the angle nearest zero that has more than one.
fn repeat(series: &Series) -> Option<(usize, usize)> {
    let tilts = &series.tilts;
    let again = |&first: &usize| {
        let same = |at: &usize| (tilts[*at].tilt_deg - tilts[first].tilt_deg).abs() <= SAME_DEG;
        let last = (0..tilts.len()).filter(same).max_by_key(|&at| tilts[at].order)?;
        let earliest = (0..tilts.len()).filter(same).all(|at| tilts[at].order >= tilts[first].order);
        (last != first && earliest).then_some((first, last))
    };
    let pairs = (0..tilts.len()).filter_map(|first| again(&first));
    pairs.min_by(|a, b| tilts[a.0].tilt_deg.abs().total_cmp(&tilts[b.0].tilt_deg.abs()))
}

fn none(between: Option<[&Tilt; 2]>, why: String) -> Change {
    let figures = SpecimenChange {
        why_not: Some(why),
        tilt_deg: between.map(|[first, _]| first.tilt_deg),
        order_first: between.map(|[first, _]| first.order),
        order_again: between.map(|[_, again]| again.order),
        ..SpecimenChange::default()
    };
    Change { figures, first: 0, patches_px: Vec::new() }
}

/// The map of the first picture onto the later one.
fn compare(a: &Image, b: &Image) -> Measured<Mapped> {
    if !patches::is_large_enough(a) {
        return Err(NotMeasured::because("the pictures are too small to be compared patch by patch"));
    }
    let size = (good_size_within(a.rows), good_size_within(a.cols));
    let reach = [size.1, size.0].map(|px| ((REACH_SHARE * px as f64) as usize).max(2));
    let bench = Bench::new(size.0, size.1, &[Band { high_pass: 0.0, low_pass: 10.0 }], TAPER);
    let peaks = LOW_PASS.into_iter().filter_map(|low_pass| {
        let whole = |image: &Image| {
            let rest = Affine::turned(0.0, 1.0, [0.0; 2]);
            bench.spectrum(&sample(&rings::whitened(image, HIGH_PASS, low_pass), size, rest.t, rest.m))
        };
        bench.peak(&bench.cross(&whole(a), &whole(b)), reach)
    });
    let best = peaks.filter(|peak| peak.inside).max_by(|p, q| p.significance.total_cmp(&q.significance));
    let best = best
        .filter(|peak| peak.significance >= BELIEVED)
        .ok_or_else(|| NotMeasured::because("the two recordings show no texture in common"))?;
    patches::map(a, b, Affine::turned(0.0, 1.0, [-best.x, -best.y])).ok_or_else(|| {
        let least = patches::LEAST_PATCHES;
        NotMeasured::because(format!(
            "fewer than {least} patches of the picture are found again in the later recording"
        ))
    })
}

/// The change along a direction in per cent, with its standard error.
fn along(mapped: &Mapped, [x, y]: [f64; 2]) -> (f64, f64) {
    let (m, e) = (&mapped.fit.map.m, &mapped.fit.m_errors);
    let value = x * x * m[0][0] + x * y * (m[0][1] + m[1][0]) + y * y * m[1][1] - 1.0;
    let variance =
        (x * x * e[0][0]).powi(2) + (x * y).powi(2) * (e[0][1].powi(2) + e[1][0].powi(2)) + (y * y * e[1][1]).powi(2);
    (100.0 * value, 100.0 * variance.sqrt())
}

fn figures(
    series: &Series,
    tilts: &[Tilt],
    [first, again]: [usize; 2],
    mapped: &Mapped,
    pixel_px: f64,
    angles_deg: [f64; 2],
    across: Option<[f64; 2]>,
) -> SpecimenChange {
    let (before, after) = (&tilts[first], &tilts[again]);
    // The angles reached differ a little: across the axis that alone changes the picture by the ratio of the cosines.
    let by_angle = angles_deg[1].to_radians().cos() / angles_deg[0].to_radians().cos().max(1e-3);
    let by_axis = across.map(|[px, py]| {
        let (value, error) = along(mapped, [px, py]);
        let value = 100.0 * ((1.0 + 0.01 * value) / by_angle - 1.0);
        [(value, error), along(mapped, [-py, px])]
    });
    // Without an axis the picture's own directions serve.
    let pair = by_axis.unwrap_or_else(|| [along(mapped, [1.0, 0.0]), along(mapped, [0.0, 1.0])]);
    let [one, other] = pair;
    let largest = if one.0.abs() >= other.0.abs() { one } else { other };
    let m = &mapped.fit.map.m;
    let e = &mapped.fit.m_errors;
    let counts = |tilt: &Tilt| tilt.counts.mean.map(|mean| mean - series.offset_counts());
    let sharpness = after.sharpness.value.zip(before.sharpness.value).filter(|(_, first)| *first > 0.0);
    SpecimenChange {
        measured: true,
        by_magnification: false,
        why_not: None,
        tilt_deg: Some(before.tilt_deg),
        order_first: Some(before.order),
        order_again: Some(after.order),
        dose_between_e_per_A2: after.dose.before_e_per_A2.zip(before.dose.before_e_per_A2).map(|(b, a)| b - a),
        in_plane_percent: Some(largest.0),
        in_plane_error_percent: Some(largest.1),
        across_percent: by_axis.map(|[across, _]| across.0),
        across_error_percent: by_axis.map(|[across, _]| across.1),
        along_percent: by_axis.map(|[_, along]| along.0),
        along_error_percent: by_axis.map(|[_, along]| along.1),
        rotation_deg: Some(mapped.fit.map.turn_rad().to_degrees()),
        rotation_error_deg: Some((0.5 * e[0][1].hypot(e[1][0])).to_degrees()),
        shear_percent: Some(50.0 * (m[0][1] + m[1][0])),
        patches: mapped.fit.used.iter().filter(|used| **used).count(),
        patches_tried: mapped.tried,
        fit_rms_px: Some(mapped.fit.rms * pixel_px),
        sharpness_ratio: sharpness.map(|(after, before)| after / before),
        sharpness_ratio_error: scatter(tilts).map(|sd| sd * std::f64::consts::SQRT_2),
        counts_ratio: counts(after).zip(counts(before)).filter(|(_, first)| *first > 0.0).map(|(b, a)| b / a),
    }
}

/// Robust scatter of the tilts' sharpness about its run: what one tilt's figure is worth.
fn scatter(tilts: &[Tilt]) -> Option<f64> {
    let mut off: Vec<f64> = tilts.iter().filter_map(|tilt| tilt.sharpness.relative).map(|r| (r - 1.0).abs()).collect();
    off.sort_by(f64::total_cmp);
    // The median absolute deviation of a normal distribution is 0.6745 of its standard deviation.
    (off.len() >= 8).then(|| off[off.len() / 2] / 0.6745)
}

/// What the page draws: displacements less the common shift.
fn drawn(mapped: &Mapped, pixel_px: f64, middle: [f64; 2]) -> Vec<[f64; 4]> {
    let t = mapped.fit.map.t;
    let used = mapped.patches.iter().zip(&mapped.fit.used).filter(|(_, used)| **used);
    used.map(|(patch, _)| {
        let by = |k: usize| (patch.to[k] - patch.from[k] - t[k]) * pixel_px;
        [middle[0] + patch.from[0] * pixel_px, middle[1] + patch.from[1] * pixel_px, by(0), by(1)]
    })
    .collect()
}
