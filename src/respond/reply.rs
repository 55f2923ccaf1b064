//! Answers: how each begins and ends. Every answer of this room passes [`finish`].

use super::arrival::Request;
use crate::wire::registry::attributes;
use crate::wire::{BuildError, Builder, Code};

/// An answer with its Message-Authenticator first, where forging it would need most work (the
/// attack of 2024 on MD5 responses; RFC 3579 section 3.2 leaves the place open).
pub(super) fn start(code: Code, request: &Request<'_>) -> Result<Builder, BuildError> {
    let mut builder = Builder::new(code, request.packet.identifier());
    builder.message_authenticator()?;
    Ok(builder)
}

/// An answer without attributes of its own (RFC 2866 section 4.2).
pub(super) fn bare(code: Code, request: &Request<'_>) -> Builder {
    Builder::new(code, request.packet.identifier())
}

/// Copies every Proxy-State of the request, in order (RFC 2865 section 5.33).
pub(super) fn echo_proxy_state(
    builder: &mut Builder,
    request: &Request<'_>,
) -> Result<(), BuildError> {
    for state in request.packet.all(attributes::PROXY_STATE) {
        builder.push(state.kind, state.value)?;
    }
    Ok(())
}

/// Signs an answer.
pub(super) fn finish(builder: Builder, request: &Request<'_>) -> Vec<u8> {
    builder.finish_response(request.packet.authenticator(), &request.switch.secret)
}
