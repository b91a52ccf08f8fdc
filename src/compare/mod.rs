//! Sessions compared over weeks: from summaries of the ledger (or of records) to control charts and what they signal.

pub mod chart;
pub mod sessions;
pub mod signals;
pub mod table;

use crate::judge::watch::Watch;
use crate::ledger::Summary;
use crate::ledger::figures::FIGURES;
use crate::numerics::control::false_signals::{Rules, per_hundred};
use crate::simulate::random::{Stream, Use};
use chart::{COUNTED, Chart, Watched, chart};
use sessions::Session;

/// What was chosen on the command line.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Choice {
    /// First day of the baseline, in days since 1970.
    pub baseline_from: Option<f64>,
    /// First moment after it.
    pub baseline_until: Option<f64>,
}

/// A comparison.
#[derive(Debug)]
pub struct Comparison {
    /// The assessments.
    pub summaries: Vec<Summary>,
    /// Their sessions, by microscope and time.
    pub sessions: Vec<Session>,
    /// One chart a figure and microscope, by figure.
    pub charts: Vec<Chart>,
    /// False signals per 100 sessions of one chart, with limits that are known exactly and with limits from a baseline.
    pub false_signals: [f64; 2],
    /// What was applied.
    pub watch: Watch,
}

/// Charts that are simulated to count false signals; 100,000 values give the count to about 0.05 of 100.
const SIMULATED: usize = 1000;

/// Compares.
pub fn compare(summaries: Vec<Summary>, watch: &Watch, choice: &Choice) -> Comparison {
    let sessions = sessions::sessions(&summaries);
    let mut instruments: Vec<&str> = sessions.iter().map(|session| session.instrument.as_str()).collect();
    instruments.dedup();
    let watched = FIGURES.iter().map(Watched::Measured).chain(COUNTED.iter().map(Watched::Counted));
    let mut charts = Vec::new();
    for watched in watched {
        for instrument in &instruments {
            let own: Vec<(usize, &Session)> =
                sessions.iter().enumerate().filter(|(_, session)| session.instrument == *instrument).collect();
            charts.extend(chart(watched, &own, &summaries, watch, choice));
        }
    }
    let false_signals = false_signals(&watch.rules(), watch.baseline_sessions);
    Comparison { false_signals, charts, sessions, summaries, watch: *watch }
}

/// False signals per 100 values: limits known exactly, limits from a baseline of so many values.
pub fn false_signals(rules: &Rules, baseline: usize) -> [f64; 2] {
    [None, Some(baseline)].map(|baseline| {
        let mut stream = Stream::new(1984, Use::Charts, usize::from(baseline.is_some()));
        per_hundred(rules, baseline, SIMULATED, || stream.normal())
    })
}
