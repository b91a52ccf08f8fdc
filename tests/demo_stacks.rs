//! Each demo series is made again from its recipe, bit for bit: pixels, sheet and table.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking; its helpers stand outside of #[test]")]

use std::fs::{File, metadata, read_to_string};
use std::path::PathBuf;
use tiff::decoder::{Decoder, DecodingResult};
use tiltworth::simulate::writer::{sheet_text, table_text};
use tiltworth::simulate::{Recipe, run};

fn folder(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("demo-stacks").join(name)
}

/// Decoded pages: compressors may pack the same pixels differently.
fn pages(path: PathBuf) -> Vec<Vec<u16>> {
    let mut decoder = Decoder::new(File::open(path).unwrap()).unwrap();
    let mut pages = Vec::new();
    loop {
        match decoder.read_image().unwrap() {
            DecodingResult::U16(page) => pages.push(page),
            other => panic!("not 16-bit: {other:?}"),
        }
        if !decoder.more_images() {
            return pages;
        }
        decoder.next_image().unwrap();
    }
}

fn is_made_again(name: &str) {
    let recipe = Recipe::from_file(&folder(name).join("recipe.toml")).unwrap();
    let again = run(&recipe);
    let kept = pages(folder(name).join("stack.tif"));
    assert_eq!(kept.len(), again.sections.len());
    for (section, (kept, again)) in kept.iter().zip(&again.sections).enumerate() {
        assert!(kept == again, "{name}: section {section} differs from what its recipe makes");
    }
    assert_eq!(read_to_string(folder(name).join("sections.csv")).unwrap(), table_text(&recipe, &again).unwrap());
    assert_eq!(read_to_string(folder(name).join("series.toml")).unwrap(), sheet_text(&recipe).unwrap());
    let bytes = metadata(folder(name).join("stack.tif")).unwrap().len();
    assert!(bytes <= 10_000_000, "{name}: {bytes} bytes");
}

#[test]
fn the_kelp_chloroplast_is_made_again_bit_for_bit() {
    is_made_again("kelp-chloroplast");
}

#[test]
fn the_hasty_moss_leaf_is_made_again_bit_for_bit() {
    is_made_again("moss-leaf-hasty");
}

#[test]
fn the_pond_bacterium_is_made_again_bit_for_bit() {
    is_made_again("pond-bacterium");
}

#[test]
fn the_liposome_strip_is_made_again_bit_for_bit() {
    is_made_again("liposome-strip");
}
