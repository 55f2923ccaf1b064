//! The examples of the documentation are read by the code that they are about.

#![allow(clippy::unwrap_used, clippy::panic)]

use portproof::bench::yaml;
use portproof::stand_in::StandInConfig;

/// The YAML blocks of a page.
fn blocks(page: &str) -> Vec<String> {
    let text = std::fs::read_to_string(page).unwrap();
    text.split("```yaml\n")
        .skip(1)
        .map(|rest| rest.split("```").next().unwrap().to_owned())
        .collect()
}

#[test]
fn the_stand_in_reference_is_a_stand_in() {
    let blocks = blocks("docs/reference-stand-in.md");
    assert_eq!(blocks.len(), 1);
    let (config, _) = yaml::read_str::<StandInConfig>("reference-stand-in.md", &blocks[0])
        .unwrap_or_else(|mistakes| panic!("{}", yaml::render(&mistakes, false)));
    config.check().unwrap();
}

#[test]
fn the_shipped_stand_in_is_sound() {
    let (config, _) =
        yaml::read_file::<StandInConfig>("lab/stand-ins/quay-1.yaml".as_ref()).unwrap();
    config.check().unwrap();
}
