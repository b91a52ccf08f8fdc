//! Cells under headings, as one source gives them: a table, a log, the records of a header.

use crate::intake::error::IntakeError;
use std::path::{Path, PathBuf};

/// Where cells came from; the first that gives a column wins.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Origin {
    /// A table.
    Table,
    /// A plain list of angles.
    Angles,
    /// A site's own text log.
    Log,
    /// Per-section records of a stack's extended header.
    SectionHeader,
    /// Planes of OME-XML.
    Ome,
}

impl Origin {
    /// The word that the record keeps.
    pub fn word(self) -> &'static str {
        match self {
            Self::Table => "table",
            Self::Angles => "angles",
            Self::Log => "log",
            Self::SectionHeader => "section header",
            Self::Ome => "OME-XML",
        }
    }

    /// Whether its headings are a site's own, to be mapped by `[columns]`; else they are ours already.
    pub fn is_mapped(self) -> bool {
        matches!(self, Self::Table | Self::Log)
    }
}

/// One row of cells.
#[derive(Debug, Clone, PartialEq)]
pub struct GridRow {
    /// 1-based line of the file, 0 where there are no lines.
    pub line: u64,
    /// Its cells.
    pub cells: Cells,
}

/// The cells of a row; empty cells are none.
#[derive(Debug, Clone, PartialEq)]
pub enum Cells {
    /// One under each heading.
    Full(csv::StringRecord),
    /// `(heading, text)` of those that are there, the last of equal headings counting.
    Sparse(Vec<(usize, String)>),
}

impl Cells {
    /// The text under a heading.
    pub fn get(&self, heading: usize) -> Option<&str> {
        let text = match self {
            Self::Full(record) => record.get(heading)?,
            Self::Sparse(cells) => cells.iter().rev().find(|(at, _)| *at == heading)?.1.as_str(),
        };
        Some(text.trim()).filter(|text| !text.is_empty())
    }
}

/// All cells of one source.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid {
    /// What it is.
    pub origin: Origin,
    /// The file.
    pub path: PathBuf,
    /// Its headings.
    pub headings: Vec<String>,
    /// Its rows, in file order.
    pub rows: Vec<GridRow>,
}

impl Grid {
    /// The place of a row, for people.
    pub fn at(&self, row: usize) -> String {
        let line = self.rows.get(row).map_or(0, |row| row.line);
        match self.origin {
            Origin::Table => format!("row {}", row + 1),
            Origin::Angles => format!("line {line}"),
            Origin::Log => format!("record {} (from line {line})", row + 1),
            Origin::SectionHeader => format!("header record of section {row}"),
            Origin::Ome => format!("OME-XML, plane of section {row}"),
        }
    }

    /// A fault of one cell.
    pub fn wrong(&self, row: usize, column: &str, fault: impl Into<String>, remedy: &str) -> IntakeError {
        IntakeError::bad(&self.path, format!("{}, column {column}", self.at(row)), fault, remedy)
    }
}

/// The name of a file without its folder, for people.
pub fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned())
}
