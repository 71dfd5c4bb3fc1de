//! Pump, filter, manifold, valves and zones against the board: where they all balance.
//!
//! The board is linear in v = p_atm² − p² ([`ZoneMatrix`]); everything nonlinear lies on a network of a few unknowns that
//! is monotone, so that its one balance is always found. A closed zone is taken out with no net flow and floats. Outside,
//! one bracketed root on the pump's inlet pressure; inside, a damped Newton step on the open zones' throughputs, which stays
//! smooth where a valve's drop vanishes. Where a board slips, plenum leaks count as slipping too; inertia is taken to its first
//! order, as a resistance before each zone (exact where the flow is straight through the board).

use serde::{Deserialize, Serialize};

use super::leak::{SonicValve, nozzle};
use super::root::crossing;
use super::{Air, Table, ValveLaw, ZoneId, ZoneMatrix, ZoneSet};
use crate::units::{AbsolutePressure, Area, FreeAirFlow, MassFlow, PressureSquared, Throughput, Vacuum};

/// Where a pressure is taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tap {
    /// At the manifold, on the table's side of the filter.
    Manifold,
    /// At the pump's inlet, behind the filter.
    PumpInlet,
}

/// Where pump and table balance.
#[derive(Clone, Debug, PartialEq)]
pub struct OperatingPoint {
    /// Pressure at the manifold, on the table's side of the filter.
    pub manifold: AbsolutePressure,
    /// Pressure at the pump's inlet.
    pub pump_inlet: AbsolutePressure,
    /// What the pump moves.
    pub throughput: Throughput,
    /// What the relief valve lets in.
    pub relief: Throughput,
    /// Pressure in each zone's plenum; a closed zone floats.
    pub zones: Vec<AbsolutePressure>,
    /// What the board lets into each zone; its valve passes this and its plenum's own leak, a closed valve neither.
    pub zone_throughputs: Vec<Throughput>,
    /// What drives the flow through the board from each zone: v = p_atm² − p², with slip (p_atm + b)² − (p + b)², less what
    /// inertia takes.
    pub potentials: Vec<PressureSquared>,
    /// The room's pressure that these potentials are counted from, [`Table::field_room`].
    pub field_room: AbsolutePressure,
    /// The air all this was reckoned in.
    pub air: Air,
}

impl OperatingPoint {
    /// The level at a tap.
    pub fn level(&self, tap: Tap) -> Vacuum {
        match tap {
            Tap::Manifold => self.manifold.vacuum_below(self.air.room),
            Tap::PumpInlet => self.pump_inlet.vacuum_below(self.air.room),
        }
    }

    /// The flow counted in free air.
    pub fn free_air(&self) -> FreeAirFlow {
        self.throughput.at_room(self.air.room)
    }

    /// The flow counted in mass.
    pub fn mass_flow(&self) -> MassFlow {
        self.air.mass_flow(self.throughput)
    }
}

/// The balance of `table` with the zones of `open` open over a board condensed to `zones`.
///
/// `zones` has a row for each zone of the table. With no pump running the whole table is at the room's pressure.
pub fn operating_point(table: &Table, open: ZoneSet, zones: &ZoneMatrix) -> OperatingPoint {
    operating_point_with_hole(table, open, zones, Area::ZERO)
}

/// The same with a hole of the effective area Cd·A at the manifold: a test orifice, or a torn hose.
pub fn operating_point_with_hole(table: &Table, open: ZoneSet, zones: &ZoneMatrix, hole: Area) -> OperatingPoint {
    let board = Board::new(table, open, zones, hole);
    let room = table.air.room.pascals();
    let lowest = if table.pump.runs() { table.pump.ultimate().pascals().min(room) } else { room };
    let mut flows = vec![0.0; board.open.len()];
    let inlet = crossing(lowest, room, 1e-7 * room, |inlet| {
        let pumped = table.pump.throughput(AbsolutePressure::from_pascals(inlet)).pa_m3_per_s();
        pumped - board.supply(manifold_over(table, inlet, pumped), &mut flows)
    });
    balance_at(table, &board, AbsolutePressure::from_pascals(inlet), flows)
}

/// The leak at the manifold, beyond those described, that would bring the level at `tap` to `level`; none if it is deeper
/// than the level without.
pub fn leak_to_reach(table: &Table, open: ZoneSet, zones: &ZoneMatrix, tap: Tap, level: Vacuum) -> FreeAirFlow {
    let board = Board::new(table, open, zones, Area::ZERO);
    let (manifold, pumped) = at_level(table, tap, level);
    let spare = pumped - board.supply(manifold, &mut vec![0.0; board.open.len()]);
    Throughput::from_pa_m3_per_s(spare.max(0.0)).at_room(table.air.room)
}

