//! The recipe of a simulated series: everything that the pixels hang on, with the seed.
//!
//! Directions, signs and units are those of the series sheet. Tables that a recipe leaves out take the values of
//! their `Default`.

use crate::record::Specimen;
use crate::simulate::error::SimulateError;
use crate::simulate::faults::{Fault, What};
use crate::simulate::lie::Lie;
use crate::simulate::schedule::{SAME_ANGLE_DEG, nominal_deg};
use crate::simulate::shrink::Shrink;
use crate::simulate::structure::Structure;
use crate::simulate::warp::Warp;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// A recipe as written.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recipe {
    /// Seed of every random number.
    pub seed: u64,
    /// Free text.
    pub title: String,
    /// Id of the series.
    pub series_id: String,
    /// Free text that groups series.
    #[serde(default)]
    pub session: Option<String>,
    /// Kind of specimen.
    pub specimen: Specimen,
    /// RFC 3339 time of the first exposure.
    #[serde(deserialize_with = "time", serialize_with = "time_text")]
    pub started_at: jiff::Timestamp,
    /// The answer that the truth file states; without it `reconstruct`, or `reconstruct-without` where a planted
    /// fault says `leave_out`.
    #[serde(default)]
    pub answer: Option<crate::record::Answer>,
    /// `a` or `b` of a dual-axis pair: goes into the series sheet, and changes no pixel.
    #[serde(default)]
    pub axis_name: Option<String>,
    /// A specimen of its own seed, and how it lies; absent: it grows from the recipe's seed, and lies as it grew.
    #[serde(default)]
    pub lie: Option<Lie>,
    /// Absent: the section keeps its size.
    #[serde(default)]
    pub shrink: Option<Shrink>,
    /// Absent: the section does not bend.
    #[serde(default)]
    pub warp: Option<Warp>,
    /// The microscope.
    pub instrument: Instrument,
    /// The camera.
    pub camera: Camera,
    /// Angles.
    pub tilt: TiltRecipe,
    /// The slab.
    pub slab: Slab,
    /// Illumination.
    pub beam: Beam,
    /// Focus.
    pub focus: FocusRecipe,
    /// How the field moves.
    #[serde(default)]
    pub movement: Movement,
    /// Tiles; absent: a single one.
    #[serde(default)]
    pub montage: Option<MontageRecipe>,
    /// Fine texture.
    pub texture: Texture,
    /// What lies in the slab.
    #[serde(default, rename = "structure")]
    pub structures: Vec<Structure>,
    /// What goes wrong.
    #[serde(default, rename = "fault")]
    pub faults: Vec<Fault>,
}

/// The microscope.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Instrument {
    /// Its name.
    pub name: String,
    /// Acceleration voltage.
    pub kv: f64,
    /// Spherical aberration.
    pub cs_mm: f64,
    /// Share of amplitude contrast, 0 to 1.
    pub amplitude_contrast: f64,
}

/// The camera.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Camera {
    /// Columns of a section.
    pub width_px: usize,
    /// Rows of a section.
    pub height_px: usize,
    /// Pixel size at the specimen.
    pub pixel_nm: f64,
    /// Bits of a stored pixel: 8 or 16.
    #[serde(default = "sixteen")]
    pub bits: u8,
    /// Largest count.
    pub full_scale_counts: f64,
    /// Gain.
    pub counts_per_electron: f64,
    /// Counts without electrons.
    #[serde(default)]
    pub offset_counts: f64,
    /// Standard deviation that reading adds.
    #[serde(default)]
    pub readout_noise_counts: f64,
    /// Standard deviation of the gain from pixel to pixel, the same at every section.
    #[serde(default)]
    pub gain_sd: f64,
    /// Standard deviation of the gain from column to column, the same at every section.
    #[serde(default)]
    pub stripe_sd: f64,
    /// How the stack is packed.
    #[serde(default)]
    pub compression: Packing,
}

fn sixteen() -> u8 {
    16
}

/// How a stack is packed.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Packing {
    /// Deflate (TIFF compression 8).
    #[default]
    Deflate,
    /// Not at all.
    None,
}

