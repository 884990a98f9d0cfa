//! The steps of the printed record against the raw entries: what stands on the paper is what the entries say.
//!
//! What is expected is reckoned here from the JSON of the entries alone, with none of the product's rules or words but its
//! way to write a whole number, which is done anew below.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::OnceLock;

use serde_json::{Value, json};
use tallyseal_machines::table::{Direction, Roll, RollRun, SimFaultKind};
use tallyseal_report::paper::{self, Block, Field, Paper, Row, Section, Sheet, Tone, clauses};
use tallyseal_schema::sealed::read_zip;
use tallyseal_tests::packing::{LOT, ORDER, UNIT_COUNTER, VERIFIER, device};
use tallyseal_tests::plant::{CODE, Plant};
use tallyseal_tests::verifiers::tallyseal;
use tempfile::TempDir;

/// The entries of a sealed record.
struct Record {
    bytes: BTreeMap<u64, Vec<u8>>,
    entries: Vec<Value>,
    note: String,
    record: String,
}

impl Record {
    fn of(record: &str, zip: &[u8]) -> Self {
        let members = read_zip(zip).unwrap();
        let get = |name: &str| members.iter().find(|member| member.name == name).unwrap().bytes(zip).to_vec();
        let lines = get("entries.jsonl");
        let lines = lines.split(|byte| *byte == b'\n').filter(|line| !line.is_empty());
        let entries: Vec<Value> = lines.clone().map(|line| serde_json::from_slice(line).unwrap()).collect();
        let bytes = entries.iter().map(|entry| entry["n"].as_u64().unwrap()).zip(lines.map(<[u8]>::to_vec)).collect();
        Self { bytes, entries, note: String::from_utf8(get("checkpoint.txt")).unwrap(), record: record.to_owned() }
    }

    /// The record as an auditor takes it from the plant now.
    fn taken(plant: &Plant, record: &str) -> Self {
        let copy = json!({ "record": record, "role": "auditor" });
        Self::of(record, &plant.who("auditor").post_for_bytes("/api/exports", &copy).unwrap())
    }

    fn printed(&self) -> Printed {
        Printed::of(&self.record, &self.bytes, &self.note)
    }

    /// The entries of a stream that are of a kind.
    fn all<'a>(&'a self, stream: &'a str, kind: &'a str) -> impl DoubleEndedIterator<Item = &'a Value> {
        self.entries.iter().filter(move |entry| entry["stream"] == stream && entry["kind"] == kind)
    }

    fn one<'a>(&'a self, stream: &'a str, kind: &'a str) -> &'a Value {
        self.all(stream, kind).next().unwrap_or_else(|| panic!("no {kind} in {stream}"))
    }

    /// Entries of a kind, in whatever stream.
    fn of_kind<'a>(&'a self, kind: &'a str) -> impl DoubleEndedIterator<Item = &'a Value> {
        self.entries.iter().filter(move |entry| entry["kind"] == kind)
    }

    fn streams(&self) -> BTreeSet<String> {
        self.entries.iter().map(|entry| text(&entry["stream"])).collect()
    }
}

/// The steps of a paper.
struct Printed(Vec<Section>);

impl Printed {
    fn of(record: &str, bytes: &BTreeMap<u64, Vec<u8>>, note: &str) -> Self {
        let paper = paper_of(record, bytes, note);
        // Between the exceptions and the deviations.
        let steps = paper.sections.into_iter().skip_while(|section| section.title == "Exceptions");
        let steps: Vec<Section> = steps.take_while(|section| section.title != "Deviations").collect();
        must_be_well_formed(&steps, bytes);
        Self(steps)
    }

    fn find(&self, title: &str) -> Option<&Section> {
        self.0.iter().find(|section| section.title == title)
    }

    #[track_caller]
    fn section(&self, title: &str) -> &Section {
        let titles: Vec<&str> = self.0.iter().map(|section| section.title.as_str()).collect();
        self.find(title).unwrap_or_else(|| panic!("no section {title:?} among {titles:#?}"))
    }

    /// The blocks of a section, or of what stands under a heading that begins like that.
    #[track_caller]
    fn blocks(&self, title: &str, heading: &str) -> &[Block] {
        let blocks = &self.section(title).blocks;
        let is = |block: &Block, like: &str| matches!(block, Block::Heading { text, .. } if text.starts_with(like));
        if heading.is_empty() {
            return blocks;
        }
        let from = blocks.iter().position(|block| is(block, heading));
        let from = from.unwrap_or_else(|| panic!("no heading {heading:?} under {title:?}"));
        let to = blocks[from + 1..].iter().position(|block| is(block, "")).map_or(blocks.len(), |at| from + 1 + at);
        &blocks[from..to]
    }

    #[track_caller]
    fn field(&self, title: &str, heading: &str, name: &str) -> &Field {
        let blocks = self.blocks(title, heading);
        let mut fields = blocks.iter().flat_map(|block| match block {
            Block::Fields { fields } => fields.as_slice(),
            _ => &[],
        });
        fields.find(|field| field.name == name).unwrap_or_else(|| panic!("no field {name:?} in {title:?} {blocks:#?}"))
    }

    #[track_caller]
    fn value(&self, title: &str, heading: &str, name: &str) -> &str {
        &self.field(title, heading, name).value
    }

    /// The rows of the tables with that caption; none where there is none.
    #[track_caller]
    fn rows(&self, title: &str, heading: &str, caption: &str) -> Vec<&Row> {
        let tables = self.blocks(title, heading).iter().filter_map(|block| match block {
            Block::Table { caption: one, rows, .. } if one == caption => Some(rows),
            _ => None,
        });
        tables.flatten().collect()
    }

    #[track_caller]
    fn cells(&self, title: &str, heading: &str, caption: &str) -> Vec<Vec<&str>> {
        let rows = self.rows(title, heading, caption).into_iter();
        rows.map(|row| row.cells.iter().map(String::as_str).collect()).collect()
    }

    /// All that a section says.
    #[track_caller]
    fn said(&self, title: &str) -> String {
        serde_json::to_string(self.section(title)).unwrap()
    }
}

fn paper_of(record: &str, bytes: &BTreeMap<u64, Vec<u8>>, note: &str) -> Paper {
    let record = record.parse().unwrap();
    paper::of(&record, bytes, note, "plant.example+00000000+KEY", "test 1", Sheet::A4).unwrap()
}

