//! Checkpoints: the book's key says how large the book is and what its root is.
//!
//! Rule: C2SP `tlog-checkpoint` for the body, C2SP `signed-note` for the envelope and the key texts;
//! `FORMAT.md` section 3.

use std::fmt;
use std::str::FromStr;

use crate::canonical::{base64, unbase64};
use crate::hash::Hash;
use crate::ids::BookName;
use crate::signature::{self, SigningKey};

/// The largest note that is read.
///
/// Unit: bytes. Rule: `FORMAT.md` section 3.
pub const NOTE_MAX: usize = 64 * 1024;

/// Ed25519 in the key texts and key IDs of signed notes. Rule: C2SP signed-note, signature types.
const ED25519: u8 = 0x01;

/// What a checkpoint says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checkpoint {
    /// Which book.
    pub origin: BookName,
    /// How many entries it had.
    pub size: u64,
    /// The root of the tree over them.
    pub root: Hash,
}

impl Checkpoint {
    /// The three lines that are signed, each ended by a line feed. Rule: C2SP tlog-checkpoint.
    pub fn body(&self) -> String {
        format!("{}\n{}\n{}\n", self.origin, self.size, base64(self.root.0))
    }
}

/// A public key under a name, as given to a verifier from outside.
///
/// Shape: as text `NAME+ID+BASE64`, ID 8 lower-case hex digits, base64 of the type 0x01 and the raw key.
/// Rule: C2SP signed-note, verifier keys.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VerifierKey {
    /// Whose key: for a book its name.
    pub name: String,
    /// What signature lines name it by: the first four bytes of SHA-256 over name, 0x0A, type, raw key.
    pub id: [u8; 4],
    /// The raw Ed25519 public key.
    pub public: [u8; 32],
}

/// A text that is not a verifier key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct VerifierKeyError(&'static str);

impl fmt::Display for VerifierKeyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "not a verifier key (NAME+ID+BASE64): {}", self.0)
    }
}

impl std::error::Error for VerifierKeyError {}

impl VerifierKey {
    /// The key `public` under `name`, with its ID.
    ///
    /// Errors: a name that no signature line can hold: empty, with white space or `+`.
    pub fn new(name: &str, public: [u8; 32]) -> Result<Self, VerifierKeyError> {
        if !is_key_name(name) {
            return Err(VerifierKeyError("the name is empty or holds white space or '+'"));
        }
        Ok(Self { name: name.to_owned(), id: key_id(name, &public), public })
    }

    /// The key of a book. A book's name is always a good key name.
    pub fn of_book(book: &BookName, public: [u8; 32]) -> Self {
        Self { name: book.as_str().to_owned(), id: key_id(book.as_str(), &public), public }
    }
}

fn key_id(name: &str, public: &[u8; 32]) -> [u8; 4] {
    let [a, b, c, d, ..] = Hash::digest(&[name.as_bytes(), b"\n", &[ED25519], public]).0;
    [a, b, c, d]
}

fn is_key_name(name: &str) -> bool {
    !name.is_empty() && !name.contains(|c: char| c.is_whitespace() || c.is_control() || c == '+')
}

impl fmt::Display for VerifierKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut typed = vec![ED25519];
        typed.extend_from_slice(&self.public);
        write!(f, "{}+{:08x}+{}", self.name, u32::from_be_bytes(self.id), base64(typed))
    }
}

impl FromStr for VerifierKey {
    type Err = VerifierKeyError;

    fn from_str(text: &str) -> Result<Self, VerifierKeyError> {
        let mut parts = text.splitn(3, '+');
        let (Some(name), Some(id), Some(key)) = (parts.next(), parts.next(), parts.next()) else {
            return Err(VerifierKeyError("three parts joined by '+' are wanted"));
        };
        let key = unbase64(key).ok_or(VerifierKeyError("the last part is not base64"))?;
        let Some((&ED25519, public)) = key.split_first() else {
            return Err(VerifierKeyError("only Ed25519 keys (type 1) are known"));
        };
        let public = public.try_into().map_err(|_| VerifierKeyError("an Ed25519 key has 32 bytes"))?;
        let key = Self::new(name, public)?;
        if format!("{:08x}", u32::from_be_bytes(key.id)) != id {
            return Err(VerifierKeyError("the ID does not belong to this name and key"));
        }
        Ok(key)
    }
}

