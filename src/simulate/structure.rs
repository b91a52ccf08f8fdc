//! What can lie in the slab, and the matter that each kind is made of.
//!
//! Everything is a sum of three-dimensional Gaussians, whose projection at any tilt is an exact two-dimensional one,
//! and of balls with a sharp edge. A membrane is a tiling of flat Gaussians: dark where it stands along the beam,
//! faint where it lies across, as in a section.

use crate::simulate::random::Stream;
use serde::{Deserialize, Serialize};
use std::f64::consts::{PI, TAU};

/// Distance between the flat Gaussians that tile a membrane; their standard deviation along it is 0.62 of that, which
/// leaves a ripple under 1 %.
const PLATE_STEP_NM: f64 = 8.0;
/// Standard deviation of a membrane's matter across it: 5 nm full width at half maximum.
const MEMBRANE_SIGMA_NM: f64 = 2.1;

/// A group of alike things, placed at random; lengths in nm, densities as optical depth per nm of path.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Structure {
    /// Bands of flat sacs that run through the slab side by side.
    Lamellae {
        /// Number of bands.
        bands: usize,
        /// Sacs in a band.
        sacs: usize,
        /// Distance between the sacs of a band.
        pitch_nm: f64,
        /// Distance between the two membranes of a sac.
        lumen_nm: f64,
        /// Distance between bands.
        spacing_nm: f64,
        /// Direction in which they run, from the perpendicular direction towards the axis.
        direction_deg: f64,
        /// Place of the middle band across that direction.
        #[serde(default)]
        offset_nm: f64,
        /// How far they swing to the side.
        waviness_nm: f64,
        /// Shortest and longest piece of a sac, between gaps.
        piece_nm: [f64; 2],
        /// Density of a membrane.
        density_per_nm: f64,
    },
    /// Round membranes.
    Vesicles {
        /// Number on a square micrometre.
        per_um2: f64,
        /// Smallest and largest radius.
        radius_nm: [f64; 2],
        /// Density of the membrane.
        density_per_nm: f64,
        /// Density inside.
        filling_per_nm: f64,
    },
    /// Oblong bodies in two membranes, with folds from the inner one.
    FoldedBodies {
        /// Number on a square micrometre.
        per_um2: f64,
        /// Half of the length.
        half_length_nm: f64,
        /// Half of the width.
        half_width_nm: f64,
        /// Distance between folds.
        fold_spacing_nm: f64,
        /// Density of the membranes.
        density_per_nm: f64,
        /// Density inside.
        filling_per_nm: f64,
    },
    /// Soft grains.
    Granules {
        /// Number on a square micrometre.
        per_um2: f64,
        /// Smallest and largest radius (√5 standard deviations of the Gaussian, as for a uniform ball).
        radius_nm: [f64; 2],
        /// Density at the middle.
        density_per_nm: f64,
    },
    /// Balls with a sharp edge: lipid droplets, gold.
    Balls {
        /// Number on a square micrometre.
        per_um2: f64,
        /// Smallest and largest radius.
        radius_nm: [f64; 2],
        /// Density.
        density_per_nm: f64,
        /// On the two faces of the slab, not within.
        #[serde(default)]
        on_faces: bool,
    },
    /// Threads that wander through the slab.
    Threads {
        /// Number on a square micrometre.
        per_um2: f64,
        /// Length.
        length_nm: f64,
        /// Radius.
        radius_nm: f64,
        /// How much they turn, radians on 100 nm (standard deviation).
        bend_rad: f64,
        /// Density.
        density_per_nm: f64,
    },
}

