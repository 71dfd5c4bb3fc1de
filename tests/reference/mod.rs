//! Tables of five reference cases, and what an independent program found for them.
//!
//! That program is a finite-volume model in Python (numpy, scipy, pyamg; cross-checked with scikit-fem and FiPy). `matrix` and
//! `answer` come from one grid, 2 mm with 8 levels, so that they put the network alone on trial; `reference_*` are the
//! answers extrapolated beyond grids.

#![allow(dead_code, reason = "each test crate uses its share")]
#![allow(
    clippy::unreadable_literal,
    clippy::excessive_precision,
    reason = "figures stand as the other program printed them"
)]

use holdwatch::table::{
    Air, Board, Kerf, Layer, Manifold, PartShape, Plenum, Point, Pores, Pump, Rect, Relief, Rim, Rims, Seam, Sheet,
    Table, TableLoad, ValveLaw, Zone, ZoneId, ZoneMatrix, ZoneSet,
};
use holdwatch::units::{
    AbsolutePressure, InletFlow, LayerResistance, Length, Permeability, SquareConductance, SquareResistance,
    Temperature, Viscosity,
};

/// One case: the table, its open zones, the condensed board and the other program's answer to exactly these.
pub(crate) struct Case {
    pub(crate) name: &'static str,
    pub(crate) table: Table,
    pub(crate) open: ZoneSet,
    pub(crate) matrix: ZoneMatrix,
    pub(crate) answer: Answer,
}

/// An answer: pascals and Pa·m³/s.
pub(crate) struct Answer {
    pub(crate) manifold: f64,
    pub(crate) pump_inlet: f64,
    pub(crate) throughput: f64,
    pub(crate) relief: f64,
    pub(crate) zones: &'static [f64],
    pub(crate) zone_throughputs: &'static [f64],
}

fn air(room: f64, kelvins: f64, viscosity: f64) -> Air {
    Air {
        room: AbsolutePressure::from_pascals(room),
        temperature: Temperature::from_kelvins(kelvins),
        viscosity: Viscosity::from_pascal_seconds(viscosity),
        gas_constant: 287.05,
    }
}

fn layer(thickness: f64, along: f64, through: f64) -> Layer {
    Layer {
        thickness: Length::from_metres(thickness),
        along: Permeability::from_square_metres(along),
        through: Permeability::from_square_metres(through),
    }
}

fn board(layers: Vec<Layer>, x_min: Rim, x_max: Rim, y_min: Rim, y_max: Rim) -> Board {
    Board {
        length: Length::from_metres(2.44),
        width: Length::from_metres(1.22),
        layers,
        rims: Rims { x_min, x_max, y_min, y_max },
        seams: vec![],
        top_entry: LayerResistance::ZERO,
        pores: Pores::DARCY,
    }
}

fn zones(rects: &[[f64; 4]], valve: ValveLaw) -> Vec<Zone> {
    let zone = |(index, [x0, y0, x1, y1]): (usize, &[f64; 4])| Zone {
        name: format!("Z{}", index + 1),
        rects: vec![Rect::from_metres(*x0, *y0, *x1, *y1)],
        valve,
        leak: SquareConductance::ZERO,
    };
    rects.iter().enumerate().map(zone).collect()
}

fn plenum(contact: f64, zones: Vec<Zone>) -> Plenum {
    Plenum { contact: LayerResistance::from_per_metre(contact), zones }
}

fn pipe(resistance: f64) -> ValveLaw {
    ValveLaw::IsothermalPipe(SquareResistance::from_s2_per_m6(resistance))
}

fn tight_manifold(bleed: f64) -> Manifold {
    Manifold { bleed: SquareConductance::from_m3_per_s_pa(bleed), relief: None }
}

fn pump(curve: &[(f64, f64)], count: u32, wear: f64) -> Pump {
    let point = |(p, s): &(f64, f64)| (AbsolutePressure::from_pascals(*p), InletFlow::from_m3_per_s(*s));
    Pump { curve: curve.iter().map(point).collect(), count, wear }
}

const DISPLACEMENT: [(f64, f64); 6] =
    [(2000.0, 0.0), (5000.0, 0.045), (10000.0, 0.058), (20000.0, 0.065), (40000.0, 0.069), (101325.0, 0.0694)];

