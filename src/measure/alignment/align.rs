//! From pictures and tracking to a fitted model.

use crate::measure::alignment::along::along;
use crate::measure::alignment::along::parts::bend;
use crate::measure::alignment::choose::{COARSE, Choice, FINE, Kind, beads, more, texture};
use crate::measure::alignment::field::{Left, OUTLIER, left};
use crate::measure::alignment::fit::{Fit, Freedom, Sight, fit};
use crate::measure::alignment::follow::{Follower, Found, Through};
use crate::measure::alignment::model::{Model, Pose, QUADRATIC_NUMBERS, directions, terms};
use crate::numerics::registration::image::Image;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// A track that was seen at fewer tilts says nothing of its height.
const FEWEST_SIGHTS: usize = 4;
/// A tilt with fewer tracks has no pose: two numbers, and as many again to check them.
pub const FEWEST_TRACKS: usize = 4;
/// Where fewer than this share of the first tracks are left, new ones are begun, up to so many times them in all.
const WANTED: f64 = 0.35;
const MOST_TRACKS: usize = 6;
/// … and not at the next tilts: where few places last, those beside them do no better.
const RESTS: usize = 3;
/// What is followed over this share of the tilts lasts; else what comes next in order is tried: particles, small patches of
/// texture, large ones.
const LASTS: f64 = 0.95;
/// A change of the specimen counts where what two halves of the tracks tell of it agrees so far (cosine between the two).
const ALIKE: f64 = 0.7;
/// Where growth and angle go together as far as this (correlation), a change across the axis or upward is no other than
/// height is.
const WITH_THE_ANGLE: f64 = 0.9;
/// A second look at particles, whose picture is the same at all tilts, reaches so many tilts beyond where they were seen.
const LIVES_ON: usize = 2;
/// Turns, and a change of the specimen, are fitted where they make the tracks more likely by more than this many times what
/// as many idle numbers would.
const WORTH_FITTING: f64 = 2.5;
/// A growing change of the specimen is told from so many of its standard errors on.
const CHANGE_ERRORS: f64 = 4.0;

/// All that was followed and fitted.
#[derive(Clone)]
pub struct Aligned {
    /// What was followed.
    pub choice: Choice,
    /// Index of the tilt from which it was followed.
    pub start: usize,
    /// Of all tracks, in px of the assembled picture from its middle.
    pub sights: Vec<Sight>,
    /// The rigid fit.
    pub rigid: Fit,
    /// Whether turns and magnifications of tilts were fitted with it.
    pub turns: bool,
    /// A change of the specimen that grows, where it stands out: root mean square displacement over the tracks at growth 1, and
    /// one standard error of it, in px; …
    pub change: Option<(f64, f64)>,
    /// … sought along the axis alone.
    pub along_only: bool,
    /// By tilt: what the rigid fit leaves as a smooth field.
    pub left: Vec<Option<Left>>,
}

impl Aligned {
    /// Tilts with a pose.
    pub fn followed(&self) -> usize {
        self.rigid.model.poses.iter().flatten().count()
    }
}

/// Why there is no model.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Failed {
    /// Something that it needs is not known: a clause that completes "not measured: …".
    NotMeasured(String),
    /// There is nothing that could be followed.
    Lost(String),
}

/// What is known of a series before it is aligned; all by tilt.
pub struct Given {
    /// Angles.
    pub tilts_deg: Vec<f64>,
    /// Small pictures; `None` where a tilt shows nothing.
    pub images: Vec<Option<Image>>,
    /// So many px of the assembled picture make one of their pixels.
    pub pixel_px: f64,
    /// Where tracking finds the centre feature, in px of the assembled picture from its middle.
    pub places_px: Vec<Option<[f64; 2]>>,
    /// The tilt against which tracking tells places.
    pub start: usize,
    /// Direction of the axis, where it is known.
    pub axis_deg: Option<f64>,
    /// Size of the assembled picture.
    pub assembled_px: (usize, usize),
    /// How far exposure has gone, from 0 to 1.
    pub growth: Vec<f64>,
}

