//! Who may give which command: one table. Rules about a particular record come after it, in `decide`.

use tallyseal_schema::kinds::Role;

use crate::command::Command;

use Role::{Administrator, Auditor, IncomingExaminer, LabelRoom, Line, Reviewer, Supervisor};

/// Who may give one command.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Authority {
    /// Name of the command, as in its JSON form.
    pub command: &'static str,
    /// A machine's capture may.
    pub machine: bool,
    /// People in these roles may.
    pub roles: &'static [Role],
    /// The software itself may.
    pub system: bool,
    /// Also in a locked session.
    pub while_locked: bool,
    /// Also in a role that has ended: a person's own affairs, which are no work in that role.
    pub with_expired_role: bool,
    /// Also with a one-time password.
    pub with_one_time_password: bool,
}

/// Commands of people that carry what the software itself must make: keys, digests, causes. Each has a page of its own.
const PAGE_OF_ITS_OWN: &[&str] = &[
    "enrol_key",
    "change_password",
    "end_session",
    "unlock_session",
    "refuse_password",
    "note_refusal",
    "draft_plugin",
    "note_export",
];

impl Authority {
    /// True where people give the command as it is, by its name.
    pub fn is_given_by_name(&self) -> bool {
        !self.roles.is_empty() && !PAGE_OF_ITS_OWN.contains(&self.command)
    }
}

const fn people(command: &'static str, roles: &'static [Role]) -> Authority {
    Authority {
        command,
        machine: false,
        roles,
        system: false,
        while_locked: false,
        with_expired_role: false,
        with_one_time_password: false,
    }
}

const fn software(command: &'static str) -> Authority {
    Authority { roles: &[], system: true, ..people(command, &[]) }
}

const fn machine(command: &'static str) -> Authority {
    Authority { machine: true, ..software(command) }
}

/// A person's own affairs, whatever has become of their roles.
const fn own_affair(command: &'static str) -> Authority {
    Authority { with_expired_role: true, ..people(command, EVERYONE) }
}

/// Whatever the password, and whether or not the session is locked.
const fn for_anyone_signed_in(command: &'static str) -> Authority {
    Authority { while_locked: true, with_one_time_password: true, ..own_affair(command) }
}

const EVERYONE: &[Role] = &[LabelRoom, Line, IncomingExaminer, Supervisor, Reviewer, Auditor, Administrator];
const LABEL_PEOPLE: &[Role] = &[LabelRoom, Line, IncomingExaminer, Supervisor, Reviewer];

macro_rules! authority {
    // One row per command, so that a command without a row does not compile and the printed table cannot differ from
    // the one that is held.
    ($($variant:ident $row:expr;)*) => {
        /// The whole table, in the order of the documentation.
        pub const AUTHORITY: &[Authority] = &[$($row),*];

        impl Command {
            /// The command's row of the table.
            pub const fn authority(&self) -> Authority {
                match self {
                    $(Self::$variant { .. } => $row,)*
                }
            }
        }
    };
}

