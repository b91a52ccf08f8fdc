//! The series of a trial: the grid of strengths of every kind of fault, and sound series.

use crate::judge::Profile;
use crate::record::Specimen;
use crate::trial::kinds::{Hits, KINDS, Kind, Needs};
use crate::trial::plant::Planted;
use crate::trial::sound::{Wish, sound};

/// How much is tried.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mode {
    /// One series a strength.
    Quick,
    /// Eight series a strength.
    Full,
}

/// One series to be made and judged.
pub struct Job {
    /// What is planted; `None`: nothing.
    pub kind: Option<&'static Kind>,
    /// Nominal angles hit and the strength there; of a fault of the whole series, one strength without angles.
    pub hits: Vec<(Vec<f64>, f64)>,
    /// The series.
    pub planted: Planted,
}

/// Tilts of one series that are hit at most: a fifth of 21, so that the run of the others stands.
const MOST_HITS: usize = 4;
/// Kinds with fewer strengths are tried at all of them.
const FEWEST_STRENGTHS: usize = 4;
/// Side of a picture of which only what is stated counts.
const SMALL_PX: usize = 96;

/// The specimen that a profile is for: one with a critical exposure is for vitrified specimens.
pub fn specimen(profile: &Profile) -> Specimen {
    if profile.curve().is_some() { Specimen::Vitrified } else { Specimen::ResinSection }
}

/// All series of a trial.
pub fn jobs(specimen: Specimen, mode: Mode, seed: u64) -> Vec<Job> {
    let mut seeds = seed..;
    let mut next = || seeds.next().unwrap_or(seed);
    let mut jobs = Vec::new();
    for at in 0..if mode == Mode::Quick { 8 } else { 60 } {
        let tiles = if at % 5 == 4 { (1, 3) } else { (1, 1) };
        let wish = Wish { tiles, side_px: Some(256), step_deg: Some(6.0), rings: at % 5 == 3, ..Wish::of(specimen) };
        jobs.push(Job { kind: None, hits: Vec::new(), planted: Planted::sound(sound(next(), &wish)) });
    }
    for kind in KINDS.iter().filter(|kind| kind.check.is_some() && kind.specimens.contains(&specimen)) {
        for round in 0..rounds(mode) {
            for strengths in shares(kind, mode, round) {
                jobs.push(job(kind, &strengths, specimen, next()));
            }
        }
    }
    jobs
}

fn needs_rings(kind: &Kind) -> bool {
    matches!(kind.needs, Needs::Rings | Needs::RingsAndMontage)
}

fn rounds(mode: Mode) -> usize {
    match mode {
        Mode::Quick => 1,
        Mode::Full => 8,
    }
}

/// Which strengths go into which series: faults of single tilts share one, those of the whole series do not.
fn shares(kind: &'static Kind, mode: Mode, round: usize) -> Vec<Vec<f64>> {
    let all: Vec<f64> = if kind.strengths.is_empty() { vec![kind.plain] } else { kind.strengths.to_vec() };
    // A fault of the whole series takes a series a strength: a quick trial takes every other of them.
    let thin = mode == Mode::Quick && kind.hits == Hits::Series && all.len() >= FEWEST_STRENGTHS;
    let all: Vec<f64> = all.into_iter().enumerate().filter(|(at, _)| !thin || at % 2 == 1).map(|(_, s)| s).collect();
    if kind.hits != Hits::Tilts {
        return all.into_iter().map(|strength| vec![strength]).collect();
    }
    let series = all.len().div_ceil(MOST_HITS);
    // Dealt out in turns, each round beginning elsewhere, so that weak and strong ones come together.
    let dealt = |of: usize| {
        all.iter().enumerate().filter(|(at, _)| (at + round) % series == of).map(|(_, &s)| s).collect::<Vec<_>>()
    };
    (0..series).map(dealt).collect()
}

fn job(kind: &'static Kind, strengths: &[f64], specimen: Specimen, seed: u64) -> Job {
    let wish = kind.needs.wish(specimen);
    let side_px = match (needs_rings(kind), is_stated(kind)) {
        (true, _) => wish.side_px,
        (false, true) => Some(SMALL_PX),
        (false, false) => Some(256),
    };
    let mut planted = Planted::sound(sound(seed, &Wish { side_px, step_deg: Some(6.0), ..wish }));
    let mut hits = Vec::new();
    if kind.hits == Hits::Tilts {
        planted.draw_tilts(strengths.len());
        let drawn = std::mem::take(&mut planted.tilts_deg);
        for (&angle, &strength) in drawn.iter().zip(strengths) {
            planted.tilts_deg = vec![angle];
            (kind.plant)(&mut planted, strength);
            hits.push((vec![angle], strength));
        }
        planted.tilts_deg = drawn;
    } else {
        let strength = strengths.first().copied().unwrap_or(kind.plain);
        (kind.plant)(&mut planted, strength);
        hits.push((planted.tilts_deg.clone(), strength));
    }
    Job { kind: Some(kind), hits, planted }
}

/// Faults of what is stated, and of brightness alone: small pictures show them as well.
fn is_stated(kind: &Kind) -> bool {
    const SMALL: [&str; 10] = [
        "acquisition_pause",
        "beam_reserve",
        "dose_match",
        "illumination_gradient",
        "pre_exposure",
        "repeated_angle",
        "tilt_gap",
        "tilt_range",
        "total_dose",
        "unreadable_section",
    ];
    kind.check.is_some_and(|check| SMALL.contains(&check))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_strength_is_tried_in_every_round() {
        for specimen in [Specimen::ResinSection, Specimen::Vitrified] {
            let jobs = jobs(specimen, Mode::Full, 1);
            for kind in KINDS.iter().filter(|kind| kind.check.is_some() && kind.specimens.contains(&specimen)) {
                for strength in kind.strengths {
                    let of = jobs.iter().filter(|job| job.kind.is_some_and(|k| k.name == kind.name));
                    let tried = of.flat_map(|job| &job.hits).filter(|(_, s)| s == strength).count();
                    assert_eq!(tried, 8, "{} {strength}", kind.name);
                }
            }
        }
    }

    #[test]
    fn tilts_that_are_hit_lie_apart() {
        for job in jobs(Specimen::ResinSection, Mode::Quick, 1) {
            let single = job.kind.is_some_and(|kind| kind.hits == Hits::Tilts);
            let apart = job.planted.tilts_deg.windows(2).all(|pair| pair[1] - pair[0] > 12.0);
            assert!(!single || (apart && job.planted.tilts_deg.len() <= MOST_HITS));
        }
    }
}
