//! Faults of the machine: a full disk, no permission, a missing mount, files that shrink, grow or cannot be read while
//! they are read, Ctrl-C and kill -9. Whatever happens, nothing half-written is ever taken for a result.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "support/broken_disk.rs"]
mod broken_disk;
#[path = "support/mod.rs"]
mod support;

use std::fs;
use std::io::Write;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tempfile::TempDir;
use tiltworth::intake::stack::{Section, Stack};
use tiltworth::intake::{IntakeError, Request, Series, load, stamps};
use tiltworth::judge::Profile;
use tiltworth::record::{Grade, Record};

const FILES: [&str; 6] =
    ["report.html", "record.json", "tilts.csv", "dose-weights.csv", "alignment.csv", "evidence.zip"];

fn program() -> PathBuf {
    PathBuf::from(env!("CARGO_BIN_EXE_tiltworth"))
}

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-stacks/moss-leaf-hasty")
}

fn copy_of_demo() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    for file in ["series.toml", "sections.csv", "stack.tif"] {
        fs::copy(demo().join(file), folder.path().join(file)).unwrap();
    }
    folder
}

fn assess(series: &Path, out: &Path) -> Command {
    let mut command = Command::new(program());
    command.arg("assess").arg(series).arg("--out").arg(out).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// Tests here hang on time: they run one after another.
static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());

fn alone() -> MutexGuard<'static, ()> {
    ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What stands in a folder, hidden things among it.
fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

/// A whole result: all files, the record being one.
fn whole(folder: &Path) -> bool {
    let mut files = FILES.map(str::to_owned).to_vec();
    files.sort();
    names(folder) == files
        && serde_json::from_slice::<Record>(&fs::read(folder.join("record.json")).unwrap()).is_ok()
        && fs::read_to_string(folder.join("report.html")).unwrap().trim_end().ends_with("</html>")
        && zip::ZipArchive::new(fs::File::open(folder.join("evidence.zip")).unwrap()).is_ok()
}

fn is_root() -> bool {
    fs::metadata("/proc/self").is_ok_and(|meta| std::os::unix::fs::MetadataExt::uid(&meta) == 0)
}

#[test]
fn a_full_disk_leaves_nothing_and_keeps_an_earlier_result() {
    let _alone = alone();
    let mount = tempfile::tempdir().unwrap();
    let mounted = |size: &str| {
        let options = format!("size={size}");
        Command::new("mount").args(["-t", "tmpfs", "-o", &options, "tmpfs"]).arg(mount.path()).status()
    };
    if !mounted("24m").is_ok_and(|status| status.success()) {
        println!("a tmpfs cannot be mounted here: files that may not grow stand for the full disk");
        return no_file_may_grow();
    }
    let out = mount.path().join("result");
    let first = assess(&demo(), &out).output().unwrap();
    let before = fs::read(out.join("record.json"));
    // Whatever is left of the disk but half a megabyte.
    let filler = fs::File::create(mount.path().join("filler")).unwrap();
    let block = vec![1u8; 1 << 16];
    while (&filler).write_all(&block).is_ok() {}
    filler.set_len(filler.metadata().unwrap().len().saturating_sub(512 << 10)).unwrap();
    let second = assess(&demo(), &out).arg("--force").output().unwrap();
    let third = assess(&demo(), &mount.path().join("other")).output().unwrap();
    drop(filler);
    let (left, after) = (names(mount.path()), fs::read(out.join("record.json")));
    let _ = Command::new("umount").arg(mount.path()).status();
    assert!(first.status.success(), "{}", said(&first));
    for refused in [second, third] {
        assert_eq!(refused.status.code(), Some(1));
        let said = said(&refused);
        assert!(
            said.contains("it cannot be written (No space left on device") && said.contains("check the space"),
            "{said}"
        );
    }
    assert_eq!(left, ["filler", "result"]);
    assert_eq!(after.unwrap(), before.unwrap());
}

