//! What a card or a setup may say of an unusual job: a sheet held otherwise, a knife, a ragged remnant, a board smaller than the table.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by a panic")]

use holdwatch::daemon::Brief;
use holdwatch::event::{Action, Actor, Command, CommandId, Event, Fact, LineId, ProgressTold, Request};
use holdwatch::expectation::{Acting, Boards, Forecast, ForecastError, Question, forecast};
use holdwatch::job::{Card, Cut, Edge, Progress};
use holdwatch::minder::{Minder, Remembered};
use holdwatch::moment::{BootId, Moment, Span, Steady};
use holdwatch::setup::{Setup, read_card, read_setup};
use holdwatch::table::field::{Field, Resolution};
use holdwatch::table::{ClosedForm, Condensed, Rect, Sheet, TableLoad, Tap, ZoneId, ZoneSet};
use holdwatch::units::Length;
use holdwatch::view::View;
use holdwatch::watch::Verdict;

/// A board of 1200 by 600 mm over two zones, its gauge sending lines of text.
fn setup_with(zones: &str) -> Result<Setup, String> {
    let text = format!(
        "[table]\nname = \"small table\"\naltitude_m = 100\n[pump]\nclass = \"regenerative-two-stage\"\nnameplate_m3_h = 250\n[board]\nlength_mm = 1200\nwidth_mm = 600\n\
         thickness_mm = 18\nclass = \"light\"\nrims = \"sealed\"\n{zones}\n\
         [[line]]\nname = \"vacuum\"\nport = \"/dev/null\"\nprotocol = \"ascii-talker\"\n[[gauge]]\nname = \"manifold\"\n\
         line = \"vacuum\"\nplace = \"manifold\"\nunit = \"mbar\"\ncounts = \"vacuum\"\nrange = [0, 1000]\n\
         [watch]\nshadow_sheets = 0\n"
    );
    read_setup(&text, "table.toml").map_err(|mistakes| mistakes.to_string())
}

const TWO_ZONES: &str = "[zones]\nrows = 1\ncolumns = 2\nmargin_mm = 20\ngap_mm = 20\n";

