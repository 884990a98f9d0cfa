//! The test plant with a packaging line, limits and an order: what the tests of orders begin from. Everything in it was
//! done by acts that the rules allow.

use std::sync::OnceLock;

use tallyseal_schema::By;
use tallyseal_schema::ids::Id;
use tallyseal_schema::kinds::{
    Allowance, ClearanceWhen, ClearedPlace, Coding, Contents, CountPurpose, Direction, DocumentCopy,
    ExaminationVerdict, HandCounted, Limit, LimitBasis, LimitSetDrafted, Limits, LineDevice, LineDeviceKind,
    MaterialPlanned, OrderKind, OrderPlanned, OverrideKind, ProductLot, Role, RollRan, Source, Term, Unwind,
};
use tallyseal_schema::{Body, Ratio};

use crate::testing::{
    CODE, CODED, PLAIN, Plant, colleague, id, labels, line, open, open_incoming, person, reviewer, room, run_of,
    second_reviewer, set_up, specimen, supervisor,
};
use crate::{Command, OrderState, State};

/// The packaging line, and its devices.
pub(crate) const LINE: &str = "LN-1";
pub(crate) const DISPENSER: &str = "DP-1";
/// Labels that an extra issue in the tests may have.
pub(crate) const EXTRA_MAX: u32 = 100;
pub(crate) const VERIFIER: &str = "VF-1";
pub(crate) const PRINTER: &str = "PR-1";
pub(crate) const UNIT_COUNTER: &str = "UC-1";
/// Limits for the labels of [`CODED`]: none over.
pub(crate) const LIMITS: &str = "LS-1";
/// Limits for the labels of [`PLAIN`]: one over.
pub(crate) const LIMITS_PLAIN: &str = "LS-2";
/// The order: 240 units; material 1 is [`CODED`], coded at the line, one label per unit, needs 253 with one roll and 2
/// more for each further one; material 2 is [`PLAIN`], not coded, one shipper label per 24 units, needs 12.
pub(crate) const ORDER: &str = "PO-1";
/// Its only lot.
pub(crate) const LOT: &str = "LOT-A";
/// Rolls of material 1 with 100 labels each: counted, released, in the store. `R-1` to `R-3` cover the need, `R-6` is more.
pub(crate) const CODED_ROLLS: &[&str] = &["R-1", "R-2", "R-3", "R-6"];
/// Rolls of material 2 with 100 labels each, so too. `R-4` covers the need.
pub(crate) const PLAIN_ROLLS: &[&str] = &["R-4", "R-5"];

/// A second person of the line.
pub(crate) fn line_colleague() -> By {
    person("U-0011", Role::Line)
}

/// A second supervisor.
pub(crate) fn second_supervisor() -> By {
    person("U-0012", Role::Supervisor)
}

pub(crate) fn ratio(num: u32, den: u32) -> Ratio {
    Ratio::new(num, den).unwrap()
}

/// The devices of [`LINE`], calibrated for 300 days.
pub(crate) fn devices(plant: &Plant) -> Vec<LineDevice> {
    let calibration_due = plant.now().plus_micros(300 * 86_400 * 1_000_000);
    let device = |id_: &str, kind, name: &str| LineDevice {
        calibration_due,
        digits: 6,
        id: id(id_),
        kind,
        name: name.to_owned(),
    };
    vec![
        device(DISPENSER, LineDeviceKind::Dispenser, "labeller"),
        device(PRINTER, LineDeviceKind::Printer, "printer on the labeller"),
        device(VERIFIER, LineDeviceKind::Verifier, "camera"),
        device(UNIT_COUNTER, LineDeviceKind::UnitCounter, "counter before the packer"),
    ]
}

pub(crate) fn register_line(line: &str, devices: Vec<LineDevice>) -> Command {
    Command::RegisterLine { line: id(line), name: format!("Line {line}"), place: "hall 3".to_owned(), devices }
}

fn limit(of: u32, num: u32) -> Limit {
    Limit { labels: labels(of), ratio: ratio(num, 100) }
}

/// Limits for the labels of that code: 5 short, `over` over; by the product test 5 lost at the line, and `over` fewer
/// than the units need; each 2 % as well.
pub(crate) fn limits_draft(item_code: &str, over: u32) -> LimitSetDrafted {
    LimitSetDrafted {
        basis: LimitBasis::Provisional,
        data: "no order of this label has run yet".to_owned(),
        item_code: item_code.to_owned(),
        limits: Limits {
            over: limit(over, 2),
            product_over: limit(5, 2),
            product_short: limit(over, 2),
            short: limit(5, 2),
        },
        uncertainty: labels(1),
    }
}

