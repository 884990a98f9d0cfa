//! What a declaration may say, beyond what the shipped plugins show.

use tallyseal_plugin_host::{Outcome, Plugin, replay, try_capture};
use tallyseal_schema::observation::Observation;
use tallyseal_schema::plugin_files::Files;

fn files(declaration: &str) -> Files {
    [("plugin.toml".to_owned(), declaration.as_bytes().to_vec())].into()
}

/// A plugin of one rule that makes a total.
fn plugin(framing: &str, rule: &str) -> Result<Plugin, String> {
    let text = format!(
        "api = 1\nname = \"x\"\nversion = \"1.0.0\"\nabout = \"x\"\nemits = [\"total\"]\ncounts = \"pitches\"\n\
         [framing]\n{framing}\n[[rule]]\n{rule}"
    );
    Plugin::load(&files(&text)).map_err(|error| error.to_string())
}

const LINE: &str = "kind = \"line\"\nend = \"\\n\"\nmax = 64\nencoding = \"ascii\"";

fn seen(plugin: &Plugin, bytes: &[u8]) -> Vec<Observation> {
    replay(plugin, bytes, &[]).into_iter().map(|located| located.seen).collect()
}

fn total(value: u32) -> Observation {
    Observation::Total { value }
}

fn unreadable(why: &str) -> Observation {
    Observation::Unreadable { why: why.to_owned() }
}

#[test]
fn a_binary_frame_with_a_low_first_crc_is_read() {
    let plugin = plugin(
        "kind = \"delimited\"\nstart = \"\\u0002\"\nend = \"\\u0003\"\nafter = 2\nbetween = \"\\u0000\"\nmax = 64\n\
         encoding = \"bytes\"",
        r#"pattern = '^(?P<body>\x02C(?P<value>.{4})\x03)(?P<crc>..)$'
emits = "total"
check = { kind = "crc16-modbus", over = "body", equals = "crc", order = "low-first" }
field.value = { type = "integer", order = "high-first" }"#,
    )
    .unwrap();
    // 0x0A inside: a binary frame has no lines. CRC of 02 43 00 00 0A 0A 03 by an independent bitwise computation.
    let body = [0x02, 0x43, 0x00, 0x00, 0x0a, 0x0a, 0x03];
    let crc = {
        let mut crc = 0xffff_u16;
        for byte in body {
            crc ^= u16::from(byte);
            for _ in 0..8 {
                crc = if crc % 2 == 1 { (crc / 2) ^ 0xa001 } else { crc / 2 };
            }
        }
        crc
    };
    let [low, high] = crc.to_le_bytes();
    let mut frame = body.to_vec();
    frame.extend([low, high, 0, 0]);
    assert_eq!(seen(&plugin, &frame), [total(0x0a0a)]);
    frame.swap(7, 8);
    let wrong = seen(&plugin, &frame);
    assert!(
        matches!(&wrong[..], [Observation::Unreadable { why }] if why.starts_with("rule 1: its crc16-modbus")),
        "{wrong:?}"
    );
}

#[test]
fn a_length_prefixed_frame_is_read() {
    let plugin = plugin(
        "kind = \"length-prefixed\"\nlength_bytes = 2\norder = \"high-first\"\nmax = 16\nencoding = \"bytes\"",
        r#"pattern = '^..C(?P<value>[0-9]+)$'
emits = "total"
field.value = { type = "integer" }"#,
    )
    .unwrap();
    assert_eq!(seen(&plugin, b"\0\x03C42\0\x02C7"), [total(42), total(7)]);
}

