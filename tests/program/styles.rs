//! One job written in five styles of our own, each as some post-processor might write it, and faults planted in each.
//!
//! The areas are by plane geometry. The styles are invented; what they combine is common practice, no source.

use std::f64::consts::PI;
use std::io::Cursor;

use holdwatch::job::plan::{Helix, Kind, Machine, Plan, Stock, Tip, Tool};
use holdwatch::job::program::{Reading, Refusal, read};
use holdwatch::table::Rect;
use holdwatch::units::{Density, Length};

/// Spaced words, every line numbered and closed by its checksum.
const NUMBERED: &str = "\
G21 G90 G17 G40 G49 G80
T2 M6
S12000 M3
G0 Z20
G0 X150 Y150
G1 Z-18.2 F1200
G0 Z20
G0 X250 Y150
G1 Z-18.2
G0 Z20
T1 M6
S18000 M3
G0 X97 Y97
G1 Z-18.2 F2000
G1 X303 F6000
G1 Y203
G1 X97
G1 Y97
G0 Z20
G0 X397 Y150
G1 Z-18.2 F2000
G2 I53 J0 F6000
G0 Z20
M5
M30";

/// Percent signs, comments in parentheses, points behind whole numbers, arc centres as places.
const PERCENT: &str = "\
%
(SHEET OF SIDES)
G21 G90 G90.1 G17
T2 M6 (DRILL)
S12000 M3
G0 X150. Y150. Z20.
G1 Z-18.2 F1200.
G0 Z20.
X250.
G1 Z-18.2
G0 Z20.
T1 M6 (CUTTER)
S18000 M3
G0 X97. Y97.
G1 Z-18.2 F2000.
X303. F6000.
Y203.
X97.
Y97.
G0 Z20.
X397. Y150.
G1 Z-18.2 F2000.
G3 X397. Y150. I450. J150. F6000.
G0 Z20.
M5
M30
%";

/// Lower case, words run together, comments behind semicolons, arcs by their radius.
const TIGHT: &str = "\
g21g90g17;metric
t2m6
s12000m3
g0x150y150z20
g1z-18.2f1200
g0z20
x250
g1z-18.2
g0z20
t1m6;cutter
s18000m3
g0x97y97
g1z-18.2f2000
x303f6000
y203
x97
y97
g0z20
x397y150
g1z-18.2f2000
g2x503r53f6000
x397r53
g0z20
m5
m30";

/// Inches, a program number, drilling cycles, block delete.
const INCH: &str = "\
O1001
G20 G90 G94 G17
T2 M6
S12000 M3
G0 X5.90551 Y5.90551 Z0.8
G99 G81 Z-0.71654 R0.1 F47
X9.84252
G80
/M1
T1 M6
S18000 M3
G0 X3.81890 Y3.81890 Z0.8
G1 Z-0.71654 F79
X11.92913 F236
Y7.99213
X3.81890
Y3.81890
G0 Z0.8
X15.62992 Y5.90551
G1 Z-0.71654 F79
G2 I2.08661 F236
G0 Z0.8
M5
M30";

