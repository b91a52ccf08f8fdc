//! Pure formulas with their sources: wavelength, contrast transfer, critical exposure, tilt geometry.

pub mod contrast;
pub mod electron;
pub mod exposure;
pub mod mean_free_path;
pub mod pyramid;
pub mod tilt;
