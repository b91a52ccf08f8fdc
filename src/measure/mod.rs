//! One measurement a file.

pub mod alignment;
pub mod cells;
pub mod counts;
pub mod coverage;
pub mod dark_area;
pub mod detail;
pub mod dose;
pub mod focus;
pub mod geometry;
pub mod hot_pixels;
pub mod noise;
pub mod opposite;
pub mod pair;
pub mod patches;
pub mod picture;
pub mod seams;
pub mod segments;
pub mod sharpness;
pub mod size_trend;
pub mod specimen_change;
pub mod spectrum_picture;
pub mod stated_angles;
pub mod tally;
pub mod thickness;
pub mod tracking;
pub mod whole_map;
