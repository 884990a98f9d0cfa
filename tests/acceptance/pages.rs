//! The pages, without a browser: who sees them, what a form must bring, what stays hidden, what nobody may load.
//! How they look and work in a browser is held by `tests/pages`.

use std::collections::BTreeSet;
use std::time::{Duration, Instant};

use serde_json::json;
use tallyseal_machines::table::{Direction, Roll};
use tallyseal_schema::kinds::Role;
use tallyseal_tests::api::{Client, hear, push};
use tallyseal_tests::packing::{CODED, DISPENSER, VERIFIER, device, giving_back, plan, taking_back};
use tallyseal_tests::plant::{CODE, Plant, after, grants_until, password, plain_run};
use tallyseal_tests::top;
use tallyseal_tests::visitor::{Page, Visitor, hidden};

/// Account of each role in every plant of the tests; a person of the line is hired where one is needed.
const PEOPLE: [(&str, Role); 4] = [
    ("U-0003", Role::Supervisor),
    ("U-0004", Role::LabelRoom),
    ("U-0005", Role::IncomingExaminer),
    ("U-0006", Role::Auditor),
];

fn visitor(plant: &Plant, account: &str) -> Visitor {
    let (visitor, page) = Visitor::sign_in(plant.url(), account, &password(account));
    assert_eq!(page.leads_to(), "/orders?a=b");
    visitor
}

/// Pages that anybody may see, signed in or not.
const OPEN: [&str; 2] = ["/sign-in", "/assets/{name}"];

/// Path of every page that is asked for, as the list of the server has them.
fn pages() -> BTreeSet<String> {
    let text = std::fs::read_to_string(top().join("server/app/src/pages/mod.rs")).unwrap();
    let routes = text.split(".route(").skip(1).map(|rest| rest.split(')').next().unwrap_or_default());
    let asked = routes.filter(|route| route.contains("web::get("));
    let paths: BTreeSet<String> = asked.map(|route| route.split('"').nth(1).unwrap().to_owned()).collect();
    assert!(paths.len() > 8, "{paths:?}");
    paths
}

/// The path with things of a stocked plant in it.
fn filled(path: &str) -> String {
    let id = match path {
        path if path.starts_with("/things/") || path.starts_with("/rolls") => "R-1",
        path if path.starts_with("/deliveries") => "DL-1",
        path if path.starts_with("/bench") => "T-1",
        _ => "X-404",
    };
    path.replace("{name}", "remark")
        .replace("{thing}", "roll")
        .replace("{id}", id)
        .replace("{roll}", id)
        .replace("{station}", id)
        .replace("{n}", "1")
}

fn closed() -> impl Iterator<Item = String> {
    pages().into_iter().filter(|path| !OPEN.contains(&path.as_str())).map(|path| filled(&path))
}

#[test]
fn no_page_is_seen_without_a_session_and_each_leads_to_the_door() {
    let plant = Plant::stocked();
    let stranger = Visitor::stranger(plant.url());
    let forged = stranger.with_session("forged");
    for path in closed() {
        for nobody in [&stranger, &forged] {
            let page = nobody.get(&path);
            assert!(page.leads_to().starts_with("/sign-in?back="), "{path}: {}", page.leads_to());
            // A script is told to load the door, and gets nothing of the page.
            let part = nobody.get_with(&path, &[("HX-Request", "true")]);
            assert_eq!((part.status, part.header("hx-redirect"), part.text.as_str()), (401, "/sign-in", ""), "{path}");
        }
    }
    plant.end();
}

#[test]
fn a_locked_session_and_a_one_time_password_open_no_page() {
    let mut plant = Plant::stocked();
    plant.restart_saying(&["--idle-lock-seconds", "3"]);
    let room = visitor(&plant, "U-0004");
    plant.wait_for("the lock", || room.get_with("/", &[("Tallyseal-Unattended", "yes")]).status == 303);
    // A lock hides no count that runs: the bench and the board on the wall are seen, and nothing can be done there.
    let seen = ["/bench", "/bench/T-1"];
    for path in closed().filter(|path| !["/lock", "/password"].contains(&path.as_str())) {
        let page = room.get(&path);
        if seen.contains(&path.as_str()) {
            assert!(matches!(page.status, 200 | 404), "{path}: {}", page.status);
            assert!(!page.text.contains("/acts/"), "{path}: {}", page.text);
            continue;
        }
        assert!(page.leads_to().starts_with("/lock"), "{path}: {}", page.leads_to());
    }
    let lock = room.get("/lock?back=%2Frolls");
    let token = lock.hidden("form_token");
    let wrong = [("form_token", token.as_str()), ("account", "U-0004"), ("password", "wrong"), ("back", "/rolls")];
    assert_eq!(room.send("/lock", &wrong).status, 401);
    let (again, own) = (room.get("/lock?back=%2Frolls").hidden("form_token"), password("U-0004"));
    let right = [("form_token", again.as_str()), ("account", "u-0004"), ("password", own.as_str()), ("back", "/rolls")];
    assert_eq!(room.send("/lock", &right).leads_to(), "/rolls");
    room.get("/").good();

    plant.restart_saying(&[]);
    let admin = Client::sign_in(
        plant.url(),
        &plant.book.founders[0].account,
        &plant.who("administrator").password,
        "administrator",
    );
    let admin = admin.unwrap();
    plant.people.insert("administrator", admin);
    let secret = plant.enrol("U-0020", &["auditor"]);
    let (new, page) = Visitor::sign_in(plant.url(), "U-0020", &secret);
    assert_eq!(page.leads_to(), "/password");
    for path in closed().filter(|path| !["/lock", "/password"].contains(&path.as_str())) {
        let page = new.get(&path);
        assert!(page.leads_to().starts_with("/password"), "{path}: {}", page.leads_to());
    }
    let token = new.get("/password").hidden("form_token");
    let mine = "a sentence that only I know";
    let mut typed =
        vec![("form_token", token.as_str()), ("current", secret.as_str()), ("new", mine), ("again", "another one")];
    assert_eq!(new.send("/password", &typed).status, 422);
    typed[3].1 = mine;
    assert_eq!(new.send("/password", &typed).leads_to(), "/");
    new.get("/").good();
    plant.end();
}

