//! An invented plant, set up through the API of the real server: people, item, plugin, station with a simulated table
//! behind a real TCP link, a certified roll, a delivery.

use std::collections::BTreeMap;
use std::fs::{DirBuilder, OpenOptions};
use std::io::Write as _;
use std::net::SocketAddr;
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use serde_json::{Value, json};
use tallyseal_machines::table::{Direction, Roll, RollRun, SimFaultKind, TableHandle, TableOptions, serve};
use tallyseal_schema::Time;
use tempfile::TempDir;
use tokio::runtime::Runtime;

use crate::api::{Client, act};
use crate::server::{Founder, NewBook, Server};

/// What a good label carries.
pub const CODE: &str = "0109521234567899";
/// What a label of another strength carries.
pub const OTHER_CODE: &str = "0109521234567882";
/// Labels on the certified roll.
pub const CERTIFIED: u32 = 101;

/// The moment so much later than now.
pub fn after(time: Duration) -> Time {
    let at = SystemTime::now().duration_since(UNIX_EPOCH).unwrap() + time;
    Time::from_micros(i64::try_from(at.as_micros()).unwrap()).unwrap()
}

/// These roles, on a training that is good for a year.
pub fn grants(roles: &[&str]) -> Value {
    grants_until(roles, after(Duration::from_secs(365 * 24 * 60 * 60)))
}

/// These roles, on a training that is good until then.
pub fn grants_until(roles: &[&str], until: Time) -> Value {
    let all = roles.iter().map(|role| json!({ "role": role, "training": "TR-0007", "until": until }));
    Value::Array(all.collect())
}

/// The plant, its server and its table.
pub struct Plant {
    /// The book.
    pub book: NewBook,
    /// One client per role.
    pub people: BTreeMap<&'static str, Client>,
    /// The server; `None` after it was stopped.
    pub server: Option<Server>,
    /// The simulated table.
    pub table: TableHandle,
    runtime: Runtime,
    /// Where the station's table listens, on or off.
    table_at: SocketAddr,
}

/// Account, role, and a second person in the label room.
const PEOPLE: [(&str, &str, &str); 5] = [
    ("U-0003", "supervisor", "supervisor"),
    ("U-0004", "label_room", "label_room"),
    ("U-0005", "incoming_examiner", "incoming_examiner"),
    ("U-0006", "auditor", "auditor"),
    ("U-0007", "second", "label_room"),
];

/// The password of an account in the tests.
pub fn password(account: &str) -> String {
    format!("in the tests, {}", account.trim_start_matches("U-"))
}

/// A data directory at rest, kept in memory with its people's open sessions. Stretching passwords is slow on purpose, so
/// each book of a test begins as a copy of one that was set up through the API once.
pub(crate) struct Shelf {
    /// Path below the data directory, mode, and contents; `None`: a folder.
    files: Vec<(PathBuf, u32, Option<Vec<u8>>)>,
    founders: [Founder; 2],
    key: String,
    people: BTreeMap<&'static str, Client>,
}

impl Shelf {
    pub(crate) fn of(mut plant: Plant) -> Self {
        plant.server.take().expect("it runs").stop();
        let mut files = Vec::new();
        let dir = plant.book.dir();
        keep(&dir, &dir, &mut files);
        Self { files, founders: plant.book.founders.clone(), key: plant.book.key.clone(), people: plant.people }
    }

    fn take(&self) -> NewBook {
        let book = NewBook { folder: TempDir::new().unwrap(), founders: self.founders.clone(), key: self.key.clone() };
        let dir = book.dir();
        DirBuilder::new().mode(0o700).create(&dir).unwrap();
        for (path, mode, contents) in &self.files {
            match contents {
                None => DirBuilder::new().mode(*mode).create(dir.join(path)).unwrap(),
                Some(bytes) => {
                    let file = OpenOptions::new().write(true).create_new(true).mode(*mode).open(dir.join(path));
                    file.unwrap().write_all(bytes).unwrap();
                }
            }
        }
        book
    }
}

