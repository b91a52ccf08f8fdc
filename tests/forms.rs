//! Any table that the simulator can write gives the same record, to the last digit, in whichever form it is handed
//! in: CSV, TSV, semicolons, a site's own headings, other row orders, a text log, records of an extended header, a folder of
//! images.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use proptest::prelude::*;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::fs;
use std::path::Path;
use tiltworth::intake::{Request, load};
use tiltworth::judge::Profile;
use tiltworth::simulate::{self, Recipe};

/// A table as text: headings and rows, the first column being the section.
struct Table {
    headings: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Table {
    fn of(path: &Path) -> Self {
        let mut reader = csv::Reader::from_path(path).unwrap();
        let text = |record: &csv::StringRecord| record.iter().map(str::to_owned).collect();
        let headings = text(reader.headers().unwrap());
        Self { headings, rows: reader.records().map(|record| text(&record.unwrap())).collect() }
    }

    fn column(&self, name: &str) -> usize {
        self.headings.iter().position(|heading| heading == name).unwrap()
    }

    fn joined(&self, by: &str) -> String {
        let lines = std::iter::once(&self.headings).chain(&self.rows);
        lines.map(|line| line.join(by) + "\n").collect()
    }
}

/// Writes the series in one form.
type Form<'a> = Box<dyn Fn(&Path) + 'a>;

/// The recipe of a small series.
fn recipe(seed: u64, step_deg: f64, scheme: &str, tiles: usize, kind: &str) -> String {
    let montage =
        if tiles > 1 { format!("[montage]\ncols = 1\nrows = {tiles}\noverlap_px = [0, 16]\n") } else { String::new() };
    format!(
        "seed = {seed}\ntitle = \"form\"\nseries_id = \"form\"\nspecimen = \"{kind}\"\n\
         started_at = \"2031-04-17T08:30:00Z\"\n[instrument]\nname = \"m\"\nkv = 300.0\ncs_mm = 2.7\n\
         amplitude_contrast = 0.2\n[camera]\nwidth_px = 48\nheight_px = 40\npixel_nm = 0.8\nfull_scale_counts = 16383\n\
         counts_per_electron = 40.0\n[tilt]\naxis_deg = 10.0\nmin_deg = -60.0\nmax_deg = 60.0\nstep_deg = {step_deg}\n\
         scheme = \"{scheme}\"\nscatter_deg = 0.02\n[slab]\nthickness_nm = 60.0\nattenuation_length_nm = 160.0\n[beam]\n\
         kind = \"regulated\"\ntarget_mean_counts = 6200.0\nsetup_mean_counts = 9000.0\nexposure_s = 0.9\n\
         seconds_per_tile = 9.0\nseconds_per_tilt = 24.0\n[focus]\nwanted_defocus_um = 3.0\nscatter_um = 0.1\n\
         envelope_nm = 0.8\n[movement]\naxis_offset_um = 0.4\n{montage}[texture]\ngrain = 0.1\nstructure_phase = 0.5\n\
         structure_absorption = 1.0\n[[structure]]\nkind = \"granules\"\nper_um2 = 300.0\nradius_nm = [5.0, 9.0]\n\
         density_per_nm = 0.02\n"
    )
}

/// All of a record that the form must not change.
fn assessed(folder: &Path) -> Value {
    let series = load(&Request { path: folder.to_path_buf(), ..Request::default() }).unwrap();
    let profile = Profile::find(None, series.specimen).unwrap();
    let (record, _) = tiltworth::assess::assess(&series, &profile, &|| (), &|| true).unwrap();
    let mut record = serde_json::to_value(record).unwrap();
    for changing in ["assessed_at", "inputs", "columns", "notes"] {
        record.as_object_mut().unwrap().remove(changing);
    }
    record
}

/// The series as simulated, with its stack as MRC2014 so that headers can be written.
struct Origin {
    sheet: String,
    table: Table,
    sections: Vec<Vec<u16>>,
    size: (usize, usize),
}

impl Origin {
    fn write(&self, folder: &Path, sheet: &str, record_bytes: usize, records: &[Vec<u8>]) {
        fs::write(folder.join("series.toml"), sheet).unwrap();
        fs::write(folder.join("stack.mrc"), mrc(&self.sections, self.size, record_bytes, records)).unwrap();
    }

