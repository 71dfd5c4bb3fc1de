//! Every address of the interface, and the handlers of those that only read.

use std::sync::Arc;

use axum::extract::{DefaultBodyLimit, Path, Query, Request, State};
use axum::handler::Handler;
use axum::http::{HeaderMap, StatusCode, header};
use axum::middleware::from_fn_with_state;
use axum::response::sse::Sse;
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodRouter, get, post};
use axum::{Json, Router};
use serde::{Deserialize, Serialize};
use serde_json::json;
use tokio::sync::Semaphore;
use tower_http::compression::CompressionLayer;

use super::assets::Assets;
use super::guard::{Doors, guard, remote};
use super::pairing::Pairing;
use super::problem::Problem;
use super::{HistorySpan, PageState, guided, metrics, orders, pairing, stream};
use crate::event::Utc;
use crate::view::View;

const LARGEST_BODY: usize = 16 * 1024;
const HISTORIES_AT_ONCE: usize = 2;
const USUAL_POINTS: usize = 600;
const MOST_POINTS: usize = 2400;
/// How long the last view may be the last before the program counts as unwell.
const WELL_WITHIN_S: f64 = 5.0;
const DESCRIPTION: &str = include_str!("openapi.json");

/// What every handler works on.
pub(super) struct Desk {
    pub(super) page: PageState,
    pub(super) doors: Doors,
    pub(super) assets: Assets,
    pub(super) pairing: Pairing,
    histories: Semaphore,
}

impl Desk {
    fn view(&self) -> View {
        self.page.shown.borrow().seen_at(self.page.program.now())
    }
}

/// The newest view as sent, with the build of the page that goes with it.
#[derive(Serialize)]
pub(super) struct Now<'a> {
    #[serde(flatten)]
    view: &'a View,
    build: &'a str,
}

impl<'a> Now<'a> {
    pub(super) fn new(view: &'a View, build: &'a str) -> Self {
        Now { view, build }
    }
}

/// The whole HTTP interface over `page`.
pub fn router(page: PageState) -> Router {
    let (doors, assets) = (Doors::default(), Assets::new());
    let pairing = Pairing::new(page.program.pairing_required(), page.program.paired());
    let desk = Arc::new(Desk { page, doors, assets, pairing, histories: Semaphore::new(HISTORIES_AT_ONCE) });
    table()
        .into_iter()
        .fold(Router::new(), |app, route| app.route(route.path, route.run))
        .fallback(async || Problem::new(StatusCode::NOT_FOUND, "there is nothing at this address"))
        .method_not_allowed_fallback(async || {
            Problem::new(StatusCode::METHOD_NOT_ALLOWED, "this address does not take that method")
        })
        .layer(DefaultBodyLimit::max(LARGEST_BODY))
        .layer(CompressionLayer::new())
        .layer(from_fn_with_state(desk.clone(), guard::<Desk>))
        .with_state(desk)
}

/// Every address with its method in lower case, as served.
pub fn routes() -> Vec<(&'static str, &'static str)> {
    table().into_iter().map(|route| (route.method, route.path)).collect()
}

struct Route {
    method: &'static str,
    path: &'static str,
    run: MethodRouter<Arc<Desk>>,
}

fn reads<H: Handler<T, Arc<Desk>>, T: 'static>(path: &'static str, handler: H) -> Route {
    Route { method: "get", path, run: get(handler) }
}

fn changes<H: Handler<T, Arc<Desk>>, T: 'static>(path: &'static str, handler: H) -> Route {
    Route { method: "post", path, run: post(handler) }
}

fn table() -> Vec<Route> {
    vec![
        reads("/", index),
        reads("/survey", guided::survey_page),
        reads("/check", guided::check_page),
        reads("/pair", pairing::page),
        reads("/web/{build}/{file}", file),
        reads("/api/v1/now", now),
        reads("/api/v1/stream", events),
        reads("/api/v1/history", history),
        reads("/api/v1/alarms", alarms),
        changes("/api/v1/alarms/{tag}/acknowledge", orders::acknowledge),
        changes("/api/v1/alarms/{tag}/shelve", orders::shelve),
        changes("/api/v1/alarms/{tag}/unshelve", orders::unshelve),
        changes("/api/v1/alarms/{tag}/reset", orders::reset),
        changes("/api/v1/job", orders::job),
        changes("/api/v1/zones", orders::zones),
        changes("/api/v1/progress", orders::progress),
        changes("/api/v1/teach", orders::teach),
        changes("/api/v1/sheets/last", orders::sheet),
        changes("/api/v1/light/test", orders::light_test),
        changes("/api/v1/board/skimmed", orders::skimmed),
        changes("/api/v1/board/sealed", orders::sealed),
        reads("/api/v1/board", board),
        changes("/api/v1/board/did", orders::did),
        changes("/api/v1/board/jump", orders::jump),
        changes("/api/v1/board/filter", orders::filter),
        changes("/api/v1/tools/{tool}/changed", orders::tool_changed),
        reads("/api/v1/survey", guided::survey),
        changes("/api/v1/survey", guided::order_survey),
        reads("/api/v1/check", guided::check),
        changes("/api/v1/check", guided::order_check),
        reads("/api/v1/pair", pairing::standing),
        changes("/api/v1/pair", pairing::pair),
        changes("/api/v1/pair/code", pairing::code),
        changes("/api/v1/pair/forget", pairing::forget),
        reads("/api/v1/openapi.json", description),
        reads("/metrics", exposition),
        reads("/healthz", health),
    ]
}

