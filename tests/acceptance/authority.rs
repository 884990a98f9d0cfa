//! Who may do what, over HTTP: the whole table of authority, by everybody and in every state of a session.

use std::collections::BTreeMap;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde_json::{Value, json};
use tallyseal_control::{AUTHORITY, Authority};
use tallyseal_schema::kinds::Role;
use tallyseal_schema::signature::SigningKey;
use tallyseal_tests::api::{Answer, Client, act};
use tallyseal_tests::instance;
use tallyseal_tests::openapi::{MADE_HERE, acts, description};
use tallyseal_tests::plant::{Plant, after, grants, grants_until, password, plugin_files};

/// Refusals that say who may not, whatever the thing is like.
const WHO: [&str; 6] =
    ["signed-out", "not-for-this-actor", "not-your-role", "role-expired", "wrong-role", "one-time-password"];

fn give(client: &Client, row: &Authority, command: &Value) -> Answer {
    client.order(row.command, command, &act(), &json!({}), None)
}

/// Every act for people, with a command that has its form and is about nothing.
fn commands() -> Vec<(&'static Authority, Value)> {
    let description = description();
    acts().map(|row| (row, instance::command(&description, row.command))).collect()
}

/// One person of each role, signed in, and each in that role.
fn everybody(plant: &Plant) -> BTreeMap<Role, Client> {
    let mut all: BTreeMap<Role, Client> = Role::ALL
        .into_iter()
        .filter(|role| *role != Role::Line)
        .map(|role| (role, plant.who(role.as_str()).clone()))
        .collect();
    all.insert(Role::Line, plant.hire("U-0008", &["line"]));
    all
}

/// A token that is as good as the server's own, but for its end. `exp`: seconds since the epoch.
fn forged(plant: &Plant, session: &str, exp: u64) -> String {
    let seed = tallyseal_book::key_file::read(&plant.book.dir().join("keys/session.key")).unwrap();
    let part = |value: &Value| URL_SAFE_NO_PAD.encode(value.to_string());
    let head = part(&json!({ "typ": "JWT", "alg": "EdDSA" }));
    let text = format!("{head}.{}", part(&json!({ "exp": exp, "sid": session })));
    let signature = SigningKey::from_seed(&seed).unwrap().sign(text.as_bytes());
    format!("{text}.{}", URL_SAFE_NO_PAD.encode(signature))
}

#[test]
fn each_act_is_done_by_the_roles_of_the_table_and_by_no_other() {
    let plant = Plant::with_people();
    let everybody = everybody(&plant);
    let commands = commands();
    assert!(commands.len() > 80 && commands.len() + MADE_HERE.len() < AUTHORITY.len());
    for (row, command) in &commands {
        for (role, client) in &everybody {
            let answer = give(client, row, command);
            let code = answer.body["code"].as_str().unwrap_or_default().to_owned();
            let about = format!("{} as {role:?}: {}", row.command, answer.body);
            // The form is the one that the description gives; whatever is wrong is wrong by a rule.
            assert!(answer.status != 0 && answer.status < 500 && code != "invalid", "{about}");
            if row.roles.contains(role) {
                assert!(!WHO.contains(&code.as_str()), "{about}");
                assert!(![401, 403].contains(&answer.status) || code == "needs-password", "{about}");
            } else {
                assert_eq!(answer.refused(403), "wrong-role", "{about}");
            }
            // Nobody acts as what they are not: not even in a role that may.
            let other = Role::ALL.into_iter().find(|other| other != role && row.roles.contains(other));
            if let Some(other) = other {
                let answer = give(&client.in_role(other.as_str()), row, command);
                assert_eq!(answer.refused(403), "not-your-role", "{} by {role:?} as {other:?}", row.command);
            }
        }
    }
    // What the software alone does, and what has a page of its own, nobody gives as an act.
    for row in AUTHORITY.iter().filter(|row| row.roles.is_empty() || MADE_HERE.contains(&row.command)) {
        for client in everybody.values() {
            assert_eq!(give(client, row, &json!({})).refused(404), "no-such-command", "{}", row.command);
        }
    }
    plant.end();
}

