//! The chain of links: each tilt is tied to its next and its next but one in angle, over tilts that show nothing; what
//! the links say together places every tilt.
//!
//! In coordinates of the specimen (those across the axis divided by the cosine) a link is a difference of two places,
//! whatever the tilts. Least absolute deviations place all tilts at once: a link that went wrong is outvoted by the
//! others around it.

use crate::measure::tracking::astray::astray;
use crate::measure::tracking::kept::Kept;
use crate::measure::tracking::link::{BANDS, BETTER, Linker, Moved, PLAIN, View, apply, stretch};
use crate::measure::tracking::odd::{ODD, Odd, odd};
use crate::numerics::median::upper_median;
use crate::numerics::placement::{self, Link};
use crate::numerics::registration::image::Image;
use rayon::prelude::*;
use rustfft::num_complex::Complex32;

/// No link reaches over more than this, unless nothing lies between.
const LONGEST_LINK_DEG: f64 = 10.0;
/// Pictures whose shorter side is at least this are linked at half their size: patches refine what is found.
const LEAST_BINNED_PX: usize = 160;
const BIN: usize = 2;
/// Tilts that could not be tied are tried against so many of the nearest that are.
const BRIDGES: usize = 4;
/// So many pairs, spread over the series, say which band is used.
const TRIED_PAIRS: usize = 12;
/// The finest band is used that links at least this share of the pairs that any band links.
const ENOUGH: f64 = 0.8;
/// Under this many standard deviations of chance a link over a neighbour ties nothing by itself.
const DOUBTFUL: f64 = 8.0;
/// Over a wider step in angle a jump is not believed: too little looks alike there, and a look-alike is as likely.
const WIDEST_JUMP_DEG: f64 = 15.0;
/// Far away a field must correlate so many times as high as nearby,
const CORRELATES_BETTER: f64 = 1.2;
/// and stand out by so many standard deviations: so many places are looked at that chance comes to 11.
const FAR_PLAIN: f64 = 13.0;
/// A movement is a usual one within so many times the median of all, and so many pixels of the kept picture.
const USUAL: [f64; 2] = [3.0, 4.0];
const ROUNDS: usize = 25;
/// Residuals under this, in pixels of the kept picture, all count alike.
const SOFT_PX: f64 = 0.3;
/// A link is worth no more than this precise, whatever its noise says: heights move apart.
const LEAST_SD_PX: f64 = 0.15;

/// A tilt as tracking sees it; tilts stand in ascending angle.
pub struct Seen<'a> {
    /// Angle.
    pub tilt_deg: f64,
    /// 0-based order of acquisition.
    pub order: usize,
    /// Its picture; `None` where it could not be read or shows nothing.
    pub picture: Option<&'a Kept>,
}

/// Where a tilt's field lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Of the start's centre feature, from the middle of the picture, in pixels of the kept picture.
    pub px: [f64; 2],
    /// Of the link towards zero; 1 for the start.
    pub correlation: f64,
}

/// A chain.
#[derive(Debug, Clone, PartialEq)]
pub struct Chain {
    /// Index of the start: the tilt nearest zero among those that are tied to most others.
    pub start: usize,
    /// By tilt.
    pub places: Vec<Option<Place>>,
    /// By tilt: it shows another field than the start.
    pub apart: Vec<Option<Apart>>,
}

/// How a tilt is known to show another field.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Apart {
    /// Some of its neighbours show it too, and nothing of the rest.
    Together,
    /// Nothing of what its neighbours show is found in it.
    Alone,
}

