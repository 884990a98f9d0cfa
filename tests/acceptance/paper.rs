//! The paper of a record against the record's own entries: what must stand on it is looked up in the raw JSON, by the names
//! of kinds and fields, and never by what made the paper.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};
use tallyseal_report::paper::{self, Block, Paper, Sheet, clauses};
use tallyseal_schema::sealed::read_zip;
use tallyseal_tests::packing::ORDER;
use tallyseal_tests::plant::{Plant, plain_run};
use tallyseal_tests::verifiers::tallyseal;
use tempfile::TempDir;

use super::orders::the_whole_day;

const KEY: &str = "label-room.example/plant-1+00000000+AAAA";
const SOFTWARE: &str = "tallyseal 0.1.0";

/// What an export holds.
struct Export {
    entries: BTreeMap<u64, Vec<u8>>,
    json: BTreeMap<u64, Value>,
    note: String,
    record: String,
}

impl Export {
    fn of(zip: &[u8]) -> Self {
        let members = read_zip(zip).unwrap();
        let member = |name: &str| members.iter().find(|member| member.name == name).unwrap().bytes(zip).to_vec();
        let manifest: Value = serde_json::from_slice(&member("manifest.json")).unwrap();
        let lines = member("entries.jsonl");
        let lines = lines.split(|byte| *byte == b'\n').filter(|line| !line.is_empty());
        let json: BTreeMap<u64, (Vec<u8>, Value)> = lines
            .map(|line| {
                let value: Value = serde_json::from_slice(line).unwrap();
                (value["n"].as_u64().unwrap(), (line.to_vec(), value))
            })
            .collect();
        Self {
            entries: json.iter().map(|(n, (bytes, _))| (*n, bytes.clone())).collect(),
            json: json.into_iter().map(|(n, (_, value))| (n, value)).collect(),
            note: String::from_utf8(member("checkpoint.txt")).unwrap(),
            record: manifest["record"].as_str().unwrap().to_owned(),
        }
    }

    fn paper_of(&self, record: &str) -> Paper {
        paper::of(&record.parse().unwrap(), &self.entries, &self.note, KEY, SOFTWARE, Sheet::A4).unwrap()
    }

    fn paper(&self) -> Paper {
        self.paper_of(&self.record)
    }

    fn stream<'a>(&'a self, entry: &'a Value) -> impl Iterator<Item = &'a Value> {
        self.json.values().filter(|one| one["stream"] == entry["stream"])
    }

    fn before<'a>(&'a self, entry: &'a Value) -> impl Iterator<Item = &'a Value> {
        self.stream(entry).filter(|one| one["rev"].as_u64() < entry["rev"].as_u64())
    }

    /// True where a kind stands in the entry's stream after it.
    fn later_has(&self, entry: &Value, kinds: &[&str]) -> bool {
        self.stream(entry)
            .filter(|one| one["rev"].as_u64() > entry["rev"].as_u64())
            .any(|one| kinds.contains(&one["kind"].as_str().unwrap()))
    }

    fn numbers(&self, is: impl Fn(&Value) -> bool) -> BTreeSet<u64> {
        self.json.iter().filter(|(_, entry)| is(entry)).map(|(n, _)| *n).collect()
    }

    fn kinds(&self) -> BTreeSet<&str> {
        self.json.values().map(|entry| entry["kind"].as_str().unwrap()).collect()
    }
}

/// An export through the API.
fn exported(plant: &Plant, record: &str) -> Export {
    let copy = json!({ "record": record, "role": "auditor" });
    Export::of(&plant.who("auditor").post_for_bytes("/api/exports", &copy).unwrap())
}

fn blocks(paper: &Paper) -> impl Iterator<Item = &Block> {
    paper.cover.iter().chain(paper.sections.iter().flat_map(|section| &section.blocks))
}