#[test]
fn each_page_of_its_own_is_for_the_roles_of_the_table_as_well() {
    let plant = Plant::with_people();
    let everybody = everybody(&plant);
    let supplier = json!({ "supplier": "SU-1", "name": "Printer", "site": "printing.example" });
    plant.who("supervisor").act("register_supplier", &supplier).good();
    let row = |name: &str| AUTHORITY.iter().find(|row| row.command == name).unwrap();
    for (role, client) in &everybody {
        let copy = json!({ "record": "supplier/SU-1", "role": role });
        match client.post_for_bytes("/api/exports", &copy) {
            Ok(_) => assert!(row("note_export").roles.contains(role), "{role:?}"),
            Err(answer) => {
                assert!(!row("note_export").roles.contains(role), "{role:?} {}", answer.body);
                assert_eq!(answer.refused(403), "wrong-role");
            }
        }
        let plugin = json!({ "act": act(), "role": role, "files": plugin_files("plugins/ticket-line") });
        let answer = client.send("POST", "/api/plugins", Some(&plugin));
        if row("draft_plugin").roles.contains(role) {
            // Drafted by the first of them, known to the second.
            assert!([200, 409].contains(&answer.status), "{role:?} {}", answer.body);
        } else {
            assert_eq!(answer.refused(403), "wrong-role", "{role:?}");
        }
        let reads = client.get("/api/entries?from=0&to=0");
        match role {
            Role::Supervisor | Role::Reviewer | Role::Auditor => assert_eq!(reads.status, 200, "{role:?}"),
            _ => assert_eq!(reads.refused(403), "may-not-read", "{role:?}"),
        }
        for page in ["/api/session", "/api/things/supplier", "/api/things/supplier/SU-1", "/api/proofs/0"] {
            client.get(page).good();
        }
        let body = json!({ "account": "U-9001", "password": "not the password at all" });
        assert_eq!(client.send("POST", "/api/session/unlock", Some(&body)).refused(401), "wrong-password");
    }
    for client in everybody.values() {
        client.send("DELETE", "/api/session", None).good();
    }
    plant.end();
}

#[test]
fn nobody_acts_without_an_open_session_of_their_own() {
    let mut plant = Plant::with_people();
    let commands = commands();
    let stranger = Client::stranger(plant.url());
    // Ended: by the person, and by the account's end.
    let ended = plant.hire("U-0021", &["supervisor"]);
    ended.send("DELETE", "/api/session", None).good();
    let disabled = plant.hire("U-0022", &["reviewer"]);
    let disable = json!({ "account": "U-0022", "why": "left the company" });
    plant.who("administrator").act("disable_account", &disable).good();
    // The clock of the server cannot be moved from here: what can be shown is a token whose end has come. That a session
    // ends at its very end, whatever token names it, is shown in `control`.
    let room = plant.who("label_room");
    let session = room.get("/api/session").good()["session"].as_str().unwrap().to_owned();
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().as_secs();
    room.with_token(&forged(&plant, &session, now + 60)).get("/api/session").good();
    let expired = room.with_token(&forged(&plant, &session, now - 1));
    let nobody = [
        ("a stranger", stranger.clone()),
        ("a token of nothing", stranger.with_token("a.b.c")),
        ("a session that is not there", room.with_token(&forged(&plant, "S-0", now + 60))),
        ("an ended session", ended),
        ("a disabled account", disabled),
        ("an expired token", expired),
    ];
    let size = plant.size();
    for (who, client) in &nobody {
        for (row, command) in &commands {
            assert_eq!(give(client, row, command).refused(401), "signed-out", "{} by {who}", row.command);
        }
        for page in ["/api/session", "/api/things/roll", "/api/things/roll/R-1", "/api/entries", "/api/checkpoint"] {
            assert_eq!(client.get(page).refused(401), "signed-out", "{page} by {who}");
        }
        for page in ["/api/password", "/api/session/unlock", "/api/plugins", "/api/exports"] {
            assert_eq!(client.send("POST", page, Some(&json!({}))).refused(401), "signed-out", "{page} by {who}");
        }
        assert_eq!(client.send("DELETE", "/api/session", None).refused(401), "signed-out", "by {who}");
    }
    assert_eq!(plant.size(), size, "strangers do not grow the book");
    plant.stop();
    plant.end();
}

