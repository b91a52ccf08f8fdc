//! What the fuzzers call: one function an input format. Each takes any bytes, and must neither panic, nor hang, nor take
//! memory beyond what the bytes can stand for.

use std::collections::BTreeMap;
use std::path::Path;
use tiltworth::intake::section_header::HeaderSheet;
use tiltworth::intake::sheet::{ColumnMapping, Sheet};
use tiltworth::intake::{angles, log, rows, section_header, sheet, stack, table};
use tiltworth::judge::{Profile, judge};
use tiltworth::ledger::Summary;
use tiltworth::record::evidence::{Curves, EVIDENCE_VERSION, Evidence, Picture};
use tiltworth::record::{Record, alignment_table, archive, reading, tables};

/// A format's name and its function.
pub type Entry = (&'static str, fn(&[u8]));

/// All of them.
#[allow(dead_code, reason = "the guided fuzzers call one function each")]
pub const ENTRIES: [Entry; 10] = [
    ("tiff", any_stack),
    ("mrc", any_stack),
    ("table", any_table),
    ("sheet", any_sheet),
    ("angles", any_angles),
    ("log", any_log),
    ("header", any_header),
    ("record", any_record),
    ("evidence", any_evidence),
    ("profile", any_profile),
];

/// Sections of a stack that are read; the others would only repeat them.
const READ: usize = 4;

/// A stack file of either kind: opened, and its first sections read.
pub fn any_stack(bytes: &[u8]) {
    with_file(bytes, |path| {
        let Ok(stack) = stack::open(path) else { return };
        let _ = (stack.warnings(), stack.planes(), stack.damaged(), stack.description());
        for section in 0..stack.sections().min(READ) {
            if let Ok(section) = stack.read(section) {
                let mut row = vec![0.0; section.width];
                section.copy_row(section.height - 1, 0, &mut row);
            }
        }
    });
}

/// A table, its rows typed under mapped headings.
pub fn any_table(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let mappings: BTreeMap<String, ColumnMapping> = [
        ("tilt_deg", ColumnMapping::Heading("alpha".into())),
        (
            "acquired_at",
            ColumnMapping::Full { from: "clock".into(), scale: None, format: Some("%d/%m/%Y %H:%M:%S".into()) },
        ),
        ("dose_e_per_A2", ColumnMapping::Full { from: "dose".into(), scale: Some(0.01), format: None }),
    ]
    .into_iter()
    .map(|(column, mapping)| (column.to_owned(), mapping))
    .collect();
    if let Ok(grid) = table::parse(Path::new("t.csv"), &text) {
        let _ = tiltworth::intake::headings::place(&grid);
        let _ = rows::merge(&[grid], &mappings);
    }
}

/// A series sheet.
pub fn any_sheet(bytes: &[u8]) {
    if let Ok((facts, _)) = sheet::parse(Path::new("series.toml"), &String::from_utf8_lossy(bytes)) {
        let _: Result<Sheet, _> = facts.try_into();
    }
}

/// A list of angles.
pub fn any_angles(bytes: &[u8]) {
    if let Ok(grid) = angles::parse(Path::new("a.txt"), &String::from_utf8_lossy(bytes)) {
        let _ = rows::merge(&[grid], &BTreeMap::new());
    }
}

/// The two patterns of a log in its first two lines, then the log.
pub fn any_log(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let mut parts = text.splitn(3, '\n');
    let (Some(start), Some(field), Some(text)) = (parts.next(), parts.next(), parts.next()) else { return };
    let patterns = log::LogSheet { file: "l.log".into(), record_start: start.into(), field: field.into() };
    if let Ok((grid, _)) = log::parse(Path::new("l.log"), text, Path::new("series.toml"), &patterns) {
        let _ = rows::merge(&[grid], &BTreeMap::new());
    }
}

/// A layout in TOML up to a zero byte, then the stack with the extended header.
pub fn any_header(bytes: &[u8]) {
    let Some(end) = bytes.iter().position(|&byte| byte == 0) else { return };
    let Ok(layout) = toml::from_str::<HeaderSheet>(&String::from_utf8_lossy(&bytes[..end])) else { return };
    with_file(&bytes[end + 1..], |path| {
        let Ok(stack) = stack::open(path) else { return };
        if let Ok(grid) = section_header::read(Path::new("series.toml"), &layout, stack.as_ref()) {
            let _ = rows::merge(&[grid], &BTreeMap::new());
        }
    });
}

/// A sound record of three tilts.
const RECORD: &str = include_str!("seeds/record.json");
/// More tilts than this take time and tell nothing new.
const MOST_TILTS: usize = 12;

/// A record: read, drawn as a page without curves and pictures, and written as tables and as a row of the ledger.
pub fn any_record(bytes: &[u8]) {
    let Ok(record) = reading::parse(&String::from_utf8_lossy(bytes), "record.json") else { return };
    if record.tilts.len() <= MOST_TILTS {
        used(&record, &blank(record.tilts.len()));
    }
    let _ = (Summary::of(&record, None).cells(), tables::tilts_csv(&record));
}

/// An archive of curves and pictures: read, and drawn with a record that has as many tilts.
pub fn any_evidence(bytes: &[u8]) {
    with_file(bytes, |path| {
        let Ok(evidence) = archive::read(path) else { return };
        let Ok(mut record) = reading::parse(RECORD, "record.json") else { return };
        let (tilts, sound) = (evidence.curves.tilts.len(), record.tilts.clone());
        if tilts <= MOST_TILTS {
            record.tilts = sound.into_iter().cycle().take(tilts).collect();
            used(&record, &evidence);
        }
    });
}

/// A profile, and a sound record held up to it.
pub fn any_profile(bytes: &[u8]) {
    let Ok(profile) = Profile::parse(&String::from_utf8_lossy(bytes), "a profile") else { return };
    let Ok(mut record) = reading::parse(RECORD, "record.json") else { return };
    let (_, verdict) = judge(&record.series, &mut record.tilts, &record.measures, &profile);
    assert!(verdict.exclude_tilts_deg.len() <= record.tilts.len());
}

fn used(record: &Record, evidence: &Evidence) {
    let _ = tables::dose_weights_csv(record, evidence);
    let _ = alignment_table::alignment_csv(record, evidence);
    if let Ok(page) = tiltworth::report::render(record, evidence, None) {
        // Whatever stands in it, the page's own script is the only one that runs.
        assert!(page.trim_end().ends_with("</html>"));
    }
}

/// Evidence without curves and pictures.
fn blank(tilts: usize) -> Evidence {
    let tilt = serde_json::json!({
        "picture": "", "picture_px": [0, 0], "picture_scale": 1.0, "picture_counts": [0.0, 1.0], "power": [], "noise": null,
        "azimuth_relative": [], "sharpness_run": null, "weights": [],
    });
    let curves = serde_json::json!({
        "evidence_version": EVIDENCE_VERSION, "frequency_cycles_per_px": [], "tilts": vec![tilt; tilts], "weight_resolution_nm": [],
    });
    let curves: Curves = serde_json::from_value(curves).unwrap_or_else(|error| panic!("{error}"));
    let pictures = (0..tilts).map(|_| Picture { name: String::new(), jpeg: Vec::new() }).collect();
    Evidence { curves, pictures }
}

/// Calls `f` with a file of these bytes, in memory where the machine has such a place.
fn with_file(bytes: &[u8], f: impl FnOnce(&Path)) {
    let folder = if Path::new("/dev/shm").is_dir() { "/dev/shm".into() } else { std::env::temp_dir() };
    let Ok(mut file) = tempfile::NamedTempFile::new_in(folder) else { return };
    if std::io::Write::write_all(&mut file, bytes).is_ok() {
        f(file.path());
    }
}
