//! The page: drawn from a record and its evidence alone, so that any record can be rendered again without its stack.
//!
//! One file a plot. Plots are made by plotters in placeholder colours; `theme` turns those into the page's own,
//! light and dark, in one step. Markup stands in `report-templates/`, compiled in; a folder can replace any part.

mod alignment_pictures;
mod alignment_runs;
mod axis;
mod change;
pub mod compare;
mod counts;
mod coverage;
mod directions;
mod dose;
mod focus;
mod format;
mod geometry;
mod head;
mod house;
pub mod many;
mod montage;
mod over_time;
mod overlay;
mod page;
pub mod pair;
mod plot;
mod positions;
mod rings;
mod seam_map;
mod sentences;
mod shape;
mod sharpness;
mod spectra;
mod steps;
mod templates;
mod theme;
mod trial;
mod words;

pub use page::{ReportError, render};
pub use pair::render_pair;
pub use trial::page as trial_page;
