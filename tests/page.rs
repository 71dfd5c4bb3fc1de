//! The interface over HTTP: what it answers, whom it refuses, how its stream paces itself.
//!
//! Forms are those of RFC 9457 (problem documents), the HTML standard (server-sent events), OpenMetrics 1.0 and
//! OpenAPI 3.1; the limits are our own.

#[path = "browser/guides.rs"]
mod guides;
#[path = "browser/scenes.rs"]
mod scenes;

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Request, StatusCode, header};
use futures_util::StreamExt;
use holdwatch::event::{
    AbsolutePressure, Actor, Answer, CheckItem, CheckOrder, Command, Deed, Length, Outcome, ProgressTold, Reference,
    Span, Steady, SurveyOrder, Tag, Told, Typed, Vacuum,
};
use holdwatch::page::{Limits, PageState, Program, Shown, router, routes, serve};
use holdwatch::view::{Verdict, View};
use scenes::{SCENES, Shop, page, scene};
use serde_json::{Value, json};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tower::ServiceExt;

const TIGHT: &str = "tight";

/// A page over a shop, with the sender of its views.
struct Rig {
    shop: Arc<Shop>,
    state: PageState,
    show: watch::Sender<Arc<Shown>>,
}

impl Rig {
    fn new(shop: Shop) -> Self {
        let shop = Arc::new(shop);
        let (state, show) = page(&shop, scene(TIGHT).unwrap());
        Rig { shop, state, show }
    }

    fn app(&self) -> Router {
        router(self.state.clone())
    }

    fn show(&self, view: View) {
        self.show.send_replace(Arc::new(Shown { view, made: self.shop.now() }));
    }

    fn commanded(&self) -> Vec<(Actor, Command)> {
        self.shop.commanded.lock().unwrap().clone()
    }
}

/// A rig whose steady time is set by hand, in nanoseconds.
fn by_hand() -> (Rig, Arc<AtomicU64>) {
    let nanos = Arc::new(AtomicU64::new(0));
    let hand = nanos.clone();
    let clock = Box::new(move || Steady::from_nanos(hand.load(Ordering::SeqCst)));
    (Rig::new(Shop { clock, ..Shop::default() }), nanos)
}

struct Got {
    status: StatusCode,
    headers: HeaderMap,
    text: String,
}

impl Got {
    fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap()
    }

    fn header(&self, name: header::HeaderName) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().unwrap())
    }
}

async fn send(app: &Router, request: Request<Body>) -> Got {
    let response = app.clone().oneshot(request).await.unwrap();
    let (parts, body) = response.into_parts();
    let bytes = to_bytes(body, 1 << 22).await.unwrap();
    Got { status: parts.status, headers: parts.headers, text: String::from_utf8(bytes.to_vec()).unwrap() }
}

async fn get(app: &Router, path: &str) -> Got {
    send(app, Request::get(path).header(header::HOST, "localhost:8080").body(Body::empty()).unwrap()).await
}

fn posting(path: &str, body: impl Into<Body>) -> Request<Body> {
    let request = Request::post(path).header(header::HOST, "localhost:8080");
    request.header(header::CONTENT_TYPE, "application/json").body(body.into()).unwrap()
}

async fn post(app: &Router, path: &str, body: Value) -> Got {
    send(app, posting(path, body.to_string())).await
}

fn assert_problem(got: &Got, status: StatusCode) {
    assert_eq!(got.status, status, "{}", got.text);
    assert_eq!(got.header(header::CONTENT_TYPE), "application/problem+json");
    let problem = got.json();
    assert_eq!(problem["status"], status.as_u16());
    assert_eq!(problem["type"], "about:blank");
    assert!(problem["title"].is_string() && problem["detail"].is_string(), "{problem}");
}

fn description() -> Value {
    serde_json::from_str(include_str!("../src/page/openapi.json")).unwrap()
}

#[tokio::test]
async fn every_address_is_described_and_every_description_is_served() {
    let described = description();
    let mut wanted: Vec<(String, String)> = Vec::new();
    for (path, methods) in described["paths"].as_object().unwrap() {
        wanted.extend(methods.as_object().unwrap().keys().map(|method| (method.clone(), path.clone())));
    }
    let mut served: Vec<(String, String)> =
        routes().into_iter().map(|(method, path)| (method.to_owned(), path.to_owned())).collect();
    wanted.sort();
    served.sort();
    assert_eq!(served, wanted);
    assert_eq!(get(&Rig::new(Shop::default()).app(), "/api/v1/openapi.json").await.json(), described);
}

/// Whether `value` is of a schema, in the words that our description uses; where not, says where.
fn misfit(root: &Value, schema: &Value, value: &Value, at: &str) -> Option<String> {
    if let Some(name) = schema["$ref"].as_str() {
        return misfit(root, root.pointer(name.trim_start_matches('#')).unwrap(), value, at);
    }
    if let Some(cases) = schema["oneOf"].as_array() {
        let misfits: Vec<String> = cases.iter().filter_map(|case| misfit(root, case, value, at)).collect();
        return (misfits.len() != cases.len() - 1).then(|| misfits.join(" or "));
    }
    if let Some(cases) = schema["enum"].as_array() {
        return (!cases.contains(value)).then(|| format!("{at}: {value}"));
    }
    let kind = match value {
        Value::Null => "null",
        Value::Bool(_) => "boolean",
        Value::Number(number) if number.is_u64() || number.is_i64() => "integer",
        Value::Number(_) => "number",
        Value::String(_) => "string",
        Value::Array(_) => "array",
        Value::Object(_) => "object",
    };
    let allows = |word: &Value| *word == kind || (*word == "number" && kind == "integer");
    let kinds = schema["type"].as_array().cloned().unwrap_or_else(|| vec![schema["type"].clone()]);
    if !kinds.iter().any(allows) {
        return Some(format!("{at}: {value} is no {}", schema["type"]));
    }
    if let Value::Array(items) = value {
        return items.iter().find_map(|item| misfit(root, &schema["items"], item, at));
    }
    let fields = value.as_object().filter(|_| schema["properties"].is_object())?;
    let required = schema["required"].as_array().cloned().unwrap_or_default();
    if let Some(gone) = required.iter().find(|name| !fields.contains_key(name.as_str().unwrap())) {
        return Some(format!("{at}: no {gone}"));
    }
    fields.iter().find_map(|(name, field)| match &schema["properties"][name] {
        Value::Null => Some(format!("{at}: {name} is not described")),
        schema => misfit(root, schema, field, &format!("{at}/{name}")),
    })
}

