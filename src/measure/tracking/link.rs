//! Two neighbouring tilts: by how much a feature moved from the one to the other.
//!
//! The other picture is stretched across the axis by the ratio of the cosines, so that both look alike, and correlated
//! with the one; then once more with the shift taken off, so that both look at the same piece of specimen.

use crate::numerics::registration::fft2::good_size_within;
use crate::numerics::registration::image::Image;
use crate::numerics::registration::spectral::{Band, Bench, Cross, Peak};
use rustfft::num_complex::Complex32;

/// Within the near reach a link is believed from so many standard deviations of chance on, beyond it from more: the
/// further a jump, the less likely it is.
const BELIEVED: [f64; 2] = [5.5, 8.0];
/// Under this many standard deviations a link may be that of a look-alike: the field is sought further away as well,
pub const PLAIN: f64 = 10.0;
/// and is there if it stands out so many times as much.
pub const BETTER: f64 = 1.5;
/// [`BELIEVED`] holds for pictures of so many waves. Fewer waves make fewer places where chance may come high: the same odds
/// are then met by less.
const WAVES: f64 = 2000.0;
/// Whatever the waves, less than this is not believed.
const LEAST_BELIEVED: f64 = 4.5;
/// The field is looked for within these shares of the frame, one after the other.
const REACH_SHARE: [f64; 2] = [0.12, 0.4];
/// A field that is not found there is looked for around places this share of the frame away on every side,
const FAR_SHARE: f64 = 0.5;
/// within this share of each: from where the near search ends on. Further out, where pictures hardly overlap any more,
/// chance comes high and hides what lies in the middle.
const FAR_REACH_SHARE: f64 = 0.27;
/// Pictures fade over this share of each side.
const TAPER: f64 = 0.25;
/// Bands, the finest first: fine detail places best, but what lies at different heights moves apart between two tilts,
/// and what is new at every tilt (grain, noise) is fine too; then coarse structure is what both have in common.
/// Illumination, which stays where it is while the specimen moves, is coarser than all of them.
pub const BANDS: [Band; 3] = [
    Band { high_pass: 0.03, low_pass: 0.12 },
    Band { high_pass: 0.02, low_pass: 0.08 },
    Band { high_pass: 0.012, low_pass: 0.06 },
];
/// A ridge knows its place no better than this along itself.
const WORST_SD_PX: f64 = 5.0;
/// Pictures overlap by this along each side at least where they show the same field.
const LEAST_OVERLAP: f64 = 0.2;
/// Once the shift is taken off, no more than this is left.
const REST_PX: usize = 4;

/// What a tilt's picture is seen through.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    /// Perpendicular direction (cos a, -sin a); `None`: the axis is not known, nothing is stretched.
    pub across: Option<[f64; 2]>,
    /// Angle of the tilt.
    pub tilt_deg: f64,
}

/// A measured movement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moved {
    /// Place of the feature in the other picture, from its middle, in pixels.
    pub place: [f64; 2],
    /// Normalised correlation.
    pub correlation: f64,
    /// Over chance.
    pub significance: f64,
    /// One standard deviation by noise alone, in pixels.
    pub sd: f64,
}

/// Plans for pictures of one size.
pub struct Linker {
    bench: Bench,
    size: (usize, usize),
}

impl Linker {
    /// For pictures of this size, whose pixel is `bin` of those that [`BANDS`] speak of.
    pub fn new(rows: usize, cols: usize, bin: usize) -> Self {
        let coarser =
            |band: Band| Band { high_pass: band.high_pass * bin as f64, low_pass: band.low_pass * bin as f64 };
        let bands = BANDS.map(coarser);
        let size = (good_size_within(rows).max(1), good_size_within(cols).max(1));
        Self { bench: Bench::new(size.0, size.1, &bands, TAPER), size }
    }

    /// The spectrum of a picture.
    pub fn reference(&self, image: &Image) -> Vec<Complex32> {
        self.bench.spectrum(&sample(image, self.size, [0.0; 2], [[1.0, 0.0], [0.0, 1.0]]))
    }

    /// The spectrum of a picture as it would look where `reference` was seen.
    pub fn stretched(&self, image: &Image, (from, to): (View, View)) -> Vec<Complex32> {
        self.bench.spectrum(&sample(image, self.size, [0.0; 2], stretch(from, to)))
    }

    /// Whether one of the bands shows where the two belong, within reach.
    pub fn shows(&self, reference: &[Complex32], stretched: &[Complex32], band: usize) -> bool {
        self.search(reference, stretched, band).is_some()
    }

