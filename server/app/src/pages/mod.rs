//! The pages: what people see and touch. A page shows what views say and sends one command; it decides nothing.
//!
//! Pages know a session by its cookie, the API by its token; neither takes the other's, so that no other site can make a
//! browser act. Every form carries a token of its session besides.

mod act;
mod assets;
mod bench;
mod checks;
mod copy;
mod csv;
mod delivery;
mod deviations;
mod door;
mod entry;
pub(crate) mod exceptions;
mod form;
mod integrity;
mod line;
mod live;
mod next;
mod order;
mod orders;
mod outside;
mod roll;
mod shown;
mod sieve;
mod steps;
mod stock;
mod symbol;
mod thing;
mod today;
mod trail;
mod visitor;
mod web_strip;
mod whole;
mod words;

use actix_web::http::StatusCode;
use actix_web::http::header::{CONTENT_TYPE, HeaderName, HeaderValue, LOCATION, RETRY_AFTER};
use actix_web::web;
use actix_web::{HttpResponse, ResponseError};
use askama::Template;
use tallyseal_book::ReadError;
use tallyseal_control::AUTHORITY;
use tallyseal_report::{flow, mark, strip};
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::Role;

use crate::counted::READERS;
use crate::desk::{Desk, Seat};
use crate::error::{DeskError, Problem};
use crate::randomness::NoRandomness;
pub(crate) use visitor::session_token;
use words::When;

/// What a page may load and send to: this server and nobody else; no script in a page.
///
/// Rule: W3C Content Security Policy Level 3.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; img-src 'self'; \
                      connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'";

/// Every page.
pub(crate) fn routes(config: &mut web::ServiceConfig) {
    config
        .route("/", web::get().to(today::today))
        .route("/sign-in", web::get().to(door::sign_in_page))
        .route("/sign-in", web::post().to(door::sign_in))
        .route("/sign-out", web::post().to(door::sign_out))
        .route("/lock", web::get().to(door::lock_page))
        .route("/lock", web::post().to(door::unlock))
        .route("/password", web::get().to(door::password_page))
        .route("/password", web::post().to(door::set_password))
        .route("/find", web::get().to(thing::find))
        .route("/acts/{name}", web::get().to(act::form_page))
        .route("/acts/{name}", web::post().to(act::submit))
        .route("/rolls", web::get().to(stock::rolls))
        .route("/rolls.csv", web::get().to(stock::rolls_csv))
        .route("/rolls/{id}", web::get().to(roll::one))
        .route("/rolls/{id}/tag", web::get().to(roll::tag))
        .route("/places", web::get().to(stock::places))
        .route("/deliveries", web::get().to(delivery::deliveries))
        .route("/deliveries.csv", web::get().to(delivery::deliveries_csv))
        .route("/deliveries/{id}", web::get().to(delivery::one))
        .route("/orders", web::get().to(orders::list))
        .route("/orders.csv", web::get().to(orders::csv))
        .route("/orders/{id}", web::get().to(order::one))
        .route("/lines", web::get().to(line::board))
        .route("/lines/{id}", web::get().to(line::one))
        .route("/things", web::get().to(thing::sorts))
        .route("/things/{thing}.csv", web::get().to(thing::list_csv))
        .route("/things/{thing}", web::get().to(thing::list))
        .route("/things/{thing}/{id}", web::get().to(thing::one))
        .route("/exceptions", web::get().to(exceptions::list))
        .route("/exceptions.csv", web::get().to(exceptions::list_csv))
        .route("/exceptions/bytes/{n}", web::get().to(exceptions::bytes))
        .route("/deviations", web::get().to(deviations::list))
        .route("/deviations.csv", web::get().to(deviations::list_csv))
        .route("/deviations/{id}", web::get().to(deviations::one))
        .route("/things/{thing}/{id}/record.zip", web::post().to(copy::take))
        .route("/copies/{name}", web::get().to(copy::state))
        .route("/copies/{name}/{file}", web::get().to(copy::fetch))
        .route("/trail", web::get().to(trail::trail))
        .route("/trail.csv", web::get().to(trail::csv))
        .route("/trail/{n}", web::get().to(entry::one))
        .route("/trail/{n}/entry.json", web::get().to(entry::bytes))
        .route("/trail/{n}/proof.json", web::get().to(entry::proof))
        .route("/integrity", web::get().to(integrity::page_of))
        .route("/integrity/checkpoint", web::get().to(integrity::newest))
        .route("/integrity/copy", web::post().to(copy::take_typed))
        .route("/integrity/paper", web::post().to(integrity::paper))
        .route("/integrity/record", web::post().to(integrity::record))
        .route("/integrity/run", web::get().to(integrity::run_part))
        .route("/integrity/run", web::post().to(integrity::begin))
        .route("/bench", web::get().to(bench::board))
        .route("/bench/{station}", web::get().to(bench::bench_page))
        .route("/bench/{station}/scan", web::get().to(bench::scan_again))
        .route("/bench/{station}/scan", web::post().to(bench::scan))
        .route("/live", web::get().to(live::live))
        .route("/assets/{name}", web::get().to(assets::asset));
}