/// The note that holds `checkpoint`, signed by the book's `key` under the book's name.
pub fn sign(checkpoint: &Checkpoint, key: &SigningKey) -> String {
    let body = checkpoint.body();
    let mut line = key_id(checkpoint.origin.as_str(), &key.public()).to_vec();
    line.extend_from_slice(&key.sign(body.as_bytes()));
    format!("{body}\n\u{2014} {} {}\n", checkpoint.origin, base64(line))
}

/// Why a text is not a good note.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NoteError {
    /// Longer than [`NOTE_MAX`].
    TooLong,
    /// Not in the form of a signed note.
    Form(&'static str),
    /// In the form of a signed note, but its text is not a checkpoint of a book.
    Body(&'static str),
    /// A known key's signature is not good; the key's name.
    BadSignature(String),
}

impl fmt::Display for NoteError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooLong => write!(f, "the note is longer than {NOTE_MAX} bytes"),
            Self::Form(what) => write!(f, "not a signed note: {what}"),
            Self::Body(what) => write!(f, "not a checkpoint: {what}"),
            Self::BadSignature(name) => write!(f, "the signature by {name} is not good"),
        }
    }
}

impl std::error::Error for NoteError {}

/// One signature line of a note.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NoteSignature {
    /// The signing key's name.
    pub name: String,
    /// The signing key's ID.
    pub id: [u8; 4],
    /// The signature itself, in whatever form the key's type has.
    pub signature: Vec<u8>,
}

/// A signed note, taken apart but not yet checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Note {
    /// What is signed: whole lines, the last line feed included.
    pub text: String,
    /// The signature lines in their order. Shape: at least one.
    pub signatures: Vec<NoteSignature>,
}

impl Note {
    /// Takes a note apart.
    ///
    /// Errors: [`NoteError::TooLong`], [`NoteError::Form`]. Rule: C2SP signed-note, format.
    pub fn parse(note: &str) -> Result<Self, NoteError> {
        if note.len() > NOTE_MAX {
            return Err(NoteError::TooLong);
        }
        if note.bytes().any(|byte| byte < 0x20 && byte != b'\n') {
            return Err(NoteError::Form("it holds a control character"));
        }
        // The last blank line: the text may hold others, the signature lines cannot.
        let (text, lines) = note.rsplit_once("\n\n").ok_or(NoteError::Form("no blank line before the signatures"))?;
        let lines = lines.strip_suffix('\n').ok_or(NoteError::Form("no signature, or no line feed at the end"))?;
        let signatures = lines.split('\n').map(signature_line).collect::<Result<_, _>>()?;
        Ok(Self { text: format!("{text}\n"), signatures })
    }

    /// The checkpoint in the note's text, whoever signed it. Extension lines after the third are left unread.
    ///
    /// Errors: [`NoteError::Body`]. Rule: C2SP tlog-checkpoint.
    pub fn checkpoint(&self) -> Result<Checkpoint, NoteError> {
        let mut lines = self.text.strip_suffix('\n').unwrap_or(&self.text).split('\n');
        let (Some(origin), Some(size), Some(root)) = (lines.next(), lines.next(), lines.next()) else {
            return Err(NoteError::Body("origin, size and root are wanted, each on its line"));
        };
        if lines.any(str::is_empty) {
            return Err(NoteError::Body("an extension line is empty"));
        }
        let origin = origin.parse().map_err(|_| NoteError::Body("the origin is not a book's name"))?;
        let plain = size == "0" || (!size.starts_with('0') && size.bytes().all(|b| b.is_ascii_digit()));
        let size = if plain { size.parse().ok() } else { None };
        let size = size.ok_or(NoteError::Body("the size is not a plain decimal number"))?;
        let root = unbase64(root).and_then(|root| root.try_into().ok()).map(Hash);
        let root = root.ok_or(NoteError::Body("the root is not base64 of 32 bytes"))?;
        Ok(Checkpoint { origin, size, root })
    }
}

