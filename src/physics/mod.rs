//! Pure formulas with their sources: wavelength, contrast transfer, critical exposure, tilt geometry.

pub mod contrast;
pub mod electron;
pub mod exposure;
pub mod tilt;
