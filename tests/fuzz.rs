//! Hostile files: whatever bytes stand in a stack, a table, a sheet, a list of angles, a log or a header, a record, its
//! evidence or a profile, they are read or refused within bounded memory and time, and never panic.
//!
//! Sound inputs are damaged at random, `FUZZ_ROUNDS` times a format (a few thousand where not stated); what an earlier run
//! found stands under tests/fuzz/found and is tried again. `FUZZ_SECONDS=600 tests/run fuzz` runs the coverage-guided
//! fuzzers over the same functions.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "fuzz/entries.rs"]
mod entries;
#[path = "support/mod.rs"]
mod support;

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use support::Cheap;

const ROUNDS: usize = 10_000;
/// A page is drawn in each round of these formats: so many times fewer rounds.
const HEAVY: [(&str, usize); 3] = [("record", 10), ("evidence", 10), ("profile", 4)];
/// Far more than any input of a few kilobytes may cost, even on a busy machine.
const LONGEST: Duration = Duration::from_secs(10);
const MOST_MEMORY_KB: u64 = 1_500_000;

fn tests() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests")
}

fn files(folder: PathBuf, wanted: impl Fn(&str) -> bool) -> Vec<Vec<u8>> {
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let mut paths: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    paths.into_iter().filter(|path| wanted(&path.to_string_lossy())).map(|path| fs::read(path).unwrap()).collect()
}

/// Sound inputs of a format.
fn seeds(format: &str) -> Vec<Vec<u8>> {
    let readers = tests().join("reference/readers");
    let demo = |name: &str| fs::read(tests().join("../demo-stacks/moss-leaf-hasty").join(name)).unwrap();
    let log = "^== (?P<section>\\d+) at (?P<clock>\\S+)\n^\\s*(?P<key>[^:]+):\\s*(?P<value>.*)$\n== 0 at 09:30\n tilt_deg: -3\n\
               order: 1\nfine\n== 1 at 09:31\n tilt_deg: 0\n order: 0\n";
    let layout = "bytes_per_section = 16\nfields = [{ column = \"tilt_deg\", at = 0, type = \"f32\" }, { column = \
                  \"stage_x_um\", at = 4, type = \"i16\", scale = 0.04 }]\n\0";
    match format {
        "tiff" => files(readers, |name| name.ends_with(".tif")),
        "mrc" => files(readers, |name| name.ends_with(".mrc")),
        "table" => vec![
            demo("sections.csv"),
            b"alpha,clock,dose,section\n-3,17/04/2031 09:30:00,120,1\n0,17/04/2031 09:31:00,1e2,0\n".to_vec(),
            b"tilt_deg;file;autofocus\n-3;\"a;b.tif\";true\n".to_vec(),
        ],
        "sheet" => {
            vec![demo("series.toml"), fs::read(tests().join("reference/outside/outside-resin/series.toml")).unwrap()]
        }
        "angles" => vec![b"-60.02\n 0\r\n1.5e1\n\n".to_vec()],
        "log" => vec![log.as_bytes().to_vec()],
        "header" => {
            let stack = fs::read(tests().join("reference/sources/records.mrc")).unwrap();
            vec![[layout.as_bytes(), &stack].concat()]
        }
        "record" => vec![seed("record.json")],
        "evidence" => vec![seed("evidence.zip")],
        "profile" => tiltworth::judge::profile::BUILT_IN
            .iter()
            .map(|(_, text)| text.as_bytes().to_vec())
            .chain([seed("profile.toml")])
            .collect(),
        _ => panic!("no seeds for {format}"),
    }
}

fn seed(name: &str) -> Vec<u8> {
    fs::read(tests().join("fuzz/seeds").join(name)).unwrap()
}