/// Matter in the slab; coordinates (u across the axis, v along it, z towards the source) from the slab's middle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Matter {
    /// A three-dimensional Gaussian.
    Cloud {
        /// Its middle.
        centre_nm: [f64; 3],
        /// Covariance: uu, uv, uz, vv, vz, zz.
        covariance_nm2: [f64; 6],
        /// Its integral: optical depth times area.
        content_nm2: f64,
    },
    /// A uniform ball.
    Ball {
        /// Its middle.
        centre_nm: [f64; 3],
        /// Its radius.
        radius_nm: f64,
        /// Optical depth per nm of path.
        density_per_nm: f64,
    },
}

/// The room that structures are placed in: |u|, |v|, |z| up to these.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Room {
    /// Half sizes.
    pub half_nm: [f64; 3],
}

impl Room {
    fn area_um2(&self) -> f64 {
        4.0 * self.half_nm[0] * self.half_nm[1] * 1e-6
    }

    fn holds(&self, point: [f64; 3]) -> bool {
        point[2].abs() <= self.half_nm[2]
    }

    fn anywhere(&self, stream: &mut Stream) -> [f64; 3] {
        self.half_nm.map(|half| stream.between(-half, half))
    }
}

/// The matter of a group; the same for the same stream.
pub fn build(structure: &Structure, room: &Room, stream: &mut Stream) -> Vec<Matter> {
    let mut matter = Vec::new();
    match structure {
        Structure::Lamellae { .. } => lamellae(structure, room, stream, &mut matter),
        Structure::Vesicles { per_um2, radius_nm, density_per_nm, filling_per_nm } => {
            for _ in 0..number(*per_um2, room) {
                let radius = stream.between(radius_nm[0], radius_nm[1]);
                let mut centre = room.anywhere(stream);
                centre[2] += stream.between(-0.4, 0.4) * radius;
                sphere(centre, radius, *density_per_nm, room, stream, &mut matter);
                inside(centre, [0.8 * radius; 3], *filling_per_nm, room, stream, &mut matter);
            }
        }
        Structure::FoldedBodies { per_um2, .. } => {
            for _ in 0..number(*per_um2, room) {
                folded_body(structure, room, stream, &mut matter);
            }
        }
        Structure::Granules { per_um2, radius_nm, density_per_nm } => {
            for _ in 0..number(*per_um2, room) {
                let radius = stream.between(radius_nm[0], radius_nm[1]);
                matter.push(cloud(room.anywhere(stream), radius, density_per_nm * stream.between(0.7, 1.3)));
            }
        }
        Structure::Balls { per_um2, radius_nm, density_per_nm, on_faces } => {
            for _ in 0..number(*per_um2, room) {
                let radius_nm = stream.between(radius_nm[0], radius_nm[1]);
                let mut centre_nm = room.anywhere(stream);
                if *on_faces {
                    centre_nm[2] = (room.half_nm[2] + radius_nm) * centre_nm[2].signum();
                }
                matter.push(Matter::Ball { centre_nm, radius_nm, density_per_nm: *density_per_nm });
            }
        }
        Structure::Threads { .. } => threads(structure, room, stream, &mut matter),
    }
    matter
}

fn number(per_um2: f64, room: &Room) -> usize {
    (per_um2 * room.area_um2()).round().max(0.0) as usize
}

/// A soft round grain.
fn cloud(centre_nm: [f64; 3], radius_nm: f64, density_per_nm: f64) -> Matter {
    let variance = radius_nm * radius_nm / 5.0;
    let content_nm2 = density_per_nm * TAU * variance * (TAU * variance).sqrt();
    Matter::Cloud { centre_nm, covariance_nm2: [variance, 0.0, 0.0, variance, 0.0, variance], content_nm2 }
}

/// A flat Gaussian that stands for `area_nm2` of a membrane with the unit normal `normal`.
fn plate(centre_nm: [f64; 3], normal: [f64; 3], area_nm2: f64, density_per_nm: f64) -> Matter {
    let along = 0.385 * area_nm2;
    let across = MEMBRANE_SIGMA_NM * MEMBRANE_SIGMA_NM;
    let [nu, nv, nz] = normal;
    let flat = across - along;
    let covariance_nm2 = [
        along + flat * nu * nu,
        flat * nu * nv,
        flat * nu * nz,
        along + flat * nv * nv,
        flat * nv * nz,
        along + flat * nz * nz,
    ];
    let content_nm2 = density_per_nm * TAU.sqrt() * MEMBRANE_SIGMA_NM * area_nm2;
    Matter::Cloud { centre_nm, covariance_nm2, content_nm2 }
}

