//! The JSON API: every route in one list, each handler thin over the desk.

use std::pin::Pin;
use std::time::Duration;

use actix_web::web::{self, Data, Json, Path, Payload, Query};
use actix_web::{FromRequest, HttpRequest, HttpResponse, Resource};
use futures_util::StreamExt as _;
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use tallyseal_book::{Book, Receipt};
use tallyseal_control::{Key, Refusal, State};
use tallyseal_report::paper::Sheet;
use tallyseal_schema::canonical;
use tallyseal_schema::ids::{Act, Id, Stream};
use tallyseal_schema::kinds::Role;
use tallyseal_schema::plugin_files::Files;
use zeroize::Zeroizing;

use crate::counted::{Counted, is_searchable};
use crate::desk::{ActRequest, Desk, Seat};
use crate::error::DeskError;
use crate::export::{self, How};
use crate::pages::PageError;
use crate::{clock, equal_keys};

/// Largest body of an ordinary request. Unit: bytes.
pub const BODY_MAX: usize = 64 * 1024;
/// Largest body that carries the files of a plugin. Unit: bytes.
const FILES_MAX: usize = 10 * 1024 * 1024;
/// A body must be there whole within this time.
const BODY_DEADLINE: Duration = Duration::from_secs(10);
/// What the pages take and give, as OpenAPI 3.1; made from the same types as the pages.
pub(crate) const DESCRIPTION: &str = include_str!("../openapi.json");
/// Most entries or things in one answer.
const PAGE_MAX: u64 = 1_000;

/// Every route.
pub fn routes(config: &mut web::ServiceConfig) {
    let unreadable = |error: String, request: &HttpRequest| told(DeskError::Invalid(error), request);
    config
        .app_data(web::QueryConfig::default().error_handler(move |error, asked| unreadable(error.to_string(), asked)))
        .app_data(web::PathConfig::default().error_handler(move |error, asked| unreadable(error.to_string(), asked)))
        .service(page("/api/health", "GET").route(web::get().to(health)))
        .service(page("/api/openapi.json", "GET").route(web::get().to(openapi)))
        .service(
            page("/api/session", "DELETE, GET, POST")
                .route(web::post().to(sign_in))
                .route(web::get().to(who))
                .route(web::delete().to(sign_out)),
        )
        .service(page("/api/session/unlock", "POST").route(web::post().to(unlock)))
        .service(page("/api/password", "POST").route(web::post().to(set_password)))
        .service(page("/api/acts/{name}", "POST").route(web::post().to(act)))
        .service(page("/api/plugins", "POST").route(web::post().to(draft_plugin)))
        .service(page("/api/things/{thing}", "GET").route(web::get().to(things)))
        .service(page("/api/things/{thing}/{id}", "GET").route(web::get().to(thing)))
        .service(page("/api/entries", "GET").route(web::get().to(entries)))
        .service(page("/api/checkpoint", "GET").route(web::get().to(checkpoint)))
        .service(page("/api/proofs/{n}", "GET").route(web::get().to(proof)))
        .service(page("/api/exports", "POST").route(web::post().to(export_record)))
        .default_service(web::route().to(nothing_here));
}

/// A path with the methods that it knows; any other one is a problem like every other problem.
fn page(path: &str, methods: &'static str) -> Resource {
    let wrong = move || std::future::ready(Err::<HttpResponse, _>(DeskError::NoSuchMethod(methods)));
    web::resource(path).default_service(web::route().to(wrong))
}

async fn nothing_here(request: HttpRequest) -> Result<HttpResponse, actix_web::Error> {
    let error = DeskError::NotFound(format!("page {}", request.path().chars().take(200).collect::<String>()));
    Err(told(error, &request))
}

/// What is wrong with a request, as a page to a person in front of a browser and as a problem to everybody else.
fn told(error: DeskError, request: &HttpRequest) -> actix_web::Error {
    let accepts = request.headers().get(actix_web::http::header::ACCEPT).and_then(|value| value.to_str().ok());
    let browser = accepts.is_some_and(|accepts| accepts.contains("text/html"));
    match browser && !request.path().starts_with("/api") {
        true => PageError::from(error).into(),
        false => error.into(),
    }
}

/// What is known of the caller once the book has been asked.
type Asked<T> = Pin<Box<dyn Future<Output = Result<T, DeskError>>>>;

/// The token of the session that a call says it has.
pub(crate) fn token(request: &HttpRequest) -> Option<String> {
    let value = request.headers().get(actix_web::http::header::AUTHORIZATION)?.to_str().ok()?;
    value.strip_prefix("Bearer ").map(str::to_owned)
}

