use std::collections::BTreeMap;
use std::io;
use std::path::PathBuf;

use super::*;
use crate::bench::yaml::render;

/// Files and variables of the test, then those that ship.
#[derive(Default)]
struct Given {
    files: BTreeMap<&'static str, &'static str>,
    variables: BTreeMap<&'static str, &'static str>,
}

impl World for Given {
    fn read(&self, path: &Path) -> io::Result<String> {
        match self.files.get(path.to_str().unwrap()) {
            Some(text) => Ok((*text).to_owned()),
            None => ThisComputer.read(path),
        }
    }

    fn has(&self, path: &Path) -> bool {
        self.files.contains_key(path.to_str().unwrap())
    }

    fn variable(&self, name: &str) -> Option<String> {
        self.variables.get(name).map(|text| (*text).to_owned())
    }
}

fn given(files: &[(&'static str, &'static str)]) -> Given {
    Given {
        files: files.iter().copied().collect(),
        variables: BTreeMap::from([("SWITCH_SECRET", "a secret of the environment")]),
    }
}

fn shipped(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

#[test]
fn every_bench_file_that_ships_is_clean() {
    for name in ["lab/lantern-quay.yaml", "lab/one-switch.yaml"] {
        match load_in(&given(&[]), &shipped(name)) {
            Ok(loaded) => assert!(
                loaded.warnings.is_empty(),
                "{}",
                render(&loaded.warnings, false)
            ),
            Err(found) => panic!("{}", render(&found, false)),
        }
    }
}

/// RFC 5080 section 2.2.2: 5 to 30 s.
#[test]
fn answers_are_kept_within_the_bounds_of_rfc_5080() {
    let bench = |keep: &str| {
        let text = format!(
            "bench: b\nclasses: {{ holding: h, classes: [{{ name: h }}] }}\n\
             switches: [{{ name: s, address: 192.0.2.1, secret: at-least-sixteen, dialect: standard }}]\n\
             answers: {{ keep: {keep}, reasons: true }}\n"
        );
        parse_str("b.yaml", &text)
    };
    for (keep, right) in [("5s", true), ("30s", true), ("4s", false), ("31s", false)] {
        match bench(keep) {
            Ok(loaded) => {
                assert!(right, "{keep}");
                assert!(loaded.bench.answers.reasons);
            }
            Err(found) => {
                let text = render(&found, false);
                assert!(!right && text.contains("5s to 30s"), "{text}");
            }
        }
    }
}