const FOUR: [[f64; 4]; 4] =
    [[0.02, 0.02, 1.21, 0.6], [1.23, 0.02, 2.42, 0.6], [0.02, 0.62, 1.21, 1.2], [1.23, 0.62, 2.42, 1.2]];

const SIX: [[f64; 4]; 6] = [
    [0.02, 0.02, 0.806667, 0.6],
    [0.826667, 0.02, 1.613333, 0.6],
    [1.633333, 0.02, 2.42, 0.6],
    [0.02, 0.62, 0.806667, 1.2],
    [0.826667, 0.62, 1.613333, 1.2],
    [1.633333, 0.62, 2.42, 1.2],
];

fn matrix<const N: usize>(rows: [[f64; N]; N]) -> ZoneMatrix {
    let mut matrix = ZoneMatrix::zeros(N);
    for (i, row) in rows.iter().enumerate() {
        for (j, entry) in row.iter().enumerate() {
            matrix.set(ZoneId(i as u8), ZoneId(j as u8), *entry);
        }
    }
    matrix
}

/// Bare table 4 zones.
pub(crate) fn case1() -> Case {
    let table = Table {
        air: air(101325.0, 293.15, 1.813e-05),
        board: board(vec![layer(0.018, 1e-12, 2e-13)], Rim::Sealed, Rim::Sealed, Rim::Sealed, Rim::Sealed),
        plenum: plenum(17500000000.0, zones(&FOUR, pipe(600.0))),
        manifold: tight_manifold(0.0),
        filter: SquareResistance::from_s2_per_m6(50.0),
        pump: pump(&DISPLACEMENT, 1, 1.0),
    };
    Case {
        name: "bare table 4 zones",
        table,
        open: ZoneSet::first(4),
        matrix: matrix([
            [6.8121694793341095e-12, -4.096918881681178e-14, -8.46818246444759e-14, -5.67040759436371e-16],
            [-4.096918874706746e-14, 6.812169479334077e-12, -5.670407651351761e-16, -8.468182458653405e-14],
            [-8.468182448397466e-14, -5.670407598198456e-16, 6.8121694793341095e-12, -4.096918894898836e-14],
            [-5.670407531492206e-16, -8.468182457270934e-14, -4.0969188931462334e-14, 6.812169479334071e-12],
        ]),
        answer: Answer {
            manifold: 64819.89280441506,
            pump_inlet: 58236.48902201354,
            throughput: 4025.2449604086337,
            relief: 0.0,
            zones: &[69348.51036920359, 69348.51036933355, 69348.51036923318, 69348.51036916458],
            zone_throughputs: &[1006.3112400986972, 1006.311240113624, 1006.3112401020961, 1006.3112400942163],
        },
    }
}

/// Film covered 6 zones unsealed.
pub(crate) fn case2() -> Case {
    let table = Table {
        air: air(101325.0, 293.15, 1.813e-05),
        board: board(
            vec![layer(0.002, 9e-13, 3e-13), layer(0.013999999999999999, 1.2e-11, 1.5e-12), layer(0.002, 9e-13, 3e-13)],
            Rim::Open,
            Rim::Open,
            Rim::Open,
            Rim::Open,
        ),
        plenum: plenum(15000000000.0, zones(&SIX, pipe(600.0))),
        manifold: tight_manifold(1.5e-09),
        filter: SquareResistance::from_s2_per_m6(50.0),
        pump: pump(&DISPLACEMENT, 1, 1.0),
    };
    Case {
        name: "film covered 6 zones unsealed",
        table,
        open: ZoneSet::first(6),
        matrix: matrix([
            [
                4.058557531809923e-12,
                -5.466415940459932e-13,
                -1.906186603776519e-18,
                -7.853612200202552e-13,
                -4.978696766731624e-14,
                -7.412891361496522e-19,
            ],
            [
                -5.466415941261639e-13,
                3.650468577888348e-12,
                -5.466415943976465e-13,
                -4.9786966842248574e-14,
                -8.259240043319585e-13,
                -4.978696704301563e-14,
            ],
            [
                -1.9061797643125374e-18,
                -5.46641593981273e-13,
                4.058557531809894e-12,
                -7.412786362032034e-19,
                -4.978696653680433e-14,
                -7.853612199769293e-13,
            ],
            [
                -7.853612200946099e-13,
                -4.9786966353747935e-14,
                -7.412803734808531e-19,
                4.05855753180992e-12,
                -5.466415937816995e-13,
                -1.906174060700972e-18,
            ],
            [
                -4.9786966335107146e-14,
                -8.259240040758797e-13,
                -4.9786966748503115e-14,
                -5.466415943481813e-13,
                3.650468577888364e-12,
                -5.466415936074813e-13,
            ],
            [
                -7.411435868725736e-19,
                -4.978696622275825e-14,
                -7.853612201188241e-13,
                -1.9062855647676795e-18,
                -5.466415937275515e-13,
                4.058557531809897e-12,
            ],
        ]),
        answer: Answer {
            manifold: 48385.351651799305,
            pump_inlet: 43482.78120355961,
            throughput: 3001.299696037172,
            relief: 0.0,
            zones: &[
                50351.4858052294,
                49169.54959201944,
                50351.48580694384,
                50351.48580729294,
                49169.54959347293,
                50351.48580757025,
            ],
            zone_throughputs: &[
                568.814363491259,
                357.0769103900133,
                568.8143637441974,
                568.8143637957012,
                357.0769107235894,
                568.8143638366141,
            ],
        },
    }
}

