//! The English of records, in one place, so that it can be translated: what pages and the printed record say alike.

use tallyseal_control::{CountAxis, CountStatus, Custody, DeliveryStatus, Quality, RollState};
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::{
    CodePlace, CountPurpose, CrossCheck, Direction, Disposition, Fate, FaultKind, SettledBy,
};
use tallyseal_schema::{By, Time};

/// Fields whose name says too little, or says it in the record's words.
const LABELS: &[(&str, &str)] = &[
    ("about", "What it is about"),
    ("account", "Account"),
    ("allergens", "Allergens named on it"),
    ("allowance", "What may be needed beyond that"),
    ("basis", "Where they come from"),
    ("calibration_due", "Calibrated until"),
    ("cause", "Cause"),
    ("certificate", "Number of the certificate"),
    ("certified", "Certified labels"),
    ("challenge_interval_min", "Challenge at least every (minutes)"),
    ("code", "Code"),
    ("code_read", "Code read from the roll"),
    ("coding", "Is anything printed on the labels?"),
    ("condition", "State of packing and papers"),
    ("counts", "Counts of an incoming roll"),
    ("critical", "Critical defects"),
    ("data", "Data behind them"),
    ("den", "of"),
    ("digits", "Digits of its counter"),
    ("expected_code", "Code on every label"),
    ("expires", "Ends on"),
    ("faults", "Faults on it"),
    ("faults_max", "Most faults on a roll"),
    ("fixed", "For setting up (labels)"),
    ("foreign", "Was anything foreign found?"),
    ("form", "How it comes"),
    ("found", "What was found"),
    ("how", "How the number came about"),
    ("id", "ID"),
    ("identity", "How the identity was checked"),
    ("item_code", "Code of the item"),
    ("labels", "Labels"),
    ("labels_per_unit", "Labels on each unit"),
    ("lanes", "Lanes"),
    ("late", "Hand count that makes up for a late one"),
    ("limit_set", "Limits"),
    ("lots", "Product lots"),
    ("major", "Major defects"),
    ("maker", "Prime maker"),
    ("master", "Master record"),
    ("material", "Material line"),
    ("materials", "Material lines"),
    ("minor", "Minor defects"),
    ("over", "Override"),
    ("overdue", "Override for a device whose calibration is overdue"),
    ("pack", "Pack size"),
    ("per_roll_change", "For each change of roll (labels)"),
    ("pitch_um", "Pitch (micrometres)"),
    ("plan", "Sampling plan"),
    ("product_over", "Product over"),
    ("product_short", "Product short"),
    ("ran", "How the roll came off"),
    ("rated_labels_per_min", "Rated speed (labels a minute)"),
    ("ratio", "Of what the units need"),
    ("reached", "How labels inside rolls were reached"),
    ("record", "Record"),
    ("relies_on", "Faults that counting relies on"),
    ("rest", "New ID of the rest"),
    ("result", "Result"),
    ("sampled", "Labels examined"),
    ("seal", "Number of the seal"),
    ("seal_intact", "Is the seal intact?"),
    ("specimen", "Specimen"),
    ("speed_labels_per_min", "Speed (labels a minute)"),
    ("splices_max", "Most splices on a roll"),
    ("stated", "Labels stated by the supplier"),
    ("strength", "Strength"),
    ("supplier_lot", "Supplier's lot"),
    ("tail", "Hand count of the coded tail"),
    ("uncertainty", "Uncertainty of one count (labels)"),
    ("units", "Units planned"),
    ("unwind", "How it unwinds"),
    ("use_by_days", "Use within (days after receipt)"),
    ("web_thickness_um", "Thickness of the web (micrometres)"),
    ("what", "What is counted"),
    ("when", "When"),
    ("why", "Reason"),
    ("width_um", "Width (micrometres)"),
];

