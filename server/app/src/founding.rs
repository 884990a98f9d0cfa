//! Opens a new book: its keys, and two founding accounts that confirm each other.

use std::path::Path;
use std::str::FromStr as _;

use tallyseal_book::{Book, Layout, Opening, Order, SecretChange, key_file};
use tallyseal_control::{Command, fold_account};
use tallyseal_schema::By;
use tallyseal_schema::entry::Person;
use tallyseal_schema::ids::{AccountId, BookName, Id};
use tallyseal_schema::kinds::{Role, SessionEnd};
use tallyseal_schema::signature::SigningKey;

use crate::cli::CannotRun;
use crate::desk::{enrol_key_command, system_order};
use crate::server::{open_book, pepper_file, session_file};
use crate::vault::Vault;
use crate::{SOFTWARE, clock, randomness};

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
            .ok_or_else(|| CannotRun(format!("\"{text}\" is not ID:NAME, for example U-0001:Jo Example")))?;
        if name.trim().is_empty() {
            return Err(CannotRun(format!("\"{text}\" has no name after the colon")));
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

/// Makes the book in `dir` with its founders and gives their one-time secrets and the book's key.
///
/// Errors: in sentences; nothing is served afterwards.
pub(crate) async fn found(
    dir: &Path,
    name: &BookName,
    zone: &str,
    founders: [Founder; 2],
) -> Result<(Vec<Issued>, String), CannotRun> {
    if chrono_tz::Tz::from_str(zone).is_err() {
        return Err(CannotRun(format!("\"{zone}\" is no IANA time zone; give one such as Europe/Prague")));
    }
    let [first, second] = &founders;
    if fold_account(&first.account) == fold_account(&second.account) {
        return Err(CannotRun(format!(
            "the administrator and the reviewer must be two people, with IDs that nobody confuses: {} and {} are not",
            first.account, second.account
        )));
    }
    let opening = Opening {
        name: name.clone(),
        zone: zone.to_owned(),
        software: SOFTWARE.to_owned(),
        at: clock::now(),
        key_seed: randomness::bytes()?,
    };
    Book::create(dir, opening)?;
    let layout = Layout::new(dir);
    let pepper = randomness::bytes()?;
    key_file::write(&pepper_file(&layout), &pepper)?;
    key_file::write(&session_file(&layout), &randomness::bytes()?)?;
    let book = open_book(dir, false)?;
    let vault = Vault::new(name.clone(), pepper);
    let result = enrol_founders(&book, name, &vault, &founders).await;
    let key = book.verifier_key();
    book.shutdown().await;
    if result.is_err() {
        // A book that nobody can sign in to: what was made here is taken away again, so that the next try can begin.
        for made in [layout.captures(), layout.keys(), layout.checkpoints()] {
            std::fs::remove_dir_all(made)?;
        }
        for made in std::fs::read_dir(dir)? {
            std::fs::remove_file(made?.path())?;
        }
    }
    Ok((result?, key?))
}

async fn enrol_founders(
    book: &Book,
    name: &BookName,
    vault: &Vault,
    founders: &[Founder; 2],
) -> Result<Vec<Issued>, CannotRun> {
    let mut issued = Vec::new();
    let mut keys = Vec::new();
    for founder in founders {
        let secret = randomness::one_time_secret()?;
        let made = vault.make(&founder.account, &secret, true)?;
        let command = Command::FoundAccount {
            account: founder.account.clone(),
            name: founder.name.clone(),
            roles: vec![founder.role],
        };
        book.act(system_order("init", command)?).await?;
        let command = enrol_key_command(&founder.account, name, &made.key, None)?;
        let order = Order { secret: Some(SecretChange::Put(made.secret)), ..system_order("init", command)? };
        book.act(order).await?;
        issued.push(Issued { account: founder.account.clone(), name: founder.name.clone(), secret });
        keys.push(made.key);
    }
    let [first, second] = founders;
    let mut keys = keys.into_iter();
    if let (Some(first_key), Some(second_key)) = (keys.next(), keys.next()) {
        confirm(book, first, first_key, second).await?;
        confirm(book, second, second_key, first).await?;
    }
    Ok(issued)
}

/// One founder confirms the other, in a session of their own that lasts for this one act.
async fn confirm(book: &Book, signer: &Founder, key: SigningKey, other: &Founder) -> Result<(), CannotRun> {
    let session = randomness::session()?;
    let device = Id::from_str("INIT")?;
    let expires = clock::now().plus_micros(60_000_000);
    let command = Command::OpenSession {
        session: session.clone(),
        account: signer.account.clone(),
        device: device.clone(),
        expires,
    };
    book.act(system_order("init", command)?).await?;
    let by = By::Person(Person {
        account: signer.account.clone(),
        device,
        name: signer.name.clone(),
        role: signer.role,
        session: session.clone(),
    });
    let command = Command::ConfirmIdentity { account: other.account.clone() };
    book.act(Order { by, key: Some(key), ..system_order("init", command)? }).await?;
    let command = Command::EndSession { session, cause: SessionEnd::SignedOut };
    book.act(system_order("init", command)?).await?;
    Ok(())
}
