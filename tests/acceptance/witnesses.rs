//! Witnesses and receipts: a book that was set back, or a second copy of it, is noticed by whoever knows it from before.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use tallyseal_schema::checkpoint::{self, Checkpoint, Note, VerifierKey};
use tallyseal_schema::signature::SigningKey;
use tallyseal_schema::tree::{consistency, root};
use tallyseal_schema::witness::{Submission, WitnessKey};
use tallyseal_schema::{BookName, Hash};
use tallyseal_tests::api::act;
use tallyseal_tests::plant::Plant;
use tallyseal_tests::server::Server;
use tallyseal_tests::verifiers::{tallyseal, verify, verify_py};
use tallyseal_tests::visitor::Visitor;
use tallyseal_tests::witness::{Answer, Witness};
use tempfile::TempDir;

/// A log that nobody serves: only its checkpoints are needed here.
struct Log {
    key: SigningKey,
    name: BookName,
}

impl Log {
    fn new() -> Self {
        Self { key: SigningKey::from_seed(&[7; 32]).unwrap(), name: "label-room.example/plant-9".parse().unwrap() }
    }

    fn vkey(&self) -> String {
        VerifierKey::of_book(&self.name, self.key.public()).to_string()
    }

    fn note(&self, leaves: &[Hash]) -> String {
        let at = Checkpoint { origin: self.name.clone(), size: leaves.len() as u64, root: root(leaves) };
        checkpoint::sign(&at, &self.key)
    }

    fn submission(&self, leaves: &[Hash], old: u64) -> String {
        Submission { old, proof: consistency(leaves, old).unwrap_or_default(), note: self.note(leaves) }.to_text()
    }
}

/// The first leaves of a history that leaves the common one at `fork`.
fn leaves(history: u8, fork: usize, size: usize) -> Vec<Hash> {
    (0..size).map(|n| Hash::leaf(&[if n < fork { 0 } else { history }, n as u8])).collect()
}

#[track_caller]
fn conflict(answer: &Answer, size: u64) {
    let wanted = Answer { body: format!("{size}\n"), content_type: "text/x.tlog.size".to_owned(), status: 409 };
    assert_eq!(*answer, wanted);
}

#[test]
fn a_witness_answers_as_the_text_says() {
    let log = Log::new();
    let witness = Witness::of(&log.vkey());
    let all = leaves(0, 99, 12);
    let key: WitnessKey = witness.key.parse().unwrap();
    let cosigned = |text: &str| {
        let answer = witness.send(text);
        assert_eq!(answer.status, 200, "{}", answer.body);
        let note = format!("{}{}", Submission::parse(text).unwrap().note, answer.body);
        assert!(key.cosigned(&Note::parse(&note).unwrap()).unwrap().is_some());
    };
    // Rule: https://c2sp.org/tlog-witness, add-checkpoint.
    cosigned(&log.submission(&all[..5], 0));
    cosigned(&log.submission(&all[..9], 5));
    conflict(&witness.send(&log.submission(&all[..5], 0)), 9);
    conflict(&witness.send(&log.submission(&all, 5)), 9);
    let other = leaves(1, 6, 12);
    conflict(&witness.send(&log.submission(&other[..9], 9)), 9);
    assert_eq!(witness.send(&log.submission(&other, 9)).status, 422);
    assert_eq!(witness.send(&log.submission(&all[..5], 9)).status, 400, "the old size is larger");
    assert_eq!(witness.send("old x\n\nnothing").status, 400);
    assert_eq!(witness.send(&log.submission(&all, 9).replace("plant-9", "plant-8")).status, 404);
    let strange = Log { key: SigningKey::from_seed(&[8; 32]).unwrap(), ..Log::new() };
    assert_eq!(witness.send(&strange.submission(&all, 9)).status, 403);
    // A body is bounded, whatever it says.
    assert_eq!(witness.send(&format!("old 9\n\n{}", "x".repeat(200_000))).status, 413);
    // All of that moved nothing.
    cosigned(&log.submission(&all, 9));
}