/// Chains all tilts; `across` is the perpendicular direction, where known. `None` where no tilt has a picture.
pub fn chain(tilts: &[Seen<'_>], across: Option<[f64; 2]>) -> Option<Chain> {
    let first = tilts.iter().find_map(|tilt| tilt.picture)?;
    let bin = if first.rows.min(first.cols) >= LEAST_BINNED_PX { BIN } else { 1 };
    let images: Vec<Option<Image>> =
        tilts.par_iter().map(|tilt| tilt.picture.map(|picture| picture.image().binned(bin))).collect();
    let (rows, cols) = images.iter().flatten().next().map(|image| (image.rows, image.cols))?;
    let linker = Linker::new(rows, cols, bin);
    let references = images.par_iter().map(|image| image.as_ref().map(|image| linker.reference(image))).collect();
    let pairs = pairs(tilts);
    let mut maker = Maker { tilts, across, linker, images, references, bin: bin as f64, band: 0 };
    maker.band = maker.best_band(&pairs);
    let mut made = maker.all(&pairs);
    let lost = maker.lost(&pairs, &mut made);
    let mut made = borne_out(tilts.len(), made, &pairs);
    let mut start = start(tilts, &made)?;
    let usual = usual(&made);
    for at in untied(tilts, &made, start) {
        if apart(tilts.len(), &made, &lost, start)[at] {
            made.extend(maker.returned(&made, start, at, usual));
        } else {
            // A weak jump amid strong links is a look-alike's.
            let beside = alone(tilts, &made, start)[at];
            let as_strong = |link: &Made| beside.is_none_or(|beside| maker.whole(link) >= ODD * beside);
            let link = maker.bridge(&made, start, at).filter(|link| length(link) <= usual || as_strong(link));
            made.extend(link);
        }
    }
    // Bridges may have tied the tilt nearest zero.
    start = self::start(tilts, &made)?;
    let together = apart(tilts.len(), &made, &lost, start);
    let alone = alone(tilts, &made, start);
    let told = together.into_iter().zip(alone);
    let told = told.map(|(together, alone)| {
        let together = together.then_some(Apart::Together);
        together.or(alone.map(|_| Apart::Alone))
    });
    Some(Chain { start, places: maker.places(&made, start), apart: told.collect() })
}

/// Tilts that nothing ties to the start amid strong links, and how strong these are at least.
fn alone(tilts: &[Seen<'_>], made: &[Made], start: usize) -> Vec<Option<f64>> {
    let angles: Vec<f64> = tilts.iter().map(|tilt| tilt.tilt_deg).collect();
    let seen: Vec<usize> = (0..tilts.len()).filter(|&at| tilts[at].picture.is_some()).collect();
    let component = components(tilts.len(), made);
    let significance = |a: usize, b: usize| {
        let link = made.iter().find(|(x, y, _)| (*x.min(y), *x.max(y)) == (a, b));
        link.map_or(0.0, |(_, _, moved)| moved.significance)
    };
    astray(&angles, &seen, |at| component[at] == component[start], significance)
}

fn length(made: &Made) -> f64 {
    made.2.place[0].hypot(made.2.place[1])
}

/// The longest movement that is a usual one.
fn usual(made: &[Made]) -> f64 {
    USUAL[0] * upper_median(made.iter().map(length)).unwrap_or(0.0) + USUAL[1]
}

/// Tilts that links tie to a side of a place where the field was lost, and not to the start.
fn apart(n: usize, made: &[Made], lost: &[Odd], start: usize) -> Vec<bool> {
    let component = components(n, made);
    let at_a_loss = |at: usize| {
        lost.iter().any(|odd| [odd.pair.0, odd.pair.1].map(|side| component[side]).contains(&component[at]))
    };
    (0..n).map(|at| component[at] != component[start] && at_a_loss(at)).collect()
}

/// A link that was found: index of the tilt nearer zero, of the other, and the movement.
type Made = (usize, usize, Moved);

/// Each tilt with a picture, with its next and next but one.
fn pairs(tilts: &[Seen<'_>]) -> Vec<(usize, usize)> {
    let seen: Vec<usize> = (0..tilts.len()).filter(|&at| tilts[at].picture.is_some()).collect();
    let mut pairs = Vec::new();
    for (k, &at) in seen.iter().enumerate() {
        pairs.extend(seen.get(k + 1).map(|&next| (at, next)));
        let near = |&&next: &&usize| tilts[next].tilt_deg - tilts[at].tilt_deg <= LONGEST_LINK_DEG;
        pairs.extend(seen.get(k + 2).filter(near).map(|&next| (at, next)));
    }
    pairs
}

/// Without links over a neighbour that hardly stand out and are all that ties two parts of the series: where the field went
/// far, such a link is a look-alike's.
fn borne_out(n: usize, made: Vec<Made>, pairs: &[(usize, usize)]) -> Vec<Made> {
    // Of each tilt the pair with its next stands first.
    let is_next = |a: usize, b: usize| pairs.iter().find(|(low, _)| *low == a.min(b)) == Some(&(a.min(b), a.max(b)));
    let (sure, doubtful): (Vec<Made>, Vec<Made>) =
        made.into_iter().partition(|(a, b, moved)| moved.significance >= DOUBTFUL || is_next(*a, *b));
    let component = components(n, &sure);
    let borne_out = doubtful.into_iter().filter(|(a, b, _)| component[*a] == component[*b]);
    let borne_out: Vec<Made> = borne_out.collect();
    sure.into_iter().chain(borne_out).collect()
}

/// Whether a far place shows the field where the near one shows a look-alike.
fn is_far_better(far: &Moved, near: &Moved) -> bool {
    far.significance >= FAR_PLAIN
        && far.significance > BETTER * near.significance
        && far.correlation > CORRELATES_BETTER * near.correlation
}

/// Tilts that links tie to each other: the component of each tilt.
fn components(n: usize, made: &[Made]) -> Vec<usize> {
    let mut component: Vec<usize> = (0..n).collect();
    for &(a, b, _) in made {
        let (low, high) = (component[a].min(component[b]), component[a].max(component[b]));
        component.iter_mut().filter(|c| **c == high).for_each(|c| *c = low);
    }
    component
}

fn start(tilts: &[Seen<'_>], made: &[Made]) -> Option<usize> {
    let component = components(tilts.len(), made);
    let size = |c: usize| component.iter().filter(|&&other| other == c).count();
    let most = (0..tilts.len()).map(|at| size(component[at])).max()?;
    let able = (0..tilts.len()).filter(|&at| tilts[at].picture.is_some() && size(component[at]) == most);
    able.min_by(|&a, &b| {
        let (x, y) = (tilts[a].tilt_deg.abs(), tilts[b].tilt_deg.abs());
        if (x - y).abs() < 1e-6 { tilts[a].order.cmp(&tilts[b].order) } else { x.total_cmp(&y) }
    })
}

/// Tilts with pictures that nothing ties to the start, outward.
fn untied(tilts: &[Seen<'_>], made: &[Made], start: usize) -> Vec<usize> {
    let component = components(tilts.len(), made);
    let mut untied: Vec<usize> =
        (0..tilts.len()).filter(|&at| tilts[at].picture.is_some() && component[at] != component[start]).collect();
    untied.sort_by(|&a, &b| tilts[a].tilt_deg.abs().total_cmp(&tilts[b].tilt_deg.abs()));
    untied
}

struct Maker<'a> {
    tilts: &'a [Seen<'a>],
    across: Option<[f64; 2]>,
    linker: Linker,
    /// Pictures, `bin` of whose pixels lie along one of these.
    images: Vec<Option<Image>>,
    /// Their spectra.
    references: Vec<Option<Vec<Complex32>>>,
    bin: f64,
    /// The band in which all links are sought first: what one band follows is not quite what another does.
    band: usize,
}

impl Maker<'_> {
    fn view(&self, at: usize) -> View {
        View { across: self.across, tilt_deg: self.tilts[at].tilt_deg }
    }

    /// How far a link would stand out had the two the whole frame in common.
    fn whole(&self, made: &Made) -> f64 {
        made.2.significance / self.linker.overlap(made.2.place.map(|px| px / self.bin))
    }

    fn all(&self, pairs: &[(usize, usize)]) -> Vec<Made> {
        pairs.par_iter().filter_map(|&(a, b)| self.make(a, b)).collect()
    }

    /// Settles the links of neighbours that are much weaker than those beside them: the field went far, or it is a
    /// look-alike's link, which ties nothing. Gives where the field was lost for good.
    fn lost(&self, pairs: &[(usize, usize)], made: &mut Vec<Made>) -> Vec<Odd> {
        let angles: Vec<f64> = self.tilts.iter().map(|tilt| tilt.tilt_deg).collect();
        let seen: Vec<usize> = (0..angles.len()).filter(|&at| self.tilts[at].picture.is_some()).collect();
        let whole = |made: &Made| self.whole(made);
        let significance =
            |a: usize, b: usize| made.iter().find(|(x, y, _)| (*x.min(y), *x.max(y)) == (a, b)).map_or(0.0, whole);
        let usual = usual(made);
        let mut lost = Vec::new();
        for odd in odd(&angles, &seen, significance) {
            let over = |made: &&Made| odd.lies_within(made.0, made.1);
            // Where the next but one links well the field is there; and no look-alike lies just where the field would.
            if made.iter().filter(over).any(|made| whole(made) >= odd.least || length(made) <= usual) {
                continue;
            }
            // Coarse steps have no links over a neighbour; a shadow may hide from one tilt what the next but one shows.
            let plain = |made: &Made| made.2.significance >= DOUBTFUL && length(made) <= usual;
            if let Some(over_one) = self.over_one(&seen, &odd).find(plain) {
                made.push(over_one);
                continue;
            }
            let near = made.iter().filter(over).map(|made| made.2.significance).fold(0.0, f64::max);
            let far = pairs.iter().filter(|(a, b)| odd.lies_within(*a, *b)).filter_map(|&(a, b)| self.make_far(a, b));
            let far = far.max_by(|a, b| a.2.significance.total_cmp(&b.2.significance));
            made.retain(|made| !over(&made));
            match far.filter(|far| far.2.significance > near) {
                Some(far) => made.push(far),
                None => lost.push(odd),
            }
        }
        lost
    }

    /// Links over an odd one, from a tilt beside it to the further of its two.
    fn over_one(&self, seen: &[usize], odd: &Odd) -> impl Iterator<Item = Made> {
        let (a, b) = odd.pair;
        let at = seen.iter().position(|&at| at == a).unwrap_or(0);
        let before = at.checked_sub(1).map(|before| (seen[before], b));
        let after = seen.get(at + 2).map(|&after| (a, after));
        [before, after].into_iter().flatten().filter_map(|(a, b)| self.make(a, b))
    }

    /// The finest band that links most of what can be linked at all, by pairs spread over the series.
    fn best_band(&self, pairs: &[(usize, usize)]) -> usize {
        let every = pairs.len().div_ceil(TRIED_PAIRS).max(1);
        let tried: Vec<Vec<bool>> = pairs
            .par_iter()
            .step_by(every)
            .filter_map(|&(a, b)| {
                let (inner, outer) = self.ordered(a, b);
                let reference = self.references[inner].as_ref()?;
                let views = (self.view(inner), self.view(outer));
                let stretched = self.linker.stretched(self.images[outer].as_ref()?, views);
                Some((0..BANDS.len()).map(|band| self.linker.shows(reference, &stretched, band)).collect())
            })
            .collect();
        let any = tried.iter().filter(|by_band| by_band.contains(&true)).count() as f64;
        let by = |band: usize| tried.iter().filter(|by_band| by_band[band]).count() as f64;
        (0..BANDS.len())
            .find(|&band| any > 0.0 && by(band) >= ENOUGH * any)
            .unwrap_or_else(|| (0..BANDS.len()).max_by(|&a, &b| by(a).total_cmp(&by(b))).unwrap_or(0))
    }

    /// The one nearer to zero first.
    fn ordered(&self, a: usize, b: usize) -> (usize, usize) {
        if self.tilts[a].tilt_deg.abs() <= self.tilts[b].tilt_deg.abs() { (a, b) } else { (b, a) }
    }

    /// Where the middle of the inner tilt's picture lies in the outer one's: in the band that is used, in another only
    /// where that one shows nothing.
    fn make(&self, a: usize, b: usize) -> Option<Made> {
        let (inner, outer) = self.ordered(a, b);
        let (reference, image) = (self.references[inner].as_ref()?, self.images[outer].as_ref()?);
        let views = (self.view(inner), self.view(outer));
        let stretched = self.linker.stretched(image, views);
        let others = (0..BANDS.len()).filter(|&band| band != self.band);
        let mut moved = std::iter::once(self.band)
            .chain(others)
            .find_map(|band| self.linker.link(reference, (image, &stretched), views, band))?;
        if self.is_wide(a, b) {
            let stays = !self.linker.is_jump(&moved);
            return stays.then(|| self.made(inner, outer, moved));
        }
        // A jump may have found a look-alike of a field that went further still, and so may what hardly stands out.
        if self.linker.is_jump(&moved) || moved.significance < PLAIN {
            let far = self.far(reference, image, views);
            let better = |far: &Moved| match self.linker.is_jump(&moved) {
                true => far.significance > moved.significance,
                false => is_far_better(far, &moved),
            };
            moved = far.filter(better).unwrap_or(moved);
        }
        Some(self.made(inner, outer, moved))
    }

    fn is_wide(&self, a: usize, b: usize) -> bool {
        self.apart_deg(a, b) > WIDEST_JUMP_DEG
    }

    /// In pixels of the kept picture.
    fn made(&self, inner: usize, outer: usize, moved: Moved) -> Made {
        (inner, outer, Moved { place: moved.place.map(|px| px * self.bin), sd: moved.sd * self.bin, ..moved })
    }

    fn apart_deg(&self, a: usize, b: usize) -> f64 {
        (self.tilts[a].tilt_deg - self.tilts[b].tilt_deg).abs()
    }

    /// Tilts with pictures that are tied to the start, the nearest to this one first; `None` where it is tied itself.
    fn tied(&self, made: &[Made], start: usize, at: usize) -> Option<Vec<usize>> {
        let component = components(self.tilts.len(), made);
        if component[at] == component[start] {
            return None;
        }
        let is_tied = |&other: &usize| component[other] == component[start] && self.tilts[other].picture.is_some();
        let mut tied: Vec<usize> = (0..self.tilts.len()).filter(is_tied).collect();
        tied.sort_by(|&a, &b| self.apart_deg(a, at).total_cmp(&self.apart_deg(b, at)));
        Some(tied)
    }

    /// A link from a tilt that is not tied to the nearest that is.
    fn bridge(&self, made: &[Made], start: usize, at: usize) -> Option<Made> {
        let mut tied = self.tied(made, start, at)?;
        let apart = |other: usize| self.apart_deg(other, at);
        // With coarse steps even the next but one lies further.
        let within = tied.iter().filter(|&&other| apart(other) <= LONGEST_LINK_DEG).count().max(2);
        tied.truncate(within);
        let nearest = *tied.first()?;
        let near = tied.iter().take(BRIDGES).find_map(|&other| self.make(other, at));
        let sure = |made: &Made| made.2.significance >= DOUBTFUL || made.0 == nearest || made.1 == nearest;
        near.filter(sure).or_else(|| self.make_far(nearest, at)).or(near)
    }

    /// A link over tilts that show another field to one beyond them where the field is seen again, about where it was.
    fn returned(&self, made: &[Made], start: usize, at: usize, usual: f64) -> Option<Made> {
        let tied = self.tied(made, start, at)?;
        let links = tied.into_iter().take(BRIDGES).filter_map(|other| self.make(other, at));
        let plain = |made: &Made| made.2.significance >= DOUBTFUL && length(made) <= usual;
        links.filter(plain).max_by(|a, b| a.2.significance.total_cmp(&b.2.significance))
    }

    /// A field that went far, in the band that shows it best: at high tilts half a frame has little fine detail in common.
    fn far(&self, reference: &[Complex32], image: &Image, views: (View, View)) -> Option<Moved> {
        let found = (0..BANDS.len()).filter_map(|band| self.linker.link_far(reference, image, views, band));
        found.max_by(|a, b| a.significance.total_cmp(&b.significance))
    }

    /// A link to a tilt whose field went far.
    fn make_far(&self, a: usize, b: usize) -> Option<Made> {
        if self.is_wide(a, b) {
            return None;
        }
        let (inner, outer) = self.ordered(a, b);
        let (reference, image) = (self.references[inner].as_ref()?, self.images[outer].as_ref()?);
        let moved = self.far(reference, image, (self.view(inner), self.view(outer)))?;
        Some(self.made(inner, outer, moved))
    }

    /// All tilts placed against the start.
    fn places(&self, made: &[Made], start: usize) -> Vec<Option<Place>> {
        let flat = View { across: self.across, tilt_deg: 0.0 };
        let mut links: Vec<Link> = Vec::with_capacity(made.len());
        for &(inner, outer, moved) in made {
            // In the outer picture's pixels, so that a link at a steep angle weighs no more than what it knows.
            let difference = apply(stretch(self.view(outer), flat), moved.place);
            let cosine = self.tilts[outer].tilt_deg.to_radians().cos();
            let weight = cosine * cosine / (moved.sd * moved.sd + LEAST_SD_PX * LEAST_SD_PX);
            links.push(Link { from: inner, to: outer, difference, weight: [weight; 2] });
        }
        let solved = robust(self.tilts.len(), &links, start);
        let place = |at: usize| {
            let px = apply(stretch(flat, self.view(at)), solved[at]?);
            let towards = made.iter().filter(|(a, b, _)| *a == at || *b == at).map(|(_, _, moved)| moved.correlation);
            Some(Place { px, correlation: if at == start { 1.0 } else { towards.fold(0.0, f64::max) } })
        };
        (0..self.tilts.len()).map(place).collect()
    }
}

/// Least absolute deviations by reweighting.
fn robust(n: usize, links: &[Link], start: usize) -> Vec<Option<[f64; 2]>> {
    let mut reweighted = links.to_vec();
    let mut places = placement::place(n, &reweighted, start);
    for _ in 0..ROUNDS {
        for (link, original) in reweighted.iter_mut().zip(links) {
            let Some((from, to)) = places[link.from].zip(places[link.to]) else { continue };
            let off = (to[0] - from[0] - link.difference[0]).hypot(to[1] - from[1] - link.difference[1]);
            link.weight = original.weight.map(|weight| weight / off.max(SOFT_PX));
        }
        places = placement::place(n, &reweighted, start);
    }
    places
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_doubtful_link_over_a_neighbour_ties_nothing_by_itself() {
        let pairs = [(0, 1), (0, 2), (1, 2), (1, 3), (2, 3)];
        let link = |a, b, significance| (a, b, Moved { place: [0.0; 2], correlation: 0.5, significance, sd: 1.0 });
        let ends = |made: Vec<Made>| -> Vec<(usize, usize)> {
            borne_out(4, made, &pairs).into_iter().map(|(a, b, _)| (a, b)).collect()
        };
        // Between 0, 1 and 2, 3 only a doubtful link over a neighbour: the two parts stay apart.
        assert_eq!(ends(vec![link(0, 1, 6.0), link(2, 3, 6.0), link(1, 3, 6.0)]), [(0, 1), (2, 3)]);
        // One that stands out ties them, as does one to the next; then the doubtful one helps.
        assert_eq!(ends(vec![link(0, 1, 6.0), link(2, 3, 6.0), link(1, 3, 9.0)]), [(0, 1), (2, 3), (1, 3)]);
        assert_eq!(
            ends(vec![link(0, 1, 6.0), link(1, 2, 6.0), link(2, 3, 6.0), link(1, 3, 6.0)]),
            [(0, 1), (1, 2), (2, 3), (1, 3)]
        );
    }

    #[test]
    fn a_far_place_must_stand_out_and_correlate_more() {
        let found = |significance, correlation| Moved { place: [0.0; 2], correlation, significance, sd: 1.0 };
        assert!(is_far_better(&found(18.0, 0.5), &found(8.7, 0.26)));
        // Where few waves carry the picture even a true link stands out little, but correlates highly.
        assert!(!is_far_better(&found(14.0, 0.95), &found(5.6, 0.93)));
        assert!(!is_far_better(&found(10.8, 0.41), &found(6.0, 0.2)), "chance comes as high as that");
    }

    #[test]
    fn a_link_that_went_wrong_is_outvoted() {
        let mut links = Vec::new();
        for at in 0..10usize {
            for next in [at + 1, at + 2].into_iter().filter(|&next| next < 11) {
                let step = (next - at) as f64;
                let wrong = if (at, next) == (4, 5) { 60.0 } else { 0.0 };
                links.push(Link { from: at, to: next, difference: [step + wrong, -2.0 * step], weight: [1.0; 2] });
            }
        }
        let places = robust(11, &links, 3);
        for (at, place) in places.iter().enumerate() {
            let expected = at as f64 - 3.0;
            assert!((place.unwrap()[0] - expected).abs() < 0.5, "{at}: {place:?}");
        }
    }
}