#[test]
fn a_number_is_read_from_hex_from_words_and_from_several_groups() {
    let with = |field: &str, pattern: &str| {
        plugin(LINE, &format!("pattern = '{pattern}'\nemits = \"total\"\nfield.value = {field}")).unwrap()
    };
    assert_eq!(seen(&with("{ type = \"integer\", radix = 16 }", "^(?P<value>.*)$"), b"fF\n"), [total(255)]);
    let words = with("{ type = \"enum\", map = { one = 1, two = 2 } }", "^(?P<value>.*)$");
    assert_eq!(
        seen(&words, b"two\nthree\n"),
        [total(2), unreadable("rule 1: `value` is \"three\", which is not declared")]
    );
    let joined = with("{ type = \"integer\", group = [\"a\", \"b\"] }", r"^(?P<a>\d)\.(?P<b>\d)$");
    assert_eq!(seen(&joined, b"3.7\n"), [total(37)]);
    assert_eq!(seen(&with("{ constant = 5 }", "^x$"), b"x\n"), [total(5)]);
}

#[test]
fn a_number_is_digits_in_its_range_and_nothing_else() {
    let plugin = plugin(
        LINE,
        "pattern = '^(?P<value>.*)$'\nemits = \"total\"\nfield.value = { type = \"integer\", min = 2, max = 9 }",
    )
    .unwrap();
    let tenth = "99999999999999999999999";
    for (frame, expected) in [
        ("2", total(2)),
        ("09", total(9)),
        ("1", unreadable("rule 1: `value` is 1, less than 2")),
        ("10", unreadable("rule 1: `value` is 10, more than 9")),
        ("", unreadable("rule 1: `value` is \"\", not a whole number of base 10")),
        ("+5", unreadable("rule 1: `value` is \"+5\", not a whole number of base 10")),
        (" 5", unreadable("rule 1: `value` is \" 5\", not a whole number of base 10")),
        (tenth, unreadable(&format!("rule 1: `value` is \"{tenth}\", too large a number"))),
    ] {
        assert_eq!(seen(&plugin, format!("{frame}\n").as_bytes()), [expected], "{frame:?}");
    }
}

#[test]
fn a_pattern_matches_the_whole_frame_also_with_branches() {
    let plugin = plugin(LINE, "pattern = '^a|b$'\nemits = \"total\"\nfield.value = { constant = 1 }").unwrap();
    let no = unreadable("no rule matches this frame");
    assert_eq!(seen(&plugin, b"a\nb\nab\nax\nxb\n"), [total(1), total(1), no.clone(), no.clone(), no]);
}

#[test]
fn a_reason_is_bounded_however_long_the_frame() {
    let framing = "kind = \"whole\"\nmax = 60000\nencoding = \"latin-1\"";
    let rule = "pattern = '^(?P<value>[^x]*)$'\nemits = \"total\"\nfield.value = { type = \"integer\" }";
    for byte in [b'9', b'a', 0xff] {
        let seen = seen(&plugin(framing, rule).unwrap(), &[byte; 50_000]);
        let [Observation::Unreadable { why }] = &seen[..] else { panic!("{seen:?}") };
        assert!(why.chars().count() <= 200, "{why}");
    }
}

/// A ticket with every kind of extra text, in latin-1.
#[test]
fn a_ticket_has_extras_of_every_type() {
    let text = r#"
api = 1
name = "x"
version = "1.0.0"
about = "x"
emits = ["ticket"]
counts = "labels"
[framing]
kind = "line"
end = "\n"
max = 64
encoding = "latin-1"
[[rule]]
pattern = '^(?P<total>\d+);(?P<who>[^;]*);(?P<sure>[YN]);(?P<shift>[^;]*);(?P<lane>\d*)(?:;(?P<rest>.*))?$'
emits = "ticket"
field.total = { type = "integer" }
extra.who = { type = "text", max = 8, trim = true, replace = { "_" = " " } }
extra.sure = { type = "flag", true_when = "Y", false_when = "N" }
extra.shift = { type = "enum", values = ["früh", "spät"] }
extra.lane = { type = "integer", min = 1, max = 4 }
extra.rest = { type = "text" }
extra.site = { constant = "north" }
"#;
    let plugin = Plugin::load(&files(text)).unwrap();
    let fields = |pairs: &[(&str, &str)]| pairs.iter().map(|(k, v)| ((*k).to_owned(), (*v).to_owned())).collect();
    assert_eq!(
        seen(&plugin, b"12;  J_\xe9 ;Y;fr\xfch;3\n5;;N;sp\xe4t;1;\n"),
        [
            Observation::Ticket {
                total: 12,
                fields: fields(&[
                    ("lane", "3"),
                    ("shift", "früh"),
                    ("site", "north"),
                    ("sure", "true"),
                    ("who", "J é")
                ]),
            },
            // An empty text is absent.
            Observation::Ticket {
                total: 5,
                fields: fields(&[("lane", "1"), ("shift", "spät"), ("site", "north"), ("sure", "false")]),
            },
        ]
    );
    assert_eq!(
        seen(&plugin, b"1;123456789;Y;fr\xfch;1\n"),
        [unreadable("rule 1: `who` has 9 characters, more than 8")]
    );
}

