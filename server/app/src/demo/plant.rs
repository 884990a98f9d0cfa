//! What stands in the invented plant before the shift: a supplier, an item, a plugin, a station, test rolls, deliveries.

use serde_json::json;
use tallyseal_machines::table::TableHandle;
use tallyseal_schema::kinds::Role;

use super::people::People;
use super::plugin;
use crate::cli::CannotRun;
use crate::clock;
use crate::desk::Desk;
use crate::randomness;
use crate::say;

/// What every good label carries: a GTIN with the prefix that GS1 keeps for examples.
pub(super) const CODE: &str = "0109521234567899";
/// What a label of the other strength carries.
pub(super) const OTHER_CODE: &str = "0109521234567882";
/// The item revision.
pub(super) const ITEM: &str = "L-1001-03";
/// The counting table.
pub(super) const STATION: &str = "T-01";
/// Labels on the certified test roll: odd, so that nobody counts towards it by chance.
pub(super) const CERTIFIED: u32 = 997;
/// The certified test roll.
pub(super) const TEST_ROLL: &str = "TR-01";

/// Rolls of the first delivery, and what the supplier states.
pub(super) const ROLLS: [(&str, u32); 3] = [("R-000101", 2_500), ("R-000102", 2_500), ("R-000103", 2_500)];
/// Rolls of the second.
pub(super) const OTHER_ROLLS: [(&str, u32); 2] = [("R-000201", 2_000), ("R-000202", 2_000)];

/// The shipper label: no code on it, one for 24 units.
pub(super) const SHIPPER_ITEM: &str = "L-2001-01";
/// Its only roll, and what the supplier states.
pub(super) const SHIPPER_ROLL: &str = "R-000301";
/// Labels on it.
pub(super) const SHIPPER_LABELS: u32 = 400;
/// The packaging line.
pub(super) const LINE: &str = "LN-01";
/// The packaging order.
pub(super) const ORDER: &str = "PO-260001";
/// Rolls of the first delivery in the order in which they are issued.
pub(super) const ORDER_ROLLS: [&str; 3] = ["R-000101", "R-000102", "R-000103"];

/// A year from now. Unit: the record's time.
pub(super) fn next_year() -> String {
    clock::now().plus_micros(365 * 24 * 3_600 * 1_000_000).to_string()
}

pub(super) async fn set_up(desk: &Desk, people: &People, table: &TableHandle) -> Result<(), CannotRun> {
    let People { supervisor, reviewer, operator, examiner, .. } = people;
    supervisor
        .act(
            desk,
            "register_supplier",
            json!({ "supplier": "SU-01", "name": "Printwerk (invented)", "site": "Hall 2, printing.example" }),
        )
        .await?;
    let draft = json!({
        "code": "L-1001", "revision": "03", "product": "Demonstrol (invented)", "strength": "50 mg", "market": "XX",
        "language": "en", "expected_code": { "symbology": "GS1 DataMatrix", "text": CODE }, "form": "roll",
        "lanes": 1, "pitch_um": 53_000, "width_um": 80_000, "web_thickness_um": 145, "unwind": "outside_left_first",
        "counts": "two_agree", "relies_on": ["missing", "splice", "unread", "wrong_code"],
        "faults_max": 20, "splices_max": 3, "use_by_days": 730,
    });
    supervisor.act(desk, "draft_item", json!({ "item": ITEM, "draft": draft })).await?;
    let specimen = json!({ "id": "SP-1001-03", "place": "specimen file, cabinet 1" });
    reviewer.sign(desk, "approve_item", json!({ "item": ITEM, "specimen": specimen })).await?;
    reviewer.sign(desk, "approve_supplier", json!({ "supplier": "SU-01", "item": ITEM })).await?;
    say::line(format_args!(
        "Item {ITEM} drafted by {}, approved by {}: nobody approves their own work.",
        supervisor.seat.name, reviewer.seat.name
    ))?;

    let shipper = json!({
        "code": "L-2001", "revision": "01", "product": "Demonstrol (invented)", "strength": "50 mg", "market": "XX",
        "language": "en", "form": "roll", "lanes": 1, "pitch_um": 153_000, "width_um": 105_000, "web_thickness_um": 145,
        "unwind": "outside_left_first", "counts": "one", "relies_on": ["missing", "splice"], "faults_max": 20,
        "splices_max": 3,
    });
    supervisor.act(desk, "draft_item", json!({ "item": SHIPPER_ITEM, "draft": shipper })).await?;
    let specimen = json!({ "id": "SP-2001-01", "place": "specimen file, cabinet 1" });
    reviewer.sign(desk, "approve_item", json!({ "item": SHIPPER_ITEM, "specimen": specimen })).await?;
    reviewer.sign(desk, "approve_supplier", json!({ "supplier": "SU-01", "item": SHIPPER_ITEM })).await?;
    packaging(desk, people).await?;

    let loaded = desk.draft_plugin(&supervisor.seat, randomness::act()?, Role::Supervisor, plugin::files()).await?;
    let plugin = loaded.entries.first().map(|(_, stream, _)| stream.id().to_string()).unwrap_or_default();
    reviewer.sign(desk, "approve_plugin", json!({ "plugin": plugin })).await?;
    let station = json!({
        "station": STATION, "name": "Counting table 1 (simulated)", "place": "label room", "rated_labels_per_min": 1_200,
        "challenge_interval_min": 480, "link": { "kind": "tcp-out", "address": table.address().to_string() },
    });
    supervisor.act(desk, "register_station", station).await?;
    let basis =
        json!({ "station": STATION, "basis": "qualification report QR-01 (invented)", "valid_until": next_year() });
    reviewer.sign(desk, "qualify_station", basis).await?;
    supervisor.act(desk, "bind_plugin", json!({ "station": STATION, "plugin": plugin })).await?;
    let certificate = json!({
        "test_roll": TEST_ROLL, "certificate": "CE-2026-01 (invented)", "certified": CERTIFIED, "code": CODE,
        "expires": next_year(), "faults": { "missing": 2, "splice": 1, "unread": 2, "wrong_code": 1 },
    });
    supervisor.act(desk, "register_test_roll", certificate).await?;
    reviewer.sign(desk, "certify_test_roll", json!({ "test_roll": TEST_ROLL })).await?;
    table.wait_connected(true).await?;
    say::line(format_args!("Station {STATION}: plugin ticket-line, link to {} is up.", table.address()))?;

    let shipper = [(SHIPPER_ROLL, SHIPPER_LABELS)];
    for (delivery, lot, item, rolls) in [
        ("DL-0001", "PW-77120", ITEM, ROLLS.as_slice()),
        ("DL-0002", "PW-77121", ITEM, OTHER_ROLLS.as_slice()),
        ("DL-0003", "PW-77208", SHIPPER_ITEM, shipper.as_slice()),
    ] {
        deliver(desk, people, (delivery, lot, item), rolls).await?;
    }
    say::line(format_args!(
        "Deliveries DL-0001, DL-0002, DL-0003 received by {}, examined by {}, released by {}.",
        operator.seat.name, examiner.seat.name, reviewer.seat.name
    ))
}

