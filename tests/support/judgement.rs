//! Series with planted faults and sound ones, judged by the built-in profiles, and how often the judgement is right.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]
#![allow(dead_code, reason = "each user takes its part")]

use rayon::prelude::*;
use std::path::Path;
use tiltworth::judge::Profile;
use tiltworth::record::{Answer, Grade, Record, Specimen, Tilt};
use tiltworth::simulate::rings;
use tiltworth::trial::kinds::{Hits, KINDS, Kind, Means, Needs};
use tiltworth::trial::plant::Planted;
use tiltworth::trial::run::{Tried, try_series};
use tiltworth::trial::sound::{Wish, sound};

/// A series to be judged.
pub struct Case {
    /// What was planted; `None`: nothing.
    pub kind: Option<&'static Kind>,
    /// Its strength.
    pub strength: f64,
    /// The series.
    pub planted: Planted,
}

/// How the judgement of a case came out.
#[derive(Debug, Clone, Default)]
pub struct Score {
    /// Name of the fault, `sound` without one.
    pub name: String,
    /// Seed of the series.
    pub seed: u64,
    /// Planted faults (tilts hit, or 1 of a series) that a check could tell.
    pub planted: usize,
    /// Those flagged under the right id.
    pub told: usize,
    /// Tilts that nothing was planted at.
    pub clean: usize,
    /// What was flagged on them.
    pub false_flags: Vec<(f64, String)>,
    /// Tilts without a fault that have a flag.
    pub clean_flagged: usize,
    /// Further flags at tilts that were hit: one cause, one flag.
    pub second_flags: Vec<(f64, String)>,
    /// Series-level checks that failed without cause.
    pub false_fails: Vec<String>,
    /// Tilts rightly left out, wrongly left out, wrongly kept.
    pub lists: [usize; 3],
    /// Answer and the one planted.
    pub answers: (Option<Answer>, Option<Answer>),
    /// Headline.
    pub headline: String,
    /// What tells where to look.
    pub details: Vec<String>,
}

impl Score {
    /// Whether all is as planted.
    pub fn is_right(&self) -> bool {
        self.told == self.planted
            && self.clean_flagged == 0
            && self.false_fails.is_empty()
            && self.lists[1] + self.lists[2] == 0
            && self.answers.0 == self.answers.1
    }
}

/// All cases: `sound` sound series and `each` series of every kind of fault and specimen, from seeds after `seed`.
pub fn cases(seed: u64, sound_series: u64, each: u64) -> Vec<Case> {
    let mut cases = Vec::new();
    for k in 0..sound_series {
        let specimen = if k % 3 == 2 { Specimen::Vitrified } else { Specimen::ResinSection };
        // One in three a column of tiles, one in nine a square.
        let tiles = match k % 9 {
            1 | 4 => (1, 3),
            7 => (2, 2),
            _ => (1, 1),
        };
        let small = (tiles != (1, 1)).then_some(256);
        let wish = Wish { tiles, side_px: small, rings: k % 6 == 3, target: k % 4 != 3, ..Wish::of(specimen) };
        let planted = Planted::sound(sound(seed + k, &wish));
        cases.push(Case { kind: None, strength: 0.0, planted });
    }
    let mut next = seed + 10_000;
    for kind in KINDS {
        for k in 0..each * kind.specimens.len() as u64 {
            next += 1;
            cases.push(planted_case(kind, next, k));
        }
    }
    cases
}

/// A case of a kind, from plain strength to a third more.
pub fn planted_case(kind: &'static Kind, seed: u64, k: u64) -> Case {
    let specimen = kind.specimens[k as usize % kind.specimens.len()];
    let wish = kind.needs.wish(specimen);
    let mut planted = Planted::sound(sound(seed, &wish));
    if kind.hits == Hits::Tilts {
        planted.draw_tilts(1 + (k as usize / kind.specimens.len()) % 2);
    }
    let strength = kind.plain;
    (kind.plant)(&mut planted, strength);
    Case { kind: Some(kind), strength, planted }
}

/// Judges all cases; `each` is called with every score.
pub fn judge_all(cases: &[Case], each: &(dyn Fn(&Score) + Sync)) -> Vec<Score> {
    cases
        .par_iter()
        .map(|case| {
            let score = judge(case);
            each(&score);
            score
        })
        .collect()
}

/// Judges a case by the profile of its specimen.
pub fn judge(case: &Case) -> Score {
    let profile = Profile::find(None, case.planted.recipe.specimen).unwrap();
    let tried = try_series(&case.planted, &profile, &|| true).unwrap();
    score(case, &tried)
}

fn score(case: &Case, tried: &Tried) -> Score {
    let record = &tried.record;
    let hits = hits(case, tried);
    let check = case.kind.and_then(|kind| kind.check);
    let mut score = Score {
        name: case.kind.map_or("sound", |kind| kind.name).into(),
        seed: case.planted.recipe.seed,
        headline: record.verdict.headline.clone(),
        ..Score::default()
    };
    tell(case, tried, &hits, check, &mut score);
    let of_series = case.kind.is_some_and(|kind| kind.hits == Hits::Series);
    for (tilt, &hit) in record.tilts.iter().zip(&hits) {
        let others = tilt.flags.iter().filter(|flag| Some(flag.as_str()) != check);
        let others: Vec<_> = others.filter(|flag| !follows(case, flag)).map(|f| (tilt.tilt_deg, f.clone())).collect();
        if hit {
            score.second_flags.extend(others);
        } else {
            // Flags of a fault of the whole series are no false ones; the same id elsewhere is. Of two halves that show two
            // fields neither is the field.
            let anywhere = of_series || case.kind.is_some_and(|kind| kind.name == "field lost half-way");
            let same = tilt.flags.iter().filter(|flag| !anywhere && Some(flag.as_str()) == check);
            let wrong: Vec<_> = others.into_iter().chain(same.map(|f| (tilt.tilt_deg, f.clone()))).collect();
            score.clean += 1;
            score.clean_flagged += usize::from(!wrong.is_empty());
            score.false_flags.extend(wrong);
        }
    }
    let per_tilt = |id: &str| record.tilts.iter().any(|tilt| tilt.flags.iter().any(|flag| flag == id));
    let fails = record.checks.iter().filter(|c| c.grade == Grade::Fail && !per_tilt(&c.id));
    score.false_fails =
        fails.filter(|c| Some(c.id.as_str()) != check && !follows(case, &c.id)).map(|c| c.id.clone()).collect();
    lists(case, record, &hits, &mut score);
    score
}