#[test]
fn a_role_that_has_expired_opens_no_act_and_no_page_and_the_session_goes_on() {
    let plant = Plant::with_people();
    let commands = commands();
    let administrator = plant.who("administrator");
    let label = ["label_room", "line", "incoming_examiner", "supervisor", "reviewer", "auditor"];
    let people: [(&str, &[&str]); 2] = [("U-0021", &label), ("U-0022", &["administrator", "auditor"])];
    for (account, roles) in people {
        plant.hire(account, roles);
    }
    let change = |account: &str, roles: &Value| {
        let change = json!({ "account": account, "roles": roles, "why": "trained for a while" });
        administrator.act("change_roles", &change).good();
    };
    // Long enough for two log-ins and an act, and short enough to wait for.
    let until = after(std::time::Duration::from_secs(8));
    for (account, roles) in people {
        change(account, &grants_until(roles, until));
    }
    let [mut label_person, other] =
        people.map(|(account, roles)| Client::sign_in(plant.url(), account, &password(account), roles[0]).unwrap());
    let seat = label_person.get("/api/session").good();
    assert_eq!(seat["roles"], json!(label), "they work until then");
    let supplier = json!({ "supplier": "SU-1", "name": "Printer", "site": "printing.example" });
    label_person.in_role("supervisor").act("register_supplier", &supplier).good();
    plant.wait_for("the end of every role", || {
        [&label_person, &other].iter().all(|client| client.get("/api/session").good()["roles"] == json!([]))
    });
    let seat = label_person.get("/api/session").good();
    assert_eq!(seat["grants"], grants_until(&label, until), "what has ended is still shown");
    let session = format!("session/{}", seat["session"].as_str().unwrap());
    let refusals = || {
        let entries = plant.who("auditor").entries(&session);
        entries.into_iter().filter(|entry| entry["body"]["code"] == "role-expired").collect::<Vec<_>>()
    };
    assert_eq!(refusals(), Vec::<Value>::new());

    for (client, (_, roles)) in [&label_person, &other].into_iter().zip(people) {
        for (row, command) in &commands {
            for role in roles {
                let answer = give(&client.in_role(role), row, command);
                assert_eq!(answer.refused(403), "role-expired", "{} as {role}", row.command);
            }
        }
    }
    let refused = refusals();
    assert_eq!(refused.len(), commands.len() * label.len(), "each refusal is an entry");
    assert_eq!(refused[0]["kind"], "act.refused");
    // A right password signs nothing either.
    let drafted = json!({ "supplier": "SU-1", "item": "L-1" });
    let answer = label_person.in_role("reviewer").sign("approve_supplier", &drafted);
    let problem = answer.problem(403, "role-expired");
    assert!(problem["detail"].as_str().unwrap().contains("acts as reviewer no more since"), "{problem}");
    assert!(problem["remedy"].as_str().unwrap().contains("renew"), "{problem}");
    let copy = json!({ "record": "supplier/SU-1", "role": "auditor" });
    assert_eq!(label_person.post_for_bytes("/api/exports", &copy).unwrap_err().refused(403), "role-expired");
    let plugin = json!({ "act": act(), "role": "supervisor", "files": plugin_files("plugins/ticket-line") });
    assert_eq!(label_person.send("POST", "/api/plugins", Some(&plugin)).refused(403), "role-expired");
    assert_eq!(refusals().len(), refused.len() + 3);
    for page in [
        "/api/things/supplier",
        "/api/things/supplier/SU-1",
        "/api/entries?from=0&to=0",
        "/api/checkpoint",
        "/api/proofs/0",
    ] {
        assert_eq!(label_person.get(page).refused(403), "not-your-role", "{page}");
    }

    // What is theirs goes on, in this session and in the next.
    let wrong = json!({ "current": "not the password at all", "new": "another one that is long" });
    assert_eq!(label_person.send("POST", "/api/password", Some(&wrong)).refused(401), "wrong-password");
    label_person.set_password("another one that is long").good();
    label_person.send("DELETE", "/api/session", None).good();
    let again = Client::sign_in(plant.url(), "U-0021", "another one that is long", "supervisor").unwrap();
    assert_eq!(give(&again, commands[0].0, &commands[0].1).refused(403), "role-expired");
    // Renewed, it works again; a revocation of the session comes with it, as with every change of roles.
    change("U-0021", &grants(&["supervisor"]));
    assert_eq!(again.get("/api/session").refused(401), "signed-out");
    let renewed = Client::sign_in(plant.url(), "U-0021", "another one that is long", "supervisor").unwrap();
    let another = json!({ "supplier": "SU-2", "name": "Printer", "site": "printing.example" });
    renewed.act("register_supplier", &another).good();
    assert_eq!(renewed.in_role("reviewer").act("register_supplier", &another).refused(403), "not-your-role");
    other.send("DELETE", "/api/session", None).good();
    plant.end();
}

#[test]
fn a_one_time_password_and_a_locked_session_open_no_act() {
    let mut plant = Plant::with_people();
    let commands = commands();
    let roles = ["label_room", "line", "incoming_examiner", "supervisor", "reviewer"];
    let secret = plant.enrol("U-0021", &roles);
    let newcomer = Client::sign_in(plant.url(), "U-0021", &secret, "label_room").unwrap();
    for (row, command) in &commands {
        assert!(!row.with_one_time_password, "{} has a page of its own", row.command);
        let role = row.roles.iter().find(|role| roles.contains(&role.as_str()));
        let code = give(&newcomer.in_role(role.map_or("label_room", |role| role.as_str())), row, command).refused(403);
        assert_eq!(code, if role.is_some() { "one-time-password" } else { "wrong-role" }, "{}", row.command);
    }
    std::thread::sleep(std::time::Duration::from_secs(1));
    plant.restart_saying(&["--idle-lock-seconds", "1"]);
    let locked = plant.who("supervisor");
    for (row, command) in &commands {
        assert!(!row.while_locked, "{} has a page of its own", row.command);
        assert_eq!(give(locked, row, command).refused(423), "session-locked", "{}", row.command);
    }
    let body = json!({ "account": "U-0003", "password": password("U-0003") });
    locked.send("POST", "/api/session/unlock", Some(&body)).good();
    plant.end();
}
