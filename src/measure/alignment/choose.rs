//! Places to follow: dark particles where the field has them, else patches of texture.

use crate::measure::alignment::follow::Manner;
use crate::numerics::registration::fft2::good_size_within;
use crate::numerics::registration::image::Image;
use crate::numerics::registration::spectral::Band;

/// At most so many places are followed.
pub const MOST: usize = 40;
/// How texture is cut into patches.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grain {
    /// Least and largest side of a patch, in pixels of the kept picture.
    side_px: [usize; 2],
    /// So many patches lie side by side over the picture at least.
    across: usize,
    /// A place is followed by so many patches along each of its sides.
    patches: f64,
    band: Band,
    memory: usize,
}

/// A small patch holds few features and so has one height: it does not wander as a large one does, whose matter of one height
/// fades while that of another comes out.
pub const FINE: Grain =
    Grain { side_px: [18, 28], across: 4, patches: 2.0, band: Band { high_pass: 0.03, low_pass: 0.16 }, memory: 5 };
/// Where a picture is too weak for small patches, or what lies at different heights moves apart too far.
pub const COARSE: Grain =
    Grain { side_px: [24, 64], across: 3, patches: 1.0, band: Band { high_pass: 0.03, low_pass: 0.13 }, memory: 3 };
/// Particles are followed from so many on; with fewer, texture is.
const FEWEST_BEADS: usize = 8;
/// Patches of texture lie at least this share of their side apart.
const APART: f64 = 0.55;
/// Of the variance that patches have in the middle, less than this share is no texture.
const LEAST_TEXTURE: f64 = 0.15;
/// Radii that particles are looked for with, in pixels of the kept picture.
const RADII_PX: [f64; 6] = [1.3, 1.8, 2.5, 3.5, 5.0, 7.0];
/// A particle is so round at least: ratio of the two curvatures of its blur.
const ROUND: f64 = 0.4;
/// Particles are told from texture by how far their darkness stands out: so many times that of the next dark spots in the
/// middle, and a step from the faintest particle to the darkest spot that is none.
const STANDS_OUT: f64 = 3.0;
const STEP: f64 = 1.12;
/// They are alike: of those that stand out, the darkness at a fifth from the faintest over that at a fifth from the darkest.
const ALIKE: f64 = 0.6;
/// Frequencies, times their radius, that particles are followed by, and the highest such: what is much larger than they are
/// lies about them and draws them along.
const BEAD_BAND: [(f64, f64); 2] = [(0.5, 0.2), (0.8, 0.22)];
/// Share of the side that must lie between two particles, else they could be taken for each other.
const ALONE: f64 = 0.35;

/// What is followed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Dark particles.
    Beads,
    /// Patches of texture.
    Texture,
}

impl Kind {
    /// Its word in record and table.
    pub fn word(self) -> &'static str {
        match self {
            Self::Beads => "beads",
            Self::Texture => "texture",
        }
    }
}

/// Places in a picture, from its middle, and how to follow them.
#[derive(Debug, Clone, PartialEq)]
pub struct Choice {
    /// What they are.
    pub kind: Kind,
    /// How they are followed.
    pub manner: Manner,
    /// Radius of particles, in pixels; 0 for texture.
    pub radius_px: f64,
    /// Number of places.
    pub places: usize,
    /// Where the particles or patches that are followed lie, in pixels.
    pub at: Vec<[f64; 2]>,
    /// Side of a place, in pixels: what is followed within it shares matter.
    pub place_px: f64,
    /// Of texture: all patches of the picture.
    all: Vec<[f64; 2]>,
}

/// Particles, where there are enough of them.
pub fn beads(image: &Image) -> Option<Choice> {
    beads_of(image, &RADII_PX)
}

