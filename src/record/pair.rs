//! The record of a dual-axis pair, as the types of `pair.json`. Keys are public, as those of `record.json`.

use crate::record::{Answer, Tool};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The version of the layout; raised when a key changes its meaning.
pub const PAIR_VERSION: u32 = 1;

/// Two series of one specimen about two axes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PairRecord {
    /// Layout version, see [`PAIR_VERSION`].
    pub pair_version: u32,
    /// The program that wrote the record.
    pub tool: Tool,
    /// RFC 3339 time of the assessment.
    pub assessed_at: String,
    /// The series about the first axis.
    pub a: PairSide,
    /// The series about the second.
    pub b: PairSide,
    /// What the reader should know: assumptions, and facts of the two sheets that do not go together.
    pub notes: Vec<String>,
    /// Figures of the pair.
    pub measures: PairMeasures,
    /// What the two verdicts mean for the pair.
    pub verdict: PairVerdict,
}

/// One of the two, in short; the whole stands in its own record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PairSide {
    /// Id, and folder beside `pair.json` that holds its record and report.
    pub series_id: String,
    /// Free text.
    pub title: Option<String>,
    /// `a` or `b` as its sheet has it.
    pub axis_name: Option<String>,
    /// RFC 3339 time of the first exposure.
    pub started_at: Option<String>,
    /// Acceleration voltage.
    pub kv: Option<f64>,
    /// Pixel size at the specimen.
    pub pixel_nm: Option<f64>,
    /// Direction of the tilt axis that its figures use.
    pub axis_deg: Option<f64>,
    /// The answer of its own verdict.
    pub answer: Answer,
    /// Its line.
    pub headline: String,
    /// Angles of the tilts that its verdict leaves out.
    pub exclude_tilts_deg: Vec<f64>,
    /// Angle of the tilt nearest zero whose picture is compared.
    pub zero_tilt_deg: Option<f64>,
    /// Index of that tilt in its record.
    pub zero_tilt: Option<usize>,
}

/// Figures of the pair.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PairMeasures {
    /// Which directions were seen by either.
    pub coverage: PairCoverage,
    /// What the two zero tilts have in common.
    pub field: PairField,
    /// Dose of both.
    pub dose: PairDose,
    /// Counts of both.
    pub counts: PairCounts,
}

/// Which directions were seen by either.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PairCoverage {
    /// Angle between the two axes in the specimen, 0 to 360; 180 more: the angles of the one count the other way.
    pub axes_apart_deg: f64,
    /// `measured` (by the turn of the pictures), or `assumed` (90).
    pub axes_apart_source: String,
    /// Ranges as recorded.
    pub recorded: PairRanges,
    /// What is left after each one's exclusions.
    pub left: PairRanges,
}

/// Two ranges, and the share of all directions (solid angle) that they leave unseen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PairRanges {
    /// Lowest and highest tilt of a.
    pub a_deg: [f64; 2],
    /// Lowest and highest tilt of b.
    pub b_deg: [f64; 2],
    /// Share that a leaves unseen: its missing wedge.
    pub missing_a_fraction: f64,
    /// Share that b leaves unseen.
    pub missing_b_fraction: f64,
    /// Share that both leave unseen: the missing pyramid, where the axes are perpendicular.
    pub missing_fraction: f64,
}

/// What the two pictures nearest zero tilt have in common.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PairField {
    /// Whether the data carry it.
    pub measured: bool,
    /// Why not.
    pub why_not: Option<String>,
    /// Turn of the specimen's picture from a to b, from x towards y, above -180 to 180.
    pub turn_deg: Option<f64>,
    /// One standard error of it.
    pub turn_error_deg: Option<f64>,
    /// The two turns that the stated axes let expect: the axes a quarter turn apart, in either sense.
    pub expected_turns_deg: [f64; 2],
    /// Where what lies in the middle of a is found in b, from the middle of b, in px of b's assembled picture.
    pub shift_x_px: Option<f64>,
    /// Towards later rows.
    pub shift_y_px: Option<f64>,
    /// One standard error of either.
    pub shift_error_px: Option<f64>,
    /// Size of the specimen in b over that in a, less 1, by the stated pixel sizes.
    pub size_change_percent: Option<f64>,
    /// One standard error of it.
    pub size_change_error_percent: Option<f64>,
    /// Correlation of the two pictures, band-passed, where both show the specimen.
    pub agreement: Option<f64>,
    /// How far the best turn stands out, in standard deviations of chance.
    pub score: Option<f64>,
    /// What chance reaches less than once in a thousand pairs, by the wrong turns of the same two pictures.
    pub score_needed: Option<f64>,
    /// Patches that the map rests on.
    pub patches: usize,
    /// Share of a's field that b shows too.
    pub share_of_a: Option<f64>,
    /// Share of b's field that a shows too.
    pub share_of_b: Option<f64>,
    /// Corners of b's field in a's assembled picture, in px.
    pub b_on_a_px: Vec<[f64; 2]>,
    /// Corners of the common field there.
    pub common_on_a_px: Vec<[f64; 2]>,
    /// The map from a's assembled picture to b's, px from the upper left corners: rows of [xx, xy, x], [yx, yy, y].
    pub a_to_b_px: Option<[[f64; 3]; 2]>,
}

/// Dose of both.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[allow(non_snake_case, reason = "e_per_A2 is a published key")]
pub struct PairDose {
    /// Which was recorded first: `a` or `b`; by the clocks, else a.
    pub first: String,
    /// Exposures and overhead of a.
    pub a_e_per_A2: Option<f64>,
    /// Exposures and overhead of b.
    pub b_e_per_A2: Option<f64>,
    /// Of both, the pre-exposure of the first among it; a lower bound where `lower_bound`.
    pub total_e_per_A2: Option<f64>,
    /// A part of the total is a lower bound, or the pre-exposure of the first is not stated.
    pub lower_bound: bool,
    /// What the second had received before its first tilt by the sheet of the first.
    pub before_second_e_per_A2: Option<f64>,
    /// What the second's own sheet states.
    pub stated_before_second_e_per_A2: Option<f64>,
    /// What this means, in one sentence.
    pub finding: String,
    /// `agrees`, `contradicts`, `more` (exposures between the two), `omitted`, `unknown`.
    pub sheets: String,
}

/// Counts of both at the tilt nearest zero.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PairCounts {
    /// Mean counts of a, the offset taken off.
    pub a_counts: Option<f64>,
    /// Mean counts of b, the offset taken off.
    pub b_counts: Option<f64>,
    /// b over a.
    pub ratio: Option<f64>,
    /// b over a, each over its dose: what of the beam passes in b over what passed in a.
    pub ratio_per_dose: Option<f64>,
    /// Why `ratio` is null.
    pub why_not: Option<String>,
}

/// What the two verdicts mean for the pair.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PairVerdict {
    /// `reconstruct`: together; `reconstruct-without`: together, without some tilts; `do-not-reconstruct`: not as a
    /// pair; `undecided`: a needed figure is missing.
    pub answer: Answer,
    /// One line.
    pub headline: String,
    /// Sentences, each with its number.
    pub reasons: Vec<String>,
    /// At most three actions for the next pair.
    pub next_time: Vec<String>,
}