/// Kinds that change, put right or take back what an earlier entry said, whatever stands in them.
const CORRECTS: &[&str] = &[
    "account.disabled",
    "account.key_retired",
    "account.password_reset",
    "account.roles_changed",
    "clock.stepped",
    "count.aborted",
    "count.disposition_corrected",
    "delivery.hold_lifted",
    "deviation.due_extended",
    "deviation.scope_extended",
    "issue.withdrawn",
    "item.obsoleted",
    "limit_set.withdrawn",
    "line.devices_changed",
    "order.hold_lifted",
    "order.quantity_withdrawn",
    "order.reopened",
    "order.voided",
    "roll.count_doubted",
    "roll.hold_lifted",
    "roll.issue_withdrawn",
    "roll.obsoleted",
    "station.doubted",
    "test_roll.withdrawn",
];

fn severity_before(export: &Export, entry: &Value) -> Option<Value> {
    let graded = export.before(entry).filter(|one| !one["body"]["severity"].is_null());
    graded.last().map(|one| one["body"]["severity"].clone())
}

fn is_correction(export: &Export, entry: &Value) -> bool {
    let kind = entry["kind"].as_str().unwrap();
    let again =
        |field: &str| export.before(entry).any(|one| one["kind"] == kind && one["body"][field] == entry["body"][field]);
    match kind {
        "deviation.assessed" => severity_before(export, entry).unwrap() != entry["body"]["severity"],
        "deviation.interim_decided" => export.before(entry).any(|one| one["kind"] == kind),
        "order.reconciled" => again("material"),
        kind => CORRECTS.contains(&kind),
    }
}

/// Kinds that are never plain, whatever stands in them.
const NEVER_PLAIN: &[&str] = &[
    "access.refused",
    "account.locked",
    "act.refused",
    "clock.stepped",
    "count.aborted",
    "count.disposition_corrected",
    "count.interrupted",
    "count.link_lost",
    "delivery.held",
    "delivery.hold_lifted",
    "delivery.rejected",
    "deviation.due_extended",
    "deviation.interim_decided",
    "deviation.opened",
    "deviation.scope_extended",
    "hand_count.differed",
    "issue.withdrawn",
    "item.obsoleted",
    "limit_set.withdrawn",
    "order.held",
    "order.hold_lifted",
    "order.interrupted",
    "order.quantity_withdrawn",
    "order.rejected",
    "order.reopened",
    "order.voided",
    "override.granted",
    "override.refused",
    "override.used",
    "roll.check_recorded",
    "roll.count_doubted",
    "roll.counts_disagreed",
    "roll.held",
    "roll.hold_lifted",
    "station.challenge_failed",
    "station.doubted",
    "station.link_lost",
    "station.stray_captured",
    "test_roll.withdrawn",
];

fn is_exception(export: &Export, entry: &Value) -> bool {
    let body = &entry["body"];
    let purpose = export.stream(entry).next().map(|first| first["body"]["purpose"].clone()).unwrap_or_default();
    let of_test_roll = ["challenge", "qualification"].iter().any(|one| purpose == *one);
    let is = match entry["kind"].as_str().unwrap() {
        "deviation.assessed" => severity_before(export, entry).unwrap() != body["severity"],
        "count.fault_seen" => body["fault"] == "wrong_code" && !of_test_roll,
        "count.code_checked" => body["matches"] == false,
        "count.exception_found" => !of_test_roll,
        "count.closed" => !of_test_roll && !export.later_has(entry, &["signature.applied", "count.aborted"]),
        "delivery.examined" => body["result"] == "reject",
        "order.roll_examined" => body["verdict"] == "different" || !body["choice"].is_null(),
        "order.return_taken" => body["seal_intact"] == false,
        "clearance.performed" => body["places"].as_array().unwrap().iter().any(|place| place["foreign"] == true),
        "issue.given" => {
            !body["extra"].is_null() || body["rolls"].as_array().unwrap().iter().any(|roll| roll["at_risk"] == true)
        }
        "override.requested" => !export.later_has(entry, &["override.granted", "override.refused"]),
        "roll.returned" => !export.later_has(entry, &["roll.return_released", "roll.rejected", "roll.obsoleted"]),
        "roll.count_settled" => body["rule"] == "third_agrees",
        "reconciliation.computed" => {
            body["balance"] != "within" || body["against_product"] != "within" || body["independent"] == false
        }
        "container.destruction_declared" => !body["late"].is_null(),
        "station.work_logged" => body["work"] != "cleaning",
        "session.password_refused" => !body["record"].is_null(),
        "remark.made" => entry["by"]["role"] != "reviewer",
        kind => NEVER_PLAIN.contains(&kind),
    };
    is || !entry["occurred"].is_null()
}

