//! `docs/openapi.json` says what the code says.
//!
//! `PORTPROOF_WRITE=1 cargo test --test openapi` writes it anew.

#[test]
fn the_description_is_that_of_the_code() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/openapi.json");
    let code = portproof::board::api::openapi()
        .to_pretty_json()
        .map(|text| text + "\n")
        .unwrap();
    if std::env::var_os("PORTPROOF_WRITE").is_some() {
        std::fs::write(path, &code).unwrap();
    }
    let file = std::fs::read_to_string(path).unwrap();
    assert!(
        file == code,
        "docs/openapi.json is old: PORTPROOF_WRITE=1 cargo test --test openapi"
    );
}