/// Nothing is empty, no table has a hole, every clause is known, every entry that is named is in the record.
#[track_caller]
fn must_be_well_formed(steps: &[Section], bytes: &BTreeMap<u64, Vec<u8>>) {
    let known = |margin: &str, title: &str| {
        for cite in margin.split("; ").filter(|cite| !cite.is_empty()) {
            assert!(clauses::find(cite).is_some(), "{title}: {cite:?} is no clause of the list");
        }
    };
    for Section { blocks, clause, title, .. } in steps {
        known(clause, title);
        for block in blocks {
            match block {
                Block::Fields { fields } => {
                    assert!(!fields.is_empty(), "{title}");
                    for field in fields {
                        known(&field.clause, title);
                        assert!(!field.value.trim().is_empty() && !field.name.is_empty(), "{title}: {field:?}");
                        assert!(field.entries.iter().all(|n| bytes.contains_key(n)), "{title}: {field:?}");
                    }
                }
                Block::Table { clause, columns, rows, caption, .. } => {
                    known(clause, title);
                    assert!(!rows.is_empty(), "{title}: {caption}");
                    assert!(rows.iter().all(|row| row.cells.len() == columns.len()), "{title}: {caption} {rows:?}");
                    let mut cells = rows.iter().flat_map(|row| &row.cells);
                    assert!(cells.all(|cell| !cell.trim().is_empty()), "{title}: {caption}");
                }
                Block::Heading { clause, .. } | Block::Text { clause, .. } => known(clause, title),
                Block::Picture { alt, svg, .. } => assert!(!alt.is_empty() && svg.contains("<style>"), "{title}"),
                Block::Correction(_) | Block::Exception(_) | Block::Signature(_) => {}
            }
        }
    }
}

fn text(value: &Value) -> String {
    value.as_str().unwrap_or_else(|| panic!("{value} is no text")).to_owned()
}

fn id(value: &Value) -> String {
    text(value).split_once('/').map_or_else(|| text(value), |(_, id)| id.to_owned())
}

fn whole(value: &Value) -> i128 {
    value.as_i64().unwrap_or_else(|| panic!("{value} is no whole number")).into()
}

/// A whole number as paper has it: groups of three from the right, a thin space between (ISO 80000-1:2009, 7.3.1).
fn number(value: i128) -> String {
    let digits = value.unsigned_abs().to_string();
    let groups: Vec<&str> =
        digits.as_bytes().rchunks(3).rev().map(|group| std::str::from_utf8(group).unwrap()).collect();
    groups.join("\u{2009}")
}

fn n(entry: &Value) -> String {
    entry["n"].to_string()
}

/// A percentage with four decimals, half up, zeros at its end left away but for two decimals (USP General Notices 7.20).
fn percent(part: i128, whole: i128) -> String {
    let ten_thousandths = (part * 2 * 100 * 10_000 + whole) / (2 * whole);
    let mut text = format!("{}.{:04}", ten_thousandths / 10_000, ten_thousandths % 10_000);
    while text.ends_with('0') && text.len() - text.find('.').unwrap() > 3 {
        text.pop();
    }
    text
}

#[test]
fn the_reckoning_of_this_test_gives_the_worked_example() {
    // Worked example, our own numbers, as in `orders`: D = 15 of 52,340 is 0.0287 %, accounted for 99.9713 %.
    assert_eq!((percent(15, 52_340).as_str(), percent(52_325, 52_340).as_str()), ("0.0287", "99.9713"));
    assert_eq!((percent(9, 400).as_str(), percent(1, 1).as_str()), ("2.25", "100.00"));
    assert_eq!(
        (number(7_497), number(52_340_001), number(12)),
        ("7\u{2009}497".into(), "52\u{2009}340\u{2009}001".into(), "12".into())
    );
}

/// What a material line comes to, by its entries: issued, then good, rejected, samples, spoiled, coded, returned.
fn reckoned(record: &Record, material: i128) -> [i128; 7] {
    let order = record.record.as_str();
    let of_it = |entry: &&Value| whole(&entry["body"]["material"]) == material;
    let issued = record.all(order, "order.issued").filter(of_it).map(|entry| whole(&entry["body"]["labels"])).sum();
    let withdrawn: Vec<&Value> =
        record.all(order, "order.quantity_withdrawn").map(|entry| &entry["body"]["quantity"]).collect();
    let term = |term: &str| -> i128 {
        let recorded = record.all(order, "order.quantity_recorded").filter(of_it).map(|entry| &entry["body"]);
        let standing = recorded.filter(|body| body["term"] == term && !withdrawn.contains(&&body["quantity"]));
        standing.map(|body| whole(&body["labels"])).sum()
    };
    let tails = record.of_kind("hand_count.opened").filter(|entry| entry["body"]["what"] == "coded_tail");
    let tails = tails.filter(|entry| entry["body"]["order"] == order).filter(of_it);
    let agreed = |entry: &Value| {
        record
            .all(entry["stream"].as_str().unwrap(), "hand_count.agreed")
            .next()
            .map(|one| whole(&one["body"]["labels"]))
    };
    let coded = tails.filter_map(agreed).sum();
    let back = record.all(order, "order.return_taken").filter(of_it).filter_map(|entry| entry["body"]["rest"].as_str());
    let counted = |rest: &str| {
        record
            .all(rest, "roll.count_settled")
            .next_back()
            .map(|one| whole(&one["body"]["on_roll"]) + whole(&one["body"]["taken_out"]))
    };
    let returned = back.filter_map(counted).sum();
    [issued, term("good"), term("rejected"), term("samples"), term("spoiled"), coded, returned]
}

const TERMS: &str = "Every label issued, and what became of it";

/// The account that stands of a material line says what the entries come to: every term, the sum, the percentages.
#[track_caller]
fn account_must_hold(record: &Record, printed: &Printed, material: i128) {
    let mut made =
        record.all(&record.record, "order.reconciled").filter(|entry| whole(&entry["body"]["material"]) == material);
    let account = id(&made.next_back().unwrap()["body"]["reconciliation"]);
    let heading = format!("Material line {material}: account {account}");
    let terms = reckoned(record, material);
    let issued = terms[0];
    let left = issued - terms[1..].iter().sum::<i128>();
    let cells = printed.cells("Reconciliation", &heading, TERMS);
    let told: Vec<&str> = cells.iter().map(|row| row[1]).collect();
    let side = match left {
        0 => "none unaccounted for".to_owned(),
        1.. => format!("{} short", number(left)),
        _ => format!("{} over", number(left)),
    };
    let mut expected: Vec<String> = terms.iter().copied().map(number).collect();
    expected.push(side.clone());
    assert_eq!(told, expected, "{heading}");
    assert!(!printed.said("Reconciliation").contains("COME TO"), "the sources of a term come to another number");
    // Each term that is something says from where, and names entries.
    for row in cells.iter().take(7).filter(|row| row[1] != "0") {
        assert!(row[2] != "none was recorded" && row[3] != "-", "{row:?}");
    }
    let plus: Vec<String> = terms[1..].iter().copied().map(number).collect();
    let sign = if left < 0 { "−" } else { "" };
    assert_eq!(
        printed.value("Reconciliation", &heading, "Formula, as arithmetic"),
        format!("{} − ({}) = {sign}{}", number(issued), plus.join(" + "), number(left))
    );
    let unaccounted = printed.value("Reconciliation", &heading, "Unaccounted for, in percent");
    assert!(unaccounted.starts_with(&format!("{} % ", percent(left.abs(), issued))), "{unaccounted}");
    assert!(unaccounted.contains(&format!("{}/{issued},", left.abs())), "{unaccounted}");
    let accounted = printed.value("Reconciliation", &heading, "Accounted for, in percent");
    assert!(accounted.starts_with(&format!("{} % ", percent(issued - left, issued))), "{accounted}");
    assert_eq!(
        printed.value("Reconciliation", &heading, "Unaccounted for"),
        format!("{side} of {} labels issued", number(issued))
    );
}

