//! Any text as a class table: a bench that can be asked, or mistakes that each point at a line.

#![no_main]

use std::path::Path;

use libfuzzer_sys::{fuzz_mutator, fuzz_target};
use portproof::bench::{self, Bench, MethodName, spell, yaml};
use portproof::decide::{Facts, decide};
use portproof::roster::Login;
use portproof::wire::{Mac, Packet};
use portproof_fuzz::{BENCH, Texts, start, words};

const GOOD: [&str; 3] = [
    include_str!("../seeds/class_table/forms"),
    include_str!("../seeds/class_table/grant"),
    include_str!("../seeds/class_table/condition"),
];

fuzz_mutator!(|data: &mut [u8], size: usize, most: usize, seed: u32| {
    words::mutate(data, size, most, seed, &GOOD)
});

fuzz_target!(|text: &str| {
    let world = Texts(&[("classes.yaml", text)]);
    match bench::parse(&world, "fuzz.yaml", BENCH, Path::new("")) {
        Ok(loaded) => ask(&loaded.bench),
        Err(mistakes) => {
            assert!(mistakes.iter().any(|mistake| mistake.is_error()));
            for mistake in &mistakes {
                assert!(mistake.place.line >= 1 || mistake.place.file.is_empty());
                assert!(!mistake.message.is_empty());
            }
            assert!(!yaml::render(&mistakes, false).is_empty());
        }
    }
});

/// What was read without a mistake decides and is spelt without one.
fn ask(bench: &Bench) {
    let switch = bench.switches.first().expect("the bench has a switch");
    for class in &bench.table.classes {
        assert!(spell::grant(&class.grant, switch).is_ok(), "{}", class.name);
    }
    let request = [
        &[1, 1, 0, 38][..],
        &[0; 16],
        &[31, 14],
        b"021a7f000066",
        &[5, 4],
        b"\0\x07",
    ]
    .concat();
    let login = Login {
        identity: "purser".to_owned(),
        groups: vec!["office".to_owned()],
        ..Login::default()
    };
    for (method, login) in [(MethodName::Mac, None), (MethodName::Peap, Some(&login))] {
        let decision = decide(
            &Facts {
                now: start(),
                switch,
                port: Some("1/0/7"),
                mac: Some(Mac([0x02, 0x1a, 0x7f, 0, 0, 0x66])),
                method,
                login,
                request: Packet::parse(&request).ok(),
                device: None,
            },
            &bench.table,
        );
        assert!(bench.table.class(&decision.class).is_some());
        assert!(!decision.trace.summary.is_empty());
    }
}
