//! A book with people, an item and a delivery of rolls, made through its executor, and the commands that are given to it.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::time::{SystemTime, UNIX_EPOCH};

use serde_json::{Value, json};
use tallyseal_book::{Book, BootInfo, Clock, Opening, Order, Settings};
use tallyseal_schema::canonical::base64;
use tallyseal_schema::entry::Person;
use tallyseal_schema::kinds::{Role, Synchronised, schemas_hash};
use tallyseal_schema::signature::{SigningKey, key_name, key_statement};
use tallyseal_schema::{By, Hash, Time};
use tallyseal_tests::plant::{grants, item_draft};

/// The book's name.
pub const BOOK: &str = "label-room.example/measure";
/// Rolls in the delivery, and so many people move them and remark on them.
pub const ROLLS: u64 = 512;
/// People in the label room.
pub const PEOPLE: u64 = 16;

/// The clock of the operating system, as the server has it.
struct SystemClock;

impl Clock for SystemClock {
    fn now(&self) -> Time {
        let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
        Time::from_micros(since.as_micros() as i64).unwrap()
    }

    fn mono_us(&self) -> u64 {
        let text = std::fs::read_to_string("/proc/uptime").unwrap_or_default();
        let seconds: f64 = text.split(' ').next().and_then(|seconds| seconds.parse().ok()).unwrap_or_default();
        (seconds * 1e6) as u64
    }
}

/// Opens the book with what a server opens it with.
pub fn open(dir: &Path) -> Book {
    let settings = Settings {
        accept_earlier_clock: None,
        boot: BootInfo { id: "measure".to_owned(), clock: "measure".to_owned(), synchronised: Synchronised::Unknown },
        clock: Arc::new(SystemClock),
        engine: "none".to_owned(),
        schemas: schemas_hash(),
        software: "measure".to_owned(),
    };
    Book::open(dir, settings).unwrap()
}

/// The key of a person.
fn key(number: u64) -> SigningKey {
    SigningKey::from_seed(&Hash::of(format!("measure {number}").as_bytes()).0).unwrap()
}

/// An account's name by its number.
pub fn account(number: u64) -> String {
    format!("U-{number:04}")
}

/// A person at their device, in a session that is open for the whole measure.
pub fn person(number: u64, role: Role) -> By {
    By::Person(Person {
        account: account(number).parse().unwrap(),
        device: "D-1".parse().unwrap(),
        name: format!("Person {number}"),
        role,
        session: session(number).parse().unwrap(),
    })
}

fn session(number: u64) -> String {
    format!("S-{number:04}")
}

/// An order for a command, under a fresh act.
pub fn order(by: By, name: &str, mut command: Value) -> Order {
    command["do"] = json!(name);
    let request = Hash::of(command.to_string().as_bytes());
    Order {
        act: uuid::Uuid::new_v4().to_string().parse().unwrap(),
        by,
        expected: BTreeMap::new(),
        command: serde_json::from_value(command).unwrap(),
        key: None,
        capture: None,
        files: Vec::new(),
        secret: None,
        request,
    }
}

fn signed(number: u64, by: By, name: &str, command: Value) -> Order {
    Order { key: Some(key(number)), ..order(by, name, command) }
}

