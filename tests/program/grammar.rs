//! What NISTIR 6556 (Kramer, Proctor, Messina, The NIST RS274NGC Interpreter, version 3, 2000) gives as examples. The examples are
//! quoted from memory of the published text; the numbers in the comments are worked out by hand from them.

use std::f64::consts::PI;

use holdwatch::job::program::{Arc, Move, Pace, Way};

use super::{assert_places, moves, moves_from, place, refusals};

fn arc(made: &Move) -> Arc {
    match made.way {
        Way::Arc(arc) => arc,
        Way::Line => panic!("a line: {made:?}"),
    }
}

#[test]
fn blanks_may_stand_anywhere_even_inside_a_number() {
    // 3.3: "g0x +0. 12 34y 7" is the same as "g0 x+0.1234 y7".
    assert_places(&moves("g21 g0 z1\ng0x +0. 12 34y 7"), &[[f64::NAN, f64::NAN, 1.0], [0.1234, 7.0, 1.0]]);
}

#[test]
fn settings_of_parameters_come_into_force_after_the_line() {
    // 3.3.3: with #3 = 10, "#3=15 G1 X#3" goes to 10, and only the next line to 15 ("#3=6 g1x#3", from memory).
    let text = "G21 G90 G0 X0 Y0 Z0\n#3=10\n#3=15 G1 F100 X#3\nG1 X#3";
    assert_places(&moves(text)[1..], &[[10.0, 0.0, 0.0], [15.0, 0.0, 0.0]]);
}

#[test]
fn the_worked_arc_with_a_centre_has_the_radius_that_is_given() {
    // 3.5.3.2: from x 7, y 7 "G17 G2 x 10 y 16 i 3 j 4 z 9" has its centre at 10, 11 and the radius 5; from z 9 it is an
    // arc, else a helix.
    for (z, travel) in [(9.0, 0.0), (4.0, 5.0)] {
        let made = moves_from([7.0, 7.0, z], "G21 F100\nG17 G2 x 10 y 16 i 3 j 4 z 9");
        let arc = arc(&made[0]);
        assert!((arc.centre.0.millimetres() - 10.0).abs() < 1e-9 && (arc.centre.1.millimetres() - 11.0).abs() < 1e-9);
        // Clockwise from (-3, -4) at 233.13 degrees to (0, 5) at 90.
        assert!((arc.turn + (233.130_102_354_156_f64 - 90.0).to_radians()).abs() < 1e-12, "{arc:?}");
        let through = place(made[0].to)[2] - place(made[0].from)[2];
        assert!((through - travel).abs() < 1e-12);
    }
}

#[test]
fn the_worked_arc_with_a_radius_keeps_it() {
    // 3.5.3.1: "G17 G2 x 10 y 15 r 20 z 5" has the radius 20; a negative one takes the longer way.
    for (radius, longer) in [("20", false), ("-20", true)] {
        let made = moves_from([0.0, 0.0, 5.0], &format!("G21 F100\nG17 G2 x 10 y 15 r {radius} z 5"));
        let arc = arc(&made[0]);
        let reach = (arc.centre.0.millimetres()).hypot(arc.centre.1.millimetres());
        assert!((reach - 20.0).abs() < 1e-9);
        assert_eq!(arc.turn.abs() > PI, longer);
        assert!(arc.turn < 0.0, "clockwise");
    }
    // The same: it is a mistake if the end is where the arc begins, or too far for the radius.
    assert_eq!(refusals("G21 G0 X1 Y1 Z0\nG2 X1 Y1 R5 F9").len(), 1);
    assert_eq!(refusals("G21 G0 X0 Y0 Z0\nG2 X100 Y0 R5 F9").len(), 1);
}

#[test]
fn an_end_off_the_circle_is_refused() {
    // 3.5.3.2: centre to start and centre to end must agree (0.002 mm there; see src/job/program/arc.rs for ours).
    let found = refusals("G21 G0 X0 Y0 Z0 F100\nG2 X10 Y0.9 I5 J0");
    assert_eq!(found[0].line, 2, "{found:?}");
}

#[test]
fn the_first_worked_drilling_cycle_makes_its_four_moves() {
    // 3.5.16.2, example 1: from (1, 2, 3), "G90 G81 G98 X4 Y5 Z1.5 R2.8".
    let made = moves_from([1.0, 2.0, 3.0], "G21 F100\nG90 G81 G98 X4 Y5 Z1.5 R2.8");
    assert_places(&made, &[[4.0, 5.0, 3.0], [4.0, 5.0, 2.8], [4.0, 5.0, 1.5], [4.0, 5.0, 2.8], [4.0, 5.0, 3.0]]);
    let rapid: Vec<bool> = made.iter().map(|made| made.pace == Pace::Rapid).collect();
    // The published list draws the way back as one move to 3; here it is two on the same line.
    assert_eq!(rapid, [true, true, false, true, true]);
}

#[test]
fn the_second_worked_drilling_cycle_repeats_by_steps() {
    // 3.5.16.2, example 2: from (1, 2, 3), "G91 G81 G98 X4 Y5 Z-0.6 R1.8 L3": clear height 4.8, bottom 4.2, holes at
    // (5, 7), (9, 12), (13, 17).
    let made = moves_from([1.0, 2.0, 3.0], "G21 F100\nG91 G81 G98 X4 Y5 Z-0.6 R1.8 L3");
    let hole = |x: f64, y: f64| [[x, y, 4.8], [x, y, 4.2], [x, y, 4.8]];
    let expected: Vec<[f64; 3]> =
        [[1.0, 2.0, 4.8]].into_iter().chain(hole(5.0, 7.0)).chain(hole(9.0, 12.0)).chain(hole(13.0, 17.0)).collect();
    assert_places(&made, &expected);
}

#[test]
fn a_full_circle_ends_where_it_begins() {
    let made = moves("G21 G0 X10 Y0 Z0\nG3 I-10 F100");
    assert!((arc(&made[1]).turn - 2.0 * PI).abs() < 1e-12);
    assert_eq!(made[1].to, made[1].from);
}

#[test]
fn the_planes_turn_by_the_right_hand() {
    // 3.5.3: clockwise as seen from the positive end of the axis across the plane.
    for (text, end) in [
        ("G17 G3 X0 Y10 I-10 J0", [0.0, 10.0, 0.0]),
        ("G18 G2 X0 Z10 I-10 K0", [0.0, 0.0, 10.0]),
        ("G18 G3 X0 Z-10 I-10 K0", [0.0, 0.0, -10.0]),
    ] {
        let made = moves_from([10.0, 0.0, 0.0], &format!("G21 F100\n{text}"));
        assert_places(&made, &[end]);
        assert!((arc(&made[0]).turn.abs() - PI / 2.0).abs() < 1e-9, "{text}: {:?}", arc(&made[0]));
    }
    let made = moves_from([0.0, 10.0, 0.0], "G21 F100\nG19 G3 Y0 Z10 J-10 K0");
    assert!((arc(&made[0]).turn - PI / 2.0).abs() < 1e-9);
}
