//! What happens in each scene, and when.
//!
//! The minutes that a table spends near the room's pressure while sheets are carried are pressed into some ten seconds;
//! everything else runs at the pace of a shop (common practice, no source).

use super::report::{Said, SheetOutcome};
use super::scene::Scene;
use crate::job::{Card, CardPart};
use crate::moment::Span;
use crate::table::{Rect, Table, ZoneId, ZoneSet};

/// Something that happens at the table.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Happening {
    /// The monitor is told something.
    Tell(Said),
    /// Something is wrong from here on, or put right.
    Fault(Option<Scene>),
    /// The pump's motor is switched.
    Motor(bool),
    /// A zone's valve is moved.
    Valve(ZoneId, bool),
    /// The sheet of a card is laid down.
    Lay(usize),
    /// That share of the sheet's length, at its far end, comes to lie off the board.
    Raise(f64, Span),
    /// The cut runs from where it is to its end.
    Cut(Span),
    /// The cut stops where it is.
    Hold,
    /// The smallest part that is cut free goes.
    LosePart,
    /// The hose of a zone comes to leak that share of what it does when it is quite loose.
    Leak(ZoneId, f64, Span),
    /// The filter comes to hold that load of dust.
    Plug(f64, Span),
    /// The pump's speed comes to that share of itself.
    Slow(f64, Span),
    /// The gauge's cable is put in or pulled.
    Cable(bool),
    /// The sheet is taken off.
    TakeOff,
}

/// A happening and its time.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Cue {
    pub(super) at: Span,
    pub(super) what: Happening,
}

/// Why a scene cannot be played on this table with these cards.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ScriptError {
    /// No card has parts to cut.
    #[error("scene {0} needs a job card with at least two parts, and there is none; add one to the setup")]
    NoCard(Scene),
    /// Every card's zones are all there are.
    #[error("scene {0} needs a job card that leaves a zone under bare board, and there is none; add one to the setup")]
    NoBareZone(Scene),
}

/// Which card a scene uses, and with which zones.
struct Cast {
    card: usize,
    name: String,
    told: ZoneSet,
    /// The first zone that is told open.
    first: ZoneId,
    /// A zone under bare board, or the first for a scene that needs none.
    bare: ZoneId,
}

/// The cues of some scenes played one after the other, in order of time; the last is [`Said::Ended`].
pub(super) fn script(scenes: &[Scene], table: &Table, cards: &[Card]) -> Result<Vec<Cue>, ScriptError> {
    let mut writer = Writer { start: Span::ZERO, cues: Vec::new() };
    for scene in scenes {
        let cast = cast(*scene, table, cards)?;
        let length = write_scene(&mut writer, *scene, table, &cast);
        writer.start = Span::from_nanos(writer.start.nanos() + Span::from_secs(length).nanos());
    }
    writer.at(0, Happening::Tell(Said::Ended));
    writer.cues.sort_by_key(|cue| cue.at);
    Ok(writer.cues)
}

struct Writer {
    start: Span,
    cues: Vec<Cue>,
}

impl Writer {
    fn at(&mut self, secs: u64, what: Happening) {
        let at = Span::from_nanos(self.start.nanos() + Span::from_secs(secs).nanos());
        self.cues.push(Cue { at, what });
    }

    fn tell(&mut self, secs: u64, said: Said) {
        self.at(secs, Happening::Tell(said));
    }
}

/// Seconds from a scene's start to its first plunge, where nothing delays it.
const FIRST_PLUNGE: u64 = 30;
/// Seconds that a cut takes.
const CUT: u64 = 120;
/// Seconds after which the operator holds a cut that has gone wrong.
const HELD: u64 = 140;

