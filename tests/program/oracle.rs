//! Plain files against an independent parser, the crate `gcode`, which holds numbers in 32 bits.

use proptest::prelude::*;

use super::{moves, place};

/// Where each line of G0 and G1 goes, by the other parser.
fn by_the_other_parser(text: &str) -> Vec<[f64; 3]> {
    let program = gcode::parse(text).unwrap_or_else(|error| panic!("{text}: {error:?}"));
    let mut here = [f64::NAN; 3];
    let mut found = Vec::new();
    for block in program.blocks {
        for code in block.codes {
            let gcode::Code::General(general) = code else { continue };
            if !matches!(general.number.major(), 0 | 1) {
                continue;
            }
            for argument in general.args {
                let axis = match argument.letter {
                    'X' | 'x' => 0,
                    'Y' | 'y' => 1,
                    'Z' | 'z' => 2,
                    _ => continue,
                };
                here[axis] = value(&argument.value);
            }
            found.push(here);
        }
    }
    found
}

fn value(value: &gcode::Value) -> f64 {
    match value {
        gcode::Value::Literal(number) => f64::from(*number),
        other => panic!("{other:?}"),
    }
}

fn line() -> impl Strategy<Value = String> {
    let number = || (-3000.0_f64..3000.0, 0..4_usize).prop_map(|(value, digits)| format!("{value:.digits$}"));
    let blank = || prop_oneof![Just(""), Just(" "), Just("  ")];
    let comment = prop_oneof![Just(""), Just(" (a pass)"), Just(" ; a pass")];
    (0..2_u8, number(), number(), number(), blank(), comment, any::<bool>()).prop_map(
        |(code, x, y, z, blank, comment, lower)| {
            let words = format!("G{code}{blank}X{x}{blank}Y{y}{blank}Z{z}");
            if lower { words.to_lowercase() + comment } else { words + comment }
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn plain_moves_go_where_an_independent_parser_sends_them(lines in proptest::collection::vec(line(), 1..40)) {
        let text = format!("G21 G90 F1000\n{}\nM30\n", lines.join("\n"));
        let ours: Vec<[f64; 3]> = moves(&text).iter().map(|made| place(made.to)).collect();
        let theirs = by_the_other_parser(&text);
        prop_assert_eq!(ours.len(), theirs.len());
        for (ours, theirs) in ours.iter().flatten().zip(theirs.iter().flatten()) {
            // 24 bits of mantissa at 3000.
            prop_assert!((ours - theirs).abs() <= 3000.0 * f64::from(f32::EPSILON), "{} {}", ours, theirs);
        }
    }
}
