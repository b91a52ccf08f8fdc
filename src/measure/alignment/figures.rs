//! The outlook on alignment as the record and the evidence keep it.

use crate::intake::Series;
use crate::measure::alignment::align::{Aligned, FEWEST_TRACKS, Failed, Given, align};
use crate::measure::alignment::choose::Kind;
use crate::measure::alignment::field::{self, OUTLIER};
use crate::measure::alignment::fit::Fit;
use crate::measure::alignment::model::Pose;
use crate::measure::alignment::words::{self, Told};
use crate::measure::stated_angles::by_tracks::{self, ByTracks};
use crate::measure::tracking::axis::apart_deg;
use crate::measure::tracking::kept::Kept;
use crate::measure::tracking::{Tracked, figures};
use crate::measured::Measured;
use crate::numerics::median::upper_median;
use crate::numerics::regression;
use crate::record::alignment::{Alignment, TiltAlignment};
use crate::record::evidence::{AlignmentCurves, SightCurve, TrackCurve};
use crate::record::{Geometry, Tilt};

/// Fewer tilts tell no outlook.
const FEWEST_TILTS: usize = 5;
/// Where tracking follows the whole field over this share of the tilts, patches that do not last tell that what lies at
/// different heights moves apart too far for them, and not that nothing can be followed.
const WHOLE_FOLLOWED: f64 = 0.8;
/// Root mean square length of a normal vector over its median length.
const RMS_OF_MEDIAN: f64 = 1.201;
/// The field is drawn at so many places along its shorter side.
const DRAWN: usize = 5;
/// What all places err alike the fit does not see: on simulated series the axis by patches of texture, whose matter fades in
/// and out, errs by some three times what it states, …
const TEXTURE_ERRORS: f64 = 3.0;
/// … and by particles, which what lies about them draws along, by twice.
const BEAD_ERRORS: f64 = 2.0;

/// What was found of a series.
pub struct Outlook {
    /// For the record.
    pub series: Alignment,
    /// By tilt.
    pub tilts: Vec<TiltAlignment>,
    /// For the page and the table; `None` where nothing was fitted.
    pub curves: Option<AlignmentCurves>,
    /// By tilt: what its tracks say of its angle.
    pub angles: Vec<Option<ByTracks>>,
}

/// Follows, fits and tells. `tracked` is `None` where the angles do not stand in the order of the pictures; `geometry` is what
/// tracking alone says of axis and height.
pub fn measure(
    series: &Series,
    tilts: &[Tilt],
    pictures: &[Option<Kept>],
    tracked: Option<&Measured<Tracked>>,
    pixel_px: f64,
    geometry: &Geometry,
) -> Outlook {
    let shown = pictures.iter().flatten().count();
    let (growth, grows_with) = growth(tilts);
    let aligned = match tracked {
        _ if shown < FEWEST_TILTS => Err(Failed::NotMeasured(format!("only {shown} tilts show a picture"))),
        None => Err(Failed::NotMeasured("the angles do not stand in the order of the pictures".into())),
        Some(Err(why)) => Err(Failed::Lost(why.0.clone())),
        Some(Ok(tracked)) => {
            let given = Given {
                tilts_deg: tilts.iter().map(|tilt| tilt.tilt_deg).collect(),
                images: pictures.iter().map(|picture| picture.as_ref().map(Kept::image)).collect(),
                pixel_px,
                places_px: tracked.positions_px.clone(),
                start: tracked.start,
                axis_deg: tracked.axis.used_deg,
                assembled_px: series.assembled_px,
                growth,
            };
            let known = tracked.positions_px.iter().flatten().count() as f64 / shown as f64;
            match align(&given) {
                // The whole field is followed: that there is nothing to follow would be said too much.
                Err(Failed::Lost(why)) if known >= WHOLE_FOLLOWED => Err(Failed::NotMeasured(words::apart(&why))),
                Ok(aligned)
                    if known >= WHOLE_FOLLOWED && (lasting(&aligned) as f64) < WHOLE_FOLLOWED * shown as f64 =>
                {
                    let lasting = format!("places last over {} of {shown} tilts only", lasting(&aligned));
                    Err(Failed::NotMeasured(words::apart(&lasting)))
                }
                aligned => aligned.map(|aligned| (tracked, aligned)),
            }
        }
    };
    let empty = |picture: &Option<Kept>| TiltAlignment { shown: picture.is_some(), ..TiltAlignment::default() };
    let none = |series: Alignment| Outlook {
        series,
        tilts: pictures.iter().map(empty).collect(),
        curves: None,
        angles: vec![None; tilts.len()],
    };
    match aligned {
        Err(Failed::NotMeasured(why)) => none(Alignment { why_not: Some(why), ..Alignment::default() }),
        Err(Failed::Lost(why)) => none(Alignment {
            measured: true,
            outlook: Some(words::lost(&why)),
            tilts_shown: shown,
            followed_fraction: Some(0.0),
            lost_tilts_deg: (0..tilts.len())
                .filter(|&at| pictures[at].is_some())
                .map(|at| tilts[at].tilt_deg)
                .collect(),
            ..Alignment::default()
        }),
        Ok((tracked, aligned)) => {
            let of_tilts: Vec<TiltAlignment> =
                (0..tilts.len()).map(|at| of_tilt(&aligned, at, pictures[at].is_some())).collect();
            let told = of_series(series, tilts, pictures, (tracked, geometry), &aligned, &of_tilts, grows_with);
            Outlook {
                series: told,
                tilts: of_tilts,
                curves: Some(curves(series, &aligned)),
                angles: by_tracks::angles(&aligned),
            }
        }
    }
}

