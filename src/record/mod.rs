//! The record: what an assessment found, as the types of `record.json`.
//!
//! Every key here is public: other people's scripts and the lab database read them. Keys are added where they
//! serve, never renamed or dropped. Each number carries its unit in its name. A figure that could not be
//! measured is `null`, never 0 and never a guess; a measurement that tiltworth does not make yet is `null` as a
//! whole.

#![allow(non_snake_case, reason = "e_per_A2 is a published key: electrons per square ångström")]

pub mod alignment;
pub mod alignment_table;
pub mod angles;
pub mod archive;
pub mod evidence;
pub mod hashes;
pub mod output;
pub mod pair;
pub mod reading;
pub mod sane;
pub mod tables;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The version of the record's layout; raised when a key changes its meaning.
pub const RECORD_VERSION: u32 = 1;

/// One assessment of one series.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Record {
    /// Layout version, see [`RECORD_VERSION`].
    pub record_version: u32,
    /// The program that wrote the record.
    pub tool: Tool,
    /// RFC 3339 time of the assessment.
    pub assessed_at: String,
    /// What was assessed.
    pub series: SeriesFacts,
    /// Every file that was read, with its SHA-256.
    pub inputs: Vec<Input>,
    /// Where each column of per-section facts came from.
    pub columns: Vec<ColumnSource>,
    /// What intake wants the reader to know: differences between sources, assumptions made.
    pub notes: Vec<String>,
    /// Facts and switches that were given as options, as TOML, files without their folders; null where none were.
    #[serde(default)]
    pub options: Option<String>,
    /// The limits that were applied.
    pub profile: ProfileUsed,
    /// One entry a tilt, by ascending angle; a repeated angle keeps its own entry, by order.
    pub tilts: Vec<Tilt>,
    /// Figures of the series as a whole.
    pub measures: Measures,
    /// Every check of the profile that tiltworth can make, graded.
    pub checks: Vec<Check>,
    /// The answer.
    pub verdict: Verdict,
}

/// Name and version of the writing program.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Tool {
    /// Always `tiltworth`.
    pub name: String,
    /// Its version.
    pub version: String,
}

/// The facts of the series.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SeriesFacts {
    /// Safe for file names: letters, digits, `.`, `_`, `-`.
    pub series_id: String,
    /// Free text.
    pub title: Option<String>,
    /// Free text that groups series.
    pub session: Option<String>,
    /// Kind of specimen.
    pub specimen: Specimen,
    /// RFC 3339 time of the first exposure.
    pub started_at: Option<String>,
    /// Name of the microscope.
    pub instrument: Option<String>,
    /// Acceleration voltage.
    pub kv: Option<f64>,
    /// Pixel size at the specimen.
    pub pixel_nm: Option<f64>,
    /// Width of one section.
    pub width_px: usize,
    /// Height of one section.
    pub height_px: usize,
    /// Number of sections assessed.
    pub sections: usize,
    /// Number of tilts, repeats counted.
    pub tilts: usize,
    /// Columns of the montage (1: no montage).
    pub montage_cols: usize,
    /// Rows of the montage (1: no montage).
    pub montage_rows: usize,
    /// Direction of the tilt axis as stated.
    pub axis_deg: Option<f64>,
    /// Angles that were meant to be recorded more than once.
    pub repeats_deg: Vec<f64>,
    /// `a` or `b` of a dual-axis pair.
    pub axis_name: Option<String>,
    /// Width of the assembled picture by the nominal places.
    pub assembled_width_px: usize,
    /// Height of the assembled picture by the nominal places.
    pub assembled_height_px: usize,
    /// Lowest count that is taken for saturated; null: the pixels have no stated ceiling.
    pub full_scale_counts: Option<f64>,
    /// Mean counts each tilt should reach.
    pub target_mean_counts: Option<f64>,
    /// Resolution aimed at, where the operator states one.
    pub target_resolution_nm: Option<f64>,
    /// The operator's area (x, y, width, height) on the assembled picture of the tilt nearest zero.
    pub target_area_px: Option<[f64; 4]>,
}

/// Kind of specimen; decides the default profile.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Specimen {
    /// Stained plastic section.
    ResinSection,
    /// Frozen-hydrated.
    Vitrified,
    /// Anything else.
    Other,
}