/// Fields in the order in which a person thinks of them; others follow by name.
const ORDER: &[&str] = &[
    "order",
    "id",
    "delivery",
    "deviation",
    "count",
    "station",
    "container",
    "issue",
    "reconciliation",
    "clearance",
    "test_roll",
    "material",
    "item",
    "line",
    "account",
    "name",
    "roles",
    "identity",
    "roll",
    "record",
    "about",
    "supplier",
    "supplier_lot",
    "maker",
    "receiving_code",
    "condition",
    "code",
    "certificate",
    "certified",
    "revision",
    "product",
    "strength",
    "dosage_form",
    "pack",
    "market",
    "language",
    "expected_code",
    "form",
    "unwind",
    "lanes",
    "pitch_um",
    "width_um",
    "web_thickness_um",
    "counts",
    "relies_on",
    "faults_max",
    "splices_max",
    "use_by_days",
    "allergens",
    "kind",
    "lots",
    "materials",
    "lot",
    "units",
    "expiry",
    "labels_per_unit",
    "coding",
    "limit_set",
    "allowance",
    "term",
    "what",
    "plan",
    "reached",
    "place",
    "rolls",
    "sampled",
    "critical",
    "major",
    "minor",
    "specimen",
    "result",
    "verdict",
    "code_read",
    "when",
    "purpose",
    "direction",
    "fault",
    "first",
    "last",
    "disposition",
    "labels",
    "fate",
    "faults",
    "expires",
    "source",
    "how",
    "device",
    "start",
    "end",
    "wraps",
    "digits",
    "calibration_due",
    "item_code",
    "basis",
    "data",
    "limits",
    "uncertainty",
    "short",
    "over",
    "product_short",
    "product_over",
    "fixed",
    "per_roll_change",
    "ratio",
    "severity",
    "text",
    "cause",
    "impact",
    "conclusion",
    "decision",
    "master",
    "procedures",
    "why",
];

/// Where a field comes among others.
pub fn order_of(name: &str) -> (usize, String) {
    (ORDER.iter().position(|one| *one == name).unwrap_or(ORDER.len()), name.to_owned())
}

/// What a field is called.
pub fn label(name: &str) -> String {
    match LABELS.iter().find(|(one, _)| *one == name) {
        Some((_, label)) => (*label).to_owned(),
        None => capital(&name.replace('_', " ")),
    }
}

/// A word of the record as people read it.
pub fn word(value: &str) -> String {
    value.replace(['_', '-'], " ")
}

/// An act as people call it.
pub fn act(command: &str) -> String {
    let named = match command {
        "abort_count" => "Give up the count",
        "check_count" => "Check the count",
        "clear_bench" => "Clear the bench",
        "close_count" => "Close the count",
        "conclude_challenge" => "Conclude the challenge",
        "interrupt_count" => "Interrupt the count",
        "log_station_work" => "Log work on the station",
        "set_up_station" => "Set the station up",
        "sign_count" => "Sign the count",
        "open_count" => "Begin a count",
        "dispose_faults" => "Say what was done about faults",
        "correct_disposition" => "Correct what was said about a fault",
        "check_code" => "Read a code by hand",
        "give_issue" => "Issue rolls",
        "take_issue" => "Take over an issue",
        "withdraw_issue" => "Withdraw an issue",
        "take_back" => "Take a roll back",
        "give_back" => "Give a roll back",
        "plan_order" => "Plan an order",
        "examine_before_issue" => "Examine a roll before issue",
        "receive_at_line" => "Receive a roll at the line",
        "declare_destruction" => "Declare the destruction",
        "witness_destruction" => "Witness the destruction",
        "consent_destruction" => "Consent to the destruction",
        "decide_interim" => "Decide what may go on",
        "lift_hold" => "Lift a hold",
        "grant_override" => "Grant an override",
        "refuse_override" => "Refuse an override",
        "request_override" => "Ask for an override",
        "review_order" => "Review the label record",
        "approve_order" => "Approve the label record",
        "reject_order" => "Reject the label record",
        "sign_for_packaging" => "Sign for packaging",
        "reconcile" => "Make the account",
        "check_reconciliation" => "Check the account",
        "record_quantity" => "Record a quantity",
        "record_units" => "Record units",
        "record_check" => "Record a check of web, sensor and speed",
        "remark" => "Write a remark",
        "open_deviation" => "Open a deviation",
        other => return capital(&word(other)),
    };
    named.to_owned()
}