/// Angles: which, and in what order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TiltRecipe {
    /// Direction of the tilt axis in the stored picture.
    pub axis_deg: f64,
    /// Lowest angle.
    pub min_deg: f64,
    /// Highest angle.
    pub max_deg: f64,
    /// Increment.
    pub step_deg: f64,
    /// Order.
    pub scheme: Scheme,
    /// Where a bidirectional or dose-symmetric series begins.
    #[serde(default)]
    pub start_deg: f64,
    /// Tilts on one side before a dose-symmetric series changes side.
    #[serde(default = "one")]
    pub group: usize,
    /// Angles that are never recorded.
    #[serde(default)]
    pub leave_out_deg: Vec<f64>,
    /// Angles that are recorded once more at the end.
    #[serde(default)]
    pub repeat_deg: Vec<f64>,
    /// Standard deviation of the goniometer about the nominal angle; the table states the angle reached.
    #[serde(default)]
    pub scatter_deg: f64,
}

fn one() -> usize {
    1
}

/// Order of acquisition.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scheme {
    /// From the lowest angle to the highest.
    Unidirectional,
    /// From the start up, then from below the start down.
    Bidirectional,
    /// From the start outward, changing side after every group.
    DoseSymmetric,
}

/// The slab that holds the structures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Slab {
    /// Thickness.
    pub thickness_nm: f64,
    /// Path after which 1/e of the electrons are left.
    pub attenuation_length_nm: f64,
    /// Effective tilt = goniometer angle + this.
    #[serde(default)]
    pub pretilt_deg: f64,
}

/// Illumination: a dose a tilt, from a target or fixed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Beam {
    /// `regulated`: each tilt gets what the target needs, between the floor and the reserve; `fixed`: all get
    /// `dose_e_per_A2`.
    pub kind: BeamKind,
    /// What each tilt should reach; needed where the beam is regulated.
    #[serde(default)]
    pub target_mean_counts: Option<f64>,
    /// Counts at zero tilt with the brightest beam; the reserve of a regulated beam.
    #[serde(default)]
    pub setup_mean_counts: Option<f64>,
    /// The dimmest beam that can be set, as the dose of an exposure.
    #[serde(default, rename = "lowest_dose_e_per_A2")]
    pub lowest_dose_e_per_a2: f64,
    /// Dose of an exposure; needed where the beam is fixed.
    #[serde(default, rename = "dose_e_per_A2")]
    pub dose_e_per_a2: Option<f64>,
    /// Received before the series.
    #[serde(default, rename = "pre_exposure_e_per_A2")]
    pub pre_exposure_e_per_a2: f64,
    /// Tracking and focus exposures of a tilt.
    #[serde(default, rename = "overhead_per_tilt_e_per_A2")]
    pub overhead_per_tilt_e_per_a2: f64,
    /// Exposure time.
    pub exposure_s: f64,
    /// Peak to peak over the mean of a slope of the illumination, the same in every tile.
    #[serde(default)]
    pub slope_fraction: f64,
    /// Direction (cos f, sin f) in stored (x, y) in which it grows brighter.
    #[serde(default)]
    pub slope_deg: f64,
    /// From the beginning of one exposure of a tilt to the beginning of the next.
    pub seconds_per_tile: f64,
    /// Tilting, settling, tracking and focus before a tilt.
    pub seconds_per_tilt: f64,
}

/// Whether the beam is changed from tilt to tilt.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BeamKind {
    /// It is.
    Regulated,
    /// It is not.
    Fixed,
}

/// Focus: what was asked for, and how well it was met.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FocusRecipe {
    /// Underfocus asked for.
    pub wanted_defocus_um: f64,
    /// Standard deviation of the underfocus reached.
    #[serde(default)]
    pub scatter_um: f64,
    /// Largest less smallest underfocus over azimuth.
    #[serde(default)]
    pub astigmatism_um: f64,
    /// Azimuth of the spatial frequency with the largest underfocus.
    #[serde(default)]
    pub astigmatism_deg: f64,
    /// Focus is set anew before each tilt; if not, axis offset and height move it.
    #[serde(default = "yes")]
    pub autofocus: bool,
    /// Spacing at which the lens's envelope keeps 1/e of the amplitude.
    pub envelope_nm: f64,
}

fn yes() -> bool {
    true
}