#[tokio::test]
async fn every_state_is_sent_as_described() {
    let (root, rig) = (description(), Rig::new(Shop::default()));
    let app = rig.app();
    for name in SCENES {
        rig.show(scene(name).unwrap());
        let now = get(&app, "/api/v1/now").await.json();
        assert_eq!(misfit(&root, &root["components"]["schemas"]["View"], &now, name), None);
    }
    for name in guides::MOMENTS {
        let (live, held) = guides::moment(name).unwrap();
        rig.show(View { guide: live, ..scene(TIGHT).unwrap() });
        *rig.shop.guides.lock().unwrap() = held;
        let now = get(&app, "/api/v1/now").await.json();
        assert_eq!(misfit(&root, &root["components"]["schemas"]["View"], &now, name), None);
        for (path, of) in [("survey", "Survey"), ("check", "Check")] {
            let schema = &root["paths"][format!("/api/v1/{path}")]["get"]["responses"]["200"]["content"]["application/json"]
                ["schema"];
            let given = get(&app, &format!("/api/v1/{path}")).await.json();
            assert_eq!(misfit(&root, schema, &given, of), None, "{name}");
        }
    }
    let history = get(&app, "/api/v1/history?from=2026-03-02T10:00:00Z&to=2026-03-02T10:10:00Z&points=50").await.json();
    let buckets = history["buckets"].as_array().unwrap();
    assert_eq!(buckets.len(), 45);
    for bucket in buckets {
        assert_eq!(misfit(&root, &root["components"]["schemas"]["Bucket"], bucket, "bucket"), None);
    }
}

#[tokio::test]
async fn an_age_grows_while_the_worker_is_stuck_until_the_page_goes_blind() {
    let (rig, nanos) = by_hand();
    let app = rig.app();
    nanos.store(1_900_000_000, Ordering::SeqCst);
    let fresh = get(&app, "/api/v1/now").await.json();
    assert!((fresh["age_s"].as_f64().unwrap() - 1.95).abs() < 1e-9);
    assert_eq!((&fresh["verdict"], &fresh["vacuum_pa"]), (&json!("tight"), &json!(52_400.0)));
    nanos.store(1_960_000_000, Ordering::SeqCst);
    let old = get(&app, "/api/v1/now").await.json();
    assert_eq!((&old["verdict"], &old["why"]["key"]), (&json!("blind"), &json!("stale")));
    assert_eq!([&old["vacuum_pa"], &old["absolute_pa"], &old["margin"]], [&Value::Null; 3]);
    let metrics = get(&app, "/metrics").await.text;
    assert!(!metrics.contains("holdwatch_vacuum_pascals") && metrics.contains("holdwatch_verdict{name=\"blind\"} 1"));
}

#[tokio::test]
async fn health_tells_a_silent_program_from_a_busy_one() {
    let (rig, nanos) = by_hand();
    let app = rig.app();
    nanos.store(5_000_000_000, Ordering::SeqCst);
    let well = get(&app, "/healthz").await;
    assert_eq!((well.status, &well.json()["well"]), (StatusCode::OK, &json!(true)));
    nanos.store(5_000_000_001, Ordering::SeqCst);
    assert_eq!(get(&app, "/healthz").await.status, StatusCode::SERVICE_UNAVAILABLE);
}

