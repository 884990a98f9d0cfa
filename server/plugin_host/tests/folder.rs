//! A plugin's folder is read strictly: what could make two readings differ is refused.

use std::fs;
use std::os::unix::fs::symlink;
use std::path::Path;

use tallyseal_plugin_host::Plugin;

fn folder(paths: &[&str]) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    for path in paths {
        let at = dir.path().join(path);
        fs::create_dir_all(at.parent().unwrap()).unwrap();
        fs::write(at, path.as_bytes()).unwrap();
    }
    dir
}

#[track_caller]
fn refused(dir: &Path, expected: &str) {
    let error = Plugin::read_folder(dir)
        .map(|files| format!("it was read: {:?}", files.keys()))
        .unwrap_or_else(|e| e.to_string());
    assert!(error.contains(expected), "{expected:?} is not in {error:?}");
}

#[test]
fn every_file_is_read_with_its_path() {
    let dir = folder(&["plugin.toml", "samples/a.capture", "samples/more/b.capture"]);
    let files = Plugin::read_folder(dir.path()).unwrap();
    let paths: Vec<&str> = files.keys().map(String::as_str).collect();
    assert_eq!(paths, ["plugin.toml", "samples/a.capture", "samples/more/b.capture"]);
    assert!(files.iter().all(|(path, contents)| path.as_bytes() == contents));
}

#[test]
fn what_is_no_plain_file_is_refused() {
    refused(folder(&[]).path(), "at least one file");
    refused(folder(&["plugin.toml", ".git/config"]).path(), ".git");
    refused(folder(&["plugin.toml", ".hidden"]).path(), ".hidden");
    refused(folder(&["plugin.toml", "a/b/c/d"]).path(), "at most 3 parts");
    refused(folder(&["plugin.toml", "sample s/x"]).path(), "is not a plugin file's path");
    refused(folder(&["plugin.toml", "README.md"]).path(), "call it \"readme.md\"");
    refused(Path::new("/nonexistent/plugin"), "could not be read");

    let dir = folder(&["plugin.toml"]);
    symlink("/etc/hostname", dir.path().join("host")).unwrap();
    refused(dir.path(), "is a link");
    let dir = folder(&["plugin.toml"]);
    symlink("/etc", dir.path().join("etc")).unwrap();
    refused(dir.path(), "is a link");
    let dir = folder(&["plugin.toml"]);
    let socket = std::os::unix::net::UnixListener::bind(dir.path().join("socket")).unwrap();
    refused(dir.path(), "is a link, a device or the like");
    drop(socket);
}

#[test]
fn a_folder_has_its_bounds() {
    let names: Vec<String> = (0..64).map(|at| format!("f{at}")).collect();
    let dir = folder(&names.iter().map(String::as_str).collect::<Vec<_>>());
    assert_eq!(Plugin::read_folder(dir.path()).unwrap().len(), 64);
    fs::write(dir.path().join("more"), "").unwrap();
    refused(dir.path(), "at most 64 files");

    let dir = folder(&["plugin.toml"]);
    fs::write(dir.path().join("large"), vec![0; 1024 * 1024]).unwrap();
    assert!(Plugin::read_folder(dir.path()).is_ok());
    fs::write(dir.path().join("large"), vec![0; 1024 * 1024 + 1]).unwrap();
    refused(dir.path(), "large is larger than 1048576 bytes");
}