/// Rule: 21 CFR 211.25: whoever works here is trained for it, and a role ends with its training.
#[test]
fn whose_only_role_has_ended_sees_no_page() {
    let plant = Plant::stocked();
    plant.hire("U-0008", &["line"]);
    let change = json!({
        "account": "U-0008",
        "roles": grants_until(&["line"], after(Duration::from_secs(8))),
        "why": "trained for a while",
    });
    plant.who("administrator").act("change_roles", &change).good();
    let line = visitor(&plant, "U-0008");
    line.get("/bench").good();
    plant.wait_for("the end of the role", || line.get("/").status == 403);
    // Their own affairs stay open to them.
    for path in closed().filter(|path| !["/lock", "/password"].contains(&path.as_str())) {
        let page = line.get(&path);
        assert_eq!(page.status, 403, "{path}: {}", page.text);
        assert!(page.text.contains("no role any more"), "{path}: {}", page.text);
    }
    plant.end();
}

#[test]
fn a_page_that_may_not_be_read_is_recorded_once_a_minute_and_not_offered() {
    let plant = Plant::stocked();
    let (room, auditor) = (visitor(&plant, "U-0004"), visitor(&plant, "U-0006"));
    assert!(!room.get("/").good().contains(">Audit trail</a>"));
    assert!(auditor.get("/").good().contains(">Audit trail</a>"));
    let size = plant.size();
    for _ in 0..5 {
        assert_eq!(room.get("/trail").status, 403);
    }
    assert_eq!(plant.size(), size + 1, "one refusal is recorded");
    // Of a record it is another one.
    for _ in 0..2 {
        assert_eq!(room.get("/trail?id=roll/R-1").status, 403);
    }
    assert_eq!(plant.size(), size + 2);
    // And in another session.
    assert_eq!(visitor(&plant, "U-0004").get("/trail").status, 403);
    // The log-in is an entry as well.
    assert_eq!(plant.size(), size + 4);
    plant.end();
}

#[test]
fn what_was_done_is_told_to_whoever_did_it() {
    let plant = Plant::stocked();
    let (room, other) = (visitor(&plant, "U-0004"), visitor(&plant, "U-0003"));
    let moved = room.act("move_roll", "roll=R-1", &[("roll", "R-1"), ("place", "shelf 7")]);
    let to = moved.leads_to();
    let n = to.split("done=").nth(1).unwrap().split('&').next().unwrap().to_owned();
    let path = format!("/?done={n}");
    assert!(room.get(&path).good().contains("Recorded as entry"));
    // Neither what others did nor what one did in another session was done just now.
    assert!(!other.get(&path).good().contains("Recorded as entry"));
    assert!(!visitor(&plant, "U-0004").get(&path).good().contains("Recorded as entry"));
    plant.end();
}

#[test]
fn what_there_is_not_is_said_on_a_page_to_whoever_has_a_browser() {
    let plant = Plant::stocked();
    let room = visitor(&plant, "U-0004");
    let browser = [("Accept", "text/html,application/xhtml+xml")];
    for path in ["/nothing", "/rolls/R-404", "/rolls/no%20id", "/things/nonsense"] {
        let page = room.get_with(path, &browser);
        assert!(matches!(page.status, 404 | 422), "{path}: {}", page.status);
        assert!(page.header("content-type").starts_with("text/html"), "{path}: {}", page.text);
        assert!(page.text.contains("<h1>"), "{path}: {}", page.text);
    }
    // To a program it is a problem (RFC 9457).
    assert_eq!(room.get("/nothing").header("content-type"), "application/problem+json");
    plant.end();
}

#[test]
fn every_role_sees_every_page_or_a_sentence() {
    let plant = Plant::stocked();
    plant.hire("U-0008", &["line"]);
    let mut people: Vec<&str> = PEOPLE.iter().map(|(account, _)| *account).collect();
    people.push("U-0008");
    for account in people {
        let who = visitor(&plant, account);
        for path in closed().filter(|path| path != "/live") {
            let page = who.get(&path);
            let seen = matches!(page.status, 200 | 303 | 403 | 404);
            assert!(seen, "{path} as {account}: {} {}", page.status, page.text);
            if page.status == 404 || page.status == 403 {
                assert!(page.text.contains("<h1>"), "{path} as {account}: {}", page.text);
            }
        }
    }
    plant.end();
}

