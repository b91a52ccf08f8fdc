//! Sound series of many kinds, each from a seed: faults are planted in them, and by themselves they raise nothing.
//!
//! What a careful operator keeps to is kept to (reserve for the range, pre-exposure, eucentric height to 0.2 µm, tracking
//! to a few pixels); voltage, pixel size, counts, thickness, scheme and texture are drawn from the seed.

use crate::record::Specimen;
use crate::simulate::Recipe;
use crate::simulate::faults::Fault;
use crate::simulate::random::{Stream, Use};
use crate::simulate::recipe::{
    Beam, BeamKind, Camera, FocusRecipe, Instrument, MontageRecipe, Movement, Packing, Scheme, Slab, Texture,
    TiltRecipe,
};
use crate::simulate::structure::Structure;

/// What is asked of a sound series; the rest is drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wish {
    /// Resin section or vitrified.
    pub specimen: Specimen,
    /// Columns and rows of tiles.
    pub tiles: (usize, usize),
    /// Side of a tile; `None`: drawn, 256 to 384 px.
    pub side_px: Option<usize>,
    /// Tilt step over ±60°; `None`: 3, 4 or 6°.
    pub step_deg: Option<f64>,
    /// Pixel size, counts and field are such that focus can be measured.
    pub rings: bool,
    /// Targets of counts are stated, and the beam is regulated to meet them.
    pub target: bool,
    /// Order of acquisition; `None`: drawn.
    pub scheme: Option<Scheme>,
}

impl Wish {
    /// A single picture with stated targets, all else drawn.
    pub fn of(specimen: Specimen) -> Self {
        Self { specimen, tiles: (1, 1), side_px: None, step_deg: None, rings: false, target: true, scheme: None }
    }
}

/// The sound series of a seed.
pub fn sound(seed: u64, wish: &Wish) -> Recipe {
    let mut draw = Stream::new(seed, Use::Invented, 0);
    let vitrified = wish.specimen == Specimen::Vitrified;
    let side_px = wish.side_px.unwrap_or_else(|| pick(&mut draw, &[256, 256, 288, 384]));
    let step_deg = wish.step_deg.unwrap_or_else(|| pick(&mut draw, &[3.0, 4.0, 6.0, 6.0]));
    let kv = if wish.rings { 300.0 } else { pick(&mut draw, &[120.0, 200.0, 300.0]) };
    let pixel_nm = match (wish.rings, vitrified) {
        (true, true) => draw.between(0.42, 0.5),
        (true, false) => draw.between(0.6, 0.72),
        (false, true) => draw.between(0.4, 0.9),
        (false, false) => draw.between(0.6, 1.6),
    };
    let slab = slab(&mut draw, vitrified, side_px as f64 * pixel_nm);
    let (camera, electrons) = camera(&mut draw, vitrified, wish.rings, side_px, pixel_nm);
    let tilt = tilt(&mut draw, wish, step_deg);
    let beam = beam(&mut draw, wish, &slab, &camera, electrons, 120.0 / step_deg + 1.0);
    Recipe {
        seed,
        title: format!("trial {seed}"),
        series_id: format!("trial-{seed}"),
        session: None,
        axis_name: None,
        specimen: wish.specimen,
        lie: None,
        shrink: None,
        warp: None,
        started_at: jiff::Timestamp::from_second(1_934_180_000).unwrap_or(jiff::Timestamp::UNIX_EPOCH),
        answer: None,
        instrument: Instrument {
            name: "trial".into(),
            kv,
            cs_mm: 2.7,
            amplitude_contrast: if vitrified { 0.07 } else { 0.2 },
        },
        camera,
        tilt,
        slab,
        beam,
        focus: focus(&mut draw, vitrified, wish.rings),
        movement: Movement {
            axis_offset_um: draw.between(-0.25, 0.25),
            height_offset_um: draw.between(-0.2, 0.2),
            undone_by_image_shift: true,
            wander_um: draw.between(0.2, 0.8) * pixel_nm * 1e-3,
        },
        montage: montage(&mut draw, wish.tiles, side_px),
        texture: Texture {
            grain: if wish.rings { 0.14 } else { 0.1 },
            structure_phase: if vitrified { 1.0 } else { 0.5 },
            structure_absorption: if vitrified { 0.15 } else { 1.0 },
        },
        structures: structures(&mut draw, vitrified, pixel_nm),
        faults: Vec::<Fault>::new(),
    }
}

