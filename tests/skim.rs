//! The skim plan against the trade's arithmetic, and its program through an independent parser of RS-274.
#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by a panic")]

use gcode::{Code, Value};
use holdwatch::board::skim::{Bound, Caution, Floor, Motion, Skim, SkimFault, Surfacer};
use holdwatch::moment::Span;
use holdwatch::table::Rect;
use holdwatch::units::{Acceleration, Density, Length, Speed};
use proptest::prelude::*;

const INCH: f64 = 0.0254;

fn near(found: f64, expected: f64, relative: f64) {
    assert!((found - expected).abs() <= relative * expected.abs(), "{found} is not {expected}");
}

fn mm(value: f64) -> Length {
    Length::from_millimetres(value)
}

/// A 4 by 8 ft board under a 2.5 in cutter at 17,000 a minute and 1000 in/min.
fn usual() -> Skim {
    Skim {
        face: Rect::from_metres(0.0, 0.0, 96.0 * INCH, 48.0 * INCH),
        thickness: mm(18.0),
        density: Density::from_kg_per_m3(500.0),
        floor: Floor { least: mm(9.0), screws: None, grooves: None },
        scar: Length::from_metres(0.020 * INCH) - mm(0.1),
        surfacer: Surfacer {
            diameter: Length::from_metres(2.5 * INCH),
            flutes: 3,
            spindle_rpm: 17_000.0,
            rated_rpm: None,
        },
        stepover: 0.75,
        motion: Motion::at_feed(Speed::from_metres_per_minute(1000.0 * INCH)),
    }
}

/// Worked apart from this program from ⌈(W − D)/step⌉ + 1 passes with an overrun of one diameter; time at full feed.
#[test]
fn passes_and_time_are_those_of_the_arithmetic() {
    for (feet, stepover, passes, minutes) in [
        ((8.0, 4.0), 0.50, 38, 3.79),
        ((8.0, 4.0), 0.75, 26, 2.61),
        ((8.0, 4.0), 0.90, 22, 2.21),
        ((10.0, 5.0), 0.50, 47, 5.82),
        ((10.0, 5.0), 0.75, 32, 3.98),
        ((10.0, 5.0), 0.90, 27, 3.37),
    ] {
        let (length, width) = feet;
        let face = Rect::from_metres(0.0, 0.0, 12.0 * INCH * length, 12.0 * INCH * width);
        let plan = Skim { face, stepover, ..usual() }.plan().unwrap();
        assert_eq!(plan.passes, passes, "{feet:?} {stepover}");
        assert!((plan.cutting.secs_f64() / 60.0 - minutes).abs() < 0.005 + 1e-9, "{}", plan.cutting.secs_f64() / 60.0);
    }
    near(usual().plan().unwrap().cutting.secs_f64() / 60.0, 2.6079, 1e-4);
}

/// Worked apart from this program; 35 N/mm² from memory. Chip of 1 to 4 edges, edge speed, removal, power and dust.
#[test]
fn the_cut_is_that_of_the_arithmetic() {
    for (flutes, chip_mm) in [(1, 1.494), (2, 0.747), (3, 0.498), (4, 0.374)] {
        let skim = Skim { surfacer: Surfacer { flutes, ..usual().surfacer }, ..usual() };
        assert!((skim.plan().unwrap().chip.millimetres() - chip_mm).abs() < 5e-4);
    }
    for (inches, removal, watts, litres, kilograms) in [
        (0.010, 5.121, 179.0, 0.755, 0.378),
        (0.020, 10.242, 358.0, 1.510, 0.755),
        (0.050, 25.605, 896.0, 3.776, 1.888),
    ] {
        let plan = Skim { scar: Length::from_metres(inches * INCH) - mm(0.1), ..usual() }.plan().unwrap();
        near(plan.depth.metres(), inches * INCH, 1e-12);
        near(plan.removal_cm3_s, removal, 1e-4);
        near(plan.power.watts(), watts, 2e-3);
        assert!((plan.dust_litres - litres).abs() < 5e-4);
        assert!((plan.dust.kilograms() - kilograms).abs() < 5e-4);
        near(plan.edge.metres_per_second(), 56.522, 1e-5);
    }
    near(usual().plan().unwrap().tooth.newtons(), 8.855, 1e-4);
    near(usual().plan().unwrap().dust_litres, 1.510_232, 1e-6);
}

/// Common practice, no source: 1.5 mm off each face of an 18 mm board first, and it is scrap at 9 mm.
#[test]
fn a_board_has_as_many_skims_as_the_arithmetic_says() {
    let floor = usual().floor;
    for (depth, skims) in [(0.25, 24), (0.5, 12), (1.27, 4)] {
        assert_eq!(floor.skims(mm(15.0), mm(depth)), skims);
    }
}