/// Follows and fits a series: particles where the field has them and they last, else patches of texture; whichever is followed
/// over most tilts.
///
/// # Errors
/// What is missing, or that there is nothing to follow.
pub fn align(given: &Given) -> Result<Aligned, Failed> {
    let missing = |what: &str| Failed::NotMeasured(what.into());
    let unknown = || missing("the direction of the tilt axis is not known (tilt.axis_deg)");
    let axis_deg = given.axis_deg.ok_or_else(unknown)?;
    let no_picture = || missing("the tilt nearest zero shows no picture");
    let first = given.images[given.start].as_ref().ok_or_else(no_picture)?;
    let shown = given.images.iter().flatten().count() as f64;
    let mut best: Option<Aligned> = None;
    let mut why = missing("the pictures are too small for patches");
    let choices: [&dyn Fn() -> Option<Choice>; 3] =
        [&|| beads(first), &|| texture(first, FINE), &|| texture(first, COARSE)];
    for choice in choices {
        match choice().map(|choice| on(given, axis_deg, choice)) {
            Some(Ok(aligned)) => {
                // Dark spots that do not last may be no particles at all: texture as long as they counts more.
                let gives_way = best.as_ref().is_none_or(|best| match best.choice.kind {
                    Kind::Beads => aligned.followed() >= best.followed(),
                    Kind::Texture => aligned.followed() > best.followed(),
                });
                if gives_way {
                    best = Some(aligned);
                }
            }
            Some(Err(failed)) => why = failed,
            None => {}
        }
        if best.as_ref().is_some_and(|best| best.followed() as f64 >= LASTS * shown) {
            break;
        }
    }
    best.ok_or(why)
}

/// Follows and fits what was chosen.
fn on(given: &Given, axis_deg: f64, choice: Choice) -> Result<Aligned, Failed> {
    let (images, pixel_px) = (&given.images, given.pixel_px);
    let through: Vec<Through<'_>> = (0..images.len())
        .map(|at| Through {
            tilt_deg: given.tilts_deg[at],
            image: images[at].as_ref(),
            place: given.places_px[at].map(|place| place.map(|px| px / pixel_px)),
        })
        .collect();
    let follower = Follower::new(choice.manner, axis_deg, &through);
    let tracks = tracks(&follower, &choice, images, given.start);
    let mut sights = sights(&tracks, pixel_px);
    let half_field = 0.25 * (given.assembled_px.0 + given.assembled_px.1) as f64;
    let mut about = first_model(given, axis_deg, &tracks, half_field);
    let lost = || Failed::Lost("no place is found again over enough tilts".into());
    let start = start(&about, &sights, given.start).ok_or_else(lost)?;
    let lasting = choice.kind == Kind::Beads;
    let cell_px = choice.place_px * pixel_px;
    // Across the axis texture tells nothing of a change.
    let along_only = !lasting || grows_with_the_angle(given);
    let only_axis = Freedom { axis: true, scattered: !lasting, along_only, cell_px, ..Freedom::default() };
    let rough = Freedom { roughly: true, ..only_axis };
    let mut rigid = fitted(&mut about, &sights, start, rough).ok_or_else(lost)?;
    // What follows begins where this ended.
    about.clone_from(&rigid.model);
    let only_axis = Freedom { begun: true, ..only_axis };
    if lasting {
        // Looked for where a rigid specimen has them, places of one that changes would be pulled towards that.
        let changing = changing(&about, &sights, (start, only_axis), &rigid);
        let expected = changing.as_ref().unwrap_or(&rigid);
        sights = self::sights(&look_again(&follower, expected, &sights, pixel_px), pixel_px);
        rigid = fitted(&mut about, &sights, start, only_axis).ok_or_else(lost)?;
    } else {
        widen_across(&mut sights, &rigid);
        rigid = fitted(&mut about, &sights, start, only_axis).ok_or_else(lost)?;
    }
    let turning = Freedom { turns: true, ..only_axis };
    let numbers = 2.0 * about.poses.iter().flatten().count() as f64;
    let turned = worth_it(&about, &sights, start, turning, (&rigid, numbers));
    let freedom = if turned.is_some() { turning } else { only_axis };
    rigid = turned.unwrap_or(rigid);
    // Patches drift with the angle, parts of the field do not.
    let change = match lasting {
        true => changing(&about, &sights, (start, freedom), &rigid).and_then(|fit| fit.warp_size()),
        false => bend(images, pixel_px, &rigid.model, start, half_field),
    };
    let change = change.filter(|(size, error)| *size > CHANGE_ERRORS * error);
    if !lasting && change.is_none() {
        // A change would move the whole field as well.
        about.clone_from(&rigid.model);
        about.along = along(images, pixel_px, &about, start);
        rigid = fitted(&mut about, &sights, start, freedom).unwrap_or(rigid);
    }
    let left = (0..images.len()).map(|tilt| left(&rigid.model, &sights, &rigid, tilt, cell_px)).collect();
    Ok(Aligned { choice, start, sights, turns: freedom.turns, rigid, change, along_only, left })
}

