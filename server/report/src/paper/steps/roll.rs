//! One roll: what was stated, what was counted by which rule, every attempt, its faults and where they lie, where it was.

use tallyseal_control::RollState;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::{Body, Entry};

use super::super::{Field, Gathered, Section, Tone};
use super::make::{Hand, NOT_HERE, Step, Table, cells, col, field, maybe, num, wide};
use super::read::{by, n};
use super::runs;
use crate::{mark, strip, words};

pub(super) fn section(g: &Gathered, roll: &Stream) -> Section {
    let mut step =
        Step::new(g, format!("Roll {}", roll.id()), "21 CFR 211.125(c); 21 CFR 211.184(a); 21 CFR 211.68(a)");
    let Some(state) = g.roll(roll) else {
        step.say(format!("The entries of this roll are {NOT_HERE}."), Tone::Small);
        return step.section();
    };
    step.fields(identity(g, roll, state));
    step.fields(verified(g, roll, state));
    picture(&mut step, state);
    let counts = counts_of(g, roll);
    runs::attempts(&mut step, &counts, Some(state));
    step.table(settling(g, roll), "no count has come to anything yet");
    step.table_if_any(places(g, roll));
    step.table_if_any(custody(g, roll));
    step.people(quality_hands(&step, roll), "quality has not decided about this roll");
    step.corrections(roll);
    for count in counts {
        step.corrections(count);
    }
    step.section()
}

/// Every count that began on it, in order.
pub(super) fn counts_of<'g>(g: &'g Gathered, roll: &Stream) -> Vec<&'g Stream> {
    let opened = g.events(roll, |body| match body {
        Body::RollCountOpened(body) => Some(&body.count),
        _ => None,
    });
    opened.map(|(_, count)| count).collect()
}

fn identity(g: &Gathered, roll: &Stream, state: &RollState) -> Vec<Field> {
    let first = g.stream(roll).next();
    let mut fields = vec![
        field("Roll", roll.id().to_string()).asked("21 CFR 211.130(c)"),
        field("Item", state.item.id().to_string()).asked("21 CFR 211.130(c)"),
        field("Came with the delivery", state.delivery.id().to_string()).asked("21 CFR 211.184(a)"),
    ];
    if let Some((parent, order)) = &state.parent {
        let text = format!("{}, of which it is the rest that came back from the order {}", parent.id(), order.id());
        fields.push(field("Parent roll", text).asked("21 CFR 211.125(c); 21 CFR 211.125(e)"));
    }
    let mut fields: Vec<Field> = fields.into_iter().map(|field| field.on(first)).collect();
    fields.push(field("Quality", words::quality(state.quality).text).asked("21 CFR 211.22(a); 21 CFR 211.122(b)"));
    fields.push(field("Where it is", words::custody(&state.custody)).asked("21 CFR 211.122(d)"));
    if let Some(unwind) = unwind(g, state) {
        fields.push(unwind);
    }
    if !state.holds.is_empty() {
        let holds: Vec<String> = state.holds.iter().map(|hold| hold.id().to_string()).collect();
        fields.push(field("On hold because of", holds.join(", ")).asked("21 CFR 211.192").toned(Tone::Grave));
    }
    fields
}

fn unwind(g: &Gathered, state: &RollState) -> Option<Field> {
    let item = g.item(&state.item)?;
    let turned = if state.turned { ", and it was wound over since: the other way" } else { "" };
    Some(
        field("How it unwinds", format!("{} when it came{turned}", crate::told::plain(item.draft.unwind)))
            .asked("21 CFR 211.130(c)"),
    )
}