pub(crate) fn draft_limits(limit_set: &str, draft: LimitSetDrafted) -> Command {
    Command::DraftLimits { limit_set: id(limit_set), draft: Box::new(draft) }
}

pub(crate) fn approve_limits(limit_set: &str) -> Command {
    Command::ApproveLimits { limit_set: id(limit_set) }
}

/// One material line, with an allowance of `fixed`, 2 per change of roll and a hundredth.
pub(crate) fn material(
    material: u16,
    item: &str,
    limit_set: &str,
    per_unit: Ratio,
    coding: Coding,
    fixed: u32,
) -> MaterialPlanned {
    MaterialPlanned {
        allowance: Allowance { fixed: labels(fixed), per_roll_change: labels(2), ratio: ratio(1, 100) },
        coding,
        item: id(&format!("item/{item}")),
        labels_per_unit: per_unit,
        limit_set: id(&format!("limit_set/{limit_set}")),
        material,
    }
}

/// The plan of [`ORDER`].
pub(crate) fn order_plan() -> OrderPlanned {
    OrderPlanned {
        dosage_form: "tablets".to_owned(),
        kind: OrderKind::Commercial,
        line: id(&format!("line/{LINE}")),
        lots: vec![ProductLot { expiry: "2028-03".to_owned(), lot: LOT.to_owned(), units: 240 }],
        market: "XX".to_owned(),
        master: DocumentCopy { id: "MR-1".to_owned(), version: "3".to_owned() },
        materials: vec![
            material(1, CODED, LIMITS, ratio(1, 1), Coding::Line, 10),
            material(2, PLAIN, LIMITS_PLAIN, ratio(1, 24), Coding::None, 1),
        ],
        pack: "30 tablets".to_owned(),
        procedures: vec![DocumentCopy { id: "SOP-7".to_owned(), version: "2".to_owned() }],
        product: "Demonstrol".to_owned(),
        strength: Some("50 mg".to_owned()),
    }
}

pub(crate) fn plan_order(order: &str, plan: OrderPlanned) -> Command {
    Command::PlanOrder { order: id(order), plan: Box::new(plan) }
}

/// Three places with nothing in them.
pub(crate) fn places() -> Vec<ClearedPlace> {
    let place = |place: &str| ClearedPlace { foreign: false, found: "nothing".to_owned(), place: place.to_owned() };
    vec![place("labeller"), place("reject bin"), place("floor")]
}

/// The same, with a strange label on the floor.
pub(crate) fn foreign_places() -> Vec<ClearedPlace> {
    let mut places = places();
    let floor = places.last_mut().unwrap();
    floor.foreign = true;
    floor.found = "one label of another product".to_owned();
    places
}

pub(crate) fn clear_line(order: &str, when: ClearanceWhen) -> Command {
    Command::PerformClearance { line: id(LINE), order: id(order), when, places: places() }
}

pub(crate) fn clear_line_foreign(order: &str, when: ClearanceWhen) -> Command {
    Command::PerformClearance { line: id(LINE), order: id(order), when, places: foreign_places() }
}

pub(crate) fn check_clearance(clearance: &Id) -> Command {
    Command::CheckClearance { clearance: clearance.clone() }
}

/// The roll is the same as the specimen, and unwinds as its item says.
pub(crate) fn examine_roll(order: &str, material: u16, roll: &str) -> Command {
    Command::ExamineBeforeIssue {
        order: id(order),
        material,
        roll: id(roll),
        verdict: ExaminationVerdict::Same,
        specimen: specimen(),
        code_read: (material == 1).then(|| CODE.to_owned()),
        unwind: Unwind::OutsideLeftFirst,
        choice: None,
    }
}

pub(crate) fn give_issue(order: &str, material: u16, rolls: &[&str], extra: Option<&Id>) -> Command {
    let rolls = rolls.iter().map(|roll| id(roll)).collect();
    Command::GiveIssue { order: id(order), material, rolls, extra: extra.cloned() }
}

pub(crate) fn take_issue(issue: &str) -> Command {
    Command::TakeIssue { issue: id(issue) }
}

pub(crate) fn withdraw_issue(issue: &str) -> Command {
    Command::WithdrawIssue { issue: id(issue), why: "the line cannot take it today".to_owned() }
}

