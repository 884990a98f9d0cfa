//! The first page: what waits for this person's hand.

use actix_web::HttpResponse;
use actix_web::web::{Data, Query};
use askama::Template;
use tallyseal_control::Key;

use super::act::named;
use super::thing::{Shown, done, status};
use super::visitor::Visitor;
use super::{Frame, PageError, href, page};
use crate::desk::Desk;

/// So many of a sort are shown; the list has them all.
const SHOWN: usize = 12;

struct Waiting {
    list: &'static str,
    title: &'static str,
    things: Vec<(String, String, String)>,
}

#[derive(Template)]
#[template(path = "today.html")]
struct TodayPage {
    frame: Frame,
    waiting: Vec<Waiting>,
}

pub(super) async fn today(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    query: Query<Shown>,
) -> Result<HttpResponse, PageError> {
    let mut frame = Frame::new(&desk, Some(&seat), "today", "Today");
    frame.done = done(&desk, &query);
    let mut waiting = Vec::new();
    for (title, key, list) in [
        ("Counts that run", Key::new("count.open", "yes"), "/things/count"),
        ("Counts to be signed", Key::new("count.unsigned", "yes"), "/things/count"),
        ("Issues that wait for the line", Key::new("issue.open", "yes"), "/things/issue"),
        ("Orders", Key::new("order.open", "yes"), "/things/order"),
        ("Deviations", Key::new("deviation.open", "yes"), "/things/deviation"),
        ("Containers that wait for destruction", Key::new("container.waits", "yes"), "/things/container"),
    ] {
        let mut things = Vec::new();
        for stream in desk.book().set_page(&key, None, SHOWN)? {
            if let Some((_, record)) = desk.book().record(&stream)? {
                things.push((named(&stream), href(&stream), status(&record)));
            }
        }
        waiting.push(Waiting { list, title, things });
    }
    page(&TodayPage { frame, waiting })
}
