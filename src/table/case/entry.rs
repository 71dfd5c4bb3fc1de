//! A value of a case with the path that leads to it, so that every refusal can name both.

use serde_json::{Map, Value};

use super::CaseError;
use crate::table::{Board, Point, Rect};
use crate::units::Length;

/// A value of the case with the path that leads to it.
pub(super) struct Entry<'a> {
    /// Where it stands; empty for the case itself.
    pub path: String,
    /// What stands there.
    pub value: &'a Value,
}

impl<'a> Entry<'a> {
    pub(super) fn wrong(&self, what: impl Into<String>) -> CaseError {
        let path = if self.path.is_empty() { "case".to_owned() } else { self.path.clone() };
        CaseError::Field { path, what: what.into() }
    }

    fn object(&self) -> Result<&'a Map<String, Value>, CaseError> {
        self.value.as_object().ok_or_else(|| self.wrong("is not an object"))
    }

    /// Refuses fields that are not in `known`, so that a slip of the pen is not silently left out.
    pub(super) fn only(&self, known: &[&str]) -> Result<(), CaseError> {
        match self.object()?.keys().find(|key| !known.contains(&key.as_str())) {
            Some(stranger) => {
                Err(self.wrong(format!("{stranger:?} is not a field here; known are {}", known.join(", "))))
            }
            None => Ok(()),
        }
    }

    pub(super) fn optional(&self, name: &str) -> Option<Entry<'a>> {
        let value = self.value.as_object()?.get(name).filter(|value| !value.is_null())?;
        let path = if self.path.is_empty() { name.to_owned() } else { format!("{}.{name}", self.path) };
        Some(Entry { path, value })
    }

    pub(super) fn field(&self, name: &str) -> Result<Entry<'a>, CaseError> {
        self.object()?;
        self.optional(name).ok_or_else(|| self.wrong(format!("lacks the field {name:?}")))
    }

    pub(super) fn list(&self) -> Result<Vec<Entry<'a>>, CaseError> {
        let values = self.value.as_array().ok_or_else(|| self.wrong("is not a list"))?;
        let entry = |(at, value)| Entry { path: format!("{}[{at}]", self.path), value };
        Ok(values.iter().enumerate().map(entry).collect())
    }

    pub(super) fn filled_list(&self) -> Result<Vec<Entry<'a>>, CaseError> {
        let entries = self.list()?;
        if entries.is_empty() { Err(self.wrong("is empty, needs at least 1 entry")) } else { Ok(entries) }
    }

    pub(super) fn text(&self) -> Result<&'a str, CaseError> {
        self.value.as_str().ok_or_else(|| self.wrong(format!("{} is not a text", self.value)))
    }

    pub(super) fn truth(&self) -> Result<bool, CaseError> {
        self.value.as_bool().ok_or_else(|| self.wrong(format!("{} is neither true nor false", self.value)))
    }

    pub(super) fn number(&self) -> Result<f64, CaseError> {
        let number = self.value.as_f64().filter(|number| number.is_finite());
        number.ok_or_else(|| self.wrong(format!("{} is not a finite number", self.value)))
    }

    pub(super) fn above(&self, limit: f64) -> Result<f64, CaseError> {
        let number = self.number()?;
        if number > limit { Ok(number) } else { Err(self.wrong(format!("{number} is not above {limit}"))) }
    }

    pub(super) fn above_zero(&self) -> Result<f64, CaseError> {
        self.above(0.0)
    }

    pub(super) fn at_least_zero(&self) -> Result<f64, CaseError> {
        let number = self.number()?;
        if number >= 0.0 { Ok(number) } else { Err(self.wrong(format!("{number} is below 0"))) }
    }

    /// A number from `low` to `high`.
    pub(super) fn between(&self, low: f64, high: f64, unit: &str) -> Result<f64, CaseError> {
        let number = self.number()?;
        if (low..=high).contains(&number) {
            return Ok(number);
        }
        Err(self.wrong(format!("{number} is not within {low} to {high} {unit}")))
    }

    /// A number above nothing and at most `high`.
    pub(super) fn above_zero_to(&self, high: f64, unit: &str) -> Result<f64, CaseError> {
        let number = self.above_zero()?;
        if number <= high { Ok(number) } else { Err(self.wrong(format!("{number} is above {high} {unit}"))) }
    }

    /// A list of exactly `N` numbers.
    pub(super) fn numbers<const N: usize>(&self) -> Result<[f64; N], CaseError> {
        let entries = self.list()?;
        let numbers = entries.iter().map(Entry::number).collect::<Result<Vec<f64>, CaseError>>()?;
        <[f64; N]>::try_from(numbers).map_err(|found| self.wrong(format!("has {} numbers, needs {N}", found.len())))
    }

    /// A point on `board` or at most `beyond` metres off it.
    pub(super) fn point(&self, board: &Board, beyond: f64) -> Result<Point, CaseError> {
        let [x, y] = self.numbers()?;
        self.on_board(x, board.length, beyond, "x")?;
        self.on_board(y, board.width, beyond, "y")?;
        Ok(Point { x: Length::from_metres(x), y: Length::from_metres(y) })
    }

    fn on_board(&self, value: f64, extent: Length, beyond: f64, axis: &str) -> Result<(), CaseError> {
        let (low, high) = (0.0 - beyond, extent.metres() + beyond);
        if (low - 1e-9..=high + 1e-9).contains(&value) {
            return Ok(());
        }
        Err(self.wrong(format!("{axis} = {value} is off the board, {low} to {high}")))
    }

    /// A rectangle on `board` that has an area.
    pub(super) fn rect(&self, board: &Board) -> Result<Rect, CaseError> {
        let [x0, y0, x1, y1] = self.numbers()?;
        for (low, high, axis) in [(x0, x1, "x"), (y0, y1, "y")] {
            if low >= high {
                return Err(self.wrong(format!("{axis} runs from {low} to {high}, which is not forwards")));
            }
        }
        for (value, extent, axis) in
            [(x0, board.length, "x"), (x1, board.length, "x"), (y0, board.width, "y"), (y1, board.width, "y")]
        {
            self.on_board(value, extent, 0.0, axis)?;
        }
        Ok(Rect::from_metres(x0, y0, x1, y1))
    }
}
