//! Everything that can go wrong at the desk, and what a client is told: RFC 9457 problem details, one sentence why and
//! one what to do. A cause inside the server goes to the log under an incident number, never to the client.

use actix_web::http::StatusCode;
use actix_web::http::header::{ALLOW, CONTENT_TYPE, RETRY_AFTER, WWW_AUTHENTICATE};
use actix_web::{HttpResponse, ResponseError};
use serde_json::{Value, json};
use tallyseal_book::{ActError, ReadError};
use tallyseal_control::{Refusal, RefusalKind};

use crate::randomness::NoRandomness;
use crate::vault::VaultError;

/// Why the desk could not do it.
#[derive(Debug)]
pub enum DeskError {
    /// The book's answer.
    Act(Box<ActError>),
    /// An object in the request has two equal keys; which.
    EqualKeys(String),
    /// The software failed; the cause is for the log.
    Internal(String),
    /// The request makes no sense; what is wrong.
    Invalid(String),
    /// Too many wrong passwords for this account; it is locked for a while.
    Locked,
    /// There is no such command for people.
    NoSuchCommand(String),
    /// The page does not know that method; the ones it knows.
    NoSuchMethod(&'static str),
    /// There is no such thing; what was asked for.
    NotFound(String),
    /// The book contradicts a receipt that was shown, for the entry at that position: it was set back, or is a copy.
    SetBack(u64),
    /// There is no open session.
    SignedOut,
    /// The roles of the session may not read this.
    MayNotRead,
    /// Account or password is wrong.
    WrongPassword,
    /// So much of this is done already that no more is begun; what, in a sentence.
    TooMany(&'static str),
    /// The request is too large. Unit: bytes.
    TooLarge(usize),
    /// The request came too slowly.
    TooSlow,
}

impl DeskError {
    /// A refusal that the desk itself gives.
    pub fn refused(refusal: Refusal) -> Self {
        Self::Act(Box::new(ActError::Refused { refusal: Box::new(refusal), receipt: None }))
    }
}

impl From<ActError> for DeskError {
    fn from(error: ActError) -> Self {
        Self::Act(Box::new(error))
    }
}

impl From<ReadError> for DeskError {
    fn from(error: ReadError) -> Self {
        Self::Internal(error.to_string())
    }
}

impl From<NoRandomness> for DeskError {
    fn from(error: NoRandomness) -> Self {
        Self::Internal(error.to_string())
    }
}

impl From<VaultError> for DeskError {
    fn from(error: VaultError) -> Self {
        match error {
            VaultError::WrongPassword => Self::WrongPassword,
            VaultError::Unfit(why) => Self::Invalid(why.to_owned()),
            VaultError::Broken(what) => Self::Internal(what),
        }
    }
}

/// What a client is told.
pub(crate) struct Problem {
    code: String,
    pub(crate) detail: String,
    extra: Value,
    pub(crate) remedy: String,
    status: StatusCode,
    pub(crate) title: &'static str,
}

impl Problem {
    fn new(status: StatusCode, title: &'static str, code: &str, detail: impl Into<String>, remedy: &str) -> Self {
        Self {
            code: code.to_owned(),
            detail: detail.into(),
            extra: Value::Null,
            remedy: remedy.to_owned(),
            status,
            title,
        }
    }

    fn internal(cause: &str) -> Self {
        let incident = crate::randomness::act().map_or_else(|_| "unknown".to_owned(), |act| act.to_string());
        tracing::error!(incident, cause, "internal error");
        let mut problem = Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "The server failed",
            "internal",
            format!("The server failed (incident {incident})."),
            "Look whether it was recorded; trying again with the same act records it once.",
        );
        problem.extra = json!({ "incident": incident });
        problem
    }

    /// What a client is told of it. A cause inside the server goes to the log.
    pub(crate) fn of(error: &DeskError) -> Self {
        match error {
            DeskError::Act(error) => Self::of_act(error),
            DeskError::EqualKeys(key) => Self::new(
                StatusCode::BAD_REQUEST,
                "Equal keys",
                "equal-keys",
                format!(
                    "An object in the request has the key \"{key}\" twice; which of them is meant nobody can tell."
                ),
                "Say it once.",
            ),
            DeskError::Internal(cause) => Self::internal(cause),
            DeskError::Invalid(what) => Self::new(
                StatusCode::UNPROCESSABLE_ENTITY,
                "The request makes no sense",
                "invalid",
                what,
                "Correct it and send it again.",
            ),
            DeskError::Locked => Self::new(
                StatusCode::TOO_MANY_REQUESTS,
                "Locked for a while",
                "locked",
                "Too many wrong passwords were given for this account.",
                "Wait a quarter of an hour, or ask an administrator to unlock it.",
            ),
            DeskError::NoSuchCommand(name) => Self::new(
                StatusCode::NOT_FOUND,
                "No such command",
                "no-such-command",
                format!("There is no command \"{name}\" for people."),
                "Look at the list of commands.",
            ),
            DeskError::NoSuchMethod(methods) => Self::new(
                StatusCode::METHOD_NOT_ALLOWED,
                "No such method",
                "no-such-method",
                format!("This page knows {methods} and nothing else."),
                "Look at the list of pages.",
            ),
            DeskError::NotFound(what) => Self::new(
                StatusCode::NOT_FOUND,
                "Not found",
                "not-found",
                format!("There is no {what} in this book."),
                "Check the ID.",
            ),
            DeskError::SetBack(n) => Self::new(
                StatusCode::CONFLICT,
                "Not the book that you wrote in",
                "book-set-back",
                format!(
                    "Nothing was done: entry {n} is not in this book as it was when it was recorded. The book was set back \
                     to an older copy, or this server runs on a second copy of it."
                ),
                "Stop packaging with this server, tell quality and whoever runs it, and keep this device as it is: its \
                 receipt is the proof.",
            ),
            DeskError::SignedOut => {
                Self::new(StatusCode::UNAUTHORIZED, "Signed out", "signed-out", "There is no open session.", "Sign in.")
            }
            DeskError::MayNotRead => Self::new(
                StatusCode::FORBIDDEN,
                "Not for this role",
                "may-not-read",
                "Your roles do not read this, or a count runs that you have or may have a part in: what to expect stays \
                 hidden for so long.",
                "Read it when the count has ended, or ask a supervisor, a reviewer or an auditor.",
            ),
            DeskError::WrongPassword => Self::new(
                StatusCode::UNAUTHORIZED,
                "Wrong account or password",
                "wrong-password",
                "The account or the password is wrong. Nothing was done; the attempt is recorded.",
                "Try again; after several wrong ones the session or the account is locked.",
            ),
            DeskError::TooLarge(max) => Self::new(
                StatusCode::PAYLOAD_TOO_LARGE,
                "Too large",
                "too-large",
                format!("The request is larger than {max} bytes."),
                "Send less at a time.",
            ),
            DeskError::TooMany(what) => Self::new(
                StatusCode::SERVICE_UNAVAILABLE,
                "Busy",
                "busy",
                *what,
                "Nothing was begun. Try again in a minute.",
            ),
            DeskError::TooSlow => Self::new(
                StatusCode::REQUEST_TIMEOUT,
                "Too slow",
                "too-slow",
                "The request did not come in whole in time.",
                "Look at the network and send it again with the same act.",
            ),
        }
    }

    fn of_act(error: &ActError) -> Self {
        match error {
            ActError::Refused { refusal, receipt } => {
                let (status, title) = match refusal.kind {
                    RefusalKind::Conflict => (StatusCode::CONFLICT, "Refused"),
                    RefusalKind::Forbidden => (StatusCode::FORBIDDEN, "Not allowed"),
                    RefusalKind::NotFound => (StatusCode::NOT_FOUND, "Not found"),
                    RefusalKind::Invalid => (StatusCode::UNPROCESSABLE_ENTITY, "The request makes no sense"),
                    RefusalKind::SignedOut => (StatusCode::UNAUTHORIZED, "Signed out"),
                    RefusalKind::NeedsPassword => (StatusCode::UNAUTHORIZED, "A signature"),
                    RefusalKind::Locked => (StatusCode::LOCKED, "Locked"),
                    RefusalKind::Internal => return Self::internal(&refusal.text),
                };
                let mut problem = Self::new(status, title, &refusal.code, refusal.text.clone(), &refusal.remedy);
                if let Some(receipt) = receipt {
                    problem.extra = json!({ "recorded": { "n": receipt.n, "leaf": receipt.leaf } });
                }
                problem
            }
            ActError::Stale(streams) => {
                let mut problem = Self::new(
                    StatusCode::CONFLICT,
                    "Changed meanwhile",
                    "stale",
                    error.to_string(),
                    "Look at what changed, decide anew, and begin a new act.",
                );
                let changed: Vec<Value> = streams
                    .iter()
                    .map(|stale| {
                        let last =
                            stale.last.as_ref().map(|last| json!({ "kind": last.kind, "by": last.by, "at": last.at }));
                        json!({ "stream": stale.stream, "expected": stale.expected, "rev": stale.rev, "last": last })
                    })
                    .collect();
                problem.extra = json!({ "changed": changed });
                problem
            }
            ActError::OtherRequest => Self::new(
                StatusCode::CONFLICT,
                "Another request",
                "other-request",
                error.to_string(),
                "Make a new act for every thing that is to be done.",
            ),
            ActError::Busy => Self::new(
                StatusCode::SERVICE_UNAVAILABLE,
                "Busy",
                "busy",
                error.to_string(),
                "Try again in a few seconds with the same act.",
            ),
            ActError::Stopped(_) => Self::new(
                StatusCode::SERVICE_UNAVAILABLE,
                "Stopped",
                "stopped",
                error.to_string(),
                "Tell the administrator; try again with the same act when the server is back.",
            ),
            ActError::Failed { incident } => {
                let mut problem = Self::new(
                    StatusCode::INTERNAL_SERVER_ERROR,
                    "The server failed",
                    "internal",
                    error.to_string(),
                    "Look whether it was recorded; trying again with the same act records it once.",
                );
                problem.extra = json!({ "incident": incident });
                problem
            }
        }
    }
}

impl std::fmt::Display for DeskError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            // The cause stays inside; only whoever runs the command line sees it.
            Self::Internal(cause) => write!(f, "the server failed: {cause}"),
            other => {
                let problem = Problem::of(other);
                write!(f, "{} {}", problem.detail, problem.remedy)
            }
        }
    }
}

impl std::error::Error for DeskError {}

impl ResponseError for DeskError {
    fn status_code(&self) -> StatusCode {
        Problem::of(self).status
    }

    fn error_response(&self) -> HttpResponse {
        let problem = Problem::of(self);
        let mut body = json!({
            "code": problem.code,
            "detail": problem.detail,
            "remedy": problem.remedy,
            "status": problem.status.as_u16(),
            "title": problem.title,
            "type": format!("urn:tallyseal:problem:{}", problem.code),
        });
        if let (Value::Object(body), Value::Object(extra)) = (&mut body, problem.extra) {
            body.extend(extra);
        }
        let mut response = HttpResponse::build(problem.status);
        if problem.status == StatusCode::SERVICE_UNAVAILABLE {
            response.insert_header((RETRY_AFTER, "2"));
        }
        if problem.status == StatusCode::UNAUTHORIZED {
            response.insert_header((WWW_AUTHENTICATE, "Bearer"));
        }
        if let Self::NoSuchMethod(methods) = self {
            response.insert_header((ALLOW, *methods));
        }
        response.insert_header((CONTENT_TYPE, "application/problem+json")).body(body.to_string())
    }
}
