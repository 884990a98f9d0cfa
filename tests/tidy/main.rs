//! The house rules that no compiler holds: which crate may use which, what is generated, what is kept out.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

use serde_json::Value;
use tallyseal_tests::top;

fn metadata() -> Value {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--no-deps", "--offline", "--locked"])
        .current_dir(top())
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Crate to what it uses, without what only its tests use. Names without the common beginning.
fn uses(ours: bool) -> BTreeMap<String, BTreeSet<String>> {
    let short = |name: &str| name.trim_start_matches("tallyseal-").to_owned();
    let metadata = metadata();
    let mut uses = BTreeMap::new();
    for package in metadata["packages"].as_array().unwrap() {
        let dependencies = package["dependencies"].as_array().unwrap().iter();
        let names = dependencies
            .filter(|dependency| dependency["kind"].is_null())
            .filter(|dependency| dependency["path"].is_string() == ours)
            .map(|dependency| short(dependency["name"].as_str().unwrap()))
            .collect();
        uses.insert(short(package["name"].as_str().unwrap()), names);
    }
    uses
}

#[test]
fn crates_use_each_other_in_one_direction_only() {
    let allowed: BTreeMap<&str, &[&str]> = BTreeMap::from([
        ("schema", &[] as &[&str]),
        ("control", &["schema"]),
        ("book", &["schema", "control"]),
        ("report", &["schema", "control"]),
        ("press", &["schema", "report"]),
        ("plugin-host", &["schema"]),
        ("machines", &["schema", "plugin-host"]),
        ("verify", &["schema"]),
        ("tallyseal", &["schema", "control", "book", "plugin-host", "machines", "report", "press", "verify"]),
        ("tests", &["schema", "control", "book", "plugin-host", "machines", "report", "press", "verify", "tallyseal"]),
    ]);
    let uses = uses(true);
    assert_eq!(uses.keys().map(String::as_str).collect::<Vec<_>>(), allowed.keys().copied().collect::<Vec<_>>());
    for (name, used) in uses {
        let more: Vec<_> = used.iter().filter(|other| !allowed[name.as_str()].contains(&other.as_str())).collect();
        assert!(more.is_empty(), "{name} uses {more:?}, which its place in the house does not allow");
    }
}

#[test]
fn pure_crates_use_nothing_that_reaches_outside() {
    let allowed: BTreeMap<&str, &[&str]> = BTreeMap::from([
        ("schema", &["base64", "chrono", "ring", "schemars", "serde", "serde_json"] as &[&str]),
        // `schemars` only where a description of the commands is asked for: by the tests, not by the server.
        ("control", &["schemars", "serde", "serde_json"]),
        // The plant's time zone in print, and JSON as it stands in entries.
        ("report", &["chrono", "chrono-tz", "serde", "serde_json"]),
        ("plugin-host", &["regex", "serde", "serde_json", "toml"]),
    ]);
    let uses = uses(false);
    for (name, allowed) in allowed {
        let more: Vec<_> = uses[name].iter().filter(|other| !allowed.contains(&other.as_str())).collect();
        assert!(more.is_empty(), "{name} uses {more:?}: add it here with a reason, or do without");
    }
}

fn sources(folder: &Path, found: &mut Vec<(String, String)>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push((path.display().to_string(), std::fs::read_to_string(&path).unwrap()));
        }
    }
}

/// Text of a file above its tests.
fn without_tests(text: &str) -> &str {
    text.split("#[cfg(test)]").next().unwrap_or(text)
}