/// Parameters, a subprogram with arguments, steps, a loop.
const PARAMETERS: &str = "\
#<_down>=-18.2
#101=97
o100 sub
G1 Z#<_down> F2000
G91 X#1 F6000
Y#2
X[0-#1]
Y[0-#2]
G90 G0 Z20
o100 endsub
G21 G90 G17
T2 M6
S12000 M3
G0 X150 Y150 Z20
o1 repeat [2]
G1 Z#<_down> F1200
G0 Z20
G0 X[150+100]
o1 endrepeat
T1 M6
S18000 M3
G0 X#101 Y#101
o100 call [206] [106]
G0 X397 Y150
G1 Z#<_down> F2000
G2 I[106/2] F6000
G0 Z20
M5
M30";

/// The styles that stand as they are in a file.
pub(super) const WHOLE: [&str; 4] = [PERCENT, TIGHT, INCH, PARAMETERS];

/// A fault: the style, the line, what stands there instead, and a part of what is said.
const PLANTS: &[(&str, usize, &str, &str)] = &[
    (NUMBERED, 1, "G21 G90 G17 G18 G40", "contradicts"),
    (NUMBERED, 3, "S-12000 M3", "is not"),
    (NUMBERED, 6, "G1 Z-18.2 F0", "is not above 0"),
    (NUMBERED, 11, "T9 M6", "not in the card's list"),
    (NUMBERED, 13, "G0 X97 Y", "a value is missing"),
    (NUMBERED, 15, "G1 X303 X304 F6000", "given twice"),
    (NUMBERED, 16, "G1 Y203 Q5", "Q5 has no use"),
    (NUMBERED, 17, "G41 G1 X97", "cutter's radius"),
    (NUMBERED, 22, "G2 I53 J0 R53 F6000", "both a radius and a centre"),
    (NUMBERED, 22, "G2 I53 K0 F6000", "K0 has no use"),
    (NUMBERED, 24, "M61", "controller's own"),
    (PERCENT, 4, "T2 M6 (DRILL", "not closed"),
    (PERCENT, 4, "T2 M6 (A (B) DRILL)", "in a comment"),
    (PERCENT, 16, "X303.. F6000.", "no number"),
    (PERCENT, 16, "X303,5 F6000.", "decimal point"),
    (PERCENT, 17, "Y203. %", "line of its own"),
    (PERCENT, 18, "G5 X97.", "curve"),
    (PERCENT, 23, "G3 X397. Y150. I450. F6000.", "neither a radius"),
    (PERCENT, 23, "G3 X397. Y160. I450. J150. F6000.", "from its centre"),
    (PERCENT, 24, "G95 Z20.", "neither a radius"),
    (TIGHT, 2, "t1.5m6", "not a whole number"),
    (TIGHT, 5, "g1z-18.2f1200e3", "E is no word"),
    (TIGHT, 12, "g0x97y97)", "begins with ("),
    (TIGHT, 14, "x303x304f6000", "given twice"),
    (TIGHT, 15, "y203a90", "further axis"),
    (TIGHT, 16, "g10l2p1x97", "tables"),
    (TIGHT, 20, "g38.2z-18.2f2000", "probes"),
    (TIGHT, 21, "g2x503r10f6000", "less than half"),
    (TIGHT, 21, "g2x503r53i53f6000", "both a radius and a centre"),
    (TIGHT, 22, "x503r53", "ends where it begins"),
    (INCH, 2, "G20 G21 G90 G94 G17", "contradicts"),
    (INCH, 6, "G99 G81 R0.1 F47", "R0.1 has no use"),
    (INCH, 6, "G99 G81 Z0.5 R0.1 F47", "lies above"),
    (INCH, 6, "G99 G83 Z-0.71654 R0.1 F47", "lacks its peck"),
    (INCH, 6, "G99 G87 Z-0.71654 R0.1 F47", "cycle that is not read"),
    (INCH, 6, "G99 G81 Z-0.71654 R0.1 L0 F47", "not a whole number"),
    (INCH, 14, "X11.92913 / F236", "stands first"),
    (INCH, 15, "G51 Y7.99213", "scales"),
    (INCH, 16, "G68 X3.81890", "turns the path"),
    (INCH, 19, "G55 X15.62992 Y5.90551", "second work zero"),
    (INCH, 21, "G2 I2.08661 J F236", "is no word"),
    (PARAMETERS, 4, "G1 Z#<_dwn> F2000", "no value yet"),
    (PARAMETERS, 7, "X[0-#1", "is not closed"),
    (PARAMETERS, 15, "o1 repeat [2", "is not closed"),
    (PARAMETERS, 15, "o1 jump [2]", "not known"),
    (PARAMETERS, 18, "G0 X[150+100]]", "]"),
    (PARAMETERS, 22, "#5221=97", "controller's own"),
    (PARAMETERS, 23, "o101 call [206] [106]", "not in the file"),
    (PARAMETERS, 23, "o[100] call [206] [106]", "computed"),
    (PARAMETERS, 24, "IF [#101 EQ 97] GOTO 24", "IF is no word"),
    (PARAMETERS, 26, "G2 I[106/0] F6000", "no finite value"),
    (PARAMETERS, 26, "G2 I SINH[53] F6000", "expression in [ ]"),
];

/// The text as it stands in a file: numbers and checksums where the style has them.
fn written(style: &str, lines: &[&str]) -> String {
    if style != NUMBERED {
        return lines.join("\n") + "\n";
    }
    let line = |(place, line): (usize, &&str)| {
        let words = format!("N{} {line}", 10 * (place + 1));
        let sum = words.bytes().fold(0, |sum, byte| sum ^ byte);
        format!("{words}*{sum}\r\n")
    };
    lines.iter().enumerate().map(line).collect()
}

/// Whatever the bytes say is laid on a sheet or refused.
pub(super) fn lay_on_a_sheet(bytes: &[u8]) {
    match plan(&String::from_utf8_lossy(bytes)) {
        Ok(plan) => assert!(!plan.pieces.is_empty()),
        Err(refusals) => assert!(!refusals.is_empty()),
    }
}

fn plan(text: &str) -> Result<Plan, Vec<Refusal>> {
    let stock = Stock::new(
        Rect::from_metres(0.0, 0.0, 1.2, 0.8),
        Length::from_millimetres(18.0),
        Density::from_kg_per_m3(720.0),
    );
    let tool = |number, diameter| Tool {
        number,
        diameter: Length::from_millimetres(diameter),
        tip: Tip::Flat,
        flutes: 2,
        helix: Helix::STRAIGHT,
    };
    let steps = read(Cursor::new(text), &Reading::default());
    Plan::of(steps, &stock, &[tool(1, 6.0), tool(2, 5.0)], &Machine::default())
}

const STYLES: [(&str, &str); 5] =
    [("numbered", NUMBERED), ("percent", PERCENT), ("tight", TIGHT), ("inch", INCH), ("parameters", PARAMETERS)];

#[test]
fn a_job_is_the_same_in_every_style() {
    for (name, style) in STYLES {
        let lines: Vec<&str> = style.lines().collect();
        let plan = plan(&written(style, &lines)).unwrap_or_else(|refusals| panic!("{name}: {refusals:?}"));
        let areas: Vec<f64> = plan
            .pieces
            .iter()
            .filter(|piece| piece.kind == Kind::Part)
            .map(|piece| piece.area.square_metres() * 1e6)
            .collect();
        assert_eq!(areas.len(), 2, "{name}");
        for (found, by_hand) in areas.iter().zip([200.0 * 100.0 - 2.0 * PI * 6.25, PI * 2500.0]) {
            assert!((found / by_hand - 1.0).abs() < 0.005, "{name}: {areas:?}");
        }
        assert!(plan.warnings.is_empty(), "{name}: {:?}", plan.warnings);
    }
}

#[test]
fn every_planted_fault_is_refused_at_its_line() {
    let mut wrong = Vec::new();
    for (style, line, planted, said) in PLANTS {
        let mut lines: Vec<&str> = style.lines().collect();
        lines[line - 1] = planted;
        let name = STYLES.iter().find(|(_, known)| known == style).map_or("", |(name, _)| name);
        match plan(&written(style, &lines)) {
            Ok(_) => wrong.push(format!("{name} {line}: {planted:?} is taken")),
            Err(refusals) => {
                let first = &refusals[0];
                if first.line != *line as u64 || !first.to_string().contains(said) || first.remedy.is_empty() {
                    wrong.push(format!("{name} {line}: {planted:?} is refused with: {first}"));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(PLANTS.len() >= 50);
}

#[test]
fn damage_to_a_file_is_refused_at_its_line() {
    let lines: Vec<&str> = NUMBERED.lines().collect();
    let whole = written(NUMBERED, &lines);
    // One byte changed in each line that moves: the checksum no longer fits.
    for (place, line) in lines.iter().enumerate().filter(|(_, line)| line.starts_with("G1")) {
        let damaged = whole.replacen(&format!("{line}*"), &format!("{}*", line.replacen('1', "7", 1)), 1);
        let refusals = plan(&damaged).unwrap_err();
        let at = whole.lines().position(|written| written.contains(&format!("{line}*"))).unwrap();
        assert_eq!(refusals[0].line, at as u64 + 1, "{line} of line {place}: {}", refusals[0]);
        assert!(refusals[0].to_string().contains("damaged"), "{}", refusals[0]);
    }
    // What stands behind a file that was cut off in a subprogram or loop is missed where that begins.
    for (cut, line) in [(7, 3), (17, 15)] {
        let lines: Vec<&str> = PARAMETERS.lines().take(cut).collect();
        let refusals = plan(&written(PARAMETERS, &lines)).unwrap_err();
        assert!(
            refusals.iter().any(|refusal| refusal.line == line || refusal.what.contains("not closed")),
            "{refusals:?}"
        );
    }
}
