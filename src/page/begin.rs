//! The page of a beginning, where there is no setup yet: it shows how far the search is, and hands on what a person says.

use std::io;
use std::net::IpAddr;
use std::sync::Arc;

use axum::extract::{DefaultBodyLimit, Path, State};
use axum::http::{HeaderMap, StatusCode};
use axum::middleware::from_fn_with_state;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router};
use serde_json::Value;
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

use super::Limits;
use super::assets::Assets;
use super::guard::{Doors, Gate, guard};
use super::problem::Problem;
use super::serve::serve_app;
use crate::event::Steady;

const LARGEST_BODY: usize = 16 * 1024;

/// What the page of a beginning asks of the program behind it.
pub trait Beginning: Send + Sync + 'static {
    /// The steady time now.
    fn now(&self) -> Steady;

    /// How far it is: what was found, what is asked next, what is wrong.
    fn shown(&self) -> Value;

    /// Does what a person says.
    ///
    /// # Errors
    /// The text of why not.
    fn order(&self, order: Value) -> Result<(), String>;
}

struct BeginDesk {
    beginning: Arc<dyn Beginning>,
    doors: Doors,
    limits: Limits,
    assets: Assets,
}

impl Gate for BeginDesk {
    fn doors(&self) -> &Doors {
        &self.doors
    }

    fn limits(&self) -> &Limits {
        &self.limits
    }

    fn now(&self) -> Steady {
        self.beginning.now()
    }

    fn hosts(&self) -> &[String] {
        &[]
    }

    fn may_change(&self, from: IpAddr, _headers: &HeaderMap) -> bool {
        from.is_loopback()
    }
}

/// Serves the page of a beginning on `listener` until `shutdown` is cancelled.
///
/// # Errors
/// As [`super::serve()`].
///
/// # Cancellation
/// Dropping the future closes every connection at once.
pub async fn serve_beginning(
    listener: TcpListener,
    beginning: Arc<dyn Beginning>,
    shutdown: CancellationToken,
) -> io::Result<()> {
    let limits = Limits::default();
    let desk = Arc::new(BeginDesk { beginning, doors: Doors::default(), limits, assets: Assets::new() });
    let app = Router::new()
        .route("/", get(index))
        .route("/web/{build}/{file}", get(file))
        .route("/api/v1/begin", get(shown).post(order))
        .fallback(async || Problem::new(StatusCode::NOT_FOUND, "there is nothing at this address"))
        .layer(DefaultBodyLimit::max(LARGEST_BODY))
        .layer(from_fn_with_state(desk.clone(), guard::<BeginDesk>))
        .with_state(desk);
    serve_app(listener, app, limits, shutdown).await
}

async fn index(State(desk): State<Arc<BeginDesk>>, asked: HeaderMap) -> Response {
    desk.assets.page("begin.html", &asked)
}

async fn file(State(desk): State<Arc<BeginDesk>>, Path((build, name)): Path<(String, String)>) -> Response {
    desk.assets.file(&build, &name)
}

async fn shown(State(desk): State<Arc<BeginDesk>>) -> Json<Value> {
    Json(desk.beginning.shown())
}

async fn order(State(desk): State<Arc<BeginDesk>>, Json(order): Json<Value>) -> Response {
    match desk.beginning.order(order) {
        Ok(()) => StatusCode::ACCEPTED.into_response(),
        Err(why) => Problem::new(StatusCode::UNPROCESSABLE_ENTITY, why).into_response(),
    }
}