#[tokio::test]
async fn each_post_becomes_its_command() {
    let rig = Rig::new(Shop::default());
    let app = rig.app();
    let minutes = |minutes: u64| Span::from_secs(minutes * 60);
    let posts = [
        ("job", json!({"card": "alder-doors"}), Command::LoadNamed("alder-doors".to_owned())),
        ("job", json!({"card": null, "by": "ann"}), Command::Unload),
        ("zones", json!({"open": ["1", "2"]}), Command::Open(vec!["1".to_owned(), "2".to_owned()])),
        ("progress", json!({"line": 120}), Command::Progress(ProgressTold::Line(120))),
        ("progress", json!({"fraction": 0.5}), Command::Progress(ProgressTold::Fraction(0.5))),
        ("progress", json!({"cutting": false}), Command::Progress(ProgressTold::Cutting(false))),
        ("progress", json!({"number": 40}), Command::Progress(ProgressTold::Number(40))),
        ("progress", json!({"share": 0.25}), Command::Progress(ProgressTold::Share(0.25))),
        ("progress", json!({"elapsed_s": 90}), Command::Progress(ProgressTold::Elapsed(Span::from_secs(90)))),
        ("teach", json!({}), Command::Teach),
        ("alarms/sudden-loss/acknowledge", json!({}), Command::Acknowledge(Tag::SuddenLoss)),
        ("alarms/level-low/shelve", json!({"minutes": 10}), Command::Shelve(Tag::LevelLow, minutes(10))),
        ("alarms/level-low/unshelve", json!({}), Command::Unshelve(Tag::LevelLow)),
        ("alarms/pump-lost/reset", json!({}), Command::Reset(Tag::PumpLost)),
        (
            "alarms/level-high/remove",
            json!({"by": "ann", "why": " valve at the workshop "}),
            Command::Remove(Tag::LevelHigh, "valve at the workshop".to_owned()),
        ),
        ("alarms/level-high/return", json!({"by": "ann"}), Command::Return(Tag::LevelHigh)),
        (
            "sheets/last",
            json!({"outcome": "lost", "part": "rail 3"}),
            Command::SheetOutcome(Outcome::Lost, Some("rail 3".to_owned())),
        ),
        ("light/test", json!({}), Command::TestLight),
        ("board/skimmed", json!({}), Command::Skimmed),
        ("board/sealed", json!({}), Command::Sealed),
        ("board/did", json!({"did": "filter-changed"}), Command::Board(Told::Did(Deed::FilterChanged, None))),
        (
            "board/did",
            json!({"did": "skimmed", "depth_mm": 0.5}),
            Command::Board(Told::Did(Deed::Skimmed, Some(Length::from_millimetres(0.5)))),
        ),
        ("board/jump", json!({"was": "board-changed"}), Command::Board(Told::JumpWas(Some(Deed::BoardChanged)))),
        ("board/jump", json!({"was": null}), Command::Board(Told::JumpWas(None))),
        ("board/filter", json!({"drop_pa": 2500}), Command::Board(Told::FilterDrop(Vacuum::from_pascals(2500.0)))),
        ("survey", json!({"order": "start"}), Command::Survey(SurveyOrder::Start { wanted: 0.1 })),
        (
            "survey",
            json!({"order": "measure", "step": 3, "hole_mm": 12, "beside": true}),
            Command::Survey(SurveyOrder::Measure { step: 3, hole: Some(Length::from_millimetres(12.0)), beside: true }),
        ),
        (
            "survey",
            json!({"order": "type", "step": 0, "barometer_pa": 98_700}),
            Command::Survey(SurveyOrder::Type {
                step: 0,
                typed: Typed::Barometer(AbsolutePressure::from_pascals(98_700.0)),
            }),
        ),
        ("survey", json!({"order": "unskip", "step": 4}), Command::Survey(SurveyOrder::Skip { step: 4, skip: false })),
        ("check", json!({"order": "start"}), Command::Check(CheckOrder::Start)),
        (
            "check",
            json!({"order": "mark", "item": "filter-lid", "fine": false}),
            Command::Check(CheckOrder::Mark { item: CheckItem::FilterLid, fine: false }),
        ),
        (
            "check",
            json!({"order": "measure", "zone": "2"}),
            Command::Check(CheckOrder::Measure(Reference::BareZone { zone: "2".to_owned() })),
        ),
    ];
    let mut wanted = Vec::new();
    for (path, body, command) in posts {
        let by = body.get("by").and_then(Value::as_str).unwrap_or("page");
        wanted.push((Actor(by.to_owned()), command));
        assert_eq!(post(&app, &format!("/api/v1/{path}"), body).await.status, StatusCode::NO_CONTENT, "{path}");
    }
    assert_eq!(rig.commanded(), wanted);
}

/// What is refused says what would have been allowed.
#[tokio::test]
async fn an_alarm_shelved_for_too_long_is_told_the_longest_time() {
    let rig = Rig::new(Shop::default());
    *rig.shop.answer.lock().unwrap() = Answer::ShelvedTooLong(Span::from_secs(600));
    let refused = post(&rig.app(), "/api/v1/alarms/sudden-loss/shelve", json!({"minutes": 11})).await;
    assert_problem(&refused, StatusCode::CONFLICT);
    let problem = refused.json();
    assert_eq!((&problem["key"], &problem["limit_minutes"]), (&json!("shelved-too-long"), &json!(10.0)));
}

#[tokio::test]
async fn the_load_of_the_alarms_is_told_by_shifts_and_names_nobody() {
    let rig = Rig::new(Shop::default());
    let told = get(&rig.app(), "/api/v1/alarms/load?shifts=3").await.json();
    assert_eq!(told["shifts"].as_array().unwrap().len(), 3);
    let shift = &told["shifts"][0];
    assert_eq!((&shift["alarms"], &shift["priorities"]["medium"]), (&json!(1), &json!(1)));
    assert_eq!(shift["most_frequent"], json!([{"tag": "level-low", "count": 1}]));
    assert!(shift.get("by").is_none());
    for wrong in ["?shifts=0", "?shifts=101", "?shifts=x", "?days=2"] {
        assert_problem(&get(&rig.app(), &format!("/api/v1/alarms/load{wrong}")).await, StatusCode::BAD_REQUEST);
    }
    let rig = Rig::new(Shop { journal: false, ..Shop::default() });
    assert_problem(&get(&rig.app(), "/api/v1/alarms/load").await, StatusCode::SERVICE_UNAVAILABLE);
}

#[tokio::test]
async fn who_asks_is_kept_short_and_printable() {
    let rig = Rig::new(Shop::default());
    let by = "a\r\nInjected: line\u{1b}[31m".to_owned() + &"x".repeat(200);
    assert_eq!(post(&rig.app(), "/api/v1/teach", json!({ "by": by })).await.status, StatusCode::NO_CONTENT);
    assert_eq!(post(&rig.app(), "/api/v1/teach", json!({ "by": "\n" })).await.status, StatusCode::NO_CONTENT);
    let commanded = rig.commanded();
    assert_eq!(commanded[0].0.0.chars().count(), 64);
    assert!(commanded[0].0.0.starts_with("aInjected: line[31mxxx"));
    assert_eq!(commanded[1].0.0, "page");
}

