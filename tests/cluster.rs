//! Many series on a cluster: an array job on a real Slurm with two nodes of which one is lost in the middle, with all that ran
//! on it. It is queued again, and at the end every series is in the ledger, once. `tests/run` installs Slurm where it may and
//! starts the PostgreSQL server; the cluster is of this test, on ports and files of its own, and ends with it.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "support/slurm.rs"]
mod slurm;
mod support;

use slurm::Cluster;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};
use std::time::{Duration, Instant};

const SERIES: u64 = 12;
const SHARES: usize = 4;

fn tiltworth(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tiltworth")).args(args).output().unwrap()
}

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

fn skipped(missing: &str) {
    assert!(std::env::var_os("TILTWORTH_NO_SKIP").is_none(), "{missing}");
    println!("SKIPPED cluster: {missing}");
}

fn series(home: &Path, side: usize, tilts: usize) {
    for number in 0..SERIES {
        support::small_series(&home.join(format!("data/night {}/s{number:02}", number % 2)), number, side, tilts);
    }
}

#[test]
fn a_lost_node_loses_no_series() {
    let Ok(server) = std::env::var("TILTWORTH_TEST_POSTGRES") else {
        return skipped("no PostgreSQL server: tests/run starts one");
    };
    let home = tempfile::Builder::new().prefix("tiltworth-cluster-").tempdir_in("/tmp").unwrap();
    let mut cluster = match Cluster::start(&home.path().join("slurm")) {
        Ok(cluster) => cluster,
        Err(why) => return skipped(&format!("Slurm cannot be had here: {why}")),
    };
    let database = format!("cluster_{}", std::process::id());
    let mut admin = postgres::Client::connect(&server, postgres::NoTls).unwrap();
    admin.batch_execute(&format!("CREATE DATABASE {database}")).unwrap();
    let ledger = format!("{}/{database}", server.rsplit_once('/').unwrap().0);

    series(home.path(), 256, 15);
    let (data, out, manifest) = (home.path().join("data"), home.path().join("out"), home.path().join("manifest.json"));
    let text = |path: &Path| path.to_str().unwrap().to_owned();
    let planned = tiltworth(&["batch", "plan", &text(&data), "--out", &text(&out), "--manifest", &text(&manifest)]);
    assert!(planned.status.success(), "{}", said(&planned));
    let script = home.path().join("tiltworth.sh");
    let printed = tiltworth(&["deploy", "slurm"]);
    // Two processors may be all that there is: one a node.
    let printed = String::from_utf8(printed.stdout).unwrap();
    fs::write(&script, printed.replace("--cpus-per-task=4", "--cpus-per-task=1")).unwrap();
    let submitted = cluster
        .command("sbatch")
        .args(["--parsable", "--output", &format!("{}/task-%a.log", text(home.path()))])
        .arg(format!("--array=1-{SHARES}"))
        .arg(&script)
        .arg(&manifest)
        .env("TILTWORTH", env!("CARGO_BIN_EXE_tiltworth"))
        .env("TILTWORTH_LEDGER", &ledger)
        .env_remove("RAYON_NUM_THREADS")
        .output()
        .unwrap();
    assert!(submitted.status.success(), "{}", said(&submitted));

    // Both nodes work, and something is done; then the first is lost with its daemon, its step's keeper and the task.
    let done = || {
        (0..SERIES).filter(|number| out.join(format!("night {}/s{number:02}/record.json", number % 2)).exists()).count()
    };
    let running =
        cluster.wait(Duration::from_secs(40), |cluster| done() > 0 && cluster.at_work(1) && cluster.at_work(2));
    assert!(running, "no two tasks at work: {}", cluster.told());
    let lost = cluster.lose_node(1);
    assert!(lost >= 3, "only {lost} processes were ended: daemon, keeper, task");
    assert!(done() < SERIES as usize, "all was done before a node was lost");
    let noticed = cluster.wait(Duration::from_secs(40), |cluster| cluster.node_states().contains("down"));
    assert!(noticed, "the loss was not noticed: {}", cluster.told());
    // It comes back, as a node that was started anew does; the other may have gone on alone meanwhile.
    cluster.start_node(1).unwrap();
    let ended = cluster.wait(Duration::from_secs(100), |cluster| cluster.queue().is_empty());
    let logs: String = (1..=SHARES)
        .map(|share| fs::read_to_string(home.path().join(format!("task-{share}.log"))).unwrap_or_default())
        .collect();
    assert!(ended, "{}\n{logs}", cluster.told());
    assert!(cluster.log().contains("due to failure of node"), "no task was queued again: {}", cluster.told());

    let mut client = postgres::Client::connect(&ledger, postgres::NoTls).unwrap();
    let entered = client
        .query("SELECT series.series_id, COUNT(*) FROM tiltworth.series JOIN tiltworth.assessments USING (series_key) GROUP BY series.series_key, series.series_id ORDER BY 1", &[])
        .unwrap();
    let entered: Vec<(String, i64)> = entered.iter().map(|row| (row.get(0), row.get(1))).collect();
    let expected: Vec<(String, i64)> = (0..SERIES).map(|number| (format!("s{number:02}"), 1)).collect();
    assert_eq!(entered, expected, "{logs}");
    drop(client);
    for number in 0..SERIES {
        assert!(out.join(format!("night {}/s{number:02}/report.html", number % 2)).exists());
    }
    let index = fs::read_to_string(out.join("index.html")).unwrap();
    assert!((0..SERIES).all(|number| index.contains(&format!("s{number:02}</bdi>"))));

    // The whole again, by hand and by one worker: nothing is left to do, and nothing comes double.
    let again = tiltworth(&["batch", "run", &text(&manifest), "--ledger", &ledger]);
    assert_eq!(again.status.code(), Some(0), "{}", said(&again));
    assert_eq!(said(&again).matches(": unchanged, skipped").count(), SERIES as usize, "{}", said(&again));
    let mut client = postgres::Client::connect(&ledger, postgres::NoTls).unwrap();
    let all: i64 = client.query_one("SELECT COUNT(*) FROM tiltworth.assessments", &[]).unwrap().get(0);
    assert_eq!(all, SERIES as i64);
    drop(client);
    admin.batch_execute(&format!("DROP DATABASE {database} WITH (FORCE)")).unwrap();
    let left = cluster.end();
    assert!(left.is_empty(), "processes are left behind: {left:?}");
}