/// The demo's sealed records, made once.
fn demo() -> &'static BTreeMap<&'static str, Record> {
    static MADE: OnceLock<BTreeMap<&'static str, Record>> = OnceLock::new();
    MADE.get_or_init(|| {
        let folder = TempDir::new().unwrap();
        let dir = folder.path().join("shift");
        let made = tallyseal(["demo", "--once", "--dir", dir.to_str().unwrap()]);
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
        let read = |id: &str, record: &str| {
            Record::of(record, &std::fs::read(dir.join("out").join(format!("{id}.zip"))).unwrap())
        };
        ["order/PO-260001", "delivery/DL-0001", "delivery/DL-0002"]
            .map(|record| (record, read(record.split_once('/').unwrap().1, record)))
            .into()
    })
}

fn order() -> &'static Record {
    &demo()["order/PO-260001"]
}

#[test]
fn every_term_and_total_of_the_accounts_is_what_the_entries_come_to() {
    let (record, printed) = (order(), order().printed());
    for material in [1, 2] {
        account_must_hold(record, &printed, material);
    }
    // The product test: what the balance leaves for good units against what the units need.
    let units: i128 =
        record.all(&record.record, "order.units_recorded").map(|entry| whole(&entry["body"]["units"])).sum();
    for computed in record.of_kind("reconciliation.computed") {
        let body = &computed["body"];
        let material = whole(&body["material"]);
        let heading = format!("Material line {material}: account {}", id(&computed["stream"]));
        let terms = reckoned(record, material);
        let left = terms[0] - terms[2..].iter().sum::<i128>();
        let (num, den) = (whole(&body["labels_per_unit"]["num"]), whole(&body["labels_per_unit"]["den"]));
        // All of the demo's units fill their shippers.
        assert_eq!(num * units % den, 0);
        let cells = printed.cells("Reconciliation", &heading, "Product test: units against their labels");
        let told: Vec<&str> = cells.iter().map(|row| row[1]).collect();
        let needed = num * units / den;
        assert_eq!(told, [number(left), number(needed), format!("{} more than needed", number(left - needed))]);
        let size = printed.value("Reconciliation", &heading, "Product held against it");
        let of_issued = format!("{}/{} of what was issued", (left - needed) * den, terms[0] * den);
        assert!(size.contains(&of_issued), "{size}");
        assert_eq!(printed.value("Reconciliation", &heading, "Version of the formula"), body["formula"]);
        let off = printed.value("Reconciliation", &heading, "How far the counts may be off together");
        assert!(off.starts_with(&number(whole(&body["uncertainty"]))), "{off}");
        let limit = &body["limits"]["short"];
        let (labels, ratio) = (number(whole(&limit["labels"])), &limit["ratio"]);
        let expected = format!("{labels} labels, and {}/{} of what was issued", ratio["num"], ratio["den"]);
        assert_eq!(printed.value("Reconciliation", &heading, "Limit short"), expected);
        // Made by one person, checked by another: names of both.
        let people = printed.cells("Reconciliation", &heading, "Performed and checked");
        for meaning in ["reconciled", "reconciliation checked"] {
            let signed = signature(record, computed["stream"].as_str().unwrap(), meaning);
            let row = people.iter().find(|row| row[3] == n(signed)).unwrap_or_else(|| panic!("{meaning}: {people:?}"));
            assert!(row[0].ends_with(meaning) && row[1].starts_with(signed["by"]["name"].as_str().unwrap()), "{row:?}");
        }
    }
}

/// The entry of a signature.
#[track_caller]
fn signature<'a>(record: &'a Record, stream: &'a str, meaning: &str) -> &'a Value {
    record
        .all(stream, "signature.applied")
        .find(|entry| entry["body"]["meaning"] == meaning)
        .unwrap_or_else(|| panic!("{stream} has no signature {meaning:?}"))
}

/// Row of the table of what a record of label control must hold, section, heading in it, field, what it must say, and the
/// entry that it must name.
type Wanted<'a> = (u8, String, &'a str, &'a str, String, &'a Value);

/// What the plan and the master record ask.
fn of_the_plan(record: &Record) -> Vec<Wanted<'_>> {
    let order = record.record.as_str();
    let planned = record.one(order, "order.planned");
    let plan = &planned["body"];
    let title = || format!("Plan of order {}", id(&planned["stream"]));
    let said = |name: &str| text(&plan[name]);
    let mut wanted = vec![
        (1, title(), "", "Product", said("product"), planned),
        (1, title(), "", "Strength", said("strength"), planned),
        (1, title(), "", "Dosage form", said("dosage_form"), planned),
        (1, title(), "", "Pack size", said("pack"), planned),
        (2, title(), "", "Packaging order", id(&planned["stream"]), planned),
        (4, title(), "", "Market", said("market"), planned),
        (
            5,
            title(),
            "",
            "Master record",
            format!("{}, version {}", text(&plan["master"]["id"]), text(&plan["master"]["version"])),
            planned,
        ),
        (25, title(), "", "Packaging line", id(&plan["line"]), planned),
    ];
    for material in plan["materials"].as_array().unwrap() {
        let item = material["item"].as_str().unwrap();
        let (drafted, approved) = (record.one(item, "item.drafted"), record.one(item, "item.approved"));
        let (draft, specimen) = (&drafted["body"], &approved["body"]["specimen"]);
        let title = || format!("Label of material line {}", material["material"]);
        let ratio = &material["labels_per_unit"];
        let per = if ratio["den"] == 1 {
            format!("{} on each unit", ratio["num"])
        } else {
            format!("{} for {} units", ratio["num"], ratio["den"])
        };
        let coding = if material["coding"] == "line" { "coded at the line" } else { "not coded" };
        let code = match draft["expected_code"]["text"].as_str() {
            Some(code) => format!("{code} ({})", text(&draft["expected_code"]["symbology"])),
            None => "none is printed".to_owned(),
        };
        wanted.extend([
            (4, title(), "", "Language", text(&draft["language"]), drafted),
            (6, title(), "", "Item", text(&draft["code"]), drafted),
            (6, title(), "", "Version of the artwork", text(&draft["revision"]), drafted),
            (
                6,
                title(),
                "",
                "Approved specimen",
                format!("{}, kept at {}", text(&specimen["id"]), text(&specimen["place"])),
                approved,
            ),
            (
                6,
                title(),
                "",
                "Specimen approved by",
                text(&approved["by"]["name"]),
                signature(record, item, "item approved"),
            ),
            (7, title(), "", "Form", text(&draft["form"]), drafted),
            (7, title(), "", "Coding", coding.to_owned(), planned),
            (9, title(), "", "Labels on each unit", per, planned),
            (20, title(), "", "Code expected on every label", code, drafted),
        ]);
    }
    wanted
}

