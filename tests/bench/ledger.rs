//! What a comparison of 10,000 series costs: `cargo bench --bench ledger`, or with a number of series behind `--`.
//!
//! Four invented microscopes fill an SQLite ledger through `Ledger::add`; then `tiltworth compare` runs three times as a
//! process of its own.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a benchmark ends where it fails")]

use std::path::Path;
use std::process::Command;
use std::time::Instant;
use tiltworth::ledger::{Address, Ledger};
use tiltworth::simulate::weeks::{self, WeeksRecipe};

fn main() {
    let wanted = std::env::args().skip(1).find_map(|arg| arg.parse::<usize>().ok()).unwrap_or(10_000);
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-stacks/weeks/recipe.toml");
    let mut recipe = WeeksRecipe::parse(&std::fs::read_to_string(&file).unwrap(), &file).unwrap();
    recipe.weeks.sessions_per_week = 7;
    recipe.weeks.closed.clear();
    recipe.microscopes = (0..4)
        .map(|at| {
            let mut one = recipe.microscopes[at % 2].clone();
            (one.name, one.short) = (format!("Microscope {}", at + 1), format!("m{}", at + 1));
            one
        })
        .collect();
    // Two series a session in the mean.
    recipe.weeks.weeks = (wanted / (4 * 7 * 2) + 1) as u32;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("lab.sqlite");
    let begun = Instant::now();
    let mut records = weeks::run(&recipe).unwrap();
    assert!(records.len() * 11 > wanted * 10, "{} records", records.len());
    records.truncate(wanted);
    println!("{} records invented in {:.1} s", records.len(), begun.elapsed().as_secs_f64());
    let begun = Instant::now();
    let mut ledger = Ledger::open(&Address::Sqlite(path.clone()), true).unwrap();
    for record in &records {
        ledger.add(&serde_json::to_string(record).unwrap(), "bench", None).unwrap();
    }
    let each = begun.elapsed().as_secs_f64() / records.len() as f64;
    drop(ledger);
    let bytes = std::fs::metadata(&path).unwrap().len();
    println!("added, {:.2} ms each; the ledger holds {:.0} MB", 1e3 * each, bytes as f64 / 1e6);
    for _ in 0..3 {
        let out = folder.path().join("comparison.html");
        let begun = Instant::now();
        let output = Command::new(env!("CARGO_BIN_EXE_tiltworth"))
            .args(["compare", "--force", "--ledger"])
            .arg(&path)
            .arg("--out")
            .arg(&out)
            .output()
            .unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let page = std::fs::metadata(&out).unwrap().len();
        println!("compare: {:.2} s, a page of {:.1} MB", begun.elapsed().as_secs_f64(), page as f64 / 1e6);
    }
}
