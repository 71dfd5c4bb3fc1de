//! What lies ahead of the board: what is cheapest to do and when, the pump and the filter, what it costs, and what that rests on.

use crate::board::{Ask, Care, CareAhead, Figure, Outlook};

/// What lies ahead, in sentences.
pub(super) fn told(outlook: &Outlook) -> Vec<String> {
    let mut lines = match &outlook.care {
        Some(care) => decided(care),
        None => vec!["when a skim pays is unknown: the sheets do not say how fast the board wears".to_owned()],
    };
    lines.extend(pump(outlook));
    let money = outlook.money;
    lines.extend(money.energy_a_sheet.map(|cost| format!("the pump's energy costs {:.2} a sheet", cost.money())));
    lines.extend(
        money
            .leak_a_month
            .map(|cost| format!("what leaks beyond expectation costs {:.2} of energy a month", cost.money())),
    );
    lines.extend(
        money.board_a_sheet.map(|cost| format!("this board and its skims have cost {:.2} a sheet", cost.money())),
    );
    lines
}

fn decided(care: &CareAhead) -> Vec<String> {
    let sheets = |(soonest, latest): (f64, f64)| format!("{soonest:.0} to {latest:.0} sheets (90 %)");
    let mut lines = vec![match (care.now, care.to_care) {
        (Care::Skim, _) => "by cost: skim now".to_owned(),
        (Care::Replace, _) => "by cost: change the board now".to_owned(),
        (Care::Cut, Some(span)) => format!("by cost: cut on; the next care pays in {}", sheets(span)),
        (Care::Cut, None) => "by cost: cut on; no care pays at these prices".to_owned(),
    }];
    lines.push(format!(
        "a sheet cut after care is due costs {:.2} more than care; the plan costs {:.2} a sheet in the long run",
        care.waiting.money(),
        care.per_sheet.money()
    ));
    lines.push(format!("{} skims are left in this board", care.skims_left));
    if let (Some(span), Some(days)) = (care.to_board, care.order_in_days) {
        lines.push(format!("a new board is due in {}; order it within {days:.0} working days", sheets(span)));
    }
    let figure = |figure: &Figure| {
        let assumed = if figure.assumed { " (assumed)" } else { "" };
        format!("{} {}{assumed}", figure.key, rounded(figure.value))
    };
    lines.push(format!("that rests on {}", care.figures.iter().map(figure).collect::<Vec<_>>().join(", ")));
    lines
}

fn pump(outlook: &Outlook) -> Vec<String> {
    let hours = |span: crate::moment::Span| span.secs_f64() / 3600.0;
    let clock = outlook.pump;
    let mut lines = Vec::new();
    if hours(clock.whole) > 0.0 {
        lines.push(format!(
            "the pump has run {:.0} h, {:.0} h since the filter was changed, {:.0} h since its service",
            hours(clock.whole),
            hours(clock.since_filter),
            hours(clock.since_service)
        ));
    }
    lines.extend(outlook.filter_drop.map(|drop| format!("the filter takes {:.0} mbar", drop.pascals() / 100.0)));
    for ask in &outlook.asks {
        match ask {
            Ask::Filter { limit, .. } => {
                lines.push(format!("change the filter: its limit is {:.0} mbar", limit.pascals() / 100.0));
            }
            Ask::Service { .. } => lines.push("service the pump: its hours are up".to_owned()),
            Ask::Suction(part) => lines.push(format!(
                "look at the filter, then the pump: suction is weaker, as if {:.0} % more leaked",
                part.share * 100.0
            )),
            Ask::Skim(_)
            | Ask::SkimPays { .. }
            | Ask::ChangeBoard { .. }
            | Ask::Order { .. }
            | Ask::Seal(_)
            | Ask::Jumped(_) => {}
        }
    }
    lines
}

/// Four digits.
pub(super) fn rounded(value: f64) -> f64 {
    format!("{value:.3e}").parse().unwrap_or(value)
}
