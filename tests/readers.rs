//! Stacks written by other people's libraries are read to the last bit.
//!
//! The files under `tests/reference/readers` were written by tifffile, imagecodecs and mrcfile (versions in
//! `expected.json`, script `make.py` beside it); the MRC2014 byte tables follow Cheng et al. 2015, J. Struct. Biol.
//! 192:146, as mrcfile 1.5.4 writes them.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use serde_json::Value;
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use tiltworth::intake::stack::{Pixels, Section, open, open_folder};
use tiltworth::record::hashes::hex;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/readers")
}

fn expected() -> serde_json::Map<String, Value> {
    let text = std::fs::read_to_string(folder().join("expected.json")).unwrap();
    let all: Value = serde_json::from_str(&text).unwrap();
    all["files"].as_object().unwrap().clone()
}

fn little_endian(section: &Section) -> Vec<u8> {
    match &section.pixels {
        Pixels::U8(v) => v.clone(),
        Pixels::I8(v) => v.iter().flat_map(|v| v.to_le_bytes()).collect(),
        Pixels::U16(v) => v.iter().flat_map(|v| v.to_le_bytes()).collect(),
        Pixels::I16(v) => v.iter().flat_map(|v| v.to_le_bytes()).collect(),
        Pixels::U32(v) => v.iter().flat_map(|v| v.to_le_bytes()).collect(),
        Pixels::I32(v) => v.iter().flat_map(|v| v.to_le_bytes()).collect(),
        Pixels::F32(v) => v.iter().flat_map(|v| v.to_le_bytes()).collect(),
    }
}

fn kind(section: &Section) -> &'static str {
    match section.pixels {
        Pixels::U8(_) => "u8",
        Pixels::I8(_) => "i8",
        Pixels::U16(_) => "u16",
        Pixels::I16(_) => "i16",
        Pixels::U32(_) => "u32",
        Pixels::I32(_) => "i32",
        Pixels::F32(_) => "f32",
    }
}

fn wanted_kind(facts: &Value) -> String {
    let name = facts["dtype"].as_str().unwrap();
    // numpy's names: uint16, int8, float32; halves are widened.
    let short = name.replace("uint", "u").replace("int", "i").replace("float", "f");
    if short == "f16" { "f32".into() } else { short }
}

#[test]
fn pixels_are_equal_to_the_last_bit() {
    let mut read = 0;
    for (name, facts) in expected().iter().filter(|(_, facts)| facts["refused"] != true) {
        let stack = open(&folder().join(name)).unwrap_or_else(|error| panic!("{name}: {error}"));
        assert!(stack.damaged().is_empty(), "{name}");
        assert_eq!(stack.sections() as u64, facts["pages"].as_u64().unwrap(), "{name}: pages");
        let shape = (facts["shape"][1].as_u64().unwrap() as usize, facts["shape"][0].as_u64().unwrap() as usize);
        assert_eq!(stack.size_px(), shape, "{name}: size");
        let hashes = facts.get("sha256_f32").unwrap_or(&facts["sha256"]);
        for page in 0..stack.sections() {
            let section = stack.read(page).unwrap_or_else(|error| panic!("{name}: {error}"));
            assert_eq!(kind(&section), wanted_kind(facts), "{name}: type");
            let found = hex(&Sha256::digest(little_endian(&section)));
            assert_eq!(found, hashes[page].as_str().unwrap(), "{name}, page {page}");
        }
        read += 1;
    }
    assert!(read >= 80, "only {read} files were read");
}

#[test]
fn pixel_sizes_are_equal() {
    for (name, facts) in expected().iter().filter(|(_, facts)| facts["refused"] != true) {
        let found = open(&folder().join(name)).unwrap().pixel_nm();
        match facts["pixel_nm"].as_f64() {
            Some(nm) => assert!((found.unwrap_or(0.0) - nm).abs() < 1e-6, "{name}: {found:?} is not {nm}"),
            None => assert_eq!(found, None, "{name}"),
        }
    }
}

