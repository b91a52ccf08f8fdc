//! The order of acquisition: from times, from the `order` column, or from the rows where nothing else is known.

use crate::intake::error::IntakeError;
use crate::intake::rows::Row;
use std::path::Path;

/// Where the order of acquisition came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OrderSource {
    /// Times of exposure.
    AcquiredAt,
    /// The `order` column.
    Order,
    /// The rows, whose angles do not simply rise or fall and so are no sorted list.
    RowOrder,
    /// The rows, on the user's word (`--rows-are-in-order`).
    Stated,
    /// The rows, for want of anything better: a list sorted by angle looks the same.
    Assumed,
}

impl OrderSource {
    /// The word that the record keeps.
    pub fn word(self) -> &'static str {
        match self {
            Self::AcquiredAt => "acquired_at",
            Self::Order => "order",
            Self::RowOrder => "row-order",
            Self::Stated => "stated",
            Self::Assumed => "assumed",
        }
    }

    /// Whether figures may hang on the order.
    pub fn is_known(self) -> bool {
        self != Self::Assumed
    }
}

/// The rank in time of each row, and where it came from.
///
/// # Errors
/// An order that names one place twice, or that contradicts the times.
pub fn ranks(
    rows: &[Row],
    rows_are_in_order: bool,
    path: &Path,
    notes: &mut Vec<String>,
) -> Result<(Vec<usize>, OrderSource), IntakeError> {
    let orders = complete(rows, "order", |row| row.order, notes);
    let times = complete(rows, "acquired_at", |row| row.acquired_at, notes);
    if let Some(orders) = &orders {
        no_place_twice(orders, path)?;
    }
    let by = |key: &dyn Fn(usize) -> (i128, usize, usize)| {
        let mut rows_in_time: Vec<usize> = (0..rows.len()).collect();
        rows_in_time.sort_by_key(|&row| key(row));
        rows_in_time
    };
    let order_of = |row: usize| orders.as_ref().map_or(row, |orders| orders[row]);
    let (in_time, source) = if let Some(times) = &times {
        if let Some(orders) = &orders {
            no_contradiction(orders, times, path)?;
        }
        (by(&|row| (times[row].as_nanosecond(), order_of(row), row)), OrderSource::AcquiredAt)
    } else if orders.is_some() {
        (by(&|row| (0, order_of(row), row)), OrderSource::Order)
    } else if !simply_rises_or_falls(rows) {
        ((0..rows.len()).collect(), OrderSource::RowOrder)
    } else {
        let source = if rows_are_in_order { OrderSource::Stated } else { OrderSource::Assumed };
        ((0..rows.len()).collect(), source)
    };
    let mut ranks = vec![0; rows.len()];
    for (rank, row) in in_time.into_iter().enumerate() {
        ranks[row] = rank;
    }
    Ok((ranks, source))
}

fn complete<T>(
    rows: &[Row],
    column: &str,
    cell: impl Fn(&Row) -> Option<T>,
    notes: &mut Vec<String>,
) -> Option<Vec<T>> {
    let cells: Vec<Option<T>> = rows.iter().map(cell).collect();
    let filled = cells.iter().filter(|cell| cell.is_some()).count();
    if filled > 0 && filled < rows.len() {
        notes.push(format!("{column} stands in {filled} of {} rows only and was not used for the order", rows.len()));
    }
    cells.into_iter().collect()
}

fn no_place_twice(orders: &[usize], path: &Path) -> Result<(), IntakeError> {
    let mut seen = std::collections::HashMap::new();
    for (row, order) in orders.iter().enumerate() {
        if let Some(first) = seen.insert(order, row) {
            let fault = format!("{order} stands in row {} already", first + 1);
            let remedy = "number the sections in the order in which they were recorded";
            return Err(IntakeError::bad(path, format!("row {}, column order", row + 1), fault, remedy));
        }
    }
    Ok(())
}

fn no_contradiction(orders: &[usize], times: &[jiff::Timestamp], path: &Path) -> Result<(), IntakeError> {
    let mut rows: Vec<usize> = (0..orders.len()).collect();
    rows.sort_by_key(|&row| orders[row]);
    let wrong = rows.windows(2).find(|pair| times[pair[0]] > times[pair[1]]);
    let Some(pair) = wrong else { return Ok(()) };
    let fault = format!(
        "order {} was recorded at {}, before order {} at {}",
        orders[pair[1]], times[pair[1]], orders[pair[0]], times[pair[0]]
    );
    let remedy = "correct the column order or acquired_at, or leave one of them out";
    Err(IntakeError::bad(path, format!("row {}, column order", pair[1] + 1), fault, remedy))
}

/// Whether the angles only rise or only fall; read-back jitter within a tilt (0.1°) is no turn.
fn simply_rises_or_falls(rows: &[Row]) -> bool {
    const JITTER_DEG: f64 = 0.1;
    let steps = rows.windows(2).map(|pair| pair[1].tilt_deg - pair[0].tilt_deg);
    let (rises, falls) =
        steps.fold((false, false), |(rises, falls), step| (rises || step > JITTER_DEG, falls || step < -JITTER_DEG));
    !(rises && falls)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(cells: &[(f64, Option<usize>, Option<&str>)]) -> Vec<Row> {
        let row = |&(tilt_deg, order, time): &(f64, Option<usize>, Option<&str>)| Row {
            tilt_deg,
            order,
            acquired_at: time.map(|time| format!("2031-01-01T{time}Z").parse().unwrap()),
            ..Row::default()
        };
        cells.iter().map(row).collect()
    }

    fn run(cells: &[(f64, Option<usize>, Option<&str>)]) -> Result<(Vec<usize>, OrderSource), String> {
        ranks(&rows(cells), false, Path::new("t.csv"), &mut Vec::new()).map_err(|error| error.to_string())
    }

    #[test]
    fn times_win_then_order_then_rows() {
        let timed = [(0.0, None, Some("10:02:00")), (3.0, None, Some("10:01:00"))];
        assert_eq!(run(&timed), Ok((vec![1, 0], OrderSource::AcquiredAt)));
        assert_eq!(run(&[(0.0, Some(7), None), (3.0, Some(2), None)]), Ok((vec![1, 0], OrderSource::Order)));
        assert_eq!(run(&[(0.0, None, None), (3.0, None, None), (-3.0, None, None)]).unwrap().1, OrderSource::RowOrder);
        assert_eq!(run(&[(-3.0, None, None), (0.0, None, None), (-0.05, None, None)]).unwrap().1, OrderSource::Assumed);
    }

    #[test]
    fn an_order_that_contradicts_the_clock_stops_the_run() {
        let message = run(&[(0.0, Some(0), Some("10:02:00")), (3.0, Some(1), Some("10:01:00"))]).unwrap_err();
        assert!(
            message.starts_with("t.csv, row 2, column order: order 1 was recorded at 2031-01-01T10:01:00Z"),
            "{message}"
        );
        let message = run(&[(0.0, Some(4), None), (3.0, Some(4), None)]).unwrap_err();
        assert!(message.starts_with("t.csv, row 2, column order: 4 stands in row 1 already"), "{message}");
    }
}
