//! Simulated series held against what is true of their three-dimensional places: what the tests of the outlook on alignment
//! share with the command that prints its table.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]
#![allow(dead_code, reason = "each test uses its part")]

use std::path::Path;
use tiltworth::intake::{Request, load};
use tiltworth::judge::Profile;
use tiltworth::record::Record;
use tiltworth::record::evidence::{AlignmentCurves, Evidence, TrackCurve};
use tiltworth::simulate::projection::View;
use tiltworth::simulate::structure::{Matter, Structure};
use tiltworth::simulate::warp::share;
use tiltworth::simulate::{Recipe, optics, phantom, plan, run, write};

/// A series that was made and assessed.
pub struct Done {
    /// Its recipe.
    pub recipe: Recipe,
    /// Its record.
    pub record: Record,
    /// Its evidence.
    pub evidence: Evidence,
}

/// A recipe of the demo stacks at another seed, its faults left out.
pub fn demo(name: &str, seed: u64) -> Recipe {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-stacks").join(name).join("recipe.toml");
    let mut recipe = Recipe::from_file(&path).unwrap();
    recipe.seed = seed;
    recipe.faults.clear();
    recipe
}

/// Gold on both faces of the slab.
pub fn with_beads(mut recipe: Recipe, per_um2: f64, radius_nm: f64) -> Recipe {
    recipe.structures.push(Structure::Balls {
        per_um2,
        radius_nm: [0.95 * radius_nm, 1.05 * radius_nm],
        density_per_nm: 0.14,
        on_faces: true,
    });
    recipe
}

/// The same specimen as a single picture of this side.
pub fn single(mut recipe: Recipe, side_px: usize) -> Recipe {
    recipe.montage = None;
    (recipe.camera.width_px, recipe.camera.height_px) = (side_px, side_px);
    recipe
}

/// Makes a series and assesses it.
pub fn done(recipe: &Recipe) -> Done {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("series");
    write(recipe, &run(recipe), &path, false).unwrap();
    let series = load(&Request { path, ..Request::default() }).unwrap();
    let profile = Profile::find(None, series.specimen).unwrap();
    let (record, evidence) = tiltworth::assess::assess(&series, &profile, &|| (), &|| true).unwrap();
    Done { recipe: recipe.clone(), record, evidence }
}

/// A quantile of numbers.
pub fn quantile(values: &[f64], q: f64) -> f64 {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    if sorted.is_empty() { f64::NAN } else { sorted[((sorted.len() - 1) as f64 * q).round() as usize] }
}

impl Done {
    /// Tracks and model.
    pub fn curves(&self) -> &AlignmentCurves {
        self.evidence.curves.alignment.as_ref().unwrap()
    }

    /// Distance of each pose's shift from the true one, in px. Where heights begin no data can tell: the one number that
    /// fits best is taken off, and so is the place of the start.
    pub fn shift_errors(&self) -> Vec<f64> {
        let plans = plan::plan(&self.recipe);
        let start = self.evidence.curves.alignment.as_ref().map_or(0, |curves| curves.start);
        let of = |order: usize| plans.iter().find(|plan| plan.order == order).unwrap();
        let zero = of(self.record.tilts[start].order);
        let (sa, ca) = self.recipe.tilt.axis_deg.to_radians().sin_cos();
        let sine = |plan: &plan::TiltPlan| (plan.tilt_deg.to_radians()).sin();
        let cosine = |plan: &plan::TiltPlan| (plan.tilt_deg.to_radians()).cos();
        let mut off = Vec::new();
        for tilt in &self.record.tilts {
            let Some(alignment) = &tilt.alignment else { continue };
            let (Some(x), Some(y)) = (alignment.shift_x_px, alignment.shift_y_px) else { continue };
            let plan = of(tilt.order);
            // The origin is what lies in the middle of the start's picture, not of the slab.
            let along = -(zero.seen_px[0] * sa + zero.seen_px[1] * ca);
            let across = -(zero.seen_px[0] * ca - zero.seen_px[1] * sa) / cosine(zero) * cosine(plan);
            let truly = [plan.seen_px[0] + ca * across + sa * along, plan.seen_px[1] - sa * across + ca * along];
            let d = [x - truly[0], y - truly[1]];
            off.push((sine(plan) - sine(zero), d[0] * ca - d[1] * sa, d[0] * sa + d[1] * ca));
        }
        let (up, down): (f64, f64) =
            off.iter().map(|(s, across, _)| (s * across, s * s)).fold((0.0, 0.0), |a, b| (a.0 + b.0, a.1 + b.1));
        let height = up / down.max(1e-12);
        off.iter().map(|(s, across, along)| (across - height * s).hypot(*along)).collect()
    }

