//! The table of the judgement: planted faults told under the right id, clean tilts flagged, exclusion lists, verdicts.
//!
//! `cargo bench --bench judgement` prints it; DEVELOPERS.md holds its output. `cargo bench --bench judgement -- SEED SOUND
//! EACH FOLDER` takes other seeds and numbers, and keeps the recipes of what came out wrong in a folder.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "../support/judgement.rs"]
mod judgement;

use judgement::{Score, cases, judge_all, save};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// No limit was set on series of these seeds.
const SEED: u64 = 6_100_000;
const SOUND: u64 = 108;
const EACH: u64 = 3;

fn main() {
    let mut arguments = std::env::args().skip(1).filter(|argument| argument != "--bench");
    let mut number = |default: u64| arguments.next().and_then(|text| text.parse().ok()).unwrap_or(default);
    let (seed, sound, each) = (number(SEED), number(SOUND), number(EACH));
    let folder = arguments.next().map(PathBuf::from);
    let only: Option<String> = arguments.next();
    let mut cases = cases(seed, sound, each);
    if let Some(only) = only {
        cases.retain(|case| case.kind.map_or("sound", |kind| kind.name).contains(&only));
    }
    println!("seed {seed}: {} series, {sound} of them sound", cases.len());
    let started = std::time::Instant::now();
    let scores = judge_all(&cases, &|score| {
        // Long runs are followed, and a broken-off one has told something.
        if !score.is_right() {
            println!("{score:?}");
        }
    });
    for (case, score) in cases.iter().zip(&scores).filter(|(_, score)| !score.is_right()) {
        println!(
            "\n{} {}: {:?} (planted {:?}), {}",
            score.name, score.seed, score.answers.0, score.answers.1, score.headline
        );
        println!(
            "  told {} of {}; lists {:?}; false flags {:?}; false fails {:?}",
            score.told, score.planted, score.lists, score.false_flags, score.false_fails
        );
        score.details.iter().for_each(|detail| println!("  {detail}"));
        if let Some(folder) = &folder {
            save(case, score, folder);
        }
    }
    table(&scores);
    println!("{:.0} s", started.elapsed().as_secs_f64());
}

fn percent(part: usize, all: usize) -> String {
    if all == 0 { "–".into() } else { format!("{:.1} % ({part} of {all})", 100.0 * part as f64 / all as f64) }
}

fn table(scores: &[Score]) {
    let sum = |of: &dyn Fn(&Score) -> usize| scores.iter().map(of).sum::<usize>();
    let (planted, told) = (sum(&|s| s.planted), sum(&|s| s.told));
    let (clean, flagged) = (sum(&|s| s.clean), sum(&|s| s.clean_flagged));
    let sound = || scores.iter().filter(|s| s.name == "sound");
    let failed = sound().filter(|s| !s.false_fails.is_empty()).count();
    let [right, wrong, missed] = [0, 1, 2].map(|k| sum(&|s| s.lists[k]));
    let verdicts = scores.iter().filter(|s| s.answers.0 == s.answers.1).count();
    println!("\n| what | found | goal |\n| --- | --- | --- |");
    println!("| plain planted faults flagged under the right id | {} | 98 % or more |", percent(told, planted));
    println!("| clean tilts flagged | {} | 0.5 % or less |", percent(flagged, clean));
    println!("| sound series with a failed check of the series | {} | 1 % or less |", percent(failed, sound().count()));
    println!("| tilts left out that are to be left out | {} | 95 % or more |", percent(right, right + wrong));
    println!("| tilts to be left out that are | {} | 95 % or more |", percent(right, right + missed));
    println!("| verdict as planted | {} | 97 % or more |", percent(verdicts, scores.len()));
    by_kind(scores);
    by_check(scores);
}

fn by_kind(scores: &[Score]) {
    println!("\n| planted | series | told | left out: right, wrong, missed | verdict | second flags |");
    println!("| --- | --- | --- | --- | --- | --- |");
    let mut names: Vec<&str> = Vec::new();
    for score in scores {
        if !names.contains(&score.name.as_str()) {
            names.push(&score.name);
        }
    }
    for name in names {
        let of: Vec<&Score> = scores.iter().filter(|score| score.name == name).collect();
        let sum = |f: &dyn Fn(&Score) -> usize| of.iter().map(|s| f(s)).sum::<usize>();
        let mut seconds: BTreeMap<&str, usize> = BTreeMap::new();
        of.iter().flat_map(|s| &s.second_flags).for_each(|(_, id)| *seconds.entry(id).or_default() += 1);
        let seconds: Vec<String> = seconds.iter().map(|(id, n)| format!("{id} {n}")).collect();
        println!(
            "| {name} | {} | {} of {} | {}, {}, {} | {} | {} |",
            of.len(),
            sum(&|s| s.told),
            sum(&|s| s.planted),
            sum(&|s| s.lists[0]),
            sum(&|s| s.lists[1]),
            sum(&|s| s.lists[2]),
            of.iter().filter(|s| s.answers.0 == s.answers.1).count(),
            seconds.join(", ")
        );
    }
}

fn by_check(scores: &[Score]) {
    let mut false_flags: BTreeMap<&str, (usize, Vec<String>)> = BTreeMap::new();
    for score in scores {
        for (deg, id) in &score.false_flags {
            let entry = false_flags.entry(id).or_default();
            entry.0 += 1;
            entry.1.push(format!("{} {} {deg:+.1}°", score.name, score.seed));
        }
        for id in &score.false_fails {
            false_flags.entry(id).or_default().1.push(format!("{} {} (series)", score.name, score.seed));
        }
    }
    println!("\n| check | clean tilts flagged | where |\n| --- | --- | --- |");
    for (id, (tilts, places)) in false_flags {
        let shown = places.iter().take(12).cloned().collect::<Vec<_>>().join("; ");
        println!("| {id} | {tilts} | {shown}{} |", if places.len() > 12 { "; …" } else { "" });
    }
}
