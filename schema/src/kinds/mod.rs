//! Every entry kind in every version ever written: types for ever, never edited, only added to.
//!
//! One row of the table at the end makes a kind: its name and version, its type, the things in whose stream it
//! may stand, and whether it is *content*, that is, voids a signature that the record had before it. A decision about
//! a record (released, approved, held, exported) is not content: it changes nothing of what was signed before.

mod account;
mod book;
mod container;
mod count;
mod delivery;
mod deviation;
mod hand_count;
mod issue;
mod item;
mod limits;
mod line;
mod order;
mod override_;
mod reconciliation;
mod roll;
mod session;
mod signature;
mod station;

pub use account::*;
pub use book::*;
pub use container::*;
pub use count::*;
pub use delivery::*;
pub use deviation::*;
pub use hand_count::*;
pub use issue::*;
pub use item::*;
pub use limits::*;
pub use line::*;
pub use order::*;
pub use override_::*;
pub use reconciliation::*;
pub use roll::*;
pub use session::*;
pub use signature::*;
pub use station::*;

use serde::Serialize;
use serde_json::value::RawValue;

use crate::Hash;
use crate::entry::EntryError;

/// What is known about a kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Kind {
    /// Subject and past verb.
    pub name: &'static str,
    /// Version of its body.
    pub v: u32,
    /// In the streams of which things it may stand; empty: of any.
    pub things: &'static [&'static str],
    /// A signature on the record is void after it.
    pub content: bool,
}

macro_rules! kinds {
    // Written as a macro so that a kind is one row: name, version, type, stream and content can never disagree
    // between the writer, the reader, the table of FORMAT.md and the JSON Schemas.
    ($($name:literal $v:literal $type:ident [$($thing:literal)*] $content:literal;)*) => {
        /// What happened: the body of an entry.
        #[derive(Debug, Clone, PartialEq, Eq, Serialize)]
        #[serde(untagged)]
        pub enum Body {
            $(#[doc = concat!("`", $name, "` v", stringify!($v), ".")] $type($type),)*
        }

        /// Every kind that this version knows, in the order of the documentation.
        pub const KINDS: &[Kind] = &[
            $(Kind { name: $name, v: $v, things: &[$($thing),*], content: $content },)*
        ];

        /// The JSON Schema of every kind's body, as file name and text: what a sealed record takes along.
        ///
        /// They are generated from the types; a test holds both equal.
        pub const SCHEMAS: &[(&str, &str)] = &[
            $((
                concat!($name, ".v", stringify!($v), ".json"),
                include_str!(concat!("../../json/", $name, ".v", stringify!($v), ".json")),
            ),)*
        ];

        impl Body {
            /// The kind's table row.
            pub const fn kind(&self) -> Kind {
                match self {
                    $(Self::$type(_) => Kind { name: $name, v: $v, things: &[$($thing),*], content: $content },)*
                }
            }

            /// Reads the body of an entry of that kind and version.
            ///
            /// Errors: [`EntryError::Unknown`] where the pair is not known, [`EntryError::Body`] where it does not fit.
            pub fn read(kind: &str, v: u32, body: &RawValue) -> Result<Self, EntryError> {
                match (kind, v) {
                    $(($name, $v) => serde_json::from_str::<$type>(body.get()).map(Self::$type).map_err(|error| {
                        EntryError::Body { kind: kind.to_owned(), v, what: error.to_string() }
                    }),)*
                    _ => Err(EntryError::Unknown { kind: kind.to_owned(), v }),
                }
            }
        }

        $(impl From<$type> for Body {
            fn from(body: $type) -> Self {
                Self::$type(body)
            }
        })*

        /// The JSON Schema of every kind's body, by file name (`KIND.vN.json`).
        #[cfg(feature = "json-schema")]
        pub fn json_schemas() -> std::collections::BTreeMap<String, schemars::Schema> {
            [$((format!("{}.v{}.json", $name, $v), schemars::schema_for!($type)),)*].into()
        }
    };
}

/// SHA-256 over the JSON Schemas of every kind: over the lines `FILE HASH`, each ended by 0x0A, in ascending order of
/// file names. Said by every start of a server.
pub fn schemas_hash() -> Hash {
    let mut lines: Vec<String> =
        SCHEMAS.iter().map(|(name, text)| format!("{name} {}\n", Hash::of(text.as_bytes()))).collect();
    lines.sort_unstable();
    Hash::of(lines.concat().as_bytes())
}

/// The row of that kind and version; `None` where it is not known.
pub fn find(name: &str, v: u32) -> Option<&'static Kind> {
    KINDS.iter().find(|kind| kind.name == name && kind.v == v)
}

