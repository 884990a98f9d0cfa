//! The sealed record: a strict ZIP, its manifest, and the lines of proofs in it.
//!
//! Rule: `FORMAT.md` section 6; the ZIP structures are those of PKWARE's APPNOTE 6.3, sections 4.3.7, 4.3.12 and
//! 4.3.16. The reader accepts only archives in which every byte is accounted for, so that no two programs can see
//! different content in one file.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::ops::Range;

use serde::{Deserialize, Serialize};

use crate::hash::Hash;
use crate::ids::{BookName, Stream};

/// `manifest.json`: what a sealed record holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manifest {
    /// The book that it comes from.
    pub book: BookName,
    /// SHA-256 of each file, by path; the manifest itself and the two seal files are not in it.
    pub files: BTreeMap<String, Hash>,
    /// The stream that the record is about; one of `streams`.
    pub record: Stream,
    /// The size of the book in the checkpoint inside, C1.
    pub size: u64,
    /// The streams that are there in full, each with its last position.
    pub streams: BTreeMap<Stream, u64>,
}

/// One line of `proofs.jsonl`, and the second line of `seal.jsonl`: that an entry is in a checkpoint.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ProofLine {
    /// The entry's leaf hash.
    pub leaf: Hash,
    /// The entry's position in the book.
    pub n: u64,
    /// The inclusion proof, from the leaf upwards.
    pub path: Vec<Hash>,
}

/// The third line of `seal.jsonl`: that checkpoint C2 continues C1.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ConsistencyLine {
    /// The consistency proof from C1 to C2.
    pub consistency: Vec<Hash>,
}

/// Why something is not a sealed record's ZIP.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ZipError {
    /// A member's name is not of the form; the name.
    Name(String),
    /// Two members have one name; the name.
    Twice(String),
    /// More members or bytes than a ZIP without extensions can hold.
    TooLarge,
    /// The archive's structure; where, in bytes from the start, and what is wrong there.
    Structure(usize, &'static str),
    /// A member's bytes do not have the checksum that its header says; the name.
    Checksum(String),
}

impl fmt::Display for ZipError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Name(name) => write!(f, "{name:?} is not a member's name (A-Z, a-z, 0-9, '.', '_', '-', '/')"),
            Self::Twice(name) => write!(f, "{name} is there twice"),
            Self::TooLarge => f.write_str("more members or bytes than a plain ZIP can hold"),
            Self::Structure(at, what) => write!(f, "at byte {at}: {what}"),
            Self::Checksum(name) => write!(f, "the bytes of {name} do not have its checksum"),
        }
    }
}

impl std::error::Error for ZipError {}

/// One member of a ZIP that was read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Member {
    /// Its path.
    pub name: String,
    /// Where its bytes begin in the archive.
    pub start: usize,
    /// How many they are.
    pub len: usize,
}

impl Member {
    /// Its bytes within the archive that it was read from; empty for any other.
    pub fn bytes<'a>(&self, zip: &'a [u8]) -> &'a [u8] {
        self.start.checked_add(self.len).and_then(|end| zip.get(self.start..end)).unwrap_or_default()
    }
}

/// 1980-01-01, the first date that a ZIP can say: no clock is read for something that no verifier looks at.
const DATE: u16 = 0x0021;
/// Stored, plain names: ZIP 1.0 is enough. Rule: APPNOTE 4.4.3.2.
const VERSION: u16 = 10;
const LOCAL: u32 = 0x0403_4b50;
const CENTRAL: u32 = 0x0201_4b50;
const END: u32 = 0x0605_4b50;
const END_LEN: usize = 22;

/// Checks a member's name.
///
/// Errors: [`ZipError::Name`]. Rule: `FORMAT.md` section 6.
fn check_name(name: &[u8]) -> Result<String, ZipError> {
    let good = name.len() <= usize::from(u16::MAX)
        && name.iter().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'/' | b'-'))
        && name.split(|b| *b == b'/').all(|part| !matches!(part, b"" | b"." | b".."));
    let text = String::from_utf8_lossy(name).into_owned();
    if good { Ok(text) } else { Err(ZipError::Name(text)) }
}

