//! The same plant with a packaging line: two items, counted rolls, limits and a planned order. As the plant itself it is
//! set up through the API once, and every test begins with a copy.

use std::sync::OnceLock;

use serde_json::{Value, json};
use tallyseal_machines::table::{Direction, Roll, RollRun};

use crate::api::Answer;
use crate::plant::{CODE, Plant, Shelf, after, item_draft};

/// The packaging line.
pub const LINE: &str = "LN-1";
/// Its devices.
pub const DISPENSER: &str = "DP-1";
/// Prints on the labels at the dispenser.
pub const PRINTER: &str = "PR-1";
/// Reads every label on its unit.
pub const VERIFIER: &str = "VF-1";
/// Counts finished units, and no labels.
pub const UNIT_COUNTER: &str = "UC-1";
/// The item of material line 1: coded at the line, one label per unit.
pub const CODED: &str = "L-100";
/// The item of material line 2: a shipper label, not coded, one for 24 units.
pub const SHIPPER: &str = "L-200";
/// The planned order: 240 units. It needs 253 labels of [`CODED`] with one roll, 2 more for every further one, and 12 of
/// [`SHIPPER`].
pub const ORDER: &str = "PO-1";
/// Its only lot.
pub const LOT: &str = "LOT-A";
/// Rolls of [`CODED`] with 100 labels each. The first three cover the need, the last is more.
pub const CODED_ROLLS: [&str; 4] = ["R-1", "R-2", "R-3", "R-6"];
/// Rolls of [`SHIPPER`] with 100 labels each. The first covers the need.
pub const SHIPPER_ROLLS: [&str; 2] = ["R-4", "R-5"];

/// Account, name in the tests, roles: further people, beside those of every plant.
const PEOPLE: [(&str, &str, &[&str]); 5] = [
    ("U-0008", "line", &["line"]),
    ("U-0009", "line2", &["line"]),
    ("U-0010", "supervisor2", &["supervisor"]),
    ("U-0011", "reviewer2", &["reviewer"]),
    ("U-0012", "everything", &["label_room", "line", "incoming_examiner", "supervisor", "reviewer"]),
];

/// Where the tables of plants on the shelf listen: copies of a book look for a table there that is gone, and must not
/// find that of another test. All of 127/8 is this machine.
const GONE: [u8; 4] = [127, 77, 0, 1];

/// The first stream of that thing that a receipt names, without the thing.
#[track_caller]
pub fn part(receipt: &Value, thing: &str) -> String {
    let streams = receipt["entries"].as_array().unwrap().iter().map(|entry| entry["stream"].as_str().unwrap());
    let mut parts = streams.filter_map(|stream| stream.strip_prefix(thing)?.strip_prefix('/'));
    parts.next().unwrap_or_else(|| panic!("the receipt names no {thing}: {receipt}")).to_owned()
}

/// A reading of a device.
pub fn device(device: &str, start: u32, end: u32) -> Value {
    json!({ "how": "device", "device": device, "start": start, "end": end, "wraps": 0 })
}

/// The number on which two people agreed.
pub fn by_hand(hand_count: &str) -> Value {
    json!({ "how": "hand_count", "hand_count": format!("hand_count/{hand_count}") })
}

/// The devices of [`LINE`].
pub fn devices() -> Value {
    let one = |id: &str, kind: &str, name: &str| {
        json!({
            "id": id, "kind": kind, "name": name, "digits": 6, "calibration_due": "2099-01-01T00:00:00.000000Z",
        })
    };
    json!([
        one(DISPENSER, "dispenser", "labeller"),
        one(PRINTER, "printer", "printer on the labeller"),
        one(VERIFIER, "verifier", "camera"),
        one(UNIT_COUNTER, "unit_counter", "counter before the packer"),
    ])
}

/// Limits for an item: `short` labels short, `over` over, 2 % each as well; the product as the labels.
pub fn limits(item_code: &str, short: u32, over: u32) -> Value {
    let limit = |labels: u32| json!({ "labels": labels, "ratio": { "num": 2, "den": 100 } });
    json!({
        "basis": "provisional", "data": "no order of this label has run yet", "item_code": item_code, "uncertainty": 1,
        "limits": {
            "short": limit(short), "over": limit(over), "product_short": limit(short), "product_over": limit(short),
        },
    })
}

