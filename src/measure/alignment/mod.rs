//! Will it align? Tracks of beads or texture, a rigid model fitted to all of them, and what it leaves.

pub mod align;
pub mod along;
pub mod axis;
pub mod choose;
pub mod equations;
pub mod errors;
pub mod field;
pub mod figures;
pub mod fit;
pub mod follow;
pub mod model;
pub mod round;
pub mod words;
