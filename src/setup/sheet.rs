//! The sheet of a job card: where it lies, what it is made of, what is gone of it already, and how it is held.

use geo::{Area, Validation};

use super::FRICTION;
use super::layout::{PLACE, placed_rect, shown, within};
use super::material::materials;
use super::notes::complaint;
use super::section::{DENSITY, LENGTH, PLAIN, Section, nearest};
use crate::job::{CardSheet, Material, polygon};
use crate::table::{Point, Rect};
use crate::units::{Density, Length};

/// What holds a sheet: the vacuum, or screws, clamps or tape.
const HELD: [(&str, bool); 2] = [("vacuum", false), ("otherwise", true)];

/// The most places where a piece of a sheet is missing.
const MOST_MISSING: usize = 64;

/// The most corners of such a place.
const MOST_CORNERS: usize = 200;

/// Less than this is no place where something could be missing, in m².
const LEAST_MISSING: f64 = 1e-6;

/// A sheet against the board that it lies on; `measured` is the friction on it, if that was measured.
pub(super) fn sheet(sheet: &Section, board: &Rect, measured: Option<f64>) -> Option<CardSheet> {
    let rect = placed_rect(sheet);
    let thickness = sheet.number("thickness", LENGTH, (0.1, 200.0)).required();
    let gap = sheet.number("gap", LENGTH, (0.0, 2.0)).or(0.03);
    let material = material(sheet, measured);
    let held_otherwise = sheet.choice("held", &HELD).or(false);
    let ragged = sheet.number("ragged", LENGTH, (0.0, 200.0)).or(0.0);
    let missing: Vec<_> = sheet.sections("missing", MOST_MISSING).iter().map(|gone| missing(gone, rect)).collect();
    let ragged = ragged.filter(|ragged| rect.is_none_or(|rect| keeps_a_middle(sheet, &rect, *ragged)));
    if let Some(rect) = rect.filter(|rect| !within(rect, board)) {
        let wrong = format!("the sheet reaches from {}", shown(&rect));
        let limit = format!("the board, {}", shown(board));
        let remedy = "correct at_mm or size_mm; of a sheet that hangs over, give what lies on the board";
        sheet.refuse(complaint(wrong, limit, remedy));
        return None;
    }
    Some(CardSheet {
        rect: rect?,
        thickness: Length::from_millimetres(thickness?),
        material: material?,
        gap: Length::from_millimetres(gap?),
        held_otherwise: held_otherwise?,
        missing: missing.into_iter().collect::<Option<_>>()?,
        ragged: Length::from_millimetres(ragged?),
    })
}

/// A built-in material, with whatever the card says of it put in its place; or one that the card tells whole. Friction is the
/// card's, else the one that was measured on this board, else the material's.
fn material(sheet: &Section, measured: Option<f64>) -> Option<Material> {
    let name = sheet.text("material").required_at();
    let density = sheet.number("density", DENSITY, (5.0, 20_000.0)).optional();
    let friction = sheet.number("friction", PLAIN, FRICTION).optional();
    let cutting_force = sheet.number("cutting_force_n_mm2", PLAIN, (0.1, 10_000.0)).optional();
    let permeability = sheet.number("permeability_m2", PLAIN, (0.0, 1e-8)).optional();
    let ((name, spot), density, friction) = (name?, density?, friction?);
    let (cutting_force, permeability) = (cutting_force?, permeability?);
    let (density, friction) = (density.map(Density::from_kg_per_m3), friction.or(measured));
    if let Some(known) = materials().find(|material| material.name == name) {
        return Some(Material {
            name,
            density: density.unwrap_or(known.density),
            friction: friction.unwrap_or(known.friction),
            cutting_force_n_mm2: cutting_force.unwrap_or(known.cutting_force_n_mm2),
            permeability_m2: permeability.unwrap_or(known.permeability_m2),
        });
    }
    let (Some(density), Some(friction), Some(cutting_force_n_mm2)) = (density, friction, cutting_force) else {
        let names: Vec<String> = materials().map(|material| material.name).collect();
        let near = nearest(&name, names.iter().map(String::as_str));
        let meant = near.map_or(String::new(), |near| format!("write {near:?} if that is meant, or "));
        let remedy = format!("{meant}add density_kg_m3, friction and cutting_force_n_mm2");
        sheet.notes.refuse(&spot, complaint(format!("material {name:?} is not known"), names.join(", "), remedy));
        return None;
    };
    let permeability_m2 = permeability.unwrap_or(0.0);
    Some(Material { name, density, friction, cutting_force_n_mm2, permeability_m2 })
}

/// A place where a piece of the sheet is missing: `at_mm` and `size_mm`, or `outline_mm = [[x, y], …]`.
fn missing(gone: &Section, sheet: Option<Rect>) -> Option<Vec<Point>> {
    let drawn = gone.rows("outline", LENGTH, PLACE, 3..=MOST_CORNERS).optional()?;
    let outline = match drawn {
        Some(corners) => corners
            .into_iter()
            .map(|[x, y]| Point { x: Length::from_millimetres(x), y: Length::from_millimetres(y) })
            .collect(),
        None => corners(&placed_rect(gone)?).to_vec(),
    };
    let polygon = polygon(&outline);
    if !polygon.is_valid() || polygon.unsigned_area() < LEAST_MISSING {
        let remedy = "give the corners one after another around the place; the last goes back to the first";
        gone.refuse(complaint("the outline crosses itself or has no area", "an outline that goes once around", remedy));
        return None;
    }
    let off = |sheet: &Rect| outline.iter().any(|corner| !within(&Rect { low: *corner, high: *corner }, sheet));
    if let Some(sheet) = sheet.filter(off) {
        let remedy = "give what is missing of the sheet's rectangle, not what lies beside it";
        gone.refuse(complaint("the place reaches beyond the sheet", shown(&sheet), remedy));
        return None;
    }
    Some(outline)
}

/// The corners of a rectangle, one after another.
pub(super) fn corners(rect: &Rect) -> [Point; 4] {
    let Rect { low, high } = *rect;
    [low, Point { x: high.x, y: low.y }, high, Point { x: low.x, y: high.y }]
}

/// Whether a rim that may be that far off leaves anything of the sheet.
fn keeps_a_middle(sheet: &Section, rect: &Rect, ragged_mm: f64) -> bool {
    let least = rect.width().min(rect.height()).millimetres();
    if 4.0 * ragged_mm < least {
        return true;
    }
    let wrong = format!("the rim may be {ragged_mm} mm off on a sheet of {least:.0} mm");
    sheet.refuse(complaint(
        wrong,
        "below a quarter of the sheet's lesser side",
        "measure it better, or lay it out anew",
    ));
    false
}