/// The plan of an order for so many units, of both materials.
pub fn plan(lot: &str, units: u32) -> Value {
    let material = |number: u32, item: &str, limit_set: &str, den: u32, coding: &str, fixed: u32| {
        json!({
            "material": number, "item": format!("item/{item}"), "limit_set": format!("limit_set/{limit_set}"),
            "labels_per_unit": { "num": 1, "den": den }, "coding": coding,
            "allowance": { "fixed": fixed, "per_roll_change": 2, "ratio": { "num": 1, "den": 100 } },
        })
    };
    json!({
        "kind": "commercial", "line": format!("line/{LINE}"), "product": "Demonstrol", "strength": "50 mg",
        "dosage_form": "tablets", "pack": "30 tablets", "market": "XX",
        "lots": [{ "lot": lot, "expiry": "2028-03", "units": units }],
        "master": { "id": "MR-1", "version": "3" }, "procedures": [{ "id": "SOP-7", "version": "2" }],
        "materials": [material(1, CODED, "LS-1", 1, "line", 10), material(2, SHIPPER, "LS-2", 24, "none", 1)],
    })
}

/// A clearance of [`LINE`] that found nothing.
pub fn clearance(order: &str, when: &str) -> Value {
    let place = |place: &str| json!({ "place": place, "found": "nothing", "foreign": false });
    json!({
        "line": LINE, "order": order, "when": when, "places": [place("labeller"), place("reject bin"), place("floor")],
    })
}

/// An examination before issue that finds the roll the same as the specimen.
pub fn examination(order: &str, material: u16, roll: &str) -> Value {
    let mut given = json!({
        "order": order, "material": material, "roll": roll, "verdict": "same", "unwind": "outside_left_first",
        "specimen": { "id": "SP-1", "place": "cabinet" },
    });
    if material == 1 {
        given["code_read"] = json!(CODE);
    }
    given
}

/// Putting a roll on the dispenser.
pub fn mounting(order: &str, material: u16, roll: &str) -> Value {
    let mut given = json!({ "order": order, "material": material, "roll": roll, "device": DISPENSER });
    if material == 1 {
        given["code_read"] = json!(CODE);
    }
    given
}

/// What the label room says when a roll comes back.
pub fn taking_back(order: &str, material: u16, roll: &str, more: &Value) -> Value {
    let mut given = json!({
        "order": order, "material": material, "roll": roll, "seal_intact": true, "place": "quarantine cage",
    });
    given.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    given
}

/// A copy of a plant on a shelf, which is set up once.
fn copied(shelf: &'static OnceLock<Shelf>, make: impl FnOnce() -> Plant) -> Plant {
    Plant::from(shelf.get_or_init(|| Shelf::of(make())))
}

impl Plant {
    /// A plant with a packaging line, approved limits, rolls of two items that are released and counted between good
    /// challenges, and [`ORDER`] planned. No table is switched on.
    pub fn packing() -> Self {
        static SHELF: OnceLock<Shelf> = OnceLock::new();
        copied(&SHELF, || {
            let mut plant = Self::with_people();
            for (account, name, roles) in PEOPLE {
                let person = plant.hire(account, roles);
                plant.people.insert(name, person);
            }
            plant.packaging_papers();
            plant.another_table(GONE);
            plant.machine("P-000001");
            plant.deliver_of("D-1", CODED, &CODED_ROLLS);
            plant.deliver_of("D-2", SHIPPER, &SHIPPER_ROLLS);
            plant.set_up_for("T-1", CODED);
            for roll in CODED_ROLLS {
                plant.counted_at("T-1", roll, "incoming", Roll::plain(100, Some(CODE)));
            }
            plant.challenge_at("T-1", "end");
            plant.set_up_for("T-1", SHIPPER);
            for roll in SHIPPER_ROLLS {
                // The item asks for two counts that agree.
                plant.counted_at("T-1", roll, "incoming", Roll::plain(100, None));
                plant.counted_at("T-1", roll, "incoming", Roll::plain(100, None));
            }
            plant.challenge_at("T-1", "end");
            plant.switch_table_off();
            let planned = json!({ "order": ORDER, "plan": plan(LOT, 240) });
            plant.who("supervisor").act("plan_order", &planned).good();
            plant
        })
    }

    /// As [`Plant::packing`], with the rolls of [`ORDER`] issued, taken over and scanned in at the line.
    pub fn at_the_line() -> Self {
        static SHELF: OnceLock<Shelf> = OnceLock::new();
        copied(&SHELF, || {
            let plant = Self::packing();
            plant.issue(ORDER, 1, &CODED_ROLLS[..3]);
            plant.issue(ORDER, 2, &SHIPPER_ROLLS[..1]);
            plant
        })
    }

    /// As [`Plant::at_the_line`], with [`ORDER`] run to its end: two coded rolls ran out, `R-3` and `R-4` were taken off
    /// with labels left and handed back sealed. Nothing is counted or taken back yet.
    pub fn handed_back() -> Self {
        static SHELF: OnceLock<Shelf> = OnceLock::new();
        copied(&SHELF, || {
            let plant = Self::at_the_line();
            plant.start_order(ORDER);
            plant.run_rolls(ORDER);
            plant.finish_order(ORDER);
            for (material, roll, seal) in [(1, "R-3", "S-1"), (2, "R-4", "S-2")] {
                plant.who("line").act("give_back", &giving_back(ORDER, material, roll, seal)).good();
            }
            plant
        })
    }

