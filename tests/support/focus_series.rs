//! Series of known focus that our simulator makes, and how far the figures lie from the truth.

use tiltworth::intake::{Request, load};
use tiltworth::judge::Profile;
use tiltworth::record::Record;
use tiltworth::simulate::{Recipe, rings, run, writer};

/// One tilt, measured against its truth.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// Angle.
    pub tilt_deg: f64,
    /// Whether the simulator says that its rings can be measured.
    pub measurable: bool,
    /// Relative error of underfocus in per cent, where measured.
    pub error_percent: Option<f64>,
    /// Twice the Cramér-Rao bound, in per cent.
    pub bound_percent: f64,
    /// Error of astigmatism in nm, where measured.
    pub astigmatism_error_nm: Option<f64>,
    /// Its true value.
    pub astigmatism_nm: f64,
    /// Twice its bound.
    pub astigmatism_bound_nm: f64,
    /// Error of its azimuth in degrees, where it exceeds 100 nm.
    pub azimuth_error_deg: Option<f64>,
    /// Twice the bound of the azimuth.
    pub azimuth_bound_deg: f64,
    /// Error over stated uncertainty.
    #[allow(dead_code, reason = "printed by the accuracy table alone")]
    pub pull: Option<f64>,
    /// What the record says where there is no figure.
    pub why_not: String,
}

/// A kind of series.
pub struct Kind {
    /// Name in the table.
    pub name: &'static str,
    /// Its recipe, as TOML, without structures and faults.
    pub recipe: String,
}

/// What differs from kind to kind.
pub struct Facts {
    pub specimen: &'static str,
    pub kv: f64,
    pub cs_mm: f64,
    pub size_px: [usize; 2],
    pub pixel_nm: f64,
    pub dose: f64,
    pub defocus_um: f64,
    pub astigmatism: [f64; 2],
    pub axis_deg: f64,
    pub grain: f64,
    pub envelope_nm: f64,
    pub step_deg: f64,
    pub montage: Option<[usize; 2]>,
    pub seed: u64,
}

/// Recipe of some facts; `more` is appended (structures, faults).
pub fn recipe(facts: &Facts, more: &str) -> String {
    let Facts { specimen, kv, cs_mm, size_px: [width, height], pixel_nm, dose, defocus_um, axis_deg, grain, .. } =
        facts;
    let contrast = if *specimen == "vitrified" { 0.07 } else { 0.2 };
    let montage = facts.montage.map_or(String::new(), |[cols, rows]| {
        format!("[montage]\ncols = {cols}\nrows = {rows}\noverlap_px = [64, 64]\nplace_scatter_px = 0.5\n")
    });
    format!(
        "seed = {}\ntitle = \"focus\"\nseries_id = \"focus\"\nspecimen = \"{specimen}\"\n\
         started_at = \"2031-04-17T09:00:00Z\"\n\
         [instrument]\nname = \"M\"\nkv = {kv:.1}\ncs_mm = {cs_mm:.2}\namplitude_contrast = {contrast}\n\
         [camera]\nwidth_px = {width}\nheight_px = {height}\npixel_nm = {pixel_nm}\nfull_scale_counts = 65535.0\n\
         counts_per_electron = 40.0\nreadout_noise_counts = 8.0\n\
         [tilt]\naxis_deg = {axis_deg:.1}\nmin_deg = -60.0\nmax_deg = 60.0\nstep_deg = {:.1}\nscheme = \"unidirectional\"\n\
         [slab]\nthickness_nm = 100.0\nattenuation_length_nm = 300.0\n\
         [beam]\nkind = \"fixed\"\ndose_e_per_A2 = {dose:.3}\nexposure_s = 1.0\nseconds_per_tile = 9.0\n\
         seconds_per_tilt = 24.0\n\
         [focus]\nwanted_defocus_um = {defocus_um:.2}\nscatter_um = 0.08\nastigmatism_um = {:.3}\n\
         astigmatism_deg = {:.1}\nenvelope_nm = {:.2}\n\
         {montage}[texture]\ngrain = {grain}\nstructure_phase = 0.5\nstructure_absorption = 0.6\n{more}",
        facts.seed, facts.step_deg, facts.astigmatism[0], facts.astigmatism[1], facts.envelope_nm
    )
}