/// What the shipments ask.
fn of_the_deliveries(record: &Record) -> Vec<Wanted<'_>> {
    let mut wanted = Vec::new();
    for received in record.of_kind("delivery.received") {
        let stream = received["stream"].as_str().unwrap();
        let body = &received["body"];
        let title = || format!("Delivery {}", id(&received["stream"]));
        let rolls = body["rolls"].as_array().unwrap();
        let stated: i128 = rolls.iter().map(|roll| whole(&roll["stated"])).sum();
        let supplier = record.one(body["supplier"].as_str().unwrap(), "supplier.registered");
        let (examined, released) = (record.one(stream, "delivery.examined"), record.one(stream, "delivery.released"));
        let found = &examined["body"];
        wanted.extend([
            (10, title(), "", "Supplier", text(&supplier["body"]["name"]), supplier),
            (10, title(), "", "Prime maker", text(&body["maker"]), received),
            (10, title(), "", "Supplier's lot", text(&body["supplier_lot"]), received),
            (10, title(), "", "Receiving code", text(&body["receiving_code"]), received),
            (10, title(), "", "Received", text(&received["by"]["name"]), received),
            (
                10,
                title(),
                "",
                "Quantity stated",
                format!("{} labels on {} roll", number(stated), rolls.len()),
                received,
            ),
            (12, title(), "", "Sampling plan and criteria", text(&found["plan"]), examined),
            (12, title(), "", "Labels examined", number(whole(&found["sampled"])), examined),
            (12, title(), "", "Critical defects, any one rejects", number(whole(&found["critical"])), examined),
            (12, title(), "", "Major defects", number(whole(&found["major"])), examined),
            (12, title(), "", "Minor defects", number(whole(&found["minor"])), examined),
            (12, title(), "", "Result", text(&found["result"]), examined),
            (12, title(), "", "Examined by", text(&examined["by"]["name"]), examined),
            (13, title(), "", "Released", text(&released["by"]["name"]), released),
        ]);
    }
    wanted
}

/// What issue, line, destruction, limits and review ask.
fn of_the_work(record: &Record) -> Vec<Wanted<'_>> {
    let order = record.record.as_str();
    let mut wanted = Vec::new();
    for frozen in record.all(order, "order.limits_frozen") {
        let heading = if frozen["body"]["material"] == 1 { "Material line 1" } else { "Material line 2" };
        let set = frozen["body"]["limit_set"].as_str().unwrap();
        let drafted = record.one(set, "limit_set.drafted");
        let title = || "Limits and where they come from".to_owned();
        wanted.extend([
            (41, title(), heading, "Limit set", id(&frozen["body"]["limit_set"]), frozen),
            (41, title(), heading, "Fixed for this order", text(&frozen["by"]["name"]), frozen),
            (41, title(), heading, "Data behind them", text(&drafted["body"]["data"]), drafted),
        ]);
    }
    let (started, finished) = (record.one(order, "order.started"), record.one(order, "order.finished"));
    let run = || "Run on the line".to_owned();
    wanted.extend([
        (27, run(), "", "Started", text(&started["at"]), started),
        (27, run(), "", "Finished", text(&finished["at"]), finished),
    ]);
    let opened = record.of_kind("container.opened").next().unwrap();
    let container = opened["stream"].as_str().unwrap();
    let (sealed, declared) =
        (record.one(container, "container.sealed"), record.one(container, "container.destruction_declared"));
    let witness = record.one(container, "container.destroyed");
    let boxes = || "Containers and destruction".to_owned();
    wanted.extend([
        (39, boxes(), "", "Seal", text(&sealed["body"]["seal"]), sealed),
        (39, boxes(), "", "Labels destroyed", number(whole(&declared["body"]["labels"])), declared),
        (39, boxes(), "", "Method", text(&declared["body"]["method"]), declared),
        (39, boxes(), "", "Place of destruction", text(&declared["body"]["place"]), declared),
        (39, boxes(), "", "Destroyed by", text(&declared["by"]["name"]), declared),
        (39, boxes(), "", "Witness", text(&witness["by"]["name"]), witness),
    ]);
    let asked = record.of_kind("override.requested").next().unwrap();
    wanted.push((44, "Overrides".to_owned(), "", "Reason that was given", text(&asked["why"]), asked));
    let units = record.one(order, "order.units_recorded");
    let finished = number(whole(&units["body"]["units"]));
    let yields = || "Units and yield".to_owned();
    wanted.extend([
        (35, yields(), "", "Units finished", finished.clone(), units),
        (36, yields(), "", "Yield of the order", format!("{finished} of {finished} units planned = 100.00 %"), units),
    ]);
    let review = || "Signed for packaging, reviewed, decided".to_owned();
    let remark = record.all(order, "remark.made").next().unwrap();
    for (row, name, meaning) in [
        (49, "Signed for packaging", "signed for packaging"),
        (48, "Reviewed by quality", "label record reviewed"),
        (50, "Decision of quality", "label record approved"),
    ] {
        let signed = signature(record, order, meaning);
        wanted.push((row, review(), "", name, text(&signed["body"]["name"]), signed));
        wanted.push((row, review(), "", name, text(&signed["at"]), signed));
    }
    wanted.push((48, review(), "", "Review of the audit trail", text(&remark["body"]["text"]), remark));
    wanted
}

#[test]
fn each_field_that_a_record_of_label_control_must_hold_says_what_its_entry_says() {
    let (record, printed) = (order(), order().printed());
    let wanted: Vec<Wanted> =
        of_the_plan(record).into_iter().chain(of_the_deliveries(record)).chain(of_the_work(record)).collect();
    for (row, title, heading, name, said, entry) in &wanted {
        let field = printed.field(title, heading, name);
        assert!(field.value.contains(said), "row {row}, {title}, {name}: {said:?} in {field:?}");
        assert!(
            field.entries.contains(&entry["n"].as_u64().unwrap()),
            "row {row}, {title}, {name}: entry {} in {field:?}",
            n(entry)
        );
        assert!(!field.clause.is_empty(), "row {row}, {title}, {name} names no clause");
    }
}