/// The fields that a local and a central header share, in their order, from `version needed` to `extra length`.
fn shared_fields(name: &str, crc: u32, len: u32) -> Vec<u8> {
    let mut out = Vec::with_capacity(26);
    for field in [VERSION, 0, 0, 0, DATE] {
        out.extend_from_slice(&field.to_le_bytes());
    }
    for field in [crc, len, len] {
        out.extend_from_slice(&field.to_le_bytes());
    }
    for field in [name.len() as u16, 0] {
        out.extend_from_slice(&field.to_le_bytes());
    }
    out
}

/// The archive of `members`, in their order, uncompressed. The same members give the same bytes.
///
/// Errors: [`ZipError::Name`], [`ZipError::Twice`], [`ZipError::TooLarge`].
pub fn write_zip(members: &[(String, Vec<u8>)]) -> Result<Vec<u8>, ZipError> {
    // 0xFFFF and 0xFFFFFFFF would announce the 64-bit form, which the reader refuses.
    let count = u16::try_from(members.len()).ok().filter(|n| *n < u16::MAX).ok_or(ZipError::TooLarge)?;
    let below_limit = |len: usize| u32::try_from(len).ok().filter(|n| *n < u32::MAX).ok_or(ZipError::TooLarge);
    let mut out = Vec::with_capacity(members.iter().map(|(name, bytes)| bytes.len() + 2 * name.len() + 76).sum());
    let mut central = Vec::new();
    let mut seen = BTreeSet::new();
    for (name, bytes) in members {
        check_name(name.as_bytes())?;
        if !seen.insert(name) {
            return Err(ZipError::Twice(name.clone()));
        }
        let shared = shared_fields(name, crc32(bytes), below_limit(bytes.len())?);
        let start = below_limit(out.len())?;
        central.extend_from_slice(&CENTRAL.to_le_bytes());
        central.extend_from_slice(&VERSION.to_le_bytes());
        central.extend_from_slice(&shared);
        // Comment length, disk, internal attributes (two bytes each), external attributes (four).
        central.extend_from_slice(&[0; 10]);
        central.extend_from_slice(&start.to_le_bytes());
        central.extend_from_slice(name.as_bytes());
        out.extend_from_slice(&LOCAL.to_le_bytes());
        out.extend_from_slice(&shared);
        out.extend_from_slice(name.as_bytes());
        out.extend_from_slice(bytes);
    }
    let (start, len) = (below_limit(out.len())?, below_limit(central.len())?);
    out.extend_from_slice(&central);
    out.extend_from_slice(&END.to_le_bytes());
    out.extend_from_slice(&[0; 4]);
    out.extend_from_slice(&count.to_le_bytes());
    out.extend_from_slice(&count.to_le_bytes());
    out.extend_from_slice(&len.to_le_bytes());
    out.extend_from_slice(&start.to_le_bytes());
    out.extend_from_slice(&[0; 2]);
    Ok(out)
}

/// Bytes of an archive that are read forwards.
struct Fields<'a> {
    zip: &'a [u8],
    at: usize,
}

impl<'a> Fields<'a> {
    fn error(&self, what: &'static str) -> ZipError {
        ZipError::Structure(self.at, what)
    }

    fn bytes(&mut self, len: usize) -> Result<&'a [u8], ZipError> {
        let taken = self.at.checked_add(len).and_then(|end| self.zip.get(self.at..end));
        let taken = taken.ok_or(self.error("the archive ends too early"))?;
        self.at += len;
        Ok(taken)
    }

    fn array<const N: usize>(&mut self) -> Result<[u8; N], ZipError> {
        let at = self.at;
        self.bytes(N)?.try_into().map_err(|_| ZipError::Structure(at, "the archive ends too early"))
    }

    fn two(&mut self) -> Result<u16, ZipError> {
        Ok(u16::from_le_bytes(self.array()?))
    }

    fn four(&mut self) -> Result<u32, ZipError> {
        Ok(u32::from_le_bytes(self.array()?))
    }

    fn length(&mut self) -> Result<usize, ZipError> {
        let value = self.four()?;
        usize::try_from(value).ok().filter(|_| value != u32::MAX).ok_or(self.error("a 64-bit archive"))
    }

    fn want_four(&mut self, wanted: u32, what: &'static str) -> Result<(), ZipError> {
        let at = self.at;
        if self.four()? == wanted { Ok(()) } else { Err(ZipError::Structure(at, what)) }
    }

    fn want_two(&mut self, wanted: u16, what: &'static str) -> Result<(), ZipError> {
        let at = self.at;
        if self.two()? == wanted { Ok(()) } else { Err(ZipError::Structure(at, what)) }
    }
}

