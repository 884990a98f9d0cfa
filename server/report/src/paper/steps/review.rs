//! The last steps of an order: signed for packaging, reviewed by quality, decided.

use tallyseal_control::OrderStatus;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::{Body, Entry};

use super::super::{Field, Gathered, Section, Tone};
use super::make::{Hand, NOT_YET, Step, Table, cells, field, num, wide};
use super::read::{by, n};
use crate::words;

const REVIEW: &str = "21 CFR 211.192; EU GMP Annex 11, 9";

pub(super) fn of_order(g: &Gathered, order: &Stream) -> Section {
    let mut step = Step::new(
        g,
        "Signed for packaging, reviewed, decided",
        "21 CFR 211.192; EU GMP 4.21(i); EU GMP Annex 11, 9; EU GMP Annex 11, 15",
    );
    step.fields(vec![
        signed(g, order, "Signed for packaging", &["signed for packaging"], "EU GMP 4.21(i)"),
        signed(g, order, "Reviewed by quality", &["label record reviewed"], REVIEW),
        signed(
            g,
            order,
            "Decision of quality",
            &["label record approved", "label record rejected"],
            "21 CFR 211.192; 21 CFR 211.22(a)",
        ),
        disposition(g, order),
        statement(g, order),
    ]);
    let columns = vec![
        wide("Meaning", 3),
        wide("Name, account, role", 4),
        wide("When", 3),
        wide("What it covers", 4),
        wide("Stands", 2),
        num("Entry"),
    ];
    let mut table = Table::new("Signatures on the order", "21 CFR 11.50; 21 CFR 11.70", columns);
    for (entry, body, stands) in g.signatures(order) {
        let (said, tone) =
            if stands { ("yes", Tone::Plain) } else { ("no: the record changed after it", Tone::Former) };
        let covers = format!(
            "{} with {} entries",
            words::so_many(body.covers.len(), "record", "records"),
            words::number(body.covers.values().map(|cover| cover.rev).fold(0_u64, u64::saturating_add))
        );
        table.toned(cells![body.meaning.as_str(), by(entry), g.local(entry.header.at), covers, said, n(entry)], tone);
    }
    step.table(table, "none");
    let mut hands = Vec::new();
    for entry in g.stream(order) {
        let what = match &entry.body {
            Body::OrderSignedForPackaging(_) => "Signed for packaging",
            Body::OrderApproved(_) => "Label record approved",
            Body::OrderRejected(_) => "Label record rejected",
            Body::OrderReopened(_) => "Record opened again",
            _ => continue,
        };
        hands.push(Hand::new(what, entry));
    }
    step.people(hands, NOT_YET);
    step.corrections_where(order, |kind| kind == "order.reopened");
    step.section()
}

/// The last signature of one of those meanings, standing or not.
fn last<'g>(g: &'g Gathered, order: &Stream, meanings: &[&str]) -> Option<(&'g Entry, String, bool)> {
    let given = g.signatures(order).into_iter().filter(|(_, body, _)| meanings.contains(&body.meaning.as_str()));
    given.map(|(entry, body, stands)| (entry, body.meaning.clone(), stands)).next_back()
}

fn signed(g: &Gathered, order: &Stream, name: &str, meanings: &[&str], clause: &str) -> Field {
    match last(g, order, meanings) {
        Some((entry, meaning, true)) => {
            field(name, format!("{meaning}: {}", g.done(entry))).asked(clause).on([entry]).toned(Tone::Good)
        }
        Some((entry, meaning, false)) => {
            let text = format!("no longer signed, the record changed after it; it was {meaning}: {}", g.done(entry));
            field(name, text).asked(clause).on([entry]).toned(Tone::Grave)
        }
        None => field(name, NOT_YET).asked(clause).toned(Tone::Grave),
    }
}

fn disposition(g: &Gathered, order: &Stream) -> Field {
    let text = match g.order(order).map(|state| state.status) {
        Some(OrderStatus::Approved) => "label record approved. This is no release of the batch",
        Some(OrderStatus::Rejected) => "label record rejected",
        Some(OrderStatus::Voided) => "the order was made void",
        Some(_) => "none yet",
        None => super::make::NOT_HERE,
    };
    field("Disposition of the label record", text).asked("21 CFR 211.192; EU GMP Annex 11, 15")
}

/// What the review is of.
fn statement(g: &Gathered, order: &Stream) -> Field {
    const NAME: &str = "Review of the audit trail";
    let given = g.signatures(order).into_iter().rfind(|(_, body, _)| body.meaning == "label record reviewed");
    let Some((entry, body, stands)) = given else {
        return field(NAME, NOT_YET).asked(REVIEW).toned(Tone::Grave);
    };
    let entries = body.covers.values().map(|cover| cover.rev).fold(0_u64, u64::saturating_add);
    let own = body.covers.get(order).map_or(0, |cover| cover.rev);
    // What the reviewer states is a remark in the same act.
    let said = g.stream(order).find_map(|one| match &one.body {
        Body::RemarkMade(remark) if one.header.act.is_some() && one.header.act == entry.header.act => {
            Some((one, format!("\u{201c}{}\u{201d} ", remark.text)))
        }
        _ => None,
    });
    let (remark, said) = said.map_or((None, String::new()), |(remark, said)| (Some(remark), said));
    let text = format!(
        "{said}{} ({}) as {} reviewed the record with its audit trail: {} entries of {}, of them {} of the order itself; {}{}",
        body.name,
        body.account,
        body.role.title(),
        words::number(entries),
        words::so_many(body.covers.len(), "record", "records"),
        words::number(own),
        g.at(entry.header.at),
        if stands { "" } else { "; it no longer stands" }
    );
    field(NAME, text).asked(REVIEW).on(remark.into_iter().chain([entry])).toned(if stands {
        Tone::Good
    } else {
        Tone::Grave
    })
}