/// Stated against verified, and by which rule.
fn verified(g: &Gathered, roll: &Stream, state: &RollState) -> Vec<Field> {
    const CLAUSE: &str = "21 CFR 211.184(a); 21 CFR 211.68(a); 21 CFR 211.125(c)";
    let mut fields = Vec::new();
    let stated = g.events(roll, |body| match body {
        Body::RollReceived(body) => Some(body.stated),
        _ => None,
    });
    let stated = stated.map(|(entry, stated)| (entry, stated.get())).last();
    fields.push(match stated {
        Some((entry, stated)) => {
            field("Stated by the supplier", words::labels(stated)).asked("21 CFR 211.184(a)").on([entry])
        }
        None => field("Stated by the supplier", "nothing: it is the rest of another roll").toned(Tone::Small),
    });
    let settling = g.stream(roll).rfind(|entry| matches!(entry.body, Body::RollCountSettled(_)));
    let settled = state.settled.as_ref();
    let without = match state.disagreed {
        true => "its counts do not agree, and the rule allows no more",
        false => "no count stands",
    };
    let tone = if state.disagreed { Tone::Grave } else { Tone::Plain };
    let number = |pick: fn(&tallyseal_control::Settled) -> u32| settled.map(|one| words::labels(pick(one)));
    fields.push(maybe("Verified count", number(|one| one.counted.get()), without).asked(CLAUSE).on(settling));
    if settled.is_none() && state.disagreed {
        fields.iter_mut().filter(|field| field.name == "Verified count").for_each(|field| field.tone = tone);
    }
    let Some(settled) = settled else { return fields };
    let rest = [
        maybe(
            "Verified against stated",
            stated.map(|(_, stated)| words::against(settled.counted.get(), stated)),
            "nothing was stated",
        )
        .asked("21 CFR 211.184(a)"),
        field("Taken out of it", words::labels(settled.taken_out.get())).asked("21 CFR 211.125(c)"),
        field("Labels on the roll", words::labels(settled.on_roll.get())).asked(CLAUSE),
        field("Rule by which the number stands", words::settled_by(settled.rule)).asked("21 CFR 211.68(a)"),
        field("Count that stands", settled.standing.id().to_string()).asked("21 CFR 211.68(a)"),
    ];
    fields.extend(rest.map(|field| field.on(settling)));
    fields
}

/// The fault strip, and its marks one by one.
fn picture(step: &mut Step, state: &RollState) {
    const CLAUSE: &str = "21 CFR 211.122(b); 21 CFR 211.125(b)";
    let Some(tag) = &state.tag else {
        step.note("No count of it has stood yet: its fault strip is not drawn.");
        return;
    };
    let drawn = strip::printed(tag.on_roll.get(), &tag.marks);
    let mut caption = format!(
        "Fault strip of {} labels, from the outer end, which the line meets first, to the core; as after the count {}.",
        words::number(tag.on_roll.get()),
        tag.count.id()
    );
    if drawn.left_out > 0 {
        caption.push_str(&format!(
            " {} marks found no room in it; the table has all.",
            words::number(count_of(drawn.left_out))
        ));
    }
    if state.settled.is_none() {
        caption.push_str(" That count is questioned now.");
    }
    step.picture(drawn.svg, strip::title(tag.on_roll.get(), &tag.marks), caption);
    let columns = vec![col("Mark"), wide("Fault", 3), wide("Place from the outer end", 3), wide("Seen", 2)];
    let mut table = Table::new("Faults left on the roll", CLAUSE, columns).small();
    for one in &tag.marks {
        let seen = if one.missed { "not by every count" } else { "by every count" };
        table.row(cells![mark::letter(one.fault).to_string(), words::fault(one.fault), strip::place(one), seen]);
    }
    step.table(table, "none");
}

fn count_of(many: usize) -> u64 {
    u64::try_from(many).unwrap_or(u64::MAX)
}

/// What the counts came to: the rule at work, with checks, disagreements and doubts.
fn settling(g: &Gathered, roll: &Stream) -> Table {
    let columns = vec![wide("What", 6), wide("By", 3), wide("When", 3), num("Entry")];
    let mut table = Table::new("How the number came to stand", "21 CFR 211.68(a); 21 CFR 211.125(c)", columns);
    let names = |counts: &[Stream]| counts.iter().map(|one| one.id().to_string()).collect::<Vec<_>>().join(", ");
    for entry in g.stream(roll) {
        let (text, tone) = match &entry.body {
            Body::RollCountSettled(body) => (
                format!(
                    "{} counted, {} taken out, {} on the roll; rule: {}; compared: {}; {} stands",
                    words::number(body.counted.get()),
                    words::number(body.taken_out.get()),
                    words::number(body.on_roll.get()),
                    words::settled_by(body.rule),
                    names(&body.counts),
                    body.standing.id()
                ),
                Tone::Plain,
            ),
            Body::RollCountsDisagreed(body) => {
                let labels: Vec<String> = body.labels.iter().map(|one| words::number(one.get())).collect();
                (
                    format!(
                        "The counts {} do not agree: {} labels; none stands",
                        names(&body.counts),
                        labels.join(", ")
                    ),
                    Tone::Grave,
                )
            }
            Body::RollCheckRecorded(body) => (
                format!(
                    "Checked because counts differ. Web: {}; sensor: {}; speed: {}",
                    body.web, body.sensor, body.speed
                ),
                Tone::Plain,
            ),
            Body::RollCountDoubted(body) => (
                format!("{} no longer stands: the closing challenge at {} failed", body.count.id(), body.station.id()),
                Tone::Grave,
            ),
            Body::RollBracketed(body) => {
                (format!("{}: the closing challenge at {} passed", body.count.id(), body.station.id()), Tone::Small)
            }
            _ => continue,
        };
        table.toned(cells![super::read::with_why(text, entry), by(entry), g.local(entry.header.at), n(entry)], tone);
    }
    table
}

