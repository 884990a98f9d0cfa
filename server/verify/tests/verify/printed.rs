//! A record's PDF: the strict form, what is attached, and what hides in files that other readers take for good.

use std::io::Write as _;

use flate2::Compression;
use flate2::write::ZlibEncoder;
use tallyseal_schema::Hash;
use tallyseal_verify::{Check, Report, verify};

use crate::fixture::*;

/// A PDF that is put together object by object; number 1 is the catalog.
#[derive(Clone)]
pub struct Pdf {
    pub objects: Vec<Vec<u8>>,
    pub trailer: String,
}

fn deflated(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::default());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

fn stream(dict: &str, bytes: &[u8]) -> Vec<u8> {
    let head = format!("<</Length {}{dict}>>\nstream\n", bytes.len());
    [head.as_bytes(), bytes, b"\nendstream"].concat()
}

fn embedded(bytes: &[u8]) -> Vec<u8> {
    stream("/Type/EmbeddedFile/Filter/FlateDecode", &deflated(bytes))
}

fn specification(name: &str, file: usize) -> Vec<u8> {
    format!("<</Type/Filespec/F({name})/UF({name})/EF<</F {file} 0 R/UF {file} 0 R>>>>").into_bytes()
}

impl Pdf {
    /// One blank page with these files attached.
    pub fn with(files: &[(&str, &[u8])]) -> Self {
        let mut objects = vec![Vec::new(), b"<</Type/Pages/Kids[3 0 R]/Count 1>>".to_vec()];
        objects.push(b"<</Type/Page/Parent 2 0 R/MediaBox[0 0 595.28 842]>>".to_vec());
        let mut names = String::new();
        for (name, bytes) in files {
            objects.push(specification(name, objects.len() + 2));
            names.push_str(&format!("({name}) {} 0 R ", objects.len()));
            objects.push(embedded(bytes));
        }
        objects[0] = format!("<</Type/Catalog/Pages 2 0 R/Names<</EmbeddedFiles<</Names[{names}]>>>>>>").into_bytes();
        Self { objects, trailer: "/Root 1 0 R".to_owned() }
    }

    pub fn bytes(&self) -> Vec<u8> {
        let mut out = b"%PDF-1.7\n%\x80\x80\x80\x80\n\n".to_vec();
        let mut table = String::from("0000000000 65535 f\r\n");
        for (number, object) in (1..).zip(&self.objects) {
            table.push_str(&format!("{:010} 00000 n\r\n", out.len()));
            out.extend(format!("{number} 0 obj\n").bytes());
            out.extend_from_slice(object);
            out.extend_from_slice(b"\nendobj\n\n");
        }
        let (at, size) = (out.len(), self.objects.len() + 1);
        let tail = format!("xref\n0 {size}\n{table}trailer\n<</Size {size}{}>>\nstartxref\n{at}\n%%EOF", self.trailer);
        out.extend(tail.bytes());
        out
    }
}

/// The pages of a record: what is attached to them is what the record holds.
pub fn pages(members: &mut Members) -> Pdf {
    let files: Vec<(&str, Vec<u8>)> = ["checkpoint.txt", "entries.jsonl", "proofs.jsonl"]
        .into_iter()
        .map(|name| (name, members.get(name).clone()))
        .collect();
    let files: Vec<(&str, &[u8])> = files.iter().map(|(name, bytes)| (*name, bytes.as_slice())).collect();
    Pdf::with(&files)
}

fn verified(pdf: &[u8], skip: &[Check]) -> Report {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("record.pdf");
    std::fs::write(&path, pdf).unwrap();
    verify(&path, &without(skip)).unwrap()
}

fn of_a_count() -> Pdf {
    pages(&mut sample(9).export("count/C-1", &STREAMS))
}

#[test]
fn the_pages_file_alone_proves_what_is_attached_and_says_that_the_pages_are_unproven() {
    let pdf = of_a_count().bytes();
    let report = verified(&pdf, &[]);
    assert!(report.ok(), "{report}");
    assert_eq!(report.entries, 24);
    let text = report.to_string();
    assert!(text.contains("UNPROVEN") && text.contains(&Hash::of(&pdf).hex()), "{text}");
}

#[test]
fn what_is_spoiled_in_an_attached_file_is_found_as_in_a_sealed_record() {
    let mut members = sample(9).export("count/C-1", &STREAMS);
    let text = String::from_utf8(members.get("entries.jsonl").clone()).unwrap().replace("nothing odd", "nothing bad");
    assert!(text.contains("nothing bad"));
    *members.get("entries.jsonl") = text.into_bytes();
    let report = verified(&pages(&mut members).bytes(), &[]);
    assert_eq!(found(&report), [("tree".to_owned(), Some(places::LAST))], "{report}");
    assert!(verified(&pages(&mut members).bytes(), &[Check::Tree]).ok());
}

