//! Quantities of labels and units on the line, each with its source and its readings. None is derived from another.

use tallyseal_schema::Labels;
use tallyseal_schema::ids::{Id, Stream};
use tallyseal_schema::kinds::{
    HandCounted, LineDevice, LineDeviceKind, OrderQuantityRecorded, OrderQuantityWithdrawn, OrderUnitsRecorded,
    OverrideKind, Source, Term,
};

use crate::hand_count::agreed_for;
use crate::issue::order_in;
use crate::refusal::Refusal;
use crate::text::{line, reason, said};
use crate::world::{Stop, World};
use crate::{Context, Draft, OrderState, OrderStatus, overrides};

/// Most quantities of one order, withdrawn ones too, so that what is remembered of it stays of a bounded size.
const QUANTITIES_MAX: usize = 1_000;

/// The states of an order in which its quantities are recorded and corrected. Once it is with quality it is opened again
/// first.
pub(crate) const COUNTING: &[OrderStatus] =
    &[OrderStatus::InProgress, OrderStatus::Interrupted, OrderStatus::Finished, OrderStatus::Reconciled];

const COUNTING_REMEDY: &str = "Quantities are recorded from the start of the order until it is signed for packaging; then a reviewer opens it again.";

/// What is given.
pub(crate) struct Given<'a> {
    pub material: u16,
    pub order: &'a Id,
    pub overdue: Option<&'a Id>,
    pub purpose: Option<&'a str>,
    pub source: &'a Source,
    pub term: Term,
}

/// A number from its source, and what follows for the override that it may need.
struct Sourced {
    count: u32,
    over: Option<Stream>,
}

/// What a number is of.
struct Wanted<'a> {
    counted: HandCounted,
    kinds: &'a [LineDeviceKind],
    material: Option<u16>,
    what: &'a str,
}

pub(crate) fn record(world: &World, context: &Context, given: &Given<'_>) -> Result<Vec<Draft>, Stop> {
    use LineDeviceKind as K;
    let (order, state) = order_in(world, given.order, COUNTING, COUNTING_REMEDY)?;
    state.material(given.order, given.material)?;
    let (kinds, counted, what): (&[K], _, _) = match given.term {
        Term::Good => (&[K::Dispenser, K::Verifier], HandCounted::Good, "labels on good units"),
        Term::Rejected => (&[K::Verifier], HandCounted::Rejected, "labels on rejected units"),
        Term::Samples => (&[K::Dispenser, K::Printer, K::Verifier], HandCounted::Samples, "samples"),
        Term::Spoiled => (&[K::Dispenser, K::Printer, K::Verifier], HandCounted::Spoiled, "spoiled labels"),
    };
    let purpose = match (given.term, given.purpose) {
        (Term::Samples | Term::Spoiled, Some(purpose)) => Some(said("purpose", purpose)?),
        (Term::Samples | Term::Spoiled, None) => {
            return Err(Refusal::invalid(
                "no-purpose",
                format!("For {what} it must be said what they are for, or why they were spoiled."),
                "Say it in a few words.",
            )
            .into());
        }
        (Term::Good | Term::Rejected, None) => None,
        (Term::Good | Term::Rejected, Some(_)) => {
            return Err(Refusal::invalid(
                "purpose-without-need",
                format!("There is no purpose or cause to be told of {what}."),
                "Leave it away; a remark on the order takes what is to be said.",
            )
            .into());
        }
    };
    let wanted = Wanted { counted, kinds, material: Some(given.material), what };
    let Sourced { count, over } = sourced(world, context, &order, state, given.source, given.overdue, &wanted)?;
    let body = OrderQuantityRecorded {
        labels: Labels::new(count).ok_or_else(|| absurd(u64::from(count)))?,
        material: given.material,
        purpose,
        quantity: next_number(given.order, state)?,
        source: given.source.clone(),
        term: given.term,
    };
    Ok(with_override(&order, Draft::entry(&order, body), over))
}

pub(crate) fn record_units(
    world: &World,
    context: &Context,
    order: &Id,
    lot: &str,
    source: &Source,
    overdue: Option<&Id>,
) -> Result<Vec<Draft>, Stop> {
    let (stream, state) = order_in(world, order, COUNTING, COUNTING_REMEDY)?;
    let lot = line("lot", lot)?;
    if !state.plan.lots.iter().any(|one| one.lot == lot) {
        return Err(Refusal::invalid(
            "no-such-lot",
            format!("The order {order} has no product lot \"{lot}\"."),
            "Take the lot from the order.",
        )
        .into());
    }
    let wanted = Wanted {
        counted: HandCounted::Units,
        kinds: &[LineDeviceKind::UnitCounter],
        material: None,
        what: "finished units",
    };
    let Sourced { count, over } = sourced(world, context, &stream, state, source, overdue, &wanted)?;
    let body = OrderUnitsRecorded { lot, quantity: next_number(order, state)?, source: source.clone(), units: count };
    Ok(with_override(&stream, Draft::entry(&stream, body), over))
}