fn keep(top: &Path, folder: &Path, files: &mut Vec<(PathBuf, u32, Option<Vec<u8>>)>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let mode = path.metadata().unwrap().permissions().mode() & 0o7777;
        let short = path.strip_prefix(top).unwrap().to_owned();
        if path.is_dir() {
            files.push((short, mode, None));
            keep(top, &path, files);
        } else {
            files.push((short, mode, Some(std::fs::read(&path).unwrap())));
        }
    }
}

impl Plant {
    /// A plant with people, and nothing else.
    pub fn with_people() -> Self {
        static SHELF: OnceLock<Shelf> = OnceLock::new();
        Self::from(SHELF.get_or_init(|| Shelf::of(Self::founded())))
    }

    /// A plant with people, item `L-1` (two counts that agree), an approved plugin, and delivery `DL-1` released with
    /// rolls `R-1` to `R-4`; no station.
    pub fn stocked() -> Self {
        static SHELF: OnceLock<Shelf> = OnceLock::new();
        Self::from(SHELF.get_or_init(|| {
            let plant = Self::with_people();
            plant.papers();
            plant.deliver("DL-1", &["R-1", "R-2", "R-3", "R-4"], 500);
            Shelf::of(plant)
        }))
    }

    /// A plant that is ready to count: as [`Plant::stocked`], station `T-1` set up and challenged.
    pub fn ready() -> Self {
        let plant = Self::stocked();
        plant.machine("P-000001");
        plant.set_up();
        plant.challenge("start");
        plant
    }

    /// A new book whose people were enrolled through the API.
    fn founded() -> Self {
        let mut plant = Self::open(NewBook::open(), BTreeMap::new());
        for (founder, role) in plant.book.founders.iter().zip(["administrator", "reviewer"]) {
            plant.people.insert(role, settle_in(plant.url(), &founder.account, &founder.secret, role));
        }
        // Each with the key that was made under their own password.
        for (role, other) in [("administrator", 1), ("reviewer", 0)] {
            let account = &plant.book.founders[other].account;
            plant.who(role).sign("confirm_identity", &json!({ "account": account })).good();
        }
        for (account, name, role) in PEOPLE {
            let person = plant.hire(account, &[role]);
            plant.people.insert(name, person);
        }
        plant
    }

    /// Enrols a person in those roles; gives the one-time secret.
    pub fn enrol(&self, account: &str, roles: &[&str]) -> String {
        self.enrol_with(account, &grants(roles))
    }

    /// Enrols a person with those grants; gives the one-time secret.
    pub fn enrol_with(&self, account: &str, roles: &Value) -> String {
        let name = format!("Person {account}");
        let command = json!({ "account": account, "name": name, "roles": roles, "identity": "card seen" });
        let made = self.who("administrator").act("enrol_account", &command).good();
        made["one_time_secret"].as_str().unwrap().to_owned()
    }

    /// Enrols a person, who sets a password; nobody has confirmed yet who it is.
    pub fn hire_unconfirmed(&self, account: &str, roles: &[&str]) -> Client {
        settle_in(self.url(), account, &self.enrol(account, roles), roles[0])
    }

    /// Enrols a person, who sets a password and is confirmed by the reviewer.
    pub fn hire(&self, account: &str, roles: &[&str]) -> Client {
        let person = self.hire_unconfirmed(account, roles);
        self.who("reviewer").sign("confirm_identity", &json!({ "account": account })).good();
        person
    }

    pub(crate) fn from(shelf: &Shelf) -> Self {
        Self::open(shelf.take(), shelf.people.clone())
    }