/// A file that was read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Input {
    /// `sheet`, `table`, `angles`, `log`, `stack`.
    pub role: String,
    /// File name without its folder.
    pub name: String,
    /// Size.
    pub bytes: u64,
    /// SHA-256 in hex; for a folder, that of its sorted `sha256  name` lines. Null where a file could not be read to
    /// its end; a note says why.
    pub sha256: Option<String>,
}

/// Where a column came from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ColumnSource {
    /// The name by the contract, e.g. `tilt_deg`; null for a heading that was not used.
    pub column: Option<String>,
    /// The heading in the source.
    pub heading: String,
    /// `table`, `angles`, `log`, `section header`, `OME-XML`.
    pub source: String,
}

/// The profile that was applied.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ProfileUsed {
    /// Its name.
    pub name: String,
    /// SHA-256 of its text.
    pub sha256: String,
    /// The whole profile as TOML, with what it extends laid in, so that a record can be judged again by itself.
    #[serde(default)]
    pub text: Option<String>,
}

/// One tilt: all sections recorded at one goniometer angle.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Tilt {
    /// Mean goniometer angle of its sections.
    pub tilt_deg: f64,
    /// 0-based order of acquisition among the tilts.
    pub order: usize,
    /// RFC 3339 time at which its first exposure began.
    pub acquired_at: Option<String>,
    /// 0-based pages of the stack.
    pub sections: Vec<usize>,
    /// Brightness of the whole tilt.
    pub counts: Counts,
    /// Defocus and astigmatism.
    pub focus: Option<Focus>,
    /// How much fine detail the tilt keeps.
    pub sharpness: Sharpness,
    /// Where the field lies.
    pub tracking: Option<Tracking>,
    /// Whether it will align.
    #[serde(default)]
    pub alignment: Option<alignment::TiltAlignment>,
    /// Whether its picture looks as its angle says.
    #[serde(default)]
    pub angle: Option<angles::TiltAngle>,
    /// Electron dose.
    pub dose: TiltDose,
    /// Its tiles.
    pub tiles: Vec<Tile>,
    /// Its seams.
    pub seams: Option<Vec<Seam>>,
    /// The worst grade of its flags; `pass` where there is none, `not_measured` where nothing could be checked.
    pub grade: Grade,
    /// Ids of the checks that grade this tilt caution or fail.
    pub flags: Vec<String>,
    /// What was not judged on this tilt because a graver fault explains it, as `check: cause`, the cause in a word or two
    /// (`sharpness_drop: dark`); the check counts as not measured there.
    pub not_judged: Vec<String>,
    /// Left out by the verdict.
    pub exclude: bool,
}

/// How brightly a tilt or a tile was recorded; counts as stored.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Counts {
    /// Mean of all pixels.
    pub mean: Option<f64>,
    /// Smallest.
    pub min: Option<f64>,
    /// Largest.
    pub max: Option<f64>,
    /// Standard deviation (n in the denominator).
    pub sd: Option<f64>,
    /// Median.
    pub median: Option<f64>,
    /// 1st percentile.
    pub low_percentile: Option<f64>,
    /// 99th percentile.
    pub high_percentile: Option<f64>,
    /// Mean over the target, both less `offset_counts`.
    pub ratio_to_target: Option<f64>,
    /// Share of pixels at or above full scale, or in a pile-up at the top of the histogram below it.
    pub saturated_fraction: Option<f64>,
    /// Share of pixels at or below zero.
    pub zero_fraction: Option<f64>,
    /// Share of pixels that are no finite number; these enter no other figure.
    pub nonfinite_fraction: Option<f64>,
    /// Share of the frame that is darker than half the robust mean and connected to the border.
    pub dark_area_fraction: Option<f64>,
    /// What the dark area looks like: `beam edge` (rounded) or `bar` (straight).
    pub dark_area_shape: Option<String>,
    /// Peak to peak of the best plane over the mean.
    pub gradient_fraction: Option<f64>,
    /// Counts over what the smooth run of the neighbours in angle predicts (tilts only); per stated exposure where
    /// that is known.
    pub mean_over_run: Option<f64>,
}

