//! The plugin that reads the demo's table: the one in `plugins/ticket-line`, taken into the binary.

use tallyseal_schema::plugin_files::Files;

/// Every file of the folder; a test holds the list complete.
const FILES: &[(&str, &[u8])] = &[
    ("plugin.toml", include_bytes!("../../../../plugins/ticket-line/plugin.toml")),
    ("readme.md", include_bytes!("../../../../plugins/ticket-line/readme.md")),
    ("samples/every-fault.capture", include_bytes!("../../../../plugins/ticket-line/samples/every-fault.capture")),
    (
        "samples/every-fault.expected.jsonl",
        include_bytes!("../../../../plugins/ticket-line/samples/every-fault.expected.jsonl"),
    ),
    ("samples/noise.capture", include_bytes!("../../../../plugins/ticket-line/samples/noise.capture")),
    ("samples/noise.expected.jsonl", include_bytes!("../../../../plugins/ticket-line/samples/noise.expected.jsonl")),
    ("samples/plain-roll.capture", include_bytes!("../../../../plugins/ticket-line/samples/plain-roll.capture")),
    (
        "samples/plain-roll.expected.jsonl",
        include_bytes!("../../../../plugins/ticket-line/samples/plain-roll.expected.jsonl"),
    ),
];

/// Its files.
pub(super) fn files() -> Files {
    FILES.iter().map(|(path, bytes)| ((*path).to_owned(), bytes.to_vec())).collect()
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use tallyseal_plugin_host::Plugin;

    use super::*;

    #[test]
    fn the_demo_carries_the_whole_plugin() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../plugins/ticket-line");
        assert_eq!(files(), Plugin::read_folder(&folder).unwrap());
    }
}