    /// A server on a book, and a table that nobody has called yet.
    fn open(book: NewBook, people: BTreeMap<&'static str, Client>) -> Self {
        let server = Server::start(&book.dir());
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
        let table = switch_on(&runtime, SocketAddr::from(([127, 0, 0, 1], 0)));
        let table_at = table.address();
        let mut plant = Self { book, people, server: Some(server), table, runtime, table_at };
        plant.follow_server();
        plant
    }

    /// Where the server is.
    pub fn url(&self) -> &str {
        &self.server.as_ref().expect("the server runs").url
    }

    fn follow_server(&mut self) {
        let url = self.url().to_owned();
        for client in self.people.values_mut() {
            *client = client.at(&url);
        }
    }

    /// Stops the server in order; gives what it said.
    pub fn stop(&mut self) -> String {
        self.server.take().expect("the server runs").stop_and_tell()
    }

    /// Starts a server on the book again; everybody's session goes on.
    pub fn start(&mut self) {
        self.start_with(&[]);
    }

    /// As [`Plant::start`], with those variables in its environment.
    pub fn start_with(&mut self, environment: &[(&str, &str)]) {
        let server = Server::start_with(&self.book.dir(), &crate::verifiers::binary("tallyseal"), environment);
        self.server = Some(server);
        self.follow_server();
    }

    /// Stops the server and starts it with more words on its command line; everybody's session goes on.
    pub fn restart_saying(&mut self, more: &[&str]) {
        if self.server.is_some() {
            self.stop();
        }
        let server =
            Server::try_start_at(&self.book.dir(), &crate::verifiers::binary("tallyseal"), &[], "127.0.0.1:0", more);
        self.server = Some(server.unwrap_or_else(|said| panic!("the server did not start: {said}")));
        self.follow_server();
    }

    /// The client of a role (or `second`).
    pub fn who(&self, name: &str) -> &Client {
        &self.people[name]
    }

    /// Supplier, item, plugin, station, test roll.
    pub fn master_data(&self) {
        let plugin = self.papers();
        self.machine(&plugin);
    }

    /// Supplier, item `L-1` and an approved plugin; gives the plugin.
    pub fn papers(&self) -> String {
        let (supervisor, reviewer) = (self.who("supervisor"), self.who("reviewer"));
        supervisor
            .act("register_supplier", &json!({ "supplier": "SU-1", "name": "Printer", "site": "printing.example" }))
            .good();
        supervisor.act("draft_item", &json!({ "item": "L-1", "draft": item_draft() })).good();
        reviewer
            .sign("approve_item", &json!({ "item": "L-1", "specimen": { "id": "SP-1", "place": "cabinet" } }))
            .good();
        reviewer.sign("approve_supplier", &json!({ "supplier": "SU-1", "item": "L-1" })).good();
        let plugin = self.draft_plugin("plugins/ticket-line");
        reviewer.sign("approve_plugin", &json!({ "plugin": plugin })).good();
        plugin
    }

    /// Station `T-1`, qualified and bound to that plugin, with its link up, and the certified test roll `TR-1`.
    pub fn machine(&self, plugin: &str) {
        self.machine_at(plugin, &self.table.address().to_string());
    }

    /// As [`Plant::machine`], with a machine that listens there.
    pub fn machine_at(&self, plugin: &str, address: &str) {
        let (supervisor, reviewer) = (self.who("supervisor"), self.who("reviewer"));
        let link = json!({ "kind": "tcp-out", "address": address });
        let station = json!({
            "station": "T-1", "name": "Table 1", "place": "label room", "rated_labels_per_min": 1_200,
            "challenge_interval_min": 480, "link": link,
        });
        supervisor.act("register_station", &station).good();
        let qualified = json!({ "station": "T-1", "basis": "report", "valid_until": "2099-01-01T00:00:00.000000Z" });
        reviewer.sign("qualify_station", &qualified).good();
        supervisor.act("bind_plugin", &json!({ "station": "T-1", "plugin": plugin })).good();
        let test_roll = json!({
            "test_roll": "TR-1", "certificate": "CE-1", "certified": CERTIFIED, "code": CODE,
            "expires": "2099-01-01T00:00:00.000000Z",
            "faults": { "missing": 1, "splice": 1, "unread": 1, "wrong_code": 1 },
        });
        supervisor.act("register_test_roll", &test_roll).good();
        reviewer.sign("certify_test_roll", &json!({ "test_roll": "TR-1" })).good();
        self.wait_for_link(true);
    }