/// Half sheet 12 parts 2 closed.
pub(crate) fn case3() -> Case {
    let table = Table {
        air: air(101325.0, 293.15, 1.813e-05),
        board: board(vec![layer(0.018, 2.5e-12, 5e-13)], Rim::Sealed, Rim::Open, Rim::Sealed, Rim::Sealed),
        plenum: plenum(8000000000.0, zones(&SIX, ValveLaw::Iso6358 { sonic_conductance: 8e-07, critical_ratio: 0.3 })),
        manifold: tight_manifold(0.0),
        filter: SquareResistance::from_s2_per_m6(80.0),
        pump: pump(&DISPLACEMENT, 1, 1.0),
    };
    Case {
        name: "half sheet 12 parts 2 closed",
        table,
        open: ZoneSet::first(6).without(ZoneId(2)).without(ZoneId(5)),
        matrix: matrix([
            [
                5.056747744099273e-12,
                -2.6352708007354214e-13,
                -7.186788016843549e-26,
                -3.498939484851554e-13,
                -8.389328650146213e-15,
                -2.4688681390486774e-26,
            ],
            [
                -2.635270800845508e-13,
                3.6696611380792984e-12,
                -1.8552402869437027e-13,
                -8.372135904163865e-15,
                -4.0211841472966675e-13,
                -4.7007166496890076e-15,
            ],
            [
                -7.198320916812723e-26,
                -1.8552403073707898e-13,
                1.1130937811095254e-11,
                -2.278995889453481e-26,
                -4.700714054445391e-15,
                -1.2874603237539749e-13,
            ],
            [
                -3.498939481020821e-13,
                -8.372135734736389e-15,
                -2.276337077530126e-26,
                4.587752624295473e-12,
                -2.631503188752673e-13,
                -1.3841067831017981e-25,
            ],
            [
                -8.389328664038637e-15,
                -4.0211841376181833e-13,
                -4.700713630874727e-15,
                -2.6315031848283604e-13,
                3.378660841892066e-12,
                -1.8552408514300354e-13,
            ],
            [
                -2.4776158816032448e-26,
                -4.700716714740056e-15,
                -1.2874603245133955e-13,
                -1.3881829347076157e-25,
                -1.8552408703436645e-13,
                1.1130937811095216e-11,
            ],
        ]),
        answer: Answer {
            manifold: 50574.73033337684,
            pump_inlet: 43034.943475798704,
            throughput: 2970.263010931436,
            relief: 0.0,
            zones: &[
                51511.57214775401,
                51009.17450577807,
                100668.90343308407,
                51329.223885382315,
                50929.95322543815,
                100668.2590834663,
            ],
            zone_throughputs: &[
                930.6104333537811,
                632.8311349654649,
                5.329070518200751e-15,
                834.7182711329745,
                572.1031714792156,
                -7.549516567451064e-15,
            ],
        },
    }
}

