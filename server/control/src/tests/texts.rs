use tallyseal_schema::kinds::ExaminationResult;

use crate::testing::{CODED, Plant, examine, examiner, id, item_draft, receive, room, specimen, supervisor};
use crate::text::{CODE_MAX, LINE_MAX, TEXT_MAX};
use crate::{Command, RefusalKind};

fn remark(text: &str) -> Command {
    Command::Remark { record: id("account/U-0003"), text: text.to_owned() }
}

fn supplier(name: &str) -> Command {
    Command::RegisterSupplier { supplier: id("SU-9"), name: name.to_owned(), site: "Hall 1".to_owned() }
}

#[test]
fn a_text_says_something() {
    let mut plant = Plant::peopled();
    for nothing in ["", " ", "\n", "-", "..."] {
        plant.refuses(&room(), remark(nothing), "empty");
        plant.refuses(&supervisor(), supplier(nothing), "empty");
    }
    plant.did(&room(), remark(" é "));
    assert!(plant.log.last().is_some_and(|entry| format!("{:?}", entry.body).contains("\"é\"")));
}

#[test]
fn a_text_is_as_long_as_it_may_be_and_no_longer() {
    let mut plant = Plant::peopled();
    plant.refuses(&room(), remark(&"a".repeat(TEXT_MAX + 1)), "too-long");
    plant.did(&room(), remark(&"a".repeat(TEXT_MAX)));
    plant.refuses(&supervisor(), supplier(&"a".repeat(LINE_MAX + 1)), "too-long");
    plant.did(&supervisor(), supplier(&"a".repeat(LINE_MAX)));
    let code = |length: usize| {
        let mut draft = item_draft("L-300", "A");
        draft.expected_code.as_mut().unwrap().text = "1".repeat(length);
        Command::DraftItem { item: id("L-300-A"), draft: Box::new(draft) }
    };
    plant.refuses(&supervisor(), code(CODE_MAX + 1), "too-long");
    plant.did(&supervisor(), code(CODE_MAX));
}

#[test]
fn a_text_may_have_lines_and_a_name_may_not() {
    let mut plant = Plant::peopled();
    plant.did(&room(), remark("one\ntwo\tthree"));
    plant.refuses(&supervisor(), supplier("one\ntwo"), "control-characters");
    plant.refuses(&room(), remark("one\u{7}"), "control-characters");
}

#[test]
fn what_nobody_can_see_is_refused() {
    let mut plant = Plant::peopled();
    // A name that reads "Print Werk" backwards, or the same as another and is not.
    for hidden in [
        "\u{202E}kreW",
        "Print\u{2028}werk",
        "Print\u{2029}werk",
        "Print\u{AD}werk",
        "\u{61C}Printwerk",
        "Print\u{180E}werk",
        "Print\u{3164}werk",
        "Print\u{E0041}werk",
        "Print\u{FE0F}werk",
        "Print\u{115F}werk",
        "Print\u{1160}werk",
        "Print\u{FFA0}werk",
        "Print\u{200B}werk",
        "\u{FEFF}Printwerk",
        "Print\u{2066}werk",
    ] {
        plant.refuses(&supervisor(), supplier(hidden), "control-characters");
    }
    plant.did(&supervisor(), supplier("Žluťoučký کتاب\u{200C}ها"));
}

#[test]
fn what_makes_no_sense_is_said_to_be_that_and_not_forbidden() {
    let mut plant = Plant::furnished();
    let refusal = plant.act(&room(), receive("D-1", CODED, &[])).unwrap_err();
    assert_eq!(refusal.kind, RefusalKind::Invalid);
    plant.did(&room(), receive("D-1", CODED, &[("R-1", 100)]));
    let Command::ExamineDelivery { delivery, reached, rolls, sampled, critical, major, minor, result, .. } =
        examine("D-1", &["R-1"], ExaminationResult::Accept)
    else {
        unreachable!()
    };
    let command = Command::ExamineDelivery {
        delivery,
        plan: String::new(),
        reached,
        rolls,
        sampled,
        critical,
        major,
        minor,
        specimen: specimen(),
        result,
    };
    let refusal = plant.act(&examiner(), command).unwrap_err();
    assert_eq!((refusal.kind, refusal.text.as_str()), (RefusalKind::Invalid, "\"plan\" is empty."));
}

#[test]
fn a_reason_has_three_letters_or_digits() {
    let mut plant = Plant::peopled();
    let disable = |why: &str| Command::DisableAccount { account: id("U-0003"), why: why.to_owned() };
    plant.refuses(&crate::testing::admin(), disable("a-b."), "no-reason");
    plant.did(&crate::testing::admin(), disable("a-b 3"));
}