/// Defocus and astigmatism, underfocus positive.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Focus {
    /// Whether the data carry it.
    pub measured: bool,
    /// Why not.
    pub why_not: Option<String>,
    /// Mean underfocus at the middle.
    pub defocus_um: Option<f64>,
    /// Largest underfocus over azimuth.
    pub defocus_major_um: Option<f64>,
    /// Smallest underfocus over azimuth.
    pub defocus_minor_um: Option<f64>,
    /// Major less minor.
    pub astigmatism_um: Option<f64>,
    /// Azimuth of the spatial frequency with the largest underfocus.
    pub astigmatism_deg: Option<f64>,
    /// Correlation of the measured rings with the fitted ones.
    pub ring_agreement: Option<f64>,
    /// Finest spacing to which the rings agree.
    pub rings_to_nm: Option<f64>,
    /// One standard uncertainty of `defocus_um`.
    pub error_um: Option<f64>,
    /// One standard uncertainty of `astigmatism_um`.
    #[serde(default)]
    pub astigmatism_error_um: Option<f64>,
    /// Score of the rings in standard deviations, where one was found (tilts only).
    #[serde(default)]
    pub score: Option<f64>,
    /// Score that chance alone reaches once in a thousand.
    #[serde(default)]
    pub score_needed: Option<f64>,
    /// Gradient of underfocus over the picture, over that of the stated geometry; null where the picture cannot tell.
    #[serde(default)]
    pub gradient_ratio: Option<f64>,
    /// One standard uncertainty of `gradient_ratio`.
    #[serde(default)]
    pub gradient_error: Option<f64>,
    /// How the gradient that was fitted runs, where it is not the stated one: `reversed`, `along-axis`,
    /// `each-tile` (tiles were focused one by one), `found` (the axis is not stated).
    #[serde(default)]
    pub gradient_run: Option<String>,
    /// How far the tile's focus lies from what its neighbours say, where that is significant (tiles only).
    #[serde(default)]
    pub off_neighbours_um: Option<f64>,
}

/// Focus over the series.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FocusMeasure {
    /// Whether any tilt carries it.
    pub measured: bool,
    /// Why not.
    pub why_not: Option<String>,
    /// Spherical aberration that entered.
    pub cs_mm: Option<f64>,
    /// Share of amplitude contrast that entered.
    pub amplitude_contrast: Option<f64>,
    /// Tilts with a figure.
    pub tilts_measured: usize,
    /// Median of the underfocus.
    pub median_um: Option<f64>,
    /// Robust standard deviation of underfocus less the wanted one (else of underfocus itself).
    pub spread_um: Option<f64>,
    /// Underfocus asked for: the table's median, else the series sheet's.
    pub wanted_um: Option<f64>,
    /// Underfocus asked for at each tilt; null where it is not stated.
    pub wanted_um_by_tilt: Vec<Option<f64>>,
    /// What a smooth run over the angle predicts for each tilt.
    pub run_um_by_tilt: Vec<Option<f64>>,
    /// Tilts whose underfocus jumps off that run: refocusing failed, or focus was not followed.
    pub off_run_deg: Vec<f64>,
    /// Drift of underfocus less the wanted one with the time since autofocus last ran.
    pub drift_since_autofocus_um_per_min: Option<f64>,
    /// Its standard uncertainty.
    pub drift_error_um_per_min: Option<f64>,
    /// Why there is none.
    pub drift_why_not: Option<String>,
    /// Fitted over expected gradient, all tilts that can tell.
    pub gradient_ratio: Option<f64>,
    /// Its standard uncertainty.
    pub gradient_error: Option<f64>,
    /// Why there is none.
    pub gradient_why_not: Option<String>,
    /// Tilts whose tiles were focused one by one.
    pub refocused_deg: Vec<f64>,
    /// Axis offset by underfocus against tilt, applied focus taken off: Δf = d sin θ + z₀(1 - cos θ).
    pub axis_offset_um: Option<f64>,
    /// Its standard uncertainty.
    pub axis_offset_error_um: Option<f64>,
    /// z₀ of the same fit.
    pub height_offset_um: Option<f64>,
    /// Its standard uncertainty.
    pub height_offset_error_um: Option<f64>,
    /// Why there is no such witness.
    pub axis_offset_why_not: Option<String>,
}

