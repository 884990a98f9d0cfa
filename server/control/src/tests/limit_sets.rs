use tallyseal_schema::kinds::LimitSetDrafted;

use crate::testing::{Plant, id, labels, reviewer, second_reviewer, supervisor};
use crate::testing_orders::{approve_limits, draft_limits, limits_draft, ratio};
use crate::{Command, LimitSetStatus, State};

fn withdraw(limit_set: &str) -> Command {
    Command::WithdrawLimits { limit_set: id(limit_set), why: "history is there now".to_owned() }
}

fn status(plant: &Plant) -> LimitSetStatus {
    match &plant.record("limit_set/LS-9").state {
        State::LimitSet(state) => state.status,
        _ => panic!("no limit set"),
    }
}

#[test]
fn limits_are_proposed_by_one_and_approved_by_another() {
    let mut plant = Plant::peopled();
    let draft = || draft_limits("LS-9", limits_draft("L-100", 0));
    plant.refuses(&supervisor(), approve_limits("LS-9"), "wrong-role");
    plant.refuses(&reviewer(), approve_limits("LS-9"), "no-such-limit-set");
    plant.refuses(&reviewer(), withdraw("LS-9"), "no-such-limit-set");
    plant.makes(&supervisor(), draft(), &["limit_set.drafted LS-9"]);
    plant.refuses(&supervisor(), draft(), "id-in-use");
    let refused = plant.act_with(&reviewer(), None, approve_limits("LS-9")).unwrap_err();
    assert_eq!(refused.code, "needs-password");
    plant.makes(&reviewer(), approve_limits("LS-9"), &["limit_set.approved LS-9", "\"limits approved\" LS-9"]);
    plant.refuses(&second_reviewer(), approve_limits("LS-9"), "already-approved");
    plant.refuses(&reviewer(), Command::WithdrawLimits { limit_set: id("LS-9"), why: "x".to_owned() }, "no-reason");
    plant.makes(&reviewer(), withdraw("LS-9"), &["limit_set.withdrawn LS-9"]);
    assert_eq!(status(&plant), LimitSetStatus::Withdrawn);
    plant.refuses(&reviewer(), withdraw("LS-9"), "limits-withdrawn");
    plant.refuses(&reviewer(), approve_limits("LS-9"), "limits-withdrawn");
}

#[test]
fn nobody_approves_the_limits_that_they_proposed() {
    use crate::testing::all_hats;
    use tallyseal_schema::kinds::Role;
    let mut plant = Plant::peopled();
    plant.did(&all_hats(Role::Supervisor), draft_limits("LS-9", limits_draft("L-100", 0)));
    plant.refuses(&all_hats(Role::Reviewer), approve_limits("LS-9"), "same-person");
    plant.did(&reviewer(), approve_limits("LS-9"));
}

#[test]
fn limits_that_are_proposed_may_be_withdrawn() {
    let mut plant = Plant::peopled();
    plant.did(&supervisor(), draft_limits("LS-9", limits_draft("L-100", 0)));
    plant.did(&reviewer(), withdraw("LS-9"));
    plant.refuses(&reviewer(), approve_limits("LS-9"), "limits-withdrawn");
}

#[test]
fn limits_stay_under_the_ceiling_and_above_what_counting_can_show() {
    let mut plant = Plant::peopled();
    let with = |change: &dyn Fn(&mut LimitSetDrafted)| {
        let mut draft = limits_draft("L-100", 0);
        change(&mut draft);
        draft_limits("LS-9", draft)
    };
    let rows: [fn(&mut LimitSetDrafted) -> &mut tallyseal_schema::kinds::Limit; 4] = [
        |draft| &mut draft.limits.short,
        |draft| &mut draft.limits.over,
        |draft| &mut draft.limits.product_over,
        |draft| &mut draft.limits.product_short,
    ];
    for (n, row) in rows.into_iter().enumerate() {
        plant.clone().did(&supervisor(), with(&|draft| row(draft).ratio = ratio(5, 100)));
        plant.refuses(&supervisor(), with(&|draft| row(draft).ratio = ratio(50_001, 1_000_000)), "above-ceiling");
        // Over, and labels that the units lack, may be nothing at all; what is lost not less than one roll's count may
        // be off.
        let none = with(&|draft| row(draft).labels = labels(0));
        if n % 2 == 0 {
            plant.refuses(&supervisor(), none, "below-uncertainty");
            plant.clone().did(&supervisor(), with(&|draft| row(draft).labels = labels(1)));
        } else {
            plant.clone().did(&supervisor(), none);
        }
    }
    let uncertain = |of: u32| {
        with(&move |draft| {
            draft.limits.short.labels = labels(30);
            draft.limits.product_over.labels = labels(30);
            draft.uncertainty = labels(of);
        })
    };
    plant.clone().did(&supervisor(), uncertain(20));
    plant.refuses(&supervisor(), uncertain(21), "out-of-range");
    plant.refuses(&supervisor(), with(&|draft| draft.data = String::new()), "empty");
    plant.refuses(&supervisor(), with(&|draft| draft.item_code = "L\n100".to_owned()), "control-characters");
}
