//! A board's life as the running program follows it, in made time: the real minder, a gauge on each side of the filter that send lines of
//! text, and sheets whose leaks are known.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by a panic")]

#[path = "support/chance.rs"]
mod chance;

use std::collections::BTreeMap;

use chance::Chance;
use holdwatch::board::pumps::level_at;
use holdwatch::board::{Deed, Told};
use holdwatch::daemon::Brief;
use holdwatch::event::{Action, Actor, Answer, Command, CommandId, Event, Fact, LineId, ProgressTold, Request};
use holdwatch::expectation::{Boards, Forecast, ForecastError, zones_under};
use holdwatch::job::Card;
use holdwatch::minder::{Minder, Remembered};
use holdwatch::moment::{BootId, Moment, Span, Steady, Utc};
use holdwatch::setup::{Setup, read_card, read_setup};
use holdwatch::table::field::Resolution;
use holdwatch::table::{ClosedForm, TableLoad};
use holdwatch::units::Vacuum;
use holdwatch::view::{BoardDetail, View};
use serde_json::Value;

const DEMO: &str = include_str!("../config/demo.toml");
const GAUGE: &str = "scale = 1\nunit = \"mbar\"\ncounts = \"vacuum\"\nrange = [0, 1000]\nevery_ms = 200\n";

/// 2026-03-02T07:00:00Z, computed with the command `date`.
const START: i64 = 1_772_434_800_000_000;

