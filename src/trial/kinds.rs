//! The kinds of faults that a trial plants: each with the check that must tell it, a grid of strengths, and the strength
//! that a practitioner would call plain.
//!
//! Plain strengths were written down before any trial was run. They are common practice without a source, unless
//! arithmetic stands beside them; none is a limit of a profile.

use crate::record::Specimen;
use crate::simulate::recipe::Scheme;
use crate::trial::plant::{self, Plant};
use crate::trial::sound::Wish;

/// A kind of fault.
pub struct Kind {
    /// Its name.
    pub name: &'static str,
    /// The check that must tell it; `None`: no check judges it, and it must not be taken for another fault.
    pub check: Option<&'static str>,
    /// Unit of the strength.
    pub unit: &'static str,
    /// Specimens in which it can be planted.
    pub specimens: &'static [Specimen],
    /// Strengths of a trial, the weakest first.
    pub strengths: &'static [f64],
    /// From this strength on it is plain.
    pub plain: f64,
    /// Why that is plain.
    pub why: &'static str,
    /// What kind of series it needs.
    pub needs: Needs,
    /// Whether it hits single tilts.
    pub hits: Hits,
    /// What is right once it is plain.
    pub plain_means: Means,
    /// Plants it.
    pub plant: Plant,
}

/// What a fault needs of the series.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Needs {
    /// Nothing.
    Nothing,
    /// Seams.
    Montage,
    /// Rings that can be measured.
    Rings,
    /// A montage whose rings can be measured.
    RingsAndMontage,
    /// Stated targets of counts.
    Target,
    /// No stated target.
    NoTarget,
    /// A stage that turns round once.
    Bidirectional,
    /// An order that ends at one side.
    Unidirectional,
}

/// What a fault hits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hits {
    /// Tilts that are drawn.
    Tilts,
    /// Tilts that the fault itself chooses.
    ItsOwnTilts,
    /// The series.
    Series,
}

/// What a plain fault means for the verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Means {
    /// The tilts hit are left out.
    LeftOut,
    /// Nothing is left out.
    Kept,
    /// The series is not worth reconstructing as it stands.
    NotAsItStands,
    /// Pictures do not tell whether it is.
    Undecided,
}

const RESIN: &[Specimen] = &[Specimen::ResinSection];
const VITRIFIED: &[Specimen] = &[Specimen::Vitrified];
const BOTH: &[Specimen] = &[Specimen::ResinSection, Specimen::Vitrified];

impl Needs {
    /// The series that meets them.
    pub fn wish(self, specimen: Specimen) -> Wish {
        let wish = Wish::of(specimen);
        let rings = Wish { rings: true, side_px: Some(384), ..wish };
        match self {
            Self::Nothing => wish,
            Self::Montage => Wish { tiles: (1, 3), side_px: Some(256), ..wish },
            Self::Rings => rings,
            Self::RingsAndMontage => Wish { tiles: (1, 3), ..rings },
            Self::Target => Wish { target: true, ..wish },
            Self::NoTarget => Wish { target: false, ..wish },
            Self::Bidirectional => Wish { scheme: Some(Scheme::Bidirectional), ..wish },
            Self::Unidirectional => Wish { scheme: Some(Scheme::Unidirectional), ..wish },
        }
    }
}

const fn tilts(name: &'static str, check: &'static str, unit: &'static str, plant: Plant) -> Kind {
    Kind {
        name,
        check: Some(check),
        unit,
        specimens: BOTH,
        strengths: &[],
        plain: 1.0,
        why: "",
        needs: Needs::Nothing,
        hits: Hits::Tilts,
        plain_means: Means::LeftOut,
        plant,
    }
}

const fn whole(name: &'static str, check: &'static str, unit: &'static str, plant: Plant) -> Kind {
    Kind { hits: Hits::Series, plain_means: Means::Kept, ..tilts(name, check, unit, plant) }
}

