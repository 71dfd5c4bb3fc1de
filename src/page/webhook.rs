//! A message posted to somebody else's server on the shop's network.

use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use hyper::client::conn::http1;
use hyper_util::rt::TokioIo;
use tokio::net::TcpStream;

/// Where messages are posted to.
#[derive(Clone)]
pub struct Mailbox {
    /// The server's name or address.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// The path, with its query, from the first `/` on.
    pub path: String,
    /// What is sent as `Authorization: Bearer …`, if anything.
    pub bearer: Option<String>,
}

/// Why a message was not taken.
#[derive(Debug, thiserror::Error)]
pub enum Unposted {
    /// Another try may do better.
    #[error("{0}")]
    ForNow(String),
    /// The server understood, and does not want it.
    #[error("the server answered {0}")]
    ForGood(StatusCode),
}

impl Mailbox {
    /// Posts JSON text. What the server says beyond its status is not read. Nothing here shows the bearer.
    ///
    /// # Errors
    /// [`Unposted`]: for good where the server answers with 400 to 499 other than 408 and 429, for now in every other case.
    ///
    /// # Cancellation
    /// Dropping the future closes the connection; the message may have been taken.
    pub async fn post(&self, json: &str) -> Result<(), Unposted> {
        let later = |error: &dyn std::fmt::Display| Unposted::ForNow(error.to_string());
        let stream = TcpStream::connect((self.host.as_str(), self.port)).await.map_err(|error| later(&error))?;
        let (mut sender, connection) = http1::handshake(TokioIo::new(stream)).await.map_err(|error| later(&error))?;
        let request = self.request(json).map_err(|error| later(&error))?;
        let answer = sender.send_request(request);
        tokio::pin!(answer);
        let answered = tokio::select! {
            answered = &mut answer => answered,
            // The answer may have come with the connection's end.
            _ = connection => answer.await,
        };
        let status = answered.map_err(|error| later(&error))?.status();
        let again = matches!(status, StatusCode::REQUEST_TIMEOUT | StatusCode::TOO_MANY_REQUESTS);
        if status.is_success() {
            Ok(())
        } else if status.is_client_error() && !again {
            Err(Unposted::ForGood(status))
        } else {
            Err(Unposted::ForNow(format!("the server answered {status}")))
        }
    }

    fn request(&self, json: &str) -> Result<Request<Body>, axum::http::Error> {
        // An IPv6 address stands in brackets.
        let host = if self.host.contains(':') { format!("[{}]", self.host) } else { self.host.clone() };
        let request = Request::post(&self.path)
            .header(header::HOST, format!("{host}:{}", self.port))
            .header(header::CONTENT_TYPE, "application/json")
            .header(header::CONTENT_LENGTH, json.len())
            .header(header::CONNECTION, "close");
        let request = match &self.bearer {
            Some(bearer) => request.header(header::AUTHORIZATION, format!("Bearer {bearer}")),
            None => request,
        };
        request.body(Body::from(json.to_owned()))
    }
}