/// Where it was put.
fn places(g: &Gathered, roll: &Stream) -> Table {
    let columns = vec![wide("Place", 4), wide("By", 3), wide("When", 3), num("Entry")];
    let mut table = Table::new("Where it was kept", "21 CFR 211.122(d)", columns);
    for entry in g.stream(roll) {
        let place = match &entry.body {
            Body::RollReceived(body) => &body.place,
            Body::RollMoved(body) => &body.place,
            Body::RollReturned(body) => &body.place,
            _ => continue,
        };
        table.row(cells![place.as_str(), by(entry), g.local(entry.header.at), n(entry)]);
    }
    table
}

/// Through whose hands it went.
fn custody(g: &Gathered, roll: &Stream) -> Table {
    let columns = vec![wide("What", 4), wide("By", 3), wide("When", 3), num("Entry")];
    let mut table =
        Table::new("Through whose hands it went", "21 CFR 211.125(a); 21 CFR 211.125(c); EU GMP 5.52", columns);
    for entry in g.stream(roll) {
        let Some(text) = custody_text(entry) else { continue };
        table.row(cells![super::read::with_why(text, entry), by(entry), g.local(entry.header.at), n(entry)]);
    }
    table
}

fn custody_text(entry: &Entry) -> Option<String> {
    Some(match &entry.body {
        Body::RollIssued(body) => format!("given to the order {} with the issue {}", body.order.id(), body.issue.id()),
        Body::RollIssueWithdrawn(body) => format!("the issue {} was withdrawn", body.issue.id()),
        Body::RollTaken(body) => format!("taken over with the issue {}", body.issue.id()),
        Body::RollReceivedAtLine(body) => format!("scanned in at the line {}", body.line.id()),
        Body::RollMounted(body) => format!("on a dispenser of the line {}", body.line.id()),
        Body::RollDismounted(_) => "off the dispenser, with labels left".to_owned(),
        Body::RollGivenBack(body) => format!("handed back, sealed, from the order {}", body.order.id()),
        Body::RollEnded(body) => match (&body.child, body.how) {
            (Some(child), _) => format!("ended: what is left is the roll {}", child.id()),
            (None, tallyseal_schema::kinds::RollEnd::UsedUp) => "ended: every label was used on the line".to_owned(),
            (None, tallyseal_schema::kinds::RollEnd::Returned) => "ended: it came back from the line".to_owned(),
        },
        _ => return None,
    })
}

/// What quality decided about it, the holds over it, and the signatures in its own record.
fn quality_hands<'g>(step: &Step<'g>, roll: &Stream) -> Vec<Hand<'g>> {
    let mut hands = step.signed(roll);
    for entry in step.gathered().stream(roll) {
        let text = match &entry.body {
            Body::RollReleased(body) => format!("Released with the delivery {}", body.delivery.id()),
            Body::RollRejected(body) => format!("Rejected with the delivery {}", body.delivery.id()),
            Body::RollObsoleted(body) => format!("Obsolete with the item {}", body.item.id()),
            Body::RollHeld(body) => format!("Put on hold because of {}", body.cause.id()),
            Body::RollHoldLifted(body) => format!("Hold because of {} lifted", body.cause.id()),
            Body::RollReturnReleased(_) => "Released after it came back".to_owned(),
            _ => continue,
        };
        hands.push(Hand::new(text, entry));
    }
    hands
}
