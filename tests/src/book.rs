//! Looks into a data directory at rest, and changes it as somebody with an editor for database files would.

use std::fs::Permissions;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags, params};
use tallyseal_schema::Hash;
use tallyseal_schema::checkpoint::parse_body;
use tallyseal_schema::tree::Frontier;

/// Every entry's bytes, in order of n.
pub fn entries(dir: &Path) -> Vec<Vec<u8>> {
    let db = Connection::open_with_flags(dir.join("book.db"), OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
    let mut statement = db.prepare("SELECT bytes FROM entry ORDER BY n").unwrap();
    let rows = statement.query_map([], |row| row.get(0)).unwrap();
    rows.collect::<Result<_, _>>().unwrap()
}

/// Runs SQL on the database with every trigger out of the way: what a database administrator can do.
pub fn as_administrator(dir: &Path, sql: &str) {
    administer(dir, |db| db.execute_batch(sql).unwrap());
}

/// Works on the database with every trigger out of the way, and puts them back word for word, so that they do not tell.
pub fn administer<T>(dir: &Path, work: impl FnOnce(&Connection) -> T) -> T {
    let db = Connection::open(dir.join("book.db")).unwrap();
    // Nothing here must outlive a power cut.
    db.pragma_update(None, "synchronous", 0).unwrap();
    let triggers: Vec<(String, String)> = {
        let mut statement = db.prepare("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").unwrap();
        let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
        rows.collect::<Result<_, _>>().unwrap()
    };
    for (name, _) in &triggers {
        db.execute_batch(&format!("DROP TRIGGER \"{name}\"")).unwrap();
    }
    let done = work(&db);
    for (_, sql) in &triggers {
        db.execute_batch(sql).unwrap();
    }
    done
}

/// Puts other entries in the place of those that are there, with their streams and revs, and makes the head say so.
pub fn replace_entries(dir: &Path, entries: &[Vec<u8>]) {
    administer(dir, |db| {
        let transaction = db.unchecked_transaction().unwrap();
        transaction.execute("DELETE FROM entry", []).unwrap();
        {
            let mut insert = transaction.prepare("INSERT INTO entry (n, stream, rev, bytes) VALUES (?1, ?2, ?3, ?4)");
            let insert = insert.as_mut().unwrap();
            for (n, bytes) in entries.iter().enumerate() {
                let (stream, rev) = filed(bytes);
                insert.execute(params![n as i64, stream, rev, bytes]).unwrap();
            }
        }
        mend_head(&transaction);
        transaction.commit().unwrap();
    });
}

/// Stream and rev as an entry's own bytes say them; something else where they cannot be read.
fn filed(bytes: &[u8]) -> (String, i64) {
    let value: serde_json::Value = serde_json::from_slice(bytes).unwrap_or_default();
    let stream = value["stream"].as_str().map_or_else(|| format!("none/{}", Hash::of(bytes)), str::to_owned);
    (stream, value["rev"].as_i64().unwrap_or(1))
}

/// Makes the row of the head name the last entry that is there, and the tree over all of them.
pub fn mend_head(db: &Connection) {
    let mut statement = db.prepare("SELECT bytes FROM entry ORDER BY n").unwrap();
    let mut rows = statement.query([]).unwrap();
    let (mut frontier, mut last) = (Frontier::new(), Hash::ZERO);
    while let Some(row) = rows.next().unwrap() {
        last = Hash::leaf(row.get_ref(0).unwrap().as_blob().unwrap());
        frontier.push(last);
    }
    db.execute(
        "UPDATE head SET n = ?1, leaf = ?2, frontier = ?3",
        params![frontier.size() as i64 - 1, last.0, frontier.to_bytes()],
    )
    .unwrap();
}

/// The files of the checkpoints that the book keeps, the oldest first, without those that a witness cosigned.
pub fn checkpoints(dir: &Path) -> Vec<PathBuf> {
    notes(dir).into_iter().filter(|file| file.extension().is_none()).collect()
}

/// The files of the checkpoints that a witness cosigned, the oldest first.
pub fn cosigned(dir: &Path) -> Vec<PathBuf> {
    // One that is being written is not there yet.
    let whole = |file: &PathBuf| file.extension().is_some_and(|extension| extension != "tmp");
    notes(dir).into_iter().filter(whole).collect()
}

fn notes(dir: &Path) -> Vec<PathBuf> {
    let list =
        |dir: &Path| -> Vec<PathBuf> { std::fs::read_dir(dir).unwrap().map(|file| file.unwrap().path()).collect() };
    let folders = list(&dir.join("checkpoints"));
    let mut files: Vec<PathBuf> =
        folders.iter().filter(|folder| folder.is_dir()).flat_map(|folder| list(folder)).collect();
    files.sort();
    files
}

/// How many entries the checkpoint in that file speaks of.
pub fn checkpoint_size(file: &Path) -> u64 {
    parse_body(&std::fs::read_to_string(file).unwrap()).unwrap().size
}

/// Everything in a data directory at rest, kept in memory: path, mode, and contents where it is no folder.
#[derive(Clone, PartialEq, Eq)]
pub struct Kept(Vec<(PathBuf, u32, Option<Vec<u8>>)>);

impl Kept {
    /// Reads a directory with all that is in it. A socket that a killed server left is nobody's and is passed over.
    pub fn of(dir: &Path) -> Self {
        let mut files = Vec::new();
        gather(dir, Path::new(""), &mut files);
        // A folder before what is in it, and the same order every time.
        files.sort();
        Self(files)
    }

    /// Writes it to a new directory, modes included: a key that others may read would be refused.
    pub fn put(&self, to: &Path) {
        for (path, mode, contents) in &self.0 {
            let path = to.join(path);
            match contents {
                None => std::fs::create_dir_all(&path).unwrap(),
                Some(bytes) => std::fs::write(&path, bytes).unwrap(),
            }
            std::fs::set_permissions(&path, Permissions::from_mode(*mode)).unwrap();
        }
    }

    /// The bytes of one file.
    pub fn file(&self, path: &str) -> &[u8] {
        let kept = self.0.iter().find(|(kept, ..)| kept == Path::new(path));
        kept.and_then(|(.., contents)| contents.as_deref()).unwrap_or_else(|| panic!("there is no file {path}"))
    }
}

fn gather(top: &Path, below: &Path, files: &mut Vec<(PathBuf, u32, Option<Vec<u8>>)>) {
    let here = top.join(below);
    files.push((below.to_owned(), here.metadata().unwrap().permissions().mode() & 0o7777, None));
    for entry in std::fs::read_dir(&here).unwrap() {
        let name = entry.unwrap().file_name();
        let (path, below) = (here.join(&name), below.join(&name));
        let kind = path.metadata().unwrap();
        if kind.is_dir() {
            gather(top, &below, files);
        } else if kind.is_file() {
            files.push((below, kind.permissions().mode() & 0o7777, Some(std::fs::read(&path).unwrap())));
        }
    }
}