    /// Waits until the server knows that the link is up, or down.
    pub fn wait_for_link(&self, up: bool) {
        self.wait_for("the state of the link", || self.station()["link_up"] == json!(up));
    }

    /// Loads a plugin folder as a draft; gives its ID.
    pub fn draft_plugin(&self, folder: &str) -> String {
        let body = json!({ "act": act(), "role": "supervisor", "files": plugin_files(folder) });
        let loaded = self.who("supervisor").send("POST", "/api/plugins", Some(&body)).good();
        let stream = loaded["entries"][0]["stream"].as_str().unwrap().to_owned();
        stream.trim_start_matches("plugin/").to_owned()
    }

    /// A delivery with rolls, received, examined and released.
    pub fn deliver(&self, delivery: &str, rolls: &[&str], stated: u32) {
        self.receive(delivery, rolls, stated);
        let examined = json!({
            "delivery": delivery, "plan": "accept on zero", "reached": "unwound", "rolls": rolls, "sampled": 20,
            "critical": 0, "major": 0, "minor": 0, "specimen": { "id": "SP-2", "place": "cabinet" }, "result": "accept",
        });
        self.who("incoming_examiner").sign("examine_delivery", &examined).good();
        self.who("reviewer").sign("release_delivery", &json!({ "delivery": delivery })).good();
    }

    /// A delivery with rolls, received.
    pub fn receive(&self, delivery: &str, rolls: &[&str], stated: u32) {
        let rolls: Vec<Value> = rolls.iter().map(|roll| json!({ "roll": roll, "stated": stated })).collect();
        let received = json!({
            "delivery": delivery, "item": "L-1", "supplier": "SU-1", "supplier_lot": format!("LOT-{delivery}"),
            "maker": "Printer", "receiving_code": "RC", "condition": "sound", "place": "cage", "rolls": rolls,
        });
        self.who("label_room").act("receive_delivery", &received).good();
    }

    /// Bench cleared, station set up for `L-1`.
    pub fn set_up(&self) {
        let operator = self.who("label_room");
        operator.act("clear_bench", &json!({ "station": "T-1", "places": ["table"], "found": "nothing" })).good();
        let set_up = json!({
            "station": "T-1", "item": "L-1", "sensor": "gap", "sensitivity": "4", "speed_labels_per_min": 1_000,
        });
        operator.act("set_up_station", &set_up).good();
    }

    /// The test roll as it really is.
    pub fn test_roll() -> Roll {
        Roll::plain(CERTIFIED, Some(CODE))
            .with(11, SimFaultKind::Missing)
            .with(22, SimFaultKind::Unread)
            .with(33, SimFaultKind::Splice)
            .with(44, SimFaultKind::WrongCode(OTHER_CODE.to_owned()))
    }

    /// A challenge forward and back; gives the kind of its first entry.
    pub fn challenge(&self, occasion: &str) -> String {
        self.challenge_with(occasion, &Self::test_roll())
    }

    /// A challenge in which that roll runs as the test roll.
    pub fn challenge_with(&self, occasion: &str, roll: &Roll) -> String {
        let counts: Vec<String> = [Direction::Forward, Direction::Rewind]
            .into_iter()
            .map(|direction| {
                self.run("test_roll/TR-1", "challenge", &RollRun { direction, ..RollRun::new(roll.clone()) })
            })
            .collect();
        let command = json!({ "station": "T-1", "test_roll": "TR-1", "occasion": occasion, "counts": counts });
        let concluded = self.who("label_room").sign("conclude_challenge", &command).good();
        concluded["entries"][0]["kind"].as_str().unwrap().to_owned()
    }

