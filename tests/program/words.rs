//! Every word that the reader knows, once taken and once refused.

use holdwatch::job::program::{
    Code, Deed, DwellUnit, Limits, Note, Pace, Reading, Shift, Turning, UnitOfLength, Way, WorkZero,
};
use holdwatch::units::Length;

use super::{assert_places, deeds, moves, moves_from, notes, refusals, told_by};

/// A beginning that names a place and a feed, so that the second line shows the word alone.
const BEGIN: &str = "G21 G90 G0 X0 Y0 Z5 F1000 S18000\n";

/// Each word: a line that is taken behind [`BEGIN`], and one that is refused with a part of what is said.
const SAMPLES: &[(&str, &str, &str, &str)] = &[
    ("G0", "G0 X1 Y2", "G0 X", "a value is missing"),
    ("G1", "G1 X1 F500", "G1 X1 F0", "F0 is not above 0"),
    ("G2", "G2 X10 Y0 I5 J0", "G2 X10 Y0", "neither a radius nor its centre"),
    ("G3", "G3 X10 Y0 R5", "G3 X10 Y0 R2", "less than half"),
    ("I J", "G3 I5 J0", "G1 X1 I5", "I5 has no use"),
    ("K", "G18 G2 X10 Z5 I5 K0", "G17 G2 X10 Y0 I5 K0", "K0 has no use"),
    ("R", "G2 X10 R-5", "G2 X10 R5 I5", "both a radius and a centre"),
    ("full circle", "G2 I5", "G2 X0 Y0 R5", "ends where it begins"),
    ("helix", "G2 X10 Z-2 I5", "G2 X9 Z-2 I5", "from its centre"),
    ("G4", "G4 P0.5", "G4", "how long"),
    ("G4 X", "G4 X2", "G4 X", "a value is missing"),
    ("dwell", "G4 P1", "G4 P-1", "not from 0"),
    ("G17", "G17", "G17 G18", "contradicts"),
    ("G18", "G18 G1 X1", "G18 G81 X1 Z-1 R1", "another plane"),
    ("G19", "G19 G3 Y0 Z15 J0 K5", "G19 G2 Y5 I5", "neither a radius"),
    ("G20", "G20", "G20 G21", "contradicts"),
    ("G21", "G21", "G21 X999999999", "farther"),
    ("G70 G71 of ISO 6983-1", "G71", "G71 G20", "contradicts"),
    ("G28", "G28", "G28 G92 X0", "contradicts"),
    ("G30", "G91 G30 Z0", "G30.1", "stores a place"),
    ("G40", "G40", "G41 D1", "cutter's radius"),
    ("G42", "G40 G1 X1", "G42", "cutter's radius"),
    ("G43", "G43 H1", "G43 H1.5", "not a whole number"),
    ("H", "G43 H2 Z3", "H2", "H2 has no use"),
    ("G43.1", "G43", "G43.1 Z1", "G43.1 shifts"),
    ("G49", "G49", "G43 G49", "contradicts"),
    ("G50", "G50", "G51 X2", "scales"),
    ("G52", "G52 X10", "G52 X", "a value is missing"),
    ("G53", "G53 G0 Z0", "G1 G53 Z0", "only the machine knows"),
    ("G54", "G54", "G55", "second work zero"),
    ("G59.3", "G54 G0 X1", "G59.3", "second work zero"),
    ("G61", "G61", "G61 G64", "contradicts"),
    ("G64", "G64 P0.05", "G64 R1", "R1 has no use"),
    ("G69", "G69", "G68 R45", "turns the path"),
    ("G73", "G73 X1 Z-5 R1 Q2", "G73 X1 Z-5 R1", "lacks its peck"),
    ("G80", "G80", "G80 X1", "X1 has no use"),
    ("G81", "G81 X1 Z-5 R1", "G81 X1 Z-5", "lacks R or Z"),
    ("G82", "G82 X1 Z-5 R1 P0.5", "G82 X1 Z-5 R1 P-1", "not from 0"),
    ("G83", "G83 X1 Z-5 R1 Q2", "G83 X1 Z-5 R1 Q0", "not above 0"),
    ("G84", "G84 X1 Z-5 R1", "G84 X1 Z5 R1", "lies above"),
    ("G85", "G85 X1 Z-5 R1", "G85 X1 R1", "lacks R or Z"),
    ("G86", "G86 X1 Z-5 R1 P1", "G86 X1 Z-5 R1 L0", "not a whole number"),
    ("G87", "G85 X1 Z-5 R1", "G87 X1 Z-5 R1", "cycle that is not read"),
    ("G89", "G89 X1 Z-5 R1 P1", "G88 X1 Z-5 R1", "cycle that is not read"),
    ("G90", "G90", "G90 G91", "contradicts"),
    ("G91", "G91 X1", "G91 G28 Z0\nG1 Z-1", "has not named"),
    ("G90.1", "G90.1 G2 X10 I5 J0", "G90.1 G2 X10 I5", "neither a radius"),
    ("G91.1", "G91.1 G2 X10 I5", "G91.1 G90.1", "contradicts"),
    ("G92", "G92 X0", "G92 X", "a value is missing"),
    ("G92.1", "G92.1", "G92.4", "not known"),
    ("G92.3", "G92.2", "G92.3 G92", "contradicts"),
    ("G93", "G93 G1 X1 F2", "G93 G1 X1", "every line that cuts"),
    ("G94", "G94 F300", "G94 G1 X1", "no F"),
    ("G95", "G95 G1 X1 F0.2", "G95 S0\nG1 X1 F0.2", "no speed S"),
    ("G97", "G97", "G96", "lathe"),
    ("G98", "G98", "G98 G99", "contradicts"),
    ("G99", "G99 G81 X1 Z-5 R1", "G99.5", "not known"),
    ("G5", "G1 X1", "G5 X1", "curve"),
    ("G10", "G1 X1", "G10 L2 P1 X0", "tables"),
    ("G12", "G1 X1", "G12 I5", "pocket"),
    ("G38.2", "G1 X1", "G38.2 Z-5", "probes"),
    ("unknown G", "G1 X1", "G123", "not known"),
    ("G of three decimals", "G1 X1", "G1.25", "no code"),
    ("M0", "M0", "M0 M1", "contradicts"),
    ("M2", "M2", "M2 M30", "contradicts"),
    ("M3", "M3 S18000", "M3 M5", "contradicts"),
    ("M4", "M4", "M4 S-1", "S-1 is not"),
    ("M6", "T1 M6", "M6", "no T"),
    ("M7", "M7 M8", "M7 P1", "P1 has no use"),
    ("M48", "M48", "M48 M49", "contradicts"),
    ("M60", "M60", "M61", "controller's own"),
    ("M98", "M98 P8 L2\nM30\nO8\nG1 X1\nM99", "M98 P8", "not in the file"),
    ("M99", "M98 P8\nM30\nO8\nM99", "M99", "without an end"),
    ("unknown M", "M9", "M123", "controller's own"),
    ("T", "T12", "T1.5", "not a whole number"),
    ("F", "F250.5", "F-1", "is not above 0"),
    ("S", "S24000", "S1e9", "E is no word"),
    ("D", "G1 X1", "D1", "D1 has no use"),
    ("A", "G1 X1", "G1 A90", "further axis"),
    ("N", "N10 G1 X1", "N1.5 G1 X1", "not a whole number"),
    ("N in front", "N 10 G1 X1", "G1 N10 X1", "does not stand first"),
    ("block delete", "/G1 X1", "G1 / X1", "stands first"),
    ("numbered block delete", "/2 G1 X1", "G1 X1 /", "stands first"),
    ("( )", "(a pass) G1 (here) X1", "G1 X1 (open", "not closed"),
    ("nested ( )", "G1 X1 (a)(b)", "G1 X1 (a (b) c)", "in a comment"),
    (";", "G1 X1 ; G1 X", "G1 X1 ) ;", "begins with ("),
    ("%", "G1 X1\n%", "G1 X1 %", "line of its own"),
    ("words run together", "G1X1Y2F500", "G1X1Y2X3", "given twice"),
    ("blanks in numbers", "G1 X1 2. 5", "G1 X1 2.5.", "no number"),
    ("lower case", "g1 x1 y2", "g1 x1 x2", "given twice"),
    ("checksum", "G1X1*31", "G1X1*32", "damaged"),
    // 57 is the sum that a worked example of this practice gives (from memory).
    ("checksum with a number", "N3 T0*57", "N3 T0*57 X1", "behind the checksum"),
    ("parameter", "#100=5\nG1 X#100", "G1 X#100", "no value yet"),
    ("named parameter", "#<deep>=5\nG1 X#<deep>", "G1 X#<no>", "no value yet"),
    ("setting", "#1=[2*3]", "#1", "write ="),
    ("controller's parameter", "#5=1", "#5221=1", "controller's own"),
    ("expression", "G1 X[1+2*SIN[30]]", "G1 X[1+", "missing"),
    ("division", "G1 X[1/2]", "G1 X[1/0]", "no finite value"),
    ("function", "G1 X ABS[-2]", "G1 X SINH[2]", "expression in [ ]"),
    ("decimal comma", "G1 X1.5", "G1 X1,5", "decimal point"),
    ("exponent", "G1 X0.001", "G1 X1E-3", "E is no word"),
    ("sentence", "G1 X1", "IF [#1 EQ 1] GOTO 10", "IF is no word"),
    ("sub", "O9 sub\nG1 X1\nO9 endsub\nO9 call", "O9 call", "not in the file"),
    ("sub's end", "O9 sub\nO9 endsub", "O9 sub\nG1 X1", "not closed"),
    ("arguments", "O9 sub\nG1 X#1\nO9 endsub\nO9 call [7]", "O9 sub\nG1 X#1\nO9 endsub\nO9 call", "no value yet"),
    ("while", "#1=0\nO1 while [#1 LT 3]\n#1=[#1+1]\nO1 endwhile", "O1 while [1]\nO1 endwhile", "does not end"),
    ("do", "#1=0\nO1 do\n#1=[#1+1]\nO1 while [#1 LT 3]", "O1 do\nO1 while [1]", "does not end"),
    ("repeat", "O1 repeat [3]\nG91 G1 X1\nO1 endrepeat", "O1 repeat [3]\nG91 G1 X1", "not closed"),
    (
        "if",
        "O1 if [1]\nG1 X1\nO1 else\nG1 X\nO1 endif",
        "O1 if [0]\nG1 X\nO1 else\nG1 X\nO1 endif",
        "a value is missing",
    ),
    ("elseif", "O1 if [0]\nO1 elseif [1]\nG1 X1\nO1 endif", "O1 elseif [1]", "closes nothing"),
    ("break", "O1 while [1]\nO1 break\nO1 endwhile", "O1 break", "closes nothing"),
    ("continue", "O1 repeat [2]\nO1 continue\nG1 X\nO1 endrepeat", "O1 continue", "closes nothing"),
    ("return", "O9 sub\nO9 return [5]\nG1 X\nO9 endsub\nO9 call\nG1 X#<_value>", "O9 return", "closes nothing"),
    ("recursion", "O9 sub\nO9 endsub\nO9 call", "O9 sub\nO9 call\nO9 endsub\nO9 call", "deep in each other"),
    ("name", "O<hole> sub\nO<hole> endsub\nO<hole> call", "O<hole> jump", "not known"),
    ("computed label", "M30\nO5", "O[5] call", "computed"),
    ("label twice", "O9 sub\nO9 endsub\nO9 call", "O9 sub\nO9 endsub\nO9 sub\nO9 endsub\nO9 call", "stands twice"),
    ("running on", "M30\nO8\nM99", "G1 X1\nO8\nM99", "runs on"),
    ("other letters", "G1 X1", "G1 X1 @", "@ stands where"),
    ("other bytes", "G1 X1 (Größe)", "G1 X1 ö", "byte 0xc3 stands where"),
];