pub(crate) fn receive_at_line(order: &str, material: u16, roll: &str) -> Command {
    Command::ReceiveAtLine { order: id(order), material, roll: id(roll) }
}

pub(crate) fn start_order(order: &str, clearance: &Id) -> Command {
    Command::StartOrder { order: id(order), clearance: clearance.clone() }
}

pub(crate) fn mount_roll(order: &str, material: u16, roll: &str) -> Command {
    let code_read = (material == 1).then(|| CODE.to_owned());
    Command::MountRoll { order: id(order), material, roll: id(roll), device: id(DISPENSER), code_read }
}

pub(crate) fn dismount_roll(order: &str, material: u16, roll: &str, ran: RollRan) -> Command {
    Command::DismountRoll { order: id(order), material, roll: id(roll), ran }
}

pub(crate) fn interrupt_order(order: &str) -> Command {
    Command::InterruptOrder { order: id(order), cause: "the packer stands".to_owned() }
}

pub(crate) fn resume_order(order: &str, clearance: Option<&Id>) -> Command {
    Command::ResumeOrder { order: id(order), clearance: clearance.cloned() }
}

pub(crate) fn finish_order(order: &str, clearance: &Id) -> Command {
    Command::FinishOrder { order: id(order), clearance: clearance.clone() }
}

pub(crate) fn void_order(order: &str) -> Command {
    Command::VoidOrder { order: id(order), why: "planned on the wrong line".to_owned() }
}

pub(crate) fn request_override(kind: OverrideKind, order: &str, about: &str) -> Command {
    let extra = kind == OverrideKind::ExtraIssue;
    Command::RequestOverride {
        kind,
        order: id(order),
        about: id(about),
        material: extra.then_some(1),
        labels: extra.then(|| tallyseal_schema::Labels::new(EXTRA_MAX).unwrap()),
        device: (kind == OverrideKind::DeviceOverdue).then(|| id(DISPENSER)),
        why: "the line has lost a roll".to_owned(),
    }
}

impl Plant {
    #[track_caller]
    pub(crate) fn order(&self, order: &str) -> &OrderState {
        match &self.record(&format!("order/{order}")).state {
            State::Order(state) => state,
            _ => panic!("no order"),
        }
    }

    /// Clears the line and lets a second person check it. Gives the clearance.
    #[track_caller]
    pub(crate) fn cleared(&mut self, order: &str, when: ClearanceWhen) -> Id {
        self.did(&line(), clear_line(order, when));
        let Body::ClearancePerformed(_) = &self.last("clearance.performed").body else { panic!("no clearance") };
        let clearance = self.last("clearance.performed").header.stream.id();
        self.did(&line_colleague(), check_clearance(&clearance));
        clearance
    }

    /// An override that was asked for and granted. Gives it.
    #[track_caller]
    pub(crate) fn granted(&mut self, asks: &By, grants: &By, kind: OverrideKind, order: &str, about: &str) -> Id {
        self.granted_as(asks, grants, request_override(kind, order, about))
    }

    /// As [`Plant::granted`], with bounds of its own.
    #[track_caller]
    pub(crate) fn granted_as(&mut self, asks: &By, grants: &By, request: Command) -> Id {
        self.did(asks, request);
        let over = self.last("override.requested").header.stream.id();
        self.did(grants, Command::GrantOverride { over: over.clone() });
        over
    }

    /// With a second person of the line, the line and its devices, rolls that are released and counted between good
    /// challenges, and approved limits.
    pub(crate) fn stocked() -> Self {
        static STOCKED: OnceLock<Plant> = OnceLock::new();
        STOCKED.get_or_init(Self::make_stocked).clone()
    }

    fn make_stocked() -> Self {
        let mut plant = Self::furnished();
        plant.enrolled("U-0011", &[Role::Line]);
        plant.enrolled("U-0012", &[Role::Supervisor]);
        let devices = devices(&plant);
        plant.did(&supervisor(), register_line(LINE, devices));
        for (limit_set, code, over) in [(LIMITS, "L-100", 0), (LIMITS_PLAIN, "L-200", 1)] {
            plant.did(&supervisor(), draft_limits(limit_set, limits_draft(code, over)));
            plant.did(&reviewer(), approve_limits(limit_set));
        }
        plant.station_stands("ST-2");
        plant.released("D-1", CODED, CODED_ROLLS);
        plant.released("D-2", PLAIN, PLAIN_ROLLS);
        plant.did(&room(), set_up("ST-1", CODED));
        plant.did(&room(), set_up("ST-2", PLAIN));
        plant.challenged("ST-1");
        plant.challenged("ST-2");
        for roll in CODED_ROLLS {
            plant.signed("ST-1", open_incoming("ST-1", roll), &run_of(100, Some(CODE), &[]));
        }
        for roll in PLAIN_ROLLS {
            // The item asks for two counts that agree.
            for _ in 0..2 {
                plant.signed("ST-2", open_incoming("ST-2", roll), &run_of(100, None, &[]));
            }
        }
        plant.challenged("ST-1");
        plant.challenged("ST-2");
        plant
    }

