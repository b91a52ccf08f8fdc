//! The control chart of one figure of one microscope over its sessions.

use super::signals::{Signal, merge, weighted_signals};
use super::{Choice, sessions::Session};
use crate::judge::watch::Watch;
use crate::ledger::Summary;
use crate::ledger::figures::{Figure, Scale};
use crate::numerics::control::counts::{FEW, Law};
use crate::numerics::control::false_signals::Rules;
use crate::numerics::control::individuals::{Baseline, SDS, weighted, weighted_width};
use crate::numerics::control::runs::completed;

/// A count of faults that is watched.
#[derive(Debug)]
pub struct Counted {
    /// Its name in tables.
    pub id: &'static str,
    /// For people.
    pub title: &'static str,
    /// What it is, in a sentence for the page.
    pub about: &'static str,
    /// What law a microscope that does not change follows.
    pub law: Law,
    /// How many of a series, of how many.
    pub of: fn(&Summary) -> (i64, i64),
}

/// The counts that are watched.
pub const COUNTED: [Counted; 3] = [
    Counted {
        id: "excluded_tilts_share",
        title: "Share of excluded tilts",
        about: "tilts left out of all tilts of the session",
        law: Law::Share,
        of: |summary| (summary.excluded_tilts, summary.tilts),
    },
    Counted {
        id: "verdicts_against_share",
        title: "Verdicts against",
        about: "series that are undecided or not worth reconstructing as they stand, of all series of the session",
        law: Law::Share,
        of: |summary| {
            use crate::record::Answer::{DoNotReconstruct, Undecided};
            (i64::from(matches!(summary.answer, DoNotReconstruct | Undecided)), 1)
        },
    },
    Counted {
        id: "failed_checks_per_series",
        title: "Failed checks",
        about: "checks beyond their second limit, per series",
        law: Law::Number,
        of: |summary| (summary.checks_failed, 1),
    },
];

/// What a chart is of.
#[derive(Debug, Clone, Copy)]
pub enum Watched {
    /// A measured figure.
    Measured(&'static Figure),
    /// A count.
    Counted(&'static Counted),
}

impl Watched {
    /// Its name in tables.
    pub fn id(self) -> &'static str {
        match self {
            Self::Measured(figure) => figure.id,
            Self::Counted(counted) => counted.id,
        }
    }

    /// For people.
    pub fn title(self) -> &'static str {
        match self {
            Self::Measured(figure) => figure.title,
            Self::Counted(counted) => counted.title,
        }
    }

    /// Its unit.
    pub fn unit(self) -> &'static str {
        match self {
            Self::Measured(figure) => figure.unit,
            Self::Counted(_) => "",
        }
    }

    /// What it is.
    pub fn about(self) -> &'static str {
        match self {
            Self::Measured(figure) => figure.about,
            Self::Counted(counted) => counted.about,
        }
    }

    /// The scale on which it is drawn.
    pub fn scale(self) -> Scale {
        match self {
            Self::Measured(figure) => figure.scale,
            Self::Counted(_) => Scale::Plain,
        }
    }
}

/// One session on a chart. Values are in the figure's own unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// Place in the list of sessions.
    pub session: usize,
    /// Days since 1970.
    pub day: f64,
    /// The session's value: mean over its series on the figure's scale; of a count, its share or rate.
    pub value: f64,
    /// Series that carry the figure.
    pub series: usize,
    /// Belongs to the baseline.
    pub in_baseline: bool,
    /// Follows a pause that is too long for a run.
    pub after_gap: bool,
    /// Standard deviations from the centre, where there are limits.
    pub z: Option<f64>,
    /// Lower and upper limit; of a count they hang on how many were counted.
    pub limits: Option<[f64; 2]>,
    /// Range to the session before, on the figure's scale.
    pub range: Option<f64>,
    /// Weighted mean.
    pub weighted: Option<f64>,
    /// Its limits.
    pub weighted_limits: Option<[f64; 2]>,
}

/// A chart.
#[derive(Debug, Clone)]
pub struct Chart {
    /// The microscope.
    pub instrument: String,
    /// The figure.
    pub watched: Watched,
    /// Its sessions by time.
    pub points: Vec<Point>,
    /// Sessions without the figure.
    pub missing: usize,
    /// Sessions in the baseline.
    pub baseline: usize,
    /// Mean of the baseline.
    pub centre: Option<f64>,
    /// Upper limit of the moving range, on the figure's scale.
    pub range_limit: Option<f64>,
    /// Why there are no limits.
    pub no_limits: Option<String>,
    /// What must be known of limits and scale.
    pub notes: Vec<String>,
    /// What stands out, the earliest first.
    pub signals: Vec<Signal>,
}