fn pick<T: Copy>(draw: &mut Stream, of: &[T]) -> T {
    // The draw lies under 1, so the index lies within.
    of[((draw.uniform() * of.len() as f64) as usize).min(of.len() - 1)]
}

/// Thickness over the side of a picture at most. Full cameras see ten times the thickness; small pictures of as thick a
/// specimen would show structures at different heights pass each other by a third of the field.
const THICKEST_OF_FIELD: f64 = 0.3;

fn slab(draw: &mut Stream, vitrified: bool, field_nm: f64) -> Slab {
    let thickness_nm = if vitrified { draw.between(100.0, 200.0) } else { draw.between(70.0, 130.0) };
    Slab {
        thickness_nm: thickness_nm.min(THICKEST_OF_FIELD * field_nm),
        attenuation_length_nm: if vitrified { 290.0 } else { draw.between(150.0, 220.0) },
        pretilt_deg: draw.between(-1.5, 1.5),
    }
}

/// The camera, and electrons a pixel that a tilt is meant to get behind the specimen.
fn camera(draw: &mut Stream, vitrified: bool, rings: bool, side_px: usize, pixel_nm: f64) -> (Camera, f64) {
    let gain = pick(draw, &[10.0, 20.0, 40.0]);
    let electrons = match (vitrified, rings) {
        (true, true) => draw.between(60.0, 90.0),
        (true, false) => draw.between(25.0, 70.0),
        (false, true) => draw.between(150.0, 220.0),
        (false, false) => draw.between(60.0, 220.0),
    };
    let camera = Camera {
        width_px: side_px,
        height_px: side_px,
        pixel_nm,
        bits: 16,
        full_scale_counts: pick(draw, &[32_767.0, 65_535.0]),
        counts_per_electron: gain,
        offset_counts: 0.0,
        readout_noise_counts: 0.4 * gain,
        gain_sd: 0.0,
        stripe_sd: 0.0,
        compression: Packing::None,
    };
    (camera, electrons)
}

fn tilt(draw: &mut Stream, wish: &Wish, step_deg: f64) -> TiltRecipe {
    let scheme = wish
        .scheme
        .unwrap_or_else(|| pick(draw, &[Scheme::Unidirectional, Scheme::Bidirectional, Scheme::DoseSymmetric]));
    TiltRecipe {
        axis_deg: draw.between(0.0, 360.0),
        min_deg: -60.0,
        max_deg: 60.0,
        step_deg,
        scheme,
        start_deg: 0.0,
        group: pick(draw, &[1, 2, 3]),
        leave_out_deg: Vec::new(),
        repeat_deg: Vec::new(),
        scatter_deg: 0.01,
    }
}

/// exp(τ(1/cos(60° + pre-tilt) - 1)), and a fifth more: what a careful operator sets up.
fn reserve(slab: &Slab) -> f64 {
    let tau = slab.thickness_nm / slab.attenuation_length_nm;
    let path = |deg: f64| 1.0 / libm::cos(deg.to_radians());
    1.2 * libm::exp(tau * (path(60.0 + slab.pretilt_deg.abs()) - path(slab.pretilt_deg)))
}

fn beam(draw: &mut Stream, wish: &Wish, slab: &Slab, camera: &Camera, electrons: f64, tilts: f64) -> Beam {
    let vitrified = wish.specimen == Specimen::Vitrified;
    let target = electrons * camera.counts_per_electron;
    let single = wish.tiles == (1, 1);
    // A vitrified specimen bears so much in all; a stained section bears what the counts need.
    let dose = if vitrified {
        draw.between(70.0, 120.0) / tilts
    } else {
        electrons / (100.0 * camera.pixel_nm * camera.pixel_nm)
            * libm::exp(slab.thickness_nm / slab.attenuation_length_nm)
    };
    let pre_exposure = match (vitrified, single) {
        (true, _) => draw.between(0.5, 2.0),
        (false, true) => draw.between(600.0, 2000.0),
        (false, false) => draw.between(1600.0, 2200.0),
    };
    Beam {
        kind: if wish.target && !vitrified { BeamKind::Regulated } else { BeamKind::Fixed },
        target_mean_counts: (wish.target && !vitrified).then_some(target),
        setup_mean_counts: (wish.target && !vitrified).then_some(target * reserve(slab)),
        lowest_dose_e_per_a2: 0.0,
        dose_e_per_a2: Some(dose),
        pre_exposure_e_per_a2: pre_exposure,
        overhead_per_tilt_e_per_a2: if vitrified { 0.02 } else { 0.5 },
        exposure_s: 1.0,
        slope_fraction: draw.between(0.0, 0.06),
        slope_deg: draw.between(0.0, 360.0),
        seconds_per_tile: 7.0,
        seconds_per_tilt: draw.between(20.0, 60.0),
    }
}