/// How much fine detail an image keeps.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Sharpness {
    /// Amplitude ratio of the fine to the middle band, counting noise taken off.
    pub value: Option<f64>,
    /// Amplitude of the fine band over what the neighbours in angle predict (1: as expected).
    pub relative: Option<f64>,
    /// The most that it may be by what is known: three standard uncertainties above it.
    #[serde(default)]
    pub relative_at_most: Option<f64>,
    /// Direction of the motion (cos f, sin f) in stored (x, y), where a directional loss is significant.
    pub blur_direction_deg: Option<f64>,
    /// Amplitude lost along that direction against the series' own run at each azimuth, 0 none to 1 all.
    pub directional_loss: Option<f64>,
    /// Spacing at which signal and counting noise are equally strong.
    pub signal_to_nm: Option<f64>,
    /// Why `value` is null.
    pub why_not: Option<String>,
}

/// Where the field's centre feature of the tilt nearest zero is found, in pixels of the assembled picture.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Tracking {
    /// Along rows.
    pub shift_x_px: Option<f64>,
    /// Towards later rows.
    pub shift_y_px: Option<f64>,
    /// Jump off the smooth run of the neighbours in angle.
    pub step_px: Option<f64>,
    /// One standard uncertainty of it, of this tilt's place against its neighbours'.
    #[serde(default)]
    pub step_error_px: Option<f64>,
    /// Whether the tilts beyond this one in angle stay where the step led.
    #[serde(default)]
    pub step_stays: Option<bool>,
    /// The same step with recorded image shift taken off.
    pub stage_step_px: Option<f64>,
    /// Peak of the normalised correlation with the neighbour.
    pub correlation: Option<f64>,
    /// Share of the frame that is common to all kept tilts up to this one; 0 where the tilt shows another field, in which
    /// nothing of the common one is found.
    pub shared_area_fraction: Option<f64>,
    /// The same of the tile that has least.
    pub shared_area_worst_tile_fraction: Option<f64>,
    /// Share of the operator's area that is inside one tile and in no shadow.
    pub target_visible_fraction: Option<f64>,
    /// Share of it that lies in a shadow.
    #[serde(default)]
    pub target_dark_fraction: Option<f64>,
    /// Drift between the exposures of its tiles, by its seams.
    pub drift_nm_per_s: Option<f64>,
    /// Why there is no shift.
    pub why_not: Option<String>,
}

/// Dose of one tilt: mean over its tiles.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TiltDose {
    /// Of this tilt's exposures.
    pub this_e_per_A2: Option<f64>,
    /// Largest dose that any spot of the field got at this tilt, where overlapping beams are known.
    pub largest_e_per_A2: Option<f64>,
    /// Received before, pre-exposure and overhead among it.
    pub before_e_per_A2: Option<f64>,
    /// Received once this tilt was recorded.
    pub after_e_per_A2: Option<f64>,
    /// Amplitude that radiation damage leaves at the Nyquist frequency.
    pub weight_at_nyquist: Option<f64>,
}

/// One tile of one tilt.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Tile {
    /// 0-based page of the stack.
    pub section: usize,
    /// 0-based column in the montage.
    pub col: usize,
    /// 0-based row in the montage.
    pub row: usize,
    /// Found place against the first tile; null until seams are measured.
    pub place_x_px: Option<f64>,
    /// Found place against the first tile; null until seams are measured.
    pub place_y_px: Option<f64>,
    /// Nominal place of the tile's pixel (0,0) in the assembled picture.
    pub nominal_x_px: f64,
    /// Nominal place of the tile's pixel (0,0) in the assembled picture.
    pub nominal_y_px: f64,
    /// Brightness.
    pub counts: Counts,
    /// Defocus and astigmatism.
    pub focus: Option<Focus>,
    /// Fine detail.
    pub sharpness: Sharpness,
    /// Why its pixels could not be read; null where they were.
    pub unreadable: Option<String>,
}