/// Common practice, no source: the machine takes 1.2 to 1.5 times the time at full feed, the stop 20 to 40 minutes.
#[test]
fn the_stop_is_far_longer_than_the_cut() {
    let plan = usual().plan().unwrap();
    let ratio = plan.moving.secs_f64() / plan.cutting.secs_f64();
    assert!((1.2..1.5).contains(&ratio), "{ratio}");
    let minutes = |span: Span| span.secs_f64() / 60.0;
    assert!((20.0..=22.0).contains(&minutes(plan.stop.0)), "{}", minutes(plan.stop.0));
    assert!((38.0..=40.0).contains(&minutes(plan.stop.1)), "{}", minutes(plan.stop.1));
}

/// t = d/v + v/a for a long way and 2·√(d/a) for a short one: textbook kinematics, worked by hand.
#[test]
fn a_machine_that_starts_and_stops_takes_its_time() {
    let motion = Motion {
        acceleration: Acceleration::from_metres_per_second_squared(2.0),
        ..Motion::at_feed(Speed::from_metres_per_second(1.0))
    };
    let time = |metres| motion.time(Length::from_metres(metres), Speed::from_metres_per_second(1.0)).secs_f64();
    near(time(3.0), 3.5, 1e-9);
    near(time(0.5), 1.0, 1e-9);
    near(time(0.125), 0.5, 1e-9);
    assert_eq!(motion.time(Length::ZERO, motion.feed), Span::ZERO);
}

#[test]
fn a_skim_takes_what_is_usual_and_a_deep_scar_takes_layers() {
    let plan = |scar| Skim { scar: mm(scar), ..usual() }.plan().unwrap();
    near(plan(0.0).depth.millimetres(), 0.25, 1e-12);
    assert_eq!(plan(1.2).layers, 1);
    let deep = plan(2.9);
    assert_eq!((deep.layers, deep.cautions), (3, vec![Caution::DeepScar]));
    near(deep.depth.millimetres(), 3.0, 1e-12);
    near(deep.cutting.secs_f64(), 3.0 * plan(0.5).cutting.secs_f64(), 1e-9);
}

#[test]
fn what_would_spoil_board_cutter_or_screws_is_refused() {
    let refused = |skim: Skim| skim.program().unwrap_err();
    let screws = Floor { screws: Some(mm(16.0)), ..usual().floor };
    assert!(matches!(
        refused(Skim { floor: screws, ..usual() }),
        SkimFault::TooThin { bound: Bound::Screws, bound_mm, .. } if (bound_mm - 18.0).abs() < 1e-9
    ));
    let grooves = Floor { grooves: Some(mm(15.0)), ..usual().floor };
    assert!(matches!(refused(Skim { floor: grooves, ..usual() }), SkimFault::TooThin { bound: Bound::Grooves, .. }));
    let cutter = |surfacer| Skim { surfacer, ..usual() };
    let fast = Surfacer { rated_rpm: Some(16_000.0), ..usual().surfacer };
    assert!(matches!(refused(cutter(fast)), SkimFault::Overspeed { .. }));
    let travel = Some(usual().face);
    let short = Skim { motion: Motion { travel, ..usual().motion }, ..usual() };
    assert!(matches!(refused(short), SkimFault::BeyondTravel { .. }));
    for skim in [
        cutter(Surfacer { flutes: 0, ..usual().surfacer }),
        cutter(Surfacer { spindle_rpm: 50_000.0, ..usual().surfacer }),
        cutter(Surfacer { diameter: mm(f64::NAN), ..usual().surfacer }),
        Skim { stepover: 1.0, ..usual() },
        Skim { stepover: f64::NAN, ..usual() },
        Skim { scar: mm(-1.0), ..usual() },
        Skim { motion: Motion { safe_height: Length::ZERO, ..usual().motion }, ..usual() },
        Skim { motion: Motion::at_feed(Speed::ZERO), ..usual() },
        Skim { motion: Motion::at_feed(Speed::from_metres_per_minute(f64::INFINITY)), ..usual() },
    ] {
        assert!(matches!(refused(skim), SkimFault::OutOfRange { .. }));
    }
}

/// A straight move as the program's reader sees it, in millimetres.
struct Stroke {
    from: [f64; 3],
    to: [f64; 3],
    rapid: bool,
}

/// The program's moves, by the parser and the rules of RS274/NGC: axes that a block does not name stay where they are.
fn strokes(program: &str) -> Vec<Stroke> {
    let parsed = gcode::parse(program).unwrap_or_else(|wrong| panic!("{wrong:?}"));
    let (mut at, mut found, mut spins) = ([f64::NAN; 3], Vec::new(), false);
    for block in &parsed.blocks {
        assert!(block.word_addresses.iter().all(|word| "SF".contains(word.letter)), "{block:?}");
        for code in &block.codes {
            match code {
                Code::General(general) => {
                    let from = at;
                    let rapid = match general.number.to_string().as_str() {
                        "0" => true,
                        "1" => false,
                        "4" | "17" | "21" | "40" | "80" | "90" | "94" => continue,
                        other => panic!("G{other}"),
                    };
                    for argument in &general.args {
                        let Value::Literal(value) = argument.value else { panic!("{argument:?}") };
                        match argument.letter {
                            'X' => at[0] = f64::from(value),
                            'Y' => at[1] = f64::from(value),
                            'Z' => at[2] = f64::from(value),
                            'F' => assert!(value > 0.0),
                            other => panic!("{other}"),
                        }
                    }
                    assert!(rapid || spins, "the spindle stands");
                    found.push(Stroke { from, to: at, rapid });
                }
                Code::Miscellaneous(code) => match code.number.to_string().as_str() {
                    "0" => {}
                    "3" => spins = true,
                    "5" => spins = false,
                    "30" => assert!(!spins),
                    other => panic!("M{other}"),
                },
                other => panic!("{other:?}"),
            }
        }
    }
    found
}