/// The caller's open session, locked or not. A call without one is counted among the strangers.
struct Whoever(Seat);

impl FromRequest for Whoever {
    type Error = DeskError;
    type Future = Asked<Self>;

    fn from_request(request: &HttpRequest, _: &mut actix_web::dev::Payload) -> Self::Future {
        let desk = request.app_data::<Data<Desk>>().cloned();
        let source = source(request);
        let token = token(request);
        Box::pin(async move {
            let Some(desk) = desk else { return Err(DeskError::SignedOut) };
            let seat = match token {
                Some(token) => desk.used_seat(&token).await,
                None => Err(DeskError::SignedOut),
            };
            if let Err(DeskError::SignedOut) = &seat {
                desk.strangers().note(&source, clock::now());
            }
            seat.map(Self)
        })
    }
}

/// The caller's open session, which is not locked.
impl FromRequest for Seat {
    type Error = DeskError;
    type Future = Asked<Self>;

    fn from_request(request: &HttpRequest, payload: &mut actix_web::dev::Payload) -> Self::Future {
        let whoever = Whoever::from_request(request, payload);
        Box::pin(async move {
            match whoever.await? {
                Whoever(seat) if seat.locked => Err(DeskError::refused(Refusal::session_locked())),
                Whoever(seat) => Ok(seat),
            }
        })
    }
}

/// The seat of a person who has set a password of their own.
fn own_password(seat: Seat) -> Result<Seat, DeskError> {
    match seat.must_change_password {
        false => Ok(seat),
        true => Err(DeskError::refused(Refusal::forbidden(
            "one-time-password",
            "A one-time password opens nothing but the change of the password.",
            "Set your own password first.",
        ))),
    }
}

/// An open session that may read the book: not one that was opened with a one-time password, nor that of a person all of
/// whose roles have ended.
struct Reader(Seat);

impl FromRequest for Reader {
    type Error = DeskError;
    type Future = Asked<Self>;

    fn from_request(request: &HttpRequest, payload: &mut actix_web::dev::Payload) -> Self::Future {
        let seat = Seat::from_request(request, payload);
        Box::pin(async move {
            let seat = own_password(seat.await?)?;
            seat.must_have_a_role()?;
            Ok(Self(seat))
        })
    }
}

fn source(request: &HttpRequest) -> String {
    request.peer_addr().map_or_else(|| "unknown".to_owned(), |peer| peer.ip().to_string())
}

/// Reads a body whole, within size and time.
pub(crate) async fn bytes(mut payload: Payload, max: usize) -> Result<Zeroizing<Vec<u8>>, DeskError> {
    let read = async {
        let mut bytes = Zeroizing::new(Vec::new());
        while let Some(chunk) = payload.next().await {
            let chunk = chunk.map_err(|error| DeskError::Invalid(error.to_string()))?;
            if bytes.len() + chunk.len() > max {
                return Err(DeskError::TooLarge(max));
            }
            bytes.extend_from_slice(&chunk);
        }
        Ok(bytes)
    };
    // actix-web has no deadline for bodies: a stalled one would hold its connection for ever.
    tokio::time::timeout(BODY_DEADLINE, read).await.map_err(|_| DeskError::TooSlow)?
}

/// Reads a JSON body, and says what does not fit.
async fn body<T: DeserializeOwned>(payload: Payload, max: usize) -> Result<T, DeskError> {
    let bytes = bytes(payload, max).await?;
    if let Some(key) = equal_keys::first(&bytes) {
        return Err(DeskError::EqualKeys(key.chars().take(100).collect()));
    }
    serde_json::from_slice(&bytes).map_err(|error| DeskError::Invalid(error.to_string()))
}

fn receipt(receipt: &Receipt) -> Value {
    let entries: Vec<Value> =
        receipt.entries.iter().map(|(n, stream, kind)| json!({ "n": n, "stream": stream, "kind": kind })).collect();
    json!({
        "act": receipt.act,
        "checkpoint": receipt.checkpoint,
        "entries": entries,
        "leaf": receipt.leaf,
        "n": receipt.n,
        "repeated": receipt.repeated,
    })
}

async fn health(desk: Data<Desk>) -> Result<Json<Value>, DeskError> {
    let head = desk.book().head()?;
    Ok(Json(json!({ "book": head.book, "entries": head.n + 1, "status": "serving" })))
}

