//! Opens a new book: its keys, and its two founding accounts, each with a one-time secret.
//!
//! No signing key is made here. Whoever runs `init` sees both secrets; a key that lay under one of them would be theirs
//! as well. Each founder's key is made when they set their own password; then the two confirm each other.

use std::path::{Path, PathBuf};
use std::str::FromStr as _;

use tallyseal_book::{Book, CreateError, Layout, Lock, OpenError, Opening, Order, SecretChange, key_file};
use tallyseal_control::{Command, fold_account};
use tallyseal_schema::ids::{AccountId, BookName};
use tallyseal_schema::kinds::Role;

use crate::cli::CannotRun;
use crate::desk::system_order;
use crate::server::{open_book, pepper_file, session_file};
use crate::vault::Vault;
use crate::{SOFTWARE, clock, randomness, say};

/// One of the two that open a book.
pub(crate) struct Founder {
    pub(crate) account: AccountId,
    pub(crate) name: String,
    pub(crate) role: Role,
}

impl Founder {
    /// From `ID:NAME`.
    pub(crate) fn parse(text: &str, role: Role) -> Result<Self, CannotRun> {
        let (id, name) = text
            .split_once(':')
            .ok_or_else(|| CannotRun::because(format!("\"{text}\" is not ID:NAME, for example U-0001:Jo Example")))?;
        if name.trim().is_empty() {
            return Err(CannotRun::because(format!("\"{text}\" has no name after the colon")));
        }
        Ok(Self { account: AccountId::from_str(id)?, name: name.trim().to_owned(), role })
    }
}

/// A founder's one-time secret, printed once.
pub(crate) struct Issued {
    pub(crate) account: AccountId,
    pub(crate) name: String,
    pub(crate) secret: String,
}

/// A book that is whole and still beside its place: nothing counts until it is put there. Dropped before that, it is
/// taken away again.
///
/// Crash: a folder `init.partial` is left in the data directory; the next try removes it and begins anew.
pub(crate) struct Made {
    dir: PathBuf,
    /// Whether the data directory is ours to take away again.
    new: bool,
    partial: PathBuf,
    placed: bool,
    /// Nobody else makes a book here meanwhile.
    _lock: Lock,
    /// The founders' one-time secrets.
    pub(crate) issued: Vec<Issued>,
    /// The book's key as a C2SP verifier key.
    pub(crate) key: String,
}

impl Made {
    /// Puts the book in its place. Until the database has its name there is no book; from then on it is whole.
    ///
    /// Errors: in a sentence; no book is there then.
    pub(crate) fn place(mut self) -> Result<Vec<Issued>, CannotRun> {
        let put = || -> std::io::Result<()> {
            let (from, to) = (Layout::new(&self.partial), Layout::new(&self.dir));
            // ORDER: the database last: without it there is no book, whatever else is there.
            std::fs::rename(from.keys(), to.keys())?;
            std::fs::rename(from.captures(), to.captures())?;
            std::fs::rename(from.checkpoints(), to.checkpoints())?;
            sync_dir(&self.dir)?;
            std::fs::rename(from.db(), to.db())?;
            sync_dir(&self.dir)
        };
        put().map_err(|error| {
            CannotRun::because(format!(
                "the book could not be put in its place ({error}); there is none, and the secrets above open nothing"
            ))
        })?;
        self.placed = true;
        // The book is whole; what is left of its making is an empty folder with a lock in it.
        let _ = std::fs::remove_dir_all(&self.partial);
        Ok(std::mem::take(&mut self.issued))
    }
}

impl Drop for Made {
    fn drop(&mut self) {
        if !self.placed {
            // What cannot be taken away is found, and said, by the next try.
            let _ = clear(&self.dir, &self.partial);
            if self.new {
                let _ = std::fs::remove_file(Layout::new(&self.dir).lock());
                let _ = std::fs::remove_dir(&self.dir);
            }
        }
    }
}

/// Takes away what an unfinished making left: there is no database beside it, so none of it was ever a book.
fn clear(dir: &Path, partial: &Path) -> std::io::Result<()> {
    let layout = Layout::new(dir);
    if layout.db().exists() {
        // The book is in its place, by this making or another: nothing beside it is left over.
        return Ok(());
    }
    for left in [layout.keys(), layout.captures(), layout.checkpoints()] {
        if left.exists() {
            std::fs::remove_dir_all(left)?;
        }
    }
    // ORDER: this folder last: as long as it is there, the rest is known to be left over.
    if partial.exists() { std::fs::remove_dir_all(partial) } else { Ok(()) }
}

