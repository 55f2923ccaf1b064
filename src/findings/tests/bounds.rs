//! Long journals: what is remembered and kept stays bounded.

use super::script::{Reply, Script};
use crate::wire::registry::attributes as a;

#[test]
fn a_finding_counts_all_and_keeps_the_first_five() {
    let mut s = Script::new();
    for _ in 0..40 {
        let request = s.mac().without(a::NAS_PORT_TYPE);
        s.send(&request, Reply::Reject);
        s.wait(60.0);
        s.next_session();
    }
    let found = s.findings();
    let [finding] = found.as_slice() else {
        panic!("{found:?}");
    };
    assert_eq!(finding.count, 40);
    let entries: Vec<u64> = finding
        .examples
        .iter()
        .map(|example| example.packets[0].entry)
        .collect();
    assert_eq!(entries, [1, 2, 3, 4, 5]);
    assert_eq!(finding.first, s.entries()[0].at);
    assert_eq!(finding.last, s.entries()[39].at);
}