    /// As [`Plant::handed_back`], with everything counted: of 300 coded labels 240 on good units, 3 on rejected ones, 2
    /// samples, 5 spoiled, a coded tail of 4 in `CN-1`, and a rest of 46, now `R-31`; of 100 shipper labels 10, 1 spoiled
    /// and a rest of 89, now `R-41`; 240 units. Nothing is short or over. No table is switched on.
    pub fn accounted() -> Self {
        static SHELF: OnceLock<Shelf> = OnceLock::new();
        copied(&SHELF, || {
            let mut plant = Self::handed_back();
            plant.another_table(GONE);
            plant.take_back_and_count("T-2", 46);
            plant.switch_table_off_at("T-2");
            plant.record_quantities(240);
            plant
        })
    }

    /// As [`Plant::accounted`], with both material lines reconciled and checked, the container sealed and the order signed
    /// for packaging.
    pub fn in_review() -> Self {
        static SHELF: OnceLock<Shelf> = OnceLock::new();
        copied(&SHELF, || {
            let plant = Self::accounted();
            for material in [1, 2] {
                plant.reconciled(ORDER, material);
            }
            plant.who("label_room").sign("seal_container", &json!({ "container": "CN-1", "seal": "S-3" })).good();
            plant.who("supervisor").sign("sign_for_packaging", &json!({ "order": ORDER })).good();
            plant
        })
    }

    /// Supplier, both items, the plugin, the line and its limits.
    fn packaging_papers(&self) {
        let (supervisor, reviewer) = (self.who("supervisor"), self.who("reviewer"));
        let supplier = json!({ "supplier": "SU-1", "name": "Printer", "site": "printing.example" });
        supervisor.act("register_supplier", &supplier).good();
        for (item, shipper) in [(CODED, false), (SHIPPER, true)] {
            let mut draft = item_draft();
            draft["code"] = json!(item);
            draft["counts"] = json!(if shipper { "two_agree" } else { "one" });
            if shipper {
                draft.as_object_mut().unwrap().remove("expected_code");
                draft["relies_on"] = json!(["missing"]);
            }
            supervisor.act("draft_item", &json!({ "item": item, "draft": draft })).good();
            let specimen = json!({ "item": item, "specimen": { "id": "SP-1", "place": "cabinet" } });
            reviewer.sign("approve_item", &specimen).good();
            reviewer.sign("approve_supplier", &json!({ "supplier": "SU-1", "item": item })).good();
        }
        let plugin = self.draft_plugin("plugins/ticket-line");
        reviewer.sign("approve_plugin", &json!({ "plugin": plugin })).good();
        let line = json!({ "line": LINE, "name": "Line 1", "place": "hall 3", "devices": devices() });
        supervisor.act("register_line", &line).good();
        for (limit_set, item, over) in [("LS-1", CODED, 0), ("LS-2", SHIPPER, 1)] {
            self.approved_limits(limit_set, item, 5, over);
        }
    }

    /// Limits, drafted by the supervisor and approved by the reviewer.
    pub fn approved_limits(&self, limit_set: &str, item: &str, short: u32, over: u32) {
        let drafted = json!({ "limit_set": limit_set, "draft": limits(item, short, over) });
        self.who("supervisor").act("draft_limits", &drafted).good();
        self.who("reviewer").sign("approve_limits", &json!({ "limit_set": limit_set })).good();
    }

    /// A delivery of an item, received, examined and released. What the supplier states is not what is on them.
    pub fn deliver_of(&self, delivery: &str, item: &str, rolls: &[&str]) {
        let stated: Vec<Value> = rolls.iter().map(|roll| json!({ "roll": roll, "stated": 105 })).collect();
        let received = json!({
            "delivery": delivery, "item": item, "supplier": "SU-1", "supplier_lot": format!("LOT-{delivery}"),
            "maker": "Printer", "receiving_code": "RC", "condition": "sound", "place": "cage", "rolls": stated,
        });
        self.who("label_room").act("receive_delivery", &received).good();
        let examined = json!({
            "delivery": delivery, "plan": "accept on zero", "reached": "unwound", "rolls": rolls, "sampled": 20,
            "critical": 0, "major": 0, "minor": 0, "specimen": { "id": "SP-2", "place": "cabinet" }, "result": "accept",
        });
        self.who("incoming_examiner").sign("examine_delivery", &examined).good();
        self.who("reviewer").sign("release_delivery", &json!({ "delivery": delivery })).good();
    }

