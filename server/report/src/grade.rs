//! What is not plain: which entry is an exception, of which grade, and whether it still stands. Pure, so that pages and the
//! printed record judge by the same words.

use tallyseal_control::{CountStatus, DeliveryStatus, DeviationStatus, HandCountStatus, OrderStatus, OverrideStatus};
use tallyseal_control::{Quality, Record, RollState, State};
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::{
    CountPurpose, CrossCheck, ExaminationResult, ExaminationVerdict, FaultKind, NoTimeStamp, Role, SettledBy, Severity,
    StationWork, Verdict,
};
use tallyseal_schema::{Body, By, Entry};

/// How grave an exception is, gravest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grade {
    /// A batch stops for it.
    Stops,
    /// Somebody must decide.
    Decision,
    /// A reviewer must see it.
    Seen,
}

impl Grade {
    /// Gravest first.
    pub const ALL: [Self; 3] = [Self::Stops, Self::Decision, Self::Seen];

    /// Its number, 1 for the gravest.
    pub const fn number(self) -> u8 {
        match self {
            Self::Stops => 1,
            Self::Decision => 2,
            Self::Seen => 3,
        }
    }

    /// What it is called.
    pub const fn title(self) -> &'static str {
        match self {
            Self::Stops => "Stops a batch",
            Self::Decision => "Needs a decision",
            Self::Seen => "To be seen",
        }
    }

    /// The class of its mark.
    pub const fn class(self) -> &'static str {
        match self {
            Self::Stops => "grave",
            Self::Decision => "hold",
            Self::Seen => "seen",
        }
    }
}

/// An entry, judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Judged {
    /// It is done once quality has seen it: nothing else can be done about it any more.
    pub by_sight: bool,
    /// How grave it is.
    pub grade: Grade,
    /// It is an exception only for as long as it stands: once done it is plain.
    pub passes: bool,
    /// What sort of exception it is, in words.
    pub sort: &'static str,
}

/// What became of an exception.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It waits.
    Open,
    /// Nothing waits any more: decided, lifted, counted again.
    Settled,
    /// It only is to be seen.
    Told,
}

const fn stops(sort: &'static str) -> Judged {
    Judged { by_sight: false, grade: Grade::Stops, passes: false, sort }
}

const fn decision(sort: &'static str) -> Judged {
    Judged { by_sight: false, grade: Grade::Decision, passes: false, sort }
}

/// Waits for a hand, and is plain after it.
const fn waits(sort: &'static str) -> Judged {
    Judged { by_sight: false, grade: Grade::Decision, passes: true, sort }
}

const fn seen(sort: &'static str) -> Judged {
    Judged { by_sight: true, grade: Grade::Seen, passes: false, sort }
}

/// One sort of exception: of which entries it is, and how these are judged.
#[derive(Debug, Clone, Copy)]
pub struct Sort {
    /// The kinds of entry that it is of; none: any kind.
    pub kinds: &'static [&'static str],
    /// Which of their entries: a name of the case, by which the checking page knows it; empty where it is all of them.
    pub case: &'static str,
    /// How they are judged.
    pub judged: Judged,
}

/// Names each sort for [`of_entry`], and lists all of them for the checking page (`verify/tables.js`).
macro_rules! sorts {
    ($($name:ident: [$($kind:literal),*], $case:literal, $judged:expr;)*) => {
        $(const $name: Judged = $judged;)*

        /// Every sort of exception.
        pub const SORTS: &[Sort] = &[$(Sort { kinds: &[$($kind),*], case: $case, judged: $name }),*];
    };
}

