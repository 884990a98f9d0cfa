//! The check `pages`: the pages of a record are set again from its own entries, and must come out byte for byte. So it is
//! shown that they say what the entries say, which their hash in the book does not show: whoever runs the server could have
//! sealed others.

use std::collections::BTreeMap;
use std::path::Path;

use tallyseal_press::{Attached, Head, Job};
use tallyseal_report::paper::Sheet;
use tallyseal_schema::canonical::unbase64;
use tallyseal_schema::checkpoint::VerifierKey;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::sealed::read_zip;
use tallyseal_schema::{Body, Entry};
use tallyseal_verify::Report;

use crate::SOFTWARE;

/// Its name.
pub(crate) const CHECK: &str = "pages";

/// Sets the pages of a sealed record, or of a record's PDF, again and says in `report` whether they are the same. Looks at
/// nothing where the verification found that the parts cannot be relied on. `set`: how pages are set; a server has a child
/// process do it.
pub(crate) fn check(path: &Path, report: &mut Report, set: &dyn Fn(Job) -> Result<Vec<u8>, String>) {
    let spoiled = |check: &str| report.faults.iter().any(|fault| fault.check == check);
    if ["zip", "pdf", "manifest", "bytes", "chain", "checkpoints"].into_iter().any(spoiled) {
        return;
    }
    let mut not_judged = |why: &str| report.notes.push(format!("{CHECK}: 1 not judged: {why}"));
    let Ok(bytes) = std::fs::read(path) else { return not_judged("the file could not be read again") };
    let Some(parts) = Parts::of(&bytes) else {
        return not_judged("they do not say of which record they are, so that nobody can set them again");
    };
    // They name their version, so no other one gives the same bytes.
    if !parts.is_ours() {
        return not_judged(&format!(
            "another version than {SOFTWARE} set them; only that one sets them again byte for byte"
        ));
    }
    match parts.same(set) {
        Ok(true) => report.add_check(CHECK, 1, Vec::new()),
        Ok(false) => {
            let what = "the pages are not those that its entries give, by the version that they say set them";
            report.add_check(CHECK, 1, vec![(None, what.to_owned())]);
        }
        // A machine without memory or time accuses nobody.
        Err(what) => not_judged(&format!("they could not be set again: {what}")),
    }
}

/// Sets pages here and now. Errors: in a sentence.
pub(crate) fn here(job: Job) -> Result<Vec<u8>, String> {
    job.print().map_err(|error| error.to_string())
}

/// What pages are made of, and the pages.
struct Parts {
    attached: Attached,
    pdf: Vec<u8>,
    record: Stream,
}

impl Parts {
    fn of(bytes: &[u8]) -> Option<Self> {
        if bytes.starts_with(b"%PDF-") {
            let attached = tallyseal_verify::attached(bytes)?;
            // Which of the streams it is about stands in the pages' own words; a wrong one gives other pages.
            let record = words(bytes, b"/Keywords(")?.split(',').next()?.trim().parse().ok()?;
            return Some(Self { attached: of_files(attached)?, pdf: bytes.to_vec(), record });
        }
        let mut members: BTreeMap<String, Vec<u8>> =
            read_zip(bytes).ok()?.iter().map(|member| (member.name.clone(), member.bytes(bytes).to_vec())).collect();
        let manifest: tallyseal_schema::sealed::Manifest =
            serde_json::from_slice(members.get("manifest.json")?).ok()?;
        let pdf = members.remove("record.pdf")?;
        Some(Self { attached: of_files(members)?, pdf, record: manifest.record })
    }

    /// Sets them, on either sheet.
    fn same(&self, set: &dyn Fn(Job) -> Result<Vec<u8>, String>) -> Result<bool, String> {
        let mut key = None;
        for line in self.attached.entries.split(|byte| *byte == b'\n').filter(|line| !line.is_empty()) {
            let entry = Entry::read(line).map_err(|error| error.to_string())?;
            // The newest of the book's keys: a record holds every change of them.
            let public_key = match &entry.body {
                Body::BookOpened(opened) => Some(&opened.public_key),
                Body::BookKeyEnrolled(enrolled) => Some(&enrolled.public_key),
                _ => None,
            };
            if let Some(public) = public_key.and_then(|key| unbase64(key)?.try_into().ok()) {
                key = Some(VerifierKey::of_book(&entry.header.book, public).to_string());
            }
        }
        let key = key.ok_or("entry 0 names no key")?;
        for sheet in [Sheet::A4, Sheet::Letter] {
            let (key, record, software) = (key.clone(), self.record.clone(), SOFTWARE.to_owned());
            let head = Head { key, record, sheet, software };
            if set(Job { attached: self.attached.clone(), head })? == self.pdf {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// They say themselves that this version set them.
    fn is_ours(&self) -> bool {
        words(&self.pdf, b"/Creator(").as_deref() == Some(SOFTWARE)
    }
}

fn of_files(mut files: BTreeMap<String, Vec<u8>>) -> Option<Attached> {
    Some(Attached {
        checkpoint: files.remove("checkpoint.txt")?,
        entries: files.remove("entries.jsonl")?,
        proofs: files.remove("proofs.jsonl")?,
    })
}

/// A plain string of a PDF behind that name.
fn words(pdf: &[u8], name: &[u8]) -> Option<String> {
    let at = pdf.windows(name.len()).position(|window| window == name)?;
    let rest = pdf.get(at + name.len()..)?;
    let end = rest.iter().position(|byte| matches!(byte, b')' | b'\\'))?;
    String::from_utf8(rest.get(..end)?.to_vec()).ok()
}
