//! The time of programs and its stated error, held against motion models of other sorts than the one that reckons it: machines that
//! stop at every corner, that limit their jerk, that look ahead over one block only.
//!
//! Evenly accelerated and jerk-limited ramps are school mechanics; how fast a machine takes a corner is taken from the circle that
//! touches both moves at half of the shorter, at most 0.1 mm from the corner (common practice, no source). No machine was measured.

use std::fmt::Write as _;
use std::io::Cursor;

use holdwatch::job::plan::{Helix, Machine, Plan, Stock, Tip, Told, Tool};
use holdwatch::job::program::{Reading, read};
use holdwatch::moment::Span;
use holdwatch::table::Rect;
use holdwatch::units::{Density, Length};

/// A straight move: where to in mm, and its feed in mm/s; none for a rapid.
type Move = ([f64; 3], Option<f64>);

struct Program {
    name: &'static str,
    moves: Vec<Move>,
}

fn outline(moves: &mut Vec<Move>, corner: [f64; 2], size: [f64; 2], radius: f64, feed: f64) {
    let [x, y] = corner;
    let arcs = [
        ([x + size[0] - radius, y + radius], -90.0),
        ([x + size[0] - radius, y + size[1] - radius], 0.0),
        ([x + radius, y + size[1] - radius], 90.0),
        ([x + radius, y + radius], 180.0),
    ];
    moves.push(([x + radius, y, 25.0], None));
    moves.push(([x + radius, y, -18.2], Some(33.0)));
    for (centre, from) in arcs {
        for step in 0..=30 {
            let angle = f64::to_radians(from + 3.0 * f64::from(step));
            moves.push(([centre[0] + radius * angle.cos(), centre[1] + radius * angle.sin(), -18.2], Some(feed)));
        }
    }
    moves.push(([x + radius, y, -18.2], Some(feed)));
    moves.push(([x + radius, y, 25.0], None));
}

fn programs() -> Vec<Program> {
    let mut parts = Vec::new();
    for place in 0..20_i32 {
        let corner = [50.0 + 230.0 * f64::from(place % 5), 50.0 + 170.0 * f64::from(place / 5)];
        outline(&mut parts, corner, [200.0, 140.0], 20.0, 100.0);
    }
    let mut sharp = Vec::new();
    for place in 0..12_i32 {
        let (x, y) = (50.0 + 180.0 * f64::from(place % 6), 50.0 + 300.0 * f64::from(place / 6));
        sharp.push(([x, y, 25.0], None));
        for depth in [-6.0, -12.0, -18.2] {
            sharp.push(([x, y, depth], Some(33.0)));
            for (dx, dy) in [(150.0, 0.0), (150.0, 60.0), (90.0, 60.0), (90.0, 240.0), (0.0, 240.0), (0.0, 0.0)] {
                sharp.push(([x + dx, y + dy, depth], Some(150.0)));
            }
        }
        sharp.push(([x, y, 25.0], None));
    }
    let mut relief = vec![([0.0, 0.0, 5.0], None)];
    for row in 0..20_i32 {
        for step in 0..300_i32 {
            let x = 2.0 * f64::from(if row % 2 == 0 { step } else { 299 - step });
            relief.push(([x, 4.0 * f64::from(row), -3.0 + 2.0 * (0.05 * x).sin()], Some(80.0)));
        }
    }
    let mut rips = Vec::new();
    for row in 0..6_i32 {
        let y = 100.0 * f64::from(row + 1);
        rips.extend([([0.0, y, 25.0], None), ([0.0, y, -18.2], Some(33.0)), ([1200.0, y, -18.2], Some(250.0))]);
        rips.push(([1200.0, y, 25.0], None));
    }
    vec![
        Program { name: "rounded parts", moves: parts },
        Program { name: "sharp parts in three passes", moves: sharp },
        Program { name: "relief", moves: relief },
        Program { name: "rips", moves: rips },
    ]
}

/// The first line of the program's moves.
const FIRST: u64 = 4;

fn text(program: &Program) -> String {
    let mut text = String::from("G21 G90\nT1\nG0 X0 Y0 Z25\n");
    for ([x, y, z], feed) in &program.moves {
        let code = feed.map_or("G0".to_owned(), |feed| format!("G1 F{:.3}", feed * 60.0));
        writeln!(text, "{code} X{x:.6} Y{y:.6} Z{z:.6}").unwrap();
    }
    text + "M30\n"
}