fn focus(draw: &mut Stream, vitrified: bool, rings: bool) -> FocusRecipe {
    FocusRecipe {
        wanted_defocus_um: match (vitrified, rings) {
            (true, true) => draw.between(2.5, 3.2),
            (false, true) => draw.between(3.5, 4.2),
            (true, false) => draw.between(2.0, 4.5),
            (false, false) => draw.between(2.0, 6.0),
        },
        scatter_um: draw.between(0.02, 0.1),
        astigmatism_um: draw.between(0.01, if vitrified { 0.08 } else { 0.15 }),
        astigmatism_deg: draw.between(0.0, 180.0),
        autofocus: true,
        envelope_nm: if vitrified { 0.5 } else { 0.8 },
    }
}

fn montage(draw: &mut Stream, (cols, rows): (usize, usize), side_px: usize) -> Option<MontageRecipe> {
    let overlap = (side_px as f64 * draw.between(0.15, 0.2)).round() as usize;
    let along = |tiles: usize| if tiles > 1 { overlap } else { 0 };
    let place_scatter_px = draw.between(0.2, 0.9);
    (cols * rows > 1).then(|| MontageRecipe { cols, rows, overlap_px: [along(cols), along(rows)], place_scatter_px })
}

/// Texture of the specimen, its grains no smaller than the pixels can show and so many that every field holds some.
fn structures(draw: &mut Stream, vitrified: bool, pixel_nm: f64) -> Vec<Structure> {
    let fine = pixel_nm.max(0.5);
    let mut all = Vec::new();
    if draw.uniform() < 0.6 {
        all.push(Structure::Lamellae {
            bands: 4,
            sacs: pick(draw, &[1, 2, 3]),
            pitch_nm: 24.0 * fine,
            lumen_nm: 10.0 * fine.max(0.8),
            spacing_nm: 110.0 * fine,
            direction_deg: draw.between(0.0, 180.0),
            offset_nm: draw.between(-20.0, 20.0),
            waviness_nm: 24.0 * fine,
            piece_nm: [250.0 * fine, 700.0 * fine],
            density_per_nm: if vitrified { 0.007 } else { 0.0065 },
        });
    }
    if draw.uniform() < 0.6 {
        all.push(Structure::Vesicles {
            per_um2: draw.between(25.0, 60.0) / (fine * fine),
            radius_nm: [16.0 * fine, 40.0 * fine],
            density_per_nm: 0.009,
            filling_per_nm: 0.001,
        });
    }
    let granules = |per_um2: f64, radius_nm: [f64; 2], density_per_nm: f64| Structure::Granules {
        per_um2: per_um2 / (fine * fine),
        radius_nm: radius_nm.map(|r| r * fine),
        density_per_nm,
    };
    let strength = draw.between(0.8, 1.3) / fine.sqrt();
    all.push(granules(draw.between(350.0, 800.0), [9.0, 13.0], strength * if vitrified { 0.04 } else { 0.02 }));
    all.push(granules(draw.between(9000.0, 16_000.0), [2.8, 5.0], strength * if vitrified { 0.02 } else { 0.012 }));
    if vitrified || draw.uniform() < 0.5 {
        all.push(Structure::Balls {
            per_um2: draw.between(30.0, 80.0) / (fine * fine),
            radius_nm: [4.8 * fine.max(1.0), 5.2 * fine.max(1.0)],
            density_per_nm: 0.12,
            on_faces: !vitrified,
        });
    }
    all
}