#[test]
fn every_word_has_a_line_that_is_taken_and_one_that_is_refused() {
    for (word, taken, refused, said) in SAMPLES {
        let text = format!("{BEGIN}{taken}\n");
        assert_eq!(refusals(&text), [], "{word}: {taken:?}");
        let text = if *said == "no F" { "G21 G0 X0 Y0 Z0\nG1 X1".to_owned() } else { format!("{BEGIN}{refused}\n") };
        let found = refusals(&text);
        let first = found.first().unwrap_or_else(|| panic!("{word}: {refused:?} is taken"));
        let whole = first.to_string();
        assert!(whole.contains(said), "{word}: {refused:?} is refused with {whole:?}, not {said:?}");
        assert!(!first.remedy.is_empty(), "{word}: {whole}");
    }
}

#[test]
fn a_refusal_stands_at_its_line_and_does_not_hide_those_behind_it() {
    let text = "G21 G90 F500\nG0 X0 Y0 Z5\nG1 X1 Q3\nG1 X2\nG1 X3 Y\n\n(no\nG1 X4\n";
    let lines: Vec<u64> = refusals(text).iter().map(|refusal| refusal.line).collect();
    assert_eq!(lines, [3, 5, 7]);
    let first = &refusals(text)[0];
    assert_eq!(
        first.to_string(),
        "line 3, columns 7-8: Q3 has no use on this line; take it out, or write the code that it belongs to"
    );
}

