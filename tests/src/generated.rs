//! What is generated from the types and kept in the tree, so that it can be read without running anything.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use tallyseal_schema::kinds::{KINDS, MEANINGS, json_schemas};

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
    let path = top.join("schema/FORMAT.md");
    let text = std::fs::read_to_string(&path).expect("schema/FORMAT.md can be read");
    let text = between(&text, "kinds", &kinds_table());
    files.insert(path, between(&text, "meanings", &meanings_table()));
    files
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
