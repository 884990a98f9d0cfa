//! The command line, on a book that is served and on one at rest.

use std::io::{BufRead as _, BufReader, Write as _};
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use rusqlite::types::Value as Cell;
use rusqlite::{Connection, OpenFlags};
use serde_json::json;
use tallyseal_tests::plant::Plant;
use tallyseal_tests::server::{Ended, NewBook, Server};
use tallyseal_tests::verifiers::{all_hold_by, binary, tallyseal, verify, verify_py};
use tallyseal_tests::{book, top};
use tempfile::TempDir;

#[track_caller]
fn good(output: Output) -> String {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// What was said, where it ended with that code and said nothing on standard output.
#[track_caller]
fn refused(output: Output, code: i32) -> String {
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(code), "{said}");
    assert!(output.stdout.is_empty(), "{}", String::from_utf8_lossy(&output.stdout));
    assert!(said.starts_with("tallyseal: ") && said.lines().count() == 1, "{said}");
    said
}

fn on(command: &str, dir: &Path, more: &[&str]) -> Output {
    tallyseal([command, "--dir", dir.to_str().unwrap()].iter().chain(more))
}

#[test]
fn a_book_is_opened_in_an_empty_place_with_two_people_a_name_and_a_zone() {
    let folder = TempDir::new().unwrap();
    let dir = folder.path().join("book");
    let init =
        |book: &str, zone: &str, more: &[&str]| on("init", &dir, &[&["--book", book, "--zone", zone], more].concat());
    let (name, zone) = ("label-room.example/plant-1", "Europe/Prague");
    for (output, part) in [
        (init("Plant 1", zone, &[]), "book's name"),
        (init("plant/", zone, &[]), "book's name"),
        (init(name, "Prague", &[]), "time zone"),
        (init(name, "", &[]), "time zone"),
        (init(name, zone, &["--administrator", "U-0001"]), "ID:NAME"),
        (init(name, zone, &["--administrator", "U-0001: "]), "no name"),
        (init(name, zone, &["--administrator", "u 1:Jo"]), "account"),
        (init(name, zone, &["--administrator", "U-0002:Jo"]), "two people"),
        (init(name, zone, &["--administrator", "U-OOO2:Jo"]), "two people"),
    ] {
        let said = refused(output, 2);
        assert!(said.contains(part), "{part}: {said}");
        assert!(!dir.exists(), "{said} And it left something behind.");
    }
    // A name that the book does not take is seen late; nothing is left behind all the same.
    let said = refused(init(name, zone, &["--reviewer", "U-0009:Jo\u{202E}"]), 2);
    assert!(said.contains("nobody can see"), "{said}");
    assert_eq!(std::fs::read_dir(&dir).map_or(0, Iterator::count), 0);

    std::fs::create_dir_all(&dir).unwrap();
    std::fs::write(dir.join("letter.txt"), "mine").unwrap();
    assert!(refused(init(name, zone, &[]), 2).contains("is not empty"));
    assert_eq!(std::fs::read_dir(&dir).unwrap().count(), 1);
    std::fs::remove_file(dir.join("letter.txt")).unwrap();
    let said = good(init(name, zone, &[]));
    assert!(
        said.contains("U-0001") && said.contains("U-0002") && said.contains("label-room.example/plant-1+"),
        "{said}"
    );
    // Only its owner gets in.
    let mode = |path: &Path| path.metadata().unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&dir), 0o700);
    for file in ["book.db", "keys/book.key", "keys/pepper.key", "keys/session.key"] {
        assert_eq!(mode(&dir.join(file)), 0o600, "{file}");
    }
    assert!(refused(init(name, zone, &[]), 2).contains("There is a book in"));
    let key = said.lines().find(|line| line.contains("plant-1+")).unwrap().trim().to_owned();
    all_hold_by(&dir, &key);
}

