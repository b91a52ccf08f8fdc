//! Memory does not know how long a series is: 183 sections of 2048² 16-bit pixels (1.5 GB) run within
//! 150 MB + 3 × workers × one section as f32 + 0.5 MB a tilt.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

mod support;

use std::process::Command;
use std::time::Duration;

const SIDE: usize = 2048;
const SECTIONS: usize = 183;
const WORKERS: usize = 2;

/// Peak resident memory of a process in bytes, as long as it lives.
fn peak(pid: u32) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse::<u64>().ok().map(|kib| kib * 1024)
}

#[test]
fn a_long_series_stays_within_the_memory_formula() {
    let folder = tempfile::tempdir().unwrap();
    support::big_series(folder.path(), SIDE, SECTIONS);
    let mut child = Command::new(env!("CARGO_BIN_EXE_tiltworth"))
        .args(["assess", "--quiet", "--out"])
        .arg(folder.path().join("result"))
        .arg(folder.path())
        .env("RAYON_NUM_THREADS", WORKERS.to_string())
        .spawn()
        .unwrap();
    let mut most = 0;
    let status = loop {
        most = most.max(peak(child.id()).unwrap_or(0));
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        std::thread::sleep(Duration::from_millis(3));
    };
    assert!(status.success());
    assert!(folder.path().join("result/report.html").exists());
    let section = SIDE * SIDE * 4;
    let allowed = 150_000_000 + 3 * WORKERS * section + SECTIONS / 3 * 500_000;
    println!("peak {} MB of {} MB allowed", most / 1_000_000, allowed / 1_000_000);
    assert!(most > 10_000_000, "the peak was not seen");
    assert!(most <= allowed as u64, "peak {most} bytes, allowed {allowed}");
}