async fn openapi() -> HttpResponse {
    HttpResponse::Ok().content_type("application/json").body(DESCRIPTION)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SignIn {
    account: String,
    device: Id,
    password: Zeroizing<String>,
}

async fn sign_in(request: HttpRequest, desk: Data<Desk>, payload: Payload) -> Result<Json<Value>, DeskError> {
    let given: SignIn = body(payload, BODY_MAX).await?;
    let signed_in = desk.sign_in(&given.account, given.password, given.device, &source(&request)).await?;
    let mut answer = seat_json(&signed_in.seat);
    answer["expires"] = json!(signed_in.expires);
    answer["token"] = json!(signed_in.token);
    Ok(Json(answer))
}

fn seat_json(seat: &Seat) -> Value {
    json!({
        "account": seat.account,
        "device": seat.device,
        "grants": seat.grants,
        "must_change_password": seat.must_change_password,
        "name": seat.name,
        "roles": seat.roles,
        "session": seat.session,
    })
}

async fn who(seat: Seat) -> Json<Value> {
    Json(seat_json(&seat))
}

async fn sign_out(Whoever(seat): Whoever, desk: Data<Desk>) -> Result<Json<Value>, DeskError> {
    Ok(Json(receipt(&desk.sign_out(&seat).await?)))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Unlock {
    account: String,
    password: Zeroizing<String>,
}

async fn unlock(Whoever(seat): Whoever, desk: Data<Desk>, payload: Payload) -> Result<Json<Value>, DeskError> {
    let given: Unlock = body(payload, BODY_MAX).await?;
    Ok(Json(receipt(&desk.unlock(&seat, &given.account, given.password).await?)))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SetPassword {
    current: Zeroizing<String>,
    new: Zeroizing<String>,
}

async fn set_password(seat: Seat, desk: Data<Desk>, payload: Payload) -> Result<Json<Value>, DeskError> {
    let given: SetPassword = body(payload, BODY_MAX).await?;
    Ok(Json(receipt(&desk.set_password(&seat, given.current, given.new).await?)))
}

async fn act(seat: Seat, desk: Data<Desk>, name: Path<String>, payload: Payload) -> Result<Json<Value>, DeskError> {
    let request: ActRequest = body(payload, BODY_MAX).await?;
    let done = desk.act(&seat, &name, request).await?;
    let mut answer = receipt(&done.receipt);
    if let Some(secret) = done.one_time_secret {
        answer["one_time_secret"] = json!(secret);
    }
    Ok(Json(answer))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct DraftPlugin {
    act: Act,
    /// Path to base64 of the contents.
    files: std::collections::BTreeMap<String, String>,
    role: Role,
}

async fn draft_plugin(seat: Seat, desk: Data<Desk>, payload: Payload) -> Result<Json<Value>, DeskError> {
    let given: DraftPlugin = body(payload, FILES_MAX).await?;
    let mut files = Files::new();
    for (path, text) in given.files {
        let bytes = canonical::unbase64(&text).ok_or_else(|| DeskError::Invalid(format!("{path} is not base64")))?;
        files.insert(path, bytes);
    }
    Ok(Json(receipt(&desk.draft_plugin(&seat, given.act, given.role, files).await?)))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Find {
    /// A key, `PROPERTY=VALUE`; absent: all of the thing.
    key: Option<String>,
    /// The last stream of the page before.
    after: Option<String>,
}

async fn things(
    _reader: Reader,
    desk: Data<Desk>,
    thing: Path<String>,
    find: Query<Find>,
) -> Result<Json<Value>, DeskError> {
    if let Some(key) = find.key.as_ref().filter(|key| !is_searchable(key)) {
        let property: String = key.split('=').next().unwrap_or_default().chars().take(100).collect();
        return Err(DeskError::Invalid(format!("nothing is searched for by \"{property}\"")));
    }
    let key = find.key.clone().map_or_else(|| Key::new("thing", thing.as_str()), Key);
    let mut streams = desk.book().set(&key)?;
    streams.retain(|stream| {
        stream.thing() == thing.as_str() && find.after.as_ref().is_none_or(|after| stream.as_str() > after.as_str())
    });
    let more = streams.len() > usize::try_from(PAGE_MAX).unwrap_or(usize::MAX);
    streams.truncate(usize::try_from(PAGE_MAX).unwrap_or(usize::MAX));
    let counted = Counted::now(desk.book())?;
    let mut all = Vec::new();
    for stream in &streams {
        all.push(shown(&desk, &counted, stream)?);
    }
    Ok(Json(json!({ "things": all, "more": more })))
}

async fn thing(_reader: Reader, desk: Data<Desk>, path: Path<(String, String)>) -> Result<Json<Value>, DeskError> {
    let (thing, id) = path.into_inner();
    let stream = Stream::new(&thing, &id).map_err(|error| DeskError::Invalid(error.to_string()))?;
    Ok(Json(shown(&desk, &Counted::now(desk.book())?, &stream)?))
}

/// A thing as remembered, without what is hidden while a roll is being counted.
pub(crate) fn shown(desk: &Desk, counted: &Counted, stream: &Stream) -> Result<Value, DeskError> {
    let missing = || DeskError::NotFound(format!("{} {}", stream.thing(), stream.id()));
    let (rev, record) = desk.book().record(stream)?.ok_or_else(missing)?;
    let axis = match &record.state {
        State::Roll(roll) => json!(roll.count_axis()),
        _ => Value::Null,
    };
    let mut state = serde_json::to_value(&record).map_err(|error| DeskError::Internal(error.to_string()))?;
    if let Some(Value::Object(fields)) = state.get_mut("state") {
        counted.veil(desk.book(), stream, &record.state, fields)?;
    }
    state["rev"] = json!(rev);
    state["stream"] = json!(stream);
    if !axis.is_null() {
        state["count_axis"] = axis;
    }
    Ok(state)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Range {
    from: Option<u64>,
    stream: Option<Stream>,
    to: Option<u64>,
}

/// The exact bytes of entries, one per line, for those who may read them.
async fn entries(Reader(seat): Reader, desk: Data<Desk>, range: Query<Range>) -> Result<HttpResponse, DeskError> {
    let read = |book: &Book| match &range.stream {
        Some(stream) => book.stream_entries(stream),
        None => {
            let from = range.from.unwrap_or(0);
            let last = from.saturating_add(PAGE_MAX - 1);
            book.entries(from, range.to.map_or(last, |to| to.min(last)))
        }
    };
    let mut lines = Vec::new();
    for bytes in desk.read_entries(&seat, range.stream.as_ref(), read).await? {
        lines.extend_from_slice(&bytes);
        lines.push(b'\n');
    }
    Ok(HttpResponse::Ok().content_type("application/jsonl").body(lines))
}

async fn checkpoint(_reader: Reader, desk: Data<Desk>) -> Result<HttpResponse, DeskError> {
    let note = desk.book().keep_checkpoint().await?;
    Ok(HttpResponse::Ok().content_type("text/plain; charset=utf-8").body(note))
}

async fn proof(_reader: Reader, desk: Data<Desk>, n: Path<u64>) -> Result<Json<Value>, DeskError> {
    let (n, book) = (n.into_inner(), desk.book());
    let size = book.head()?.n + 1;
    if n >= size {
        return Err(DeskError::NotFound(format!("entry {n}")));
    }
    let path = book.inclusion(n, size)?;
    let leaf = tallyseal_schema::Hash::leaf(&book.entry(n)?.ok_or_else(|| DeskError::NotFound(format!("entry {n}")))?);
    Ok(Json(json!({ "n": n, "size": size, "leaf": leaf, "path": path })))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Export {
    record: Stream,
    role: Role,
    #[serde(default)]
    sheet: Sheet,
}

async fn export_record(seat: Seat, desk: Data<Desk>, payload: Payload) -> Result<HttpResponse, DeskError> {
    // Taking a copy is an act in a role: whether that one has ended says the executor, and records it.
    let seat = own_password(seat)?;
    let given: Export = body(payload, BODY_MAX).await?;
    sealed_record(&desk, &seat, given).await
}

/// The sealed record of a thing, for a person who may take it; refusals are recorded.
async fn sealed_record(desk: &Desk, seat: &Seat, given: Export) -> Result<HttpResponse, DeskError> {
    let Export { record, role, sheet } = given;
    let taken =
        export::export(desk.book().clone(), desk.seated(seat, role), record.clone(), How::of(sheet), &|_| {}).await;
    let sealed = match taken {
        Ok(sealed) => sealed,
        Err(error) => return Err(desk.noted(seat, "note_export", Some(record), error).await),
    };
    let name = format!("{}.zip", record.id());
    Ok(HttpResponse::Ok()
        .content_type("application/zip")
        .insert_header(("Content-Disposition", format!("attachment; filename=\"{name}\"")))
        .body(sealed.zip))
}
