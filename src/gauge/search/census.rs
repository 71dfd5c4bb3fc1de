//! Which registers of a unit answer, and what they hold, once and again.
//!
//! Rows of registers are asked for first; a row that is refused is asked for one by one, since many units refuse a row with a
//! hole in it, and where nothing came of that in pairs, since some refuse half of a number.

use std::collections::{BTreeMap, VecDeque};

use super::exchange::{Exchange, Outcome};
use super::{Conversation, Form, Step};
use crate::gauge::RegisterTable;
use crate::modbus::{Refusal, Request};
use crate::moment::{Span, Steady};

/// Registers in a row.
const ROW: u16 = 16;
/// How far rows are asked for when nothing is said.
const ROWS_TO: u16 = 512;
/// How far registers are asked for one by one.
const SINGLES_TO: u16 = 128;
/// Where registers of other units often begin (common practice, no source).
const ELSEWHERE: [u16; 15] =
    [768, 1_000, 1_024, 2_000, 2_048, 3_000, 4_000, 4_096, 5_000, 6_000, 8_192, 10_000, 20_000, 30_000, 40_000];
/// The least time from one sweep to the next.
const SWEEP: Span = Span::from_millis(100);
/// How long a unit may take; after a silence it is left alone for as long again.
const PATIENCE: Span = Span::from_millis(500);
/// After so many silences in a row a table is left alone.
const MOST_SILENCES: u32 = 16;

/// Where a register is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RegisterPlace {
    /// The unit.
    pub unit: u8,
    /// Which of its tables.
    pub table: RegisterTable,
    /// The register, counted from 0 as on the wire.
    pub address: u16,
}

/// Registers to look at: from the first to the last, both of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ranges(pub u16, pub u16);

/// Registers asked for at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Row {
    first: RegisterPlace,
    count: u16,
    /// Whether it was asked for before, and nothing came.
    again: bool,
    /// Left out if the table has shown registers by then.
    last_resort: bool,
}

impl Row {
    fn new(unit: u8, table: RegisterTable, address: u16, count: u16) -> Self {
        Row { first: RegisterPlace { unit, table, address }, count, again: false, last_resort: false }
    }

    fn request(&self) -> Request {
        let (address, count) = (self.first.address, self.count);
        match self.first.table {
            RegisterTable::Holding => Request::ReadHolding { address, count },
            RegisterTable::Input => Request::ReadInput { address, count },
        }
    }

    fn places(&self) -> impl Iterator<Item = RegisterPlace> {
        let first = self.first;
        (0..self.count).map(move |step| RegisterPlace { address: first.address.saturating_add(step), ..first })
    }
}

/// Asks units for all their registers.
#[derive(Clone, Debug)]
pub struct Census {
    form: Option<Form>,
    exchange: Exchange,
    rows: VecDeque<Row>,
    now: Option<Row>,
    /// Whether the last register is the end, whatever answers.
    bounded: bool,
    /// Silences in a row.
    silences: u32,
    answered: Vec<Row>,
    values: BTreeMap<RegisterPlace, u16>,
}

impl Census {
    /// Asks these units on a line of this form; for all registers that are usual, or for these.
    pub fn new(form: Form, units: &[u8], ranges: Option<Ranges>) -> Self {
        let mut rows = VecDeque::new();
        for unit in units {
            for table in [RegisterTable::Input, RegisterTable::Holding] {
                let Ranges(first, last) = ranges.unwrap_or(Ranges(0, ROWS_TO - 1));
                let starts = (first..=last).step_by(usize::from(ROW));
                rows.extend(
                    starts.map(|start| Row::new(*unit, table, start, ROW.min((last - start).saturating_add(1)))),
                );
                if ranges.is_none() {
                    rows.extend(ELSEWHERE.iter().map(|start| Row::new(*unit, table, *start, 2)));
                }
            }
        }
        Census {
            form: Some(form),
            exchange: Exchange::new(form, PATIENCE),
            rows,
            now: None,
            bounded: ranges.is_some(),
            silences: 0,
            answered: Vec::new(),
            values: BTreeMap::new(),
        }
    }

    /// The registers that answered, with what they held.
    pub fn values(&self) -> &BTreeMap<RegisterPlace, u16> {
        &self.values
    }

    /// How many questions are left, as far as is known.
    pub fn left(&self) -> usize {
        self.rows.len()
    }

    /// The registers that answered, watched until a time.
    pub fn watch(&self, form: Form, until: Steady) -> RegisterWatch {
        RegisterWatch {
            form: Some(form),
            exchange: Exchange::new(form, PATIENCE),
            rows: self.answered.clone(),
            next: 0,
            begin: Steady::default(),
            until,
            current: BTreeMap::new(),
            sweeps: Vec::new(),
        }
    }

    fn take(&mut self, row: Row, outcome: Outcome) {
        self.silences = if outcome == Outcome::Silent { self.silences + 1 } else { 0 };
        match outcome {
            Outcome::Registers(registers) => {
                self.values.extend(row.places().zip(registers));
                self.answered.push(row);
                self.go_on(row);
            }
            // It has no such table; or it is broken, or answers for nobody.
            Outcome::Refused(code) if code.0 == 1 || code.refusal() == Refusal::Failure && !self.has_shown(row) => {
                self.leave(row);
            }
            Outcome::Refused(code) if matches!(code.0, 5 | 6) && !row.again => {
                self.rows.push_back(Row { again: true, ..row });
            }
            Outcome::Silent if !row.again => self.rows.push_front(Row { again: true, ..row }),
            Outcome::Silent if self.silences >= MOST_SILENCES => self.leave(row),
            Outcome::Refused(_) | Outcome::Silent => self.split(row),
        }
    }

