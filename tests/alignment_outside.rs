//! The fit of tracks against another library's: scipy.optimize.least_squares on the same tracks, by a model written out anew
//! (`tests/reference/alignment/make.py`).

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test ends where it fails")]

use serde::Deserialize;
use tiltworth::measure::alignment::fit::{Freedom, Sight, fit};
use tiltworth::measure::alignment::model::{Model, Pose, TERMS};

#[derive(Deserialize)]
struct Tracks {
    tilts_rad: Vec<f64>,
    start: usize,
    begin: Vec<f64>,
    track: Vec<usize>,
    tilt: Vec<usize>,
    at: Vec<[f64; 2]>,
    information: Vec<[f64; 3]>,
    axis_rad: f64,
    shifts: Vec<[f64; 2]>,
    points: Vec<[f64; 3]>,
}

#[test]
fn scipy_finds_the_same_model() {
    let tracks: Tracks = serde_json::from_str(include_str!("reference/alignment/tracks.json")).unwrap();
    let n = tracks.tilts_rad.len();
    let free: Vec<usize> = (0..n).filter(|tilt| *tilt != tracks.start).collect();
    let mut poses = vec![Some(Pose::default()); n];
    for (at, tilt) in free.iter().enumerate() {
        let shift = [tracks.begin[1 + 2 * at], tracks.begin[2 + 2 * at]];
        poses[*tilt] = Some(Pose { shift, ..Pose::default() });
    }
    let points: Vec<[f64; 3]> =
        tracks.begin[1 + 2 * free.len()..].chunks_exact(3).map(|p| [p[0], p[1], p[2]]).collect();
    let about = Model {
        growth: vec![0.0; n],
        axis: tracks.begin[0],
        poses,
        terms: vec![[0.0; TERMS]; points.len()],
        points,
        warp: None,
        along: Vec::new(),
        tilts: tracks.tilts_rad.clone(),
    };
    let sights: Vec<Sight> = (0..tracks.at.len())
        .map(|at| Sight {
            track: tracks.track[at],
            tilt: tracks.tilt[at],
            at: tracks.at[at],
            information: tracks.information[at],
        })
        .collect();
    let freedom = Freedom { axis: true, stated_errors: true, cell_px: 50.0, ..Freedom::default() };
    let mut found = fit(&about, &sights, tracks.start, freedom).unwrap();
    found.model.settle_origin(&vec![true; tracks.points.len()], tracks.start);
    let off_axis = (found.model.axis - tracks.axis_rad).to_degrees();
    assert!(off_axis.abs() < 1e-4, "{off_axis}");
    for (tilt, shift) in tracks.shifts.iter().enumerate() {
        let own = found.model.poses[tilt].unwrap().shift;
        let off = (own[0] - shift[0]).hypot(own[1] - shift[1]);
        assert!(off < 2e-3, "{tilt}: {own:?} {shift:?}");
    }
    for (own, theirs) in found.model.points.iter().zip(&tracks.points) {
        for k in 0..3 {
            assert!((own[k] - theirs[k]).abs() < 2e-3, "{own:?} {theirs:?}");
        }
    }
}