/// Rule: W3C Content Security Policy Level 3; OWASP ASVS 5.0 section 3.4 (from memory).
#[test]
fn a_page_loads_nothing_from_elsewhere_and_is_kept_by_nobody() {
    let plant = Plant::stocked();
    let room = visitor(&plant, "U-0004");
    for path in closed().filter(|path| path != "/live") {
        let page = room.get(&path);
        assert_eq!(page.header("cache-control"), "no-store", "{path}");
        assert_eq!(page.header("x-content-type-options"), "nosniff", "{path}");
        if !page.header("content-type").starts_with("text/html") {
            continue;
        }
        let policy = page.header("content-security-policy");
        for part in ["default-src 'none'", "script-src 'self'", "frame-ancestors 'none'", "form-action 'self'"] {
            assert!(policy.contains(part), "{path}: {policy}");
        }
        assert!(!policy.contains("unsafe"), "{path}: {policy}");
        for foreign in ["http://", "https://", "src=\"//", "<style", "style=\"", " onclick", "javascript:"] {
            // The namespace of a drawing is a name, not an address.
            let text = page.text.replace("http://www.w3.org/2000/svg", "");
            assert!(!text.contains(foreign), "{path} has {foreign}");
        }
    }
    let styles = Visitor::stranger(plant.url()).get("/assets/tallyseal.css");
    assert!(styles.status == 200 && !styles.text.contains("://"), "{}", styles.status);
    plant.end();
}

#[test]
fn the_cookie_is_the_pages_and_the_token_is_the_apis() {
    let plant = Plant::stocked();
    let (room, page) = Visitor::sign_in(plant.url(), "u-0004 ", &password("U-0004"));
    let cookies: Vec<&str> =
        page.headers.iter().filter(|(name, _)| name == "set-cookie").map(|(_, value)| value.as_str()).collect();
    let session = cookies.iter().find(|cookie| cookie.starts_with("__Host-tallyseal=")).unwrap();
    for part in ["Secure", "HttpOnly", "SameSite=Strict", "Path=/"] {
        assert!(session.contains(part), "{session}");
    }
    assert!(!session.contains("Domain"), "{session}");
    // The API does not look at cookies: no other site can make a browser use it.
    let asked = room.get("/api/session");
    assert_eq!(asked.status, 401, "{}", asked.text);
    // The pages do not look at tokens.
    let token = format!("Bearer {}", room.cookie.trim_start_matches("__Host-tallyseal="));
    let other = Visitor::stranger(plant.url()).get_with("/", &[("Authorization", &token)]);
    assert!(other.leads_to().starts_with("/sign-in"));
    // The token of forms opens nothing.
    let form_token = room.get("/").hidden("form_token");
    let forged = room.with_session(&form_token);
    assert!(forged.get("/").leads_to().starts_with("/sign-in"));
    // Signed out is signed out, whoever kept the cookie.
    assert_eq!(room.send("/sign-out", &[("form_token", &form_token)]).leads_to(), "/sign-in");
    assert!(room.get("/").leads_to().starts_with("/sign-in"));
    plant.end();
}

/// Rule: OWASP ASVS 5.0 section 3.5 (from memory): nothing is done for another site.
#[test]
fn a_form_that_is_not_of_this_session_does_nothing() {
    let plant = Plant::stocked();
    let (room, other) = (visitor(&plant, "U-0004"), visitor(&plant, "U-0003"));
    let page = room.get("/acts/remark?record=roll/R-1");
    let (token, act) = (page.hidden("form_token"), page.hidden("act"));
    let foreign = other.get("/").hidden("form_token");
    let size = plant.size();
    let typed = |token: &str| {
        [
            ("form_token", token),
            ("act", &act),
            ("role", "label_room"),
            ("record", "roll/R-1"),
            ("text", "seen and all well"),
        ]
        .map(|(name, text)| (name.to_owned(), text.to_owned()))
    };
    let send = |token: &str, headers: &[(&str, &str)]| {
        let typed = typed(token);
        let typed: Vec<(&str, &str)> = typed.iter().map(|(name, text)| (name.as_str(), text.as_str())).collect();
        room.send_with("/acts/remark", headers, &typed)
    };
    for (token, headers) in [
        ("", vec![]),
        ("forged", vec![]),
        (foreign.as_str(), vec![]),
        (token.as_str(), vec![("Sec-Fetch-Site", "cross-site")]),
        (token.as_str(), vec![("Sec-Fetch-Site", "same-site")]),
    ] {
        let page = send(token, &headers);
        assert_eq!(page.status, 403, "{}", page.text);
    }
    for path in ["/sign-out", "/password"] {
        assert_eq!(room.send(path, &[("current", "x"), ("new", "y"), ("again", "y")]).status, 403, "{path}");
    }
    assert_eq!(plant.size(), size, "nothing was recorded");
    // A browser that says nothing but the origin is held by that.
    let own = plant.url().to_owned();
    for origin in ["https://evil.example", "null", "http://127.0.0.1:1", ""] {
        assert_eq!(send(&token, &[("Origin", origin)]).status, 403, "{origin}");
    }
    assert_eq!(plant.size(), size, "nothing was recorded");
    // From a page of the session it is done, once, however often it is sent.
    let first = send(&token, &[("Sec-Fetch-Site", "same-origin")]);
    assert!(first.leads_to().starts_with("/"), "{}", first.text);
    let size = plant.size();
    assert_eq!(send(&token, &[]).leads_to(), first.leads_to());
    assert_eq!(send(&token, &[("Origin", &own)]).leads_to(), first.leads_to());
    assert_eq!(plant.size(), size);
    plant.end();
}

