//! A job card as checked values.

use serde::{Deserialize, Serialize};

use super::plan::CardProgram;
use crate::table::{Point, Rect};
use crate::units::{Density, Force, Length};

/// A sheet material: what it weighs, how it slides, how hard it is to cut, whether air passes through it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Material {
    /// Its name on the card.
    pub name: String,
    /// Its density.
    pub density: Density,
    /// Static friction on the board.
    pub friction: f64,
    /// Specific cutting force in N/mm².
    pub cutting_force_n_mm2: f64,
    /// Its permeability through the sheet in m², zero for a tight one.
    pub permeability_m2: f64,
}

/// The sheet to be cut.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CardSheet {
    /// Where it lies on the table.
    pub rect: Rect,
    /// Its thickness.
    pub thickness: Length,
    /// What it is made of.
    pub material: Material,
    /// The gap under it, from its flatness and the board's face.
    pub gap: Length,
    /// Whether screws, clamps or tape hold it, with the vacuum or without.
    pub held_otherwise: bool,
    /// What is gone from the rectangle already, as closed outlines: bare board.
    pub missing: Vec<Vec<Point>>,
    /// How far its true rim may be from what is told, either way.
    pub ragged: Length,
}

/// What cuts.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Cutter {
    /// Diameter, or a blade's thickness; the kerf is as wide.
    pub diameter: Length,
    /// Depth of the last pass, at most the sheet's thickness.
    pub last_pass: Length,
    /// How it cuts.
    pub edge: Edge,
}

/// How a cutter cuts.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Edge {
    /// It turns and takes chips.
    Milling(Milling),
    /// A blade that is drawn through the sheet, and may go up and down in it.
    Knife {
        /// What it pulls the sheet along with.
        pull: Force,
        /// What it lifts the sheet with.
        lift: Force,
    },
}

/// A cutter that turns, and how it is driven.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Milling {
    /// Number of cutting edges.
    pub flutes: u32,
    /// Spindle speed in revolutions per minute.
    pub spindle_rpm: f64,
    /// Feed in metres per minute.
    pub feed_m_min: f64,
    /// Upward (positive) or downward (negative) pull as a share of the tangential force: tan of an up-cut helix.
    pub axial_share: f64,
}

/// What holds a part besides the vacuum when its kerf is closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HowHeld {
    /// Nothing.
    Vacuum,
    /// Tabs to the skeleton: the part stays with the sheet.
    Tabs,
    /// Screws, clamps or tape.
    Otherwise,
}

/// A part, in the order of cutting.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CardPart {
    /// Its name.
    pub name: String,
    /// Its footprint.
    pub rect: Rect,
    /// What else holds it.
    pub held: HowHeld,
}

/// A job.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Card {
    /// Its name.
    pub name: String,
    /// The sheet.
    pub sheet: CardSheet,
    /// The cutter of the parts' outlines.
    pub cutter: Cutter,
    /// The parts in the order of cutting; may be empty.
    pub parts: Vec<CardPart>,
    /// The names of the zones to open; none means those that the sheet lies on.
    pub zones: Vec<String>,
    /// The margin required.
    pub required_margin: f64,
    /// A sideways force to reckon with instead of the computed one.
    pub side_force: Option<Force>,
    /// The cut program, from which the parts come; none where the card names them.
    #[serde(default)]
    pub program: Option<CardProgram>,
    /// How far the cutter goes into the board, if the card says it.
    #[serde(default)]
    pub into_board: Option<Length>,
}

impl Card {
    /// Whether nothing of the job hangs on the vacuum: the sheet is held otherwise, and so is every part that comes free of it.
    pub fn needs_no_vacuum(&self) -> bool {
        self.sheet.held_otherwise && self.parts.iter().all(|part| part.held != HowHeld::Vacuum)
    }

    /// How deep the cut goes into the board, as the card says or its program does; none if neither tells.
    pub fn depth_into_board(&self) -> Option<Length> {
        let route = || self.program.as_ref()?.route.as_ref();
        self.into_board.or_else(|| Some(route()?.into_board))
    }
}
