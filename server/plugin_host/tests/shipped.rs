//! The plugins in this repository: those that must pass, and those that must be refused.

use std::fs;
use std::path::{Path, PathBuf};

use tallyseal_plugin_host::{Plugin, check_samples};

fn plugins() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../plugins")
}

/// The folders in `dir`, in order of name.
fn folders(dir: &Path) -> Vec<PathBuf> {
    let mut folders: Vec<PathBuf> = fs::read_dir(dir).unwrap().map(|entry| entry.unwrap().path()).collect();
    folders.retain(|path| path.is_dir());
    folders.sort();
    assert!(!folders.is_empty());
    folders
}

#[test]
fn every_plugin_that_ships_passes_its_own_samples() {
    for dir in folders(&plugins()).into_iter().filter(|dir| !dir.ends_with("misbehaving")) {
        let files = Plugin::read_folder(&dir).unwrap_or_else(|error| panic!("{}: {error}", dir.display()));
        let report = check_samples(&files);
        assert!(report.passed(), "{report}");
        let plugin = report.plugin.unwrap();
        assert_eq!(Some(plugin.name()), dir.file_name().and_then(|name| name.to_str()));
        assert!(files.contains_key("readme.md"), "{} describes its format in readme.md", dir.display());
    }
}

#[test]
fn every_misbehaving_plugin_is_refused_for_its_own_reason() {
    for dir in folders(&plugins().join("misbehaving")) {
        let files = Plugin::read_folder(&dir).unwrap();
        let report = check_samples(&files);
        let refused = String::from_utf8(files["refused.txt"].clone()).unwrap();
        assert!(!report.passed(), "{} passed", dir.display());
        let text = report.to_string();
        assert!(text.contains(refused.trim()), "{}: {refused:?} is not in\n{text}", dir.display());
        assert_eq!(report.faults.len(), 1, "{}: one fault each\n{text}", dir.display());
    }
}

#[test]
fn the_transcript_in_the_handbook_is_what_the_check_says() {
    let readme = fs::read_to_string(plugins().join("README.md")).unwrap();
    let report = check_samples(&Plugin::read_folder(&plugins().join("ticket-line")).unwrap());
    let transcript = format!("$ tallyseal plugin check plugins/ticket-line\n{report}\n```");
    assert!(readme.contains(&transcript), "plugins/README.md should hold\n{transcript}");
}

/// The keys that a table knows are taken from its own refusal of an unknown one, so that none can be forgotten.
#[test]
fn the_handbook_explains_every_key() {
    let readme = fs::read_to_string(plugins().join("README.md")).unwrap();
    let declared = fs::read_to_string(plugins().join("ticket-line/plugin.toml")).unwrap();
    for (before, heading) in [
        ("api = 1", "### The plugin"),
        ("kind = \"line\"", "### `[framing]`"),
        ("emits = \"label\"", "### `[[rule]]`"),
        ("max = 96", "### `[rule.field.NAME]`"),
    ] {
        let section = readme.split(heading).nth(1).unwrap_or_else(|| panic!("no section {heading:?}"));
        let section = section.split("\n### ").next().unwrap();
        let text = declared.replacen(before, &format!("{before}\nbogus = 1"), 1);
        let files = [("plugin.toml".to_owned(), text.into_bytes())].into();
        let refusal = Plugin::load(&files).unwrap_err().to_string();
        let known =
            refusal.split("unknown field `bogus`, expected one of ").nth(1).unwrap_or_else(|| panic!("{refusal}"));
        let known: Vec<&str> = known.trim().split(", ").collect();
        assert!(known.len() > 5, "{known:?}");
        for key in known {
            assert!(section.contains(&format!("| {key} |")), "{heading} does not explain {key}");
        }
    }
}
