//! What a recipe can plant: each fault with its tilts and its strength.

use crate::simulate::schedule::SAME_ANGLE_DEG;
use serde::{Deserialize, Serialize};

/// Side of a picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// First stored columns.
    LowX,
    /// Last stored columns.
    HighX,
    /// First stored rows.
    LowY,
    /// Last stored rows.
    HighY,
}

/// A planted fault.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fault {
    /// Nominal angles that it hits.
    pub tilts_deg: Vec<f64>,
    /// Whether these tilts are better left out: goes into the truth, and changes no pixel.
    #[serde(default)]
    pub leave_out: bool,
    /// Of an angle that is recorded more than once, only the last time is hit.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub last_only: bool,
    /// What it is: a table of one key.
    pub what: What,
}

/// What goes wrong.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum What {
    /// The field moves evenly along a line during the exposure.
    Drift {
        /// Length of the smear.
        px: f64,
        /// Direction (cos f, sin f) in stored (x, y).
        direction_deg: f64,
    },
    /// The picture is smeared alike in every direction.
    Blur {
        /// Standard deviation of the Gaussian.
        sigma_px: f64,
    },
    /// A grid bar, opaque, with a straight edge, covers one side of the assembled picture.
    Bar {
        /// The side.
        side: Side,
        /// Share of the assembled picture.
        fraction: f64,
    },
    /// The round beam does not reach one corner of each tile: the corner of side `side` and the side that follows it
    /// (low-x: low-x and low-y; high-x: high-x and high-y; low-y: high-x and low-y; high-y: low-x and high-y).
    BeamEdge {
        /// The corner.
        side: Side,
        /// Share of the tile.
        fraction: f64,
    },
    /// The beam is so bright that a share of the pixels clips; the table states the true dose.
    Saturation {
        /// Share of pixels at full scale.
        share: f64,
    },
    /// The beam is dimmer than planned; the table states the plan.
    Dim {
        /// Of the planned dose.
        factor: f64,
    },
    /// One tile is dimmer than the others.
    TileDim {
        /// Its column.
        col: usize,
        /// Its row.
        row: usize,
        /// Of the planned dose.
        factor: f64,
    },
    /// The field jumps.
    Jump {
        /// How far.
        px: f64,
        /// Direction (cos f, sin f) in stored (x, y).
        direction_deg: f64,
        /// Stays so for the rest of the acquisition.
        #[serde(default)]
        stays: bool,
    },
    /// Focus is off.
    Misfocus {
        /// Added to the underfocus.
        add_um: f64,
    },
    /// The focus of one tile is off.
    TileMisfocus {
        /// Its column.
        col: usize,
        /// Its row.
        row: usize,
        /// Added to its underfocus.
        add_um: f64,
    },
    /// Every tile is focused at its own middle, so that underfocus is a saw-tooth over the picture.
    Refocused {},
    /// The lens is astigmatic, in place of what it usually is.
    Astigmatic {
        /// Largest less smallest underfocus.
        um: f64,
        /// Azimuth of the spatial frequency with the largest underfocus.
        deg: f64,
    },
    /// A square lattice lies in the slab.
    Lattice {
        /// Its spacing.
        spacing_nm: f64,
        /// Direction (cos f, sin f) of one of its axes in stored (x, y).
        direction_deg: f64,
        /// Amplitude of its phase along each axis.
        strength: f64,
    },
    /// One tile lies off its nominal place.
    Misplaced {
        /// Its column.
        col: usize,
        /// Its row.
        row: usize,
        /// Added to its place along rows.
        x_px: f64,
        /// Added to its place along columns.
        y_px: f64,
    },
    /// One tile's picture is bent: displaced along a direction by a wave over the tile.
    Bent {
        /// Its column.
        col: usize,
        /// Its row.
        row: usize,
        /// Largest displacement.
        px: f64,
        /// Direction (cos f, sin f) in stored (x, y).
        direction_deg: f64,
        /// Waves over the tile's width and height.
        waves: [f64; 2],
    },
    /// Acquisition pauses before the tilt.
    Pause {
        /// How long.
        minutes: f64,
    },
}

/// Whether the fault hits a nominal angle; `again`: the angle is recorded again later on.
pub fn hits(fault: &Fault, nominal_deg: f64, again: bool) -> bool {
    !(fault.last_only && again) && fault.tilts_deg.iter().any(|tilt| (tilt - nominal_deg).abs() < SAME_ANGLE_DEG)
}

/// Unit vector of a direction given as (cos f, sin f).
pub fn direction(direction_deg: f64) -> [f64; 2] {
    let (sine, cosine) = libm::sincos(direction_deg.to_radians());
    [cosine, sine]
}
