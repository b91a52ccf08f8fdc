//! Series with known truth: phantom, image formation, planted faults.
//!
//! A [`recipe::Recipe`] is settled into one [`plan::TiltPlan`] a tilt, a [`phantom`] is built, each tilt is formed
//! ([`optics`]), shaded, exposed ([`exposure`]) and written ([`writer`]) beside its [`truth`]. Pixels are the same bit
//! for bit on any machine and with any number of threads: see [`random`] and [`transform`].

pub mod beam;
pub mod bend;
pub mod camera;
pub mod error;
pub mod exposure;
pub mod faults;
pub mod lie;
pub mod montage;
pub mod motion;
pub mod movement;
pub mod optics;
pub mod phantom;
pub mod plan;
pub mod projection;
pub mod random;
pub mod recipe;
pub mod rings;
pub mod schedule;
pub mod shade;
pub mod sheet;
pub mod shrink;
pub mod structure;
pub mod table;
pub mod transform;
pub mod truth;
pub mod warp;
pub mod weeks;
pub mod writer;

pub use error::SimulateError;
pub use recipe::Recipe;
pub use writer::write;

#[cfg(test)]
mod promises;

use rayon::prelude::*;

/// A simulated series.
#[derive(Debug, Clone, PartialEq)]
pub struct Simulated {
    /// Pixels of each section, row by row, in order of acquisition.
    pub sections: Vec<Vec<u16>>,
    /// What was settled for each tilt.
    pub plans: Vec<plan::TiltPlan>,
    /// What is true.
    pub truth: truth::Truth,
}

/// Makes the series of a recipe.
pub fn run(recipe: &Recipe) -> Simulated {
    let plans = plan::plan(recipe);
    let bench = optics::Bench::new(recipe, &plans);
    let steepest = |plan: &plan::TiltPlan| (plan.tilt_deg + recipe.slab.pretilt_deg).abs();
    let steepest_deg = plans.iter().map(steepest).fold(0.0, f64::max).min(85.0);
    let wander = plans.iter().flat_map(|plan| plan.seen_px).map(f64::abs).fold(0.0, f64::max);
    let slab = phantom::phantom(recipe, bench.reach_px(recipe) + wander, steepest_deg);
    let exposed: Vec<_> = plans.par_iter().map(|plan| exposure::record(recipe, &bench, &slab, plan)).collect();
    let truth = truth::truth(recipe, &plans, &exposed);
    let sections = exposed.into_iter().flat_map(|tilt| tilt.tiles).map(|tile| tile.counts).collect();
    Simulated { sections, plans, truth }
}
