//! Which tile each section is, and where its pixel (0,0) lies in the assembled picture.
//!
//! Three ways, the first that the input gives: the table's `tile_col`/`tile_row`; its nominal places
//! `tile_x_px`/`tile_y_px`; the sheet's `[montage]` with the order of its pages. Else the series is no montage.

use crate::intake::error::IntakeError;
use crate::intake::rows::Row;
use crate::intake::sheet::{FirstRow, Montage, PageOrder};
use std::path::Path;

/// Column, row and nominal place of a section.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// 0-based column.
    pub col: usize,
    /// 0-based row; row 0 holds the first stored rows of the assembled picture.
    pub row: usize,
    /// Nominal place of pixel (0,0) in the assembled picture.
    pub x_px: f64,
    /// Nominal place of pixel (0,0) in the assembled picture.
    pub y_px: f64,
}

/// The grid and the place of every row of the table.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    /// Columns of the montage.
    pub cols: usize,
    /// Rows of the montage.
    pub rows: usize,
    /// One place a row of the table.
    pub places: Vec<Place>,
    /// Assumptions made.
    pub notes: Vec<String>,
}

/// Where a wrong row is to be looked for.
pub struct Source<'a> {
    /// The table, or the sheet where there is none.
    pub table: &'a Path,
    /// The sheet.
    pub sheet: &'a Path,
}

/// Lays out the montage; `size_px` is width and height of one section.
///
/// # Errors
/// A tile outside the stated grid, page order missing where it is needed, pages that do not fill whole tilts.
pub fn lay_out(
    rows: &[Row],
    montage: Option<&Montage>,
    size_px: (usize, usize),
    source: &Source<'_>,
) -> Result<Layout, IntakeError> {
    let by_index = rows.iter().any(|row| row.tile_col.is_some() || row.tile_row.is_some());
    let by_place = rows.iter().all(|row| row.tile_x_px.is_some() && row.tile_y_px.is_some());
    let tiles = if by_index {
        rows.iter().map(|row| (row.tile_col.unwrap_or(0), row.tile_row.unwrap_or(0))).collect()
    } else if by_place {
        grid_of_places(rows, size_px)
    } else if let Some(montage) = montage {
        pages_in_order(rows.len(), montage, source)?
    } else {
        vec![(0, 0); rows.len()]
    };
    let (cols, grid_rows) = grid(&tiles, montage, source)?;
    let mut notes = Vec::new();
    let pitch = pitch(montage, size_px, (cols, grid_rows), by_place, &mut notes);
    let mut places: Vec<Place> = tiles
        .iter()
        .zip(rows)
        .map(|(&(col, row), facts)| Place {
            col,
            row,
            x_px: facts.tile_x_px.unwrap_or(col as f64 * pitch.0),
            y_px: facts.tile_y_px.unwrap_or(row as f64 * pitch.1),
        })
        .collect();
    start_at_zero(&mut places);
    Ok(Layout { cols, rows: grid_rows, places, notes })
}

/// Places count from the first tile's corner of the assembled picture, whatever origin the site used.
fn start_at_zero(places: &mut [Place]) {
    let low = |of: fn(&Place) -> f64| places.iter().map(of).fold(f64::INFINITY, f64::min);
    let (x, y) = (low(|p| p.x_px), low(|p| p.y_px));
    for place in places {
        place.x_px -= x;
        place.y_px -= y;
    }
}

fn pitch(
    montage: Option<&Montage>,
    size_px: (usize, usize),
    grid: (usize, usize),
    by_place: bool,
    notes: &mut Vec<String>,
) -> (f64, f64) {
    let overlap = montage.and_then(|m| m.overlap_px);
    if overlap.is_none() && grid != (1, 1) && !by_place {
        notes.push("the overlap of the tiles is not stated (montage.overlap_px): tiles are laid edge to edge".into());
    }
    let [x, y] = overlap.unwrap_or([0.0, 0.0]);
    (size_px.0 as f64 - x, size_px.1 as f64 - y)
}

fn grid(
    tiles: &[(usize, usize)],
    montage: Option<&Montage>,
    source: &Source<'_>,
) -> Result<(usize, usize), IntakeError> {
    let found = tiles.iter().fold((1, 1), |(cols, rows), &(col, row)| (cols.max(col + 1), rows.max(row + 1)));
    let stated = (montage.and_then(|m| m.cols), montage.and_then(|m| m.rows));
    for (at, &(col, row)) in tiles.iter().enumerate() {
        let outside = |stated: Option<usize>, value: usize| stated.filter(|&n| value >= n);
        let wrong = outside(stated.0, col).map(|n| ("tile_col", col, n, "columns"));
        let wrong = wrong.or_else(|| outside(stated.1, row).map(|n| ("tile_row", row, n, "rows")));
        if let Some((column, value, n, what)) = wrong {
            let fault = format!("{value} lies outside the {n} {what} that [montage] states (they count from 0)");
            let remedy = "correct the table or the montage's cols and rows";
            return Err(IntakeError::bad(source.table, format!("row {}, column {column}", at + 1), fault, remedy));
        }
    }
    Ok((stated.0.unwrap_or(found.0), stated.1.unwrap_or(found.1)))
}

/// Columns and rows out of nominal places: places within half a tile are one.
fn grid_of_places(rows: &[Row], size_px: (usize, usize)) -> Vec<(usize, usize)> {
    let x = levels(rows.iter().filter_map(|row| row.tile_x_px), size_px.0 as f64 / 2.0);
    let y = levels(rows.iter().filter_map(|row| row.tile_y_px), size_px.1 as f64 / 2.0);
    let at = |levels: &[f64], value: Option<f64>| {
        value.map_or(0, |value| levels.iter().rposition(|&level| value >= level).unwrap_or(0))
    };
    rows.iter().map(|row| (at(&x, row.tile_x_px), at(&y, row.tile_y_px))).collect()
}