/// What the reading commands give on a book, whether it is served or not.
#[track_caller]
fn reads(plant: &Plant, dir: &Path, out: &Path) {
    let (dir_text, key) = (dir.to_str().unwrap(), plant.book.key.as_str());
    assert_eq!(good(on("checkpoint", dir, &["--key"])).trim(), key);

    // What is taken is itself an entry; so the copy comes first.
    let zip = out.to_str().unwrap();
    assert_eq!(good(on("export", dir, &["--record", "delivery/DL-1", "--out", zip])).trim(), zip);
    for verdict in [verify(out, &["--key", key]), verify_py(out, &["--key", key])] {
        assert_eq!(verdict.code, 0, "{} {}", verdict.report, verdict.said);
    }
    let lines = good(on("dump", dir, &[]));
    let entries = book::entries(dir);
    assert!(lines.lines().map(str::as_bytes).eq(entries.iter().map(Vec::as_slice)), "a dump is the bytes of the book");
    assert_eq!(good(on("dump", dir, &["--from", "2", "--to", "4"])).lines().count(), 3);
    assert_eq!(good(on("dump", dir, &["--from", "999999"])), "");
    let last: serde_json::Value = serde_json::from_slice(entries.last().unwrap()).unwrap();
    assert_eq!((&last["kind"], &last["by"]["system"]), (&json!("record.exported"), &json!("command-line")));

    let note = good(on("checkpoint", dir, &[]));
    assert_eq!(note.lines().nth(1), Some(entries.len().to_string().as_str()), "{note}");
    let kept = dir.parent().unwrap().join("kept");
    std::fs::write(&kept, &note).unwrap();
    let kept = kept.to_str().unwrap();
    let verified =
        tallyseal(["verify", dir_text, "--key", key, "--checkpoint", kept, "--require", "checkpoint", "--json"]);
    let report: serde_json::Value = serde_json::from_str(&good(verified)).unwrap();
    assert_eq!((&report["ok"], &report["trust"]), (&json!(true), &json!("checkpoint")));

    let said = refused(on("export", dir, &["--record", "delivery/DL-9", "--out", "/dev/null"]), 2);
    assert!(said.contains("There is no delivery DL-9"), "{said}");
    let said = refused(on("export", dir, &["--record", "delivery", "--out", "/dev/null"]), 2);
    assert!(said.contains("not a stream"), "{said}");
    let said = refused(on("export", dir, &["--record", "delivery/DL-1", "--out", "/nowhere/x.zip"]), 2);
    assert!(said.contains("/nowhere/x.zip"), "{said}");
}

#[test]
fn export_dump_checkpoint_and_verify_work_on_a_served_book_and_on_one_at_rest() {
    let mut plant = Plant::stocked();
    let dir = plant.book.dir();
    let zips = [plant.book.folder.path().join("served.zip"), plant.book.folder.path().join("resting.zip")];
    reads(&plant, &dir, &zips[0]);
    plant.stop();
    reads(&plant, &dir, &zips[1]);
    plant.start();
    // The book's people take copies through the API; that is recorded with their name.
    let copy = json!({ "record": "delivery/DL-1", "role": "auditor" });
    let zip = plant.who("auditor").post_for_bytes("/api/exports", &copy).unwrap();
    let path = plant.book.folder.path().join("taken.zip");
    std::fs::write(&path, zip).unwrap();
    assert_eq!(verify(&path, &["--key", &plant.book.key]).code, 0);
    let last = plant.entries().pop().unwrap();
    assert_eq!((&last["kind"], &last["by"]["account"]), (&json!("record.exported"), &json!("U-0006")));
    plant.end();
}

#[test]
fn the_commands_say_so_where_there_is_no_book() {
    let folder = TempDir::new().unwrap();
    let nothing = folder.path().join("nothing");
    for (command, more) in [
        ("dump", &[] as &[&str]),
        ("checkpoint", &[]),
        ("checkpoint", &["--key"]),
        ("rebuild", &[]),
        ("export", &["--record", "roll/R-1", "--out", "/dev/null"]),
    ] {
        let said = refused(on(command, &nothing, more), 2);
        assert!(said.contains("There is no book in"), "{command}: {said}");
        assert!(!nothing.exists(), "{command}");
    }
    refused(tallyseal(["verify", nothing.to_str().unwrap()]), 2);
}