/// How far exposure has gone at each tilt, by dose where it is known, else by the order of acquisition.
fn growth(tilts: &[Tilt]) -> (Vec<f64>, &'static str) {
    let scaled = |values: Vec<f64>| {
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        values.into_iter().map(|value| (value - low) / (high - low).max(1e-12)).collect::<Vec<f64>>()
    };
    let doses: Option<Vec<f64>> = tilts.iter().map(|tilt| tilt.dose.before_e_per_A2).collect();
    match doses {
        Some(doses) => (scaled(doses), "dose"),
        None => (scaled(tilts.iter().map(|tilt| tilt.order as f64).collect()), "order"),
    }
}

/// The indices of sights that fit.
fn used(aligned: &Aligned, at: usize) -> bool {
    let sight = &aligned.sights[at];
    aligned.rigid.weights[at] >= OUTLIER && aligned.rigid.model.poses[sight.tilt].is_some()
}

/// Root mean square length by the median; `None` of nothing.
fn robust_rms(fit: &Fit, of: impl Iterator<Item = usize>) -> Option<f64> {
    let mut lengths: Vec<f64> =
        of.map(|at| fit.residuals[at][0].hypot(fit.residuals[at][1])).filter(|length| length.is_finite()).collect();
    lengths.sort_by(f64::total_cmp);
    lengths.get(lengths.len() / 2).map(|median| RMS_OF_MEDIAN * median)
}

/// The tilts over which places last.
fn lasting(aligned: &Aligned) -> usize {
    (0..aligned.left.len()).filter(|&tilt| pose(aligned, tilt).is_some()).count()
}

fn at_tilt(aligned: &Aligned, tilt: usize) -> impl Iterator<Item = usize> + '_ {
    (0..aligned.sights.len()).filter(move |&at| aligned.sights[at].tilt == tilt)
}

/// How a tilt lies, where enough tracks agree on it.
fn pose(aligned: &Aligned, tilt: usize) -> Option<Pose> {
    let fitting = at_tilt(aligned, tilt).filter(|&at| used(aligned, at)).count();
    aligned.rigid.model.poses[tilt].filter(|_| fitting >= FEWEST_TRACKS || tilt == aligned.start)
}

fn of_tilt(aligned: &Aligned, tilt: usize, shown: bool) -> TiltAlignment {
    let fit = &aligned.rigid;
    let of = || at_tilt(aligned, tilt);
    let fitting = of().filter(|&at| used(aligned, at)).count();
    let pose = pose(aligned, tilt);
    let turned = pose.filter(|_| aligned.turns).zip(fit.turn_errors(tilt));
    let magnification = turned.map(|(pose, _)| pose.log_magnification.exp());
    TiltAlignment {
        shown,
        tracks: fitting,
        shift_x_px: pose.map(|pose| pose.shift[0]),
        shift_y_px: pose.map(|pose| pose.shift[1]),
        shift_error_px: pose.and_then(|_| fit.shift_error(tilt)),
        turn_deg: turned.map(|(pose, _)| pose.turn.to_degrees()),
        turn_error_deg: turned.map(|(_, errors)| errors[0].to_degrees()),
        magnification,
        magnification_error: turned.zip(magnification).map(|((_, errors), m)| errors[1] * m),
        residual_px: pose.and_then(|_| robust_rms(fit, of())),
    }
}