/// The lowest value of each group of values; a step of `apart` or more begins a new group.
fn levels(values: impl Iterator<Item = f64>, apart: f64) -> Vec<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    let mut levels = Vec::new();
    let mut last = f64::NEG_INFINITY;
    for value in values {
        if value - last >= apart {
            levels.push(value);
        }
        last = value;
    }
    levels
}

fn pages_in_order(pages: usize, montage: &Montage, source: &Source<'_>) -> Result<Vec<(usize, usize)>, IntakeError> {
    let (cols, rows) = (montage.cols.unwrap_or(1), montage.rows.unwrap_or(1));
    let tiles = cols.checked_mul(rows).filter(|&tiles| tiles > 0 && tiles <= pages);
    let tiles = tiles.ok_or_else(|| {
        let fault = format!("{cols} columns by {rows} rows do not fit {pages} sections");
        IntakeError::bad(source.sheet, "[montage]", fault, "state cols and rows as they were recorded")
    })?;
    if tiles == 1 {
        return Ok(vec![(0, 0); pages]);
    }
    let order = montage.order.ok_or_else(|| {
        let fault = "nothing says which page is which tile";
        let remedy = "add order = \"rows-first\" or \"columns-first\" (with snake and first), or the columns tile_col and tile_row";
        IntakeError::bad(source.sheet, "[montage]", fault, remedy)
    })?;
    if !pages.is_multiple_of(tiles) {
        let fault = format!("{pages} sections are no whole number of tilts of {tiles} tiles");
        let remedy = "give the columns tile_col and tile_row, or complete the table";
        return Err(IntakeError::bad(source.sheet, "[montage]", fault, remedy));
    }
    Ok((0..pages).map(|page| tile_of_page(page % tiles, (cols, rows), order, montage)).collect())
}

fn tile_of_page(at: usize, grid: (usize, usize), order: PageOrder, montage: &Montage) -> (usize, usize) {
    let along = if order == PageOrder::RowsFirst { grid.0 } else { grid.1 };
    let (line, step) = (at / along, at % along);
    let step = if montage.snake && line % 2 == 1 { along - 1 - step } else { step };
    let (col, row) = if order == PageOrder::RowsFirst { (step, line) } else { (line, step) };
    let row = if montage.first == Some(FirstRow::HighY) { grid.1 - 1 - row } else { row };
    (col, row)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn source() -> Source<'static> {
        Source { table: Path::new("sections.csv"), sheet: Path::new("series.toml") }
    }

    fn tiles(montage: &Montage, pages: usize) -> Vec<(usize, usize)> {
        let rows = vec![Row::default(); pages];
        let layout = lay_out(&rows, Some(montage), (100, 80), &source()).unwrap();
        layout.places.iter().map(|p| (p.col, p.row)).collect()
    }

    fn two_by_two(order: PageOrder, snake: bool, first: FirstRow) -> Montage {
        let overlap_px = Some([10.0, 8.0]);
        Montage { cols: Some(2), rows: Some(2), overlap_px, order: Some(order), snake, first: Some(first) }
    }

    #[test]
    fn pages_walk_the_montage_as_the_sheet_says() {
        use {FirstRow::*, PageOrder::*};
        assert_eq!(tiles(&two_by_two(RowsFirst, false, LowY), 4), [(0, 0), (1, 0), (0, 1), (1, 1)]);
        assert_eq!(tiles(&two_by_two(RowsFirst, true, LowY), 4), [(0, 0), (1, 0), (1, 1), (0, 1)]);
        assert_eq!(tiles(&two_by_two(ColumnsFirst, false, LowY), 4), [(0, 0), (0, 1), (1, 0), (1, 1)]);
        assert_eq!(tiles(&two_by_two(ColumnsFirst, true, HighY), 4), [(0, 1), (0, 0), (1, 0), (1, 1)]);
    }

    #[test]
    fn nominal_places_follow_from_the_overlap() {
        let rows = vec![Row::default(); 4];
        let layout =
            lay_out(&rows, Some(&two_by_two(PageOrder::RowsFirst, false, FirstRow::LowY)), (100, 80), &source())
                .unwrap();
        let last = layout.places[3];
        assert_eq!((last.x_px, last.y_px), (90.0, 72.0));
    }

    #[test]
    fn nominal_places_alone_give_the_grid() {
        let place = |x, y| Row { tile_x_px: Some(x), tile_y_px: Some(y), ..Row::default() };
        let rows = [place(-5.0, 10.0), place(-3.0, 81.0), place(-5.5, 152.0)];
        let layout = lay_out(&rows, None, (100, 80), &source()).unwrap();
        assert_eq!((layout.cols, layout.rows), (1, 3));
        assert_eq!(layout.places[1], Place { col: 0, row: 1, x_px: 2.5, y_px: 71.0 });
    }

    #[test]
    fn a_tile_outside_the_stated_grid_is_named() {
        let rows = [Row { tile_row: Some(3), ..Row::default() }];
        let montage = Montage { cols: Some(1), rows: Some(3), ..Montage::default() };
        let message = lay_out(&rows, Some(&montage), (100, 80), &source()).unwrap_err().to_string();
        assert!(message.starts_with("sections.csv, row 1, column tile_row: 3 lies outside the 3 rows"), "{message}");
    }

    #[test]
    fn page_order_is_asked_for_where_it_is_needed() {
        let montage = Montage { cols: Some(2), rows: Some(1), ..Montage::default() };
        let message = lay_out(&[Row::default(), Row::default()], Some(&montage), (9, 9), &source()).unwrap_err();
        assert!(message.to_string().contains("nothing says which page is which tile"));
    }
}