    /// Opens a count; gives its ID.
    pub fn open_count(&self, roll: &str, purpose: &str, direction: Direction) -> String {
        let command = json!({ "station": "T-1", "roll": roll, "purpose": purpose, "direction": direction });
        let opened = self.who("label_room").act("open_count", &command).good();
        opened["entries"][0]["stream"].as_str().unwrap().trim_start_matches("count/").to_owned()
    }

    /// Runs the table; returns when it has said everything.
    pub fn run_table(&self, run: RollRun) {
        self.runtime.block_on(self.table.run(run)).unwrap();
    }

    /// Cuts the link between server and table, as a pulled cable does.
    pub fn cut_link(&self) {
        self.runtime.block_on(self.table.cut_link()).unwrap();
    }

    /// Switches the station's table off: nothing listens there any more.
    pub fn switch_table_off(&mut self) {
        // A table that nobody calls takes its place; the old one is off when its handle is gone.
        self.table = switch_on(&self.runtime, SocketAddr::from(([127, 0, 0, 1], 0)));
        self.wait_for_link(false);
    }

    /// Gives the plant another table, at that address and any port: no station knows it yet.
    pub(crate) fn another_table(&mut self, at: [u8; 4]) {
        self.table = switch_on(&self.runtime, SocketAddr::from((at, 0)));
        self.table_at = self.table.address();
    }

    /// Switches a table on where the station's was.
    pub fn switch_table_on(&mut self) {
        self.table = switch_on(&self.runtime, self.table_at);
        self.wait_for_link(true);
    }

    /// A whole run: opened, run to the roll's end, closed. Gives the count.
    pub fn run(&self, roll: &str, purpose: &str, run: &RollRun) -> String {
        let count = self.open_count(roll, purpose, run.direction);
        self.run_table(run.clone());
        self.wait_for_end(&count);
        self.who("label_room").act("close_count", &json!({ "count": count })).good();
        count
    }

    /// Waits until the server has the table's closing words on a count.
    pub fn wait_for_end(&self, count: &str) {
        self.wait_for("the table's last word", || {
            let state = self.count_state(count);
            state["roll_end"] == json!(true) && state["ticket"].is_number()
        });
    }

    /// A run whose faults are left on the roll, signed. Gives the count.
    pub fn signed_run(&self, roll: &str, purpose: &str, run: &RollRun) -> String {
        let count = self.run(roll, purpose, run);
        self.dispose_all(&count);
        self.who("label_room").sign("sign_count", &json!({ "count": count })).good();
        count
    }

    /// Says of every fault that it is left on the roll, or sets it aside where it is a wrong code.
    pub fn dispose_all(&self, count: &str) {
        let state = self.count_state(count);
        for fault in state["faults"].as_array().unwrap() {
            let disposition = if fault["fault"] == "wrong_code" { "set_aside" } else { "left" };
            let command = json!({
                "count": count, "fault": fault["fault"], "first": fault["ordinal"], "last": fault["last"],
                "disposition": disposition,
            });
            self.who("label_room").act("dispose_faults", &command).good();
        }
    }

    /// A count as it is remembered.
    pub fn count_state(&self, count: &str) -> Value {
        self.who("label_room").thing(&format!("count/{count}")).good()["state"].clone()
    }

    /// A roll as it is remembered, with its axis of counting under `count_axis`.
    pub fn roll(&self, roll: &str) -> Value {
        let shown = self.who("auditor").thing(&format!("roll/{roll}")).good();
        let mut state = shown["state"].clone();
        state["count_axis"] = shown["count_axis"].clone();
        state
    }

    /// The station as it is remembered.
    pub fn station(&self) -> Value {
        self.who("auditor").thing("station/T-1").good()["state"].clone()
    }

