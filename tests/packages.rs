//! What is packed for other programs is what their rules ask for: the `.eln` archive and the mmCIF items, read back by
//! general libraries that are not tiltworth's.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

#[path = "support/records.rs"]
mod records;

use serde_json::Value;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::Command;
use tiltworth::record::Record;

/// The Python that `tests/run` gives rocrate and gemmi; without it, nothing to test by. With `TILTWORTH_NO_SKIP` that is
/// a failure.
fn python(name: &str) -> Option<PathBuf> {
    let python = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/test-python/bin/python");
    let has = Command::new(&python).args(["-c", "import rocrate.rocrate, gemmi"]).output();
    if has.is_ok_and(|output| output.status.success()) {
        return Some(python);
    }
    assert!(std::env::var_os("TILTWORTH_NO_SKIP").is_none(), "no Python with rocrate and gemmi: tests/run makes one");
    println!("SKIPPED {name}: no Python with rocrate and gemmi (tests/run makes one where it may)");
    None
}

fn look(python: &Path, what: &str, file: &Path) -> Value {
    let driver = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/packages_driver/look.py");
    let output = Command::new(python).arg(driver).arg(what).arg(file).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn tiltworth(args: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_tiltworth")).args(args).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// A result folder of a real assessment.
fn result(folder: &Path) -> PathBuf {
    let series = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/montage");
    let out = folder.join("result");
    tiltworth(&["assess", series.to_str().unwrap(), "-q", "--out", out.to_str().unwrap()]);
    out
}

/// An archive by its entries' names.
fn unpacked(file: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut zip = zip::ZipArchive::new(std::fs::File::open(file).unwrap()).unwrap();
    let mut found = BTreeMap::new();
    for at in 0..zip.len() {
        let mut entry = zip.by_index(at).unwrap();
        let mut bytes = Vec::new();
        entry.read_to_end(&mut bytes).unwrap();
        assert!(found.insert(entry.name().unwrap().into_owned(), bytes).is_none(), "an entry twice");
    }
    found
}

#[test]
fn the_archive_keeps_the_published_rules() {
    let folder = tempfile::tempdir().unwrap();
    let out = result(folder.path());
    let file = folder.path().join("pond night.eln");
    let record = out.join("record.json");
    let args = ["pack", record.to_str().unwrap(), "--out", file.to_str().unwrap()];
    let told = tiltworth(&[&args[..], &["--author", "A. Beispiel", "--license", "https://example.org/terms"]].concat());
    assert!(told.contains("5 files"), "{told}");
    let entries = unpacked(&file);
    // Exactly one folder at the top, named as the archive, and the metadata within it.
    assert!(entries.keys().all(|name| name.starts_with("pond-night/")), "{:?}", entries.keys());
    let metadata: Value = serde_json::from_slice(&entries["pond-night/ro-crate-metadata.json"]).unwrap();
    assert_eq!(metadata["@context"], "https://w3id.org/ro/crate/1.1/context");
    let graph = metadata["@graph"].as_array().unwrap();
    let by_id: BTreeMap<&str, &Value> = graph.iter().map(|node| (node["@id"].as_str().unwrap(), node)).collect();
    assert_eq!(by_id.len(), graph.len(), "an @id twice");
    // Flattened: no node within a node, only references.
    for node in graph {
        assert!(node["@type"].is_string());
        for (key, value) in node.as_object().unwrap() {
            let values = value.as_array().cloned().unwrap_or_else(|| vec![value.clone()]);
            for value in values.iter().filter(|value| value.is_object()) {
                let id = value["@id"].as_str().unwrap();
                assert_eq!(value.as_object().unwrap().len(), 1, "{key} holds a node");
                assert!(id.starts_with("https://w3id.org/") || by_id.contains_key(id), "{id} leads nowhere");
            }
        }
    }
    let descriptor = by_id["ro-crate-metadata.json"];
    assert_eq!((&descriptor["@type"], &descriptor["about"]["@id"]), (&"CreativeWork".into(), &"./".into()));
    assert_eq!(descriptor["conformsTo"]["@id"], "https://w3id.org/ro/crate/1.1");
    assert_eq!(by_id[descriptor["sdPublisher"]["@id"].as_str().unwrap()]["@type"], "Organization");
    let root = by_id["./"];
    assert_eq!(root["@type"], "Dataset");
    for key in ["name", "description", "datePublished", "license"] {
        assert!(!root[key].as_str().unwrap().is_empty(), "{key}");
    }
    assert!(root["datePublished"].as_str().unwrap().parse::<jiff::Timestamp>().is_ok());
    let parts = |node: &Value| -> Vec<String> {
        node["hasPart"].as_array().unwrap().iter().map(|part| part["@id"].as_str().unwrap().to_owned()).collect()
    };
    let listed = parts(root);
    let (mut files, mut datasets) = (0, 0);
    for node in graph {
        let id = node["@id"].as_str().unwrap();
        assert!(!id.starts_with('/') && !id.contains("..") && !id.contains(' '), "{id}");
        match node["@type"].as_str().unwrap() {
            "File" => {
                files += 1;
                let bytes = &entries[&format!("pond-night/{id}")];
                assert_eq!(node["contentSize"], bytes.len().to_string());
                let digest: String = Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect();
                assert_eq!(node["sha256"], digest);
                assert!(node["name"].is_string() && node["encodingFormat"].is_string());
                assert!(listed.contains(&id.to_owned()), "{id} is not reachable");
            }
            "Dataset" if id != "./" => {
                datasets += 1;
                assert!(
                    id.ends_with('/') && listed.contains(&id.to_owned()),
                    "{id} is not listed in the root directly"
                );
                assert_eq!(by_id[node["author"]["@id"].as_str().unwrap()]["name"], "A. Beispiel");
                assert_eq!(parts(node).len(), 5);
            }
            _ => {}
        }
    }
    assert_eq!((files, datasets), (5, 1));
    // Every file of the archive is described.
    assert_eq!(entries.keys().filter(|name| !name.ends_with('/')).count(), files + 1);
    let packed: Record = serde_json::from_slice(&entries["pond-night/montage/record.json"]).unwrap();
    assert_eq!(packed.series.series_id, "montage");
    // Nothing is replaced unasked, and an archive that fails leaves nothing.
    let refused = Command::new(env!("CARGO_BIN_EXE_tiltworth")).args(args).output().unwrap();
    assert_eq!(refused.status.code(), Some(1));
    let Some(python) = python("eln") else { return };
    let crate_folder = folder.path().join("unpacked");
    for (name, bytes) in entries.iter().filter(|(name, _)| !name.ends_with('/')) {
        let path = crate_folder.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
    let facts = look(&python, "eln", &crate_folder.join("pond-night"));
    assert_eq!(facts["license"], "https://example.org/terms");
    assert_eq!(facts["files"].as_array().unwrap().len(), 5);
    assert_eq!(facts["datasets"], serde_json::json!(["montage/"]));
    assert_eq!(facts["parts of montage/"].as_array().unwrap().len(), 5);
    let answer = serde_json::to_value(packed.verdict.answer).unwrap();
    assert_eq!(facts["variables"]["verdict.answer"], answer);
}

/// The items of the dictionary that may appear, each with whether it is a whole number. `_em_image_recording.id` and `.imaging_id` as parent
/// and child in `base/mmcif_pdbx-def-ilg.dic` and in the revision history (5.250) of `base/mmcif_pdbx_v50-header.dic` of
/// github.com/wwpdb-dictionaries/mmcif_pdbx at 1543bcd.
const DICTIONARY: [(&str, bool); 20] = [
    ("_em_tomography.id", false),
    ("_em_tomography.imaging_id", false),
    ("_em_tomography.axis1_min_angle", false),
    ("_em_tomography.axis1_max_angle", false),
    ("_em_tomography.axis1_angle_increment", false),
    ("_em_imaging.id", false),
    ("_em_imaging.entry_id", false),
    ("_em_imaging.microscope_model", false),
    ("_em_imaging.accelerating_voltage", true),
    ("_em_imaging.nominal_cs", false),
    ("_em_imaging.nominal_defocus_min", false),
    ("_em_imaging.nominal_defocus_max", false),
    ("_em_imaging.calibrated_defocus_min", false),
    ("_em_imaging.calibrated_defocus_max", false),
    ("_em_imaging.tilt_angle_min", false),
    ("_em_imaging.tilt_angle_max", false),
    ("_em_image_recording.id", false),
    ("_em_image_recording.imaging_id", false),
    ("_em_image_recording.avg_electron_dose_per_image", false),
    ("_em_image_recording.num_real_images", true),
];

#[test]
fn facts_for_a_deposition_are_items_of_the_dictionary() {
    let folder = tempfile::tempdir().unwrap();
    let mut record = records::weeks().remove(0);
    record.measures.focus.cs_mm = Some(2.7);
    // Names that a careless writer would not quote.
    for (at, id) in
        ["kelp-03", "_under", "data_7", "loop_", "a b'c", "two 'quo\" tes' \" in one", "a\nb", "?"].iter().enumerate()
    {
        record.series.series_id = (*id).into();
        let file = records::write(folder.path(), &at.to_string(), &record);
        let cif = folder.path().join(format!("{at}.cif"));
        tiltworth(&["export", "--cif", file.to_str().unwrap(), "--out", cif.to_str().unwrap()]);
        let text = std::fs::read_to_string(&cif).unwrap();
        assert_eq!(text, tiltworth(&["export", "--cif", file.to_str().unwrap()]));
        let items: Vec<&str> =
            text.lines().filter(|line| line.starts_with("_em")).map(|line| line.split(' ').next().unwrap()).collect();
        assert!(items.iter().all(|item| DICTIONARY.iter().any(|(known, _)| known == item)), "{items:?}");
        let Some(python) = python("cif") else { continue };
        let facts = look(&python, "cif", &cif);
        assert_eq!(facts["items"].as_object().unwrap().len(), items.len());
        assert_eq!(facts["items"]["_em_imaging.entry_id"], *id);
        let number = |item: &str| facts["items"][item].as_str().unwrap().parse::<f64>().unwrap();
        assert_eq!(number("_em_tomography.axis1_min_angle"), -60.0);
        assert_eq!(number("_em_tomography.axis1_angle_increment"), 3.0);
        assert_eq!(number("_em_imaging.nominal_defocus_max"), 3000.0);
        assert_eq!(number("_em_imaging.nominal_cs"), 2.7);
        assert_eq!(number("_em_image_recording.avg_electron_dose_per_image"), 10.0);
        for (item, _) in DICTIONARY.iter().filter(|(_, is_whole)| *is_whole) {
            assert!(facts["items"][*item].as_str().unwrap().parse::<i64>().is_ok(), "{item}");
        }
        let defocus: Vec<f64> =
            record.tilts.iter().filter(|t| !t.exclude).filter_map(|t| t.focus.as_ref()?.defocus_um).collect();
        let least = defocus.iter().copied().reduce(f64::min).unwrap();
        assert!((number("_em_imaging.calibrated_defocus_min") - 1000.0 * least).abs() <= 0.5);
    }
}
