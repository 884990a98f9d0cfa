//! The clauses that the margin may name, and what each asks, in our own words. A clause that is not here is not printed.
//!
//! Several in one margin are joined by `; `.

/// A clause of a rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Clause {
    /// What it asks of the record.
    pub asks: &'static str,
    /// As it is cited.
    pub cite: &'static str,
}

const fn clause(cite: &'static str, asks: &'static str) -> Clause {
    Clause { asks, cite }
}

/// Every clause, in the order in which the margin's legend prints them.
///
/// Rule: 21 CFR Parts 11, 201 and 211 as on eCFR; EU GMP (EudraLex volume 4) Part I chapter 4 of 2011, chapter 5 of 2015,
/// Annex 11 of 2011. Read the rules themselves: this is what they are named for here.
pub const CLAUSES: &[Clause] = &[
    clause("21 CFR 11.10(a)", "altered or invalid records can be told from good ones"),
    clause("21 CFR 11.10(b)", "complete copies for people and for machines"),
    clause("21 CFR 11.10(c)", "records stay readable for as long as they are kept"),
    clause("21 CFR 11.10(d)", "only authorised people have access"),
    clause("21 CFR 11.10(e)", "a time-stamped trail of who did what; old values stay readable"),
    clause("21 CFR 11.10(f)", "steps are done in the permitted order"),
    clause("21 CFR 11.10(g)", "who acts or signs is authorised for it"),
    clause("21 CFR 11.10(h)", "what sends data or takes instructions is checked"),
    clause("21 CFR 11.10(i)", "people are trained for what they do"),
    clause("21 CFR 11.10(k)", "documentation of the system is kept under control"),
    clause("21 CFR 11.50", "a signature shows printed name, date and time, and meaning"),
    clause("21 CFR 11.70", "a signature is bound to its record"),
    clause("21 CFR 201.18", "the lot number on the label leads to the whole history of the batch"),
    clause("21 CFR 201.25", "bar codes on labels"),
    clause("21 CFR 211.22(a)", "quality approves or rejects labelling and reviews records"),
    clause("21 CFR 211.25", "people are trained for what they do"),
    clause("21 CFR 211.68", "automatic equipment is checked, and its input and output with it"),
    clause("21 CFR 211.68(a)", "automatic equipment is calibrated or checked, and that is recorded"),
    clause("21 CFR 211.68(b)", "what goes into a computer and comes out of it is checked to be right"),
    clause("21 CFR 211.68(c)", "what equipment does in place of a person is checked by one person"),
    clause("21 CFR 211.100(b)", "steps are recorded when they are done; deviations are recorded and justified"),
    clause("21 CFR 211.103", "yields are computed and checked"),
    clause("21 CFR 211.122(a)", "labelling is sampled and examined on receipt and before use"),
    clause("21 CFR 211.122(b)", "only labelling that meets its specification is released"),
    clause("21 CFR 211.122(c)", "a record of each shipment of each labelling"),
    clause("21 CFR 211.122(d)", "labelling is stored apart, with limited access"),
    clause("21 CFR 211.122(e)", "outdated labelling is destroyed"),
    clause("21 CFR 211.122(g)", "special control of cut labelling"),
    clause("21 CFR 211.122(h)", "printing on the line is watched"),
    clause("21 CFR 211.125(a)", "strict control of labelling issued"),
    clause("21 CFR 211.125(b)", "issued labelling is examined against the master"),
    clause("21 CFR 211.125(c)", "labels issued, used and returned are reconciled within preset limits"),
    clause("21 CFR 211.125(d)", "excess labelling with a lot number is destroyed"),
    clause("21 CFR 211.125(e)", "returned labelling is kept and identified"),
    clause("21 CFR 211.125(f)", "written procedures for the issue of labelling"),
    clause("21 CFR 211.130(c)", "a lot number that leads to the whole history of the batch"),
    clause("21 CFR 211.130(d)", "packaging material is examined before use, and that is in the batch record"),
    clause("21 CFR 211.130(e)", "the line is inspected immediately before use"),
    clause("21 CFR 211.132", "tamper-evident packaging"),
    clause("21 CFR 211.134", "packaged product is examined"),
    clause("21 CFR 211.134(a)", "packaged and labelled product is examined during finishing"),
    clause("21 CFR 211.134(b)", "a sample of units is examined at the end"),
    clause("21 CFR 211.134(c)", "results of the examination are in the batch record"),
    clause("21 CFR 211.137", "expiry dates"),
    clause("21 CFR 211.180", "how long records are kept"),
    clause("21 CFR 211.182", "a log of the use of equipment"),
    clause("21 CFR 211.184(a)", "identity, quantity, supplier, lot and date of each shipment"),
    clause("21 CFR 211.184(b)", "results of tests and examinations, and conclusions from them"),
    clause("21 CFR 211.184(d)", "the examination of labels is documented"),
    clause("21 CFR 211.184(e)", "what became of rejected material"),
    clause("21 CFR 211.186", "master record"),
    clause("21 CFR 211.186(b)(1)", "name, strength and dosage form of the product"),
    clause("21 CFR 211.186(b)(8)", "a signed specimen of each label"),
    clause("21 CFR 211.188(a)", "an accurate reproduction of the master record, checked, dated, signed"),
    clause("21 CFR 211.188(b)(1)", "dates"),
    clause("21 CFR 211.188(b)(2)", "the equipment and lines used"),
    clause("21 CFR 211.188(b)(5)", "results during the work"),
    clause("21 CFR 211.188(b)(6)", "inspection of the area before and after use"),
    clause("21 CFR 211.188(b)(7)", "actual yield and percentage"),
    clause("21 CFR 211.188(b)(8)", "complete label control records with specimens of all labelling used"),
    clause("21 CFR 211.188(b)(10)", "sampling"),
    clause("21 CFR 211.188(b)(11)", "who performed and who checked each significant step"),
    clause("21 CFR 211.188(b)(12)", "investigations"),
    clause("21 CFR 211.192", "records are reviewed, and what cannot be explained is investigated"),
    clause("21 CFR 211.194(a)", "complete data, every attempt with them"),
    clause("EU GMP 4.8", "records are made when each action is taken"),
    clause("EU GMP 4.9", "a change is signed and dated, the former entry stays readable"),
    clause("EU GMP 4.11", "how long batch documents are kept"),
    clause("EU GMP 4.19", "packaging instructions"),
    clause("EU GMP 4.21(a)", "product and batch"),
    clause("EU GMP 4.21(b)", "dates and times"),
    clause("EU GMP 4.21(c)", "who performed and who checked"),
    clause("EU GMP 4.21(d)", "checks of identity and conformity"),
    clause("EU GMP 4.21(e)", "equipment and lines used"),
    clause("EU GMP 4.21(f)", "specimens of printed material, with their coding"),
    clause("EU GMP 4.21(g)", "unusual events, with signed authorisation"),
    clause("EU GMP 4.21(h)", "printed material issued, used, destroyed, returned, and product obtained"),
    clause("EU GMP 4.21(i)", "approval by the person responsible for packaging"),
    clause("EU GMP 5.52", "what is delivered to the line is checked"),
    clause("EU GMP 5.55", "printing is checked and recorded"),
    clause("EU GMP 5.56", "code readers and label counters are checked"),
    clause("EU GMP 5.59", "checks during packaging; samples do not go back"),
    clause("EU GMP 5.61", "a discrepancy is investigated before release"),
    clause("EU GMP 5.62", "unused coded material is destroyed, and that is recorded"),
    clause("EU GMP Annex 11, 8.2", "print-outs show what was changed since it was first entered"),
    clause("EU GMP Annex 11, 9", "a trail of changes with reasons, fit to be read and reviewed"),
    clause("EU GMP Annex 11, 14", "electronic signatures: bound to their record, with date and time"),
    clause("EU GMP Annex 11, 15", "who certifies and releases a batch"),
];

/// The clauses that a margin names.
pub(crate) fn named_in(margin: &str) -> impl Iterator<Item = &str> {
    margin.split("; ").filter(|cite| !cite.is_empty())
}

/// What is known of a clause.
pub fn find(cite: &str) -> Option<&'static Clause> {
    CLAUSES.iter().find(|clause| clause.cite == cite)
}