/// Every entry of these kinds is a row of its table, with the entry's number in its last cell and these values in it.
#[test]
fn each_list_has_a_row_for_each_of_its_entries() {
    let (record, printed) = (order(), order().printed());
    let order = record.record.as_str();
    let roll = |entry: &Value| id(&entry["body"]["roll"]);
    let who = |entry: &Value| text(&entry["by"]["name"]);
    type Values<'a> = Box<dyn Fn(&Value) -> Vec<String> + 'a>;
    let lists: Vec<(u8, &str, &str, &str, &str, Values)> = vec![
        (
            22,
            "Examined before issue",
            "Each roll against the approved specimen",
            order,
            "order.roll_examined",
            Box::new(|one| {
                vec![roll(one), text(&one["body"]["specimen"]["id"]), who(one), text(&one["body"]["verdict"])]
            }),
        ),
        (
            24,
            "Received at the line",
            "Each roll scanned in at the line",
            order,
            "order.roll_received",
            Box::new(|one| vec![roll(one), who(one)]),
        ),
        (
            32,
            "Run on the line",
            "Rolls put on and changed; a validated scan stands in place of the second person",
            order,
            "order.roll_mounted",
            Box::new(|one| vec![roll(one), text(&one["body"]["device"]), who(one)]),
        ),
        (
            37,
            "Labels on the line: used, rejected, sampled, spoiled",
            "Each quantity, a count of its own",
            order,
            "order.quantity_recorded",
            Box::new(|one| {
                let mut values = vec![number(whole(&one["body"]["labels"])), who(one)];
                values.extend(one["body"]["purpose"].as_str().map(str::to_owned));
                let source = &one["body"]["source"];
                match source["how"].as_str().unwrap() {
                    "device" => values.extend([
                        text(&source["device"]),
                        number(whole(&source["start"])),
                        number(whole(&source["end"])),
                    ]),
                    _ => values.push(id(&source["hand_count"])),
                }
                values
            }),
        ),
        (
            35,
            "Units and yield",
            "Finished units",
            order,
            "order.units_recorded",
            Box::new(|one| vec![text(&one["body"]["lot"]), number(whole(&one["body"]["units"])), who(one)]),
        ),
        (
            38,
            "Given back by the line",
            "Handed over by the line, sealed and uncounted",
            order,
            "order.roll_given_back",
            Box::new(|one| vec![roll(one), text(&one["body"]["seal"]), who(one)]),
        ),
        (
            38,
            "Given back by the line",
            "Taken back by the label room",
            order,
            "order.return_taken",
            Box::new(|one| {
                let counted =
                    record.all(one["body"]["rest"].as_str().unwrap(), "roll.count_settled").next_back().unwrap();
                vec![roll(one), id(&one["body"]["rest"]), number(whole(&counted["body"]["on_roll"])), who(one)]
            }),
        ),
    ];
    for (row, title, caption, stream, kind, values) in &lists {
        let cells = printed.cells(title, "", caption);
        let entries: Vec<&Value> = record.all(stream, kind).collect();
        assert_eq!(cells.len(), entries.len(), "row {row}: {caption}");
        for (cells, entry) in cells.iter().zip(entries) {
            let named: Vec<&str> = cells.last().unwrap().split(", ").collect();
            assert!(named.contains(&n(entry).as_str()), "row {row}: {cells:?}");
            for value in values(entry) {
                assert!(cells.iter().any(|cell| cell.contains(&value)), "row {row}: {value:?} in {cells:?}");
            }
        }
    }
    // Lots with their expiry (rows 2 and 3), and the devices of the line with their calibration (row 25).
    let plan = &record.one(order, "order.planned")["body"];
    let lots = printed.cells(&format!("Plan of order {}", id(&json!(order))), "", "Lots of product");
    for lot in plan["lots"].as_array().unwrap() {
        let units = number(whole(&lot["units"]));
        assert!(lots.iter().any(|row| row[0] == lot["lot"] && row[1] == lot["expiry"] && row[2] == units), "{lots:?}");
    }
    let devices = printed.cells(&format!("Packaging line {}", id(&plan["line"])), "", "Devices");
    let registered =
        record.one(plan["line"].as_str().unwrap(), "line.registered")["body"]["devices"].as_array().unwrap();
    assert_eq!(devices.len(), registered.len());
    assert!(
        registered.iter().zip(&devices).all(|(one, row)| row[0] == one["id"] && row[1] == one["name"]),
        "{devices:?}"
    );
}

/// Rows 23, 26 and 43, 38 and 39, 46: each step that two people do names both of them.
#[test]
fn each_step_that_two_people_do_names_both() {
    let (record, printed) = (order(), order().printed());
    let steps = [
        ("issue", "Issue", "Issue", &["issued", "issue taken"][..]),
        ("clearance", "Line cleared before", "Clearance", &["cleared", "clearance checked"]),
        (
            "container",
            "Containers and destruction",
            "Container",
            &["container sealed", "destroyed", "destruction witnessed"],
        ),
        ("override", "Overrides", "Override", &["override granted"]),
        ("delivery", "Delivery", "", &["examined", "released"]),
    ];
    for (thing, title, heading, meanings) in steps {
        let streams = record.streams().into_iter().filter(|stream| stream.starts_with(&format!("{thing}/")));
        let streams: Vec<String> = streams.collect();
        assert!(!streams.is_empty(), "{thing}");
        for stream in streams {
            let id = id(&json!(stream));
            let title = match thing {
                "delivery" => format!("{title} {id}"),
                "clearance" if record.one(&stream, "clearance.performed")["body"]["when"] == "after" => {
                    "Line cleared after".to_owned()
                }
                _ => title.to_owned(),
            };
            let heading = if heading.is_empty() { String::new() } else { format!("{heading} {id}") };
            let people = printed.cells(&title, &heading, "Performed and checked");
            for meaning in meanings {
                let signed = signature(record, &stream, meaning);
                let row = people
                    .iter()
                    .find(|row| row[3] == n(signed))
                    .unwrap_or_else(|| panic!("{stream} {meaning}: {people:?}"));
                assert!(
                    row[0].ends_with(meaning) && row[1].contains(signed["body"]["name"].as_str().unwrap()),
                    "{row:?}"
                );
            }
        }
    }
    // Hand counts: who said which number.
    let counts = printed.cells("Counted by hand", "", "Counted by two people, neither knowing the other's number");
    for opened in record.of_kind("hand_count.opened") {
        let entered: Vec<&Value> = record.all(opened["stream"].as_str().unwrap(), "hand_count.entered").collect();
        let row = counts.iter().find(|row| row[0] == id(&opened["stream"])).unwrap();
        for (entry, cells) in entered.iter().zip([2, 4]) {
            assert!(row[cells].starts_with(entry["by"]["name"].as_str().unwrap()), "{row:?}");
            assert_eq!(row[cells + 1], number(whole(&entry["body"]["labels"])));
        }
    }
    // Every place of a clearance with what was found there.
    for performed in record.of_kind("clearance.performed") {
        let when = if performed["body"]["when"] == "before" { "Line cleared before" } else { "Line cleared after" };
        let cells = printed.cells(when, &format!("Clearance {}", id(&performed["stream"])), "Every place looked at");
        let places = performed["body"]["places"].as_array().unwrap();
        assert_eq!(cells.len(), places.len());
        assert!(places.iter().zip(&cells).all(|(place, row)| row[0] == place["place"] && row[1] == place["found"]));
    }
}

