//! Time-stamps: tokens of a real `openssl ts` over the book's checkpoints, asked for, kept, shown and verified.

use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::{Value, json};
use tallyseal_tests::authority::{Authority, Manner};
use tallyseal_tests::book::checkpoints;
use tallyseal_tests::plant::Plant;
use tallyseal_tests::server::Server;
use tallyseal_tests::verifiers::{tallyseal, verify};
use tallyseal_tests::visitor::Visitor;

/// The server asks that authority, every second where there is something new.
fn ask(plant: &mut Plant, authority: &Authority) {
    let (url, ca) = (authority.url(), authority.ca());
    let ca = ca.to_str().unwrap();
    let often = ["--time-stamp-seconds", "1", "--time-stamp-lost-seconds", "1"];
    plant.restart_saying(&[&["--time-stamp-url", &url, "--time-stamp-ca", ca][..], &often].concat());
}

/// Something happens in the book, and a checkpoint is kept.
fn remark(plant: &Plant) {
    let given = json!({ "record": "account/U-0003", "text": "A remark." });
    plant.who("supervisor").act("remark", &given).good();
    plant.who("auditor").get("/api/checkpoint");
}

/// Every kept token, the oldest first.
fn tokens(plant: &Plant) -> Vec<PathBuf> {
    let folder = plant.book.dir().join("checkpoints/000000000000");
    let files = std::fs::read_dir(folder).unwrap().map(|one| one.unwrap().path());
    let mut tokens: Vec<PathBuf> = files.filter(|path| path.extension().is_some_and(|end| end == "tst")).collect();
    tokens.sort();
    tokens
}

/// What the book says of time-stamps, in short.
fn said(plant: &Plant) -> Vec<String> {
    let entries = plant.stream("book/B").into_iter();
    let ours = entries.filter(|entry| entry["kind"].as_str().unwrap().starts_with("book.time_"));
    ours.map(|entry| {
        assert_eq!(entry["by"], json!({ "system": "time_stamp" }));
        let kind = entry["kind"].as_str().unwrap().trim_start_matches("book.time_").to_owned();
        entry["body"]["how"].as_str().map_or(kind.clone(), |how| format!("{kind} {how}"))
    })
    .collect()
}

/// The cause in the last entry of a loss.
fn cause(plant: &Plant) -> String {
    let lost = |entry: &Value| entry["kind"] == "book.time_stamp_lost";
    let last = plant.stream("book/B").into_iter().rfind(lost).unwrap();
    last["body"]["cause"].as_str().unwrap().to_owned()
}

fn page(plant: &Plant) -> String {
    Visitor::stranger(plant.url()).with_session(plant.who("auditor").token()).get("/integrity").good()
}

fn judged(plant: &Plant, more: &[&str]) -> (i32, Vec<String>, Value) {
    let found = verify(&plant.book.dir(), more);
    (found.code, found.faulty(), found.report)
}

fn ca(authority: &Authority) -> String {
    authority.ca().to_str().unwrap().to_owned()
}

#[test]
fn tokens_are_kept_shown_and_verified_and_openssl_says_that_they_are_good() {
    for key in ["rsa:2048", "P-256"] {
        let mut plant = Plant::with_people();
        let authority = Authority::new(key);
        ask(&mut plant, &authority);
        remark(&plant);
        let size = plant.size();
        plant.wait_for("a token", || page(&plant).contains(">Stamps<") && !tokens(&plant).is_empty());
        plant.wait_for("the newest", || {
            tokens(&plant).last().is_some_and(|last| last.to_string_lossy().contains(&format!("{size:016}.tst")))
        });
        let shown = page(&plant);
        for part in ["CN=Clock of quality,O=Quality", "the certificates that were given for it", &authority.url()] {
            assert!(shown.contains(part), "{part}");
        }
        for token in tokens(&plant) {
            assert!(authority.says_good(&token, &token.with_extension("")), "{}", token.display());
        }
        // A book at rest stays at rest: no entry, no question.
        let (asked, kept) = (authority.asked(), tokens(&plant).len());
        std::thread::sleep(Duration::from_secs(3));
        assert_eq!((plant.size(), authority.asked(), tokens(&plant).len()), (size, asked, kept));
        assert_eq!(said(&plant), ["authority_named"]);
        plant.stop();
        let (code, faulty, report) = judged(&plant, &["--tsa-ca", &ca(&authority)]);
        assert_eq!((code, faulty.len()), (0, 0), "{report}");
        let seen = &report["time_stamp"];
        assert_eq!(
            (&seen["authority"], &seen["accuracy_us"]),
            (&json!("CN=Clock of quality,O=Quality"), &json!(1_000_000))
        );
        assert!(seen["size"].as_u64() >= Some(size), "{seen}");
        let looked = report["checks"].as_array().unwrap().iter().find(|check| check["check"] == "time_stamps").unwrap();
        assert_eq!(looked["looked_at"], json!(tokens(&plant).len()));
        assert_eq!(report["trust"], "self", "a token is no proof that this is the only such book");
        // Without the authority's certificate nothing is judged, and that is said; the whole program takes the option too.
        let dir = plant.book.dir();
        let text = |more: &[&str]| {
            let words = [&["verify", dir.to_str().unwrap()], more].concat();
            String::from_utf8(tallyseal(words).stdout).unwrap()
        };
        let plain = text(&[]);
        assert!(plain.contains("not judged: no certificates of a time-stamping authority"), "{plain}");
        let whole = text(&["--tsa-ca", &ca(&authority)]);
        assert!(whole.contains("newest time-stamp: size"), "{whole}");
        assert!(whole.contains(seen["certificate"].as_str().unwrap()), "{whole}");
        plant.end();
    }
}