#[allow(clippy::too_many_arguments, reason = "what the record tells comes from as many places")]
fn of_series(
    series: &Series,
    tilts: &[Tilt],
    pictures: &[Option<Kept>],
    (tracked, geometry): (&Tracked, &Geometry),
    aligned: &Aligned,
    of_tilts: &[TiltAlignment],
    grows_with: &str,
) -> Alignment {
    let fit = &aligned.rigid;
    let posed = |at: usize| of_tilts[at].shift_x_px.is_some();
    let shown: Vec<usize> = (0..tilts.len()).filter(|&at| pictures[at].is_some()).collect();
    let lost: Vec<f64> = shown.iter().filter(|&&at| !posed(at)).map(|&at| tilts[at].tilt_deg).collect();
    let followed = 1.0 - lost.len() as f64 / shown.len().max(1) as f64;
    let lives = lives(aligned, tilts);
    let residual = robust_rms(fit, (0..aligned.sights.len()).filter(|&at| used(aligned, at)));
    let field = field::rms(&aligned.left);
    let shift_error = upper_median(of_tilts.iter().filter_map(|tilt| tilt.shift_error_px));
    let left = shift_error.map(|error| error.hypot(field.unwrap_or(0.0)));
    let nm = |px: Option<f64>| px.zip(series.pixel_nm).map(|(px, nm)| px * nm);
    let shifted = Tracked {
        positions_px: of_tilts.iter().map(|tilt| tilt.shift_x_px.zip(tilt.shift_y_px).map(|(x, y)| [x, y])).collect(),
        // The same points at all tilts have one mean height at all of them.
        heights_px: None,
        ..tracked.clone()
    };
    let by_shifts = figures::geometry(series, &Ok(shifted));
    let heights = Heights::of(aligned, series.pixel_nm);
    let warp = aligned.change;
    let alike = if aligned.choice.kind == Kind::Texture { TEXTURE_ERRORS } else { BEAD_ERRORS };
    let axis_error_deg = fit.axis_error().map(|error| alike * error.to_degrees());
    let axis_deg = fit.model.axis.to_degrees().rem_euclid(360.0);
    let mut told = Alignment {
        measured: true,
        why_not: None,
        outlook: None,
        followed: Some(aligned.choice.kind.word().into()),
        places: aligned.choice.places,
        tracks: (0..fit.model.points.len())
            .filter(|&track| of_track(aligned, track).any(|at| used(aligned, at)))
            .count(),
        tilts_shown: shown.len(),
        followed_fraction: Some(followed),
        lost_tilts_deg: lost,
        lives_deg: lives,
        residual_rms_px: residual,
        residual_rms_nm: nm(residual),
        left_px: left,
        left_nm: nm(left),
        field_rms_px: field,
        shift_error_px: shift_error,
        axis_deg: Some(axis_deg),
        axis_error_deg,
        axis_offset_um: by_shifts.axis_offset_um,
        axis_offset_error_um: by_shifts.axis_offset_error_um,
        height_offset_um: by_shifts.height_offset_um,
        height_offset_error_um: by_shifts.height_offset_error_um,
        agreement: None,
        pretilt_deg: heights.as_ref().map(|h| h.pretilt_deg),
        pretilt_error_deg: heights.as_ref().map(|h| h.pretilt_error_deg),
        height_span_nm: heights.as_ref().and_then(|h| h.span_nm),
        height_error_nm: heights.as_ref().and_then(|h| h.error_nm),
        thickness_nm: heights.as_ref().and_then(|h| h.span_nm).filter(|_| aligned.choice.kind == Kind::Beads),
        thickness_note: Some(words::thickness(aligned.choice.kind).into()),
        turns_fitted: aligned.turns,
        warp_px: warp.map(|(size, _)| size),
        warp_nm: nm(warp.map(|(size, _)| size)),
        warp_error_nm: nm(warp.map(|(_, error)| error)),
        warp_grows_with: warp.map(|_| grows_with.to_owned()),
        warp_along_axis_only: warp.map(|_| aligned.along_only),
        gauge: Some(words::GAUGE.into()),
    };
    told.agreement = words::agreement(&told, geometry, geometry.axis_found_deg.map(|found| apart_deg(axis_deg, found)));
    told.outlook = Some(words::outlook(&Told { series: &told, kind: aligned.choice.kind, step: tilts }));
    told
}

fn of_track(aligned: &Aligned, track: usize) -> impl Iterator<Item = usize> + '_ {
    (0..aligned.sights.len()).filter(move |&at| aligned.sights[at].track == track)
}

