//! The causes of the leak beyond expectation, from the sheets since the last skim or seal and the cards that they were cut by.

use std::collections::BTreeMap;

use super::story::Story;
use crate::board::causes::{Causes, Part, SheetLeak};
use crate::cli::forecast::open_zones;
use crate::job::Card;
use crate::setup::Setup;
use crate::table::{Board, Point, Rect, Seam, Table, ZoneSet};
use crate::units::{AbsolutePressure, Area, FreeAirFlow, Length, SquareConductance};
use crate::watch::Seated;

/// A zone nearer to a side than this is beside its rim.
const BESIDE: Length = Length::from_millimetres(100.0);

/// What the sheets tell of the causes, in sentences; nothing if too few of them have a card that is still there.
pub(super) fn told(story: &Story, setup: &Setup, cards: &[Card]) -> Vec<String> {
    let by_number: BTreeMap<u64, &str> =
        story.sheets.iter().filter_map(|sheet| Some((sheet.number, sheet.card.as_deref()?))).collect();
    let since = story.care.last().map_or(0, |care| care.seated_before);
    let leak = |(number, seated): &(u64, Seated)| {
        let card = cards.iter().find(|card| Some(card.name.as_str()) == by_number.get(number).copied())?;
        sheet_leak(seated, setup, card)
    };
    let leaks: Vec<SheetLeak> = story.seated[since..].iter().filter_map(leak).collect();
    Causes::of(&leaks).map(|causes| sentences(&causes, leaks.len())).unwrap_or_default()
}

fn sheet_leak(seated: &Seated, setup: &Setup, card: &Card) -> Option<SheetLeak> {
    let (table, open) = (&setup.table, open_zones(setup, card).ok()?);
    let (extra, spread) = seated.extra_leak?;
    let expected = seated.expected_flow?;
    let room = table.air.room;
    let potential = seated.level.below(room).potential_below(room).pascals_squared();
    let conductance = |flow: FreeAirFlow| conductance(flow, room, potential);
    let zones = || open.iter().filter_map(|zone| table.plenum.zones.get(usize::from(zone.0)));
    let rects = || zones().flat_map(|zone| &zone.rects);
    Some(SheetLeak {
        expected: conductance(expected),
        measured: conductance(expected + extra),
        spread: conductance(spread),
        covered: rects().map(|rect| common(rect, &card.sheet.rect)).sum(),
        rim: rects().map(|rect| rim_beside(rect, &table.board)).sum::<Length>() + seams_over(table, open),
    })
}

fn conductance(flow: FreeAirFlow, room: AbsolutePressure, potential: f64) -> SquareConductance {
    SquareConductance::from_m3_per_s_pa(flow.m3_per_s() * room.pascals() / potential)
}

fn common(a: &Rect, b: &Rect) -> Area {
    let along = a.high.x.min(b.high.x) - a.low.x.max(b.low.x);
    let across = a.high.y.min(b.high.y) - a.low.y.max(b.low.y);
    along.max(Length::ZERO) * across.max(Length::ZERO)
}

fn rim_beside(rect: &Rect, board: &Board) -> Length {
    [
        (rect.low.x, rect.height()),
        (board.length - rect.high.x, rect.height()),
        (rect.low.y, rect.width()),
        (board.width - rect.high.y, rect.width()),
    ]
    .into_iter()
    .filter(|(distance, _)| *distance < BESIDE)
    .map(|(_, length)| length)
    .sum()
}

/// How much of the seams lies over open zones, a zone's reach beside it counted in.
fn seams_over(table: &Table, open: ZoneSet) -> Length {
    let zones = || open.iter().filter_map(|zone| table.plenum.zones.get(usize::from(zone.0)));
    let rects = || zones().flat_map(|zone| &zone.rects);
    let over = |seam: &Seam| -> Length {
        let low = |a: Length, b: Length| a.min(b) - BESIDE;
        let high = |a: Length, b: Length| a.max(b) + BESIDE;
        let lane = Rect {
            low: Point { x: low(seam.from.x, seam.to.x), y: low(seam.from.y, seam.to.y) },
            high: Point { x: high(seam.from.x, seam.to.x), y: high(seam.from.y, seam.to.y) },
        };
        rects().map(|rect| Length::from_metres(common(rect, &lane).square_metres() / (2.0 * BESIDE.metres()))).sum()
    };
    table.board.seams.iter().map(over).sum()
}

fn sentences(causes: &Causes, sheets: usize) -> Vec<String> {
    let percent = |part: &Part| {
        format!("{:+.0} % ({:+.0} to {:+.0})", part.share * 100.0, part.interval.0 * 100.0, part.interval.1 * 100.0)
    };
    let parts = [("the face", causes.face), ("rims and seams", causes.rim), ("pump or filter", causes.suction)];
    let (told, untold): (Vec<_>, Vec<_>) = parts.into_iter().partition(|(_, part)| part.told);
    let mut lines = vec![format!(
        "beyond what is expected, {sheets} sheets since the last care leaked {} in all",
        percent(&causes.together)
    )];
    lines.extend(told.iter().map(|(name, part)| format!("of that {name}: {}", percent(part))));
    if !untold.is_empty() {
        let names: Vec<&str> = untold.iter().map(|(name, _)| *name).collect();
        lines.push(format!("these sheets cannot part {}: cut on other zones, or take a survey", names.join(", ")));
    }
    lines
}
