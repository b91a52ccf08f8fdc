//! Sections to tilts: angles within 0.1° and within a fifth of the step are one tilt; where a tile's place comes
//! again at that angle, a repeat begins.

use crate::intake::error::IntakeError;
use crate::intake::montage::Place;
use std::path::Path;

/// All sections recorded at one goniometer angle.
#[derive(Debug, Clone, PartialEq)]
pub struct TiltGroup {
    /// Mean angle of the sections.
    pub tilt_deg: f64,
    /// 0-based order of acquisition among the tilts.
    pub order: usize,
    /// Indices of its rows, by montage row, then column.
    pub rows: Vec<usize>,
}

const SAME_TILT_DEG: f64 = 0.1;
const SAME_TILT_SHARE_OF_STEP: f64 = 0.2;

/// Groups rows into tilts, by ascending angle; a repeated angle by order.
///
/// # Errors
/// Two places of one tilt that are nearer than half a tile.
pub fn group(
    angles_deg: &[f64],
    places: &[Place],
    ranks: &[usize],
    size_px: (usize, usize),
    table: &Path,
) -> Result<Vec<TiltGroup>, IntakeError> {
    let mut tilts = Vec::new();
    for cluster in clusters(angles_deg) {
        for rows in repeats(cluster, places, ranks) {
            apart(&rows, places, size_px, table)?;
            let tilt_deg = rows.iter().map(|&row| angles_deg[row]).sum::<f64>() / rows.len() as f64;
            tilts.push(TiltGroup { tilt_deg, order: 0, rows });
        }
    }
    number_in_time(&mut tilts, ranks);
    Ok(tilts)
}

fn number_in_time(tilts: &mut [TiltGroup], ranks: &[usize]) {
    let first = |tilt: &TiltGroup| tilt.rows.iter().map(|&row| ranks[row]).min().unwrap_or(0);
    let mut in_time: Vec<usize> = (0..tilts.len()).collect();
    in_time.sort_by_key(|&tilt| first(&tilts[tilt]));
    for (order, tilt) in in_time.into_iter().enumerate() {
        tilts[tilt].order = order;
    }
}

/// Rows of one angle each, by ascending angle.
fn clusters(angles_deg: &[f64]) -> Vec<Vec<usize>> {
    let mut rows: Vec<usize> = (0..angles_deg.len()).collect();
    rows.sort_by(|&a, &b| angles_deg[a].total_cmp(&angles_deg[b]));
    let tolerance = SAME_TILT_DEG.min(SAME_TILT_SHARE_OF_STEP * step(angles_deg, &rows));
    let mut clusters: Vec<Vec<usize>> = Vec::new();
    for row in rows {
        match clusters.last_mut() {
            // The lowest angle of the cluster is its measure: a slow creep of angles must not chain into one tilt.
            Some(cluster) if angles_deg[row] - angles_deg[cluster[0]] <= tolerance + 1e-9 => cluster.push(row),
            _ => clusters.push(vec![row]),
        }
    }
    clusters
}

/// Median step between angles that are certainly different; infinite where there is one angle.
fn step(angles_deg: &[f64], sorted: &[usize]) -> f64 {
    let gaps = sorted.windows(2).map(|pair| angles_deg[pair[1]] - angles_deg[pair[0]]);
    let all: Vec<f64> = gaps.filter(|&gap| gap > 1e-6).collect();
    // Steps finer than the jitter of a read-back exist only where no gap is wider.
    let mut wide: Vec<f64> = all.iter().copied().filter(|&gap| gap > SAME_TILT_DEG).collect();
    if wide.is_empty() {
        wide = all;
    }
    wide.sort_by(f64::total_cmp);
    wide.get(wide.len() / 2).copied().unwrap_or(f64::INFINITY)
}

/// Parts one angle's rows, in order of acquisition, wherever a tile's place comes again.
fn repeats(mut rows: Vec<usize>, places: &[Place], ranks: &[usize]) -> Vec<Vec<usize>> {
    rows.sort_by_key(|&row| ranks[row]);
    let tile = |row: usize| (places[row].row, places[row].col);
    let mut entries: Vec<Vec<usize>> = Vec::new();
    for row in rows {
        match entries.last_mut() {
            Some(entry) if entry.iter().all(|&other| tile(other) != tile(row)) => entry.push(row),
            _ => entries.push(vec![row]),
        }
    }
    for entry in &mut entries {
        entry.sort_by_key(|&row| tile(row));
    }
    entries
}

fn apart(rows: &[usize], places: &[Place], size_px: (usize, usize), table: &Path) -> Result<(), IntakeError> {
    for (at, &a) in rows.iter().enumerate() {
        for &b in &rows[..at] {
            let (dx, dy) = ((places[a].x_px - places[b].x_px).abs(), (places[a].y_px - places[b].y_px).abs());
            if dx < size_px.0 as f64 / 2.0 && dy < size_px.1 as f64 / 2.0 {
                let fault =
                    format!("its tile lies {dx} px, {dy} px from that of row {}, nearer than half a tile", b + 1);
                let remedy = "correct the places, the tile columns and rows, or the overlap";
                return Err(IntakeError::bad(table, format!("row {}", a + 1), fault, remedy));
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(col: usize) -> Place {
        Place { col, row: 0, x_px: 90.0 * col as f64, y_px: 0.0 }
    }

    fn groups(angles: &[f64], cols: &[usize]) -> Vec<TiltGroup> {
        let places: Vec<Place> = cols.iter().map(|&col| place(col)).collect();
        let ranks: Vec<usize> = (0..angles.len()).collect();
        group(angles, &places, &ranks, (100, 100), Path::new("t.csv")).unwrap()
    }

    #[test]
    fn read_back_jitter_makes_no_second_tilt() {
        let tilts = groups(&[2.04, 1.98, 0.01, -0.03], &[0, 1, 0, 1]);
        assert_eq!(tilts.len(), 2);
        assert_eq!((tilts[0].rows.clone(), tilts[0].order), (vec![2, 3], 1));
        assert!((tilts[1].tilt_deg - 2.01).abs() < 1e-12);
    }

    #[test]
    fn a_fine_step_is_not_swallowed() {
        let angles: Vec<f64> = (0..10).map(|i| f64::from(i) * 0.08).collect();
        assert_eq!(groups(&angles, &[0; 10]).len(), 10);
    }

    #[test]
    fn a_place_that_comes_again_begins_a_repeat() {
        let tilts = groups(&[0.0, 0.0, 3.0, 3.0, 0.0, 0.0], &[0, 1, 0, 1, 0, 1]);
        let orders: Vec<usize> = tilts.iter().map(|tilt| tilt.order).collect();
        assert_eq!(orders, [0, 2, 1]);
        assert_eq!(tilts[1].rows, [4, 5]);
    }

    #[test]
    fn tiles_on_top_of_each_other_stop_the_run() {
        let places = [place(0), Place { x_px: 20.0, ..place(1) }];
        let message = group(&[0.0, 0.0], &places, &[0, 1], (100, 100), Path::new("t.csv")).unwrap_err().to_string();
        assert!(message.starts_with("t.csv, row 2: its tile lies 20 px, 0 px from that of row 1"), "{message}");
    }
}
