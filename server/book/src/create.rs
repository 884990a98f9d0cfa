//! A new book: its folder, its key, entry 0, its first checkpoint.

use std::fmt;
use std::fs::Permissions;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

use rusqlite::Connection;
use tallyseal_schema::checkpoint::{self, Checkpoint};
use tallyseal_schema::entry::{By, Entry, Header};
use tallyseal_schema::ids::{BookName, Stream};
use tallyseal_schema::kinds::BookOpened;
use tallyseal_schema::signature::SigningKey;
use tallyseal_schema::{Body, Hash, Time, canonical};
use zeroize::Zeroize as _;

use crate::book::Book;
use crate::entries::{self, Head, Line};
use crate::error::{CreateError, Fatal, OpenError};
use crate::fold;
use crate::key_file;
use crate::layout::{Layout, make_dir, sync_dir};
use crate::lock::Lock;
use crate::notes::Notes;
use crate::store;

/// What a new book is opened with.
#[derive(Clone)]
pub struct Opening {
    /// Its name.
    pub name: BookName,
    /// The plant's IANA time zone.
    pub zone: String,
    /// Name and version of the software.
    pub software: String,
    /// The moment.
    pub at: Time,
    /// Seed of its signing key: 32 random bytes.
    pub key_seed: [u8; 32],
}

impl fmt::Debug for Opening {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Opening({}, its key not shown)", self.name)
    }
}

impl Drop for Opening {
    fn drop(&mut self) {
        self.key_seed.zeroize();
    }
}

fn store_error(error: impl std::fmt::Display) -> CreateError {
    CreateError::Store(error.to_string())
}

impl Book {
    /// Makes a new book in `dir`, which is empty or not there yet.
    ///
    /// Errors: [`CreateError`]; nothing is written over.
    /// Crash: before the first checkpoint is kept the book counts as unfinished and is not served.
    pub fn create(dir: &Path, opening: Opening) -> Result<(), CreateError> {
        let layout = Layout::new(dir);
        make_folders(&layout)?;
        let _lock = Lock::take(&layout, &opening.software).map_err(store_error)?;
        let key = SigningKey::from_seed(&opening.key_seed).map_err(|error| CreateError::Key(error.to_string()))?;
        key_file::write(&layout.book_key(), &opening.key_seed).map_err(|error| CreateError::Key(error.to_string()))?;
        let mut conn = store::create(&layout.db()).map_err(store_error)?;
        let head = write_first(&mut conn, &opening, &key).map_err(store_error)?;
        sync_dir(dir).map_err(store_error)?;
        let note = Checkpoint { origin: opening.name.clone(), size: head.size(), root: head.frontier.root() };
        // ORDER: signed only after the entry is durable, and after its file has a name.
        let text = checkpoint::sign(&note, &key);
        // CRASH: the checkpoint is what makes the book whole: without it the next start says that it is unfinished.
        Notes::new(layout.checkpoints(), 0).keep(note.size, &text).map_err(store_error)
    }
}

fn make_folders(layout: &Layout) -> Result<(), CreateError> {
    let dir = layout.dir();
    if layout.db().exists() {
        return Err(CreateError::Exists(dir.to_owned()));
    }
    if dir.exists() {
        let mut inside = std::fs::read_dir(dir).map_err(store_error)?;
        if inside.next().is_some() {
            return Err(CreateError::NotEmpty(dir.to_owned()));
        }
        // Whoever made it may have left it open to others.
        std::fs::set_permissions(dir, Permissions::from_mode(0o700)).map_err(store_error)?;
    } else {
        if let Some(parent) = dir.parent().filter(|parent| !parent.as_os_str().is_empty()) {
            std::fs::create_dir_all(parent).map_err(store_error)?;
        }
        make_dir(dir).map_err(store_error)?;
    }
    for folder in [layout.captures(), layout.keys(), layout.checkpoints()] {
        make_dir(&folder).map_err(store_error)?;
    }
    let parent = dir.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    sync_dir(parent).and_then(|()| sync_dir(dir)).map_err(store_error)
}

fn write_first(conn: &mut Connection, opening: &Opening, key: &SigningKey) -> Result<Head, OpenError> {
    let stream = Stream::book();
    let body = Body::from(BookOpened {
        format: 1,
        hash: "sha-256".to_owned(),
        name: opening.name.clone(),
        public_key: canonical::base64(key.public()),
        sign: "ed25519".to_owned(),
        software: opening.software.clone(),
        zone: opening.zone.clone(),
    });
    let kind = body.kind();
    let header = Header {
        act: None,
        at: opening.at,
        book: opening.name.clone(),
        by: By::system("book"),
        kind: kind.name.to_owned(),
        n: 0,
        occurred: None,
        prev: Hash::ZERO,
        rev: 1,
        stream: stream.clone(),
        v: kind.v,
        why: None,
    };
    let bytes = Entry { header, body }.to_bytes().map_err(|error| Fatal::entry(0, &error))?;
    let leaf = Hash::leaf(&bytes);
    let mut head = Head::new();
    head.push(leaf);
    let transaction = conn.transaction()?;
    entries::insert(&transaction, &Line { n: 0, stream, rev: 1, kind: kind.name, bytes, leaf })?;
    head.store(&transaction)?;
    transaction.commit()?;
    fold::fold(conn)?;
    store::carry_log(conn, true)?;
    Ok(head)
}
