//! Registration against scikit-image on public pictures, placement against numpy: values from
//! `tests/reference/registration/make.py`, which shares no code with tiltworth.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use serde_json::Value;
use std::path::{Path, PathBuf};
use tiltworth::numerics::placement::{Link, place};
use tiltworth::numerics::registration::image::Image;
use tiltworth::numerics::registration::masked::{self, Window};
use tiltworth::numerics::registration::spectral::{Band, Bench};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/registration")
}

fn expected() -> Value {
    serde_json::from_str(&std::fs::read_to_string(folder().join("expected.json")).unwrap()).unwrap()
}

fn picture(name: &str) -> Vec<f32> {
    let bytes = std::fs::read(folder().join(name)).unwrap();
    bytes.chunks_exact(2).map(|b| f32::from(u16::from_le_bytes([b[0], b[1]]))).collect()
}

fn two(value: &Value) -> [f64; 2] {
    [value[0].as_f64().unwrap(), value[1].as_f64().unwrap()]
}

/// The content moves by `true_px`; ours tells d with b(x) = a(x + d), which is minus that.
fn found(case: &Value) -> [f64; 2] {
    let size = case["size"].as_u64().unwrap() as usize;
    let bench = Bench::new(size, size, &[Band { high_pass: 0.02, low_pass: 0.35 }], 0.25);
    let side = |key: &str| picture(case[key].as_str().unwrap());
    let (a, b) = (side("reference"), side("moving"));
    let peak = bench.peak(&bench.cross(&bench.spectrum(&a), &bench.spectrum(&b)), [16, 16]).unwrap();
    assert!(peak.inside && peak.significance > 8.0, "{peak:?}");
    // Once more with whole pixels taken off, as seams do: what is left is a part of a pixel.
    let whole = [peak.x.round() as i64, peak.y.round() as i64];
    let wrap = |v: usize, d: i64| (v as i64 - d).rem_euclid(size as i64) as usize;
    let rolled: Vec<f32> =
        (0..size * size).map(|at| b[wrap(at / size, whole[1]) * size + wrap(at % size, whole[0])]).collect();
    let rest = bench.peak(&bench.cross(&bench.spectrum(&a), &bench.spectrum(&rolled)), [3, 3]).unwrap();
    [-(whole[0] as f64 + rest.x), -(whole[1] as f64 + rest.y)]
}

#[test]
fn public_pictures_are_registered_as_scikit_image_does() {
    for case in expected()["pairs"].as_array().unwrap() {
        let (found, truth, library) = (found(case), two(&case["true_px"]), two(&case["library_px"]));
        let tolerance = if case["moving"].as_str().unwrap().starts_with("window") { 0.03 } else { 0.02 };
        for k in 0..2 {
            assert!((found[k] - truth[k]).abs() <= tolerance, "{}: {found:?}, true {truth:?}", case["moving"]);
            assert!(
                (found[k] - library[k]).abs() <= tolerance + 0.01,
                "{}: {found:?}, library {library:?}",
                case["moving"]
            );
        }
    }
}

/// A pattern of the camera, the same pixels in both pictures and three times as strong as the scene, stays at no shift;
/// the masked correlation with the pattern's pixels left out finds the scene.
#[test]
fn pixels_left_out_pull_no_peak() {
    let size = 128;
    let pattern = |at: usize| (at % 7 == 3 && (at / size) % 5 == 1).then_some(200_000.0f32);
    let with = |name: &str| -> Vec<f32> {
        picture(name).iter().enumerate().map(|(at, &v)| pattern(at).map_or(v, |p| v + p)).collect()
    };
    let without = |name: &str| -> Vec<f32> {
        with(name).iter().enumerate().map(|(at, &v)| if pattern(at).is_some() { f32::NAN } else { v }).collect()
    };
    let correlate = |a: Vec<f32>, b: Vec<f32>| {
        let image = |values| Image { rows: size, cols: size, values };
        let window = Window { x: [-8, 8], y: [-8, 8] };
        masked::correlate(&image(a), &image(b), window, 4000.0).peak([0.0, 0.0], 0.95).unwrap()
    };
    let pulled = correlate(with("camera-0.u16"), with("camera-2.u16"));
    assert!(pulled.x.abs() < 0.5 && pulled.y.abs() < 0.5, "the pattern is too weak for this test: {pulled:?}");
    let found = correlate(without("camera-0.u16"), without("camera-2.u16"));
    assert!((found.x + 1.75).abs() < 0.35 && (found.y + 2.5).abs() < 0.35, "{found:?}");
}

#[test]
fn tiles_are_placed_as_numpy_places_them() {
    let expected = &expected()["placement"];
    let links: Vec<Link> = expected["links"]
        .as_array()
        .unwrap()
        .iter()
        .map(|link| Link {
            from: link["from"].as_u64().unwrap() as usize,
            to: link["to"].as_u64().unwrap() as usize,
            difference: two(&link["difference"]),
            weight: two(&link["weight"]),
        })
        .collect();
    let places = place(12, &links, 0);
    for (at, expected) in expected["places"].as_array().unwrap().iter().enumerate() {
        let (found, expected) = (places[at].unwrap(), two(expected));
        assert!((found[0] - expected[0]).abs() < 1e-8 && (found[1] - expected[1]).abs() < 1e-8, "{at}: {found:?}");
    }
}
