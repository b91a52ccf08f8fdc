//! The figures of a series that a facility watches: one number each, the columns of `assessments`.

use crate::numerics::median;
use crate::record::{Record, Tilt};

/// The scale on which a figure scatters evenly, so that limits of a control chart mean the same on both sides.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scale {
    /// As it is.
    Plain,
    /// Its logarithm: a positive figure with a long upper tail.
    Log,
    /// Its square root: a figure with a long upper tail that may be 0.
    Root,
}

impl Scale {
    /// A figure on this scale; `None` where the scale has no place for it.
    pub fn to(self, value: f64) -> Option<f64> {
        match self {
            Self::Plain => Some(value),
            Self::Log => (value > 0.0).then(|| value.ln()),
            Self::Root => (value >= 0.0).then(|| value.sqrt()),
        }
    }

    /// Back from this scale; a root under 0 is 0.
    pub fn back(self, value: f64) -> f64 {
        match self {
            Self::Plain => value,
            Self::Log => value.exp(),
            Self::Root => value.max(0.0).powi(2),
        }
    }
}

/// A watched figure.
#[derive(Debug)]
pub struct Figure {
    /// Its column in the ledger and its name in tables, with its unit.
    pub id: &'static str,
    /// For people.
    pub title: &'static str,
    /// Unit.
    pub unit: &'static str,
    /// On which scale it is charted.
    pub scale: Scale,
    /// What it is, in a sentence for the page.
    pub about: &'static str,
    /// Its value in a record.
    pub of: fn(&Record) -> Option<f64>,
}

/// Every watched figure, in the order of the ledger's columns and of the page.
pub const FIGURES: [Figure; 12] = [
    Figure {
        id: "counts_ratio",
        title: "Mean counts over target",
        unit: "",
        scale: Scale::Plain,
        about: "median over the tilts",
        of: |record| median(record, |tilt| tilt.counts.ratio_to_target),
    },
    Figure {
        id: "zero_tilt_ratio",
        title: "Zero-tilt ratio",
        unit: "",
        scale: Scale::Plain,
        about: "counts at zero tilt with the set-up beam over the target",
        of: |record| record.measures.counts.beam_reserve,
    },
    Figure {
        id: "defocus_error_um",
        title: "Defocus error",
        unit: "µm",
        scale: Scale::Plain,
        about: "median underfocus less the wanted one",
        of: |record| Some(record.measures.focus.median_um? - record.measures.focus.wanted_um?),
    },
    Figure {
        id: "defocus_spread_um",
        title: "Defocus spread",
        unit: "µm",
        scale: Scale::Log,
        about: "robust standard deviation over the tilts",
        of: |record| record.measures.focus.spread_um,
    },
    Figure {
        id: "astigmatism_um",
        title: "Astigmatism",
        unit: "µm",
        scale: Scale::Log,
        about: "median over the tilts",
        of: |record| median(record, |tilt| tilt.focus.as_ref().and_then(|focus| focus.astigmatism_um)),
    },
    Figure {
        id: "sharpness",
        title: "Sharpness",
        unit: "",
        scale: Scale::Log,
        about: "median over the tilts of fine over middle detail; compare like specimens and pixel sizes alone",
        of: |record| median(record, |tilt| tilt.sharpness.value),
    },
    Figure {
        id: "seam_residual_px",
        title: "Seam residual",
        unit: "px",
        scale: Scale::Log,
        about: "root mean square over all seams",
        of: |record| record.measures.seams.as_ref().and_then(|seams| seams.residual_rms_px),
    },
    Figure {
        id: "seam_distortion_px",
        title: "Seam distortion",
        unit: "px",
        scale: Scale::Root,
        about: "median over all seams",
        of: seam_distortion,
    },
    Figure {
        id: "tracking_step_px",
        title: "Tracking step",
        unit: "px",
        scale: Scale::Root,
        about: "median over the tilts of the movement off the smooth run",
        of: |record| median(record, |tilt| tilt.tracking.as_ref().and_then(|tracking| tracking.step_px)),
    },
    Figure {
        id: "axis_offset_um",
        title: "Axis offset",
        unit: "µm",
        scale: Scale::Plain,
        about: "distance of the optical axis from the tilt axis",
        of: |record| record.measures.geometry.as_ref().and_then(|geometry| geometry.axis_offset_um),
    },
    Figure {
        id: "height_offset_um",
        title: "Height",
        unit: "µm",
        scale: Scale::Plain,
        about: "height off eucentric",
        of: |record| record.measures.geometry.as_ref().and_then(|geometry| geometry.height_offset_um),
    },
    Figure {
        id: "dose_match",
        title: "Dose match",
        unit: "",
        scale: Scale::Plain,
        about: "electrons counted over electrons stated, median over the tilts",
        of: |record| record.measures.counts.dose_match,
    },
];

fn median(record: &Record, figure: impl Fn(&Tilt) -> Option<f64>) -> Option<f64> {
    median::median(record.tilts.iter().filter_map(figure))
}

fn seam_distortion(record: &Record) -> Option<f64> {
    let seams = record.tilts.iter().flat_map(|tilt| tilt.seams.iter().flatten());
    median::median(seams.filter_map(|seam| seam.distortion_rms_px))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scale_has_its_way_back_and_no_place_for_what_it_cannot_hold() {
        for scale in [Scale::Plain, Scale::Log, Scale::Root] {
            assert!((scale.back(scale.to(0.37).unwrap()) - 0.37).abs() < 1e-12);
        }
        assert_eq!((Scale::Log.to(0.0), Scale::Root.to(0.0), Scale::Root.to(-1.0)), (None, Some(0.0), None));
    }

    #[test]
    fn every_figure_has_a_column_of_its_name() {
        for figure in &FIGURES {
            let column = format!("\n    {} DOUBLE PRECISION,", figure.id);
            assert_eq!(
                super::super::schema::MIGRATIONS.concat().matches(&column).count(),
                1 + usize::from(
                    // Tilts have columns of the same name.
                    ["defocus_error_um", "astigmatism_um", "sharpness"].contains(&figure.id)
                ),
                "{}",
                figure.id
            );
        }
    }
}