/// A delivery of one item, received, examined and released.
pub(super) async fn deliver(
    desk: &Desk,
    people: &People,
    (delivery, lot, item): (&str, &str, &str),
    rolls: &[(&str, u32)],
) -> Result<(), CannotRun> {
    let stated: Vec<_> = rolls.iter().map(|(roll, stated)| json!({ "roll": roll, "stated": stated })).collect();
    let received = json!({
        "delivery": delivery, "item": item, "supplier": "SU-01", "supplier_lot": lot, "maker": "Printwerk (invented)",
        "receiving_code": format!("RC-{lot}"), "condition": "boxes sound, papers complete", "place": "quarantine cage",
        "rolls": stated,
    });
    people.operator.act(desk, "receive_delivery", received).await?;
    let opened: Vec<_> = rolls.iter().map(|(roll, _)| *roll).collect();
    let examined = json!({
        "delivery": delivery, "plan": "first and last metre of each roll, accept on zero", "reached": "unwound by hand",
        "rolls": opened, "sampled": 40 * rolls.len(), "critical": 0, "major": 0, "minor": 0,
        "specimen": { "id": format!("SP-{delivery}"), "place": "specimen file, cabinet 2" }, "result": "accept",
    });
    people.examiner.sign(desk, "examine_delivery", examined).await?;
    people.reviewer.sign(desk, "release_delivery", json!({ "delivery": delivery })).await?;
    Ok(())
}

/// The packaging line with its devices, and limits for both labels.
async fn packaging(desk: &Desk, people: &People) -> Result<(), CannotRun> {
    let device = |id: &str, kind: &str, name: &str| json!({ "id": id, "kind": kind, "name": name, "digits": 6, "calibration_due": next_year() });
    let line = json!({
        "line": LINE, "name": "Line 1 (invented)", "place": "hall 1",
        "devices": [
            device("DP-01", "dispenser", "labeller"), device("DP-02", "dispenser", "shipper labeller"),
            device("PR-01", "printer", "printer on the labeller"), device("VF-01", "verifier", "camera, good"),
            device("VF-02", "verifier", "camera, rejected"), device("UC-01", "unit_counter", "counter before the packer"),
        ],
    });
    people.supervisor.act(desk, "register_line", line).await?;
    let limit = |labels: u32, num: u32| json!({ "labels": labels, "ratio": { "num": num, "den": 1_000 } });
    for (limit_set, code, short) in [("LS-01", "L-1001", limit(10, 2)), ("LS-02", "L-2001", limit(2, 10))] {
        let draft = json!({
            "item_code": code, "basis": "provisional", "data": "no order of this label has run yet (invented)",
            "uncertainty": 1,
            "limits": { "short": short, "over": limit(1, 1), "product_short": limit(1, 1), "product_over": short },
        });
        people.supervisor.act(desk, "draft_limits", json!({ "limit_set": limit_set, "draft": draft })).await?;
        people.reviewer.sign(desk, "approve_limits", json!({ "limit_set": limit_set })).await?;
    }
    Ok(())
}
