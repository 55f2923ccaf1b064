//! RFC 5176: dynamic authorization.

mod answers;
mod deeds;

pub(super) use answers::ANSWERS;
pub(super) use deeds::DEEDS;