/// Makes a book with everybody and everything that the commands need.
pub fn found(dir: &Path) {
    let at = SystemClock.now();
    let opening = Opening {
        name: BOOK.parse().unwrap(),
        zone: "Europe/Prague".to_owned(),
        software: "measure".to_owned(),
        at,
        key_seed: [7; 32],
    };
    Book::create(dir, opening).unwrap();
    let book = open(dir);
    let act = |order: Order| drop(book.act_blocking(order).unwrap());
    let system = || By::system("measure");
    let expires = at.plus_micros(24 * 3_600 * 1_000_000).to_string();
    let sit = |number: u64| {
        let command =
            json!({ "session": session(number), "account": account(number), "device": "D-1", "expires": expires });
        act(order(system(), "open_session", command));
    };
    let enrol = |by: By, number: u64| {
        let (key, of) = (key(number), account(number).parse().unwrap());
        let name = key_name(&key.public());
        let proof = key.sign(&key_statement(&of, &BOOK.parse().unwrap(), &name, None).unwrap());
        let command = json!({
            "account": of, "key": name, "public_key": base64(key.public()), "previous": null, "proof": base64(proof),
        });
        act(order(by, "enrol_key", command));
    };
    let founders = [(1, Role::Administrator), (2, Role::Reviewer)];
    for (number, role) in founders {
        let command = json!({ "account": account(number), "name": format!("Person {number}"), "roles": [role] });
        act(order(system(), "found_account", command));
        sit(number);
        enrol(person(number, role), number);
    }
    for ((number, role), other) in founders.into_iter().zip([2, 1]) {
        act(signed(number, person(number, role), "confirm_identity", json!({ "account": account(other) })));
    }
    let others = [(3, Role::Supervisor)].into_iter().chain((10..10 + PEOPLE).map(|number| (number, Role::LabelRoom)));
    for (number, role) in others {
        let command = json!({
            "account": account(number), "name": format!("Person {number}"), "roles": grants(&[role.as_str()]),
            "identity": "card seen",
        });
        act(order(person(1, Role::Administrator), "enrol_account", command));
        sit(number);
        enrol(person(number, role), number);
        act(signed(2, person(2, Role::Reviewer), "confirm_identity", json!({ "account": account(number) })));
    }
    let (supervisor, reviewer) = (|| person(3, Role::Supervisor), || person(2, Role::Reviewer));
    let supplier = json!({ "supplier": "SU-1", "name": "Printer", "site": "printing.example" });
    act(order(supervisor(), "register_supplier", supplier));
    act(order(supervisor(), "draft_item", json!({ "item": "L-1", "draft": item_draft() })));
    let specimen = json!({ "item": "L-1", "specimen": { "id": "SP-1", "place": "cabinet" } });
    act(signed(2, reviewer(), "approve_item", specimen));
    act(signed(2, reviewer(), "approve_supplier", json!({ "supplier": "SU-1", "item": "L-1" })));
    let rolls: Vec<Value> = (0..ROLLS).map(|roll| json!({ "roll": format!("R-{roll:06}"), "stated": 2_500 })).collect();
    let received = json!({
        "delivery": "DL-1", "item": "L-1", "supplier": "SU-1", "supplier_lot": "LOT-1", "maker": "Printer",
        "receiving_code": "RC-1", "condition": "sound", "place": "cage", "rolls": rolls,
    });
    act(order(person(10, Role::LabelRoom), "receive_delivery", received));
    book.shutdown_blocking();
}

/// The command number `number` of the mix: nine in twenty remarks and nine in twenty moves by people, each of which reads
/// a session, an account and a roll; one in twenty sign-ins and one in twenty sign-outs.
pub fn command(round: u64, number: u64) -> Order {
    let who = 10 + number % PEOPLE;
    let by = || person(who, Role::LabelRoom);
    // Every caller has rolls of their own, so that none waits for what another decided.
    let roll = format!("R-{:06}", number.wrapping_mul(2_654_435_761) % ROLLS);
    let opened = |pair: u64| format!("S-M{round:03}-{pair:08}");
    match number % 20 {
        18 => {
            let command = json!({
                "session": opened(number / 20), "account": account(10 + number / 20 % PEOPLE), "device": "D-2",
                "expires": "2099-01-01T00:00:00.000000Z",
            });
            order(By::system("measure"), "open_session", command)
        }
        // The session of a hundred pairs ago: it was opened, whichever caller was quicker.
        19 if number / 20 >= 100 => {
            let command = json!({ "session": opened(number / 20 - 100), "cause": "signed_out" });
            order(By::system("measure"), "end_session", command)
        }
        even if even % 2 == 0 => {
            let text = format!("seen at the shelf, label side out, core clean, number {number} of the round {round}");
            order(by(), "remark", json!({ "record": format!("roll/{roll}"), "text": text }))
        }
        _ => order(by(), "move_roll", json!({ "roll": roll, "place": format!("shelf {}", number % 977) })),
    }
}
