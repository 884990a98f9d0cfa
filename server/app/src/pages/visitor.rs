//! Who looks at a page: the session that the cookie names.

use std::collections::BTreeMap;
use std::future::Future;
use std::pin::Pin;

use actix_web::cookie::{Cookie, SameSite, time};
use actix_web::web::Data;
use actix_web::{FromRequest, HttpRequest};
use tallyseal_schema::ids::Id;

use super::{PageError, Wish};
use crate::desk::{Desk, Seat};
use crate::error::DeskError;

/// The cookie with the token of the session. The prefix makes a browser hold it to this host, over TLS or on loopback.
///
/// Rule: RFC 6265bis section 4.1.3.2.
const SESSION: &str = "__Host-tallyseal";
/// The cookie that remembers what this device is called. No secret.
const DEVICE: &str = "tallyseal-device";
/// Sent by scripts that look on their own: that is nobody's use of the session.
const UNATTENDED: &str = "Tallyseal-Unattended";

/// The cookie of a session.
pub(super) fn session_cookie(token: &str) -> Cookie<'static> {
    Cookie::build(SESSION, token.to_owned()).path("/").secure(true).http_only(true).same_site(SameSite::Strict).finish()
}

/// The token of the session that a browser says it has.
pub(crate) fn session_token(request: &HttpRequest) -> Option<String> {
    request.cookie(SESSION).map(|cookie| cookie.value().to_owned())
}

/// The cookie that ends it in the browser.
pub(super) fn no_session() -> Cookie<'static> {
    let mut cookie = session_cookie("");
    cookie.set_max_age(time::Duration::ZERO);
    cookie
}

/// The cookie that keeps a device's name for a year.
pub(super) fn device_cookie(device: &str) -> Cookie<'static> {
    Cookie::build(DEVICE, device.to_owned())
        .path("/")
        .secure(true)
        .http_only(true)
        .same_site(SameSite::Strict)
        .max_age(time::Duration::days(365))
        .finish()
}

/// What the device is called, where it has been used before.
pub(super) fn device(request: &HttpRequest) -> String {
    request.cookie(DEVICE).map_or_else(String::new, |cookie| cookie.value().chars().take(40).collect())
}

/// Where a request wants to go: back to there after signing in.
pub(super) fn wish(request: &HttpRequest) -> Wish {
    let part = request.headers().contains_key("HX-Request");
    let path = match *request.method() == actix_web::http::Method::GET && !part {
        true => request.uri().path_and_query().map_or("/", |path| path.as_str()).to_owned(),
        false => "/".to_owned(),
    };
    Wish { part, path }
}

/// The caller's open session, locked or not.
pub(super) struct Whoever(pub(super) Seat);

/// The caller's open session, not locked, with a password of their own.
pub(crate) struct Visitor(pub(crate) Seat);

/// The caller's open session, locked or not, with a password of their own and a role: for the counts that run, which a lock
/// does not hide.
pub(super) struct Looker(pub(super) Seat);

/// The caller's open session, for a page that watches.
pub(super) struct Watcher {
    /// A lock hides no count that runs: a locked session watches stations, and nothing else.
    pub(super) locked: bool,
    pub(super) session: Id,
    pub(super) token: String,
}

type Asked<T> = Pin<Box<dyn Future<Output = Result<T, PageError>>>>;

impl FromRequest for Whoever {
    type Error = PageError;
    type Future = Asked<Self>;

    fn from_request(request: &HttpRequest, _: &mut actix_web::dev::Payload) -> Self::Future {
        let desk = request.app_data::<Data<Desk>>().cloned();
        let token = session_token(request);
        let unattended = request.headers().contains_key(UNATTENDED);
        let wish = wish(request);
        Box::pin(async move {
            let (Some(desk), Some(token)) = (desk, token) else { return Err(PageError::SignedOut(wish)) };
            let seat = match unattended {
                true => desk.watched_seat(&token).await,
                false => desk.used_seat(&token).await,
            };
            match seat {
                Ok(seat) => Ok(Self(seat)),
                Err(DeskError::SignedOut) => Err(PageError::SignedOut(wish)),
                Err(error) => Err(error.into()),
            }
        })
    }
}

/// Lets through who has a password of their own and a role that holds, locked or not.
fn admitted(seat: Seat, wish: Wish) -> Result<Seat, PageError> {
    if seat.must_change_password {
        return Err(PageError::OneTime(wish));
    }
    seat.must_have_a_role()?;
    Ok(seat)
}

impl FromRequest for Visitor {
    type Error = PageError;
    type Future = Asked<Self>;

    fn from_request(request: &HttpRequest, payload: &mut actix_web::dev::Payload) -> Self::Future {
        let whoever = Whoever::from_request(request, payload);
        let wish = wish(request);
        Box::pin(async move {
            match whoever.await? {
                Whoever(seat) if seat.locked => Err(PageError::Locked(wish)),
                Whoever(seat) => admitted(seat, wish).map(Self),
            }
        })
    }
}