fn setup() -> Setup {
    setup_with(TWO_ZONES).unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

const MILL: &str = "diameter_mm = 6\nflutes = 2\nspindle_rpm = 18000\nfeed_m_min = 6\nhelix = \"compression\"\n";

/// A sheet of 1000 by 500 mm with two parts.
fn card_with(sheet: &str, cutter: &str, held: &str) -> Result<Card, String> {
    let text = format!(
        "name = \"panels\"\n[sheet]\nat_mm = [100, 50]\nsize_mm = [1000, 500]\nthickness_mm = 12\nmaterial = \"mdf\"\n{sheet}\n\
         [cutter]\n{cutter}\n[[part]]\nname = \"P\"\nat_mm = [150, 100]\nsize_mm = [300, 200]\nheld = \"{held}\"\n\
         repeat = {{ columns = 2, spacing_mm = 30 }}\n"
    );
    read_card(&text, "card.toml", &setup()).map_err(|mistakes| mistakes.to_string())
}

fn card(sheet: &str, cutter: &str, held: &str) -> Card {
    card_with(sheet, cutter, held).unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

fn condense(setup: &Setup, load: &TableLoad) -> Field {
    Field::solve(&setup.table, load, Resolution::Standard).unwrap_or_else(|error| panic!("{error}"))
}

fn foreseen(setup: &Setup, card: &Card) -> Forecast {
    let open: ZoneSet = [ZoneId(0), ZoneId(1)].into_iter().collect();
    let beside = TableLoad::default();
    let solve = |load: &TableLoad| Ok::<_, ForecastError>(condense(setup, load));
    let boards = Boards::condense(&setup.table, Some(card), &beside, 3, solve).unwrap();
    let question = Question {
        table: &setup.table,
        tap: Tap::Manifold,
        card: Some(card),
        beside: &beside,
        sets: &[open],
        spread: &setup.spread,
    };
    forecast(&question, &boards).unwrap()
}

/// The remnant by its two missing places, and the same as three whole sheets that lie edge to edge.
#[test]
fn a_remnant_is_what_is_left_of_its_rectangle() {
    let setup = setup();
    let missing = "[[sheet.missing]]\nat_mm = [700, 350]\nsize_mm = [400, 200]\n[[sheet.missing]]\noutline_mm = [[800, 50], \
                   [1100, 50], [1100, 200], [800, 200]]\n";
    let remnant = card(missing, MILL, "vacuum");
    let load = Cut::of(&remnant).load(Progress::START);
    let piece = |x0, y0, x1, y1| Sheet { rect: Rect::from_metres(x0, y0, x1, y1), ..load.sheets[0].clone() };
    let pieces = TableLoad {
        sheets: vec![piece(0.1, 0.05, 0.7, 0.55), piece(0.7, 0.05, 0.8, 0.35), piece(0.8, 0.2, 1.1, 0.35)],
        ..TableLoad::default()
    };
    let (one, other) = (condense(&setup, &load), condense(&setup, &pieces));
    let whole = condense(&setup, &TableLoad { parts: vec![], ..load.clone() });
    for (row, column) in [(0, 0), (0, 1), (1, 1)].map(|(row, column)| (ZoneId(row), ZoneId(column))) {
        let (got, wanted) = (one.zones().get(row, column), other.zones().get(row, column));
        // What passes from zone to zone is small beside what each takes.
        let of = other.zones().get(row, row);
        assert!((got - wanted).abs() < 0.002 * of, "{row:?} {column:?}: {got:e} for {wanted:e} of {of:e}");
    }
    let last = ZoneId(1);
    assert!(one.zones().get(last, last) > 1.5 * whole.zones().get(last, last), "what is missing is bare board");
}

#[test]
fn a_ragged_rim_widens_the_band_both_ways_and_moves_nothing_else() {
    let setup = setup();
    let (known, ragged) = (card("", MILL, "vacuum"), card("ragged_mm = 15", MILL, "vacuum"));
    let (known, ragged) = (foreseen(&setup, &known), foreseen(&setup, &ragged));
    for ((_, known), (_, ragged)) in known.courses[0].points.iter().zip(&ragged.courses[0].points) {
        assert_eq!(known.mid, ragged.mid);
        assert!(ragged.low < known.low && ragged.high > known.high, "{known:?} {ragged:?}");
    }
    // Bare board by the rim's length times how far it may lie in: that much lower is the level of the sheet drawn in.
    let uncut = |card: &Card| condense(&setup, &Cut::of(card).load(Progress::START)).zones().clone();
    let mut small = card("", MILL, "vacuum");
    let inset = Length::from_millimetres(15.0);
    let rect = &mut small.sheet.rect;
    (rect.low.x, rect.low.y) = (rect.low.x + inset, rect.low.y + inset);
    (rect.high.x, rect.high.y) = (rect.high.x - inset, rect.high.y - inset);
    let drawn_in = Cut::of(&card("ragged_mm = 15", MILL, "vacuum")).drawn_in().unwrap();
    let (got, wanted) = (condense(&setup, &drawn_in).zones().clone(), uncut(&small));
    assert!((got.get(ZoneId(0), ZoneId(0)) / wanted.get(ZoneId(0), ZoneId(0)) - 1.0).abs() < 1e-6);
}

#[test]
fn a_missing_place_with_a_ragged_rim_grows() {
    let corner = "ragged_mm = 10\n[[sheet.missing]]\nat_mm = [700, 350]\nsize_mm = [400, 200]\n";
    let drawn_in = Cut::of(&card(corner, MILL, "vacuum")).drawn_in().unwrap();
    let reach = |least: bool| {
        let xs = drawn_in.parts[0].outline.iter().map(|corner| corner.x.millimetres());
        if least { xs.fold(f64::INFINITY, f64::min) } else { xs.fold(0.0, f64::max) }
    };
    assert!(drawn_in.parts[0].lost);
    assert!((reach(true) - 690.0).abs() < 1e-6 && (reach(false) - 1110.0).abs() < 1e-6);
}

/// A knife acts at the sheet's top with what the card says; its kerf is as wide as its blade.
#[test]
fn a_knife_pulls_with_what_the_card_says() {
    let card = card("", "kind = \"knife\"\nblade_mm = 0.6\npull_n = 25\nlift_n = 5\n", "vacuum");
    assert!(matches!(card.cutter.edge, Edge::Knife { .. }));
    let acting = Acting::of(&card);
    assert_eq!((acting.sideways.newtons(), acting.upwards.newtons()), (25.0, 5.0));
    assert!((acting.height.millimetres() - 12.0).abs() < 1e-9);
    let kerfs = Cut::of(&card).load(Progress::from_fraction(1.0)).kerfs;
    assert!(kerfs.iter().all(|kerf| (kerf.width.millimetres() - 0.6).abs() < 1e-9) && kerfs.len() == 2);
    let setup = setup();
    let (blade, mill) = (foreseen(&setup, &card), foreseen(&setup, &self::card("", MILL, "vacuum")));
    let end = |forecast: &Forecast| forecast.courses[0].points.last().unwrap().1.mid;
    assert!(end(&blade) > end(&mill), "a slit leaks less than a kerf");
}

#[test]
fn marks_that_make_no_sense_are_refused_with_their_limit() {
    let said = |sheet: &str, cutter: &str| card_with(sheet, cutter, "vacuum").unwrap_err();
    let place = "[[sheet.missing]]\nat_mm = [200, 100]\nsize_mm = [100, 100]\n";
    assert!(said(place, MILL).contains("lies where a piece of the sheet is missing"));
    let crossed = "[[sheet.missing]]\noutline_mm = [[800, 100], [1000, 300], [1000, 100], [800, 300]]\n";
    assert!(said(crossed, MILL).contains("crosses itself"));
    let beyond = "[[sheet.missing]]\nat_mm = [1000, 400]\nsize_mm = [200, 50]\n";
    assert!(said(beyond, MILL).contains("reaches beyond the sheet"));
    assert!(said("ragged_mm = 150", MILL).contains("below a quarter"));
    assert!(said("held = \"glue\"", MILL).contains("vacuum, otherwise"));
    let knife = said("", "kind = \"knife\"\nblade_mm = 0.6\n");
    assert!(knife.contains("pull_n"), "{knife}");
}

/// Three zones over a table of 1800 mm, the board on its first 1200 mm: one whole, one by half, one not at all.
#[test]
fn a_board_smaller_than_the_table_keeps_the_zones_that_it_covers() {
    let zones = "[zones]\nrows = 1\ncolumns = 3\nmargin_mm = 0\ngap_mm = 20\nspan_mm = [2400, 600]\nnames = [\"a\", \"b\", \"c\"]\n";
    let said = setup_with(zones).unwrap_err();
    assert!(said.contains("beyond_board") && said.contains("zone \"b\""), "{said}");
    let setup = setup_with(&format!("[plenum]\nbeyond_board = \"masked\"\n{zones}")).unwrap();
    let zones = &setup.table.plenum.zones;
    assert_eq!(zones.iter().map(|zone| zone.name.as_str()).collect::<Vec<_>>(), ["a", "b"]);
    assert!((zones[1].rects[0].high.x.millimetres() - 1200.0).abs() < 1e-9);
    assert!((zones[1].rects[0].low.x.millimetres() - 2420.0 / 3.0).abs() < 1e-6);
    assert!(setup.assumptions.iter().any(|assumed| format!("{assumed:?}").contains("beyond the board")));
}

struct Bay {
    minder: Minder,
    now: Span,
    shown: Option<View>,
    kept: Vec<(String, String)>,
    calls: usize,
    loose: bool,
    /// The level of the job's uncut sheet, in mbar.
    expected: f64,
}

impl Bay {
    fn new() -> Self {
        let minder = Minder::new(setup(), Vec::new(), Remembered::default(), moment(Span::ZERO)).unwrap();
        let mut bay = Bay { minder, now: Span::ZERO, shown: None, kept: vec![], calls: 0, loose: false, expected: 0.0 };
        bay.step(Event::LineUp(LineId(0)));
        bay
    }

    fn step(&mut self, event: Event) {
        let mut out = Vec::new();
        self.minder.step(moment(self.now), event, &mut out);
        for action in out {
            match action {
                Action::Compute(id, request) => {
                    let forecast = reckoned(request);
                    self.expected = forecast.courses[0].points[0].1.mid.pascals() / 100.0;
                    self.step(Event::Computed(id, Ok(forecast)));
                }
                Action::Show(view) => {
                    self.loose |= view.verdict == Verdict::Loose;
                    self.shown = Some(*view);
                }
                Action::Record(record) => {
                    if let Fact::Entry { kind, body, .. } = record.fact {
                        self.calls += usize::from(kind == "alarm" && body.contains("nacknowledged"));
                        self.kept.push((kind, body));
                    }
                }
                _ => {}
            }
        }
    }

    fn tell(&mut self, command: Command) {
        self.step(Event::Command(Actor("operator".into()), CommandId(1), command));
    }

    /// The gauge sends this level in mbar for so long.
    fn hold(&mut self, mbar: f64, seconds: u64) {
        for _ in 0..10 * seconds {
            self.now = self.now.and(Span::from_millis(100));
            self.step(Event::Bytes(LineId(0), format!("{mbar:.1}\n").into_bytes()));
        }
    }

    fn view(&self) -> &View {
        self.shown.as_ref().unwrap()
    }
}

fn reckoned(request: Request) -> Forecast {
    let brief = Brief::new(&setup(), request, Resolution::default());
    let condense = |load: &TableLoad| Ok::<_, ForecastError>(ClosedForm::condense(&brief.table, load));
    let card = brief.request.card.as_deref();
    brief.answer(&Boards::condense(&brief.table, card, &brief.request.lying(), 33, condense).unwrap()).unwrap()
}

fn moment(since: Span) -> Moment {
    Moment { boot: BootId(7), steady: Steady::from_nanos(1_000_000_000).plus(since), civil: None, synced: false }
}

/// A job is cut while the level breaks down: on the vacuum it is called at once, held otherwise it is nobody's concern.
fn cut_on_a_breaking_level(sheet: &str, held: &str) -> Bay {
    let mut bay = Bay::new();
    bay.tell(Command::LoadCard(Box::new(card(sheet, MILL, held))));
    bay.hold(0.0, 3);
    bay.hold(bay.expected, 30);
    let seated = bay.expected;
    bay.tell(Command::Progress(ProgressTold::Cutting(true)));
    bay.tell(Command::Progress(ProgressTold::Fraction(0.01)));
    bay.hold(seated, 10);
    bay.hold(0.3 * seated, 10);
    bay
}

#[test]
fn a_job_that_is_held_otherwise_is_not_watched_and_says_so() {
    let watched = cut_on_a_breaking_level("", "vacuum");
    assert!(watched.loose && watched.calls > 0);

    let mut bay = cut_on_a_breaking_level("held = \"otherwise\"", "tabs");
    assert_eq!((bay.view().verdict, bay.view().why.key.as_str()), (Verdict::NoJob, "held-otherwise"));
    assert!(bay.view().margin.is_none() && bay.view().expected.is_none());
    assert!(!bay.loose && bay.calls == 0);
    bay.tell(Command::Progress(ProgressTold::Cutting(false)));
    bay.hold(0.0, 5);
    assert_eq!((bay.view().verdict, bay.view().why.key.as_str()), (Verdict::Off, "held-otherwise"));
    // Its cut is booked all the same: the board and the tools wear.
    assert!(!bay.kept.iter().any(|(kind, _)| kind == "board-cut"));
    bay.tell(Command::Unload);
    let booked = bay.kept.iter().find(|(kind, _)| kind == "board-cut").unwrap();
    assert!(booked.1.contains("\"charted\":true"), "{}", booked.1);
    // And the next job on the vacuum is watched as ever.
    bay.tell(Command::LoadCard(Box::new(card("", MILL, "vacuum"))));
    bay.hold(bay.expected, 30);
    assert_ne!(bay.view().why.key, "held-otherwise");
}

/// Screws hold the skeleton, but a part that comes free of it hangs on the vacuum.
#[test]
fn a_screwed_sheet_with_parts_on_the_vacuum_is_watched() {
    let bay = cut_on_a_breaking_level("held = \"otherwise\"", "vacuum");
    assert!(bay.loose && bay.calls > 0);
}
