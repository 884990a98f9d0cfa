//! Accounts, passwords, sessions: who may do anything at all.

use serde_json::{Value, json};
use tallyseal_schema::signature::SigningKey;
use tallyseal_tests::api::{Client, act, kinds};
use tallyseal_tests::book;
use tallyseal_tests::plant::{Plant, grants, password};
use tallyseal_tests::server::NewBook;

#[test]
fn a_wrong_password_at_a_signature_is_recorded_and_five_end_the_session() {
    let plant = Plant::stocked();
    plant.receive("DL-2", &["R-9"], 100);
    let examiner = plant.who("incoming_examiner");
    let reject = json!({
        "delivery": "DL-2", "plan": "accept on zero", "reached": "unwound", "rolls": ["R-9"], "sampled": 20,
        "critical": 0, "major": 0, "minor": 0, "specimen": { "id": "SP-9", "place": "cabinet" }, "result": "accept",
    });
    let session = examiner.get("/api/session").good()["session"].as_str().unwrap().to_owned();
    let wrong = || examiner.order("examine_delivery", &reject, &act(), &json!({}), Some("not the password at all"));
    for failures in 1..=4 {
        assert_eq!(wrong().refused(401), "wrong-password");
        let last = plant.stream(&format!("session/{session}")).pop().unwrap();
        assert_eq!(last["kind"], "session.password_refused");
        assert_eq!(
            last["body"],
            json!({ "failures": failures, "purpose": "examine_delivery", "record": "delivery/DL-2" })
        );
    }
    // A right one in between does not make the wrong ones undone.
    let remark = json!({ "record": "delivery/DL-2", "text": "looked at" });
    examiner.act("remark", &remark).good();
    assert_eq!(wrong().refused(401), "wrong-password");
    let last = plant.stream(&format!("session/{session}")).pop().unwrap();
    assert_eq!((&last["kind"], &last["body"]), (&json!("session.ended"), &json!({ "cause": "failures" })));
    assert_eq!(examiner.act("remark", &remark).refused(401), "signed-out");
    assert_eq!(examiner.sign("examine_delivery", &reject).refused(401), "signed-out");
    // The account itself is not locked by that: signing in anew goes on.
    let again = Client::sign_in(plant.url(), "U-0005", &password("U-0005"), "incoming_examiner").unwrap();
    again.sign("examine_delivery", &reject).good();
    plant.end();
}

/// Whoever finds a session open gets five guesses, however many they send at once; and the right one among the later ones
/// is not told from the others.
#[test]
fn a_burst_of_guesses_in_one_session_is_five_guesses() {
    let plant = Plant::stocked();
    let examiner = plant.who("incoming_examiner");
    let session = examiner.get("/api/session").good()["session"].as_str().unwrap().to_owned();
    // A right password at the door would begin the account's own count anew.
    let again = Client::sign_in(plant.url(), "U-0005", &password("U-0005"), "incoming_examiner").unwrap();
    let guess = |n: usize| {
        let guess = if n == 19 { password("U-0005") } else { format!("not the password at all {n}") };
        // Stale on purpose: what is answered after the password was looked at must not tell that it was right.
        let expected = json!({ "delivery/DL-1": 1_000 });
        examiner.order("release_delivery", &json!({ "delivery": "DL-1" }), &act(), &expected, Some(&guess))
    };
    for n in 0..5 {
        assert_eq!(guess(n).refused(401), "wrong-password");
    }
    let late: Vec<(u16, String)> = std::thread::scope(|scope| {
        let sent: Vec<_> = (5..20).map(|n| scope.spawn(move || guess(n))).collect();
        let answers = sent.into_iter().map(|sent| sent.join().unwrap());
        answers.map(|answer| (answer.status, answer.refused(401))).collect()
    });
    assert!(late.iter().all(|answer| *answer == (401, "signed-out".to_owned())), "{late:?}");

    // All at once from the beginning.
    let all: Vec<String> = std::thread::scope(|scope| {
        let again = &again;
        let guess = move |n: usize| {
            let delivery = json!({ "delivery": "DL-1" });
            again.order(
                "release_delivery",
                &delivery,
                &act(),
                &json!({}),
                Some(&format!("not the password either {n}")),
            )
        };
        let sent: Vec<_> = (0..20).map(|n| scope.spawn(move || guess(n))).collect();
        sent.into_iter().map(|sent| sent.join().unwrap()).map(|answer| answer.body["code"].to_string()).collect()
    });
    let wrong = all.iter().filter(|code| *code == "\"wrong-password\"").count();
    assert_eq!(wrong, 5, "{all:?}");
    let refused = plant.stream(&format!("session/{session}"));
    assert_eq!(refused.iter().filter(|entry| entry["kind"] == "session.password_refused").count(), 5);
    // Ten wrong ones in two sessions: the account is locked, and an entry says so.
    let account = plant.stream("account/U-0005");
    assert_eq!(account.last().unwrap()["kind"], "account.locked");
    plant.end();
}

