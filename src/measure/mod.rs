//! One measurement a file.

pub mod cells;
pub mod coverage;
pub mod dark_area;
pub mod dose;
pub mod noise;
pub mod opposite;
pub mod segments;
pub mod sharpness;
pub mod tally;
