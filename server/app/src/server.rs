//! A running server: the book, the captures, the desk, the web, the control socket. Used by `serve` and by the demo.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use actix_web::middleware::{DefaultHeaders, from_fn};
use actix_web::web::Data;
use actix_web::{App, HttpServer};
use tallyseal_book::{Book, BootInfo, EarlierClock, Layout, Settings, key_file};
use tallyseal_schema::kinds::schemas_hash;
use tallyseal_schema::{Body, Entry};
use tokio::signal::unix::{Signal, SignalKind, signal};

use crate::capture::{Captures, lose_all};
use crate::cli::CannotRun;
use crate::clock::{self, SystemClock};
use crate::desk::Desk;
use crate::idle::Idle;
use crate::time_stamps::{Stamping, TimeStamps};
use crate::token::Tokens;
use crate::vault::Vault;
use crate::witnesses::{Asking, Witnesses};
use crate::{SOFTWARE, api, control_socket, copies, pages, receipts, verifying};

/// How long a client may take to send the head of a request.
const HEAD_DEADLINE: Duration = Duration::from_secs(5);
/// How long an idle connection is kept.
const KEEP_ALIVE: Duration = Duration::from_secs(15);
/// So many entries are looked through for the last act of a person.
const LOOKED_BACK: u64 = 10_000;
/// Connections at a time, and waiting.
const CONNECTIONS_MAX: usize = 2_048;

/// The file with the pepper of passwords.
pub(crate) fn pepper_file(layout: &Layout) -> PathBuf {
    layout.keys().join("pepper.key")
}

/// The file with the key that signs session tokens.
pub(crate) fn session_file(layout: &Layout) -> PathBuf {
    layout.keys().join("session.key")
}

/// Opens the book in `dir` for writing and starts its executor.
pub(crate) fn open_book(dir: &Path, accept_earlier_clock: Option<EarlierClock>) -> Result<Book, CannotRun> {
    let settings = Settings {
        software: SOFTWARE.to_owned(),
        engine: crate::replay::engine(),
        schemas: schemas_hash(),
        boot: BootInfo { id: clock::boot_id(), clock: clock::clock_state(), synchronised: clock::synchronised() },
        clock: Arc::new(SystemClock),
        accept_earlier_clock,
    };
    Ok(Book::open(dir, settings)?)
}

/// A server that runs.
pub struct Running {
    address: SocketAddr,
    book: Book,
    captures: Captures,
    desk: Data<Desk>,
    handle: actix_web::dev::ServerHandle,
    socket: PathBuf,
    time_stamps: Arc<TimeStamps>,
    witnesses: Arc<Witnesses>,
}

