//! Registration: by how much one image is displaced against another, to a small part of a pixel, and whether that is
//! more than chance.

pub mod coherence;
pub mod fft2;
pub mod image;
pub mod level;
pub mod masked;
pub mod rings;
pub mod spectral;
pub mod taper;
pub mod upsample;
pub mod window;