#[test]
fn a_signature_needs_a_password_and_other_acts_do_not_take_it_as_one() {
    let plant = Plant::stocked();
    plant.receive("DL-2", &["R-9"], 100);
    let problem = plant.who("reviewer").act("reject_delivery", &json!({ "delivery": "DL-2", "why": "wet boxes" }));
    assert_eq!(problem.problem(401, "needs-password")["detail"], "This is a signature (rejected).");
    plant.who("reviewer").sign("reject_delivery", &json!({ "delivery": "DL-2", "why": "wet boxes" })).good();
    // The password of another person is a wrong one.
    let own = plant.who("supervisor").password.clone();
    let answer = plant.who("reviewer").order(
        "reject_delivery",
        &json!({ "delivery": "DL-1", "why": "wet boxes" }),
        &act(),
        &json!({}),
        Some(&own),
    );
    assert_eq!(answer.refused(401), "wrong-password");
    plant.end();
}

#[test]
fn whether_an_account_exists_is_never_told() {
    let plant = Plant::with_people();
    let attempt = |account: &str, password: &str| match Client::sign_in(plant.url(), account, password, "label_room") {
        Ok(_) => panic!("{account} signed in"),
        Err(answer) => answer.problem(401, "wrong-password"),
    };
    let known = attempt("U-0004", "not the password at all");
    for account in ["U-9999", "no account", "", "U-0004'--", &"U".repeat(500)] {
        assert_eq!(attempt(account, "not the password at all"), known, "{account}");
    }
    // Its ID is taken as people write it.
    Client::sign_in(plant.url(), " u-0004 ", &password("U-0004"), "label_room").unwrap();
    plant.end();
}

#[test]
fn an_account_is_locked_for_a_while_after_ten_wrong_passwords() {
    let mut plant = Plant::with_people();
    let attempt = |plant: &Plant, password: &str| Client::sign_in(plant.url(), "U-0007", password, "label_room").err();
    for _ in 0..9 {
        assert_eq!(attempt(&plant, "not the password at all").unwrap().refused(401), "wrong-password");
    }
    let account = |plant: &Plant| plant.stream("account/U-0007").pop().unwrap();
    assert_ne!(account(&plant)["kind"], "account.locked");
    assert_eq!(attempt(&plant, "not the password at all").unwrap().refused(401), "wrong-password");
    assert_eq!(attempt(&plant, &password("U-0007")).unwrap().refused(429), "locked");
    // It is in the book, and so a new start does not forget it.
    let locked = account(&plant);
    assert_eq!((&locked["kind"], &locked["body"]["failures"]), (&json!("account.locked"), &json!(10)));
    plant.stop();
    plant.start();
    assert_eq!(attempt(&plant, &password("U-0007")).unwrap().refused(429), "locked");
    // Another account is not, and whoever is in stays in.
    Client::sign_in(plant.url(), "U-0004", &password("U-0004"), "label_room").unwrap();
    plant.who("second").get("/api/session").good();
    // An administrator unlocks it before its time.
    let unlock = json!({ "account": "U-0007", "why": "called, and told me of the cat on the keyboard" });
    assert_eq!(plant.who("supervisor").act("unlock_account", &unlock).refused(403), "wrong-role");
    plant.who("administrator").act("unlock_account", &unlock).good();
    assert!(attempt(&plant, &password("U-0007")).is_none());
    assert_eq!(plant.who("administrator").act("unlock_account", &unlock).refused(409), "not-locked");
    plant.end();
}