    /// Fitted axis less the true one.
    pub fn axis_error_deg(&self) -> f64 {
        let found = self.record.measures.alignment.axis_deg.unwrap_or(f64::NAN);
        (found - self.recipe.tilt.axis_deg + 90.0).rem_euclid(180.0) - 90.0
    }

    /// Middle (u, v, z) and radius of every ball, in nm.
    pub fn balls_nm(&self) -> Vec<(f64, f64, f64, f64)> {
        let plans = plan::plan(&self.recipe);
        let bench = optics::Bench::new(&self.recipe, &plans);
        let steepest =
            plans.iter().map(|p| (p.tilt_deg + self.recipe.slab.pretilt_deg).abs()).fold(0.0, f64::max).min(85.0);
        let wander = plans.iter().flat_map(|plan| plan.seen_px).map(f64::abs).fold(0.0, f64::max);
        let slab = phantom::phantom(&self.recipe, bench.reach_px(&self.recipe) + wander, steepest);
        let ball = |piece: &Matter| match piece {
            Matter::Ball { centre_nm: [u, v, z], radius_nm, .. } => Some((*u, *v, *z, *radius_nm)),
            Matter::Cloud { .. } => None,
        };
        slab.matter.iter().filter_map(ball).collect()
    }

    /// Heights of the tracks less those of the balls that lie where they start, in nm, their median taken off; none of texture.
    pub fn height_errors_nm(&self) -> Vec<f64> {
        if self.record.measures.alignment.followed.as_deref() != Some("beads") {
            return Vec::new();
        }
        let plans = plan::plan(&self.recipe);
        let all = self.balls_nm();
        let curves = self.curves();
        let tilt = &self.record.tilts[curves.start];
        let plan = plans.iter().find(|plan| plan.order == tilt.order).unwrap();
        let nm = self.recipe.camera.pixel_nm;
        let pretilt = self.recipe.slab.pretilt_deg;
        let view = View::new(plan.tilt_deg + pretilt, self.recipe.tilt.axis_deg, nm, plan.seen_px);
        let (s, c) = pretilt.to_radians().sin_cos();
        let mut errors = Vec::new();
        for track in &curves.tracks {
            let Some(sight) = track.sights.iter().find(|sight| sight.tilt == curves.start) else { continue };
            let balls = all.iter().map(|&(u, v, z, radius)| {
                let at = view.place_px([u, v, z]);
                ((at[0] - sight.at_px[0]).hypot(at[1] - sight.at_px[1]), [u, v, z], radius)
            });
            // Where two lie behind each other nobody knows which is followed.
            let near: Vec<_> = balls.filter(|(off, _, radius)| off * nm < 3.0 * radius).collect();
            if let [(off, centre, radius)] = near.as_slice()
                && off * nm < 0.7 * radius
            {
                // Heights count in the stage, at zero goniometer angle.
                errors.push(track.point_px[2] * nm - (centre[2] * c - centre[0] * s));
            }
        }
        let middle = quantile(&errors, 0.5);
        errors.into_iter().map(|error| error - middle).collect()
    }

    /// Root mean square of the planted change over the tracks at the last exposure, what is common to all taken off; along the
    /// axis alone where it was sought there alone.
    pub fn planted_warp_nm(&self) -> f64 {
        let Some(planted) = self.recipe.warp else { return 0.0 };
        let nm = self.recipe.camera.pixel_nm;
        let share = |track: &TrackCurve| share(&self.recipe, [track.point_px[0] * nm, track.point_px[1] * nm]);
        let shares: Vec<f64> = self.curves().tracks.iter().map(share).collect();
        let mean = shares.iter().sum::<f64>() / shares.len() as f64;
        let square = shares.iter().map(|share| (share - mean).powi(2)).sum::<f64>() / shares.len() as f64;
        let others = match self.record.measures.alignment.warp_along_axis_only {
            Some(true) => 0.0,
            _ => planted.across_nm.powi(2) + planted.up_nm.powi(2),
        };
        (planted.along_nm.powi(2) + others).sqrt() * square.sqrt()
    }
}
