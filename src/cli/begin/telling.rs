//! What `begin` says: how far it is on standard error, what came of it on standard output.

use std::path::Path;

use serde_json::{Value, json};

use super::Outcome;
use crate::daemon::{Bench, is_pseudo};
use crate::gauge::search::{Found, HuntPlan, Proposal, Series, Whereabouts};
use crate::moment::Span;
use crate::setup::{Answers, Marked, Setup};

/// Assumptions that are told; the file has them all.
const MOST_TOLD: usize = 6;

pub(super) fn progress(what: &str) {
    eprintln!("holdwatch: {what}");
}

/// So many questions fewer are worth saying.
const FEWER: usize = 10;

/// Whether it is worth saying that `left` questions are left, `told` having been said last.
pub(super) fn is_news(told: Option<usize>, left: usize) -> bool {
    told.is_none_or(|told| left + FEWER <= told)
}

pub(super) fn plan(plan: &HuntPlan, port: &str) {
    let (tries, longest) = plan.units_take();
    progress(&format!(
        "looking on {port}: {} speeds, {} parities, {} units in {tries} tries, {:.0} s at the most; then lines of text",
        plan.speeds.len(),
        plan.parities.len(),
        plan.units.len(),
        longest.secs_f64()
    ));
    if is_pseudo(port) {
        progress("this port is a pseudo-terminal: it has no parity, and a speed only if the other end looks at it");
    }
}

pub(super) fn found(found: &Found, took: Span) {
    let each = 1e3 * took.secs_f64() / (found.tries.max(1) as f64);
    let how = format!("{} tries in {:.1} s, {each:.0} ms each", found.tries, took.secs_f64());
    match (found.form, &found.talker) {
        (Some(form), Some(talker)) if talker.request.is_empty() => {
            progress(&format!("a talker that sends by itself at {form}: {:?} ({how})", talker.line));
        }
        (Some(form), Some(talker)) => {
            let request = String::from_utf8_lossy(&talker.request).into_owned();
            progress(&format!("a talker at {form} that answers {request:?} with {:?} ({how})", talker.line));
        }
        (Some(form), None) => {
            let units: Vec<String> = found.units.iter().map(u8::to_string).collect();
            progress(&format!("Modbus unit {} at {form} ({how})", units.join(", ")));
        }
        (None, _) => progress(&format!("nobody answered ({how})")),
    }
    if found.echo {
        progress("the adapter sends back what it is sent; switch its echo off if it can");
    }
}

pub(super) fn nobody(found: &Found, answers: &Answers) {
    eprintln!("Nothing on this line answers. In this order:");
    if !found.noise.is_empty() {
        let noise: Vec<String> =
            found.noise.iter().take(4).map(|(form, count)| format!("{count} bytes at {form}")).collect();
        eprintln!("  - Something was heard that is no Modbus and no text: {}.", noise.join("; "));
        eprintln!("    That is what swapped wires look like, or a speed or language that was not tried.");
    }
    eprintln!("  - Swap A and B. Makers do not agree which is which; a swapped pair does no harm and answers nothing.");
    eprintln!("  - Is the gauge's supply on, and its common joined with the adapter's?");
    eprintln!("  - A long line: 120 ohm at each end, nothing in between, one pair for A and B.");
    eprintln!("  - Is it the right port, and does no other program use the line?");
    if answers.gauge.units.is_none() {
        eprintln!("  - Units 1 to 20 were tried; for others write units = [1, 247] under [gauge] in the answers.");
    }
    eprintln!("  - A talker with a request of its own: write request = \"...\" under [gauge] in the answers.");
}

pub(super) fn no_number(bench: &Bench, registers: usize) {
    eprintln!("Something answers, but none of its {registers} registers holds a number that can be a level here.");
    let shown: Vec<String> = bench.series().iter().take(12).map(one_series).collect();
    for line in shown {
        eprintln!("  {line}");
    }
    eprintln!(
        "Write what its sheet says under [gauge] in the answers: register, kind, unit, counts; or registers = [first, last]."
    );
}

fn one_series(series: &Series) -> String {
    let values = || series.values.iter().map(|(_, value)| *value);
    let (low, high) = (values().fold(f64::INFINITY, f64::min), values().fold(f64::NEG_INFINITY, f64::max));
    format!("{}: {low} to {high}", series.at)
}

