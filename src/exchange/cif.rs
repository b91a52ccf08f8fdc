//! Facts of a record as items of the wwPDB's PDBx/mmCIF dictionary (EM extension), for a deposition.
//!
//! Only items that exist in the dictionary are written, each in the dictionary's unit; what the record does not know is
//! left out, or `?` where the dictionary makes the item mandatory. The electron dose is written as
//! `_em_image_recording.avg_electron_dose_per_image`; the item of `_em_imaging` for it is deprecated.

use crate::record::Record;
use std::fmt::Write;

/// An item and its value.
type Item = (&'static str, String);

/// The CIF text of a record.
pub fn text(record: &Record) -> String {
    let mut out = format!("data_{}\n", block_name(&record.series.series_id));
    for category in [tomography(record), imaging(record), recording(record)] {
        out.push_str("#\n");
        let width = category.iter().map(|(name, _)| name.len()).max().unwrap_or(0) + 3;
        for (name, value) in category {
            // A text field brings its own line break.
            let gap = if value.starts_with('\n') { String::new() } else { " ".repeat(width - name.len()) };
            let _ = writeln!(out, "{name}{gap}{value}");
        }
    }
    out.push_str("#\n");
    out
}

fn tomography(record: &Record) -> Vec<Item> {
    let coverage = &record.measures.coverage;
    let mut items = vec![("_em_tomography.id", "1".into()), ("_em_tomography.imaging_id", "1".into())];
    items.push(("_em_tomography.axis1_min_angle", number(coverage.min_deg, 2)));
    items.push(("_em_tomography.axis1_max_angle", number(coverage.max_deg, 2)));
    let step = coverage.step_deg.map_or("?".into(), |step| number(step, 2));
    items.push(("_em_tomography.axis1_angle_increment", step));
    items
}

fn imaging(record: &Record) -> Vec<Item> {
    let (series, focus, coverage) = (&record.series, &record.measures.focus, &record.measures.coverage);
    let mut items = vec![("_em_imaging.id", "1".into()), ("_em_imaging.entry_id", quoted(&series.series_id))];
    // The model comes from the dictionary's own list; the name that a site gives its microscope does not.
    items.push(("_em_imaging.microscope_model", "?".into()));
    // An integer by the dictionary.
    items.push(("_em_imaging.accelerating_voltage", series.kv.map_or("?".into(), |kv| format!("{:.0}", kv.round()))));
    items.extend(focus.cs_mm.map(|cs| ("_em_imaging.nominal_cs", number(cs, 3))));
    let wanted: Vec<f64> = focus.wanted_um_by_tilt.iter().flatten().copied().chain(focus.wanted_um).collect();
    if let Some([low, high]) = ends(&wanted) {
        items.push(("_em_imaging.nominal_defocus_min", nanometres(low)));
        items.push(("_em_imaging.nominal_defocus_max", nanometres(high)));
    }
    let kept = record.tilts.iter().filter(|tilt| !tilt.exclude);
    let found: Vec<f64> = kept.filter_map(|tilt| tilt.focus.as_ref()?.defocus_um).collect();
    if let Some([low, high]) = ends(&found) {
        items.push(("_em_imaging.calibrated_defocus_min", nanometres(low)));
        items.push(("_em_imaging.calibrated_defocus_max", nanometres(high)));
    }
    items.push(("_em_imaging.tilt_angle_min", number(coverage.min_deg, 2)));
    items.push(("_em_imaging.tilt_angle_max", number(coverage.max_deg, 2)));
    items
}

fn recording(record: &Record) -> Vec<Item> {
    let doses: Vec<f64> = record.tilts.iter().filter_map(|tilt| tilt.dose.this_e_per_A2).collect();
    // A mean over some of the tilts would be another figure.
    let whole = doses.len() == record.tilts.len() && !doses.is_empty();
    let mean = doses.iter().sum::<f64>() / doses.len().max(1) as f64;
    vec![
        ("_em_image_recording.id", "1".into()),
        ("_em_image_recording.imaging_id", "1".into()),
        ("_em_image_recording.avg_electron_dose_per_image", if whole { number(mean, 3) } else { "?".into() }),
        ("_em_image_recording.num_real_images", record.series.sections.to_string()),
    ]
}

fn ends(values: &[f64]) -> Option<[f64; 2]> {
    let low = values.iter().copied().reduce(f64::min)?;
    Some([low, values.iter().copied().reduce(f64::max)?])
}

/// Defocus is in nanometres in the dictionary, underfocus positive.
fn nanometres(um: f64) -> String {
    number(1000.0 * um, 0)
}

fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    if text == "-0" { "0".into() } else { text.into() }
}

/// A data block's name: printing characters without blanks.
fn block_name(id: &str) -> String {
    let name: String = id.chars().map(|c| if c.is_ascii_graphic() { c } else { '_' }).collect();
    if name.is_empty() { "series".into() } else { name }
}

/// A text as a CIF value (Hall, Allen & Brown 1991; the 1.1 syntax): bare where it may be, else in quotes that it does not
/// end itself, else as a text field. Characters that CIF 1.1 does not know become `?`.
pub fn quoted(text: &str) -> String {
    let text: String =
        text.chars().map(|c| if c.is_ascii_graphic() || matches!(c, ' ' | '\t' | '\n') { c } else { '?' }).collect();
    if is_bare(&text) {
        return text;
    }
    if !text.contains('\n') {
        // A quote ends a value only where a blank follows.
        let ends_itself = |quote: char| text.contains(&format!("{quote} ")) || text.contains(&format!("{quote}\t"));
        for quote in ['\'', '"'] {
            if !ends_itself(quote) {
                return format!("{quote}{text}{quote}");
            }
        }
    }
    // Within a text field no line may begin with a semicolon.
    format!("\n;{}\n;", text.replace("\n;", "\n ;"))
}

fn is_bare(text: &str) -> bool {
    let lower = text.to_ascii_lowercase();
    let reserved = ["data_", "save_"].iter().any(|word| lower.starts_with(word))
        || ["loop_", "stop_", "global_", "?", "."].contains(&lower.as_str());
    !text.is_empty()
        && !reserved
        && !text.starts_with(['_', '#', '$', '\'', '"', '[', ']', ';'])
        && text.chars().all(|c| c.is_ascii_graphic())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_quoted_where_they_must_be() {
        for (text, written) in [
            ("kelp-03", "kelp-03"),
            ("", "''"),
            ("?", "'?'"),
            ("data_x", "'data_x'"),
            ("LOOP_", "'LOOP_'"),
            ("_x", "'_x'"),
            ("two words", "'two words'"),
            ("a dog's life", "'a dog's life'"),
            ("a dogs' life", "\"a dogs' life\""),
            ("both' \"of\" them", "\n;both' \"of\" them\n;"),
            ("two\nlines", "\n;two\nlines\n;"),
            ("two\n;lines", "\n;two\n ;lines\n;"),
            ("é", "?"),
        ] {
            let expected = if written == "?" { "'?'" } else { written };
            assert_eq!(quoted(text), expected, "{text}");
        }
    }

    #[test]
    fn numbers_are_short() {
        assert_eq!((number(3.0, 2), number(-60.5, 2), number(-0.001, 2)), ("3".into(), "-60.5".into(), "0".into()));
        assert_eq!((nanometres(3.02), number(300.0, 0)), ("3020".into(), "300".into()));
    }
}
