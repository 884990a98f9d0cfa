//! Checkpoints: those that the book keeps, and those that came from outside.

use std::collections::BTreeMap;
use std::path::Path;

use tallyseal_schema::checkpoint::{self, Checkpoint, VerifierKey};
use tallyseal_schema::{BookName, Hash};

use crate::cannot_run::CannotRun;
use crate::check::Check;
use crate::findings::Findings;
use crate::judge::BookKeys;
use crate::report::CheckpointSeen;
use crate::stamps::is_token;
use crate::tree_run::TreeRun;
use tallyseal_schema::witness::WitnessKey;

/// The text of a note, and where it is from.
pub(crate) struct NoteText {
    pub(crate) name: String,
    pub(crate) text: String,
    /// It came from outside.
    pub(crate) outside: bool,
}

/// A good note of this book.
#[derive(Debug, Clone)]
pub(crate) struct Note {
    pub(crate) name: String,
    pub(crate) checkpoint: Checkpoint,
    pub(crate) outside: bool,
    /// Which of the book's keys signed it; nothing where none is here.
    pub(crate) key: Option<usize>,
    /// Which known witnesses cosigned it, by their position, and when. Unit: seconds since 1970.
    pub(crate) witnessed: Vec<(usize, u64)>,
}

/// Whom notes are held against.
#[derive(Clone, Copy)]
pub(crate) struct Signers<'a> {
    pub(crate) book: Option<&'a BookName>,
    pub(crate) keys: &'a BookKeys,
    pub(crate) witnesses: &'a [WitnessKey],
}

/// How long the name of a folder of checkpoints is.
const FOLDER_DIGITS: usize = 12;

/// Reads every note in a directory and in its folders of digits, by name; a directory that is not there holds none.
///
/// Errors: it cannot be read.
pub(crate) fn read_dir(dir: &Path) -> Result<Vec<NoteText>, CannotRun> {
    let mut notes = Vec::new();
    files(dir, checkpoint::NOTE_MAX as u64, |name| !is_token(name), &mut |name, bytes| {
        notes.push(NoteText { name, text: String::from_utf8_lossy(&bytes).into_owned(), outside: false });
    })?;
    notes.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(notes)
}

/// Reads the files of such names in a directory and in its folders of digits. Of one that is longer than `most` bytes no
/// more than shows that it is.
///
/// Errors: it cannot be read.
pub(crate) fn files(
    dir: &Path,
    most: u64,
    wanted: fn(&str) -> bool,
    each: &mut dyn FnMut(String, Vec<u8>),
) -> Result<(), CannotRun> {
    let files = match std::fs::read_dir(dir) {
        Ok(files) => files,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(CannotRun::reading(dir.display(), error)),
    };
    for file in files {
        let path = file.map_err(|error| CannotRun::reading(dir.display(), error))?.path();
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        // A crash leaves a temporary file behind, whole or not.
        if name.ends_with(".tmp") || name.starts_with('.') {
            continue;
        }
        if path.is_dir() {
            // Ten thousand sizes share a folder, named by their first digits.
            if name.len() == FOLDER_DIGITS && name.bytes().all(|byte| byte.is_ascii_digit()) {
                self::files(&path, most, wanted, each)?;
            }
            continue;
        }
        if wanted(&name) {
            let bytes = read_capped(&path, most).map_err(|error| CannotRun::reading(path.display(), error))?;
            each(name, bytes);
        }
    }
    Ok(())
}