#[test]
fn whatever_is_wrong_is_said_at_once_and_what_was_typed_stays() {
    let plant = Plant::stocked();
    let room = visitor(&plant, "U-0004");
    let size = plant.size();
    let typed = [("delivery", "D 9"), ("supplier_lot", "LOT <9>"), ("rolls.0.roll", "R-9"), ("rolls.0.stated", "many")];
    let page = room.act("receive_delivery", "", &typed);
    assert_eq!(page.status, 422);
    for id in ["f-delivery", "f-rolls-0-stated", "f-item", "f-maker"] {
        assert!(page.text.contains(&format!("href=\"#{id}\"")), "{id}: {}", page.text);
    }
    // Escaped, wherever it is shown.
    assert!(page.text.contains("LOT &#60;9&#62;") && !page.text.contains("LOT <9>"), "{}", page.text);
    assert!(page.text.contains("value=\"many\""));
    assert_eq!(plant.size(), size);
    // What the rules refuse is said with a way out, and kept as well.
    let refused = room.act("move_roll", "", &[("roll", "R-404"), ("place", "shelf 7")]);
    assert_eq!(refused.status, 404);
    assert!(refused.text.contains("There is no roll R-404") && refused.text.contains("value=\"shelf 7\""));
    plant.end();
}

#[test]
fn a_page_that_is_old_says_what_changed_and_keeps_what_was_typed() {
    let plant = Plant::stocked();
    let room = visitor(&plant, "U-0004");
    let page = room.get("/acts/move_roll?roll=R-1&place=shelf+1");
    let fields = ["form_token", "act", "role", "rev.roll/R-1"].map(|name| (name, page.hidden(name)));
    plant.who("second").act("move_roll", &json!({ "roll": "R-1", "place": "shelf 2" })).good();
    let mut typed: Vec<(&str, &str)> = fields.iter().map(|(name, text)| (*name, text.as_str())).collect();
    typed.extend([("roll", "R-1"), ("place", "shelf 1")]);
    let stale = room.send("/acts/move_roll", &typed);
    assert_eq!(stale.status, 409);
    assert!(stale.text.contains("Roll moved") && stale.text.contains("value=\"shelf 1\""), "{}", stale.text);
    // Looked at and sent again, it is a new act over what is there now.
    let fields = ["form_token", "act", "role", "rev.roll/R-1"].map(|name| (name, stale.hidden(name)));
    let mut typed: Vec<(&str, &str)> = fields.iter().map(|(name, text)| (*name, text.as_str())).collect();
    typed.extend([("roll", "R-1"), ("place", "shelf 1")]);
    assert_eq!(room.send("/acts/move_roll", &typed).status, 303);
    plant.end();
}

/// What a page of a signature carries on, so that it can be sent with a password.
fn carried(page: &Page, typed: &[(&str, &str)]) -> Vec<(String, String)> {
    let own = ["form_token", "act", "role", "_meaning", "_covers", "rev.delivery/DL-2"];
    let names = typed.iter().map(|(name, _)| *name).chain(own);
    let fields: Vec<(String, String)> = names.map(|name| (name.to_owned(), page.hidden(name))).collect();
    for (name, text) in typed {
        assert!(fields.contains(&((*name).to_owned(), (*text).to_owned())), "{name}: {fields:?}");
    }
    fields
}

fn send(who: &Visitor, fields: &[(String, String)], word: &str) -> Page {
    let mut all: Vec<(&str, &str)> = fields.iter().map(|(name, text)| (name.as_str(), text.as_str())).collect();
    all.push(("password", word));
    who.send("/acts/examine_delivery", &all)
}