/// Blower 128 small parts.
pub(crate) fn case4() -> Case {
    let table = Table {
        air: air(101325.0, 293.15, 1.813e-05),
        board: board(vec![layer(0.018, 4e-12, 1e-12)], Rim::Sealed, Rim::Sealed, Rim::Sealed, Rim::Sealed),
        plenum: plenum(4000000000.0, zones(&FOUR, pipe(150.0))),
        manifold: tight_manifold(0.0),
        filter: SquareResistance::from_s2_per_m6(10.0),
        pump: pump(&[(62000.0, 0.0), (70000.0, 0.035), (80000.0, 0.075), (90000.0, 0.11), (101325.0, 0.145)], 2, 1.0),
    };
    Case {
        name: "blower 128 small parts",
        table,
        open: ZoneSet::first(4),
        matrix: matrix([
            [2.0291853304347476e-11, -2.8750908385544604e-13, -6.158426995186104e-13, -4.879546599269326e-15],
            [-2.875090799662038e-13, 1.963653081670602e-11, -4.653473922653144e-15, -6.433963163797091e-13],
            [-6.158426995290367e-13, -4.653474297736941e-15, 1.9455815945500422e-11, -3.0798780133261566e-13],
            [-4.879546420544329e-15, -6.433963168241359e-13, -3.079878000924621e-13, 1.8687671267476963e-11],
        ]),
        answer: Answer {
            manifold: 77764.48696738559,
            pump_inlet: 74006.29876282362,
            throughput: 7552.371658812716,
            relief: 0.0,
            zones: &[81348.64127747872, 81161.68024743337, 81116.25377519926, 80899.88650598758],
            zone_throughputs: &[1949.8478646697117, 1897.1960137587666, 1884.199552644666, 1821.128227739572],
        },
    }
}

fn middle_seam() -> Seam {
    Seam {
        from: Point { x: Length::ZERO, y: Length::from_metres(0.61) },
        to: Point { x: Length::from_metres(2.44), y: Length::from_metres(0.61) },
        conductance_m2: 1e-12,
    }
}

/// Every field once.
pub(crate) fn case5() -> Case {
    let mut table = Table {
        air: air(95460.0, 295.15, 1.823e-05),
        board: board(
            vec![
                layer(0.0012, 6.000000000000001e-13, 2e-13),
                layer(0.014600000000000002, 5.4000000000000004e-12, 9e-13),
                layer(0.0012, 6.000000000000001e-13, 2e-13),
            ],
            Rim::Sealed,
            Rim::HalfSealed(LayerResistance::from_per_metre(8000000000.0)),
            Rim::Open,
            Rim::Sealed,
        ),
        plenum: plenum(17500000000.0, zones(&SIX, pipe(600.0))),
        manifold: tight_manifold(5e-09),
        filter: SquareResistance::from_s2_per_m6(40.0),
        pump: pump(&DISPLACEMENT, 2, 0.9),
    };
    table.board.seams.push(middle_seam());
    table.plenum.zones[3].leak = SquareConductance::from_m3_per_s_pa(3e-9);
    table.manifold.relief = Some(Relief { set: AbsolutePressure::from_pascals(30000.0), slope_m3_s: 0.2 });
    Case {
        name: "every field once",
        table,
        open: ZoneSet::first(6).without(ZoneId(1)),
        matrix: matrix([
            [
                5.6658823768355205e-12,
                -2.009121629091699e-13,
                -2.7803747777926267e-21,
                -2.657858965595234e-13,
                -8.011720066983838e-15,
                -2.258120229427772e-22,
            ],
            [
                -2.009121628973233e-13,
                3.900109611579882e-12,
                -2.5489986928095007e-13,
                -1.000032133948196e-14,
                -2.688841141393073e-13,
                -1.137315219919283e-14,
            ],
            [
                -2.780375105730299e-21,
                -2.548998692345761e-13,
                5.0585960293529536e-12,
                -2.8574893796752626e-22,
                -1.1909867110757221e-14,
                -3.0050524599118824e-13,
            ],
            [
                -2.6578589813885693e-13,
                -1.000032147298781e-14,
                -2.856069259224828e-22,
                4.421023216719025e-12,
                -2.281712168562507e-13,
                -1.700361151777662e-21,
            ],
            [
                -8.01172010923774e-15,
                -2.6888411423242257e-13,
                -1.1909869002069736e-14,
                -2.2817121709050714e-13,
                4.615690839094132e-12,
                -2.907272939473628e-13,
            ],
            [
                -2.2580165367387877e-22,
                -1.1373153082894176e-14,
                -3.005052468239297e-13,
                -1.7003642693329285e-21,
                -2.9072729431624195e-13,
                5.152834180036821e-12,
            ],
        ]),
        answer: Answer {
            manifold: 43808.80864556759,
            pump_inlet: 34654.97685985805,
            throughput: 4237.464730787327,
            relief: 0.0,
            zones: &[
                49852.94457701429,
                88437.15125516533,
                48698.44430785936,
                47593.55073657754,
                47572.74921809679,
                48456.93565125663,
            ],
            zone_throughputs: &[
                971.3430289780722,
                -2.1316282072803006e-14,
                868.2614457938181,
                738.7712810507315,
                757.1379806862639,
                845.441598268307,
            ],
        },
    }
}

