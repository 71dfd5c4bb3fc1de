//! Alarms as a shop lives with them: the whole minder in made time, at a bus of our own making.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by a panic")]

#[path = "support/bench.rs"]
#[allow(dead_code, reason = "another test uses the rest of it")]
mod bench;
#[path = "support/shop.rs"]
mod shop;

use bench::{Bench, moment};
use holdwatch::alarm::State;
use holdwatch::event::{
    Actor, Answer, Command, CommandId, Event, ProgressTold, Recalled, Seq, Span, Tag, Told, Vacuum,
};
use holdwatch::lamp::{Colour, Lamp};
use holdwatch::minder::{Memory, Minder, Remembered};
use holdwatch::view::{AlarmView, Verdict, View};
use shop::shop;

fn alarm(view: &View, tag: Tag) -> Option<AlarmView> {
    view.alarms.iter().find(|alarm| alarm.tag == tag).cloned()
}

fn state(bench: &Bench, tag: Tag) -> State {
    alarm(&bench.view(), tag).map_or(State::Normal, |alarm| alarm.state)
}

/// A level that wobbles a little, as levels do.
fn hold(bench: &mut Bench, secs: f64, mbar: f64) {
    bench.run_with(secs, |bench| {
        let step = (bench.now.nanos() / 100_000_000 % 5) as f64 - 2.0;
        bench.level(1, 0, mbar + 0.4 * step);
    });
}

/// A sheet lies seated and is cut, as told.
fn cutting() -> Bench {
    let mut bench = Bench::new(&shop(""));
    hold(&mut bench, 15.0, 700.0);
    assert_eq!(bench.command(Command::Progress(ProgressTold::Cutting(true))), Answer::Done);
    hold(&mut bench, 10.0, 700.0);
    bench
}

/// The gauge falls silent and comes back: one alarm.
fn drop_out(bench: &mut Bench) {
    bench.silent.push(1);
    hold(bench, 4.0, 700.0);
    bench.silent.clear();
    hold(bench, 8.0, 700.0);
}

#[test]
fn an_alarm_out_of_service_says_who_and_why_and_is_not_forgotten_over_a_restart() {
    let mut bench = Bench::new(&shop(""));
    let why = "the gauge is at the workshop".to_owned();
    let removed = Event::Command(Actor("ann".into()), CommandId(7), Command::Remove(Tag::NoReading, why.clone()));
    bench.step(removed);
    assert_eq!(bench.answers.last(), Some(&Answer::Done));
    bench.silent.push(1);
    bench.run(10.0);
    let check = |view: &View| {
        let alarm = alarm(view, Tag::NoReading).unwrap();
        assert_eq!(alarm.state, State::OutOfService);
        let aside = alarm.set_aside.unwrap();
        assert_eq!((aside.by.as_str(), aside.why.as_ref()), ("ann", Some(&why)));
        assert!(view.degraded.iter().any(|way| way.name == "alarm-out-of-service"));
        aside.since_s.unwrap()
    };
    assert!((check(&bench.view()) - 10.0).abs() < 1e-6);
    // Blind is said all the same; nobody is called by it.
    assert_eq!(bench.view().verdict, Verdict::Blind);
    assert!(bench.entries("command").last().unwrap().contains("the gauge is at the workshop"));
    assert_eq!(bench.command(Command::Remove(Tag::NoReading, "again".into())), Answer::Refused("set-aside".into()));
    assert_eq!(bench.command(Command::Remove(Tag::LevelLow, " ".into())), Answer::Refused("who-and-why".into()));

    let memory = Memory::from_record(bench.entries("memory").last().unwrap()).unwrap();
    let remembered = || Remembered { memory: Some(memory.clone()), ..Remembered::default() };
    let mut again = Minder::new(bench.setup.clone(), Vec::new(), remembered(), moment(bench.now)).unwrap();
    assert!((check(&again.view_at(moment(bench.now))) - 10.0).abs() < 1e-6);
    let mut out = Vec::new();
    let back = Event::Command(Actor("ann".into()), CommandId(1), Command::Return(Tag::NoReading));
    again.step(moment(bench.now), back, &mut out);
    let view = again.view_at(moment(bench.now));
    assert!(alarm(&view, Tag::NoReading).is_none_or(|alarm| alarm.set_aside.is_none()));
    assert!(!view.degraded.iter().any(|way| way.name == "alarm-out-of-service"));

    // What lasts calls again once it is back in service.
    assert_eq!(bench.command(Command::Return(Tag::NoReading)), Answer::Done);
    assert_eq!(state(&bench, Tag::NoReading), State::Unacknowledged);
    let twice = bench.command(Command::Return(Tag::NoReading));
    assert_eq!(twice, Answer::Refused("not-out-of-service".into()));
}