    /// The sheet with `stack` and the given lines in place of the table, and more at its end.
    fn sheet(&self, table: &str, more: &str) -> String {
        let mut sheet = String::new();
        for line in self.sheet.lines() {
            match line.split('=').next().map(str::trim) {
                Some("stack") => sheet.push_str("stack = \"stack.mrc\"\n"),
                Some("table") => sheet.push_str(table),
                _ => sheet.push_str(&format!("{line}\n")),
            }
        }
        sheet + more
    }
}

fn mrc(sections: &[Vec<u16>], (width, height): (usize, usize), record_bytes: usize, records: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = vec![0u8; 1024];
    let extended = record_bytes * records.len();
    for (at, value) in [
        (0, width),
        (4, height),
        (8, sections.len()),
        (12, 6),
        (28, width),
        (32, height),
        (36, 1),
        (64, 1),
        (68, 2),
        (72, 3),
        (92, extended),
    ] {
        bytes[at..at + 4].copy_from_slice(&(value as i32).to_le_bytes());
    }
    bytes[208..216].copy_from_slice(b"MAP DD\0\0");
    for record in records {
        bytes.extend(record);
    }
    bytes.extend(sections.iter().flatten().flat_map(|count| count.to_le_bytes()));
    bytes
}

fn csv_form(origin: &Origin, folder: &Path, by: &str) {
    fs::write(folder.join("sections.csv"), origin.table.joined(by)).unwrap();
    origin.write(folder, &origin.sheet("table = \"sections.csv\"\n", ""), 0, &[]);
}

fn turned_form(origin: &Origin, folder: &Path, seed: u64) {
    let mut rows = origin.table.rows.clone();
    rows.sort_by_key(|row| (row[0].parse::<u64>().unwrap() + 1).wrapping_mul(seed | 1) % 1009);
    let table = Table { headings: origin.table.headings.clone(), rows };
    fs::write(folder.join("sections.csv"), table.joined(",")).unwrap();
    origin.write(folder, &origin.sheet("table = \"sections.csv\"\n", ""), 0, &[]);
}

fn mapped_form(origin: &Origin, folder: &Path) {
    let own: Vec<String> = origin.table.headings.iter().map(|heading| format!("our {heading}")).collect();
    let lines: String =
        origin.table.headings.iter().map(|h| format!("{h} = {{ from = \"our {h}\", scale = 1.0 }}\n")).collect();
    let table = Table { headings: own, rows: origin.table.rows.clone() };
    fs::write(folder.join("sections.csv"), table.joined(",")).unwrap();
    origin.write(folder, &origin.sheet("table = \"sections.csv\"\n", &format!("[columns]\n{lines}")), 0, &[]);
}

fn log_form(origin: &Origin, folder: &Path) {
    let mut log = String::from("door closed\n\n");
    for row in &origin.table.rows {
        writeln!(log, "--- section {} ---", row[0]).unwrap();
        for (heading, cell) in origin.table.headings.iter().zip(row).skip(1) {
            writeln!(log, "   {heading:<22}> {cell}  ").unwrap();
        }
        log.push_str("vacuum fine\n");
    }
    fs::write(folder.join("night.log"), log).unwrap();
    let patterns = "[log]\nfile = \"night.log\"\nrecord_start = '^--- section (?P<section>\\d+)'\n\
                    field = '^\\s+(?P<key>[^>]+)>(?P<value>.*)$'\n";
    origin.write(folder, &origin.sheet("", patterns), 0, &[]);
}

/// Numbers in the extended header as doubles; times and truth values, which it cannot hold, in the table.
fn header_form(origin: &Origin, folder: &Path) {
    let numbers: Vec<&String> = origin
        .table
        .headings
        .iter()
        .filter(|h| !["section", "acquired_at", "autofocus"].contains(&h.as_str()))
        .collect();
    let fields: Vec<String> = numbers
        .iter()
        .enumerate()
        .map(|(at, column)| format!("{{ column = \"{column}\", at = {}, type = \"f64\" }}", 4 + 8 * at))
        .collect();
    let records: Vec<Vec<u8>> = origin
        .table
        .rows
        .iter()
        .map(|row| {
            let values =
                numbers.iter().map(|name| row[origin.table.column(name)].parse::<f64>().unwrap().to_le_bytes());
            [vec![9u8; 4], values.flatten().collect()].concat()
        })
        .collect();
    let bytes = 4 + 8 * numbers.len();
    let rest = ["section", "acquired_at", "autofocus"];
    let row = |row: &Vec<String>| rest.iter().map(|name| row[origin.table.column(name)].clone()).collect();
    let table = Table {
        headings: rest.iter().map(|&h| h.to_owned()).collect(),
        rows: origin.table.rows.iter().map(row).collect(),
    };
    fs::write(folder.join("sections.csv"), table.joined(",")).unwrap();
    let layout = format!("[section_header]\nbytes_per_section = {bytes}\nfields = [{}]\n", fields.join(", "));
    origin.write(folder, &origin.sheet("table = \"sections.csv\"\n", &layout), bytes, &records);
}

fn folder_form(origin: &Origin, folder: &Path) {
    let mut table = Table { headings: origin.table.headings.clone(), rows: origin.table.rows.clone() };
    table.headings[0] = "file".into();
    fs::create_dir(folder.join("images")).unwrap();
    for row in &mut table.rows {
        let section: usize = row[0].parse().unwrap();
        row[0] = format!("image {section}.mrc");
        let image = mrc(&origin.sections[section..=section], origin.size, 0, &[]);
        fs::write(folder.join("images").join(&row[0]), image).unwrap();
    }
    fs::write(folder.join("sections.csv"), table.joined(",")).unwrap();
    let sheet = origin.sheet("table = \"sections.csv\"\n", "").replace("\"stack.mrc\"", "\"images\"");
    fs::write(folder.join("series.toml"), sheet).unwrap();
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn every_form_gives_the_same_record(
        seed in 0u64..1000,
        step_deg in prop::sample::select(vec![20.0, 30.0, 12.0]),
        scheme in prop::sample::select(vec!["unidirectional", "bidirectional", "dose-symmetric"]),
        tiles in 1usize..4,
        kind in prop::sample::select(vec!["resin-section", "vitrified", "other"]),
    ) {
        let made = tempfile::tempdir().unwrap();
        let recipe = Recipe::from_toml(&recipe(seed, step_deg, scheme, tiles, kind), Path::new("recipe.toml")).unwrap();
        let simulated = simulate::run(&recipe);
        let folder = made.path().join("simulated");
        simulate::write(&recipe, &simulated, &folder, false).unwrap();
        let origin = Origin {
            sheet: fs::read_to_string(folder.join("series.toml")).unwrap(),
            table: Table::of(&folder.join("sections.csv")),
            sections: simulated.sections,
            size: (48, 40),
        };
        let reference = assessed(&folder);
        let mut forms: BTreeMap<&str, Form<'_>> = BTreeMap::new();
        forms.insert("commas", Box::new(|to| csv_form(&origin, to, ",")));
        forms.insert("tabs", Box::new(|to| csv_form(&origin, to, "\t")));
        forms.insert("semicolons", Box::new(|to| csv_form(&origin, to, ";")));
        forms.insert("another row order", Box::new(|to| turned_form(&origin, to, seed)));
        forms.insert("own headings", Box::new(|to| mapped_form(&origin, to)));
        forms.insert("log", Box::new(|to| log_form(&origin, to)));
        forms.insert("section header", Box::new(|to| header_form(&origin, to)));
        forms.insert("folder of images", Box::new(|to| folder_form(&origin, to)));
        for (name, write) in &forms {
            let to = made.path().join(name);
            fs::create_dir(&to).unwrap();
            write(&to);
            prop_assert_eq!(&assessed(&to), &reference, "{}", name);
        }
    }
}