/// Every row of every table but the entries themselves, as the database has them.
fn tables(dir: &Path) -> Vec<(String, Vec<Vec<Cell>>)> {
    let db = Connection::open_with_flags(dir.join("book.db"), OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
    let names: Vec<String> = db
        .prepare("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
        .unwrap()
        .query_map([], |row| row.get(0))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    let mut tables = Vec::new();
    for name in names {
        let mut statement = db.prepare(&format!("SELECT * FROM \"{name}\"")).unwrap();
        let columns = statement.column_count();
        let row =
            |row: &rusqlite::Row<'_>| (0..columns).map(|column| row.get(column)).collect::<Result<Vec<Cell>, _>>();
        let mut rows: Vec<Vec<Cell>> = statement.query_map([], row).unwrap().collect::<Result<_, _>>().unwrap();
        // The order of rows means nothing.
        rows.sort_by_key(|row| format!("{row:?}"));
        tables.push((name, rows));
    }
    tables
}

#[test]
fn views_are_made_anew_identically_and_one_that_was_changed_is_found_and_mended() {
    let mut plant = Plant::ready();
    let dir = plant.book.dir();
    assert!(refused(on("rebuild", &dir, &[]), 2).contains("in use by process"));
    plant.stop();
    let before = tables(&dir);
    assert!(before.len() >= 8 && before.iter().any(|(name, rows)| name == "stream" && !rows.is_empty()));
    let entries = book::entries(&dir).len();
    assert!(good(on("rebuild", &dir, &[])).contains(&format!("{entries} entries")));
    assert_eq!(tables(&dir), before);

    // Somebody writes another quantity into what is remembered of a roll.
    let changed = {
        let db = Connection::open(dir.join("book.db")).unwrap();
        let update =
            "UPDATE stream SET record = replace(record, '\"stated\":500', '\"stated\":400') WHERE stream = 'roll/R-1'";
        db.execute(update, []).unwrap()
    };
    assert_eq!(changed, 1);
    assert_ne!(tables(&dir), before);
    let verified = tallyseal(["verify", dir.to_str().unwrap(), "--json"]);
    assert_eq!(verified.status.code(), Some(1));
    let report: serde_json::Value = serde_json::from_slice(&verified.stdout).unwrap();
    let faults = report["faults"].as_array().unwrap();
    assert!(faults.len() == 1 && faults[0]["check"] == "views", "{report}");
    assert!(faults[0].to_string().contains("roll/R-1"), "{report}");
    good(on("rebuild", &dir, &[]));
    assert_eq!(tables(&dir), before);
    plant.start();
    assert_eq!(plant.roll("R-1")["stated"], 500);
    plant.end();
}

#[test]
fn a_plugin_is_checked_digested_and_tried_without_a_server() {
    let folder = top().join("plugins/ticket-line");
    let plugin = |what: &str, more: &[&str]| tallyseal(["plugin", what, folder.to_str().unwrap()].iter().chain(more));
    let report = good(plugin("check", &[]));
    for part in ["ticket-line 1.0.0", "samples/every-fault.capture", "digest", "PASSED"] {
        assert!(report.contains(part), "{part} is not in {report}");
    }
    let digest = good(plugin("digest", &[]));
    assert!(report.contains(digest.trim()) && digest.trim().len() == 64, "{digest}");
    // The digest is the one that the book knows the plugin by.
    let plant = Plant::stocked();
    assert_eq!(plant.who("auditor").thing("plugin/P-000001").good()["state"]["digest"], digest.trim());

    let capture = folder.join("samples/plain-roll.capture");
    let tried = good(plugin("try", &[capture.to_str().unwrap()]));
    assert!(tried.contains("\"kind\":\"label\"") && tried.contains("\"kind\":\"ticket\""), "{tried}");
    assert!(refused(plugin("try", &["/nowhere"]), 2).contains("/nowhere"));

    let bad = top().join("plugins/misbehaving/never-matches");
    let output = tallyseal(["plugin", "check", bad.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(1));
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(said.contains("FAILED"), "{said}");
    assert!(refused(tallyseal(["plugin", "check", "/nowhere"]), 2).contains("/nowhere"));
    plant.end();
}

#[test]
fn the_simulated_table_is_counted_over_tcp_as_a_machine_of_its_own() {
    let mut plant = Plant::stocked();
    let child = Command::new(binary("tallyseal"))
        .args([
            "simulate",
            "--listen",
            "127.0.0.1:0",
            "--labels",
            "300",
            "--missing",
            "2",
            "--unread",
            "1",
            "--seed",
            "5",
        ])
        .args(["--speed", "0", "--runs", "2", "--on-return"])
        .stdin(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn();
    let mut table = Ended(child.unwrap());
    let mut said = BufReader::new(table.0.stderr.take().unwrap()).lines().map(Result::unwrap);
    let listens = said.next().unwrap();
    let address = listens.trim_end_matches('.').rsplit_once(' ').unwrap().1;
    plant.machine_at("P-000001", address);
    plant.set_up();
    // A table that somebody brought: no challenge has been run, so it is only qualified with.
    let mut start = table.0.stdin.take().unwrap();
    for direction in ["forward", "rewind"] {
        let open =
            json!({ "station": "T-1", "roll": "test_roll/TR-1", "purpose": "qualification", "direction": direction });
        let count = plant.who("label_room").act("open_count", &open).made();
        start.write_all(b"\n").unwrap();
        plant.wait_for_end(&count);
        plant.who("label_room").act("close_count", &json!({ "count": count })).good();
        let state = plant.count_state(&count);
        assert_eq!((&state["labels"], &state["labels_seen"]), (&json!(300), &json!(300)));
        assert_eq!(state["faults"].as_array().unwrap().len(), 3, "{state}");
        assert_eq!(state["exceptions"], json!({}));
    }
    assert!(said.any(|line| line.starts_with("Run 2: total 300")));
    // The table stays on until its client has heard the last of it.
    plant.stop();
    assert!(table.0.wait().unwrap().success());
    plant.end();
}

#[test]
fn the_simulated_table_refuses_a_roll_that_cannot_be() {
    for more in
        [&["--labels", "1000000"] as &[&str], &["--labels", "3", "--missing", "5"], &["--wrong-code", "nonsense"]]
    {
        let output = tallyseal(["simulate", "--listen", "127.0.0.1:0"].iter().chain(more));
        assert_eq!(output.status.code(), Some(2), "{more:?}");
        assert!(String::from_utf8(output.stderr).unwrap().contains("tallyseal: "), "{more:?}");
    }
}

#[test]
fn a_new_book_verifies_before_anybody_has_worked_with_it() {
    let book = NewBook::open();
    all_hold_by(&book.dir(), &book.key);
}

/// Runs a command with its standard output in that file.
fn into(file: std::fs::File, args: &[&str]) -> Output {
    Command::new(binary("tallyseal")).args(args).stdout(file).output().unwrap()
}

/// A pipe that nobody reads any more.
fn unread() -> std::io::PipeWriter {
    std::io::pipe().unwrap().1
}

fn full() -> std::fs::File {
    std::fs::File::options().write(true).open("/dev/full").unwrap()
}

#[test]
fn a_book_whose_secrets_could_not_be_shown_is_not_made() {
    let folder = TempDir::new().unwrap();
    let (dir, mine) = (folder.path().join("book"), folder.path().join("mine"));
    let init = |dir: &Path| {
        ["init", "--dir", dir.to_str().unwrap(), "--book", "label-room.example/plant-1", "--zone", "Europe/Prague"]
            .map(str::to_owned)
    };
    std::fs::create_dir(&mine).unwrap();
    for dir in [&dir, &mine] {
        let args = init(dir);
        let args: Vec<&str> = args.iter().map(String::as_str).collect();
        let said = refused(into(full(), &args), 2);
        assert!(said.contains("no book was made"), "{said}");
        let piped = Command::new(binary("tallyseal")).args(&args).stdout(unread()).output().unwrap();
        assert!(refused(piped, 2).contains("no book was made"));
    }
    assert!(!dir.exists());
    // The lock of a folder that was there before stays; it is nobody's then.
    let left: Vec<_> = std::fs::read_dir(&mine).unwrap().map(|file| file.unwrap().file_name()).collect();
    assert_eq!(left, ["lock"]);
    good(tallyseal(init(&mine)));
}

#[test]
fn a_making_that_was_cut_short_leaves_nothing_in_the_way_of_the_next() {
    let folder = TempDir::new().unwrap();
    for round in 0..12_u64 {
        let dir = folder.path().join(format!("book-{round}"));
        let args =
            ["init", "--dir", dir.to_str().unwrap(), "--book", "label-room.example/plant-1", "--zone", "Europe/Prague"];
        let mut child =
            Command::new(binary("tallyseal")).args(args).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        std::thread::sleep(std::time::Duration::from_millis(round * 25));
        child.kill().unwrap();
        let output = child.wait_with_output().unwrap();
        if dir.join("book.db").exists() {
            // Then the secrets were shown before it.
            let said = String::from_utf8(output.stdout).unwrap();
            assert!(said.contains("  U-0001  ") && said.contains("  U-0002  "), "{said}");
        } else {
            good(tallyseal(args));
        }
        assert!(dir.join("book.db").exists() && !dir.join("init.partial").exists() || round == 11, "{round}");
        Server::start(&dir).stop();
    }
    // What the last moments before its end leave.
    let dir = folder.path().join("late");
    for left in ["init.partial", "keys", "captures"] {
        std::fs::create_dir_all(dir.join(left)).unwrap();
    }
    std::fs::write(dir.join("keys/book.key"), "left over").unwrap();
    // The database is put in its place last, so it is still there.
    std::fs::write(dir.join("init.partial/book.db"), "left over").unwrap();
    let said = refused(on("dump", &dir, &[]), 2);
    assert!(said.contains("`init` makes one"), "{said}");
    let output = on("init", &dir, &["--book", "label-room.example/plant-1", "--zone", "Europe/Prague"]);
    assert!(String::from_utf8_lossy(&output.stderr).contains("begun anew"));
    good(output);
    // But what is not left over is not taken away.
    let other = folder.path().join("other");
    std::fs::create_dir_all(other.join("keys")).unwrap();
    let output = on("init", &other, &["--book", "label-room.example/plant-1", "--zone", "Europe/Prague"]);
    assert!(refused(output, 2).contains("Restore book.db"));
    assert!(other.join("keys").exists());
}

#[test]
fn standard_output_that_takes_nothing_is_an_error_and_one_that_is_closed_ends_it_quietly() {
    let mut plant = Plant::stocked();
    plant.stop();
    let dir = plant.book.dir();
    let dir = dir.to_str().unwrap();
    for args in [
        &["dump", "--dir", dir] as &[&str],
        &["checkpoint", "--dir", dir],
        &["checkpoint", "--dir", dir, "--key"],
        &["verify", dir],
        &["rebuild", "--dir", dir],
        &["plugin", "digest", top().join("plugins/ticket-line").to_str().unwrap()],
        &["plugin", "check", top().join("plugins/ticket-line").to_str().unwrap()],
    ] {
        let said = refused(into(full(), args), 2);
        assert!(said.contains("standard output"), "{args:?}: {said}");
        let piped = Command::new(binary("tallyseal")).args(args).stdout(unread()).output().unwrap();
        assert_eq!((piped.status.code(), String::from_utf8_lossy(&piped.stderr).as_ref()), (Some(2), ""), "{args:?}");
    }
    // Nor does it matter where nobody hears an error.
    let deaf = Command::new(binary("tallyseal")).args(["dump", "--dir", "/nowhere"]).stderr(full()).status().unwrap();
    assert_eq!(deaf.code(), Some(2));
    plant.end();
}

#[test]
fn a_copy_that_cannot_be_written_is_not_in_the_book_and_one_that_is_has_its_checkpoint_kept() {
    let mut plant = Plant::stocked();
    let (dir, folder) = (plant.book.dir(), plant.book.folder.path().to_owned());
    let taken = folder.join("taken");
    std::fs::create_dir(&taken).unwrap();
    let check = |served: bool| {
        let size = book::entries(&dir).len();
        for out in
            ["/nowhere/x.zip", taken.to_str().unwrap(), "/dev/full", folder.join("book/book.db/x").to_str().unwrap()]
        {
            let said = refused(on("export", &dir, &["--record", "delivery/DL-1", "--out", out]), 2);
            assert!(said.contains(&format!("cannot write {out}")), "{said}");
        }
        let exported = |bytes: &Vec<u8>| bytes.windows(17).any(|part| part == b"\"record.exported\"");
        assert!(!book::entries(&dir)[size..].iter().any(exported), "served: {served}");
        let out = taken.join(format!("{served}.zip"));
        good(on("export", &dir, &["--record", "delivery/DL-1", "--out", out.to_str().unwrap()]));
        // C1 and C2 are among those that the book keeps.
        let zip = std::fs::read(&out).unwrap();
        let kept = book::checkpoints(&dir).into_iter().map(|file| std::fs::read(file).unwrap());
        let inside = kept.filter(|note| zip.windows(note.len()).any(|part| part == note)).count();
        assert_eq!(inside, 2, "served: {served}");
    };
    check(true);
    plant.who("label_room").act("move_roll", &json!({ "roll": "R-1", "place": "shelf 9" })).good();
    check(true);
    plant.stop();
    check(false);
    let names: Vec<_> = std::fs::read_dir(&taken).unwrap().map(|file| file.unwrap().file_name()).collect();
    assert_eq!(names.len(), 2, "{names:?}");
    plant.end();
}

#[test]
fn an_earlier_clock_is_accepted_by_two_people_with_a_reason_or_not_at_all() {
    let book = NewBook::open();
    let dir = book.dir();
    let start = |more: &[&str]| Server::try_start_at(&dir, &binary("tallyseal"), &[], "127.0.0.1:0", more);
    for more in [
        &["--accept-earlier-clock"] as &[&str],
        &["--accept-earlier-clock", "U-0001,U-0002"],
        &["--why", "the battery was changed"],
        &["--accept-earlier-clock", "U-0001", "--why", "the battery was changed"],
        &["--accept-earlier-clock", "U-0001,U-0002", "--why", "-"],
    ] {
        let said = start(more).err().unwrap();
        assert!(said.starts_with("exit 2: "), "{said}");
    }
    // A clock that is right needs nobody.
    start(&["--accept-earlier-clock", "U-0001,U-0002", "--why", "the battery was changed"]).unwrap().stop();
    assert!(!book::entries(&dir).iter().any(|entry| entry.windows(13).any(|part| part == b"clock.stepped")));
}