/// Structures beside the grain: they are what a background has to bear.
pub const STRUCTURES: &str = "[[structure]]\nkind = \"vesicles\"\nper_um2 = 30.0\nradius_nm = [18.0, 42.0]\n\
    density_per_nm = 0.006\nfilling_per_nm = 0.0008\n[[structure]]\nkind = \"granules\"\nper_um2 = 300.0\n\
    radius_nm = [4.0, 9.0]\ndensity_per_nm = 0.008\n";

/// Makes the series of a recipe and assesses it.
pub fn assess(text: &str) -> (Record, Vec<tiltworth::simulate::truth::TiltTruth>, Vec<rings::Worth>) {
    let recipe = Recipe::from_toml(text, std::path::Path::new("focus")).unwrap();
    let simulated = run(&recipe);
    let folder = tempfile::tempdir().unwrap();
    let series = folder.path().join("series");
    writer::write(&recipe, &simulated, &series, false).unwrap();
    let series = load(&Request { path: series, ..Request::default() }).unwrap();
    let profile = Profile::find(None, series.specimen).unwrap();
    let (record, _) = tiltworth::assess::assess(&series, &profile, &|| (), &|| true).unwrap();
    let worth: Vec<rings::Worth> = simulated.plans.iter().map(|plan| rings::worth(&recipe, plan)).collect();
    (record, simulated.truth.tilts, worth)
}

/// Every tilt of a record against its truth.
pub fn compare(
    record: &Record,
    truths: &[tiltworth::simulate::truth::TiltTruth],
    worth: &[rings::Worth],
) -> Vec<Outcome> {
    record
        .tilts
        .iter()
        .map(|tilt| {
            let focus = tilt.focus.as_ref().unwrap();
            let at = truths.iter().position(|truth| (truth.tilt_deg - tilt.tilt_deg).abs() < 0.02).unwrap();
            let (truth, worth) = (&truths[at], &worth[at]);
            let error_um = focus.defocus_um.map(|um| um - truth.defocus_um);
            let turned = |deg: f64| (deg - truth.astigmatism_deg).rem_euclid(180.0);
            Outcome {
                tilt_deg: tilt.tilt_deg,
                measurable: worth.is_measurable(),
                error_percent: error_um.map(|um| 100.0 * um / truth.defocus_um),
                bound_percent: 200.0 * worth.defocus_bound_um / truth.defocus_um,
                astigmatism_error_nm: focus.astigmatism_um.map(|um| 1e3 * (um - truth.astigmatism_um)),
                astigmatism_nm: 1e3 * truth.astigmatism_um,
                astigmatism_bound_nm: 2e3 * worth.astigmatism_bound_um,
                azimuth_error_deg: focus
                    .astigmatism_deg
                    .filter(|_| truth.astigmatism_um > 0.1)
                    .map(|deg| turned(deg).min(180.0 - turned(deg))),
                azimuth_bound_deg: 2.0 * worth.azimuth_bound_deg,
                pull: error_um.zip(focus.error_um).map(|(um, sd)| um / sd),
                why_not: format!(
                    "{} score {:?}/{:?} agreement {:?} to {:?}",
                    focus.why_not.clone().unwrap_or_default(),
                    focus.score,
                    focus.score_needed,
                    focus.ring_agreement,
                    focus.rings_to_nm
                ),
            }
        })
        .collect()
}

