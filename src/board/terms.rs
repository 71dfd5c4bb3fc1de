//! The shop's own prices, minutes and limits, by which care is judged.
//!
//! What nobody told stands in with a figure of common practice (no source), and is shown as assumed wherever it counts.

use serde::{Deserialize, Serialize};

use super::{BoardSettings, Cost};
use crate::moment::Span;
use crate::units::{Length, Power, Vacuum};

/// Prices, minutes and limits; what is none was not told.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Terms {
    /// A new board, fitted and faced.
    pub board: Option<Cost>,
    /// An hour in which the machine stands.
    pub hour: Option<Cost>,
    /// A lost part.
    pub part: Option<Cost>,
    /// A kilowatt hour.
    pub kilowatt_hour: Option<Cost>,
    /// The stop for a skim as a whole.
    pub skim_takes: Option<Span>,
    /// What a skim takes off the face.
    pub skim_depth: Option<Length>,
    /// How far a cutter goes into the board, for cards that say nothing.
    pub into_board: Option<Length>,
    /// The least thickness at which a board is used.
    pub least_thickness: Option<Length>,
    /// A new board's thickness.
    pub new_thickness: Option<Length>,
    /// Working days from ordering a board to having it.
    pub lead_days: Option<f64>,
    /// Sheets cut in a working day; counted if it is not told.
    pub sheets_a_day: Option<f64>,
    /// The leak index at which a skim is due.
    pub skim_at: Option<f64>,
    /// How many times as much as after the last sealing a freshly skimmed face may leak.
    pub seal_at: Option<f64>,
    /// The pressure over the filter at which it is to be changed.
    pub filter_drop: Option<Vacuum>,
    /// Pump hours from one service to the next.
    pub service_hours: Option<f64>,
    /// What the pumps draw from the mains.
    pub pump: Option<Power>,
}

/// A figure and whether somebody told it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figure {
    /// Its name, as the setup has it.
    pub key: &'static str,
    /// The value, in the unit of its name.
    pub value: f64,
    /// Whether it stands in for one that nobody told.
    pub assumed: bool,
}

/// A skim's stop of common practice: 20 to 40 minutes with preparation.
const SKIM_MINUTES: f64 = 30.0;
const SKIM_DEPTH_MM: f64 = 0.5;
const INTO_BOARD_MM: f64 = 0.2;
const LEAST_MM: f64 = 9.0;
const NEW_MM: f64 = 18.0;
const LEAD_DAYS: f64 = 10.0;
const BOARD: f64 = 95.0;
const HOUR: f64 = 28.0;
const PART: f64 = 35.0;

impl Terms {
    /// A new board, fitted and faced.
    pub fn board(&self) -> Cost {
        self.board.unwrap_or(Cost::from_money(BOARD))
    }

    /// A lost part.
    pub fn part(&self) -> Cost {
        self.part.unwrap_or(Cost::from_money(PART))
    }

    /// A skim: its minutes at the price of the hour.
    pub fn skim(&self) -> Cost {
        let hour = self.hour.map_or(HOUR, Cost::money);
        Cost::from_money(hour * self.skim_takes().secs_f64() / 3600.0)
    }

    /// The stop for a skim.
    pub fn skim_takes(&self) -> Span {
        self.skim_takes.unwrap_or(Span::from_secs_f64(60.0 * SKIM_MINUTES))
    }

    /// What a skim takes off.
    pub fn skim_depth(&self) -> Length {
        self.skim_depth.unwrap_or(Length::from_millimetres(SKIM_DEPTH_MM))
    }

    /// How far a cutter goes into the board.
    pub fn into_board(&self) -> Length {
        self.into_board.unwrap_or(Length::from_millimetres(INTO_BOARD_MM))
    }

    /// Working days from ordering a board to having it.
    pub fn lead_days(&self) -> f64 {
        self.lead_days.unwrap_or(LEAD_DAYS)
    }

    /// Skims in a board of this thickness, down to the least.
    pub fn skims_in(&self, thickness: Length) -> usize {
        let least = self.least_thickness.unwrap_or(Length::from_millimetres(LEAST_MM));
        let (left, each) = ((thickness - least).millimetres(), self.skim_depth().millimetres());
        if left <= 0.0 || each <= 0.0 { 0 } else { (left / each + 1e-9).min(1e3) as usize }
    }

    /// Skims in a new board.
    pub fn skims_in_new(&self) -> usize {
        self.skims_in(self.new_thickness.unwrap_or(Length::from_millimetres(NEW_MM)))
    }

    /// When the board asks for care.
    pub fn settings(&self) -> BoardSettings {
        let usual = BoardSettings::default();
        BoardSettings { skim_at: self.skim_at.unwrap_or(usual.skim_at), seal_at: self.seal_at.unwrap_or(usual.seal_at) }
    }

    /// What the pumps' energy costs in an hour; none if power or price is not told.
    pub fn pump_hour(&self) -> Option<Cost> {
        Some(super::pumps::energy(self.pump?, Span::from_secs(3600), self.kilowatt_hour?))
    }

    /// Everything that a decision rests on, to be argued with.
    pub fn figures(&self) -> Vec<Figure> {
        let figure =
            |key, told: Option<f64>, usual| Figure { key, value: told.unwrap_or(usual), assumed: told.is_none() };
        vec![
            figure("prices.board", self.board.map(Cost::money), BOARD),
            figure("prices.hour", self.hour.map(Cost::money), HOUR),
            figure("prices.part", self.part.map(Cost::money), PART),
            figure("care.skim_minutes", self.skim_takes.map(|span| span.secs_f64() / 60.0), SKIM_MINUTES),
            figure("care.skim_depth_mm", self.skim_depth.map(Length::millimetres), SKIM_DEPTH_MM),
            figure("care.least_thickness_mm", self.least_thickness.map(Length::millimetres), LEAST_MM),
            figure("care.new_thickness_mm", self.new_thickness.map(Length::millimetres), NEW_MM),
            figure("care.lead_days", self.lead_days, LEAD_DAYS),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: half an hour at 28 is 14; from 18 mm down to 9 at half a millimetre a skim are 18 skims.
    #[test]
    fn what_nobody_told_is_assumed_and_said_to_be() {
        let terms = Terms::default();
        assert!((terms.skim().money() - 14.0).abs() < 1e-12);
        assert_eq!(terms.skims_in_new(), 18);
        assert_eq!(terms.skims_in(Length::from_millimetres(9.4)), 0);
        assert!(terms.figures().iter().all(|figure| figure.assumed));
        let told =
            Terms { board: Some(Cost::from_money(140.0)), skim_depth: Some(Length::from_millimetres(1.0)), ..terms };
        assert_eq!((told.board().money(), told.skims_in_new()), (140.0, 9));
        assert_eq!(told.figures().iter().filter(|figure| !figure.assumed).count(), 2);
    }

    /// By hand: 5.5 kW at 0.30 a kilowatt hour are 1.65 an hour.
    #[test]
    fn an_hour_of_pumping_has_a_price_only_if_power_and_price_are_told() {
        let kilowatt_hour = Some(Cost::from_money(0.30));
        assert_eq!(Terms { kilowatt_hour, ..Terms::default() }.pump_hour(), None);
        let told = Terms { kilowatt_hour, pump: Some(Power::from_watts(5500.0)), ..Terms::default() };
        assert!((told.pump_hour().unwrap().money() - 1.65).abs() < 1e-9);
    }
}
