//! Receipts that clients show: each call carries the last one, so that a book that was set back, or a second copy of it, is
//! noticed by those who wrote in it. One look at one entry for each call.
//!
//! Rule: `FORMAT.md` section 3, receipts.

use actix_web::body::{BoxBody, MessageBody};
use actix_web::cookie::{Cookie, SameSite, time};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::Method;
use actix_web::http::header::{HeaderName, HeaderValue};
use actix_web::middleware::Next;
use actix_web::web::Data;
use actix_web::{HttpRequest, ResponseError as _};
use tallyseal_book::{Book, ReadError};
use tallyseal_control::Command;
use tallyseal_schema::checkpoint::{self, VerifierKey};
use tallyseal_schema::{AccountId, BookName, Hash, canonical, tree};

use crate::clock;
use crate::desk::Desk;
use crate::error::DeskError;
use crate::pages::{PageError, session_token};
use crate::witnesses::book_state;

/// Where the API takes and gives receipts.
pub(crate) const HEADER: &str = "tallyseal-receipt";
/// Where browsers keep theirs. No secret: it says what the book said.
const COOKIE: &str = "__Host-tallyseal-receipt";
/// The longest that is read. Unit: bytes.
const RECEIPT_MAX: usize = 4_000;
/// What people need to come in, to go, and to look what is wrong.
const DOOR: &[&str] = &["/sign-in", "/sign-out", "/lock"];
/// What pages load by themselves.
const BESIDE: &[&str] = &["/assets/", "/live"];

/// A receipt as it is shown.
///
/// Shape: as text `book=NAME&n=N&leaf=HEX` and, where there is one, `&checkpoint=BASE64` of the whole note. Nothing is
/// escaped: no value has `&` in it.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Receipt {
    book: BookName,
    checkpoint: Option<String>,
    leaf: Hash,
    n: u64,
}

impl Receipt {
    /// `None`: it has another form.
    fn read(text: &str) -> Option<Self> {
        if text.len() > RECEIPT_MAX {
            return None;
        }
        let (mut book, mut checkpoint, mut leaf, mut n) = (None, None, None, None);
        for part in text.split('&') {
            let (name, value) = part.split_once('=')?;
            let again = match name {
                "book" => book.replace(value.parse().ok()?).is_some(),
                "checkpoint" => checkpoint.replace(String::from_utf8(canonical::unbase64(value)?).ok()?).is_some(),
                "leaf" => leaf.replace(value.parse().ok()?).is_some(),
                "n" => n.replace(value.parse().ok()?).is_some(),
                _ => return None,
            };
            if again {
                return None;
            }
        }
        Some(Self { book: book?, checkpoint, leaf: leaf?, n: n? })
    }

    /// The newest of this book.
    fn now(book: &Book) -> Result<Self, ReadError> {
        let head = book.head()?;
        Ok(Self { book: head.book, checkpoint: Some(book.checkpoint()?), leaf: head.leaf, n: head.n })
    }

    fn text(&self) -> String {
        let mut text = format!("book={}&n={}&leaf={}", self.book, self.n, self.leaf);
        if let Some(checkpoint) = &self.checkpoint {
            text.push_str(&format!("&checkpoint={}", canonical::base64(checkpoint)));
        }
        text
    }

    /// What stands at its place, where the book is not as it says; `None`: the book is.
    fn contradicted(&self, book: &Book) -> Result<Option<Contradiction>, ReadError> {
        if self.book != *book.name() {
            return Ok(None);
        }
        let ours = book.entry(self.n)?.map(|bytes| Hash::leaf(&bytes));
        if ours == Some(self.leaf) {
            return Ok(None);
        }
        let proof = match &self.checkpoint {
            Some(note) if convicts(book, note)? => Some(note.clone()),
            _ => None,
        };
        Ok(Some(Contradiction { ours, proof }))
    }
}

/// How the book contradicts a receipt.
struct Contradiction {
    /// The leaf hash that stands there.
    ours: Option<Hash>,
    /// The checkpoint by which this book's own key says so.
    proof: Option<String>,
}

/// True for a checkpoint that this book's key signed and that is not over the beginning of this book.
fn convicts(book: &Book, note: &str) -> Result<bool, ReadError> {
    let Ok(key) = book.verifier_key()?.parse::<VerifierKey>() else { return Ok(false) };
    let signed = match checkpoint::open(note, &[key]) {
        Ok(opened) if !opened.signed_by.is_empty() => opened.checkpoint,
        _ => return Ok(false),
    };
    let Ok(newest) = checkpoint::parse_body(&book.checkpoint()?) else { return Ok(false) };
    if signed.origin != *book.name() || signed.size == 0 {
        return Ok(false);
    }
    if signed.size > newest.size {
        return Ok(true);
    }
    let path = if signed.size == newest.size { Vec::new() } else { book.consistency(signed.size, newest.size)? };
    Ok(tree::verify_consistency(signed.size, &signed.root, newest.size, &newest.root, &path).is_err())
}