#[test]
fn line_ends_and_a_byte_order_mark_change_nothing() {
    let plain = moves("G21 G90\nG0 X1 Y2 Z3\nX4\nM30\n");
    for text in
        ["G21 G90\r\nG0 X1 Y2 Z3\r\nX4\r\nM30", "G21 G90\rG0 X1 Y2 Z3\rX4\rM30\r", "\u{feff}G21G90\nG0X1Y2Z3\nX4\nM30"]
    {
        assert_eq!(moves(text), plain, "{text:?}");
    }
}

#[test]
fn inches_are_25_4_mm() {
    let made = moves("G20 G90 G0 X1 Y0 Z0\nG1 X2 F10\nG2 X3 Y0 I0.5");
    assert_places(&made, &[[25.4, 0.0, 0.0], [50.8, 0.0, 0.0], [76.2, 0.0, 0.0]]);
    assert!(matches!(made[1].pace, Pace::Feed(feed) if (feed.millimetres_per_minute() - 254.0).abs() < 1e-9));
    assert!(matches!(made[2].way, Way::Arc(arc) if (arc.centre.0.millimetres() - 63.5).abs() < 1e-9));
}

#[test]
fn a_program_without_a_unit_is_read_in_the_cards_and_says_so() {
    let reading = Reading { unit: UnitOfLength::Inch, ..Reading::default() };
    assert_eq!(notes("G0 X1\nX2\nM2", &reading), [Note::UnitAssumed]);
}

