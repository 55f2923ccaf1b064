use std::time::Duration;

use serde::Deserialize;

use super::*;

#[derive(Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct Terminal {
    name: At<String>,
    #[serde(default)]
    gates: Vec<Gate>,
    #[serde(default)]
    open_for: Option<Period>,
    #[serde(default)]
    labels: Entries<At<String>, String>,
    #[serde(default)]
    codes: OneOrMany<String>,
}

#[derive(Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct Gate {
    number: u8,
    mode: Mode,
    #[serde(default)]
    password: Option<String>,
}

#[derive(Debug, Deserialize, PartialEq)]
#[serde(rename_all = "kebab-case")]
enum Mode {
    Open,
    Shut,
    OpenFor(Period),
}

fn mistakes(text: &str) -> Vec<String> {
    let mut sources = Sources::default();
    let reading: Reading<Terminal> = sources.read("t.yaml", text);
    reading
        .diagnostics
        .iter()
        .map(ToString::to_string)
        .collect()
}

#[test]
fn a_sound_text_is_read_with_places() {
    let text = "name: north\ngates:\n  - {number: 1, mode: open}\n  - number: 2\n    mode: {open-for: 5s}\n\
                open-for: 1h 30min\nlabels: {a: b, c: 1}\ncodes: 0755\n";
    let (terminal, sources) = read_str::<Terminal>("t.yaml", text).unwrap();
    assert_eq!(terminal.name.value, "north");
    let place = sources.place(terminal.name.span);
    assert_eq!(
        (place.line, place.column, place.text.as_str()),
        (1, 7, "north")
    );
    assert_eq!(
        terminal.gates[1].mode,
        Mode::OpenFor(Period(Duration::from_secs(5)))
    );
    assert_eq!(terminal.open_for, Some(Period(Duration::from_secs(5400))));
    assert_eq!(terminal.codes.0, ["0755"], "text stays as written");
    let labels: Vec<_> = terminal
        .labels
        .iter()
        .map(|(k, v)| (k.as_str(), v.as_str()))
        .collect();
    assert_eq!(labels, [("a", "b"), ("c", "1")]);
}

#[test]
fn every_mistake_is_reported_in_one_reading() {
    let text = "\
nam: north
gates:
  - number: 300
    mode: open
  - number: 2
    mode: opn
  - numer: 3
    mode: open
  - mode: open
  - number: two
    mode: [open]
    number: 4
  - {number: 5, mode: {open-for: 5}}
open-for: soon
codes: {a: b}
";
    assert_eq!(
        mistakes(text),
        [
            "t.yaml:1:1: error: unknown key `nam` (did you mean `name`?)",
            "t.yaml:3:13: error: expected a whole number from 0 to 255",
            "t.yaml:6:11: error: `opn` is not a word that may stand here (did you mean `open`?)",
            "t.yaml:7:5: error: unknown key `numer` (did you mean `number`?)",
            "t.yaml:9:5: error: `number` is missing (add `number: …` beside this)",
            "t.yaml:10:13: error: expected a whole number from 0 to 255, found text",
            "t.yaml:11:11: error: expected a word, or a mapping with one key, found a list",
            "t.yaml:12:5: error: key `number` stands twice; the first stands here: t.yaml:10:5",
            "t.yaml:13:34: error: not a length of time (write a number and a unit: 500ms, 5s, 10min, 1h 30min)",
            "t.yaml:14:11: error: not a length of time (write a number and a unit: 500ms, 5s, 10min, 1h 30min)",
            "t.yaml:15:8: error: expected text, found a mapping",
        ]
    );
}

#[test]
fn what_is_sound_is_still_read_and_what_is_left_out_is_known() {
    let text =
        "name: north\ngates:\n  - {number: 1, mode: open}\n  - {mode: shut, password: lost-one}\n";
    let mut sources = Sources::default();
    let reading: Reading<Terminal> = sources.read("t.yaml", text);
    assert_eq!(reading.diagnostics.len(), 1);
    assert_eq!(reading.value.unwrap().gates.len(), 1);
    assert!(reading.lost.contains("shut"));
}