#[test]
fn an_ignored_frame_leaves_nothing_but_its_check_is_held() {
    let text = format!(
        "api = 1\nname = \"x\"\nversion = \"1.0.0\"\nabout = \"x\"\nemits = [\"started\"]\ncounts = \"labels\"\n\
         [framing]\n{LINE}\n[[rule]]\npattern = '^S$'\nemits = \"started\"\n[[rule]]\nabout = \"keep-alive\"\n\
         pattern = '^(?P<body>K)(?P<sum>..)$'\nignore = true\ncheck = {{ kind = \"xor\", over = \"body\", equals = \"sum\" }}"
    );
    let plugin = Plugin::load(&files(&text)).unwrap();
    let tried = try_capture(&plugin, b"K4b\nK4C\nS\n");
    assert_eq!(tried[0].outcome, Outcome::Ignored);
    assert_eq!((tried[0].rule, tried[0].line()), (Some(2), None));
    assert_eq!(tried[1].outcome, Outcome::Unreadable("rule 2: its xor check gives 4B, but the frame says 4C".into()));
    assert_eq!(
        tried[1].to_string(),
        "4-8  K4C\\n\n    rule 2: {\"from\":4,\"seen\":{\"kind\":\"unreadable\",\"why\":\"rule 2: its xor check gives 4B, but the frame says 4C\"},\"to\":8}"
    );
    assert_eq!(tried[2].outcome, Outcome::Seen(Observation::Started {}));
    assert_eq!((tried[2].from, tried[2].to), (8, 10));
}

#[test]
fn a_frame_that_is_not_of_its_encoding_says_where() {
    let utf8 = plugin(
        "kind = \"line\"\nend = \"\\n\"\nmax = 64\nencoding = \"utf-8\"",
        "pattern = '^é(?P<value>[0-9])$'\nemits = \"total\"\nfield.value = { type = \"integer\" }",
    )
    .unwrap();
    assert_eq!(seen(&utf8, "é7\n".as_bytes()), [total(7)]);
    assert_eq!(seen(&utf8, b"ab\xff\n"), [unreadable("not UTF-8 from place 3 of the frame on")]);
}