/// The demo's table with a talking gauge on each side of the filter, and more sections.
fn setup(more: &str) -> Setup {
    let (table, _) = DEMO.split_once("[[line]]").unwrap();
    let line =
        |name: &str| format!("[[line]]\nname = \"{name}\"\nport = \"/dev/null-{name}\"\nprotocol = \"ascii-talker\"\n");
    let gauge =
        |place: &str| format!("[[gauge]]\nname = \"{place}\"\nline = \"{place}\"\nplace = \"{place}\"\n{GAUGE}");
    let places = ["manifold", "pump-inlet"];
    let lines: String = places.iter().map(|place| line(place) + &gauge(place)).collect();
    let text = format!("{table}{lines}[watch]\nshadow_sheets = 0\n{more}");
    read_setup(&text, "table.toml").unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

/// A sheet across the whole board from x to the right, with one part of 300 by 200 mm.
fn card(setup: &Setup, name: &str, zones: &str, at: u32, length: u32, more: &str) -> Card {
    let text = format!(
        "name = \"{name}\"\nzones = [{zones}]\n{more}[sheet]\nat_mm = [{at}, 0]\nsize_mm = [{length}, 1220]\nthickness_mm = 18\n\
         material = \"plywood\"\n[cutter]\ndiameter_mm = 6\nflutes = 2\nspindle_rpm = 18000\nfeed_m_min = 5\n\
         helix = \"down\"\nlast_pass_mm = 6\n[[part]]\nname = \"P\"\nat_mm = [{}, 150]\nsize_mm = [300, 200]\n",
        at + 60
    );
    read_card(&text, "card.toml", setup).unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

struct Bay {
    setup: Setup,
    minder: Minder,
    now: Span,
    chance: Chance,
    forecasts: BTreeMap<String, Forecast>,
    /// The newest forecast of the job that lies there.
    job: Option<Forecast>,
    /// What the filter takes.
    filter: f64,
    kept: Vec<(String, Value)>,
    answers: Vec<Answer>,
}

impl Bay {
    fn new(more: &str) -> Self {
        let setup = setup(more);
        let minder = Minder::new(setup.clone(), Vec::new(), Remembered::default(), at(Span::ZERO)).unwrap();
        let mut bay = Bay {
            setup,
            minder,
            now: Span::ZERO,
            chance: Chance::seeded(7),
            forecasts: BTreeMap::new(),
            job: None,
            filter: 500.0,
            kept: Vec::new(),
            answers: Vec::new(),
        };
        bay.step(Event::LineUp(LineId(0)));
        bay.step(Event::LineUp(LineId(1)));
        bay
    }

    fn step(&mut self, event: Event) {
        let mut out = Vec::new();
        self.minder.step(at(self.now), event, &mut out);
        for action in out {
            match action {
                Action::Compute(id, request) => {
                    let forecast = self.forecast(request);
                    self.step(Event::Computed(id, Ok(forecast)));
                }
                Action::Record(record) => {
                    if let Fact::Entry { kind, body, .. } = record.fact {
                        self.kept.push((kind, serde_json::from_str(&body).unwrap()));
                    }
                }
                Action::Answer(_, answer) => self.answers.push(answer),
                _ => {}
            }
        }
    }

    /// By the closed form: the flow field takes seconds.
    fn forecast(&mut self, request: Request) -> Forecast {
        let of_job = request.card.is_some();
        let brief = Brief::new(&self.setup, request, Resolution::default());
        let key = serde_json::to_string(&brief).unwrap();
        let forecast = self.forecasts.entry(key).or_insert_with(|| {
            let condense = |load: &TableLoad| Ok::<_, ForecastError>(ClosedForm::condense(&brief.table, load));
            let boards =
                Boards::condense(&brief.table, brief.request.card.as_deref(), &brief.request.lying(), 9, condense)
                    .unwrap();
            brief.answer(&boards).unwrap()
        });
        if of_job {
            self.job = Some(forecast.clone());
        }
        forecast.clone()
    }

    fn command(&mut self, command: Command) -> Answer {
        self.step(Event::Command(Actor("somebody".into()), CommandId(0), command));
        self.answers.pop().unwrap()
    }

    fn tell(&mut self, told: Told) -> Answer {
        self.command(Command::Board(told))
    }

    /// The level stays there for a while, read every so many seconds.
    fn hold(&mut self, level: f64, secs: f64, every: f64) {
        for _ in 0..(secs / every).round() as usize {
            self.now = self.now.and(Span::from_secs_f64(every));
            let noise = 20.0 * self.chance.normal();
            let line = |pascals: f64| format!("{:.2}\n", pascals.max(0.0) / 100.0).into_bytes();
            self.step(Event::Bytes(LineId(1), line(level + self.filter + noise)));
            self.step(Event::Bytes(LineId(0), line(level + noise)));
        }
    }

    /// One sheet from the bare table to the bare table, cut to `share`; its leak is `times` what it should be.
    fn sheet(&mut self, card: &Card, share: f64, times: impl Fn(&Forecast) -> f64) {
        assert_eq!(self.command(Command::LoadCard(Box::new(card.clone()))), Answer::Done);
        let forecast = self.job.clone().unwrap();
        let bare = forecast.courses[0].bare.pascals();
        self.hold(bare, 4.0, 0.2);
        let seated = self.level(times(&forecast));
        self.hold(seated, 9.0, 0.2);
        for fraction in [0.0, 0.5 * share, share] {
            self.command(Command::Progress(ProgressTold::Fraction(fraction)));
            let level = self.level(times(&forecast));
            self.hold(level, 1.0, 0.2);
        }
        self.command(Command::Progress(ProgressTold::Cutting(false)));
        self.hold(bare, 4.0, 0.2);
    }

    /// The level of so many times the leak that is expected now.
    fn level(&self, times: f64) -> f64 {
        let mid = self.view().expected.unwrap().mid_pa;
        level_at(&self.setup.table, Vacuum::from_pascals(mid), times).pascals()
    }

    fn view(&self) -> View {
        self.minder.view_at(at(self.now))
    }

    fn board(&self) -> BoardDetail {
        (*self.view().board.detail).clone()
    }

    fn prompts(&self) -> Vec<String> {
        self.view().board.prompts.into_iter().map(|prompt| prompt.key).collect()
    }

    fn kept(&self, kind: &str) -> Vec<&Value> {
        self.kept.iter().filter(|(one, _)| one == kind).map(|(_, body)| body).collect()
    }
}

fn at(now: Span) -> Moment {
    let civil = Utc::from_micros(START + i64::try_from(now.nanos() / 1000).unwrap());
    Moment { boot: BootId(1), steady: Steady::from_nanos(now.nanos()), civil: Some(civil), synced: true }
}

fn near(value: f64, expected: f64, tolerance: f64) {
    assert!((value - expected).abs() <= tolerance, "{value} is not {expected} within {tolerance}");
}

/// By hand: the middle of the kerf round a part of 300 by 200 mm with a cutter of 6 mm is 2 · (306 + 206) mm long.
#[test]
fn every_sheet_adds_its_cut_to_the_board() {
    let mut bay = Bay::new("[care]\ninto_board_mm = 0.3\n");
    let left = card(&bay.setup, "left", "\"1\", \"4\"", 0, 813, "");
    let deep = card(&bay.setup, "deep", "\"1\", \"4\"", 0, 813, "into_board_mm = 0.7\n");
    for _ in 0..3 {
        bay.sheet(&left, 1.0, |_| 1.0);
    }
    let board = bay.board();
    near(board.cut_m, 3.0 * 1.024, 1e-6);
    near(board.worst_scar_m.unwrap(), 0.3e-3, 1e-9);
    assert_eq!((board.most_passes, board.sheets_on_board, board.sheets_uncharted), (3, 3, 0));
    bay.sheet(&deep, 0.5, |_| 1.0);
    near(bay.board().cut_m, 3.5 * 1.024, 1e-6);
    near(bay.board().worst_scar_m.unwrap(), 0.7e-3, 1e-9);
    let cuts = bay.kept("board-cut");
    assert_eq!(cuts.len(), 4);
    near(cuts[3]["cut_m"].as_f64().unwrap(), 0.512, 1e-6);
    near(cuts[3]["into_board_mm"].as_f64().unwrap(), 0.7, 1e-9);
    // A skim of half a millimetre leaves 0.2 of the deep one.
    assert_eq!(bay.tell(Told::Did(Deed::Skimmed, Some(holdwatch::units::Length::from_millimetres(0.5)))), Answer::Done);
    let board = bay.board();
    near(board.worst_scar_m.unwrap(), 0.2e-3, 1e-9);
    near(board.board_left_m, 17.5e-3, 1e-9);
    assert_eq!((board.cut_m, board.skims, board.sheets_since_skim), (0.0, 1, 0));
}

/// What is kept across a stop and what is taken up from a state written down are the board as it was.
#[test]
fn the_board_outlives_the_program() {
    let mut bay = Bay::new("");
    let left = card(&bay.setup, "left", "\"1\", \"4\"", 0, 813, "");
    for sheet in 0..9 {
        bay.sheet(&left, 1.0, |_| 1.0 + 0.02 * f64::from(sheet));
    }
    let board = bay.board();
    assert!(board.leak_index.is_some() && board.leak_index_error.is_some_and(|error| error > 0.0), "{board:?}");
    let again = Minder::restore(&bay.minder.snapshot().unwrap()).unwrap();
    assert_eq!(*again.view_at(at(bay.now)).board.detail, board);
    let memory = bay.kept("memory").last().unwrap().to_string();
    let memory = holdwatch::minder::Memory::from_record(&memory).unwrap();
    let remembered = Remembered { memory: Some(memory), ..Remembered::default() };
    let later = Minder::new(bay.setup.clone(), Vec::new(), remembered, at(bay.now)).unwrap();
    assert_eq!(*later.view_at(at(bay.now)).board.detail, board);
}

/// The state is written down every 600 s, in which 6000 readings pass at 10 Hz: less than a byte for each, before it is packed.
#[test]
fn a_state_without_scars_takes_little_room_and_one_with_scars_little_more() {
    let mut bay = Bay::new("");
    bay.hold(0.0, 2.0, 0.2);
    let fresh = bay.minder.snapshot().unwrap().len();
    println!("{fresh} bytes for a table without a job");
    let left = card(&bay.setup, "left", "\"1\", \"4\"", 0, 813, "");
    bay.sheet(&left, 1.0, |_| 1.0);
    bay.command(Command::Unload);
    let once = bay.minder.snapshot().unwrap().len();
    for _ in 0..30 {
        bay.sheet(&left, 1.0, |_| 1.0);
    }
    bay.command(Command::Unload);
    let often = bay.minder.snapshot().unwrap().len();
    println!("{once} after a sheet, {often} after 31");
    assert!(fresh < 6000, "{fresh}");
    assert!(often < fresh + 3000, "{often}");
}

/// Twelve sheets that leak 1.6 times what they should, then eight as they should: somebody skimmed and did not say so.
fn unsaid_skim() -> Bay {
    let mut bay = Bay::new("");
    let left = card(&bay.setup, "left", "\"1\", \"4\"", 0, 813, "");
    for sheet in 0..20 {
        bay.sheet(&left, 1.0, |_| if sheet < 12 { 1.6 } else { 1.0 });
    }
    bay
}

#[test]
fn a_jump_is_asked_about_and_its_answer_parts_the_sheets() {
    let mut bay = unsaid_skim();
    let jump = bay.view().board.jump.unwrap();
    assert_eq!((jump.sheets_ago, jump.by < -0.3), (8, true), "{jump:?}");
    assert!(bay.prompts().contains(&"prompt-jump-down".to_owned()), "{:?}", bay.prompts());
    assert_eq!(bay.tell(Told::JumpWas(Some(Deed::Skimmed))), Answer::Done);
    let board = bay.board();
    assert_eq!((board.sheets_since_skim, board.skims, board.jump), (8, 1, None));
    near(board.leak_index.unwrap(), 1.0, 0.1);
    // Causes stand on the sheets since then only.
    assert_eq!(board.causes.map(|causes| causes.sheets), Some(8));
    assert_eq!(bay.tell(Told::JumpWas(None)), Answer::Refused("no-jump".to_owned()));
}

#[test]
fn a_jump_of_which_nothing_came_is_not_asked_about_again() {
    let mut bay = unsaid_skim();
    assert_eq!(bay.tell(Told::JumpWas(None)), Answer::Done);
    assert_eq!(bay.board().jump, None);
    let left = card(&bay.setup, "left", "\"1\", \"4\"", 0, 813, "");
    bay.sheet(&left, 1.0, |_| 1.0);
    assert_eq!(bay.board().jump, None);
    assert_eq!(bay.board().sheets_since_skim, 21);
}

/// Sheets before and after a filter change are never compared: without it, leaks of 1.5 before would pull the causes up.
#[test]
fn nothing_is_pooled_across_a_filter_change() {
    let mut bay = Bay::new("");
    let left = card(&bay.setup, "left", "\"1\", \"4\"", 0, 813, "");
    for _ in 0..8 {
        bay.sheet(&left, 1.0, |_| 1.5);
    }
    assert_eq!(bay.tell(Told::Did(Deed::FilterChanged, None)), Answer::Done);
    assert_eq!((bay.board().leak_index, bay.board().causes), (None, None));
    for _ in 0..8 {
        bay.sheet(&left, 1.0, |_| 1.0);
    }
    let board = bay.board();
    near(board.leak_index.unwrap(), 1.0, 0.1);
    let together = board.causes.unwrap().together;
    assert!(together.low <= 0.05 && together.share.abs() < 0.1, "{together:?}");
    assert_eq!((board.sheets_since_skim, board.jump), (16, None));
}

/// What a metre of the rim at x = 0 lets in, in m³/h of free air at the level of each sheet.
const RIM: f64 = 12.0;

#[test]
fn the_side_that_leaks_is_named_with_what_sealing_gives_back() {
    let mut bay = Bay::new("");
    let jobs = [
        ("left", "\"1\", \"4\"", 0, 813, 1.16),
        ("corner", "\"1\"", 0, 813, 0.58),
        ("middle", "\"2\", \"5\"", 813, 813, 0.0),
        ("right", "\"3\", \"6\"", 1626, 814, 0.0),
        ("left half", "\"1\", \"2\", \"4\", \"5\"", 0, 1626, 1.16),
        ("all", "\"1\", \"2\", \"3\", \"4\", \"5\", \"6\"", 0, 2440, 1.16),
    ];
    let cards: Vec<(Card, f64)> = jobs
        .into_iter()
        .map(|(name, zones, at, length, beside)| (card(&bay.setup, name, zones, at, length, ""), beside))
        .collect();
    for (card, beside) in cards.iter().cycle().take(36) {
        let open = zones_under(&bay.setup.table, &card.sheet.rect);
        assert!(!open.is_empty());
        bay.sheet(card, 1.0, |forecast| 1.0 + RIM * beside / forecast.courses[0].points[0].1.flow.m3_per_h());
    }
    let board = bay.board();
    let causes = board.causes.clone().unwrap();
    let named: Vec<&str> =
        causes.beads.iter().filter(|(_, part)| part.told && part.low > 0.0).map(|(name, _)| name.as_str()).collect();
    assert_eq!(named, ["x_min"], "{causes:?}");
    let gain = &board.sealing[0];
    assert_eq!(gain.at, "x_min");
    assert!(gain.back_low_pa > 0.0 && gain.back_pa > gain.back_low_pa && gain.margin_grows > 1.0, "{gain:?}");
}

#[test]
fn a_filter_that_takes_more_than_its_limit_is_to_be_changed() {
    let mut bay = Bay::new("[care]\nfilter_drop_mbar = 30\n");
    let left = card(&bay.setup, "left", "\"1\", \"4\"", 0, 813, "");
    for _ in 0..3 {
        bay.sheet(&left, 1.0, |_| 1.0);
    }
    near(bay.board().filter_drop_pa.unwrap(), 500.0, 50.0);
    assert!(!bay.prompts().contains(&"prompt-filter-limit".to_owned()));
    bay.filter = 3_500.0;
    for _ in 0..5 {
        bay.sheet(&left, 1.0, |_| 1.0);
    }
    assert!(bay.prompts().contains(&"prompt-filter-limit".to_owned()), "{:?}", bay.board());
    bay.tell(Told::Did(Deed::FilterChanged, None));
    assert!(!bay.prompts().contains(&"prompt-filter-limit".to_owned()));
    // Or a survey or a hand gauge tells the drop.
    bay.tell(Told::FilterDrop(Vacuum::from_pascals(3_100.0)));
    assert!(bay.prompts().contains(&"prompt-filter-limit".to_owned()));
}

/// By hand: 5.5 kW at 0.30 a kilowatt hour, and the hours of pumping that the levels held.
#[test]
fn the_pump_is_counted_while_it_pulls_and_asks_for_its_service() {
    let mut bay = Bay::new("[prices]\nkwh = 0.30\n[care]\nservice_hours = 1\npump_kw = 5.5\nsheets_a_day = 20\n");
    let left = card(&bay.setup, "left", "\"1\", \"4\"", 0, 813, "");
    bay.sheet(&left, 1.0, |_| 1.5);
    assert!(!bay.prompts().contains(&"prompt-service".to_owned()));
    bay.hold(0.0, 4000.0, 4.0);
    let bare = bay.job.as_ref().unwrap().courses[0].bare.pascals();
    bay.hold(bare, 3600.0, 4.0);
    bay.sheet(&left, 1.0, |_| 1.5);
    let board = bay.board();
    // Two sheets of 20 s and an hour; the pump that stands still for 4000 s does not count.
    near(board.pump_since_service_h, (3600.0 + 40.0) / 3600.0, 0.01);
    assert!(bay.prompts().contains(&"prompt-service".to_owned()), "{:?}", bay.prompts());
    // Half of the two sheets' hours: the median of the two.
    near(board.energy_a_sheet.unwrap(), 5.5 * 0.30 * (3600.0 + 40.0) / 3600.0 / 2.0, 0.02);
    let index = board.leak_index.unwrap();
    let month = board.energy_a_sheet.unwrap() * 20.0 * 21.0 * (1.0 - 1.0 / index);
    near(board.leak_a_month.unwrap(), month, 1e-6);
    bay.tell(Told::Did(Deed::PumpServiced, None));
    assert!(!bay.prompts().contains(&"prompt-service".to_owned()));
    near(bay.board().pump_h, (3600.0 + 40.0) / 3600.0, 0.01);
}

#[test]
fn the_decision_stands_beside_what_it_rests_on_and_a_limit_that_is_met_is_a_prompt() {
    let mut bay = Bay::new("[prices]\npart = 400\nhour = 60\n[care]\nlead_days = 3\nskim_at = 1.6\n");
    let left = card(&bay.setup, "left", "\"1\", \"4\"", 0, 813, "");
    assert_eq!(bay.board().care, None);
    for sheet in 0..20 {
        bay.sheet(&left, 1.0, |_| 1.0 + 0.015 * f64::from(sheet));
    }
    let board = bay.board();
    let wear = board.wear_per_sheet.unwrap();
    near(wear, 0.015, 0.005);
    let [likely, soonest, latest] = board.skim_in_sheets.unwrap();
    assert!(soonest <= likely && likely <= latest, "{board:?}");
    let care = board.care.unwrap();
    let figure = |key: &str| care.figures.iter().find(|figure| figure.key == key).unwrap();
    assert_eq!((figure("prices.part").value, figure("prices.part").assumed), (400.0, false));
    assert!(figure("prices.board").assumed && !figure("fresh_margin").assumed && !figure("wear_per_sheet").assumed);
    assert!(figure("margin_lost_by_a_skim").assumed && figure("hardest_sheet_in_mean_sheets").assumed);
    assert!(care.skims_left == 18 && care.waiting >= 0.0 && care.per_sheet > 0.0, "{care:?}");
    for sheet in 20..60 {
        bay.sheet(&left, 1.0, |_| 1.0 + 0.015 * f64::from(sheet));
    }
    assert!(bay.prompts().iter().any(|prompt| prompt.starts_with("prompt-skim")), "{:?}", bay.prompts());
    bay.command(Command::Skimmed);
    assert!(!bay.prompts().iter().any(|prompt| prompt.starts_with("prompt-skim")), "{:?}", bay.prompts());
}