/// Charts one figure over the sessions of one microscope; `None` where no session carries it.
pub fn chart(
    watched: Watched,
    sessions: &[(usize, &Session)],
    summaries: &[Summary],
    watch: &Watch,
    choice: &Choice,
) -> Option<Chart> {
    let seen: Vec<(usize, &Session, Seen)> =
        sessions.iter().filter_map(|&(at, session)| Some((at, session, look(watched, session, summaries)?))).collect();
    let (_, first, _) = seen.first()?;
    let mut points = Vec::with_capacity(seen.len());
    for (place, (at, session, found)) in seen.iter().enumerate() {
        let in_baseline = match (&choice.baseline_from, &choice.baseline_until) {
            (None, None) => place < watch.baseline_sessions,
            (from, until) => {
                from.is_none_or(|from| session.day >= from) && until.is_none_or(|until| session.day < until)
            }
        };
        let before = place.checked_sub(1).map(|before| seen[before].1.day);
        points.push(Point {
            session: *at,
            day: session.day,
            value: watched.scale().back(found.value),
            series: found.series,
            in_baseline,
            after_gap: before.is_some_and(|before| session.day - before > watch.gap_days),
            z: None,
            limits: None,
            range: None,
            weighted: None,
            weighted_limits: None,
        });
    }
    let mut chart = Chart {
        instrument: first.instrument.clone(),
        watched,
        baseline: points.iter().filter(|point| point.in_baseline).count(),
        missing: sessions.len() - points.len(),
        points,
        centre: None,
        range_limit: None,
        no_limits: None,
        notes: Vec::new(),
        signals: Vec::new(),
    };
    let found: Vec<Seen> = seen.into_iter().map(|(_, _, found)| found).collect();
    chart.judge(&found, watch);
    Some(chart)
}

/// What a session shows of a figure.
#[derive(Debug, Clone, Copy)]
struct Seen {
    /// On the figure's scale.
    value: f64,
    series: usize,
    /// Of a count: how many, of how many.
    counted: (u64, u64),
}

fn look(watched: Watched, session: &Session, summaries: &[Summary]) -> Option<Seen> {
    let series = session.series.iter().map(|&at| &summaries[at]);
    match watched {
        Watched::Measured(figure) => {
            let column = crate::ledger::figures::FIGURES.iter().position(|other| other.id == figure.id)?;
            let values: Vec<f64> =
                series.filter_map(|summary| figure.scale.to(summary.figures.get(column).copied().flatten()?)).collect();
            let n = values.len();
            (n > 0).then(|| Seen { value: values.iter().sum::<f64>() / n as f64, series: n, counted: (0, 0) })
        }
        Watched::Counted(counted) => {
            let pairs: Vec<(i64, i64)> = series.map(counted.of).collect();
            let (x, n) = pairs.iter().fold((0, 0), |(x, n), pair| (x + pair.0.max(0), n + pair.1.max(0)));
            (n > 0).then(|| Seen {
                value: x as f64 / n as f64,
                series: pairs.len(),
                counted: (x.unsigned_abs(), n.unsigned_abs()),
            })
        }
    }
}

impl Chart {
    /// Places of the points from one pause to the next.
    pub fn pieces(&self) -> Vec<std::ops::Range<usize>> {
        let mut starts: Vec<usize> =
            (0..self.points.len()).filter(|&at| at == 0 || self.points[at].after_gap).collect();
        starts.push(self.points.len());
        starts.windows(2).map(|pair| pair[0]..pair[1]).collect()
    }

    fn judge(&mut self, seen: &[Seen], watch: &Watch) {
        let pieces = self.pieces();
        for piece in &pieces {
            for at in piece.clone().skip(1) {
                self.points[at].range = Some((seen[at].value - seen[at - 1].value).abs());
            }
        }
        if pieces.len() > 1 {
            let gaps = pieces.len() - 1;
            self.notes.push(format!(
                "{gaps} pause{} longer than {:.0} days: runs and weighted mean begin anew after it, and no range is taken across",
                if gaps == 1 { "" } else { "s" },
                watch.gap_days
            ));
        }
        if self.baseline < watch.least_baseline_sessions {
            self.no_limits = Some(format!(
                "the baseline holds {} session{}; limits need {}",
                self.baseline,
                if self.baseline == 1 { "" } else { "s" },
                watch.least_baseline_sessions
            ));
            return;
        }
        let rules = match self.watched {
            Watched::Measured(figure) => self.measured_limits(seen, figure.scale, watch.rules()),
            Watched::Counted(counted) => self.counted_limits(seen, counted.law, watch.rules()),
        };
        if let Some(rules) = rules {
            self.find_signals(&pieces, &rules);
        }
    }

    /// Values of the baseline, piece by piece.
    fn baseline_pieces(&self, values: &[f64]) -> Vec<Vec<f64>> {
        let mut kept: Vec<Vec<f64>> = Vec::new();
        for piece in self.pieces() {
            let mut run = Vec::new();
            for at in piece {
                if self.points[at].in_baseline {
                    run.push(values[at]);
                } else if !run.is_empty() {
                    kept.push(std::mem::take(&mut run));
                }
            }
            if !run.is_empty() {
                kept.push(run);
            }
        }
        kept
    }

    fn baseline_of(&self, values: &[f64]) -> Option<Baseline> {
        let pieces = self.baseline_pieces(values);
        let slices: Vec<&[f64]> = pieces.iter().map(Vec::as_slice).collect();
        Baseline::of(&slices).filter(|baseline| baseline.mean_range > 0.0)
    }