/// Of these, most of what is damaged byte by byte is not even JSON: their values are replaced instead, in most rounds.
fn damage_values(format: &str, input: &[u8], random: &mut Cheap) -> Option<Vec<u8>> {
    match format {
        "record" => Some(replaced(input, random)),
        "evidence" => {
            let mut sound = zip::ZipArchive::new(std::io::Cursor::new(input)).unwrap();
            let mut out = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
            for at in 0..sound.len() {
                let mut entry = sound.by_index(at).unwrap();
                let mut bytes = Vec::new();
                std::io::Read::read_to_end(&mut entry, &mut bytes).unwrap();
                let name = entry.name().unwrap().into_owned();
                if name == "evidence.json" {
                    bytes = replaced(&bytes, random);
                }
                out.start_file(name, zip::write::SimpleFileOptions::default()).unwrap();
                std::io::Write::write_all(&mut out, &bytes).unwrap();
            }
            Some(out.finish().unwrap().into_inner())
        }
        _ => None,
    }
}

/// A JSON text with one to six of its values replaced by odd ones of the same kind, or taken out of a list.
fn replaced(text: &[u8], random: &mut Cheap) -> Vec<u8> {
    use serde_json::Value;
    const NUMBERS: [f64; 11] = [0.0, -1.0, 1.0, -0.0, 1e-300, -1e300, 1e308, 90.0, -90.0, 0.5, 4_294_967_296.0];
    const TEXTS: [&str; 6] = ["", "</script><script>", "\u{0}", "\u{202e}x", "9999-99-99T99:99:99Z", "pass"];
    fn leaves<'a>(value: &'a mut Value, out: &mut Vec<&'a mut Value>) {
        match value {
            Value::Array(items) if items.len() > 8 => out.push(value),
            Value::Array(items) => items.iter_mut().for_each(|item| leaves(item, out)),
            Value::Object(keys) => keys.values_mut().for_each(|value| leaves(value, out)),
            _ => out.push(value),
        }
    }
    let mut value: Value = serde_json::from_slice(text).unwrap();
    for _ in 0..=random.next() % 6 {
        let mut all = Vec::new();
        leaves(&mut value, &mut all);
        let at = random.next() as usize % all.len();
        let number = NUMBERS[random.next() as usize % NUMBERS.len()];
        let chosen = all.swap_remove(at);
        let odd = match chosen {
            Value::Array(items) => {
                items.truncate(random.next() as usize % items.len());
                continue;
            }
            Value::Number(whole) if !whole.is_f64() => {
                Value::from([0u64, 1, 2, 7, 1_000_000, u64::from(u32::MAX), u64::MAX][random.next() as usize % 7])
            }
            Value::Number(_) => number.into(),
            Value::String(_) => TEXTS[random.next() as usize % TEXTS.len()].into(),
            Value::Bool(was) => Value::Bool(!*was),
            _ => [Value::from(number), Value::from(""), Value::Array(Vec::new())][random.next() as usize % 3].clone(),
        };
        *chosen = if random.next().is_multiple_of(8) { Value::Null } else { odd };
    }
    serde_json::to_vec(&value).unwrap()
}

/// Damages an input in one to four places.
fn damage(input: &mut Vec<u8>, others: &[Vec<u8>], random: &mut Cheap) {
    const ODD: [u64; 8] = [0, 1, 0x7f, 0xff, 0x7fff_ffff, 0xffff_ffff, u64::MAX, 0x8000_0000_0000_0000];
    // Headers matter most: half of the damage falls into the first hundred bytes.
    let place = |input: &[u8], random: &mut Cheap| {
        let reach = if random.next().is_multiple_of(2) { input.len().min(100) } else { input.len() };
        random.next() as usize % reach.max(1)
    };
    for _ in 0..=random.next() % 4 {
        let at = place(input, random);
        let length = 1 + random.next() as usize % 16;
        let end = (at + length).min(input.len());
        match random.next() % 8 {
            0 => input.iter_mut().skip(at).take(1).for_each(|byte| *byte ^= 1 << (random.next() % 8)),
            1 => input.iter_mut().skip(at).take(1).for_each(|byte| *byte = random.next() as u8),
            2 | 3 => {
                let odd = ODD[random.next() as usize % ODD.len()];
                let bytes = if random.next().is_multiple_of(2) { odd.to_le_bytes() } else { odd.to_be_bytes() };
                let width = [2, 4, 8][random.next() as usize % 3];
                input.iter_mut().skip(at).zip(&bytes[..width]).for_each(|(byte, odd)| *byte = *odd);
            }
            4 => drop(input.drain(at.min(end)..end)),
            5 => input.truncate(at),
            6 => {
                let again = input.get(at..end).unwrap_or_default().to_vec();
                let times = 1 + random.next() as usize % 40;
                input.splice(at..at, again.repeat(times));
            }
            _ => {
                let other = &others[random.next() as usize % others.len()];
                let from = place(other, random);
                input.truncate(at);
                input.extend(&other[from.min(other.len())..]);
            }
        }
    }
}

