//! The newest view as OpenMetrics text.

use std::sync::atomic::AtomicU64;

use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::info::Info;
use prometheus_client::registry::{Registry, Unit};
use serde::Serialize;

use crate::view::{Verdict, View};

/// The media type that OpenMetrics 1.0 asks for.
pub(super) const CONTENT_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

const VERDICTS: [Verdict; 7] =
    [Verdict::Blind, Verdict::Loose, Verdict::Weak, Verdict::High, Verdict::Off, Verdict::NoJob, Verdict::Tight];

type Level = Gauge<f64, AtomicU64>;

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Named {
    name: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct AlarmLabels {
    alarm: String,
    state: String,
    priority: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct HeardLabels {
    line: String,
    what: &'static str,
}

/// The text for one scrape; a number that is not known is left out.
pub(super) fn exposition(view: &View, streams: usize) -> String {
    let mut registry = Registry::with_prefix("holdwatch");
    registry.register("build", "The program", Info::new([("version", view.version.clone())]));
    levels(&mut registry, view);
    states(&mut registry, view);
    lines(&mut registry, view);
    count(&mut registry, "streams", "Event streams that are open", streams as f64);
    let mut text = String::new();
    match encode(&mut text, &registry) {
        Ok(()) => text,
        Err(_) => "# EOF\n".to_owned(),
    }
}

fn levels(registry: &mut Registry, view: &View) {
    let expected = view.expected.as_ref();
    let pascals = [
        ("vacuum", "The level below the room's pressure", view.vacuum_pa),
        ("absolute_pressure", "The level above nothing", view.absolute_pa),
        ("expected_low_vacuum", "The lower end of the band expected", expected.map(|band| band.low_pa)),
        ("expected_vacuum", "The level expected", expected.map(|band| band.mid_pa)),
        ("expected_high_vacuum", "The upper end of the band expected", expected.map(|band| band.high_pa)),
    ];
    for (name, help, value) in pascals {
        measure(registry, name, help, Unit::Other("pascals".to_owned()), value);
    }
    measure(registry, "reading_age", "Age of the newest reading", Unit::Seconds, view.age_s);
    measure(registry, "watching", "How long this program has been watching", Unit::Seconds, Some(view.watching_s));
    let margin = view.margin.as_ref();
    measure(
        registry,
        "margin",
        "What holds the weakest part over what acts on it",
        Unit::Ratios,
        margin.map(|m| m.least),
    );
    let required = margin.map(|margin| margin.required);
    measure(registry, "required_margin", "The margin that is required", Unit::Ratios, required);
    let fraction = view.job.as_ref().map(|job| job.fraction);
    measure(registry, "cut", "How far the cut is", Unit::Ratios, fraction);
    measure(
        registry,
        "leak_index",
        "Leak of the last seated sheet over what is expected",
        Unit::Ratios,
        view.board.leak_index,
    );
}

fn states(registry: &mut Registry, view: &View) {
    let verdicts = Family::<Named, Gauge>::default();
    for verdict in VERDICTS {
        verdicts.get_or_create(&Named { name: key(&verdict) }).set(i64::from(verdict == view.verdict));
    }
    registry.register("verdict", "1 for the word that is true now", verdicts);
    let alarms = Family::<AlarmLabels, Gauge>::default();
    for alarm in &view.alarms {
        let labels = AlarmLabels { alarm: key(&alarm.tag), state: key(&alarm.state), priority: key(&alarm.priority) };
        alarms.get_or_create(&labels).set(1);
    }
    registry.register("alarm", "1 for each alarm that is not normal", alarms);
    let degraded = Family::<Named, Level>::default();
    for way in &view.degraded {
        degraded.get_or_create(&Named { name: way.name.clone() }).set(way.since_s);
    }
    registry.register_with_unit("degraded", "How long something has not worked as it should", Unit::Seconds, degraded);
    count(registry, "acked_records", "Every record up to this one is on disk", view.acked as f64);
    count(registry, "newest_record", "The newest record", view.newest as f64);
    count(registry, "sheets_since_skim", "Sheets seen since the last skim", view.board.sheets as f64);
}

fn lines(registry: &mut Registry, view: &View) {
    let heard = Family::<HeardLabels, Counter>::default();
    for line in &view.lines {
        let counts = [
            ("answer", line.answers),
            ("no-reply", line.no_replies),
            ("bad-check", line.bad_checks),
            ("refusal", line.refusals),
            ("foreign", line.foreign),
        ];
        for (what, count) in counts {
            heard.get_or_create(&HeardLabels { line: line.name.clone(), what }).inc_by(count);
        }
    }
    registry.register("heard", "What came over a line since the program started", heard);
}

fn measure(registry: &mut Registry, name: &str, help: &str, unit: Unit, value: Option<f64>) {
    if let Some(value) = value {
        let gauge = Level::default();
        gauge.set(value);
        registry.register_with_unit(name, help, unit, gauge);
    }
}

fn count(registry: &mut Registry, name: &str, help: &str, value: f64) {
    let gauge = Level::default();
    gauge.set(value);
    registry.register(name, help, gauge);
}

/// The word by which the interface calls one of our own cases.
fn key(case: &impl Serialize) -> String {
    serde_json::to_value(case).ok().and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
}
