//! `tiltworth assess A B --pair`: two series of one specimen about two axes, each assessed, and one page for both.

use crate::assess::{AssessError, Assessed, Zero};
use crate::cli::assess::{self, AssessArgs, Failure};
use crate::intake::Series;
use crate::judge::{self, Profile};
use crate::measure::pair::{self, Side, field::View};
use crate::record::output::{self, SeriesResult};
use crate::record::pair::{PAIR_VERSION, PairRecord, PairSide};
use crate::record::{Answer, Record, Tool};
use crate::report;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Facts of the two series that must go together may differ by this share.
const SAME: f64 = 0.01;

/// Two series that are no pair.
#[derive(Debug, thiserror::Error)]
pub enum PairError {
    /// One fact is not the same.
    #[error("{what} of the two series differ ({a} and {b}): they are no pair; assess them without --pair")]
    Differ {
        /// What.
        what: &'static str,
        /// In the first.
        a: String,
        /// In the second.
        b: String,
    },
    /// One name for both.
    #[error("both series are called {0}: state another series_id in one of the sheets")]
    SameId(String),
}

/// A pair, assessed.
pub struct Paired {
    /// The pair.
    pub pair: PairRecord,
    /// The record of each series.
    pub records: [Record; 2],
    /// Where it was written.
    pub folder: PathBuf,
}

/// Assesses both series and writes all, or nothing.
///
/// # Errors
/// As for one series; the two are no pair.
pub fn run(args: &AssessArgs, paths: [&Path; 2], go_on: &(dyn Fn() -> bool + Sync)) -> Result<Paired, Failure> {
    let mut notes = Vec::new();
    let (series, profiles) = two(args, paths, &mut notes)?;
    let [a, b] = &series;
    go_together(a, b, &mut notes)?;
    let folder =
        args.out.clone().unwrap_or_else(|| PathBuf::from(format!("{}-and-{}-quality", a.series_id, b.series_id)));
    output::check_pair(&folder, args.force)?;
    let mut first = assess::assessed(args, a, &profiles[0], go_on)?;
    let mut second = assess::assessed(args, b, &profiles[1], go_on)?;
    let pages = [page(args, &first)?, page(args, &second)?];
    let zeros = [first.zero.take(), second.zero.take()];
    let views = [(a, &zeros[0]), (b, &zeros[1])].map(|(series, zero)| zero.as_ref().map(|zero| view(series, zero)));
    let [view_a, view_b] = views;
    let sides = [
        Side { record: &first.record, view: view_a, offset_counts: a.offset_counts() },
        Side { record: &second.record, view: view_b, offset_counts: b.offset_counts() },
    ];
    let (measures, more) = pair::measure(&sides[0], &sides[1]);
    notes.extend(more);
    let pair = PairRecord {
        pair_version: PAIR_VERSION,
        tool: Tool { name: env!("CARGO_PKG_NAME").into(), version: env!("CARGO_PKG_VERSION").into() },
        assessed_at: first.record.assessed_at.clone(),
        a: told(&sides[0]),
        b: told(&sides[1]),
        notes,
        verdict: judge::pair::reach(&first.record, &second.record, &measures, &profiles[0]),
        measures,
    };
    let drawn = [&first, &second].map(|one| report::pair::Side { record: &one.record, evidence: &one.evidence });
    let whole = report::render_pair(&pair, [&drawn[0], &drawn[1]], args.templates.as_deref())?;
    if !go_on() {
        return Err(AssessError::Stopped.into());
    }
    let results = [(&first, &pages[0]), (&second, &pages[1])].map(|(one, page)| SeriesResult {
        record: &one.record,
        evidence: &one.evidence,
        page,
    });
    output::write_pair(&folder, &pair, &whole, &results, args.force)?;
    Ok(Paired { pair, records: [first.record, second.record], folder })
}

fn page(args: &AssessArgs, one: &Assessed) -> Result<String, Failure> {
    Ok(report::render(&one.record, &one.evidence, args.templates.as_deref())?)
}