    /// A further station, at the plant's table, qualified and with its link up.
    pub fn another_station(&self, station: &str) {
        let link = json!({ "kind": "tcp-out", "address": self.table.address().to_string() });
        let registered = json!({
            "station": station, "name": format!("Table {station}"), "place": "label room",
            "rated_labels_per_min": 1_200, "challenge_interval_min": 480, "link": link,
        });
        self.who("supervisor").act("register_station", &registered).good();
        let qualified = json!({ "station": station, "basis": "report", "valid_until": "2099-01-01T00:00:00.000000Z" });
        self.who("reviewer").sign("qualify_station", &qualified).good();
        self.who("supervisor").act("bind_plugin", &json!({ "station": station, "plugin": "P-000001" })).good();
        self.wait_for("the link", || self.station_named(station)["link_up"] == json!(true));
    }

    fn station_named(&self, station: &str) -> Value {
        self.who("auditor").thing(&format!("station/{station}")).good()["state"].clone()
    }

    fn switch_table_off_at(&mut self, station: &str) {
        // A table that nobody calls takes its place; the old one is off when its handle is gone.
        self.another_table(GONE);
        self.wait_for("the link to be down", || self.station_named(station)["link_up"] == json!(false));
    }

    /// Bench cleared, station set up for an item and challenged.
    pub fn set_up_for(&self, station: &str, item: &str) {
        let operator = self.who("label_room");
        operator.act("clear_bench", &json!({ "station": station, "places": ["table"], "found": "nothing" })).good();
        let set_up = json!({
            "station": station, "item": item, "sensor": "gap", "sensitivity": "4", "speed_labels_per_min": 1_000,
        });
        operator.act("set_up_station", &set_up).good();
        self.challenge_at(station, "start");
    }

    /// A challenge of a station with `TR-1`, forward and back; it passes.
    pub fn challenge_at(&self, station: &str, occasion: &str) {
        let counts: Vec<String> = [Direction::Forward, Direction::Rewind]
            .into_iter()
            .map(|direction| {
                let run = RollRun { direction, ..RollRun::new(Self::test_roll()) };
                self.run_at(station, "test_roll/TR-1", "challenge", run)
            })
            .collect();
        let command = json!({ "station": station, "test_roll": "TR-1", "occasion": occasion, "counts": counts });
        let concluded = self.who("label_room").sign("conclude_challenge", &command).good();
        assert_eq!(concluded["entries"][0]["kind"], "station.challenge_passed");
    }

    fn run_at(&self, station: &str, roll: &str, purpose: &str, run: RollRun) -> String {
        let opened = json!({ "station": station, "roll": roll, "purpose": purpose, "direction": run.direction });
        let count = self.who("label_room").act("open_count", &opened).made();
        self.run_table(run);
        self.wait_for_end(&count);
        self.who("label_room").act("close_count", &json!({ "count": count })).good();
        count
    }

    /// A roll run over the table, closed and signed.
    pub fn counted_at(&self, station: &str, roll: &str, purpose: &str, on_it: Roll) -> String {
        let count = self.run_at(station, &format!("roll/{roll}"), purpose, RollRun::new(on_it));
        self.who("label_room").sign("sign_count", &json!({ "count": count })).good();
        count
    }

    /// Rolls of a material line examined, given, taken over and scanned in. Gives the issue.
    #[track_caller]
    pub fn issue(&self, order: &str, material: u16, rolls: &[&str]) -> String {
        let issue = self.given(order, material, rolls);
        self.who("line").sign("take_issue", &json!({ "issue": issue })).good();
        for roll in rolls {
            let received = json!({ "order": order, "material": material, "roll": roll });
            self.who("line").act("receive_at_line", &received).good();
        }
        issue
    }

    /// Rolls of a material line examined and given. Gives the issue.
    #[track_caller]
    pub fn given(&self, order: &str, material: u16, rolls: &[&str]) -> String {
        for roll in rolls {
            self.who("label_room").act("examine_before_issue", &examination(order, material, roll)).good();
        }
        let given = json!({ "order": order, "material": material, "rolls": rolls });
        part(&self.who("label_room").sign("give_issue", &given).good(), "issue")
    }

    /// [`LINE`] cleared for an order, and checked by a second person. Gives the clearance.
    #[track_caller]
    pub fn cleared(&self, order: &str, when: &str) -> String {
        let done = self.who("line").sign("perform_clearance", &clearance(order, when)).good();
        let clearance = part(&done, "clearance");
        self.who("line2").sign("check_clearance", &json!({ "clearance": clearance })).good();
        clearance
    }

    /// Clears the line and starts the order.
    #[track_caller]
    pub fn start_order(&self, order: &str) {
        let clearance = self.cleared(order, "before");
        self.who("line").act("start_order", &json!({ "order": order, "clearance": clearance })).good();
    }