#[test]
fn a_witness_that_is_killed_between_submissions_never_cosigns_a_rollback() {
    let log = Log::new();
    let mut witness = Witness::of(&log.vkey());
    let mut cosigned: Vec<Vec<Hash>> = Vec::new();
    let mut dice = 20_261_126_u64;
    let mut roll = move |end: u64| {
        // Rule: xorshift64 of Marsaglia, "Xorshift RNGs", 2003.
        dice ^= dice << 13;
        dice ^= dice >> 7;
        dice ^= dice << 17;
        (dice % end) as usize
    };
    let mut sizes = [4, 4];
    for turn in 0..60 {
        if roll(3) == 0 {
            witness.kill();
            witness.start();
        }
        let one = roll(2);
        // It goes on, or is set back.
        sizes[one] = if roll(4) == 0 { 1 + roll(sizes[one] as u64) } else { sizes[one] + roll(3) };
        let mine = leaves(1 + one as u8, 4, sizes[one]);
        // It asks where the witness is, and submits from there.
        let mut answer = witness.send(&log.submission(&mine, 0));
        if answer.status == 409 {
            let known = answer.body.trim().parse::<u64>().unwrap();
            if known <= mine.len() as u64 {
                answer = witness.send(&log.submission(&mine, known));
            }
        }
        match answer.status {
            200 => cosigned.push(mine),
            409 | 422 => {}
            other => panic!("turn {turn}: {other} {}", answer.body),
        }
    }
    assert!(cosigned.len() > 5, "{}", cosigned.len());
    for pair in cosigned.windows(2) {
        assert!(pair[1].starts_with(&pair[0]), "a set-back or a fork was cosigned");
    }
}

#[test]
fn a_witness_says_what_it_cannot_do() {
    let log = Log::new();
    let witness = Witness::of(&log.vkey());
    let dir = witness.dir();
    let dir = dir.to_str().unwrap();
    let refused = |words: &[&str]| {
        let said = tallyseal(["witness"].iter().chain(words));
        assert_eq!(said.status.code(), Some(2), "{words:?}");
        String::from_utf8(said.stderr).unwrap()
    };
    assert!(refused(&["init", "--dir", dir, "--name", "w"]).contains("not empty"));
    assert!(refused(&["serve", "--dir", dir]).contains("another process"));
    assert!(refused(&["serve", "--dir", dir, "--listen", "0.0.0.0:0"]).contains("--on-network"));
    assert!(refused(&["follow", "--dir", "/nowhere", "--log", &log.vkey()]).contains("witness init"));
    let folder = TempDir::new().unwrap();
    let fresh = folder.path().join("w");
    let fresh = fresh.to_str().unwrap();
    assert!(refused(&["init", "--dir", fresh, "--name", "a b"]).contains("white space"));
    // Its key is for its owner alone.
    use std::os::unix::fs::PermissionsExt as _;
    let mode = |name: &str| std::fs::metadata(Path::new(dir).join(name)).unwrap().permissions().mode() & 0o777;
    assert_eq!((mode("witness.key"), mode("state.json"), mode(".")), (0o600, 0o600, 0o700));
}

/// Copies a data directory at rest, modes included.
fn copied(dir: &Path, to: &Path) -> PathBuf {
    let done = std::process::Command::new("cp").arg("-a").arg(dir).arg(to).status().unwrap();
    assert!(done.success());
    to.to_owned()
}

/// What the book's own stream says of witnesses and receipts.
fn said(plant: &Plant) -> Vec<String> {
    let kinds = plant.kinds("book/B");
    kinds
        .into_iter()
        .filter(|kind| kind.starts_with("book.") && !kind.starts_with("book.opened") && kind != "book.started")
        .collect()
}

fn ask(plant: &mut Plant, witness: &Witness) {
    plant.restart_saying(&["--witness", &witness.asked(), "--witness-lost-seconds", "1"]);
}

/// Something happens in the book.
fn remark(plant: &Plant) {
    let given = json!({ "record": "account/U-0003", "text": "A remark." });
    plant.who("supervisor").act("remark", &given).good();
    // A checkpoint is kept when it is given away.
    plant.who("auditor").get("/api/checkpoint");
}

fn cosigned_files(dir: &Path) -> usize {
    let folders = std::fs::read_dir(dir.join("checkpoints")).unwrap().map(|one| one.unwrap().path());
    let files = folders.filter(|path| path.is_dir()).flat_map(|path| std::fs::read_dir(path).unwrap());
    files.filter(|one| one.as_ref().unwrap().path().extension().is_some()).count()
}