const ATTEMPTS: &str = "Counting runs: every attempt";
const FIGURES: &str = "What each run gave";
const FAULTS: &str = "Faults seen in the runs";

#[test]
fn each_roll_of_the_order_has_its_strip_its_runs_its_faults_and_its_challenges() {
    let (record, printed) = (order(), order().printed());
    let rolls: BTreeSet<String> = record.streams().into_iter().filter(|stream| stream.starts_with("roll/")).collect();
    let issued: BTreeSet<String> = record
        .all(&record.record, "order.issued")
        .flat_map(|entry| entry["body"]["rolls"].as_array().unwrap())
        .map(|roll| text(&roll["roll"]))
        .collect();
    assert!(issued.is_subset(&rolls) && rolls.len() == 6, "{rolls:?}");
    let mut splices = 0;
    for roll in &rolls {
        let title = format!("Roll {}", id(&json!(roll)));
        let pictures = printed.section(&title).blocks.iter().filter(|block| matches!(block, Block::Picture { .. }));
        assert_eq!(pictures.count(), 1, "{title}");
        let settled = record.all(roll, "roll.count_settled").next_back().unwrap();
        let on_roll = number(whole(&settled["body"]["on_roll"]));
        assert!(printed.value(&title, "", "Labels on the roll").starts_with(&on_roll), "{title}");
        assert_eq!(printed.value(&title, "", "Count that stands"), id(&settled["body"]["standing"]));
        let marks = settled["body"]["marks"].as_array().unwrap();
        let left = printed.cells(&title, "", "Faults left on the roll");
        assert_eq!(left.len(), marks.len(), "{title}");
        for (mark, row) in marks.iter().zip(&left) {
            assert!(row[2].contains(&number(whole(&mark["position"]))), "{row:?}");
        }
        if let Some(stated) = record.all(roll, "roll.received").next() {
            let stated = whole(&stated["body"]["stated"]);
            assert!(printed.value(&title, "", "Stated by the supplier").starts_with(&number(stated)), "{title}");
            let differ = whole(&settled["body"]["counted"]) - stated;
            let said = printed.value(&title, "", "Verified against stated");
            match differ {
                0 => assert_eq!(said, "as stated"),
                _ => assert_eq!(said, format!("{} {}", number(differ), if differ < 0 { "short" } else { "over" })),
            }
        } else {
            let parent = record.one(roll, "roll.returned");
            assert!(printed.value(&title, "", "Parent roll").starts_with(&id(&parent["body"]["parent"])), "{title}");
        }
        // Every attempt, in order, with who ran it and what came of it.
        let attempts = printed.cells(&title, "", ATTEMPTS);
        let figures = printed.cells(&title, "", FIGURES);
        let opened: Vec<&Value> = record.all(roll, "roll.count_opened").collect();
        assert_eq!((attempts.len(), figures.len()), (opened.len(), opened.len()), "{title}");
        let mut faults = 0;
        for ((opened, attempt), figure) in opened.iter().zip(&attempts).zip(&figures) {
            let count = opened["body"]["count"].as_str().unwrap();
            let closed = &record.one(count, "count.closed")["body"];
            let began = record.one(count, "count.opened");
            assert!(
                attempt[0].starts_with(&format!("{}, attempt {}", id(&json!(count)), opened["body"]["attempt"])),
                "{attempt:?}"
            );
            assert!(attempt[3].starts_with(began["by"]["name"].as_str().unwrap()), "{attempt:?}");
            assert_eq!(attempt[2], id(&began["body"]["station"]));
            let numbers = ["labels", "machine_total", "labels_seen"].map(|name| number(whole(&closed[name])));
            assert_eq!(figure[1..4], numbers, "{figure:?}");
            let plugin = printed.said(&title);
            assert!(plugin.contains(began["body"]["plugin"].as_str().unwrap()), "{title}: the digest of the plugin");
            // Each fault with its own entry and that of its disposition.
            for seen in record.all(count, "count.fault_seen") {
                faults += 1;
                let row = printed
                    .cells(&title, "", FAULTS)
                    .into_iter()
                    .find(|row| row[6].split(", ").any(|one| one == n(seen)));
                let row = row.unwrap_or_else(|| panic!("{title}: {seen}"));
                assert!(row[1].contains(&number(whole(&seen["body"]["ordinal"]))), "{row:?}");
                assert_eq!(row[4], "left on the roll and mapped");
                splices += usize::from(seen["body"]["fault"] == "splice");
            }
        }
        assert_eq!(printed.cells(&title, "", FAULTS).len(), faults, "{title}");
        for row in printed.cells(&title, "", "Splices: the code on both sides") {
            splices -= 1;
            assert!(row[2].contains("as expected") && row[3].contains("as expected"), "{row:?}");
        }
        // The roll's way, place by place.
        let moved =
            record.entries.iter().filter(|entry| entry["stream"] == **roll && entry["body"]["place"].is_string());
        assert_eq!(printed.cells(&title, "", "Where it was kept").len(), moved.count(), "{title}");
    }
    assert_eq!(splices, 0, "each splice that was seen has a row with both its sides");
    // Each count of a roll lies between two challenges that are told with their runs, and what failing would undo.
    let title = "Challenges of the counting table T-01";
    let between = printed.cells(title, "", "Counts between two challenges");
    for counted in record.of_kind("roll.counted") {
        let count = id(&counted["body"]["count"]);
        let bracket = &counted["body"]["bracket"];
        let row = between.iter().find(|row| row[1].contains(&count)).unwrap_or_else(|| panic!("{count}: {between:?}"));
        assert!(row[3].contains(&id(&counted["stream"])), "{row:?}");
        let after =
            record.of_kind("station.challenge_passed").find(|entry| entry["body"]["bracket"] == *bracket).unwrap();
        assert_eq!(row[2], format!("passed (entry {})", n(after)));
        let heading = format!("Challenge of entry {}", n(after));
        let certified = number(whole(&after["body"]["certified"]));
        assert_eq!(printed.value(title, &heading, "Certified labels"), format!("{certified} labels"));
        let runs = printed.cells(title, &heading, "Its runs");
        let expected = after["body"]["runs"].as_array().unwrap();
        assert_eq!(runs.len(), expected.len());
        for (run, row) in expected.iter().zip(&runs) {
            assert_eq!((row[0], row[2]), (id(&run["count"]).as_str(), number(whole(&run["labels"])).as_str()));
            assert_eq!(row[3], "as certified");
        }
    }
}

