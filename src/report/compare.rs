//! The page of a comparison: what stands out, charts, the table of sessions.

use crate::compare::chart::{COUNTED, Chart, Watched};
use crate::compare::signals::{self, Signal};
use crate::compare::{Comparison, sessions::Session};
use crate::ledger::figures::FIGURES;
use crate::ledger::summary::word;
use crate::report::page::ReportError;
use crate::report::sentences::Sentences;
use crate::report::templates::{embedded_json, environment, part, script};
use crate::report::words::Words;
use crate::report::{format, over_time};
use minijinja::{Value, context};
use std::path::Path;

/// What the page tells of how it was made.
#[derive(Debug, Clone, Default)]
pub struct Told {
    /// Where the assessments came from, no password in it.
    pub source: String,
    /// What was chosen, in words.
    pub chosen: Vec<String>,
    /// Link to the report of each assessment, where there is one.
    pub links: Vec<Option<String>>,
    /// When.
    pub made_at: String,
}

/// Makes the page; `templates` as for a report.
///
/// # Errors
/// A template that cannot be used.
pub fn page(comparison: &Comparison, told: &Told, templates: Option<&Path>) -> Result<String, ReportError> {
    let environment = environment(templates)?;
    let (words, sentences) = (Words::read(templates)?, Sentences::read(templates)?);
    let wording = (&words, &sentences);
    let script = script(templates, &["take.js", "compare.js", "charts.js"])?;
    let style = part(templates, "style.css")? + &part(templates, "compare.css")?;
    let mut figures = Vec::new();
    let mut outstanding = Vec::new();
    let watched = FIGURES.iter().map(Watched::Measured).chain(COUNTED.iter().map(Watched::Counted));
    for watched in watched {
        let own: Vec<&Chart> = comparison.charts.iter().filter(|chart| chart.watched.id() == watched.id()).collect();
        let charts: Result<Vec<Value>, ReportError> = own.iter().map(|chart| one(wording, comparison, chart)).collect();
        outstanding.extend(own.iter().flat_map(|chart| standing_out(&sentences, comparison, chart)));
        figures.push(context! {
            id => watched.id(), title => sentences.say(watched.title()), unit => sentences.say(watched.unit()),
            about => sentences.say(watched.about()),
            charts => charts?,
        });
    }
    // What most signals speak of comes first (a lone one may be false), then what began last.
    let number = |one: &Outstanding| one.sentences.len();
    outstanding.sort_by(|a, b| number(b).cmp(&number(a)).then(b.since.cmp(&a.since)));
    let measured = comparison.charts.iter().filter(|chart| chart.range_limit.is_some());
    let after_baseline = |chart: &Chart| chart.points.iter().filter(|point| !point.in_baseline).count();
    let points: usize = measured.map(after_baseline).sum();
    let page = environment.get_template("compare.html")?.render(context! {
        told => context! {
            source => sentences.say(&told.source),
            chosen => told.chosen.iter().map(|chosen| sentences.say(chosen)).collect::<Vec<_>>(),
            made_at => &told.made_at, version => env!("CARGO_PKG_VERSION"),
        },
        instruments => instruments(comparison),
        specimens => specimens(&words, comparison),
        series => comparison.summaries.len(),
        sessions => sessions(&words, comparison, told),
        columns => FIGURES.iter().map(|f| context! { title => sentences.say(f.title), unit => sentences.say(f.unit) }).collect::<Vec<_>>(),
        figures => figures,
        lasting => outstanding.iter().filter(|one| one.lasts).map(Outstanding::value).collect::<Vec<_>>(),
        passed => outstanding.iter().filter(|one| !one.lasts).map(Outstanding::value).collect::<Vec<_>>(),
        watch => watch(comparison),
        false_signals => context! {
            charts => comparison.charts.iter().filter(|chart| chart.centre.is_some()).count(),
            known => comparison.false_signals[0], estimated => comparison.false_signals[1], points => points,
            expected => comparison.false_signals[1] * points as f64 / 100.0,
        },
        style => Value::from_safe_string(style),
        script_hash => script.hash,
        words => embedded_json(&words.of_script())?,
        script => script.text,
    })?;
    Ok(page)
}

