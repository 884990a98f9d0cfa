//! The executor under the rules of label control themselves: two founders, a session, a signature, a refusal.

use tallyseal_control::{Command, State};
use tallyseal_schema::entry::Person;
use tallyseal_schema::ids::{AccountId, Stream};
use tallyseal_schema::kinds::{Role, SessionEnd};
use tallyseal_schema::signature::{SigningKey, key_name, key_statement};
use tallyseal_schema::{By, canonical};

use crate::testing::*;
use crate::{ActError, Book, Order, rebuild};

fn seated(account: &AccountId, role: Role, session: &str) -> By {
    By::Person(Person {
        account: account.clone(),
        device: id("D-1"),
        name: format!("Person {account}"),
        role,
        session: id(session),
    })
}

fn key_of(seed: u8) -> SigningKey {
    SigningKey::from_seed(&[seed; 32]).unwrap()
}

#[test]
fn founders_confirm_each_other_and_one_approves() {
    let plant = Plant::new();
    let book = Book::open(&plant.path(), plant.settings()).unwrap();
    let mut number = 0;
    let mut give = |by: By, command: Command, key: Option<SigningKey>| {
        number += 1;
        book.act_blocking(Order { key, ..order(number, by, command) })
    };
    let name = "book.example/test".parse().unwrap();
    let people: [(AccountId, Role, u8); 2] =
        [("U-0001".parse().unwrap(), Role::Administrator, 21), ("U-0002".parse().unwrap(), Role::Reviewer, 22)];
    for (i, (account, role, seed)) in people.iter().enumerate() {
        let found =
            Command::FoundAccount { account: account.clone(), name: format!("Person {account}"), roles: vec![*role] };
        give(By::system("init"), found, None).unwrap();
        let key = key_of(*seed);
        let statement = key_statement(account, &name, &key_name(&key.public()), None).unwrap();
        let enrol = Command::EnrolKey {
            account: account.clone(),
            key: key_name(&key.public()),
            public_key: canonical::base64(key.public()),
            previous: None,
            proof: canonical::base64(key.sign(&statement)),
        };
        let session = format!("SE-{i}");
        let expires = at(MORNING + 3_600_000_000);
        let open = Command::OpenSession { session: id(&session), account: account.clone(), device: id("D-1"), expires };
        give(By::system("sign-in"), open, None).unwrap();
        give(seated(account, *role, &session), enrol, None).unwrap();
    }
    for (i, (account, role, seed)) in people.iter().enumerate() {
        let session = format!("SE-{i}");
        let other = Command::ConfirmIdentity { account: people[1 - i].0.clone() };
        let without = give(seated(account, *role, &session), other.clone(), None);
        assert!(matches!(without, Err(ActError::Refused { receipt: None, .. })), "{without:?}");
        give(seated(account, *role, &session), other, Some(key_of(*seed))).unwrap();
    }
    // An administrator has no label acts: refused, and recorded.
    let refused = give(seated(&people[0].0, Role::Administrator, "SE-0"), register("SU-1"), None);
    assert!(matches!(refused, Err(ActError::Refused { receipt: Some(_), .. })), "{refused:?}");
    let end = Command::EndSession { session: id("SE-0"), cause: SessionEnd::SignedOut };
    give(By::system("sign-in"), end, None).unwrap();
    let ended = give(seated(&people[0].0, Role::Administrator, "SE-0"), register("SU-1"), None);
    assert!(matches!(ended, Err(ActError::Refused { receipt: None, .. })), "a session's end bites at once: {ended:?}");
    let (_, record) = book.record(&Stream::account(&people[0].0)).unwrap().unwrap();
    assert!(matches!(record.state, State::Account(_)));
    book.shutdown_blocking();

    verify(&plant);
    rebuild(&plant.path()).unwrap();
    verify(&plant);
}