/// What drives the board at each zone, as [`OperatingPoint::potentials`], while the level at `tap` is `level`, for whatever reason.
pub fn potentials_at(
    table: &Table,
    open: ZoneSet,
    zones: &ZoneMatrix,
    tap: Tap,
    level: Vacuum,
) -> Vec<PressureSquared> {
    let board = Board::new(table, open, zones, Area::ZERO);
    let (manifold, _) = at_level(table, tap, level);
    let mut flows = vec![0.0; board.open.len()];
    board.supply(manifold, &mut flows);
    board.all_potentials(manifold, &flows).into_iter().map(PressureSquared::from_pascals_squared).collect()
}

/// The manifold's pressure and the pump's throughput while the level at `tap` is `level`.
fn at_level(table: &Table, tap: Tap, level: Vacuum) -> (f64, f64) {
    let reached = level.below(table.air.room).pascals().max(0.0);
    let moved = |inlet: f64| table.pump.throughput(AbsolutePressure::from_pascals(inlet)).pa_m3_per_s();
    match tap {
        Tap::PumpInlet => (manifold_over(table, reached, moved(reached)), moved(reached)),
        Tap::Manifold => {
            let inlet = crossing(0.0, reached, 1e-7 * reached, |inlet| {
                inlet * inlet + table.filter.s2_per_m6() * moved(inlet).powi(2) - reached * reached
            });
            (reached, moved(inlet))
        }
    }
}

fn manifold_over(table: &Table, inlet: f64, pumped: f64) -> f64 {
    (inlet * inlet + table.filter.s2_per_m6() * pumped * pumped).sqrt().min(table.air.room.pascals())
}

fn balance_at(table: &Table, board: &Board<'_>, inlet: AbsolutePressure, mut flows: Vec<f64>) -> OperatingPoint {
    let pumped = table.pump.throughput(inlet).pa_m3_per_s();
    let manifold = manifold_over(table, inlet.pascals(), pumped);
    let supply = board.supply(manifold, &mut flows);
    let potentials = board.all_potentials(manifold, &flows);
    let mut through_valves = vec![0.0; potentials.len()];
    for (zone, flow) in board.open.iter().zip(&flows) {
        through_valves[*zone] = *flow;
    }
    let zones = potentials.iter().zip(&through_valves).enumerate();
    let zones = zones.map(|(zone, (v, flow))| board.pressure(v + board.inertia(zone) * flow * flow.abs())).collect();
    let leaks = table.plenum.zones.iter().zip(&potentials).map(|(zone, v)| zone.leak.m3_per_s_pa() * v);
    OperatingPoint {
        manifold: AbsolutePressure::from_pascals(manifold),
        pump_inlet: inlet,
        throughput: Throughput::from_pa_m3_per_s(supply),
        relief: Throughput::from_pa_m3_per_s(board.relief(manifold)),
        zones,
        zone_throughputs: through_valves
            .iter()
            .zip(leaks)
            .map(|(through, leak)| Throughput::from_pa_m3_per_s(through - leak))
            .collect(),
        potentials: potentials.into_iter().map(PressureSquared::from_pascals_squared).collect(),
        field_room: table.field_room(),
        air: table.air,
    }
}

/// The board and everything that leaks, as the open zones see it.
struct Board<'a> {
    table: &'a Table,
    matrix: &'a ZoneMatrix,
    /// Effective area of a hole at the manifold.
    hole: Area,
    /// The open zones, by number.
    open: Vec<usize>,
    /// Throughput into open zone i per potential of open zone j, row after row.
    conductance: Vec<f64>,
    /// For each closed zone its number and its potential per potential of each open zone.
    closed: Vec<(usize, Vec<f64>)>,
}

impl<'a> Board<'a> {
    fn new(table: &'a Table, open: ZoneSet, matrix: &'a ZoneMatrix, hole: Area) -> Self {
        let count = matrix.count();
        let zone = zone_id;
        let (opened, shut): (Vec<usize>, Vec<usize>) = (0..count).partition(|index| open.contains(zone(*index)));
        let per_viscosity = 0.5 / table.air.viscosity.pascal_seconds();
        let entry = |row: usize, column: usize| {
            let leak = if row == column { table.plenum.zones[row].leak.m3_per_s_pa() } else { 0.0 };
            matrix.get(zone(row), zone(column)) * per_viscosity + leak
        };
        let floating = float(&opened, &shut, entry);
        let mut conductance = Vec::with_capacity(opened.len() * opened.len());
        for row in &opened {
            for (place, column) in opened.iter().enumerate() {
                let through_closed: f64 = floating.iter().map(|(shut, by)| entry(*row, *shut) * by[place]).sum();
                conductance.push(entry(*row, *column) + through_closed);
            }
        }
        Board { table, matrix, hole, open: opened, conductance, closed: floating }
    }