    fn measured_limits(&mut self, seen: &[Seen], scale: Scale, rules: Rules) -> Option<Rules> {
        let values: Vec<f64> = seen.iter().map(|seen| seen.value).collect();
        let Some(baseline) = self.baseline_of(&values) else {
            self.no_limits = Some("the sessions of the baseline do not differ".into());
            return None;
        };
        match scale {
            Scale::Plain => {}
            Scale::Log => self.notes.push("charted by its logarithm, as it is skewed: the limits are uneven".into()),
            Scale::Root => self.notes.push("charted by its square root, as it is skewed: the limits are uneven".into()),
        }
        if let Some(skew) = significant_skew(&self.baseline_pieces(&values).concat()) {
            self.notes.push(format!("the baseline is skewed even so (coefficient {skew:+.1}): its limits are rough"));
        }
        let limits = baseline.limits().map(|limit| scale.back(limit));
        self.centre = Some(scale.back(baseline.centre));
        self.range_limit = Some(baseline.range_limit());
        for (point, value) in self.points.iter_mut().zip(&values) {
            point.z = Some((value - baseline.centre) / baseline.sd());
            point.limits = Some(limits);
        }
        if let Some((lambda, sds)) = rules.weighted {
            for piece in self.pieces() {
                let means = weighted(&values[piece.clone()], baseline.centre, lambda);
                for (n, (at, mean)) in piece.zip(means).enumerate() {
                    let width = baseline.sd() * weighted_width(lambda, sds, Some(n + 1));
                    self.points[at].weighted = Some(scale.back(mean));
                    self.points[at].weighted_limits =
                        Some([baseline.centre - width, baseline.centre + width].map(|limit| scale.back(limit)));
                }
            }
        }
        Some(rules)
    }

    fn counted_limits(&mut self, seen: &[Seen], law: Law, mut rules: Rules) -> Option<Rules> {
        let in_baseline = || seen.iter().zip(&self.points).filter(|(_, point)| point.in_baseline).map(|(seen, _)| seen);
        let faults: u64 = in_baseline().map(|seen| seen.counted.0).sum();
        let things: u64 = in_baseline().map(|seen| seen.counted.1).sum();
        let rate = if faults == 0 {
            self.notes.push("the baseline holds none: half a one is put in for its rate".into());
            0.5 / (things as f64 + 1.0)
        } else {
            faults as f64 / things as f64
        };
        let scores: Vec<f64> = seen.iter().map(|seen| law.score(seen.counted.0, seen.counted.1, rate)).collect();
        // Faults come in clusters: where the baseline scatters more than its law says, the limits are as much wider
        // (after Laney 2002, value from memory).
        let wider = self.baseline_of(&scores).map_or(1.0, |baseline| baseline.sd().max(1.0));
        let name = if law == Law::Share { "binomial" } else { "Poisson" };
        self.notes.push(format!("limits by the {name} law, each session's by how many were counted"));
        if wider > 1.05 {
            self.notes.push(format!(
                "the baseline scatters {wider:.1} times as much as that law says: limits are as much wider"
            ));
        }
        let usual = rate * things as f64 / self.baseline.max(1) as f64;
        if usual < FEW {
            rules.tests = [rules.tests[0], false, false, false, false, false, false, false];
            self.notes.push(format!(
                "{usual:.1} are expected a session, too few for run tests: only a point beyond the limits is a signal"
            ));
        }
        rules.weighted = None;
        self.centre = Some(rate);
        for ((point, seen), score) in self.points.iter_mut().zip(seen).zip(scores) {
            let n = seen.counted.1;
            let (low, high) = law.limits(n, rate, SDS * wider);
            point.z = Some(score / wider);
            point.limits = Some([low.unwrap_or(0) as f64 / n as f64, high as f64 / n as f64]);
            point.range = None;
        }
        Some(rules)
    }

    fn find_signals(&mut self, pieces: &[std::ops::Range<usize>], rules: &Rules) {
        let z: Vec<f64> = self.points.iter().map(|point| point.z.unwrap_or(0.0)).collect();
        let last = self.points.len().saturating_sub(1);
        let mut signals = Vec::new();
        for piece in pieces {
            signals.extend(merge(&completed(&z[piece.clone()], &rules.tests), piece.start, &z));
            if rules.weighted.is_some() {
                signals.extend(weighted_signals(&self.points, piece.clone(), self.centre));
            }
        }
        for signal in &mut signals {
            signal.lasts = signal.until == last;
        }
        signals.sort_by_key(|signal| (signal.from, signal.kind));
        self.signals = signals;
    }
}

/// The coefficient of skewness, where it is beyond two of its standard errors √(6/n).
fn significant_skew(values: &[f64]) -> Option<f64> {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let moment = |power: i32| values.iter().map(|value| (value - mean).powi(power)).sum::<f64>() / n;
    let skew = moment(3) / moment(2).powf(1.5);
    (skew.abs() > 2.0 * (6.0 / n).sqrt()).then_some(skew)
}