/// Lowest and highest angle at which at least half of the tracks live.
fn lives(aligned: &Aligned, tilts: &[Tilt]) -> Option<[f64; 2]> {
    let mut counts = vec![0usize; tilts.len()];
    (0..aligned.sights.len()).filter(|&at| used(aligned, at)).for_each(|at| counts[aligned.sights[at].tilt] += 1);
    let most = counts.iter().copied().max()?;
    let living = || (0..tilts.len()).filter(|&at| 2 * counts[at] >= most.max(1)).map(|at| tilts[at].tilt_deg);
    Some([living().next()?, living().next_back()?])
}

/// What the heights tell.
struct Heights {
    pretilt_deg: f64,
    pretilt_error_deg: f64,
    span_nm: Option<f64>,
    error_nm: Option<f64>,
}

impl Heights {
    /// Of the plane through the heights, and what lies off it.
    fn of(aligned: &Aligned, pixel_nm: Option<f64>) -> Option<Self> {
        let fit = &aligned.rigid;
        let good: Vec<usize> = (0..fit.model.points.len())
            .filter(|&track| of_track(aligned, track).filter(|&at| used(aligned, at)).count() >= FEWEST_TRACKS)
            .collect();
        let column = |k: usize| good.iter().map(|&track| fit.model.points[track][k]).collect::<Vec<f64>>();
        let (ones, u, v, z) = (vec![1.0; good.len()], column(0), column(1), column(2));
        let plane = regression::fit(&[&ones, &u, &v], &z, None).filter(|_| good.len() > 5)?;
        let off: Vec<f64> = (0..good.len())
            .map(|at| z[at] - plane.coefficients[0] - plane.coefficients[1] * u[at] - plane.coefficients[2] * v[at])
            .collect();
        let low = off.iter().copied().fold(f64::INFINITY, f64::min);
        let high = off.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let error = upper_median(good.iter().map(|&track| fit.point_variances[track][2].max(0.0).sqrt()));
        let slope = plane.coefficients[1];
        Some(Self {
            pretilt_deg: -slope.atan().to_degrees(),
            pretilt_error_deg: (plane.standard_errors[1] / (1.0 + slope * slope)).to_degrees(),
            span_nm: pixel_nm.map(|nm| (high - low) * nm),
            error_nm: error.zip(pixel_nm).map(|(error, nm)| error * nm),
        })
    }
}

fn curves(series: &Series, aligned: &Aligned) -> AlignmentCurves {
    let fit = &aligned.rigid;
    let sight = |at: usize| SightCurve {
        tilt: aligned.sights[at].tilt,
        at_px: aligned.sights[at].at,
        left_px: fit.residuals[at].map(|px| if px.is_finite() { px } else { 0.0 }),
        used: used(aligned, at),
    };
    let track = |track: usize| {
        let sights: Vec<SightCurve> = of_track(aligned, track).map(sight).collect();
        let residual_px = robust_rms(fit, of_track(aligned, track))?;
        Some(TrackCurve {
            point_px: fit.model.points[track],
            error_px: fit.point_variances[track].map(|variance| variance.max(0.0).sqrt()),
            residual_px,
            sights,
        })
    };
    AlignmentCurves {
        start: aligned.start,
        tracks: (0..fit.model.points.len()).filter_map(track).collect(),
        field_px: drawn_field(series, aligned),
    }
}

/// The smooth field at a raster of places: of the tilt where most is left.
fn drawn_field(series: &Series, aligned: &Aligned) -> Vec<[f64; 4]> {
    let model = &aligned.rigid.model;
    let worst = aligned.left.iter().flatten().max_by(|a, b| a.mean_square.total_cmp(&b.mean_square));
    let Some(left) = worst else { return Vec::new() };
    let (width, height) = (series.assembled_px.0 as f64, series.assembled_px.1 as f64);
    let (p, q) = super::model::directions(model.axis);
    let spacing = width.min(height) / DRAWN as f64;
    let (columns, rows) = ((width / spacing).round().max(1.0), (height / spacing).round().max(1.0));
    let mut field = Vec::new();
    for row in 0..rows as usize {
        for column in 0..columns as usize {
            let x = (column as f64 + 0.5) * width / columns;
            let y = (row as f64 + 0.5) * height / rows;
            let off = [x - 0.5 * width, y - 0.5 * height];
            let uv = [p[0] * off[0] + p[1] * off[1], q[0] * off[0] + q[1] * off[1]];
            let [dx, dy] = left.at(&super::model::terms(uv, 0.25 * (width + height)));
            field.push([x, y, dx, dy]);
        }
    }
    field
}