#[test]
fn what_is_not_kept_is_said_with_its_clause() {
    let printed = order().printed();
    let rows = printed.cells("Not kept by this system yet", "", "Keep it elsewhere");
    for (field, clause) in [
        ("imprint", "21 CFR 211.122(h)"),
        ("In-process checks", "21 CFR 211.134(a)"),
        ("Specimens and pictures", "21 CFR 211.188(b)(8)"),
        ("Retention date", "21 CFR 211.180"),
        ("waiver", "21 CFR 211.125(c)"),
    ] {
        let row = rows.iter().find(|row| row[0].contains(field)).unwrap_or_else(|| panic!("{field}: {rows:?}"));
        assert!(row[1].contains(clause), "{row:?}");
    }
    // Labels that come cut are none here: their control is not asked for.
    assert!(rows.iter().all(|row| !row[0].contains("cut labels")), "{rows:?}");
}

#[test]
fn every_stream_of_a_record_has_its_paper_and_the_same_entries_give_the_same() {
    for record in demo().values() {
        // Of things that are many and alike, one in eight.
        let many = |stream: &str| stream.starts_with("count/") || stream.starts_with("account/");
        let (many, few): (Vec<String>, Vec<String>) = record.streams().into_iter().partition(|one| many(one));
        for stream in few.into_iter().chain(many.into_iter().step_by(8)) {
            let printed = Printed::of(&stream, &record.bytes, &record.note);
            let (thing, id) = stream.split_once('/').unwrap();
            let title = match thing {
                "order" => format!("Plan of order {id}"),
                "item" => format!("Label {id}"),
                "limit_set" => format!("Limits {id}"),
                "line" => format!("Packaging line {id}"),
                "station" => format!("Counting table {id}"),
                "test_roll" => format!("Test roll {id}"),
                "hand_count" => format!("Hand count {id}"),
                "reconciliation" => format!("Account {id}"),
                // The steps of the book and of a session are their entries; a deviation has its own part.
                "book" | "session" | "deviation" => continue,
                other => format!("{}{} {id}", other[..1].to_uppercase(), &other[1..]),
            };
            assert!(printed.find(&title).is_some(), "{stream} has no section {title:?}");
        }
        let again = paper_of(&record.record, &record.bytes, &record.note);
        assert_eq!(again, paper_of(&record.record, &record.bytes, &record.note));
    }
}

#[test]
fn a_record_at_any_time_of_the_work_says_what_is_not_done_yet() {
    let record = order();
    let planned = record.one(&record.record, "order.planned")["n"].as_u64().unwrap();
    let upto =
        |n: u64| record.bytes.iter().filter(|(at, _)| **at <= n).map(|(at, bytes)| (*at, bytes.clone())).collect();
    let said = |n: u64, title: &str, what: &str| {
        let printed = Printed::of(&record.record, &upto(n), &record.note);
        assert!(printed.said(title).contains(what), "{title} up to entry {n}: {}", printed.said(title));
    };
    // Every moment at which something of the order happens, and some between.
    let own = record.entries.iter().filter(|entry| entry["stream"] == record.record.as_str());
    let own: Vec<u64> = own.map(|entry| entry["n"].as_u64().unwrap()).collect();
    for n in own.iter().copied().step_by(3).chain((planned..*own.last().unwrap()).step_by(41)) {
        Printed::of(&record.record, &upto(n), &record.note);
    }
    said(planned, "Limits and where they come from", "not done yet");
    said(planned, "Examined before issue", "not done yet");
    said(planned, "Issue", "not done yet");
    said(planned, "Line cleared before", "not done yet");
    said(planned, "Run on the line", "not done yet");
    said(planned, "Units and yield", "not done yet");
    said(planned, "Reconciliation", "No account of it is made yet.");
    said(planned, "Signed for packaging, reviewed, decided", "not done yet");
    let cleared = record.of_kind("clearance.performed").next().unwrap()["n"].as_u64().unwrap();
    said(cleared, "Line cleared before", "a second person has not checked it");
    let given = record.of_kind("issue.given").next().unwrap()["n"].as_u64().unwrap();
    said(given, "Issue", "given, not taken over yet");
    let computed = record.of_kind("reconciliation.computed").next().unwrap()["n"].as_u64().unwrap();
    said(computed + 1, "Reconciliation", "No second person has checked it yet.");
    // One number of a hand count is not told before the other is there.
    let entered = record.of_kind("hand_count.entered").next().unwrap();
    said(entered["n"].as_u64().unwrap(), "Counted by hand", "told when both have counted");
    // A roll's record before any count, and while the first one runs.
    for kind in ["roll.received", "roll.count_opened", "roll.count_ended", "roll.counted"] {
        let entry = record.of_kind(kind).next().unwrap();
        let printed = Printed::of(entry["stream"].as_str().unwrap(), &upto(entry["n"].as_u64().unwrap()), &record.note);
        let title = format!("Roll {}", id(&entry["stream"]));
        assert!(printed.said(&title).contains("No count of it has stood yet"), "{kind}");
    }
}

#[test]
fn a_stream_that_a_record_does_not_hold_is_said_to_be_missing() {
    let record = order();
    for (without, title) in [
        ("limit_set/", "Limits and where they come from"),
        ("item/", "Label of material line 1"),
        ("test_roll/", "Challenges of the counting table T-01"),
        ("supplier/", "Delivery DL-0001"),
        ("line/", "Packaging line LN-01"),
    ] {
        let kept = record.entries.iter().filter(|entry| !text(&entry["stream"]).starts_with(without));
        let kept: BTreeSet<u64> = kept.map(|entry| entry["n"].as_u64().unwrap()).collect();
        let bytes =
            record.bytes.iter().filter(|(at, _)| kept.contains(at)).map(|(at, bytes)| (*at, bytes.clone())).collect();
        let printed = Printed::of(&record.record, &bytes, &record.note);
        assert!(printed.said(title).contains("not in this record"), "without {without}: {}", printed.said(title));
    }
}

