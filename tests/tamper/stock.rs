//! One real book and its sealed records, made once for all tests by `tallyseal demo --once`, and copied for each.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use tallyseal_schema::canonical::unbase64;
use tallyseal_schema::checkpoint::VerifierKey;
use tallyseal_tests::book::Kept;
use tallyseal_tests::verifiers::tallyseal;
use tempfile::TempDir;

/// What the demo left.
pub struct Stock {
    /// The data directory, with the sealed records under `out/`.
    pub kept: Kept,
    /// The book's key as text, as it was printed when the book was opened.
    pub key: String,
}

static STOCK: LazyLock<Stock> = LazyLock::new(|| {
    // Somebody who runs these tests again and again has one already.
    if let Some(dir) = std::env::var_os("TALLYSEAL_TAMPER_STOCK") {
        let first: serde_json::Value =
            serde_json::from_slice(&tallyseal_tests::book::entries(Path::new(&dir))[0]).unwrap();
        let public = unbase64(first["body"]["public_key"].as_str().unwrap()).unwrap().try_into().unwrap();
        let key = VerifierKey::of_book(&first["book"].as_str().unwrap().parse().unwrap(), public).to_string();
        return Stock { kept: Kept::of(Path::new(&dir)), key };
    }
    let folder = TempDir::new().unwrap();
    let dir = folder.path().join("book");
    let output = tallyseal([OsStr::new("demo"), OsStr::new("--once"), OsStr::new("--dir"), dir.as_os_str()]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let said = String::from_utf8(output.stdout).unwrap();
    let key = said.lines().find_map(|line| line.strip_prefix("Key of the book: ")).expect("the demo names the key");
    Stock { kept: Kept::of(&dir), key: key.to_owned() }
});

/// The stock of this process.
pub fn stock() -> &'static Stock {
    &STOCK
}

/// A copy of the data directory, to be attacked.
pub struct Copy {
    folder: TempDir,
}

impl Copy {
    /// As the demo left it.
    pub fn new() -> Self {
        Self::of(&stock().kept)
    }

    /// As somebody else left it.
    pub fn of(kept: &Kept) -> Self {
        let copy = Self { folder: TempDir::new().unwrap() };
        kept.put(&copy.dir());
        copy
    }

    /// The data directory.
    pub fn dir(&self) -> PathBuf {
        self.folder.path().join("book")
    }

    /// A checkpoint as somebody in another department kept it: the newest file, or the first of at least that size.
    pub fn kept_elsewhere(&self, at_least: u64) -> PathBuf {
        let files = tallyseal_tests::book::checkpoints(&self.dir());
        let file = files.iter().find(|file| tallyseal_tests::book::checkpoint_size(file) >= at_least);
        self.put("kept.txt", &std::fs::read(file.or(files.last()).unwrap()).unwrap())
    }

    /// A file beside the data directory.
    pub fn put(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path
    }

    /// The exact bytes of all entries as a dump.
    pub fn dump(&self) -> PathBuf {
        self.put("dump.jsonl", &lines(&tallyseal_tests::book::entries(&self.dir())))
    }
}

/// Entries as a dump has them.
pub fn lines(entries: &[Vec<u8>]) -> Vec<u8> {
    entries.iter().flat_map(|bytes| bytes.iter().copied().chain([b'\n'])).collect()
}

/// The sealed record of a delivery, written to a folder of its own.
pub struct Sealed {
    folder: TempDir,
}

impl Sealed {
    pub fn new(zip: &[u8]) -> Self {
        let sealed = Self { folder: TempDir::new().unwrap() };
        std::fs::write(sealed.path(), zip).unwrap();
        sealed
    }

    pub fn path(&self) -> PathBuf {
        self.folder.path().join("record.zip")
    }
}

/// The bytes of a sealed record.
pub fn zip(delivery: &str) -> &'static [u8] {
    stock().kept.file(Path::new("out").join(format!("{delivery}.zip")).to_str().unwrap())
}