fn write_scene(writer: &mut Writer, scene: Scene, table: &Table, cast: &Cast) -> u64 {
    load(writer, scene, table, cast);
    match scene {
        Scene::GoodCut => cut_through(writer, SheetOutcome::Good),
        Scene::BadlySeated => {
            writer.at(10, Happening::Fault(Some(scene)));
            writer.at(12, Happening::Raise(0.08, Span::from_secs(4)));
            cut_in_two(writer, 45, 100, Happening::Raise(0.0, Span::from_secs(3)))
        }
        Scene::ZoneLeftOpen => {
            writer.at(3, Happening::Fault(Some(scene)));
            writer.at(3, Happening::Valve(cast.bare, true));
            cut_in_two(writer, 45, 100, Happening::Valve(cast.bare, false))
        }
        Scene::SlowLeak => {
            writer.at(20, Happening::Fault(Some(scene)));
            writer.at(20, Happening::Leak(cast.first, 1.0, Span::from_secs(50)));
            cut_in_two(writer, 100, 146, Happening::Leak(cast.first, 0.0, Span::from_secs(1)))
        }
        Scene::SheetLifts => {
            writer.at(95, Happening::Fault(Some(scene)));
            writer.at(95, Happening::Raise(0.12, Span::from_secs(1)));
            cut_held(writer, SheetOutcome::Moved)
        }
        Scene::SmallPartLost => {
            writer.at(110, Happening::Fault(Some(scene)));
            writer.at(110, Happening::LosePart);
            cut_through(writer, SheetOutcome::Lost)
        }
        Scene::PumpFailing => {
            writer.at(95, Happening::Fault(Some(scene)));
            writer.at(95, Happening::Slow(0.0, Span::from_secs(8)));
            writer.at(HELD + 13, Happening::Slow(1.0, Span::from_secs(1)));
            cut_held(writer, SheetOutcome::Moved)
        }
        Scene::FilterPlugging => {
            writer.at(45, Happening::Fault(Some(scene)));
            writer.at(45, Happening::Plug(20.0, Span::from_secs(45)));
            writer.at(168, Happening::Plug(0.0, Span::from_secs(1)));
            cut_through(writer, SheetOutcome::Good)
        }
        Scene::CablePulled => {
            writer.at(80, Happening::Fault(Some(scene)));
            writer.at(80, Happening::Cable(false));
            writer.at(105, Happening::Cable(true));
            writer.at(105, Happening::Fault(None));
            cut_through(writer, SheetOutcome::Good)
        }
    }
}

/// The job is told, the valves are set, the sheet is laid, the pump starts, the sheet is pressed down.
fn load(writer: &mut Writer, scene: Scene, table: &Table, cast: &Cast) {
    writer.tell(0, Said::Scene { scene, note: "begins".to_owned() });
    writer.tell(3, Said::Job { card: cast.name.clone() });
    writer.tell(3, Said::Zones { open: names(table, cast.told) });
    writer.tell(3, Said::Cutting { cutting: false });
    for zone in ZoneSet::first(table.plenum.zones.len()).iter() {
        writer.at(3, Happening::Valve(zone, cast.told.contains(zone)));
    }
    writer.at(6, Happening::Lay(cast.card));
    writer.at(6, Happening::Raise(0.3, Span::ZERO));
    writer.at(10, Happening::Motor(true));
    writer.at(12, Happening::Raise(0.0, Span::from_secs(4)));
}

/// The sheet is cut to its end.
fn cut_through(writer: &mut Writer, outcome: SheetOutcome) -> u64 {
    start_cut(writer, FIRST_PLUNGE, CUT);
    writer.tell(FIRST_PLUNGE + CUT, Said::Cutting { cutting: false });
    unload(writer, FIRST_PLUNGE + CUT + 6, outcome)
}

/// The cut is begun in spite of a low level, held, and taken up again when the fault is put right.
fn cut_in_two(writer: &mut Writer, from: u64, held: u64, put_right: Happening) -> u64 {
    start_cut(writer, from, CUT);
    hold_cut(writer, held);
    writer.at(held + 2, put_right);
    writer.at(held + 2, Happening::Fault(None));
    let (again, left) = (held + 15, CUT + from - held);
    start_cut(writer, again, left);
    writer.tell(again + left, Said::Cutting { cutting: false });
    unload(writer, again + left + 6, SheetOutcome::Good)
}

/// The cut is stopped by the operator, and the sheet given up.
fn cut_held(writer: &mut Writer, outcome: SheetOutcome) -> u64 {
    start_cut(writer, FIRST_PLUNGE, CUT);
    hold_cut(writer, HELD);
    unload(writer, HELD + 10, outcome)
}

fn start_cut(writer: &mut Writer, at: u64, over: u64) {
    writer.tell(at, Said::Cutting { cutting: true });
    writer.at(at, Happening::Cut(Span::from_secs(over)));
}