/// Every kind of fault.
pub const KINDS: &[Kind] = &[
    Kind {
        strengths: &[0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 6.0],
        plain: 6.0,
        why: "seen at a glance at full size; at half Nyquist next to nothing is left",
        ..tilts("drift", "directional_blur", "px", plant::drift)
    },
    Kind {
        strengths: &[0.3, 0.5, 0.7, 0.9, 1.1, 1.4, 1.8, 2.5],
        plain: 2.0,
        why: "keeps exp(-2π²σ²g²) = 0.007 at half Nyquist",
        ..tilts("blur", "sharpness_drop", "px sd", plant::blur)
    },
    Kind {
        strengths: &[0.005, 0.01, 0.02, 0.03, 0.05, 0.08, 0.12, 0.2],
        plain: 0.35,
        why: "a third of the frame is black",
        ..tilts("bar", "dark_area", "share of the frame", plant::bar)
    },
    Kind {
        strengths: &[0.005, 0.01, 0.02, 0.03, 0.05, 0.08, 0.12, 0.2],
        plain: 0.35,
        why: "a third of each tile is black",
        ..tilts("beam edge", "dark_area", "share of a tile", plant::beam_edge)
    },
    Kind {
        strengths: &[1e-6, 3e-6, 1e-5, 3e-5, 1e-4, 3e-4, 1e-3, 1e-2],
        plain: 0.02,
        why: "one pixel in fifty is white",
        ..tilts("clipped", "saturation", "share of pixels", plant::clipped)
    },
    Kind {
        strengths: &[0.05, 0.1, 0.2, 0.25, 0.3, 0.35, 0.4, 0.6],
        plain: 0.72,
        why: "the signal-to-noise ratio is halved: √0.28 = 0.53",
        specimens: RESIN,
        needs: Needs::Target,
        ..tilts("dim, with a target", "counts_target", "share missing", plant::dim)
    },
    Kind {
        strengths: &[0.02, 0.04, 0.06, 0.08, 0.1, 0.13, 0.17, 0.25],
        plain: 0.5,
        why: "half of the electrons are missing",
        needs: Needs::NoTarget,
        ..tilts("dim, without a target", "count_outlier", "share missing", plant::dim)
    },
    Kind {
        strengths: &[0.005, 0.01, 0.015, 0.02, 0.03, 0.04, 0.06, 0.1],
        plain: 0.15,
        why: "a seventh of the field is another",
        ..tilts("jump", "tracking_step", "share of the side", plant::jump)
    },
    Kind {
        strengths: &[0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5],
        plain: 0.5,
        why: "half of the field is gone",
        needs: Needs::Unidirectional,
        hits: Hits::ItsOwnTilts,
        ..tilts("field lost at the end", "shared_area", "share of the side", plant::lost_field)
    },
    Kind {
        plain: 0.5,
        why: "half of the tilts show half of another field",
        needs: Needs::Unidirectional,
        hits: Hits::ItsOwnTilts,
        plain_means: Means::NotAsItStands,
        ..tilts("field lost half-way", "shared_area", "share of the side", plant::lost_half)
    },
    Kind {
        strengths: &[0.01, 0.02, 0.03, 0.04, 0.05, 0.06, 0.08],
        plain: 0.08,
        why: "a twelfth of the field, many times the usual step",
        needs: Needs::Bidirectional,
        hits: Hits::ItsOwnTilts,
        plain_means: Means::Kept,
        ..tilts("jump after the reversal", "first_after_reversal", "share of the side", plant::after_reversal)
    },
    Kind {
        strengths: &[0.2, 0.4, 0.6, 0.8, 1.0, 1.3, 2.0],
        plain: 2.2,
        why: "more than half of the wanted underfocus",
        specimens: RESIN,
        needs: Needs::Rings,
        plain_means: Means::Kept,
        ..tilts("out of focus", "defocus_error", "µm", plant::misfocus)
    },
    Kind {
        strengths: &[0.1, 0.2, 0.3, 0.4, 0.5, 0.7, 1.0],
        plain: 1.5,
        why: "half of the wanted underfocus",
        specimens: VITRIFIED,
        needs: Needs::Rings,
        plain_means: Means::Kept,
        ..tilts("out of focus (vitrified)", "defocus_error", "µm", plant::misfocus)
    },
    Kind {
        strengths: &[0.05, 0.08, 0.1, 0.15, 0.2, 0.3, 0.5],
        plain: 0.3,
        why: "a third of the overlap",
        needs: Needs::Montage,
        plain_means: Means::Kept,
        ..tilts("tile misplaced", "seam_offset", "share of the overlap", plant::misplaced)
    },
    Kind {
        strengths: &[1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 6.0],
        plain: 8.0,
        why: "a wave that the eye follows along the seam",
        needs: Needs::Montage,
        plain_means: Means::Kept,
        ..tilts("tile bent", "seam_distortion", "px", plant::bent)
    },
    Kind {
        strengths: &[0.02, 0.04, 0.06, 0.08, 0.1, 0.15, 0.2],
        plain: 0.25,
        why: "the seam is an edge in the picture",
        needs: Needs::Montage,
        plain_means: Means::Kept,
        ..tilts("tile dim", "seam_intensity", "share missing", plant::tile_dim)
    },
    Kind { why: "all or nothing", ..tilts("unreadable", "unreadable_section", "all", plant::blank) },
    Kind {
        why: "all or nothing",
        needs: Needs::Montage,
        plain_means: Means::Kept,
        ..tilts("tile lacking", "incomplete_tilt", "tiles", plant::lacking_tile)
    },
    Kind {
        strengths: &[0.02, 0.05, 0.1, 0.2, 0.4, 0.6],
        plain: 0.8,
        why: "four fifths of what the series is for are dark",
        ..tilts("area covered", "target_visible", "share of the area", plant::covered_area)
    },
    Kind {
        strengths: &[2.0, 5.0, 8.0, 10.0, 12.0, 20.0],
        plain: 30.0,
        why: "half an hour",
        ..whole("pause", "acquisition_pause", "min", plant::pause)
    },
    Kind {
        strengths: &[0.1, 0.2, 0.3, 0.4, 0.5, 0.7],
        plain: 0.6,
        why: "one corner is nearly twice as bright as the other",
        ..whole("sloping light", "illumination_gradient", "peak to peak", plant::slope)
    },
    Kind {
        strengths: &[0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4],
        plain: 0.45,
        why: "the steepest tilts get half of what they need",
        specimens: RESIN,
        needs: Needs::Target,
        ..whole("weak beam", "beam_reserve", "share missing", plant::weak_beam)
    },
    Kind {
        strengths: &[1.1, 1.3, 1.6, 2.0, 2.5, 3.0, 4.0],
        plain: 10.0,
        why: "an error of unit",
        ..whole("gain stated wrong", "dose_match", "times", plant::wrong_gain)
    },
    Kind {
        strengths: &[0.0, 0.2, 0.4, 0.6, 0.65, 0.7, 0.8],
        plain: 0.8,
        why: "300 of 1,500 e/Å²",
        specimens: RESIN,
        ..whole("short pre-exposure", "pre_exposure", "share of 1,500 e/Å² missing", plant::short_pre_exposure)
    },
    Kind {
        strengths: &[1.0, 2.0, 2.8, 3.2, 4.0, 8.0],
        plain: 30.0,
        why: "a third of what the specimen bears",
        specimens: VITRIFIED,
        ..whole("spent before", "pre_exposure", "e/Å²", plant::spent_before)
    },
    Kind {
        strengths: &[100.0, 120.0, 135.0, 145.0, 160.0, 200.0],
        plain: 250.0,
        why: "twice what is usual",
        specimens: VITRIFIED,
        ..whole("high dose", "total_dose", "e/Å²", plant::high_dose)
    },
    Kind {
        strengths: &[0.2, 0.4, 0.6, 0.8, 1.0, 1.2, 1.6],
        plain: 2.5,
        why: "well over the 1 µm that is worth correcting",
        ..whole("axis off", "axis_offset", "µm", plant::off_axis)
    },
    Kind {
        strengths: &[0.2, 0.4, 0.6, 0.8, 1.0, 1.2, 1.6],
        plain: 2.5,
        why: "2.2 µm of shift at 60°",
        ..whole("height off", "height_offset", "µm", plant::off_height)
    },
    Kind {
        strengths: &[0.1, 0.2, 0.3, 0.4, 0.6, 0.8, 1.2],
        plain: 1.2,
        why: "a third of the wanted underfocus",
        needs: Needs::Rings,
        ..whole("scattered focus", "defocus_spread", "µm sd", plant::scattered_focus)
    },
    Kind {
        strengths: &[0.1, 0.4, 0.7, 1.0, 1.2, 1.5, 2.0],
        plain: 2.0,
        why: "nearly twice d²/4λ at 3 nm and 300 kV",
        specimens: RESIN,
        needs: Needs::Rings,
        ..whole("astigmatism", "astigmatism", "µm", plant::astigmatic)
    },
    Kind {
        strengths: &[0.05, 0.1, 0.15, 0.2, 0.3, 0.5],
        plain: 0.8,
        why: "a quarter of the wanted underfocus",
        specimens: VITRIFIED,
        needs: Needs::Rings,
        ..whole("astigmatism (vitrified)", "astigmatism", "µm", plant::astigmatic)
    },
    Kind {
        strengths: &[5.0, 10.0, 15.0, 20.0, 30.0, 40.0],
        plain: 48.0,
        why: "±36°: most directions are never seen",
        plain_means: Means::NotAsItStands,
        ..whole("short range", "tilt_range", "degrees missing", plant::short_range)
    },
    Kind {
        strengths: &[1.0, 2.0, 3.0],
        plain: 3.0,
        why: "a gap of four steps",
        ..whole("hole at the side", "tilt_gap", "tilts missing", plant::hole)
    },
    Kind {
        plain: 4.0,
        why: "a gap of five steps where it costs most",
        plain_means: Means::NotAsItStands,
        ..whole("hole in the middle", "tilt_gap", "tilts missing", plant::hole_in_the_middle)
    },
    Kind { why: "all or nothing", ..whole("repeated", "repeated_angle", "tilts", plant::repeated) },
    Kind {
        plain: 180.0,
        why: "the sign is wrong",
        needs: Needs::RingsAndMontage,
        ..whole("axis stated wrong", "tilt_geometry", "degrees", plant::wrong_axis)
    },
    Kind {
        check: None,
        plain: 1.0,
        why: "harmless to the tilt as a whole",
        needs: Needs::RingsAndMontage,
        plain_means: Means::Kept,
        ..tilts("tile out of focus", "", "µm", plant::tile_misfocus)
    },
    Kind {
        check: None,
        why: "common on tilted montages",
        needs: Needs::RingsAndMontage,
        ..whole("tiles refocused", "", "all", plant::refocused)
    },
    Kind { check: None, plain: 0.1, why: "a crystal is specimen", ..whole("lattice", "", "amplitude", plant::lattice) },
    Kind {
        why: "all or nothing",
        plain_means: Means::Undecided,
        ..whole("nothing to follow", "alignment_outlook", "all", plant::featureless)
    },
    Kind {
        strengths: &[1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 20.0],
        plain: 13.0,
        why: "at 45° its picture is a fifth too wide",
        ..tilts("angle mistyped", "stated_angle", "degrees", plant::mistyped)
    },
    Kind {
        why: "all or nothing",
        plain_means: Means::NotAsItStands,
        ..whole("angles in another order", "stated_angle", "all", plant::shuffled)
    },
];
