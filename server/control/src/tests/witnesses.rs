use tallyseal_schema::Hash;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::OtherHistory;

use crate::testing::{Plant, id, room, system};
use crate::{BookState, Command, Key, State};

const W1: &str = "witness.example/w1+20324abe+BCmsuuFBvMrwsi4alNNNC8c2HlJtC/4SyJeUvJMilm3X";
const W2: &str = "witness.example/w2";

fn name(witnesses: &[&str]) -> Command {
    Command::NameWitnesses { witnesses: witnesses.iter().map(|one| (*one).to_owned()).collect() }
}

fn lose(witness: &str) -> Command {
    Command::LoseWitness { witness: witness.to_owned(), since: None, size: 7, cause: "No answer.".to_owned() }
}

fn back(witness: &str) -> Command {
    Command::RestoreWitness { witness: witness.to_owned(), size: 9 }
}

fn fork(witness: &str) -> Command {
    Command::NoteFork { witness: witness.to_owned(), size: 9, known: 12, history: OtherHistory::Longer }
}

fn shown(leaf: u8, proved: bool) -> Command {
    Command::NoteReceipt {
        account: None,
        n: 40,
        leaf: Hash([leaf; 32]),
        ours: Some(Hash([9; 32])),
        checkpoint: proved.then(|| "a note".to_owned()),
    }
}

fn state(plant: &Plant) -> BookState {
    match &plant.record("book/B").state {
        State::Book(state) => state.clone(),
        other => panic!("{other:?}"),
    }
}

fn keys(plant: &Plant) -> Vec<Key> {
    plant.record("book/B").keys(&id::<Stream>("book/B"))
}

#[test]
fn which_witnesses_are_asked_is_said_when_it_is_others_than_before() {
    let mut plant = Plant::peopled();
    plant.makes(&system(), name(&[]), &[]);
    plant.makes(&system(), name(&[W2, W1, W2]), &["book.witnesses_named B"]);
    plant.makes(&system(), name(&[W1, W2]), &[]);
    plant.makes(&system(), name(&[W1]), &["book.witnesses_named B"]);
    plant.makes(&system(), name(&[]), &["book.witnesses_named B"]);
    let many: Vec<String> = (0..17).map(|n| format!("w{n}")).collect();
    let many: Vec<&str> = many.iter().map(String::as_str).collect();
    plant.makes(&system(), name(&many[..16]), &["book.witnesses_named B"]);
    plant.refuses(&system(), name(&many), "too-many-witnesses");
    plant.refuses(&room(), name(&[W1]), "not-for-this-actor");
}

#[test]
fn a_witness_is_lost_once_and_back_once() {
    let mut plant = Plant::peopled();
    plant.refuses(&system(), lose(W1), "internal");
    plant.did(&system(), name(&[W1, W2]));
    plant.makes(&system(), back(W1), &[]);
    plant.makes(&system(), lose(W1), &["book.witness_lost B"]);
    plant.makes(&system(), lose(W1), &[]);
    assert!(keys(&plant).contains(&Key::new("book.unwitnessed", "yes")));
    plant.makes(&system(), lose(W2), &["book.witness_lost B"]);
    plant.makes(&system(), back(W1), &["book.witness_back B"]);
    plant.makes(&system(), back(W1), &[]);
    plant.makes(&system(), lose(W1), &["book.witness_lost B"]);
    // One that is not asked any more is not missed.
    plant.did(&system(), name(&[W1]));
    assert_eq!(state(&plant).lost.keys().collect::<Vec<_>>(), [W1]);
    plant.did(&system(), back(W1));
    assert!(!keys(&plant).contains(&Key::new("book.unwitnessed", "yes")));
}

#[test]
fn another_history_is_said_once_for_each_witness_and_stands() {
    let mut plant = Plant::peopled();
    plant.did(&system(), name(&[W1, W2]));
    assert!(!keys(&plant).contains(&Key::new("book.forked", "yes")));
    plant.makes(&system(), fork(W1), &["book.fork_seen B"]);
    plant.makes(&system(), fork(W1), &[]);
    // It does not cosign because of that; nobody is told that it is away.
    plant.makes(&system(), lose(W1), &[]);
    plant.makes(&system(), fork(W2), &["book.fork_seen B"]);
    // Asking nobody any more does not make it untrue.
    plant.did(&system(), name(&[]));
    assert!(keys(&plant).contains(&Key::new("book.forked", "yes")));
    assert_eq!(state(&plant).alarms.len(), 2);
}

#[test]
fn a_contradicted_receipt_is_said_once_and_once_more_where_it_is_proved() {
    let mut plant = Plant::peopled();
    plant.makes(&system(), shown(1, false), &["book.receipt_contradicted B"]);
    plant.makes(&system(), shown(2, false), &[]);
    plant.makes(&system(), shown(2, true), &["book.receipt_contradicted B"]);
    plant.makes(&system(), shown(3, true), &[]);
    plant.makes(&system(), shown(3, false), &[]);
    assert!(keys(&plant).contains(&Key::new("book.forked", "yes")));
    // What is as the book is no matter.
    plant.refuses(&system(), shown(9, true), "internal");
    plant.refuses(&room(), shown(1, true), "not-for-this-actor");
}