#[test]
fn a_crowd_of_strangers_does_not_keep_those_inside_from_signing() {
    let plant = Plant::stocked();
    plant.receive("DL-2", &["R-9"], 100);
    let url = plant.url();
    let answers: Vec<(u16, String)> = std::thread::scope(|scope| {
        let strangers: Vec<_> = (0..60)
            .map(|number| {
                scope.spawn(move || {
                    let account = format!("U-5{number:03}");
                    let answer = Client::sign_in(url, &account, "not the password at all", "label_room").err().unwrap();
                    (answer.status, answer.clone().refused(answer.status))
                })
            })
            .collect();
        plant.who("reviewer").sign("reject_delivery", &json!({ "delivery": "DL-2", "why": "wet boxes" })).good();
        strangers.into_iter().map(|stranger| stranger.join().unwrap()).collect()
    });
    // Few are looked at at a time, and not all of them may wait.
    let expected = [(401, "wrong-password".to_owned()), (503, "busy".to_owned())];
    assert!(answers.iter().all(|answer| expected.contains(answer)), "{answers:?}");
    assert!(expected.iter().all(|answer| answers.contains(answer)), "{answers:?}");
    plant.end();
}

#[test]
fn a_one_time_password_opens_nothing_but_its_change() {
    let plant = Plant::stocked();
    let secret = plant.enrol("U-0021", &["label_room", "reviewer"]);
    let mut person = Client::sign_in(plant.url(), "U-0021", &secret, "label_room").unwrap();
    assert_eq!(person.get("/api/session").good()["must_change_password"], true);
    let moved = json!({ "roll": "R-1", "place": "shelf 1" });
    assert_eq!(person.act("move_roll", &moved).refused(403), "one-time-password");
    let reviewer = person.in_role("reviewer");
    assert_eq!(reviewer.act("confirm_identity", &json!({ "account": "U-0021" })).refused(403), "one-time-password");
    // Nor does it read the book.
    for path in ["/api/things/roll", "/api/things/roll/R-1", "/api/entries", "/api/checkpoint", "/api/proofs/1"] {
        assert_eq!(person.get(path).refused(403), "one-time-password", "{path}");
    }
    let copy = json!({ "record": "roll/R-1", "role": "label_room" });
    assert_eq!(person.send("POST", "/api/exports", Some(&copy)).refused(403), "one-time-password");

    let long = "x".repeat(129);
    for bad in ["short one", "", "password12345678", "aaaabbbbaaaabbbb", "I am person u-0021", &secret, &long] {
        assert_eq!(person.set_password(bad).refused(422), "invalid", "{bad}");
    }
    let enrolled = person.set_password("a password of her own").good();
    assert_eq!(kinds(&enrolled), ["account.key_enrolled", "account.password_changed"]);
    person.act("move_roll", &moved).good();
    // The secret is worth nothing any more.
    assert_eq!(
        Client::sign_in(plant.url(), "U-0021", &secret, "label_room").err().unwrap().refused(401),
        "wrong-password"
    );
    plant.end();
}