/// The overlap between two neighbouring tiles.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Seam {
    /// `[col, row]` of the one tile.
    pub from: [usize; 2],
    /// `[col, row]` of the other.
    pub to: [usize; 2],
    /// Found place of `to` against `from`, less the nominal one.
    pub offset_x_px: Option<f64>,
    /// Found place of `to` against `from`, less the nominal one.
    pub offset_y_px: Option<f64>,
    /// Over the patches of the seam, once the tiles are placed.
    pub residual_rms_px: Option<f64>,
    /// Over the patches of the seam, once the tiles are placed.
    pub residual_max_px: Option<f64>,
    /// What is left after the best shift of this seam alone, counting noise taken off.
    pub distortion_rms_px: Option<f64>,
    /// Peak of the normalised correlation.
    pub correlation: Option<f64>,
    /// Robust ratio of the overlapping pixels.
    pub intensity_ratio: Option<f64>,
    /// Patches with enough texture.
    pub patches: usize,
    /// Thickness of the nominal overlap.
    pub overlap_px: f64,
    /// Why the seam could not be measured.
    pub why_not: Option<String>,
}

/// Figures of the series as a whole.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Measures {
    /// Counts against tilt.
    pub counts: CountsMeasure,
    /// Which directions were seen.
    pub coverage: Coverage,
    /// Dose in all.
    pub dose: DoseMeasure,
    /// Tilt axis and height.
    pub geometry: Option<Geometry>,
    /// Specimen thickness.
    pub thickness: Option<Thickness>,
    /// Seams in all.
    pub seams: Option<SeamsMeasure>,
    /// Focus in all.
    #[serde(default)]
    pub focus: FocusMeasure,
    /// How fine a detail the tilts together carry.
    #[serde(default)]
    pub detail: DetailMeasure,
    /// What the specimen had become when an angle was recorded again.
    #[serde(default)]
    pub specimen_change: SpecimenChange,
    /// Whether the series will align.
    #[serde(default)]
    pub alignment: alignment::Alignment,
}

/// How fine a detail the tilts together carry.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DetailMeasure {
    /// Whether it is known.
    pub measured: bool,
    /// Why not.
    pub why_not: Option<String>,
    /// Finest spacing at which half of the tilts carry signal of a tenth of the counting noise or more, or to which half of
    /// them show rings of contrast transfer.
    pub signal_to_nm: Option<f64>,
    /// Whether no finer spacing was looked at: the pixels end there.
    pub ends_with_the_pixels: bool,
}

/// What the specimen has become: an angle recorded again, held against the first time; where none was, the magnifications of
/// the tilts from the first recorded to the last.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SpecimenChange {
    /// Whether the data carry it.
    pub measured: bool,
    /// Told by the magnifications of the tilts; false: by a repeated angle.
    #[serde(default)]
    pub by_magnification: bool,
    /// Why not.
    pub why_not: Option<String>,
    /// The angle: of those recorded more than once, the one nearest zero.
    pub tilt_deg: Option<f64>,
    /// Order of acquisition of its first recording, or of the first tilt.
    pub order_first: Option<usize>,
    /// Order of acquisition of its last recording, or of the last tilt.
    pub order_again: Option<usize>,
    /// Dose that the specimen received from the one to the other.
    pub dose_between_e_per_A2: Option<f64>,
    /// The larger of the changes of size across and along the axis (where the axis is not known: along x and y of the
    /// picture); below zero: it shrank.
    pub in_plane_percent: Option<f64>,
    /// One standard error of it.
    pub in_plane_error_percent: Option<f64>,
    /// Change of size across the tilt axis; null where the axis is not known.
    pub across_percent: Option<f64>,
    /// One standard error of it.
    pub across_error_percent: Option<f64>,
    /// Change of size along the tilt axis.
    pub along_percent: Option<f64>,
    /// One standard error of it.
    pub along_error_percent: Option<f64>,
    /// Turn in the plane, from x towards y.
    pub rotation_deg: Option<f64>,
    /// One standard error of it.
    pub rotation_error_deg: Option<f64>,
    /// Half of the change of the angle between x and y, in hundredths.
    pub shear_percent: Option<f64>,
    /// Patches that the fit rests on.
    pub patches: usize,
    /// Patches that were looked for.
    pub patches_tried: usize,
    /// Root mean square distance of the patches from the fit.
    pub fit_rms_px: Option<f64>,
    /// Sharpness the second time over the first.
    pub sharpness_ratio: Option<f64>,
    /// One standard error of it, by how the tilts of the series scatter about their run.
    pub sharpness_ratio_error: Option<f64>,
    /// Mean counts the second time over the first, the offset taken off.
    pub counts_ratio: Option<f64>,
}

