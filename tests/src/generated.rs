//! What is generated from the types and kept in the tree, so that it can be read without running anything.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use tallyseal_control::AUTHORITY;
use tallyseal_report::grade::{Grade, SORTS};
use tallyseal_schema::Hash;
use tallyseal_schema::kinds::{KINDS, MEANINGS, Role, json_schemas};
use tallyseal_schema::two_people::{PRESENT_MINUTES, TWO_PEOPLE};
use tallyseal_verify::Check;

/// Every generated file with the text that it must have. `top`: the top folder.
///
/// Panics where `FORMAT.md` has lost the marks between which its tables stand.
pub fn all(top: &Path) -> BTreeMap<PathBuf, String> {
    let mut files = BTreeMap::new();
    for (name, schema) in json_schemas() {
        let mut text = serde_json::to_string_pretty(schema.as_value()).expect("a JSON value can be written");
        text.push('\n');
        files.insert(top.join("schema/json").join(name), text);
    }
    let mut text = serde_json::to_string_pretty(&crate::openapi::description()).expect("a JSON value can be written");
    text.push('\n');
    files.insert(top.join("server/app/openapi.json"), text);
    let path = top.join("schema/FORMAT.md");
    let text = std::fs::read_to_string(&path).expect("schema/FORMAT.md can be read");
    let text = between(&text, "kinds", &kinds_table());
    let text = between(&text, "meanings", &meanings_table());
    let text = between(&text, "tampering", &crate::tampering::table());
    files.insert(path, between(&text, "two-people", &two_people_table()));
    files.insert(top.join("server/control/AUTHORITY.md"), authority_table());
    let tables = tables_of_the_checking_page();
    let page = Hash::of(tallyseal_report::checking_page_with(&tables).as_bytes());
    files.insert(top.join("server/report/verify/tables.js"), tables);
    // The verifier knows the page of its own version and uses no crate but `schema`.
    files.insert(top.join("server/verify/src/checking_page.sha256"), format!("{page}\n"));
    files
}

/// The tables of kinds, meanings, checks and exceptions as `verify.html` has them.
fn tables_of_the_checking_page() -> String {
    let json = |value: Value| serde_json::to_string(&value).expect("a JSON value can be written");
    let mut text = "// The tables of FORMAT.md sections 1, 4 and 7, and the exceptions with their grades and words. Generated from \
                    the types: do not edit.\n\n"
        .to_owned();
    let roles: Vec<&str> = Role::ALL.iter().map(|role| role.as_str()).collect();
    let _ = writeln!(text, "const ROLES = {};\n\nconst KINDS = new Map([", json(json!(roles)));
    for kind in KINDS {
        let row = json!([format!("{}.v{}", kind.name, kind.v), { "things": kind.things, "content": kind.content }]);
        let _ = writeln!(text, "  {},", json(row));
    }
    text.push_str("]);\n\nconst MEANINGS = new Map([\n");
    for meaning in MEANINGS {
        let roles: Vec<&str> = meaning.roles.iter().map(|role| role.as_str()).collect();
        let row = json!([meaning.name, {
            "things": meaning.things, "roles": roles, "makers": meaning.excludes, "signers": meaning.excludes_signers,
            "not_self": meaning.excludes_self,
        }]);
        let _ = writeln!(text, "  {},", json(row));
    }
    text.push_str("]);\n\n");
    // Nobody asks the page for something that had to come from outside, and time-stamps lie beside the book.
    let of_page = |check: &&Check| !matches!(check, Check::Require | Check::TimeStamps);
    let checks: Vec<&str> = Check::ALL.iter().filter(of_page).map(|check| check.name()).collect();
    let _ = writeln!(text, "const CHECK_NAMES = {};\n", json(json!(checks)));
    let grades: BTreeMap<u8, [&str; 2]> =
        Grade::ALL.iter().map(|grade| (grade.number(), [grade.title(), grade.class()])).collect();
    let _ = writeln!(text, "/** Title and mark of each grade. */\nconst GRADES = {};\n", json(json!(grades)));
    text.push_str(
        "/** Grade and words by kind and case; the case \"\" is every entry of the kind. */\nconst EXCEPTIONS = {\n",
    );
    let mut by_kind: BTreeMap<&str, BTreeMap<&str, (u8, &str)>> = BTreeMap::new();
    for sort in SORTS {
        for kind in sort.kinds {
            by_kind.entry(kind).or_default().insert(sort.case, (sort.judged.grade.number(), sort.judged.sort));
        }
    }
    for (kind, cases) in by_kind {
        let _ = writeln!(text, "  {}: {},", json(json!(kind)), json(json!(cases)));
    }
    text.push_str("};\n\n");
    let late =
        SORTS.iter().find(|sort| sort.kinds.is_empty()).map(|sort| (sort.judged.grade.number(), sort.judged.sort));
    let _ = writeln!(text, "const LATE_ENTRY = {};", json(json!(late)));
    text
}