/// How unevenly stain takes to a membrane.
fn stained(density_per_nm: f64, stream: &mut Stream) -> f64 {
    density_per_nm * (1.0 + 0.3 * stream.normal()).clamp(0.3, 1.9)
}

/// The part of a spherical membrane that lies in the slab, tiled along a Fibonacci spiral.
fn sphere(centre: [f64; 3], radius: f64, density: f64, room: &Room, stream: &mut Stream, matter: &mut Vec<Matter>) {
    let area = PLATE_STEP_NM * PLATE_STEP_NM;
    let plates = (4.0 * PI * radius * radius / area).ceil().max(12.0);
    let area = 4.0 * PI * radius * radius / plates;
    let golden_rad = PI * (3.0 - 5f64.sqrt());
    for k in 0..plates as usize {
        let z = 1.0 - (2.0 * k as f64 + 1.0) / plates;
        let (sine, cosine) = libm::sincos(golden_rad * k as f64);
        let ring = (1.0 - z * z).sqrt();
        let normal = [ring * cosine, ring * sine, z];
        let point = std::array::from_fn(|i| centre[i] + radius * normal[i]);
        if room.holds(point) {
            matter.push(plate(point, normal, area, stained(density, stream)));
        }
    }
}

/// Soft grains that fill an ellipsoid to a mean density.
fn inside(centre: [f64; 3], half: [f64; 3], density: f64, room: &Room, stream: &mut Stream, matter: &mut Vec<Matter>) {
    let radius = 7.0;
    let volume = 4.0 / 3.0 * PI * half[0] * half[1] * half[2];
    // Grains of 3 times the mean density fill a third of the volume.
    let variance = radius * radius / 5.0;
    let grains = volume / (3.0 * TAU * variance * (TAU * variance).sqrt());
    for _ in 0..grains.round() as usize {
        let unit: [f64; 3] = std::array::from_fn(|_| stream.between(-1.0, 1.0));
        let point = std::array::from_fn(|i| centre[i] + half[i] * unit[i]);
        if unit.iter().map(|x| x * x).sum::<f64>() <= 1.0 && room.holds(point) {
            // The ellipsoid is 0.52 of its box.
            matter.push(cloud(point, radius, 3.0 / 0.52 * density * stream.between(0.4, 1.6)));
        }
    }
}

/// A membrane that stands on a line in the (u, v) plane and runs through the slab, leaning by `lean` (nm per nm).
fn wall(points: &[[f64; 2]], lean: f64, density: f64, room: &Room, stream: &mut Stream, matter: &mut Vec<Matter>) {
    let layers = (2.0 * room.half_nm[2] / PLATE_STEP_NM).ceil().max(1.0);
    let rise = 2.0 * room.half_nm[2] / layers;
    for pair in points.windows(2) {
        let [du, dv] = [pair[1][0] - pair[0][0], pair[1][1] - pair[0][1]];
        let length = (du * du + dv * dv).sqrt();
        if length <= 0.0 {
            continue;
        }
        let across = [-dv / length, du / length];
        let scale = 1.0 / (1.0 + lean * lean).sqrt();
        let normal = [across[0] * scale, across[1] * scale, -lean * scale];
        for layer in 0..layers as usize {
            let z = -room.half_nm[2] + (layer as f64 + 0.5) * rise;
            let rough = 0.6 * stream.normal();
            let middle = [0.5 * (pair[0][0] + pair[1][0]), 0.5 * (pair[0][1] + pair[1][1])];
            let aside = lean * z + rough;
            let centre = [middle[0] + across[0] * aside, middle[1] + across[1] * aside, z];
            matter.push(plate(centre, normal, length * rise / scale, stained(density, stream)));
        }
    }
}

