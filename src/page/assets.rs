//! The files of `web/`, under a path that names their build so that they may be kept for ever.

use std::collections::BTreeMap;

use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use rust_embed::{Embed, EmbeddedFile};
use sha2::{Digest, Sha256};

use super::problem::Problem;

const FOR_EVER: HeaderValue = HeaderValue::from_static("public, max-age=31536000, immutable");
const ASK_EACH_TIME: HeaderValue = HeaderValue::from_static("no-cache");

#[derive(Embed)]
#[folder = "web/"]
struct Web;

/// The embedded files and the name of their build.
pub(super) struct Assets {
    build: String,
    pages: BTreeMap<&'static str, String>,
}

/// The pages, by the names of their files.
const PAGES: [&str; 5] = ["index.html", "survey.html", "check.html", "begin.html", "pair.html"];

impl Assets {
    /// Names the build by a digest over every file, and writes that name into the pages.
    pub(super) fn new() -> Self {
        let mut digest = Sha256::new();
        for name in Web::iter() {
            digest.update(name.as_bytes());
            digest.update(Web::get(&name).map(|file| file.metadata.sha256_hash()).unwrap_or_default());
        }
        let build: String = digest.finalize().iter().take(8).map(|byte| format!("{byte:02x}")).collect();
        let page = |name| (name, with_sentences(&text(name)).replace("{build}", &build));
        let pages = PAGES.into_iter().map(page).collect();
        Assets { build, pages }
    }

    /// The name of the build.
    pub(super) fn build(&self) -> &str {
        &self.build
    }

    /// A page itself, or 304 if the client holds this build.
    pub(super) fn page(&self, name: &str, asked: &HeaderMap) -> Response {
        let tag = format!("W/\"{}\"", self.build);
        let held = asked.get(header::IF_NONE_MATCH).is_some_and(|held| held.as_bytes() == tag.as_bytes());
        let mut response = if held {
            StatusCode::NOT_MODIFIED.into_response()
        } else {
            ([(header::CONTENT_TYPE, "text/html; charset=utf-8")], self.pages.get(name).cloned().unwrap_or_default())
                .into_response()
        };
        response.headers_mut().insert(header::CACHE_CONTROL, ASK_EACH_TIME);
        if let Ok(tag) = HeaderValue::from_str(&tag) {
            response.headers_mut().insert(header::ETAG, tag);
        }
        response
    }

    /// A file of this build.
    pub(super) fn file(&self, build: &str, name: &str) -> Response {
        match Web::get(name).filter(|_| build == self.build) {
            Some(file) => kept(name, file),
            None => Problem::new(StatusCode::NOT_FOUND, "there is no such file in this build").into_response(),
        }
    }
}

fn text(name: &str) -> String {
    let file = Web::get(name).map(|file| file.data.into_owned()).unwrap_or_default();
    String::from_utf8_lossy(&file).into_owned()
}

/// The page with the sentence of each `{{key}}` in its place, so that it reads right before its script runs.
fn with_sentences(page: &str) -> String {
    let sentences: BTreeMap<String, String> = serde_json::from_str(&text("messages.en.json")).unwrap_or_default();
    sentences.iter().fold(page.to_owned(), |page, (key, sentence)| {
        let inert = sentence.replace('&', "&amp;").replace('<', "&lt;").replace('"', "&quot;");
        page.replace(&format!("{{{{{key}}}}}"), &inert)
    })
}

fn kept(name: &str, file: EmbeddedFile) -> Response {
    let headers = [(header::CONTENT_TYPE, HeaderValue::from_static(kind(name))), (header::CACHE_CONTROL, FOR_EVER)];
    (headers, file.data.into_owned()).into_response()
}

fn kind(name: &str) -> &'static str {
    match name.rsplit_once('.').map(|(_, ending)| ending) {
        Some("css") => "text/css; charset=utf-8",
        Some("html") => "text/html; charset=utf-8",
        Some("js") => "text/javascript; charset=utf-8",
        Some("json") => "application/json",
        Some("svg") => "image/svg+xml",
        Some(_) | None => "application/octet-stream",
    }
}
