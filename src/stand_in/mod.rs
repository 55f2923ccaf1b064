//! The switch that is not there: ports, timers and the devices on them.

pub mod supplicant;