/// A gentle curve: two waves of random phase.
struct Wave {
    height_nm: f64,
    phases: [f64; 2],
}

impl Wave {
    fn at(&self, s: f64) -> f64 {
        let slow = libm::sin(s * TAU / 620.0 + self.phases[0]);
        let quick = libm::sin(s * TAU / 235.0 + self.phases[1]);
        self.height_nm * (0.75 * slow + 0.25 * quick)
    }
}

fn lamellae(structure: &Structure, room: &Room, stream: &mut Stream, matter: &mut Vec<Matter>) {
    let Structure::Lamellae { bands, sacs, pitch_nm, spacing_nm, offset_nm, waviness_nm, .. } = structure else {
        return;
    };
    for band in 0..*bands {
        let wave = Wave { height_nm: *waviness_nm, phases: [stream.between(0.0, TAU), stream.between(0.0, TAU)] };
        let lean = 0.12 * stream.normal();
        for sac in 0..*sacs {
            let band_place = (band as f64 - 0.5 * (*bands as f64 - 1.0)) * spacing_nm;
            let sac_place = (sac as f64 - 0.5 * (*sacs as f64 - 1.0)) * pitch_nm;
            let place = offset_nm + band_place + sac_place;
            sac_row(structure, place, &wave, lean, room, stream, matter);
        }
    }
}

/// One row of sacs end to end: pieces with gaps between, each closed at its ends.
fn sac_row(
    structure: &Structure,
    place: f64,
    wave: &Wave,
    lean: f64,
    room: &Room,
    stream: &mut Stream,
    matter: &mut Vec<Matter>,
) {
    let Structure::Lamellae { lumen_nm, direction_deg, piece_nm, density_per_nm, .. } = structure else { return };
    let (sine, cosine) = libm::sincos(direction_deg.to_radians());
    let reach = room.half_nm[0] * cosine.abs() + room.half_nm[1] * sine.abs();
    let mut start = -reach - stream.between(0.0, piece_nm[0]);
    while start < reach {
        let length = stream.between(piece_nm[0], piece_nm[1]);
        let steps = (length / PLATE_STEP_NM).ceil().max(2.0) as usize;
        for side in [-1.0, 1.0] {
            let points: Vec<[f64; 2]> = (0..=steps)
                .map(|k| {
                    let along = length * k as f64 / steps as f64;
                    // Ends are rounded over the half width of the lumen and then some.
                    let from_end = (along.min(length - along) / (1.5 * lumen_nm)).min(1.0);
                    let half = 0.5 * lumen_nm * (from_end * (2.0 - from_end)).sqrt();
                    let (s, across) = (start + along, place + wave.at(start + along) + side * half);
                    [s * cosine - across * sine, s * sine + across * cosine]
                })
                .collect();
            wall(&points, lean, *density_per_nm, room, stream, matter);
        }
        start += length + stream.between(8.0, 30.0);
    }
}