impl Running {
    /// Starts a server on the book in `dir`, listening at `listen`. `idle_lock`: so long may a session not be used;
    /// `outside`: the witnesses, and the time-stamping authority.
    ///
    /// Errors: in sentences; nothing runs then.
    pub(crate) async fn start(
        dir: &Path,
        listen: SocketAddr,
        idle_lock: Duration,
        accept_earlier_clock: Option<EarlierClock>,
        outside: (Asking, Option<Stamping>),
    ) -> Result<Self, CannotRun> {
        let layout = Layout::new(dir);
        // Listen first: an address in use must not leave a start in the book.
        let listener = std::net::TcpListener::bind(listen)
            .map_err(|error| CannotRun::because(format!("cannot listen at {listen}: {error}")))?;
        let address = listener.local_addr()?;
        let book = open_book(dir, accept_earlier_clock)?;
        // The book is locked now: no other server has anything of it in hand.
        verifying::clear_left(dir);
        copies::clear_left(dir);
        let head = book.head()?;
        let vault = Vault::new(head.book.clone(), key_file::read(&pepper_file(&layout))?);
        let tokens = Tokens::new(&key_file::read(&session_file(&layout))?).map_err(CannotRun::because)?;
        lose_all(&book).await?;
        let witnesses = Arc::new(Witnesses::follow(&book, outside.0).await?);
        let time_stamps = Arc::new(TimeStamps::follow(&book, outside.1).await?);
        let captures = Captures::new();
        tokio::spawn(captures.clone().follow(book.clone()));
        let idle = Idle::new(idle_lock, last_act(&book)?);
        let zone = zone(&book)?;
        let desk = Data::new(Desk::new(book.clone(), head.book, vault, tokens, captures.clone(), idle, zone));
        desk.show_witnesses(Arc::clone(&witnesses));
        desk.show_time_stamps(Arc::clone(&time_stamps));
        let shared = desk.clone();
        let app = move || {
            // Answers hold tokens, one-time secrets and what only some may see: nobody on the way keeps them.
            let headers =
                DefaultHeaders::new().add(("Cache-Control", "no-store")).add(("X-Content-Type-Options", "nosniff"));
            App::new()
                .wrap(from_fn(receipts::check))
                .wrap(headers)
                .app_data(shared.clone())
                .configure(pages::routes)
                .configure(api::routes)
        };
        let server = HttpServer::new(app)
            .workers(2)
            .client_request_timeout(HEAD_DEADLINE)
            .keep_alive(KEEP_ALIVE)
            .max_connections(CONNECTIONS_MAX)
            .backlog(1_024)
            .disable_signals()
            .listen(listener)?
            .run();
        let handle = server.handle();
        tokio::spawn(server);
        let socket = layout.socket();
        control_socket::listen(&socket, book.clone())?;
        tokio::spawn(note_strangers(desk.clone()));
        tokio::spawn(lock_idle(desk.clone()));
        Ok(Self { address, book, captures, desk, handle, socket, time_stamps, witnesses })
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Its desk.
    pub fn desk(&self) -> &Desk {
        &self.desk
    }

    /// Waits until the book stops by itself, which it does only when something is wrong; gives the reason.
    pub async fn failed(&self) -> String {
        self.book.stopped().await
    }

    /// Stops in order: no new requests, what machines said is recorded, a last checkpoint is made.
    pub async fn stop(self) {
        self.desk.close();
        self.handle.stop(true).await;
        if let Some(command) = self.desk.strangers().take() {
            let _ = self.desk.system("access", command).await;
        }
        self.captures.stop().await;
        self.time_stamps.end();
        self.witnesses.end(&self.book).await;
        let _ = std::fs::remove_file(&self.socket);
        self.book.shutdown().await;
    }
}

/// The wish of whoever runs the server that it ends: Ctrl-C, or the signal TERM. Listened for before anybody is told that it
/// serves, so that from then on it ends in order.
pub(crate) struct Ending {
    interrupt: Signal,
    terminate: Signal,
}

impl Ending {
    /// From now on.
    ///
    /// Errors: the operating system does not let us listen.
    pub(crate) fn listen() -> std::io::Result<Self> {
        Ok(Self { interrupt: signal(SignalKind::interrupt())?, terminate: signal(SignalKind::terminate())? })
    }

    /// Returns when it is wished.
    pub(crate) async fn wished(&mut self) {
        tokio::select! {
            _ = self.interrupt.recv() => {}
            _ = self.terminate.recv() => {}
        }
    }
}

/// The plant's zone, as entry 0 says it.
fn zone(book: &Book) -> Result<chrono_tz::Tz, CannotRun> {
    let bytes = book.entry(0)?.ok_or_else(|| CannotRun::because("the book has no entry 0".to_owned()))?;
    match Entry::read(&bytes)?.body {
        Body::BookOpened(opened) => {
            let unknown = |_| CannotRun::because(format!("\"{}\" is no IANA time zone", opened.zone));
            opened.zone.parse().map_err(unknown)
        }
        _ => Err(CannotRun::because("entry 0 does not open the book".to_owned())),
    }
}

/// How long ago a person did the last act that is in the book. Nobody is known to have used a session after that, so a
/// restart does not give one that was left alone another whole idle time.
fn last_act(book: &Book) -> Result<Duration, CannotRun> {
    let head = book.head()?.n;
    let mut last = clock::now();
    for n in (head.saturating_sub(LOOKED_BACK)..=head).rev() {
        let Some(bytes) = book.entry(n)? else { break };
        let entry = Entry::read(&bytes)?;
        last = entry.header.at;
        if entry.header.by.account().is_some() {
            break;
        }
    }
    let ago = clock::now().micros().saturating_sub(last.micros());
    Ok(Duration::from_micros(u64::try_from(ago).unwrap_or(0)))
}

/// Locks sessions that nobody uses, within seconds and whether or not anybody asks for anything.
async fn lock_idle(desk: Data<Desk>) {
    let mut next = tokio::time::interval(desk.idle_sweep());
    loop {
        next.tick().await;
        if let Err(error) = desk.lock_idle().await {
            tracing::error!(%error, "sessions that nobody uses were not locked");
        }
    }
}

/// One entry a minute about strangers, where there were any.
async fn note_strangers(desk: Data<Desk>) {
    let mut minute = tokio::time::interval(Duration::from_secs(60));
    loop {
        minute.tick().await;
        if let Some(command) = desk.strangers().take()
            && let Err(error) = desk.system("access", command).await
        {
            tracing::error!(%error, "refused strangers were not recorded");
        }
    }
}
