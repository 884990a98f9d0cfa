//! Keys that change and keys that others may have held, who may touch a book's files, and a place where a book once was.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

use serde_json::{Value, json};
use tallyseal_schema::signature::SigningKey;
use tallyseal_schema::{canonical, checkpoint};
use tallyseal_tests::plant::{Plant, password};
use tallyseal_tests::server::Server;
use tallyseal_tests::verifiers::{all_hold_by, binary, tallyseal, verify, verify_py};
use tallyseal_tests::visitor::Visitor;

/// What the command printed; it must have done its work.
#[track_caller]
fn said(args: &[&str]) -> String {
    let output = tallyseal(args);
    assert!(output.status.success(), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap().trim().to_owned()
}

/// What a command or a server said that refused.
#[track_caller]
fn refused_to_serve(dir: &Path) -> String {
    match Server::try_start(dir, &binary("tallyseal"), &[]) {
        Ok(server) => panic!("it serves at {}", server.url),
        Err(said) => {
            assert!(said.starts_with("exit 2: "), "{said}");
            said
        }
    }
}

#[test]
fn the_books_key_is_changed_under_a_running_server_and_both_verifiers_follow() {
    let mut plant = Plant::stocked();
    let dir = plant.book.dir();
    let at = dir.to_str().unwrap();
    let file = dir.join("keys/book.key");
    let seeds: Vec<String> = vec![fs::read_to_string(&file).unwrap()];
    let first = plant.book.key.clone();
    let out = tempfile::tempdir().unwrap();
    let record = |name: &str| {
        let path = out.path().join(name);
        said(&["export", "--dir", at, "--record", "delivery/DL-1", "--out", path.to_str().unwrap()]);
        path
    };
    let early = record("early.zip");
    // A new key from a server that runs; then one from the book at rest.
    let second = said(&["key", "rotate", "--dir", at, "--why", "yearly change"]);
    assert_ne!(first, second);
    assert_eq!(said(&["checkpoint", "--dir", at, "--key"]), second);
    let entry = plant.stream("book/B").pop().unwrap();
    assert_eq!((&entry["kind"], &entry["why"]), (&json!("book.key_enrolled"), &json!("yearly change")));
    let remark = json!({ "record": "delivery/DL-1", "text": "under the second key" });
    plant.who("reviewer").act("remark", &remark).good();
    let middle = record("middle.zip");
    plant.stop();
    let third = said(&["key", "rotate", "--dir", at]);
    assert_eq!(said(&["checkpoint", "--dir", at, "--key"]), third);
    plant.start();
    let late = record("late.zip");
    plant.stop();
    // The private keys before the last are nowhere in the directory.
    let left = fs::read_dir(dir.join("keys")).unwrap().map(|file| fs::read_to_string(file.unwrap().path()).unwrap());
    assert!(left.into_iter().all(|text| !seeds.contains(&text)));
    // The whole book, by each of its keys.
    for key in [&first, &second, &third] {
        all_hold_by(&dir, key);
    }
    // Whoever stole the first key signs nothing of after its time, however true.
    let stolen: [u8; 32] = canonical::unbase64(seeds[0].trim()).unwrap().try_into().unwrap();
    let newest = tallyseal_tests::book::checkpoints(&dir).pop().unwrap();
    let now = checkpoint::parse_body(&fs::read_to_string(newest).unwrap()).unwrap();
    let forged = out.path().join("forged.txt");
    fs::write(&forged, checkpoint::sign(&now, &SigningKey::from_seed(&stolen).unwrap())).unwrap();
    let dump = out.path().join("dump.jsonl");
    fs::write(&dump, tallyseal(["dump", "--dir", at]).stdout).unwrap();
    for verdict in [verify, verify_py].map(|by| by(&dump, &["--checkpoint", forged.to_str().unwrap()])) {
        assert_eq!((verdict.code, verdict.faulty()), (1, vec!["checkpoints".to_owned()]), "{:?}", verdict.report);
    }
    let keys = [&first, &second, &third];
    for (path, known) in [(&early, 1), (&middle, 2), (&late, 3)] {
        for (place, key) in keys.into_iter().enumerate() {
            for verdict in [verify(path, &["--key", key]), verify_py(path, &["--key", key])] {
                let what = format!("{} by key {place}: {:?}", path.display(), verdict.report);
                if place < known {
                    assert_eq!((verdict.code, &verdict.report["trust"]), (0, &json!("key")), "{what}");
                } else {
                    // A record does not know a key that came after it.
                    assert_eq!((verdict.code, verdict.faulty()), (1, vec!["keys".to_owned()]), "{what}");
                }
            }
        }
    }
}

/// The newest signature in a stream: its place, and its body.
fn signature(plant: &Plant, stream: &str) -> (u64, Value) {
    let signed = plant.stream(stream).into_iter().rfind(|entry| entry["kind"] == "signature.applied").unwrap();
    (signed["n"].as_u64().unwrap(), signed["body"].clone())
}

#[test]
fn what_a_persons_compromised_key_signed_is_shown_and_counted_as_not_standing() {
    let mut plant = Plant::stocked();
    let (n, signed) = signature(&plant, "delivery/DL-1");
    let account = signed["account"].as_str().unwrap().to_owned();
    let administrator = plant.who("administrator");
    let mark = json!({
        "account": account, "key": signed["key"], "from": n, "why": "the password stood on a note at the bench",
    });
    // Not by anybody else, nor about a key that the person never had.
    assert_eq!(plant.who("label_room").act("compromise_key", &mark).refused(403), "wrong-role");
    let mut other = mark.clone();
    other["key"] = json!("00".repeat(32));
    assert_eq!(administrator.act("compromise_key", &other).refused(422), "not-the-accounts-key");
    let done = administrator.act("compromise_key", &mark).good();
    assert_eq!(tallyseal_tests::api::kinds(&done)[..2], ["account.key_compromised", "account.key_retired"]);
    assert_eq!(administrator.act("compromise_key", &mark).refused(409), "compromised-already");
    let (visitor, _) = Visitor::sign_in(plant.url(), "U-0006", &password("U-0006"));
    let page = visitor.get(&format!("/trail/{n}")).good();
    assert!(page.contains("Does not stand") && page.contains("marked as compromised"), "{page}");
    let page = visitor.get("/deliveries/DL-1").good();
    assert!(page.contains("does not stand: key compromised from entry"), "{page}");
    plant.stop();
    // No fault: the mark is what the book says. Both verifiers name the key and the entry.
    let dir = plant.book.dir();
    all_hold_by(&dir, &plant.book.key);
    let told = tallyseal([std::ffi::OsStr::new("verify"), dir.as_os_str()]);
    let told = String::from_utf8(told.stdout).unwrap();
    assert!(told.contains(&format!("key compromised from n {n}, of account {account}")), "{told}");
    assert!(told.contains("signatures do not stand"), "{told}");
    let mut dump = tempfile::Builder::new().suffix(".jsonl").tempfile().unwrap();
    let dumped = tallyseal(["dump", "--dir", dir.to_str().unwrap()]);
    std::io::Write::write_all(&mut dump, &dumped.stdout).unwrap();
    let (ours, theirs) = (verify(dump.path(), &[]), verify_py(dump.path(), &[]));
    // For a program too, in the same form.
    assert_eq!(ours.report["compromised"], theirs.report["compromised"]);
    for state in ["standing", "void", "compromised"] {
        assert_eq!(ours.report["signatures"][state], theirs.report["signatures"][state], "{state}");
    }
    let mark = &theirs.report["compromised"][0];
    assert_eq!((&mark["account"], &mark["from"]), (&json!(account), &json!(n)));
    assert!(mark["entries"].as_array().unwrap().contains(&json!(n)), "{mark}");
    let fell = mark["entries"].as_array().unwrap().iter().map(ToString::to_string).collect::<Vec<_>>().join(", ");
    assert!(told.contains(&format!("not standing: entries {fell}")), "{fell}\n{told}");
}

#[test]
fn a_compromised_key_of_the_book_vouches_for_nothing_that_came_after() {
    let mut plant = Plant::with_people();
    let dir = plant.book.dir();
    let at = dir.to_str().unwrap();
    let size = plant.size();
    let opened: Value = serde_json::from_slice(&tallyseal_tests::book::entries(&dir)[0]).unwrap();
    let public = opened["body"]["public_key"].as_str().unwrap();
    let name = tallyseal_schema::Hash::of(&canonical::unbase64(public).unwrap());
    let mark = json!({ "key": name.hex(), "from": size, "why": "the backup medium was lost" });
    assert_eq!(plant.who("reviewer").act("compromise_book_key", &mark).refused(403), "wrong-role");
    plant.who("administrator").act("compromise_book_key", &mark).good();
    said(&["checkpoint", "--dir", at]);
    let next = said(&["key", "rotate", "--dir", at, "--why", "the one before may be in other hands"]);
    plant.stop();
    let by = |key: &str| verify(&dir, &["--key", key]);
    let old = by(&plant.book.key);
    // What it signed before still speaks, for that and for no more.
    assert_eq!(old.code, 0, "{:?}", old.report);
    let told = tallyseal(["verify", at, "--key", &plant.book.key]);
    let told = String::from_utf8(told.stdout).unwrap();
    assert!(told.contains("marked as compromised at their size"), "{told}");
    assert!(told.contains("exposed tail, to who holds that key: all"), "{told}");
    let new = by(&next);
    assert_eq!((new.code, &new.report["trust"]), (0, &json!("key")), "{:?}", new.report);
}

#[test]
fn a_place_where_a_book_was_takes_no_other_and_says_how_to_restore_it() {
    let mut plant = Plant::with_people();
    plant.stop();
    let dir = plant.book.dir();
    let at = dir.to_str().unwrap();
    let database = fs::read(dir.join("book.db")).unwrap();
    fs::remove_file(dir.join("book.db")).unwrap();
    let key = fs::read(dir.join("keys/book.key")).unwrap();
    let init = || {
        let made = tallyseal(["init", "--dir", at, "--book", "label-room.example/plant-1", "--zone", "Europe/Prague"]);
        assert_eq!(made.status.code(), Some(2));
        String::from_utf8(made.stderr).unwrap()
    };
    assert!(refused_to_serve(&dir).contains("Restore book.db"));
    assert!(init().contains("Restore book.db"));
    // A folder that only looks like what an interrupted `init` leaves does not make it take the keys away.
    fs::create_dir(dir.join("init.partial")).unwrap();
    assert!(init().contains("Restore book.db"));
    assert_eq!(fs::read(dir.join("keys/book.key")).unwrap(), key);
    fs::remove_dir(dir.join("init.partial")).unwrap();
    // Restored, it serves again.
    fs::write(dir.join("book.db"), database).unwrap();
    fs::set_permissions(dir.join("book.db"), fs::Permissions::from_mode(0o600)).unwrap();
    plant.start();
    plant.end();
}

#[test]
fn what_init_makes_is_closed_to_others_and_anything_opened_is_not_served() {
    let mut plant = Plant::with_people();
    let dir = plant.book.dir();
    let mode = |path: &Path| path.metadata().unwrap().permissions().mode() & 0o7777;
    // Of a server that runs: the database's log and the socket too.
    let mut seen = 0;
    for file in [
        "",
        "keys",
        "keys/book.key",
        "keys/pepper.key",
        "keys/session.key",
        "captures",
        "checkpoints",
        "book.db",
        "book.db-wal",
        "book.db-shm",
        "lock",
        "control.sock",
    ] {
        let path = dir.join(file);
        if path.exists() {
            seen += 1;
            assert_eq!(mode(&path) & 0o077, 0, "{file}: {:o}", mode(&path));
        }
    }
    assert!(seen >= 10, "{seen}");
    plant.stop();
    for (file, open, command) in
        [("keys", 0o750, "chmod go="), ("keys/pepper.key", 0o644, "chmod go="), ("", 0o777, "chmod go-w")]
    {
        let path = dir.join(file);
        let closed = mode(&path);
        fs::set_permissions(&path, fs::Permissions::from_mode(open)).unwrap();
        let told = refused_to_serve(&dir);
        assert!(told.contains(&format!("{command} {}", path.display()).trim_end_matches('/').to_owned()), "{told}");
        fs::set_permissions(&path, fs::Permissions::from_mode(closed)).unwrap();
    }
    plant.start();
    plant.end();
}
