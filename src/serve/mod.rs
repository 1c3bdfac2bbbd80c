//! The bench page's server: the state of a desk in, HTTP out.
//!
//! Goes in: a [`Desk`] and where to listen. Comes out: the page, its state as JSON and events, frames as JPEG with what was
//! seen in them (px of the frame), downloads; and back, what a person does on the page. Every answer is built from one state, so all
//! browsers see the same. A frame is coded once, when somebody asks for it, and who asks late gets a newer one.
//!
//! It takes so many connections at once, each with a time for the head of a request (`connections`). It refuses requests from other origins and for other hosts (so that no page from elsewhere can read or drive it), those without
//! the key where the bench is shared, what a viewer may not do, and bodies that are too long, each with a status and one sentence.
//! HTTP is that of RFC 9110 and 9112, events those of the HTML standard.
//!
//! Measuring, computing and files of the logbook do not belong here.
//!
//! Checked by `serve::tests` (each way in from outside, without a socket) and `tests/bench.rs` (the built program).

mod actions;
mod assets;
mod connections;
mod downloads;
mod frame;
mod guard;
mod keys;
mod routes;
mod state;
#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests;
mod upload;

use std::net::{IpAddr, Ipv4Addr, SocketAddr, UdpSocket};
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::watch;

use crate::basics::fault::said;
use crate::session::SessionError;
use crate::session::bench::{Desk, DeskOptions};
use guard::Guard;
use keys::Keys;
use routes::App;

/// Port that is tried where none is asked for; any other is taken where it is not free.
const USUAL_PORT: u16 = 7319;
/// Time between two states that are sent.
const BETWEEN_STATES: Duration = Duration::from_millis(100);
/// A state is looked at again after this time even where nothing said that it changed.
const STATE_AT_LEAST: Duration = Duration::from_secs(1);

/// How to serve.
#[derive(Debug, Default)]
pub struct ServeOptions {
    /// What the desk is opened with.
    pub desk: DeskOptions,
    /// Port; none takes the usual one or any that is free.
    pub port: Option<u16>,
    /// Whether others of the local network may join.
    pub share: bool,
}

/// Where the page is found.
#[derive(Clone, Debug)]
pub struct Addresses {
    /// For the person at the bench.
    pub operator: String,
    /// For those who watch; only where it is shared.
    pub viewer: Option<String>,
    /// The viewers' address as a QR code for a terminal.
    pub code: Option<String>,
}

/// Serves until `stop` changes.
///
/// # Errors
/// The source or the logbook can't be opened, or the port is taken: one sentence.
pub fn serve(
    options: ServeOptions,
    stop: watch::Receiver<bool>,
    ready: impl FnOnce(&Addresses),
) -> Result<(), SessionError> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_io()
        .enable_time()
        .build()
        .map_err(|error| {
            SessionError::Footage(format!(
                "the page's server cannot be started ({error}); end other programs",
                error = said(&error)
            ))
        })?;
    let served = runtime.block_on(serving(options, stop, ready));
    runtime.shutdown_timeout(connections::TO_END);
    served
}

async fn serving(
    options: ServeOptions,
    stop: watch::Receiver<bool>,
    ready: impl FnOnce(&Addresses),
) -> Result<(), SessionError> {
    let ip = IpAddr::V4(if options.share {
        Ipv4Addr::UNSPECIFIED
    } else {
        Ipv4Addr::LOCALHOST
    });
    let listener = listener(ip, options.port).await?;
    let port = listener.local_addr().map_or(0, |address| address.port());
    let keys = options
        .share
        .then(Keys::new)
        .transpose()
        .map_err(SessionError::Footage)?;
    let addresses = addresses(port, keys.as_ref());
    let (tell, changed) = watch::channel(0_u64);
    let desk = Desk::open(options.desk, move || {
        tell.send_modify(|n| *n = n.wrapping_add(1))
    })?;
    let app = Arc::new(App::new(
        desk,
        Guard::new(port, keys),
        addresses.viewer.clone(),
        changed.clone(),
        stop.clone(),
    ));
    tokio::spawn(send_states(Arc::clone(&app), changed));
    ready(&addresses);
    connections::serve(listener, routes::routes(app), stop).await;
    Ok(())
}

async fn listener(ip: IpAddr, port: Option<u16>) -> Result<tokio::net::TcpListener, SessionError> {
    let wanted = port.unwrap_or(USUAL_PORT);
    let bound = tokio::net::TcpListener::bind(SocketAddr::new(ip, wanted)).await;
    match (bound, port) {
        (Ok(listener), _) => Ok(listener),
        (Err(_), None) => tokio::net::TcpListener::bind(SocketAddr::new(ip, 0))
            .await
            .map_err(|error| {
                SessionError::Footage(format!(
                    "no port can be opened on this machine ({error}); look at its firewall",
                    error = said(&error)
                ))
            }),
        (Err(error), Some(port)) => Err(SessionError::Footage(format!(
            "--port {port}: it cannot be opened ({error}); give another one, or leave --port out",
            error = said(&error)
        ))),
    }
}

fn addresses(port: u16, keys: Option<&Keys>) -> Addresses {
    let Some(keys) = keys else {
        return Addresses {
            operator: format!("http://127.0.0.1:{port}/"),
            viewer: None,
            code: None,
        };
    };
    let host = address_in_network();
    let at = |key: &str| format!("http://{host}:{port}/#{key}");
    let viewer = at(keys.viewer());
    Addresses {
        operator: at(keys.operator()),
        code: assets::code_for_terminal(&viewer),
        viewer: Some(viewer),
    }
}

/// Address of this machine in the local network: that from which it would speak to others. No packet is sent; 192.0.2.1 is an
/// address for documents only (RFC 5737).
fn address_in_network() -> IpAddr {
    UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0))
        .and_then(|socket| {
            socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9))?;
            socket.local_addr()
        })
        .map_or(IpAddr::V4(Ipv4Addr::LOCALHOST), |address| address.ip())
}

/// Builds the state when it changed and somebody listens, at most ten times a second.
async fn send_states(app: Arc<App>, mut changed: watch::Receiver<u64>) {
    loop {
        if let Ok(Err(_)) = tokio::time::timeout(STATE_AT_LEAST, changed.changed()).await {
            return;
        }
        app.send_state().await;
        tokio::time::sleep(BETWEEN_STATES).await;
    }
}
