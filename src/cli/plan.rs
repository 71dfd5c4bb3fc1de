//! What a cut program does, told and drawn.

use std::fmt::Write as _;
use std::path::Path;

use anyhow::{Context, Result};

use super::files;
use crate::job::Card;
use crate::job::plan::{Hold, Kind, Leaves, Neighbour, Piece, PieceId, Plan};
use crate::moment::{Span, Utc};
use crate::setup::Setup;
use crate::table::Point;

/// Parts shown in full; of longer lists the rest is counted.
const MOST_SHOWN: usize = 100;

/// Tells the parts in their order, what holds them, and what someone should look at.
pub(super) fn tell(plan: &Plan) {
    let (lines, duration) = (plan.course.lines(), plan.course.duration());
    let (least, most) = plan.course.duration_bounds();
    println!(
        "program: {lines} lines, {} ({} to {}) of cutting and moving, {}",
        clock(duration),
        clock(least),
        clock(most),
        counted(plan)
    );
    println!(
        "board: {:.1} m cut into it, {:.2} mm at the deepest (line {}), {:.2} m2 touched",
        plan.scar.length.metres(),
        plan.scar.deepest.millimetres(),
        plan.scar.line,
        plan.scar.map.touched().square_metres()
    );
    println!("{:>9}  {:>6}  {:>9}  {:>8}  {:>8}  {:>6}  held by", "part", "line", "time", "area cm2", "kg", "at mm");
    for (place, piece) in plan.parts().into_iter().enumerate().take(MOST_SHOWN) {
        println!("{}", line(&format!("part {}", place + 1), piece, plan));
    }
    let drops: Vec<&Piece> = plan.pieces.iter().filter(|piece| piece.kind == Kind::Drop).collect();
    for (place, piece) in drops.iter().enumerate().take(MOST_SHOWN) {
        println!("{}", line(&format!("drop {}", place + 1), piece, plan));
    }
    let scraps = plan.pieces.iter().filter(|piece| piece.under_cutter && piece.kind != Kind::Drop).count();
    if scraps > 0 {
        println!("{scraps} scrap(s) smaller than the cutter come free; keep clear and let them be drawn off");
    }
    let hidden = plan.parts().len().saturating_sub(MOST_SHOWN) + drops.len().saturating_sub(MOST_SHOWN);
    if hidden > 0 {
        println!("and {hidden} more");
    }
    tell_warnings(plan);
    for remark in &plan.remarks {
        println!("line {}: {} ({} times)", remark.line, remark.note, remark.times);
    }
}

/// What someone should look at before the cut.
pub(super) fn tell_warnings(plan: &Plan) {
    for warning in plan.warnings.iter().take(MOST_SHOWN) {
        println!("look at: {warning}");
    }
    let hidden = plan.warnings.len().saturating_sub(MOST_SHOWN);
    if hidden > 0 {
        println!("look at: and {hidden} more");
    }
}

/// Whether Z0 must be set anew since the board was skimmed; a journal that cannot be read is told.
pub(super) fn tell_zero(card: &Card, setup: &Setup, setup_path: &Path) {
    if let Some(text) = zero(card, setup, setup_path) {
        println!("look at: {text}");
    }
}

/// The same as a sentence.
pub(super) fn zero(card: &Card, setup: &Setup, setup_path: &Path) -> Option<String> {
    card.program.as_ref()?;
    match files::last_skim(setup, setup_path) {
        Ok(skimmed) => card.is_zeroed_before(skimmed).then(|| {
            format!(
                "{}: the board was skimmed on {} and Z0 was taken before that; with the spindle stopped and locked out set Z0 \
                 anew, then correct board_left_mm and zeroed",
                card.name,
                skimmed.map(Utc::rfc3339).unwrap_or_default()
            )
        }),
        Err(text) => Some(format!("whether the board was skimmed since Z0 was taken is not known: {text}")),
    }
}

fn counted(plan: &Plan) -> String {
    let count = |kind: Kind| plan.pieces.iter().filter(|piece| piece.kind == kind).count();
    format!("{} part(s), {} drop(s), {} edge piece(s)", count(Kind::Part), count(Kind::Drop), count(Kind::Edge))
}

fn clock(span: Span) -> String {
    let seconds = span.secs_f64().round() as u64;
    format!("{}:{:02} min", seconds / 60, seconds % 60)
}

fn line(name: &str, piece: &Piece, plan: &Plan) -> String {
    let (at_line, time) =
        piece.parted.map_or((String::new(), String::new()), |when| (when.line.to_string(), clock(when.elapsed)));
    format!(
        "{name:>9}  {at_line:>6}  {time:>9}  {:>8.1}  {:>8.3}  {:.0},{:.0}  {}",
        piece.area.square_metres() * 1e4,
        piece.mass.kilograms(),
        piece.centroid.x.millimetres(),
        piece.centroid.y.millimetres(),
        held(piece, plan),
    )
}

fn held(piece: &Piece, plan: &Plan) -> String {
    if piece.under_cutter {
        return "nothing, and comes to lie under the cutter".to_owned();
    }
    if piece.holds.is_empty() {
        return "the vacuum alone".to_owned();
    }
    let mut words = Vec::new();
    for (leaves, word) in [(Leaves::Tab, "tab"), (Leaves::Skin, "skin")] {
        let holds: Vec<&Hold> = piece.holds.iter().filter(|hold| hold.leaves == leaves).collect();
        let Some(thinnest) = holds.iter().map(|hold| hold.thickness.millimetres()).min_by(f64::total_cmp) else {
            continue;
        };
        let length: f64 = holds.iter().map(|hold| hold.length.millimetres()).sum();
        words.push(format!("{} {word}(s), {thinnest:.1} mm thick, {length:.0} mm long", holds.len()));
    }
    let others: Vec<String> = piece.holds.iter().filter_map(|hold| other_part(hold.to, plan)).collect();
    if piece.held_by_parts_only() {
        words.push(format!("CAUTION: only to {}, which may go with it", others.join(", ")));
    }
    words.join("; ")
}