    /// Finds where the middle of `reference` (seen at `from`) lies in `image` (seen at `to`), by one of the bands;
    /// `stretched` is the image as [`Self::stretched`] gives it. `None`: what was found could be chance.
    pub fn link(
        &self,
        reference: &[Complex32],
        (image, stretched): (&Image, &[Complex32]),
        (from, to): (View, View),
        band: usize,
    ) -> Option<Moved> {
        let stretch = stretch(from, to);
        let first = self.search(reference, stretched, band)?;
        let moved = self.moved(first, [0.0; 2], stretch);
        if first.x.hypot(first.y) <= 0.5 {
            return Some(moved);
        }
        // A jump that does not stand out once what is shared lies over each other was a look-alike.
        let least = BELIEVED[usize::from(self.is_jump(&moved))];
        self.again(reference, image, moved, (stretch, band), least)
    }

    /// The same where the field went further than [`Self::link`] looks: what little the two pictures share is brought to
    /// the middle first.
    pub fn link_far(
        &self,
        reference: &[Complex32],
        image: &Image,
        (from, to): (View, View),
        band: usize,
    ) -> Option<Moved> {
        let stretch = stretch(from, to);
        let away = [self.size.1, self.size.0].map(|px| FAR_SHARE * px as f64);
        let sides = [-1.0, 0.0, 1.0];
        let places = sides.into_iter().flat_map(|x| sides.map(|y| [x * away[0], y * away[1]]));
        let look = |place: [f64; 2]| {
            let other = self.bench.spectrum(&sample(image, self.size, place, stretch));
            let reach = [self.size.1, self.size.0].map(|px| ((FAR_REACH_SHARE * px as f64) as usize).max(2));
            let cross = self.bench.cross_in(band, reference, &other);
            let peak = self.bench.peak(&cross, reach)?;
            (peak.inside && peak.significance >= believed(BELIEVED[1], &cross))
                .then(|| self.moved(peak, place, stretch))
        };
        let found = places.filter(|place| *place != [0.0; 2]).filter_map(look);
        // Look-alikes fall behind once what is shared lies over each other.
        let again = found.filter_map(|moved| self.again(reference, image, moved, (stretch, band), BELIEVED[1]));
        again.max_by(|a, b| a.significance.total_cmp(&b.significance))
    }

    /// Whether a movement is a jump, beyond the near reach.
    pub fn is_jump(&self, moved: &Moved) -> bool {
        moved.place[0].abs() > REACH_SHARE[0] * self.size.1 as f64
            || moved.place[1].abs() > REACH_SHARE[0] * self.size.0 as f64
    }

    /// Share of the frame that two pictures have in common, the one seen at `place` from the middle of the other.
    pub fn overlap(&self, place: [f64; 2]) -> f64 {
        let of = |k: usize, px: usize| (1.0 - place[k].abs() / px as f64).max(LEAST_OVERLAP);
        of(0, self.size.1) * of(1, self.size.0)
    }

    /// A movement measured once more with the shift taken off; `least` as in [`believed`].
    fn again(
        &self,
        reference: &[Complex32],
        image: &Image,
        moved: Moved,
        (stretch, band): ([[f64; 2]; 2], usize),
        least: f64,
    ) -> Option<Moved> {
        let other = self.bench.spectrum(&sample(image, self.size, moved.place, stretch));
        let cross = self.bench.cross_in(band, reference, &other);
        let again = self.bench.peak(&cross, [REST_PX; 2])?;
        let is_believed = again.inside && again.significance >= believed(least, &cross);
        is_believed.then(|| self.moved(again, moved.place, stretch))
    }

    /// The peak within the near reach if it is believed there and no other stands out much more further out.
    fn search(&self, reference: &[Complex32], stretched: &[Complex32], band: usize) -> Option<Peak> {
        let cross = self.bench.cross_in(band, reference, stretched);
        let within = |reach: usize| {
            let px = [self.size.1, self.size.0].map(|px| ((REACH_SHARE[reach] * px as f64) as usize).max(2));
            let least = believed(BELIEVED[reach], &cross);
            self.bench.peak(&cross, px).filter(|peak| peak.inside && peak.significance >= least)
        };
        let Some(near) = within(0) else { return within(1) };
        if near.significance >= PLAIN {
            return Some(near);
        }
        Some(within(1).filter(|wide| wide.significance > BETTER * near.significance).unwrap_or(near))
    }

