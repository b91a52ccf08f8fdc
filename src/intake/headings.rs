//! Which of our columns a site's heading may stand for. Everything but our own names is a guess, and is marked so.

use crate::intake::grid::Grid;
use crate::intake::rows::COLUMNS;

/// A heading of a table and what was made of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Placing {
    /// Its place among the headings.
    pub heading: usize,
    /// Its text.
    pub text: String,
    /// The first cell under it.
    pub first_cell: Option<String>,
    /// The column of ours.
    pub column: Option<&'static str>,
    /// The heading is not our own name.
    pub guessed: bool,
    /// Factor that its unit asks for.
    pub scale: Option<f64>,
    /// Format of its times.
    pub format: Option<&'static str>,
    /// Why the column that its words suggest was not taken.
    pub why_not: Option<String>,
}

impl Placing {
    /// Its line under `[columns]`; `None` for our own name, which needs none.
    pub fn line(&self) -> Option<String> {
        let column = self.column.filter(|_| self.guessed)?;
        let from = toml::Value::String(self.text.clone());
        let value = match (self.scale, self.format) {
            (None, None) => from.to_string(),
            (Some(scale), _) => format!("{{ from = {from}, scale = {scale} }}"),
            (None, Some(format)) => format!("{{ from = {from}, format = \"{format}\" }}"),
        };
        Some(format!("{column} = {value}   # guessed: check it"))
    }
}

/// Places the headings of a table.
pub fn place(grid: &Grid) -> Vec<Placing> {
    let mut placings: Vec<Placing> = Vec::new();
    for (heading, text) in grid.headings.iter().enumerate() {
        let cells: Vec<&str> = grid.rows.iter().filter_map(|row| row.cells.get(heading)).collect();
        let exact = COLUMNS.iter().copied().find(|column| column == text);
        let placing = Placing {
            heading,
            text: text.clone(),
            first_cell: cells.first().map(|cell| (*cell).to_owned()),
            column: exact,
            guessed: false,
            scale: None,
            format: None,
            why_not: None,
        };
        placings.push(placing);
    }
    for at in 0..placings.len() {
        if placings[at].column.is_none() {
            let cells: Vec<&str> = grid.rows.iter().filter_map(|row| row.cells.get(at)).collect();
            guess(&mut placings, at, &cells);
        }
    }
    placings
}

/// Columns that no heading gives.
pub fn missing(placings: &[Placing]) -> Vec<&'static str> {
    let given = |column: &&str| placings.iter().any(|placing| placing.column == Some(*column));
    COLUMNS.iter().copied().filter(|column| !given(column)).collect()
}

fn guess(placings: &mut [Placing], at: usize, cells: &[&str]) {
    let words = words(&placings[at].text);
    let Some(column) = suggested(&words) else { return };
    if let Some(other) = placings.iter().find(|placing| placing.column == Some(column)) {
        placings[at].why_not = Some(format!("like {column}, which \"{}\" gives", other.text));
        return;
    }
    if cells.is_empty() {
        placings[at].why_not = Some(format!("like {column}, but it has no cell"));
        return;
    }
    let fits = match column {
        "acquired_at" => time_format(cells).map(|format| (None, format)),
        "file" => (!cells.iter().all(|cell| number(cell).is_some())).then_some((None, None)),
        "autofocus" => cells.iter().all(|cell| is_truth(cell)).then_some((None, None)),
        "section" | "order" | "tile_col" | "tile_row" => {
            cells.iter().all(|cell| cell.parse::<usize>().is_ok()).then_some((None, None))
        }
        "tilt_deg" => {
            cells.iter().all(|cell| number(cell).is_some_and(|deg| deg.abs() <= 90.0)).then_some((None, None))
        }
        _ => cells.iter().all(|cell| number(cell).is_some()).then(|| (unit_scale(column, &words), None)),
    };
    let placing = &mut placings[at];
    match fits {
        Some((scale, format)) => {
            (placing.column, placing.guessed, placing.scale, placing.format) = (Some(column), true, scale, format);
        }
        None => placing.why_not = Some(format!("like {column}, but its cells cannot be read as that")),
    }
}

fn number(cell: &str) -> Option<f64> {
    cell.parse().ok().filter(|value: &f64| value.is_finite())
}

fn is_truth(cell: &str) -> bool {
    matches!(cell.to_ascii_lowercase().as_str(), "true" | "false" | "yes" | "no" | "0" | "1")
}

/// Lower-case words; digits stay with their letters (`nm2`), and a change from small to capital parts words.
fn words(heading: &str) -> Vec<String> {
    let mut parted = String::new();
    let mut small = false;
    for c in heading.chars() {
        if c.is_uppercase() && small {
            parted.push(' ');
        }
        small = c.is_lowercase();
        parted.extend(c.to_lowercase());
    }
    let parts = parted.split(|c: char| !c.is_alphanumeric() && c != '²');
    parts.filter(|word| !word.is_empty()).map(str::to_owned).collect()
}

