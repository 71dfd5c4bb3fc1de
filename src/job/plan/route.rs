//! A plan as a card carries it: the kerf as it opens and the parts' outlines, without what only a person looks at.

use geo::{LineString, Simplify, coord};
use serde::{Deserialize, Serialize};

use super::course::ProgramCourse;
use super::piece::{Kind, Piece};
use super::stock::{Stock, ZeroHeight};
use super::tool::{Helix, Tool};
use super::{Bed, CutThrough, Leaves, Machine, Plan, Warning};
use crate::job::cut::{beginning, length};
use crate::job::program::{Reading, Refusal, read};
use crate::job::{Card, CardPart, Cutter, Edge, Engagement, HowHeld, Milling, Progress};
use crate::moment::Utc;
use crate::table::{Kerf, Point, Rect};
use crate::units::Length;

/// How far a kerf's middle line may be straightened, in mm: nothing at a cell of the flow field.
const STRAIGHTENED: f64 = 0.1;

/// The most marks of the course that a card carries.
const MOST_MARKS: usize = 300;

/// The most warnings that a card carries.
pub const MOST_WARNINGS: usize = 50;

/// What a card says of its program.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CardProgram {
    /// Its file, beside the card.
    pub file: String,
    /// How it is read.
    pub reading: Reading,
    /// The tools that it may name; none for the card's cutter as tool 1.
    pub tools: Vec<Tool>,
    /// Where its zero lies on the table.
    pub zero: Point,
    /// What its Z0 is.
    pub height: ZeroHeight,
    /// How thick the board still is, if the card says it.
    pub board_left: Option<Length>,
    /// When its Z0 and the board's thickness were last taken.
    pub zeroed: Option<Utc>,
    /// Whether the card's cutter is to be taken from the tool that cuts the sheet through, and from the program's feed and speed.
    pub cutter_of_program: bool,
    /// What it does, once it has been read.
    pub route: Option<Route>,
}

/// What a program does to the board's top, in the order of the cut.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Route {
    kerfs: Vec<Kerf>,
    /// The card's parts, in its order.
    parts: Vec<RoutePart>,
    /// What someone should look at before the cut, at most [`MOST_WARNINGS`].
    pub warnings: Vec<Warning>,
    /// Where in the program the cut is at which time.
    pub course: ProgramCourse,
    /// The deepest cut into the board.
    pub into_board: Length,
    /// How far each tool cuts, by its number.
    pub by_tool: Vec<(u32, Length)>,
}

/// A part of the card, as its program cuts it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct RoutePart {
    outline: Vec<Point>,
    openings: Vec<Vec<Point>>,
    /// How much kerf is open when its outline is closed.
    closed: Length,
}

impl CardProgram {
    /// The sheet of a card as its program meets it.
    fn stock(&self, card: &Card, bed: &Bed) -> Stock {
        let sheet = &card.sheet;
        Stock {
            missing: sheet.missing.clone(),
            zero: self.zero,
            height: self.height,
            board_left: self.board_left.or(bed.thickness),
            obstacles: bed.obstacles.clone(),
            ..Stock::new(sheet.rect, sheet.thickness, sheet.material.density)
        }
    }

    fn tools(&self, card: &Card) -> Vec<Tool> {
        if !self.tools.is_empty() {
            return self.tools.clone();
        }
        let cutter = &card.cutter;
        let flutes = match cutter.edge {
            Edge::Milling(milling) => milling.flutes,
            Edge::Knife { .. } => 1,
        };
        // What it pulls with stands on the card already.
        let helix = Helix::STRAIGHT;
        vec![Tool { number: 1, diameter: cutter.diameter, tip: super::Tip::Flat, flutes, helix }]
    }
}

impl Card {
    /// The card, taken to have been zeroed then if it does not say when.
    #[must_use]
    pub fn zeroed_unless_said(mut self, at: Option<Utc>) -> Self {
        if let Some(program) = &mut self.program {
            program.zeroed = program.zeroed.or(at);
        }
        self
    }

    /// Whether the board has been skimmed since the card's Z0 was taken: every depth of its program is off by what came off.
    pub fn is_zeroed_before(&self, skimmed: Option<Utc>) -> bool {
        let zeroed = self.program.as_ref().and_then(|program| program.zeroed);
        zeroed.zip(skimmed).is_some_and(|(zeroed, skimmed)| zeroed < skimmed)
    }