kinds! {
    "book.opened" 1 BookOpened ["book"] true;
    "book.key_enrolled" 1 BookKeyEnrolled ["book"] false;
    "book.key_compromised" 1 BookKeyCompromised ["book"] false;
    "book.started" 1 BookStarted ["book"] false;
    "clock.stepped" 1 ClockStepped ["book"] false;
    "access.refused" 1 AccessRefused ["book"] false;
    "book.witnesses_named" 1 BookWitnessesNamed ["book"] false;
    "book.witness_lost" 1 BookWitnessLost ["book"] false;
    "book.witness_back" 1 BookWitnessBack ["book"] false;
    "book.fork_seen" 1 BookForkSeen ["book"] false;
    "book.receipt_contradicted" 1 BookReceiptContradicted ["book"] false;
    "book.time_authority_named" 1 BookTimeAuthorityNamed ["book"] false;
    "book.time_stamp_lost" 1 BookTimeStampLost ["book"] false;
    "book.time_stamp_back" 1 BookTimeStampBack ["book"] false;
    "account.enrolled" 1 AccountEnrolled ["account"] true;
    "account.roles_changed" 1 AccountRolesChanged ["account"] false;
    "account.disabled" 1 AccountDisabled ["account"] false;
    "account.key_enrolled" 1 AccountKeyEnrolled ["account"] true;
    "account.key_retired" 1 AccountKeyRetired ["account"] false;
    "account.key_compromised" 1 AccountKeyCompromised ["account"] false;
    "account.password_changed" 1 AccountPasswordChanged ["account"] false;
    "account.password_reset" 1 AccountPasswordReset ["account"] false;
    "account.locked" 1 AccountLocked ["account"] false;
    "account.unlocked" 1 AccountUnlocked ["account"] false;
    "session.opened" 1 SessionOpened ["session"] false;
    "session.ended" 1 SessionEnded ["session"] false;
    "session.locked" 1 SessionLocked ["session"] false;
    "session.unlocked" 1 SessionUnlocked ["session"] false;
    "session.password_refused" 1 SessionPasswordRefused ["session"] false;
    "act.refused" 1 ActRefused ["session" "station"] false;
    "signature.applied" 1 SignatureApplied [] false;
    "remark.made" 1 RemarkMade [] false;
    "record.exported" 1 RecordExported [] false;
    "record.questioned" 1 RecordQuestioned [] false;
    "supplier.registered" 1 SupplierRegistered ["supplier"] true;
    "supplier.approved" 1 SupplierApproved ["supplier"] false;
    "item.drafted" 1 ItemDrafted ["item"] true;
    "item.approved" 1 ItemApproved ["item"] false;
    "item.obsoleted" 1 ItemObsoleted ["item"] false;
    "delivery.received" 1 DeliveryReceived ["delivery"] true;
    "delivery.examined" 1 DeliveryExamined ["delivery"] true;
    "delivery.released" 1 DeliveryReleased ["delivery"] false;
    "delivery.rejected" 1 DeliveryRejected ["delivery"] false;
    "delivery.held" 1 DeliveryHeld ["delivery"] false;
    "delivery.hold_lifted" 1 DeliveryHoldLifted ["delivery"] false;
    "roll.received" 1 RollReceived ["roll"] true;
    "roll.moved" 1 RollMoved ["roll"] false;
    "roll.released" 1 RollReleased ["roll"] true;
    "roll.rejected" 1 RollRejected ["roll"] true;
    "roll.obsoleted" 1 RollObsoleted ["roll"] true;
    "roll.held" 1 RollHeld ["roll"] false;
    "roll.hold_lifted" 1 RollHoldLifted ["roll"] false;
    "roll.count_opened" 1 RollCountOpened ["roll"] true;
    "roll.count_ended" 1 RollCountEnded ["roll"] true;
    "roll.counted" 1 RollCounted ["roll"] true;
    "roll.count_doubted" 1 RollCountDoubted ["roll"] true;
    "roll.check_recorded" 1 RollCheckRecorded ["roll"] true;
    "roll.count_settled" 1 RollCountSettled ["roll"] true;
    "roll.counts_disagreed" 1 RollCountsDisagreed ["roll"] true;
    "roll.bracketed" 1 RollBracketed ["roll"] false;
    "count.opened" 1 CountOpened ["count"] true;
    "count.segment_captured" 1 CountSegmentCaptured ["count"] true;
    "count.fault_seen" 1 CountFaultSeen ["count"] true;
    "count.machine_reported" 1 CountMachineReported ["count"] true;
    "count.exception_found" 1 CountExceptionFound ["count"] true;
    "count.link_lost" 1 CountLinkLost ["count"] true;
    "count.link_restored" 1 CountLinkRestored ["count"] true;
    "count.fault_disposed" 1 CountFaultDisposed ["count"] true;
    "count.disposition_corrected" 1 CountDispositionCorrected ["count"] true;
    "count.code_checked" 1 CountCodeChecked ["count"] true;
    "count.closed" 1 CountClosed ["count"] true;
    "count.interrupted" 1 CountInterrupted ["count"] true;
    "count.aborted" 1 CountAborted ["count"] true;
    "station.registered" 1 StationRegistered ["station"] true;
    "station.qualified" 1 StationQualified ["station"] false;
    "station.plugin_bound" 1 StationPluginBound ["station"] false;
    "station.bench_cleared" 1 StationBenchCleared ["station"] false;
    "station.set_up" 1 StationSetUp ["station"] false;
    "station.work_logged" 1 StationWorkLogged ["station"] false;
    "station.count_opened" 1 StationCountOpened ["station"] false;
    "station.count_ended" 1 StationCountEnded ["station"] false;
    "station.challenge_passed" 1 StationChallengePassed ["station"] false;
    "station.challenge_failed" 1 StationChallengeFailed ["station"] false;
    "station.doubted" 1 StationDoubted ["station"] false;
    "station.link_up" 1 StationLinkUp ["station"] false;
    "station.link_lost" 1 StationLinkLost ["station"] false;
    "station.stray_captured" 1 StationStrayCaptured ["station"] false;
    "test_roll.registered" 1 TestRollRegistered ["test_roll"] true;
    "test_roll.certified" 1 TestRollCertified ["test_roll"] false;
    "test_roll.withdrawn" 1 TestRollWithdrawn ["test_roll"] false;
    "plugin.drafted" 1 PluginDrafted ["plugin"] true;
    "plugin.approved" 1 PluginApproved ["plugin"] false;
    "deviation.opened" 1 DeviationOpened ["deviation"] true;
    "deviation.assessed" 1 DeviationAssessed ["deviation"] true;
    "deviation.scope_extended" 1 DeviationScopeExtended ["deviation"] true;
    "deviation.interim_decided" 1 DeviationInterimDecided ["deviation"] true;
    "deviation.investigated" 1 DeviationInvestigated ["deviation"] true;
    "deviation.due_extended" 1 DeviationDueExtended ["deviation"] false;
    "deviation.decided" 1 DeviationDecided ["deviation"] false;
    "deviation.closed" 1 DeviationClosed ["deviation"] false;
    "line.registered" 1 LineRegistered ["line"] true;
    "line.devices_changed" 1 LineDevicesChanged ["line"] true;
    "line.order_opened" 1 LineOrderOpened ["line"] false;
    "line.order_closed" 1 LineOrderClosed ["line"] false;
    "clearance.performed" 1 ClearancePerformed ["clearance"] true;
    "limit_set.drafted" 1 LimitSetDrafted ["limit_set"] true;
    "limit_set.approved" 1 LimitSetApproved ["limit_set"] false;
    "limit_set.withdrawn" 1 LimitSetWithdrawn ["limit_set"] false;
    "order.planned" 1 OrderPlanned ["order"] true;
    "order.part_begun" 1 OrderPartBegun ["order"] false;
    "order.roll_examined" 1 OrderRollExamined ["order"] true;
    "order.limits_frozen" 1 OrderLimitsFrozen ["order"] true;
    "order.issued" 1 OrderIssued ["order"] true;
    "order.roll_received" 1 OrderRollReceived ["order"] true;
    "order.started" 1 OrderStarted ["order"] true;
    "order.roll_mounted" 1 OrderRollMounted ["order"] true;
    "order.roll_dismounted" 1 OrderRollDismounted ["order"] true;
    "order.interrupted" 1 OrderInterrupted ["order"] true;
    "order.resumed" 1 OrderResumed ["order"] true;
    "order.quantity_recorded" 1 OrderQuantityRecorded ["order"] true;
    "order.units_recorded" 1 OrderUnitsRecorded ["order"] true;
    "order.quantity_withdrawn" 1 OrderQuantityWithdrawn ["order"] true;
    "order.finished" 1 OrderFinished ["order"] true;
    "order.roll_given_back" 1 OrderRollGivenBack ["order"] true;
    "order.return_taken" 1 OrderReturnTaken ["order"] true;
    "order.reconciled" 1 OrderReconciled ["order"] true;
    "order.held" 1 OrderHeld ["order"] false;
    "order.hold_lifted" 1 OrderHoldLifted ["order"] false;
    "order.signed_for_packaging" 1 OrderSignedForPackaging ["order"] false;
    "order.approved" 1 OrderApproved ["order"] false;
    "order.rejected" 1 OrderRejected ["order"] false;
    "order.voided" 1 OrderVoided ["order"] true;
    "order.reopened" 1 OrderReopened ["order"] true;
    "issue.given" 1 IssueGiven ["issue"] true;
    "issue.taken" 1 IssueTaken ["issue"] false;
    "issue.withdrawn" 1 IssueWithdrawn ["issue"] true;
    "roll.returned" 1 RollReturned ["roll"] true;
    "roll.issued" 1 RollIssued ["roll"] true;
    "roll.issue_withdrawn" 1 RollIssueWithdrawn ["roll"] true;
    "roll.taken" 1 RollTaken ["roll"] true;
    "roll.received_at_line" 1 RollReceivedAtLine ["roll"] true;
    "roll.mounted" 1 RollMounted ["roll"] true;
    "roll.dismounted" 1 RollDismounted ["roll"] true;
    "roll.given_back" 1 RollGivenBack ["roll"] true;
    "roll.ended" 1 RollEnded ["roll"] true;
    "roll.return_released" 1 RollReturnReleased ["roll"] true;
    "hand_count.opened" 1 HandCountOpened ["hand_count"] true;
    "hand_count.entered" 1 HandCountEntered ["hand_count"] true;
    "hand_count.agreed" 1 HandCountAgreed ["hand_count"] true;
    "hand_count.differed" 1 HandCountDiffered ["hand_count"] true;
    "container.opened" 1 ContainerOpened ["container"] true;
    "container.filled" 1 ContainerFilled ["container"] true;
    "container.sealed" 1 ContainerSealed ["container"] true;
    "container.destruction_consented" 1 ContainerDestructionConsented ["container"] false;
    "container.destruction_declared" 1 ContainerDestructionDeclared ["container"] false;
    "container.destroyed" 1 ContainerDestroyed ["container"] false;
    "reconciliation.computed" 1 ReconciliationComputed ["reconciliation"] true;
    "override.requested" 1 OverrideRequested ["override"] true;
    "override.granted" 1 OverrideGranted ["override"] false;
    "override.refused" 1 OverrideRefused ["override"] false;
    "override.used" 1 OverrideUsed ["override"] false;
}