/// Particles of one of these radii.
fn beads_of(image: &Image, radii: &[f64]) -> Option<Choice> {
    let (radius, spots) = radii
        .iter()
        .filter_map(|&radius| stand_out(spots(image, radius)).map(|(times, spots)| (times, radius, spots)))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, radius, spots)| (radius, spots))?;
    let side = good_size_within(((8.0 * radius) as usize).max(24));
    let alone = |at: &[f64; 2]| {
        let near = |other: &[f64; 2]| (other[0] - at[0]).hypot(other[1] - at[1]) < ALONE * side as f64;
        spots.iter().filter(|other| near(other)).count() == 1
    };
    let inside = |at: &[f64; 2]| held(image, *at, 0.5 * side as f64);
    let able: Vec<[f64; 2]> = spots.iter().copied().filter(|at| alone(at) && inside(at)).collect();
    if able.len() < FEWEST_BEADS {
        return None;
    }
    let [high_pass, low_pass] = BEAD_BAND.map(|(times, most)| (times / radius).min(most));
    let band = Band { high_pass, low_pass };
    let at = spread(&able, MOST);
    Some(Choice {
        kind: Kind::Beads,
        manner: Manner { side, band, shrinks: false, memory: 12 },
        radius_px: radius,
        places: at.len(),
        at,
        place_px: side as f64,
        all: Vec::new(),
    })
}

fn held(image: &Image, at: [f64; 2], margin: f64) -> bool {
    let half = [image.cols, image.rows].map(|n| 0.5 * n as f64);
    (0..2).all(|k| at[k].abs() + margin <= half[k])
}

/// A dark round spot: how dark against its surroundings, and where.
type Spot = (f64, [f64; 2]);

/// Dark round spots of about one radius, the darkest first.
fn spots(image: &Image, radius: f64) -> Vec<Spot> {
    let sigma = radius / std::f64::consts::SQRT_2;
    let (inner, outer) = (blurred(image, sigma), blurred(image, 1.6 * sigma));
    let (rows, cols) = (image.rows, image.cols);
    let darkness: Vec<f32> = outer.iter().zip(&inner).map(|(outer, inner)| outer - inner).collect();
    let dark = |r: usize, c: usize| f64::from(darkness[r * cols + c]);
    let reach = (1.5 * radius).ceil() as usize;
    let mut spots = Vec::new();
    for r in reach..rows.saturating_sub(reach) {
        for c in reach..cols.saturating_sub(reach) {
            let value = dark(r, c);
            // Most places have a neighbour that is darker.
            if value <= 0.0 || dark(r, c - 1) > value || dark(r, c + 1) > value {
                continue;
            }
            let highest = (r - reach..=r + reach).all(|y| (c - reach..=c + reach).all(|x| dark(y, x) <= value));
            if !highest {
                continue;
            }
            let (xx, yy) =
                (2.0 * value - dark(r, c - 1) - dark(r, c + 1), 2.0 * value - dark(r - 1, c) - dark(r + 1, c));
            let xy = -0.25 * (dark(r + 1, c + 1) - dark(r + 1, c - 1) - dark(r - 1, c + 1) + dark(r - 1, c - 1));
            let (mean, part) = (0.5 * (xx + yy), (0.25 * (xx - yy).powi(2) + xy * xy).sqrt());
            if mean - part < ROUND * (mean + part) {
                continue;
            }
            let top = |before: f64, after: f64, bend: f64| if bend > 0.0 { 0.5 * (after - before) / bend } else { 0.0 };
            let x = c as f64 + top(dark(r, c - 1), dark(r, c + 1), xx) - 0.5 * (cols as f64 - 1.0);
            let y = r as f64 + top(dark(r - 1, c), dark(r + 1, c), yy) - 0.5 * (rows as f64 - 1.0);
            spots.push((value, [x, y]));
        }
    }
    spots.sort_by(|a, b| b.0.total_cmp(&a.0));
    spots
}

