//! The parts of a table and of what lies on it, as checked values.
//!
//! Co-ordinates are metres from the board's lower left corner, x along its length, y along its width.

use serde::{Deserialize, Serialize};

use crate::units::{
    AbsolutePressure, InletFlow, LayerResistance, Length, Permeability, SquareConductance, SquareResistance,
    Temperature, Viscosity,
};

/// A point on the table.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// Along the board's length.
    pub x: Length,
    /// Along the board's width.
    pub y: Length,
}

/// An axis-parallel rectangle on the table.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rect {
    /// The corner with the least x and y.
    pub low: Point,
    /// The corner with the greatest x and y.
    pub high: Point,
}

impl Rect {
    /// From metres; the caller has checked that `x0 < x1` and `y0 < y1`.
    pub const fn from_metres(x0: f64, y0: f64, x1: f64, y1: f64) -> Self {
        Rect {
            low: Point { x: Length::from_metres(x0), y: Length::from_metres(y0) },
            high: Point { x: Length::from_metres(x1), y: Length::from_metres(y1) },
        }
    }

    /// Its extent along x.
    pub fn width(&self) -> Length {
        self.high.x - self.low.x
    }

    /// Its extent along y.
    pub fn height(&self) -> Length {
        self.high.y - self.low.y
    }
}

/// A zone, by its place in the table.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct ZoneId(pub u8);

/// A set of up to 64 zones.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct ZoneSet(u64);

impl ZoneSet {
    /// The most zones a table may have.
    pub const MOST: usize = 64;

    /// No zone.
    pub const EMPTY: ZoneSet = ZoneSet(0);

    /// The first `count` zones.
    pub const fn first(count: usize) -> Self {
        if count >= 64 { ZoneSet(u64::MAX) } else { ZoneSet((1 << count) - 1) }
    }

    /// Whether `zone` is in it.
    pub const fn contains(self, zone: ZoneId) -> bool {
        zone.0 < 64 && self.0 >> zone.0 & 1 == 1
    }

    /// With `zone` put in.
    #[must_use]
    pub const fn with(self, zone: ZoneId) -> Self {
        ZoneSet(self.0 | 1 << zone.0)
    }

    /// With `zone` taken out.
    #[must_use]
    pub const fn without(self, zone: ZoneId) -> Self {
        ZoneSet(self.0 & !(1 << zone.0))
    }

    /// With those of `other` put in.
    #[must_use]
    pub const fn and(self, other: ZoneSet) -> Self {
        ZoneSet(self.0 | other.0)
    }

    /// With those of `other` taken out.
    #[must_use]
    pub const fn minus(self, other: ZoneSet) -> Self {
        ZoneSet(self.0 & !other.0)
    }

    /// Those that are in both.
    #[must_use]
    pub const fn common(self, other: ZoneSet) -> Self {
        ZoneSet(self.0 & other.0)
    }

    /// How many there are.
    pub const fn len(self) -> usize {
        self.0.count_ones() as usize
    }

    /// Whether there is none.
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Its zones in order.
    pub fn iter(self) -> impl Iterator<Item = ZoneId> {
        (0..64).map(ZoneId).filter(move |zone| self.contains(*zone))
    }
}

impl FromIterator<ZoneId> for ZoneSet {
    fn from_iter<I: IntoIterator<Item = ZoneId>>(zones: I) -> Self {
        zones.into_iter().fold(ZoneSet::EMPTY, ZoneSet::with)
    }
}

/// A part, by its place in the job.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct PartId(pub u32);

/// The air about the table.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Air {
    /// The room's absolute pressure.
    pub room: AbsolutePressure,
    /// The temperature of all air that flows.
    pub temperature: Temperature,
    /// Its viscosity.
    pub viscosity: Viscosity,
    /// Its gas constant in J/(kg·K).
    pub gas_constant: f64,
}

/// One layer of a board.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Layer {
    /// Its thickness.
    pub thickness: Length,
    /// Its permeability in the plane of the board.
    pub along: Permeability,
    /// Its permeability through the board.
    pub through: Permeability,
}

/// A side face of the board.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Rim {
    /// Lets nothing through.
    Sealed,
    /// Bare.
    Open,
    /// Covered by a thin seal of this resistance.
    HalfSealed(LayerResistance),
}

/// The four side faces.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rims {
    /// At x = 0.
    pub x_min: Rim,
    /// At x = length.
    pub x_max: Rim,
    /// At y = 0.
    pub y_min: Rim,
    /// At y = width.
    pub y_max: Rim,
}

/// A straight joint between boards that leaks to the room.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Seam {
    /// One end.
    pub from: Point,
    /// The other end.
    pub to: Point,
    /// Its conductance per metre, in m², spread over the board's depth.
    pub conductance_m2: f64,
}

/// How the pores of a board depart from Darcy's law.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Pores {
    /// Klinkenberg's slip pressure b in k·(1 + b/p); none where it is inside a fitted permeability.
    pub slip: AbsolutePressure,
    /// Forchheimer's inertial coefficient β in 1/m.
    pub inertia_per_metre: f64,
}

impl Pores {
    /// Darcy's law alone.
    pub const DARCY: Pores = Pores { slip: AbsolutePressure::ZERO, inertia_per_metre: 0.0 };
}