/// Each refusal names the key and what to write instead.
#[test]
fn a_declaration_that_cannot_be_is_refused_in_a_sentence() {
    let rule = |field: &str| format!("pattern = '^(?P<value>.)$'\nemits = \"total\"\nfield.value = {field}");
    let good = rule("{ type = \"integer\" }");
    assert!(plugin(LINE, &good).is_ok());
    for (framing, rule, expected) in [
        (LINE, "pattern = '^x$'".to_owned(), "it needs `emits`, or `ignore = true`"),
        (LINE, "pattern = '^x$'\nemits = \"total\"".to_owned(), "`total` needs [rule.field.value]"),
        (LINE, "emits = \"total\"".to_owned(), "missing field `pattern`"),
        (LINE, format!("{good}\nfield.lane = {{ constant = 1 }}"), "`total` has no field `lane`; its fields: value"),
        (LINE, format!("{good}\nextra.x = {{ constant = \"1\" }}"), "only `ticket` has"),
        (LINE, format!("ignore = true\n{good}"), "it has `ignore` and `emits`"),
        (LINE, rule("{}"), "it needs `type` (integer, text, flag, enum) or `constant`"),
        (LINE, rule("{ type = \"text\" }"), "this is a number"),
        (LINE, rule("{ type = \"flag\", true_when = \"x\" }"), "this is a number"),
        (LINE, rule("{ type = \"float\" }"), "unknown variant `float`, expected one of"),
        (
            LINE,
            rule("{ type = \"integer\", trim = true }"),
            "`trim` does not go with type `integer`, which knows: group",
        ),
        (LINE, rule("{ type = \"integer\", radix = 37 }"), "`radix` is 37; it must be 2 to 36"),
        (LINE, rule("{ type = \"integer\", radix = 16, order = \"low-first\" }"), "not both"),
        (LINE, rule("{ type = \"integer\", min = 3, max = 2 }"), "`min` is 3, more than `max`"),
        (LINE, rule("{ type = \"integer\", min = -1 }"), "`min` is -1; it must be 0 to"),
        (LINE, rule("{ constant = 1, group = \"value\" }"), "`group` does not go with `constant`"),
        (LINE, rule("{ type = \"enum\", map = { a = \"x\" } }"), "`map` must give a whole number for `a`"),
        (LINE, rule("{ type = \"enum\", map = { \"é\" = 1 } }"), "cannot stand in a frame of this encoding"),
        (LINE, good.replace("'^", "'^é"), "write such a byte as \\xHH"),
        (LINE, good.replace(")$'", ")(?P<value>.)$'"), "duplicate"),
        (
            LINE,
            format!("{good}\ncheck = {{ kind = \"xor\", over = \"body\", equals = \"value\" }}"),
            "check.over: the pattern has no group `body`; its groups: value",
        ),
        ("kind = \"line\"\nend = \"\\n\"\nencoding = \"ascii\"", good.clone(), "kind `line` needs `max`"),
        ("kind = \"line\"\nend = \"\"\nmax = 1\nencoding = \"ascii\"", good.clone(), "`end` must be 1 to 8 bytes"),
        (
            "kind = \"line\"\nsize = 1\nend = \"x\"\nmax = 1\nencoding = \"ascii\"",
            good.clone(),
            "`size` does not go with kind `line`",
        ),
        ("kind = \"whole\"\nmax = 0\nencoding = \"ascii\"", good.clone(), "`max` is 0; it must be 1 to 65536"),
        ("kind = \"whole\"\nmax = 1\nencoding = \"ebcdic\"", good.clone(), "unknown variant `ebcdic`"),
        (
            "kind = \"delimited\"\nend = \"x\"\nmax = 1\nencoding = \"ascii\"",
            good.clone(),
            "kind `delimited` needs `start`",
        ),
        ("kind = \"fixed\"\nencoding = \"ascii\"", good.clone(), "kind `fixed` needs `size`"),
        (
            "kind = \"fixed\"\nsize = 4\nbetween = \"x\"\nencoding = \"ascii\"",
            good.clone(),
            "`between` needs a `start`",
        ),
        (
            "kind = \"length-prefixed\"\nmax = 4\nlength_bytes = 3\nencoding = \"ascii\"",
            good.clone(),
            "`length_bytes` = 1, 2 or 4",
        ),
        ("kind = \"length-prefixed\"\nmax = 4\nlength_bytes = 2\nencoding = \"ascii\"", good.clone(), "needs `order`"),
    ] {
        let error = plugin(framing, &rule).map(|_| "it was taken".to_owned()).unwrap_or_else(|error| error);
        assert!(error.contains(expected), "{expected:?} is not in {error:?}");
    }
}