impl FromRequest for Looker {
    type Error = PageError;
    type Future = Asked<Self>;

    fn from_request(request: &HttpRequest, payload: &mut actix_web::dev::Payload) -> Self::Future {
        let whoever = Whoever::from_request(request, payload);
        let wish = wish(request);
        Box::pin(async move { admitted(whoever.await?.0, wish).map(Self) })
    }
}

impl FromRequest for Watcher {
    type Error = PageError;
    type Future = Asked<Self>;

    fn from_request(request: &HttpRequest, _: &mut actix_web::dev::Payload) -> Self::Future {
        let desk = request.app_data::<Data<Desk>>().cloned();
        let token = request.cookie(SESSION).map(|cookie| cookie.value().to_owned());
        let wish = wish(request);
        Box::pin(async move {
            let (Some(desk), Some(token)) = (desk, token) else { return Err(PageError::SignedOut(wish)) };
            match desk.watched_seat(&token).await {
                Ok(seat) => {
                    let seat = admitted(seat, wish)?;
                    Ok(Self { locked: seat.locked, session: seat.session, token })
                }
                Err(DeskError::SignedOut) => Err(PageError::SignedOut(wish)),
                Err(error) => Err(error.into()),
            }
        })
    }
}

/// What was typed into a form.
pub(super) type Typed = BTreeMap<String, String>;

/// The fields of a form, checked to come from a page of this session.
///
/// Errors: another site sent it, or another session; too much or too slowly.
pub(super) async fn typed(
    request: &HttpRequest,
    payload: actix_web::web::Payload,
    desk: &Desk,
    seat: Option<&Seat>,
) -> Result<Typed, PageError> {
    not_from_elsewhere(request)?;
    let bytes = crate::api::bytes(payload, crate::api::BODY_MAX).await?;
    let pairs: Vec<(String, String)> =
        serde_urlencoded::from_bytes(&bytes).map_err(|error| DeskError::Invalid(error.to_string()))?;
    let mut typed = Typed::new();
    for (name, text) in pairs {
        typed.insert(name, text.replace("\r\n", "\n"));
    }
    if let Some(seat) = seat {
        let token = typed.remove("form_token").unwrap_or_default();
        if !desk.is_form_token(seat, &token) {
            return Err(PageError::NotOurForm);
        }
    }
    Ok(typed)
}

/// Browsers say where a request begins; whoever says nothing is held by the token.
///
/// Errors: another site sent it.
pub(super) fn not_from_elsewhere(request: &HttpRequest) -> Result<(), PageError> {
    let head = |name: &str| request.headers().get(name).map(|value| value.to_str().unwrap_or_default());
    let ours = match (head("Sec-Fetch-Site"), head("Origin")) {
        (Some(from), _) => from == "same-origin" || from == "none",
        // Older browsers, and pages that do not come over TLS, say only this.
        (None, Some(origin)) => is_own(origin, head("Host").unwrap_or_default()),
        (None, None) => true,
    };
    if ours { Ok(()) } else { Err(PageError::NotOurForm) }
}

/// True for the origin of a page that this host served. `null` is the origin of whoever hides it.
///
/// Rule: RFC 6454 section 7.
fn is_own(origin: &str, host: &str) -> bool {
    let Some((scheme, from)) = origin.split_once("://") else { return false };
    // The port that a scheme has by itself may be said or not.
    let usual = match scheme {
        "https" => ":443",
        "http" => ":80",
        _ => return false,
    };
    let bare = |authority: &str| authority.strip_suffix(usual).unwrap_or(authority).to_ascii_lowercase();
    !from.is_empty() && bare(from) == bare(host)
}

/// Where a call comes from, for the record of failures.
pub(super) fn source(request: &HttpRequest) -> String {
    request.peer_addr().map_or_else(|| "unknown".to_owned(), |peer| peer.ip().to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_origin_is_our_own_host_and_nothing_else() {
        for (origin, host) in [
            ("http://127.0.0.1:8080", "127.0.0.1:8080"),
            ("https://Label-Room.example", "label-room.example"),
            ("https://label-room.example", "label-room.example:443"),
            ("http://label-room.example:80", "label-room.example"),
            ("http://[::1]:8080", "[::1]:8080"),
        ] {
            assert!(is_own(origin, host), "{origin} {host}");
        }
        for (origin, host) in [
            ("null", "label-room.example"),
            ("", ""),
            ("https://", ""),
            ("https://evil.example", "label-room.example"),
            ("https://label-room.example.evil.example", "label-room.example"),
            ("http://127.0.0.1:8081", "127.0.0.1:8080"),
            ("file://label-room.example", "label-room.example"),
        ] {
            assert!(!is_own(origin, host), "{origin} {host}");
        }
    }
}