/// Where a thing has its page.
pub(crate) fn href(stream: &Stream) -> String {
    match stream.thing() {
        "roll" => format!("/rolls/{}", stream.id()),
        "delivery" => format!("/deliveries/{}", stream.id()),
        "deviation" => format!("/deviations/{}", stream.id()),
        "station" => format!("/bench/{}", stream.id()),
        "line" => format!("/lines/{}", stream.id()),
        "order" => format!("/orders/{}", stream.id()),
        thing => format!("/things/{thing}/{}", stream.id()),
    }
}

/// What stands around every page.
pub(crate) struct Frame {
    /// Name of the book.
    pub(crate) book: String,
    /// What was just recorded.
    pub(crate) done: Option<String>,
    /// Token of the session for forms; empty outside one.
    pub(crate) form_token: String,
    /// Which part of the house this is.
    pub(crate) here: &'static str,
    /// When the page was made.
    now: When,
    pub(crate) title: String,
    pub(crate) who: Option<Seat>,
    pub(crate) zone: String,
}

impl Frame {
    /// The frame of a page. `here`: key of the part of the house, see `layout.html`.
    pub(crate) fn new(desk: &Desk, who: Option<&Seat>, here: &'static str, title: impl Into<String>) -> Self {
        let now = crate::clock::now();
        Self {
            book: desk.name().to_string(),
            done: None,
            form_token: who.and_then(|seat| desk.form_token(seat)).unwrap_or_default(),
            here,
            now: words::when(now, desk.zone()),
            title: title.into(),
            who: who.cloned(),
            zone: desk.zone().to_string(),
        }
    }

    /// The roles of whoever looks, as people call them.
    pub(crate) fn roles(&self) -> String {
        let roles = self.who.iter().flat_map(|seat| &seat.roles).map(|role| role.title());
        roles.collect::<Vec<_>>().join(", ")
    }

    /// True where whoever looks may act in one of these roles.
    pub(crate) fn is_any(&self, roles: &[Role]) -> bool {
        self.who.as_ref().is_some_and(|seat| seat.roles.iter().any(|role| roles.contains(role)))
    }

    /// True where the roles of whoever looks read entries.
    pub(crate) fn reads_entries(&self) -> bool {
        self.is_any(READERS)
    }

    /// The roles in which whoever looks may take a sealed record along.
    pub(crate) fn copy_roles(&self) -> Vec<Role> {
        let row = AUTHORITY.iter().find(|row| row.command == "note_export");
        let own = self.who.iter().flat_map(|seat| &seat.roles).copied();
        own.filter(|role| row.is_some_and(|row| row.roles.contains(role))).collect()
    }

    /// The version of what the page loads: a new one is loaded anew.
    pub(crate) fn assets(&self) -> &'static str {
        assets::version()
    }
}

/// Why a page cannot be shown.
#[derive(Debug)]
pub(crate) enum PageError {
    /// The desk's reason.
    Desk(DeskError),
    /// The session is locked; where the person was.
    Locked(Wish),
    /// The form does not come from a page of this session.
    NotOurForm,
    /// The password is a one-time one.
    OneTime(Wish),
    /// Nobody is signed in; where the person wants to go.
    SignedOut(Wish),
}

/// Where somebody wants to go.
#[derive(Debug, Clone, Default)]
pub(crate) struct Wish {
    /// Only a part of a page is asked for, by a script.
    pub(crate) part: bool,
    /// Path and query.
    pub(crate) path: String,
}

impl From<DeskError> for PageError {
    fn from(error: DeskError) -> Self {
        Self::Desk(error)
    }
}

impl From<ReadError> for PageError {
    fn from(error: ReadError) -> Self {
        Self::Desk(error.into())
    }
}

impl From<NoRandomness> for PageError {
    fn from(error: NoRandomness) -> Self {
        Self::Desk(error.into())
    }
}

impl std::fmt::Display for PageError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Desk(error) => error.fmt(f),
            Self::Locked(_) => f.write_str("the session is locked"),
            Self::NotOurForm => f.write_str("the form does not come from a page of this session"),
            Self::OneTime(_) => f.write_str("the password is a one-time one"),
            Self::SignedOut(_) => f.write_str("nobody is signed in"),
        }
    }
}