fn other_part(to: Neighbour, plan: &Plan) -> Option<String> {
    match to {
        Neighbour::Piece(id) => Some(name_of(id, plan)),
        Neighbour::Sheet | Neighbour::Unknown => None,
    }
}

fn name_of(id: PieceId, plan: &Plan) -> String {
    let wanted = plan.piece(id);
    let place = plan.parts().into_iter().position(|piece| wanted.is_some_and(|wanted| std::ptr::eq(piece, wanted)));
    place.map_or("a drop".to_owned(), |place| format!("part {}", place + 1))
}

/// The same for a program to read; lengths in metres, times in seconds.
pub(super) fn as_json(plan: &Plan) -> Result<serde_json::Value> {
    Ok(serde_json::json!({
        "lines": plan.course.lines(),
        "duration_s": plan.course.duration().secs_f64(),
        "duration_least_s": plan.course.duration_bounds().0.secs_f64(),
        "duration_most_s": plan.course.duration_bounds().1.secs_f64(),
        "open_outlines": serde_json::to_value(&plan.open)?,
        "pieces": serde_json::to_value(&plan.pieces)?,
        "board": {
            "cut_m": plan.scar.length.metres(),
            "deepest_m": plan.scar.deepest.metres(),
            "deepest_line": plan.scar.line,
            "touched_m2": plan.scar.map.touched().square_metres(),
            "map": serde_json::to_value(&plan.scar.map)?,
        },
        "tools": plan.tools,
        "warnings": plan.warnings.iter().map(ToString::to_string).collect::<Vec<_>>(),
        "remarks": serde_json::to_value(&plan.remarks)?,
    }))
}

/// Draws the sheet with its parts, kerfs, tabs and skins.
pub(super) fn draw(card: &Card, plan: &Plan, file: &Path) -> Result<()> {
    std::fs::write(file, picture(card, plan)).with_context(|| format!("cannot write {}", file.display()))
}

fn picture(card: &Card, plan: &Plan) -> String {
    let sheet = &card.sheet.rect;
    let (width, height) = (sheet.width().millimetres(), sheet.height().millimetres());
    let place = |point: &Point| {
        let x = (point.x - sheet.low.x).millimetres();
        (x, height - (point.y - sheet.low.y).millimetres())
    };
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"-10 -10 {:.1} {:.1}\" font-family=\"sans-serif\">\n\
         <rect width=\"{width:.1}\" height=\"{height:.1}\" fill=\"#c8ac7d\" stroke=\"#333\"/>\n",
        width + 20.0,
        height + 20.0
    );
    for stroke in &plan.strokes {
        let colour = match stroke.leaves {
            Leaves::Nothing => "#222",
            Leaves::Tab => "#1f6fb4",
            Leaves::Skin => "#7b5ea7",
        };
        let path = stroke.path();
        let points: Vec<String> = path.iter().map(place).map(|(x, y)| format!("{x:.2},{y:.2}")).collect();
        let _ = writeln!(
            svg,
            "<polyline points=\"{}\" fill=\"none\" stroke=\"{colour}\" stroke-opacity=\"0.55\" stroke-width=\"{:.2}\" \
             stroke-linecap=\"round\" stroke-linejoin=\"round\"/>",
            points.join(" "),
            stroke.width.millimetres()
        );
    }
    for open in &plan.open {
        let points: Vec<String> = open.outline.iter().map(place).map(|(x, y)| format!("{x:.2},{y:.2}")).collect();
        let _ = writeln!(
            svg,
            "<path d=\"M{}Z\" fill=\"none\" stroke=\"#b3261e\" stroke-width=\"2\" stroke-dasharray=\"8 6\"/>",
            points.join("L")
        );
        for gap in &open.gaps {
            let (x, y) = place(&gap.at);
            let _ = writeln!(
                svg,
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"9\" fill=\"none\" stroke=\"#b3261e\" stroke-width=\"3\"/>"
            );
        }
    }
    for (number, piece) in plan.parts().into_iter().enumerate() {
        let points: Vec<String> = piece.outline.iter().map(place).map(|(x, y)| format!("{x:.2},{y:.2}")).collect();
        let (x, y) = place(&piece.centroid);
        let size = (piece.area.square_metres().sqrt() * 1000.0 * 0.2).clamp(4.0, 60.0);
        let fill = if piece.holds.is_empty() { "#f3e3c3" } else { "#dbe9f4" };
        let _ = writeln!(
            svg,
            "<polygon points=\"{}\" fill=\"{fill}\" stroke=\"#333\" stroke-width=\"0.5\"/>\n<text x=\"{x:.1}\" y=\"{y:.1}\" \
             font-size=\"{size:.0}\" text-anchor=\"middle\" dominant-baseline=\"middle\">{}</text>",
            points.join(" "),
            number + 1
        );
        for hold in &piece.holds {
            let (x, y) = place(&hold.at);
            let shape = if hold.leaves == Leaves::Tab { "T" } else { "S" };
            let _ = writeln!(
                svg,
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"6\" fill=\"#fff\" stroke=\"#1f6fb4\"/>\n<text x=\"{x:.1}\" y=\"{y:.1}\" \
                 font-size=\"8\" text-anchor=\"middle\" dominant-baseline=\"middle\">{shape}</text>"
            );
        }
    }
    svg.push_str("</svg>\n");
    svg
}
