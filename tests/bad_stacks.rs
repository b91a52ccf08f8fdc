//! Damaged and lying stacks end in a clear message, never in a panic.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use proptest::prelude::*;
use std::path::{Path, PathBuf};
use tiltworth::intake::stack::open;

fn reference(name: &str) -> Vec<u8> {
    std::fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/readers").join(name)).unwrap()
}

fn file(folder: &Path, bytes: &[u8]) -> PathBuf {
    let path = folder.join("stack");
    std::fs::write(&path, bytes).unwrap();
    path
}

/// What opening says, or what the first damaged page says, or what reading says.
fn message(bytes: &[u8]) -> String {
    let folder = tempfile::tempdir().unwrap();
    let path = file(folder.path(), bytes);
    let said = match open(&path) {
        Err(error) => error.to_string(),
        Ok(stack) => match stack.damaged().into_iter().next() {
            Some((_, error)) => error.to_string(),
            None => stack.read(0).map_or_else(|error| error.to_string(), |_| "read".into()),
        },
    };
    said.replace(&*path.to_string_lossy(), "stack")
}

fn with_word(mut bytes: Vec<u8>, at: usize, word: i32) -> Vec<u8> {
    bytes[at..at + 4].copy_from_slice(&word.to_le_bytes());
    bytes
}

#[test]
fn mrc_headers_that_lie_are_refused() {
    let sound = reference("mrc_mode6_le.mrc");
    assert_eq!(message(&sound), "read");
    let again = "the header is damaged: write the stack again from its source";
    assert_eq!(message(&with_word(sound.clone(), 0, 0)), format!("stack, header: NX is 0; {again}"));
    assert_eq!(message(&with_word(sound.clone(), 4, -5)), format!("stack, header: NY is -5; {again}"));
    assert_eq!(message(&with_word(sound.clone(), 92, -1)), format!("stack, header: NSYMBT is -1; {again}"));
    let huge = message(&with_word(with_word(sound.clone(), 0, i32::MAX), 4, i32::MAX));
    assert!(huge.contains("pixels should reach to byte") && huge.contains("but the file ends at"), "{huge}");
    let mode = message(&with_word(sound.clone(), 12, 4));
    assert!(mode.starts_with("stack, header: MODE 4 is not read; hand in modes 0, 1, 2, 6 or 12"), "{mode}");
    let many = message(&with_word(sound, 8, i32::MAX));
    assert!(many.contains("its pixels should reach to byte"), "{many}");
}

/// The file with the tag `from` of its first page turned into another, of type SHORT.
fn with_tag(mut bytes: Vec<u8>, from: u16, to: u16, value: u16) -> Vec<u8> {
    let ifd = u32::from_le_bytes(bytes[4..8].try_into().unwrap()) as usize;
    let entries = u16::from_le_bytes(bytes[ifd..ifd + 2].try_into().unwrap()) as usize;
    let at = (0..entries).map(|i| ifd + 2 + 12 * i).find(|&at| bytes[at..at + 2] == from.to_le_bytes()).unwrap();
    bytes[at..at + 2].copy_from_slice(&to.to_le_bytes());
    bytes[at + 2..at + 8].copy_from_slice(&[3, 0, 1, 0, 0, 0]);
    bytes[at + 8..at + 12].copy_from_slice(&u32::from(value).to_le_bytes());
    bytes
}

#[test]
fn ways_of_storing_that_readers_take_differently_are_refused() {
    // TIFF 6.0: tag 296 ResolutionUnit gives its place to 266 FillOrder, 317 Predictor.
    let sound = reference("tiff_u16_le_none_tile16.tif");
    assert_eq!(message(&with_tag(sound.clone(), 296, 266, 1)), "read");
    let turned = message(&with_tag(sound.clone(), 296, 266, 2));
    assert!(turned.contains("page 0: bits in the order 2 (tag FillOrder) are not read;"), "{turned}");
    let predicted = message(&with_tag(sound, 296, 317, 2));
    assert!(predicted.contains("page 0: a predictor (2) beside uncompressed pixels is not read;"), "{predicted}");
}

#[test]
fn files_cut_short_are_named_with_the_place() {
    let mrc = reference("mrc_mode1_le.mrc");
    assert!(message(&mrc[..600]).contains("the file ends at byte 600, inside the header"), "{}", message(&mrc[..600]));
    let cut = message(&mrc[..mrc.len() - 1]);
    assert!(cut.contains("but the file ends at") && cut.contains("copy it again"), "{cut}");
    let tiff = reference("tiff_u16_le_none_tile16.tif");
    assert!(message(&tiff[..5]).contains("the TIFF header cannot be read"), "{}", message(&tiff[..5]));
    for length in (8..tiff.len() - 1).step_by(97) {
        let said = message(&tiff[..length]);
        assert!(said != "read" || length > tiff.len() - 200, "{length}: {said}");
    }
}