/// Who did something.
pub fn by(by: &By) -> String {
    match by {
        By::Person(person) => format!("{} ({}), {}", person.name, person.account, person.role.title()),
        By::Machine(machine) => format!("machine at {}", machine.station),
        By::System(system) => format!("software, {}", system.system),
    }
}

/// A kind of entry as people read it: `count.opened` is "count opened".
pub fn kind(kind: &str) -> String {
    capital(&kind.replace(['.', '_'], " "))
}

/// A thing as people call it.
pub fn thing(thing: &str) -> String {
    match thing {
        "limit_set" => "limits".to_owned(),
        "reconciliation" => "account of a material line".to_owned(),
        other => other.replace('_', " "),
    }
}

/// A thing with its ID as people call it.
pub fn named(stream: &Stream) -> String {
    format!("{} {}", thing(stream.thing()), stream.id())
}

/// With a capital letter.
pub fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

/// A whole number with thin spaces between its thousands.
pub fn number(value: impl Into<u64>) -> String {
    let digits = value.into().to_string();
    let mut out = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index) % 3 == 0 {
            out.push('\u{2009}');
        }
        out.push(digit);
    }
    out
}

/// A moment, in the plant's zone and in UTC.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct When {
    /// As `26 Nov 2026 10:15:03`.
    pub local: String,
    /// As records have it.
    pub utc: String,
}

/// A moment as people read it.
pub fn when(at: Time, zone: chrono_tz::Tz) -> When {
    let utc = chrono::DateTime::from_timestamp_micros(at.micros()).unwrap_or_default();
    When { local: utc.with_timezone(&zone).format("%d %b %Y %H:%M:%S").to_string(), utc: at.to_string() }
}

/// What a field is called where it stands: some names mean two things.
pub fn label_at(path: &str, name: &str) -> String {
    let inside =
        |group: &str| path.rsplit_once('.').is_some_and(|(above, _)| above.split('.').any(|part| part == group));
    match name {
        "over" if inside("limits") => "Over".to_owned(),
        "counts" if inside("count") => "What the machine counts".to_owned(),
        "how" if inside("count_ended") => "How it ended".to_owned(),
        "id" if inside("master") || inside("procedures") => "Number".to_owned(),
        "place" if inside("specimen") => "Where it is kept".to_owned(),
        "labels" if inside("limits") => "At most (labels)".to_owned(),
        "ratio" if inside("limits") => "At most, of what was issued".to_owned(),
        _ => label(name),
    }
}

/// A field with all that it lies in, for the page of a signature: `rolls.0.roll` is "Rolls 1, roll".
pub fn field(path: &str) -> String {
    let mut text = String::new();
    for part in path.split('.') {
        match part.parse::<usize>() {
            Ok(index) => text.push_str(&format!(" {}", index.saturating_add(1))),
            Err(_) if text.is_empty() => text = label(part),
            Err(_) => text.push_str(&format!(", {}", label_at(path, part).to_lowercase())),
        }
    }
    text
}

/// A length of time in its largest unit. Unit: seconds.
pub fn span_words(seconds: u64) -> String {
    match seconds {
        0..120 => format!("{seconds} s"),
        120..7_200 => format!("{} min", seconds / 60),
        7_200..172_800 => format!("{} h", seconds / 3_600),
        _ => format!("{} days", seconds / 86_400),
    }
}

/// How much later, in the largest unit that says it.
pub fn later(occurred: Time, at: Time) -> String {
    span_words(at.micros().saturating_sub(occurred.micros()).max(0).unsigned_abs() / 1_000_000)
}

