//! A watch assesses what is complete, leaves alone what is not, loses nothing when it is killed, and ends when it is asked to.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

mod support;

use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

const SIDE: usize = 128;
const TILTS: usize = 9;

fn watch(home: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tiltworth"));
    command.current_dir(home).args(["watch", "data", "--out", "out", "--ledger", "lab.sqlite"]).args(args);
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn ledger(home: &Path) -> String {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tiltworth"));
    let output =
        command.current_dir(home).args(["ledger", "list", "--all-revisions", "--ledger", "lab.sqlite"]).output();
    String::from_utf8_lossy(&output.unwrap().stdout).lines().last().unwrap_or_default().to_owned()
}

fn until(what: &str, holds: impl Fn() -> bool) {
    let begun = Instant::now();
    while !holds() {
        assert!(begun.elapsed() < Duration::from_secs(60), "{what}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn ended(mut child: Child, signal: &str) -> Output {
    assert!(child.try_wait().unwrap().is_none(), "it ended by itself");
    Command::new("kill").args([&format!("-{signal}"), &child.id().to_string()]).status().unwrap();
    let asked = Instant::now();
    let output = child.wait_with_output().unwrap();
    assert!(asked.elapsed() < Duration::from_secs(5), "it took {:?} to end", asked.elapsed());
    output
}

/// Takes pages off the end of a stack, as if it were still being recorded; gives what was taken.
fn cut(stack: &Path) -> Vec<u8> {
    let bytes = fs::read(stack).unwrap();
    let at = 1024 + 5 * SIDE * SIDE * 2;
    fs::write(stack, &bytes[..at]).unwrap();
    bytes[at..].to_vec()
}

#[test]
fn one_sweep_takes_what_is_complete_and_quiet() {
    let home = tempfile::tempdir().unwrap();
    support::small_series(&home.path().join("data/whole"), 1, SIDE, TILTS);
    support::small_series(&home.path().join("data/grows"), 2, SIDE, TILTS);
    let growing = home.path().join("data/grows/stack.mrc");
    let rest = cut(&growing);
    let fresh = watch(home.path(), &["--once"]).output().unwrap();
    assert_eq!(fresh.status.code(), Some(0), "{}", said(&fresh));
    assert!(said(&fresh).contains("whole: waits: its files changed less than 120 s ago"), "{}", said(&fresh));
    assert!(!home.path().join("out/whole").exists());

    let output = watch(home.path(), &["--once", "--quiet", "0"]).output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    assert!(home.path().join("out/whole/report.html").exists() && !home.path().join("out/grows").exists());
    assert!(said(&output).contains("grows: waits: ") && said(&output).contains("--partial"), "{}", said(&output));
    let index = fs::read_to_string(home.path().join("out/index.html")).unwrap();
    assert!(index.contains("waits: ") && index.contains(">assessed</td>"), "{index}");

    fs::OpenOptions::new().append(true).open(&growing).unwrap().write_all(&rest).unwrap();
    let output = watch(home.path(), &["--once", "--quiet", "0"]).output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    assert!(said(&output).contains("whole: unchanged, skipped"), "{}", said(&output));
    assert!(home.path().join("out/grows/report.html").exists());
    assert_eq!(ledger(home.path()), "2 assessments");
}

#[test]
fn killed_or_ended_a_watch_loses_nothing() {
    let home = tempfile::tempdir().unwrap();
    fs::create_dir(home.path().join("data")).unwrap();
    let options = ["--quiet", "1", "--every", "1"];
    let began = watch(home.path(), &options).spawn().unwrap();
    support::small_series(&home.path().join("data/a"), 1, SIDE, TILTS);
    until("a is not assessed", || home.path().join("out/a/record.json").exists());
    // Killed while others come in.
    for (name, seed) in [("b", 2), ("c", 3), ("d", 4)] {
        support::small_series(&home.path().join("data").join(name), seed, SIDE, TILTS);
    }
    until("b is not begun", || home.path().join("out/b").exists());
    let killed = ended(began, "KILL");
    assert_eq!(killed.status.code(), None);
    let again = watch(home.path(), &options).spawn().unwrap();
    until("the rest is not assessed", || {
        ["a", "b", "c", "d"].iter().all(|name| home.path().join("out").join(name).exists())
    });
    until("the rest is not in the ledger", || ledger(home.path()) == "4 assessments");
    // A page changed and a result removed are both seen by the same watch.
    let stack = home.path().join("data/c/stack.mrc");
    let mut bytes = fs::read(&stack).unwrap();
    bytes[9000] ^= 1;
    fs::write(&stack, bytes).unwrap();
    fs::remove_dir_all(home.path().join("out/d")).unwrap();
    until("d is not made again", || home.path().join("out/d/record.json").exists());
    // c as another series (another stack), d as a further revision of itself.
    until("c is not made again", || ledger(home.path()) == "6 assessments");
    until("the index is not written", || home.path().join("out/index.html").exists());
    let output = ended(again, "TERM");
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    assert!(said(&output).ends_with("ended\n"), "{}", said(&output));
}