fn plan(program: &Program, machine: &Machine) -> Plan {
    let sheet = Rect::from_metres(0.0, 0.0, 1.22, 0.82);
    let stock = Stock::new(sheet, Length::from_millimetres(18.0), Density::from_kg_per_m3(720.0));
    let diameter = Length::from_millimetres(6.0);
    let tools = [Tool { number: 1, diameter, tip: Tip::Flat, flutes: 2, helix: Helix::STRAIGHT }];
    Plan::of(read(Cursor::new(text(program)), &Reading::default()), &stock, &tools, machine).unwrap()
}

/// A machine of another sort; lengths in mm.
#[derive(Clone, Copy)]
struct Other {
    acceleration: f64,
    /// mm/s³; none for ramps that begin at once.
    jerk: Option<f64>,
    /// Whether it stops wherever the way bends by more than ten degrees.
    stops: bool,
    /// How many moves it looks ahead.
    ahead: usize,
}

impl Other {
    /// The time of a ramp between two speeds, and its length.
    fn ramp(&self, from: f64, to: f64) -> (f64, f64) {
        let change = (to - from).abs();
        let time = match self.jerk {
            None => change / self.acceleration,
            Some(jerk) if change >= self.acceleration.powi(2) / jerk => {
                change / self.acceleration + self.acceleration / jerk
            }
            Some(jerk) => 2.0 * (change / jerk).sqrt(),
        };
        (time, 0.5 * (from + to) * time)
    }

    /// The fastest end of a move that begins at a speed, by halving.
    fn reach(&self, from: f64, length: f64, most: f64) -> f64 {
        if most <= from || self.ramp(from, most).1 <= length {
            return most;
        }
        let (mut low, mut high) = (from, most);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if self.ramp(from, middle).1 <= length { low = middle } else { high = middle }
        }
        low
    }

    fn time(&self, length: f64, [from, to]: [f64; 2], cruise: f64) -> f64 {
        let ways = |peak: f64| self.ramp(from, peak).1 + self.ramp(peak, to).1;
        let (mut low, mut high) = (from.max(to), cruise.max(from).max(to));
        if ways(high) > length {
            for _ in 0..60 {
                let middle = 0.5 * (low + high);
                if ways(middle) <= length { low = middle } else { high = middle }
            }
            high = low;
        }
        let even = (length - ways(high)).max(0.0) / high.max(1e-9);
        self.ramp(from, high).0 + self.ramp(high, to).0 + even
    }

    /// When each move ends.
    fn run(&self, program: &Program) -> Vec<f64> {
        let mut from = [0.0, 0.0, 25.0];
        let mut legs: Vec<(f64, [f64; 3], f64)> = Vec::new();
        for (to, feed) in &program.moves {
            let step: [f64; 3] = std::array::from_fn(|axis| to[axis] - from[axis]);
            let length = step.iter().map(|part| part * part).sum::<f64>().sqrt();
            let way = if length > 1e-9 { step.map(|part| part / length) } else { [0.0; 3] };
            let axes = [600.0, 600.0, 200.0];
            let most = (0..3).map(|axis| axes[axis] / way[axis].abs().max(1e-9)).fold(f64::INFINITY, f64::min);
            legs.push((length, way, feed.unwrap_or(f64::INFINITY).min(most)));
            from = *to;
        }
        let moving: Vec<usize> = (0..legs.len()).filter(|leg| legs[*leg].0 > 1e-9).collect();
        let corner = |one: usize, other: usize| {
            let ((length, way, cruise), (length_on, way_on, cruise_on)) = (legs[moving[one]], legs[moving[other]]);
            let cosine: f64 = way.iter().zip(way_on).map(|(one, other)| one * other).sum();
            let bend = cosine.clamp(-1.0, 1.0).acos();
            let most = cruise.min(cruise_on);
            if bend < 1e-6 {
                return most;
            }
            if self.stops && bend.to_degrees() > 10.0 || bend > 3.1 {
                return 0.0;
            }
            let radius = 0.5 * length.min(length_on).min(0.2) / (0.5 * bend).tan();
            most.min((self.acceleration * radius).sqrt())
        };
        let count = moving.len();
        // It must be able to stop within what it sees.
        let seen = |joint: usize| (joint..count.min(joint + self.ahead)).map(|leg| legs[moving[leg]].0).sum::<f64>();
        let most = |joint: usize| {
            let most = corner(joint - 1, joint);
            most.min(self.reach(0.0, seen(joint), most))
        };
        let inner = (1..count).map(most);
        let mut ends: Vec<f64> = std::iter::once(0.0).chain(inner).chain((count > 0).then_some(0.0)).collect();
        for joint in (1..count).rev() {
            ends[joint] = ends[joint].min(self.reach(ends[joint + 1], legs[moving[joint]].0, ends[joint]));
        }
        for joint in 1..=count {
            ends[joint] = ends[joint].min(self.reach(ends[joint - 1], legs[moving[joint - 1]].0, ends[joint]));
        }
        let mut clock = 0.0;
        let mut when = vec![0.0; legs.len()];
        let mut next = 0;
        for (leg, when) in when.iter_mut().enumerate() {
            if next < count && moving[next] == leg {
                let (length, _, cruise) = legs[leg];
                clock += self.time(length, [ends[next], ends[next + 1]], cruise);
                next += 1;
            }
            *when = clock;
        }
        when
    }
}

