//! Which row of the table belongs to which page of the stack.

use crate::intake::error::IntakeError;
use crate::intake::rows::Row;
use crate::intake::stack::Stack;
use std::collections::{BTreeSet, HashMap};
use std::path::Path;

/// Pairs rows with pages. What does not fit stops the run, or with `partial` is left out with a note. A page that is
/// damaged amid sound ones is kept, to be told when it is read; one at the end of a stack was cut off with it.
///
/// # Errors
/// A section named twice or not there; rows and pages that do not match; a stack that was cut short.
pub fn pair(
    rows: Vec<Row>,
    stack: &dyn Stack,
    table: &Path,
    partial: bool,
    notes: &mut Vec<String>,
) -> Result<(Vec<Row>, Vec<usize>), IntakeError> {
    let pages = stack.sections();
    let (cut_off, error) = cut_off(stack);
    if let (false, Some(mut error)) = (partial, error) {
        error.remedy.push_str("; or assess what is there with --partial");
        return Err(error);
    }
    let mut kept = numbered(rows, table)?;
    let total = kept.len();
    let highest = kept.iter().map(|(_, page)| *page).max().unwrap_or(0);
    if !partial && (total != pages || highest >= pages) {
        return Err(mismatch(table, total, pages, highest));
    }
    kept.retain(|(_, page)| *page < pages && !cut_off.contains(page));
    if kept.is_empty() {
        let fault = "no section of the table is in the stack";
        return Err(IntakeError::bad(table, "", fault, "check that they belong together"));
    }
    if partial && (kept.len() != total || total != pages) {
        let kept = kept.len();
        notes.push(format!(
            "a part of the series is assessed: {total} rows, {pages} sections in the stack, {kept} used"
        ));
    }
    Ok(kept.into_iter().unzip())
}

/// Pages at the end of a one-file stack that are damaged without a sound one after them, and the first one's error.
fn cut_off(stack: &dyn Stack) -> (BTreeSet<usize>, Option<IntakeError>) {
    let damaged: HashMap<usize, IntakeError> = stack.damaged().into_iter().collect();
    if stack.files().len() != 1 {
        return (BTreeSet::new(), None);
    }
    let pages: BTreeSet<usize> = (0..stack.sections()).rev().take_while(|page| damaged.contains_key(page)).collect();
    let error = pages.first().and_then(|page| damaged.get(page)).cloned();
    (pages, error)
}

/// Each row with its page: by number where the rows are numbered, else by position.
fn numbered(rows: Vec<Row>, table: &Path) -> Result<Vec<(Row, usize)>, IntakeError> {
    let numbered = rows.iter().any(|row| row.section.is_some());
    let mut named = HashMap::new();
    let mut kept = Vec::new();
    for (at, row) in rows.into_iter().enumerate() {
        let wrong = |fault: String, remedy: &str| {
            Err(IntakeError::bad(table, format!("row {}, column section", at + 1), fault, remedy))
        };
        let page = match (numbered, row.section) {
            (true, None) => return wrong("the cell is empty".into(), "number every section, or leave the column out"),
            (true, Some(page)) => page,
            (false, _) => at,
        };
        if let Some(first) = named.insert(page, at) {
            return wrong(format!("{page} is named in row {} already", first + 1), "name each section once");
        }
        kept.push((row, page));
    }
    Ok(kept)
}

fn mismatch(table: &Path, total: usize, pages: usize, highest: usize) -> IntakeError {
    let fault = if total == pages {
        format!("section {highest} is named, but the stack's sections end at {}", pages.saturating_sub(1))
    } else {
        format!("the table has {total} rows, but the stack has {pages} sections")
    };
    let remedy = "hand in the table that belongs to this stack, or assess what is there with --partial";
    IntakeError::bad(table, "", fault, remedy)
}