#[test]
fn syntax_tags_documents_and_aliases() {
    let wrong = |text: &str| mistakes(text).join("\n");
    assert!(wrong("name: [a\n").contains("t.yaml:1:7: error: not YAML: "));
    assert!(wrong("name: !x a\n").contains("a YAML tag has no meaning here"));
    assert!(wrong("name: a\n---\nname: b\n").contains("t.yaml:2:1: error: a second document"));
    assert!(wrong("name: *nowhere\n").contains("not YAML"));
    assert!(wrong("").contains("expected a mapping, found nothing"));
    let good = "name: &n north\ncodes: [*n, *n]\n";
    assert_eq!(
        read_str::<Terminal>("t", good).unwrap().0.codes.0,
        ["north", "north"]
    );
}

/// An alias that repeats aliases can ask for more values than memory holds.
#[test]
fn aliases_of_aliases_are_bounded() {
    let mut text = String::from("codes:\n  - &a0 [x]\n");
    for level in 1..30 {
        let before = format!("*a{}, ", level - 1).repeat(9);
        text.push_str(&format!("  - &a{level} [{before}]\n"));
    }
    assert!(mistakes(&text).join("\n").contains("too large"));
}

#[test]
fn depth_is_bounded() {
    let deep = format!("codes: {}{}\n", "[".repeat(100), "]".repeat(100));
    assert!(mistakes(&deep).join("\n").contains("nested too deeply"));
    let mut through_aliases = String::from("codes:\n");
    for level in 0..100 {
        let inner = match level {
            0 => "x".to_owned(),
            _ => format!("*a{}", level - 1),
        };
        through_aliases.push_str(&format!("  - &a{level} [{inner}]\n"));
    }
    assert!(
        mistakes(&through_aliases)
            .join("\n")
            .contains("nested too deeply")
    );
}

#[test]
fn secrets_are_masked_in_what_is_quoted() {
    let text = "name: north\ngates:\n  - {number: x, mode: open, password: hunter2-é}\n  - number: 1\n    mode: open\n    password: |\n      hunter2\n      hunter3\n    extra: 1\n";
    let mut sources = Sources::default();
    let reading: Reading<Terminal> = sources.read("t.yaml", text);
    let drawn = render(&reading.diagnostics, false);
    assert_eq!(reading.diagnostics.len(), 2, "{drawn}");
    assert!(!drawn.contains("hunter"), "{drawn}");
    assert!(drawn.contains("password: ***"), "{drawn}");

    for broken in [
        "name: [\npassword: hunter2\n",
        "gates:\n  - password: \"hunter2\n",
        "gates: [{number: 1, Password : hunter2, mode: }}\n",
        "a: 1\npassword: |\n   hunter2\n b: [\n",
    ] {
        let found = mistakes(broken);
        let mut sources = Sources::default();
        let reading: Reading<Terminal> = sources.read("t.yaml", broken);
        let drawn = render(&reading.diagnostics, false);
        assert!(!found.is_empty() && !drawn.contains("hunter"), "{drawn}");
    }
}

#[test]
fn drawn_without_a_terminal() {
    let mut sources = Sources::default();
    let reading: Reading<Terminal> = sources.read("t.yaml", "nam: north\n");
    insta::assert_snapshot!(render(&reading.diagnostics, false));
}

#[test]
fn as_json() {
    let mut sources = Sources::default();
    let reading: Reading<Terminal> = sources.read("t.yaml", "name: a\nname: b\n");
    insta::assert_json_snapshot!(reading.diagnostics);
}

proptest::proptest! {
    /// Whatever the text, reading ends without a panic, and places lie within it.
    #[test]
    fn any_text_is_survived(text in "[a-z:\\-\\[\\]{}&*!|>#%\"' \n\té]{0,200}") {
        let mut sources = Sources::default();
        let reading: Reading<Terminal> = sources.read("t.yaml", &text);
        for diagnostic in &reading.diagnostics {
            proptest::prop_assert!(diagnostic.place.line <= text.matches('\n').count() + 1);
        }
        let _ = render(&reading.diagnostics, false);
    }
}