/// Whether what grows with exposure grows with the angle: a series recorded from one end to the other.
fn grows_with_the_angle(given: &Given) -> bool {
    let shown = || (0..given.images.len()).filter(|&at| given.images[at].is_some());
    let n = shown().count().max(1) as f64;
    let off = |values: &[f64]| {
        let mean = shown().map(|at| values[at]).sum::<f64>() / n;
        shown().map(|at| values[at] - mean).collect::<Vec<f64>>()
    };
    let (growth, angle) = (off(&given.growth), off(&given.tilts_deg));
    cosine(&growth, &angle).abs() > WITH_THE_ANGLE
}

/// Between two vectors.
fn cosine(a: &[f64], b: &[f64]) -> f64 {
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    dot(a, b) / (dot(a, a) * dot(b, b)).sqrt().max(1e-300)
}

/// A fit with a change of the specimen that grows; `None` where the tracks are no likelier by it, or do not agree on it.
fn changing(about: &Model, sights: &[Sight], (start, freedom): (usize, Freedom), rigid: &Fit) -> Option<Fit> {
    let bending = Freedom { warp: true, ..freedom };
    let directions = if freedom.along_only { 1.0 } else { 3.0 };
    worth_it(about, sights, start, bending, (rigid, directions * QUADRATIC_NUMBERS))
        .filter(|_| said_twice(about, sights, start, bending))
}

/// A fit with more freedom, of so many numbers, where that makes the tracks likelier; a rough one tells.
fn worth_it(
    about: &Model,
    sights: &[Sight],
    start: usize,
    freedom: Freedom,
    (narrow, numbers): (&Fit, f64),
) -> Option<Fit> {
    let rough = Freedom { roughly: true, ..freedom };
    fitted(&mut about.clone(), sights, start, rough).filter(|wide| worth(narrow, wide, numbers))?;
    fitted(&mut about.clone(), sights, start, freedom)
}

/// A patch holds matter of many heights, and which of it is followed changes: it errs more across the axis than along it. What
/// it errs more is added to the errors across.
fn widen_across(sights: &mut [Sight], fit: &Fit) {
    let (p, q) = directions(fit.model.axis);
    let spread = |along: [f64; 2]| {
        let off = fit.residuals.iter().map(|r| (r[0] * along[0] + r[1] * along[1]).abs()).filter(|off| off.is_finite());
        let mut off: Vec<f64> = off.collect();
        off.sort_by(f64::total_cmp);
        // Median of a normal law's absolute value: 0.674 standard deviations.
        off.get(off.len() / 2).map_or(0.0, |median| (median / 0.674).powi(2))
    };
    let more = (spread(p) - spread(q)).max(0.0) / fit.scale.max(1e-12);
    for sight in sights {
        let [xx, xy, yy] = sight.information;
        let det = (xx * yy - xy * xy).max(1e-12);
        let [a, b, c] = [yy / det + more * p[0] * p[0], -xy / det + more * p[0] * p[1], xx / det + more * p[1] * p[1]];
        let det = (a * c - b * b).max(1e-12);
        sight.information = [c / det, -b / det, a / det];
    }
}

/// The tilt that holds the origin: the one from which places were followed, or the nearest to it with enough tracks.
fn start(about: &Model, sights: &[Sight], first: usize) -> Option<usize> {
    let counts = counts(about.tilts.len(), sights);
    let able = (0..counts.len()).filter(|&at| counts[at] >= FEWEST_TRACKS && about.poses[at].is_some());
    able.min_by_key(|at| at.abs_diff(first))
}

fn counts(tilts: usize, sights: &[Sight]) -> Vec<usize> {
    let mut counts = vec![0; tilts];
    sights.iter().for_each(|sight| counts[sight.tilt] += 1);
    counts
}