/// What stands on the paper is what stands in the entries, and the other way round.
fn holds_both_ways(export: &Export) {
    let paper = export.paper();
    let mut signatures = BTreeSet::new();
    let mut exceptions = BTreeSet::new();
    let mut corrections = BTreeSet::new();
    for block in blocks(&paper) {
        match block {
            Block::Signature(signature) => {
                let entry = &export.json[&signature.n];
                for (said, field) in
                    [(&signature.name, "name"), (&signature.account, "account"), (&signature.meaning, "meaning")]
                {
                    assert_eq!(entry["body"][field], **said, "21 CFR 11.50: entry {}", signature.n);
                }
                assert!(signature.at.contains(entry["at"].as_str().unwrap()), "{signature:?}");
                signatures.insert(signature.n);
            }
            Block::Exception(finding) => {
                exceptions.insert(finding.n);
                // The same hold on other things.
                let also = finding.trail.iter().filter_map(|line| line.strip_prefix("Exception, entry "));
                exceptions.extend(also.map(|line| line.split(':').next().unwrap().parse::<u64>().unwrap()));
                assert!(!finding.standing.is_empty(), "{finding:?}");
            }
            Block::Correction(finding) => {
                let (old, new) = finding.change.as_ref().unwrap();
                assert!(!old.is_empty() && !new.is_empty() && old != new, "{finding:?}");
                let entry = &export.json[&finding.n];
                assert_eq!(finding.why.as_deref(), entry["why"].as_str(), "entry {}", finding.n);
                corrections.insert(finding.n);
            }
            _ => {}
        }
    }
    assert_eq!(signatures, export.numbers(|entry| entry["kind"] == "signature.applied"));
    assert_eq!(corrections, export.numbers(|entry| is_correction(export, entry)));
    assert_eq!(exceptions, export.numbers(|entry| is_exception(export, entry)));
}

/// A signature is void where an entry that is content, by the table of `FORMAT.md`, came after it in the stream that it
/// signs.
fn says_which_signatures_stand(export: &Export) {
    let text = std::fs::read_to_string(tallyseal_tests::top().join("schema/FORMAT.md")).unwrap();
    let is_content = |kind: &str| {
        let row = text.lines().find(|line| line.starts_with(&format!("| `{kind}`"))).unwrap();
        row.trim_end_matches(['|', ' ']).rsplit('|').next().unwrap().trim() == "yes"
    };
    for block in blocks(&export.paper()) {
        let Block::Signature(signature) = block else { continue };
        let entry = &export.json[&signature.n];
        let changed = export
            .stream(entry)
            .filter(|one| one["rev"].as_u64() > entry["rev"].as_u64())
            .any(|one| is_content(one["kind"].as_str().unwrap()));
        assert_eq!(signature.void.is_some(), changed, "entry {}", signature.n);
    }
}

/// Every value of a body with the name of its field; keys that are things too.
fn leaves<'a>(name: &'a str, value: &'a Value, found: &mut Vec<(&'a str, &'a Value)>, keys: &mut Vec<&'a str>) {
    match value {
        Value::Object(fields) => {
            for (name, value) in fields {
                keys.push(name);
                leaves(name, value, found, keys);
            }
        }
        Value::Array(items) => items.iter().for_each(|item| leaves(name, item, found, keys)),
        other => found.push((name, other)),
    }
}

