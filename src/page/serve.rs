//! Runs the router on a listener, within limits on who may connect, how often and how slowly.

use std::collections::BTreeMap;
use std::io;
use std::net::IpAddr;
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::extract::Request;
use futures_util::StreamExt;
use futures_util::future::BoxFuture;
use futures_util::stream::FuturesUnordered;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::net::{TcpListener, TcpStream};
use tokio_util::sync::CancellationToken;
use tower::ServiceExt;

use super::{PageState, router};

/// What one client, and all of them together, may take.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Connections in all; one more is closed at once.
    pub connections: usize,
    /// Connections from one address.
    pub connections_per_address: usize,
    /// Event streams in all.
    pub streams: usize,
    /// Event streams to one address.
    pub streams_per_address: usize,
    /// Requests a second from one address, over a longer time.
    pub requests_per_second: f64,
    /// Requests from one address that may come at once.
    pub burst: f64,
    /// The longest time for a request's head to arrive.
    pub head_within: Duration,
    /// The longest time for a body to arrive, and then for the program to answer.
    pub answer_within: Duration,
    /// The longest time that a client may leave sent bytes unread.
    pub unread_within: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            connections: 64,
            connections_per_address: 24,
            streams: 32,
            streams_per_address: 8,
            requests_per_second: 20.0,
            burst: 80.0,
            head_within: Duration::from_secs(5),
            answer_within: Duration::from_secs(5),
            unread_within: Duration::from_secs(20),
        }
    }
}

/// Where a request came from and where it arrived; put into each request's extensions.
#[derive(Clone, Copy, Debug)]
pub(super) struct Client {
    pub(super) remote: IpAddr,
    pub(super) local: IpAddr,
}

const LARGEST_HEAD: usize = 8 * 1024;
const MOST_HEADERS: usize = 64;
const PAUSE_AFTER_A_FAILED_ACCEPT: Duration = Duration::from_millis(200);

/// Serves the page on `listener` until [`PageState::shutdown`] is cancelled.
///
/// Every connection lives in this one future, so nothing outlives it.
///
/// # Errors
/// None after a start that went well: a listener that cannot accept, for want of file descriptors say, is tried again.
///
/// # Cancellation
/// Dropping the future closes every connection at once.
pub async fn serve(listener: TcpListener, state: PageState) -> io::Result<()> {
    let (limits, shutdown) = (state.limits, state.shutdown.clone());
    serve_app(listener, router(state), limits, shutdown).await
}

/// The same for any app.
pub(super) async fn serve_app(
    listener: TcpListener,
    app: Router,
    limits: Limits,
    shutdown: CancellationToken,
) -> io::Result<()> {
    let mut open: FuturesUnordered<BoxFuture<'static, IpAddr>> = FuturesUnordered::new();
    let mut per_address: BTreeMap<IpAddr, usize> = BTreeMap::new();
    loop {
        tokio::select! {
            () = shutdown.cancelled() => break,
            Some(closed) = open.next() => leave(&mut per_address, closed),
            accepted = listener.accept() => match accepted {
                Ok((stream, peer)) => {
                    let count = per_address.entry(peer.ip().to_canonical()).or_default();
                    if *count < limits.connections_per_address && open.len() < limits.connections {
                        *count += 1;
                        open.push(Box::pin(converse(stream, peer.ip().to_canonical(), app.clone(), limits)));
                    }
                }
                Err(error) => {
                    tracing::warn!(%error, "a connection could not be accepted");
                    tokio::time::sleep(PAUSE_AFTER_A_FAILED_ACCEPT).await;
                }
            },
        }
    }
    Ok(())
}

fn leave(per_address: &mut BTreeMap<IpAddr, usize>, address: IpAddr) {
    if let Some(count) = per_address.get_mut(&address) {
        *count -= 1;
        if *count == 0 {
            per_address.remove(&address);
        }
    }
}

/// Serves one connection to its end and gives back its address.
async fn converse(stream: TcpStream, remote: IpAddr, app: Router, limits: Limits) -> IpAddr {
    let local = stream.local_addr().map_or(remote, |address| address.ip().to_canonical());
    let unread_ms = u32::try_from(limits.unread_within.as_millis()).unwrap_or(u32::MAX);
    if rustix::net::sockopt::set_tcp_user_timeout(&stream, unread_ms).is_err() || stream.set_nodelay(true).is_err() {
        return remote;
    }
    let service = hyper::service::service_fn(move |request: hyper::Request<hyper::body::Incoming>| {
        let mut request: Request = request.map(Body::new);
        request.extensions_mut().insert(Client { remote, local });
        app.clone().oneshot(request)
    });
    let served = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(limits.head_within)
        .max_headers(MOST_HEADERS)
        .max_buf_size(2 * LARGEST_HEAD)
        .max_header_size(LARGEST_HEAD)
        .serve_connection(TokioIo::new(stream), service)
        .await;
    if let Err(error) = served {
        tracing::debug!(%remote, %error, "a connection ended badly");
    }
    remote
}
