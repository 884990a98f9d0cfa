use tallyseal_schema::Body;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::{DeviationRule, Severity};

use crate::testing::{Plant, auditor, id, line, reviewer, room, system};
use crate::{Command, Key, State};

fn open(about: &[&str], text: &str) -> Command {
    Command::OpenDeviation {
        about: about.iter().map(|stream| id(stream)).collect(),
        severity: Severity::Major,
        text: text.to_owned(),
    }
}

fn remark(record: &str) -> Command {
    Command::Remark { record: id(record), text: "the core is dented".to_owned() }
}

#[test]
fn anybody_who_works_with_labels_opens_a_deviation_about_what_there_is() {
    let mut plant = Plant::ready();
    // Everything that it is about names it, each once.
    plant.makes(
        &line(),
        open(&["station/ST-1", "roll/R-1", "roll/R-1"], "a torn edge"),
        &["deviation.opened DV-000001", "record.questioned R-1", "record.questioned ST-1"],
    );
    plant.makes(
        &room(),
        open(&["account/U-0003"], "signed for a colleague"),
        &["deviation.opened DV-000002", "record.questioned U-0003"],
    );
    let Body::DeviationOpened(body) = &plant.last("deviation.opened").body else { panic!() };
    assert_eq!((body.rule, body.severity), (DeviationRule::Person, Severity::Major));
    plant.refuses(&room(), open(&["roll/R-1", "roll/R-99"], "a torn edge"), "no-such-roll");
    plant.refuses(&room(), open(&["order/O-1"], "a torn edge"), "no-such-order");
    plant.refuses(&room(), open(&["roll/R-1"], " "), "empty");
    plant.refuses(&auditor(), open(&["roll/R-1"], "a torn edge"), "wrong-role");
}

#[test]
fn a_deviation_is_about_one_to_two_hundred_things() {
    let mut plant = Plant::ready();
    let about = |number: usize| open(&vec!["roll/R-1"; number], "a torn edge");
    plant.refuses(&room(), about(0), "about-nothing");
    plant.refuses(&room(), about(201), "about-nothing");
    plant.did(&room(), about(200));
    plant.did(&room(), about(1));
}

#[test]
fn a_deviation_is_found_by_everything_that_it_is_about() {
    let mut plant = Plant::ready();
    plant.did(&room(), open(&["roll/R-1", "station/ST-1"], "a torn edge"));
    let record = plant.record("deviation/DV-000001");
    let State::Deviation(state) = &record.state else { panic!() };
    assert_eq!(state.about.len(), 2);
    let keys = record.keys(&id("deviation/DV-000001"));
    for about in ["roll/R-1", "station/ST-1"] {
        assert!(keys.contains(&Key::new("deviation.about", id::<Stream>(about))), "{about}");
    }
    assert!(keys.contains(&Key::new("deviation.open", "yes")));
    assert!(keys.is_sorted());
}

#[test]
fn anybody_who_works_with_labels_remarks_on_anything_and_voids_nothing() {
    let mut plant = Plant::ready();
    for record in ["roll/R-1", "station/ST-1", "delivery/D-1", "count/C-000001", "account/U-0001", "session/S-U-0003"] {
        plant.makes(&line(), remark(record), &[&format!("remark.made {}", id::<Stream>(record).id())]);
    }
    assert!(plant.record("delivery/D-1").facts.signed("released"));
    plant.refuses(&room(), remark("roll/R-99"), "no-such-roll");
    plant.refuses(&auditor(), remark("roll/R-1"), "wrong-role");
    plant.refuses(&system(), remark("roll/R-1"), "not-for-this-actor");
}

#[test]
fn an_export_is_noted_in_the_record_that_was_taken() {
    let mut plant = Plant::ready();
    let note = |record: &str, streams: usize| Command::NoteExport {
        record: id(record),
        manifest: tallyseal_schema::Hash::of(b"manifest"),
        pdf: None,
        streams: (0..streams).map(|number| (id(&format!("count/C-{number:030}")), 1_u64 << 50)).collect(),
    };
    plant.makes(&auditor(), note("delivery/D-1", 1), &["record.exported D-1"]);
    plant.did(&reviewer(), note("delivery/D-1", 3_000));
    plant.refuses(&reviewer(), note("delivery/D-1", 3_001), "export-too-large");
    plant.refuses(&reviewer(), note("delivery/D-99", 1), "no-such-delivery");
    assert!(plant.record("delivery/D-1").facts.signed("released"));
}
