//! Series in folders: a folder with a series.toml is one; so is a stack with a table or list of angles of its own name
//! beside it. What lies below a series belongs to it and is not searched.

use crate::intake::stack;
use std::collections::BTreeMap;
use std::ffi::OsString;
use std::io;
use std::path::{Path, PathBuf};

/// Name of the sheet that makes a folder a series.
const SHEET: &str = "series.toml";
/// Endings of what stands beside a stack, with the sheet's key for it; the first that is there counts.
const BESIDE: [(&str, &str); 3] = [("csv", "table"), ("tsv", "table"), ("txt", "angles")];
/// Endings of stacks that are told of where nothing stands beside them. What a file is its first bytes say.
const STACKS: [&str; 3] = ["tif", "tiff", "mrc"];

/// A series that was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// What intake is given: the folder, or the stack.
    pub source: PathBuf,
    /// Of a stack without a sheet: the sheet's key and the file that stands for it.
    pub beside: Option<(&'static str, PathBuf)>,
    /// Its place below the folders that were named; never empty, never absolute, never with `..`.
    pub place: PathBuf,
}

/// What a search brought.
#[derive(Debug, Default)]
pub struct Search {
    /// The series, by place.
    pub found: Vec<Found>,
    /// Stacks without a sheet, table or list.
    pub alone: Vec<PathBuf>,
    /// What could not be looked into, or is not clear, with the reason.
    pub faults: Vec<(PathBuf, String)>,
}

/// Searches folders; `except` (where results go) is passed over, and so are hidden folders and links to folders.
pub fn series(roots: &[PathBuf], except: &Path) -> Search {
    let mut search = Search::default();
    let except = except.canonicalize().ok();
    for root in roots {
        // Several roots keep their results apart by their own names.
        let base = if roots.len() > 1 { own_name(root) } else { PathBuf::new() };
        if root.is_dir() {
            walk(root, &base, root, except.as_deref(), &mut search);
        } else if root.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("toml")) {
            let folder = root.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
            search.found.push(Found { source: root.clone(), beside: None, place: own_name(folder) });
        } else {
            let fault = "it is no folder (and no series sheet)".to_owned();
            search.faults.push((root.clone(), fault));
        }
    }
    search.found.sort_by(|a, b| a.place.cmp(&b.place).then(a.source.cmp(&b.source)));
    // Two results in one folder would replace each other for ever.
    let (mut kept, mut twice) = (Vec::<Found>::new(), Vec::new());
    for found in std::mem::take(&mut search.found) {
        match kept.last() {
            Some(last) if last.source == found.source => {}
            Some(last) if last.place == found.place => {
                let other = last.source.display();
                twice.push((found.source.clone(), format!("its result would take the place of that of {other}")));
            }
            _ => kept.push(found),
        }
    }
    search.found = kept;
    search.faults.extend(twice);
    search
}

/// The name of a folder, wherever it was named from.
fn own_name(path: &Path) -> PathBuf {
    let whole = path.canonicalize().unwrap_or_else(|_| path.to_path_buf());
    whole.file_name().map_or_else(|| PathBuf::from("series"), PathBuf::from)
}

/// `place` is that of `folder` below the roots.
fn walk(folder: &Path, place: &Path, root: &Path, except: Option<&Path>, search: &mut Search) {
    if except.is_some() && folder.canonicalize().ok().as_deref() == except {
        return;
    }
    if folder.join(SHEET).is_file() {
        let place = if place.as_os_str().is_empty() { own_name(root) } else { place.to_path_buf() };
        search.found.push(Found { source: folder.to_path_buf(), beside: None, place });
        return;
    }
    let (files, folders) = match contents(folder) {
        Ok(contents) => contents,
        Err(error) => return search.faults.push((folder.to_path_buf(), error.to_string())),
    };
    bare_stacks(folder, place, &files, search);
    for name in folders {
        walk(&folder.join(&name), &place.join(&name), root, except, search);
    }
}

/// Names of the files and of the folders, sorted; hidden ones left out.
fn contents(folder: &Path) -> io::Result<(Vec<OsString>, Vec<OsString>)> {
    let (mut files, mut folders) = (Vec::new(), Vec::new());
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name();
        if name.to_string_lossy().starts_with('.') {
            continue;
        }
        let kind = entry.file_type()?;
        if kind.is_dir() {
            folders.push(name);
        } else if kind.is_file() || (kind.is_symlink() && entry.path().is_file()) {
            files.push(name);
        }
    }
    files.sort();
    folders.sort();
    Ok((files, folders))
}