/// The sacrificial board.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Board {
    /// Its extent along x.
    pub length: Length,
    /// Its extent along y.
    pub width: Length,
    /// Its layers from the bottom to the top; at least one.
    pub layers: Vec<Layer>,
    /// Its side faces.
    pub rims: Rims,
    /// Joints in it.
    pub seams: Vec<Seam>,
    /// Extra resistance of its bare top face.
    pub top_entry: LayerResistance,
    /// Slip and inertia in its pores.
    pub pores: Pores,
}

impl Board {
    /// The sum of its layers.
    pub fn thickness(&self) -> Length {
        self.layers.iter().map(|layer| layer.thickness).sum()
    }
}

/// How a zone's valve and hose resist.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum ValveLaw {
    /// p_u² − p_d² = r·Q·|Q|.
    IsothermalPipe(SquareResistance),
    /// ISO 6358: sonic conductance in m³/(s·Pa) and critical pressure ratio.
    Iso6358 {
        /// Sonic conductance C in m³/(s·Pa).
        sonic_conductance: f64,
        /// Critical pressure ratio b.
        critical_ratio: f64,
    },
}

/// A zone of the plenum.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Zone {
    /// The name the operator gives it.
    pub name: String,
    /// Where it touches the board's underside.
    pub rects: Vec<Rect>,
    /// Its valve and hose.
    pub valve: ValveLaw,
    /// The leak of its plenum to the room.
    pub leak: SquareConductance,
}

/// What lies under the board.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Plenum {
    /// Resistance between plenum and underside per zone area: the grooves, homogenised.
    pub contact: LayerResistance,
    /// The zones; at most [`ZoneSet::MOST`], none overlapping.
    pub zones: Vec<Zone>,
}

/// A valve that lets air in when the manifold goes too deep: throughput = slope·(set − p).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Relief {
    /// The absolute pressure below which it opens.
    pub set: AbsolutePressure,
    /// Throughput per pascal beyond that, in m³/s.
    pub slope_m3_s: f64,
}

/// Where the zones' hoses meet.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Manifold {
    /// A standing leak to the room.
    pub bleed: SquareConductance,
    /// A relief valve.
    pub relief: Option<Relief>,
}

/// Equal pumps side by side.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Pump {
    /// Pumping speed of one at rising absolute inlet pressure, linear between points, zero at and below the first; throughput
    /// S·p must not fall as p rises.
    pub curve: Vec<(AbsolutePressure, InletFlow)>,
    /// How many run.
    pub count: u32,
    /// What is left of their speed, 1 as new.
    pub wear: f64,
}

/// A whole table with nothing on it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Table {
    /// The air about it.
    pub air: Air,
    /// The board.
    pub board: Board,
    /// The plenum and its zones.
    pub plenum: Plenum,
    /// The manifold.
    pub manifold: Manifold,
    /// The filter between manifold and pump.
    pub filter: SquareResistance,
    /// The pump.
    pub pump: Pump,
}

impl Table {
    /// The same table under another room's pressure: the pump keeps its compression ratio, a relief valve its level below the room.
    #[must_use]
    pub fn in_room(mut self, room: AbsolutePressure) -> Self {
        let ratio = room / self.air.room;
        for (pressure, _) in &mut self.pump.curve {
            *pressure = *pressure * ratio;
        }
        if let Some(relief) = &mut self.manifold.relief {
            relief.set = relief.set.vacuum_below(self.air.room).below(room);
        }
        self.air.room = room;
        self
    }

    /// The room's pressure as the field counts it: Darcy's law with slip is linear in (p_atm + b)² − (p + b)².
    pub fn field_room(&self) -> AbsolutePressure {
        AbsolutePressure::from_pascals(self.air.room.pascals() + self.board.pores.slip.pascals())
    }
}

/// A sheet on the board.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sheet {
    /// What it covers.
    pub rect: Rect,
    /// The gap between it and the board, through which air creeps sideways.
    pub gap: Length,
    /// Its permeability and thickness, if air passes through it.
    pub passes: Option<(Permeability, Length)>,
}

/// A cut that is open to the board.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Kerf {
    /// Its width.
    pub width: Length,
    /// Its middle line; the ends are square, half a width beyond the last point.
    pub path: Vec<Point>,
}

/// A part's footprint.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PartShape {
    /// The name the job gives it.
    pub name: String,
    /// Its outline, closed, without its last point repeated.
    pub outline: Vec<Point>,
    /// The outlines of windows in it: what lies in them, loose or not at all, does not hold it.
    pub openings: Vec<Vec<Point>>,
    /// Whether it is gone and its place is bare board.
    pub lost: bool,
}

/// What lies on the board at one moment.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct TableLoad {
    /// Sheets; none on a bare table.
    pub sheets: Vec<Sheet>,
    /// Cuts through them.
    pub kerfs: Vec<Kerf>,
    /// Parts whose force is asked for, cut free or not.
    pub parts: Vec<PartShape>,
}

impl TableLoad {
    /// The same with another load beside it; this one's parts keep their numbers.
    #[must_use]
    pub fn beside(self, other: &TableLoad) -> Self {
        // What lies beside does not change while this load is cut, so it comes first.
        let joined = |one: &[Kerf], two: Vec<Kerf>| one.iter().cloned().chain(two).collect();
        let mut whole = TableLoad { kerfs: joined(&other.kerfs, self.kerfs), ..self };
        whole.sheets.extend_from_slice(&other.sheets);
        whole.parts.extend_from_slice(&other.parts);
        whole
    }
}