fn page(plant: &Plant, who: &str, path: &str) -> String {
    Visitor::stranger(plant.url()).with_session(plant.who(who).token()).get(path).good()
}

#[test]
fn a_witness_cosigns_what_a_server_keeps_and_a_verifier_rests_on_it() {
    let mut plant = Plant::stocked();
    let witness = Witness::of(&plant.book.key);
    ask(&mut plant, &witness);
    assert_eq!(said(&plant), ["book.witnesses_named"]);
    remark(&plant);
    let size = plant.size();
    plant.wait_for("a cosignature", || page(&plant, "auditor", "/integrity").contains(">Cosigns<"));
    // Asked again, with nothing new: no entry of its own.
    remark(&plant);
    assert_eq!((said(&plant).len(), plant.size()), (1, size + 1));
    // A record that is taken now has the cosignature in it.
    let given = json!({ "record": "delivery/DL-1", "role": "reviewer" });
    let zip = plant.who("reviewer").post_for_bytes("/api/exports", &given).unwrap();
    let record = plant.book.folder.path().join("DL-1.zip");
    std::fs::write(&record, zip).unwrap();
    plant.stop();
    let policy = plant.book.folder.path().join("policy.toml");
    std::fs::write(&policy, format!("key = \"{}\"\nwitness = [\"{}\"]\nquorum = 1\n", plant.book.key, witness.key))
        .unwrap();
    let policy = policy.to_str().unwrap();
    for more in [&["--witness-key", witness.key.as_str(), "--require", "witness"][..], &["--policy", policy]] {
        for path in [&plant.book.dir(), &record] {
            let ours = verify(path, more);
            assert_eq!((ours.code, &ours.report["trust"]), (0, &json!("witness")), "{more:?} {:?}", ours.report);
        }
    }
    for more in [&["--witness-key", witness.key.as_str()][..], &["--policy", policy]] {
        let theirs = verify_py(&record, more);
        assert_eq!((theirs.code, &theirs.report["trust"]), (0, &json!("witness")), "{:?}", theirs.report);
    }
    // One that nobody named, or that did not cosign, proves nothing.
    assert_eq!(verify(&record, &[]).report["trust"], "self");
    let other = Witness::of(&plant.book.key);
    let lacking = verify(&plant.book.dir(), &["--witness-key", &other.key, "--require", "witness"]);
    assert_eq!((lacking.code, lacking.faulty()), (1, vec!["require".to_owned()]));
    // The program of the server says the same.
    let whole = tallyseal(["verify", plant.book.dir().to_str().unwrap(), "--policy", policy]);
    let whole = String::from_utf8(whole.stdout).unwrap();
    assert!(whole.contains("asks for cosignatures of 1 of 1 witnesses") && whole.contains("trust: witness"), "{whole}");
    plant.end();
}

#[test]
fn a_witness_that_is_away_is_recorded_once_and_so_is_its_return() {
    let mut plant = Plant::with_people();
    let mut witness = Witness::of(&plant.book.key);
    ask(&mut plant, &witness);
    remark(&plant);
    plant.wait_for("a cosignature", || cosigned_files(&plant.book.dir()) > 0);
    witness.kill();
    remark(&plant);
    plant.wait_for("the loss", || said(&plant).contains(&"book.witness_lost".to_owned()));
    // The server goes on, and says it no second time, nor after a restart.
    remark(&plant);
    let entry = plant.stream("book/B").into_iter().find(|entry| entry["kind"] == "book.witness_lost").unwrap();
    assert_eq!((&entry["body"]["witness"], &entry["by"]), (&json!(witness.key), &json!({ "system": "witness" })));
    assert!(
        entry["body"]["since"].is_string() && entry["body"]["cause"].as_str().unwrap().contains("No answer"),
        "{entry}"
    );
    assert!(page(&plant, "auditor", "/integrity").contains("Unwitnessed"));
    assert!(page(&plant, "auditor", "/").contains("unwitnessed since"));
    ask(&mut plant, &witness);
    remark(&plant);
    std::thread::sleep(std::time::Duration::from_millis(2_500));
    assert_eq!(said(&plant), ["book.witnesses_named", "book.witness_lost"]);
    witness.start();
    plant.wait_for("the return", || said(&plant).contains(&"book.witness_back".to_owned()));
    plant.wait_for("the page", || page(&plant, "auditor", "/integrity").contains(">Cosigns<"));
    assert_eq!(said(&plant), ["book.witnesses_named", "book.witness_lost", "book.witness_back"]);
    // Asking nobody any more is said too.
    plant.restart_saying(&[]);
    assert_eq!(said(&plant).last().map(String::as_str), Some("book.witnesses_named"));
    plant.end();
}