/// The two series, a first: by `axis_name` where the sheets tell them apart, else as they were given.
fn two(args: &AssessArgs, paths: [&Path; 2], notes: &mut Vec<String>) -> Result<([Series; 2], [Profile; 2]), Failure> {
    let (first, of_first) = assess::loaded(args, paths[0])?;
    let (second, of_second) = assess::loaded(args, paths[1])?;
    let name = |series: &Series| series.sheet.axis_name.as_ref().map(|name| name.trim().to_lowercase());
    let (one, other) = (name(&first), name(&second));
    let is = |name: &Option<String>, letter: &str| name.as_deref() == Some(letter);
    if one.is_some() && one == other {
        notes.push(format!(
            "both sheets state axis_name = \"{}\": the order in which they were given counts",
            one.unwrap_or_default()
        ));
    } else if is(&one, "b") || is(&other, "a") {
        return Ok(([second, first], [of_second, of_first]));
    }
    Ok(([first, second], [of_first, of_second]))
}

/// Whether the two can be a pair: same voltage and pixel size, different names.
fn go_together(a: &Series, b: &Series, notes: &mut Vec<String>) -> Result<(), PairError> {
    let differ = |a: f64, b: f64| (a / b - 1.0).abs() > SAME;
    let facts = [
        ("the voltages", "kV", a.sheet.instrument.kv, b.sheet.instrument.kv),
        ("the pixel sizes", "nm", a.pixel_nm, b.pixel_nm),
    ];
    for (what, unit, of_a, of_b) in facts {
        match of_a.zip(of_b) {
            Some((a, b)) if differ(a, b) => {
                return Err(PairError::Differ { what, a: format!("{a} {unit}"), b: format!("{b} {unit}") });
            }
            Some(_) => {}
            None => notes.push(format!("{what} are not both stated: they are taken to be the same")),
        }
    }
    if a.specimen != b.specimen {
        notes.push("the sheets state different kinds of specimen: the limits for the pair are those of a".into());
    }
    if a.series_id == b.series_id {
        return Err(PairError::SameId(a.series_id.clone()));
    }
    Ok(())
}

fn view(series: &Series, zero: &Zero) -> View {
    let tilt_deg = series.tilts.get(zero.tilt).map_or(0.0, |tilt| tilt.tilt_deg);
    View {
        tilt: zero.tilt,
        tilt_deg,
        picture: zero.picture.image(),
        pixel_px: zero.pixel_px,
        pixel_nm: series.pixel_nm,
        assembled_px: [series.assembled_px.0 as f64, series.assembled_px.1 as f64],
    }
}

fn told(side: &Side<'_>) -> PairSide {
    let Record { series, verdict, .. } = side.record;
    PairSide {
        series_id: series.series_id.clone(),
        title: series.title.clone(),
        axis_name: series.axis_name.clone(),
        started_at: series.started_at.clone(),
        kv: series.kv,
        pixel_nm: series.pixel_nm,
        axis_deg: pair::axis_deg(side.record),
        answer: verdict.answer,
        headline: verdict.headline.clone(),
        exclude_tilts_deg: verdict.exclude_tilts_deg.clone(),
        zero_tilt_deg: side.view.as_ref().map(|view| view.tilt_deg),
        zero_tilt: side.view.as_ref().map(|view| view.tilt),
    }
}

/// Tells how the pair came out.
///
/// # Errors
/// Standard output cannot be written.
pub fn summary(out: &mut impl Write, paired: &Paired) -> io::Result<()> {
    let verdict = &paired.pair.verdict;
    writeln!(out, "pair: {}", verdict.headline)?;
    for reason in &verdict.reasons {
        writeln!(out, "  - {reason}")?;
    }
    writeln!(out, "  page: {}", paired.folder.join("pair.html").display())
}

/// The gravest of the three answers, in the order of their exit statuses.
pub fn answers(paired: &Paired) -> [Answer; 3] {
    let [a, b] = &paired.records;
    [a.verdict.answer, b.verdict.answer, paired.pair.verdict.answer]
}