/// The kinds of series of the accuracy table; `nth`: which of the series of each kind.
pub fn kinds(nth: u64) -> Vec<Kind> {
    let base = Facts {
        specimen: "vitrified",
        kv: 300.0,
        cs_mm: 2.7,
        size_px: [1024, 1024],
        pixel_nm: 0.36,
        dose: 3.0,
        defocus_um: 3.0,
        astigmatism: [0.06, 35.0],
        axis_deg: 8.0,
        grain: 0.12,
        envelope_nm: 0.5,
        step_deg: 15.0,
        montage: None,
        seed: 1,
    };
    let kind = |name, facts: Facts| {
        let facts = Facts { seed: facts.seed + 1000 * nth, ..facts };
        Kind { name, recipe: recipe(&facts, STRUCTURES) }
    };
    vec![
        kind("vitrified 0.36 nm, 3 e/Å², 1024²", Facts { ..base }),
        kind("vitrified 0.36 nm, 1 e/Å², 1024²", Facts { dose: 1.0, seed: 2, defocus_um: 4.0, ..base }),
        kind(
            "vitrified 0.20 nm, 5 e/Å², 1024²",
            Facts {
                dose: 5.0,
                seed: 3,
                pixel_nm: 0.2,
                defocus_um: 1.5,
                grain: 0.25,
                axis_deg: 95.0,
                envelope_nm: 0.3,
                ..base
            },
        ),
        kind(
            "200 kV 0.50 nm, 1024 × 768",
            Facts {
                kv: 200.0,
                cs_mm: 2.0,
                seed: 4,
                pixel_nm: 0.5,
                size_px: [1024, 768],
                astigmatism: [0.2, 110.0],
                axis_deg: 181.0,
                defocus_um: 2.5,
                ..base
            },
        ),
        kind(
            "resin 0.68 nm, 7,500 counts, 1024²",
            Facts {
                specimen: "resin-section",
                dose: 5.5,
                seed: 5,
                pixel_nm: 0.68,
                axis_deg: 4.2,
                envelope_nm: 0.9,
                defocus_um: 4.0,
                ..base
            },
        ),
        kind(
            "resin 0.80 nm montage 2 × 2 of 512²",
            Facts {
                specimen: "resin-section",
                dose: 4.0,
                seed: 6,
                pixel_nm: 0.8,
                size_px: [512, 512],
                axis_deg: -8.0,
                envelope_nm: 0.9,
                defocus_um: 5.0,
                astigmatism: [0.15, 120.0],
                montage: Some([2, 2]),
                ..base
            },
        ),
        kind(
            "120 kV 0.40 nm, strong astigmatism",
            Facts { kv: 120.0, cs_mm: 2.0, seed: 7, pixel_nm: 0.4, astigmatism: [0.5, 60.0], defocus_um: 2.0, ..base },
        ),
    ]
}

/// Kinds whose rings cannot be measured.
pub fn blind_kinds() -> Vec<Kind> {
    let base = Facts {
        specimen: "resin-section",
        kv: 300.0,
        cs_mm: 2.7,
        size_px: [512, 512],
        pixel_nm: 1.6,
        dose: 1.0,
        defocus_um: 2.0,
        astigmatism: [0.05, 20.0],
        axis_deg: 4.0,
        grain: 0.1,
        envelope_nm: 1.2,
        step_deg: 3.0,
        montage: None,
        seed: 21,
    };
    let kind = |name, facts: Facts| Kind { name, recipe: recipe(&facts, STRUCTURES) };
    vec![
        kind("resin, 1.6 nm pixels, 2 µm", Facts { ..base }),
        kind("no grain", Facts { grain: 0.0, pixel_nm: 0.6, seed: 22, ..base }),
        kind("0.03 e/Å²", Facts { dose: 0.03, pixel_nm: 0.5, seed: 23, ..base }),
        kind("lens envelope at 4 nm", Facts { envelope_nm: 4.0, pixel_nm: 0.7, seed: 24, ..base }),
    ]
}