#[test]
fn a_token_from_outside_is_held_against_its_checkpoint() {
    let mut plant = Plant::with_people();
    let authority = Authority::new("P-256");
    remark(&plant);
    let note = std::fs::read(checkpoints(&plant.book.dir()).pop().unwrap()).unwrap();
    let home = plant.book.folder.path().to_owned();
    let (file, token) = (home.join("kept.txt"), home.join("kept.tst"));
    std::fs::write(&file, note).unwrap();
    std::fs::write(&token, authority.token(&file, None)).unwrap();
    plant.stop();
    let (file, token, ca) = (file.to_str().unwrap(), token.to_str().unwrap(), ca(&authority));
    let (code, _, report) = judged(&plant, &["--tsa-ca", &ca, "--time-stamp", token, "--checkpoint", file]);
    assert_eq!((code, &report["trust"]), (0, &json!("checkpoint")), "{report}");
    assert!(report["time_stamp"]["size"].as_u64() > Some(0), "{report}");
    // Over something that is not here.
    let other = home.join("other.txt");
    std::fs::write(&other, "something else").unwrap();
    std::fs::write(home.join("other.tst"), authority.token(&other, None)).unwrap();
    let other = home.join("other.tst");
    let (code, faulty, _) = judged(&plant, &["--tsa-ca", &ca, "--time-stamp", other.to_str().unwrap()]);
    assert_eq!((code, faulty), (1, vec!["time_stamps".to_owned()]));
    // A dump has no checkpoints; those that are given serve.
    let dump = home.join("all.jsonl");
    let written = tallyseal(["dump", "--dir", plant.book.dir().to_str().unwrap()]);
    std::fs::write(&dump, written.stdout).unwrap();
    let found = verify(&dump, &["--tsa-ca", &ca, "--time-stamp", token, "--checkpoint", file]);
    assert_eq!(found.code, 0, "{:?}", found.report);
    assert!(found.report["time_stamp"]["size"].as_u64() > Some(0), "{:?}", found.report);
    assert_eq!(verify(&dump, &["--time-stamp", token]).code, 2, "without the authority's certificate");
    plant.end();
}