/// A whole number with the unit that its field's name says.
pub fn with_unit(name: &str, value: u64) -> String {
    let number = number(value);
    match name {
        _ if name.ends_with("_um") => millimetres(value),
        _ if name.ends_with("labels_per_min") => format!("{number} labels a minute"),
        _ if name.ends_with("_min") => format!("{number} minutes"),
        _ if name.ends_with("_days") => format!("{number} days"),
        "certified" | "labels" | "labels_seen" | "on_roll" | "sampled" | "stated" | "taken_out" | "uncertainty" => {
            format!("{number} {}", if value == 1 { "label" } else { "labels" })
        }
        _ => number,
    }
}

/// Micrometres as millimetres, exactly.
fn millimetres(um: u64) -> String {
    let (whole, rest) = (number(um / 1_000), um % 1_000);
    match rest {
        0 => format!("{whole} mm"),
        rest => format!("{whole}.{} mm", format!("{rest:03}").trim_end_matches('0')),
    }
}

/// What a field is called where its unit stands beside its number.
pub fn told_label(path: &str, name: &str) -> String {
    let label = label_at(path, name);
    match label.split_once(" (") {
        Some((plain, _)) => plain.to_owned(),
        None => label,
    }
}

/// A word of the record as people read it; whatever else it is stays as it is.
pub fn record_word(text: &str) -> String {
    let is_word = text.contains('_') && text.chars().all(|c| c.is_ascii_lowercase() || c == '_');
    if is_word { word(text) } else { text.to_owned() }
}

/// Several things of a sort.
pub fn several(one: &str) -> String {
    match one {
        "delivery" => "deliveries".to_owned(),
        "limit_set" => "limits".to_owned(),
        "reconciliation" => "accounts of material lines".to_owned(),
        "account" => "people's accounts".to_owned(),
        other => format!("{}s", thing(other)),
    }
}

/// A word with its mark: `good`, `hold`, `grave`, or none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Told {
    /// `good`, `hold`, `grave`, or nothing.
    pub mark: &'static str,
    /// The word.
    pub text: String,
}

impl Told {
    /// A word with its mark.
    pub fn new(mark: &'static str, text: impl Into<String>) -> Self {
        Self { mark, text: text.into() }
    }
}

/// Choices of the filter by count.
pub const COUNTS: &[(&str, &str)] = &[
    ("", "any count"),
    ("uncounted", "not counted"),
    ("running", "being counted"),
    ("unsigned", "count to be signed"),
    ("disagreed", "counts disagree"),
    ("at_risk", "at risk"),
    ("counted", "counted"),
];

/// A roll's quality.
pub fn quality(quality: Quality) -> Told {
    match quality {
        Quality::Quarantine => Told::new("hold", "quarantine"),
        Quality::Released => Told::new("good", "released"),
        Quality::Rejected => Told::new("grave", "rejected"),
        Quality::Obsolete => Told::new("grave", "obsolete"),
    }
}

/// How far the counting of a roll has come, as the filter has it.
pub fn count_key(state: &RollState) -> &'static str {
    match state.count_axis() {
        _ if state.open_count.is_some() => "running",
        _ if state.unsigned_count.is_some() => "unsigned",
        _ if state.disagreed => "disagreed",
        CountAxis::Uncounted => "uncounted",
        CountAxis::AtRisk => "at_risk",
        CountAxis::Counted => "counted",
    }
}

/// How far the counting of a roll has come.
pub fn count_of(state: &RollState) -> Told {
    let key = count_key(state);
    let text = COUNTS.iter().find(|(one, _)| *one == key).map_or("", |(_, text)| *text);
    let mark = match key {
        "counted" => "good",
        "disagreed" => "grave",
        "uncounted" => "",
        _ => "hold",
    };
    Told::new(mark, text)
}

/// Who has a roll, as the filter has it.
pub fn custody_key(custody: &Custody) -> &'static str {
    match custody {
        Custody::Store {} => "store",
        Custody::Given { .. } => "given",
        Custody::Taken { .. } => "taken",
        Custody::Line { .. } => "line",
        Custody::Mounted { .. } => "mounted",
        Custody::GivenBack { .. } => "given_back",
        Custody::Ended {} => "ended",
    }
}

