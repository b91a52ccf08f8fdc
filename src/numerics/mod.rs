//! Mathematics that knows no microscope.
