//! The pages of a sealed record, looked at with programs that are not ours: a validator of PDF/A, qpdf, poppler, a reader of
//! QR codes.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::LazyLock;

use serde_json::{Value, json};
use tallyseal_report::paper::{self, Block, Paper, Sheet};
use tallyseal_schema::ids::Stream;
use tallyseal_schema::sealed::read_zip;
use tallyseal_tests::verifiers::{binary, python, tallyseal, verify, verify_py};
use tempfile::TempDir;

/// The demo's sealed order and delivery, made once for all tests here.
struct Shift {
    folder: TempDir,
}

static SHIFT: LazyLock<Shift> = LazyLock::new(|| {
    let folder = TempDir::new().unwrap();
    let dir = folder.path().join("shift");
    let output = tallyseal(["demo", "--once", "--dir", dir.to_str().unwrap()]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    for name in ["PO-260001", "DL-0002"] {
        let pdf = member(&dir.join("out").join(format!("{name}.zip")), "record.pdf");
        std::fs::write(folder.path().join(format!("{name}.pdf")), pdf).unwrap();
    }
    Shift { folder }
});

impl Shift {
    fn zip(&self, name: &str) -> PathBuf {
        self.folder.path().join("shift/out").join(format!("{name}.zip"))
    }

    fn pdf(&self, name: &str) -> PathBuf {
        self.folder.path().join(format!("{name}.pdf"))
    }
}

fn members(zip: &Path) -> BTreeMap<String, Vec<u8>> {
    let bytes = std::fs::read(zip).unwrap();
    read_zip(&bytes).unwrap().iter().map(|member| (member.name.clone(), member.bytes(&bytes).to_vec())).collect()
}

fn member(zip: &Path, name: &str) -> Vec<u8> {
    members(zip).remove(name).unwrap()
}

/// A program of the system.
fn run(program: &str, args: &[&str]) -> Output {
    Command::new(program)
        .args(args)
        .output()
        .unwrap_or_else(|error| panic!("{program}: {error}; tests/run installs it"))
}

/// What an independent validator says of the file as PDF/A-3b. Empty: nothing is wrong.
///
/// The oracle: `page-validation` of PyPI, rules of ISO 19005-3.
fn validated(pdf: &Path) -> String {
    let script = "import page, sys\n\
                  r = page.validate_pdf(sys.argv[1], profile='pdfa-3b', limits=page.SafetyLimits.unlimited())\n\
                  text = str(r)\n\
                  print('' if 'Result: no failures' in text and ', 0 failed,' in text else text)";
    let output = python().arg("-c").arg(script).arg(pdf).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap().trim().to_owned()
}

/// The words of the pages, as poppler reads them.
fn words(pdf: &Path, layout: &[&str]) -> String {
    let output = run("pdftotext", &[layout, &[pdf.to_str().unwrap(), "-"]].concat());
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// Entries of a sealed record as plain JSON, without any of our types.
fn entries(zip: &Path) -> Vec<Value> {
    let lines = String::from_utf8(member(zip, "entries.jsonl")).unwrap();
    lines.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[test]
fn the_pages_conform_to_pdf_a_3b_and_a_broken_copy_does_not() {
    for name in ["PO-260001", "DL-0002"] {
        let pdf = SHIFT.pdf(name);
        assert_eq!(validated(&pdf), "", "{name}");
        let checked = run("qpdf", &["--check", pdf.to_str().unwrap()]);
        let said = String::from_utf8_lossy(&checked.stdout).into_owned() + &String::from_utf8_lossy(&checked.stderr);
        assert!(checked.status.success() && said.contains("No syntax or stream encoding errors"), "{said}");
    }
    // The controls: what PDF/A-3 forbids, done to the same bytes at the same length.
    let bytes = std::fs::read(SHIFT.pdf("PO-260001")).unwrap();
    for (from, to) in [("/AFRelationship", "/AFRelationshiX"), ("pdfaid:part", "pdfaid:parX"), ("/ID[", "/IX[")] {
        let text = from.as_bytes();
        let Some(at) = bytes.windows(text.len()).position(|window| window == text) else {
            panic!("{from} is not in the file: another control is needed");
        };
        let mut broken = bytes.clone();
        broken[at..at + to.len()].copy_from_slice(to.as_bytes());
        let path = SHIFT.folder.path().join("broken.pdf");
        std::fs::write(&path, broken).unwrap();
        assert_ne!(validated(&path), "", "{from}");
    }
}

#[test]
fn each_page_says_which_record_which_checkpoint_and_which_key_and_its_code_is_the_checkpoint() {
    let (zip, pdf) = (SHIFT.zip("PO-260001"), SHIFT.pdf("PO-260001"));
    let note = String::from_utf8(member(&zip, "checkpoint.txt")).unwrap();
    let [book, size, root] = note.lines().take(3).collect::<Vec<_>>()[..] else { panic!("{note}") };
    let text = words(&pdf, &["-layout"]);
    let pages: Vec<&str> = text.split('\u{c}').filter(|page| !page.trim().is_empty()).collect();
    assert!(pages.len() > 5, "{}", pages.len());
    let plain = |text: &str| text.split_whitespace().collect::<String>();
    for (number, page) in (1..).zip(&pages) {
        for wanted in [book, size, root, "order/PO-260001", &format!("Page {number} of {}", pages.len())] {
            assert!(plain(page).contains(&plain(wanted)), "page {number} does not say {wanted}");
        }
    }
    let picture = SHIFT.folder.path().join("page");
    let drawn =
        run("pdftoppm", &["-r", "200", "-png", "-f", "2", "-l", "2", pdf.to_str().unwrap(), picture.to_str().unwrap()]);
    assert!(drawn.status.success());
    let picture = std::fs::read_dir(SHIFT.folder.path()).unwrap().map(|entry| entry.unwrap().path());
    let picture =
        picture.into_iter().find(|path| path.extension().is_some_and(|extension| extension == "png")).unwrap();
    let read = run("zbarimg", &["--quiet", "--raw", "-Sdisable", "-Sqrcode.enable", picture.to_str().unwrap()]);
    let read = String::from_utf8(read.stdout).unwrap();
    assert_eq!(read.trim_end(), format!("{book}\n{size}\n{root}"));
}

/// Places in the text where something is told of an entry: the numbers behind such words.
fn told_of(text: &str, anchor: &str) -> BTreeSet<u64> {
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let places = flat.match_indices(anchor).map(|(at, _)| &flat[at + anchor.len()..]);
    places.filter_map(|rest| rest.split(|c: char| !c.is_ascii_digit()).next()?.parse().ok()).collect()
}

#[test]
fn every_signature_of_the_entries_is_on_the_pages_and_no_other() {
    for name in ["PO-260001", "DL-0002"] {
        let text = words(&SHIFT.pdf(name), &[]);
        let signed: Vec<Value> =
            entries(&SHIFT.zip(name)).into_iter().filter(|entry| entry["kind"] == "signature.applied").collect();
        let numbers: BTreeSet<u64> = signed.iter().map(|entry| entry["n"].as_u64().unwrap()).collect();
        assert!(numbers.len() > 5, "{numbers:?}");
        assert_eq!(told_of(&text, "Signature, entry "), numbers, "{name}");
        // 21 CFR 11.50(a): printed name, date and time, meaning.
        let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
        for entry in &signed {
            for part in [&entry["body"]["name"], &entry["body"]["meaning"]] {
                assert!(flat.contains(part.as_str().unwrap()), "{part} of entry {}", entry["n"]);
            }
        }
    }
}

/// Name and version of what sets the pages.
const SOFTWARE: &str = concat!("tallyseal ", env!("CARGO_PKG_VERSION"));

/// The paper of a sealed record, made of its own members and nothing else.
fn paper_of(zip: &Path, sheet: Sheet) -> Paper {
    let members = members(zip);
    let lines = String::from_utf8(members["entries.jsonl"].clone()).unwrap();
    let entries: BTreeMap<u64, Vec<u8>> = lines
        .lines()
        .map(|line| (serde_json::from_str::<Value>(line).unwrap()["n"].as_u64().unwrap(), line.as_bytes().to_vec()))
        .collect();
    let manifest: Value = serde_json::from_slice(&members["manifest.json"]).unwrap();
    let record: Stream = manifest["record"].as_str().unwrap().parse().unwrap();
    let note = String::from_utf8(members["checkpoint.txt"].clone()).unwrap();
    let key = key_of(&entries[&0]);
    paper::of(&record, &entries, &note, &key, SOFTWARE, sheet).unwrap()
}

/// The book's verifier key, by its own first entry.
fn key_of(entry: &[u8]) -> String {
    use tallyseal_schema::canonical::unbase64;
    use tallyseal_schema::checkpoint::VerifierKey;
    let entry: Value = serde_json::from_slice(entry).unwrap();
    let public = unbase64(entry["body"]["public_key"].as_str().unwrap()).unwrap();
    VerifierKey::of_book(&entry["book"].as_str().unwrap().parse().unwrap(), public.try_into().unwrap()).to_string()
}

#[test]
fn every_exception_and_correction_that_the_paper_has_stands_on_its_pages_and_no_other() {
    for name in ["PO-260001", "DL-0002"] {
        let text = words(&SHIFT.pdf(name), &[]);
        let paper = paper_of(&SHIFT.zip(name), Sheet::A4);
        let blocks = paper.cover.iter().chain(paper.sections.iter().flat_map(|section| &section.blocks));
        let (mut exceptions, mut corrections) = (BTreeSet::new(), BTreeSet::new());
        for block in blocks {
            match block {
                // The same on further things is told with the first of them.
                Block::Exception(one) => {
                    exceptions.insert(one.n);
                    exceptions.extend(one.trail.iter().flat_map(|line| told_of(line, "Exception, entry ")));
                }
                Block::Correction(one) => drop(corrections.insert(one.n)),
                _ => {}
            }
        }
        assert!(!exceptions.is_empty(), "{name}");
        assert_eq!(told_of(&text, "Exception, entry "), exceptions, "{name}");
        assert_eq!(told_of(&text, "Correction, entry "), corrections, "{name}");
    }
}

/// Sets the pages of a record from its own members, in another process than the server's.
fn set(zip: &Path, sheet: Sheet) -> Vec<u8> {
    let members = members(zip);
    let manifest: Value = serde_json::from_slice(&members["manifest.json"]).unwrap();
    let first = members["entries.jsonl"].split(|byte| *byte == b'\n').next().unwrap();
    let head = json!({ "key": key_of(first), "record": manifest["record"], "sheet": sheet, "software": SOFTWARE });
    let parts = [
        head.to_string().into_bytes(),
        members["entries.jsonl"].clone(),
        members["proofs.jsonl"].clone(),
        members["checkpoint.txt"].clone(),
    ];
    let mut child = Command::new(binary("tallyseal"))
        .arg("set-pages")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let writer = std::thread::spawn(move || {
        use std::io::Write as _;
        for part in parts {
            stdin.write_all(&(part.len() as u64).to_be_bytes()).unwrap();
            stdin.write_all(&part).unwrap();
        }
    });
    let output = child.wait_with_output().unwrap();
    writer.join().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    output.stdout
}

#[test]
fn the_same_entries_give_the_same_pages_byte_for_byte_and_other_sheets_the_same_words() {
    let zip = SHIFT.zip("DL-0002");
    assert!(set(&zip, Sheet::A4) == member(&zip, "record.pdf"));
    let letter = SHIFT.folder.path().join("letter.pdf");
    std::fs::write(&letter, set(&zip, Sheet::Letter)).unwrap();
    assert_eq!(validated(&letter), "");
    let numbers = |pdf: &Path| told_of(&words(pdf, &[]), "Signature, entry ");
    assert_eq!(numbers(&letter), numbers(&SHIFT.pdf("DL-0002")));
    let sizes = String::from_utf8(run("pdfinfo", &[letter.to_str().unwrap()]).stdout).unwrap();
    assert!(sizes.contains("612 x 792"), "{sizes}");
}

#[test]
fn both_verifiers_take_the_pages_file_alone_and_find_what_was_done_to_it() {
    let pdf = SHIFT.pdf("DL-0002");
    for verdict in [verify(&pdf, &[]), verify_py(&pdf, &[])] {
        assert_eq!(verdict.code, 0, "{} {}", verdict.report, verdict.said);
    }
    let bytes = std::fs::read(&pdf).unwrap();
    let path = SHIFT.folder.path().join("done-to.pdf");
    let both_find = |bytes: &[u8], what: &str| {
        std::fs::write(&path, bytes).unwrap();
        for verdict in [verify(&path, &[]), verify_py(&path, &[])] {
            assert_eq!((verdict.code, verdict.faulty()), (1, vec!["pdf".to_owned()]), "{what}: {}", verdict.report);
        }
    };
    both_find(&[&bytes[..], b"\n% more\n"].concat(), "bytes behind its end");
    // qpdf is the writer of these: files that other readers take for good.
    let other = SHIFT.folder.path().join("other.txt");
    std::fs::write(&other, "other entries").unwrap();
    let made = SHIFT.folder.path().join("made.pdf");
    let (from, to, file) = (pdf.to_str().unwrap(), made.to_str().unwrap(), other.to_str().unwrap());
    for args in [
        vec!["--add-attachment", file, "--filename=entries.jsonl", "--key=another", "--", from, to],
        vec!["--add-attachment", file, "--filename=entries.jsonl", "--key=entries.jsonl", "--replace", "--", from, to],
        vec!["--remove-attachment=proofs.jsonl", from, to],
        vec!["--object-streams=generate", from, to],
    ] {
        let output = run("qpdf", &args);
        assert!(
            output.status.code().is_some_and(|code| code == 0 || code == 3),
            "{}",
            String::from_utf8_lossy(&output.stderr)
        );
        both_find(&std::fs::read(&made).unwrap(), &args.join(" "));
    }
}

#[test]
fn other_pages_in_a_sealed_record_are_found() {
    let zip = SHIFT.zip("DL-0002");
    let mut members = members(&zip).into_iter().collect::<Vec<_>>();
    let swapped = std::fs::read(SHIFT.pdf("PO-260001")).unwrap();
    for (name, bytes) in &mut members {
        if name == "record.pdf" {
            bytes.clone_from(&swapped);
        }
    }
    let path = SHIFT.folder.path().join("swapped.zip");
    std::fs::write(&path, tallyseal_schema::sealed::write_zip(&members).unwrap()).unwrap();
    for verdict in [verify(&path, &[]), verify_py(&path, &[])] {
        let faulty: BTreeSet<String> = verdict.faulty().into_iter().collect();
        let wanted = ["manifest", "pdf", "seal"].map(str::to_owned);
        assert!(wanted.iter().all(|check| faulty.contains(check)), "{}", verdict.report);
    }
}