/// Which numbers moved, the one that is taken first.
pub(super) fn moving(series: &[Series], proposals: &[Proposal]) {
    let Some(best) = proposals.first() else { return };
    let verb = if best.moved { "moved" } else { "stood" };
    progress(&format!(
        "{} {verb}, {} to {}: {} counting {}, {:.0} to {:.0} mbar of vacuum",
        best.at,
        best.raw.0,
        best.raw.1,
        best.worth(),
        counts(best),
        best.rest.pascals() / 100.0,
        best.top.pascals() / 100.0
    ));
    let moved = series.iter().filter(|series| series.at != best.at && moves(series)).count();
    if moved > 0 {
        progress(&format!("{moved} other readings of numbers moved and fit less well"));
    }
}

fn moves(series: &Series) -> bool {
    series.values.windows(2).any(|pair| (pair[0].1 - pair[1].1).abs() > 0.0)
}

fn counts(proposal: &Proposal) -> String {
    format!("{:?}", proposal.counts).to_lowercase()
}

pub(super) fn tell(outcome: &Outcome, out: &Path, setup: &Setup) {
    println!("{} is written and sound", out.display());
    if !outcome.others.is_empty() {
        let units: Vec<String> = outcome.others.iter().map(u8::to_string).collect();
        println!("unit {} answers on the line too; it is not in the setup yet", units.join(", "));
    }
    for doubt in &outcome.doubts {
        println!("not proven: {doubt}");
    }
    let marked = by_weight(&outcome.marked);
    if !marked.is_empty() {
        println!("{} assumptions are marked in it; most hangs on", marked.len());
    }
    for mark in marked.iter().take(MOST_TOLD) {
        let bearing = mark.bearing.map(|bearing| format!(": {bearing}")).unwrap_or_default();
        println!("  {} {} ({}){bearing}", mark.key, mark.value, mark.plausible);
    }
    for warning in &setup.warnings {
        println!("worth a look: {warning}");
    }
    if !outcome.readings.is_empty() {
        let levels: Vec<String> =
            outcome.readings.iter().map(|level| format!("{:.1}", level.pascals() / 1e3)).collect();
        println!("readings in kPa of vacuum: {}", levels.join(" "));
    }
    println!("next:\n  holdwatch run --setup {}", out.display());
    println!(
        "    watches, and prints the page's address. Lay a sheet on, switch the pump on, and press *This one is good*"
    );
    println!(
        "    when it holds: from then on a lower level shows. A survey, /survey on the page, replaces the assumptions."
    );
}

pub(super) fn by_weight(marked: &[Marked]) -> Vec<&Marked> {
    let weight = |mark: &Marked| mark.bearing.map_or(0.0, |bearing| bearing.weight());
    let mut marked: Vec<&Marked> = marked.iter().collect();
    marked.sort_by(|a, b| weight(b).total_cmp(&weight(a)));
    marked
}

pub(super) fn as_json(outcome: &Outcome, out: &Path, port: &str, bench: &Bench) -> Value {
    let found = bench.found();
    json!({
        "written": out.display().to_string(),
        "port": port,
        "tries": outcome.tries,
        "search_s": outcome.took.secs_f64(),
        "form": found.form.map(|form| form.to_string()),
        "units": found.units,
        "talker": found.talker.as_ref().map(|talker| json!({
            "request": String::from_utf8_lossy(&talker.request),
            "line": talker.line,
        })),
        "registers": outcome.registers,
        "gauge": outcome.proposals.first().map(proposal),
        "also_possible": outcome.proposals.first().map(|best| {
            best.rivals(&outcome.proposals).take(5).map(proposal).collect::<Vec<_>>()
        }),
        "not_proven": outcome.doubts,
        "assumptions": by_weight(&outcome.marked),
        "readings_kpa": outcome.readings.iter().map(|level| level.pascals() / 1e3).collect::<Vec<_>>(),
    })
}

pub(super) fn proposal(proposal: &Proposal) -> Value {
    let place = match proposal.at {
        Whereabouts::Register { place, kind, order } => json!({
            "unit_id": place.unit, "table": place.table, "register": place.address, "kind": kind, "word_order": order,
        }),
        Whereabouts::Position(position) => json!({ "position": position }),
    };
    json!({
        "at": place,
        "scale": proposal.scale,
        "unit": proposal.unit.symbol(),
        "counts": counts(proposal),
        "moved": proposal.moved,
        "zero_seen": proposal.zero_seen,
        "rest_kpa": proposal.rest.pascals() / 1e3,
        "top_kpa": proposal.top.pascals() / 1e3,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_is_said_when_it_is_ten_fewer() {
        let (mut told, mut said) = (None, Vec::new());
        // Refused rows are asked for one by one, so that more may be left than before.
        for left in (0..=25).rev().chain(5..8) {
            if is_news(told, left) {
                told = Some(left);
                said.push(left);
            }
        }
        assert_eq!(said, [25, 15, 5]);
    }
}