/// The same promise where no small disk can be mounted: the system refuses to let any file grow beyond 100 KiB.
fn no_file_may_grow() {
    let place = tempfile::tempdir().unwrap();
    let limited = "trap '' XFSZ; ulimit -f 100; exec \"$@\"";
    let mut command = Command::new("bash");
    command.args(["-c", limited, "bash"]).arg(program()).arg("assess").arg(demo());
    let output = command.arg("--out").arg(place.path().join("result")).output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(said(&output).contains("it cannot be written (File too large"), "{}", said(&output));
    assert!(names(place.path()).is_empty());
}

#[test]
fn files_that_may_not_grow_leave_nothing() {
    let _alone = alone();
    no_file_may_grow();
}

#[test]
fn a_full_standard_output_is_an_error_and_no_panic() {
    let _alone = alone();
    let full = || fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("result");
    for mut command in [assess(&demo(), &out), {
        let mut schema = Command::new(program());
        schema.arg("schema");
        schema
    }] {
        let output = command.stdout(full()).stderr(Stdio::piped()).output().unwrap();
        let said = said(&output);
        assert_eq!(output.status.code(), Some(1), "{said}");
        assert!(said.contains("No space left on device") && !said.contains("panicked"), "{said}");
    }
    assert!(whole(&out), "the result was written before the summary");
}