/// Machines of other sorts than ours is reckoned with, whose acceleration is within the stated half of what the setup says.
fn others() -> Vec<(&'static str, Other)> {
    let smooth = Other { acceleration: 2000.0, jerk: None, stops: false, ahead: 100 };
    vec![
        ("as told", smooth),
        ("six tenths of the acceleration", Other { acceleration: 1200.0, ..smooth }),
        ("half as much acceleration again", Other { acceleration: 3000.0, ..smooth }),
        ("stops at every corner", Other { stops: true, ..smooth }),
        // It reaches its acceleration within 40 ms.
        ("limited jerk", Other { jerk: Some(50_000.0), ..smooth }),
        ("limited jerk, stops at every corner", Other { jerk: Some(50_000.0), stops: true, ..smooth }),
        ("looks five moves ahead", Other { ahead: 5, ..smooth }),
    ]
}

#[test]
fn the_stated_error_of_a_time_holds_for_machines_of_other_sorts() {
    let mut told = Vec::new();
    let mut wrong = Vec::new();
    for program in programs() {
        let plan = plan(&program, &Machine::default());
        let course = &plan.course;
        let nominal = course.duration().secs_f64();
        let (least, most) = course.duration_bounds();
        let (least, most) = (least.secs_f64(), most.secs_f64());
        told.push(format!(
            "{}: {nominal:.1} s, stated {:+.1} % to {:+.1} %",
            program.name,
            100.0 * (least / nominal - 1.0),
            100.0 * (most / nominal - 1.0)
        ));
        for (name, other) in others() {
            let when = other.run(&program);
            let whole = when[when.len() - 1];
            told.push(format!("  {name}: {:+.1} %", 100.0 * (whole / nominal - 1.0)));
            if !(least..=most).contains(&whole) {
                wrong.push(format!("{}: {name} takes {whole:.2} s, stated {least:.2} to {most:.2}", program.name));
            }
            for place in (0..when.len() - 1).step_by(7) {
                let truly = course.place(Told::Line(FIRST + place as u64 + 1)).unwrap().earliest.fraction();
                let by_clock = course.place(Told::Elapsed(Span::from_secs_f64(when[place]))).unwrap();
                let (low, high) = (by_clock.earliest.fraction(), by_clock.latest.fraction());
                // A thousandth of the cut: the places are told at whole lines.
                if !(low - 1e-3..=high + 1e-3).contains(&truly) {
                    wrong.push(format!(
                        "{}: {name}, move {place}: {truly:.4} not in {low:.4} to {high:.4}",
                        program.name
                    ));
                }
            }
        }
    }
    println!("{}", told.join("\n"));
    assert!(wrong.is_empty(), "{}\n{}", told.join("\n"), wrong[..wrong.len().min(20)].join("\n"));
}

#[test]
fn a_machine_that_is_known_better_states_a_smaller_error() {
    let program = &programs()[1];
    let spread = |error: f64| {
        let (least, most) = plan(program, &Machine { error, ..Machine::default() }).course.duration_bounds();
        (most.secs_f64() - least.secs_f64()) / least.secs_f64()
    };
    let (known, unknown) = (spread(0.05), spread(0.5));
    assert!(known < unknown, "{known} {unknown}");
}

#[test]
fn the_other_models_agree_with_mechanics() {
    // 1000 mm at 100 mm/s and 2000 mm/s²: 0.05 s and 2.5 mm up and down, 995 mm evenly; with 50 m/s³ each ramp takes 0.04 s more and
    // 2 mm more way.
    let program = Program { name: "one", moves: vec![([1000.0, 0.0, 25.0], Some(100.0))] };
    let even = Other { acceleration: 2000.0, jerk: None, stops: false, ahead: 10 };
    assert!((even.run(&program)[0] - (0.1 + 9.95)).abs() < 1e-9);
    let soft = Other { jerk: Some(50_000.0), ..even };
    assert!((soft.run(&program)[0] - (0.18 + 9.91)).abs() < 1e-9, "{}", soft.run(&program)[0]);
}