/// NISTIR 6556, on G94: F counts inches or millimetres a minute, by the unit of length in force. 10 in/min are 254 mm/min.
#[test]
fn a_feed_before_the_first_length_is_told_in_the_cards_unit_too() {
    let reading = Reading { unit: UnitOfLength::Inch, ..Reading::default() };
    for text in ["F10\nG1 X1 Y0 Z0\nM2", "G1 X1 Y0 Z0 F10\nM2", "G95 F0.01 S1000\nG1 X1 Y0 Z0\nM2"] {
        let made = super::moves_of(super::deeds_of(told_by(text, &reading), text));
        assert!(
            matches!(made[0].pace, Pace::Feed(feed) if (feed.millimetres_per_minute() - 254.0).abs() < 1e-9),
            "{text:?}: {made:?}"
        );
        assert_eq!(notes(text, &reading), [Note::UnitAssumed], "{text:?}");
    }
    // A refused line is taken to have brought the cutter where it says, so that the way behind it begins there.
    let text = "T1.5 X1 Y0 Z5\nG91 G0 X1\nM2";
    let last = told_by(text, &reading).into_iter().filter_map(Result::ok).filter_map(|step| match step.deed {
        Deed::Move(made) => Some(made),
        _ => None,
    });
    assert_places(&last.collect::<Vec<_>>(), &[[50.8, 0.0, 127.0]]);
}