fn hold_cut(writer: &mut Writer, at: u64) {
    writer.at(at, Happening::Hold);
    writer.tell(at, Said::Cutting { cutting: false });
}

fn unload(writer: &mut Writer, from: u64, outcome: SheetOutcome) -> u64 {
    writer.at(from, Happening::Motor(false));
    writer.at(from + 4, Happening::TakeOff);
    writer.at(from + 4, Happening::Fault(None));
    writer.tell(from + 4, Said::Unloaded);
    writer.tell(from + 6, Said::Outcome { outcome, part: None });
    from + 14
}

fn names(table: &Table, zones: ZoneSet) -> Vec<String> {
    zones.iter().filter_map(|zone| table.plenum.zones.get(usize::from(zone.0))).map(|zone| zone.name.clone()).collect()
}

/// The card that a scene is played with: for a lost part the one with the smallest parts, else the first that will do.
fn cast(scene: Scene, table: &Table, cards: &[Card]) -> Result<Cast, ScriptError> {
    let with = |card: &usize| {
        let told = zones_of(table, &cards[*card]);
        let first = told.iter().next()?;
        let bare = bare_zone(table, &cards[*card], told);
        Some(Cast { card: *card, name: cards[*card].name.clone(), told, first, bare: bare.unwrap_or(first) })
    };
    let cut: Vec<usize> = (0..cards.len()).filter(|card| cards[*card].parts.len() > 1).collect();
    match scene {
        Scene::ZoneLeftOpen => {
            let casts = cut.iter().filter_map(with);
            casts.into_iter().find(|cast| cast.bare != cast.first).ok_or(ScriptError::NoBareZone(scene))
        }
        Scene::SmallPartLost => {
            let mean = |card: &usize| mean_part(&cards[*card]);
            let least = cut.iter().min_by(|a, b| mean(a).total_cmp(&mean(b)));
            least.and_then(with).ok_or(ScriptError::NoCard(scene))
        }
        Scene::GoodCut
        | Scene::BadlySeated
        | Scene::SheetLifts
        | Scene::SlowLeak
        | Scene::PumpFailing
        | Scene::FilterPlugging
        | Scene::CablePulled => cut.iter().find_map(with).ok_or(ScriptError::NoCard(scene)),
    }
}

/// The mean area of a card's parts in square metres.
fn mean_part(card: &Card) -> f64 {
    let area = |part: &CardPart| (part.rect.width() * part.rect.height()).square_metres();
    card.parts.iter().map(area).sum::<f64>() / card.parts.len() as f64
}

/// The first zone that is not told open and lies mostly under bare board.
fn bare_zone(table: &Table, card: &Card, told: ZoneSet) -> Option<ZoneId> {
    let mut zones = ZoneSet::first(table.plenum.zones.len()).iter();
    zones.find(|zone| !told.contains(*zone) && covered_share(table, *zone, &card.sheet.rect) < 0.5)
}

/// The zones that a card names, or else those that lie at least half under its sheet.
fn zones_of(table: &Table, card: &Card) -> ZoneSet {
    ZoneSet::first(table.plenum.zones.len())
        .iter()
        .filter(|zone| {
            if card.zones.is_empty() {
                covered_share(table, *zone, &card.sheet.rect) >= 0.5
            } else {
                let name = table.plenum.zones.get(usize::from(zone.0)).map(|zone| &zone.name);
                name.is_some_and(|name| card.zones.contains(name))
            }
        })
        .collect()
}

/// The share of a zone's contact area that lies under a sheet.
fn covered_share(table: &Table, zone: ZoneId, sheet: &Rect) -> f64 {
    let rects = table.plenum.zones.get(usize::from(zone.0)).map_or(&[][..], |zone| &zone.rects);
    let area = |rect: &Rect| (rect.width() * rect.height()).square_metres();
    let shared = |rect: &Rect| {
        let along = (rect.high.x.min(sheet.high.x) - rect.low.x.max(sheet.low.x)).metres().max(0.0);
        let across = (rect.high.y.min(sheet.high.y) - rect.low.y.max(sheet.low.y)).metres().max(0.0);
        along * across
    };
    let whole: f64 = rects.iter().map(area).sum();
    if whole > 0.0 { rects.iter().map(shared).sum::<f64>() / whole } else { 0.0 }
}