/// The spots that stand out of the others, and by how much; `None` where none do.
fn stand_out(spots: Vec<Spot>) -> Option<(f64, Vec<[f64; 2]>)> {
    let most = (spots.len() / 2).min(400);
    let step = |k: usize| spots[k - 1].0 / spots[k].0.max(1e-12);
    let k = (FEWEST_BEADS..most).max_by(|&a, &b| step(a).total_cmp(&step(b)))?;
    let next = (2 * k).min(spots.len() - 1);
    let times = spots[k / 2].0 / spots[(k + next) / 2].0.max(1e-12);
    let alike = spots[4 * k / 5].0 / spots[k / 5].0;
    (step(k) >= STEP && times >= STANDS_OUT && alike >= ALIKE)
        .then(|| (times, spots.into_iter().take(k).map(|(_, at)| at).collect()))
}

/// Places in another picture, as `first` was chosen in its own, away from those that are `known` there.
pub fn more(first: &Choice, image: &Image, known: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let again = match first.kind {
        Kind::Beads => beads_of(image, &[first.radius_px]).map(|again| again.at).unwrap_or_default(),
        // Patches without texture are not followed far.
        Kind::Texture => first.all.clone(),
    };
    let apart = APART * first.manner.side as f64;
    let is_new = |at: &[f64; 2]| known.iter().all(|other| (other[0] - at[0]).hypot(other[1] - at[1]) > apart);
    again.into_iter().filter(is_new).collect()
}

/// A picture blurred by a Gaussian, pixels that are no number left out.
fn blurred(image: &Image, sigma: f64) -> Vec<f32> {
    let reach = (3.0 * sigma).ceil() as usize;
    let kernel: Vec<f32> =
        (0..=2 * reach).map(|k| (-0.5 * ((k as f64 - reach as f64) / sigma).powi(2)).exp() as f32).collect();
    let (rows, cols) = (image.rows, image.cols);
    let known: Vec<f32> = image.values.iter().map(|v| if v.is_finite() { *v } else { 0.0 }).collect();
    let there: Vec<f32> = image.values.iter().map(|v| f32::from(u8::from(v.is_finite()))).collect();
    let blur = |values: &[f32]| down(&along(values, &kernel, cols), &kernel, rows, cols);
    let (sums, weights) = (blur(&known), blur(&there));
    sums.iter().zip(&weights).map(|(sum, weight)| if *weight > 1e-3 { sum / weight } else { 0.0 }).collect()
}

/// Sums along rows, weighed by a kernel; what lies beyond the border counts as 0. Tap by tap, so that the compiler can use
/// vector instructions.
fn along(values: &[f32], kernel: &[f32], cols: usize) -> Vec<f32> {
    let reach = kernel.len() / 2;
    let mut out = vec![0.0f32; values.len()];
    for (line, out) in values.chunks_exact(cols).zip(out.chunks_exact_mut(cols)) {
        for (tap, weight) in kernel.iter().enumerate() {
            let (skip, lead) = (tap.saturating_sub(reach).min(cols), reach.saturating_sub(tap).min(cols));
            out[lead..].iter_mut().zip(&line[skip..]).for_each(|(sum, value)| *sum += weight * value);
        }
    }
    out
}

/// The same down columns.
fn down(values: &[f32], kernel: &[f32], rows: usize, cols: usize) -> Vec<f32> {
    let reach = kernel.len() / 2;
    let mut out = vec![0.0f32; values.len()];
    for (row, out) in out.chunks_exact_mut(cols).enumerate() {
        for other in row.saturating_sub(reach)..(row + reach + 1).min(rows) {
            let weight = kernel[other + reach - row];
            let line = &values[other * cols..(other + 1) * cols];
            out.iter_mut().zip(line).for_each(|(sum, value)| *sum += weight * value);
        }
    }
    out
}

/// The best spread of at most `most` places: the first is the one nearest the middle, each next the one furthest from all
/// that are taken.
fn spread(places: &[[f64; 2]], most: usize) -> Vec<[f64; 2]> {
    let mut left: Vec<[f64; 2]> = places.to_vec();
    left.sort_by(|a, b| a[0].hypot(a[1]).total_cmp(&b[0].hypot(b[1])));
    let mut taken: Vec<[f64; 2]> = Vec::new();
    while taken.len() < most && !left.is_empty() {
        let apart = |at: &[f64; 2]| {
            taken.iter().map(|other| (other[0] - at[0]).hypot(other[1] - at[1])).fold(f64::INFINITY, f64::min)
        };
        let next = (0..left.len()).max_by(|&a, &b| apart(&left[a]).total_cmp(&apart(&left[b])).then(b.cmp(&a)));
        let Some(next) = next else { break };
        taken.push(left.remove(next));
    }
    taken
}

