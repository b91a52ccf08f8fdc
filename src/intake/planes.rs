//! Places and times of OME-XML planes as one more source of columns.

use crate::intake::grid::{Cells, Grid, GridRow, Origin};
use crate::intake::stack::{PlaneFacts, Stack};

/// The planes' columns: those that a plane states; `None` where there are none. Times are taken `with_times` only, and
/// only where every plane has one of its own: dates where the image's own date is given, else the order.
pub fn grid(stack: &dyn Stack, with_times: bool) -> Option<Grid> {
    let planes = stack.planes();
    let mut columns: Vec<(&str, Vec<Option<String>>)> = Vec::new();
    let mut number = |name, of: &dyn Fn(&PlaneFacts) -> Option<f64>| {
        columns.push((name, planes.iter().map(|plane| of(plane).map(|value| value.to_string())).collect()));
    };
    number("stage_x_um", &|plane| plane.stage_um[0]);
    number("stage_y_um", &|plane| plane.stage_um[1]);
    number("stage_z_um", &|plane| plane.stage_um[2]);
    number("exposure_s", &|plane| plane.exposure_s);
    if with_times {
        columns.extend(times(&planes));
    }
    columns.retain(|(_, cells)| cells.iter().any(Option::is_some));
    if columns.is_empty() {
        return None;
    }
    let rows = (0..planes.len()).map(|row| {
        let cells = columns.iter().enumerate().filter_map(|(at, (_, cells))| Some((at, cells[row].clone()?)));
        GridRow { line: 0, cells: Cells::Sparse(cells.collect()) }
    });
    let path = stack.files().into_iter().next().unwrap_or_default();
    let rows = rows.collect();
    Some(Grid {
        origin: Origin::Ome,
        path,
        headings: columns.iter().map(|(name, _)| (*name).to_owned()).collect(),
        rows,
    })
}

fn times(planes: &[PlaneFacts]) -> Option<(&'static str, Vec<Option<String>>)> {
    let after: Option<Vec<f64>> = planes.iter().map(|plane| plane.delta_s).collect();
    let after = after?;
    let mut in_time: Vec<usize> = (0..after.len()).collect();
    in_time.sort_by(|&a, &b| after[a].total_cmp(&after[b]));
    // Writers that do not know the times like to state 0 for all.
    if in_time.windows(2).any(|pair| after[pair[0]] == after[pair[1]]) {
        return None;
    }
    if planes.iter().all(|plane| plane.acquired_at.is_some()) {
        let dates = planes.iter().map(|plane| plane.acquired_at.map(|time| time.to_string()));
        return Some(("acquired_at", dates.collect()));
    }
    let mut order = vec![None; after.len()];
    for (rank, plane) in in_time.into_iter().enumerate() {
        order[plane] = Some(rank.to_string());
    }
    Some(("order", order))
}