#[test]
fn two_servers_on_one_copied_book_are_caught() {
    let mut plant = Plant::with_people();
    let witness = Witness::of(&plant.book.key);
    plant.stop();
    // Set once, in the data directory: the copy has it as well.
    let config = plant.book.dir().join("config.toml");
    std::fs::write(config, format!("witness = [\"{}\"]\n", witness.asked())).unwrap();
    let copy = copied(&plant.book.dir(), &plant.book.folder.path().join("copy"));
    plant.start();
    for _ in 0..3 {
        remark(&plant);
    }
    plant.wait_for("a cosignature", || page(&plant, "auditor", "/integrity").contains(">Cosigns<"));
    assert_eq!(said(&plant), ["book.witnesses_named"]);
    let second = Server::start(&copy);
    let auditor = plant.who("auditor").at(&second.url);
    let of_second = || {
        let entries = auditor.entries("book/B");
        entries.into_iter().find(|entry| entry["kind"] == "book.fork_seen")
    };
    plant.wait_for("the fork", || of_second().is_some());
    let entry = of_second().unwrap();
    assert_eq!(entry["body"]["witness"], witness.key);
    assert!(entry["body"]["known"].as_u64() >= Some(1), "{entry}");
    // Said once, however often it is asked.
    auditor.get("/api/checkpoint");
    std::thread::sleep(std::time::Duration::from_millis(1_500));
    let kinds = auditor.entries("book/B").iter().filter(|entry| entry["kind"] == "book.fork_seen").count();
    assert_eq!(kinds, 1);
    let look = |path: &str| Visitor::stranger(&second.url).with_session(plant.who("reviewer").token()).get(path).good();
    for path in ["/", "/integrity"] {
        let text = look(path);
        assert!(text.contains("Another history of this book is known") && text.contains("Stop packaging"), "{path}");
    }
    assert!(look("/integrity").contains("Knows another history"));
    let exceptions = look("/exceptions?grade=1");
    assert!(exceptions.contains("Another history of this book is known"), "{exceptions}");
    second.stop();
    // The first one is the book that the witness follows, and says nothing.
    remark(&plant);
    assert_eq!(said(&plant), ["book.witnesses_named"]);
    assert!(!page(&plant, "reviewer", "/").contains("Another history"));
    plant.end();
}