/// How the field moves while the stage tilts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Movement {
    /// Distance d of the optical axis from the tilt axis.
    pub axis_offset_um: f64,
    /// Height z₀ off eucentric.
    pub height_offset_um: f64,
    /// Whether image shift undoes d (cos t - 1) + z₀ sin t; it is recorded in the table.
    pub undone_by_image_shift: bool,
    /// Standard deviation of what tracking leaves, in each direction.
    pub wander_um: f64,
}

impl Default for Movement {
    fn default() -> Self {
        Self { axis_offset_um: 0.0, height_offset_um: 0.0, undone_by_image_shift: true, wander_um: 0.0 }
    }
}

/// A montage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MontageRecipe {
    /// Columns.
    pub cols: usize,
    /// Rows.
    pub rows: usize,
    /// Nominal overlap between neighbouring columns, rows.
    pub overlap_px: [usize; 2],
    /// Standard deviation of a tile's place about the nominal one, in each direction.
    #[serde(default)]
    pub place_scatter_px: f64,
}

/// Fine texture: what carries signal to high frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Texture {
    /// Standard deviation of phase contrast before the lens, white, new at every tilt, common to its tiles.
    pub grain: f64,
    /// How strongly structures show in phase contrast, as a factor of their optical depth.
    pub structure_phase: f64,
    /// How strongly structures absorb, as a factor of their optical depth.
    pub structure_absorption: f64,
}

impl Recipe {
    /// Reads and checks a recipe; `file` is named in errors.
    ///
    /// # Errors
    /// [`SimulateError::Recipe`] for an unknown key, a missing one, or a value out of range.
    pub fn from_toml(text: &str, file: &Path) -> Result<Self, SimulateError> {
        let recipe: Self = toml::from_str(text).map_err(|error| SimulateError::Recipe {
            file: file.to_path_buf(),
            key: place(text, error.span()),
            fault: error.message().trim().to_owned(),
            remedy: "compare with the recipes in demo-stacks".to_owned(),
        })?;
        recipe.checked(file)
    }

    /// Reads and checks the recipe in a file.
    ///
    /// # Errors
    /// As [`Recipe::from_toml`], and where the file cannot be read.
    pub fn from_file(file: &Path) -> Result<Self, SimulateError> {
        let text = std::fs::read_to_string(file).map_err(|error| SimulateError::io(file, error))?;
        Self::from_toml(&text, file)
    }

    /// Number of tile columns and rows.
    pub fn tiles(&self) -> (usize, usize) {
        self.montage.as_ref().map_or((1, 1), |montage| (montage.cols, montage.rows))
    }

    fn checked(self, file: &Path) -> Result<Self, SimulateError> {
        match self.first_fault() {
            None => Ok(self),
            Some((key, fault, remedy)) => Err(SimulateError::Recipe {
                file: PathBuf::from(file),
                key: key.to_owned(),
                fault,
                remedy: remedy.to_owned(),
            }),
        }
    }

    /// Key, fault and remedy of the first value that cannot be.
    fn first_fault(&self) -> Option<(&'static str, String, &'static str)> {
        let faults = [Self::fault_of_numbers, Self::fault_of_beam, Self::fault_of_montage, Self::fault_of_planting];
        faults.into_iter().find_map(|fault| fault(self))
    }