fn folded_body(structure: &Structure, room: &Room, stream: &mut Stream, matter: &mut Vec<Matter>) {
    let Structure::FoldedBodies {
        half_length_nm, half_width_nm, fold_spacing_nm, density_per_nm, filling_per_nm, ..
    } = structure
    else {
        return;
    };
    let centre = room.anywhere(stream);
    let (sine, cosine) = libm::sincos(stream.between(0.0, PI));
    let to_room = |[along, across]: [f64; 2]| {
        [centre[0] + along * cosine - across * sine, centre[1] + along * sine + across * cosine]
    };
    let lean = 0.15 * stream.normal();
    for inset in [0.0, 16.0] {
        let (a, b) = (half_length_nm - inset, half_width_nm - inset);
        let steps = (TAU * 0.5 * (a + b) / PLATE_STEP_NM).ceil() as usize;
        let outline: Vec<[f64; 2]> = (0..=steps)
            .map(|k| {
                let (s, c) = libm::sincos(TAU * k as f64 / steps as f64);
                to_room([a * c, b * s])
            })
            .collect();
        wall(&outline, lean, *density_per_nm, room, stream, matter);
    }
    let folds = (2.0 * (half_length_nm - 40.0) / fold_spacing_nm).floor().max(0.0) as usize;
    for fold in 0..folds {
        let along = (fold as f64 + 0.5) * fold_spacing_nm - half_length_nm + 40.0 + 4.0 * stream.normal();
        let side = if fold.is_multiple_of(2) { 1.0 } else { -1.0 };
        let edge = (half_width_nm - 16.0) * (1.0 - (along / half_length_nm) * (along / half_length_nm)).max(0.0).sqrt();
        let depth = edge * stream.between(1.1, 1.7);
        let sway = 10.0 * stream.normal();
        for gap in [-6.0, 6.0] {
            let steps = (depth / PLATE_STEP_NM).ceil().max(2.0) as usize;
            let line: Vec<[f64; 2]> = (0..=steps)
                .map(|k| {
                    let part = k as f64 / steps as f64;
                    let closing = ((1.0 - part) * 6.0).min(1.0).sqrt();
                    to_room([along + gap * closing + sway * part * part, side * (edge - depth * part)])
                })
                .collect();
            wall(&line, lean, *density_per_nm, room, stream, matter);
        }
    }
    fill_oblong(
        centre,
        [half_length_nm - 20.0, half_width_nm - 20.0],
        [cosine, sine],
        *filling_per_nm,
        room,
        stream,
        matter,
    );
}

/// Soft grains in an oblong outline, through the whole slab.
fn fill_oblong(
    centre: [f64; 3],
    half: [f64; 2],
    turned: [f64; 2],
    density: f64,
    room: &Room,
    stream: &mut Stream,
    matter: &mut Vec<Matter>,
) {
    let radius = 8.0;
    let variance: f64 = radius * radius / 5.0;
    let volume = PI * half[0] * half[1] * 2.0 * room.half_nm[2];
    let grains = volume / (3.0 * TAU * variance * (TAU * variance).sqrt());
    for _ in 0..grains.round() as usize {
        let (along, across) = (stream.between(-1.0, 1.0), stream.between(-1.0, 1.0));
        let z = stream.between(-room.half_nm[2], room.half_nm[2]);
        if along * along + across * across <= 1.0 {
            let (a, b) = (along * half[0], across * half[1]);
            let point = [centre[0] + a * turned[0] - b * turned[1], centre[1] + a * turned[1] + b * turned[0], z];
            // The ellipse is π/4 of its box.
            matter.push(cloud(point, radius, 3.0 * 4.0 / PI * density * stream.between(0.4, 1.6)));
        }
    }
}

fn threads(structure: &Structure, room: &Room, stream: &mut Stream, matter: &mut Vec<Matter>) {
    let Structure::Threads { per_um2, length_nm, radius_nm, bend_rad, density_per_nm } = structure else { return };
    let step = 2.0 * radius_nm;
    for _ in 0..number(*per_um2, room) {
        let mut point = room.anywhere(stream);
        let mut azimuth = stream.between(0.0, TAU);
        let climb = 0.25 * stream.normal();
        for _ in 0..(length_nm / step).ceil() as usize {
            azimuth += bend_rad * (step / 100.0).sqrt() * stream.normal();
            let (sine, cosine) = libm::sincos(azimuth);
            point = [point[0] + step * cosine, point[1] + step * sine, point[2] + step * climb];
            if room.holds(point) {
                matter.push(cloud(point, radius_nm * 1.25, *density_per_nm));
            }
        }
    }
}