sorts! {
    CRITICAL_DEVIATION: ["deviation.opened"], "critical", stops("Critical deviation");
    MAJOR_DEVIATION: ["deviation.opened"], "major", stops("Major deviation");
    MINOR_DEVIATION: ["deviation.opened"], "minor", decision("Minor deviation");
    GRAVITY_CHANGED: ["deviation.assessed"], "changed", seen("Gravity changed");
    DEVIATION_EXTENDED: ["deviation.scope_extended"], "", seen("Deviation extended to more");
    INTERIM_DECISION: ["deviation.interim_decided"], "", seen("Interim decision");
    DEVIATION_PUT_OFF: ["deviation.due_extended"], "", seen("Deviation put off");
    COUNTS_DISAGREE: ["roll.counts_disagreed"], "", stops("Counts disagree");
    COUNT_DOUBTED: ["roll.count_doubted"], "", stops("Count doubted: a challenge failed");
    CHALLENGE_FAILED: ["station.challenge_failed"], "", stops("Challenge failed");
    TABLE_DOUBTED: ["station.doubted"], "", decision("Table doubted: it is challenged before it counts again");
    WRONG_CODE: ["count.fault_seen"], "wrong_code", stops("Wrong code");
    WRONG_CODE_BY_HAND: ["count.code_checked"], "differs", stops("Wrong code, read by hand");
    HOLD: ["roll.held", "delivery.held", "order.held"], "", stops("Hold");
    HOLD_LIFTED: ["roll.hold_lifted", "delivery.hold_lifted", "order.hold_lifted"], "", seen("Hold lifted");
    ACCOUNT_OUTSIDE: ["reconciliation.computed"], "outside", stops("Account outside its limits");
    ACCOUNT_UNCERTAIN: ["reconciliation.computed"], "within_uncertainty", decision("Account over, within what the counters may be off");
    ACCOUNT_BY_ONE_COUNTER: ["reconciliation.computed"], "one_counter", seen("Account by one counter only: one test, not two");
    HAND_COUNTS_DIFFER: ["hand_count.differed"], "", stops("Hand counts differ");
    EXAMINATION_NOT_PASSED: ["delivery.examined"], "reject", stops("Examination not passed");
    DELIVERY_REJECTED: ["delivery.rejected"], "", seen("Delivery rejected");
    LABEL_DIFFERS: ["order.roll_examined"], "different", stops("Label differs from its specimen");
    OTHER_ROLL_TAKEN: ["order.roll_examined"], "chosen", seen("Another roll taken than proposed");
    FOREIGN_ON_LINE: ["clearance.performed"], "foreign", stops("Foreign labels or product on the line");
    RETURN_SEAL_BROKEN: ["order.return_taken"], "broken", decision("Seal of a return broken");
    OVERRIDE_ASKED_FOR: ["override.requested"], "", waits("Override asked for");
    OVERRIDE_GRANTED: ["override.granted"], "", seen("Override granted");
    OVERRIDE_REFUSED: ["override.refused"], "", seen("Override refused");
    OVERRIDE_USED: ["override.used"], "", seen("Override used");
    COUNT_NOT_SIGNED: ["count.closed"], "", waits("Count not signed");
    RETURN_TO_BE_RELEASED: ["roll.returned"], "", waits("Return to be released");
    NUMBERS_DO_NOT_FIT: ["count.exception_found"], "numbers", decision("Machine's numbers do not fit together");
    WORD_OF_MACHINE: ["count.exception_found"], "word", seen("Machine's word");
    DISPOSITION_CORRECTED: ["count.disposition_corrected"], "", seen("Disposition corrected");
    COUNT_INTERRUPTED: ["count.interrupted"], "", seen("Count interrupted");
    COUNT_GIVEN_UP: ["count.aborted"], "", seen("Count given up");
    LINK_LOST_IN_COUNT: ["count.link_lost"], "", seen("Link to the table lost in a count");
    CHECK_RECORDED: ["roll.check_recorded"], "", seen("Check of web, sensor and speed");
    SETTLED_BY_THIRD: ["roll.count_settled"], "third_agrees", seen("Settled by a third count");
    QUANTITY_WITHDRAWN: ["order.quantity_withdrawn"], "", seen("Quantity withdrawn");
    ORDER_INTERRUPTED: ["order.interrupted"], "", seen("Order interrupted");
    LABEL_RECORD_REJECTED: ["order.rejected"], "", seen("Label record rejected");
    ORDER_VOIDED: ["order.voided"], "", seen("Order voided");
    ORDER_REOPENED: ["order.reopened"], "", seen("Order reopened");
    ISSUED_BEYOND_THE_NEED: ["issue.given"], "extra", seen("Issued beyond the need");
    ISSUED_AT_RISK: ["issue.given"], "at_risk", seen("Issued at risk: before the closing challenge");
    ISSUE_WITHDRAWN: ["issue.withdrawn"], "", seen("Issue withdrawn");
    DESTROYED_LATE: ["container.destruction_declared"], "late", seen("Destroyed late");
    TABLE_REPAIRED_OR_MOVED: ["station.work_logged"], "repaired", seen("Table repaired or moved");
    LINK_LOST: ["station.link_lost"], "", seen("Link to the table lost");
    STRAY_BYTES: ["station.stray_captured"], "", seen("Machine spoke outside a count");
    TEST_ROLL_WITHDRAWN: ["test_roll.withdrawn"], "", seen("Test roll withdrawn");
    LIMITS_WITHDRAWN: ["limit_set.withdrawn"], "", seen("Limits withdrawn");
    ITEM_MADE_OBSOLETE: ["item.obsoleted"], "", seen("Item made obsolete");
    ACCOUNT_LOCKED: ["account.locked"], "", seen("Account locked");
    SIGNING_KEY_COMPROMISED: ["account.key_compromised"], "", seen("A person's signing key compromised");
    BOOK_KEY_COMPROMISED: ["book.key_compromised"], "", seen("The book's key compromised");
    BOOK_KEY_CHANGED: ["book.key_enrolled"], "", seen("The book's key changed");
    REFUSED: ["act.refused"], "", seen("Refused");
    WRONG_PASSWORD_AT_SIGNATURE: ["session.password_refused"], "at_signature", seen("Wrong password at a signature");
    CLOCK_STEPPED: ["clock.stepped"], "", seen("Clock stepped");
    STRANGERS_TURNED_AWAY: ["access.refused"], "", seen("Strangers turned away");
    FORK_KNOWN: ["book.fork_seen"], "", stops("Another history of this book is known");
    RECEIPT_CONTRADICTS: ["book.receipt_contradicted"], "", stops("A receipt contradicts this book");
    WITNESS_LOST: ["book.witness_lost"], "", decision("Witness lost: nobody outside follows the book");
    WITNESSES_CHANGED: ["book.witnesses_named"], "", seen("Witnesses changed");
    TIME_STAMP_BAD: ["book.time_stamp_lost"], "bad_token", decision("A bad time-stamp was refused");
    TIME_STAMPS_MISSING: ["book.time_stamp_lost"], "no_token", decision("Time-stamps are missing");
    TIME_AUTHORITY_CHANGED: ["book.time_authority_named"], "", seen("Time-stamping authority changed");
    REMARK: ["remark.made"], "by_others", seen("Remark");
    LATE_ENTRY: [], "late", Judged { by_sight: true, ..decision("Late entry") };
}