#[test]
fn shares_of_a_manifest_together_are_the_whole() {
    let home = tempfile::tempdir().unwrap();
    series(home.path(), 128, 9);
    let text = |name: &str| home.path().join(name).to_str().unwrap().to_owned();
    let begun = Instant::now();
    let plan = ["batch", "plan", &text("data"), "--out", &text("out"), "--manifest", &text("m.json"), "--no-report"];
    let planned = tiltworth(&plan);
    assert!(said(&planned).starts_with("12 series, 0.0 GB: "), "{}", said(&planned));
    assert!(!home.path().join("out").exists(), "planning writes the manifest alone");
    let refused = tiltworth(&plan);
    assert_eq!(refused.status.code(), Some(1), "an earlier manifest is not replaced");
    let ledger = format!("sqlite:{}", text("lab.sqlite"));
    let run = |options: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tiltworth"));
        command.args(["batch", "run", &text("m.json"), "--ledger", &ledger]).args(options);
        command.env("SLURM_ARRAY_TASK_ID", "4").env("SLURM_ARRAY_TASK_MIN", "2");
        command.env("SLURM_ARRAY_TASK_COUNT", "3").env("SLURM_ARRAY_TASK_STEP", "2").output().unwrap()
    };
    // The array's second task of three, by its environment; the other two by hand.
    let second = run(&[]);
    assert!(said(&second).contains("share 2/3: 4 of 12 series"), "{}", said(&second));
    let done = || {
        let folders = fs::read_dir(home.path().join("out")).unwrap().flatten().filter(|entry| entry.path().is_dir());
        folders.flat_map(|night| fs::read_dir(night.path()).unwrap().flatten()).count()
    };
    assert_eq!(done(), 4);
    for shard in ["1/3", "3/3"] {
        assert!(run(&["--shard", shard]).status.success());
    }
    assert_eq!(done(), 12);
    let listed = said(&tiltworth(&["ledger", "list", "--all-revisions", "--ledger", &ledger]));
    assert!(listed.ends_with("12 assessments\n"), "{listed}");
    // What is missing is finished, and nothing else is done again.
    fs::remove_dir_all(home.path().join("out/night 0/s04")).unwrap();
    let rest = run(&["--shard", "1/1"]);
    assert_eq!(said(&rest).matches(": unchanged, skipped").count(), 11, "{}", said(&rest));
    for wrong in ["4/3", "0/3", "x"] {
        assert_eq!(run(&["--shard", wrong]).status.code(), Some(2), "{wrong}");
    }
    println!("shares: {:?}", begun.elapsed());
}