/// Which tilts of the record are hit by single faults.
fn hits(case: &Case, tried: &Tried) -> Vec<bool> {
    let nominal = |order: usize| tried.made.truth.tilts[order].nominal_deg;
    let hit = |deg: f64| case.planted.tilts_deg.iter().any(|planted| (planted - deg).abs() < 0.05);
    let single = case.kind.is_some_and(|kind| kind.hits != Hits::Series);
    tried.record.tilts.iter().map(|tilt| single && hit(nominal(tilt.order))).collect()
}

/// Counts what was planted and told.
fn tell(case: &Case, tried: &Tried, hits: &[bool], check: Option<&str>, score: &mut Score) {
    let (Some(kind), Some(id)) = (case.kind, check) else { return };
    let record = &tried.record;
    let found = record.checks.iter().find(|check| check.id == id).unwrap();
    score.details.push(format!("{id}: {:?}, value {:?}, {}", found.grade, found.value, found.why));
    if kind.hits == Hits::Series {
        score.planted = 1;
        score.told = usize::from(matches!(found.grade, Grade::Caution | Grade::Fail));
        return;
    }
    for (tilt, _) in record.tilts.iter().zip(hits).filter(|(_, hit)| **hit) {
        let told = tilt.flags.iter().any(|flag| flag == id) || stands_in(case, tilt, id);
        let can = !matches!(kind.needs, Needs::Rings | Needs::RingsAndMontage) || measurable(case, tried, tilt.order);
        if can || told {
            score.planted += 1;
            score.told += usize::from(told);
        }
        if !told {
            score.details.push(format!(
                "{:+.1}°: {} {:?} {:?}",
                tilt.tilt_deg,
                tilt.flags.join(" "),
                tilt.not_judged,
                can
            ));
        }
    }
}

/// Whether a jump speaks for the lost field, by the stated order of precedence: at the tilt where the field was lost.
fn stands_in(case: &Case, tilt: &Tilt, id: &str) -> bool {
    let lost = case.kind.is_some_and(|kind| kind.name.starts_with("field lost"));
    let aside = tilt.not_judged.iter().any(|note| note.split(':').next() == Some(id));
    lost && aside && tilt.flags.iter().any(|flag| flag == "tracking_step")
}

/// Whether the simulator says, before any fit, that a tilt's rings can be seen.
fn measurable(case: &Case, tried: &Tried, order: usize) -> bool {
    rings::worth(&case.planted.recipe, &tried.made.plans[order]).is_measurable()
}

/// What a fault of the whole series brings along by its nature.
fn follows(case: &Case, id: &str) -> bool {
    let follow: &[&str] = match case.kind.map(|kind| kind.name) {
        Some("weak beam") => &["counts_target"],
        Some("sloping light") => &["seam_intensity"],
        Some("scattered focus") => &["defocus_error"],
        // What clips was brighter, and its dose is stated.
        Some("clipped") => &["total_dose"],
        // The bar that covers the area is a shadow of its own.
        Some("area covered") => &["dark_area"],
        Some("field lost at the end" | "field lost half-way") => &["tracking_step"],
        _ => &[],
    };
    follow.contains(&id)
}

/// Exclusion lists and answers.
fn lists(case: &Case, record: &Record, hits: &[bool], score: &mut Score) {
    let means = case.kind.map_or(Means::Kept, |kind| kind.plain_means);
    if !matches!(means, Means::NotAsItStands | Means::Undecided) {
        for (tilt, &hit) in record.tilts.iter().zip(hits) {
            let should = hit && means == Means::LeftOut;
            match (should, tilt.exclude) {
                (true, true) => score.lists[0] += 1,
                (false, true) => score.lists[1] += 1,
                (true, false) => score.lists[2] += 1,
                (false, false) => (),
            }
        }
    }
    let planted = match means {
        Means::LeftOut => Answer::ReconstructWithout,
        Means::Kept => Answer::Reconstruct,
        Means::NotAsItStands => Answer::DoNotReconstruct,
        Means::Undecided => Answer::Undecided,
    };
    score.answers = (Some(record.verdict.answer), Some(planted));
}

/// Writes the recipe of a case, with what was done beside the pixels as a comment.
pub fn save(case: &Case, score: &Score, folder: &Path) {
    std::fs::create_dir_all(folder).unwrap();
    let text = toml::to_string(&case.planted.recipe).unwrap();
    let name = format!("{}-{}.toml", score.name.replace([' ', ',', '(', ')'], "-"), score.seed);
    let head = format!("# {score:?}\n# beside the pixels: {:?}\n", case.planted.edits);
    std::fs::write(folder.join(name), head + &text).unwrap();
}
