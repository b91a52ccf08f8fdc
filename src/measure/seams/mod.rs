//! Seams: how well the overlaps of neighbouring tiles fit, and where the tiles really lie.
//!
//! Each tile brings the strips that its neighbours need to the tilt's [`Desk`]; whoever brings the second of two
//! measures the seam, and both are dropped. So a tilt never holds more than the strips of tiles still waited for.

pub mod bend;
pub mod causes;
pub mod coarse;
pub mod common;
pub mod figures;
pub mod find;
pub mod halved;
pub mod held;
pub mod joint;
pub mod patch;
pub mod path;
pub mod plan;
pub mod settle;
pub mod steep;
pub mod strip;

use crate::intake::Series;
use crate::intake::stack::Section;
use crate::intake::tilts::TiltGroup;
use crate::measured::{Measured, NotMeasured};
use find::Found;
use plan::Pair;
use std::collections::HashMap;
use std::sync::Mutex;
use strip::Strip;

/// Where the strips of one tilt meet.
pub struct Desk {
    pairs: Vec<Pair>,
    size_px: (usize, usize),
    offset_counts: f64,
    waiting: Mutex<HashMap<usize, Strip>>,
    found: Mutex<HashMap<usize, Measured<Found>>>,
}

impl Desk {
    /// A desk for the seams of a tilt.
    pub fn new(series: &Series, tilt: &TiltGroup) -> Self {
        Self {
            pairs: plan::pairs(series, tilt),
            size_px: series.size_px,
            offset_counts: series.offset_counts(),
            waiting: Mutex::default(),
            found: Mutex::default(),
        }
    }

    /// Whether a tile has a neighbour.
    pub fn wants(&self, slot: usize) -> bool {
        self.pairs.iter().any(|pair| pair.overlaps() && (pair.from == slot || pair.to == slot))
    }

    /// Takes the strips of a tile; seams whose other strip is there are measured.
    pub fn bring(&self, slot: usize, section: &Section, left_out: impl Fn(usize, usize, f32) -> bool) {
        let mut profiles: [Option<Vec<f32>>; 2] = [None, None];
        for (at, pair) in self.pairs.iter().enumerate().filter(|(_, pair)| pair.overlaps()) {
            let is_from = pair.from == slot;
            if !is_from && pair.to != slot {
                continue;
            }
            let rect = if is_from { pair.strip_of_from(self.size_px) } else { pair.strip_of_to(self.size_px) };
            let stripes =
                profiles[usize::from(pair.along_x)].get_or_insert_with(|| strip::stripes(section, pair.along_x));
            let strip = strip::cut(section, rect, pair.along_x, stripes, &left_out);
            // A lock that a panicking worker left poisoned loses its seam, not the run.
            let Ok(mut waiting) = self.waiting.lock() else { return };
            let other = waiting.remove(&at);
            let Some(other) = other else {
                waiting.insert(at, strip);
                continue;
            };
            drop(waiting);
            let (from, to) = if is_from { (&strip, &other) } else { (&other, &strip) };
            let found = find::find(pair, from, to, self.offset_counts);
            if let Ok(mut all) = self.found.lock() {
                all.insert(at, found);
            }
        }
    }

    /// The seams of the tilt, once all tiles were brought.
    pub fn finish(self) -> Vec<(Pair, Measured<Found>)> {
        let mut found = self.found.into_inner().unwrap_or_default();
        let reason = |pair: &Pair| {
            if pair.overlap_px <= 0 {
                "its tiles do not overlap by their nominal places"
            } else if !pair.overlaps() {
                "its tiles overlap by too few pixels"
            } else {
                "one of its tiles is missing or unreadable"
            }
        };
        let settle = |(at, pair): (usize, Pair)| {
            let measured = found.remove(&at).unwrap_or_else(|| Err(NotMeasured::because(reason(&pair))));
            (pair, measured)
        };
        self.pairs.into_iter().enumerate().map(settle).collect()
    }
}