#[test]
fn an_account_over_its_limits_one_that_no_longer_stands_and_one_that_waits_are_told_apart() {
    let plant = Plant::handed_back();
    plant.take_back_and_count("T-2", 46);
    plant.record_quantities(245);
    let record = Record::taken(&plant, &format!("order/{ORDER}"));
    let printed = record.printed();
    for material in [1, 2] {
        let waits = printed.blocks("Reconciliation", &format!("Material line {material}"));
        assert!(serde_json::to_string(waits).unwrap().contains("No account of it is made yet."));
    }

    // 245 on good units are five more than there were labels: 305 of 300 issued. They carry a lot, so one is too many.
    let made = plant.reconciled(ORDER, 1);
    assert_eq!(made["computed"]["balance"], "outside");
    let record = Record::taken(&plant, &format!("order/{ORDER}"));
    let printed = record.printed();
    account_must_hold(&record, &printed, 1);
    assert_eq!(reckoned(&record, 1), [300, 245, 3, 2, 5, 4, 46]);
    let heading = "Material line 1: account RC-000001";
    let verdict = printed.field("Reconciliation", heading, "Verdict on the balance");
    assert_eq!((verdict.value.as_str(), verdict.tone), ("outside its limits: a deviation", Tone::Grave));
    assert_eq!(printed.value("Reconciliation", heading, "Unaccounted for"), "5 over of 300 labels issued");
    let opened = id(&record.of_kind("reconciliation.computed").next().unwrap()["body"]["deviation"]);
    assert_eq!(printed.value("Reconciliation", heading, "Deviation that it opened"), opened);

    // The reading was wrong: withdrawn with a reason, recorded anew, reckoned anew. What was said before stays on the paper.
    let line = plant.who("line");
    let why = "the camera was read a carton too late";
    line.act("withdraw_quantity", &json!({ "order": ORDER, "quantity": 1, "why": why })).good();
    plant.quantity(ORDER, 1, "good", device(VERIFIER, 0, 240)).good();
    let mistyped = json!({ "order": ORDER, "lot": LOT, "source": device(UNIT_COUNTER, 240, 444) });
    let recorded = line.act("record_units", &mistyped).good();
    let number = recorded["entries"][0]["n"].as_u64().unwrap();
    let record = Record::taken(&plant, &format!("order/{ORDER}"));
    let printed = record.printed();
    let units = record.entries.iter().find(|entry| entry["n"] == number).unwrap();
    let wrong = json!({ "order": ORDER, "quantity": units["body"]["quantity"], "why": "typed twice" });
    line.act("withdraw_quantity", &wrong).good();
    assert!(
        printed.said("Reconciliation").contains("This account no longer stands"),
        "{}",
        printed.said("Reconciliation")
    );

    plant.reconciled(ORDER, 1);
    plant.reconciled(ORDER, 2);
    let record = Record::taken(&plant, &format!("order/{ORDER}"));
    let printed = record.printed();
    for material in [1, 2] {
        account_must_hold(&record, &printed, material);
    }
    assert_eq!(reckoned(&record, 1), [300, 240, 3, 2, 5, 4, 46]);
    let heading = "Material line 1: account RC-000002";
    assert_eq!(printed.field("Reconciliation", heading, "Verdict on the balance").tone, Tone::Good);
    assert_eq!(printed.field("Reconciliation", heading, "Verdict on the balance").value, "within its limits");
    let old = printed.cells("Reconciliation", "Material line 1: account RC-000001", TERMS);
    assert_eq!((old[1][1], old[7][1]), ("245", "5 over"));
    let title = "Labels on the line: used, rejected, sampled, spoiled";
    let rows = printed.rows(title, "", "Each quantity, a count of its own");
    let struck: Vec<&&Row> = rows.iter().filter(|row| row.tone == Tone::Former).collect();
    let [struck] = struck.as_slice() else { panic!("{rows:?}") };
    assert!(
        struck.cells[3] == "245" && struck.cells[4].contains("WITHDRAWN by") && struck.cells[4].contains(why),
        "{struck:?}"
    );
    let units = printed.rows("Units and yield", "", "Finished units");
    assert_eq!(units.iter().map(|row| row.tone).collect::<Vec<_>>(), [Tone::Plain, Tone::Former]);
    assert!(printed.value("Units and yield", "", "Units finished").starts_with("240 "));
    // Both corrections stand in their place as well, with what was there before and why it was put right.
    let corrections = printed.section("Units and yield").blocks.iter().filter_map(|block| match block {
        Block::Correction(finding) => Some((finding.change.clone().unwrap().0, finding.why.clone().unwrap())),
        _ => None,
    });
    let corrections: Vec<(String, String)> = corrections.collect();
    assert_eq!(corrections.iter().map(|(_, why)| why.as_str()).collect::<Vec<_>>(), [why, "typed twice"]);
    assert!(corrections[0].0.starts_with("245 labels") && corrections[1].0.starts_with("204 units"), "{corrections:?}");
    plant.end();
}

#[test]
fn attempts_that_do_not_count_and_a_challenge_that_fails_are_on_the_rolls_paper() {
    let plant = Plant::ready();
    let operator = plant.who("label_room");
    let given_up = plant.open_count("roll/R-1", "incoming", Direction::Forward);
    let why = "the wrong roll was on the table";
    operator.act("abort_count", &json!({ "count": given_up, "why": why })).good();
    let broken = plant.open_count("roll/R-1", "incoming", Direction::Forward);
    operator.act("interrupt_count", &json!({ "count": broken, "cause": "the web tore" })).good();
    let roll = || Roll::plain(500, Some(CODE)).with(120, SimFaultKind::Splice);
    let first = plant.signed_run("roll/R-1", "incoming", &RollRun::new(roll()));
    let second =
        plant.signed_run("roll/R-1", "incoming", &RollRun { direction: Direction::Rewind, ..RollRun::new(roll()) });
    let before = Record::taken(&plant, "roll/R-1").printed();
    let title = "Challenges of the counting table T-1";
    let waits = before.cells(title, "", "Counts between two challenges");
    assert_eq!(waits[0][2], "none yet");
    assert!(waits[0][3].contains("at risk") && waits[0][3].contains("R-1"), "{waits:?}");

    // The closing challenge counts two labels too few.
    assert_eq!(plant.challenge_with("end", &Roll::plain(995, Some(CODE))), "station.challenge_failed");
    let record = Record::taken(&plant, "roll/R-1");
    let printed = record.printed();
    let attempts = printed.cells("Roll R-1", "", ATTEMPTS);
    let runs: Vec<&str> = attempts.iter().map(|row| row[0].split(',').next().unwrap()).collect();
    assert_eq!(runs, [&given_up, &broken, &first, &second]);
    assert_eq!(attempts[0][5], format!("given up; reason: {why}"));
    assert_eq!(attempts[1][5], "interrupted: the web tore");
    let figures = printed.cells("Roll R-1", "", FIGURES);
    assert_eq!(figures[0][1], "not closed");
    assert_eq!((figures[2][1], figures[2][6]), ("500", "the closing challenge failed"));
    assert_eq!(printed.value("Roll R-1", "", "Verified count"), "no count stands");
    let between = printed.cells(title, "", "Counts between two challenges");
    assert!(
        between[0][2].starts_with("FAILED") && between[0][3].contains("none of these counts stands"),
        "{between:?}"
    );
    let failed = record.of_kind("station.challenge_failed").next().unwrap();
    let heading = format!("Challenge of entry {}: failed", n(failed));
    let findings = printed.value(title, &heading, "What was wrong");
    assert!(failed["body"]["findings"].as_array().unwrap().iter().all(|one| findings.contains(one.as_str().unwrap())));
    let holds = printed.cells("Holds", "", "");
    assert!(holds.iter().any(|row| row[0] == "roll R-1" && row[1] == "put on hold"), "{holds:?}");
    plant.end();
}