#[test]
fn colour_is_refused() {
    let mut refused = 0;
    for (name, _) in expected().iter().filter(|(_, facts)| facts["refused"] == true) {
        let message = open(&folder().join(name)).unwrap_err().to_string();
        assert!(message.contains("colour picture"), "{name}: {message}");
        refused += 1;
    }
    assert_eq!(refused, 2);
}

/// The MRC2014 header of a stack of 2 sections of 2 rows of 3 16-bit columns, 6.8 Å, in both byte orders.
fn mrc_reference(big_endian: bool) -> Vec<u8> {
    let mut bytes = vec![0u8; 1024];
    let mut put = |at: usize, word: u32| {
        bytes[at..at + 4].copy_from_slice(&if big_endian { word.to_be_bytes() } else { word.to_le_bytes() });
    };
    for (at, value) in
        [(0, 3), (4, 2), (8, 2), (12, 1), (28, 3), (32, 2), (36, 1), (64, 1), (68, 2), (72, 3), (108, 20141)]
    {
        put(at, value);
    }
    for (at, value) in
        [(40, 20.4f32), (44, 13.6), (48, 6.8), (52, 90.0), (56, 90.0), (60, 90.0), (76, -32768.0), (80, 200.0)]
    {
        put(at, value.to_bits());
    }
    put(84, 0xc529_0eab);
    put(216, 0x460d_a234);
    bytes[208..212].copy_from_slice(b"MAP ");
    bytes[212..214].copy_from_slice(if big_endian { &[0x11, 0x11] } else { &[0x44, 0x44] });
    for value in [0i16, 1, 2, 3, 4, 5, -1, -2, -3, 100, 200, -32768] {
        bytes.extend(if big_endian { value.to_be_bytes() } else { value.to_le_bytes() });
    }
    bytes
}

#[test]
fn the_mrc2014_reference_file_is_read_in_both_byte_orders() {
    let hashes = [
        "130efd6d65e24ba3054b5bd3218afd961c75fe015bfa21aeca965984eeb16e94",
        "03ec0fa7776501d3164f8cf92e82b1fe04472f1bc5538ea54e30def54c6fd32c",
    ];
    let folder = tempfile::tempdir().unwrap();
    for (big_endian, hash) in [false, true].into_iter().zip(hashes) {
        let bytes = mrc_reference(big_endian);
        assert_eq!(hex(&Sha256::digest(&bytes)), hash, "the table of bytes was copied wrongly");
        let path = folder.path().join("reference.mrc");
        std::fs::write(&path, &bytes).unwrap();
        let stack = open(&path).unwrap();
        assert_eq!((stack.sections(), stack.size_px(), stack.pixel_nm()), (2, (3, 2), Some(0.68)));
        assert_eq!(stack.read(0).unwrap().pixels, Pixels::I16(vec![0, 1, 2, 3, 4, 5]));
        assert_eq!(stack.read(1).unwrap().pixels, Pixels::I16(vec![-1, -2, -3, 100, 200, -32768]));
    }
}

#[test]
fn a_folder_is_read_in_the_tables_order_and_never_left() {
    let folder = tempfile::tempdir().unwrap();
    for (name, last) in [("b.mrc", 7i16), ("a.mrc", 9)] {
        let mut bytes = mrc_reference(false);
        bytes[8] = 1;
        bytes.truncate(1036);
        bytes[1034..1036].copy_from_slice(&last.to_le_bytes());
        std::fs::write(folder.path().join(name), bytes).unwrap();
    }
    let names = |names: &[&str]| names.iter().map(|&name| name.to_owned()).collect::<Vec<_>>();
    let stack = open_folder(folder.path(), &names(&["b.mrc", "a.mrc"])).unwrap();
    assert_eq!(stack.read(1).unwrap().pixels, Pixels::I16(vec![0, 1, 2, 3, 4, 9]));
    std::os::unix::fs::symlink("/etc/hostname", folder.path().join("out.mrc")).unwrap();
    for hostile in ["../a.mrc", "/etc/passwd", "", "out.mrc", "x/../../a.mrc"] {
        let message = open_folder(folder.path(), &names(&[hostile])).unwrap_err().to_string();
        assert!(message.contains("does not lie inside the folder"), "{hostile}: {message}");
    }
}