    /// The entries of a stream, in order.
    pub fn stream(&self, stream: &str) -> Vec<Value> {
        read_lines(self.who("auditor").get(&format!("/api/entries?stream={stream}")))
    }

    /// The kinds of a stream's entries, in order.
    pub fn kinds(&self, stream: &str) -> Vec<String> {
        self.stream(stream).iter().map(|entry| entry["kind"].as_str().unwrap().to_owned()).collect()
    }

    /// Every entry of the book, in order.
    pub fn entries(&self) -> Vec<Value> {
        let mut all: Vec<Value> = Vec::new();
        loop {
            let page = read_lines(self.who("auditor").get(&format!("/api/entries?from={}", all.len())));
            if page.is_empty() {
                return all;
            }
            all.extend(page);
        }
    }

    /// How many entries the book has.
    pub fn size(&self) -> u64 {
        Client::stranger(self.url()).get("/api/health").good()["entries"].as_u64().unwrap()
    }

    /// Waits for something to become true, at most a minute.
    #[track_caller]
    pub fn wait_for(&self, what: &str, mut is_so: impl FnMut() -> bool) {
        let since = Instant::now();
        while !is_so() {
            assert!(since.elapsed() < Duration::from_secs(60), "waited in vain: {what}");
            // The server that is waited for needs the processor as well.
            std::thread::park_timeout(Duration::from_millis(2));
        }
    }

    /// Stops the server and has both verifiers look at the whole book: how every acceptance test ends.
    #[track_caller]
    pub fn end(mut self) {
        if let Some(server) = self.server.take() {
            server.stop();
        }
        crate::verifiers::all_hold_by(&self.book.dir(), &self.book.key);
    }
}

fn switch_on(runtime: &Runtime, at: SocketAddr) -> TableHandle {
    runtime.block_on(async {
        let listener = tokio::net::TcpListener::bind(at).await.unwrap();
        serve(listener, TableOptions::default()).unwrap()
    })
}

/// A good roll of so many labels that runs forward over a table that counts right.
pub fn plain_run(labels: u32) -> RollRun {
    RollRun::new(Roll::plain(labels, Some(CODE)))
}

/// The files of a plugin in that folder of the project, as they are sent.
pub fn plugin_files(folder: &str) -> Value {
    let files = tallyseal_plugin_host::Plugin::read_folder(&crate::top().join(folder)).unwrap();
    let file = |(path, bytes): (&String, &Vec<u8>)| (path.clone(), json!(tallyseal_schema::canonical::base64(bytes)));
    Value::Object(files.iter().map(file).collect())
}

/// The item of the plant.
pub fn item_draft() -> Value {
    json!({
        "code": "L-1", "revision": "01", "product": "Demonstrol", "strength": "50 mg", "market": "XX", "language": "en",
        "expected_code": { "symbology": "GS1 DataMatrix", "text": CODE }, "form": "roll", "lanes": 1, "pitch_um": 53_000,
        "width_um": 80_000, "web_thickness_um": 145, "unwind": "outside_left_first", "counts": "two_agree",
        "relies_on": ["missing", "splice", "unread", "wrong_code"], "faults_max": 20, "splices_max": 3,
    })
}

/// The entries of an answer, one per line.
#[track_caller]
fn read_lines(answer: crate::api::Answer) -> Vec<Value> {
    assert_eq!(answer.status, 200, "{}", answer.body);
    match answer.body {
        // Several lines are no JSON; a single one is.
        Value::String(text) => text.lines().map(|line| serde_json::from_str(line).unwrap()).collect(),
        one => vec![one],
    }
}

fn settle_in(url: &str, account: &str, secret: &str, role: &str) -> Client {
    let mut client = Client::sign_in(url, account, secret, role).expect("a one-time secret signs in");
    client.set_password(&password(account)).good();
    client
}