/// Who has a roll.
pub fn custody(custody: &Custody) -> String {
    match custody {
        Custody::Store {} => "in the store".to_owned(),
        Custody::Given { order } => format!("given to {}, not taken over yet", order.id()),
        Custody::Taken { order } => format!("taken over for {}", order.id()),
        Custody::Line { order } => format!("at the line for {}", order.id()),
        Custody::Mounted { order } => format!("on a dispenser for {}", order.id()),
        Custody::GivenBack { order } => format!("given back by {}, sealed and uncounted", order.id()),
        Custody::Ended {} => "ended".to_owned(),
    }
}

/// A kind of fault.
pub fn fault(kind: FaultKind) -> String {
    match kind {
        FaultKind::Missing => "missing label",
        FaultKind::Splice => "splice",
        FaultKind::Unread => "code not read",
        FaultKind::WrongCode => "wrong code",
        FaultKind::Overlap => "overlapping labels",
        FaultKind::VisionReject => "refused by the camera",
        FaultKind::WebBreak => "web break",
    }
    .to_owned()
}

/// How a quantity came to stand.
pub fn settled_by(rule: SettledBy) -> &'static str {
    match rule {
        SettledBy::OneCount => "one count, as the item asks",
        SettledBy::TwoAgree => "two counts that agree",
        SettledBy::ThirdAgrees => "the third count, after a recorded check, agrees with one before",
    }
}

/// How far a count has come.
pub fn count_status(status: CountStatus) -> Told {
    match status {
        CountStatus::Open => Told::new("hold", "running"),
        CountStatus::Closed => Told::new("hold", "to be signed"),
        CountStatus::Signed => Told::new("good", "signed"),
        CountStatus::Interrupted => Told::new("", "interrupted"),
        CountStatus::Aborted => Told::new("", "given up"),
    }
}

/// How far a delivery has come.
pub fn delivery_status(status: DeliveryStatus) -> Told {
    match status {
        DeliveryStatus::Received => Told::new("hold", "received, in quarantine"),
        DeliveryStatus::ExaminedGood => Told::new("hold", "examined, may be released"),
        DeliveryStatus::ExaminedBad => Told::new("grave", "examined, may not be released"),
        DeliveryStatus::Released => Told::new("good", "released"),
        DeliveryStatus::Rejected => Told::new("grave", "rejected"),
    }
}

/// Counted against stated: no minus sign, which is easily overlooked.
pub fn against(counted: u32, stated: u32) -> String {
    match counted.cmp(&stated) {
        std::cmp::Ordering::Equal => "as stated".to_owned(),
        std::cmp::Ordering::Less => format!("{} short", number(stated - counted)),
        std::cmp::Ordering::Greater => format!("{} over", number(counted - stated)),
    }
}

/// The same of whole deliveries.
pub fn against_all(counted: u64, stated: u64) -> String {
    match counted.cmp(&stated) {
        std::cmp::Ordering::Equal => "as stated for them".to_owned(),
        std::cmp::Ordering::Less => format!("{} short of what was stated for them", number(stated - counted)),
        std::cmp::Ordering::Greater => format!("{} over what was stated for them", number(counted - stated)),
    }
}

/// One or several.
pub fn so_many(count: usize, one: &str, more: &str) -> String {
    let number = number(u64::try_from(count).unwrap_or(u64::MAX));
    if count == 1 { format!("{number} {one}") } else { format!("{number} {more}") }
}
// The bench.

/// Which way the web runs.
pub const fn direction(direction: Direction) -> &'static str {
    match direction {
        Direction::Forward => "forward",
        Direction::Rewind => "winding back",
    }
}

/// What a count is for.
pub const fn purpose(purpose: CountPurpose) -> &'static str {
    match purpose {
        CountPurpose::Incoming => "incoming count",
        CountPurpose::Recount => "recount",
        CountPurpose::Issue => "count before an issue",
        CountPurpose::Return => "count of what came back",
        CountPurpose::Challenge => "run of a challenge",
        CountPurpose::Qualification => "run of a qualification",
    }
}

