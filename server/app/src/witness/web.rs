//! The one call that a witness answers. Rule: C2SP `tlog-witness`, add-checkpoint.

use std::net::SocketAddr;
use std::time::Duration;

use actix_web::http::StatusCode;
use actix_web::http::header::CONTENT_TYPE;
use actix_web::web::{self, Data, Payload};
use actix_web::{App, HttpResponse, HttpServer};
use tallyseal_schema::witness::SUBMISSION_MAX;

use super::folder::Opened;
use super::memory::Seen;
use crate::cli::{CannotRun, Outcome, Ran};
use crate::error::DeskError;
use crate::server::Ending;
use crate::{api, clock, say};

/// How long a client may take to send the head of a request.
const HEAD_DEADLINE: Duration = Duration::from_secs(5);
/// How long an idle connection is kept.
const KEEP_ALIVE: Duration = Duration::from_secs(15);
/// Connections at a time.
const CONNECTIONS_MAX: usize = 256;

/// Serves until it is told to end.
///
/// Errors: the address cannot be had.
pub(crate) fn serve(opened: Opened, listen: SocketAddr) -> Ran {
    let name = opened.cosigner.public().name().to_owned();
    actix_web::rt::System::new().block_on(async {
        let mut ending = Ending::listen()?;
        let listener = std::net::TcpListener::bind(listen)
            .map_err(|error| CannotRun::because(format!("cannot listen at {listen}: {error}")))?;
        let address = listener.local_addr()?;
        let witness = Data::new(opened);
        let server = HttpServer::new(move || {
            App::new()
                .app_data(witness.clone())
                .service(web::resource("/add-checkpoint").route(web::post().to(add_checkpoint)))
        })
        .workers(1)
        .client_request_timeout(HEAD_DEADLINE)
        .keep_alive(KEEP_ALIVE)
        .max_connections(CONNECTIONS_MAX)
        .disable_signals()
        .listen(listener)?
        .run();
        let handle = server.handle();
        actix_web::rt::spawn(server);
        // Scripts wait for this line: the witness answers from here on.
        say::line(format_args!("Witness {name} at http://{address}"))?;
        ending.wished().await;
        handle.stop(true).await;
        Ok(Outcome::Good)
    })
}

async fn add_checkpoint(witness: Data<Opened>, payload: Payload) -> HttpResponse {
    let body = match api::bytes(payload, SUBMISSION_MAX).await {
        Ok(body) => body,
        Err(DeskError::TooSlow) => return text(StatusCode::REQUEST_TIMEOUT, "the body did not come in whole in time"),
        Err(DeskError::TooLarge(_)) => return text(StatusCode::PAYLOAD_TOO_LARGE, "the body is too long"),
        Err(_) => return text(StatusCode::BAD_REQUEST, "the body could not be read"),
    };
    let Ok(body) = String::from_utf8(body.to_vec()) else { return text(StatusCode::BAD_REQUEST, "it is not UTF-8") };
    let time = u64::try_from(clock::now().micros() / 1_000_000).unwrap_or(0);
    // It waits for the disk: not on the thread that others are answered on.
    let seen = web::block(move || witness.add_checkpoint(&body, time)).await;
    match seen.unwrap_or_else(|error| Seen::Failed(error.to_string())) {
        Seen::Cosigned(line) => HttpResponse::Ok().content_type("text/plain; charset=utf-8").body(line),
        Seen::Malformed(why) => text(StatusCode::BAD_REQUEST, &why),
        Seen::Unknown => text(StatusCode::NOT_FOUND, "this witness does not follow that book"),
        Seen::NotSigned => text(StatusCode::FORBIDDEN, "no key of that book signed the checkpoint"),
        Seen::Conflict(size) => {
            HttpResponse::Conflict().insert_header((CONTENT_TYPE, "text/x.tlog.size")).body(format!("{size}\n"))
        }
        Seen::NotContinued => {
            text(StatusCode::UNPROCESSABLE_ENTITY, "the checkpoint is not proved to continue what was cosigned")
        }
        Seen::Failed(why) => {
            tracing::error!(why, "a checkpoint was not cosigned");
            text(StatusCode::INTERNAL_SERVER_ERROR, "the witness failed; its log says why")
        }
    }
}

fn text(status: StatusCode, why: &str) -> HttpResponse {
    HttpResponse::build(status).content_type("text/plain; charset=utf-8").body(format!("{why}\n"))
}
