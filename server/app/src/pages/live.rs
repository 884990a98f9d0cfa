//! What moves: server-sent events to pages that watch. Looking on is nobody's use of a session.
//!
//! Rule: WHATWG HTML, "Server-sent events".

use std::collections::BTreeSet;
use std::time::Duration;

use actix_web::HttpResponse;
use actix_web::web::{Bytes, Data, Query};
use serde::Deserialize;
use tallyseal_control::{Record, State};
use tallyseal_schema::ids::Stream;
use tokio::sync::broadcast::error::RecvError;

use super::visitor::Watcher;
use super::{PageError, Wish};
use crate::desk::Desk;
use crate::error::DeskError;
use crate::streams::Place;

/// A page that hears nothing for longer than two of these says that the connection is lost.
const HEARTBEAT: Duration = Duration::from_secs(2);
/// Streams that one page may watch: the board on the wall watches every station that it shows.
const ABOUT_MAX: usize = super::bench::STATIONS_MAX;
/// Several entries within this time are told as one.
const GATHER: Duration = Duration::from_millis(200);

#[derive(Deserialize)]
pub(super) struct About {
    /// Streams with commas between them; absent: whatever is recorded.
    about: Option<String>,
}

/// Where an event goes on.
struct Watch {
    about: BTreeSet<Stream>,
    all: bool,
    committed: tokio::sync::broadcast::Receiver<tallyseal_book::Committed>,
    desk: Data<Desk>,
    ended: bool,
    first: bool,
    /// The session was locked already.
    locked: bool,
    place: Place,
    token: String,
}

pub(super) async fn live(
    Watcher { locked, session, token }: Watcher,
    desk: Data<Desk>,
    query: Query<About>,
) -> Result<HttpResponse, PageError> {
    let mut about = BTreeSet::new();
    for stream in query.about.iter().flat_map(|list| list.split(',')).filter(|stream| !stream.is_empty()) {
        about.insert(stream.parse::<Stream>().map_err(|error| DeskError::Invalid(error.to_string()))?);
    }
    if about.len() > ABOUT_MAX {
        return Err(DeskError::Invalid(format!("a page watches at most {ABOUT_MAX} records")).into());
    }
    if locked && (about.is_empty() || about.iter().any(|stream| stream.thing() != "station")) {
        return Err(PageError::Locked(Wish::default()));
    }
    let place =
        desk.streams().enter(&session).ok_or(DeskError::TooMany("More pages watch than this server can serve."))?;
    let watch = Watch {
        all: about.is_empty(),
        about,
        committed: desk.book().subscribe(),
        desk,
        ended: false,
        first: true,
        locked,
        place,
        token,
    };
    let events = futures_util::stream::unfold(watch, |mut watch| async move {
        if watch.ended {
            return None;
        }
        let event = watch.next().await;
        Some((Ok::<Bytes, actix_web::Error>(Bytes::from(event)), watch))
    });
    Ok(HttpResponse::Ok()
        .insert_header(("Content-Type", "text/event-stream"))
        .insert_header(("X-Accel-Buffering", "no"))
        .streaming(events))
}

impl Watch {
    async fn next(&mut self) -> String {
        if std::mem::take(&mut self.first) {
            return "retry: 1000\nevent: beat\ndata: 0\n\n".to_owned();
        }
        // Whoever was signed out or locked sees nothing more, within a beat: the page is loaded anew.
        match self.desk.seat(&self.token) {
            Ok(seat) if seat.locked == self.locked => {}
            _ => {
                self.ended = true;
                return "event: over\ndata: 0\n\n".to_owned();
            }
        }
        let beat = tokio::time::sleep(HEARTBEAT);
        tokio::pin!(beat);
        let closing = self.desk.closed();
        tokio::pin!(closing);
        loop {
            let heard = tokio::select! {
                () = self.place.taken() => {
                    self.ended = true;
                    return "event: full\ndata: 0\n\n".to_owned();
                }
                () = &mut beat => return "event: beat\ndata: 0\n\n".to_owned(),
                () = &mut closing => {
                    self.ended = true;
                    return "event: closing\ndata: 0\n\n".to_owned();
                }
                heard = self.committed.recv() => heard,
            };
            match heard {
                Ok(committed) if self.concerns(&committed.stream) => break,
                Ok(_) => {}
                // Too much at once: something of it may concern the page.
                Err(RecvError::Lagged(_)) => break,
                Err(RecvError::Closed) => {
                    self.ended = true;
                    return "event: closing\ndata: 0\n\n".to_owned();
                }
            }
        }
        tokio::time::sleep(GATHER).await;
        while self.committed.try_recv().is_ok() {}
        "event: entry\ndata: 0\n\n".to_owned()
    }

    fn concerns(&self, stream: &Stream) -> bool {
        self.all || self.about.contains(stream) || self.about.iter().any(|about| self.runs_at(about, stream))
    }

    /// True where that stream is the count that runs at a station which is watched, or its roll.
    fn runs_at(&self, about: &Stream, stream: &Stream) -> bool {
        if about.thing() != "station" || !matches!(stream.thing(), "count" | "roll") {
            return false;
        }
        let Ok(Some((_, Record { state: State::Station(station), .. }))) = self.desk.book().record(about) else {
            return false;
        };
        let Some(count) = station.last_count else { return false };
        if count == *stream {
            return true;
        }
        matches!(self.desk.book().record(&count), Ok(Some((_, Record { state: State::Count(count), .. }))) if count.roll == *stream)
    }
}