fn with_override(order: &Stream, recorded: Draft, over: Option<Stream>) -> Vec<Draft> {
    let used = over.map(|over| overrides::used(&over, order));
    std::iter::once(recorded).chain(used).collect()
}

/// The next number of a quantity in the order.
fn next_number(id: &Id, state: &OrderState) -> Result<u32, Stop> {
    if state.quantities.len() >= QUANTITIES_MAX {
        return Err(Refusal::conflict(
            "too-many-quantities",
            format!("The order {id} has {QUANTITIES_MAX} quantities already, and takes no more."),
            "Tell the reviewer; a deviation says what is missing.",
        )
        .into());
    }
    Ok(state.quantities.keys().next_back().copied().unwrap_or(0).saturating_add(1))
}

fn absurd(count: u64) -> Refusal {
    Refusal::invalid(
        "absurd-quantity",
        format!("{count} is more than the {} that one quantity may be.", Labels::MAX),
        "Read the counter again, and give how often it passed zero.",
    )
}

fn sourced(
    world: &World,
    context: &Context,
    order: &Stream,
    state: &OrderState,
    source: &Source,
    overdue: Option<&Id>,
    wanted: &Wanted<'_>,
) -> Result<Sourced, Stop> {
    match source {
        Source::Device { device, end, start, wraps } => {
            let device = fitting(world, state, device, wanted)?;
            let count = reading(device, *start, *end, *wraps)?;
            must_not_overlap(state, device, *start, count)?;
            Ok(Sourced { count, over: calibrated(world, context, order, device, overdue)? })
        }
        Source::HandCount { hand_count } => {
            if overdue.is_some() {
                return Err(override_not_needed());
            }
            let labels = agreed_for(world, hand_count, order, wanted.material, &[wanted.counted])?;
            must_be_new_here(state, hand_count)?;
            Ok(Sourced { count: labels.get(), over: None })
        }
    }
}

fn fitting<'w>(world: &'w World, state: &OrderState, device: &Id, wanted: &Wanted<'_>) -> Result<&'w LineDevice, Stop> {
    let line = &state.plan.line;
    let Some(found) = world.line(line)?.devices.iter().find(|one| one.id == *device) else {
        return Err(Refusal::invalid(
            "no-such-device",
            format!("The line {} has no device {device}.", line.id()),
            "Scan the device whose counter was read; a supervisor registers a new one.",
        )
        .into());
    };
    if !wanted.kinds.contains(&found.kind) {
        return Err(Refusal::invalid(
            "device-does-not-fit",
            format!("The device {device} does not count {}.", wanted.what),
            "Read the device that counts them, or let two people count them by hand.",
        )
        .into());
    }
    Ok(found)
}

/// What one counter goes through before it begins again at 0.
fn modulus(device: &LineDevice) -> u64 {
    10_u64.saturating_pow(u32::from(device.digits))
}

/// How many passed between two readings.
///
/// Rule: label-control practice: a counter of d digits begins again at 0 after 10^d; nobody repairs that by a guess.
fn reading(device: &LineDevice, start: u32, end: u32, wraps: u8) -> Result<u32, Stop> {
    let modulus = modulus(device);
    if u64::from(start) >= modulus || u64::from(end) >= modulus {
        return Err(Refusal::invalid(
            "reading-too-large",
            format!("The counter of {} has {} digits; {start} to {end} does not fit on it.", device.id, device.digits),
            "Read the counter again.",
        )
        .into());
    }
    let passed = u64::from(end).saturating_add(u64::from(wraps).saturating_mul(modulus)).checked_sub(u64::from(start));
    let Some(passed) = passed else {
        return Err(Refusal::invalid(
            "reading-falls",
            format!("The reading at the end ({end}) is below the one at the start ({start})."),
            "Read the counter again; if it began again at 0 in between, say how often.",
        )
        .into());
    };
    match u32::try_from(passed) {
        Ok(count) if count <= Labels::MAX => Ok(count),
        _ => Err(absurd(passed).into()),
    }
}

/// Refuses what was counted already: the readings of one device in an order never overlap.
///
/// A device whose counter began again at 0 passes the same reading more than once; so each range is laid where it fits,
/// lap by lap, in the order of their numbers, and no further than the laps that were recorded.
fn must_not_overlap(state: &OrderState, device: &LineDevice, start: u32, count: u32) -> Result<(), Stop> {
    let modulus = modulus(device);
    let (laid, _) = laid(state, device, None);
    if fits(&laid, u64::from(start), u64::from(count), modulus).is_some() {
        return Ok(());
    }
    Err(Refusal::conflict(
        "readings-overlap",
        format!("A part of these readings of {} is in a quantity of the order already.", device.id),
        "Give only what the counter passed since; or withdraw the quantity that was wrong, and record it anew.",
    )
    .into())
}

