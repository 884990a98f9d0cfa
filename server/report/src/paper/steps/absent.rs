//! What a full record of label control has and this system does not keep yet: said, so that nobody takes it for done.

use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::kinds::Form;

use super::super::{Gathered, Section};
use super::make::{Step, Table, cells, wide};

/// In the records of which things a field belongs.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Of {
    /// An order alone.
    Order,
    /// An order with cut labels.
    Cut,
    /// Wherever a roll is.
    Roll,
}

/// Field, clause, where.
const ABSENT: &[(&str, &str, Of)] = &[
    ("How the expiry date was derived", "21 CFR 211.137; 21 CFR 211.186", Of::Order),
    ("Legal category of the market, and the statement of the tamper-evident feature", "21 CFR 211.132", Of::Order),
    (
        "Effective date and hash of the master record; the statement that this is an accurate reproduction of it, with \
         checker, signature and date",
        "21 CFR 211.188(a)",
        Of::Order,
    ),
    ("The control chosen for cut labels, and its evidence", "21 CFR 211.122(g)", Of::Cut),
    ("Core and outer diameter of rolls, where a length is used", "21 CFR 211.130(c)", Of::Roll),
    ("Who made a splice, and the type of its tape", "21 CFR 211.122(a); 21 CFR 211.125(b)", Of::Roll),
    ("Print-quality grade of codes", "21 CFR 211.125(b); 21 CFR 201.25", Of::Roll),
    (
        "Check of the imprint set-up: lot, expiry and code as they should be and as they are, with specimen and checker",
        "21 CFR 211.122(h); EU GMP 5.55",
        Of::Order,
    ),
    (
        "Specimens and pictures of all labelling used: first, at each change of roll and splice, last; with the imprint \
         in sight",
        "21 CFR 211.188(b)(8); EU GMP 4.21(f)",
        Of::Order,
    ),
    (
        "In-process checks of labels with time, sample and result",
        "21 CFR 211.134(a); 21 CFR 211.188(b)(5); EU GMP 5.59",
        Of::Order,
    ),
    ("Challenges of the verifier on the line at start, interval and end", "21 CFR 211.68(a); EU GMP 5.56", Of::Order),
    ("Examination of a sample at the end of the run", "21 CFR 211.134(b); 21 CFR 211.134(c)", Of::Order),
    ("Units rejected, reworked or labelled anew, as units", "21 CFR 211.125(c); 21 CFR 211.188(b)(7)", Of::Order),
    ("The person who checked the yield", "21 CFR 211.103; 21 CFR 211.188(b)(7)", Of::Order),
    (
        "Destruction of rejected and obsolete rolls, or their return to the supplier",
        "21 CFR 211.122(e); 21 CFR 211.184(e)",
        Of::Roll,
    ),
    (
        "A waiver of reconciliation for labels read one by one, with its evidence",
        "21 CFR 211.125(c); 21 CFR 211.122(g)",
        Of::Order,
    ),
    ("Certification by a qualified person", "EU GMP Annex 11, 15", Of::Order),
    ("Retention date and its basis", "21 CFR 211.180; EU GMP 4.11", Of::Order),
];

/// The table for the record of that thing; nothing where nothing is missing in it.
pub(super) fn section(g: &Gathered) -> Option<Section> {
    let thing = Thing::parse(g.record.thing())?;
    let order = thing == Thing::Order;
    let roll = matches!(thing, Thing::Order | Thing::Delivery | Thing::Roll | Thing::Count);
    let cut = g.order(&g.record).is_some_and(|state| {
        let cut = |item: &Stream| g.item(item).is_some_and(|item| item.draft.form == Form::Cut);
        state.plan.materials.iter().any(|line| cut(&line.item))
    });
    let mut step = Step::new(g, "Not kept by this system yet", "");
    let mut table = Table::new("Keep it elsewhere", "", vec![wide("Field", 6), wide("Clause", 3)]);
    for (what, clause, of) in ABSENT {
        let belongs = match of {
            Of::Order => order,
            Of::Cut => cut,
            Of::Roll => roll,
        };
        if belongs {
            table.row(cells![*what, *clause]);
        }
    }
    if table.is_empty() {
        return None;
    }
    step.table(table, "");
    Some(step.section())
}