#[test]
fn no_permission_and_a_missing_mount_are_told() {
    let _alone = alone();
    let series = copy_of_demo();
    let nowhere = assess(&series.path().join("mnt/server/series"), &series.path().join("r")).output().unwrap();
    assert_eq!(nowhere.status.code(), Some(1));
    assert!(said(&nowhere).contains("check the name and that its disk is mounted"), "{}", said(&nowhere));
    if is_root() && !Command::new("runuser").args(["-u", "nobody", "--", "true"]).status().is_ok_and(|s| s.success()) {
        println!("SKIPPED no_permission: root reads everything, and runuser cannot drop to nobody here");
        return;
    }
    let open = |mode| fs::Permissions::from_mode(mode);
    fs::set_permissions(series.path(), open(0o755)).unwrap();
    let program = series.path().join("tiltworth");
    fs::copy(self::program(), &program).unwrap();
    fs::set_permissions(&program, open(0o755)).unwrap();
    let as_nobody = |args: &[&Path]| {
        let mut command = if is_root() { Command::new("runuser") } else { Command::new(&program) };
        if is_root() {
            command.args(["-u", "nobody", "--"]).arg(&program);
        }
        command.arg("assess").args(args).output().unwrap()
    };
    let out = series.path().join("result");
    if is_root() {
        let refused = as_nobody(&[series.path(), Path::new("--out"), &out]);
        assert_eq!(refused.status.code(), Some(1));
        assert!(said(&refused).contains("it cannot be written (Permission denied"), "{}", said(&refused));
    }
    fs::set_permissions(series.path().join("stack.tif"), open(0o000)).unwrap();
    let refused = as_nobody(&[series.path(), Path::new("--out"), &out]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(said(&refused).contains("stack.tif: Permission denied"), "{}", said(&refused));
    assert!(said(&refused).contains("ask for permission to read it"), "{}", said(&refused));
    assert!(!out.exists());
}

/// A stack of which the disk cannot read some pages.
#[derive(Debug)]
struct Failing {
    sound: Arc<dyn Stack>,
    pages: Vec<usize>,
}

impl Stack for Failing {
    fn sections(&self) -> usize {
        self.sound.sections()
    }
    fn size_px(&self) -> (usize, usize) {
        self.sound.size_px()
    }
    fn pixel_nm(&self) -> Option<f64> {
        self.sound.pixel_nm()
    }
    fn type_max(&self) -> Option<f64> {
        self.sound.type_max()
    }
    fn files(&self) -> Vec<PathBuf> {
        self.sound.files()
    }
    fn description(&self) -> String {
        self.sound.description()
    }
    fn warnings(&self) -> Vec<String> {
        self.sound.warnings()
    }
    fn damaged(&self) -> Vec<(usize, IntakeError)> {
        self.sound.damaged()
    }
    fn read(&self, section: usize) -> Result<Section, IntakeError> {
        if self.pages.contains(&section) {
            let error = std::io::Error::from_raw_os_error(5);
            return Err(IntakeError::unreadable(&self.files()[0], format!("page {section}"), &error));
        }
        self.sound.read(section)
    }
}

fn made(series: &Series) -> Record {
    let profile = Profile::find(None, series.specimen).unwrap();
    tiltworth::assess::assess(series, &profile, &|| (), &|| true).unwrap().0
}

fn unreadable(record: &Record) -> Vec<usize> {
    let tiles = record.tilts.iter().flat_map(|tilt| &tilt.tiles);
    tiles.filter(|tile| tile.unreadable.is_some()).map(|tile| tile.section).collect()
}

#[test]
fn a_read_error_costs_its_section_alone() {
    let _alone = alone();
    let mut series = load(&Request { path: demo(), ..Request::default() }).unwrap();
    let tilt = series.tilts[17].rows.clone();
    let pages: Vec<usize> = tilt.iter().map(|&row| series.sections[row].page).collect();
    series.stack = Arc::new(Failing { sound: Arc::clone(&series.stack), pages: pages.clone() });
    let record = made(&series);
    let mut expected = pages.clone();
    expected.sort_unstable();
    let mut found = unreadable(&record);
    found.sort_unstable();
    assert_eq!(found, expected);
    let tile = &record.tilts[17].tiles[0];
    let why = tile.unreadable.as_deref().unwrap();
    assert!(why.contains(&format!("page {}: Input/output error", tile.section)), "{why}");
    assert!(record.tilts[17].flags.contains(&"unreadable_section".to_owned()) && record.tilts[17].exclude);
    let check = record.checks.iter().find(|check| check.id == "unreadable_section").unwrap();
    assert_eq!(check.grade, Grade::Fail);
    assert_eq!(check.tilts_deg, [record.tilts[17].tilt_deg]);
    let measured = record.tilts.iter().filter(|tilt| tilt.counts.mean.is_some()).count();
    assert_eq!(measured, record.tilts.len() - 1);
}

#[test]
fn a_disk_that_cannot_read_some_bytes_costs_their_sections_alone() {
    let _alone = alone();
    let series = tempfile::tempdir().unwrap();
    support::big_series(series.path(), 256, 33);
    let disk = series.path().join("disk");
    fs::create_dir(&disk).unwrap();
    let bytes = fs::read(series.path().join("stack.mrc")).unwrap();
    // Within section 16, further from its neighbours than any read-ahead of one page.
    let start = 1024 + 16 * 256 * 256 * 2 + 50_000;
    let Ok(session) = broken_disk::mount(&disk, "stack.mrc", bytes, start..start + 4096) else {
        println!(
            "a disk with a read error cannot be mounted here; the same fault is tried on a stack that errs by itself"
        );
        return;
    };
    let sheet = fs::read_to_string(series.path().join("series.toml")).unwrap();
    fs::write(series.path().join("series.toml"), sheet.replace("\"stack.mrc\"", "\"disk/stack.mrc\"")).unwrap();
    let out = series.path().join("result");
    let output = assess(series.path(), &out).output().unwrap();
    drop(session);
    assert!(output.status.success(), "{}", said(&output));
    let record: Record = serde_json::from_slice(&fs::read(out.join("record.json")).unwrap()).unwrap();
    assert_eq!(unreadable(&record), [16]);
    let tiles = record.tilts.iter().flat_map(|tilt| &tilt.tiles);
    let why = tiles.filter_map(|tile| tile.unreadable.as_deref()).next().unwrap();
    assert!(why.contains("disk/stack.mrc, section 16: Input/output error"), "{why}");
    assert!(record.inputs.iter().any(|input| input.role == "stack" && input.sha256.is_none()));
}

#[test]
fn a_damaged_strip_and_a_missing_image_cost_their_section_alone() {
    let _alone = alone();
    let folder = copy_of_demo();
    // Bytes in the middle of the pixels: one strip no longer decodes.
    let stack = folder.path().join("stack.tif");
    let mut bytes = fs::read(&stack).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle..middle + 40].fill(0xff);
    fs::write(&stack, &bytes).unwrap();
    let out = folder.path().join("result");
    let output = assess(folder.path(), &out).output().unwrap();
    assert!(output.status.success(), "{}", said(&output));
    let record: Record = serde_json::from_slice(&fs::read(out.join("record.json")).unwrap()).unwrap();
    assert_eq!(unreadable(&record).len(), 1);
    let page = fs::read_to_string(out.join("report.html")).unwrap();
    assert!(page.contains("cannot be decoded"), "place and reason stand in the report");

    let images = tempfile::tempdir().unwrap();
    let mut table = String::from("file,tilt_deg\n");
    for tilt in -5..=5 {
        let name = format!("at {tilt}.mrc");
        if tilt != 2 {
            support::big_stack(&images.path().join(&name), 64, 1);
        }
        table.push_str(&format!("{name},{}\n", 3 * tilt));
    }
    fs::write(images.path().join("sections.csv"), table).unwrap();
    fs::write(images.path().join("series.toml"), "stack = \".\"\ntable = \"sections.csv\"\n").unwrap();
    let out = images.path().join("result");
    let output = assess(images.path(), &out).output().unwrap();
    assert!(output.status.success(), "{}", said(&output));
    let record: Record = serde_json::from_slice(&fs::read(out.join("record.json")).unwrap()).unwrap();
    assert_eq!(unreadable(&record), [7]);
    assert!(record.inputs.iter().any(|input| input.role == "stack" && input.sha256.is_none()));
    assert!(
        record.notes.iter().any(|note| note.contains("at 2.mrc: it cannot be read to its end")),
        "{:?}",
        record.notes
    );
}