fn between(text: &str, mark: &str, table: &str) -> String {
    let (begin, end) = (format!("<!-- {mark}:begin -->"), format!("<!-- {mark}:end -->"));
    let (before, rest) = text.split_once(&begin).expect("the begin mark stands in FORMAT.md");
    let (_, after) = rest.split_once(&end).expect("the end mark stands in FORMAT.md");
    format!("{before}{begin}\n{table}{end}{after}")
}

fn kinds_table() -> String {
    let mut table = "| kind | v | streams | content |\n|---|---|---|---|\n".to_owned();
    for kind in KINDS {
        let things = if kind.things.is_empty() { "any".to_owned() } else { kind.things.join(", ") };
        let content = if kind.content { "yes" } else { "no" };
        let _ = writeln!(table, "| `{}` | {} | {things} | {content} |", kind.name, kind.v);
    }
    table
}

fn meanings_table() -> String {
    let mut table =
        "| meaning | record | roles | not who made | not who signed | not about oneself |\n|---|---|---|---|---|---|\n"
            .to_owned();
    for meaning in MEANINGS {
        let roles: Vec<&str> = meaning.roles.iter().map(|role| role.as_str()).collect();
        let list = |items: &[&str]| if items.is_empty() { "-".to_owned() } else { items.join(", ") };
        let _ = writeln!(
            table,
            "| {} | {} | {} | {} | {} | {} |",
            meaning.name,
            list(meaning.things),
            list(&roles),
            list(meaning.excludes),
            list(meaning.excludes_signers),
            if meaning.excludes_self { "yes" } else { "-" }
        );
    }
    table
}

fn two_people_table() -> String {
    let mut table = "| act | the first leaves | the second leaves | when |\n|---|---|---|---|\n".to_owned();
    for row in TWO_PEOPLE {
        let _ = writeln!(table, "| {} | {} | {} | {} |", row.act, row.first, row.second, row.when);
    }
    let _ = writeln!(table, "\nBoth present: the second signs within {PRESENT_MINUTES} minutes of the first.");
    table
}

/// Who may give which command. Generated, for people: `control` holds the table itself.
fn authority_table() -> String {
    let mut table =
        "# Who may do what\n\nGenerated from `src/authority.rs`. Rules about a particular record (not the same \
        person twice, states, holds) come after it.\n\n| command | people | others |\n|---|---|---|\n"
            .to_owned();
    for row in AUTHORITY {
        let roles: Vec<&str> = row.roles.iter().map(|role| role.title()).collect();
        let mut others = Vec::new();
        for (may, who) in [
            (row.machine, "a machine's capture"),
            (row.system, "the software"),
            (row.with_one_time_password, "also under a one-time password"),
            (row.while_locked, "also while the session is locked"),
            (row.with_expired_role, "also in an expired role"),
        ] {
            if may {
                others.push(who);
            }
        }
        let list = |items: &[&str]| if items.is_empty() { "-".to_owned() } else { items.join(", ") };
        let _ = writeln!(table, "| `{}` | {} | {} |", row.command, list(&roles), list(&others));
    }
    table
}
