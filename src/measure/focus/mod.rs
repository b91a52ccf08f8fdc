//! Focus: underfocus, astigmatism and how far the rings carry, on tilted and montaged frames.
//!
//! Spectra of regions of the picture are kept small ([`maps`]), laid over a background ([`flat`]), searched over the
//! whole range of underfocus together ([`coarse`]) under each [`gradient`] that the picture can tell apart, and fitted
//! with background and astigmatism at once ([`refine`]). A [`null`] made of the same spectrum and the [`agreement`]
//! ring by ring say whether there is anything to report, and a [`rival`] whether a single broad ring says as much; where
//! tilts differ in that, [`broad`] decides.

pub mod agreement;
pub mod broad;
pub mod coarse;
pub mod figures;
pub mod flat;
pub mod gradient;
pub mod grid;
pub mod maps;
pub mod normal;
pub mod null;
pub mod optics;
pub mod refine;
pub mod rival;
pub mod search;
pub mod second;
pub mod sector;
pub mod series;
pub mod shapes;
pub mod smooth;
pub mod sums;
pub mod tiles;
pub mod tilt;
pub mod witness;

pub use figures::Figures;
pub use tilt::{Plan, TiltFocus, measure};
