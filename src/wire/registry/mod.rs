//! Numbers and names of the IANA registries, one file each.

pub mod attributes;
pub mod data_type;
pub mod error_cause;
pub mod values;

pub use data_type::DataType;
pub use error_cause::ErrorCause;
