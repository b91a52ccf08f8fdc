//! Sessions: the series of one microscope that belong together.

use crate::ledger::Summary;

/// What stands where a series names no microscope.
pub const NO_INSTRUMENT: &str = "microscope not stated";

/// Series of one name further apart than this are two sessions: names such as "morning" come again.
const LONGEST_PAUSE_HOURS: f64 = 18.0;

/// One session.
#[derive(Debug, Clone, PartialEq)]
pub struct Session {
    /// The microscope.
    pub instrument: String,
    /// As the series name it; else the day.
    pub name: String,
    /// Day on which its first series began, `2031-04-17`.
    pub date: String,
    /// The same moment in days since 1970.
    pub day: f64,
    /// Places of its series in the list of summaries, by time.
    pub series: Vec<usize>,
}

/// Days since 1970 of a time as the ledger writes it.
pub fn day(time: &str) -> Option<f64> {
    let time: jiff::Timestamp = time.parse().ok()?;
    Some(time.as_millisecond() as f64 / 86_400_000.0)
}

/// Sessions by microscope, then by time. Series without a session's name are those of a day.
pub fn sessions(summaries: &[Summary]) -> Vec<Session> {
    let instrument = |summary: &Summary| summary.instrument.clone().unwrap_or_else(|| NO_INSTRUMENT.into());
    let mut order: Vec<(String, String, f64, usize)> = summaries
        .iter()
        .enumerate()
        .filter_map(|(at, summary)| {
            let date: String = summary.time().chars().take(10).collect();
            let name = summary.session.clone().filter(|name| !name.trim().is_empty()).unwrap_or(date);
            Some((instrument(summary), name, day(summary.time())?, at))
        })
        .collect();
    order.sort_by(|a, b| (&a.0, &a.1).cmp(&(&b.0, &b.1)).then(a.2.total_cmp(&b.2)).then(a.3.cmp(&b.3)));
    let mut found: Vec<(Session, f64)> = Vec::new();
    for (instrument, name, day, at) in order {
        match found.last_mut() {
            Some((session, last))
                if session.instrument == instrument
                    && session.name == name
                    && (day - *last) * 24.0 <= LONGEST_PAUSE_HOURS =>
            {
                session.series.push(at);
                *last = day;
            }
            _ => {
                let date = summaries[at].time().chars().take(10).collect();
                found.push((Session { instrument, name, date, day, series: vec![at] }, day));
            }
        }
    }
    let mut sessions: Vec<Session> = found.into_iter().map(|(session, _)| session).collect();
    sessions.sort_by(|a, b| a.instrument.cmp(&b.instrument).then(a.day.total_cmp(&b.day)));
    sessions
}