/// Whether two halves of the tracks, each by itself, tell the same change: what single tracks drift by is not the same.
fn said_twice(about: &Model, sights: &[Sight], start: usize, freedom: Freedom) -> bool {
    let half = |parity: usize| {
        let of: Vec<Sight> = sights.iter().filter(|sight| sight.track % 2 == parity).copied().collect();
        let fit = fitted(&mut about.clone(), &of, start, freedom)?;
        let warp = fit.model.warp?;
        let moved: Vec<[f64; 3]> = about.terms.iter().map(|terms| warp.displacement(terms)).collect();
        let mean = |k: usize| moved.iter().map(|m| m[k]).sum::<f64>() / moved.len().max(1) as f64;
        let mean = [mean(0), mean(1), mean(2)];
        Some(moved.iter().flat_map(|m| [0, 1, 2].map(|k| m[k] - mean[k])).collect::<Vec<f64>>())
    };
    half(0).zip(half(1)).is_some_and(|(a, b)| cosine(&a, &b) > ALIKE)
}

/// Tracks from the start outward; where few are left, new places are chosen and followed both ways.
fn tracks(follower: &Follower<'_>, choice: &Choice, images: &[Option<Image>], start: usize) -> Vec<Vec<Found>> {
    let long = |places: &[[f64; 2]], from: usize| -> Vec<Vec<Found>> {
        let all: Vec<Vec<Found>> = places.par_iter().map(|at| follower.follow(*at, from)).collect();
        all.into_iter().filter(|track| track.len() >= FEWEST_SIGHTS).collect()
    };
    let mut tracks = long(&choice.at, start);
    let (wanted, most) = (WANTED * choice.at.len() as f64, MOST_TRACKS * choice.at.len());
    let mut begun = start;
    for tilt in (0..start).rev().chain(start + 1..images.len()) {
        let Some(image) = images[tilt].as_ref().filter(|_| tilt.abs_diff(begun) >= RESTS) else { continue };
        let here: Vec<[f64; 2]> =
            tracks.iter().flatten().filter(|found| found.tilt == tilt).map(|found| found.at).collect();
        if (here.len() as f64) < wanted && tracks.len() < most {
            tracks.extend(long(&more(choice, image, &here), tilt));
            begun = tilt;
        }
    }
    tracks
}

/// Whether more freedom makes the tracks more likely than chance does, errors as large as the first fit has them.
fn worth(narrow: &Fit, wide: &Fit, numbers: f64) -> bool {
    narrow.unlikeliness_at(narrow.scale) - wide.unlikeliness_at(narrow.scale)
        > WORTH_FITTING * numbers * narrow.together
}

/// A fit with its origin settled; poses of tilts whose tracks do not suffice are taken from `about`.
fn fitted(about: &mut Model, sights: &[Sight], start: usize, freedom: Freedom) -> Option<Fit> {
    let counts = counts(about.tilts.len(), sights);
    for (pose, count) in about.poses.iter_mut().zip(&counts) {
        *pose = pose.filter(|_| *count >= FEWEST_TRACKS);
    }
    about.poses[start]?;
    let tied = tied(about.tilts.len(), sights, start);
    about.poses.iter_mut().zip(tied).filter(|(_, tied)| !tied).for_each(|(pose, _)| *pose = None);
    let mut fit = fit(about, sights, start, freedom)?;
    let mut counted = vec![false; about.points.len()];
    sights.iter().zip(&fit.weights).filter(|(_, w)| **w >= OUTLIER).for_each(|(sight, _)| counted[sight.track] = true);
    fit.model.settle_origin(&counted, start);
    Some(fit)
}

/// Tilts that enough tracks tie to the start: of tracks that begin beyond a gap nobody knows how high they lie against the
/// others, and so not where their tilts lie. A track ties that is seen beyond a gap and twice before it.
fn tied(tilts: usize, sights: &[Sight], start: usize) -> Vec<bool> {
    let mut of_track: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    sights.iter().for_each(|sight| of_track.entry(sight.track).or_default().push(sight.tilt));
    let enough = |beyond: &dyn Fn(usize) -> bool| {
        let ties = |seen: &&Vec<usize>| {
            let far = seen.iter().filter(|tilt| beyond(**tilt)).count();
            far > 0 && seen.len() - far > 1
        };
        of_track.values().filter(ties).count() >= FEWEST_TRACKS
    };
    let mut tied = vec![true; tilts];
    for at in start + 1..tilts {
        tied[at] = tied[at - 1] && enough(&|tilt| tilt >= at);
    }
    for at in (0..start).rev() {
        tied[at] = tied[at + 1] && enough(&|tilt| tilt <= at);
    }
    tied
}