#[test]
fn a_signature_shows_first_what_it_covers() {
    let plant = Plant::stocked();
    plant.receive("DL-2", &["R-21"], 300);
    let examiner = visitor(&plant, "U-0005");
    let typed = [
        ("delivery", "DL-2"),
        ("plan", "accept on zero"),
        ("reached", "unwound"),
        ("rolls", "R-21"),
        ("sampled", "20"),
        ("critical", "0"),
        ("major", "0"),
        ("minor", "0"),
        ("specimen.id", "SP-3"),
        ("specimen.place", "cabinet"),
        ("result", "accept"),
    ];
    let size = plant.size();
    let page = examiner.act("examine_delivery", "", &typed);
    assert_eq!(plant.size(), size, "nothing is signed unasked");
    let entries = plant.stream("delivery/DL-2");
    assert!(page.text.contains("You are about to sign") && page.text.contains("delivery DL-2"), "{}", page.text);
    assert!(page.text.contains("<strong>examined</strong>"), "{}", page.text);
    assert!(page.text.contains(&format!("up to its entry {}", entries.len())), "{}", page.text);
    // The digest is the root that the signature's `covers` will have for these entries (RFC 9162 over the stored bytes).
    let lines = plant.who("auditor").get("/api/entries?stream=delivery/DL-2");
    let leaves: Vec<tallyseal_schema::Hash> = match &lines.body {
        serde_json::Value::String(text) => {
            text.lines().map(|line| tallyseal_schema::Hash::leaf(line.as_bytes())).collect()
        }
        one => vec![tallyseal_schema::Hash::leaf(&tallyseal_schema::canonical::write(one).unwrap())],
    };
    assert!(page.text.contains(&tallyseal_schema::tree::root(&leaves).to_string()), "{}", page.text);
    // What is signed is what the page carries on, not what is typed again.
    let carried = carried(&page, &typed);
    let wrong = send(&examiner, &carried, "not mine");
    assert_eq!(wrong.status, 401);
    assert!(wrong.text.contains("You are about to sign") && !wrong.text.contains("not mine"), "{}", wrong.text);
    // Somebody adds to the record after it was shown: the signature would cover what nobody has seen.
    plant.who("label_room").act("remark", &json!({ "record": "delivery/DL-2", "text": "one box is dented" })).good();
    let size = plant.size();
    let stale = send(&examiner, &carried, &password("U-0005"));
    assert_eq!((stale.status, plant.size()), (409, size), "{}", stale.text);
    assert!(stale.text.contains("Remark made"), "{}", stale.text);
    // A password that is typed into a form which showed nothing signs nothing.
    let mut bare = typed.to_vec();
    bare.push(("password", "in the tests, 0005"));
    let shown = examiner.act("examine_delivery", "", &bare);
    assert!(shown.text.contains("You are about to sign") && plant.size() == size, "{}", shown.text);
    assert!(shown.text.contains(&format!("up to its entry {}", entries.len() + 1)), "{}", shown.text);
    let signed = send(&examiner, &self::carried(&shown, &typed), &password("U-0005"));
    assert!(signed.leads_to().contains("done="), "{}", signed.text);
    let signature = plant.stream("delivery/DL-2").into_iter().rfind(|entry| entry["kind"] == "signature.applied");
    let covers = &signature.unwrap()["body"]["covers"]["delivery/DL-2"];
    // The act's own entry comes before it; everything else was shown.
    assert_eq!(covers["rev"], entries.len() + 2);
    assert_eq!(plant.who("auditor").thing("delivery/DL-2").good()["state"]["status"], "examined_good");
    plant.end();
}

/// Rule: 21 CFR 211.125(c) counts are worth something only where nobody counts towards a number.
#[test]
fn no_page_tells_what_is_hidden_while_a_roll_is_counted() {
    let plant = Plant::ready();
    // A number that no other field, time or hash shows by chance, however it is written.
    plant.deliver("DL-9", &["R-91"], 48_613);
    let told = |page: &Page| {
        let text: String = page.text.chars().filter(|c| !matches!(c, '\u{2009}' | '\u{a0}' | ' ')).collect();
        text.contains("48613")
    };
    let accounts = ["U-0003", "U-0004", "U-0005", "U-0006", "U-0007"];
    let paths: Vec<String> = pages()
        .into_iter()
        .filter(|path| !OPEN.contains(&path.as_str()) && path != "/live")
        .map(|path| match path.as_str() {
            "/things/{thing}/{id}" => "/things/roll/R-91".to_owned(),
            path if path.starts_with("/deliveries") => path.replace("{id}", "DL-9").replace("{delivery}", "DL-9"),
            path => filled(&path.replace("{id}", "R-91").replace("{roll}", "R-91")),
        })
        .chain(
            ["/things/delivery/DL-9", "/things/roll", "/find?id=R-91", "/acts/remark?record=roll/R-91"]
                .map(str::to_owned),
        )
        .collect();
    let room = visitor(&plant, "U-0004");
    assert!(told(&room.get("/things/roll/R-91")), "before the count it is there to be seen");
    let count = plant.open_count("roll/R-91", "incoming", Direction::Forward);
    for account in accounts {
        let who = visitor(&plant, account);
        for path in &paths {
            // Entries are for those who review; bytes are shown as they are or not at all.
            if path.starts_with("/trail") && ["U-0003", "U-0006"].contains(&account) {
                continue;
            }
            let page = who.get(path);
            assert!(!told(&page), "{path} tells {account} the stated number: {}", page.text);
        }
    }
    plant.who("label_room").act("abort_count", &json!({ "count": count, "why": "the wrong roll lay on it" })).good();
    plant.end();
}

/// The order of [`came_back`], and numbers of its large roll that no other field, time or hash shows by chance: what the
/// supplier stated, what we counted, what was issued with four rolls of 100 besides.
const LARGE: &str = "PO-9";
const STATED: u32 = 48_613;
const COUNTED: u32 = 17_291;
const ISSUED: u32 = COUNTED + 400;
/// What came back of it.
const BACK: u32 = 200;

