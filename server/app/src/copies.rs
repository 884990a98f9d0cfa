//! Copies that people take: a large record takes a while, so it is made beside the server's work, and fetched when it is
//! there. Each belongs to the account that asked, and goes after a quarter of an hour.

use std::collections::BTreeMap;
use std::fs::{self, DirBuilder, File};
use std::io::{self, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tallyseal_schema::AccountId;
use tallyseal_schema::ids::Stream;

use crate::error::DeskError;
use crate::export::{Sealed, Stage};
use crate::randomness;

/// The folder in the book's directory that holds copies until they are fetched.
const FOLDER: &str = "copies.tmp";
/// Copies that are under way or wait to be fetched, at a time; of one account so many.
const ALL_MAX: usize = 16;
const ACCOUNT_MAX: usize = 4;
/// So long a copy waits to be fetched.
const KEPT: Duration = Duration::from_secs(15 * 60);

/// How a copy stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Stands {
    /// It is being made.
    Making(Stage),
    /// It is there: length of the record and of its pages. Unit: bytes.
    There(u64, u64),
    /// It was not made; why.
    Failed(String),
}

/// One copy, as its page shows it.
#[derive(Debug, Clone)]
pub(crate) struct Copy {
    pub(crate) record: Stream,
    pub(crate) stands: Stands,
}

struct Kept {
    account: AccountId,
    copy: Copy,
    since: Instant,
}

/// The copies of one server.
#[derive(Default)]
pub(crate) struct Copies {
    kept: Mutex<BTreeMap<String, Kept>>,
}

/// Which file of a copy.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Part {
    /// The sealed record.
    Zip,
    /// Its pages alone.
    Pdf,
}

impl Part {
    const fn extension(self) -> &'static str {
        match self {
            Self::Zip => "zip",
            Self::Pdf => "pdf",
        }
    }
}

impl Copies {
    fn lock(&self) -> MutexGuard<'_, BTreeMap<String, Kept>> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A place for one more copy; its name. `None`: so many are under way or wait already.
    pub(crate) fn begin(&self, dir: &Path, account: &AccountId, record: &Stream) -> Result<Option<String>, DeskError> {
        let mut kept = self.lock();
        let old: Vec<String> = kept
            .iter()
            .filter(|(_, one)| one.since.elapsed() > KEPT && !matches!(one.copy.stands, Stands::Making(_)))
            .map(|(name, _)| name.clone())
            .collect();
        for name in old {
            kept.remove(&name);
            remove(dir, &name);
        }
        let own = kept.values().filter(|one| one.account == *account).count();
        if kept.len() >= ALL_MAX || own >= ACCOUNT_MAX {
            return Ok(None);
        }
        let name = randomness::act().map_err(|error| DeskError::Internal(error.to_string()))?.to_string();
        let copy = Copy { record: record.clone(), stands: Stands::Making(Stage::Gathering) };
        kept.insert(name.clone(), Kept { account: account.clone(), copy, since: Instant::now() });
        Ok(Some(name))
    }

    /// It has come so far.
    pub(crate) fn reached(&self, name: &str, stage: Stage) {
        if let Some(one) = self.lock().get_mut(name) {
            one.copy.stands = Stands::Making(stage);
        }
    }

    /// It is made, or was not. What cannot be written is not there.
    pub(crate) fn ended(&self, dir: &Path, name: &str, made: Result<Sealed, String>) {
        let stands = match made.and_then(|sealed| write(dir, name, &sealed).map_err(|error| error.to_string())) {
            Ok((zip, pdf)) => Stands::There(zip, pdf),
            Err(why) => Stands::Failed(why),
        };
        if let Some(one) = self.lock().get_mut(name) {
            one.copy.stands = stands;
            one.since = Instant::now();
        }
    }

    /// That copy, where it is this account's.
    pub(crate) fn of(&self, account: &AccountId, name: &str) -> Option<Copy> {
        self.lock().get(name).filter(|one| one.account == *account).map(|one| one.copy.clone())
    }
}

/// Where a copy's file lies; it is there once its copy is [`Stands::There`].
pub(crate) fn file(dir: &Path, name: &str, part: Part) -> PathBuf {
    dir.join(FOLDER).join(format!("{name}.{}", part.extension()))
}

fn write(dir: &Path, name: &str, sealed: &Sealed) -> io::Result<(u64, u64)> {
    let folder = dir.join(FOLDER);
    if !folder.is_dir() {
        DirBuilder::new().mode(0o700).create(&folder)?;
    }
    for (part, bytes) in [(Part::Zip, &sealed.zip), (Part::Pdf, &sealed.pdf)] {
        let path = file(dir, name, part);
        let mut file = File::options().write(true).create_new(true).mode(0o600).open(path)?;
        file.write_all(bytes)?;
    }
    Ok((sealed.zip.len() as u64, sealed.pdf.len() as u64))
}

fn remove(dir: &Path, name: &str) {
    for part in [Part::Zip, Part::Pdf] {
        // One that failed has none.
        let _ = fs::remove_file(file(dir, name, part));
    }
}

/// Removes what an earlier server left. Called by the one server that has the book.
pub(crate) fn clear_left(dir: &Path) {
    let folder = dir.join(FOLDER);
    if folder.exists()
        && let Err(error) = fs::remove_dir_all(&folder)
    {
        tracing::error!(%error, "copies that an earlier server left were not removed");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_copy_is_its_own_accounts_and_there_are_not_too_many() {
        let dir = std::env::temp_dir().join(format!("tallyseal-copies-{}", std::process::id()));
        fs::create_dir_all(&dir).unwrap();
        let (copies, record) = (Copies::default(), "roll/R-1".parse::<Stream>().unwrap());
        let [ann, bob]: [AccountId; 2] = ["U-0001".parse().unwrap(), "U-0002".parse().unwrap()];
        let names: Vec<String> = std::iter::from_fn(|| copies.begin(&dir, &ann, &record).unwrap()).take(100).collect();
        assert_eq!(names.len(), ACCOUNT_MAX);
        assert!(copies.of(&ann, &names[0]).is_some() && copies.of(&bob, &names[0]).is_none());
        copies.ended(&dir, &names[0], Ok(Sealed { pdf: b"%PDF".to_vec(), zip: b"PK".to_vec() }));
        assert_eq!(copies.of(&ann, &names[0]).unwrap().stands, Stands::There(2, 4));
        assert_eq!(fs::read(file(&dir, &names[0], Part::Pdf)).unwrap(), b"%PDF");
        copies.ended(&dir, &names[1], Err("no".to_owned()));
        assert_eq!(copies.of(&ann, &names[1]).unwrap().stands, Stands::Failed("no".to_owned()));
        clear_left(&dir);
        assert!(!dir.join(FOLDER).exists());
        fs::remove_dir_all(&dir).unwrap();
    }
}
