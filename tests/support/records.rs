//! Invented records, for tests of what is done with many of them.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test ends where it fails")]
#![allow(dead_code, reason = "each test uses its part")]

use std::path::{Path, PathBuf};
use tiltworth::record::Record;
use tiltworth::simulate::weeks::{self, WeeksRecipe};

/// The recipe of the demo weeks.
pub fn recipe() -> WeeksRecipe {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-stacks/weeks/recipe.toml");
    WeeksRecipe::parse(&std::fs::read_to_string(&file).unwrap(), &file).unwrap()
}

/// The records of the demo weeks.
pub fn weeks() -> Vec<Record> {
    weeks::run(&recipe()).unwrap()
}

/// The text of a record.
pub fn text(record: &Record) -> String {
    serde_json::to_string_pretty(record).unwrap()
}

/// Writes a record into a folder of its own, as an assessment does; gives its file.
pub fn write(folder: &Path, name: &str, record: &Record) -> PathBuf {
    let folder = folder.join(name);
    std::fs::create_dir_all(&folder).unwrap();
    let file = folder.join("record.json");
    std::fs::write(&file, text(record)).unwrap();
    file
}
