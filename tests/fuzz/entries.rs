//! What the fuzzers call: one function an input format. Each takes any bytes, and must neither panic, nor hang, nor take
//! memory beyond what the bytes can stand for.

use std::collections::BTreeMap;
use std::path::Path;
use tiltworth::intake::section_header::HeaderSheet;
use tiltworth::intake::sheet::{ColumnMapping, Sheet};
use tiltworth::intake::{angles, log, rows, section_header, sheet, stack, table};

/// A format's name and its function.
pub type Entry = (&'static str, fn(&[u8]));

/// All of them.
#[allow(dead_code, reason = "the guided fuzzers call one function each")]
pub const ENTRIES: [Entry; 7] = [
    ("tiff", any_stack),
    ("mrc", any_stack),
    ("table", any_table),
    ("sheet", any_sheet),
    ("angles", any_angles),
    ("log", any_log),
    ("header", any_header),
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

/// Calls `f` with a file of these bytes, in memory where the machine has such a place.
fn with_file(bytes: &[u8], f: impl FnOnce(&Path)) {
    let folder = if Path::new("/dev/shm").is_dir() { "/dev/shm".into() } else { std::env::temp_dir() };
    let Ok(mut file) = tempfile::NamedTempFile::new_in(folder) else { return };
    if std::io::Write::write_all(&mut file, bytes).is_ok() {
        f(file.path());
    }
}
