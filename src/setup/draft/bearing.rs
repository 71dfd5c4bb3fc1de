//! What hangs on an assumption: reckoned, not judged. The same setup is read with the assumed value at either end of what is plausible,
//! and the level under a sheet cut into parts and the margin of a part of 100 by 100 mm on it are computed in closed form.

use serde::Serialize;

use super::Draft;
use crate::expectation::{Acting, Footing, zones_under};
use crate::job::{Cut, Progress};
use crate::setup::{Setup, read_card, read_setup};
use crate::table::{ClosedForm, Condensed, PartId, Tap, operating_point};

/// The side of the part whose margin is told.
const PART_MM: f64 = 100.0;
/// What moves when an assumed value goes to the ends of what is plausible.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Bearing {
    /// The level in kPa: at the low end, as written, at the high end.
    pub level_kpa: [f64; 3],
    /// The margin of the part, likewise.
    pub margin: [f64; 3],
}

impl Bearing {
    /// The greatest change of the margin as a share of it, by which assumptions are ordered.
    pub fn weight(&self) -> f64 {
        let [low, mid, high] = self.margin;
        ((low - mid).abs().max((high - mid).abs()) / mid.abs().max(1e-6)).min(1e6)
    }
}

impl std::fmt::Display for Bearing {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let ([l0, l1, l2], [m0, m1, m2]) = (self.level_kpa, self.margin);
        write!(
            f,
            "level {l0:.1} to {l2:.1} kPa (here {l1:.1}), margin of a 100 mm part {m0:.1} to {m2:.1} (here {m1:.1})"
        )
    }
}

/// An assumption as it was marked.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Marked {
    /// The key, with its section.
    pub key: String,
    /// What is assumed.
    pub value: String,
    /// On what ground.
    pub ground: String,
    /// From where to where it may be.
    pub plausible: String,
    /// What hangs on it; none where that cannot be reckoned.
    pub bearing: Option<Bearing>,
}

/// What a variant changes.
#[derive(Clone, Debug)]
pub(super) enum Variant {
    /// The entry reads so instead.
    Lines(Vec<String>),
    /// The board passes so much more.
    Board(f64),
    /// The pumps move so much more.
    Pump(f64),
}

impl Draft {
    pub(super) fn marked(&self, setup: &Setup) -> Vec<Marked> {
        let here = verdict(setup);
        let at = |place: usize, variant: &Variant| {
            let other = match variant {
                Variant::Lines(lines) => read_setup(&self.plain_text(Some((place, lines))), "variant").ok()?,
                Variant::Board(factor) => {
                    let mut other = setup.clone();
                    for layer in &mut other.table.board.layers {
                        layer.along = layer.along * *factor;
                        layer.through = layer.through * *factor;
                    }
                    other
                }
                Variant::Pump(factor) => {
                    let mut other = setup.clone();
                    other.table.pump.wear *= factor;
                    other
                }
            };
            verdict(&other)
        };
        let marks = self.entries.iter().enumerate().filter_map(|(place, entry)| {
            let doubt = entry.doubt.as_ref()?;
            let bearing = doubt.ends.as_ref().and_then(|[low, high]| {
                let ((l0, m0), (l1, m1), (l2, m2)) = (at(place, low)?, here?, at(place, high)?);
                Some(Bearing { level_kpa: [l0, l1, l2], margin: [m0, m1, m2] })
            });
            let section = entry.section.trim_matches(['[', ']']);
            let first = entry.lines.first().and_then(|line| line.split_once(" = "));
            let (key, value) = first.map_or(("", ""), |(key, value)| (key, value));
            let key = if key.is_empty() { section.to_owned() } else { format!("{section}.{key}") };
            Some(Marked {
                key,
                value: value.to_owned(),
                ground: doubt.ground.clone(),
                plausible: doubt.plausible.clone(),
                bearing,
            })
        });
        marks.collect()
    }
}

/// The level in kPa under a sheet that covers the board, cut into parts, and the margin of a small part on it.
fn verdict(setup: &Setup) -> Option<(f64, f64)> {
    let (length, width) = (setup.table.board.length.millimetres(), setup.table.board.width.millimetres());
    let columns = ((length - PART_MM - 68.0) / 408.0).floor().clamp(0.0, 12.0);
    let rows = ((width - 60.0) / 308.0).floor().clamp(0.0, 12.0);
    let mut text = format!(
        "name = \"reference\"\n[sheet]\nat_mm = [0, 0]\nsize_mm = [{length}, {width}]\nthickness_mm = 18\nmaterial = \"mdf\"\n\
         [cutter]\ndiameter_mm = 8\nflutes = 2\nspindle_rpm = 18000\nfeed_m_min = 8\nlast_pass_mm = 6\nhelix = \"compression\"\n\
         [[part]]\nname = \"small\"\nat_mm = [{at}, {at}]\nsize_mm = [{PART_MM}, {PART_MM}]\n",
        at = 30
    );
    if columns >= 1.0 && rows >= 1.0 {
        text += &format!(
            "[[part]]\nname = \"rest\"\nat_mm = [{}, 30]\nsize_mm = [400, 300]\n\
             repeat = {{ columns = {columns}, rows = {rows}, spacing_mm = 8 }}\n",
            PART_MM + 46.0
        );
    }
    let card = read_card(&text, "reference", setup).ok()?;
    let cut = Cut::of(&card);
    let form = ClosedForm::condense(&setup.table, &cut.load(Progress::from_fraction(1.0)));
    let point = operating_point(&setup.table, zones_under(&setup.table, &card.sheet.rect), form.zones());
    let behind = setup.main_gauge_settings().is_some_and(|gauge| gauge.place.is_behind_filter());
    let level = point.level(if behind { Tap::PumpInlet } else { Tap::Manifold });
    let force = form.grip(PartId(0)).force(&point.potentials, point.field_room);
    let margin = Footing::of(&card, card.parts.first()?, force).margins(&Acting::of(&card)).least();
    Some((level.pascals() / 1e3, margin.min(1e3)))
}