    /// Mounts a roll and takes it off again.
    #[track_caller]
    pub fn run_roll(&self, order: &str, material: u16, roll: &str, ran: &str) {
        self.who("line").act("mount_roll", &mounting(order, material, roll)).good();
        let off = json!({ "order": order, "material": material, "roll": roll, "ran": ran });
        self.who("line").act("dismount_roll", &off).good();
    }

    /// The rolls of [`ORDER`], as [`Plant::handed_back`] says.
    pub fn run_rolls(&self, order: &str) {
        for (material, roll, ran) in
            [(1, "R-1", "used_up"), (1, "R-2", "used_up"), (1, "R-3", "taken_off"), (2, "R-4", "taken_off")]
        {
            self.run_roll(order, material, roll, ran);
        }
    }

    /// Clears the line and finishes the order.
    #[track_caller]
    pub fn finish_order(&self, order: &str) {
        let clearance = self.cleared(order, "after");
        self.who("line").act("finish_order", &json!({ "order": order, "clearance": clearance })).good();
    }

    /// Two people of the label room count by hand and agree. Gives the hand count.
    #[track_caller]
    pub fn hand_counted(&self, order: &str, material: Option<u16>, what: &str, labels: u32) -> String {
        let mut opened = json!({ "order": order, "what": what });
        if let Some(material) = material {
            opened["material"] = json!(material);
        }
        let hand_count = part(&self.who("label_room").act("open_hand_count", &opened).good(), "hand_count");
        for person in ["label_room", "second"] {
            let entered = json!({ "hand_count": hand_count, "labels": labels });
            self.who(person).act("enter_hand_count", &entered).good();
        }
        hand_count
    }

    /// A quantity of labels, recorded by the line.
    #[track_caller]
    pub fn quantity(&self, order: &str, material: u16, term: &str, source: Value) -> Answer {
        let mut given = json!({ "order": order, "material": material, "term": term, "source": source });
        if matches!(term, "samples" | "spoiled") {
            given["purpose"] = json!("setting up");
        }
        self.who("line").act("record_quantity", &given)
    }

    /// Finished units, as the unit counter counted them.
    #[track_caller]
    pub fn units(&self, order: &str, lot: &str, units: u32) {
        let given = json!({ "order": order, "lot": lot, "source": device(UNIT_COUNTER, 0, units) });
        self.who("line").act("record_units", &given).good();
    }

    /// What [`Plant::accounted`] says came back, with a rest of so many coded labels; counted at a new station.
    pub fn take_back_and_count(&self, station: &str, rest: u32) {
        self.open_container("CN-1", "coded");
        let tail = self.hand_counted(ORDER, Some(1), "coded_tail", 4);
        let coded = taking_back(ORDER, 1, "R-3", &json!({ "tail": tail, "container": "CN-1", "rest": "R-31" }));
        self.who("label_room").act("take_back", &coded).good();
        let shipper = taking_back(ORDER, 2, "R-4", &json!({ "rest": "R-41" }));
        self.who("label_room").act("take_back", &shipper).good();
        self.count_rests(station, rest);
    }

    /// The rests `R-31`, of so many coded labels, and `R-41`, of 89, counted at a new station.
    pub fn count_rests(&self, station: &str, rest: u32) {
        self.another_station(station);
        self.set_up_for(station, CODED);
        self.counted_at(station, "R-31", "return", Roll::plain(rest, Some(CODE)));
        self.challenge_at(station, "end");
        self.set_up_for(station, SHIPPER);
        for _ in 0..2 {
            self.counted_at(station, "R-41", "return", Roll::plain(89, None));
        }
        self.challenge_at(station, "end");
    }

    /// A container for labels of material line 1 of [`ORDER`].
    pub fn open_container(&self, container: &str, contents: &str) {
        let opened = json!({
            "container": container, "order": ORDER, "material": 1, "contents": contents, "place": "cage for destruction",
        });
        self.who("label_room").act("open_container", &opened).good();
    }

    /// The quantities that [`Plant::accounted`] says, with so many labels on good units, and 240 units.
    pub fn record_quantities(&self, good: u32) {
        for (material, term, source) in [
            (1, "good", device(VERIFIER, 0, good)),
            (1, "rejected", device(VERIFIER, good, good + 3)),
            (1, "samples", device(DISPENSER, 0, 2)),
            (1, "spoiled", device(DISPENSER, 2, 7)),
            (2, "good", device(DISPENSER, 7, 17)),
            (2, "spoiled", device(DISPENSER, 17, 18)),
        ] {
            self.quantity(ORDER, material, term, source).good();
        }
        self.units(ORDER, LOT, 240);
    }