/// The entry as an exception, by itself; `None`: it is plain. What it needs besides is asked by [`in_its_stream`].
pub fn of_entry(entry: &Entry) -> Option<Judged> {
    use Body as B;
    let judged = match &entry.body {
        B::DeviationOpened(body) => match body.severity {
            Severity::Critical => Some(CRITICAL_DEVIATION),
            Severity::Major => Some(MAJOR_DEVIATION),
            Severity::Minor => Some(MINOR_DEVIATION),
        },
        B::DeviationAssessed(_) => Some(GRAVITY_CHANGED),
        B::DeviationScopeExtended(_) => Some(DEVIATION_EXTENDED),
        B::DeviationInterimDecided(_) => Some(INTERIM_DECISION),
        B::DeviationDueExtended(_) => Some(DEVIATION_PUT_OFF),
        B::RollCountsDisagreed(_) => Some(COUNTS_DISAGREE),
        B::RollCountDoubted(_) => Some(COUNT_DOUBTED),
        B::StationChallengeFailed(_) => Some(CHALLENGE_FAILED),
        B::StationDoubted(_) => Some(TABLE_DOUBTED),
        B::CountFaultSeen(body) if body.fault == FaultKind::WrongCode => Some(WRONG_CODE),
        B::CountFaultSeen(_) => None,
        B::CountCodeChecked(body) => {
            if body.matches {
                None
            } else {
                Some(WRONG_CODE_BY_HAND)
            }
        }
        B::RollHeld(_) | B::DeliveryHeld(_) | B::OrderHeld(_) => Some(HOLD),
        B::RollHoldLifted(_) | B::DeliveryHoldLifted(_) | B::OrderHoldLifted(_) => Some(HOLD_LIFTED),
        B::ReconciliationComputed(body) => match body.balance.max(body.against_product) {
            Verdict::Outside => Some(ACCOUNT_OUTSIDE),
            Verdict::WithinUncertainty => Some(ACCOUNT_UNCERTAIN),
            Verdict::Within if !body.independent => Some(ACCOUNT_BY_ONE_COUNTER),
            Verdict::Within => None,
        },
        B::HandCountDiffered(_) => Some(HAND_COUNTS_DIFFER),
        B::DeliveryExamined(body) => match body.result {
            ExaminationResult::Reject => Some(EXAMINATION_NOT_PASSED),
            ExaminationResult::Accept => None,
        },
        B::DeliveryRejected(_) => Some(DELIVERY_REJECTED),
        B::OrderRollExamined(body) => match (body.verdict, body.choice) {
            (ExaminationVerdict::Different, _) => Some(LABEL_DIFFERS),
            (ExaminationVerdict::Same, Some(_)) => Some(OTHER_ROLL_TAKEN),
            (ExaminationVerdict::Same, None) => None,
        },
        B::ClearancePerformed(body) => match body.places.iter().any(|place| place.foreign) {
            true => Some(FOREIGN_ON_LINE),
            false => None,
        },
        B::OrderReturnTaken(body) => {
            if body.seal_intact {
                None
            } else {
                Some(RETURN_SEAL_BROKEN)
            }
        }
        B::OverrideRequested(_) => Some(OVERRIDE_ASKED_FOR),
        B::OverrideGranted(_) => Some(OVERRIDE_GRANTED),
        B::OverrideRefused(_) => Some(OVERRIDE_REFUSED),
        B::OverrideUsed(_) => Some(OVERRIDE_USED),
        B::CountClosed(_) => Some(COUNT_NOT_SIGNED),
        B::RollReturned(_) => Some(RETURN_TO_BE_RELEASED),
        B::CountExceptionFound(body) => match questions(body.check) {
            true => Some(NUMBERS_DO_NOT_FIT),
            false => Some(WORD_OF_MACHINE),
        },
        B::CountDispositionCorrected(_) => Some(DISPOSITION_CORRECTED),
        B::CountInterrupted(_) => Some(COUNT_INTERRUPTED),
        B::CountAborted(_) => Some(COUNT_GIVEN_UP),
        B::CountLinkLost(_) => Some(LINK_LOST_IN_COUNT),
        B::RollCheckRecorded(_) => Some(CHECK_RECORDED),
        B::RollCountSettled(body) => match body.rule {
            SettledBy::ThirdAgrees => Some(SETTLED_BY_THIRD),
            SettledBy::OneCount | SettledBy::TwoAgree => None,
        },
        B::OrderQuantityWithdrawn(_) => Some(QUANTITY_WITHDRAWN),
        B::OrderInterrupted(_) => Some(ORDER_INTERRUPTED),
        B::OrderRejected(_) => Some(LABEL_RECORD_REJECTED),
        B::OrderVoided(_) => Some(ORDER_VOIDED),
        B::OrderReopened(_) => Some(ORDER_REOPENED),
        B::IssueGiven(body) if body.extra.is_some() => Some(ISSUED_BEYOND_THE_NEED),
        B::IssueGiven(body) => match body.rolls.iter().any(|roll| roll.at_risk) {
            true => Some(ISSUED_AT_RISK),
            false => None,
        },
        B::IssueWithdrawn(_) => Some(ISSUE_WITHDRAWN),
        B::ContainerDestructionDeclared(body) => {
            if body.late.is_some() {
                Some(DESTROYED_LATE)
            } else {
                None
            }
        }
        B::StationWorkLogged(body) => match body.work {
            StationWork::Repair | StationWork::Move => Some(TABLE_REPAIRED_OR_MOVED),
            StationWork::Cleaning => None,
        },
        B::StationLinkLost(_) => Some(LINK_LOST),
        B::StationStrayCaptured(_) => Some(STRAY_BYTES),
        B::TestRollWithdrawn(_) => Some(TEST_ROLL_WITHDRAWN),
        B::LimitSetWithdrawn(_) => Some(LIMITS_WITHDRAWN),
        B::ItemObsoleted(_) => Some(ITEM_MADE_OBSOLETE),
        B::AccountLocked(_) => Some(ACCOUNT_LOCKED),
        B::AccountKeyCompromised(_) => Some(SIGNING_KEY_COMPROMISED),
        B::BookKeyCompromised(_) => Some(BOOK_KEY_COMPROMISED),
        B::BookKeyEnrolled(_) => Some(BOOK_KEY_CHANGED),
        B::ActRefused(_) => Some(REFUSED),
        B::SessionPasswordRefused(body) => {
            if body.record.is_some() {
                Some(WRONG_PASSWORD_AT_SIGNATURE)
            } else {
                None
            }
        }
        B::ClockStepped(_) => Some(CLOCK_STEPPED),
        B::AccessRefused(_) => Some(STRANGERS_TURNED_AWAY),
        B::BookForkSeen(_) => Some(FORK_KNOWN),
        B::BookReceiptContradicted(_) => Some(RECEIPT_CONTRADICTS),
        B::BookWitnessLost(_) => Some(WITNESS_LOST),
        B::BookWitnessesNamed(_) => Some(WITNESSES_CHANGED),
        B::BookTimeStampLost(body) => match body.how {
            NoTimeStamp::BadToken => Some(TIME_STAMP_BAD),
            NoTimeStamp::NoToken => Some(TIME_STAMPS_MISSING),
        },
        B::BookTimeAuthorityNamed(_) => Some(TIME_AUTHORITY_CHANGED),
        // What quality itself writes on a record is its answer, not a thing to be answered.
        B::RemarkMade(_) => {
            if reviews(&entry.header.by) {
                None
            } else {
                Some(REMARK)
            }
        }
        // Plain steps of the work, and what others of these say already.
        B::BookOpened(_)
        | B::BookStarted(_)
        | B::BookWitnessBack(_)
        | B::BookTimeStampBack(_)
        | B::AccountEnrolled(_)
        | B::AccountRolesChanged(_)
        | B::AccountDisabled(_)
        | B::AccountKeyEnrolled(_)
        | B::AccountKeyRetired(_)
        | B::AccountPasswordChanged(_)
        | B::AccountPasswordReset(_)
        | B::AccountUnlocked(_)
        | B::SessionOpened(_)
        | B::SessionEnded(_)
        | B::SessionLocked(_)
        | B::SessionUnlocked(_)
        | B::SignatureApplied(_)
        | B::RecordExported(_)
        | B::RecordQuestioned(_)
        | B::SupplierRegistered(_)
        | B::SupplierApproved(_)
        | B::ItemDrafted(_)
        | B::ItemApproved(_)
        | B::DeliveryReceived(_)
        | B::DeliveryReleased(_)
        | B::RollReceived(_)
        | B::RollMoved(_)
        | B::RollReleased(_)
        | B::RollRejected(_)
        | B::RollObsoleted(_)
        | B::RollCountOpened(_)
        | B::RollCountEnded(_)
        | B::RollCounted(_)
        | B::RollBracketed(_)
        | B::CountOpened(_)
        | B::CountSegmentCaptured(_)
        | B::CountMachineReported(_)
        | B::CountLinkRestored(_)
        | B::CountFaultDisposed(_)
        | B::StationRegistered(_)
        | B::StationQualified(_)
        | B::StationPluginBound(_)
        | B::StationBenchCleared(_)
        | B::StationSetUp(_)
        | B::StationCountOpened(_)
        | B::StationCountEnded(_)
        | B::StationChallengePassed(_)
        | B::StationLinkUp(_)
        | B::TestRollRegistered(_)
        | B::TestRollCertified(_)
        | B::PluginDrafted(_)
        | B::PluginApproved(_)
        | B::DeviationInvestigated(_)
        | B::DeviationDecided(_)
        | B::DeviationClosed(_)
        | B::LineRegistered(_)
        | B::LineDevicesChanged(_)
        | B::LineOrderOpened(_)
        | B::LineOrderClosed(_)
        | B::LimitSetDrafted(_)
        | B::LimitSetApproved(_)
        | B::OrderPlanned(_)
        | B::OrderPartBegun(_)
        | B::OrderLimitsFrozen(_)
        | B::OrderIssued(_)
        | B::OrderRollReceived(_)
        | B::OrderStarted(_)
        | B::OrderRollMounted(_)
        | B::OrderRollDismounted(_)
        | B::OrderResumed(_)
        | B::OrderQuantityRecorded(_)
        | B::OrderUnitsRecorded(_)
        | B::OrderFinished(_)
        | B::OrderRollGivenBack(_)
        | B::OrderReconciled(_)
        | B::OrderSignedForPackaging(_)
        | B::OrderApproved(_)
        | B::IssueTaken(_)
        | B::RollIssued(_)
        | B::RollIssueWithdrawn(_)
        | B::RollTaken(_)
        | B::RollReceivedAtLine(_)
        | B::RollMounted(_)
        | B::RollDismounted(_)
        | B::RollGivenBack(_)
        | B::RollEnded(_)
        | B::RollReturnReleased(_)
        | B::HandCountOpened(_)
        | B::HandCountEntered(_)
        | B::HandCountAgreed(_)
        | B::ContainerOpened(_)
        | B::ContainerFilled(_)
        | B::ContainerSealed(_)
        | B::ContainerDestructionConsented(_)
        | B::ContainerDestroyed(_) => None,
    };
    let late = entry.header.occurred.is_some() && judged.is_none_or(|judged| judged.grade > Grade::Decision);
    let judged = if late { Some(LATE_ENTRY) } else { judged };
    // The checking page finds a sort by its kinds.
    debug_assert!(judged.is_none_or(|judged| is_listed(&entry.header.kind, judged)), "{}", entry.header.kind);
    judged
}