/// NISTIR 6556, on S: the speed in force is that at which the spindle turns once it does, and S may change it at any time.
#[test]
fn a_spindle_that_turns_follows_the_speed_alone() {
    let turned = |text: &str| -> Vec<(Turning, Option<f64>)> {
        let told = deeds(text).into_iter().filter_map(|deed| match deed {
            Deed::Spindle(turning, rpm) => Some((turning, rpm)),
            _ => None,
        });
        told.collect()
    };
    let (right, left, stands) = (Turning::Clockwise, Turning::Counterclockwise, Turning::Stopped);
    for (text, expected) in [
        ("S18000 M3\nS6000\nM2", vec![(right, Some(18_000.0)), (right, Some(6000.0))]),
        ("M4\nS18000\nM2", vec![(left, None), (left, Some(18_000.0))]),
        ("S18000 M3\nS18000\nM2", vec![(right, Some(18_000.0))]),
        ("S18000 M3\nM5\nS6000\nM3\nM2", vec![(right, Some(18_000.0)), (stands, None), (right, Some(6000.0))]),
        ("S18000\nM2", vec![]),
    ] {
        assert_eq!(turned(text), expected, "{text:?}");
    }
}

/// The line that puts a machine in order at the head of a program: common practice, no source.
#[test]
fn a_motion_beside_g80_holds_once_the_cycle_has_ended() {
    for head in ["G00 G17 G40 G49 G80 G90", "G17 G40 G49 G80 G90 G00"] {
        let made = moves(&format!("G21\n{head}\nX1 Y2 Z3\nG1 X2 F100\nM2"));
        assert_places(&made, &[[1.0, 2.0, 3.0], [2.0, 2.0, 3.0]]);
        assert_eq!(made[0].pace, Pace::Rapid, "{head}");
    }
    // The cycle before is forgotten: the next one wants its own R and Z.
    let cycle = "G21 G90 F100 G0 X0 Y0 Z5\nG81 X1 Z-5 R1\n";
    assert_eq!(refusals(&format!("{cycle}G82 X2\nM2")), []);
    assert!(refusals(&format!("{cycle}G80 G82 X2\nM2"))[0].what.contains("lacks R or Z"));
    for twice in ["G80 G0 G1 X1", "G80 G80"] {
        assert!(refusals(&format!("{BEGIN}{twice}"))[0].what.contains("contradicts"), "{twice}");
    }
}

/// The axis words are those of G28 (NISTIR 6556, on G28); the motion named holds from there on.
#[test]
fn a_motion_behind_g28_holds_too() {
    for line in ["G28 G0 Z5", "G0 G28 Z5"] {
        let made = moves(&format!("G21 G90 G0 X0 Y0 Z5 F100\nG1 X1\n{line}\nX2\nM2"));
        assert_eq!(made.last().unwrap().pace, Pace::Rapid, "{line}: {made:?}");
    }
}