    /// The card with the parts that its program cuts, and the plan that they come from. A card without a program stays as it is.
    ///
    /// # Errors
    /// Every line of the program that is refused.
    pub fn with_program(
        mut self,
        source: impl std::io::BufRead + std::io::Seek,
        machine: &Machine,
        bed: &Bed,
    ) -> Result<(Card, Option<Plan>), Vec<Refusal>> {
        let Some(mut program) = self.program.take() else { return Ok((self, None)) };
        let (stock, tools) = (program.stock(&self, bed), program.tools(&self));
        let mut plan = Plan::of(read(source, &program.reading), &stock, &tools, machine)?;
        if matches!(self.cutter.edge, Edge::Knife { .. }) {
            // A knife cuts with a spindle that stands.
            plan.warnings.retain(|warning| !matches!(warning, Warning::SpindleStands { .. }));
        }
        if program.cutter_of_program
            && let Some(cutter) = hardest(&self, &plan.through, &tools).map_err(|refusal| vec![refusal])?
        {
            self.cutter = cutter;
        }
        self.parts = plan.parts().into_iter().map(card_part).collect();
        for (place, part) in self.parts.iter_mut().enumerate() {
            part.name = format!("part {}", place + 1);
        }
        program.route = Some(Route::of(&plan));
        self.program = Some(program);
        Ok((self, Some(plan)))
    }
}

/// The cutter that is hardest to hold against, of those that go through over a way that matters; none if nothing goes through.
///
/// One cutter stands for all parts of a card, so it is the worst: that for which a part must be pressed down hardest so that it does
/// not slide, peak force over friction and pull.
fn hardest(card: &Card, through: &[CutThrough], tools: &[Tool]) -> Result<Option<Cutter>, Refusal> {
    let material = &card.sheet.material;
    let pressing = |cutter: &Cutter| match (Engagement::slot(cutter, material.cutting_force_n_mm2), cutter.edge) {
        (Some(slot), Edge::Milling(milling)) => {
            slot.peak_force().newtons() * (1.0 / material.friction + milling.axial_share)
        }
        _ => 0.0,
    };
    let mut found: Option<(Length, f64, Cutter)> = None;
    for through in through.iter().filter(|through| through.last_pass > Length::ZERO) {
        let cutter = cutter(card, through, tools)?;
        let pressing = pressing(&cutter);
        let order = |(kept_up, earlier, _): &(Length, f64, Cutter)| {
            through.kept_up.metres().total_cmp(&kept_up.metres()).then(pressing.total_cmp(earlier))
        };
        if found.as_ref().is_none_or(|found| order(found).is_gt()) {
            found = Some((through.kept_up, pressing, cutter));
        }
    }
    Ok(found.map(|(.., cutter)| cutter))
}

/// The cutter as the program uses it where it goes through.
fn cutter(card: &Card, through: &CutThrough, tools: &[Tool]) -> Result<Cutter, Refusal> {
    let tool = tools.iter().find(|tool| tool.number == through.tool);
    let (Some(tool), Some(spindle_rpm)) = (tool, through.rpm) else {
        return Err(Refusal {
            line: through.line,
            columns: None,
            what: "the card has no [cutter], and the program names no spindle speed before it cuts through".to_owned(),
            remedy: "write S and M3 into the program, or [cutter] into the card".to_owned(),
        });
    };
    let last_pass = through.last_pass.min(card.sheet.thickness);
    Ok(Cutter {
        diameter: tool.diameter,
        last_pass,
        edge: Edge::Milling(Milling {
            flutes: tool.flutes,
            spindle_rpm,
            feed_m_min: through.feed.metres_per_second() * 60.0,
            axial_share: tool.helix.axial_share(last_pass / tool.diameter),
        }),
    })
}

impl Plan {
    /// What comes free of the sheet and is kept: parts and edge pieces that the cut parts from it, in the order in which it does.
    /// What is smaller than the cutter is scrap.
    pub fn parts(&self) -> Vec<&Piece> {
        let kept = |piece: &&Piece| match piece.kind {
            Kind::Part | Kind::Edge => piece.parted.is_some() && !piece.under_cutter,
            Kind::Drop | Kind::Skeleton => false,
        };
        let mut parts: Vec<&Piece> = self.pieces.iter().filter(kept).collect();
        parts.sort_by_key(|piece| piece.parted.map(|when| when.elapsed));
        parts
    }
}

