//! The engine in simulated time, with a switch whose answers the tests sign.

mod answers;
mod guards;
mod layout;
mod timing;
mod world;