/// Counts against tilt.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CountsMeasure {
    /// Robust relative scatter about the smooth run over angle.
    pub run_scatter_fraction: Option<f64>,
    /// Peak to peak of the plane common to all tilts, over the mean.
    pub common_gradient_fraction: Option<f64>,
    /// Direction (cos f, sin f) in stored (x, y) in which that plane grows brighter.
    pub common_gradient_deg: Option<f64>,
    /// Counts with the set-up beam at zero tilt over the target.
    pub beam_reserve: Option<f64>,
    /// Why the reserve is null.
    pub beam_reserve_why_not: Option<String>,
    /// Electrons counted over electrons stated, median over the tilts, no transmission taken off.
    pub dose_match: Option<f64>,
    /// No transmission is known for a dose stated before the specimen: only counting too many electrons is a fault.
    pub dose_match_upper_side_only: bool,
    /// Why `dose_match` is null.
    pub dose_match_why_not: Option<String>,
}

/// Which directions were seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Coverage {
    /// Lowest angle.
    pub min_deg: f64,
    /// Highest angle.
    pub max_deg: f64,
    /// Number of different angles.
    pub tilts: usize,
    /// Median increment; null with fewer than two angles.
    pub step_deg: Option<f64>,
    /// Largest increment.
    pub largest_gap_deg: Option<f64>,
    /// The two angles beside the largest gap.
    pub largest_gap_between_deg: Option<[f64; 2]>,
    /// Angles with more than one entry.
    pub repeated_angles: Vec<f64>,
    /// `acquired_at`, `order`, `row-order`, `stated`, `assumed`.
    pub order_source: String,
    /// `unidirectional`, `bidirectional`, `dose-symmetric`, `other`; null where the order is assumed.
    pub scheme: Option<String>,
    /// 1 - range / 180°.
    pub missing_wedge_fraction: f64,
    /// √((α + sin α cos α)/(α - sin α cos α)), α half of the range.
    pub elongation_factor: Option<f64>,
    /// Thickness × mean increment in radians.
    pub crowther_resolution_nm: Option<f64>,
    /// Thickness × largest gap in radians.
    pub gap_resolution_nm: Option<f64>,
    /// Why there is no resolution.
    pub resolution_why_not: Option<String>,
    /// The thickness that entered.
    pub thickness_nm: Option<f64>,
}

/// Dose in all.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DoseMeasure {
    /// Exposures of the series, per spot.
    pub total_e_per_A2: Option<f64>,
    /// Largest total of any spot, where the overlapping beams of a montage are known.
    pub largest_total_e_per_A2: Option<f64>,
    /// The total of a montage whose beam diameter is not stated is a lower bound.
    pub total_is_lower_bound: bool,
    /// Tracking and focus exposures in all.
    pub overhead_e_per_A2: Option<f64>,
    /// Before the series.
    pub pre_exposure_e_per_A2: Option<f64>,
    /// `critical-exposure` where weights were computed.
    pub weighting: Option<String>,
    /// What the critical exposure was scaled by for the voltage.
    pub voltage_factor: Option<f64>,
    /// Why something of the above is null.
    pub why_not: Option<String>,
}