    /// The same, with [`ORDER`] planned.
    pub(crate) fn planned() -> Self {
        let mut plant = Self::stocked();
        plant.did(&supervisor(), plan_order(ORDER, order_plan()));
        plant
    }

    /// `R-1` to `R-3` and `R-4` are issued, taken over and scanned in at the line.
    pub(crate) fn at_the_line() -> Self {
        static AT_THE_LINE: OnceLock<Plant> = OnceLock::new();
        let made = AT_THE_LINE.get_or_init(|| {
            let mut plant = Self::planned();
            for (material, rolls) in [(1, &["R-1", "R-2", "R-3"][..]), (2, &["R-4"][..])] {
                for roll in rolls {
                    plant.did(&room(), examine_roll(ORDER, material, roll));
                }
                plant.did(&room(), give_issue(ORDER, material, rolls, None));
                let issue = plant.last("issue.given").header.stream.id();
                plant.did(&line(), take_issue(&issue.to_string()));
                for roll in rolls {
                    plant.did(&line(), receive_at_line(ORDER, material, roll));
                }
            }
            plant
        });
        made.clone()
    }

    /// The order runs; no roll is mounted yet.
    pub(crate) fn started() -> Self {
        let mut plant = Self::at_the_line();
        let clearance = plant.cleared(ORDER, ClearanceWhen::Before);
        plant.did(&line(), start_order(ORDER, &clearance));
        plant
    }

    /// Every roll was mounted: the coded ones ran to their end but for the last, which was taken off with labels left,
    /// as was the roll of shipper labels; the line is cleared and the order is finished.
    pub(crate) fn finished() -> Self {
        static FINISHED: OnceLock<Plant> = OnceLock::new();
        let made = FINISHED.get_or_init(|| {
            let mut plant = Self::started();
            let ran = [
                (1, "R-1", RollRan::UsedUp),
                (1, "R-2", RollRan::UsedUp),
                (1, "R-3", RollRan::TakenOff),
                (2, "R-4", RollRan::TakenOff),
            ];
            for (material, roll, ran) in ran {
                plant.did(&line(), mount_roll(ORDER, material, roll));
                plant.did(&line(), dismount_roll(ORDER, material, roll, ran));
            }
            let clearance = plant.cleared(ORDER, ClearanceWhen::After);
            plant.did(&line(), finish_order(ORDER, &clearance));
            plant
        });
        made.clone()
    }

    /// Two people count by hand, and agree. Gives the hand count.
    #[track_caller]
    pub(crate) fn hand_counted(&mut self, material: Option<u16>, what: HandCounted, number: u32) -> Id {
        self.did(&room(), Command::OpenHandCount { order: id(ORDER), material, what });
        let hand_count = self.last("hand_count.opened").header.stream.id();
        for by in [room(), colleague()] {
            self.did(&by, Command::EnterHandCount { hand_count: hand_count.clone(), labels: labels(number) });
        }
        hand_count
    }

    /// A quantity of labels as a device of the line has counted them.
    #[track_caller]
    pub(crate) fn device_counted(&mut self, material: u16, term: Term, device: &str, start: u32, end: u32) {
        let purpose = matches!(term, Term::Samples | Term::Spoiled).then(|| "setting up".to_owned());
        let source = Source::Device { device: id(device), end, start, wraps: 0 };
        self.did(&line(), Command::RecordQuantity { order: id(ORDER), material, term, source, purpose, overdue: None });
    }

    /// The order is finished and `R-3` and `R-4` came back: of `R-3` a coded tail of 4, counted by hand, in `CN-1`, and a
    /// rest of 46, now `R-31`; of `R-4` a rest of 89, now `R-41`. Both are counted between good challenges.
    pub(crate) fn given_back() -> Self {
        static GIVEN_BACK: OnceLock<Plant> = OnceLock::new();
        GIVEN_BACK.get_or_init(Self::make_given_back).clone()
    }

