//! What is ordered in a guided run: a survey of the table, or the morning's check.

use serde::{Deserialize, Serialize};

use crate::units::{AbsolutePressure, Area, Force, Length, Vacuum};

/// A number that a person read and typed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Typed {
    /// The room's pressure, as read on a barometer in the shop.
    Barometer(AbsolutePressure),
    /// A level or, where the step asks for it, the difference over the filter.
    Level(Vacuum),
    /// What a luggage scale showed when a sheet of this size began to slide.
    Pull {
        /// The pull.
        pull: Force,
        /// The sheet's area over open zones.
        area: Area,
    },
}

/// An order to a survey; steps and readings go by their numbers in it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum SurveyOrder {
    /// A survey begins; capacity and permeability are wanted to this share.
    Start {
        /// The share, 0.02 to 0.5.
        wanted: f64,
    },
    /// The table is as a step asks, and its level is to be read.
    Measure {
        /// The step.
        step: u16,
        /// The diameter of the hole, where the step has one and it is another than it asks for.
        hole: Option<Length>,
        /// Whether an earlier reading of the step is kept beside the new one.
        beside: bool,
    },
    /// The reading that is under way is broken off.
    Stop,
    /// The level is as before although the table was changed: it is to be taken all the same.
    Confirm,
    /// Something is open again, so that the pump draws air.
    Opened,
    /// A reading is typed.
    Type {
        /// The step.
        step: u16,
        /// What was read.
        typed: Typed,
    },
    /// A reading is thrown out.
    Throw {
        /// The reading.
        reading: u16,
    },
    /// A reading that was thrown out counts again.
    TakeBack {
        /// The reading.
        reading: u16,
    },
    /// A step is left out, or is not left out any more.
    Skip {
        /// The step.
        step: u16,
        /// Whether it is left out.
        skip: bool,
    },
    /// The survey ends; what it came to stays.
    End,
}

/// What a person looks at in the morning's check.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CheckItem {
    /// Board, grooves and gaskets are free of chips.
    Chips,
    /// The filter's lid is shut and its bowl is empty.
    FilterLid,
    /// Every lamp was lit in turn.
    Lamps,
}

impl CheckItem {
    /// All of them, in their order.
    pub const ALL: [CheckItem; 3] = [CheckItem::Chips, CheckItem::FilterLid, CheckItem::Lamps];
}

/// What is measured in the morning's check.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reference {
    /// A hole of known size at the manifold, every zone shut.
    Hole {
        /// Its diameter in tenths of a millimetre.
        tenths: u16,
    },
    /// A zone alone, its board bare, by its name.
    BareZone {
        /// Its name.
        zone: String,
    },
    /// The whole board bare, every zone open.
    BareTable,
}

/// An order to the morning's check.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum CheckOrder {
    /// A check begins.
    Start,
    /// Somebody looked: it is as it should be, or not.
    Mark {
        /// At what.
        item: CheckItem,
        /// Whether it is as it should be.
        fine: bool,
    },
    /// The table is as the reference asks, and its level is to be read.
    Measure(Reference),
    /// The reading that is under way is broken off.
    Stop,
    /// The check is done, and is kept.
    Finish,
}