#[test]
fn a_file_that_shrinks_while_it_is_read_is_found_out() {
    let _alone = alone();
    let folder = tempfile::tempdir().unwrap();
    support::big_series(folder.path(), 256, 12);
    let series = load(&Request { path: folder.path().to_path_buf(), ..Request::default() }).unwrap();
    assert!(stamps::changed(&series.stamps).is_none());
    let stack = fs::OpenOptions::new().write(true).open(folder.path().join("stack.mrc")).unwrap();
    stack.set_len(1024 + 7 * 256 * 256 * 2 + 1000).unwrap();
    let record = made(&series);
    let mut lost = unreadable(&record);
    lost.sort_unstable();
    assert_eq!(lost, [7, 8, 9, 10, 11]);
    let change = stamps::changed(&series.stamps).unwrap().to_string();
    assert!(
        change.contains("stack.mrc: it changed while it was read, from 1573888 to 919528 bytes; wait until"),
        "{change}"
    );
}

/// A series whose assessment takes a few seconds at least, so that something can happen meanwhile.
fn long_series() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    support::big_montage(folder.path(), 2048, 60);
    folder
}

fn started(series: &Path, out: &Path, options: &[&str]) -> Child {
    // One worker, so that a large machine is not done too soon.
    assess(series, out).args(options).arg("-q").env("RAYON_NUM_THREADS", "1").spawn().unwrap()
}