/// Looks at the receipt that a call shows, and gives one with each answer to a change.
pub(crate) async fn check<B: MessageBody + 'static>(
    request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<BoxBody>, actix_web::Error> {
    let Some(desk) = request.app_data::<Data<Desk>>().cloned() else {
        return next.call(request).await.map(ServiceResponse::map_into_boxed_body);
    };
    let api = request.path().starts_with("/api/");
    // Each demo is another book of one name, and a browser knows them all by one address.
    if !api && !desk.demo().is_empty() {
        return next.call(request).await.map(ServiceResponse::map_into_boxed_body);
    }
    let changes = !matches!(*request.method(), Method::GET | Method::HEAD);
    let looked = looked_at(&desk, request.request(), api).await;
    let kept = looked.is_ok();
    match looked {
        Ok(()) => {}
        // Pages are shown all the same: whoever finds out what is wrong has to see them.
        Err(DeskError::SetBack(_)) if !api && (!changes || DOOR.contains(&request.path())) => {}
        Err(error) => {
            let answer = if api { error.error_response() } else { PageError::from(error).error_response() };
            return Ok(request.into_response(answer));
        }
    }
    let mut response = next.call(request).await?.map_into_boxed_body();
    let status = response.status();
    // One that the book contradicts is a proof, and is not written over.
    if changes && kept && (status.is_success() || status.is_redirection()) {
        match Receipt::now(desk.book()) {
            Ok(receipt) if api => {
                if let Ok(value) = HeaderValue::from_str(&receipt.text()) {
                    response.headers_mut().insert(HeaderName::from_static(HEADER), value);
                }
            }
            Ok(receipt) => {
                let cookie = Cookie::build(COOKIE, receipt.text()).path("/").secure(true).http_only(true);
                let cookie = cookie.same_site(SameSite::Strict).max_age(time::Duration::days(365)).finish();
                if let Err(error) = response.response_mut().add_cookie(&cookie) {
                    tracing::error!(%error, "a receipt was not given");
                }
            }
            Err(error) => tracing::error!(%error, "a receipt was not given"),
        }
    }
    Ok(response)
}

/// Errors: [`DeskError::SetBack`] where the book contradicts the receipt, which is recorded; it has no good form.
async fn looked_at(desk: &Desk, request: &HttpRequest, api: bool) -> Result<(), DeskError> {
    let shown = match api {
        true => match request.headers().get(HEADER) {
            Some(value) => {
                let receipt = value.to_str().ok().and_then(Receipt::read);
                Some(receipt.ok_or_else(|| {
                    DeskError::Invalid("Tallyseal-Receipt is not book=NAME&n=N&leaf=HEX&checkpoint=BASE64".to_owned())
                })?)
            }
            None => None,
        },
        false if BESIDE.iter().any(|path| request.path().starts_with(path)) => None,
        // What nobody can read is written over with the next one.
        false => request.cookie(COOKIE).and_then(|cookie| Receipt::read(cookie.value())),
    };
    let Some(receipt) = shown else { return Ok(()) };
    let Some(found) = receipt.contradicted(desk.book())? else { return Ok(()) };
    let account = signed_in(desk, request, api);
    if account.is_none() && found.proof.is_none() {
        // Anybody can say so. It is counted among the strangers.
        let source = request.peer_addr().map_or_else(|| "unknown".to_owned(), |peer| peer.ip().to_string());
        desk.strangers().note(&source, clock::now());
        return Err(DeskError::SetBack(receipt.n));
    }
    let said = match book_state(desk.book())?.receipt {
        Some(proved) => proved || found.proof.is_none(),
        None => false,
    };
    if !said {
        let command = Command::NoteReceipt {
            account,
            n: receipt.n,
            leaf: receipt.leaf,
            ours: found.ours,
            checkpoint: found.proof,
        };
        desk.system("receipts", command).await?;
    }
    Err(DeskError::SetBack(receipt.n))
}

/// Whose call it is, where they are signed in.
fn signed_in(desk: &Desk, request: &HttpRequest, api: bool) -> Option<AccountId> {
    let token = match api {
        true => crate::api::token(request)?,
        false => session_token(request)?,
    };
    desk.seat(&token).ok().map(|seat| seat.account)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_receipt_is_read_as_it_is_written_and_in_no_other_form() {
        let note = "a.example\n8\nroot\n\n\u{2014} a.example AAAA\n".to_owned();
        let whole = Receipt { book: "a.example/b".parse().unwrap(), checkpoint: Some(note), leaf: Hash([7; 32]), n: 7 };
        assert_eq!(Receipt::read(&whole.text()), Some(whole.clone()));
        // It goes into a cookie as it is. Rule: RFC 6265 section 4.1.1, cookie-octet.
        let octet = |b: u8| matches!(b, 0x21 | 0x23..=0x2B | 0x2D..=0x3A | 0x3C..=0x5B | 0x5D..=0x7E) && b != b'%';
        assert!(whole.text().bytes().all(octet), "{}", whole.text());
        let short = Receipt { checkpoint: None, ..whole };
        assert_eq!(Receipt::read(&short.text()), Some(short.clone()));
        let text = short.text();
        for bad in [
            "".to_owned(),
            text.replace("n=7&", ""),
            text.replace("n=7", "n=-1"),
            text.replace("n=7", "n=7&n=7"),
            text.replace("leaf=07", "leaf=7"),
            format!("{text}&more=x"),
            format!("{text}&checkpoint=x"),
            format!("{text}&"),
            "x".repeat(RECEIPT_MAX + 1),
        ] {
            assert_eq!(Receipt::read(&bad), None, "{bad}");
        }
    }
}