#[test]
fn an_alarm_put_back_into_service_while_sheets_are_in_shadow_stays_held_back() {
    let mut bench = Bench::new(&shop("").replace("shadow_sheets = 0", "shadow_sheets = 3"));
    assert_eq!(bench.command(Command::Remove(Tag::LevelLow, "a trial".into())), Answer::Done);
    assert_eq!(state(&bench, Tag::LevelLow), State::OutOfService);
    assert_eq!(bench.command(Command::Return(Tag::LevelLow)), Answer::Done);
    assert_eq!(state(&bench, Tag::LevelLow), State::Suppressed);
}

#[test]
fn shelving_tells_who_and_for_how_long_at_most() {
    let mut bench = cutting();
    hold(&mut bench, 4.0, 350.0);
    assert_eq!(state(&bench, Tag::SuddenLoss), State::Unacknowledged);
    let limit = alarm(&bench.view(), Tag::SuddenLoss).unwrap().shelve_limit_s;
    assert!((limit - 600.0).abs() < 1e-9);
    let longer = Command::Shelve(Tag::SuddenLoss, Span::from_secs(601));
    assert_eq!(bench.command(longer), Answer::ShelvedTooLong(Span::from_secs(600)));
    assert_eq!(bench.command(Command::Shelve(Tag::SuddenLoss, Span::from_secs(600))), Answer::Done);
    let aside = alarm(&bench.view(), Tag::SuddenLoss).unwrap().set_aside.unwrap();
    assert_eq!((aside.by.as_str(), aside.why), ("test", None));
}

#[test]
fn unloading_closes_what_belonged_to_the_sheet() {
    for shelve in [false, true] {
        let mut bench = cutting();
        hold(&mut bench, 4.0, 350.0);
        assert_eq!((bench.view().verdict, state(&bench, Tag::SuddenLoss)), (Verdict::Loose, State::Unacknowledged));
        if shelve {
            bench.command(Command::Shelve(Tag::SuddenLoss, Span::from_secs(600)));
        }
        bench.command(Command::Unload);
        // A loss that nobody has seen stays until somebody has, also one that was quiet.
        assert_eq!(state(&bench, Tag::SuddenLoss), State::ReturnedUnacknowledged);
        hold(&mut bench, 6.0, 350.0);
        assert_ne!(bench.view().verdict, Verdict::Loose);
        assert_eq!(state(&bench, Tag::SuddenLoss), State::ReturnedUnacknowledged);
        assert_eq!(bench.command(Command::Acknowledge(Tag::SuddenLoss)), Answer::Done);
        assert_eq!(state(&bench, Tag::SuddenLoss), State::Normal);
    }
    // The same by the level alone, once the machine has stopped: the sheet is taken off, and what does not latch is over at once.
    let mut bench = cutting();
    hold(&mut bench, 60.0, 700.0);
    for level in (0..150).map(|step| 700.0 - 2.4 * f64::from(step)) {
        hold(&mut bench, 1.0, level);
    }
    assert_eq!(state(&bench, Tag::LevelLow), State::Unacknowledged, "{:?}", bench.view().why);
    bench.command(Command::Unload);
    assert_eq!(state(&bench, Tag::LevelLow), State::Normal);
}

