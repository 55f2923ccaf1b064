//! Class tables and dialects that ship, within the binary.

/// A file that ships.
#[derive(Debug, Clone, Copy)]
pub struct Shipped {
    /// Name by which a bench file asks for it.
    pub name: &'static str,
    /// Where it lies in the source tree, for diagnostics.
    pub path: &'static str,
    /// Its text.
    pub text: &'static str,
}

macro_rules! shipped {
    ($name:literal, $file:literal) => {
        Shipped {
            name: $name,
            path: concat!("profiles/", $file),
            text: include_str!(concat!("../../profiles/", $file)),
        }
    };
}

/// Class tables.
pub const CLASS_TABLES: &[Shipped] = &[shipped!("lantern-quay", "lantern-quay.classes.yaml")];

/// Dialects.
pub const DIALECTS: &[Shipped] = &[
    shipped!("standard", "standard.dialect.yaml"),
    shipped!("enterprise-9", "enterprise-9.dialect.yaml"),
    shipped!("enterprise-11", "enterprise-11.dialect.yaml"),
    shipped!("enterprise-14823", "enterprise-14823.dialect.yaml"),
];
