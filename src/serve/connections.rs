//! Connections from browsers: so many at once, and each with a time for the head of its request.

use std::collections::HashMap;
use std::convert::Infallible;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::http::Request;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::io::AsyncWriteExt;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tower_service::Service;

use super::routes::stopped;

/// Connections at once; a page holds two and opens a few more for a moment.
const MOST: usize = 256;
/// Of these, from one address.
const MOST_OF_ONE: usize = 64;
/// What the head of a request may take, and how long a connection may wait for the next request.
pub(super) const HEAD_WITHIN: Duration = Duration::from_secs(10);
/// Pause where the system hands out no connection, such as when all its files are open.
const PAUSE: Duration = Duration::from_millis(200);

/// What the connections get to end with the program.
pub(super) const TO_END: Duration = Duration::from_millis(500);
/// They are looked at so often meanwhile.
const LOOK_AGAIN: Duration = Duration::from_millis(10);

/// The answer where there are too many.
const FULL: &str = "{\"ok\":false,\"said\":\"too many pages are open at this bench; close some and load this one again\"}";

/// Connections that are open, by address.
#[derive(Default)]
struct Open(Mutex<HashMap<IpAddr, usize>>);

/// A connection's place among those that are open; free again when it is dropped.
struct Place {
    open: Arc<Open>,
    from: IpAddr,
}

impl Open {
    fn is_empty(&self) -> bool {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .is_empty()
    }

    fn place(self: &Arc<Self>, from: IpAddr) -> Option<Place> {
        let mut open = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let all: usize = open.values().sum();
        if all >= MOST || open.get(&from).is_some_and(|own| *own >= MOST_OF_ONE) {
            return None;
        }
        *open.entry(from).or_default() += 1;
        Some(Place {
            open: Arc::clone(self),
            from,
        })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut open = self.open.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(own) = open.get_mut(&self.from) {
            *own -= 1;
            if *own == 0 {
                open.remove(&self.from);
            }
        }
    }
}

/// Serves whoever comes until `stop` changes; connections that are open then get a moment to end with their answer.
pub(super) async fn serve(listener: TcpListener, routes: Router, mut stop: watch::Receiver<bool>) {
    let open = Arc::new(Open::default());
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            () = stopped(&mut stop) => break,
        };
        let Ok((stream, from)) = accepted else {
            tokio::time::sleep(PAUSE).await;
            continue;
        };
        match open.place(from.ip()) {
            Some(place) => {
                let (routes, stop) = (routes.clone(), stop.clone());
                tokio::spawn(async move {
                    one(stream, routes, stop).await;
                    drop(place);
                });
            }
            None => {
                tokio::spawn(turn_away(stream));
            }
        }
    }
    let all_ended = async {
        while !open.is_empty() {
            tokio::time::sleep(LOOK_AGAIN).await;
        }
    };
    // What has not ended by then is cut off.
    let _ = tokio::time::timeout(TO_END, all_ended).await;
}

async fn one(stream: TcpStream, routes: Router, mut stop: watch::Receiver<bool>) {
    // Small answers go at once; where that cannot be set they come a little later.
    let _ = stream.set_nodelay(true);
    let answer = service_fn(move |request: Request<Incoming>| {
        let mut routes = routes.clone();
        async move { Ok::<_, Infallible>(answered(&mut routes, request.map(Body::new)).await) }
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_WITHIN)
        .serve_connection(TokioIo::new(stream), answer);
    let mut connection = std::pin::pin!(connection);
    // Who sends no request, or hangs up in the middle of one, need not be told.
    tokio::select! {
        _ = connection.as_mut() => {}
        () = stopped(&mut stop) => {
            connection.as_mut().graceful_shutdown();
            let _ = connection.await;
        }
    }
}

async fn answered(routes: &mut Router, request: Request<Body>) -> axum::response::Response {
    match routes.call(request).await {
        Ok(answer) => answer,
        Err(never) => match never {},
    }
}

async fn turn_away(mut stream: TcpStream) {
    let answer = format!(
        "HTTP/1.1 503 Service Unavailable\r\nContent-Type: application/json\r\nContent-Length: {}\r\nRetry-After: 5\r\nConnection: close\r\n\r\n{FULL}",
        FULL.len()
    );
    let write = async {
        stream.write_all(answer.as_bytes()).await?;
        stream.shutdown().await
    };
    // Whoever does not take the answer goes without.
    let _ = tokio::time::timeout(Duration::from_secs(1), write).await;
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    #[test]
    fn places_are_few_and_come_back() {
        let open = Arc::new(Open::default());
        let address = |last: u8| IpAddr::from([10, 0, 0, last]);
        let mut own: Vec<Place> = (0..MOST_OF_ONE)
            .map(|_| open.place(address(1)).unwrap())
            .collect();
        assert!(open.place(address(1)).is_none());
        own.pop();
        own.push(open.place(address(1)).unwrap());
        let others: Vec<Place> = (2..)
            .flat_map(|last| (0..MOST_OF_ONE).map(move |_| last))
            .map_while(|last| open.place(address(last)))
            .collect();
        assert_eq!(own.len() + others.len(), MOST);
        drop((own, others));
        assert!(open.is_empty());
    }
}