/// True where the list of sorts has this one among those of the kind.
fn is_listed(kind: &str, judged: Judged) -> bool {
    let of_kind = |sort: &&Sort| sort.kinds.is_empty() || sort.kinds.contains(&kind);
    SORTS.iter().filter(of_kind).any(|sort| sort.judged == judged)
}

/// What is left of [`of_entry`] when the entries before it in its stream are known: a test roll carries its faults on
/// purpose, and a gravity that was confirmed is none that changed.
pub fn in_its_stream(judged: Judged, entry: &Entry, earlier: &[Entry]) -> Option<Judged> {
    match &entry.body {
        Body::DeviationAssessed(body) => (gravity(earlier) != Some(body.severity)).then_some(judged),
        Body::CountFaultSeen(_) | Body::CountExceptionFound(_) | Body::CountClosed(_) => {
            let of_test_roll = earlier.iter().any(|entry| match &entry.body {
                Body::CountOpened(body) => {
                    matches!(body.purpose, CountPurpose::Challenge | CountPurpose::Qualification)
                }
                _ => false,
            });
            (!of_test_roll).then_some(judged)
        }
        _ => Some(judged),
    }
}

/// The gravity of a deviation after these entries.
pub fn gravity(entries: &[Entry]) -> Option<Severity> {
    entries.iter().rev().find_map(|entry| match &entry.body {
        Body::DeviationOpened(body) => Some(body.severity),
        Body::DeviationAssessed(body) => Some(body.severity),
        _ => None,
    })
}