/// Reads the strict archive of a sealed record, its checksums included.
///
/// Every byte belongs to exactly one header, name or member: the members follow one another from the first byte,
/// then the central directory in the same order, then its end record, and nothing after it. Dates, the maker's
/// version and attributes may have any value; a date must be the same in both headers.
///
/// Errors: [`ZipError`]. Rule: `FORMAT.md` section 6.
pub fn read_zip(bytes: &[u8]) -> Result<Vec<Member>, ZipError> {
    let end = bytes.len().checked_sub(END_LEN).ok_or(ZipError::Structure(0, "shorter than any ZIP"))?;
    let mut fields = Fields { zip: bytes, at: end };
    fields.want_four(END, "no end record in the last 22 bytes")?;
    fields.want_four(0, "an archive in several parts")?;
    let count = fields.two()?;
    fields.want_two(count, "an archive in several parts")?;
    if count == u16::MAX {
        return Err(fields.error("a 64-bit archive"));
    }
    let central_len = fields.length()?;
    let central = fields.length()?;
    fields.want_two(0, "an archive comment")?;
    if central.checked_add(central_len) != Some(end) {
        return Err(ZipError::Structure(end, "the central directory does not end where the end record begins"));
    }

    let mut headers = Fields { zip: bytes, at: central };
    let mut locals = Fields { zip: bytes, at: 0 };
    let mut members = Vec::new();
    let mut seen = BTreeSet::new();
    for _ in 0..count {
        let member = read_member(&mut headers, &mut locals)?;
        if !seen.insert(member.name.clone()) {
            return Err(ZipError::Twice(member.name));
        }
        members.push(member);
    }
    if headers.at != end {
        return Err(headers.error("something stands between the central directory and the end record"));
    }
    if locals.at != central {
        return Err(locals.error("something stands between the members and the central directory"));
    }
    Ok(members)
}

/// Reads the next central header and the local header and bytes that it must stand for.
fn read_member(headers: &mut Fields<'_>, locals: &mut Fields<'_>) -> Result<Member, ZipError> {
    headers.want_four(CENTRAL, "no central header where one must be")?;
    headers.two()?; // made by
    let shared = headers.at;
    if headers.two()? > 20 {
        return Err(headers.error("a version above 2.0"));
    }
    headers.want_two(0, "a flag (encryption, data descriptor, another name encoding)")?;
    headers.want_two(0, "compressed; members are stored")?;
    headers.four()?; // date and time
    let crc = headers.four()?;
    let len = headers.length()?;
    if headers.length()? != len {
        return Err(headers.error("a stored member whose two lengths differ"));
    }
    let name_len = headers.two()?;
    headers.want_two(0, "an extra field")?;
    let shared: Range<usize> = shared..headers.at;
    headers.want_two(0, "a member's comment")?;
    headers.want_two(0, "an archive in several parts")?;
    headers.bytes(6)?; // attributes
    let start = headers.length()?;
    let name = headers.bytes(usize::from(name_len))?;

    if start != locals.at {
        return Err(locals.error("members do not follow one another"));
    }
    locals.want_four(LOCAL, "no local header where one must be")?;
    if Some(locals.bytes(shared.len())?) != headers.zip.get(shared) {
        return Err(locals.error("the local header differs from the central one"));
    }
    if locals.bytes(usize::from(name_len))? != name {
        return Err(locals.error("the local name differs from the central one"));
    }
    let name = check_name(name)?;
    let start = locals.at;
    if crc32(locals.bytes(len)?) != crc {
        return Err(ZipError::Checksum(name));
    }
    Ok(Member { name, start, len })
}

