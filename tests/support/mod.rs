//! What several tests share: large plain stacks, written without tiltworth's own code.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]
#![allow(dead_code, reason = "each test uses its part")]

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

/// Pseudo-random bytes that cost little: a linear congruential generator (Knuth's MMIX constants).
pub struct Cheap(pub u64);

impl Cheap {
    /// The next 32 bits.
    pub fn next(&mut self) -> u32 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 32) as u32
    }
}

/// Writes an MRC2014 stack of unsigned 16-bit sections: counts about 6200 with noise, in blocks of texture.
pub fn big_stack(path: &Path, side: usize, sections: usize) {
    let mut random = Cheap(9);
    // Eight different sections, in turns: writing is not what is measured.
    let pages: Vec<Vec<u8>> = (0..8).map(|page| section(side, page, &mut random)).collect();
    write_stack(path, side, sections, &pages);
}

/// The same as a 1 × 3 montage whose tiles show one field, with an overlap of a tenth.
pub fn big_montage(folder: &Path, side: usize, sections: usize) {
    let mut random = Cheap(9);
    let pages: Vec<Vec<u8>> = (0..6).map(|page| field_section(side, page % 3, &mut random)).collect();
    big_series(folder, side, 3);
    write_stack(&folder.join("stack.mrc"), side, sections, &pages);
    big_table(folder, sections);
}

/// A tile of one field of blobs, with noise.
fn field_section(side: usize, row: usize, random: &mut Cheap) -> Vec<u8> {
    let y0 = row * (side - side / 10);
    let mut bytes = Vec::with_capacity(side * side * 2);
    for y in y0..y0 + side {
        for x in 0..side {
            let noise: u32 = random.next().to_le_bytes().iter().map(|&b| u32::from(b)).sum();
            let mut texture = 0;
            for scale in [6, 23] {
                let (cx, cy) = ((x / scale) as u64, (y / scale) as u64);
                let bits = (cx.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ cy.wrapping_mul(0xc2b2_ae3d_27d4_eb4f))
                    .wrapping_mul(0xbf58_476d_1ce4_e5b9);
                texture += (bits >> 40) as u16 % 500;
            }
            bytes.extend((5200 + noise as u16 + texture).to_le_bytes());
        }
    }
    bytes
}

fn write_stack(path: &Path, side: usize, sections: usize, pages: &[Vec<u8>]) {
    let mut header = vec![0u8; 1024];
    for (at, value) in
        [(0, side), (4, side), (8, sections), (12, 6), (28, side), (32, side), (36, 1), (64, 1), (68, 2), (72, 3)]
    {
        header[at..at + 4].copy_from_slice(&(value as i32).to_le_bytes());
    }
    for (at, value) in [(40, 6.8 * side as f32), (44, 6.8 * side as f32), (48, 6.8f32)] {
        header[at..at + 4].copy_from_slice(&value.to_le_bytes());
    }
    header[208..216].copy_from_slice(b"MAP DD\0\0");
    let mut out = BufWriter::with_capacity(1 << 20, File::create(path).unwrap());
    out.write_all(&header).unwrap();
    for at in 0..sections {
        out.write_all(&pages[at % pages.len()]).unwrap();
    }
    out.flush().unwrap();
}

fn section(side: usize, page: usize, random: &mut Cheap) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(side * side * 2);
    for y in 0..side {
        for x in 0..side {
            let bits = random.next();
            // A sum of four bytes is nearly Gaussian.
            let noise: u32 = bits.to_le_bytes().iter().map(|&b| u32::from(b)).sum();
            let texture = (((x / 5 + 3 * page) * 7919) ^ ((y / 7) * 104_729)) % 900;
            bytes.extend((5200 + noise as u16 + texture as u16).to_le_bytes());
        }
    }
    bytes
}

/// A sheet and a table for such a stack as a 1 × 3 montage.
pub fn big_series(folder: &Path, side: usize, sections: usize) {
    big_stack(&folder.join("stack.mrc"), side, sections);
    let sheet = format!(
        "stack = \"stack.mrc\"\ntable = \"sections.csv\"\nspecimen = \"resin-section\"\nseries_id = \"big\"\n\
         [instrument]\nkv = 300.0\n[camera]\npixel_nm = 0.68\ncounts_per_electron = 40\n\
         [montage]\ncols = 1\nrows = 3\noverlap_px = [0, {}]\n[targets]\nmean_counts = 6100\n",
        side / 10
    );
    std::fs::write(folder.join("series.toml"), sheet).unwrap();
    big_table(folder, sections);
}

fn big_table(folder: &Path, sections: usize) {
    let mut table = String::from("tilt_deg,tile_row,order,dose_e_per_A2\n");
    let tilts = sections / 3;
    for section in 0..sections {
        let tilt = 120.0 * (section / 3) as f64 / (tilts.max(2) - 1) as f64 - 60.0;
        table.push_str(&format!("{tilt:.3},{},{section},10\n", section % 3));
    }
    std::fs::write(folder.join("sections.csv"), table).unwrap();
}

/// A small series of single sections, different for each seed: a folder with a sheet, an MRC2014 stack and a table.
pub fn small_series(folder: &Path, seed: u64, side: usize, tilts: usize) {
    std::fs::create_dir_all(folder).unwrap();
    small_stack(&folder.join("stack.mrc"), seed, side, tilts);
    let sheet = "stack = \"stack.mrc\"\ntable = \"sections.csv\"\nspecimen = \"resin-section\"\n[instrument]\n\
                 name = \"Microscope 2\"\nkv = 300.0\n[camera]\npixel_nm = 0.68\ncounts_per_electron = 40\n";
    std::fs::write(folder.join("series.toml"), sheet).unwrap();
    std::fs::write(folder.join("sections.csv"), small_table(tilts)).unwrap();
}

/// The stack of such a series.
pub fn small_stack(path: &Path, seed: u64, side: usize, tilts: usize) {
    let mut random = Cheap(seed);
    let pages: Vec<Vec<u8>> = (0..tilts).map(|_| field_section(side, 0, &mut random)).collect();
    write_stack(path, side, tilts, &pages);
}

/// The table of such a series.
pub fn small_table(tilts: usize) -> String {
    let mut table = String::from("tilt_deg,order\n");
    for section in 0..tilts {
        let tilt = 120.0 * section as f64 / (tilts.max(2) - 1) as f64 - 60.0;
        table.push_str(&format!("{tilt:.3},{section}\n"));
    }
    table
}
