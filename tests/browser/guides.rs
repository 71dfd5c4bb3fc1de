//! Guided runs as the page is to show them, at several moments; the numbers are invented.

use holdwatch::view::{
    CheckItemView, CheckView, Compared, EstimateView, FrictionView, Guide, GuideLive, Guides, MeasuredView, Message,
    PastCheckView, ProposalView, ReadingState, ReadingView, ReferenceView, ResultView, SealingView, SetupLine,
    StepKind, StepState, StepView, SurveyView,
};

/// The names of the moments.
pub(crate) const MOMENTS: [&str; 7] =
    ["none", "survey-first", "survey-shut", "survey-unmoved", "survey-result", "check-first", "check-result"];

/// A moment: what is under way, and what it holds; `None` for a name that is not in [`MOMENTS`].
pub(crate) fn moment(name: &str) -> Option<(Option<GuideLive>, Guides)> {
    let survey = |result: bool| Guides { survey: Some(survey(result)), check: Some(check(false)) };
    Some(match name {
        "none" => {
            (None, Guides { survey: None, check: Some(CheckView { running: false, began: None, ..check(false) }) })
        }
        "survey-first" => (Some(live(Guide::Survey)), survey(false)),
        "survey-shut" => {
            let now = GuideLive {
                step: Some(1),
                state: ReadingState::Settling,
                share: 0.6,
                level_pa: Some(81_200.0),
                wander_pa: Some(40.0),
                shut_left_s: Some(17.2),
                ..live(Guide::Survey)
            };
            (Some(now), survey(false))
        }
        "survey-unmoved" => {
            let now = GuideLive { step: Some(2), state: ReadingState::Unmoved, share: 1.0, ..live(Guide::Survey) };
            (Some(now), survey(false))
        }
        "survey-result" => (Some(live(Guide::Survey)), survey(true)),
        "check-first" => (Some(live(Guide::Check)), Guides { survey: None, check: Some(check(false)) }),
        "check-result" => (None, Guides { survey: None, check: Some(check(true)) }),
        _ => return None,
    })
}

fn live(guide: Guide) -> GuideLive {
    GuideLive {
        guide,
        revision: 7,
        quiet: true,
        step: None,
        state: ReadingState::Idle,
        share: 0.0,
        level_pa: None,
        wander_pa: None,
        shut_left_s: None,
    }
}

fn step(id: u16, cover: Option<&str>, open: &[&str], hole_mm: Option<f64>) -> StepView {
    StepView {
        id,
        kind: StepKind::Level,
        cover: cover.map(str::to_owned),
        open: open.iter().map(|zone| (*zone).to_owned()).collect(),
        all_open: open.len() == 6,
        hole_mm,
        read: Some("manifold".to_owned()),
        limit_s: (open.is_empty() && hole_mm.is_none()).then_some(30.0),
        state: StepState::Open,
        proposed: false,
        readings: vec![],
    }
}

fn reading(id: u16, value: f64, errors: f64) -> ReadingView {
    ReadingView {
        id,
        at: Some("2026-03-02T10:42:00.000Z".to_owned()),
        value,
        spread: Some(80.0),
        aside: None,
        fitted_pa: Some(value - 90.0 * errors),
        errors: Some(errors),
        weight: Some(1.0),
        alone: false,
    }
}

