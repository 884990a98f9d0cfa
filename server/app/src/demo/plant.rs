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

/// A year from now. Unit: the record's time.
fn next_year() -> String {
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

    for (delivery, lot, rolls) in
        [("DL-0001", "PW-77120", ROLLS.as_slice()), ("DL-0002", "PW-77121", OTHER_ROLLS.as_slice())]
    {
        let stated: Vec<_> = rolls.iter().map(|(roll, stated)| json!({ "roll": roll, "stated": stated })).collect();
        let received = json!({
            "delivery": delivery, "item": ITEM, "supplier": "SU-01", "supplier_lot": lot, "maker": "Printwerk (invented)",
            "receiving_code": format!("RC-{lot}"), "condition": "boxes sound, papers complete", "place": "quarantine cage",
            "rolls": stated,
        });
        operator.act(desk, "receive_delivery", received).await?;
        let opened: Vec<_> = rolls.iter().map(|(roll, _)| *roll).collect();
        let examined = json!({
            "delivery": delivery, "plan": "first and last metre of each roll, accept on zero", "reached": "unwound by hand",
            "rolls": opened, "sampled": 40 * rolls.len(), "critical": 0, "major": 0, "minor": 0,
            "specimen": { "id": format!("SP-{delivery}"), "place": "specimen file, cabinet 2" }, "result": "accept",
        });
        examiner.sign(desk, "examine_delivery", examined).await?;
        reviewer.sign(desk, "release_delivery", json!({ "delivery": delivery })).await?;
        say::line(format_args!(
            "Delivery {delivery}: {} rolls received, examined by {}, released by {}.",
            rolls.len(),
            examiner.seat.name,
            reviewer.seat.name
        ))?;
    }
    Ok(())
}