    /// Whether a row's table has shown any register.
    fn has_shown(&self, row: Row) -> bool {
        let table = |place: &RegisterPlace| (place.unit, place.table) == (row.first.unit, row.first.table);
        self.values.keys().any(table)
    }

    /// Asks nothing more of a row's table.
    fn leave(&mut self, row: Row) {
        let (unit, table) = (row.first.unit, row.first.table);
        self.rows.retain(|other| (other.first.unit, other.first.table) != (unit, table));
        self.silences = 0;
    }

    /// Behind a row that answered there may be more.
    fn go_on(&mut self, row: Row) {
        if self.bounded || row.count < 2 || row.last_resort {
            return;
        }
        let RegisterPlace { unit, table, address } = row.first;
        let next = address.saturating_add(row.count);
        let known = |other: &Row| {
            let first = other.first;
            (first.unit, first.table) == (unit, table)
                && (first.address..first.address.saturating_add(other.count)).contains(&next)
        };
        if next < u16::MAX - ROW && !self.rows.iter().chain(&self.answered).any(known) {
            self.rows.push_front(Row::new(unit, table, next, ROW));
        }
    }

    fn split(&mut self, row: Row) {
        let near = self.bounded || row.first.address < SINGLES_TO;
        if row.count > 2 && near {
            let each = row.places().map(|place| Row { first: place, count: 1, again: false, last_resort: false });
            for single in each.collect::<Vec<_>>().into_iter().rev() {
                self.rows.push_front(single);
            }
        } else if row.count > 2 {
            // A row that reaches over the end of a unit's registers.
            if self.values.contains_key(&RegisterPlace { address: row.first.address.saturating_sub(1), ..row.first }) {
                for place in row.places().collect::<Vec<_>>().into_iter().rev() {
                    self.rows.push_front(Row { first: place, count: 1, again: true, last_resort: false });
                }
            }
        } else if row.count == 1 && near && !row.last_resort && row.first.address < u16::MAX {
            self.rows.push_back(Row { count: 2, again: true, last_resort: true, ..row });
        }
    }

    fn next_row(&mut self) -> Option<Row> {
        while let Some(row) = self.rows.pop_front() {
            let has = |place: &RegisterPlace| (place.unit, place.table) == (row.first.unit, row.first.table);
            let wanted = !row.last_resort || !self.answered.iter().any(|other| has(&other.first) && !other.last_resort);
            if wanted && !self.values.contains_key(&row.first) {
                return Some(row);
            }
        }
        None
    }
}

impl Conversation for Census {
    fn step(&mut self, at: Steady) -> Step {
        if let Some(form) = self.form.take() {
            return Step::Form(form);
        }
        loop {
            if let Some(step) = self.exchange.step(at) {
                return step;
            }
            if let Some(row) = self.now.take()
                && let Some(outcome) = self.exchange.take()
            {
                self.take(row, outcome);
            }
            let Some(row) = self.next_row() else { return Step::Done };
            self.exchange.ask(row.first.unit, row.request());
            self.now = Some(row);
        }
    }

    fn bytes(&mut self, at: Steady, bytes: &[u8]) {
        self.exchange.bytes(at, bytes);
    }
}

/// All registers, taken once.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sweep {
    /// When the last of them came.
    pub at: Steady,
    /// What they held.
    pub values: BTreeMap<RegisterPlace, u16>,
}

/// Takes the same registers again and again until a time.
#[derive(Clone, Debug)]
pub struct RegisterWatch {
    form: Option<Form>,
    exchange: Exchange,
    rows: Vec<Row>,
    next: usize,
    /// When the next sweep may begin.
    begin: Steady,
    until: Steady,
    current: BTreeMap<RegisterPlace, u16>,
    sweeps: Vec<Sweep>,
}

impl RegisterWatch {
    /// The sweeps so far, each whole but for rows that did not answer.
    pub fn sweeps(&self) -> &[Sweep] {
        &self.sweeps
    }
}

impl Conversation for RegisterWatch {
    fn step(&mut self, at: Steady) -> Step {
        if let Some(form) = self.form.take() {
            return Step::Form(form);
        }
        if let Some(step) = self.exchange.step(at) {
            return step;
        }
        if !self.exchange.is_free() {
            let row = self.rows.get(self.next);
            if let (Some(Outcome::Registers(registers)), Some(row)) = (self.exchange.take(), row) {
                self.current.extend(row.places().zip(registers));
            }
            self.next += 1;
        }
        if self.next >= self.rows.len() {
            self.next = 0;
            let values = std::mem::take(&mut self.current);
            if !values.is_empty() {
                self.sweeps.push(Sweep { at, values });
            }
            if at >= self.until {
                return Step::Done;
            }
        }
        let Some(row) = self.rows.get(self.next) else { return Step::Done };
        if self.next == 0 {
            if at < self.begin {
                return Step::Listen(self.begin);
            }
            self.begin = at.plus(SWEEP);
        }
        self.exchange.ask(row.first.unit, row.request());
        self.exchange.step(at).unwrap_or(Step::Done)
    }

    fn bytes(&mut self, at: Steady, bytes: &[u8]) {
        self.exchange.bytes(at, bytes);
    }
}