#[test]
fn a_receipt_that_is_shown_to_a_restored_older_copy_is_refused_and_recorded() {
    let mut plant = Plant::with_people();
    plant.stop();
    let old = copied(&plant.book.dir(), &plant.book.folder.path().join("old"));
    plant.start();
    for _ in 0..3 {
        remark(&plant);
    }
    let given = json!({ "record": "account/U-0003", "text": "The last one." });
    let answer = plant.who("supervisor").act("remark", &given);
    let receipt = answer.receipt.clone();
    let n = answer.good()["n"].as_u64().unwrap();
    assert!(receipt.starts_with(&format!("book=label-room.example/plant-1&n={n}&leaf=")), "{receipt}");
    // A page's form gives it to the browser as a cookie of its own.
    let visitor = Visitor::stranger(plant.url()).with_session(plant.who("supervisor").token());
    let done =
        visitor.act("remark", "record=account/U-0003", &[("record", "account/U-0003"), ("text", "From a page.")]);
    assert_eq!(done.status, 303, "{}", done.text);
    let cookie = done.headers.iter().find(|(name, value)| name == "set-cookie" && value.contains("-receipt=")).unwrap();
    for part in ["HttpOnly", "SameSite=Strict", "Secure", "Path=/"] {
        assert!(cookie.1.contains(part), "{}", cookie.1);
    }
    let cookie = cookie.1.split(';').next().unwrap().to_owned();
    // Shown to the book that gave it, both are good.
    plant.who("supervisor").showing(&receipt).get("/api/session").good();
    let mut holding = visitor.clone();
    holding.cookie = format!("{}; {cookie}", visitor.cookie);
    holding.get("/").good();
    plant.stop();

    let restored = Server::start(&old);
    let supervisor = plant.who("supervisor").at(&restored.url);
    let alarms = || {
        let all = plant.who("auditor").at(&restored.url).entries("book/B");
        all.into_iter().filter(|entry| entry["kind"] == "book.receipt_contradicted").collect::<Vec<_>>()
    };
    // Whoever shows none is not noticed.
    supervisor.get("/api/session").good();
    assert_eq!(alarms().len(), 0);
    // A stranger's claim is refused and proves nothing; with the checkpoint it is proved by the book's own key.
    let claimed = receipt.split("&checkpoint=").next().unwrap().to_owned();
    let stranger = tallyseal_tests::api::Client::stranger(&restored.url);
    stranger.showing(&claimed).get("/api/session").problem(409, "book-set-back");
    assert_eq!(alarms().len(), 0);
    supervisor.showing(&claimed).get("/api/session").problem(409, "book-set-back");
    assert_eq!(alarms().len(), 1);
    assert_eq!(alarms()[0]["body"]["account"], "U-0003");
    let problem = supervisor.showing(&receipt).act("remark", &given).problem(409, "book-set-back");
    assert!(problem["remedy"].as_str().unwrap().contains("Stop packaging"));
    let last = alarms().pop().unwrap();
    assert_eq!((alarms().len(), &last["body"]["n"]), (2, &json!(n)));
    assert!(last["body"]["checkpoint"].as_str().unwrap().starts_with("label-room.example/plant-1\n"), "{last}");
    // Not once for each call.
    for _ in 0..5 {
        supervisor.showing(&receipt).get("/api/session").problem(409, "book-set-back");
    }
    assert_eq!(alarms().len(), 2);
    assert!(!supervisor.get("/api/entries?stream=account/U-0003").body.to_string().contains("The last one."));
    // The browser: pages are shown, so that somebody can look; acts are not done.
    let mut there = Visitor::stranger(&restored.url);
    there.cookie = holding.cookie;
    let holding = there;
    assert!(holding.get("/").good().contains("Another history of this book is known"));
    let form = [("form_token", "x"), ("act", &*act()), ("record", "account/U-0003"), ("text", "again")];
    let refused = holding.send("/acts/remark", &form);
    assert_eq!(refused.status, 409, "{}", refused.text);
    assert!(refused.text.contains("Not the book that you wrote in"));
    assert!(!refused.headers.iter().any(|(name, value)| name == "set-cookie" && value.contains("-receipt=")));
    // A receipt of another book, and one that is none.
    let elsewhere = receipt.replace("plant-1&", "plant-2&");
    supervisor.showing(&elsewhere).get("/api/session").good();
    supervisor.showing("n=1").get("/api/session").problem(422, "invalid");
    restored.stop();
    let ours = verify(&old, &[]);
    assert_eq!(ours.code, 0, "{:?}", ours.report);
    plant.end();
}

#[test]
fn what_a_server_is_told_of_witnesses_must_make_sense() {
    let mut plant = Plant::with_people();
    plant.stop();
    let start = |more: &[&str]| Server::refused(&plant.book.dir(), more);
    assert!(start(&["--witness", "http://127.0.0.1:1"]).contains("URL=KEY"));
    assert!(start(&["--witness", "https://127.0.0.1:1=x"]).contains("no TLS"));
    let config = plant.book.dir().join("config.toml");
    std::fs::write(&config, "witnes = []\n").unwrap();
    assert!(start(&[]).contains("witnes"));
    std::fs::remove_file(config).unwrap();
    let value: Value = serde_json::from_str(include_str!("../../server/app/openapi.json")).unwrap();
    assert!(value.to_string().contains("Tallyseal-Receipt"));
    plant.end();
}