#[test]
fn a_stack_that_still_grows_stops_the_run_unless_a_part_is_asked_for() {
    let _alone = alone();
    let series = long_series();
    let place = tempfile::tempdir().unwrap();
    let out = place.path().join("result");
    let grow = || {
        std::thread::sleep(Duration::from_millis(300));
        let mut stack = fs::OpenOptions::new().append(true).open(series.path().join("stack.mrc")).unwrap();
        stack.write_all(&[7; 4096]).unwrap();
    };
    let child = started(series.path(), &out, &[]);
    grow();
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    assert!(said(&output).contains("stack.mrc: it changed while it was read, from"), "{}", said(&output));
    assert!(names(place.path()).is_empty());
    let child = started(series.path(), &out, &["--partial"]);
    grow();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "{}", said(&output));
    assert!(fs::read_to_string(out.join("record.json")).unwrap().contains("it changed while it was read"));
}

#[test]
fn ctrl_c_stops_within_a_second_and_leaves_nothing() {
    let _alone = alone();
    let series = long_series();
    for signal in ["INT", "TERM"] {
        let place = tempfile::tempdir().unwrap();
        let mut child = started(series.path(), &place.path().join("result"), &[]);
        std::thread::sleep(Duration::from_millis(400));
        assert!(child.try_wait().unwrap().is_none(), "the series was assessed before it could be stopped");
        let asked = Instant::now();
        Command::new("kill").args([&format!("-{signal}"), &child.id().to_string()]).status().unwrap();
        let output = child.wait_with_output().unwrap();
        assert!(asked.elapsed() < Duration::from_secs(1), "{signal}: it took {:?}", asked.elapsed());
        assert_eq!(output.status.code(), Some(130), "{signal}: {}", said(&output));
        assert!(said(&output).contains("stopped: nothing was written"), "{}", said(&output));
        assert!(names(place.path()).is_empty(), "{signal}: {:?}", names(place.path()));
    }
}

#[test]
fn kill_9_at_fifty_moments_never_leaves_half_a_result() {
    let _alone = alone();
    let series = tempfile::tempdir().unwrap();
    support::small_series(series.path(), 1, 192, 11);
    let place = tempfile::tempdir().unwrap();
    let out = place.path().join("result");
    // The quickest of three: a busy moment must not make all the others end before they are killed.
    let usual = (0..3).map(|_| {
        let begun = Instant::now();
        assert!(started(series.path(), &out, &["--force"]).wait().unwrap().success());
        begun.elapsed()
    });
    let usual = usual.min().unwrap();
    let mut random = support::Cheap(20_310_418);
    let (mut killed, mut held) = (0, 0);
    for round in 0..50 {
        let fresh = place.path().join(format!("fresh-{round}"));
        let (to, force) = if round % 2 == 0 { (&out, &["--force"][..]) } else { (&fresh, &[][..]) };
        let mut child = started(series.path(), to, force);
        // The last tenth of the time, in which the result is written, is hit as often as all the rest.
        let share = f64::from(random.next()) / f64::from(u32::MAX);
        let at = if round % 4 < 2 { share } else { 0.9 + 0.2 * share };
        std::thread::sleep(usual.mul_f64(at));
        killed += usize::from(child.try_wait().unwrap().is_none());
        let _ = child.kill();
        child.wait().unwrap();
        if fresh.exists() {
            assert!(whole(&fresh), "round {round}: half a result: {:?}", names(&fresh));
        }
        if out.exists() {
            held += 1;
            assert!(whole(&out), "round {round}: half a result: {:?}", names(&out));
        }
    }
    assert!(killed >= 20, "only {killed} of 50 were still running when they were killed");
    // Between moving the old result aside and the new one in, there is none; it still stands beside, whole.
    let aside =
        || names(place.path()).into_iter().filter(|name| name.starts_with(".tiltworth-old-")).collect::<Vec<_>>();
    assert!(held == 50 || !aside().is_empty(), "an earlier result was lost");
    // What was left behind is in nobody's way.
    let last = started(series.path(), &out, &["--force"]).wait().unwrap();
    assert!(last.success() && whole(&out));
}
