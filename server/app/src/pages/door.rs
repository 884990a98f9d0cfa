//! Signing in and out, the lock, one's own password.

use actix_web::cookie::Cookie;
use actix_web::http::StatusCode;
use actix_web::http::header::LOCATION;
use actix_web::web::{Data, Payload, Query};
use actix_web::{HttpRequest, HttpResponse, ResponseError as _};
use askama::Template;
use serde::Deserialize;
use tallyseal_schema::ids::Id;
use zeroize::Zeroizing;

use super::visitor::{self, Whoever, device_cookie, no_session, session_cookie, typed};
use super::{Frame, PageError, local, page, page_as, see_other};
use crate::desk::{DemoAccount, Desk};
use crate::error::{DeskError, Problem};

#[derive(Deserialize)]
pub(super) struct Back {
    #[serde(default)]
    back: String,
}

#[derive(Template)]
#[template(path = "sign_in.html")]
struct SignInPage<'a> {
    account: String,
    back: String,
    demo: &'a [DemoAccount],
    device: String,
    frame: Frame,
    /// What did not go, and what to do.
    wrong: Option<(String, String)>,
}

#[derive(Template)]
#[template(path = "lock.html")]
struct LockPage {
    back: String,
    frame: Frame,
    wrong: Option<(String, String)>,
}

#[derive(Template)]
#[template(path = "password.html")]
struct PasswordPage {
    back: String,
    frame: Frame,
    one_time: bool,
    wrong: Option<(String, String)>,
}

fn with_cookies(to: &str, cookies: &[Cookie<'_>]) -> HttpResponse {
    let mut response = HttpResponse::SeeOther();
    response.insert_header((LOCATION, to.to_owned()));
    for cookie in cookies {
        response.cookie(cookie.clone());
    }
    response.finish()
}

fn said(error: &DeskError) -> (String, String) {
    let problem = Problem::of(error);
    (problem.detail, problem.remedy)
}

pub(super) async fn sign_in_page(
    request: HttpRequest,
    desk: Data<Desk>,
    back: Query<Back>,
) -> Result<HttpResponse, PageError> {
    page(&SignInPage {
        account: String::new(),
        back: local(&back.back).to_owned(),
        demo: desk.demo(),
        device: visitor::device(&request),
        frame: Frame::new(&desk, None, "door", "Sign in"),
        wrong: None,
    })
}

pub(super) async fn sign_in(
    request: HttpRequest,
    desk: Data<Desk>,
    payload: Payload,
) -> Result<HttpResponse, PageError> {
    let mut given = typed(&request, payload, &desk, None).await?;
    let mut take = |name: &str| given.remove(name).unwrap_or_default();
    let (account, password, back) = (take("account"), Zeroizing::new(take("password")), take("back"));
    let device = take("device").trim().to_uppercase();
    let wrong = match device.parse::<Id>() {
        Err(_) => {
            let what = "The device needs a name.".to_owned();
            ((what, format!("For example D-BENCH-1. {}", super::words::NO_ID)), StatusCode::UNPROCESSABLE_ENTITY)
        }
        Ok(id) => match desk.sign_in(&account, password, id, &visitor::source(&request)).await {
            Ok(signed_in) => {
                let to = if signed_in.seat.must_change_password { "/password" } else { local(&back) };
                return Ok(with_cookies(to, &[session_cookie(&signed_in.token), device_cookie(&device)]));
            }
            Err(error) => (said(&error), error.status_code()),
        },
    };
    page_as(
        wrong.1,
        &SignInPage {
            account,
            back: local(&back).to_owned(),
            demo: desk.demo(),
            device,
            frame: Frame::new(&desk, None, "door", "Sign in"),
            wrong: Some(wrong.0),
        },
    )
}

pub(super) async fn sign_out(
    request: HttpRequest,
    Whoever(seat): Whoever,
    desk: Data<Desk>,
    payload: Payload,
) -> Result<HttpResponse, PageError> {
    typed(&request, payload, &desk, Some(&seat)).await?;
    desk.sign_out(&seat).await?;
    Ok(with_cookies("/sign-in", &[no_session()]))
}

pub(super) async fn lock_page(
    Whoever(seat): Whoever,
    desk: Data<Desk>,
    back: Query<Back>,
) -> Result<HttpResponse, PageError> {
    if !seat.locked {
        return Ok(see_other(&back.back));
    }
    let frame = Frame::new(&desk, Some(&seat), "door", "Locked");
    page(&LockPage { back: local(&back.back).to_owned(), frame, wrong: None })
}

pub(super) async fn unlock(
    request: HttpRequest,
    Whoever(seat): Whoever,
    desk: Data<Desk>,
    payload: Payload,
) -> Result<HttpResponse, PageError> {
    let mut given = typed(&request, payload, &desk, Some(&seat)).await?;
    let mut take = |name: &str| given.remove(name).unwrap_or_default();
    let (account, password, back) = (take("account"), Zeroizing::new(take("password")), take("back"));
    match desk.unlock(&seat, &account, password).await {
        Ok(_) => Ok(see_other(&back)),
        Err(DeskError::SignedOut) => Err(DeskError::SignedOut.into()),
        Err(error) => {
            let frame = Frame::new(&desk, Some(&seat), "door", "Locked");
            let wrong = Some(said(&error));
            page_as(error.status_code(), &LockPage { back: local(&back).to_owned(), frame, wrong })
        }
    }
}

pub(super) async fn password_page(
    Whoever(seat): Whoever,
    desk: Data<Desk>,
    back: Query<Back>,
) -> Result<HttpResponse, PageError> {
    if seat.locked {
        return Ok(see_other("/lock"));
    }
    let one_time = seat.must_change_password;
    let frame = Frame::new(&desk, Some(&seat), "door", "Your password");
    page(&PasswordPage { back: local(&back.back).to_owned(), frame, one_time, wrong: None })
}

pub(super) async fn set_password(
    request: HttpRequest,
    Whoever(seat): Whoever,
    desk: Data<Desk>,
    payload: Payload,
) -> Result<HttpResponse, PageError> {
    if seat.locked {
        return Ok(see_other("/lock"));
    }
    let mut given = typed(&request, payload, &desk, Some(&seat)).await?;
    let mut take = |name: &str| Zeroizing::new(given.remove(name).unwrap_or_default());
    let (current, new, again, back) = (take("current"), take("new"), take("again"), take("back"));
    let done = match new == again {
        true => desk.set_password(&seat, current, new).await.map(drop),
        false => Err(DeskError::Invalid("the new password was not typed the same twice".to_owned())),
    };
    match done {
        Ok(()) => Ok(see_other(&back)),
        Err(error) => {
            let frame = Frame::new(&desk, Some(&seat), "door", "Your password");
            let (one_time, wrong) = (seat.must_change_password, Some(said(&error)));
            page_as(error.status_code(), &PasswordPage { back: local(&back).to_owned(), frame, one_time, wrong })
        }
    }
}