#[test]
fn what_is_no_stack_is_said() {
    assert!(message(b"").contains("the file is empty"));
    assert!(message(b"tilt_deg\n1\n").contains("neither a TIFF nor an MRC2014 file"));
    let folder = tempfile::tempdir().unwrap();
    assert!(open(folder.path()).unwrap_err().to_string().contains("this is no regular file"));
    let missing = open(&folder.path().join("none.tif")).unwrap_err().to_string();
    assert!(missing.contains("check the name and that its disk is mounted"), "{missing}");
}

/// A little-endian TIFF with one directory of these (tag, type, count, value) entries and a next-directory offset.
fn tiff(entries: &[(u16, u16, u32, u32)], next: u32, data: &[u8]) -> Vec<u8> {
    let mut bytes = b"II\x2a\0\x08\0\0\0".to_vec();
    bytes.extend((entries.len() as u16).to_le_bytes());
    for &(tag, kind, count, value) in entries {
        bytes.extend(tag.to_le_bytes());
        bytes.extend(kind.to_le_bytes());
        bytes.extend(count.to_le_bytes());
        bytes.extend(value.to_le_bytes());
    }
    bytes.extend(next.to_le_bytes());
    bytes.extend(data);
    bytes
}

fn entries(width: u32, height: u32, compression: u32, stored: u32) -> Vec<(u16, u16, u32, u32)> {
    vec![
        (256, 4, 1, width),
        (257, 4, 1, height),
        (258, 3, 1, 8),
        (259, 3, 1, compression),
        (262, 3, 1, 1),
        (273, 4, 1, 8 + 2 + 9 * 12 + 4),
        (277, 3, 1, 1),
        (278, 4, 1, height),
        (279, 4, 1, stored),
    ]
}

#[test]
fn tiff_directories_that_lie_are_refused() {
    assert_eq!(message(&tiff(&entries(4, 2, 1, 8), 0, &[1; 8])), "read");
    let circle = message(&tiff(&entries(4, 2, 1, 8), 8, &[1; 8]));
    assert!(circle.contains("cycle in the list of IFDs"), "{circle}");
    let huge = message(&tiff(&entries(200_000, 200_000, 8, 8), 0, &[1; 8]));
    assert!(huge.contains("bytes of pixels are claimed from"), "{huge}");
    let more = message(&tiff(&entries(4000, 2, 1, 8), 0, &[1; 8]));
    assert!(more.contains("are claimed, but its strips hold 8"), "{more}");
    let compression = message(&tiff(&entries(4, 2, 7, 8), 0, &[1; 8]));
    assert!(compression.contains("ompression"), "{compression}");
    let nothing = message(&tiff(&entries(0, 2, 1, 8), 0, &[1; 8]));
    assert!(nothing.contains("page 0") || nothing.contains("header"), "{nothing}");
    let beyond = message(&tiff(&entries(4, 2, 1, 8), 9_999, &[1; 8]));
    assert!(beyond.contains("directory of page 1: it should lie at byte 9999, but the file ends at"), "{beyond}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]
    #[test]
    fn flipped_and_cut_bytes_never_panic(
        which in 0..6usize,
        flips in prop::collection::vec((0.0..1.0f64, any::<u8>()), 0..12),
        cut in 0.0..1.0f64,
    ) {
        let names = ["tiff_u16_le_lzw_strip_p2.tif", "big_f32_le_zstd_strip_p3.tif", "tiff_i32_be_deflate8_tile16.tif",
            "ome_nm_u16.ome.tif", "mrc_mode12_be_ext100.mrc", "tiff_i16_le_packbits_tile16.tif"];
        let mut bytes = reference(names[which]);
        for (place, value) in flips {
            // Mostly in the first bytes, where headers lie.
            let at = (place.powi(3) * bytes.len() as f64) as usize;
            bytes[at] = value;
        }
        if cut < 0.3 {
            bytes.truncate((cut / 0.3 * bytes.len() as f64) as usize);
        }
        let folder = tempfile::tempdir().unwrap();
        if let Ok(stack) = open(&file(folder.path(), &bytes)) {
            for page in 0..stack.sections().min(4) {
                let _ = stack.read(page);
            }
        }
    }
}