/// Tilt axis and height.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Geometry {
    /// Whether the data carry it.
    pub measured: bool,
    /// Why not.
    pub why_not: Option<String>,
    /// Distance of the optical axis from the tilt axis.
    pub axis_offset_um: Option<f64>,
    /// Height off eucentric.
    pub height_offset_um: Option<f64>,
    /// Scatter about the fit.
    pub fit_rms_um: Option<f64>,
    /// One standard uncertainty of `axis_offset_um`: what `error_note` says.
    pub axis_offset_error_um: Option<f64>,
    /// One standard uncertainty of `height_offset_um`: what `error_note` says.
    pub height_offset_error_um: Option<f64>,
    /// The part of `axis_offset_error_um` that scatter about the fit makes.
    #[serde(default)]
    pub axis_offset_scatter_um: Option<f64>,
    /// The part of `height_offset_error_um` that scatter about the fit makes.
    #[serde(default)]
    pub height_offset_scatter_um: Option<f64>,
    /// What the two uncertainties speak of.
    #[serde(default)]
    pub error_note: Option<String>,
    /// Direction of the axis that figures across it use.
    pub axis_used_deg: Option<f64>,
    /// Direction of the axis by how places move against each other, 0 to 180.
    pub axis_found_deg: Option<f64>,
    /// One standard error of it.
    pub axis_found_error_deg: Option<f64>,
    /// What must be known of the axis: not stated, or stated wrong.
    pub axis_note: Option<String>,
    /// Constants of the fit's pieces: each reset of image shift begins a new one.
    pub piece_constants_um: Vec<f64>,
}

/// Specimen thickness from counts against tilt.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Thickness {
    /// Whether the data carry it.
    pub measured: bool,
    /// Why not.
    pub why_not: Option<String>,
    /// In attenuation lengths of this instrument.
    pub attenuation_lengths: Option<f64>,
    /// One standard uncertainty of it.
    #[serde(default)]
    pub attenuation_lengths_error: Option<f64>,
    /// effective tilt = `tilt_deg` + `pretilt_deg`.
    pub pretilt_deg: Option<f64>,
    /// Share of the electrons that come through at the steepest effective tilt, exp(-τ/cos θ).
    #[serde(default)]
    pub steepest_transmission_fraction: Option<f64>,
    /// Thickness where the site states its attenuation length.
    #[serde(default)]
    pub thickness_nm: Option<f64>,
    /// Inelastic mean free path of the specimen (energy-filtered images only), to check that length by.
    #[serde(default)]
    pub inelastic_mean_free_path_nm: Option<f64>,
    /// Why there is none.
    #[serde(default)]
    pub mean_free_path_why_not: Option<String>,
}

/// Seams in all.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SeamsMeasure {
    /// Whether the data carry it.
    pub measured: bool,
    /// Why not.
    pub why_not: Option<String>,
    /// Over all seams.
    pub residual_rms_px: Option<f64>,
    /// Over all seams.
    pub residual_rms_nm: Option<f64>,
    /// Tilt with the largest residual.
    pub worst_tilt_deg: Option<f64>,
    /// Speed of drift that explains what the seams' offsets do between the exposures of two tiles: median over tilts.
    pub drift_nm_per_s: Option<f64>,
    /// Why it is null.
    pub drift_why_not: Option<String>,
    /// What the seams tell, in words: each cause with its size and its remedy.
    pub causes: Vec<SeamCause>,
}

/// A cause that seams tell of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SeamCause {
    /// `unsettled-section`, `stage-or-shift`, `calibration`, `optics`, `drift`.
    pub cause: String,
    /// One plain sentence with its size.
    pub finding: String,
    /// What to do in the next session.
    pub remedy: String,
    /// Tilts that it concerns; empty: all.
    pub tilts_deg: Vec<f64>,
}

/// How a check came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Grade {
    /// Within the limits.
    Pass,
    /// Beyond the first limit.
    Caution,
    /// Beyond the second limit.
    Fail,
    /// No figure; never to be drawn as a pass.
    NotMeasured,
}

/// On which side of its limits a value is bad.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Sense {
    /// Bad above.
    Above,
    /// Bad below.
    Below,
    /// Bad outside `[low, high]`.
    Outside,
}

/// A limit as it was applied.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Limit {
    /// One-sided.
    One(f64),
    /// `[low, high]`; an end that is infinite is open, and null in the record.
    Between(
        #[serde(with = "ends")]
        #[schemars(with = "[Option<f64>; 2]")]
        [f64; 2],
    ),
}