fn sync_dir(dir: &Path) -> std::io::Result<()> {
    std::fs::File::open(dir)?.sync_all()
}

/// Makes the book for `dir` with its founders, whole but not yet in its place: their secrets are to be shown first.
///
/// Errors: in sentences; nothing is there afterwards that was not there before.
pub(crate) async fn found(dir: &Path, name: &BookName, zone: &str, founders: [Founder; 2]) -> Result<Made, CannotRun> {
    if chrono_tz::Tz::from_str(zone).is_err() {
        return Err(CannotRun::because(format!("\"{zone}\" is no IANA time zone; give one such as Europe/Prague")));
    }
    let [first, second] = &founders;
    if fold_account(&first.account) == fold_account(&second.account) {
        return Err(CannotRun::because(format!(
            "the administrator and the reviewer must be two people, with IDs that nobody confuses: {} and {} are not",
            first.account, second.account
        )));
    }
    let mut made = begin(dir)?;
    let opening = Opening {
        name: name.clone(),
        zone: zone.to_owned(),
        software: SOFTWARE.to_owned(),
        at: clock::now(),
        key_seed: randomness::bytes()?,
    };
    Book::create(&made.partial, opening)?;
    let layout = Layout::new(&made.partial);
    let pepper = randomness::bytes()?;
    key_file::write(&pepper_file(&layout), &pepper)?;
    key_file::write(&session_file(&layout), &randomness::bytes()?)?;
    let book = open_book(&made.partial, None)?;
    let vault = Vault::new(name.clone(), pepper);
    let enrolled = enrol_founders(&book, &vault, &founders).await;
    let key = book.verifier_key();
    book.shutdown().await;
    (made.issued, made.key) = (enrolled?, key?);
    // Moved without its log, the database would be another.
    let log = made.partial.join("book.db-wal");
    if log.metadata().is_ok_and(|log| log.len() > 0) {
        return Err(CannotRun::because("the database did not carry its log over".to_owned()));
    }
    std::fs::File::open(layout.db())?.sync_all()?;
    Ok(made)
}

/// The data directory with an empty place for the making in it.
fn begin(dir: &Path) -> Result<Made, CannotRun> {
    use std::os::unix::fs::{DirBuilderExt as _, PermissionsExt as _};
    let (layout, partial) = (Layout::new(dir), dir.join("init.partial"));
    let new = !dir.exists();
    if layout.db().exists() {
        return Err(CreateError::Exists(dir.to_owned()).into());
    }
    if !new {
        // Left of a making only where its own database is still beside it: without one these are parts of a book.
        let left = Layout::new(&partial).db().exists();
        if !left && !layout.traces().is_empty() {
            return Err(OpenError::Lost(dir.to_owned()).into());
        }
        for inside in std::fs::read_dir(dir)? {
            let name = inside?.file_name();
            let ours = ["lock", "init.partial"].iter().any(|ours| name == *ours)
                || (left && ["keys", "captures", "checkpoints"].iter().any(|ours| name == *ours));
            if !ours {
                return Err(CreateError::NotEmpty(dir.to_owned()).into());
            }
        }
    }
    std::fs::DirBuilder::new().recursive(true).mode(0o700).create(dir)?;
    let lock = Lock::take(&layout, SOFTWARE)?;
    // Whoever made it may have left it open to others.
    std::fs::set_permissions(dir, std::fs::Permissions::from_mode(0o700))?;
    if partial.exists() {
        say::person(format_args!(
            "tallyseal: a making of a book in {} was interrupted; it is begun anew",
            dir.display()
        ));
        clear(dir, &partial)?;
    }
    Ok(Made { dir: dir.to_owned(), new, partial, placed: false, _lock: lock, issued: Vec::new(), key: String::new() })
}

async fn enrol_founders(book: &Book, vault: &Vault, founders: &[Founder; 2]) -> Result<Vec<Issued>, CannotRun> {
    let mut issued = Vec::new();
    for founder in founders {
        let secret = randomness::one_time_secret()?;
        let stored = vault.one_time(&founder.account, &secret)?;
        let command = Command::FoundAccount {
            account: founder.account.clone(),
            name: founder.name.clone(),
            roles: vec![founder.role],
        };
        let order = Order { secret: Some(SecretChange::Put(stored)), ..system_order("init", command)? };
        book.act(order).await?;
        issued.push(Issued { account: founder.account.clone(), name: founder.name.clone(), secret });
    }
    Ok(issued)
}
