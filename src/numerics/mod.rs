//! Mathematics that knows no microscope.

pub mod periodogram;
pub mod regression;
pub mod rotational;
pub mod smooth_run;