#[test]
fn a_flood_is_said_keeps_the_first_on_top_and_ends() {
    let mut bench = Bench::new(&shop(""));
    hold(&mut bench, 5.0, 700.0);
    for _ in 0..10 {
        drop_out(&mut bench);
    }
    assert!(bench.view().flood.is_none());
    drop_out(&mut bench);
    let view = bench.view();
    assert_eq!(view.flood.unwrap().alarms, 11);
    assert!(view.degraded.iter().any(|way| way.name == "alarm-flood"));
    assert_eq!(bench.entries("flood"), [r#"["begins",11]"#]);
    // What is put aside goes below what calls, though the roll has it above.
    bench.step(Event::StoreTrouble("the disk is full".into()));
    bench.run(6.0);
    assert_eq!(bench.command(Command::Shelve(Tag::NoReading, Span::from_secs(3_600))), Answer::Done);
    let tags: Vec<Tag> = bench.view().alarms.iter().map(|alarm| alarm.tag).collect();
    assert_eq!(tags, [Tag::NotSaving, Tag::NoReading]);
    hold(&mut bench, 600.0, 700.0);
    assert!(bench.view().flood.is_none());
    assert_eq!(bench.entries("flood").len(), 2);
    let tags: Vec<Tag> = bench.view().alarms.iter().map(|alarm| alarm.tag).collect();
    assert_eq!(tags, [Tag::NoReading, Tag::NotSaving]);
}

/// The horn calls for what must be done now; an alarm that comes again and again in a flood has called.
#[test]
fn in_a_flood_the_horn_does_not_sound_for_what_chatters() {
    let mut bench = cutting();
    let mut sounded = Vec::new();
    for _ in 0..14 {
        let mut horn = false;
        for _ in 0..4 {
            hold(&mut bench, 1.0, 350.0);
            horn |= bench.view().light.horn;
        }
        let calls = state(&bench, Tag::SuddenLoss) == State::Unacknowledged;
        sounded.push((calls, horn, bench.view().flood.is_some()));
        hold(&mut bench, 11.0, 700.0);
    }
    assert!(sounded.iter().all(|(calls, ..)| *calls), "{sounded:?}");
    assert!(sounded.iter().all(|(_, horn, flood)| horn != flood), "{sounded:?}");
    assert!(sounded.iter().filter(|(.., flood)| *flood).count() >= 3, "{sounded:?}");
}

/// The horn sounds each time that somebody is called, not only the first.
#[test]
fn the_horn_sounds_again_when_a_loss_calls_again() {
    let mut bench = cutting();
    hold(&mut bench, 4.0, 350.0);
    assert!(bench.view().light.horn);
    bench.command(Command::Acknowledge(Tag::SuddenLoss));
    hold(&mut bench, 60.0, 350.0);
    assert_eq!((state(&bench, Tag::SuddenLoss), bench.view().light.horn), (State::Acknowledged, false));
    hold(&mut bench, 243.0, 350.0);
    assert_eq!((state(&bench, Tag::SuddenLoss), bench.view().light.horn), (State::Unacknowledged, true));
    hold(&mut bench, 15.0, 350.0);
    assert!(!bench.view().light.horn);
    bench.command(Command::Shelve(Tag::SuddenLoss, Span::from_secs(60)));
    hold(&mut bench, 63.0, 350.0);
    assert_eq!((state(&bench, Tag::SuddenLoss), bench.view().light.horn), (State::Unacknowledged, true));
}

#[test]
fn no_lamp_test_hides_a_loss() {
    let mut bench = cutting();
    let refused = |key: &str| Answer::Refused(key.into());
    assert_eq!(bench.command(Command::TestLight), refused("cutting"));
    bench.command(Command::Progress(ProgressTold::Cutting(false)));
    assert_eq!(bench.command(Command::TestLight), Answer::Done);
    hold(&mut bench, 0.5, 700.0);
    assert_eq!(bench.view().light.lamp(Colour::Red), Lamp::Steady);
    // A loss in the middle of the test ends it.
    bench.command(Command::Progress(ProgressTold::Cutting(true)));
    let mut seen = Vec::new();
    for _ in 0..40 {
        hold(&mut bench, 0.1, 350.0);
        let view = bench.view();
        seen.extend((view.verdict == Verdict::Loose).then_some(view.light));
    }
    assert!(!seen.is_empty(), "{:?}", bench.view().why);
    assert!(seen.iter().all(|light| light.red == Lamp::Flashing && light.green == Lamp::Off), "{seen:?}");
    assert_eq!(bench.command(Command::TestLight), refused("loose"));
    assert_eq!(bench.view().light.red, Lamp::Flashing);
}

#[test]
fn a_light_that_answers_does_not_speak_for_one_that_does_not() {
    let light = |name: &str, unit: u8| {
        format!(
            "[[light]]\nname = \"{name}\"\nline = \"vacuum\"\nunit_id = {unit}\nred = 0\nyellow = 1\ngreen = 2\nwhite = 3\n"
        )
    };
    let mut bench = Bench::new(&shop(&(light("one", 2) + &light("two", 3))));
    let unreachable = |bench: &Bench| bench.degraded().contains(&"light-unreachable".to_owned());
    hold(&mut bench, 5.0, 700.0);
    assert!(!unreachable(&bench));
    bench.silent.push(3);
    hold(&mut bench, 10.0, 700.0);
    for _ in 0..100 {
        hold(&mut bench, 0.1, 700.0);
        assert!(unreachable(&bench), "after {:?}", bench.now);
    }
    bench.silent.clear();
    hold(&mut bench, 10.0, 700.0);
    assert!(!unreachable(&bench));
}

/// A minder whose journal could not be opened.
fn without_its_memory(setup: &str, last_seq: u64) -> Bench {
    Bench::remembering(setup, Remembered { unknown: true, last_seq: Seq(last_seq), ..Remembered::default() })
}

fn body(record: &str) -> serde_json::Value {
    serde_json::from_str(record).unwrap()
}

#[test]
fn a_memory_that_comes_late_is_taken_up_and_what_was_learned_meanwhile_is_added() {
    let setup = shop("").replace("shadow_sheets = 0", "shadow_sheets = 3");
    let mut before = Bench::new(&setup);
    hold(&mut before, 15.0, 700.0);
    for command in [
        Command::Teach,
        Command::Remove(Tag::LevelHigh, "a trial".into()),
        Command::Shelve(Tag::LevelLow, Span::from_secs(3_600)),
        Command::Board(Told::FilterDrop(Vacuum::from_pascals(1_500.0))),
    ] {
        before.command(command);
    }
    let memory = before.entries("memory").last().unwrap().clone();
    assert_eq!(body(&memory)["shadow_left"], 3);

    let mut bench = without_its_memory(&setup, 5);
    hold(&mut bench, 15.0, 500.0);
    assert!(bench.degraded().contains(&"memory-unknown".to_owned()));
    assert_eq!(bench.command(Command::Open(vec!["left".into()])), Answer::Done);
    hold(&mut bench, 15.0, 500.0);
    for command in [Command::Teach, Command::Skimmed, Command::ToolChanged(3)] {
        assert_eq!(bench.command(command), Answer::Done);
    }
    assert_eq!(bench.command(Command::Remove(Tag::NoReading, "at the workshop".into())), Answer::Done);
    for kind in ["memory", "survey", "check"] {
        assert!(bench.entries(kind).is_empty(), "no {kind} takes the place of one that is not known");
    }
    // The state can be written down meanwhile, and goes on alike.
    let recalled = || {
        Event::Recalled(Box::new(Recalled {
            last_seq: Seq(9_000),
            memory: Some(memory.clone()),
            ..Recalled::default()
        }))
    };
    let mut twin = Minder::restore(&bench.minder.snapshot().unwrap()).unwrap();
    let mut out = Vec::new();
    twin.step(moment(bench.now), recalled(), &mut out);
    bench.step(recalled());
    assert_eq!(twin.view_at(moment(bench.now)), bench.view());

    assert!(!bench.degraded().contains(&"memory-unknown".to_owned()));
    let kept = body(bench.entries("memory").last().unwrap());
    let taught: Vec<f64> =
        kept["taught"].as_array().unwrap().iter().map(|pair| pair[1]["level"].as_f64().unwrap()).collect();
    assert!(taught.len() == 2 && taught.iter().any(|level| (level - 70_000.0).abs() < 200.0), "{taught:?}");
    assert!(taught.iter().any(|level| (level - 50_000.0).abs() < 200.0), "{taught:?}");
    assert_eq!((&kept["shadow_left"], &kept["book"]["skims"]), (&3.into(), &1.into()));
    assert!(kept["skimmed_on"].is_i64() && kept["book"]["filter"][0] == 1_500.0, "{kept}");
    let aside: Vec<&String> = kept["set_aside"].as_object().unwrap().keys().collect();
    assert_eq!(aside, ["level-high", "no-reading"], "what was merely shelved before the start calls again");
    assert_eq!(state(&bench, Tag::LevelHigh), State::OutOfService);
    assert_eq!(state(&bench, Tag::NoReading), State::OutOfService);
    assert_eq!(bench.view().shadow_sheets_left, 3);
    assert!(bench.records.last().unwrap().seq > Seq(9_000));
    // A second one says nothing.
    let records = bench.records.len();
    bench.step(Event::Recalled(Box::default()));
    assert_eq!((bench.records.len(), bench.view().shadow_sheets_left), (records, 3));
}

/// A table whose memory is not known is no table in shadow: a loss is called, and the light shows it.
#[test]
fn a_loss_is_called_though_the_memory_is_not_known() {
    let setup = shop("").replace("shadow_sheets = 0", "shadow_sheets = 3");
    let mut bench = without_its_memory(&setup, 0);
    hold(&mut bench, 15.0, 700.0);
    bench.command(Command::Progress(ProgressTold::Cutting(true)));
    hold(&mut bench, 10.0, 700.0);
    hold(&mut bench, 4.0, 350.0);
    assert_eq!((bench.view().verdict, state(&bench, Tag::SuddenLoss)), (Verdict::Loose, State::Unacknowledged));
    assert_eq!(bench.view().light.red, Lamp::Flashing);
    // A journal that is new begins the shadow.
    bench.step(Event::Recalled(Box::default()));
    assert_eq!(bench.view().shadow_sheets_left, 3);
}

/// Sheets that seated and ended while the memory was not known count as the next ones of the board.
#[test]
fn sheets_of_the_time_without_a_memory_follow_on_those_before() {
    let setup = shop("").replace("shadow_sheets = 0", "shadow_sheets = 3");
    let sheets = |bench: &mut Bench, count: usize| {
        for _ in 0..count {
            hold(bench, 20.0, 700.0);
            hold(bench, 20.0, 100.0);
        }
    };
    let mut before = Bench::new(&setup);
    sheets(&mut before, 1);
    let memory = before.entries("memory").last().unwrap().clone();
    let mut bench = without_its_memory(&setup, 0);
    sheets(&mut bench, 1);
    bench.step(Event::Recalled(Box::new(Recalled { memory: Some(memory.clone()), ..Recalled::default() })));
    let mut straight = Bench::new(&setup);
    sheets(&mut straight, 2);
    let (late, whole) =
        (body(bench.entries("memory").last().unwrap()), body(straight.entries("memory").last().unwrap()));
    assert!(whole["shadow_left"] == 1 && whole["sheet"] == 2, "{whole}");
    for of in ["/shadow_left", "/sheet", "/board/seen", "/book/sheets", "/last_sheet/sheet"] {
        assert_eq!(late.pointer(of), whole.pointer(of), "{of}");
    }
    // Of each only what went into the book with its sheet.
    let pumped = |of: &serde_json::Value| of["book"]["pump"]["whole"].as_f64().unwrap();
    assert!((pumped(&late) / pumped(&body(&memory)) - 2.0).abs() < 0.05, "{late}");
}