fn reviews(by: &By) -> bool {
    matches!(by, By::Person(person) if person.role == Role::Reviewer)
}

/// True for the checks that question a count's number.
const fn questions(check: CrossCheck) -> bool {
    !matches!(
        check,
        CrossCheck::Alarm
            | CrossCheck::MachineReference
            | CrossCheck::Silence
            | CrossCheck::FaultCap
            | CrossCheck::FaultMapsDiffer
    )
}

/// Whether an exception stands, by how its record stands now. `look`: how another record stands.
pub fn standing(judged: Judged, entry: &Entry, record: &Record, look: &dyn Fn(&Stream) -> Option<Record>) -> Standing {
    if judged.grade == Grade::Seen {
        return Standing::Told;
    }
    let running = |order: &Stream| look(order).is_some_and(|record| before_quality(&record));
    let held = |roll: &Stream| look(roll).is_some_and(|record| is_held(&record));
    let stands = match (&entry.body, &record.state) {
        (Body::DeviationOpened(_), State::Deviation(state)) => state.status != DeviationStatus::Closed,
        (Body::RollHeld(body), State::Roll(state)) => state.holds.contains(&body.cause),
        (Body::DeliveryHeld(body), State::Delivery(state)) => state.holds.contains(&body.cause),
        (Body::OrderHeld(body), State::Order(state)) => state.holds.contains(&body.cause),
        (Body::RollCountsDisagreed(_), State::Roll(state)) => state.disagreed,
        (Body::RollCountDoubted(body), State::Roll(state)) => is_doubted(state, &body.count),
        (Body::StationChallengeFailed(body), State::Station(state)) => {
            state.failed || look(&body.deviation).is_some_and(|record| is_open_deviation(&record))
        }
        (Body::StationDoubted(_), State::Station(state)) => state.challenge_due.is_some(),
        (Body::CountFaultSeen(_) | Body::CountCodeChecked(_), State::Count(state)) => held(&state.roll),
        (Body::CountExceptionFound(_) | Body::CountClosed(_), State::Count(state)) => {
            matches!(state.status, CountStatus::Open | CountStatus::Closed)
        }
        (Body::ReconciliationComputed(body), State::Reconciliation(state)) => match &body.deviation {
            Some(deviation) => look(deviation).is_some_and(|record| is_open_deviation(&record)),
            None => !state.checked,
        },
        // No later entry makes it untrue.
        (Body::BookForkSeen(_) | Body::BookReceiptContradicted(_), _) => true,
        (Body::BookWitnessLost(body), State::Book(state)) => state.lost.get(&body.witness) == Some(&body.since),
        (Body::BookTimeStampLost(body), State::Book(state)) => {
            state.time_authority.as_ref().is_some_and(|asked| asked.url == body.authority && asked.lost.is_some())
        }
        (Body::HandCountDiffered(_), State::HandCount(state)) => {
            state.status == HandCountStatus::Differed && running(&state.order)
        }
        (Body::DeliveryExamined(_), State::Delivery(state)) => state.status == DeliveryStatus::ExaminedBad,
        (Body::ClearancePerformed(body), _) => running(&body.order),
        (Body::OverrideRequested(_), State::Override(state)) => state.status == OverrideStatus::Requested,
        (Body::RollReturned(_), State::Roll(state)) => state.quality == Quality::Quarantine,
        (Body::OrderRollExamined(_) | Body::OrderReturnTaken(_), State::Order(_)) => before_quality(record),
        _ => judged.by_sight && !is_ended(record),
    };
    if stands { Standing::Open } else { Standing::Settled }
}