fn attempt(format: &str, entry: fn(&[u8]), input: &[u8]) {
    let begun = Instant::now();
    let sound = catch_unwind(AssertUnwindSafe(|| entry(input))).is_ok();
    if !sound || begun.elapsed() > LONGEST {
        let kept = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("fuzz-{format}"));
        fs::write(&kept, input).unwrap();
        panic!("{format}: panicked or took {:?}; the input is kept in {}", begun.elapsed(), kept.display());
    }
}

#[test]
fn damaged_inputs_are_read_or_refused() {
    let rounds = std::env::var("FUZZ_ROUNDS").ok().map_or(ROUNDS, |rounds| rounds.parse().unwrap());
    for (format, entry) in entries::ENTRIES {
        let seeds = seeds(format);
        assert!(!seeds.is_empty());
        for found in files(tests().join("fuzz/found").join(format), |_| true) {
            attempt(format, entry, &found);
        }
        let mut random = Cheap(0x7157_0017 + format.len() as u64);
        let fewer = HEAVY.iter().find(|(heavy, _)| *heavy == format).map_or(1, |(_, fewer)| *fewer);
        for round in 0..rounds / fewer {
            let mut input = seeds[round % seeds.len()].clone();
            match damage_values(format, &input, &mut random).filter(|_| round % 4 != 0) {
                Some(damaged) => input = damaged,
                None => damage(&mut input, &seeds, &mut random),
            }
            attempt(format, entry, &input);
        }
    }
    let status = fs::read_to_string("/proc/self/status").unwrap();
    let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).unwrap();
    let peak: u64 = peak.trim().trim_end_matches(" kB").parse().unwrap();
    assert!(peak < MOST_MEMORY_KB, "{peak} kB at the peak");
}

#[test]
fn the_functions_read_sound_inputs() {
    // A function that refused everything at once would never be damaged by anything.
    let path = tests().join("reference/sources/records.mrc");
    assert!(tiltworth::intake::stack::open(&path).unwrap().read(3).is_ok());
    assert!(tiltworth::record::archive::read(&tests().join("fuzz/seeds/evidence.zip")).is_ok());
    let record = String::from_utf8(seed("record.json")).unwrap();
    assert!(tiltworth::record::reading::parse(&record, "r").is_ok());
    for (format, entry) in entries::ENTRIES {
        for seed in seeds(format) {
            attempt(format, entry, &seed);
        }
    }
}

#[test]
fn ten_million_rows_are_refused_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let table = folder.path().join("rows.csv");
    let mut text = String::from("tilt_deg\n");
    text.extend(std::iter::repeat_n("0\n", 10_000_000));
    fs::write(&table, text).unwrap();
    let begun = Instant::now();
    let message = tiltworth::intake::table::read(&table).unwrap_err().to_string();
    assert!(
        message.ends_with("the table has more than 200000 rows; hand in the rows of this series alone"),
        "{message}"
    );
    assert!(begun.elapsed() < LONGEST);
    fs::write(&table, vec![b'0'; 65 << 20]).unwrap();
    let message = tiltworth::intake::angles::read(&table).unwrap_err().to_string();
    assert!(message.contains("the text is larger than 64 MiB"), "{message}");
}
