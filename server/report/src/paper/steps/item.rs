//! One revision of one label, and who may deliver it.

use tallyseal_control::ItemStatus;
use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::kinds::{CountRule, Form, ObsoleteRule};
use tallyseal_schema::{Body, Entry};

use super::super::{Field, Gathered, Section};
use super::make::{Hand, NOT_HERE, Step, field, maybe};
use crate::told::plain;
use crate::words;

/// A record of an item alone.
pub(super) fn section(g: &Gathered, item: &Stream) -> Section {
    let mut step = Step::new(g, format!("Label {}", item.id()), "21 CFR 211.186(b)(8); EU GMP 4.19");
    step.fields(fields(g, item));
    step.people(hands(&step, item), NOT_HERE);
    step.corrections(item);
    step.section()
}

/// All that is said of an item.
pub(super) fn fields(g: &Gathered, item: &Stream) -> Vec<Field> {
    let find = |wanted: fn(&Body) -> bool| g.stream(item).find(|entry| wanted(&entry.body));
    let drafted = find(|body| matches!(body, Body::ItemDrafted(_)));
    let approved = find(|body| matches!(body, Body::ItemApproved(_)));
    let Some(state) = g.item(item) else {
        return vec![field("Item", format!("{}, {NOT_HERE}", item.id())).asked("21 CFR 211.186(b)(8)")];
    };
    let draft = &state.draft;
    let relied: Vec<String> = draft.relies_on.iter().map(|kind| words::fault(*kind)).collect();
    let code = draft.expected_code.as_ref().map(|code| format!("{} ({})", code.text, code.symbology));
    let product = [Some(draft.product.as_str()), draft.strength.as_deref()].into_iter().flatten();
    let mut fields = vec![
        field("Item", format!("{}: code {}", item.id(), draft.code)).asked("21 CFR 211.186(b)(8); EU GMP 4.19"),
        field("Version of the artwork", draft.revision.clone()).asked("21 CFR 211.186(b)(8); EU GMP 4.19"),
        field("For the product", product.collect::<Vec<_>>().join(", ")).asked("21 CFR 211.186(b)(1)"),
        field("Language", draft.language.clone()).asked("21 CFR 211.132"),
        field("Market of the label", draft.market.clone()).asked("21 CFR 211.132"),
        field(
            "Form",
            match draft.form {
                Form::Roll => "roll",
                Form::Cut => "cut",
            },
        )
        .asked("21 CFR 211.122(g)"),
        maybe("Code expected on every label", code, "none is printed").asked("21 CFR 211.125(b); 21 CFR 201.25"),
        field("How it unwinds", plain(draft.unwind)).asked("21 CFR 211.130(c)"),
        field("Lanes", words::number(draft.lanes)),
        field("Pitch", words::with_unit("pitch_um", u64::from(draft.pitch_um))),
        field("Width", words::with_unit("width_um", u64::from(draft.width_um))),
        field("Thickness of the web", words::with_unit("web_thickness_um", u64::from(draft.web_thickness_um))),
        field(
            "Counts of an incoming roll",
            match draft.counts {
                CountRule::One => "one count stands",
                CountRule::TwoAgree => "two counts that agree; where they differ, a third after a recorded check",
            },
        )
        .asked("21 CFR 211.68(a)"),
        field("Faults that counting relies on", relied.join(", ")).asked("21 CFR 211.68(a); EU GMP 5.56"),
        field("Most faults on a roll", words::number(draft.faults_max)).asked("21 CFR 211.122(b)"),
        field("Most splices on a roll", words::number(draft.splices_max)).asked("21 CFR 211.122(b)"),
    ];
    if let Some(days) = draft.use_by_days {
        fields.push(field("Use within", format!("{} days after receipt", words::number(days))));
    }
    if !draft.allergens.is_empty() {
        fields.push(field("Allergens named on it", draft.allergens.join(", ")));
    }
    let mut fields: Vec<Field> = fields.into_iter().map(|field| field.on(drafted)).collect();
    let specimen = state.specimen.as_ref().map(|one| format!("{}, kept at {}", one.id, one.place));
    let signers = approved_by(g, item);
    fields.push(
        maybe("Approved specimen", specimen, "not approved yet")
            .asked("21 CFR 211.186(b)(8); EU GMP 4.19")
            .on(approved),
    );
    fields.push(
        maybe("Specimen approved by", signers.as_ref().map(|(text, _)| text.as_str()), "not signed yet")
            .asked("21 CFR 211.186(b)(8); EU GMP 4.19")
            .on(signers.iter().flat_map(|(_, entries)| entries.iter().copied())),
    );
    if let Some((entry, going)) = obsoleted(g, item) {
        let state = match state.status {
            ItemStatus::RunningOut => "runs out",
            _ => "obsolete",
        };
        fields.push(field("Obsolete", format!("{state}: {going}")).asked("21 CFR 211.122(e)").on([entry]));
    }
    fields
}

/// Who approved it, with name, role and moment.
fn approved_by<'g>(g: &'g Gathered, item: &Stream) -> Option<(String, Vec<&'g Entry>)> {
    let given: Vec<_> = g.signatures(item).into_iter().filter(|(_, body, _)| body.meaning == "item approved").collect();
    let texts: Vec<String> = given.iter().map(|(entry, ..)| g.done(entry)).collect();
    (!texts.is_empty()).then(|| (texts.join("; "), given.iter().map(|(entry, ..)| *entry).collect()))
}

fn obsoleted<'g>(g: &'g Gathered, item: &Stream) -> Option<(&'g Entry, String)> {
    let mut found = g.events(item, |body| match body {
        Body::ItemObsoleted(body) => Some(body),
        _ => None,
    });
    found.next().map(|(entry, body)| {
        let text = match (body.rule, body.last_use) {
            (ObsoleteRule::RunOut, Some(last)) => format!("stock may be used until {}", g.at(last)),
            (ObsoleteRule::RunOut, None) => "stock may be used up".to_owned(),
            (ObsoleteRule::Immediate, _) => "not one more is used".to_owned(),
        };
        (entry, text)
    })
}

/// Who drafted and approved it, and the suppliers that may deliver it.
pub(super) fn hands<'g>(step: &Step<'g>, item: &Stream) -> Vec<Hand<'g>> {
    let mut hands = step.hands(item, &["item.drafted", "item.approved", "item.obsoleted"]);
    let g = step.gathered();
    for supplier in g.things(Thing::Supplier) {
        for entry in g.stream(supplier) {
            if matches!(&entry.body, Body::SupplierApproved(body) if body.item == *item) {
                let text = format!("Supplier {} approved for it", supplier.id());
                hands.push(Hand::new(text, entry));
            }
        }
    }
    hands
}