/// True where a cell says a value: as it stands, a word of the record without its underlines, a thing with a space, a
/// hash or a signature by its beginning, a number of micrometres in millimetres.
fn says(cell: &str, name: &str, value: &Value) -> bool {
    let plain = cell.replace('\u{2009}', "");
    match value {
        Value::Bool(is) => plain.contains(if *is { "yes" } else { "no" }),
        Value::Number(number) if name.ends_with("_um") => {
            let um = number.as_u64().unwrap();
            let rest = format!("{:03}", um % 1_000);
            let rest = rest.trim_end_matches('0');
            let point = if rest.is_empty() { "" } else { "." };
            plain.contains(&format!("{}{point}{rest} mm", um / 1_000))
        }
        Value::Number(number) => plain.contains(&number.to_string()),
        Value::String(text) if text.is_empty() => true,
        Value::String(text) => {
            let id = text.split_once('/').map_or("", |(_, id)| id);
            cell.contains(text.as_str())
                || (text.contains('_') && cell.contains(&text.replace('_', " ")))
                || (!id.is_empty() && cell.contains(id))
                || (text.len() >= 40 && cell.contains(&format!("{}\u{2026}", &text[..12])))
        }
        Value::Null => true,
        other => panic!("{other}"),
    }
}

/// Every entry is a row of the trail, in order, with every field of its body.
fn tells_every_field(export: &Export) {
    let paper = export.paper();
    let trail = paper.sections.iter().find(|section| section.title == "Audit trail").unwrap();
    let rows: Vec<&Vec<String>> = trail
        .blocks
        .iter()
        .filter_map(|block| match block {
            Block::Table { rows, .. } => Some(rows),
            _ => None,
        })
        .flatten()
        .map(|row| &row.cells)
        .collect();
    let told: Vec<u64> = rows.iter().map(|cells| cells[0].parse().unwrap()).collect();
    assert_eq!(told, export.json.keys().copied().collect::<Vec<_>>());
    for (cells, entry) in rows.iter().zip(export.json.values()) {
        let (mut found, mut keys) = (Vec::new(), Vec::new());
        leaves("", &entry["body"], &mut found, &mut keys);
        for (name, value) in found {
            assert!(says(&cells[4], name, value), "{name} {value} is not in {:?} of {entry}", cells[4]);
        }
        for key in keys.iter().filter_map(|key| key.split_once('/')) {
            assert!(cells[4].contains(key.1), "{key:?} is not in {:?}", cells[4]);
        }
        assert!(cells[1].contains(entry["at"].as_str().unwrap()), "{entry}");
        for part in ["name", "account", "device", "session", "station", "system"] {
            if let Some(text) = entry["by"][part].as_str() {
                assert!(cells[2].contains(text), "{part} of {entry} is not in {:?}", cells[2]);
            }
        }
        if let Some(why) = entry["why"].as_str() {
            assert!(cells[5].contains(why), "{entry}");
        }
    }
}

fn names_only_known_clauses(paper: &Paper) {
    let mut named = BTreeSet::new();
    let mut take = |clause: &str| named.extend(clause.split("; ").filter(|one| !one.is_empty()).map(str::to_owned));
    paper.sections.iter().for_each(|section| take(&section.clause));
    for block in blocks(paper) {
        match block {
            Block::Fields { fields } => fields.iter().for_each(|field| take(&field.clause)),
            Block::Heading { clause, .. } | Block::Table { clause, .. } | Block::Text { clause, .. } => take(clause),
            _ => {}
        }
    }
    assert!(named.len() > 5, "{named:?}");
    let legend = paper.sections.last().unwrap().blocks.iter().rev().find_map(|block| match block {
        Block::Table { rows, .. } => Some(rows.iter().map(|row| row.cells[0].clone()).collect::<BTreeSet<_>>()),
        _ => None,
    });
    assert_eq!(legend.unwrap(), named, "the legend has every clause of the margin, and no other");
    for cite in named {
        assert!(clauses::find(&cite).is_some(), "{cite} is in no table of clauses");
    }
}