fn signature_line(line: &str) -> Result<NoteSignature, NoteError> {
    let form = NoteError::Form("a signature line is not dash, name and base64");
    let parts = line.strip_prefix("\u{2014} ").and_then(|rest| rest.split_once(' '));
    let Some((name, blob)) = parts.filter(|(name, _)| is_key_name(name)) else { return Err(form) };
    let blob = unbase64(blob).ok_or(form.clone())?;
    let (id, signature) = blob.split_first_chunk::<4>().filter(|(_, rest)| !rest.is_empty()).ok_or(form)?;
    Ok(NoteSignature { name: name.to_owned(), id: *id, signature: signature.to_vec() })
}

/// A note whose known signatures are all good.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Opened {
    /// What the note says.
    pub checkpoint: Checkpoint,
    /// Which of the given keys signed it: their positions, ascending, each once. Empty where none did; whether that
    /// is enough is for the caller to say.
    pub signed_by: Vec<usize>,
}

/// Reads a note and checks the signatures of `keys`. A line whose name and ID belong to none of them is passed over.
///
/// That the signing key's name is the checkpoint's origin is for the caller to ask; a witness has a name of its own.
///
/// Errors: [`NoteError`]; one bad signature by a known key rejects the note. Rule: C2SP signed-note, verification.
pub fn open(note: &str, keys: &[VerifierKey]) -> Result<Opened, NoteError> {
    let note = Note::parse(note)?;
    let checkpoint = note.checkpoint()?;
    let mut signed_by = Vec::new();
    for line in &note.signatures {
        for (position, key) in keys.iter().enumerate() {
            if key.name != line.name || key.id != line.id {
                continue;
            }
            if !signature::verify(&key.public, note.text.as_bytes(), &line.signature) {
                return Err(NoteError::BadSignature(key.name.clone()));
            }
            signed_by.push(position);
        }
    }
    signed_by.sort_unstable();
    signed_by.dedup();
    Ok(Opened { checkpoint, signed_by })
}