fn bare_stacks(folder: &Path, place: &Path, files: &[OsString], search: &mut Search) {
    let mut stems: BTreeMap<OsString, Vec<PathBuf>> = BTreeMap::new();
    for name in files {
        let file = folder.join(name);
        if let Some(stem) = file.file_stem() {
            stems.entry(stem.to_os_string()).or_default().push(file);
        }
    }
    for (stem, files) in stems {
        let ends = |file: &Path, ending: &str| file.extension().is_some_and(|found| found.eq_ignore_ascii_case(ending));
        let beside = BESIDE
            .iter()
            .find_map(|(ending, key)| files.iter().find(|file| ends(file, ending)).map(|file| (*key, file.clone())));
        let Some(beside) = beside else {
            let alone = files.iter().filter(|file| STACKS.iter().any(|ending| ends(file, ending)));
            search.alone.extend(alone.cloned());
            continue;
        };
        let stacks: Vec<&PathBuf> = files.iter().filter(|file| **file != beside.1 && stack::is_one(file)).collect();
        match stacks.as_slice() {
            [] => {}
            [one] => search.found.push(Found { source: (*one).clone(), beside: Some(beside), place: place.join(stem) }),
            [first, ..] => {
                let fault = format!(
                    "{} stacks have this name: which of them does {} belong to?",
                    stacks.len(),
                    beside.1.display()
                );
                search.faults.push(((*first).clone(), fault));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    fn file(path: PathBuf, bytes: &[u8]) {
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }

    fn places(search: &Search) -> Vec<String> {
        search.found.iter().map(|found| found.place.display().to_string()).collect()
    }

    const TIFF: &[u8] = b"II*\0\x08\0\0\0";

    #[test]
    fn sheets_and_stacks_with_their_tables_are_series() {
        let home = tempfile::tempdir().unwrap();
        let at = |name: &str| home.path().join(name);
        file(at("night 1/b/series.toml"), b"");
        file(at("night 1/b/pages/series.toml"), b"");
        file(at("night 1/a.tif"), TIFF);
        file(at("night 1/a.CSV"), b"tilt_deg\n0\n");
        file(at("night 1/c.mrc"), TIFF);
        file(at("night 1/d.txt"), b"no stack has this name");
        file(at(".hidden/x/series.toml"), b"");
        file(at("out/series.toml"), b"");
        std::os::unix::fs::symlink(at("night 1"), at("again")).unwrap();
        let search = series(&[home.path().to_path_buf()], &at("out"));
        assert_eq!(places(&search), ["night 1/a", "night 1/b"]);
        assert_eq!(search.found[0].beside, Some(("table", at("night 1/a.CSV"))));
        assert_eq!(search.found[1].source, at("night 1/b"));
        assert_eq!(search.alone, [at("night 1/c.mrc")]);
        assert!(search.faults.is_empty());
    }

    #[test]
    fn roots_keep_their_results_apart_and_what_is_not_clear_is_told() {
        let home = tempfile::tempdir().unwrap();
        let at = |name: &str| home.path().join(name);
        file(at("x/s/series.toml"), b"");
        file(at("y/s/series.toml"), b"");
        file(at("z/x/s/series.toml"), b"");
        file(at("y/two.tif"), TIFF);
        file(at("y/two.mrc"), TIFF);
        file(at("y/two.csv"), b"tilt_deg\n0\n");
        let search = series(&[at("x"), at("y"), at("z/x"), at("gone")], &at("out"));
        assert_eq!(places(&search), ["x/s", "y/s"]);
        let faults: Vec<&str> = search.faults.iter().map(|(_, fault)| fault.as_str()).collect();
        assert_eq!(faults.len(), 3, "{faults:?}");
        assert!(faults[0].starts_with("2 stacks have this name") && faults[1].starts_with("it is no folder"));
        assert!(faults[2].starts_with("its result would take the place of that of"), "{faults:?}");
        // A folder that is itself a series has its own name.
        assert_eq!(places(&series(&[at("x/s")], &at("out"))), ["s"]);
        assert_eq!(series(&[at("x"), at("x")], &at("out")).found.len(), 1);
    }
}
