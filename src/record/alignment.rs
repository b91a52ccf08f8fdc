//! The outlook on alignment as the record keeps it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Whether the series will align, on what, and how well.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Alignment {
    /// Whether the data carry it.
    pub measured: bool,
    /// Why not.
    pub why_not: Option<String>,
    /// One sentence: whether it will align, on what, and which tilts will not.
    #[serde(default)]
    pub outlook: Option<String>,
    /// What was followed: `beads` or `texture`.
    #[serde(default)]
    pub followed: Option<String>,
    /// Places that were looked for.
    #[serde(default)]
    pub places: usize,
    /// Tracks that the model rests on.
    #[serde(default)]
    pub tracks: usize,
    /// Tilts that show a picture.
    #[serde(default)]
    pub tilts_shown: usize,
    /// Share of those over which enough tracks live for a pose.
    #[serde(default)]
    pub followed_fraction: Option<f64>,
    /// Tilts with a picture that lack a pose.
    #[serde(default)]
    pub lost_tilts_deg: Vec<f64>,
    /// Angles over which tracks live for half of them or more: lowest, highest.
    #[serde(default)]
    pub lives_deg: Option<[f64; 2]>,
    /// Root mean square distance of the tracks from the rigid model, outliers left out by the median.
    #[serde(default)]
    pub residual_rms_px: Option<f64>,
    /// The same in nm.
    #[serde(default)]
    pub residual_rms_nm: Option<f64>,
    /// What would be left wrong in a volume aligned rigidly: the smooth field that remains, and the uncertainty of the
    /// tilts' shifts. What is judged.
    #[serde(default)]
    pub left_px: Option<f64>,
    /// The same in nm.
    #[serde(default)]
    pub left_nm: Option<f64>,
    /// The smooth field alone, root mean square over field and tilts, tracking noise taken off.
    #[serde(default)]
    pub field_rms_px: Option<f64>,
    /// Median over the tilts of the uncertainty of their shift.
    #[serde(default)]
    pub shift_error_px: Option<f64>,
    /// Direction of the axis by the fit.
    #[serde(default)]
    pub axis_deg: Option<f64>,
    /// One standard error of it.
    #[serde(default)]
    pub axis_error_deg: Option<f64>,
    /// Axis offset by the fitted shifts.
    #[serde(default)]
    pub axis_offset_um: Option<f64>,
    /// One standard error of it.
    #[serde(default)]
    pub axis_offset_error_um: Option<f64>,
    /// Height off eucentric by the fitted shifts.
    #[serde(default)]
    pub height_offset_um: Option<f64>,
    /// One standard error of it.
    #[serde(default)]
    pub height_offset_error_um: Option<f64>,
    /// How axis and axis offset compare with those of tracking, in words.
    #[serde(default)]
    pub agreement: Option<String>,
    /// Tilt of the plane through the heights about the axis: effective tilt = `tilt_deg` + this, if the specimen is flat.
    #[serde(default)]
    pub pretilt_deg: Option<f64>,
    /// One standard error of it.
    #[serde(default)]
    pub pretilt_error_deg: Option<f64>,
    /// Distance between the lowest and the highest of what was followed, off that plane.
    #[serde(default)]
    pub height_span_nm: Option<f64>,
    /// Median uncertainty of a height.
    #[serde(default)]
    pub height_error_nm: Option<f64>,
    /// Thickness by the heights; null where they tell none.
    #[serde(default)]
    pub thickness_nm: Option<f64>,
    /// What the heights say of the thickness, or why they do not.
    #[serde(default)]
    pub thickness_note: Option<String>,
    /// Whether turn and magnification of single tilts stand out of the errors; else they are held at none.
    #[serde(default)]
    pub turns_fitted: bool,
    /// How far the specimen had changed from a rigid one at the last exposure: root mean square over the tracks, along u,
    /// v and z together (`warp_along_axis_only`: along v), what errors put into it taken off; null where no change that grows stands out.
    #[serde(default)]
    pub warp_px: Option<f64>,
    /// The same in nm.
    #[serde(default)]
    pub warp_nm: Option<f64>,
    /// One standard error of it.
    #[serde(default)]
    pub warp_error_nm: Option<f64>,
    /// What it grows with: `dose` or `order`.
    #[serde(default)]
    pub warp_grows_with: Option<String>,
    /// Whether it was sought along the tilt axis alone: what moves across it or up is told from height only where the order
    /// of tilts lets it, and of beads.
    #[serde(default)]
    pub warp_along_axis_only: Option<bool>,
    /// What no data can tell, and by which rule it is fixed.
    #[serde(default)]
    pub gauge: Option<String>,
}

/// One tilt in the outlook on alignment.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TiltAlignment {
    /// Whether it shows a picture.
    pub shown: bool,
    /// Tracks seen at it.
    pub tracks: usize,
    /// Where the origin of the specimen is recorded, from the middle of the assembled picture; null: no pose.
    pub shift_x_px: Option<f64>,
    /// See `shift_x_px`.
    pub shift_y_px: Option<f64>,
    /// One standard error of the shift.
    pub shift_error_px: Option<f64>,
    /// Turn of the picture, from x towards y; null: held at none.
    pub turn_deg: Option<f64>,
    /// One standard error of it.
    pub turn_error_deg: Option<f64>,
    /// Magnification over the mean of the series; null: held at 1.
    pub magnification: Option<f64>,
    /// One standard error of it.
    pub magnification_error: Option<f64>,
    /// Root mean square distance of its tracks from the rigid model, outliers left out by the median.
    pub residual_px: Option<f64>,
}