fn is_whole(paper: &Paper) {
    for block in blocks(paper) {
        match block {
            Block::Table { columns, rows, .. } => {
                rows.iter().for_each(|row| assert_eq!(row.cells.len(), columns.len(), "{row:?}"));
            }
            Block::Fields { fields } => {
                fields.iter().for_each(|field| assert!(!field.value.is_empty() && !field.name.is_empty(), "{field:?}"));
            }
            Block::Picture { svg, percent, .. } => {
                assert!(svg.starts_with("<svg xmlns=") && svg.contains("<style>"), "{svg}");
                assert!((1..=100).contains(percent));
            }
            _ => {}
        }
    }
}

#[test]
fn the_paper_of_the_demo_says_what_its_entries_say_whatever_record_is_asked_for() {
    let folder = TempDir::new().unwrap();
    let dir = folder.path().join("shift");
    let ran = tallyseal(["demo", "--once", "--dir", dir.to_str().unwrap()]);
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    for zip in std::fs::read_dir(dir.join("out")).unwrap() {
        let export = Export::of(&std::fs::read(zip.unwrap().path()).unwrap());
        holds_both_ways(&export);
        says_which_signatures_stand(&export);
        tells_every_field(&export);
        let paper = export.paper();
        names_only_known_clauses(&paper);
        is_whole(&paper);

        // Same entries, same paper, to the byte.
        let written = serde_json::to_string(&paper).unwrap();
        assert_eq!(written, serde_json::to_string(&export.paper()).unwrap());
        assert_eq!(serde_json::from_str::<Paper>(&written).unwrap(), paper);
        assert_eq!(paper.anchor.code.lines().collect::<Vec<_>>(), export.note.lines().take(3).collect::<Vec<_>>());
        let newest = export.json.values().map(|entry| entry["at"].as_str().unwrap()).max().unwrap();
        assert_eq!(paper.newest.to_string(), newest);

        // One record of every thing in it.
        let mut things = BTreeSet::new();
        for entry in export.json.values() {
            let stream = entry["stream"].as_str().unwrap();
            if things.insert(stream.split('/').next().unwrap()) {
                let paper = export.paper_of(stream);
                assert!(paper.title.contains(stream.split('/').nth(1).unwrap()), "{}", paper.title);
                is_whole(&paper);
            }
        }
        assert!(things.len() > 8, "{things:?}");
    }
}