/// One chart that something stands out on.
struct Outstanding {
    lasts: bool,
    since: String,
    title: String,
    anchor: String,
    sentences: Vec<String>,
}

impl Outstanding {
    fn value(&self) -> Value {
        context! { title => &self.title, anchor => &self.anchor, sentences => &self.sentences }
    }
}

fn told_of(sentences: &Sentences, comparison: &Comparison, chart: &Chart, signal: &Signal) -> String {
    let date = |at: usize| comparison.sessions[chart.points[at].session].date.clone();
    sentences.say(&signals::sentence(chart, signal, &date, &format::significant))
}

/// What lasts, and what has passed, apart.
fn standing_out(sentences: &Sentences, comparison: &Comparison, chart: &Chart) -> Vec<Outstanding> {
    let mut found = Vec::new();
    for lasts in [true, false] {
        let own: Vec<&Signal> = chart.signals.iter().filter(|signal| signal.lasts == lasts).collect();
        let Some(first) = own.iter().map(|signal| signal.from).min() else { continue };
        found.push(Outstanding {
            lasts,
            since: comparison.sessions[chart.points[first].session].date.clone(),
            title: format!("{}, {}", chart.instrument, sentences.say(chart.watched.title()).to_lowercase()),
            anchor: anchor(comparison, chart),
            sentences: own.iter().map(|signal| told_of(sentences, comparison, chart, signal)).collect(),
        });
    }
    found
}

fn anchor(comparison: &Comparison, chart: &Chart) -> String {
    let at = comparison.charts.iter().position(|other| std::ptr::eq(other, chart));
    format!("{}-{}", chart.watched.id(), at.unwrap_or(0))
}

fn one((words, own): (&Words, &Sentences), comparison: &Comparison, chart: &Chart) -> Result<Value, ReportError> {
    let title = format!("{}, {}", own.say(chart.watched.title()), chart.instrument);
    let sentences: Vec<String> = chart.signals.iter().map(|signal| told_of(own, comparison, chart, signal)).collect();
    let finding = if chart.no_limits.is_some() {
        words.plot("control", "no_limits").to_owned()
    } else if sentences.is_empty() {
        words.plot("control", "nothing").to_owned()
    } else {
        sentences.join("; ")
    };
    let of_ranges = words.told("ranges", "title", &[("chart", title.clone())]);
    let baseline: Vec<&str> = chart
        .points
        .iter()
        .filter(|point| point.in_baseline)
        .map(|point| comparison.sessions[point.session].date.as_str())
        .collect();
    let limits = chart.points.last().and_then(|point| point.limits);
    Ok(context! {
        instrument => &chart.instrument,
        anchor => anchor(comparison, chart),
        plot => over_time::values((words, own), chart, &title, &finding)?.map(Value::from_safe_string),
        ranges => over_time::ranges(words, chart, &of_ranges)?.map(Value::from_safe_string),
        sentences => sentences,
        no_limits => chart.no_limits.as_deref().map(|why| own.say(why)),
        notes => chart.notes.iter().map(|note| own.say(note)).collect::<Vec<_>>(),
        sessions => chart.points.len(),
        missing => chart.missing,
        baseline => context! {
            sessions => chart.baseline, first => baseline.first().copied(), last => baseline.last().copied(),
        },
        centre => chart.centre,
        limits => limits.map(|limits| limits.to_vec()),
        last => chart.points.last().map(|point| point.value),
        lasting => chart.signals.iter().any(|signal| signal.lasts),
    })
}