#[test]
fn steps_add_up_and_shifts_move_the_zero() {
    let text = "G21 G90 G0 X10 Y10 Z5\nG91 X5\nX5 Y-5\nG90 G92 X0 Y0\nX1 Y1\nG92.2\nX1\nG92.3\nX1\nG92.1\nG52 X100\nX1\nG52 X0\nX1";
    let expected = [
        [10.0, 10.0, 5.0],
        [15.0, 10.0, 5.0],
        [20.0, 5.0, 5.0],
        [21.0, 6.0, 5.0],
        [1.0, 6.0, 5.0],
        [21.0, 6.0, 5.0],
        [101.0, 6.0, 5.0],
        [1.0, 6.0, 5.0],
    ];
    assert_places(&moves(text), &expected);
}

#[test]
fn work_zeros_are_taken_from_the_card() {
    let there = Shift { x: Length::from_millimetres(500.0), ..Shift::default() };
    let reading = Reading { zeros: [(WorkZero(2), there)].into(), ..Reading::default() };
    let text = "G21 G54 G0 X1 Y0 Z5\nG55 X1\nG54 X2";
    let told: Vec<_> = told_by(text, &reading).into_iter().map(Result::unwrap).collect();
    let made = super::moves_of(told.into_iter().map(|step| step.deed).collect());
    assert_places(&made, &[[1.0, 0.0, 5.0], [501.0, 0.0, 5.0], [2.0, 0.0, 5.0]]);
    assert_eq!(notes("G21 G56 G0 X1\nM2", &Reading::default()), [Note::ZeroAssumed(WorkZero(3))]);
}

#[test]
fn after_the_machines_own_places_the_cutter_is_nowhere_until_it_is_sent() {
    let made = moves("G21 G0 X1 Y2 Z3\nG28 Z10\nG0 X5\nG90 Z4\nG53 G0 X0 Y0");
    let nan = f64::NAN;
    let expected =
        [[1.0, 2.0, 3.0], [1.0, 2.0, 10.0], [1.0, 2.0, nan], [5.0, 2.0, nan], [5.0, 2.0, 4.0], [nan, nan, 4.0]];
    assert_places(&made, &expected);
}

#[test]
fn a_length_offset_switched_off_leaves_the_tip_unknown() {
    let made = moves("G21 G49 G0 X0 Y0 Z5\nG43 H1 Z4\nG49 Z3\nG43 Z2");
    assert_places(&made, &[[0.0, 0.0, 5.0], [0.0, 0.0, 4.0], [0.0, 0.0, f64::NAN], [0.0, 0.0, 2.0]]);
}

#[test]
fn pecks_and_chip_breaks_go_down_by_their_step() {
    let heights = |text: &str| -> Vec<f64> {
        let made = moves_from([0.0, 0.0, 10.0], &format!("G21 F100\n{text}"));
        made.iter().map(|made| (made.to.z().unwrap().millimetres() * 1e6).round() / 1e6).collect()
    };
    // By hand: clear height 1, bottom -5, pecks of 4; back in to 0.254 above the last depth.
    assert_eq!(heights("G99 G83 X0 Z-5 R1 Q4"), [10.0, 1.0, -3.0, 1.0, -2.746, -5.0, 1.0]);
    assert_eq!(heights("G99 G73 X0 Z-5 R1 Q4"), [10.0, 1.0, -3.0, -2.746, -5.0, 1.0]);
    assert_eq!(heights("G98 G85 X0 Z-5 R1"), [10.0, 1.0, -5.0, 1.0, 10.0]);
}

#[test]
fn a_cycle_stays_in_force_until_another_motion() {
    let made = moves("G21 G0 X0 Y0 Z10 F100\nG99 G81 X1 Z-5 R1\nX2\nX3 Z-6\nG80\nG0 X9");
    let bottoms: Vec<f64> =
        made.iter().filter(|made| made.pace != Pace::Rapid).map(|made| super::place(made.to)[2]).collect();
    assert_eq!(bottoms, [-5.0, -5.0, -6.0]);
}