/// A plant whose order [`LARGE`] is run, counted and reconciled, outside its limits. Of its roll `R-9` came back `R-91`,
/// which is counted once. Station `T-2` is ready to count it again.
fn came_back() -> Plant {
    let plant = Plant::packing();
    let room = plant.who("label_room");
    let received = json!({
        "delivery": "D-9", "item": CODED, "supplier": "SU-1",
        "supplier_lot": "LOT-D-9", "maker": "Printer", "receiving_code": "RC", "condition": "sound", "place": "cage",
        "rolls": [{ "roll": "R-9", "stated": STATED }],
    });
    room.act("receive_delivery", &received).good();
    let examined = json!({
        "delivery": "D-9", "plan": "accept on zero", "reached": "unwound", "rolls": ["R-9"], "sampled": 20,
        "critical": 0, "major": 0, "minor": 0, "specimen": { "id": "SP-2", "place": "cabinet" }, "result": "accept",
    });
    plant.who("incoming_examiner").sign("examine_delivery", &examined).good();
    plant.who("reviewer").sign("release_delivery", &json!({ "delivery": "D-9" })).good();
    plant.another_station("T-2");
    plant.set_up_for("T-2", CODED);
    plant.counted_at("T-2", "R-9", "incoming", Roll::plain(COUNTED, Some(CODE)));
    plant.challenge_at("T-2", "end");

    let mut planned = plan("LOT-Z", 17_450);
    planned["materials"].as_array_mut().unwrap().truncate(1);
    plant.who("supervisor").act("plan_order", &json!({ "order": LARGE, "plan": planned })).good();
    let small = ["R-1", "R-2", "R-3", "R-6"];
    plant.issue(LARGE, 1, &["R-1", "R-2", "R-3", "R-6", "R-9"]);
    plant.start_order(LARGE);
    let asked = json!({
        "kind": "extra_issue", "order": LARGE, "about": format!("order/{LARGE}"), "material": 1, "labels": COUNTED,
        "why": format!("as many as on R-9, {COUNTED}"),
    });
    room.act("request_override", &asked).good();
    for roll in small {
        plant.run_roll(LARGE, 1, roll, "used_up");
    }
    plant.run_roll(LARGE, 1, "R-9", "taken_off");
    plant.finish_order(LARGE);
    plant.who("line").act("give_back", &giving_back(LARGE, 1, "R-9", "S-1")).good();
    let container = json!({ "container": "CN-9", "order": LARGE, "material": 1, "contents": "coded", "place": "cage" });
    room.act("open_container", &container).good();
    let tail = plant.hand_counted(LARGE, Some(1), "coded_tail", 4);
    let back = taking_back(LARGE, 1, "R-9", &json!({ "tail": tail, "container": "CN-9", "rest": "R-91" }));
    room.act("take_back", &back).good();
    plant.set_up_for("T-2", CODED);
    plant.counted_at("T-2", "R-91", "return", Roll::plain(BACK, Some(CODE)));
    for (term, source) in [
        ("good", device(VERIFIER, 0, 17_000)),
        ("rejected", device(VERIFIER, 17_000, 17_003)),
        ("samples", device(DISPENSER, 0, 2)),
        ("spoiled", device(DISPENSER, 2, 7)),
    ] {
        plant.quantity(LARGE, 1, term, source).good();
    }
    plant.units(LARGE, "LOT-Z", 17_000);
    plant.reconciled(LARGE, 1);
    let opened = json!({
        "about": [format!("order/{LARGE}")], "severity": "major", "text": format!("{COUNTED} labels were on R-9"),
    });
    plant.who("supervisor").act("open_deviation", &opened).good();
    plant
}