async fn index(State(desk): State<Arc<Desk>>, asked: HeaderMap) -> Response {
    desk.assets.page("index.html", &asked)
}

async fn file(State(desk): State<Arc<Desk>>, Path((build, name)): Path<(String, String)>) -> Response {
    desk.assets.file(&build, &name)
}

async fn now(State(desk): State<Arc<Desk>>) -> Response {
    Json(Now::new(&desk.view(), desk.assets.build())).into_response()
}

async fn alarms(State(desk): State<Arc<Desk>>) -> Response {
    Json(json!({ "alarms": desk.view().alarms })).into_response()
}

async fn board(State(desk): State<Arc<Desk>>) -> Response {
    Json(&*desk.page.shown.borrow().view.board.detail).into_response()
}

async fn events(State(desk): State<Arc<Desk>>, request: Request) -> Response {
    match Doors::take_stream(&desk, remote(&request)) {
        Some(place) => {
            Sse::new(stream::views(desk.page.clone(), desk.assets.build().to_owned(), place)).into_response()
        }
        None => Problem::new(StatusCode::SERVICE_UNAVAILABLE, "too many streams are open, close one").into_response(),
    }
}

async fn description() -> Response {
    ([(header::CONTENT_TYPE, "application/json")], DESCRIPTION).into_response()
}

async fn exposition(State(desk): State<Arc<Desk>>) -> Response {
    let text = metrics::exposition(&desk.view(), desk.doors.streams());
    ([(header::CONTENT_TYPE, metrics::CONTENT_TYPE)], text).into_response()
}

async fn health(State(desk): State<Arc<Desk>>) -> Response {
    let shown = desk.page.shown.borrow().clone();
    let silent_s = desk.page.program.now().since(shown.made).secs_f64();
    let well = silent_s <= WELL_WITHIN_S;
    let status = if well { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    let degraded: Vec<&str> = shown.view.degraded.iter().map(|degraded| degraded.name.as_str()).collect();
    let body = json!({ "well": well, "silent_s": silent_s, "degraded": degraded, "acked": shown.view.acked });
    (status, Json(body)).into_response()
}

/// What part of the past is asked for.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct HistoryQuery {
    from: String,
    to: String,
    points: Option<usize>,
}

impl HistoryQuery {
    fn span(&self) -> Result<HistorySpan, String> {
        let time = |name: &str, text: &str| Utc::parse_rfc3339(text).map_err(|error| format!("{name}: {error}"));
        let (from, to) = (time("from", &self.from)?, time("to", &self.to)?);
        let points = self.points.unwrap_or(USUAL_POINTS);
        if from >= to {
            return Err(format!("from: {} is not before to, {}", self.from, self.to));
        }
        if !(1..=MOST_POINTS).contains(&points) {
            return Err(format!("points: {points} is not within 1 to {MOST_POINTS}"));
        }
        Ok(HistorySpan { from, to, points })
    }
}

async fn history(State(desk): State<Arc<Desk>>, request: Request) -> Result<Response, Problem> {
    let bad = |detail: String| Problem::new(StatusCode::BAD_REQUEST, detail);
    let Query(query) = Query::<HistoryQuery>::try_from_uri(request.uri()).map_err(|error| bad(error.body_text()))?;
    let span = query.span().map_err(bad)?;
    let look_up = async {
        let _turn = desk.histories.acquire().await.map_err(|error| error.to_string())?;
        desk.page.program.history(span).await
    };
    let buckets = tokio::time::timeout(desk.page.limits.answer_within, look_up)
        .await
        .unwrap_or_else(|_| Err("the journal did not answer in time".to_owned()))
        .map_err(|detail| Problem::new(StatusCode::SERVICE_UNAVAILABLE, detail).with_key("no-history"))?;
    Ok(Json(json!({ "from": query.from, "to": query.to, "buckets": buckets })).into_response())
}
