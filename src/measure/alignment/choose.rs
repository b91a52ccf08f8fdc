//! Places to follow: dark particles where the field has them, else patches of texture.

use crate::measure::alignment::follow::Manner;
use crate::numerics::registration::fft2::good_size_within;
use crate::numerics::registration::masked::Image;
use crate::numerics::registration::spectral::Band;

/// At most so many places are followed.
pub const MOST: usize = 40;
/// Particles are followed from so many on; with fewer, texture is.
const FEWEST_BEADS: usize = 8;
/// Sides of a patch of texture, in pixels of the kept picture: large enough for several features, small enough for one
/// height.
const SIDE_PX: [usize; 2] = [24, 64];
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
    /// Where they lie, in pixels.
    pub places: Vec<[f64; 2]>,
}

/// Particles, where there are enough of them.
pub fn beads(image: &Image) -> Option<Choice> {
    let (radius, spots) = RADII_PX
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
    let band = Band { high_pass: 0.05, low_pass: (0.4 / radius).min(0.22) };
    Some(Choice {
        kind: Kind::Beads,
        manner: Manner { side, band, shrinks: false, memory: 12 },
        places: spread(&able, MOST),
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
    let dark = |r: usize, c: usize| f64::from(outer[r * cols + c] - inner[r * cols + c]);
    let reach = (1.5 * radius).ceil() as usize;
    let mut spots = Vec::new();
    for r in reach..rows.saturating_sub(reach) {
        for c in reach..cols.saturating_sub(reach) {
            let value = dark(r, c);
            let highest = (r - reach..=r + reach).all(|y| (c - reach..=c + reach).all(|x| dark(y, x) <= value));
            if !(value > 0.0 && highest) {
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
        Kind::Beads => beads(image),
        Kind::Texture => texture(image),
    };
    let apart = APART * first.manner.side as f64;
    let is_new = |at: &[f64; 2]| known.iter().all(|other| (other[0] - at[0]).hypot(other[1] - at[1]) > apart);
    again.map(|again| again.places.into_iter().filter(is_new).collect()).unwrap_or_default()
}

/// A picture blurred by a Gaussian, pixels that are no number left out.
fn blurred(image: &Image, sigma: f64) -> Vec<f32> {
    let reach = (3.0 * sigma).ceil() as usize;
    let kernel: Vec<f32> =
        (0..=2 * reach).map(|k| (-0.5 * ((k as f64 - reach as f64) / sigma).powi(2)).exp() as f32).collect();
    let (rows, cols) = (image.rows, image.cols);
    // Values and how much of them is known, side by side.
    let known: Vec<[f32; 2]> =
        image.values.iter().map(|v| if v.is_finite() { [*v, 1.0] } else { [0.0, 0.0] }).collect();
    let blend = |sum: &mut [f32; 2], weight: f32, value: &[f32; 2]| {
        *sum = [sum[0] + weight * value[0], sum[1] + weight * value[1]];
    };
    let mut along = vec![[0.0f32; 2]; rows * cols];
    for (line, out) in known.chunks_exact(cols).zip(along.chunks_exact_mut(cols)) {
        for (c, sum) in out.iter_mut().enumerate() {
            let first = c.saturating_sub(reach);
            let weights = &kernel[first + reach - c..];
            line[first..(c + reach + 1).min(cols)].iter().zip(weights).for_each(|(v, w)| blend(sum, *w, v));
        }
    }
    let mut whole = vec![[0.0f32; 2]; rows * cols];
    for (r, out) in whole.chunks_exact_mut(cols).enumerate() {
        for other in r.saturating_sub(reach)..(r + reach + 1).min(rows) {
            let weight = kernel[other + reach - r];
            out.iter_mut().zip(&along[other * cols..(other + 1) * cols]).for_each(|(sum, v)| blend(sum, weight, v));
        }
    }
    whole.iter().map(|[sum, weight]| if *weight > 1e-3 { sum / weight } else { 0.0 }).collect()
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

/// Patches of texture, those without any left out. `None` where the picture is too small.
pub fn texture(image: &Image) -> Option<Choice> {
    let least = image.rows.min(image.cols);
    let side = good_size_within((least / 3).min(SIDE_PX[1]));
    if side < SIDE_PX[0] {
        return None;
    }
    let room = [image.cols, image.rows].map(|n| n as f64 - side as f64);
    let spacing = (APART * side as f64).max((room[0] * room[1] / MOST as f64).sqrt());
    let count = room.map(|room| (0.5 * room / spacing).floor() as i64);
    let all: Vec<[f64; 2]> = (-count[1]..=count[1])
        .flat_map(|y| (-count[0]..=count[0]).map(move |x| [x as f64 * spacing, y as f64 * spacing]))
        .collect();
    let (fine, coarse) = (blurred(image, 1.5), blurred(image, 5.0));
    let contrast = |at: &[f64; 2]| {
        let middle = [image.cols, image.rows].map(|n| 0.5 * (n as f64 - 1.0));
        let first = [0, 1].map(|k| (middle[k] + at[k] - 0.5 * side as f64).max(0.0) as usize);
        let mut sum = 0.0;
        for r in first[1]..(first[1] + side).min(image.rows) {
            for c in first[0]..(first[0] + side).min(image.cols) {
                sum += f64::from(fine[r * image.cols + c] - coarse[r * image.cols + c]).powi(2);
            }
        }
        sum
    };
    let contrasts: Vec<f64> = all.iter().map(contrast).collect();
    let mut sorted = contrasts.clone();
    sorted.sort_by(f64::total_cmp);
    let median = sorted.get(sorted.len() / 2).copied()?;
    let textured = all.iter().zip(&contrasts).filter(|(_, c)| **c >= LEAST_TEXTURE * median).map(|(at, _)| *at);
    let band = Band { high_pass: 0.03, low_pass: 0.13 };
    Some(Choice {
        kind: Kind::Texture,
        manner: Manner { side, band, shrinks: true, memory: 3 },
        places: spread(&textured.collect::<Vec<_>>(), MOST),
    })
}