/// What a note says, whoever signed it.
///
/// Errors: [`NoteError::TooLong`], [`NoteError::Form`], [`NoteError::Body`].
pub fn parse_body(note: &str) -> Result<Checkpoint, NoteError> {
    Note::parse(note)?.checkpoint()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::Value;

    use super::*;

    fn vectors() -> Value {
        serde_json::from_str(include_str!("../vectors/record-format.json")).unwrap()
    }

    /// The known answer: its note, the book's key, and what it says.
    fn known() -> (String, SigningKey, Checkpoint) {
        let vectors = vectors();
        let seed = std::array::from_fn(|i| i as u8);
        let checkpoint = Checkpoint {
            origin: "label-room.example/plant-1".parse().unwrap(),
            size: 9,
            root: vectors["roots"][9].as_str().unwrap().parse().unwrap(),
        };
        (vectors["checkpoint"].as_str().unwrap().to_owned(), SigningKey::from_seed(&seed).unwrap(), checkpoint)
    }

    fn key_of(name: &str, key: &SigningKey) -> VerifierKey {
        VerifierKey::new(name, key.public()).unwrap()
    }

    fn line(text: &str, name: &str, key: &SigningKey) -> String {
        let blob = [&key_id(name, &key.public())[..], &key.sign(text.as_bytes())[..]].concat();
        format!("\u{2014} {name} {}\n", base64(blob))
    }

    #[test]
    fn the_known_checkpoint_is_made_and_opened() {
        let (note, key, checkpoint) = known();
        assert_eq!(sign(&checkpoint, &key), note);
        let verifier = VerifierKey::of_book(&checkpoint.origin, key.public());
        assert_eq!(open(&note, &[verifier]), Ok(Opened { checkpoint: checkpoint.clone(), signed_by: vec![0] }));
        assert_eq!(open(&note, &[]), Ok(Opened { checkpoint: checkpoint.clone(), signed_by: vec![] }));
        assert_eq!(parse_body(&note), Ok(checkpoint));
    }

    #[test]
    fn the_example_of_the_signed_note_text_holds() {
        // https://c2sp.org/signed-note, the example note and its key.
        let key: VerifierKey = "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k".parse().unwrap();
        let note = Note::parse(concat!(
            "This is an example message.\n\n\u{2014} example.com/foo ",
            "Uw2QOkn8srV1yJGh2VYRlL1Tnagv1YEq6TfXppzi2ONncAlTgK7Ztg1ERYNZXsYjOBH3mFXmRKuwHjG1Yu72IneyaQM=\n"
        ))
        .unwrap();
        let [line] = &note.signatures[..] else { panic!("one line") };
        assert_eq!((&line.name, line.id), (&key.name, key.id));
        assert!(signature::verify(&key.public, note.text.as_bytes(), &line.signature));
        assert!(matches!(note.checkpoint(), Err(NoteError::Body(_))));
    }

    #[test]
    fn a_verifier_key_is_read_and_written_in_one_form() {
        let text = "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k";
        assert_eq!(text.parse::<VerifierKey>().unwrap().to_string(), text);
        for bad in [
            "",
            "example.com/foo",
            "example.com/foo+530d903a",
            "+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k",
            "example.com/fo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k",
            "example.com/foo+530D903A+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k",
            "example.com/foo+530d903b+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k",
            "example.com/foo+530d903a+AukyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k",
            "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U0=",
            "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k ",
        ] {
            assert!(bad.parse::<VerifierKey>().is_err(), "{bad}");
        }
        for name in ["", "a b", "a+b", "a\nb", "a\u{a0}b"] {
            assert!(VerifierKey::new(name, [1; 32]).is_err(), "{name:?}");
        }
    }

    #[test]
    fn a_note_out_of_form_is_refused() {
        let (note, key, _) = known();
        let keys = [key_of("label-room.example/plant-1", &key)];
        // Each is signed by nobody or by the key over the spoiled text, so the form alone must refuse it.
        for (what, bad) in [
            ("line feeds of another system", note.replace('\n', "\r\n")),
            ("no blank line", note.replace("\n\n", "\n")),
            ("hyphen for dash", note.replace('\u{2014}', "-")),
            ("no line feed at the end", note.trim_end().to_owned()),
            ("a control character", note.replace("\n9\n", "\n9\t\n")),
            ("no signature line", note.split_once("\u{2014}").unwrap().0.to_owned()),
            ("an empty signature line", note.clone() + "\n"),
            ("a signature line without base64", note.clone() + "\u{2014} other.example\n"),
            ("a signature line with bad base64", note.clone() + "\u{2014} other.example AAAA=\n"),
            ("a signature line without a signature", note.clone() + "\u{2014} other.example AAAAAA==\n"),
            ("a signature line with a bad name", note.clone() + "\u{2014} a+b AAAAAAAA\n"),
            ("nothing", String::new()),
        ] {
            assert!(matches!(open(&bad, &keys), Err(NoteError::Form(_))), "{what}");
        }
        assert_eq!(open(&"x".repeat(NOTE_MAX + 1), &keys), Err(NoteError::TooLong));
    }

    #[test]
    fn a_text_that_is_no_checkpoint_is_refused_though_it_is_signed() {
        let (_, key, checkpoint) = known();
        let name = "label-room.example/plant-1";
        let root = base64(checkpoint.root.0);
        let note = |text: &str| format!("{text}\n{}", line(text, name, &key));
        for (what, text) in [
            ("a leading zero", format!("{name}\n09\n{root}\n")),
            ("no size", format!("{name}\n\n{root}\n")),
            ("a sign", format!("{name}\n+9\n{root}\n")),
            ("not a number", format!("{name}\nx\n{root}\n")),
            ("beyond 64 bits", format!("{name}\n18446744073709551616\n{root}\n")),
            ("a short root", format!("{name}\n9\nAAAA\n")),
            ("a root that is not base64", format!("{name}\n9\n{}\n", &root[..43])),
            ("no root", format!("{name}\n9\n")),
            ("no book's name", format!("A Book\n9\n{root}\n")),
            ("an empty extension", format!("{name}\n9\n{root}\n\nmore\n")),
        ] {
            assert!(matches!(open(&note(&text), &[key_of(name, &key)]), Err(NoteError::Body(_))), "{what}");
        }
        let empty = Checkpoint { size: 0, root: Hash::of(b""), ..checkpoint };
        assert_eq!(parse_body(&sign(&empty, &key)), Ok(empty));
    }

    #[test]
    fn extensions_and_many_strangers_are_passed_over() {
        let (note, key, checkpoint) = known();
        let name = "label-room.example/plant-1";
        let stranger = SigningKey::from_seed(&[9; 32]).unwrap();
        let text = format!("{}an extension\nanother one\n", checkpoint.body());
        let mut signed = format!("{text}\n");
        for i in 0..40 {
            signed += &line(&text, &format!("witness-{i}.example"), &stranger);
        }
        // Another key under the book's own name, and one whose signature has another form.
        signed += &line(&text, name, &stranger);
        signed += &format!("\u{2014} {name} {}\n", base64([1; 200]));
        let alone = open(&signed, &[key_of(name, &key)]).unwrap();
        assert_eq!(alone, Opened { checkpoint: checkpoint.clone(), signed_by: vec![] });

        signed += &line(&text, name, &key);
        signed += &line(&text, name, &key);
        let keys = [key_of("nobody.example", &key), key_of(name, &key), key_of("witness-7.example", &stranger)];
        assert_eq!(open(&signed, &keys), Ok(Opened { checkpoint, signed_by: vec![1, 2] }));
        // The extension is signed too: a note without it is another text.
        let moved = note.lines().take(3).collect::<Vec<_>>().join("\n") + "\n\n" + &line(&text, name, &key);
        assert_eq!(open(&moved, &keys), Err(NoteError::BadSignature(name.to_owned())));
    }

    #[test]
    fn one_bad_signature_by_a_known_key_rejects_the_note() {
        let (note, key, checkpoint) = known();
        let name = "label-room.example/plant-1";
        let keys = [key_of(name, &key)];
        let bad = note.replace("\n9\n", "\n8\n");
        assert_eq!(open(&bad, &keys), Err(NoteError::BadSignature(name.to_owned())));
        // Also beside a good one, and also where it has the wrong length.
        let beside = note.clone() + &line("another text\n", name, &key);
        assert_eq!(open(&beside, &keys), Err(NoteError::BadSignature(name.to_owned())));
        let short = format!("{note}\u{2014} {name} {}\n", base64([&keys[0].id[..], &[0; 63]].concat()));
        assert_eq!(open(&short, &keys), Err(NoteError::BadSignature(name.to_owned())));
        assert_eq!(open(&short, &[]), Ok(Opened { checkpoint, signed_by: vec![] }));
    }

    #[test]
    fn no_changed_byte_makes_a_signed_checkpoint_that_says_something_else() {
        let (note, key, checkpoint) = known();
        let keys = [key_of("label-room.example/plant-1", &key)];
        for at in 0..note.len() {
            for change in 1..=255_u8 {
                let mut bytes = note.clone().into_bytes();
                bytes[at] ^= change;
                let Ok(text) = String::from_utf8(bytes) else { continue };
                if let Ok(opened) = open(&text, &keys)
                    && !opened.signed_by.is_empty()
                {
                    assert_eq!(opened.checkpoint, checkpoint, "byte {at} changed by {change}");
                    panic!("byte {at} changed by {change} is still signed");
                }
            }
        }
    }

    #[test]
    fn a_refusal_says_what_is_wrong() {
        for (error, wanted) in [
            (NoteError::TooLong, "longer than 65536 bytes"),
            (NoteError::Form("x"), "not a signed note: x"),
            (NoteError::Body("x"), "not a checkpoint: x"),
            (NoteError::BadSignature("a.example".to_owned()), "the signature by a.example is not good"),
        ] {
            assert!(error.to_string().contains(wanted), "{error}");
        }
        let bad = "a".parse::<VerifierKey>().unwrap_err().to_string();
        assert!(bad.contains("NAME+ID+BASE64") && bad.contains("three parts"), "{bad}");
    }

    proptest! {
        #[test]
        fn any_text_is_taken_apart_without_panic(text in "[\\PC\n\u{2014} +=A0]{0,200}", more in any::<String>()) {
            let _ = Note::parse(&more).and_then(|note| note.checkpoint());
            let _ = more.parse::<VerifierKey>();
            let _ = parse_body(&text);
        }
    }
}