#[test]
fn the_rules_reach_for_no_clock_file_network_or_float() {
    let mut found = Vec::new();
    for folder in ["schema/src", "server/control/src", "server/report/src", "server/plugin_host/src"] {
        sources(&top().join(folder), &mut found);
    }
    assert!(found.len() > 30);
    let bans = [
        "Utc::now",
        "SystemTime",
        "Instant::now",
        "std::net",
        "std::env",
        "std::process",
        "std::thread",
        " f32",
        " f64",
        "HashMap",
    ];
    // A crate's own tests may reach outside: for a golden file, or to be told to write one.
    found.retain(|(path, _)| !path.contains("/src/tests/") && !path.ends_with("/testing.rs"));
    for (path, text) in &found {
        for ban in bans {
            assert!(!without_tests(text).contains(ban), "{path} has {ban}");
        }
        // The plugin host reads a folder once, when a plugin is loaded; nothing else in these crates opens a file.
        let reads_folders = path.ends_with("plugin_host/src/folder.rs");
        assert!(reads_folders || !without_tests(text).contains("std::fs"), "{path} opens files");
    }
}

#[test]
fn only_schema_hashes() {
    let mut found = Vec::new();
    sources(&top().join("server"), &mut found);
    for (path, text) in &found {
        for ban in ["ring::digest", "ring::hmac", "sha2::", "Sha256"] {
            assert!(!without_tests(text).contains(ban), "{path} has {ban}: hashing belongs into schema");
        }
    }
}

#[test]
fn generated_files_are_as_the_types_say() {
    for (path, text) in tallyseal_tests::generated::all(&top()) {
        let kept = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(kept == text, "{} is not as generated: cargo run -p tallyseal-tests --bin generate", path.display());
    }
}

/// Path to methods, as the server's own list has them: `page("PATH", "METHODS")`.
fn pages_of_the_server() -> BTreeMap<String, BTreeSet<String>> {
    let text = std::fs::read_to_string(top().join("server/app/src/api.rs")).unwrap();
    let pages = text.split("page(\"").skip(1).map(|rest| {
        let mut words = rest.split('"');
        let path = words.next().unwrap().to_owned();
        let methods = words.nth(1).unwrap().split(", ").map(str::to_owned).collect();
        (path, methods)
    });
    pages.collect()
}

#[test]
fn the_description_of_the_api_has_the_pages_of_the_server_and_no_other() {
    let text = std::fs::read_to_string(top().join("server/app/openapi.json")).unwrap();
    let description: Value = serde_json::from_str(&text).unwrap();
    let mut described: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for (path, item) in description["paths"].as_object().unwrap() {
        // Each act is described by itself; the server has one page for all.
        let act = path.strip_prefix("/api/acts/").map(|_| "/api/acts/{name}".to_owned());
        let methods = item.as_object().unwrap().keys().map(|method| method.to_uppercase());
        described.entry(act.unwrap_or_else(|| path.clone())).or_default().extend(methods);
    }
    let served = pages_of_the_server();
    assert!(served.len() > 10);
    assert_eq!(served, described);
}

#[test]
fn nothing_is_left_unfinished_or_switched_off() {
    let mut found = Vec::new();
    for folder in ["schema", "server", "tests"] {
        sources(&top().join(folder), &mut found);
    }
    // Written apart, so that this file does not find itself.
    let bans = [
        concat!("to", "do!("),
        concat!("unimple", "mented!("),
        concat!("db", "g!("),
        concat!("TO", "DO"),
        concat!("FIX", "ME"),
        concat!("#[ig", "nore"),
    ];
    for (path, text) in &found {
        for ban in bans {
            assert!(!text.contains(ban), "{path} has {ban}");
        }
    }
}

#[test]
fn the_top_level_is_as_agreed() {
    let output =
        Command::new("git").args(["ls-files", "-co", "--exclude-standard"]).current_dir(top()).output().unwrap();
    let listed = String::from_utf8(output.stdout).unwrap();
    let mut names: BTreeSet<&str> = listed.lines().filter_map(|path| path.split('/').next()).collect();
    names.retain(|name| !name.starts_with('.'));
    let agreed = [
        "Cargo.lock",
        "Cargo.toml",
        "DEVELOPERS.md",
        "LICENSE",
        "README.md",
        "deploy",
        "plugins",
        "rustfmt.toml",
        "schema",
        "server",
        "tests",
    ];
    assert_eq!(names.into_iter().collect::<Vec<_>>(), agreed);
}