    fn make_given_back() -> Self {
        let mut plant = Self::finished();
        for (material, roll, seal) in [(1, "R-3", "S-1"), (2, "R-4", "S-2")] {
            let (order, roll, seal) = (id(ORDER), id(roll), seal.to_owned());
            plant.did(&line(), Command::GiveBack { order, material, roll, seal });
        }
        let (container, place) = (id("CN-1"), "cage for destruction".to_owned());
        let (order, contents) = (id(ORDER), Contents::Coded);
        plant.did(&room(), Command::OpenContainer { container, order, material: 1, contents, place });
        let tail = plant.hand_counted(Some(1), HandCounted::CodedTail, 4);
        for (material, roll, tail, container, rest) in
            [(1, "R-3", Some(tail), Some(id("CN-1")), "R-31"), (2, "R-4", None, None, "R-41")]
        {
            plant.did(
                &room(),
                Command::TakeBack {
                    order: id(ORDER),
                    material,
                    roll: id(roll),
                    seal_intact: true,
                    tail,
                    container,
                    rest: Some(id(rest)),
                    place: "quarantine cage".to_owned(),
                },
            );
        }
        let back = |station: &str, roll: &str| {
            open(station, &format!("roll/{roll}"), CountPurpose::Return, Direction::Forward)
        };
        plant.signed("ST-1", back("ST-1", "R-31"), &run_of(46, Some(CODE), &[]));
        for _ in 0..2 {
            plant.signed("ST-2", back("ST-2", "R-41"), &run_of(89, None, &[]));
        }
        plant.challenged("ST-1");
        plant.challenged("ST-2");
        plant
    }

    /// The same with every quantity recorded: of 300 labels of material 1 240 on good units, 3 on rejected ones, 2 samples
    /// and 5 spoiled, 4 coded, 46 back; of 100 of material 2 10, 1 spoiled and 89 back; 240 units. Nothing is short or over.
    pub(crate) fn accounted() -> Self {
        let mut plant = Self::given_back();
        plant.device_counted(1, Term::Good, VERIFIER, 0, 240);
        plant.device_counted(1, Term::Rejected, VERIFIER, 240, 243);
        plant.device_counted(1, Term::Samples, DISPENSER, 0, 2);
        plant.device_counted(1, Term::Spoiled, DISPENSER, 2, 7);
        plant.device_counted(2, Term::Good, DISPENSER, 7, 17);
        plant.device_counted(2, Term::Spoiled, DISPENSER, 17, 18);
        let source = Source::Device { device: id(UNIT_COUNTER), end: 240, start: 0, wraps: 0 };
        plant.did(&line(), Command::RecordUnits { order: id(ORDER), lot: LOT.to_owned(), source, overdue: None });
        plant
    }

    /// Both material lines are reconciled and checked.
    pub(crate) fn reconciled() -> Self {
        static RECONCILED: OnceLock<Plant> = OnceLock::new();
        let made = RECONCILED.get_or_init(|| {
            let mut plant = Self::accounted();
            for material in [1, 2] {
                plant.did(&colleague(), Command::Reconcile { order: id(ORDER), material });
                let reconciliation = plant.last("reconciliation.computed").header.stream.id();
                plant.did(&second_supervisor(), Command::CheckReconciliation { reconciliation });
            }
            plant
        });
        made.clone()
    }

    /// The container is sealed, and the order is signed for packaging.
    pub(crate) fn in_review() -> Self {
        let mut plant = Self::reconciled();
        plant.did(&room(), Command::SealContainer { container: id("CN-1"), seal: "S-3".to_owned() });
        plant.did(&supervisor(), Command::SignForPackaging { order: id(ORDER) });
        plant
    }

    /// The container is destroyed before a witness, and quality has reviewed the record.
    pub(crate) fn reviewed() -> Self {
        let mut plant = Self::in_review();
        plant.did(
            &room(),
            Command::DeclareDestruction {
                container: id("CN-1"),
                labels: labels(4),
                method: "shredded".to_owned(),
                place: "room 4".to_owned(),
                late: None,
            },
        );
        plant.did(&line_colleague(), Command::WitnessDestruction { container: id("CN-1") });
        let statement = "every entry and every change was looked at".to_owned();
        plant.did(&second_reviewer(), Command::ReviewOrder { order: id(ORDER), statement });
        plant
    }
}
