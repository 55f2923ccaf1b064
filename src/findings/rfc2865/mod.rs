//! RFC 2865: RADIUS.

mod grants;
mod requests;

pub(super) use grants::GRANTS;
pub(super) use requests::REQUESTS;
