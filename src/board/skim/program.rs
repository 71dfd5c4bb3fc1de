//! The skim as a cut program: RS-274 in the words of ISO 6983, as NIST RS274/NGC reads them (Kramer, Proctor and Messina,
//! NISTIR 6556): millimetres, absolute, one move to a block. No tool is changed, no offset
//! is set or taken back: these are the operator's.

use std::fmt::Write as _;

use super::path::{Kind, Path};
use super::{Skim, SkimPlan};
use crate::table::Point;
use crate::units::{Length, Speed};

/// The program of `path`.
pub(super) fn written(skim: &Skim, plan: &SkimPlan, path: &Path) -> String {
    let mut text = head(skim, plan);
    let mut feed = None;
    let mut at: Option<(Point, Length)> = None;
    for next in &path.moves {
        let moved = words(at, (next.to, next.height));
        let line = match next.kind {
            Kind::Rapid => format!("G0{moved}"),
            Kind::Plunge => format!("G1{moved}{}", feed_word(skim.motion.plunge, &mut feed)),
            Kind::Lead | Kind::Cut => format!("G1{moved}{}", feed_word(skim.motion.feed, &mut feed)),
        };
        // Writing into a string cannot fail.
        let _ = writeln!(text, "{line}");
        at = Some((next.to, next.height));
    }
    text + "M5\nM30\n%\n"
}

fn head(skim: &Skim, plan: &SkimPlan) -> String {
    let area = &skim.face;
    format!(
        "%\n\
         (SKIM {:.0} BY {:.0} MM, {:.2} MM OFF IN {} LAYERS)\n\
         (CUTTER {:.1} MM; X0 Y0 IS THE BOARD'S CORNER, Z0 ITS FACE AS IT LIES NOW)\n\
         (CHECK THIS PROGRAM ON THE MACHINE ABOVE THE BOARD BEFORE IT CUTS)\n\
         (NO SCREW OR PIN HIGHER THAN {:.1} MM OVER THE UNDERSIDE; DUST EXTRACTION ON)\n\
         (SET Z ANEW ON THE NEW FACE AFTERWARDS)\n\
         G17 G21 G40 G80 G90 G94\n\
         M0 (EXTRACTION ON, CUTTER CLEAR)\n\
         G0 Z{}\n\
         S{:.0} M3\n\
         G4 P5.0\n",
        area.width().millimetres(),
        area.height().millimetres(),
        plan.depth.millimetres(),
        plan.layers,
        skim.surfacer.diameter.millimetres(),
        plan.left.millimetres(),
        millimetres(skim.motion.safe_height),
        skim.surfacer.spindle_rpm,
    )
}

/// The words of the axes that move; the first point names them all.
fn words(from: Option<(Point, Length)>, (to, height): (Point, Length)) -> String {
    let (x, y, z) = (millimetres(to.x), millimetres(to.y), millimetres(height));
    let Some((was, was_height)) = from else { return format!(" X{x} Y{y} Z{z}") };
    let mut words = String::new();
    for (letter, is, was) in
        [('X', x, millimetres(was.x)), ('Y', y, millimetres(was.y)), ('Z', z, millimetres(was_height))]
    {
        if is != was {
            words.push(' ');
            words.push(letter);
            words.push_str(&is);
        }
    }
    words
}

/// The feed in mm/min, if it is another than before.
fn feed_word(feed: Speed, last: &mut Option<String>) -> String {
    let word = format!(" F{:.0}", feed.metres_per_minute() * 1e3);
    if last.as_ref() == Some(&word) {
        return String::new();
    }
    *last = Some(word.clone());
    word
}

/// Micrometres are the last digit; nothing is less than zero and zero.
fn millimetres(length: Length) -> String {
    let rounded = (length.millimetres() * 1e3).round() / 1e3;
    format!("{:.3}", if rounded == 0.0 { 0.0 } else { rounded })
}
