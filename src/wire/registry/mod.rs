//! Numbers and names of the IANA registries, one file each.

pub mod attributes;
