//! Mathematics that knows no microscope.

pub mod affine;
pub mod control;
pub mod median;
pub mod moments;
pub mod periodogram;
pub mod placement;
pub mod polygon;
pub mod registration;
pub mod regression;
pub mod rotational;
pub mod sine;
pub mod smooth_run;
pub mod spline;
pub mod tapers;
pub mod wide;
