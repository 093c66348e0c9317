//! How requests arrive: within what time, and until when they are waited for.

use actix_web::HttpMessage as _;
use actix_web::body::MessageBody;
use actix_web::dev::{Payload, ServiceRequest, ServiceResponse};
use actix_web::error::PayloadError;
use actix_web::http::Method;
use actix_web::middleware::Next;
use futures_util::stream::{StreamExt as _, unfold};
use std::io;
use std::time::Duration;
use tokio::time::{Instant, timeout_at};

/// Lets a body take so long to arrive and no longer, however it trickles.
pub(super) async fn in_time<B: MessageBody>(
    within: Duration,
    mut request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<B>, actix_web::Error> {
    if ![Method::GET, Method::HEAD, Method::OPTIONS].contains(request.method()) {
        let body = request.take_payload();
        request.set_payload(until(Instant::now() + within, body));
    }
    next.call(request).await
}

fn until(end: Instant, body: Payload) -> Payload {
    let chunks = unfold(Some(body), move |rest| async move {
        let mut rest = rest?;
        match timeout_at(end, rest.next()).await {
            Ok(chunk) => chunk.map(|chunk| (chunk, Some(rest))),
            Err(_) => Some((Err(PayloadError::Io(io::ErrorKind::TimedOut.into())), None)),
        }
    });
    Payload::Stream { payload: Box::pin(chunks) }
}

/// Waits until the process is asked to stop.
pub(super) async fn asked_to_stop() {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let (Ok(mut terminate), Ok(mut interrupt)) =
            (signal(SignalKind::terminate()), signal(SignalKind::interrupt()))
        {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = interrupt.recv() => {}
            }
            return;
        }
    }
    if tokio::signal::ctrl_c().await.is_err() {
        // Nothing can be heard of it: the process ends when it is ended.
        std::future::pending::<()>().await;
    }
}