    /// What all leaks and open zones bring to a manifold at this pressure; `flows` is the start and becomes the result.
    fn supply(&self, manifold: f64, flows: &mut [f64]) -> f64 {
        let room = self.table.air.room.pascals();
        if manifold >= room {
            flows.fill(0.0);
            return 0.0;
        }
        self.balance_zones(manifold, flows);
        let bleed = self.table.manifold.bleed.m3_per_s_pa() * (room * room - manifold * manifold);
        flows.iter().sum::<f64>() + bleed + self.relief(manifold) + self.through_hole(manifold)
    }

    fn through_hole(&self, manifold: f64) -> f64 {
        let air = &self.table.air;
        air.throughput(nozzle(self.hole, air.room, AbsolutePressure::from_pascals(manifold), air)).pa_m3_per_s()
    }

    /// A valve set above the room's pressure has nothing to open against beyond that.
    fn relief(&self, manifold: f64) -> f64 {
        let opens = |set: AbsolutePressure| (set.min(self.table.air.room).pascals() - manifold).max(0.0);
        self.table.manifold.relief.map_or(0.0, |relief| relief.slope_m3_s * opens(relief.set))
    }

    /// Makes each open zone's flow what the board gives at the potential that the flow's valve leaves it.
    fn balance_zones(&self, manifold: f64, flows: &mut [f64]) {
        let scale = 1e-12 * (1.0 + self.conductance.iter().sum::<f64>() * self.table.air.room.pascals().powi(2));
        let (mut residual, mut slopes) = self.imbalance(manifold, flows);
        for _ in 0..MOST_STEPS {
            if norm(&residual) <= scale {
                return;
            }
            let step = solve(self.jacobian(&slopes), &residual);
            let mut share = 1.0;
            loop {
                let tried: Vec<f64> = flows.iter().zip(&step).map(|(flow, step)| flow - share * step).collect();
                let (next, next_slopes) = self.imbalance(manifold, &tried);
                if norm(&next) < norm(&residual) {
                    flows.copy_from_slice(&tried);
                    (residual, slopes) = (next, next_slopes);
                    break;
                }
                share *= 0.5;
                if share < LEAST_SHARE {
                    return;
                }
            }
        }
    }

    /// For each open zone its flow less what the board gives, and minus the slope of its potential with its flow.
    fn imbalance(&self, manifold: f64, flows: &[f64]) -> (Vec<f64>, Vec<f64>) {
        let (potentials, slopes): (Vec<f64>, Vec<f64>) =
            self.open.iter().zip(flows).map(|(zone, flow)| self.driving(*zone, manifold, *flow)).unzip();
        let residual = self
            .rows()
            .zip(flows)
            .map(|(row, flow)| flow - row.iter().zip(&potentials).map(|(by, v)| by * v).sum::<f64>())
            .collect();
        (residual, slopes)
    }

