//! The series sheet of a simulated series.

use crate::record::Specimen;
use crate::simulate::recipe::{BeamKind, Recipe};
use serde::Serialize;

/// `series.toml`, as far as a recipe knows the facts.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Sheet {
    title: String,
    specimen: Specimen,
    stack: &'static str,
    table: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    session: Option<String>,
    series_id: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    axis_name: Option<String>,
    instrument: Instrument,
    camera: Camera,
    tilt: Tilt,
    specimen_facts: Facts,
    dose: Dose,
    #[serde(skip_serializing_if = "Option::is_none")]
    montage: Option<Montage>,
    targets: Targets,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct Instrument {
    name: String,
    kv: f64,
    cs_mm: f64,
    amplitude_contrast: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct Camera {
    pixel_nm: f64,
    full_scale_counts: f64,
    counts_per_electron: f64,
    offset_counts: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct Tilt {
    axis_deg: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct Facts {
    thickness_nm: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct Dose {
    #[serde(rename = "pre_exposure_e_per_A2")]
    pre_exposure_e_per_a2: f64,
    #[serde(rename = "overhead_per_tilt_e_per_A2")]
    overhead_per_tilt_e_per_a2: f64,
    basis: &'static str,
    beam: &'static str,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct Montage {
    cols: usize,
    rows: usize,
    overlap_px: [usize; 2],
    order: &'static str,
    snake: bool,
    first: &'static str,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct Targets {
    defocus_um: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    mean_counts: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    setup_mean_counts: Option<f64>,
}

/// The sheet of a recipe.
pub fn sheet(recipe: &Recipe) -> Sheet {
    Sheet {
        title: recipe.title.clone(),
        specimen: recipe.specimen,
        stack: crate::simulate::writer::STACK,
        table: crate::simulate::writer::TABLE,
        session: recipe.session.clone(),
        series_id: recipe.series_id.clone(),
        axis_name: recipe.axis_name.clone(),
        instrument: Instrument {
            name: recipe.instrument.name.clone(),
            kv: recipe.instrument.kv,
            cs_mm: recipe.instrument.cs_mm,
            amplitude_contrast: recipe.instrument.amplitude_contrast,
        },
        camera: Camera {
            pixel_nm: recipe.camera.pixel_nm,
            full_scale_counts: recipe.camera.full_scale_counts,
            counts_per_electron: recipe.camera.counts_per_electron,
            offset_counts: recipe.camera.offset_counts,
        },
        tilt: Tilt { axis_deg: recipe.tilt.axis_deg },
        specimen_facts: Facts { thickness_nm: recipe.slab.thickness_nm },
        dose: Dose {
            pre_exposure_e_per_a2: recipe.beam.pre_exposure_e_per_a2,
            overhead_per_tilt_e_per_a2: recipe.beam.overhead_per_tilt_e_per_a2,
            basis: "incident",
            beam: match recipe.beam.kind {
                BeamKind::Regulated => "regulated",
                BeamKind::Fixed => "fixed",
            },
        },
        montage: recipe.montage.as_ref().map(|montage| Montage {
            cols: montage.cols,
            rows: montage.rows,
            overlap_px: montage.overlap_px,
            order: "rows-first",
            snake: false,
            first: "low-y",
        }),
        targets: Targets {
            defocus_um: recipe.focus.wanted_defocus_um,
            mean_counts: recipe.beam.target_mean_counts,
            setup_mean_counts: recipe.beam.setup_mean_counts,
        },
    }
}