fn read_capped(path: &Path, most: u64) -> std::io::Result<Vec<u8>> {
    use std::io::Read as _;
    let mut bytes = Vec::new();
    std::fs::File::open(path)?.take(most + 1).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Opens notes on `threads` threads and writes down what is wrong with them. Gives the good ones, in their order.
pub(crate) fn open_all(texts: &[NoteText], signers: Signers<'_>, threads: usize, findings: &mut Findings) -> Vec<Note> {
    findings.looked(Check::Checkpoints, texts.len() as u64);
    let part = texts.len().div_ceil(threads.max(1)).max(1);
    let opened: Vec<Result<Note, String>> = std::thread::scope(|scope| {
        let parts: Vec<_> = texts
            .chunks(part)
            .map(|part| scope.spawn(move || part.iter().map(|text| open(text, signers)).collect::<Vec<_>>()))
            .collect();
        parts.into_iter().flat_map(|part| part.join().unwrap_or_default()).collect()
    });
    if signers.keys.is_empty() {
        findings.not_judged(Check::Checkpoints, "the book's key is not here", texts.len() as u64);
    }
    let mut notes = Vec::new();
    for note in opened {
        match note {
            Ok(note) => notes.push(note),
            Err(what) => findings.fault(Check::Checkpoints, None, what),
        }
    }
    notes
}

fn open(text: &NoteText, signers: Signers<'_>) -> Result<Note, String> {
    let name = &text.name;
    let wrong = |what: &dyn std::fmt::Display| format!("the checkpoint {name}: {what}");
    let note = checkpoint::Note::parse(&text.text).map_err(|error| wrong(&error))?;
    let size = note.checkpoint().map_err(|error| wrong(&error))?.size;
    // The key of that size, and no other of the book's: one that was left behind signs nothing more.
    let key = signers.keys.at(size).filter(|_| signers.book.is_some());
    let public = key.and_then(|place| signers.keys.public(place));
    let keys: Vec<VerifierKey> =
        signers.book.zip(public).map(|(book, public)| VerifierKey::of_book(book, public)).into_iter().collect();
    let opened = checkpoint::open(&text.text, &keys).map_err(|error| wrong(&error))?;
    if signers.book.is_some_and(|book| *book != opened.checkpoint.origin) {
        return Err(wrong(&format_args!("it is of the book {}", opened.checkpoint.origin)));
    }
    if key.is_some() && opened.signed_by.is_empty() {
        return Err(wrong(&"it is not signed by the book's key"));
    }
    let mut witnessed = Vec::new();
    for (at, witness) in signers.witnesses.iter().enumerate() {
        let times = witness.times(&note);
        let times = times.map_err(|_| wrong(&format_args!("the cosignature of {} is bad", witness.name())))?;
        witnessed.extend(times.into_iter().map(|time| (at, time)));
    }
    Ok(Note { name: name.clone(), checkpoint: opened.checkpoint, outside: text.outside, key, witnessed })
}

/// The sizes that the notes speak of, whoever signed them, ascending, each once: the roots at these are wanted before the
/// book's keys are known.
pub(crate) fn sizes(texts: &[NoteText]) -> Vec<u64> {
    let size = |text: &NoteText| checkpoint::parse_body(&text.text).ok().map(|checkpoint| checkpoint.size);
    let mut sizes: Vec<u64> = texts.iter().filter_map(size).collect();
    sizes.sort_unstable();
    sizes.dedup();
    sizes
}

/// Two notes of one size must name one root: otherwise the book's key signed two histories.
pub(crate) fn contradictions(notes: &[Note], findings: &mut Findings) {
    let mut roots: BTreeMap<u64, (&Hash, &str)> = BTreeMap::new();
    for note in notes {
        let Checkpoint { size, root, .. } = &note.checkpoint;
        let (first, name) = roots.entry(*size).or_insert((root, &note.name));
        if *first != root {
            let what =
                format!("the checkpoints {name} and {} are both good and name two roots for size {size}", note.name);
            findings.fault(Check::Checkpoints, None, what);
        }
    }
}

/// Holds every good note against the tree over the entries; `end`: one more than the last n. Gives the notes that hold.
pub(crate) fn against_tree<'a>(notes: &'a [Note], tree: &TreeRun, end: u64, findings: &mut Findings) -> Vec<&'a Note> {
    let mut held = Vec::new();
    let (mut cut, mut differ): (Vec<&Note>, Vec<&Note>) = (Vec::new(), Vec::new());
    for note in notes {
        match tree.roots.get(&note.checkpoint.size) {
            Some(root) if *root == note.checkpoint.root => held.push(note),
            _ if note.checkpoint.size > end => cut.push(note),
            _ => differ.push(note),
        }
    }
    let others = |count: usize| if count > 1 { format!(" ({} others say so too)", count - 1) } else { String::new() };
    if let Some(last) = cut.iter().max_by_key(|note| note.checkpoint.size) {
        let size = last.checkpoint.size;
        let what = format!(
            "the tail is cut: the checkpoint {} speaks of {size} entries, and there are none from {end} on{}",
            last.name,
            others(cut.len())
        );
        findings.fault(Check::Checkpoints, Some(end), what);
    }
    // The first entry that may differ stands after the last checkpoint that holds before the first that does not.
    if let Some(first) = differ.iter().min_by_key(|note| note.checkpoint.size) {
        let size = first.checkpoint.size;
        // What the book keeps itself holds in whatever past its key signed: it narrows down nothing for one from outside.
        let speaks = |note: &&&Note| note.outside || !first.outside;
        let good =
            held.iter().filter(speaks).map(|note| note.checkpoint.size).filter(|held| *held < size).max().unwrap_or(0);
        let why = match tree.roots.contains_key(&size) {
            true => "do not have the root that it names",
            false => "are not all here",
        };
        let what = format!(
            "entries {good} to {}, under the checkpoint {}, {why}{}",
            size.saturating_sub(1),
            first.name,
            others(differ.len())
        );
        findings.fault(Check::Tree, Some(good), what);
    }
    held
}

/// The newest of some notes.
pub(crate) fn newest<'a>(notes: impl IntoIterator<Item = &'a Note>) -> Option<CheckpointSeen> {
    let newest = notes.into_iter().max_by_key(|note| note.checkpoint.size)?;
    Some(CheckpointSeen { size: newest.checkpoint.size, root: newest.checkpoint.root })
}