    fn rows(&self) -> std::slice::Chunks<'_, f64> {
        self.conductance.chunks(self.open.len().max(1))
    }

    fn jacobian(&self, slopes: &[f64]) -> Vec<f64> {
        let count = self.open.len();
        let mut matrix: Vec<f64> =
            self.rows().flat_map(|row| row.iter().zip(slopes).map(|(by, slope)| by * slope)).collect();
        for place in 0..count {
            matrix[place * count + place] += 1.0;
        }
        matrix
    }

    /// What drives the board at a zone when `flow` leaves it through its valve, and minus its slope.
    fn driving(&self, zone: usize, manifold: f64, flow: f64) -> (f64, f64) {
        let (v, slope) = self.behind_valve(zone, manifold, flow);
        let (slip, room) = (self.table.board.pores.slip.pascals(), self.table.air.room.pascals());
        let p = (room * room - v).max(0.0).sqrt();
        // (p_atm + b)² − (p + b)² = v + 2b·(p_atm − p)
        let (more, steeper) = if slip > 0.0 { (2.0 * slip * (room - p), 1.0 + slip / p.max(1.0)) } else { (0.0, 1.0) };
        let inertia = self.inertia(zone) * flow.abs();
        (v + more - inertia * flow, slope * steeper + 2.0 * inertia)
    }

    /// Inertia in the board as a resistance before the zone, in s²/m⁶: the first order of Forchheimer's law, which takes
    /// 2β/(R·T)·∫|q|³dV from v·Q.
    fn inertia(&self, zone: usize) -> f64 {
        let pores = self.table.board.pores;
        2.0 * pores.inertia_per_metre / self.table.air.specific_energy() * self.matrix.crowding(zone_id(zone))
    }

    /// A plenum's pressure where the field counts the potential `v`.
    fn pressure(&self, v: f64) -> AbsolutePressure {
        let above = PressureSquared::from_pascals_squared(v).pressure_below(self.table.field_room());
        AbsolutePressure::from_pascals((above.pascals() - self.table.board.pores.slip.pascals()).max(0.0))
    }

    /// A zone's p_atm² − p² when `flow` leaves it through its valve, and minus its slope.
    fn behind_valve(&self, zone: usize, manifold: f64, flow: f64) -> (f64, f64) {
        let room = self.table.air.room.pascals();
        let at_manifold = room * room - manifold * manifold;
        match self.table.plenum.zones[zone].valve {
            ValveLaw::IsothermalPipe(resistance) => {
                let resistance = resistance.s2_per_m6();
                (at_manifold - resistance * flow * flow.abs(), 2.0 * resistance * flow.abs())
            }
            ValveLaw::Iso6358 { sonic_conductance, critical_ratio } => {
                let valve = SonicValve { sonic_conductance, critical_ratio };
                let throughput = Throughput::from_pa_m3_per_s(flow);
                let (up, slope) = valve.upstream(throughput, AbsolutePressure::from_pascals(manifold), &self.table.air);
                (room * room - up * up, 2.0 * up * slope)
            }
        }
    }

    fn all_potentials(&self, manifold: f64, flows: &[f64]) -> Vec<f64> {
        let opened: Vec<f64> =
            self.open.iter().zip(flows).map(|(zone, flow)| self.driving(*zone, manifold, *flow).0).collect();
        let mut potentials = vec![0.0; self.open.len() + self.closed.len()];
        for (zone, v) in self.open.iter().zip(&opened) {
            potentials[*zone] = *v;
        }
        for (zone, by) in &self.closed {
            potentials[*zone] = by.iter().zip(&opened).map(|(by, v)| by * v).sum();
        }
        potentials
    }
}

fn zone_id(place: usize) -> ZoneId {
    ZoneId(u8::try_from(place).unwrap_or(u8::MAX))
}

/// Newton steps after which the flows are taken as they are; a handful is usual.
const MOST_STEPS: usize = 60;
/// The smallest share of a Newton step that is tried.
const LEAST_SHARE: f64 = 1e-6;

fn norm(values: &[f64]) -> f64 {
    values.iter().map(|value| value * value).sum::<f64>().sqrt()
}

/// The closed zones' potentials per potential of each open zone, from no net flow into any of them.
///
/// A closed zone that nothing reaches stays at the room's pressure.
fn float(open: &[usize], closed: &[usize], entry: impl Fn(usize, usize) -> f64) -> Vec<(usize, Vec<f64>)> {
    let mut floating: Vec<(usize, Vec<f64>)> =
        closed.iter().map(|zone| (*zone, Vec::with_capacity(open.len()))).collect();
    let matrix: Vec<f64> = closed.iter().flat_map(|row| closed.iter().map(|column| entry(*row, *column))).collect();
    for driving in open {
        let right: Vec<f64> = closed.iter().map(|zone| -entry(*zone, *driving)).collect();
        for ((_, by), potential) in floating.iter_mut().zip(solve(matrix.clone(), &right)) {
            by.push(potential);
        }
    }
    floating
}

/// Gaussian elimination with pivoting; an unknown that no equation holds is zero.
fn solve(mut matrix: Vec<f64>, right: &[f64]) -> Vec<f64> {
    let count = right.len();
    let mut right = right.to_vec();
    for column in 0..count {
        let pivot = (column..count)
            .max_by(|a, b| matrix[a * count + column].abs().total_cmp(&matrix[b * count + column].abs()))
            .unwrap_or(column);
        if matrix[pivot * count + column].abs() < f64::MIN_POSITIVE {
            continue;
        }
        for k in 0..count {
            matrix.swap(pivot * count + k, column * count + k);
        }
        right.swap(pivot, column);
        for row in column + 1..count {
            let factor = matrix[row * count + column] / matrix[column * count + column];
            for k in column..count {
                matrix[row * count + k] -= factor * matrix[column * count + k];
            }
            right[row] -= factor * right[column];
        }
    }
    for row in (0..count).rev() {
        let known: f64 = (row + 1..count).map(|k| matrix[row * count + k] * right[k]).sum();
        let pivot = matrix[row * count + row];
        right[row] = if pivot.abs() < f64::MIN_POSITIVE { 0.0 } else { (right[row] - known) / pivot };
    }
    right
}