#[test]
fn a_spoiled_moved_foreign_or_early_token_is_found() {
    let mut plant = Plant::with_people();
    let authority = Authority::new("P-256");
    ask(&mut plant, &authority);
    remark(&plant);
    plant.wait_for("a token", || !tokens(&plant).is_empty());
    let first = tokens(&plant);
    remark(&plant);
    plant.wait_for("another", || tokens(&plant).len() > first.len());
    plant.stop();
    let all = tokens(&plant);
    let (old, new) = (&all[0], all.last().unwrap());
    let good = std::fs::read(new).unwrap();
    let ca = ca(&authority);
    let found = || {
        let (code, faulty, report) = judged(&plant, &["--tsa-ca", &ca]);
        (code, faulty, report["faults"][0]["what"].as_str().unwrap_or_default().to_owned())
    };
    assert_eq!(found().0, 0);
    for part in 1..20 {
        let mut bytes = good.clone();
        bytes[part * good.len() / 20] ^= 4;
        std::fs::write(new, bytes).unwrap();
        let (code, faulty, what) = found();
        assert_eq!((code, faulty), (1, vec!["time_stamps".to_owned()]), "{part}: {what}");
    }
    std::fs::copy(old, new).unwrap();
    let (code, _, what) = found();
    assert!(code == 1 && what.contains("over something else"), "{what}");
    // Its checkpoint is gone.
    std::fs::write(new, &good).unwrap();
    let moved = new.with_file_name("0000000000009999.tst");
    std::fs::rename(new, &moved).unwrap();
    let (code, _, what) = found();
    assert!(code == 1 && what.contains("is not there"), "{what}");
    std::fs::rename(&moved, new).unwrap();
    // By another authority of the same name.
    let other = Authority::new("P-256");
    std::fs::write(new, other.token(&new.with_extension(""), None)).unwrap();
    let (code, _, what) = found();
    assert!(code == 1 && what.contains("does not lead to one that was given"), "{what}");
    // By the authority, of a time before entries that it covers: only somebody who holds its clock makes such a one.
    std::fs::write(new, authority.token(&new.with_extension(""), Some("2020-01-01 00:00:00"))).unwrap();
    let (code, faulty, what) = found();
    assert_eq!((code, faulty), (1, vec!["time".to_owned()]), "{what}");
    assert!(what.contains("2020-01-01T00:00:00") && what.contains("one of the two clocks was wrong"), "{what}");
    let (_, _, report) = judged(&plant, &["--tsa-ca", &ca]);
    assert_eq!(report["faults"][0]["n"], 0, "the first entry that says a later time");
    std::fs::write(new, good).unwrap();
    assert_eq!(found().0, 0);
    plant.end();
}

#[test]
fn an_answer_that_is_not_good_is_refused_said_and_recorded() {
    let mut plant = Plant::with_people();
    let authority = Authority::new("P-256");
    let other = Authority::new("P-256");
    ask(&mut plant, &authority);
    plant.wait_for("a token", || !tokens(&plant).is_empty());
    let refused = |plant: &Plant, authority: &Authority, manner: Manner, how: &str, why: &str| {
        let (kept, before) = (tokens(plant).len(), said(plant).len());
        authority.behave(manner.clone());
        remark(plant);
        plant.wait_for(why, || said(plant).len() > before);
        assert_eq!(said(plant).last().map(String::as_str), Some(how), "{manner:?}: {}", cause(plant));
        assert!(cause(plant).contains(why), "{manner:?}: {}", cause(plant));
        assert!(page(plant).contains(if how.contains("bad") { "Gave a bad token" } else { "Tokens are missing" }));
        assert_eq!(tokens(plant).len(), kept, "{manner:?}: it was kept");
        authority.behave(Manner::Good);
        plant.wait_for("its return", || said(plant).len() > before + 1);
        assert_eq!(said(plant).last().map(String::as_str), Some("stamp_back"));
        plant.wait_for("the page", || page(plant).contains(">Stamps<"));
    };
    let (bad, none) = ("stamp_lost bad_token", "stamp_lost no_token");
    for (manner, how, why) in [
        (Manner::Refuses, none, "It gives no token (status 2"),
        (Manner::Breaks, none, "It answers 500"),
        (Manner::Endless, none, "could not be read"),
        (Manner::Stalls, none, "timeout"),
        (Manner::OtherNonce, bad, "its nonce is not ours"),
        (Manner::OtherImprint, bad, "over something else"),
        (Manner::Spoiled, bad, "Its token"),
        (Manner::SignedBy("plain"), bad, "not for time-stamping alone, said as critical"),
        (Manner::SignedBy("server"), bad, "not for time-stamping alone, said as critical"),
        (Manner::SignedBy("both"), bad, "not for time-stamping alone, said as critical"),
        (Manner::SignedBy("ended"), bad, "its certificate is valid from"),
        (Manner::Clock("2020-01-01 00:00:00"), bad, "its clock or this server's is wrong"),
    ] {
        refused(&plant, &authority, manner, how, why);
    }
    // The same content, signed in the same way with the right certificate, is good: the cases fail for what they say.
    let kept = tokens(&plant).len();
    authority.behave(Manner::SignedBy("tsa"));
    remark(&plant);
    plant.wait_for("a token of openssl cms", || tokens(&plant).len() > kept);
    // Held against the certificate of another.
    let url = authority.url();
    let words = ["--time-stamp-url", &url, "--time-stamp-ca", other.ca().to_str().unwrap()].map(str::to_owned);
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    authority.behave(Manner::Good);
    plant.restart_saying(&words);
    plant.wait_for("a refusal", || said(&plant).last().is_some_and(|last| last == bad));
    assert!(cause(&plant).contains("does not lead to one that was given"), "{}", cause(&plant));
    // Held against nothing, whoever answers is believed, and the page says so.
    plant.restart_saying(&words[..2]);
    plant.wait_for("a token", || page(&plant).contains(">Stamps<"));
    assert!(page(&plant).contains("no certificate from outside"));
    plant.stop();
    assert_eq!(judged(&plant, &["--tsa-ca", &ca(&authority)]).0, 0);
    plant.end();
}

