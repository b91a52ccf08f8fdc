//! One measurement a file.

pub mod coverage;
pub mod dose;
