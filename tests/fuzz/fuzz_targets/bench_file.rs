//! Any text as a bench file: a bench, or mistakes in words.

#![no_main]

use std::path::Path;

use libfuzzer_sys::{fuzz_mutator, fuzz_target};
use portproof::bench::{self, yaml};
use portproof_fuzz::{Texts, words};

const GOOD: [&str; 2] = [
    include_str!("../seeds/bench_file/least"),
    include_str!("../seeds/bench_file/one-switch"),
];

fuzz_mutator!(|data: &mut [u8], size: usize, most: usize, seed: u32| {
    words::mutate(data, size, most, seed, &GOOD)
});

fuzz_target!(|text: &str| {
    let world = Texts(&[("classes.yaml", "holding: held\nclasses:\n  - name: held\n")]);
    match bench::parse(&world, "fuzz.yaml", text, Path::new("")) {
        Ok(loaded) => {
            let shown = format!("{:?}", loaded.bench);
            assert!(!shown.contains("lantern-quay-fuzz-only"), "a secret shows");
        }
        Err(mistakes) => {
            assert!(mistakes.iter().any(|mistake| mistake.is_error()));
            assert!(!yaml::render(&mistakes, false).is_empty());
        }
    }
});