/// Patches of texture, of places without any left out. `None` where the picture is too small.
pub fn texture(image: &Image, grain: Grain) -> Option<Choice> {
    let raster = Raster::of(image, grain)?;
    let contrasts = raster.contrasts(image);
    let mut sorted = contrasts.clone();
    sorted.sort_by(f64::total_cmp);
    let median = sorted.get(sorted.len() / 2).copied()?;
    let textured = raster.places.iter().zip(&contrasts).filter(|(_, c)| **c >= LEAST_TEXTURE * median);
    let places = spread(&textured.map(|(at, _)| *at).collect::<Vec<_>>(), MOST);
    Some(Choice {
        kind: Kind::Texture,
        manner: Manner { side: raster.side, band: grain.band, shrinks: true, memory: grain.memory },
        radius_px: 0.0,
        places: places.len(),
        at: raster.patches(&places),
        place_px: raster.spacing.max(raster.side as f64),
        all: raster.patches(&raster.places),
    })
}

/// Places side by side, patches in each.
struct Raster {
    /// Of a patch.
    side: usize,
    /// Of the places.
    spacing: f64,
    /// Patches along each side of a place.
    each: f64,
    places: Vec<[f64; 2]>,
}

impl Raster {
    /// `None` where the picture is too small.
    fn of(image: &Image, grain: Grain) -> Option<Self> {
        let side = good_size_within((image.rows.min(image.cols) / grain.across).min(grain.side_px[1]));
        if side < grain.side_px[0] {
            return None;
        }
        let whole = [image.cols, image.rows].map(|n| n as f64 - (1.0 - APART) * side as f64);
        let spacing = (grain.patches * APART * side as f64).max((whole[0] * whole[1] / MOST as f64).sqrt());
        // As many as fit, about the middle.
        let along = whole.map(|whole| {
            let count = (whole / spacing).floor().max(1.0);
            (0..count as usize).map(|at| (at as f64 - 0.5 * (count - 1.0)) * spacing).collect::<Vec<f64>>()
        });
        let places = along[1].iter().flat_map(|y| along[0].iter().map(move |x| [*x, *y])).collect();
        Some(Self { side, spacing, each: grain.patches, places })
    }

    /// Variance of what is fine in the picture about each place, up to a factor.
    fn contrasts(&self, image: &Image) -> Vec<f64> {
        let (fine, coarse) = (blurred(image, 1.5), blurred(image, 5.0));
        let middle = [image.cols, image.rows].map(|n| 0.5 * (n as f64 - 1.0));
        let contrast = |at: &[f64; 2]| {
            let ends = |k: usize, whole: usize| {
                let end = |off: f64| (middle[k] + at[k] + off).max(0.0) as usize;
                end(-0.5 * self.spacing)..end(0.5 * self.spacing).min(whole)
            };
            let columns = ends(0, image.cols);
            let row = |r: usize| {
                columns.clone().map(move |c| r * image.cols + c).map(|i| f64::from(fine[i] - coarse[i]).powi(2))
            };
            ends(1, image.rows).flat_map(row).sum()
        };
        self.places.iter().map(contrast).collect()
    }

    /// The patches of some places.
    fn patches(&self, places: &[[f64; 2]]) -> Vec<[f64; 2]> {
        let step = self.spacing / self.each;
        let offs: Vec<f64> = (0..self.each as usize).map(|k| (k as f64 - 0.5 * (self.each - 1.0)) * step).collect();
        let of_place = |at: &[f64; 2]| {
            let [x, y] = *at;
            offs.iter().flat_map(|dy| offs.iter().map(move |dx| [x + dx, y + dy])).collect::<Vec<_>>()
        };
        places.iter().flat_map(of_place).collect()
    }
}