/// Rule: 21 CFR 211.125(c): what came back is what was there, less what was used. Who knows both knows the number.
#[test]
fn no_page_and_no_thing_tells_what_was_on_a_roll_while_what_came_back_of_it_is_counted() {
    let plant = came_back();
    let told = |text: &str| -> Vec<String> {
        let text: String =
            text.chars().filter(|c| !matches!(c, '\u{2009}' | '\u{202f}' | '\u{a0}' | ' ' | ',')).collect();
        let numbers = [STATED, COUNTED, ISSUED].map(|number| number.to_string());
        numbers.into_iter().filter(|number| text.contains(number)).collect()
    };
    let sorts = [
        "account",
        "clearance",
        "container",
        "count",
        "delivery",
        "deviation",
        "hand_count",
        "issue",
        "item",
        "line",
        "limit_set",
        "order",
        "override",
        "reconciliation",
        "roll",
        "station",
        "test_roll",
    ];
    let things = || -> Vec<String> {
        let lists = sorts.iter().map(|sort| plant.who("auditor").get(&format!("/api/things/{sort}")).good());
        let lists: Vec<serde_json::Value> = lists.collect();
        let all = lists.iter().flat_map(|list| list["things"].as_array().unwrap());
        all.map(|thing| thing["stream"].as_str().unwrap().to_owned()).collect()
    };
    // Each thing by itself, on both of its pages, and each list.
    let mut paths: BTreeSet<String> = pages()
        .into_iter()
        .filter(|path| !OPEN.contains(&path.as_str()) && path != "/live" && !path.contains('{'))
        .collect();
    paths.extend(["/bench/T-2", "/bench/T-2/scan", "/lines/LN-1", "/rolls/R-9/tag", "/find?id=R-9"].map(str::to_owned));
    paths.extend([
        format!("/exceptions?show=all&record=order/{LARGE}"),
        format!("/exceptions.csv?show=all&record=order/{LARGE}"),
        "/exceptions?show=all".to_owned(),
        "/deviations?status=all".to_owned(),
        format!("/lines/LN-1?order={LARGE}"),
        format!("/acts/remark?record=order/{LARGE}"),
    ]);
    paths.extend(sorts.iter().flat_map(|sort| [format!("/things/{sort}"), format!("/things/{sort}.csv")]));
    for stream in things() {
        let (thing, id) = stream.split_once('/').unwrap();
        paths.insert(format!("/things/{stream}"));
        match thing {
            "roll" => paths.insert(format!("/rolls/{id}")),
            "delivery" => paths.insert(format!("/deliveries/{id}")),
            "order" => paths.insert(format!("/orders/{id}")),
            "deviation" => paths.insert(format!("/deviations/{id}")),
            "count" => paths.insert(format!("/bench/T-2?count={id}")),
            _ => false,
        };
    }
    let people =
        [("label_room", "U-0004"), ("line", "U-0008"), ("incoming_examiner", "U-0005"), ("supervisor", "U-0003")];
    let supervisor = visitor(&plant, "U-0003");
    let telling = [
        "/rolls/R-9".to_owned(),
        "/things/roll/R-9".to_owned(),
        "/deliveries/D-9".to_owned(),
        format!("/orders/{LARGE}"),
        format!("/things/order/{LARGE}"),
        format!("/exceptions?show=all&record=order/{LARGE}"),
        "/exceptions?show=all".to_owned(),
        "/deviations".to_owned(),
        "/deviations.csv".to_owned(),
        "/deviations/DV-000001".to_owned(),
        "/deviations/DV-000002".to_owned(),
        "/things/deviation".to_owned(),
        "/things/deviation.csv".to_owned(),
        "/things/deviation/DV-000001".to_owned(),
        "/things/issue/IS-000001".to_owned(),
        "/things/override/OV-000001".to_owned(),
        "/things/reconciliation/RC-000001".to_owned(),
    ];
    let must_tell = |when: &str| {
        for path in &telling {
            assert!(paths.contains(path), "{path} is asked for");
            let page = supervisor.get(path);
            assert!(!told(&page.text).is_empty(), "{when} {path} tells it: {}", page.text);
        }
    };
    must_tell("before the count");

    let opened = json!({ "station": "T-2", "roll": "roll/R-91", "purpose": "recount", "direction": "rewind" });
    let count = plant.who("label_room").act("open_count", &opened).made();
    for (name, account) in people {
        let (who, client) = (visitor(&plant, account), plant.who(name));
        for path in &paths {
            // Entries are for those who review, as they are or not at all.
            if name == "supervisor" && path.starts_with("/trail") {
                continue;
            }
            let page = who.get(path);
            assert!(told(&page.text).is_empty(), "{path} tells {name} {:?}: {}", told(&page.text), page.text);
        }
        for sort in sorts {
            let list = client.get(&format!("/api/things/{sort}")).good();
            for thing in list["things"].as_array().unwrap() {
                assert!(told(&thing.to_string()).is_empty(), "{name} is told {:?}: {thing}", told(&thing.to_string()));
                let alone = client.thing(thing["stream"].as_str().unwrap()).good();
                assert_eq!(alone["state"], thing["state"], "{name}");
            }
        }
        // A copy is a way to read as well.
        for record in
            ["roll/R-9", "roll/R-91", "delivery/D-9", "order/PO-9", "issue/IS-000001", "reconciliation/RC-000001"]
        {
            let asked = json!({ "record": record, "role": client.role });
            let refused = client.post_for_bytes("/api/exports", &asked).map_err(|answer| answer.refused(409));
            assert_eq!(refused.unwrap_err(), "roll-in-count", "{name} {record}");
        }
    }
    plant.who("label_room").act("abort_count", &json!({ "count": count, "why": "the wrong roll lay on it" })).good();
    must_tell("after the count");
    plant.end();
}

#[test]
fn looking_on_is_nobodys_use_of_a_session() {
    let mut plant = Plant::stocked();
    plant.restart_saying(&["--idle-lock-seconds", "4"]);
    let room = visitor(&plant, "U-0004");
    let unattended = [("Tallyseal-Unattended", "yes")];
    // Whoever uses it stays in.
    let until = Instant::now() + Duration::from_secs(6);
    while Instant::now() < until {
        room.get("/").good();
        std::thread::sleep(Duration::from_millis(300));
    }
    // A page that renews itself keeps nobody in.
    plant.wait_for("the lock", || room.get_with("/", &unattended).status == 303);
    assert!(room.get("/").leads_to().starts_with("/lock"));
    plant.end();
}

#[test]
fn news_come_to_those_who_watch_and_end_with_their_session() {
    let plant = Plant::stocked();
    let room = visitor(&plant, "U-0004");
    let mut stream = plant.who("auditor").connection();
    let ask =
        |about: &str| format!("GET /live?about={about} HTTP/1.1\r\nHost: test\r\nCookie: {}\r\n\r\n", room.cookie);
    push(&mut stream, ask("roll/R-1").as_bytes());
    let first = hear(&mut stream, |heard| heard.contains("event: beat"));
    assert!(first.contains("text/event-stream"), "{first}");
    plant.who("second").act("move_roll", &json!({ "roll": "R-1", "place": "shelf 2" })).good();
    let heard = hear(&mut stream, |heard| heard.contains("event: entry"));
    assert!(heard.contains("event: entry"), "{heard}");
    // Of another roll nothing is told but that the server is there.
    plant.who("second").act("move_roll", &json!({ "roll": "R-2", "place": "shelf 2" })).good();
    let heard = hear(&mut stream, |heard| heard.matches("event: beat").count() >= 2);
    assert!(!heard.contains("event: entry"), "{heard}");
    let token = room.get("/").hidden("form_token");
    assert_eq!(room.send("/sign-out", &[("form_token", &token)]).status, 303);
    let heard = hear(&mut stream, |heard| heard.contains("event: over"));
    assert!(heard.contains("event: over"), "{heard}");
    // What it is about must be something.
    let other = visitor(&plant, "U-0003");
    assert_eq!(other.get("/live?about=nonsense").status, 422);
    plant.end();
}