    /// A material line reconciled by one person and checked by another. Gives the account as it is remembered.
    #[track_caller]
    pub fn reconciled(&self, order: &str, material: u16) -> Value {
        let done = self.who("second").sign("reconcile", &json!({ "order": order, "material": material })).good();
        let account = part(&done, "reconciliation");
        self.who("supervisor2").sign("check_reconciliation", &json!({ "reconciliation": account })).good();
        self.state("reconciliation", &account)
    }

    /// A deviation from its opening to its closing: assessed and investigated by the supervisor, accepted and closed by
    /// the second reviewer, who had no part in what it is about.
    #[track_caller]
    pub fn deviation_accepted(&self, deviation: &str) {
        let assessed = json!({
            "deviation": deviation, "severity": "major", "impact": "labels of one order", "why": "looked at all of it",
        });
        // Only a reviewer may find that a critical one is less.
        self.who("reviewer").act("assess_deviation", &assessed).good();
        let investigated = json!({
            "deviation": deviation, "cause": "a jam at the start", "others": "none in this week",
            "conclusion": "no product is touched", "follow_up": "the guide was set again",
        });
        self.who("supervisor").sign("investigate", &investigated).good();
        let decided = json!({ "deviation": deviation, "decision": "accept", "text": "explained and bounded" });
        self.who("reviewer2").sign("decide_deviation", &decided).good();
        self.who("reviewer2").act("close_deviation", &json!({ "deviation": deviation })).good();
    }

    /// An override asked for by one person. Gives it.
    #[track_caller]
    pub fn override_asked(&self, who: &str, kind: &str, order: &str, about: &str) -> String {
        let mut asked = json!({ "kind": kind, "order": order, "about": about, "why": "the line has lost a roll" });
        if kind == "extra_issue" {
            (asked["material"], asked["labels"]) = (json!(1), json!(1_000));
        }
        part(&self.who(who).act("request_override", &asked).good(), "override")
    }

    /// A thing as it is remembered.
    #[track_caller]
    pub fn state(&self, thing: &str, id: &str) -> Value {
        self.who("auditor").thing(&format!("{thing}/{id}")).good()["state"].clone()
    }

    /// What is asked must be refused with that status and code, and nothing may come of it but the entry of the refusal.
    #[track_caller]
    pub fn refuses(&self, status: u16, code: &str, ask: impl FnOnce() -> Answer) {
        let before = self.size();
        let problem = ask().problem(status, code);
        // What made no sense or lacked a password is no refusal that matters.
        let recorded = u64::from(!matches!(status, 401 | 422));
        assert_eq!(self.size(), before + recorded, "{problem}");
        assert_eq!(problem["recorded"]["n"].is_number(), recorded == 1, "{problem}");
        if recorded == 1 {
            let lines = self.who("auditor").get(&format!("/api/entries?from={before}")).good();
            let (kind, refused) = (&lines["kind"], &lines["body"]["code"]);
            assert_eq!((kind, refused), (&json!("act.refused"), &json!(code)), "{lines}");
        }
    }
}

/// What the line says when it hands a roll back.
pub fn giving_back(order: &str, material: u16, roll: &str, seal: &str) -> Value {
    json!({ "order": order, "material": material, "roll": roll, "seal": seal })
}

/// One step of a day.
pub enum Step {
    /// A person gives a command: who, name, command, whether it is a signature.
    Act(&'static str, &'static str, Value, bool),
    /// What came back is counted at a table.
    Count,
}