/// How many accounts have a signing key under a password.
fn wrapped(plant: &Plant, account: &str) -> Vec<(bool, bool)> {
    book::administer(&plant.book.dir(), |db| {
        let mut statement =
            db.prepare("SELECT one_time, key IS NOT NULL FROM account_secret WHERE account = ?1").unwrap();
        let rows = statement.query_map([account], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
        rows.collect::<Result<_, _>>().unwrap()
    })
}

#[test]
fn a_key_that_lay_under_a_one_time_secret_is_not_kept() {
    // `init` makes none. A book in which an older version of the software made them is mended at the first change.
    let folder = NewBook::open();
    let db = rusqlite::Connection::open(folder.dir().join("book.db")).unwrap();
    let keys: i64 =
        db.query_row("SELECT count(*) FROM account_secret WHERE key IS NOT NULL", [], |row| row.get(0)).unwrap();
    let secrets: i64 =
        db.query_row("SELECT count(*) FROM account_secret WHERE one_time", [], |row| row.get(0)).unwrap();
    assert_eq!((keys, secrets), (0, 2));
    drop(db);

    let mut plant = Plant::stocked();
    plant.receive("DL-2", &["R-9"], 100);
    plant.stop();
    book::as_administrator(&plant.book.dir(), "UPDATE account_secret SET one_time = 1 WHERE account = 'U-0002'");
    plant.start();
    let mut reviewer = plant.who("reviewer").clone();
    let keys = || plant.who("auditor").thing("account/U-0002").good()["state"]["keys"].clone();
    let first = keys()[0].clone();
    let changed = reviewer.set_password("a password of his very own").good();
    assert_eq!(kinds(&changed), ["account.key_retired", "account.key_enrolled"]);
    let keys = keys();
    assert_eq!((&keys[0]["key"], &keys[0]["retired"]), (&first["key"], &json!(true)));
    assert_eq!((&keys[1]["confirmed"], &keys[1]["retired"]), (&json!(false), &json!(false)));
    // Nobody has looked who has the new key.
    let reject = json!({ "delivery": "DL-2", "why": "wet boxes" });
    assert_eq!(reviewer.sign("reject_delivery", &reject).refused(403), "key-not-valid");
    plant.who("administrator").sign("confirm_identity", &json!({ "account": "U-0002" })).good();
    reviewer.sign("reject_delivery", &reject).good();
    plant.end();
}

#[test]
fn a_reset_gives_a_secret_that_cannot_sign_and_a_new_key_waits_for_a_second_person() {
    let mut plant = Plant::stocked();
    plant.receive("DL-2", &["R-9"], 100);
    let (administrator, reject) =
        (plant.who("administrator").clone(), json!({ "delivery": "DL-2", "why": "wet boxes" }));
    // Between two founders nobody is left who could confirm the new key.
    let reset = |account: &str| {
        administrator.act("reset_password", &json!({ "account": account, "why": "forgot it over the holidays" }))
    };
    assert_eq!(reset("U-0002").refused(409), "nobody-to-confirm");
    assert_eq!(reset("U-0001").refused(403), "same-person");
    let third = plant.hire("U-0021", &["reviewer"]);

    let old = plant.who("reviewer").clone();
    let made = reset("U-0002").good();
    let secret = made["one_time_secret"].as_str().unwrap().to_owned();
    assert_eq!(kinds(&made)[..2], ["account.password_reset", "account.key_retired"]);
    // The old session is over and the old password opens nothing.
    assert_eq!(old.get("/api/session").refused(401), "signed-out");
    let signed_in = |password: &str| Client::sign_in(plant.url(), "U-0002", password, "reviewer");
    assert_eq!(signed_in(&old.password).err().unwrap().refused(401), "wrong-password");
    let mut reviewer = signed_in(&secret).unwrap();
    assert_eq!(reviewer.sign("reject_delivery", &reject).refused(403), "no-key");
    let changed = reviewer.set_password("a password of his very own").good();
    assert_eq!(kinds(&changed), ["account.key_enrolled", "account.password_changed"]);
    assert_eq!(reviewer.sign("reject_delivery", &reject).refused(403), "key-not-valid");
    let confirm = json!({ "account": "U-0002" });
    assert_eq!(administrator.sign("confirm_identity", &confirm).refused(403), "same-person");
    third.sign("confirm_identity", &confirm).good();
    reviewer.sign("reject_delivery", &reject).good();

    // A one-time secret that was lost before it was used is given anew, and the lost one opens nothing.
    let lost = plant.enrol("U-0022", &["label_room"]);
    let given = reset("U-0022").good()["one_time_secret"].as_str().unwrap().to_owned();
    let try_it = |secret: &str| Client::sign_in(plant.url(), "U-0022", secret, "label_room").err();
    assert_eq!(try_it(&lost).unwrap().refused(401), "wrong-password");
    assert!(try_it(&given).is_none());
    plant.stop();
    assert_eq!(wrapped(&plant, "U-0022"), [(true, false)]);
    plant.end();
}

#[test]
fn what_the_desk_refuses_by_a_rule_is_an_entry_too() {
    let plant = Plant::stocked();
    let operator = plant.who("label_room");
    let session = operator.get("/api/session").good()["session"].as_str().unwrap().to_owned();
    let last = || plant.stream(&format!("session/{session}")).pop().unwrap();
    assert_eq!(operator.get("/api/entries?stream=roll/R-1").refused(403), "may-not-read");
    let refused = last();
    assert_eq!(
        (&refused["kind"], &refused["body"]["code"], &refused["body"]["command"], &refused["body"]["record"]),
        (&json!("act.refused"), &json!("may-not-read"), &json!("read_entries"), &json!("roll/R-1"))
    );
    let copy = json!({ "record": "roll/R-77", "role": "label_room" });
    operator.send("POST", "/api/exports", Some(&copy)).refused(404);
    assert_eq!((&last()["body"]["command"], &last()["body"]["record"]), (&json!("note_export"), &json!("roll/R-77")));
    plant.end();
}

#[test]
fn a_key_signs_nothing_before_a_second_person_confirmed_whose_it_is() {
    let plant = Plant::stocked();
    plant.receive("DL-2", &["R-9"], 100);
    let mut new = plant.hire_unconfirmed("U-0021", &["reviewer"]);
    let reject = json!({ "delivery": "DL-2", "why": "wet boxes" });
    assert_eq!(new.sign("reject_delivery", &reject).refused(403), "key-not-valid");
    // Nobody confirms themselves, nor does whoever enrolled them.
    let confirm = json!({ "account": "U-0021" });
    assert_eq!(new.sign("confirm_identity", &confirm).refused(403), "same-person");
    assert_eq!(plant.who("administrator").sign("confirm_identity", &confirm).refused(403), "same-person");
    plant.who("reviewer").sign("confirm_identity", &confirm).good();
    assert_eq!(plant.who("reviewer").sign("confirm_identity", &confirm).refused(409), "already-confirmed");
    new.sign("reject_delivery", &reject).good();
    // A new password keeps the key: what was confirmed stays so.
    let other = new.password.clone();
    new.set_password("another one of her own").good();
    new.password = other;
    assert_eq!(
        new.sign("reject_delivery", &json!({ "delivery": "DL-1", "why": "wet boxes" })).refused(401),
        "wrong-password"
    );
    new.password = "another one of her own".to_owned();
    new.sign("reject_delivery", &json!({ "delivery": "DL-1", "why": "wet boxes" })).good();
    plant.end();
}

#[test]
fn disabling_an_account_bites_at_once_and_for_ever() {
    let plant = Plant::stocked();
    let (administrator, operator) = (plant.who("administrator"), plant.who("label_room"));
    let disable =
        |account: &str, why: &str| administrator.act("disable_account", &json!({ "account": account, "why": why }));
    assert_eq!(disable("U-0004", "").refused(422), "no-reason");
    assert_eq!(disable("U-0001", "leaving").refused(403), "same-person");
    assert_eq!(disable("U-0099", "leaving").refused(404), "no-such-account");
    operator.get("/api/session").good();
    disable("U-0004", "left the plant").good();
    assert_eq!(operator.get("/api/session").refused(401), "signed-out");
    assert_eq!(operator.act("move_roll", &json!({ "roll": "R-1", "place": "shelf 1" })).refused(401), "signed-out");
    // Its secret is gone as well: what comes is no other answer than for an account that never was.
    let again = Client::sign_in(plant.url(), "U-0004", &password("U-0004"), "label_room").err().unwrap();
    assert_eq!(again.refused(401), "wrong-password");
    assert_eq!(disable("U-0004", "left the plant").refused(409), "account-disabled");
    // Its ID is never used again, and nothing that looks like it.
    for alike in ["U-0004", "U-OOO4", "U0004"] {
        let again =
            json!({ "account": alike, "name": "Another", "roles": grants(&["label_room"]), "identity": "card seen" });
        assert_eq!(administrator.act("enrol_account", &again).refused(409), "account-looks-alike", "{alike}");
    }
    plant.end();
}

#[test]
fn another_role_ends_what_is_open_and_takes_its_acts_away() {
    let plant = Plant::stocked();
    let change = |roles: Value| {
        plant
            .who("administrator")
            .act("change_roles", &json!({ "account": "U-0004", "roles": roles, "why": "moved to the line" }))
    };
    assert_eq!(change(json!([])).refused(422), "no-role");
    assert_eq!(change(grants(&["administrator", "label_room"])).refused(422), "administrator-has-no-label-acts");
    let as_it_is = plant.who("auditor").thing("account/U-0004").good()["state"]["roles"].clone();
    assert_eq!(change(as_it_is).refused(409), "nothing-changes");
    change(grants(&["line"])).good();
    assert_eq!(plant.who("label_room").get("/api/session").refused(401), "signed-out");
    let again = Client::sign_in(plant.url(), "U-0004", &password("U-0004"), "label_room").unwrap();
    let moved = json!({ "roll": "R-1", "place": "shelf 1" });
    assert_eq!(again.act("move_roll", &moved).refused(403), "not-your-role");
    assert_eq!(again.in_role("line").act("move_roll", &moved).refused(403), "wrong-role");
    assert_eq!(
        plant
            .who("administrator")
            .act("change_roles", &json!({ "account": "U-0001", "roles": grants(&["auditor"]), "why": "own wish" }))
            .refused(403),
        "same-person"
    );
    plant.end();
}

#[test]
fn signing_out_ends_the_session_for_every_copy_of_its_token() {
    let plant = Plant::with_people();
    let operator = plant.who("label_room");
    let copy = operator.with_token(operator.token());
    assert_eq!(kinds(&operator.send("DELETE", "/api/session", None).good()), ["session.ended"]);
    for client in [operator, &copy] {
        assert_eq!(client.get("/api/session").refused(401), "signed-out");
        assert_eq!(client.send("DELETE", "/api/session", None).refused(401), "signed-out");
    }
    plant.end();
}

fn base64url(bytes: &[u8]) -> String {
    use base64::Engine as _;
    base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(bytes)
}

#[test]
fn an_expired_or_forged_token_opens_nothing() {
    let plant = Plant::with_people();
    let operator = plant.who("label_room");
    let session = operator.get("/api/session").good()["session"].as_str().unwrap().to_owned();
    let seed = std::fs::read_to_string(plant.book.dir().join("keys/session.key")).unwrap();
    let seed: [u8; 32] = tallyseal_schema::canonical::unbase64(seed.trim()).unwrap().try_into().unwrap();
    let forged = |seed: &[u8; 32], header: &Value, claims: &Value| {
        let signed =
            format!("{}.{}", base64url(header.to_string().as_bytes()), base64url(claims.to_string().as_bytes()));
        let signature = SigningKey::from_seed(seed).unwrap().sign(signed.as_bytes());
        operator.with_token(&format!("{signed}.{}", base64url(&signature)))
    };
    let eddsa = json!({ "alg": "EdDSA", "typ": "JWT" });
    let (past, future) = (1_000_000_000_u64, 32_503_680_000_u64);
    // With the server's own key a token is good: what follows fails for the reason said and for no other.
    forged(&seed, &eddsa, &json!({ "exp": future, "sid": session })).get("/api/session").good();

    let bad = [
        forged(&seed, &eddsa, &json!({ "exp": past, "sid": session })),
        forged(&seed, &eddsa, &json!({ "sid": session })),
        forged(&seed, &eddsa, &json!({ "exp": future, "sid": "S-NOBODY" })),
        forged(&seed, &eddsa, &json!({ "exp": future, "sid": "../book" })),
        forged(&[7; 32], &eddsa, &json!({ "exp": future, "sid": session })),
        forged(&seed, &json!({ "alg": "none" }), &json!({ "exp": future, "sid": session })),
        forged(&seed, &json!({ "alg": "HS256" }), &json!({ "exp": future, "sid": session })),
        operator.with_token(operator.token().rsplit_once('.').unwrap().0),
        operator.with_token(&operator.token()[1..]),
        operator.with_token(""),
        operator.with_token(&"x".repeat(4_000)),
        Client::stranger(plant.url()),
    ];
    for (place, client) in bad.iter().enumerate() {
        assert_eq!(client.get("/api/session").refused(401), "signed-out", "the token at {place}");
        let moved = json!({ "roll": "R-1", "place": "shelf 1" });
        assert_eq!(client.act("move_roll", &moved).refused(401), "signed-out", "the token at {place}");
    }
    plant.end();
}

#[test]
fn a_session_goes_on_over_a_restart_of_the_server() {
    let mut plant = Plant::with_people();
    plant.stop();
    plant.start();
    assert_eq!(plant.who("label_room").get("/api/session").good()["account"], "U-0004");
    plant.end();
}
