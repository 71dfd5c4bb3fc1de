//! How long the board's reckoning takes: a survey and its refit, a year's trend, the cheapest plan.
//!
//! `cargo bench --bench board`; one thread.

use divan::Bencher;
use holdwatch::board::survey::{Cover, Place, Reading, Survey, Trial};
use holdwatch::board::{BoardLife, BoardSettings, Cost, Deed, Trace, Upkeep};
use holdwatch::moment::Steady;
use holdwatch::setup::{Setup, read_setup};
use holdwatch::table::field::{Field, Resolution};
use holdwatch::table::{Condensed, Point, Rect, Sheet, Table, TableLoad, Tap, ZoneId, ZoneSet, operating_point};
use holdwatch::units::{Length, Vacuum};

fn main() {
    divan::main();
}

fn upkeep(worst_damage: usize, skims: usize) -> Upkeep {
    let share = 40.0 / worst_damage as f64;
    Upkeep {
        worst_damage,
        skims,
        wear: vec![(1, 0.5), (2, 0.35), (3, 0.15)],
        fresh_margin: 2.2,
        damage_takes: 0.03 * share,
        skim_takes: 0.16 / skims as f64,
        margin_spread: 0.18,
        parts: 6.0,
        part: Cost::from_money(35.0),
        energy: Cost::from_money(0.9),
        damage_costs: 0.02 * share,
        skim: Cost::from_money(14.0),
        board: Cost::from_money(95.0),
    }
}

/// 41 damages and 9 counts of skims; 400 and 40.
#[divan::bench(args = [(40, 8), (399, 39)])]
fn cheapest_plan(bencher: Bencher, (damage, skims): (usize, usize)) {
    let upkeep = upkeep(damage, skims);
    bencher.bench(|| upkeep.cheapest());
}

/// 20,000 sheets, skimmed every 250, and the trend asked for at the end.
#[divan::bench]
fn a_year_of_sheets(bencher: Bencher) {
    bencher.bench(|| {
        let mut board = BoardLife::new(BoardSettings::default());
        for sheet in 0..20_000_u32 {
            let worn = f64::from(sheet % 250) / 250.0;
            let scatter = f64::from(sheet.wrapping_mul(2_654_435_761) >> 16) / 65_536.0 - 0.5;
            board.seated(Trace { at: Steady::default(), leak_index: 1.0 + worn + 0.1 * scatter, spread: 0.05 });
            if sheet % 250 == 249 && sheet < 19_900 {
                board.did(Deed::Skimmed);
            }
        }
        (board.skim_due(), board.prompts())
    });
}

fn demo() -> Setup {
    read_setup(include_str!("../../config/demo.toml"), "demo.toml")
        .unwrap_or_else(|mistakes| unreachable!("{mistakes}"))
}

/// Nineteen readings that the table itself would give.
fn readings(table: &Table) -> Vec<Reading> {
    let origin = Point { x: Length::ZERO, y: Length::ZERO };
    let rect = Rect { low: origin, high: Point { x: table.board.length, y: table.board.width } };
    let film = TableLoad { sheets: vec![Sheet { rect, gap: Length::ZERO, passes: None }], ..TableLoad::default() };
    let zones = |load: &TableLoad| {
        let field = Field::solve(table, load, Resolution::Preview).unwrap_or_else(|error| unreachable!("{error}"));
        field.zones().clone()
    };
    let (film, bare) = (zones(&film), zones(&TableLoad::default()));
    let count = u8::try_from(table.plenum.zones.len()).unwrap_or(0);
    let all = ZoneSet::first(usize::from(count));
    let mut opened = vec![ZoneSet::EMPTY, all];
    opened.extend((0..count).map(|zone| ZoneSet::EMPTY.with(ZoneId(zone))));
    let read = |cover: Cover, open: ZoneSet, place: Place| {
        let point = operating_point(table, open, if cover == Cover::Film { &film } else { &bare });
        let level = match place {
            Place::Manifold => point.level(Tap::Manifold),
            Place::PumpInlet => point.level(Tap::PumpInlet),
            Place::FilterDrop => point.level(Tap::PumpInlet) - point.level(Tap::Manifold),
        };
        let trial = Trial { cover, open, hole: Length::ZERO, place };
        Reading { trial, level, spread: Vacuum::from_pascals(200.0), room: table.air.room }
    };
    let mut readings: Vec<Reading> = [Cover::Film, Cover::Bare]
        .into_iter()
        .flat_map(|cover| opened.iter().map(move |open| (cover, *open)))
        .map(|(cover, open)| read(cover, open, Place::Manifold))
        .collect();
    readings.push(read(Cover::Bare, all, Place::FilterDrop));
    readings
}

/// The demo's table of six zones, its field solved at the standard resolution as often as the fit asks.
#[divan::bench(sample_count = 5, sample_size = 1)]
fn survey(bencher: Bencher) {
    let setup = demo();
    let readings = readings(&setup.table);
    bencher.bench(|| Survey { table: &setup.table, readings: &readings }.fit(Resolution::Standard));
}

/// The same with one reading more, on the board as solved before.
#[divan::bench(sample_count = 10, sample_size = 1)]
fn refit(bencher: Bencher) {
    let setup = demo();
    let readings = readings(&setup.table);
    let survey = Survey { table: &setup.table, readings: &readings };
    let earlier = Survey { table: &setup.table, readings: &readings[..readings.len() - 1] }.fit(Resolution::Preview);
    let earlier = earlier.unwrap_or_else(|error| unreachable!("{error}"));
    bencher.bench(|| survey.refit(&earlier));
}