    fn fault_of_numbers(&self) -> Option<(&'static str, String, &'static str)> {
        let positive = [
            ("instrument.kv", self.instrument.kv),
            ("camera.pixel_nm", self.camera.pixel_nm),
            ("camera.full_scale_counts", self.camera.full_scale_counts),
            ("camera.counts_per_electron", self.camera.counts_per_electron),
            ("camera.width_px", self.camera.width_px as f64),
            ("camera.height_px", self.camera.height_px as f64),
            ("tilt.step_deg", self.tilt.step_deg),
            ("tilt.group", self.tilt.group as f64),
            ("slab.thickness_nm", self.slab.thickness_nm),
            ("slab.attenuation_length_nm", self.slab.attenuation_length_nm),
            ("focus.envelope_nm", self.focus.envelope_nm),
        ];
        // `!(value > 0)` and not `value <= 0`, so that a NaN is caught too.
        if let Some((key, value)) = positive.into_iter().find(|(_, value)| !(*value > 0.0 && value.is_finite())) {
            return Some((key, format!("{value} is not greater than 0"), "give a number greater than 0"));
        }
        if !(self.tilt.min_deg <= self.tilt.max_deg && self.tilt.min_deg > -85.0 && self.tilt.max_deg < 85.0) {
            let fault = format!("{} to {}", self.tilt.min_deg, self.tilt.max_deg);
            return Some(("tilt.min_deg, tilt.max_deg", fault, "give a rising range within -85 and 85 degrees"));
        }
        if !matches!(self.camera.bits, 8 | 16) {
            return Some(("camera.bits", format!("{} bits a pixel", self.camera.bits), "give 8 or 16"));
        }
        let ceiling = if self.camera.bits == 8 { 255.0 } else { 65535.0 };
        (self.camera.full_scale_counts > ceiling).then(|| {
            let fault = format!("{} does not fit {} bits", self.camera.full_scale_counts, self.camera.bits);
            ("camera.full_scale_counts", fault, "lower it, or give camera.bits = 16")
        })
    }

    fn fault_of_beam(&self) -> Option<(&'static str, String, &'static str)> {
        match self.beam.kind {
            BeamKind::Regulated if self.beam.target_mean_counts.is_none() => {
                Some(("beam.target_mean_counts", "missing for a regulated beam".to_owned(), "give the counts aimed at"))
            }
            BeamKind::Fixed if self.beam.dose_e_per_a2.is_none() => {
                Some(("beam.dose_e_per_A2", "missing for a fixed beam".to_owned(), "give the dose of an exposure"))
            }
            _ => None,
        }
    }

    /// A fault that is planted where nothing is recorded would go unseen.
    fn fault_of_planting(&self) -> Option<(&'static str, String, &'static str)> {
        let recorded = nominal_deg(&self.tilt);
        let planted = self.faults.iter().flat_map(|fault| &fault.tilts_deg);
        let strays = |angle: &&f64| !recorded.iter().any(|nominal| (nominal - **angle).abs() < SAME_ANGLE_DEG);
        if let Some(stray) = planted.into_iter().find(strays) {
            let fault = format!("{stray} degrees are not recorded");
            return Some(("fault.tilts_deg", fault, "give nominal angles of the series"));
        }
        let (cols, rows) = self.tiles();
        let outside = self.faults.iter().find_map(|fault| match fault.what {
            What::Misplaced { col, row, .. }
            | What::Bent { col, row, .. }
            | What::TileMisfocus { col, row, .. }
            | What::TileDim { col, row, .. }
                if col >= cols || row >= rows =>
            {
                Some((col, row))
            }
            _ => None,
        });
        outside.map(|(col, row)| {
            let fault = format!("column {col}, row {row} of {cols} x {rows} tiles");
            ("fault.what", fault, "give a tile of the montage, counted from 0")
        })
    }

    fn fault_of_montage(&self) -> Option<(&'static str, String, &'static str)> {
        let montage = self.montage.as_ref()?;
        if montage.cols == 0 || montage.rows == 0 {
            return Some(("montage.cols, montage.rows", "0 tiles".to_owned(), "give at least 1 of each"));
        }
        let [across, down] = montage.overlap_px;
        (2 * across >= self.camera.width_px || 2 * down >= self.camera.height_px).then(|| {
            let fault = format!("[{across}, {down}] is half of a tile or more");
            ("montage.overlap_px", fault, "give less than half of the tile")
        })
    }
}

/// An RFC 3339 time, given as a string.
fn time<'de, D: serde::Deserializer<'de>>(source: D) -> Result<jiff::Timestamp, D::Error> {
    let text = String::deserialize(source)?;
    text.parse().map_err(serde::de::Error::custom)
}

/// The same, back to a string.
fn time_text<S: serde::Serializer>(time: &jiff::Timestamp, to: S) -> Result<S::Ok, S::Error> {
    to.collect_str(time)
}

/// `line 12` of a byte range in a text.
fn place(text: &str, span: Option<std::ops::Range<usize>>) -> String {
    match span.and_then(|range| text.get(..range.start)) {
        Some(before) => format!("line {}", before.matches('\n').count() + 1),
        None => "the recipe".to_owned(),
    }
}
