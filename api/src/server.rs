//! The HTTP server: one function that builds the application, one that runs it.

use crate::auth::guard;
use crate::edge::{body_limit, dress, limit, nothing_here};
use crate::keys::REREAD_EVERY;
use crate::routes;
use crate::state::State;
use actix_web::body::MessageBody;
use actix_web::dev::{Server, ServiceFactory, ServiceRequest, ServiceResponse};
use actix_web::middleware::{Compress, from_fn};
use actix_web::{App, Error, HttpServer, web};
use std::io;
use std::net::TcpListener;
use tracing_actix_web::TracingLogger;
use utoipa_actix_web::AppExt;

/// The application over this state. What is wrapped last comes first.
#[must_use]
pub fn app(
    state: web::Data<State>,
) -> App<
    impl ServiceFactory<
        ServiceRequest,
        Config = (),
        Response = ServiceResponse<impl MessageBody>,
        Error = Error,
        InitError = (),
    >,
> {
    App::new()
        .app_data(state)
        .app_data(body_limit())
        .into_utoipa_app()
        .configure(routes::services)
        .into_app()
        .default_service(web::to(nothing_here))
        .wrap(from_fn(guard))
        .wrap(from_fn(limit))
        .wrap(from_fn(dress))
        .wrap(TracingLogger::default())
        .wrap(Compress::default())
}

/// Starts to serve on a listener; the service runs while the returned future is polled, and
/// stops gracefully on its handle or, with `on_signals`, on SIGINT and SIGTERM.
///
/// # Errors
/// When the listener cannot be used.
pub fn start(
    state: web::Data<State>,
    listener: TcpListener,
    on_signals: bool,
) -> io::Result<Server> {
    let limits = state.limits;
    let server = HttpServer::new(move || app(web::Data::new(state.for_a_thread())))
        .workers(limits.workers)
        .client_request_timeout(limits.head)
        .keep_alive(limits.keep_alive)
        .max_connections(limits.connections)
        .shutdown_timeout(limits.stop.as_secs());
    let server = if on_signals { server } else { server.disable_signals() };
    Ok(server.listen(listener)?.run())
}

/// Serves until a signal stops it, and reads the keys folder again every minute.
///
/// # Errors
/// When the listener cannot be used or the server fails.
pub async fn run(state: web::Data<State>, listener: TcpListener) -> io::Result<()> {
    let reading = actix_web::rt::spawn(keep_keys_current(state.clone()));
    let ended = start(state, listener, true)?.await;
    reading.abort();
    ended
}

async fn keep_keys_current(state: web::Data<State>) {
    loop {
        tokio::time::sleep(REREAD_EVERY).await;
        if let Err(error) = state.keys.reread() {
            tracing::error!(%error, "the keys folder cannot be read");
        }
    }
}
