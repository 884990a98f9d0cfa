//! Signatures of people, forged by somebody who has their keys or makes keys of their own, in a book that fits together in
//! every other way and whose checkpoints are signed by its own key.

use serde_json::{Value, json};
use tallyseal_schema::canonical::{base64, unbase64};

use crate::attack::Place::At;
use crate::attack::{Finding, Outside, both_over_the_dump, found, holds, sentences};
use crate::forge::{Forge, grant};
use crate::stock::{Copy, stock};

/// A book that is made anew with the forger's keys.
fn forged(make: impl FnOnce(&mut Forge) -> usize) -> (Copy, u64) {
    let copy = Copy::new();
    let mut forge = Forge::with_everyones_keys(&copy.dir());
    let n = make(&mut forge);
    forge.mend();
    forge.write_with_checkpoints(&copy.dir());
    (copy, n as u64)
}

/// Those checks find it, each at the entry that `make` names; both verifiers see that something is wrong.
#[track_caller]
fn attack(checks: &[&'static str], says: &str, make: impl FnOnce(&mut Forge) -> usize) {
    let (copy, n) = forged(make);
    let by: Vec<Finding> = checks.iter().map(|check| (*check, At(n))).collect();
    let with = Outside::key(&stock().key);
    found(&copy.dir(), &with, &by);
    let said = sentences(&copy.dir(), &with, checks[0]);
    assert!(said.contains(says), "{said}");
    both_over_the_dump(&copy, &with, 1);
}

/// It is no fault for either.
#[track_caller]
fn no_fault(make: impl FnOnce(&mut Forge) -> usize) -> Copy {
    let (copy, _) = forged(make);
    let with = Outside::key(&stock().key);
    holds(&copy.dir(), &with);
    both_over_the_dump(&copy, &with, 0);
    copy
}

#[test]
fn untouched_it_holds() {
    no_fault(|_| 0);
}

/// The signature under a count, which covers twenty entries or so.
fn counted(forge: &Forge) -> usize {
    forge.find("count/C-000005", "signature.applied")
}

/// The last signature of U-0004 and the first entry of its act: what is put in before it must not part the act.
fn last_of_the_operator(forge: &Forge) -> (usize, usize) {
    let mut signed = forge.all("signature.applied").into_iter();
    let last = signed.rfind(|n| forge.entries[*n]["by"]["account"] == "U-0004").unwrap();
    let act = &forge.entries[last]["act"];
    let first = (0..=last).rev().take_while(|n| forge.entries[*n]["act"] == *act).last().unwrap();
    (first, last)
}

/// The place before the last entries, where all people can have signed.
fn late(forge: &Forge) -> usize {
    forge.last()
}

/// Gives U-0003, who drafts, the role of those who approve.
fn promote(forge: &mut Forge, n: usize) -> usize {
    let administrator = forge.by("U-0001");
    let body = json!({ "account": "U-0003", "roles": [grant("supervisor"), grant("reviewer")] });
    forge.insert(n, administrator, "account.roles_changed", "account/U-0003", body);
    forge.entries[n]["why"] = json!("forged");
    n + 1
}

/// A signature at `n` by that person in another role.
fn in_role(forge: &mut Forge, n: usize, account: &str, role: &str, meaning: &str, record: &str) -> usize {
    forge.sign(n, account, meaning, record, &[]);
    for place in ["by", "body"] {
        forge.entries[n][place]["role"] = json!(role);
    }
    n
}

/// What is done to one number of a body's base64 text.
fn bytes_of(body: &mut Value, field: &str, change: impl FnOnce(&mut Vec<u8>)) {
    let mut bytes = unbase64(body[field].as_str().unwrap()).unwrap();
    change(&mut bytes);
    body[field] = json!(base64(bytes));
}

macro_rules! attacks {
    // One line for each attack, so that each is a test of its own.
    ($($(#[$note:meta])* $name:ident: $checks:expr, $says:expr, $make:expr;)*) => {
        $($(#[$note])* #[test] fn $name() { attack(&$checks, $says, $make); })*
    };
}

attacks! {
    a_signature_that_covers_less_than_its_record: ["signatures"], "covers it to rev", |forge| {
        let n = counted(forge);
        let rev = forge.entries[n]["rev"].as_u64().unwrap() - 2;
        let root = forge.root("count/C-000005", rev as usize);
        forge.before_signing(n, move |body| body["covers"]["count/C-000005"] = json!({ "rev": rev, "root": root }));
        n
    };
    a_signature_that_covers_less_than_another_stream: ["signatures"], "which was at rev", |forge| {
        let n = late(forge);
        let root = forge.root("roll/R-000101", 2);
        forge.sign(n, "U-0005", "examined", "delivery/DL-0001", &["roll/R-000101"]);
        forge.before_signing(n, move |body| body["covers"]["roll/R-000101"] = json!({ "rev": 2, "root": root }));
        n
    };
    a_signature_over_another_root: ["signatures"], "the root that it names", |forge| {
        let n = counted(forge);
        forge.before_signing(n, |body| body["covers"]["count/C-000005"]["root"] = json!("00".repeat(32)));
        n
    };
    a_signature_that_covers_nothing: ["signatures"], "covers nothing", |forge| {
        let n = counted(forge);
        forge.before_signing(n, |body| body["covers"] = json!({}));
        n
    };
    a_signature_that_does_not_cover_its_record: ["signatures"], "does not cover count/C-000005", |forge| {
        let n = counted(forge);
        forge.before_signing(n, |body| {
            let cover = body["covers"]["count/C-000005"].take();
            body["covers"] = json!({ "roll/R-000102": cover });
        });
        n
    };
    a_signature_over_a_stream_that_is_not_there: ["signatures"], "has no entry before it", |forge| {
        let n = late(forge);
        forge.sign(n, "U-0005", "examined", "delivery/DL-0001", &["roll/R-777777"]);
        forge.before_signing(n, |body| body["covers"]["roll/R-777777"]["rev"] = json!(1));
        n
    };
    a_signature_in_another_stream_than_it_signs: ["signatures"], "stands in", |forge| {
        let n = late(forge);
        forge.sign(n, "U-0005", "examined", "delivery/DL-0001", &[]);
        forge.entries[n]["stream"] = json!("delivery/DL-0002");
        n
    };
    a_signature_by_another_persons_key: ["signatures"], "none of account U-0004's", |forge| {
        let n = counted(forge);
        forge.signed_with(n, forge.seed("U-0003", 0));
        n
    };
    a_signature_by_a_key_that_nobody_has: ["signatures"], "none of account U-0004's", |forge| {
        let n = counted(forge);
        forge.signed_with(n, [250; 32]);
        n
    };
    a_signature_in_another_persons_name: ["signatures"], "not those of the entry's author", |forge| {
        let n = counted(forge);
        forge.before_signing(n, |body| body["name"] = json!("Somebody Else"));
        n
    };
    a_signature_under_a_name_that_is_not_the_accounts: ["signatures"], "name", |forge| {
        let n = late(forge);
        forge.sign(n, "U-0005", "examined", "delivery/DL-0001", &[]);
        for place in ["by", "body"] {
            forge.entries[n][place]["name"] = json!("Somebody Else");
        }
        n
    };
    a_signature_changed_after_it_was_made: ["signatures"], "not the signer's signature", |forge| {
        let n = counted(forge);
        forge.after_signing(n, |body| bytes_of(body, "sig", |sig| sig[0] ^= 1));
        n
    };
    /// S plus the order of the group: RFC 8032 section 5.1.7 refuses this second form of a good signature.
    a_signature_in_its_second_form: ["signatures"], "not the signer's signature", |forge| {
        let n = counted(forge);
        forge.after_signing(n, |body| bytes_of(body, "sig", |sig| {
            const ORDER: [u8; 32] = [
                0xed, 0xd3, 0xf5, 0x5c, 0x1a, 0x63, 0x12, 0x58, 0xd6, 0x9c, 0xf7, 0xa2, 0xde, 0xf9, 0xde, 0x14,
                0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0x10,
            ];
            let mut carry = 0_u16;
            for (byte, more) in sig[32..].iter_mut().zip(ORDER) {
                carry += u16::from(*byte) + u16::from(more);
                *byte = carry as u8;
                carry >>= 8;
            }
        }));
        n
    };
    a_signature_used_a_second_time: ["signatures"], "used at an earlier entry", |forge| {
        let used = counted(forge);
        let (again, n) = (forge.entries[used].clone(), late(forge));
        forge.insert(n, again["by"].clone(), "signature.applied", "count/C-000005", again["body"].clone());
        forge.after_signing(n, move |body| *body = again["body"].clone());
        n
    };
    a_signature_by_a_key_that_was_retired: ["signatures"], "the key was retired", |forge| {
        let n = counted(forge);
        let key = forge.entries[forge.find("account/U-0004", "account.key_enrolled")]["body"]["key"].clone();
        let administrator = forge.by("U-0001");
        let body = json!({ "account": "U-0004", "key": key });
        // Every signature after it falls as well, so it is put in before this person's last one.
        let (first, last) = last_of_the_operator(forge);
        assert!(n < first);
        forge.insert(first, administrator, "account.key_retired", "account/U-0004", body);
        last + 1
    };
    a_signature_by_a_key_that_nobody_confirmed: ["signatures"], "the key was not confirmed", |forge| {
        let n = late(forge);
        let n = forge.enrol(n, "U-0099", "incoming_examiner", [99; 32]);
        forge.sign(n, "U-0099", "examined", "delivery/DL-0001", &[])
    };
    /// FORMAT.md section 4: a confirmation is of the newest key enrolled up to the covered rev, and of no older one.
    a_signature_by_an_older_key_than_the_confirmed_one: ["signatures"], "the key was not confirmed", |forge| {
        let n = late(forge);
        let n = second_key(forge, n);
        let n = forge.sign(n, "U-0002", "identity confirmed", "account/U-0099", &[]) + 1;
        forge.sign(n, "U-0099", "examined", "delivery/DL-0001", &[]);
        forge.signed_with(n, forge.seed("U-0099", 0));
        n
    };
    a_signature_of_an_account_that_had_ended: ["signatures"], "had ended", |forge| {
        let ((first, last), administrator) = (last_of_the_operator(forge), forge.by("U-0001"));
        forge.insert(first, administrator, "account.disabled", "account/U-0004", json!({ "account": "U-0004" }));
        forge.entries[first]["why"] = json!("forged");
        last + 1
    };
    a_signature_in_a_role_that_had_expired: ["signatures"], "had expired at", |forge| {
        let (first, last) = last_of_the_operator(forge);
        let mut granted = grant(forge.entries[last]["by"]["role"].as_str().unwrap());
        granted["until"] = forge.entries[last]["at"].clone();
        let body = json!({ "account": "U-0004", "roles": [granted] });
        let administrator = forge.by("U-0001");
        forge.insert(first, administrator, "account.roles_changed", "account/U-0004", body);
        forge.entries[first]["why"] = json!("forged");
        last + 1
    };
    a_signature_in_a_role_that_the_person_does_not_have: ["signatures"], "did not have the role", |forge| {
        let n = late(forge);
        in_role(forge, n, "U-0004", "incoming_examiner", "examined", "delivery/DL-0001")
    };
    a_key_of_small_order: ["keys"], "proof is not", |forge| {
        let n = forge.enrol(late(forge), "U-0099", "incoming_examiner", [99; 32]) - 1;
        // Under the neutral element S = 0 fits every message.
        forge.after_signing(n, |body| {
            let mut neutral = [0; 32];
            neutral[0] = 1;
            body["key"] = json!(tallyseal_schema::Hash::of(&neutral));
            body["public_key"] = json!(base64(neutral));
            body["proof"] = json!(base64([neutral, [0; 32]].concat()));
        });
        n
    };
    a_key_whose_proof_is_by_another: ["keys"], "proof is not", |forge| {
        let n = forge.enrol(late(forge), "U-0099", "incoming_examiner", [99; 32]) - 1;
        forge.after_signing(n, |body| bytes_of(body, "proof", |proof| proof[0] ^= 1));
        n
    };
    a_key_of_another_account: ["keys"], "enrolled before", |forge| {
        let seed = forge.seed("U-0004", 0);
        forge.enrol(late(forge), "U-0099", "incoming_examiner", seed) - 1
    };
    a_key_that_names_no_key_before_it: ["keys"], "previous", |forge| {
        let n = late(forge);
        let n = second_key(forge, n) - 1;
        forge.after_signing(n, |body| drop(body.as_object_mut().unwrap().remove("previous")));
        // The proof is over what it says, so it falls as well; both are the same check.
        n
    };
    a_third_founder: ["keys"], "a third founder", |forge| {
        let n = forge.enrol(late(forge), "U-0099", "incoming_examiner", [99; 32]) - 2;
        forge.entries[n]["body"]["founder"] = json!(true);
        n
    };
    a_book_opened_a_second_time: ["keys"], "opened a second time", |forge| {
        let (n, body, by) = (late(forge), forge.entries[0]["body"].clone(), forge.entries[0]["by"].clone());
        forge.insert(n, by, "book.opened", "book/B", body)
    };
    an_account_opened_a_second_time: ["keys"], "opened a second time", |forge| {
        let first = forge.entries[forge.find("account/U-0006", "account.enrolled")].clone();
        let n = late(forge);
        forge.insert(n, first["by"].clone(), "account.enrolled", "account/U-0006", first["body"].clone())
    };
    a_draft_approved_by_its_own_author: ["separation"], "made item.drafted", |forge| {
        let n = late(forge);
        let n = promote(forge, n);
        in_role(forge, n, "U-0003", "reviewer", "item approved", "item/L-1001-03")
    };
    a_count_checked_by_who_counted: ["separation"], "signed \"count checked\"", |forge| {
        let n = late(forge);
        forge.sign(n, "U-0004", "count checked", "count/C-000005", &[])
    };
    an_identity_confirmed_by_the_person_themselves: ["separation"], "their own account", |forge| {
        let n = late(forge);
        forge.sign(n, "U-0002", "identity confirmed", "account/U-0002", &[])
    };
    an_identity_confirmed_by_who_enrolled_it: ["separation"], "made account.enrolled", |forge| {
        let n = late(forge);
        forge.sign(n, "U-0001", "identity confirmed", "account/U-0004", &[])
    };
    a_delivery_released_by_who_examined_it: ["separation"], "signed \"examined\"", |forge| {
        let n = late(forge);
        let administrator = forge.by("U-0001");
        let body = json!({ "account": "U-0005", "roles": [grant("incoming_examiner"), grant("reviewer")] });
        forge.insert(n, administrator, "account.roles_changed", "account/U-0005", body);
        forge.entries[n]["why"] = json!("forged");
        forge.sign(n + 1, "U-0005", "examined", "delivery/DL-0002", &[]);
        in_role(forge, n + 2, "U-0005", "reviewer", "released", "delivery/DL-0002")
    };
    a_meaning_on_a_thing_that_cannot_have_it: ["separation"], "cannot be signed on", |forge| {
        let n = late(forge);
        forge.sign(n, "U-0004", "counted", "roll/R-000101", &[])
    };
    a_meaning_in_a_role_that_cannot_give_it: ["separation"], "cannot be signed as", |forge| {
        let n = late(forge);
        forge.sign(n, "U-0004", "station qualified", "station/T-01", &[])
    };
}

/// An account with two keys and neither confirmed. Gives the place after the second.
fn second_key(forge: &mut Forge, n: usize) -> usize {
    let n = forge.enrol(n, "U-0099", "incoming_examiner", [99; 32]);
    let by = forge.by("U-0099");
    forge.insert(n, by, "account.key_enrolled", "account/U-0099", json!({ "account": "U-0099" }));
    n + 1
}

#[test]
fn the_key_that_was_confirmed_signs() {
    no_fault(|forge| {
        let n = late(forge);
        let n = second_key(forge, n);
        let n = forge.sign(n, "U-0002", "identity confirmed", "account/U-0099", &[]) + 1;
        forge.sign(n, "U-0099", "examined", "delivery/DL-0001", &[])
    });
}

#[test]
fn a_record_that_changed_after_it_was_signed_is_void_and_no_fault() {
    let copy = no_fault(|forge| {
        let n = late(forge);
        let examined = forge.entries[forge.find("delivery/DL-0001", "delivery.examined")].clone();
        forge.insert(n, examined["by"].clone(), "delivery.examined", "delivery/DL-0001", examined["body"].clone())
    });
    let report = Outside::nothing().report(&copy.dir(), &[]);
    let before = Outside::nothing().report(&Copy::new().dir(), &[]);
    assert_eq!((before.signatures.void, report.signatures.void), (0, 2));
    assert_eq!(report.signatures.standing, before.signatures.standing - 2);
}

#[test]
fn a_meaning_that_is_not_known_is_not_judged() {
    let copy = no_fault(|forge| {
        let n = late(forge);
        forge.sign(n, "U-0004", "seen", "roll/R-000101", &[])
    });
    let report = Outside::nothing().report(&copy.dir(), &[]);
    assert!(report.notes.iter().any(|note| note.contains("of a meaning that this program does not know")), "{report}");
}