/// CRC-32 of ISO-HDLC, as ZIP uses it. Rule: APPNOTE 4.4.7.
fn crc32(bytes: &[u8]) -> u32 {
    const fn row(mut value: u32) -> u32 {
        let mut bit = 0;
        while bit < 8 {
            value = (value >> 1) ^ (0xedb8_8320 * (value & 1));
            bit += 1;
        }
        value
    }
    static TABLE: std::sync::LazyLock<[u32; 256]> = std::sync::LazyLock::new(|| std::array::from_fn(|i| row(i as u32)));
    let table: &[u32; 256] = &TABLE;
    let step = |crc: u32, byte: &u8| {
        let low = usize::from((crc as u8) ^ byte);
        (crc >> 8) ^ table.get(low).copied().unwrap_or(0)
    };
    !bytes.iter().fold(!0, step)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn members(of: &[(&str, &[u8])]) -> Vec<(String, Vec<u8>)> {
        of.iter().map(|(name, bytes)| ((*name).to_owned(), bytes.to_vec())).collect()
    }

    fn small() -> Vec<(String, Vec<u8>)> {
        members(&[("a.txt", b"hello"), ("captures/b", b""), ("c", b"\x00\xff")])
    }

    fn read(zip: &[u8]) -> Result<Vec<(String, Vec<u8>)>, ZipError> {
        Ok(read_zip(zip)?.iter().map(|member| (member.name.clone(), member.bytes(zip).to_vec())).collect())
    }

    #[track_caller]
    fn refused(zip: &[u8], what: &str) {
        assert!(read_zip(zip).is_err(), "accepted, though {what}");
    }

    #[test]
    fn the_checksum_is_that_of_zip() {
        // The check value of CRC-32/ISO-HDLC, as the catalogue of parametrised CRC algorithms (G. Cook) gives it.
        assert_eq!(crc32(b"123456789"), 0xcbf4_3926);
        assert_eq!(crc32(b""), 0);
    }

    #[test]
    fn what_is_written_is_read() {
        for wanted in [vec![], small(), members(&[("manifest.json", b"{}")])] {
            let zip = write_zip(&wanted).unwrap();
            assert_eq!(read(&zip).unwrap(), wanted);
            assert_eq!(write_zip(&wanted).unwrap(), zip);
        }
    }

    #[test]
    fn a_member_of_another_archive_has_no_bytes() {
        let zip = write_zip(&small()).unwrap();
        let found = read_zip(&zip).unwrap();
        assert_eq!(found[0].bytes(&[]), b"");
        assert_eq!(Member { name: String::new(), start: usize::MAX, len: 2 }.bytes(&zip), b"");
    }

    /// Changes each byte of a small archive to every other value. Only the maker's version and the attributes in the
    /// central directory may change without a refusal, and then nothing that a verifier sees has changed.
    #[test]
    fn no_changed_byte_goes_unseen() {
        let wanted = small();
        let good = write_zip(&wanted).unwrap();
        let mut ignored = BTreeSet::new();
        let mut at = good.len() - END_LEN - wanted.iter().map(|(name, _)| 46 + name.len()).sum::<usize>();
        for (name, _) in &wanted {
            ignored.extend((at + 4..at + 6).chain(at + 36..at + 42));
            at += 46 + name.len();
        }
        let mut unseen = BTreeSet::new();
        for at in 0..good.len() {
            for change in 1..=255 {
                let mut zip = good.clone();
                zip[at] ^= change;
                if let Ok(found) = read(&zip) {
                    assert_eq!(found, wanted, "byte {at} changed by {change}");
                    unseen.insert(at);
                }
            }
        }
        assert_eq!(unseen, ignored);
    }

    #[test]
    fn no_byte_more_or_less_goes_unseen() {
        let good = write_zip(&small()).unwrap();
        for at in 0..=good.len() {
            for byte in [0, b'P', 0xff] {
                let mut zip = good.clone();
                zip.insert(at, byte);
                refused(&zip, &format!("{byte} stands before byte {at}"));
            }
            refused(&good[..at.min(good.len() - 1)], &format!("it ends at {at}"));
            let mut zip = good.clone();
            if at < good.len() {
                zip.remove(at);
                refused(&zip, &format!("byte {at} is gone"));
            }
        }
        refused(&[&good[..], &good[..]].concat(), "it is there twice");
    }

    /// Where the parts of `write_zip(small())` begin: three members, the central directory, the end record.
    struct Parts {
        zip: Vec<u8>,
        central: usize,
    }

    fn parts() -> Parts {
        let zip = write_zip(&small()).unwrap();
        let central = small().iter().map(|(name, bytes)| 30 + name.len() + bytes.len()).sum();
        Parts { zip, central }
    }

    #[track_caller]
    fn both_headers(member: usize, field: usize, value: &[u8], what: &str) {
        let Parts { mut zip, central } = parts();
        let (mut local, mut header) = (0, central);
        for (name, bytes) in small().iter().take(member) {
            local += 30 + name.len() + bytes.len();
            header += 46 + name.len();
        }
        zip[local + 4 + field..][..value.len()].copy_from_slice(value);
        zip[header + 6 + field..][..value.len()].copy_from_slice(value);
        refused(&zip, what);
    }

    #[test]
    fn what_both_headers_agree_on_is_still_refused() {
        both_headers(0, 0, &[45, 0], "it needs version 4.5, for 64-bit archives");
        both_headers(0, 2, &[1, 0], "it is encrypted");
        both_headers(0, 2, &[8, 0], "it has a data descriptor");
        both_headers(0, 2, &[0, 8], "its names are in UTF-8");
        both_headers(0, 4, &[8, 0], "it is deflated");
        both_headers(0, 10, &[0; 4], "its checksum is wrong");
        both_headers(0, 14, &[4, 0, 0, 0, 5, 0, 0, 0], "its two lengths differ");
        both_headers(0, 14, &[4, 0, 0, 0, 4, 0, 0, 0], "it is shorter and leaves a gap");
        both_headers(0, 14, &[6, 0, 0, 0, 6, 0, 0, 0], "it is longer and overlaps the next");
        both_headers(0, 14, &[0xff; 8], "its lengths are elsewhere, in 64 bits");
        both_headers(2, 22, &[0, 0], "its name is empty");
        both_headers(0, 24, &[1, 0], "it has an extra field");
        // A date is nobody's business, as long as both say the same.
        let Parts { mut zip, central } = parts();
        zip[10..14].copy_from_slice(&[1, 2, 3, 4]);
        zip[central + 12..central + 16].copy_from_slice(&[1, 2, 3, 4]);
        assert_eq!(read(&zip), Ok(small()));
    }

    #[test]
    fn headers_that_do_not_fit_together_are_refused() {
        let Parts { zip, central } = parts();
        let (body, rest) = zip.split_at(central);
        let (headers, end) = rest.split_at(rest.len() - END_LEN);
        let (first, others) = headers.split_at(46 + small()[0].0.len());
        let second = &others[..46 + small()[1].0.len()];
        refused(&[body, others, first, end].concat(), "the central directory has another order");
        refused(&[body, first, first, second, end].concat(), "one member stands for two");
        let with_end = |body: &[u8], headers: &[u8], count: u8| {
            let mut end = end.to_vec();
            end[8] = count;
            end[10] = count;
            end[12..16].copy_from_slice(&(headers.len() as u32).to_le_bytes());
            end[16..20].copy_from_slice(&(body.len() as u32).to_le_bytes());
            [body, headers, &end].concat()
        };
        assert_eq!(read(&with_end(body, headers, 3)), Ok(small()));
        refused(&with_end(body, &[first, second].concat(), 2), "a member is not in the central directory");
        refused(&with_end(body, headers, 2), "the end record counts one less");
        refused(&with_end(body, headers, 4), "the end record counts one more");
        refused(&with_end(&[body, b"gap"].concat(), headers, 3), "something stands between");
        refused(&with_end(&[b"MZ", body].concat(), headers, 3), "something stands before");
        refused(&with_end(body, &[headers, b"gap"].concat(), 3), "something stands after the headers");
        let mut doubled = with_end(body, headers, 3);
        let last = doubled.len();
        doubled[last - 22 + 4] = 1;
        refused(&doubled, "it is one of several disks");
        let mut comment = zip.clone();
        comment[last - 2] = 3;
        refused(&[&comment[..], b"abc"].concat(), "it has a comment");
    }

    #[test]
    fn two_members_of_one_name_are_refused_by_writer_and_reader() {
        let twice = members(&[("a", b"1"), ("b", b"2")]);
        let mut zip = write_zip(&twice).unwrap();
        for byte in &mut zip {
            if *byte == b'b' {
                *byte = b'a';
            }
        }
        assert_eq!(read_zip(&zip), Err(ZipError::Twice("a".to_owned())));
        assert_eq!(write_zip(&members(&[("a", b"1"), ("a", b"1")])), Err(ZipError::Twice("a".to_owned())));
    }

    #[test]
    fn a_name_has_one_form_for_writer_and_reader() {
        for good in ["a", "A-z_0.9", "captures/0f", "a/b/c/d", "...", "a..b"] {
            assert!(write_zip(&members(&[(good, b"")])).is_ok(), "{good}");
        }
        let bad =
            ["", "/a", "a/", "a//b", "..", "../a", "a/..", "a/../b", ".", "a/./b", "a b", "a\\b", "a:b", "é", "a\0"];
        for name in bad {
            assert_eq!(write_zip(&members(&[(name, b"")])), Err(ZipError::Name(name.to_owned())), "{name}");
            if name.is_empty() {
                continue;
            }
            let stand_in = "x".repeat(name.len());
            let mut zip = write_zip(&members(&[(&stand_in, b"")])).unwrap();
            for at in [30, 30 + name.len() + 46] {
                zip[at..at + name.len()].copy_from_slice(name.as_bytes());
            }
            assert!(matches!(read_zip(&zip), Err(ZipError::Name(_))), "{name}");
        }
    }

    #[test]
    fn more_members_than_a_plain_zip_can_count_are_refused() {
        let many = |count: u32| (0..count).map(|i| (format!("{i}"), Vec::new())).collect::<Vec<_>>();
        let most = many(65_534);
        assert_eq!(read_zip(&write_zip(&most).unwrap()).unwrap().len(), 65_534);
        assert_eq!(write_zip(&many(65_535)), Err(ZipError::TooLarge));
    }

    #[test]
    fn a_refusal_says_what_is_wrong() {
        for (error, wanted) in [
            (ZipError::Name("a b".to_owned()), "\"a b\" is not"),
            (ZipError::Twice("a".to_owned()), "a is there twice"),
            (ZipError::TooLarge, "more members or bytes"),
            (ZipError::Structure(7, "x"), "at byte 7: x"),
            (ZipError::Checksum("a".to_owned()), "the bytes of a do not"),
        ] {
            assert!(error.to_string().contains(wanted), "{error}");
        }
    }

    #[test]
    fn lines_and_manifest_refuse_what_they_do_not_know() {
        let manifest = serde_json::json!({
            "book": "a.example", "files": { "entries.jsonl": "00".repeat(32) }, "record": "roll/R-1", "size": 3,
            "streams": { "roll/R-1": 2 },
        });
        let read: Manifest = serde_json::from_value(manifest.clone()).unwrap();
        assert_eq!(serde_json::to_value(&read).unwrap(), manifest);
        let mut more = manifest;
        more["note"] = 1.into();
        assert!(serde_json::from_value::<Manifest>(more).is_err());
        let proof = serde_json::json!({ "leaf": "01".repeat(32), "n": 7, "path": ["02".repeat(32)] });
        let read: ProofLine = serde_json::from_value(proof.clone()).unwrap();
        assert_eq!(serde_json::to_value(&read).unwrap(), proof);
        assert!(serde_json::from_str::<ProofLine>(r#"{"leaf":"00","n":7,"path":[]}"#).is_err());
        assert!(serde_json::from_str::<ConsistencyLine>(r#"{"consistency":[]}"#).is_ok());
        assert!(serde_json::from_str::<ConsistencyLine>(r#"{"consistency":[],"n":1}"#).is_err());
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_as_a_zip_without_panic(bytes in any::<Vec<u8>>(), ends in any::<bool>()) {
            let mut bytes = bytes;
            if ends {
                let at = bytes.len().saturating_sub(END_LEN);
                bytes.splice(at..(at + 8).min(bytes.len()), [0x50, 0x4b, 5, 6, 0, 0, 0, 0]);
            }
            let _ = read_zip(&bytes);
        }

        #[test]
        fn any_damage_is_read_without_panic_and_never_as_other_bytes(
            edits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
        ) {
            let mut zip = write_zip(&small()).unwrap();
            for (place, byte) in edits {
                let at = place.index(zip.len());
                zip[at] = byte;
            }
            if let Ok(found) = read(&zip) {
                prop_assert_eq!(found, small());
            }
        }

        #[test]
        fn any_members_come_back(
            wanted in prop::collection::btree_map("[a-z0-9]{1,8}(/[A-Z._-]{3,5})?", any::<Vec<u8>>(), 0..8),
        ) {
            let wanted: Vec<_> = wanted.into_iter().collect();
            prop_assert_eq!(read(&write_zip(&wanted).unwrap()).unwrap(), wanted);
        }
    }
}