/// Every track once more, where the model expects it.
fn look_again(follower: &Follower<'_>, fit: &Fit, sights: &[Sight], pixel_px: f64) -> Vec<Vec<Found>> {
    let tilts = fit.model.tilts.len();
    let one = |track: usize| {
        let mut seen = vec![false; tilts];
        let of_track = sights.iter().zip(&fit.weights).filter(|(sight, _)| sight.track == track);
        of_track.filter(|(_, weight)| **weight >= OUTLIER).for_each(|(sight, _)| seen[sight.tilt] = true);
        if seen.iter().filter(|seen| **seen).count() < FEWEST_SIGHTS {
            return Vec::new();
        }
        let near =
            |tilt: usize| (tilt.saturating_sub(LIVES_ON)..=tilt + LIVES_ON).any(|at| seen.get(at) == Some(&true));
        let expected = |tilt: usize| fit.model.expected(track, tilt).filter(|_| near(tilt));
        let expected: Vec<Option<[f64; 2]>> =
            (0..tilts).map(|tilt| expected(tilt).map(|at| at.map(|px| px / pixel_px))).collect();
        follower.again(&expected, &seen)
    };
    (0..fit.model.points.len()).into_par_iter().map(one).collect()
}

fn sights(tracks: &[Vec<Found>], pixel_px: f64) -> Vec<Sight> {
    let long = tracks.iter().enumerate().filter(|(_, track)| track.len() >= FEWEST_SIGHTS);
    let sight = |track: usize, found: &Found| {
        let [xx, xy, yy] = found.covariance.map(|c| c * pixel_px * pixel_px);
        let det = (xx * yy - xy * xy).max(1e-12);
        let information = [yy / det, -xy / det, xx / det];
        Sight { track, tilt: found.tilt, at: found.at.map(|px| px * pixel_px), information }
    };
    long.flat_map(|(at, track)| track.iter().map(move |found| sight(at, found))).collect()
}

/// Points at height 0 where they were chosen, tilts where tracking has them.
fn first_model(given: &Given, axis_deg: f64, tracks: &[Vec<Found>], half_field: f64) -> Model {
    let axis = axis_deg.to_radians();
    let (p, q) = directions(axis);
    let point = |track: &Vec<Found>| {
        let steepness = |found: &&Found| given.tilts_deg[found.tilt].abs();
        let Some(found) = track.iter().min_by(|a, b| steepness(a).total_cmp(&steepness(b))) else { return [0.0; 3] };
        let place = given.places_px[found.tilt].unwrap_or_default();
        let off = [0, 1].map(|k| found.at[k] * given.pixel_px - place[k]);
        let cosine = given.tilts_deg[found.tilt].to_radians().cos();
        [(p[0] * off[0] + p[1] * off[1]) / cosine, q[0] * off[0] + q[1] * off[1], 0.0]
    };
    let points: Vec<[f64; 3]> = tracks.iter().map(point).collect();
    Model {
        tilts: given.tilts_deg.iter().map(|deg| deg.to_radians()).collect(),
        growth: given.growth.clone(),
        axis,
        poses: given.places_px.iter().map(|at| at.map(|shift| Pose { shift, ..Pose::default() })).collect(),
        terms: points.iter().map(|[u, v, _]| terms([*u, *v], half_field)).collect(),
        points,
        warp: None,
        along: Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tilts_that_other_tracks_show_hang_on_nothing() {
        let sight = |track: usize, tilt: usize| Sight { track, tilt, at: [0.0; 2], information: [1.0, 0.0, 1.0] };
        // Five tracks over tilts 2 to 7, five over 0 to 2, three of which go on: they share one tilt, and too few tracks.
        let first = (0..5).flat_map(|track| (2..8).map(move |tilt| sight(track, tilt)));
        let second = (5..10).flat_map(|track| (0..3).map(move |tilt| sight(track, tilt)));
        let sights: Vec<Sight> =
            first.chain(second).chain((5..8).flat_map(|track| [sight(track, 3), sight(track, 4)])).collect();
        assert_eq!(tied(8, &sights, 4), [false, false, true, true, true, true, true, true]);
        let more: Vec<Sight> = sights.into_iter().chain([sight(8, 3), sight(8, 4)]).collect();
        assert!(tied(8, &more, 4).into_iter().all(|tied| tied));
    }
}
