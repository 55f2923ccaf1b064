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