#[tokio::test]
async fn a_body_that_makes_no_sense_is_refused_before_the_program_hears_of_it() {
    let rig = Rig::new(Shop::default());
    let app = rig.app();
    let senseless = [
        ("zones", r#"{"open": "1"}"#, 422),
        ("zones", r#"{"open": ["1"], "shut": []}"#, 422),
        ("progress", r#"{"fraction": 1.01}"#, 422),
        ("progress", r#"{"fraction": 0.5, "cutting": true}"#, 422),
        ("progress", r#"{"line": -1}"#, 422),
        ("progress", "{}", 422),
        ("progress", r#"{"share": 0.5, "line": 3}"#, 422),
        ("progress", r#"{"elapsed_s": -1}"#, 422),
        ("sheets/last", r#"{"outcome": "fine"}"#, 422),
        ("alarms/level-low/shelve", r#"{"minutes": 0}"#, 422),
        ("alarms/level-low/shelve", r#"{"minutes": 1441}"#, 422),
        ("alarms/level-low/shelve", r#"{"minutes": 1e999}"#, 400),
        ("alarms/no-such/acknowledge", "{}", 404),
        ("alarms/level-high/remove", r#"{"by": "ann"}"#, 422),
        ("alarms/level-high/remove", r#"{"why": "mended"}"#, 422),
        ("alarms/level-high/remove", r#"{"by": " ", "why": "mended"}"#, 422),
        ("alarms/level-high/remove", r#"{"by": "ann", "why": "two\nlines"}"#, 422),
        ("job", r#"{"name": 3}"#, 422),
        ("board/did", r#"{"did": "painted"}"#, 422),
        ("board/did", r#"{"did": "skimmed", "depth_mm": 11}"#, 422),
        ("board/jump", "{}", 422),
        ("board/filter", r#"{"drop_pa": -1}"#, 422),
        ("survey", r#"{"order": "measure"}"#, 422),
        ("survey", r#"{"order": "dance"}"#, 422),
        ("survey", r#"{"order": "measure", "step": 1, "hole_mm": 0}"#, 422),
        ("survey", r#"{"order": "start", "wanted": 0.9}"#, 422),
        ("survey", r#"{"order": "type", "step": 0, "barometer_pa": 1013}"#, 422),
        ("survey", r#"{"order": "type", "step": 0, "pull_n": 40}"#, 422),
        ("survey", r#"{"order": "type", "step": 0, "pull_n": 40, "level_pa": 3}"#, 422),
        ("check", r#"{"order": "mark", "item": "chips"}"#, 422),
        ("check", r#"{"order": "measure", "zone": "1", "hole_mm": 12}"#, 422),
        ("teach", "", 400),
        ("teach", "{", 400),
        ("teach", "[", 400),
    ];
    for (path, body, status) in senseless {
        let got = send(&app, posting(&format!("/api/v1/{path}"), body)).await;
        assert_eq!(got.status.as_u16(), status, "{path} {body}: {}", got.text);
        assert_problem(&got, got.status);
    }
    let latin = send(&app, posting("/api/v1/zones", b"{\"open\": [\"\xff\"]}".to_vec())).await;
    assert_problem(&latin, StatusCode::BAD_REQUEST);
    let deep = send(&app, posting("/api/v1/job", "[".repeat(16_000))).await;
    assert_problem(&deep, StatusCode::BAD_REQUEST);
    assert_eq!(rig.commanded(), []);
}

#[tokio::test]
async fn what_the_program_answers_comes_back_as_a_problem() {
    let rig = Rig::new(Shop::default());
    let app = rig.app();
    *rig.shop.answer.lock().unwrap() = Answer::Unknown { name: "7".to_owned(), known: vec!["1".to_owned()] };
    let unknown = post(&app, "/api/v1/zones", json!({"open": ["7"]})).await;
    assert_problem(&unknown, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(unknown.json()["known"], json!(["1"]));
    *rig.shop.answer.lock().unwrap() = Answer::Refused("still-active".to_owned());
    let refused = post(&app, "/api/v1/alarms/level-low/reset", json!({})).await;
    assert_problem(&refused, StatusCode::CONFLICT);
    assert_eq!(refused.json()["key"], "still-active");
    *rig.shop.answer.lock().unwrap() = Answer::Refused("parts.2: overlaps parts.1".to_owned());
    let text = post(&app, "/api/v1/job", json!({"card": "alder-doors"})).await;
    assert_problem(&text, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(text.json()["detail"], "parts.2: overlaps parts.1");
}

#[tokio::test(start_paused = true)]
async fn a_program_that_does_not_answer_is_not_waited_for_for_ever() {
    let rig = Rig::new(Shop { deaf: true, ..Shop::default() });
    let got = post(&rig.app(), "/api/v1/teach", json!({})).await;
    assert_problem(&got, StatusCode::SERVICE_UNAVAILABLE);
    assert_eq!(got.header(header::RETRY_AFTER), "1");
}

#[tokio::test]
async fn history_says_what_is_wrong_with_the_asking_or_with_the_journal() {
    let app = Rig::new(Shop::default()).app();
    let asked = [
        "",
        "?from=yesterday&to=2026-03-02T10:10:00Z",
        "?from=2026-03-02T10:10:00Z&to=2026-03-02T10:10:00Z",
        "?from=2026-03-02T10:00:00Z&to=2026-03-02T10:10:00Z&points=0",
        "?from=2026-03-02T10:00:00Z&to=2026-03-02T10:10:00Z&points=2401",
        "?from=2026-03-02T10:00:00Z&to=2026-03-02T10:10:00Z&step=3",
    ];
    for query in asked {
        assert_problem(&get(&app, &format!("/api/v1/history{query}")).await, StatusCode::BAD_REQUEST);
    }
    let broken = Rig::new(Shop { journal: false, ..Shop::default() }).app();
    let got = get(&broken, "/api/v1/history?from=2026-03-02T10:00:00Z&to=2026-03-02T10:10:00Z").await;
    assert_problem(&got, StatusCode::SERVICE_UNAVAILABLE);
    assert_eq!(got.json()["detail"], "the disk is gone");
}

async fn asked_as(app: &Router, headers: &[(&str, &str)], method: &str, path: &str) -> Got {
    let mut request = Request::builder().method(method).uri(path);
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    send(app, request.body(Body::from("{}")).unwrap()).await
}

#[tokio::test]
async fn a_foreign_host_is_misdirected_whatever_it_asks() {
    let app = Rig::new(Shop::default()).app();
    for host in ["evil.example", "127.0.0.1.evil.example", "localhost.evil.example", "10.9.8.7", "holdwatch.shop@evil"]
    {
        let got = asked_as(&app, &[("host", host)], "GET", "/api/v1/now").await;
        assert_problem(&got, StatusCode::MISDIRECTED_REQUEST);
    }
    for host in ["localhost", "LOCALHOST:80", "127.0.0.1:8080", "[::1]:8080", "holdwatch.shop", "Holdwatch.Shop.:8080"]
    {
        assert_eq!(asked_as(&app, &[("host", host)], "GET", "/api/v1/now").await.status, StatusCode::OK, "{host}");
    }
    let twice = [("host", "localhost"), ("host", "evil.example")];
    assert_problem(&asked_as(&app, &twice, "GET", "/api/v1/now").await, StatusCode::BAD_REQUEST);
    assert_problem(&asked_as(&app, &[], "GET", "/api/v1/now").await, StatusCode::BAD_REQUEST);
    let whole = asked_as(&app, &[("host", "localhost")], "GET", "http://evil.example/api/v1/now").await;
    assert_problem(&whole, StatusCode::MISDIRECTED_REQUEST);
}

#[tokio::test]
async fn another_sites_page_cannot_change_anything() {
    let rig = Rig::new(Shop::default());
    let app = rig.app();
    let json = ("content-type", "application/json");
    let host = ("host", "localhost:8080");
    let tried = [
        (vec![host, json, ("origin", "http://evil.example")], StatusCode::FORBIDDEN),
        (vec![host, json, ("origin", "null")], StatusCode::FORBIDDEN),
        (vec![host, json, ("origin", "http://localhost:9999")], StatusCode::FORBIDDEN),
        (vec![host, json, ("sec-fetch-site", "cross-site")], StatusCode::FORBIDDEN),
        (vec![host, json, ("sec-fetch-site", "same-site")], StatusCode::FORBIDDEN),
        (vec![host, ("content-type", "text/plain")], StatusCode::UNSUPPORTED_MEDIA_TYPE),
        (vec![host, ("content-type", "application/x-www-form-urlencoded")], StatusCode::UNSUPPORTED_MEDIA_TYPE),
        (vec![host], StatusCode::UNSUPPORTED_MEDIA_TYPE),
    ];
    for (headers, status) in &tried {
        assert_problem(&asked_as(&app, headers, "POST", "/api/v1/teach").await, *status);
    }
    for method in ["GET", "PUT", "DELETE", "TRACE", "OPTIONS"] {
        let got = asked_as(&app, &[host, json], method, "/api/v1/teach").await;
        assert_problem(&got, StatusCode::METHOD_NOT_ALLOWED);
        assert!(!got.headers.keys().any(|name| name.as_str().starts_with("access-control")));
    }
    assert_eq!(rig.commanded(), []);
    let own = [host, json, ("origin", "http://localhost:8080"), ("sec-fetch-site", "same-origin")];
    assert_eq!(asked_as(&app, &own, "POST", "/api/v1/teach").await.status, StatusCode::NO_CONTENT);
}

#[tokio::test]
async fn every_answer_carries_the_headers_that_guard_it() {
    let app = Rig::new(Shop::default()).app();
    for path in ["/", "/api/v1/now", "/nothing", "/metrics"] {
        let got = get(&app, path).await;
        let policy = got.header(header::CONTENT_SECURITY_POLICY);
        assert!(policy.starts_with("default-src 'none'") && !policy.contains("unsafe"), "{path}: {policy}");
        assert_eq!(got.header(header::X_CONTENT_TYPE_OPTIONS), "nosniff");
        assert_eq!(got.header(header::REFERRER_POLICY), "no-referrer");
        assert_eq!(got.headers["cross-origin-resource-policy"], "same-origin");
        assert!(!got.headers.contains_key(header::SERVER));
    }
    assert_eq!(get(&app, "/api/v1/now").await.header(header::CACHE_CONTROL), "no-store");
}

#[tokio::test]
async fn files_are_kept_by_build_and_the_page_is_asked_for_each_time() {
    let app = Rig::new(Shop::default()).app();
    let page = get(&app, "/").await;
    assert!(page.header(header::CONTENT_TYPE).starts_with("text/html"));
    assert_eq!(page.header(header::CACHE_CONTROL), "no-cache");
    assert!(!page.text.contains("{{") && !page.text.contains("{build}"), "{}", page.text);
    let tag = page.header(header::ETAG);
    let again = asked_as(&app, &[("host", "localhost"), ("if-none-match", tag)], "GET", "/").await;
    assert_eq!((again.status, again.text.as_str()), (StatusCode::NOT_MODIFIED, ""));
    let build = get(&app, "/api/v1/now").await.json()["build"].as_str().unwrap().to_owned();
    let script = get(&app, &format!("/web/{build}/main.js")).await;
    assert_eq!(script.header(header::CONTENT_TYPE), "text/javascript; charset=utf-8");
    assert!(script.header(header::CACHE_CONTROL).contains("immutable"));
    for path in
        ["/web/0000000000000000/main.js", &format!("/web/{build}/..%2fCargo.toml"), &format!("/web/{build}/none.js")]
    {
        assert_problem(&get(&app, path).await, StatusCode::NOT_FOUND);
    }
    let packed = [("host", "localhost"), ("accept-encoding", "gzip")];
    let request = |path: &str| {
        let request = Request::get(path).header(packed[0].0, packed[0].1).header(packed[1].0, packed[1].1);
        app.clone().oneshot(request.body(Body::empty()).unwrap())
    };
    let script = request(&format!("/web/{build}/main.js")).await.unwrap();
    assert_eq!(script.headers()[header::CONTENT_ENCODING], "gzip");
    let stream = request("/api/v1/stream").await.unwrap();
    assert!(!stream.headers().contains_key(header::CONTENT_ENCODING));
}

#[tokio::test]
async fn metrics_are_open_metrics() {
    let rig = Rig::new(Shop::default());
    rig.show(scene("crowded").unwrap());
    let got = get(&rig.app(), "/metrics").await;
    assert_eq!(got.header(header::CONTENT_TYPE), "application/openmetrics-text; version=1.0.0; charset=utf-8");
    assert!(got.text.ends_with("# EOF\n"));
    for line in [
        "# UNIT holdwatch_vacuum_pascals pascals",
        "holdwatch_vacuum_pascals 24800.0",
        "holdwatch_verdict{name=\"loose\"} 1",
        "holdwatch_verdict{name=\"tight\"} 0",
        "holdwatch_alarm{alarm=\"sudden-loss\",state=\"unacknowledged\",priority=\"high\"} 1",
        "holdwatch_degraded_seconds{name=\"not-saving\"} 600",
        "holdwatch_acked_records 81204.0",
        "holdwatch_build_info{version=\"0.1.0\"} 1",
    ] {
        assert!(got.text.lines().any(|given| given.starts_with(line)), "{line} in {}", got.text);
    }
}

/// Those of guided runs: every subject, unit, assumption, state, step and refusal.
fn guided_keys_have_their_sentences(sentences: &Value) {
    let sources = [
        include_str!("../src/minder/survey/telling.rs"),
        include_str!("../src/minder/survey.rs"),
        include_str!("../src/minder/check.rs"),
    ];
    let said: String = sources.concat();
    let literals: Vec<&str> = said.split('"').skip(1).step_by(2).collect();
    let keys = literals.iter().filter(|word| word.starts_with("subject-") || word.starts_with("assumed-"));
    let mut keys: Vec<String> = keys.map(|key| (*key).to_owned()).collect();
    assert!(keys.len() > 15, "{keys:?}");
    let refused = said.split("refused(\"").skip(1).map(|rest| rest.split('"').next().unwrap());
    keys.extend(refused.map(|key| format!("refused-{key}")));
    for state in ["idle", "settling", "restless", "blind", "no-suction", "backwards", "unmoved"] {
        keys.push(format!("reading-{state}"));
    }
    keys.extend(["m3_h", "share", "s2_per_m6", "m2", "m", "m3_per_s_pa"].map(|unit| format!("unit-{unit}")));
    for kind in
        ["barometer", "filter-drop", "filter-drop-typed", "drag", "film-all", "film-zones", "bare-all", "bare-zones"]
    {
        keys.extend(["step", "task"].map(|start| format!("{start}-{kind}")));
    }
    let missing: Vec<&String> = keys.iter().filter(|key| !sentences[key.as_str()].is_string()).collect();
    assert!(missing.is_empty(), "{missing:?}");
}

/// Every sentence that the program names by key has a text, in the one file of texts.
#[test]
fn every_key_has_its_sentence() {
    let sentences: Value = serde_json::from_str(include_str!("../web/messages.en.json")).unwrap();
    let said = concat!(include_str!("../src/minder/showing.rs"), include_str!("../src/minder/orders.rs"));
    guided_keys_have_their_sentences(&sentences);
    let literals: Vec<&str> = said.split('"').skip(1).step_by(2).collect();
    let keys = literals.iter().filter(|word| ["cause-", "do-", "prompt-"].iter().any(|start| word.starts_with(start)));
    let mut keys: Vec<String> = keys.map(|key| (*key).to_owned()).collect();
    assert!(keys.len() > 15);
    for tag in Tag::ALL {
        keys.push(format!("alarm-{}", serde_json::to_value(tag).unwrap().as_str().unwrap()));
    }
    for name in SCENES {
        let view = scene(name).unwrap();
        keys.push(format!("word-{}", serde_json::to_value(view.verdict).unwrap().as_str().unwrap()));
    }
    let whys = said.split("fn why_key").nth(1).unwrap().split("fn ").next().unwrap();
    let whys: Vec<&str> = whys.split('"').skip(1).step_by(2).filter(|word| !word.ends_with('-')).collect();
    assert!(whys.contains(&"sudden-loss") && whys.contains(&"tight-in-band"));
    keys.extend(whys.into_iter().map(str::to_owned));
    let missing: Vec<&String> = keys.iter().filter(|key| !sentences[key.as_str()].is_string()).collect();
    assert!(missing.is_empty(), "{missing:?}");
}

/// Advice to look at the sheet comes only after the cutter stands still, and nobody is told to shut the pump off.
#[test]
fn no_advice_puts_a_hand_near_a_turning_cutter() {
    let sentences: Value = serde_json::from_str(include_str!("../web/messages.en.json")).unwrap();
    let advice: Vec<(&String, &str)> = sentences
        .as_object()
        .unwrap()
        .iter()
        .filter(|(key, _)| key.starts_with("do-"))
        .map(|(key, text)| (key, text.as_str().unwrap()))
        .collect();
    // One for each alarm, and one for whichever is over.
    assert_eq!(advice.len(), Tag::ALL.len() + 1);
    for (key, text) in advice {
        let hands =
            ["look at", "cover", "see to", "check the gauge", "tabs"].iter().filter_map(|deed| text.find(deed)).min();
        let safe = ["wait until it stands still", "spindle stopped"].iter().filter_map(|words| text.find(words)).min();
        assert!(hands.is_none() || safe.is_some_and(|safe| Some(safe) < hands), "{key}: {text}");
        assert!(!text.contains("pump off"), "{key}: {text}");
    }
}

/// The frames of a stream as text, one for each message.
async fn frames(app: &Router) -> impl StreamExt<Item = String> + Unpin {
    let request = Request::get("/api/v1/stream").header(header::HOST, "localhost").body(Body::empty()).unwrap();
    let response = app.clone().oneshot(request).await.unwrap();
    assert_eq!(response.headers()[header::CONTENT_TYPE], "text/event-stream");
    response.into_body().into_data_stream().map(|frame| String::from_utf8(frame.unwrap().to_vec()).unwrap())
}

fn data(frame: &str) -> Value {
    serde_json::from_str(frame.lines().find_map(|line| line.strip_prefix("data: ")).unwrap()).unwrap()
}

#[tokio::test(start_paused = true)]
async fn a_change_of_verdict_is_sent_at_once_and_others_at_their_pace() {
    let (rig, _) = by_hand();
    let app = rig.app();
    let mut stream = frames(&app).await;
    let start = tokio::time::Instant::now();
    assert_eq!(data(&stream.next().await.unwrap())["verdict"], "tight");
    assert_eq!(start.elapsed(), Duration::ZERO);
    rig.show(View { vacuum_pa: Some(52_300.0), ..scene(TIGHT).unwrap() });
    assert_eq!(data(&stream.next().await.unwrap())["vacuum_pa"], 52_300.0);
    let paced = start.elapsed();
    assert!(paced >= Duration::from_millis(250) && paced < Duration::from_millis(260), "{paced:?}");
    rig.show(scene("loose").unwrap());
    assert_eq!(data(&stream.next().await.unwrap())["verdict"], "loose");
    assert_eq!(start.elapsed(), paced);
    stream.next().await.unwrap();
    let beat = start.elapsed() - paced;
    assert!(beat >= Duration::from_secs(1) && beat < Duration::from_millis(1010), "{beat:?}");
}

#[tokio::test(start_paused = true)]
async fn a_slow_reader_gets_the_newest_view_and_none_of_those_between() {
    let (rig, _) = by_hand();
    let app = rig.app();
    let mut stream = frames(&app).await;
    stream.next().await.unwrap();
    for step in 0..1000 {
        let verdict = if step % 2 == 0 { Verdict::Weak } else { Verdict::High };
        rig.show(View { verdict, sheet: step, ..scene(TIGHT).unwrap() });
    }
    assert_eq!(data(&stream.next().await.unwrap())["sheet"], 999);
    assert_eq!(data(&stream.next().await.unwrap())["sheet"], 999);
}

#[tokio::test]
async fn streams_end_at_shutdown_and_give_their_places_back() {
    let rig = Rig::new(Shop::default());
    let app = rig.app();
    let mut open = Vec::new();
    for _ in 0..Limits::default().streams_per_address {
        open.push(frames(&app).await);
    }
    assert_problem(&get(&app, "/api/v1/stream").await, StatusCode::SERVICE_UNAVAILABLE);
    open.pop();
    let mut last = frames(&app).await;
    assert!(last.next().await.is_some());
    rig.state.shutdown.cancel();
    assert!(last.next().await.is_none());
}

#[tokio::test]
async fn who_asks_too_often_waits() {
    let (rig, nanos) = by_hand();
    let app = rig.app();
    let burst = Limits::default().burst as usize;
    for _ in 0..burst {
        assert_eq!(get(&app, "/healthz").await.status, StatusCode::OK);
    }
    let got = get(&app, "/healthz").await;
    assert_problem(&got, StatusCode::TOO_MANY_REQUESTS);
    nanos.fetch_add(100_000_000, Ordering::SeqCst);
    assert_eq!(get(&app, "/healthz").await.status, StatusCode::OK);
    assert_eq!(get(&app, "/healthz").await.status, StatusCode::OK);
    assert_eq!(get(&app, "/healthz").await.status, StatusCode::TOO_MANY_REQUESTS);
}

/// A page on a socket, and the port that it is on.
async fn on_a_socket(limits: Limits) -> (Rig, u16) {
    let mut rig = Rig::new(Shop::default());
    rig.state.limits = limits;
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    tokio::spawn(serve(listener, rig.state.clone()));
    (rig, port)
}

const PATIENCE: Duration = Duration::from_secs(30);

/// Sends bytes as they are and gives what comes back until the other side closes.
async fn raw(port: u16, bytes: &[u8]) -> String {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    let (mut reader, mut writer) = stream.split();
    let mut got = Vec::new();
    // The other side may close before it has taken everything; what it said first is what counts.
    let (_, _) = tokio::join!(writer.write_all(bytes), tokio::time::timeout(PATIENCE, reader.read_to_end(&mut got)));
    String::from_utf8_lossy(&got).into_owned()
}

fn status(answer: &str) -> &str {
    answer.split(' ').nth(1).unwrap_or("closed")
}

const HEAD: &str =
    "POST /api/v1/job HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nConnection: close\r\n";

#[tokio::test]
async fn raw_bytes_that_are_too_long_or_broken_are_turned_away() {
    let (rig, port) = on_a_socket(Limits::default()).await;
    let chunk = format!("1000\r\n{}\r\n", "[".repeat(4096));
    let long = "a".repeat(3000);
    let tries = [
        (format!("{HEAD}Content-Length: 1073741824\r\n\r\n{}", "x".repeat(100_000)), &["413"][..]),
        (format!("{HEAD}Transfer-Encoding: chunked\r\n\r\n{}", chunk.repeat(25)), &["413"]),
        (format!("{HEAD}Content-Length: 100000\r\n\r\n{}", "[".repeat(100_000)), &["413"]),
        (format!("{HEAD}Content-Length: 2\r\nContent-Length: 3\r\n\r\n{{}}"), &["400"]),
        (format!("GET /{long} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"), &["414"]),
        (format!("GET / HTTP/1.1\r\nHost: localhost\r\nX: {}\r\n\r\n", "a".repeat(20_000)), &["431"]),
        (format!("GET / HTTP/1.1\r\nHost: localhost\r\n{}\r\n", "A: b\r\n".repeat(200)), &["431"]),
        ("GET / HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n".to_owned(), &["421"]),
        ("\u{0}\u{1}garbage\r\n\r\n".to_owned(), &["400"]),
    ];
    for (bytes, wanted) in tries {
        let answer = raw(port, bytes.as_bytes()).await;
        assert!(wanted.contains(&status(&answer)), "{} for {}", status(&answer), &bytes[..bytes.len().min(120)]);
    }
    assert_eq!(rig.commanded(), []);
}

#[tokio::test]
async fn a_second_request_cannot_be_smuggled_behind_two_lengths() {
    let (rig, port) = on_a_socket(Limits::default()).await;
    let hidden = "POST /api/v1/teach HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 2\r\n\r\n{}";
    let head = HEAD.replace("Connection: close\r\n", "");
    let both =
        format!("{head}Content-Length: {}\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n{hidden}", hidden.len() + 5);
    raw(port, both.as_bytes()).await;
    assert_eq!(rig.commanded(), []);
}

#[tokio::test]
async fn a_head_that_drips_is_cut_off_and_others_are_served_meanwhile() {
    let limits = Limits { head_within: Duration::from_millis(300), connections_per_address: 40, ..Limits::default() };
    let (_rig, port) = on_a_socket(limits).await;
    let mut dripping = Vec::new();
    for _ in 0..30 {
        let mut stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
        stream.write_all(b"GET / HTTP/1.1\r\nHo").await.unwrap();
        dripping.push(stream);
    }
    let answer = raw(port, b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n").await;
    assert_eq!(status(&answer), "200");
    for mut stream in dripping {
        let mut rest = Vec::new();
        tokio::time::timeout(PATIENCE, stream.read_to_end(&mut rest)).await.unwrap().unwrap();
    }
}

#[tokio::test]
async fn one_connection_too_many_is_closed_and_the_rest_go_on() {
    let (_rig, port) = on_a_socket(Limits { connections_per_address: 2, ..Limits::default() }).await;
    let ask = b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n";
    let mut first = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    let mut second = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    let mut answer = [0; 12];
    for stream in [&mut first, &mut second] {
        stream.write_all(ask).await.unwrap();
        stream.read_exact(&mut answer).await.unwrap();
        assert_eq!(&answer, b"HTTP/1.1 200");
    }
    assert_eq!(status(&raw(port, ask).await), "closed");
    drop(first);
    second.write_all(ask).await.unwrap();
    let mut more = vec![0; 1024];
    assert!(second.read(&mut more).await.unwrap() > 0);
}

#[tokio::test]
async fn a_stream_that_nobody_reads_is_ended_by_the_kernel() {
    let limits = Limits { unread_within: Duration::from_millis(500), ..Limits::default() };
    let (rig, port) = on_a_socket(limits).await;
    let mut reading = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    let _small = rustix::net::sockopt::set_socket_recv_buffer_size(&reading, 4096);
    reading.write_all(b"GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n").await.unwrap();
    let open = async || raw(port, b"GET /metrics HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n").await;
    while !open().await.contains("holdwatch_streams 1") {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    let ended = async {
        let mut view = scene(TIGHT).unwrap();
        view.cards = vec!["x".repeat(200_000)];
        for verdict in [Verdict::Weak, Verdict::High].into_iter().cycle() {
            rig.show(View { verdict, ..view.clone() });
            if open().await.contains("holdwatch_streams 0") {
                break;
            }
            tokio::time::sleep(Duration::from_millis(60)).await;
        }
    };
    tokio::time::timeout(PATIENCE, ended).await.unwrap();
}
