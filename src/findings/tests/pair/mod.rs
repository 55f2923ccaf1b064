//! Engine and stand-in as a pair in simulated time: what the stand-in does wrong is found, and a
//! good one gives nothing to find.

mod bench;
mod scenes;
mod storm;
pub(super) mod table;
mod world;