/// The column that the words of a heading suggest.
fn suggested(words: &[String]) -> Option<&'static str> {
    let any = |names: &[&str]| words.iter().any(|word| names.contains(&word.as_str()));
    let axis = |x: &'static str, y: &'static str, z: Option<&'static str>| match () {
        () if any(&["x"]) => Some(x),
        () if any(&["y"]) => Some(y),
        () if any(&["z"]) => z,
        () => None,
    };
    if any(&["autofocus", "autofocused", "refocused"]) {
        return Some("autofocus");
    }
    if any(&["dose", "fluence"]) {
        return match () {
            () if any(&["before", "prior", "previous"]) => Some("dose_before_e_per_A2"),
            // Whether such a sum holds its own exposure cannot be told.
            () if any(&["total", "cumulative", "accumulated", "sum"]) => None,
            () => Some("dose_e_per_A2"),
        };
    }
    if any(&["shift"]) {
        return axis("shift_x_um", "shift_y_um", None);
    }
    if any(&["stage", "position"]) {
        return axis("stage_x_um", "stage_y_um", Some("stage_z_um"));
    }
    if any(&["defocus", "focus"]) {
        return match () {
            () if any(&["wanted", "target", "requested", "intended"]) => Some("wanted_defocus_um"),
            () if any(&["applied", "setting"]) => Some("applied_focus_um"),
            () => None,
        };
    }
    if any(&["col", "column"]) {
        return Some("tile_col");
    }
    if any(&["row"]) {
        return Some("tile_row");
    }
    if any(&["exposure", "exposed"]) && !any(&["start", "began", "at", "date", "number", "no"]) {
        return Some("exposure_s");
    }
    if any(&["tilt", "alpha", "angle", "goniometer"]) && !any(&["axis", "beam", "beta"]) {
        return Some("tilt_deg");
    }
    if any(&["time", "clock", "date", "timestamp", "datetime", "acquired", "recorded"]) {
        return Some("acquired_at");
    }
    if any(&["file", "filename", "path"]) {
        return Some("file");
    }
    if any(&["order", "sequence"]) {
        return Some("order");
    }
    any(&["section", "page", "slice"]).then_some("section")
}

/// The factor that a unit in the heading asks for.
fn unit_scale(column: &str, words: &[String]) -> Option<f64> {
    let any = |names: &[&str]| words.iter().any(|word| names.contains(&word.as_str()));
    if column.ends_with("_e_per_A2") {
        return any(&["nm2", "nm²"]).then_some(0.01);
    }
    if column == "exposure_s" {
        return any(&["ms", "msec", "milliseconds"]).then_some(0.001);
    }
    match () {
        () if any(&["nm"]) => Some(0.001),
        () if any(&["mm"]) => Some(1000.0),
        () => None,
    }
}

/// Formats that laboratories write; days come before months, as no month-first date can be told from them for certain.
const FORMATS: [&str; 8] = [
    "%Y-%m-%d %H:%M:%S",
    "%Y-%m-%d %H:%M:%S%.f",
    "%Y/%m/%d %H:%M:%S",
    "%d.%m.%Y %H:%M:%S",
    "%d/%m/%Y %H:%M:%S",
    "%d-%b-%Y %H:%M:%S",
    "%Y%m%d %H%M%S",
    "%s",
];

/// The format in which all cells are times: `Some(None)` for RFC 3339.
fn time_format(cells: &[&str]) -> Option<Option<&'static str>> {
    let rfc3339 =
        |cell: &&str| cell.parse::<jiff::Timestamp>().is_ok() || cell.parse::<jiff::civil::DateTime>().is_ok();
    if cells.iter().all(rfc3339) {
        return Some(None);
    }
    let reads = |format: &str, cell: &str| {
        jiff::fmt::strtime::parse(format, cell)
            .is_ok_and(|time| time.to_timestamp().is_ok() || time.to_datetime().is_ok())
    };
    FORMATS.iter().copied().find(|format| cells.iter().all(|cell| reads(format, cell))).map(Some)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    fn placed(text: &str) -> Vec<Placing> {
        place(&crate::intake::table::parse(Path::new("t.csv"), text).unwrap())
    }

    #[test]
    fn headings_are_guessed_with_their_units() {
        let lines: Vec<Option<String>> = placed(
            "alpha (deg),clock,Dose e/nm2,ImageShift X [nm],operator,exposure (ms),section\n\
             -60,17/04/2031 09:30:00,250,12,me,900,0\n",
        )
        .iter()
        .map(Placing::line)
        .collect();
        let guessed = "   # guessed: check it";
        let expected = [
            Some(format!("tilt_deg = \"alpha (deg)\"{guessed}")),
            Some(format!("acquired_at = {{ from = \"clock\", format = \"%d/%m/%Y %H:%M:%S\" }}{guessed}")),
            Some(format!("dose_e_per_A2 = {{ from = \"Dose e/nm2\", scale = 0.01 }}{guessed}")),
            Some(format!("shift_x_um = {{ from = \"ImageShift X [nm]\", scale = 0.001 }}{guessed}")),
            None,
            Some(format!("exposure_s = {{ from = \"exposure (ms)\", scale = 0.001 }}{guessed}")),
            None,
        ];
        assert_eq!(lines, expected);
    }

    #[test]
    fn what_does_not_fit_is_not_placed_and_says_why() {
        let placings = placed("tilt_deg,angle,dose total,time\n1,2,3,noon\n");
        assert_eq!((placings[0].column, placings[0].guessed), (Some("tilt_deg"), false));
        assert_eq!(placings[1].why_not.as_deref(), Some("like tilt_deg, which \"tilt_deg\" gives"));
        assert_eq!((placings[2].column, placings[2].why_not.as_deref()), (None, None));
        assert_eq!(placings[3].why_not.as_deref(), Some("like acquired_at, but its cells cannot be read as that"));
        assert!(missing(&placings).contains(&"acquired_at") && !missing(&placings).contains(&"tilt_deg"));
    }
}