fn survey(result: bool) -> SurveyView {
    let all = ["1", "2", "3", "4", "5", "6"];
    let typed = |id, kind| StepView { kind, read: None, limit_s: None, ..step(id, None, &[], None) };
    let mut steps = vec![
        typed(0, StepKind::Barometer),
        step(1, None, &[], None),
        step(2, None, &[], Some(12.0)),
        step(3, Some("film"), &all, None),
        step(4, Some("bare"), &all, None),
        step(5, Some("bare"), &["1"], None),
        step(6, Some("bare"), &["2"], None),
        typed(7, StepKind::FilterDropTyped),
        typed(8, StepKind::Drag),
    ];
    if result {
        for (step, level) in steps[1..5].iter_mut().zip([82_100.0, 61_400.0, 74_900.0, 31_200.0]) {
            step.state = StepState::Done;
            step.readings = vec![reading(step.id, level, 0.4)];
        }
        steps[0].state = StepState::Skipped;
        steps[5].state = StepState::Again;
        steps[5].readings = vec![
            ReadingView {
                aside: Some("thrown".to_owned()),
                fitted_pa: None,
                errors: None,
                weight: None,
                ..reading(5, 12_000.0, 0.0)
            },
            ReadingView { alone: true, ..reading(6, 31_000.0, -3.2) },
        ];
    }
    SurveyView {
        revision: 7,
        running: true,
        began: Some("2026-03-02T10:40:00.000Z".to_owned()),
        wanted: 0.1,
        room_absolute_pa: 101_300.0,
        room_read: false,
        next: Some(if result { 5 } else { 0 }),
        steps,
        computing: false,
        failed: None,
        result: result.then(found),
        friction: result.then_some(FrictionView { value: 0.34, low: 0.31, high: 0.37, pulls: 3 }),
    }
}

fn found() -> ResultView {
    let estimate = |key: &str, unit: &str, value: f64, assumed: f64| EstimateView {
        of: Message::new(key),
        unit: unit.to_owned(),
        value,
        low: value * 0.9,
        high: value * 1.11,
        assumed,
    };
    let rim = || Message::new("subject-rim").with_text("side", "x_min");
    ResultView {
        level_pa: 61_400.0,
        enough: false,
        estimates: vec![
            estimate("subject-suction-capacity", "m3_h", 148.0, 182.0),
            estimate("subject-covered-leak", "m3_h", 21.4, 12.0),
            estimate("subject-deepest", "pa", 82_600.0, 84_000.0),
            estimate("subject-through", "m2", 6.4e-13, 4e-13),
        ],
        correlation: vec![vec![1.0, -0.87], vec![-0.87, 1.0]],
        related: vec![Message::new("subject-deepest"), Message::new("subject-through")],
        untold: vec![
            vec![Message::new("subject-pump"), Message::new("subject-filter")],
            vec![Message::new("subject-face"), rim()],
            vec![Message::new("subject-valve").with_text("zone", "1")],
        ],
        widened: 1.3,
        proposals: vec![ProposalView { step: 6, narrows: Message::new("subject-through"), gain: 0.42 }],
        sealing: vec![SealingView { of: rim(), level_pa: 900.0, margin: 1.02 }],
        setup: vec![
            SetupLine {
                section: "pump".to_owned(),
                line: "wear = 0.812".to_owned(),
                instead_of: vec![],
                assumes: vec![Message::new("assumed-filter-as-set-up"), Message::new("assumed-depth-as-set-up")],
            },
            SetupLine {
                section: "board".to_owned(),
                line: "through_m2 = 6.40e-13".to_owned(),
                instead_of: vec!["class".to_owned(), "faces".to_owned()],
                assumes: vec![Message::new("assumed-as-it-lies")],
            },
        ],
    }
}

fn check(done: bool) -> CheckView {
    let item = |item: &str, fine: bool| CheckItemView { item: item.to_owned(), fine: done.then_some(fine) };
    let reference = |kind: &str, hole_mm, zone: Option<&str>| ReferenceView {
        kind: kind.to_owned(),
        hole_mm,
        zone: zone.map(str::to_owned),
        times: 3,
    };
    let past = |day: u8, fine| PastCheckView {
        at: Some(format!("2026-02-{day}T06:01:00.000Z")),
        fine,
        whole: true,
        level_pa: Some(31_400.0),
    };
    CheckView {
        revision: 7,
        running: !done,
        began: Some("2026-03-02T06:00:00.000Z".to_owned()),
        took_s: done.then_some(52.0),
        items: vec![item("chips", true), item("filter-lid", true), item("lamps", false)],
        references: vec![
            reference("bare-table", None, None),
            reference("hole", Some(12.0), None),
            reference("bare-zone", None, Some("1")),
        ],
        measured: done.then(|| MeasuredView {
            reference: reference("bare-table", None, None),
            level_pa: 28_300.0,
            spread_pa: 60.0,
            usual_pa: Some(31_400.0),
            limit_pa: Some(1_256.0),
            compared: Compared::Lower,
        }),
        before: vec![past(28, true), past(27, false)],
    }
}