/// A whole day from [`Plant::packing`] on in which every command about orders, lines, limits, containers, accounts,
/// overrides and deviations is given at least once and is good. Six coded labels are short at its end: outside the limits.
pub fn day() -> Vec<Step> {
    let order = |more: Value| {
        let mut command = json!({ "order": ORDER });
        command.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        command
    };
    let mut day = Vec::new();
    let mut does = |who, name, command| day.push(Step::Act(who, name, command, false));
    does(
        "supervisor",
        "register_line",
        json!({ "line": "LN-2", "name": "Line 2", "place": "hall 3", "devices": devices() }),
    );
    let mut calibrated = devices();
    calibrated[0]["calibration_due"] = json!("2098-01-01T00:00:00.000000Z");
    does(
        "supervisor",
        "change_line_devices",
        json!({ "line": "LN-2", "devices": calibrated, "why": "the labeller was exchanged" }),
    );
    does("supervisor", "draft_limits", json!({ "limit_set": "LS-3", "draft": limits(CODED, 5, 0) }));
    day.push(Step::Act("reviewer", "approve_limits", json!({ "limit_set": "LS-3" }), true));
    let mut does = |who, name, command| day.push(Step::Act(who, name, command, false));
    does("reviewer", "withdraw_limits", json!({ "limit_set": "LS-3", "why": "narrower ones are in work" }));
    does("supervisor", "plan_order", json!({ "order": "PO-2", "plan": plan("LOT-B", 24) }));
    does("supervisor", "void_order", json!({ "order": "PO-2", "why": "planned on the wrong line" }));
    for roll in &CODED_ROLLS[..3] {
        does("label_room", "examine_before_issue", examination(ORDER, 1, roll));
    }
    let rolls = order(json!({ "material": 1, "rolls": &CODED_ROLLS[..3] }));
    day.push(Step::Act("label_room", "give_issue", rolls.clone(), true));
    let why = "nobody of the line is there";
    day.push(Step::Act("label_room", "withdraw_issue", json!({ "issue": "IS-000001", "why": why }), false));
    day.push(Step::Act("label_room", "give_issue", rolls, true));
    day.push(Step::Act("line", "take_issue", json!({ "issue": "IS-000002" }), true));
    for roll in &CODED_ROLLS[..3] {
        day.push(Step::Act("line", "receive_at_line", order(json!({ "material": 1, "roll": roll })), false));
    }
    day.push(Step::Act("label_room", "examine_before_issue", examination(ORDER, 2, "R-4"), false));
    day.push(Step::Act("label_room", "give_issue", order(json!({ "material": 2, "rolls": ["R-4"] })), true));
    day.push(Step::Act("line", "take_issue", json!({ "issue": "IS-000003" }), true));
    day.push(Step::Act("line", "receive_at_line", order(json!({ "material": 2, "roll": "R-4" })), false));
    let why = "the line has lost a roll";
    let asked =
        order(json!({ "kind": "extra_issue", "about": "order/PO-1", "material": 1, "labels": 500, "why": why }));
    day.push(Step::Act("label_room", "request_override", asked.clone(), false));
    day.push(Step::Act("supervisor", "refuse_override", json!({ "over": "OV-000001", "why": "it is enough" }), false));
    day.push(Step::Act("label_room", "request_override", asked, false));
    day.push(Step::Act("supervisor", "grant_override", json!({ "over": "OV-000002" }), true));
    day.push(Step::Act("line", "perform_clearance", clearance(ORDER, "before"), true));
    day.push(Step::Act("line2", "check_clearance", json!({ "clearance": "CL-000001" }), true));
    day.push(Step::Act("line", "start_order", order(json!({ "clearance": "CL-000001" })), false));
    for (material, roll, ran) in
        [(1, "R-1", "used_up"), (1, "R-2", "used_up"), (1, "R-3", "taken_off"), (2, "R-4", "taken_off")]
    {
        day.push(Step::Act("line", "mount_roll", mounting(ORDER, material, roll), false));
        let off = order(json!({ "material": material, "roll": roll, "ran": ran }));
        day.push(Step::Act("line", "dismount_roll", off, false));
        if roll == "R-1" {
            day.push(Step::Act("line", "interrupt_order", order(json!({ "cause": "the packer stands" })), false));
            day.push(Step::Act("line", "resume_order", order(json!({})), false));
        }
    }
    day.push(Step::Act("line", "perform_clearance", clearance(ORDER, "after"), true));
    day.push(Step::Act("line2", "check_clearance", json!({ "clearance": "CL-000002" }), true));
    day.push(Step::Act("line", "finish_order", order(json!({ "clearance": "CL-000002" })), false));
    for (material, roll, seal) in [(1, "R-3", "S-1"), (2, "R-4", "S-2")] {
        day.push(Step::Act("line", "give_back", giving_back(ORDER, material, roll, seal), false));
    }
    for (container, contents, what, hand_count, labels) in
        [("CN-1", "coded", "coded_tail", "HC-000001", 4), ("CN-2", "spoiled", "spoiled", "HC-000002", 5)]
    {
        let opened = order(json!({ "container": container, "material": 1, "contents": contents, "place": "cage" }));
        day.push(Step::Act("label_room", "open_container", opened, false));
        day.push(Step::Act("label_room", "open_hand_count", order(json!({ "material": 1, "what": what })), false));
        for who in ["label_room", "second"] {
            let entered = json!({ "hand_count": hand_count, "labels": labels });
            day.push(Step::Act(who, "enter_hand_count", entered, false));
        }
    }
    let tail = json!({ "tail": "HC-000001", "container": "CN-1", "rest": "R-31" });
    day.push(Step::Act("label_room", "take_back", taking_back(ORDER, 1, "R-3", &tail), false));
    day.push(Step::Act("label_room", "take_back", taking_back(ORDER, 2, "R-4", &json!({ "rest": "R-41" })), false));
    let filled = json!({ "container": "CN-2", "hand_count": "HC-000002" });
    day.push(Step::Act("label_room", "fill_container", filled, false));
    day.push(Step::Count);
    let units = |units: u32| order(json!({ "lot": LOT, "source": device(UNIT_COUNTER, 0, units) }));
    day.push(Step::Act("line", "record_units", units(204), false));
    let wrong = order(json!({ "quantity": 1, "why": "two digits changed places" }));
    day.push(Step::Act("line", "withdraw_quantity", wrong, false));
    day.push(Step::Act("line", "record_units", units(240), false));
    for (material, term, source, purpose) in [
        (1, "good", device(VERIFIER, 0, 240), None),
        (1, "rejected", device(VERIFIER, 240, 243), None),
        (1, "samples", device(DISPENSER, 0, 2), Some("kept with the record")),
        (1, "spoiled", by_hand("HC-000002"), Some("setting up")),
        (2, "good", device(DISPENSER, 7, 17), None),
        (2, "spoiled", device(DISPENSER, 17, 18), Some("torn")),
    ] {
        let mut given = order(json!({ "material": material, "term": term, "source": source }));
        if let Some(purpose) = purpose {
            given["purpose"] = json!(purpose);
        }
        day.push(Step::Act("line", "record_quantity", given, false));
    }
    for (container, seal) in [("CN-1", "S-3"), ("CN-2", "S-4")] {
        day.push(Step::Act("label_room", "seal_container", json!({ "container": container, "seal": seal }), true));
    }
    for (material, account) in [(1, "RC-000001"), (2, "RC-000002")] {
        day.push(Step::Act("second", "reconcile", order(json!({ "material": material })), true));
        let checked = json!({ "reconciliation": account });
        day.push(Step::Act("supervisor2", "check_reconciliation", checked, true));
    }
    day.push(Step::Act("supervisor", "sign_for_packaging", order(json!({})), true));
    for (container, labels) in [("CN-1", 4), ("CN-2", 5)] {
        let consent = json!({ "container": container, "why": "the missing ones are not in it" });
        day.push(Step::Act("reviewer", "consent_destruction", consent, true));
        let declared = json!({ "container": container, "labels": labels, "method": "shredded", "place": "room 4" });
        day.push(Step::Act("label_room", "declare_destruction", declared, true));
        day.push(Step::Act("line2", "witness_destruction", json!({ "container": container }), true));
    }
    let deviation = |more: Value| {
        let mut command = json!({ "deviation": "DV-000001" });
        command.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        command
    };
    let assessed = json!({ "severity": "major", "impact": "labels of one order", "why": "looked at all of it" });
    day.push(Step::Act("reviewer", "assess_deviation", deviation(assessed), false));
    let further = json!({ "about": ["roll/R-3"], "why": "its rest was counted last" });
    day.push(Step::Act("supervisor", "extend_scope", deviation(further), false));
    let interim = json!({ "decision": "may_run_on", "text": "with every label looked at" });
    day.push(Step::Act("reviewer", "decide_interim", deviation(interim), false));
    let due = json!({ "due": in_days(60), "why": "the supplier answers late" });
    day.push(Step::Act("reviewer", "extend_due", deviation(due), false));
    let investigated = json!({
        "cause": "a jam at the start", "others": "none in this week", "conclusion": "no product is touched",
        "follow_up": "the guide was set again",
    });
    day.push(Step::Act("supervisor", "investigate", deviation(investigated), true));
    let decided = json!({ "decision": "accept", "text": "explained and bounded" });
    day.push(Step::Act("reviewer2", "decide_deviation", deviation(decided), true));
    day.push(Step::Act("reviewer2", "close_deviation", deviation(json!({})), false));
    let reviewed = json!({ "statement": "every entry and every change was looked at" });
    day.push(Step::Act("reviewer", "review_order", order(reviewed), true));
    day.push(Step::Act("reviewer", "approve_order", order(json!({})), true));
    day.push(Step::Act("reviewer", "release_return", json!({ "roll": "R-31" }), true));
    day.push(Step::Act("reviewer", "reopen_order", order(json!({ "why": "a label was found later" })), false));
    day.push(Step::Act("reviewer", "reject_order", order(json!({ "why": "its place is not known" })), true));
    day
}

/// The moment so many days from now.
fn in_days(days: u64) -> tallyseal_schema::Time {
    after(std::time::Duration::from_secs(days * 24 * 60 * 60))
}

/// What came back in the [`day`], counted at station `T-2`: a rest of 40 coded labels and one of 89 shipper labels.
pub fn count_what_came_back(plant: &Plant) {
    plant.count_rests("T-2", 40);
}

/// The name of every command of [`day`], and of which the rules know: all that an order brings.
pub fn commands() -> Vec<&'static str> {
    let all = tallyseal_control::AUTHORITY.iter().map(|row| row.command);
    let of_orders = all.skip_while(|name| *name != "register_line");
    of_orders.take_while(|name| *name != "note_export").collect()
}