/// The ranges of a device where they lie, and whether each has found a place of its own. `but`: number of a quantity
/// that is left out.
fn laid(state: &OrderState, device: &LineDevice, but: Option<u32>) -> (Vec<(u64, u64)>, bool) {
    let modulus = modulus(device);
    let (mut laid, mut all_fit): (Vec<(u64, u64)>, bool) = (Vec::new(), true);
    for (number, quantity) in state.quantities.iter().filter(|(_, quantity)| !quantity.withdrawn) {
        let Source::Device { device: other, start, .. } = &quantity.source else { continue };
        if *other == device.id && Some(*number) != but {
            let (start, length) = (u64::from(*start), u64::from(quantity.count));
            let fits = fits(&laid, start, length, modulus);
            all_fit &= fits.is_some();
            let from = fits.unwrap_or(start);
            laid.push((from, from.saturating_add(length)));
        }
    }
    (laid, all_fit)
}

/// Refuses to take away the lap without which two later readings would be one and the same: labels would count twice.
fn must_leave_no_overlap(world: &World, state: &OrderState, quantity: u32, source: &Source) -> Result<(), Stop> {
    let Source::Device { device, .. } = source else { return Ok(()) };
    let Some(device) = world.line(&state.plan.line)?.devices.iter().find(|one| one.id == *device) else {
        return Ok(());
    };
    if laid(state, device, Some(quantity)).1 || !laid(state, device, None).1 {
        return Ok(());
    }
    Err(Refusal::conflict(
        "readings-overlap",
        format!("Without the quantity {quantity} later readings of {} would overlap.", device.id),
        "Withdraw those that were recorded after it first, and record them anew.",
    )
    .into())
}

/// Where a range can lie without touching those that are laid.
fn fits(laid: &[(u64, u64)], start: u64, length: u64, modulus: u64) -> Option<u64> {
    if length == 0 {
        return Some(start);
    }
    let furthest = laid.iter().map(|(_, to)| *to).max().unwrap_or(0);
    let laps = furthest.checked_div(modulus).unwrap_or(0);
    (0..=laps).map(|lap| start.saturating_add(lap.saturating_mul(modulus))).find(|from| {
        let to = from.saturating_add(length);
        laid.iter().all(|(other_from, other_to)| to <= *other_from || *other_to <= *from)
    })
}

fn override_not_needed() -> Stop {
    Refusal::invalid(
        "override-not-needed",
        "No calibration is overdue for this quantity.",
        "Record it without the override, and keep that for when it is needed.",
    )
    .into()
}

/// The override that is used for a device whose calibration is overdue; `None` where it is not.
fn calibrated(
    world: &World,
    context: &Context,
    order: &Stream,
    device: &LineDevice,
    overdue: Option<&Id>,
) -> Result<Option<Stream>, Stop> {
    match (context.at > device.calibration_due, overdue) {
        (false, None) => Ok(None),
        (false, Some(_)) => Err(override_not_needed()),
        (true, Some(over)) => {
            let wanted = overrides::Bounds { device: Some(&device.id), ..Default::default() };
            overrides::must_be_granted(world, over, OverrideKind::DeviceOverdue, order, order, wanted).map(Some)
        }
        (true, None) => Err(Refusal::conflict(
            "calibration-overdue",
            format!("The calibration of {} is overdue.", device.id),
            "Let two people count by hand; or ask for an override with a reason, and let a reviewer grant it.",
        )
        .into()),
    }
}

/// Refuses a hand count that stands in a quantity of the order already.
fn must_be_new_here(state: &OrderState, hand_count: &Stream) -> Result<(), Stop> {
    let standing = state.quantities.iter().filter(|(_, quantity)| !quantity.withdrawn);
    let mut of_it = standing.filter(
        |(_, quantity)| matches!(&quantity.source, Source::HandCount { hand_count: other } if other == hand_count),
    );
    match of_it.next() {
        None => Ok(()),
        Some((number, _)) => Err(Refusal::conflict(
            "hand-count-used",
            format!("The hand count {} is in the quantity {number} of the order already.", hand_count.id()),
            "A hand count is used once; count what is further there as another one.",
        )
        .into()),
    }
}

pub(crate) fn withdraw(world: &World, order: &Id, quantity: u32, why: &str) -> Result<Vec<Draft>, Stop> {
    let (stream, state) = order_in(world, order, COUNTING, COUNTING_REMEDY)?;
    match state.quantities.get(&quantity) {
        Some(known) if !known.withdrawn => must_leave_no_overlap(world, state, quantity, &known.source)?,
        Some(_) => {
            return Err(Refusal::conflict(
                "already-withdrawn",
                format!("The quantity {quantity} of the order {order} is withdrawn already."),
                "Record the right one as a new quantity.",
            )
            .into());
        }
        None => {
            return Err(Refusal::invalid(
                "no-such-quantity",
                format!("The order {order} has no quantity {quantity}."),
                "Take its number from the order.",
            )
            .into());
        }
    }
    Ok(vec![Draft::because(&stream, OrderQuantityWithdrawn { quantity }, &reason(why)?)])
}