/// Whether each of a raster of points of the face, edges and corners included, lies under the cutter at its full depth.
fn covered(skim: &Skim, strokes: &[Stroke], depth: f64) -> bool {
    let (x0, y0) = (skim.face.low.x.millimetres(), skim.face.low.y.millimetres());
    let (x1, y1) = (skim.face.high.x.millimetres(), skim.face.high.y.millimetres());
    let radius = skim.surfacer.diameter.millimetres() / 2.0;
    let full = |stroke: &&Stroke| !stroke.rapid && stroke.from[2].max(stroke.to[2]) < -depth + 2e-3;
    let deep: Vec<&Stroke> = strokes.iter().filter(full).collect();
    let points = 60;
    (0..=points).all(|row| {
        (0..=points).all(|column| {
            let share = |index: i32| f64::from(index) / f64::from(points);
            let point = [x0 + share(column) * (x1 - x0), y0 + share(row) * (y1 - y0)];
            deep.iter().any(|stroke| distance(stroke, point) <= radius + 2e-3)
        })
    })
}

/// From a point to the segment that a stroke draws on the face.
fn distance(stroke: &Stroke, point: [f64; 2]) -> f64 {
    let along = [stroke.to[0] - stroke.from[0], stroke.to[1] - stroke.from[1]];
    let off = [point[0] - stroke.from[0], point[1] - stroke.from[1]];
    let square = along[0].powi(2) + along[1].powi(2);
    let share = if square > 0.0 { ((along[0] * off[0] + along[1] * off[1]) / square).clamp(0.0, 1.0) } else { 0.0 };
    (off[0] - share * along[0]).hypot(off[1] - share * along[1])
}

fn sound(skim: &Skim) {
    let plan = skim.plan().unwrap();
    let program = skim.program().unwrap();
    let strokes = strokes(&program);
    assert!(covered(skim, &strokes, plan.depth.millimetres()), "{program}");
    for stroke in &strokes {
        let low = stroke.from[2].min(stroke.to[2]);
        assert!(low >= -plan.depth.millimetres() - 1e-3, "too deep");
        if stroke.rapid && stroke.from[2].is_finite() && stroke.from[0].is_finite() {
            let beside = distance_moved(stroke) < 1e-6;
            assert!(
                low >= skim.motion.safe_height.millimetres() - 1e-3 || beside,
                "a rapid move below the safe height"
            );
        }
    }
    let cut: f64 = strokes.iter().filter(|stroke| !stroke.rapid).map(length).sum();
    let told = skim.motion.feed.metres_per_second() * plan.cutting.secs_f64() * 1e3;
    let beside = f64::from(plan.layers) * (skim.motion.safe_height.millimetres() + 5.0 + plan.depth.millimetres());
    assert!(cut >= told - 1.0 && cut <= told + beside + 1.0, "{cut} {told}");
}

/// Along the face.
fn distance_moved(stroke: &Stroke) -> f64 {
    (stroke.to[0] - stroke.from[0]).hypot(stroke.to[1] - stroke.from[1])
}

fn length(stroke: &Stroke) -> f64 {
    (0..3).map(|axis| (stroke.to[axis] - stroke.from[axis]).powi(2)).sum::<f64>().sqrt()
}

#[test]
fn the_program_is_read_by_a_parser_and_covers_the_whole_face() {
    sound(&usual());
    sound(&Skim { scar: mm(2.9), ..usual() });
    // Longer along y, and smaller than the cutter.
    sound(&Skim { face: Rect::from_metres(0.1, 0.2, 0.9, 1.7), ..usual() });
    sound(&Skim { face: Rect::from_metres(0.0, 0.0, 0.9, 0.05), ..usual() });
    let program = usual().program().unwrap();
    assert!(program.contains("(CHECK THIS PROGRAM ON THE MACHINE"), "{program}");
    assert!(program.lines().all(|line| line.len() <= 256 && line.is_ascii()));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_skim_that_is_planned_covers_its_face(
        width in 0.05_f64..3.0,
        height in 0.05_f64..3.0,
        diameter in 20.0_f64..120.0,
        stepover in 0.1_f64..0.95,
        scar in 0.0_f64..4.0,
    ) {
        let surfacer = Surfacer { diameter: mm(diameter), spindle_rpm: 12_000.0, ..usual().surfacer };
        let face = Rect::from_metres(0.0, 0.0, width, height);
        sound(&Skim { face, surfacer, stepover, scar: mm(scar), ..usual() });
    }
}