/// A part as the forces see it: a rectangle about its middle with its own area and proportions.
fn card_part(piece: &Piece) -> CardPart {
    let [low, high] = bounds(&piece.outline);
    let (width, height) = (high.x - low.x, high.y - low.y);
    let share = (piece.area / (width * height)).clamp(0.0, 1.0).sqrt();
    let (reach_x, reach_y) = (width * (0.5 * share), height * (0.5 * share));
    let (middle_x, middle_y) = ((low.x + high.x) * 0.5, (low.y + high.y) * 0.5);
    let rect = Rect {
        low: Point { x: middle_x - reach_x, y: middle_y - reach_y },
        high: Point { x: middle_x + reach_x, y: middle_y + reach_y },
    };
    // What holds a part only to others that may themselves go is no hold.
    let held = if piece.holds.is_empty() || piece.held_by_parts_only() { HowHeld::Vacuum } else { HowHeld::Tabs };
    CardPart { name: String::new(), rect, held }
}

fn bounds(outline: &[Point]) -> [Point; 2] {
    let start = outline.first().copied().unwrap_or(Point { x: Length::ZERO, y: Length::ZERO });
    outline.iter().fold([start, start], |[low, high], point| {
        [
            Point { x: low.x.min(point.x), y: low.y.min(point.y) },
            Point { x: high.x.max(point.x), y: high.y.max(point.y) },
        ]
    })
}

impl Route {
    fn of(plan: &Plan) -> Self {
        let through = plan.strokes.iter().filter(|stroke| stroke.leaves == Leaves::Nothing);
        let kerfs: Vec<Kerf> = through.map(|stroke| Kerf { width: stroke.width, path: straightened(stroke) }).collect();
        let whole: Length = kerfs.iter().map(|kerf| length(&kerf.path)).sum();
        let closed = |piece: &Piece| {
            let share = piece.parted.map_or(1.0, |when| plan.course.at(when.elapsed).fraction());
            whole * share
        };
        let part = |piece: &Piece| RoutePart {
            outline: piece.outline.clone(),
            openings: piece.openings.clone(),
            closed: closed(piece),
        };
        let parts = plan.parts().into_iter().map(part).collect();
        let warnings = plan.warnings.iter().take(MOST_WARNINGS).copied().collect();
        let (course, into_board) = (plan.course.thinned(MOST_MARKS), plan.scar.deepest);
        Route { kerfs, parts, warnings, course, into_board, by_tool: plan.by_tool.clone() }
    }

    /// How much kerf is open when each part's outline is closed.
    pub(in crate::job) fn closed_at(&self) -> Vec<Length> {
        self.parts.iter().map(|part| part.closed).collect()
    }

    /// How much kerf there is in all.
    pub(in crate::job) fn length(&self) -> Length {
        self.kerfs.iter().map(|kerf| length(&kerf.path)).sum()
    }

    /// The kerfs that are open by then.
    pub(in crate::job) fn kerfs(&self, progress: Progress) -> Vec<Kerf> {
        let mut left = self.length() * progress.fraction();
        let mut open = Vec::new();
        for kerf in &self.kerfs {
            let whole = length(&kerf.path);
            if whole <= left {
                open.push(kerf.clone());
            } else {
                open.extend(beginning(&kerf.path, left).map(|path| Kerf { width: kerf.width, path }));
                return open;
            }
            left = left - whole;
        }
        open
    }

    /// The outline of a part by its place on the card.
    pub(in crate::job) fn outline(&self, part: usize) -> &[Point] {
        self.parts.get(part).map_or(&[], |part| &part.outline)
    }

    /// The openings of a part by its place on the card.
    pub(in crate::job) fn openings(&self, part: usize) -> &[Vec<Point>] {
        self.parts.get(part).map_or(&[], |part| &part.openings)
    }
}

fn straightened(stroke: &super::Stroke) -> Vec<Point> {
    let path = LineString::from_iter(stroke.points.iter().map(|point| coord! { x: point.x, y: point.y }));
    let at = |x: f64, y: f64| Point { x: Length::from_millimetres(x), y: Length::from_millimetres(y) };
    let mut path: Vec<Point> = path.simplify(STRAIGHTENED).0.iter().map(|coord| at(coord.x, coord.y)).collect();
    if let [only] = path[..] {
        // A plunge: a line of next to no length, whose ends make it as long as it is wide.
        path.push(Point { x: only.x + Length::from_millimetres(0.01), y: only.y });
    }
    path
}