    /// b(x) = a(x + d): what lies in the middle of the one lies at -d in the other.
    fn moved(&self, peak: Peak, from: [f64; 2], stretch: [[f64; 2]; 2]) -> Moved {
        let moved = apply(stretch, [-peak.x, -peak.y]);
        Moved {
            place: [from[0] + moved[0], from[1] + moved[1]],
            correlation: peak.correlation,
            significance: peak.significance,
            sd: peak.sd[0].hypot(peak.sd[1]).min(WORST_SD_PX),
        }
    }
}

/// What is as unlikely by chance as `least` standard deviations are with [`WAVES`]: a field of n independent waves has
/// about n independent places, and the odds of a deviate z fall as exp(-z²/2).
fn believed(least: f64, cross: &Cross) -> f64 {
    let waves = cross.chance_sd().powi(-2);
    (least * least + 2.0 * (waves / WAVES).min(1.0).ln()).max(LEAST_BELIEVED * LEAST_BELIEVED).sqrt()
}

/// How a step in the picture of `from` looks in the picture of `to`: across the axis by the ratio of the cosines.
pub fn stretch(from: View, to: View) -> [[f64; 2]; 2] {
    let Some([px, py]) = from.across else { return [[1.0, 0.0], [0.0, 1.0]] };
    let more = to.tilt_deg.to_radians().cos() / from.tilt_deg.to_radians().cos().max(1e-3) - 1.0;
    [[1.0 + more * px * px, more * px * py], [more * px * py, 1.0 + more * py * py]]
}

/// A matrix times a vector.
pub fn apply(m: [[f64; 2]; 2], [x, y]: [f64; 2]) -> [f64; 2] {
    [m[0][0] * x + m[0][1] * y, m[1][0] * x + m[1][1] * y]
}

/// A picture of `size` whose middle shows what lies at `place` from the middle of `image`, and whose steps are steps
/// of `m` there; bilinear, NaN outside.
pub fn sample(image: &Image, size: (usize, usize), place: [f64; 2], m: [[f64; 2]; 2]) -> Vec<f32> {
    let middle = |n: usize| (n as f64 - 1.0) / 2.0;
    let (x0, y0) = (middle(image.cols) + place[0], middle(image.rows) + place[1]);
    let at = |row: usize, col: usize| {
        let [dx, dy] = apply(m, [col as f64 - middle(size.1), row as f64 - middle(size.0)]);
        [x0 + dx, y0 + dy]
    };
    let mut out = vec![f32::NAN; size.0 * size.1];
    for (row, line) in out.chunks_exact_mut(size.1).enumerate() {
        let place = |col: usize| at(row, col);
        let inside = within(image, place(0), [m[0][0], m[1][0]], size.1);
        let outside = (0..inside.start).chain(inside.end..size.1);
        outside.for_each(|col| line[col] = image.between(place(col)[0], place(col)[1]));
        if !inside.is_empty() {
            image.along(place(inside.start), [m[0][0], m[1][0]], &mut line[inside]);
        }
    }
    out
}