fn instruments(comparison: &Comparison) -> Vec<Value> {
    let mut found: Vec<(String, usize, usize, String, String)> = Vec::new();
    for session in &comparison.sessions {
        match found.last_mut() {
            Some((name, sessions, series, _, last)) if *name == session.instrument => {
                *sessions += 1;
                *series += session.series.len();
                last.clone_from(&session.date);
            }
            _ => {
                let date = session.date.clone();
                found.push((session.instrument.clone(), 1, session.series.len(), date.clone(), date));
            }
        }
    }
    found
        .into_iter()
        .map(|(name, sessions, series, first, last)| {
            context! { name => name, sessions => sessions, series => series, first => first, last => last }
        })
        .collect()
}

fn specimens(words: &Words, comparison: &Comparison) -> Vec<String> {
    let mut found: Vec<String> =
        comparison.summaries.iter().map(|summary| words.specimen(&word(&summary.specimen))).collect();
    found.sort();
    found.dedup();
    found
}

/// Rows of the table, the newest first.
fn sessions(words: &Words, comparison: &Comparison, told: &Told) -> Vec<Value> {
    let mut order: Vec<usize> = (0..comparison.sessions.len()).collect();
    order.sort_by(|&a, &b| comparison.sessions[b].day.total_cmp(&comparison.sessions[a].day));
    order.into_iter().map(|at| row(words, comparison, told, at, &comparison.sessions[at])).collect()
}

fn row(words: &Words, comparison: &Comparison, told: &Told, at: usize, session: &Session) -> Value {
    let series = || session.series.iter().map(|&at| &comparison.summaries[at]);
    let value = |id: &str| {
        let own = comparison.charts.iter().filter(|c| c.watched.id() == id && c.instrument == session.instrument);
        let point = own.flat_map(|chart| {
            let found = chart.points.binary_search_by(|point| point.session.cmp(&at)).ok();
            found.map(|place| (chart, place))
        });
        point
            .map(|(chart, place)| {
                let out = chart.signals.iter().any(|signal| (signal.told..=signal.until).contains(&place));
                (chart.points[place].value, out)
            })
            .next()
    };
    let figures = FIGURES.iter().map(|figure| {
        let found = value(figure.id);
        context! { value => found.map(|(value, _)| value), out => found.is_some_and(|(_, out)| out) }
    });
    let mut verdicts: Vec<(&str, usize)> = Vec::new();
    for summary in series() {
        let answer = words.brief(summary.answer);
        match verdicts.iter_mut().find(|(known, _)| *known == answer) {
            Some((_, number)) => *number += 1,
            None => verdicts.push((answer, 1)),
        }
    }
    let verdicts: Vec<String> = verdicts.iter().map(|(answer, number)| format!("{number} {answer}")).collect();
    let mut kinds: Vec<String> = series().map(|summary| words.specimen(&word(&summary.specimen))).collect();
    kinds.dedup();
    let links = session.series.iter().map(|&at| {
        let summary = &comparison.summaries[at];
        context! { id => &summary.series_id, link => told.links.get(at).cloned().flatten(), revision => summary.revision }
    });
    context! {
        date => &session.date, day => session.day, instrument => &session.instrument, name => &session.name,
        specimen => kinds.join(", "), number => session.series.len(), verdicts => verdicts.join(", "),
        excluded => series().map(|summary| summary.excluded_tilts).sum::<i64>(),
        tilts => series().map(|summary| summary.tilts).sum::<i64>(),
        figures => figures.collect::<Vec<_>>(), series => links.collect::<Vec<_>>(),
    }
}

fn watch(comparison: &Comparison) -> Value {
    let watch = &comparison.watch;
    let rules = watch.rules();
    // Numbered from 0; the page names them.
    let pick = |on: bool| (0..rules.tests.len()).filter(|at| rules.tests[*at] == on).collect::<Vec<usize>>();
    context! {
        on => pick(true), off => pick(false), weighted => rules.weighted.is_some(),
        lambda => watch.weighted_lambda, sds => watch.weighted_sds,
        baseline => watch.baseline_sessions, least => watch.least_baseline_sessions, gap_days => watch.gap_days,
    }
}
