//! Faults while many series are assessed at once: kill -9 at any moment, two runs into one folder, a share that stalls, a
//! ledger's server that goes and comes back. Afterwards nothing is half-written, the ledger is whole, and a rerun finishes.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "support/broken_disk.rs"]
mod broken_disk;
mod support;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tiltworth::ledger::{Address, Filter, Ledger};
use tiltworth::record::Record;

const SIDE: usize = 64;
const TILTS: usize = 7;
const SERIES: usize = 4;
const KILLS: usize = 100;
const FILES: [&str; 6] =
    ["report.html", "record.json", "tilts.csv", "dose-weights.csv", "alignment.csv", "evidence.zip"];

/// Tests here hang on time: they run one after another.
static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());

fn alone() -> MutexGuard<'static, ()> {
    ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner)
}

fn lab(series: usize) -> tempfile::TempDir {
    let home = tempfile::tempdir().unwrap();
    for number in 0..series {
        support::small_series(&home.path().join(format!("data/s{number}")), 50 + number as u64, SIDE, TILTS);
    }
    home
}

fn assess(home: &Path, ledger: &str, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tiltworth"));
    command
        .current_dir(home)
        .args(["assess", "-r", "data", "--out", "out", "--jobs", "3", "--ledger", ledger])
        .args(args);
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn names(folder: &Path) -> Vec<String> {
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let mut names: Vec<String> =
        entries.map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

/// Whether a result folder is whole, or not there.
fn whole(folder: &Path) -> bool {
    let mut files = FILES.map(str::to_owned).to_vec();
    files.sort();
    !folder.exists()
        || names(folder) == files
            && serde_json::from_slice::<Record>(&fs::read(folder.join("record.json")).unwrap()).is_ok()
            && fs::read_to_string(folder.join("report.html")).unwrap().trim_end().ends_with("</html>")
            && zip::ZipArchive::new(fs::File::open(folder.join("evidence.zip")).unwrap()).is_ok()
}

fn results(home: &Path) -> Vec<PathBuf> {
    (0..SERIES).map(|number| home.join(format!("out/s{number}"))).collect()
}

/// Every assessment of a ledger has its record, with the tilts and checks that the record tells of; gives how many there
/// are of each series.
fn consistent(url: &str) -> Vec<(String, usize)> {
    let mut ledger = Ledger::open(&Address::parse(url, None).unwrap(), true).unwrap();
    let mut count = |table: &str| {
        ledger.store().rows(&format!("SELECT COUNT(*) FROM {table}"), &[]).unwrap()[0][0].int().unwrap() as usize
    };
    let (assessments, records, tilts, checks) =
        (count("assessments"), count("records"), count("tilts"), count("checks"));
    assert_eq!(count("series WHERE series_key NOT IN (SELECT series_key FROM assessments)"), 0);
    let (mut of_tilts, mut of_checks) = (0, 0);
    let mut found: Vec<(String, usize)> = Vec::new();
    let all = Filter { all_revisions: true, ..Filter::default() };
    ledger
        .records(&all, &mut |text| {
            let record = tiltworth::record::reading::parse(&text, "the ledger").unwrap();
            of_tilts += record.tilts.len();
            of_checks += record.checks.len();
            let id = record.series.series_id;
            match found.iter_mut().find(|(name, _)| *name == id) {
                Some((_, number)) => *number += 1,
                None => found.push((id, 1)),
            }
            Ok(())
        })
        .unwrap();
    let number: usize = found.iter().map(|(_, number)| number).sum();
    assert_eq!((assessments, records, tilts, checks), (number, number, of_tilts, of_checks));
    found.sort();
    found
}

fn once_each(series: usize) -> Vec<(String, usize)> {
    (0..series).map(|number| (format!("s{number}"), 1)).collect()
}

/// A database of its own on the server of the tests, where there is one.
fn database(name: &str) -> Option<String> {
    let Ok(server) = std::env::var("TILTWORTH_TEST_POSTGRES") else {
        assert!(std::env::var_os("TILTWORTH_NO_SKIP").is_none(), "no PostgreSQL server: tests/run starts one");
        println!("SKIPPED {name} on PostgreSQL: no server (tests/run starts one where it may)");
        return None;
    };
    let database = format!("load_{name}_{}", std::process::id());
    let mut admin = postgres::Client::connect(&server, postgres::NoTls).unwrap();
    admin.batch_execute(&format!("CREATE DATABASE {database}")).unwrap();
    Some(format!("{}/{database}", server.rsplit_once('/').unwrap().0))
}

fn ended_within(child: &mut Child, long: Duration) -> bool {
    let begun = Instant::now();
    while begun.elapsed() < long {
        if child.try_wait().unwrap().is_some() {
            return true;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    false
}

#[test]
fn kill_9_at_a_hundred_moments_leaves_whole_results_and_a_whole_ledger() {
    let _alone = alone();
    let home = lab(SERIES);
    let server = database("killed");
    let file = format!("sqlite:{}", home.path().join("lab.sqlite").display());
    let begun = Instant::now();
    let first = assess(home.path(), &file, &[]).output().unwrap();
    assert!(first.status.success(), "{}", said(&first));
    let usual = begun.elapsed();
    let mut random = support::Cheap(20_310_419);
    let mut killed = 0;
    for round in 0..KILLS {
        // Half of the runs into the server's ledger; half of them find whole results to replace, half begin with none.
        let ledger = server.as_ref().filter(|_| round % 2 == 0).unwrap_or(&file);
        let options: &[&str] = if round % 4 < 2 {
            &["--force"]
        } else {
            let _ = fs::remove_dir_all(home.path().join("out"));
            &[]
        };
        let mut child =
            assess(home.path(), ledger, options).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        let share = f64::from(random.next()) / f64::from(u32::MAX);
        if !ended_within(&mut child, usual.mul_f64(share)) {
            killed += 1;
        }
        let _ = child.kill();
        child.wait().unwrap();
        for folder in results(home.path()) {
            assert!(whole(&folder), "round {round}: half a result: {:?}", names(&folder));
        }
        if round % 10 < 2 {
            consistent(ledger);
        }
    }
    assert!(killed > KILLS / 2, "only {killed} of {KILLS} were still running when they were killed");
    println!("killed {killed} of {KILLS}, a whole run takes {usual:?}");
    // What was left behind is in nobody's way, and the rerun makes everything complete.
    for ledger in [Some(&file), server.as_ref()].into_iter().flatten() {
        let last = assess(home.path(), ledger, &[]).output().unwrap();
        assert_eq!(last.status.code(), Some(0), "{}", said(&last));
        assert!(results(home.path()).iter().all(|folder| folder.exists() && whole(folder)));
        let names: Vec<String> = consistent(ledger).into_iter().map(|(name, _)| name).collect();
        assert_eq!(names, once_each(SERIES).into_iter().map(|(name, _)| name).collect::<Vec<_>>());
    }
}

#[test]
fn two_runs_into_one_folder_make_each_result_once() {
    let _alone = alone();
    let home = lab(SERIES);
    for round in 0..4 {
        let file = format!("sqlite:{}", home.path().join(format!("lab-{round}.sqlite")).display());
        let _ = fs::remove_dir_all(home.path().join("out"));
        let runs = [(); 2].map(|()| assess(home.path(), &file, &[]).spawn().unwrap());
        for run in runs {
            let output = run.wait_with_output().unwrap();
            assert_eq!(output.status.code(), Some(0), "round {round}: {}", said(&output));
        }
        let left: Vec<String> =
            ["index.html".to_owned()].into_iter().chain((0..SERIES).map(|n| format!("s{n}"))).collect();
        assert_eq!(names(&home.path().join("out")), left, "round {round}");
        assert!(results(home.path()).iter().all(|folder| whole(folder)));
        assert_eq!(consistent(&file), once_each(SERIES), "round {round}");
        // Two that replace at once are in each other's way no more: the last one stands.
        let runs = [(); 2].map(|()| assess(home.path(), &file, &["--force"]).spawn().unwrap());
        for run in runs {
            let output = run.wait_with_output().unwrap();
            assert_eq!(output.status.code(), Some(0), "round {round}: {}", said(&output));
        }
        assert_eq!(names(&home.path().join("out")), left, "round {round}");
        assert!(results(home.path()).iter().all(|folder| folder.exists() && whole(folder)));
        consistent(&file);
    }
}

/// Makes a series' sheet name the stack on a share.
fn take_stack_from(series: &Path, share: &Path) {
    let link = format!("stack = \"{}\"", share.join("stack.mrc").display());
    let sheet = fs::read_to_string(series.join("series.toml")).unwrap().replace("stack = \"stack.mrc\"", &link);
    fs::write(series.join("series.toml"), sheet).unwrap();
}

/// A share that stalls for a minute holds up its own series alone.
#[test]
fn a_share_that_stalls_holds_up_its_own_series_alone() {
    const STALL: Duration = Duration::from_secs(60);
    let alone = alone();
    let home = lab(SERIES);
    // The last series has its stack on the share.
    let stalled = home.path().join("data/s3");
    let share = home.path().join("share");
    fs::create_dir(&share).unwrap();
    let bytes = fs::read(stalled.join("stack.mrc")).unwrap();
    let middle = bytes.len() as u64 / 2;
    let Ok(session) = broken_disk::mount_stalling(&share, "stack.mrc", bytes, middle, STALL) else {
        assert!(std::env::var_os("TILTWORTH_NO_SKIP").is_none(), "no FUSE");
        println!("SKIPPED a share that stalls: no file system can be mounted here");
        return;
    };
    take_stack_from(&stalled, &share);
    let begun = Instant::now();
    let mut child = assess(home.path(), "lab.sqlite", &[]).spawn().unwrap();
    let others = || (0..3).all(|number| home.path().join(format!("out/s{number}/report.html")).exists());
    while !others() && begun.elapsed() < Duration::from_secs(60) {
        std::thread::sleep(Duration::from_millis(20));
    }
    assert!(others(), "the others did not come through");
    assert!(child.try_wait().unwrap().is_none() && !home.path().join("out/s3").exists(), "nothing stalled");
    // From here on it waits: other tests may go on.
    drop(alone);
    let output = child.wait_with_output().unwrap();
    assert!(begun.elapsed() > STALL, "nothing stalled");
    drop(session);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let record: Record = serde_json::from_slice(&fs::read(home.path().join("out/s3/record.json")).unwrap()).unwrap();
    let tiles = record.tilts.iter().flat_map(|tilt| &tilt.tiles);
    assert!(tiles.clone().count() == TILTS && tiles.into_iter().all(|tile| tile.unreadable.is_none()));
    assert!(record.inputs.iter().all(|input| input.sha256.is_some()));
}

/// A share whose every read takes its time is read ahead of the workers: the whole run is over in a small part of the time
/// that its reads would take one after another.
#[test]
fn the_latency_of_a_share_is_hidden() {
    const LATENCY: Duration = Duration::from_millis(20);
    let _alone = alone();
    let home = tempfile::tempdir().unwrap();
    let (series, share) = (home.path().join("series"), home.path().join("share"));
    fs::create_dir_all(&series).unwrap();
    fs::create_dir(&share).unwrap();
    support::big_montage(&series, 1024, 30);
    let bytes = fs::read(series.join("stack.mrc")).unwrap();
    fs::remove_file(series.join("stack.mrc")).unwrap();
    let Ok((session, reads)) = broken_disk::mount_far(&share, "stack.mrc", bytes, LATENCY) else {
        assert!(std::env::var_os("TILTWORTH_NO_SKIP").is_none(), "no FUSE");
        println!("SKIPPED a share with latency: no file system can be mounted here");
        return;
    };
    take_stack_from(&series, &share);
    let begun = Instant::now();
    let mut run = Command::new(env!("CARGO_BIN_EXE_tiltworth"));
    let output = run.arg("assess").arg(&series).arg("--out").arg(home.path().join("out")).output().unwrap();
    let took = begun.elapsed();
    drop(session);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let reads = reads.load(std::sync::atomic::Ordering::Relaxed);
    let in_turn = LATENCY * u32::try_from(reads).unwrap();
    println!("{reads} reads, {in_turn:?} one after another; the run took {took:?}");
    assert!(reads > 100 && 4 * took < in_turn, "{reads} reads of {LATENCY:?}: the run took {took:?}");
}

#[test]
fn a_ledger_that_goes_and_comes_back_gets_every_record_once() {
    let _alone = alone();
    let Ok(control) = std::env::var("TILTWORTH_TEST_POSTGRES_CONTROL") else {
        assert!(std::env::var_os("TILTWORTH_NO_SKIP").is_none(), "no PostgreSQL server: tests/run starts one");
        println!("SKIPPED a ledger that goes: no server (tests/run starts one where it may)");
        return;
    };
    let Some(ledger) = database("gone") else { return };
    const MANY: usize = 12;
    let home = lab(MANY);
    let server = |what: &str| assert!(Command::new(&control).arg(what).status().unwrap().success(), "{what}");
    let child = assess(home.path(), &ledger, &[]).spawn().unwrap();
    let done = || (0..MANY).filter(|number| home.path().join(format!("out/s{number}/record.json")).exists()).count();
    let reach = |wanted: usize| {
        let begun = Instant::now();
        while done() < wanted {
            assert!(begun.elapsed() < Duration::from_secs(60), "{} of {wanted} results", done());
            std::thread::sleep(Duration::from_millis(20));
        }
    };
    reach(3);
    server("stop");
    reach(6);
    server("start");
    let output = child.wait_with_output().unwrap();
    assert_eq!(done(), MANY, "reports do not wait for a ledger: {}", said(&output));
    // It was back before the run ended, and what had not been entered was tried again.
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let mut expected = once_each(MANY);
    expected.sort();
    assert_eq!(consistent(&ledger), expected);

    // Gone until the end, the run says so, and the next one makes it good. Records tell the second in which they were made: on a
    // fast machine one made anew within it would be the same record, which adds nothing.
    std::thread::sleep(Duration::from_secs(1));
    server("stop");
    let gone = assess(home.path(), &ledger, &["--force"]).output().unwrap();
    server("start");
    assert_eq!(gone.status.code(), Some(1));
    assert_eq!(said(&gone).matches("not in the ledger").count(), MANY, "{}", said(&gone));
    let rerun = assess(home.path(), &ledger, &[]).output().unwrap();
    assert_eq!(rerun.status.code(), Some(0), "{}", said(&rerun));
    assert_eq!(said(&rerun).matches("unchanged, skipped").count(), MANY);
    assert!(consistent(&ledger).iter().all(|(_, number)| *number == 2));
}