/// Faults of a kind, one or several.
pub const fn faults(kind: FaultKind, many: u32) -> &'static str {
    match (kind, many == 1) {
        (FaultKind::Missing, true) => "missing label",
        (FaultKind::Missing, false) => "missing labels",
        (FaultKind::Splice, true) => "splice",
        (FaultKind::Splice, false) => "splices",
        (FaultKind::Unread, true) => "code not read",
        (FaultKind::Unread, false) => "codes not read",
        (FaultKind::WrongCode, true) => "wrong code",
        (FaultKind::WrongCode, false) => "wrong codes",
        (FaultKind::Overlap, true) => "label over another",
        (FaultKind::Overlap, false) => "labels over others",
        (FaultKind::VisionReject, true) => "label refused by the camera",
        (FaultKind::VisionReject, false) => "labels refused by the camera",
        (FaultKind::WebBreak, true) => "tear of the web",
        (FaultKind::WebBreak, false) => "tears of the web",
    }
}

/// What a fault is and where: `many` of them from one place to another.
pub fn fault_at(kind: FaultKind, first: u32, last: u32, many: u32) -> String {
    let what = if many == 1 { capital(faults(kind, 1)) } else { format!("{many} {}", faults(kind, many)) };
    let (from, to) = (number(first), number(last));
    match (kind.between_labels(), first == last) {
        (true, true) => format!("{what} after label {from}"),
        (true, false) => format!("{what} after labels {from} to {to}"),
        (false, true) => format!("{what} on label {from}"),
        (false, false) => format!("{what} on labels {from} to {to}"),
    }
}

/// What was done about a fault.
pub const fn disposition(disposition: Disposition) -> &'static str {
    match disposition {
        Disposition::Left => "left on the roll and mapped",
        Disposition::TakenOut => "taken out",
        Disposition::SetAside => "set aside",
    }
}

/// Where a piece went.
pub const fn fate(fate: Fate) -> &'static str {
    match fate {
        Fate::Waste => "to the waste",
        Fate::Specimen => "kept as a specimen",
        Fate::Supplier => "to the supplier",
    }
}

/// A number of labels.
pub fn labels(many: impl Into<u64>) -> String {
    match many.into() {
        1 => "1 label".to_owned(),
        many => format!("{} labels", number(many)),
    }
}

/// Which label's code is to be read.
pub const fn code_place(place: CodePlace) -> &'static str {
    match place {
        CodePlace::Start => "the first label",
        CodePlace::End => "the last label",
        CodePlace::BeforeSplice => "the label before a splice",
        CodePlace::AfterSplice => "the label after a splice",
    }
}

/// What a cross-check found.
pub const fn cross_check(check: CrossCheck) -> &'static str {
    match check {
        CrossCheck::TotalAgainstLabels => "the machine's total and the labels seen one by one differ",
        CrossCheck::TotalFell => "the machine's total fell",
        CrossCheck::TotalReset => "the machine's total was set back",
        CrossCheck::TotalJumped => "the machine's total jumped",
        CrossCheck::TotalLeftOver => "the machine's total did not begin at zero",
        CrossCheck::OrdinalGap => "labels were left out in what the machine said",
        CrossCheck::OrdinalFell => "labels came twice in what the machine said",
        CrossCheck::Overspeed => "it ran faster than it is rated for",
        CrossCheck::TicketAgainstTotal => "the machine's ticket and its total differ",
        CrossCheck::Unreadable => "bytes could not be read",
        CrossCheck::LinkLost => "the link was lost",
        CrossCheck::MachineReference => "the machine compares with another code",
        CrossCheck::Alarm => "the machine raised an alarm",
        CrossCheck::WebBreak => "the web tore",
        CrossCheck::Silence => "the machine fell silent",
        CrossCheck::TooManyFaults => "there are more faults than are listed",
        CrossCheck::FaultCap => "there are more faults than the item allows",
        CrossCheck::FaultMapsDiffer => "the counts of the roll saw different faults",
    }
}