#[derive(Template)]
#[template(path = "wrong.html")]
struct Wrong {
    detail: String,
    remedy: String,
    title: String,
    version: &'static str,
}

impl ResponseError for PageError {
    fn status_code(&self) -> StatusCode {
        match self {
            Self::Desk(error) => error.status_code(),
            Self::NotOurForm => StatusCode::FORBIDDEN,
            Self::Locked(_) | Self::OneTime(_) | Self::SignedOut(_) => StatusCode::SEE_OTHER,
        }
    }

    fn error_response(&self) -> HttpResponse {
        let (title, detail, remedy) = match self {
            Self::Locked(wish) => return elsewhere("/lock", wish),
            Self::OneTime(wish) => return elsewhere("/password", wish),
            Self::SignedOut(wish) => return elsewhere("/sign-in", wish),
            Self::Desk(DeskError::SignedOut) => return elsewhere("/sign-in", &Wish::default()),
            Self::NotOurForm => (
                "Not from a page of this session".to_owned(),
                "Nothing was done: the form does not come from a page of the session that is open here.".to_owned(),
                "Go back, load the page again, and send it from there.".to_owned(),
            ),
            Self::Desk(error) => {
                let problem = Problem::of(error);
                (problem.title.to_owned(), problem.detail, problem.remedy)
            }
        };
        let page = Wrong { detail, remedy, title, version: assets::version() };
        let status = self.status_code();
        let mut response = html(status, page.render().unwrap_or_else(|_| "The page could not be made.".to_owned()));
        if status == StatusCode::SERVICE_UNAVAILABLE {
            response.headers_mut().insert(RETRY_AFTER, HeaderValue::from_static("10"));
        }
        response
    }
}

/// Sends somebody to another page first, who comes back after it. A script is told to load it whole.
fn elsewhere(to: &str, wish: &Wish) -> HttpResponse {
    let query = serde_urlencoded::to_string([("back", &wish.path)]).unwrap_or_default();
    let target = format!("{to}?{query}");
    match wish.part {
        true => HttpResponse::Unauthorized().insert_header(("HX-Redirect", to.to_owned())).finish(),
        false => HttpResponse::SeeOther().insert_header((LOCATION, target)).finish(),
    }
}

/// A page, or a part of one.
pub(crate) fn page(template: &impl Template) -> Result<HttpResponse, PageError> {
    page_as(StatusCode::OK, template)
}

/// A page that says that something did not go.
pub(crate) fn page_as(status: StatusCode, template: &impl Template) -> Result<HttpResponse, PageError> {
    let text = template.render().map_err(|error| DeskError::Internal(error.to_string()))?;
    Ok(html(status, text))
}

fn html(status: StatusCode, text: String) -> HttpResponse {
    HttpResponse::build(status)
        .insert_header((CONTENT_TYPE, "text/html; charset=utf-8"))
        .insert_header((HeaderName::from_static("content-security-policy"), HeaderValue::from_static(POLICY)))
        .insert_header((HeaderName::from_static("referrer-policy"), HeaderValue::from_static("same-origin")))
        .insert_header((HeaderName::from_static("cross-origin-opener-policy"), HeaderValue::from_static("same-origin")))
        .body(text)
}

/// Does what looks through much away from the web's two threads, which have others to answer.
///
/// Errors: the work's own; it broke off.
pub(crate) async fn beside<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, PageError> + Send + 'static,
) -> Result<T, PageError> {
    tokio::task::spawn_blocking(work).await.map_err(|error| DeskError::Internal(error.to_string()))?
}

/// The next page after something was done.
pub(crate) fn see_other(to: &str) -> HttpResponse {
    HttpResponse::SeeOther().insert_header((LOCATION, local(to).to_owned())).finish()
}

/// A path of this server, whatever a link or form says.
pub(crate) fn local(path: &str) -> &str {
    let ours = path.starts_with('/') && !path.starts_with("//") && !path.starts_with("/\\");
    if ours && path.chars().all(|c| !c.is_control() && c.is_ascii()) { path } else { "/" }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_is_sent_to_another_server() {
        for bad in ["//evil.example", "/\\evil.example", "https://evil.example", "javascript:x", "", "/a\nb"] {
            assert_eq!(local(bad), "/", "{bad}");
        }
        for good in ["/", "/things/roll/R-1?a=b", "/acts/sign_count?count=C-1"] {
            assert_eq!(local(good), good);
        }
    }
}