#[test]
fn subprograms_and_loops_are_carried_out_as_often_as_they_say() {
    for (text, drops) in [
        ("M98 P200 L3\nM30\nO200\nG91 G0 X1\nM99", 3),
        ("O5 sub\nG91 G0 X#1\nO5 endsub\nO6 repeat [4]\nO5 call [2]\nO6 endrepeat", 4),
        ("#1=0\nO1 while [#1 LT 5]\nG91 G0 X1\n#1=[#1+1]\nO1 endwhile", 5),
        ("#1=0\nO1 do\n#1=[#1+1]\nO2 if [#1 EQ 2]\nO1 continue\nO2 endif\nG91 G0 X1\nO1 while [#1 LT 4]", 3),
        ("#1=0\nO1 while [1]\n#1=[#1+1]\nO2 if [#1 GT 3]\nO1 break\nO2 endif\nG91 G0 X1\nO1 endwhile", 3),
        ("M98 P1\nM98 P2\nM30\nO1\nM98 P2\nG91 G0 X1\nM99\nO2\nG91 G0 X1\nM99", 3),
    ] {
        let text = format!("G21 G0 X0 Y0 Z5\n{text}");
        for ends in ["\n", "\r\n", "\r"] {
            assert_eq!(moves(&text.replace('\n', ends)).len(), drops + 1, "{text:?}");
        }
    }
}

#[test]
fn a_loop_without_an_end_is_stopped_at_the_limit() {
    let reading = Reading { limits: Limits { repeated_lines: 500, depth: 9 }, ..Reading::default() };
    let told = told_by("G21\nO1 while [1]\nG4 P0\nO1 endwhile", &reading);
    let last = told.last().unwrap().clone().unwrap_err();
    assert!(last.to_string().contains("read 500 lines again"), "{last}");
    assert!(told.len() < 1000);
}

#[test]
fn what_happens_between_moves_is_told() {
    let found = deeds("G21 T2\nM6\nS18000 M3\nG4 P1.5\nM1\nM5\nM30");
    assert_eq!(
        found,
        [
            Deed::Prepare(2),
            Deed::Change(2),
            Deed::Spindle(Turning::Clockwise, Some(18_000.0)),
            Deed::Dwell(holdwatch::moment::Span::from_millis(1500)),
            Deed::Pause { optional: true },
            Deed::Spindle(Turning::Stopped, None),
            Deed::End,
        ]
    );
}

#[test]
fn a_shop_says_what_a_dwell_counts_and_which_codes_move_nothing() {
    let code = Code { letter: 'M', tenths: 100 };
    let reading =
        Reading { dwell: DwellUnit::Milliseconds, ignored: [code].into(), block_delete: true, ..Reading::default() };
    let told = told_by("G21 M10\nG4 P500\n/G0 X\nM30\n", &reading);
    let found: Vec<Deed> = told.into_iter().map(|step| step.unwrap().deed).collect();
    assert_eq!(
        found,
        [
            Deed::Note(Note::Ignored(code)),
            Deed::Dwell(holdwatch::moment::Span::from_millis(500)),
            Deed::Note(Note::BlockDeleted),
            Deed::End,
        ]
    );
}

#[test]
fn what_the_program_leaves_open_is_told() {
    let reading = Reading::default();
    assert_eq!(notes("G21 G92 X0 Y0 Z0\nM2", &reading), [Note::PlaceSet]);
    assert_eq!(notes("G21\nG4 P500\nM2", &reading), [Note::LongDwell]);
    assert_eq!(notes("G21\n/G4 P1\nM2", &reading), [Note::BlockDeleteOff]);
    assert_eq!(notes("G21\nM2\nG0 X1", &reading), [Note::TextAfterEnd]);
    assert_eq!(notes("%\nG21\nM2\n%\n", &reading), []);
    assert_eq!(notes("G21\n", &reading), [Note::EndMissing]);
}
