//! Any bytes, in any pieces: no panic, the same observations, every one of them within its bounds.

use std::path::Path;
use std::sync::LazyLock;

use proptest::prelude::*;
use tallyseal_plugin_host::{Plugin, Session, replay, try_capture};
use tallyseal_schema::observation::{Located, Observation};

static TICKET_LINE: LazyLock<Plugin> = LazyLock::new(|| {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../plugins/ticket-line");
    Plugin::load(&Plugin::read_folder(&dir).unwrap()).unwrap()
});

/// A plugin whose rules take nearly anything, so that fields and checks see nearly anything.
static GREEDY: LazyLock<Plugin> = LazyLock::new(|| {
    let text = r#"
api = 1
name = "greedy"
version = "1.0.0"
about = "Takes nearly anything"
emits = ["alarm", "label"]
counts = "labels"
[framing]
kind = "delimited"
start = "\u0002"
end = "\u0003"
after = 1
max = 24
encoding = "bytes"
[[rule]]
pattern = '^\x02A(?P<body>.*)\x03(?P<lrc>.)$'
emits = "alarm"
check = { kind = "lrc", over = "body", equals = "lrc", order = "high-first" }
field.code = { constant = "X" }
field.text = { type = "text", group = "body", max = 12, trim = true, replace = { "a" = "bbbbbbbb" } }
[[rule]]
pattern = '^\x02(?P<ordinal>.{0,9})(?P<code>.*)\x03.$'
emits = "label"
field.ordinal = { type = "integer", order = "low-first" }
field.code = { type = "text" }
"#;
    Plugin::load(&[("plugin.toml".to_owned(), text.as_bytes().to_vec())].into()).unwrap()
});

fn in_pieces(plugin: &Plugin, bytes: &[u8], sizes: &[usize]) -> Vec<Located> {
    let mut session = Session::new(plugin);
    let mut out = Vec::new();
    let mut rest = bytes;
    for size in sizes.iter().cycle() {
        if rest.is_empty() {
            break;
        }
        let (piece, more) = rest.split_at((*size).min(rest.len()));
        session.feed(piece, &mut out);
        assert!(session.read_to() <= session.fed_to());
        rest = more;
    }
    session.finish(&mut out);
    assert_eq!((session.read_to(), session.fed_to()), (bytes.len() as u64, bytes.len() as u64));
    out
}

/// Lines that are nearly right, so that the rules are reached and not only the framer.
fn nearly_lines() -> impl Strategy<Value = Vec<u8>> {
    let line = ("[LCUWMJSHBEZVATK]", "(;[A-Z]?[0-9]{0,7}){0,5}", any::<bool>(), "[0-9A-F]{2}").prop_map(
        |(letter, rest, right, wrong)| {
            let body = format!("{letter}{rest}");
            let sum = body.bytes().fold(0, |sum, byte| sum ^ byte);
            let sum = if right { format!("{sum:02X}") } else { wrong };
            format!("{body};{sum}\r\n").into_bytes()
        },
    );
    let noise = prop::collection::vec(any::<u8>(), 0..200);
    prop::collection::vec(prop_oneof![9 => line, 1 => noise], 0..40).prop_map(|lines| lines.concat())
}

fn greedy_frames() -> impl Strategy<Value = Vec<u8>> {
    let byte = prop_oneof![prop::sample::select(b"\x02\x03Aa ".to_vec()), any::<u8>()];
    prop::collection::vec(byte, 0..300)
}

fn check(plugin: &Plugin, bytes: &[u8], sizes: &[usize]) -> Result<(), TestCaseError> {
    let whole = replay(plugin, bytes, &[]);
    prop_assert_eq!(&whole, &in_pieces(plugin, bytes, sizes));
    let tried: Vec<String> = try_capture(plugin, bytes).iter().filter_map(|tried| tried.line()).collect();
    let lines: Vec<String> = whole.iter().map(|located| String::from_utf8(located.line().unwrap()).unwrap()).collect();
    prop_assert_eq!(tried, lines);
    let mut end = 0;
    for located in &whole {
        prop_assert!(end <= located.from && located.from < located.to && located.to <= bytes.len() as u64);
        end = located.to;
        match &located.seen {
            Observation::Unreadable { why } => prop_assert!(!why.is_empty() && why.chars().count() <= 200),
            other => prop_assert!(plugin.emits().contains(&other.name())),
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn ticket_lines_in_any_pieces(bytes in nearly_lines(), sizes in prop::collection::vec(1..300_usize, 1..20)) {
        check(&TICKET_LINE, &bytes, &sizes)?;
    }

    #[test]
    fn binary_frames_in_any_pieces(bytes in greedy_frames(), sizes in prop::collection::vec(1..40_usize, 1..20)) {
        check(&GREEDY, &bytes, &sizes)?;
    }

    /// A loss of the link at any places, told again to a replay, gives the same observations.
    #[test]
    fn a_replay_is_told_where_the_link_was_lost(bytes in nearly_lines(), cuts in prop::collection::btree_set(0..400_u64, 0..4)) {
        let cuts: Vec<u64> = cuts.into_iter().filter(|at| *at <= bytes.len() as u64).collect();
        let mut session = Session::new(&TICKET_LINE);
        let mut live = Vec::new();
        for (at, byte) in (0..).zip(&bytes) {
            if cuts.contains(&at) {
                session.link_lost(&mut live);
            }
            session.feed(std::slice::from_ref(byte), &mut live);
        }
        if cuts.contains(&(bytes.len() as u64)) {
            session.link_lost(&mut live);
        }
        session.finish(&mut live);
        prop_assert_eq!(live, replay(&TICKET_LINE, &bytes, &cuts));
    }

    /// Whatever stands in `plugin.toml`, loading it answers.
    #[test]
    fn any_declaration_is_loaded_or_refused(
        key in "(api|name|max|end|kind|encoding|pattern|emits|type|min|check|group|counts|about)",
        value in prop_oneof!["-?[0-9]{1,12}", "\"[ -~]{0,12}\"", "'[ -&(-~]{0,24}'", "\\[[0-9, \"a-z]{0,12}\\]", "\\PC{0,16}"],
    ) {
        let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../plugins/ticket-line/plugin.toml");
        let text = std::fs::read_to_string(dir).unwrap();
        let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
        for line in &mut lines {
            if line.split_once(" = ").is_some_and(|(k, _)| k == key) {
                *line = format!("{key} = {value}");
            }
        }
        let files = [("plugin.toml".to_owned(), lines.join("\n").into_bytes())].into();
        if let Err(error) = Plugin::load(&files) {
            prop_assert!(!error.to_string().is_empty());
        }
    }
}
