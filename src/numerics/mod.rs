//! Mathematics that knows no microscope.

pub mod smooth_run;
