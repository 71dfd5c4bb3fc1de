//! Looks at the page in a real browser: `tests/browser/run.mjs` drives it against this program run as `serve`.
//!
//! Wants node, a Chromium (`CHROMIUM` names another than `/usr/bin/chromium`) and the packages of
//! `tests/browser/package-lock.json`. Where one is missing it says so, and fails only under `tests/all`.

#[path = "browser/guides.rs"]
mod guides;
#[path = "browser/scenes.rs"]
mod scenes;

use std::path::Path;
use std::process::{Command, ExitCode};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use axum::extract::{Path as At, State};
use axum::http::StatusCode;
use axum::routing::{get, post};
use axum::{Json, Router};
use holdwatch::event::Answer;
use holdwatch::page::{Program, Shown, serve};
use holdwatch::view::GuideLive;
use scenes::{SCENES, Shop, page, scene};
use tokio::net::TcpListener;

const TEST: &str = "the_page_holds_in_a_real_browser";

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match words.first().map(String::as_str) {
        Some("serve") => serve_scenes(words.get(1).and_then(|port| port.parse().ok()).unwrap_or(0)),
        Some("--list") => {
            println!("{TEST}: test");
            ExitCode::SUCCESS
        }
        Some(_) | None if wanted(&words) => look(),
        Some(_) | None => ExitCode::SUCCESS,
    }
}

/// Whether the names given on the command line leave this test in.
fn wanted(words: &[String]) -> bool {
    let mut names = words.iter().filter(|word| !word.starts_with('-')).peekable();
    names.peek().is_none() || names.any(|name| TEST.contains(name.as_str()))
}

fn look() -> ExitCode {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser");
    let chromium = std::env::var("CHROMIUM").unwrap_or_else(|_| "/usr/bin/chromium".to_owned());
    let missing = [
        (Command::new("node").arg("--version").output().is_err(), "node"),
        (!Path::new(&chromium).exists(), "chromium"),
        (!folder.join("node_modules").exists(), "tests/browser/node_modules (npm ci there)"),
    ];
    let missing: Vec<&str> = missing.iter().filter(|(gone, _)| *gone).map(|(_, what)| *what).collect();
    if !missing.is_empty() {
        println!("test {TEST} ... NOT RUN, missing: {}", missing.join(", "));
        return if std::env::var_os("HOLDWATCH_TEST_ALL").is_some() { ExitCode::FAILURE } else { ExitCode::SUCCESS };
    }
    let myself = std::env::current_exe().unwrap();
    let status =
        Command::new("node").arg(folder.join("run.mjs")).arg(myself).env("CHROMIUM", chromium).status().unwrap();
    println!("test {TEST} ... {}", if status.success() { "ok" } else { "FAILED" });
    if status.success() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// What the control port may change while the page is being served.
struct Script {
    shop: Arc<Shop>,
    scene: Mutex<String>,
    /// Whether the last reading is repeated, growing older, instead of a new one being made.
    replay: Mutex<bool>,
    /// The guided run that is under way.
    guide: Mutex<Option<GuideLive>>,
}

/// Serves the scenes on `port`, and on a second port takes `POST /scene/NAME`, `/replay/on`, `/replay/off` and
/// `/answer/KEY`, `/guide/MOMENT`, and gives `GET /commanded`, `/scenes` and `/moments`. Prints both ports.
#[tokio::main]
async fn serve_scenes(port: u16) -> ExitCode {
    let shop = Arc::new(Shop::default());
    let (state, show) = page(&shop, scene("tight").unwrap());
    let listener = TcpListener::bind(("127.0.0.1", port)).await.unwrap();
    let control = TcpListener::bind(("127.0.0.1", 0)).await.unwrap();
    println!("{} {}", listener.local_addr().unwrap().port(), control.local_addr().unwrap().port());
    let script = Arc::new(Script {
        shop: shop.clone(),
        scene: Mutex::new("tight".to_owned()),
        replay: Mutex::new(false),
        guide: Mutex::default(),
    });
    let steps = Router::new()
        .route("/scenes", get(async || Json(SCENES)))
        .route("/moments", get(async || Json(guides::MOMENTS)))
        .route("/commanded", get(commanded))
        .route("/scene/{name}", post(change_scene))
        .route("/guide/{name}", post(change_guide))
        .route("/replay/{state}", post(replay))
        .route("/answer/{key}", post(answer))
        .with_state(script.clone());
    let beat = async {
        let mut age_s = 0.05;
        loop {
            let mut view = scene(&script.scene.lock().unwrap()).unwrap();
            age_s = if *script.replay.lock().unwrap() { age_s + 0.1 } else { 0.05 };
            view.age_s = view.age_s.map(|age| age.max(age_s));
            view.guide = script.guide.lock().unwrap().clone();
            show.send_replace(Arc::new(Shown { view, made: shop.now() }));
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    };
    tokio::select! {
        result = serve(listener, state) => result.unwrap(),
        result = axum::serve(control, steps).into_future() => result.unwrap(),
        () = beat => {}
    }
    ExitCode::SUCCESS
}

async fn commanded(State(script): State<Arc<Script>>) -> String {
    format!("{:?}", script.shop.commanded.lock().unwrap())
}

async fn change_scene(State(script): State<Arc<Script>>, At(name): At<String>) -> StatusCode {
    if scene(&name).is_none() {
        return StatusCode::NOT_FOUND;
    }
    *script.scene.lock().unwrap() = name;
    StatusCode::NO_CONTENT
}

async fn change_guide(State(script): State<Arc<Script>>, At(name): At<String>) -> StatusCode {
    let Some((live, held)) = guides::moment(&name) else { return StatusCode::NOT_FOUND };
    *script.shop.guides.lock().unwrap() = held;
    *script.guide.lock().unwrap() = live;
    StatusCode::NO_CONTENT
}

async fn replay(State(script): State<Arc<Script>>, At(state): At<String>) {
    *script.replay.lock().unwrap() = state == "on";
}

async fn answer(State(script): State<Arc<Script>>, At(key): At<String>) {
    *script.shop.answer.lock().unwrap() = if key == "done" { Answer::Done } else { Answer::Refused(key) };
}
