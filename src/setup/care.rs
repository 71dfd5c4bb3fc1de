//! The shop's prices from `[prices]`, its minutes and limits from `[care]`.

use super::section::{LENGTH, LEVEL, PLAIN, Section};
use crate::board::{Cost, Terms};
use crate::moment::Span;
use crate::units::{Length, Power, Vacuum};

/// Amounts of money, in whatever the shop reckons in.
const MONEY: (f64, f64) = (0.0, 1e9);

/// Prices, minutes and limits.
pub(super) fn terms(prices: &Section, care: &Section) -> Option<Terms> {
    let money = |key: &str| prices.number(key, PLAIN, MONEY).map(Cost::from_money).optional();
    let (board, hour, part, kilowatt_hour) = (money("board"), money("hour"), money("part"), money("kwh"));
    let length = |key: &str, limits| care.number(key, LENGTH, limits).map(Length::from_millimetres).optional();
    let plain = |key: &str, limits| care.number(key, PLAIN, limits).optional();
    let minutes = |minutes: f64| Span::from_secs_f64(60.0 * minutes);
    let skim_takes = care.number("skim_minutes", PLAIN, (1.0, 600.0)).map(minutes).optional();
    let skim_depth = length("skim_depth", (0.05, 5.0));
    let into_board = length("into_board", (0.0, 10.0));
    let (least_thickness, new_thickness) =
        (length("least_thickness", (1.0, 100.0)), length("new_thickness", (2.0, 120.0)));
    let (lead_days, sheets_a_day) = (plain("lead_days", (0.0, 365.0)), plain("sheets_a_day", (0.1, 10_000.0)));
    let (skim_at, seal_at) = (plain("skim_at", (1.05, 20.0)), plain("seal_at", (1.05, 20.0)));
    let filter_drop =
        care.number("filter_drop", LEVEL, (1.0, 500.0)).map(|mbar| Vacuum::from_pascals(mbar * 100.0)).optional();
    let service_hours = plain("service_hours", (1.0, 100_000.0));
    let pump = care.number("pump_kw", PLAIN, (0.05, 1000.0)).map(|kw| Power::from_watts(kw * 1e3)).optional();
    Some(Terms {
        board: board?,
        hour: hour?,
        part: part?,
        kilowatt_hour: kilowatt_hour?,
        skim_takes: skim_takes?,
        skim_depth: skim_depth?,
        into_board: into_board?,
        least_thickness: least_thickness?,
        new_thickness: new_thickness?,
        lead_days: lead_days?,
        sheets_a_day: sheets_a_day?,
        skim_at: skim_at?,
        seal_at: seal_at?,
        filter_drop: filter_drop?,
        service_hours: service_hours?,
        pump: pump?,
    })
}
