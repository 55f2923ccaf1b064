//! What an answer costs in allocations. Each row that the decision tries adds a few, for its line
//! of the trace; these requests try two rows. The bounds are what was counted, with a margin for
//! other versions of the standard library; they catch a storm, not a drizzle.

use super::rig::*;
use crate::journal::Link;

fn allocations(rig: &mut Rig, octets: &[u8]) -> u64 {
    let counted = allocation_counter::measure(|| {
        std::hint::black_box(rig.responder.handle(
            at(1),
            &mut rig.roster,
            Link::Authentication,
            AUTHENTICATION.parse().unwrap(),
            PEER.parse().unwrap(),
            octets,
            &mut rig.rng,
        ));
    });
    counted.count_total
}

#[test]
fn an_answer_costs_few_allocations() {
    let mut rig = Rig::new();
    let requests: Vec<Vec<u8>> = (1..=3)
        .map(|identifier| Asking::mac(identifier, PRINTER, "7").octets())
        .collect();
    // The first two pay for tables that grow and for the session.
    allocations(&mut rig, &requests[0]);
    allocations(&mut rig, &requests[1]);
    let renewed = allocations(&mut rig, &requests[2]);
    assert!(renewed <= 40, "{renewed}");
    let repeated = allocations(&mut rig, &requests[2]);
    assert!(repeated <= 16, "{repeated}");
}
