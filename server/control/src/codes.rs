//! Codes read by hand, where the station did not read those of the roll: at its start, at its end, and on both sides of
//! each splice.

use tallyseal_schema::ids::{Id, Thing};
use tallyseal_schema::kinds::{CodePlace, CountCodeChecked, FaultKind};

use crate::Draft;
use crate::count::{CountState, CountStatus};
use crate::observe::{Wrong, hold_for_wrong_code, readable};
use crate::refusal::Refusal;
use crate::text::code;
use crate::world::{Stop, World, of};

/// True where labels of a coded roll passed and nothing tells what they carry: the station read no code at all, or it
/// told labels one by one and neither read their codes nor said what was wrong with them.
fn by_hand(state: &CountState) -> bool {
    if state.expected_code.is_none() || state.of_test_roll() {
        return false;
    }
    let on_labels = state.fault_totals().into_iter().filter(|(kind, _)| !kind.between_labels());
    let told = on_labels.map(|(_, labels)| labels).fold(state.codes_read, u32::saturating_add);
    state.codes_read == 0 || state.labels_seen > told
}

/// The places that a count leaves to be read by hand and that nobody has read yet, each with its label.
///
/// Rule: label-control practice: a splice is where labels of another roll come in.
fn waiting(state: &CountState) -> Vec<(CodePlace, u32)> {
    if !by_hand(state) {
        return Vec::new();
    }
    let labels = state.labels.unwrap_or_default().get();
    let mut places = vec![(CodePlace::Start, 1), (CodePlace::End, labels)];
    for splice in state.faults.iter().filter(|fault| fault.fault == FaultKind::Splice) {
        // Before the first label and after the last one there is only one side.
        if splice.ordinal > 0 {
            places.push((CodePlace::BeforeSplice, splice.ordinal));
        }
        if splice.ordinal < labels {
            places.push((CodePlace::AfterSplice, splice.ordinal.saturating_add(1)));
        }
    }
    places.retain(|place| !state.codes_checked.contains(place));
    places.sort_unstable_by_key(|(_, ordinal)| *ordinal);
    places.dedup();
    places
}

impl CountState {
    /// The places whose codes are still to be read by hand before it can be signed, each with its label.
    pub fn codes_waiting(&self) -> Vec<(CodePlace, u32)> {
        waiting(self)
    }
}

/// Refuses the signature on a count of coded labels whose codes nobody read.
pub(crate) fn must_be_checked(count: &Id, state: &CountState) -> Result<(), Stop> {
    let places = waiting(state);
    let Some((place, ordinal)) = places.first() else { return Ok(()) };
    let more = match places.len() {
        1 => String::new(),
        more => format!(", and {} more", more - 1),
    };
    Err(Refusal::conflict(
        "codes-by-hand",
        format!(
            "The station did not read the codes of the count {count}; nobody has read {} (label {ordinal}){more}.",
            name(*place)
        ),
        "Read the codes by hand at the start, at the end and on both sides of each splice, and record what was read.",
    )
    .into())
}

const fn name(place: CodePlace) -> &'static str {
    match place {
        CodePlace::Start => "that of the first label",
        CodePlace::End => "that of the last label",
        CodePlace::BeforeSplice => "that before a splice",
        CodePlace::AfterSplice => "that after a splice",
    }
}

/// The label of the place. Errors: no splice was seen there; the end of the roll has not come.
fn label_at(count: &Id, state: &CountState, place: CodePlace, splice: Option<u32>) -> Result<u32, Stop> {
    let beside = matches!(place, CodePlace::BeforeSplice | CodePlace::AfterSplice);
    if beside != splice.is_some() {
        return Err(Refusal::invalid(
            "which-splice",
            "A code beside a splice is recorded with the splice's place, and another one without.",
            "Give the ordinal of the splice from the list of faults, or leave it away for the start and the end.",
        )
        .into());
    }
    if let Some(splice) = splice
        && !state.faults.iter().any(|fault| fault.fault == FaultKind::Splice && fault.ordinal == splice)
    {
        return Err(Refusal::invalid(
            "no-such-fault",
            format!("No splice was seen after label {splice} in the count {count}."),
            "Take the place from the list of faults.",
        )
        .into());
    }
    let no_label = || {
        Stop::from(Refusal::invalid(
            "no-label-there",
            "On that side of the splice the roll has no label.",
            "Read the label on the other side of it.",
        ))
    };
    match (place, splice) {
        (CodePlace::Start, _) => Ok(1),
        (CodePlace::End, _) => state.labels.map(tallyseal_schema::Labels::get).ok_or_else(|| {
            Refusal::conflict(
                "count-open",
                format!("The count {count} is still running; its last label has not passed."),
                "Close it at the end of the roll, then read the last label.",
            )
            .into()
        }),
        (CodePlace::BeforeSplice, Some(splice)) if splice > 0 => Ok(splice),
        (CodePlace::AfterSplice, Some(splice)) if state.labels.is_none_or(|labels| splice < labels.get()) => {
            Ok(splice.saturating_add(1))
        }
        (CodePlace::BeforeSplice | CodePlace::AfterSplice, _) => Err(no_label()),
    }
}

/// A code that was read by hand. One that is not the item's is a wrong code like any other: the roll is set aside, its
/// delivery is held whole.
pub(crate) fn check(
    world: &World,
    count: &Id,
    place: CodePlace,
    splice: Option<u32>,
    found: &str,
) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Count, count);
    let state = world.count(&stream)?;
    state.must_be(count, &[CountStatus::Open, CountStatus::Closed])?;
    if state.of_test_roll() {
        return Err(Refusal::conflict(
            "test-roll-by-machine",
            format!("The count {count} is a run of a test roll; it shows what the station reads by itself."),
            "Conclude the challenge with the run.",
        )
        .into());
    }
    let Some(expected) = &state.expected_code else {
        return Err(Refusal::conflict(
            "no-code-expected",
            format!("The item {} carries no code.", state.item.id()),
            "If there is a code on the label it is a foreign one: stop, set the roll aside and open a deviation.",
        )
        .into());
    };
    let ordinal = label_at(count, state, place, splice)?;
    if state.codes_checked.contains(&(place, ordinal)) {
        return Err(Refusal::conflict(
            "already-checked",
            format!("The code of label {ordinal} is recorded already."),
            "Go on with the places that are left; what was recorded stays.",
        )
        .into());
    }
    let found = code("code", &readable(found))?;
    let matches = readable(expected) == found;
    let mut drafts = vec![Draft::entry(&stream, CountCodeChecked { found: found.clone(), matches, ordinal, place })];
    let held = state.faults.iter().any(|fault| fault.fault == FaultKind::WrongCode);
    if !matches && !held {
        let wrong = Wrong { first: ordinal, found, last: ordinal };
        drafts.extend(hold_for_wrong_code(world, state, &stream, &wrong)?);
    }
    Ok(drafts)
}