/// The ends of a range: JSON has no infinity.
mod ends {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<S: Serializer>(ends: &[f64; 2], to: S) -> Result<S::Ok, S::Error> {
        ends.map(|end| Some(end).filter(|end| end.is_finite())).serialize(to)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<[f64; 2], D::Error> {
        let [low, high] = <[Option<f64>; 2]>::deserialize(from)?;
        Ok([low.unwrap_or(f64::NEG_INFINITY), high.unwrap_or(f64::INFINITY)])
    }
}

/// A check of the profile, graded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Check {
    /// Its id by the contract.
    pub id: String,
    /// For people.
    pub title: String,
    /// The outcome.
    pub grade: Grade,
    /// The value; of a per-tilt check, its worst tilt's.
    pub value: Option<f64>,
    /// Unit of the value and the limits.
    pub unit: String,
    /// On which side of the limits a value is bad.
    pub sense: Sense,
    /// First limit; null: this grade is never given, or the limit hangs on a figure that is missing.
    pub caution: Option<Limit>,
    /// Second limit.
    pub fail: Option<Limit>,
    /// One plain sentence: the finding, and what to do about it.
    pub why: String,
    /// Tilts with caution or fail.
    pub tilts_deg: Vec<f64>,
    /// Never excludes a tilt by itself.
    pub advice: bool,
}

/// Whether the series is worth reconstructing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Answer {
    /// As it is.
    Reconstruct,
    /// Without the tilts named.
    ReconstructWithout,
    /// Not as it stands.
    DoNotReconstruct,
    /// A needed figure is missing.
    Undecided,
}

/// The answer, with its reasons.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Verdict {
    /// The answer.
    pub answer: Answer,
    /// One line.
    pub headline: String,
    /// Sentences, each with its number and its limit.
    pub reasons: Vec<String>,
    /// The check that each reason comes from; null for reasons of coverage and of missing figures.
    #[serde(default)]
    pub reason_checks: Vec<Option<String>>,
    /// Angles of the tilts left out.
    pub exclude_tilts_deg: Vec<f64>,
    /// Pages left out; decides where an angle was repeated.
    pub exclude_sections: Vec<usize>,
    /// Better kept with a low weight than left out.
    pub low_weight_tilts_deg: Vec<f64>,
    /// Coverage of what is left.
    pub coverage_after: Coverage,
    /// Checks that could be graded.
    pub checks_made: usize,
    /// Checks that the profile asks for and tiltworth can make.
    pub checks_in_profile: usize,
    /// At most three actions for the next session.
    pub next_time: Vec<String>,
    /// For each tilt left out or weighted down: what it costs.
    pub costs: Vec<ExclusionCost>,
    /// What else could be done, each with what it costs.
    #[serde(default)]
    pub alternatives: Vec<Alternative>,
    /// Where this is no verdict but the answer to a question: what was asked.
    #[serde(default)]
    pub what_if: Option<WhatIf>,
}

/// Another choice of tilts, and what is left by it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Alternative {
    /// One line: what is left out, and what that costs in gap, range and resolution.
    pub sentence: String,
    /// Tilts left out.
    pub exclude_tilts_deg: Vec<f64>,
    /// Pages left out; decides where an angle was repeated.
    pub exclude_sections: Vec<usize>,
    /// What the answer would be.
    pub answer: Answer,
    /// Whether it is what the verdict says.
    pub chosen: bool,
}

/// What was asked of a record by `--without`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WhatIf {
    /// The list as it was given.
    pub asked: String,
    /// Headline of the verdict on record.
    pub instead_of: String,
    /// Tilts that the verdict on record leaves out.
    pub instead_of_tilts_deg: Vec<f64>,
}

/// What leaving a tilt out would cost.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ExclusionCost {
    /// The tilt.
    pub tilt_deg: f64,
    /// The check that speaks against the tilt; `asked` where none does.
    pub cause: String,
    /// Largest gap with this tilt kept (all else as in the verdict).
    pub gap_with_deg: Option<f64>,
    /// Largest gap with it left out.
    pub gap_without_deg: Option<f64>,
    /// Resolution at the largest gap with this tilt kept.
    pub resolution_with_nm: Option<f64>,
    /// Resolution at the largest gap with it left out.
    pub resolution_without_nm: Option<f64>,
    /// Degrees covered with this tilt kept.
    #[serde(default)]
    pub range_with_deg: Option<f64>,
    /// Degrees covered with it left out.
    #[serde(default)]
    pub range_without_deg: Option<f64>,
    /// What was decided: `left out` or `low weight`.
    pub decision: String,
}