/// Which of so many places a step apart lie between pixels of the image on all sides: those in between need not be asked.
fn within(image: &Image, from: [f64; 2], step: [f64; 2], places: usize) -> std::ops::Range<usize> {
    let (mut first, mut last) = (0.0f64, places as f64);
    for ((from, step), pixels) in from.into_iter().zip(step).zip([image.cols, image.rows]) {
        let ends = [-from / step, (pixels as f64 - 1.0 - from) / step];
        if ends.iter().all(|end| end.is_finite()) {
            first = first.max(ends[0].min(ends[1]));
            last = last.min(ends[0].max(ends[1]));
        }
    }
    let (mut first, mut last) = (first.ceil() as usize, last.ceil().max(0.0) as usize);
    let is_inside = |at: usize| image.surrounds([0, 1].map(|k| from[k] + step[k] * at as f64));
    while first < last && !is_inside(first) {
        first += 1;
    }
    while first < last && !is_inside(last - 1) {
        last -= 1;
    }
    if first < last { first..last } else { 0..0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Blobs on a plane, seen at a tilt about an axis along the columns, moved by `shift`.
    fn picture(tilt_deg: f64, shift: [f64; 2]) -> Image {
        let (rows, cols) = (96, 128);
        let squeeze = tilt_deg.to_radians().cos();
        let mut values = vec![0.0f32; rows * cols];
        for i in 0..260 {
            let (u, v) = ((i * 197 % 331) as f64 - 165.0, (i * 83 % 151) as f64 - 75.0);
            let (cx, cy) = (63.5 + u * squeeze + shift[0], 47.5 + v + shift[1]);
            for (at, value) in values.iter_mut().enumerate() {
                let (dx, dy) = ((at % cols) as f64 - cx, (at / cols) as f64 - cy);
                let r2 = (dx / squeeze).powi(2) + dy * dy;
                if r2 < 40.0 {
                    *value += (-0.5 * r2 / (2.0 + (i % 3) as f64)).exp() as f32;
                }
            }
        }
        Image { rows, cols, values }
    }

    #[test]
    fn a_feature_is_found_through_stretch_and_shift() {
        let linker = Linker::new(96, 128, 1);
        let view = |tilt_deg| View { across: Some([1.0, 0.0]), tilt_deg };
        let reference = linker.reference(&picture(50.0, [0.0, 0.0]));
        let other = picture(56.0, [-9.3, 5.6]);
        let moved = linker
            .link(
                &reference,
                (&other, &linker.stretched(&other, (view(50.0), view(56.0)))),
                (view(50.0), view(56.0)),
                0,
            )
            .unwrap();
        assert!((moved.place[0] + 9.3).abs() < 0.1 && (moved.place[1] - 5.6).abs() < 0.1, "{moved:?}");
    }

    #[test]
    fn a_field_that_went_half_out_of_the_frame_is_found() {
        // Blobs at random: those of `picture` lie nearly on a lattice, whose cells look alike.
        let scene = |shift: [f64; 2]| {
            let mut state = 11u64;
            let mut random = || {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                (state >> 40) as f64 / (1u64 << 24) as f64
            };
            let blobs: Vec<[f64; 3]> =
                (0..900).map(|_| [600.0 * random() - 220.0, 600.0 * random() - 220.0, 0.5 + random()]).collect();
            let (rows, cols) = (160, 192);
            let value = |at: usize| {
                let (x, y) = ((at % cols) as f64 - shift[0], (at / cols) as f64 - shift[1]);
                let blob = |[cx, cy, height]: &[f64; 3]| {
                    let r2 = (x - cx).powi(2) + (y - cy).powi(2);
                    if r2 < 60.0 { height * (-r2 / 16.0).exp() } else { 0.0 }
                };
                blobs.iter().map(blob).sum::<f64>() as f32
            };
            Image { rows, cols, values: (0..rows * cols).map(value).collect() }
        };
        let linker = Linker::new(160, 192, 1);
        let view = View { across: None, tilt_deg: 0.0 };
        let reference = linker.reference(&scene([0.0; 2]));
        for shift in [[-96.0, 3.0], [10.0, 75.0], [100.0, 0.0]] {
            let moved = linker.link_far(&reference, &scene(shift), (view, view), 0).unwrap();
            assert!((moved.place[0] - shift[0]).abs() < 0.2 && (moved.place[1] - shift[1]).abs() < 0.2, "{moved:?}");
        }
    }

    #[test]
    fn a_sample_is_what_lies_between_pixels_inside_and_nothing_outside() {
        let image = Image { rows: 20, cols: 30, values: (0..600).map(|at| (at * at % 101) as f32).collect() };
        for (place, m) in [
            ([0.0, 0.0], [[1.0, 0.0], [0.0, 1.0]]),
            ([4.3, -7.6], [[1.7, -0.3], [0.2, 0.6]]),
            ([-11.2, 3.0], [[-0.9, 0.4], [-0.4, -1.3]]),
            ([200.0, 0.0], [[1.0, 0.0], [0.0, 1.0]]),
        ] {
            let (rows, cols) = (16, 24);
            let found = sample(&image, (rows, cols), place, m);
            for (at, value) in found.iter().enumerate() {
                let step = [(at % cols) as f64 - 11.5, (at / cols) as f64 - 7.5];
                let [dx, dy] = apply(m, step);
                let expected = image.between(14.5 + place[0] + dx, 9.5 + place[1] + dy);
                assert!((value - expected).abs() < 1e-3 || (value.is_nan() && expected.is_nan()), "{at}: {value}");
            }
        }
    }

    #[test]
    fn a_blank_picture_links_to_nothing() {
        let linker = Linker::new(96, 128, 1);
        let view = View { across: None, tilt_deg: 0.0 };
        let reference = linker.reference(&picture(0.0, [0.0; 2]));
        let mut state = 7u64;
        let noise = (0..96 * 128).map(|_| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (state >> 40) as f32
        });
        let blank = Image { rows: 96, cols: 128, values: noise.collect() };
        let stretched = linker.stretched(&blank, (view, view));
        assert_eq!(linker.link(&reference, (&blank, &stretched), (view, view), 0), None);
        assert_eq!(linker.link_far(&reference, &blank, (view, view), 0), None);
    }
}