#[test]
fn an_authority_that_is_away_is_recorded_once_and_so_is_its_return() {
    let mut plant = Plant::with_people();
    let authority = Authority::new("P-256");
    ask(&mut plant, &authority);
    plant.wait_for("a token", || !tokens(&plant).is_empty());
    authority.behave(Manner::Away);
    remark(&plant);
    plant.wait_for("the loss", || said(&plant).len() == 2);
    assert!(cause(&plant).contains("No answer"), "{}", cause(&plant));
    // Said no second time, nor after a restart.
    remark(&plant);
    ask(&mut plant, &authority);
    remark(&plant);
    std::thread::sleep(Duration::from_millis(2_500));
    assert_eq!(said(&plant), ["authority_named", "stamp_lost no_token"]);
    authority.behave(Manner::Good);
    plant.wait_for("the return", || said(&plant).len() == 3);
    assert_eq!(said(&plant), ["authority_named", "stamp_lost no_token", "stamp_back"]);
    // Its own entry is nothing new: nobody is asked because of it.
    plant.who("auditor").get("/api/checkpoint");
    let (asked, size) = (authority.asked(), plant.size());
    std::thread::sleep(Duration::from_millis(2_500));
    assert_eq!((authority.asked(), plant.size()), (asked, size));
    // Asking nobody any more is said too.
    plant.restart_saying(&[]);
    assert_eq!(said(&plant).last().map(String::as_str), Some("authority_named"));
    assert!(!page(&plant).contains("Time-stamps</h2>"));
    plant.end();
}

#[test]
fn not_each_checkpoint_of_a_busy_day_is_stamped() {
    let mut plant = Plant::with_people();
    let authority = Authority::new("P-256");
    plant.stop();
    // As a plant sets it: in the data directory, with the certificate beside it.
    std::fs::copy(authority.ca(), plant.book.dir().join("tsa.pem")).unwrap();
    let config = format!("[time_stamp]\nurl = \"{}\"\nca = \"tsa.pem\"\nseconds = 3\n", authority.url());
    std::fs::write(plant.book.dir().join("config.toml"), config).unwrap();
    plant.start();
    plant.wait_for("a token", || !tokens(&plant).is_empty());
    for _ in 0..10 {
        remark(&plant);
    }
    assert_eq!((authority.asked(), tokens(&plant).len()), (1, 1), "the interval is not over");
    let size = plant.size();
    plant.wait_for("the next", || tokens(&plant).len() > 1);
    let last = tokens(&plant).pop().unwrap();
    assert_eq!(last.file_stem().unwrap().to_str(), Some(format!("{size:016}").as_str()), "of the newest checkpoint");
    std::fs::remove_file(plant.book.dir().join("config.toml")).unwrap();
    plant.end();
}

#[test]
fn what_a_server_is_told_of_an_authority_must_make_sense() {
    let mut plant = Plant::with_people();
    plant.stop();
    let start = |more: &[&str]| Server::refused(&plant.book.dir(), more);
    assert!(start(&["--time-stamp-url", "https://127.0.0.1:1"]).contains("no TLS"));
    let nowhere = start(&["--time-stamp-url", "http://127.0.0.1:1", "--time-stamp-ca", "/nowhere.pem"]);
    assert!(nowhere.contains("/nowhere.pem cannot be read"), "{nowhere}");
    let none = plant.book.folder.path().join("none.pem");
    std::fs::write(&none, "nothing").unwrap();
    let none = start(&["--time-stamp-url", "http://127.0.0.1:1", "--time-stamp-ca", none.to_str().unwrap()]);
    assert!(none.contains("BEGIN CERTIFICATE"), "{none}");
    assert!(start(&["--time-stamp-ca", "x.pem"]).contains("--time-stamp-url"));
    let dir = plant.book.dir();
    let dir: &Path = &dir;
    assert!(verify(dir, &["--tsa-ca", "/nowhere.pem"]).said.contains("cannot be read"));
    plant.end();
}
