//! Errors as problem documents (RFC 9457).

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

/// What went wrong with a request, as `application/problem+json`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct Problem {
    #[serde(rename = "type")]
    kind: &'static str,
    title: &'static str,
    #[serde(serialize_with = "as_number")]
    status: StatusCode,
    detail: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    key: Option<String>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    known: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    limit_minutes: Option<f32>,
}

impl Problem {
    /// A problem whose title is the status's own, as RFC 9457 section 4.2.1 asks of `about:blank`.
    pub(super) fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        let title = status.canonical_reason().unwrap_or("Error");
        Problem {
            kind: "about:blank",
            title,
            status,
            detail: detail.into(),
            key: None,
            known: Vec::new(),
            limit_minutes: None,
        }
    }

    /// With the key of the sentence that the page shows for it.
    pub(super) fn with_key(mut self, key: impl Into<String>) -> Self {
        self.key = Some(key.into());
        self
    }

    /// With the longest time that would have been allowed.
    pub(super) fn with_limit_minutes(mut self, minutes: f32) -> Self {
        self.limit_minutes = Some(minutes);
        self
    }

    /// With the names that would have been understood.
    pub(super) fn with_known(mut self, known: Vec<String>) -> Self {
        self.known = known;
        self
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = self.status;
        let body = serde_json::to_vec(&self).unwrap_or_default();
        let mut response = (status, body).into_response();
        let kind = HeaderValue::from_static("application/problem+json");
        response.headers_mut().insert(header::CONTENT_TYPE, kind);
        if matches!(status, StatusCode::SERVICE_UNAVAILABLE | StatusCode::TOO_MANY_REQUESTS) {
            response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("1"));
        }
        response
    }
}

fn as_number<S: serde::Serializer>(status: &StatusCode, out: S) -> Result<S::Ok, S::Error> {
    out.serialize_u16(status.as_u16())
}