#[test]
fn a_session_has_few_pages_that_watch_and_the_newest_are_kept() {
    let plant = Plant::stocked();
    let room = visitor(&plant, "U-0004");
    let watch = || {
        let mut stream = plant.who("auditor").connection();
        let ask = format!("GET /live?about=roll/R-1 HTTP/1.1\r\nHost: test\r\nCookie: {}\r\n\r\n", room.cookie);
        push(&mut stream, ask.as_bytes());
        hear(&mut stream, |heard| heard.contains("event: beat"));
        stream
    };
    let mut streams: Vec<_> = (0..8).map(|_| watch()).collect();
    let other = visitor(&plant, "U-0003");
    let mut elsewhere = plant.who("auditor").connection();
    let ask = format!("GET /live HTTP/1.1\r\nHost: test\r\nCookie: {}\r\n\r\n", other.cookie);
    push(&mut elsewhere, ask.as_bytes());
    streams.push(watch());
    let heard = hear(&mut streams[0], |heard| heard.contains("event: full"));
    assert!(heard.contains("event: full"), "{heard}");
    // Nobody else is told so, and pages answer.
    for stream in streams.iter_mut().skip(1).chain([&mut elsewhere]) {
        let heard = hear(stream, |heard| heard.contains("event: beat"));
        assert!(!heard.contains("event: full"), "{heard}");
    }
    room.get("/").good();
    other.get("/").good();
    // Nor does one page watch without bound.
    let many: Vec<String> = (0..101).map(|n| format!("roll/R-{n}")).collect();
    let page = room.get(&format!("/live?about={}", many.join(",")));
    assert_eq!(page.status, 422, "{}", page.text);
    assert!(page.text.contains("watches at most"), "{}", page.text);
    plant.end();
}

#[test]
fn a_server_that_ends_lets_those_go_who_watch() {
    let mut plant = Plant::stocked();
    let room = visitor(&plant, "U-0004");
    let mut stream = plant.who("auditor").connection();
    push(&mut stream, format!("GET /live HTTP/1.1\r\nHost: test\r\nCookie: {}\r\n\r\n", room.cookie).as_bytes());
    hear(&mut stream, |heard| heard.contains("event: beat"));
    let begun = Instant::now();
    plant.stop();
    // Without being told, the server would wait for its connections for half a minute.
    assert!(begun.elapsed() < Duration::from_secs(15), "{:?}", begun.elapsed());
    plant.start();
    plant.end();
}

#[test]
fn a_one_time_secret_is_shown_once_and_by_nobody_else() {
    let plant = Plant::stocked();
    let founder = &plant.book.founders[0];
    let (admin, _) = Visitor::sign_in(plant.url(), &founder.account, &plant.who("administrator").password);
    let page = admin.get("/acts/reset_password?account=U-0005");
    let fields = ["form_token", "act", "role"].map(|name| (name, page.hidden(name)));
    let mut typed: Vec<(&str, &str)> = fields.iter().map(|(name, text)| (*name, text.as_str())).collect();
    typed.extend([("account", "U-0005"), ("why", "forgotten after the holidays")]);
    let shown = admin.send("/acts/reset_password", &typed);
    assert_eq!(shown.status, 200, "{}", shown.text);
    let secret = shown.text.split("class=\"secret code\">").nth(1).unwrap().split('<').next().unwrap().to_owned();
    assert_eq!(secret.len(), 24);
    // Sent once more it is the same act, and there is nothing more to show.
    let again = admin.send("/acts/reset_password", &typed);
    assert!(!again.text.contains(&secret) && again.status == 303, "{}", again.text);
    let (_, page) = Visitor::sign_in(plant.url(), "U-0005", &secret);
    assert_eq!(page.leads_to(), "/password");
    assert!(hidden(&shown.text, "password").is_none());
    plant.end();
}

/// Rule: 21 CFR 11.300(d): attempts at unauthorised use are reported at once.
#[test]
fn a_lock_out_is_seen_at_once_by_those_who_must_know() {
    let plant = Plant::stocked();
    let admin = Visitor::sign_in(plant.url(), &plant.book.founders[0].account, &plant.who("administrator").password).0;
    let reviewer = Visitor::sign_in(plant.url(), &plant.book.founders[1].account, &plant.who("reviewer").password).0;
    for who in [&admin, &reviewer] {
        assert!(!who.get("/").good().contains("things/account/U-0005"));
    }
    for _ in 0..10 {
        let (_, page) = Visitor::sign_in(plant.url(), "U-0005", "not the password");
        assert_eq!(page.status, 401);
    }
    for who in [&admin, &reviewer] {
        let page = who.get("/").good();
        assert!(page.contains("ccounts locked") && page.contains("things/account/U-0005"), "{page}");
    }
    plant.end();
}

#[test]
fn a_run_is_seen_on_its_pages_once_it_is_signed() {
    let plant = Plant::ready();
    plant.signed_run("roll/R-1", "incoming", &plain_run(500));
    let room = visitor(&plant, "U-0004");
    let page = room.get("/things/roll/R-1").good();
    assert!(page.contains("Roll counted"), "{page}");
    plant.end();
}