/// A word as records have it.
pub fn serialised(word: &impl serde::Serialize) -> String {
    serde_json::to_value(word).ok().and_then(|word| word.as_str().map(str::to_owned)).unwrap_or_default()
}

// Orders and lines.

/// In place of a name where there is none.
pub const NOBODY: &str = "nobody";
/// In place of a figure that is still to be counted.
pub const NO_NUMBER_YET: &str = "no number yet";

/// How far an order has come, and the mark of the word.
pub fn order_status(status: tallyseal_control::OrderStatus) -> (&'static str, &'static str) {
    use tallyseal_control::OrderStatus as S;
    match status {
        S::Planned => ("planned", ""),
        S::Staged => ("staged", ""),
        S::InProgress => ("in progress", "good"),
        S::Interrupted => ("interrupted", "hold"),
        S::Finished => ("finished", ""),
        S::Reconciled => ("reconciled", ""),
        S::InReview => ("in quality review", "hold"),
        S::Approved => ("label record approved", "good"),
        S::Rejected => ("label record rejected", "grave"),
        S::Voided => ("void", "grave"),
    }
}

/// What became of labels.
pub fn term(term: tallyseal_schema::kinds::Term) -> &'static str {
    use tallyseal_schema::kinds::Term as T;
    match term {
        T::Good => "On good units",
        T::Rejected => "On rejected units",
        T::Samples => "Samples",
        T::Spoiled => "Spoiled",
    }
}

/// How a difference stands to its limits, and the mark of the words.
pub fn verdict(verdict: tallyseal_schema::kinds::Verdict) -> (&'static str, &'static str) {
    use tallyseal_schema::kinds::Verdict as V;
    match verdict {
        V::Within => ("within its limits", "good"),
        V::WithinUncertainty => {
            ("over, but by no more than the counts may be off: a comment, and quality acknowledges it", "hold")
        }
        V::Outside => ("outside its limits: a deviation", "grave"),
    }
}

/// Whole labels and the rest of one, from parts of `1/den`.
pub fn parts(size: u64, den: u32) -> String {
    let den = u64::from(den.max(1));
    match (size / den, size % den) {
        (whole, 0) => number(whole),
        (0, rest) => format!("{rest}/{den}"),
        (whole, rest) => format!("{} {rest}/{den}", number(whole)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_grouped_from_the_right() {
        for (value, text) in
            [(0_u64, "0"), (999, "999"), (1_000, "1\u{2009}000"), (1_234_567, "1\u{2009}234\u{2009}567")]
        {
            assert_eq!(number(value), text);
        }
    }

    #[test]
    fn a_number_of_the_record_gets_its_unit() {
        let cases = [
            ("pitch_um", 53_000, "53 mm"),
            ("web_thickness_um", 145, "0.145 mm"),
            ("width_um", 80_500, "80.5 mm"),
            ("challenge_interval_min", 480, "480 minutes"),
            ("lanes", 1, "1"),
            ("labels", 1, "1 label"),
        ];
        for (name, value, text) in cases {
            assert_eq!(with_unit(name, value), text, "{name}");
        }
        assert_eq!((record_word("two_agree"), record_word("SP_1 x")), ("two agree".to_owned(), "SP_1 x".to_owned()));
        assert_eq!(field("rolls.0.stated"), "Rolls 1, labels stated by the supplier");
    }

    #[test]
    fn faults_are_told_with_their_place() {
        for (fault, first, last, many, text) in [
            (FaultKind::Splice, 333, 333, 1, "Splice after label 333"),
            (FaultKind::Missing, 50, 51, 2, "2 missing labels after labels 50 to 51"),
            (FaultKind::Missing, 50, 50, 2, "2 missing labels after label 50"),
            (FaultKind::Unread, 1_200, 1_203, 4, "4 codes not read on labels 1\u{2009}200 to 1\u{2009}203"),
            (FaultKind::WrongCode, 7, 7, 1, "Wrong code on label 7"),
        ] {
            assert_eq!(fault_at(fault, first, last, many), text);
        }
    }
}