fn is_open_deviation(record: &Record) -> bool {
    matches!(&record.state, State::Deviation(state) if state.status != DeviationStatus::Closed)
}

fn is_held(record: &Record) -> bool {
    matches!(&record.state, State::Roll(state) if !state.holds.is_empty())
}

/// An order whose record quality has not decided yet.
fn before_quality(record: &Record) -> bool {
    matches!(&record.state, State::Order(_)) && !is_ended(record)
}

fn is_ended(record: &Record) -> bool {
    matches!(&record.state, State::Order(state) if matches!(state.status, OrderStatus::Approved | OrderStatus::Rejected | OrderStatus::Voided))
}

/// A doubted count that no other one replaced yet.
fn is_doubted(roll: &RollState, count: &Stream) -> bool {
    roll.settled.is_none() && roll.counts.iter().any(|one| one.count == *count && one.doubted)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use serde_json::{Value, json};
    use tallyseal_control::evolve;
    use tallyseal_schema::Hash;
    use tallyseal_schema::entry::Header;
    use tallyseal_schema::kinds::KINDS;

    use super::*;

    const AT: &str = "2026-11-26T10:00:00.000000Z";

    /// An entry of a person in that role.
    fn entry(stream: &str, rev: u64, kind: &str, role: &str, body: Value) -> Entry {
        let by = json!({ "account": "U-1", "device": "D-1", "name": "Ana Invented", "role": role, "session": "S-1" });
        let header = Header {
            act: None,
            at: AT.parse().unwrap(),
            book: "label-room.example/plant-1".parse().unwrap(),
            by: serde_json::from_value(by).unwrap(),
            kind: kind.to_owned(),
            n: rev,
            occurred: None,
            prev: Hash::ZERO,
            rev,
            stream: stream.parse().unwrap(),
            v: 1,
            why: None,
        };
        let body = serde_json::value::to_raw_value(&body).unwrap();
        Entry { body: Body::read(kind, 1, &body).unwrap(), header }
    }

    fn opened(severity: &str) -> Entry {
        let body = json!({ "about": ["roll/R-1"], "rule": "person", "severity": severity, "text": "a tear" });
        entry("deviation/DV-1", 1, "deviation.opened", "supervisor", body)
    }

    fn assessed(severity: &str) -> Entry {
        let body = json!({ "impact": "none", "severity": severity });
        entry("deviation/DV-1", 2, "deviation.assessed", "supervisor", body)
    }

    fn grade(entry: &Entry) -> Option<u8> {
        of_entry(entry).map(|judged| judged.grade.number())
    }

    fn nothing(_: &Stream) -> Option<Record> {
        None
    }

    #[test]
    fn a_deviation_is_as_grave_as_it_says_and_settled_when_it_is_closed() {
        let cases = [("critical", 1), ("major", 1), ("minor", 2)];
        for (severity, expected) in cases {
            assert_eq!(grade(&opened(severity)), Some(expected), "{severity}");
        }
        let first = opened("major");
        let judged = of_entry(&first).unwrap();
        let record = evolve(None, &first).unwrap();
        assert_eq!(standing(judged, &first, &record, &nothing), Standing::Open);
        let closed = entry("deviation/DV-1", 2, "deviation.closed", "reviewer", json!({}));
        let record = evolve(Some(record), &closed).unwrap();
        assert_eq!(standing(judged, &first, &record, &nothing), Standing::Settled);
    }

    #[test]
    fn a_gravity_that_was_confirmed_is_no_exception() {
        let earlier = [opened("minor")];
        for (severity, is) in [("minor", false), ("major", true)] {
            let entry = assessed(severity);
            let judged = of_entry(&entry).unwrap();
            assert_eq!(in_its_stream(judged, &entry, &earlier).is_some(), is, "{severity}");
        }
    }

    #[test]
    fn a_wrong_code_stops_a_batch_but_on_a_test_roll_it_is_there_on_purpose() {
        let fault = |fault: &str| {
            let body = json!({ "fault": fault, "from": 10, "link": "tcp-out", "ordinal": 7, "to": 20 });
            entry("count/C-1", 2, "count.fault_seen", "label_room", body)
        };
        assert_eq!(grade(&fault("wrong_code")), Some(1));
        assert_eq!(grade(&fault("missing")), None);
        for (purpose, is) in [("incoming", true), ("challenge", false), ("qualification", false)] {
            let body = json!({
                "attempt": 1, "bracket": 1, "counts": "labels", "direction": "forward", "item": "item/I-1",
                "plugin": "0".repeat(64), "purpose": purpose, "roll": "roll/R-1", "station": "station/T-1",
            });
            let earlier = [entry("count/C-1", 1, "count.opened", "label_room", body)];
            let entry = fault("wrong_code");
            let judged = of_entry(&entry).unwrap();
            assert_eq!(in_its_stream(judged, &entry, &earlier).is_some(), is, "{purpose}");
        }
    }

    #[test]
    fn an_override_waits_until_it_is_decided_and_is_plain_as_a_wish_after_it() {
        let body = json!({ "about": "order/PO-1", "kind": "extra_issue", "order": "order/PO-1" });
        let asked = entry("override/OV-1", 1, "override.requested", "label_room", body);
        let judged = of_entry(&asked).unwrap();
        assert_eq!((judged.grade, judged.passes), (Grade::Decision, true));
        let record = evolve(None, &asked).unwrap();
        assert_eq!(standing(judged, &asked, &record, &nothing), Standing::Open);
        let granted = entry("override/OV-1", 2, "override.granted", "supervisor", json!({}));
        assert_eq!(grade(&granted), Some(3));
        let record = evolve(Some(record), &granted).unwrap();
        assert_eq!(standing(judged, &asked, &record, &nothing), Standing::Settled);
    }

    #[test]
    fn a_late_entry_is_one_whatever_it_says_and_a_grave_one_stays_grave() {
        let mut plain = entry("roll/R-1", 3, "roll.moved", "label_room", json!({ "place": "cage 2" }));
        assert_eq!(grade(&plain), None);
        plain.header.occurred = Some(AT.parse().unwrap());
        assert_eq!(grade(&plain), Some(2));
        // Nothing is left to be done about it but to look at it; a grave one waits for its own act.
        assert!(of_entry(&plain).is_some_and(|judged| judged.by_sight));
        assert!(of_entry(&opened("minor")).is_some_and(|judged| !judged.by_sight));
        let mut grave = opened("critical");
        grave.header.occurred = Some(AT.parse().unwrap());
        assert_eq!(grade(&grave), Some(1));
    }

    #[test]
    fn a_remark_is_to_be_seen_unless_quality_made_it() {
        for (role, expected) in [("line", Some(3)), ("supervisor", Some(3)), ("reviewer", None)] {
            let remark = entry("roll/R-1", 3, "remark.made", role, json!({ "text": "a crease" }));
            assert_eq!(grade(&remark), expected, "{role}");
        }
    }

    #[test]
    fn what_nobody_may_override_is_of_the_first_grade() {
        let verdict = |verdict: &str| {
            let body = json!({
                "material": 1, "roll": "roll/R-1", "runs": 1, "specimen": { "id": "SP-1", "place": "file" },
                "unwind": "outside_left_first", "verdict": verdict,
            });
            entry("order/PO-1", 2, "order.roll_examined", "label_room", body)
        };
        assert_eq!((grade(&verdict("different")), grade(&verdict("same"))), (Some(1), None));
        let cleared = |foreign: bool| {
            let places = json!([{ "foreign": foreign, "found": "nothing", "place": "floor" }]);
            let body = json!({ "line": "line/L-1", "order": "order/PO-1", "places": places, "when": "before" });
            entry("clearance/CL-1", 1, "clearance.performed", "line", body)
        };
        assert_eq!((grade(&cleared(true)), grade(&cleared(false))), (Some(1), None));
    }

    #[test]
    fn each_sort_is_of_kinds_that_there_are_and_one_kind_has_no_case_twice() {
        let mut cases = BTreeSet::new();
        for sort in SORTS {
            for kind in sort.kinds {
                assert!(KINDS.iter().any(|known| known.name == *kind), "{kind}");
                assert!(cases.insert((*kind, sort.case)), "{kind}, {}", sort.case);
            }
        }
        // A kind of which every entry is an exception has no cases besides.
        for (kind, _) in cases.iter().filter(|(_, case)| case.is_empty()) {
            assert_eq!(cases.iter().filter(|(other, _)| other == kind).count(), 1, "{kind}");
        }
        assert_eq!(SORTS.iter().filter(|sort| sort.kinds.is_empty()).count(), 1);
    }

    #[test]
    fn grades_are_ordered_gravest_first_and_each_has_a_word_of_its_own() {
        assert!(Grade::ALL.is_sorted());
        let words: BTreeSet<&str> = Grade::ALL.iter().map(|grade| grade.title()).collect();
        assert_eq!(words.len(), 3);
        // The table of kinds is judged whole: the compiler says so; this says that there are as many as were looked at.
        assert!(KINDS.len() >= 140, "{}", KINDS.len());
    }
}
