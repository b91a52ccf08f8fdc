//! The evidence: the curves and pictures that the page is drawn from, kept in `evidence.zip`.
//!
//! The archive holds `evidence.json` (this module's [`Curves`]) and one JPEG a tilt under `pictures/`. With the
//! record it is all that the report needs: the page can be made again, later, without the stack.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The version of the evidence's layout.
pub const EVIDENCE_VERSION: u32 = 1;

/// Curves and pictures of one assessment.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// The curves.
    pub curves: Curves,
    /// The picture of each tilt, in the order of the record's tilts.
    pub pictures: Vec<Picture>,
}

/// An assembled picture of one tilt, as a grey JPEG.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// Name in the archive, e.g. `pictures/000.jpg`.
    pub name: String,
    /// The JPEG file.
    pub jpeg: Vec<u8>,
}

/// Contents of `evidence.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Curves {
    /// Layout version, see [`EVIDENCE_VERSION`].
    pub evidence_version: u32,
    /// Frequencies of all rotational spectra, in cycles a pixel (0 to 0.5).
    pub frequency_cycles_per_px: Vec<f32>,
    /// One entry a tilt, in the order of the record's tilts.
    pub tilts: Vec<TiltCurves>,
    /// Resolutions of the dose weights.
    pub weight_resolution_nm: Vec<f64>,
    /// An angle recorded again, held against the first time.
    #[serde(default)]
    pub repeat: Option<RepeatCurves>,
    /// Tracks and the model fitted to them.
    #[serde(default)]
    pub alignment: Option<AlignmentCurves>,
}

/// Tracks through the tilts, and what a rigid model leaves of them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AlignmentCurves {
    /// Index of the tilt from which tracks were followed.
    pub start: usize,
    /// The tracks.
    pub tracks: Vec<TrackCurve>,
    /// What remains of the rigid model as a smooth field, at the last exposure or, where none grows, in the mean of the
    /// outermost tilts: x and y of a place in the assembled picture of the start, and the displacement there, in px.
    pub field_px: Vec<[f64; 4]>,
}

/// A track.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrackCurve {
    /// Place of the point: across the axis, along it, height, in px.
    pub point_px: [f64; 3],
    /// One standard error of each.
    pub error_px: [f64; 3],
    /// Root mean square distance from the model, outliers left out by the median, in px.
    pub residual_px: f64,
    /// Where it was seen.
    pub sights: Vec<SightCurve>,
}

/// A track at a tilt.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SightCurve {
    /// Index of the tilt.
    pub tilt: usize,
    /// Where, from the middle of the assembled picture, in px.
    pub at_px: [f64; 2],
    /// Seen less expected, in px.
    pub left_px: [f64; 2],
    /// Whether it entered: outliers do not.
    pub used: bool,
}

/// Patches of a picture, found again in the later recording of the same angle.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RepeatCurves {
    /// Index of the tilt that was recorded first.
    pub tilt: usize,
    /// Of each patch x and y of the middle in the assembled picture, and how far it has moved beyond what all have
    /// moved, in px.
    pub patches_px: Vec<[f64; 4]>,
}

/// Curves of one tilt.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TiltCurves {
    /// Name of the picture in the archive.
    pub picture: String,
    /// Width and height of the picture.
    pub picture_px: [u32; 2],
    /// Pixels of the assembled montage in one pixel of the picture.
    pub picture_scale: f64,
    /// Counts drawn black and white in the picture.
    pub picture_counts: [f64; 2],
    /// Rotational average of the power spectrum, white noise of variance σ² at the level σ²; `None` at a
    /// frequency that no patch gave. Empty where no patch was clean enough.
    pub power: Vec<Option<f32>>,
    /// Level of the counting noise in `power`.
    pub noise: Option<f64>,
    /// Amplitude ratio of the fine to the middle band at each azimuth, over the series' own run (1: as expected).
    pub azimuth_relative: Vec<Option<f32>>,
    /// Sharpness that the run over angle predicts.
    pub sharpness_run: Option<f64>,
    /// Dose weights at `weight_resolution_nm`; empty where there are none.
    pub weights: Vec<f64>,
    /// The whole spectrum, power over the mean of its ring, as a JPEG in base64: fx from -0.5 to 0.5 cycles a pixel to
    /// the right, fy downward.
    #[serde(default)]
    pub spectrum_jpeg: Option<String>,
    /// Rings and their fit, where there was one.
    #[serde(default)]
    pub rings: Option<RingCurves>,
    /// Place of the picture's first pixel in the assembled picture, in px of that.
    #[serde(default)]
    pub picture_origin_px: [f64; 2],
    /// Where each tile lies in the assembled picture: found places, nominal ones where none was found; in the order of
    /// the record's tiles.
    #[serde(default)]
    pub tile_places_px: Vec<[f64; 2]>,
    /// Patches of each seam, in the order of the record's seams: x and y of the middle in the assembled picture, and
    /// how far the patch lies off the placed tiles (px).
    #[serde(default)]
    pub seam_patches_px: Vec<Vec<[f64; 4]>>,
    /// Position across the axis less the recorded image shift, as the geometry fit took it.
    #[serde(default)]
    pub across_um: Option<f64>,
    /// Piece of the geometry fit.
    #[serde(default)]
    pub piece: usize,
}

/// The rotational spectrum of a tilt along the fitted ellipses, all parts of the picture brought to the underfocus of
/// its middle, over the fitted background.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RingCurves {
    /// Frequency of each point, in cycles a pixel.
    pub frequency_cycles_per_px: Vec<f32>,
    /// Power over background; `None` where nothing fell.
    pub measured: Vec<Option<f32>>,
    /// Fitted power over background.
    pub fitted: Vec<f32>,
    /// Frequency up to which the rings agree.
    pub agrees_to_cycles_per_px: f32,
}