#[test]
fn a_file_in_which_something_could_hide_is_refused() {
    let good = of_a_count();
    let extra = |change: &dyn Fn(&mut Pdf)| {
        let mut pdf = good.clone();
        change(&mut pdf);
        pdf.bytes()
    };
    let replaced = |from: &str, to: &str| {
        let bytes = good.bytes();
        let at = bytes.windows(from.len()).position(|window| window == from.as_bytes()).unwrap();
        [&bytes[..at], to.as_bytes(), &bytes[at + from.len()..]].concat()
    };
    let names = |pdf: &mut Pdf, more: &str| {
        let catalog = String::from_utf8(pdf.objects[0].clone()).unwrap();
        pdf.objects[0] = catalog.replace("]>>>>>>", &format!("{more}]>>>>>>")).into_bytes();
    };
    let cases: Vec<(&str, Vec<u8>)> = vec![
        ("bytes behind the end", [good.bytes(), b"\n%more".to_vec()].concat()),
        ("a second revision", {
            let first = good.bytes();
            [
                &first[..],
                b"\n9 0 obj\n<<>>\nendobj\nxref\n0 1\n0000000000 65535 f\r\ntrailer\n<</Size 1/Root 1 0 R/Prev 9>>\n",
                format!("startxref\n{}\n%%EOF", first.len() + 23).as_bytes(),
            ]
            .concat()
        }),
        ("an older revision is named", extra(&|pdf| pdf.trailer.push_str("/Prev 20"))),
        ("encrypted", extra(&|pdf| pdf.trailer.push_str("/Encrypt 2 0 R"))),
        (
            "attached twice",
            extra(&|pdf| {
                pdf.objects.push(specification("entries.jsonl", pdf.objects.len() + 2));
                let number = pdf.objects.len();
                pdf.objects.push(embedded(b"other"));
                names(pdf, &format!("(entries.jsonl) {number} 0 R"));
            }),
        ),
        (
            "a fourth file",
            extra(&|pdf| {
                pdf.objects.push(specification("more.txt", pdf.objects.len() + 2));
                let number = pdf.objects.len();
                pdf.objects.push(embedded(b"other"));
                names(pdf, &format!("(more.txt) {number} 0 R"));
            }),
        ),
        ("a file that nothing names", extra(&|pdf| pdf.objects.push(embedded(b"other")))),
        (
            "a file behind a note on a page",
            extra(&|pdf| {
                pdf.objects.push(b"<</Subtype/FileAttachment/FS<</F(entries.jsonl)/EF<</F 5 0 R>>>>>>".to_vec());
            }),
        ),
        (
            "two contents of one file",
            extra(&|pdf| {
                pdf.objects.push(stream("", b"other"));
                let number = pdf.objects.len();
                pdf.objects[3] =
                    format!("<</F(checkpoint.txt)/UF(checkpoint.txt)/EF<</F 5 0 R/UF {number} 0 R>>>>").into_bytes();
            }),
        ),
        ("listed under another name", replaced("/UF(entries.jsonl)", "/UF(entries.jsonX)")),
        ("a name twice in a dictionary", replaced("/Type/Catalog", "/Type/Catalog/Names 3 0 R/A 1")),
        (
            "a file is not attached",
            extra(&|pdf| {
                let catalog = String::from_utf8(pdf.objects[0].clone()).unwrap();
                pdf.objects[0] = catalog.replace("(proofs.jsonl) 8 0 R ", "").into_bytes();
            }),
        ),
        ("bytes between objects", replaced("endobj\n\n2 0 obj", "endobj\nX\n2 0 obj")),
        ("a comment between objects", replaced("endobj\n\n2 0 obj", "endobj\n%\n2 0 obj")),
        ("another object at the offset", replaced("3 0 obj", "2 0 obj")),
        ("a longer stream than it says", replaced("\nendstream", "x\nendstream")),
        (
            "bytes behind the packed bytes",
            extra(&|pdf| {
                let packed = [deflated(b"x"), b"hidden".to_vec()].concat();
                pdf.objects[4] = stream("/Type/EmbeddedFile/Filter/FlateDecode", &packed);
            }),
        ),
        (
            "another way of packing",
            extra(&|pdf| {
                pdf.objects[4] = stream("/Type/EmbeddedFile/Filter/LZWDecode", b"x");
            }),
        ),
        ("objects within objects", extra(&|pdf| pdf.objects.push(stream("/Type/ObjStm/N 1/First 4", b"9 0 <<>>")))),
        ("no PDF at all", b"%PDF-1.7\n".to_vec()),
        ("nothing", Vec::new()),
    ];
    for (what, bytes) in cases {
        let report = verified(&bytes, &[]);
        let (checks, all): (Vec<_>, _) = (found(&report), report.to_string());
        assert!(checks.contains(&("pdf".to_owned(), None)), "{what}: {all}");
        // The mechanism switched off, nothing says so: what is refused is not looked at any further.
        assert!(verified(&bytes, &[Check::Pdf]).ok(), "{what}");
    }
    assert!(verified(&good.bytes(), &[]).ok());
}

#[test]
fn the_pages_of_a_sealed_record_have_attached_what_it_holds() {
    let mut forge = sample(9);
    let members = forge.export("count/C-1", &STREAMS);
    assert!(members.verify(&without(&[])).ok());
    // The holder of the keys seals other attachments with the record.
    for (name, said) in
        [("entries.jsonl", "entries.jsonl in record.pdf"), ("checkpoint.txt", "checkpoint.txt in record.pdf")]
    {
        let mut forge = sample(9);
        let other = {
            let mut other = sample(9).export("count/C-1", &STREAMS);
            other.get(name).push(b'\n');
            pages(&mut other).bytes()
        };
        let mut members = forge.export("count/C-1", &STREAMS);
        *members.get("record.pdf") = other;
        members.mend_manifest(|_| {});
        let listed = STREAMS.iter().map(|stream| (*stream, forge.stream(stream).len())).collect();
        forge.seal(&mut members, "count/C-1", &listed);
        let report = members.verify(&without(&[]));
        assert!(report.to_string().contains(said), "{report}");
        assert!(found(&report).contains(&("pdf".to_owned(), None)), "{report}");
    }
    // Anybody puts other pages into the archive.
    let mut other = sample(9).export("count/C-1", &STREAMS);
    *other.get("record.pdf") = Pdf::with(&[]).bytes();
    let report = other.verify(&without(&[]));
    let checks: Vec<String> = found(&report).into_iter().map(|(check, _)| check).collect();
    assert!(["manifest", "pdf", "seal"].iter().all(|check| checks.iter().any(|found| found == check)), "{report}");
}