authority! {
    FoundAccount software("found_account");
    EnrolAccount people("enrol_account", &[Administrator]);
    // Only in the person's own session: whoever made a key for somebody else could sign as them.
    EnrolKey Authority { with_one_time_password: true, ..own_affair("enrol_key") };
    ConfirmIdentity people("confirm_identity", &[Administrator, Reviewer]);
    ChangeRoles people("change_roles", &[Administrator]);
    DisableAccount people("disable_account", &[Administrator]);
    ResetPassword people("reset_password", &[Administrator]);
    CompromiseKey people("compromise_key", &[Administrator]);
    CompromiseBookKey people("compromise_book_key", &[Administrator]);
    LockAccount software("lock_account");
    UnlockAccount people("unlock_account", &[Administrator]);
    // Not with a one-time password: in its place a new key is enrolled, never the old one kept.
    ChangePassword own_affair("change_password");
    OpenSession software("open_session");
    EndSession Authority { system: true, ..for_anyone_signed_in("end_session") };
    LockSession software("lock_session");
    UnlockSession for_anyone_signed_in("unlock_session");
    RefusePassword for_anyone_signed_in("refuse_password");
    NoteRefusal Authority { with_one_time_password: true, ..own_affair("note_refusal") };
    NoteStrangers software("note_strangers");
    NameWitnesses software("name_witnesses");
    LoseWitness software("lose_witness");
    RestoreWitness software("restore_witness");
    NoteFork software("note_fork");
    NameTimeAuthority software("name_time_authority");
    LoseTimeStamp software("lose_time_stamp");
    RestoreTimeStamp software("restore_time_stamp");
    NoteReceipt software("note_receipt");
    Remark people("remark", LABEL_PEOPLE);
    RegisterSupplier people("register_supplier", &[Supervisor]);
    ApproveSupplier people("approve_supplier", &[Reviewer]);
    DraftItem people("draft_item", &[Supervisor]);
    ApproveItem people("approve_item", &[Reviewer]);
    ObsoleteItem people("obsolete_item", &[Reviewer]);
    ReceiveDelivery people("receive_delivery", &[LabelRoom]);
    ExamineDelivery people("examine_delivery", &[IncomingExaminer]);
    ReleaseDelivery people("release_delivery", &[Reviewer]);
    RejectDelivery people("reject_delivery", &[Reviewer]);
    LiftHold people("lift_hold", &[Reviewer]);
    MoveRoll people("move_roll", &[LabelRoom]);
    RecordCheck people("record_check", &[LabelRoom]);
    RegisterStation people("register_station", &[Supervisor, Administrator]);
    QualifyStation people("qualify_station", &[Reviewer]);
    BindPlugin people("bind_plugin", &[Supervisor, Administrator]);
    ClearBench people("clear_bench", &[LabelRoom]);
    SetUpStation people("set_up_station", &[LabelRoom]);
    LogStationWork people("log_station_work", &[LabelRoom, Supervisor]);
    RegisterTestRoll people("register_test_roll", &[Supervisor]);
    CertifyTestRoll people("certify_test_roll", &[Reviewer]);
    WithdrawTestRoll people("withdraw_test_roll", &[Supervisor, Reviewer]);
    DraftPlugin people("draft_plugin", &[Administrator, Supervisor]);
    ApprovePlugin people("approve_plugin", &[Reviewer]);
    OpenCount people("open_count", &[LabelRoom]);
    Observe machine("observe");
    LoseLink software("lose_link");
    RestoreLink software("restore_link");
    NoteSilence software("note_silence");
    CloseCount people("close_count", &[LabelRoom]);
    InterruptCount people("interrupt_count", &[LabelRoom]);
    AbortCount people("abort_count", &[LabelRoom, Supervisor]);
    DisposeFaults people("dispose_faults", &[LabelRoom]);
    CorrectDisposition people("correct_disposition", &[LabelRoom]);
    CheckCode people("check_code", &[LabelRoom]);
    SignCount people("sign_count", &[LabelRoom]);
    CheckCount people("check_count", &[LabelRoom, Supervisor]);
    ConcludeChallenge people("conclude_challenge", &[LabelRoom]);
    OpenDeviation people("open_deviation", LABEL_PEOPLE);
    RegisterLine people("register_line", &[Supervisor, Administrator]);
    ChangeLineDevices people("change_line_devices", &[Supervisor]);
    PerformClearance people("perform_clearance", &[Line]);
    CheckClearance people("check_clearance", &[Line, Supervisor]);
    DraftLimits people("draft_limits", &[Supervisor]);
    ApproveLimits people("approve_limits", &[Reviewer]);
    WithdrawLimits people("withdraw_limits", &[Reviewer]);
    PlanOrder people("plan_order", &[Supervisor]);
    VoidOrder people("void_order", &[Supervisor, Reviewer]);
    ExamineBeforeIssue people("examine_before_issue", &[LabelRoom, IncomingExaminer]);
    GiveIssue people("give_issue", &[LabelRoom]);
    TakeIssue people("take_issue", &[Line]);
    WithdrawIssue people("withdraw_issue", &[LabelRoom]);
    ReceiveAtLine people("receive_at_line", &[Line]);
    StartOrder people("start_order", &[Line]);
    MountRoll people("mount_roll", &[Line]);
    DismountRoll people("dismount_roll", &[Line]);
    InterruptOrder people("interrupt_order", &[Line]);
    ResumeOrder people("resume_order", &[Line]);
    RecordQuantity people("record_quantity", &[Line]);
    RecordUnits people("record_units", &[Line]);
    WithdrawQuantity people("withdraw_quantity", &[Line]);
    FinishOrder people("finish_order", &[Line]);
    GiveBack people("give_back", &[Line]);
    TakeBack people("take_back", &[LabelRoom]);
    ReleaseReturn people("release_return", &[Reviewer]);
    OpenHandCount people("open_hand_count", &[LabelRoom, Line]);
    EnterHandCount people("enter_hand_count", &[LabelRoom, Line, Supervisor]);
    OpenContainer people("open_container", &[LabelRoom]);
    FillContainer people("fill_container", &[LabelRoom]);
    SealContainer people("seal_container", &[LabelRoom]);
    ConsentDestruction people("consent_destruction", &[Reviewer]);
    DeclareDestruction people("declare_destruction", &[LabelRoom]);
    WitnessDestruction people("witness_destruction", &[Line, Supervisor, Reviewer]);
    Reconcile people("reconcile", &[LabelRoom, Supervisor]);
    CheckReconciliation people("check_reconciliation", &[LabelRoom, Supervisor, Reviewer]);
    SignForPackaging people("sign_for_packaging", &[Supervisor]);
    ReviewOrder people("review_order", &[Reviewer]);
    ApproveOrder people("approve_order", &[Reviewer]);
    RejectOrder people("reject_order", &[Reviewer]);
    ReopenOrder people("reopen_order", &[Reviewer]);
    RequestOverride people("request_override", &[LabelRoom, Line]);
    GrantOverride people("grant_override", &[Supervisor, Reviewer]);
    RefuseOverride people("refuse_override", &[Supervisor, Reviewer]);
    AssessDeviation people("assess_deviation", &[Supervisor, Reviewer]);
    ExtendScope people("extend_scope", &[Supervisor, Reviewer]);
    DecideInterim people("decide_interim", &[Reviewer]);
    Investigate people("investigate", &[Supervisor, Reviewer]);
    ExtendDue people("extend_due", &[Reviewer]);
    DecideDeviation people("decide_deviation", &[Reviewer]);
    CloseDeviation people("close_deviation", &[Reviewer]);
    NoteExport Authority { system: true, ..people("note_export", &[LabelRoom, IncomingExaminer, Supervisor, Reviewer, Auditor]) };
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_administrator_has_no_label_acts_and_the_auditor_none_but_taking_a_copy() {
        let administrator = [
            "enrol_account",
            "enrol_key",
            "confirm_identity",
            "change_roles",
            "disable_account",
            "reset_password",
            "compromise_key",
            "compromise_book_key",
            "unlock_account",
            "change_password",
            "end_session",
            "unlock_session",
            "refuse_password",
            "note_refusal",
            "register_station",
            "bind_plugin",
            "draft_plugin",
            "register_line",
        ];
        let auditor = [
            "enrol_key",
            "change_password",
            "end_session",
            "unlock_session",
            "refuse_password",
            "note_refusal",
            "note_export",
        ];
        let of = |role: Role| {
            let may = AUTHORITY.iter().filter(|row| row.roles.contains(&role));
            may.map(|row| row.command).collect::<Vec<_>>()
        };
        assert_eq!(of(Administrator), administrator);
        assert_eq!(of(Auditor), auditor);
    }

    #[test]
    fn whoever_has_no_role_left_signs_out_and_keeps_their_password_and_does_nothing_else() {
        let may: Vec<_> = AUTHORITY.iter().filter(|row| row.with_expired_role).map(|row| row.command).collect();
        let own = ["enrol_key", "change_password", "end_session", "unlock_session", "refuse_password", "note_refusal"];
        assert_eq!(may, own);
    }

    #[test]
    fn a_machine_may_only_be_observed() {
        let may: Vec<_> = AUTHORITY.iter().filter(|row| row.machine).map(|row| row.command).collect();
        assert_eq!(may, ["observe"]);
    }
}