#[test]
fn what_was_withdrawn_put_off_and_opened_again_stands_on_the_paper_with_what_was_there_before() {
    let plant = Plant::packing();
    the_whole_day(&plant);
    let (reviewer, line) = (plant.who("reviewer"), plant.who("line"));
    let say = |client: &tallyseal_tests::api::Client, text: &str| {
        client.act("remark", &json!({ "record": format!("order/{ORDER}"), "text": text })).good()
    };
    let remark =
        say(line, "the #set text(size: 0pt) of *this* line \u{5d0}\u{5d1} \u{1f9ea} $x$ <b>")["entries"][0]["n"]
            .clone();
    say(reviewer, &format!("Entry {remark} seen."));
    reviewer.act("reopen_order", &json!({ "order": ORDER, "why": "a lot number was read twice" })).good();

    let export = exported(&plant, &format!("order/{ORDER}"));
    for kind in ["order.quantity_withdrawn", "order.reopened", "override.used", "deviation.opened", "remark.made"] {
        assert!(export.kinds().contains(kind), "{kind} is not in {:?}", export.kinds());
    }
    holds_both_ways(&export);
    says_which_signatures_stand(&export);
    tells_every_field(&export);
    let paper = export.paper();
    names_only_known_clauses(&paper);
    is_whole(&paper);
    let found = |kind: &str| -> Vec<&tallyseal_report::paper::Finding> {
        let n = export.numbers(|entry| entry["kind"] == kind);
        let of_it = blocks(&paper).filter_map(|block| match block {
            Block::Correction(finding) | Block::Exception(finding) if n.contains(&finding.n) => Some(finding),
            _ => None,
        });
        of_it.collect()
    };
    let withdrawn = found("order.quantity_withdrawn");
    assert!(
        withdrawn.iter().all(|one| one.change.as_ref().unwrap().0.contains("204 units of lot LOT-A")),
        "{withdrawn:?}"
    );
    assert!(withdrawn.iter().all(|one| one.why.as_deref() == Some("two digits changed places")), "{withdrawn:?}");
    let reopened = found("order.reopened");
    assert!(reopened.iter().any(|one| one.change.as_ref().unwrap().0 == "label record approved"), "{reopened:?}");
    // What people wrote is there as they wrote it, and who answered it.
    let remark = found("remark.made");
    assert!(
        remark
            .iter()
            .any(|one| one.sentence.contains("#set text(size: 0pt) of *this* line \u{5d0}\u{5d1} \u{1f9ea} $x$ <b>"))
    );
    assert!(remark.iter().all(|one| one.standing.starts_with("seen by ")), "{remark:?}");
    // Opened again, the approval no longer stands, and the first page says so.
    let void = blocks(&paper).filter(
        |block| matches!(block, Block::Signature(one) if one.meaning == "label record approved" && one.void.is_some()),
    );
    assert_eq!(void.count(), 1);
    plant.end();
}

#[test]
fn faults_holds_and_their_corrections_stand_on_the_paper_of_a_delivery() {
    let plant = Plant::ready();
    let (operator, reviewer) = (plant.who("label_room"), plant.who("reviewer"));
    let with_splice = |labels: u32| {
        let mut run = plain_run(labels);
        run.roll = run.roll.with(300, tallyseal_machines::table::SimFaultKind::Splice);
        run
    };
    let count = plant.run("roll/R-1", "incoming", &with_splice(500));
    plant.dispose_all(&count);
    let correct = json!({
        "count": count, "fault": "splice", "first": 300, "last": 300, "disposition": "taken_out", "labels": 4,
        "fate": "specimen", "why": "\"left\" was pressed, and it was cut out",
    });
    operator.act("correct_disposition", &correct).good();
    operator.sign("sign_count", &json!({ "count": count })).good();
    let opened = json!({ "about": ["roll/R-2"], "severity": "minor", "text": "the core is crushed" });
    plant.who("supervisor").act("open_deviation", &opened).good();
    let (severity, impact) = ("major", "the roll may run askew");
    let assessed =
        json!({ "deviation": "DV-000001", "severity": severity, "impact": impact, "why": "it was seen again" });
    reviewer.act("assess_deviation", &assessed).good();
    let due = json!({
        "deviation": "DV-000001", "due": tallyseal_tests::plant::after(std::time::Duration::from_hours(24 * 40)),
        "why": "the supplier is asked",
    });
    reviewer.act("extend_due", &due).good();
    for text in ["run by hand only", "not at all"] {
        let decided = json!({ "deviation": "DV-000001", "decision": "stop", "text": text });
        reviewer.act("decide_interim", &decided).good();
    }

    let export = exported(&plant, "delivery/DL-1");
    for kind in
        ["count.disposition_corrected", "deviation.assessed", "deviation.due_extended", "deviation.interim_decided"]
    {
        assert!(export.kinds().contains(kind), "{kind} is not in {:?}", export.kinds());
    }
    holds_both_ways(&export);
    says_which_signatures_stand(&export);
    tells_every_field(&export);
    names_only_known_clauses(&export.paper());
    plant.end();
}