/// The table of a job of 200 nested parts on six zones and two pumps; see `sequence_parts.csv` and `sequence_steps.csv`, the
/// steps on a 5 mm grid, good to some 1 %.
pub(crate) fn sequence() -> Table {
    Table {
        air: air(101325.0, 293.15, 1.813e-05),
        board: board(vec![layer(0.018, 1.5e-12, 3e-13)], Rim::Sealed, Rim::Sealed, Rim::Sealed, Rim::Sealed),
        plenum: plenum(6666666666.666667, zones(&SIX, pipe(600.0))),
        manifold: tight_manifold(0.0),
        filter: SquareResistance::from_s2_per_m6(20.0),
        pump: pump(&DISPLACEMENT, 2, 1.0),
    }
}

/// Rows of numbers, without the header and with nothing for an empty field; a first column of names counts as nothing.
pub(crate) fn rows(text: &str) -> Vec<Vec<Option<f64>>> {
    text.lines().skip(1).map(|line| line.split(',').map(|field| field.parse().ok()).collect()).collect()
}

/// A part of a case: its shape, the kerf about it, and the force that the reference finds on it in newtons.
pub(crate) struct Cut {
    pub(crate) shape: PartShape,
    pub(crate) area_m2: f64,
    pub(crate) kerf: Option<Kerf>,
    pub(crate) force: f64,
}

/// The parts of case 3, 4 or 5.
pub(crate) fn parts(case: u8) -> Vec<Cut> {
    let text = match case {
        3 => include_str!("case3_parts.csv"),
        4 => include_str!("case4_parts.csv"),
        _ => include_str!("case5_parts.csv"),
    };
    text.lines().skip(1).map(part).collect()
}

fn part(line: &str) -> Cut {
    let fields: Vec<&str> = line.split(',').collect();
    let number = |place: usize| fields[place].parse::<f64>().unwrap();
    let (x0, y0, x1, y1, width) = (number(1), number(2), number(3), number(4), number(5));
    let corners = |out: f64| {
        [(x0 - out, y0 - out), (x1 + out, y0 - out), (x1 + out, y1 + out), (x0 - out, y1 + out)]
            .map(|(x, y)| Point { x: Length::from_metres(x), y: Length::from_metres(y) })
    };
    let around = corners(0.5 * width);
    Cut {
        shape: PartShape {
            name: fields[0].into(),
            outline: corners(0.0).to_vec(),
            openings: vec![],
            lost: fields[6] == "true",
        },
        area_m2: (x1 - x0) * (y1 - y0),
        kerf: (width > 0.0)
            .then(|| Kerf { width: Length::from_metres(width), path: around.into_iter().chain([around[0]]).collect() }),
        force: number(7),
    }
}

/// What lies on the table of a case.
pub(crate) fn load(case: u8) -> TableLoad {
    let sheet = |[x0, y0, x1, y1]: [f64; 4], gap: f64, passes: Option<(f64, f64)>| Sheet {
        rect: Rect::from_metres(x0, y0, x1, y1),
        gap: Length::from_metres(gap),
        passes: passes.map(|(k, t)| (Permeability::from_square_metres(k), Length::from_metres(t))),
    };
    let sheets = match case {
        1 => vec![],
        2 => vec![sheet([0.0, 0.0, 2.44, 1.22], 0.0, None)],
        3 => vec![sheet([0.02, 0.02, 1.64, 1.2], 0.0, None)],
        4 => vec![sheet([0.01, 0.01, 2.43, 1.21], 3e-5, None)],
        _ => vec![sheet([0.05, 0.05, 2.3, 1.15], 2e-5, Some((1.5e-14, 0.009)))],
    };
    let parts = if case < 3 { vec![] } else { parts(case) };
    TableLoad {
        sheets,
        kerfs: parts.iter().filter_map(|part| part.kerf.clone()).collect(),
        parts: parts.into_iter().map(|part| part.shape).collect(),
    }
}
