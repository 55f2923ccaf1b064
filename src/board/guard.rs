//! Who may ask, and from where.
//!
//! A page of somebody else, open in the same browser, must neither read the board nor do anything
//! on it: by a name of its own that it lets point here (the Host check), or by a form or script
//! (the Origin and Sec-Fetch-Site checks). Programs send none of these but Host.

use std::net::IpAddr;
use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::header::{AUTHORIZATION, HOST, ORIGIN};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use subtle::ConstantTimeEq;

use super::api::Problem;
use super::{Access, Board};

const SEC_FETCH_SITE: HeaderName = HeaderName::from_static("sec-fetch-site");

impl Access {
    fn admits(&self, request: &Request) -> Result<(), Problem> {
        let headers = request.headers();
        let host = self.check_host(headers)?;
        check_site(request.method(), headers, host)?;
        if is_public(request.uri().path()) {
            return Ok(());
        }
        self.check_bearer(headers)
    }

    fn check_host<'h>(&self, headers: &'h HeaderMap) -> Result<&'h str, Problem> {
        let host = text(headers, &HOST)
            .ok_or_else(|| Problem::new(StatusCode::BAD_REQUEST, "the request has no Host"))?;
        let name = name_of(host);
        let known = name.eq_ignore_ascii_case("localhost")
            || name.trim_matches(['[', ']']).parse::<IpAddr>().is_ok()
            || self.names.iter().any(|own| own.eq_ignore_ascii_case(name));
        if known {
            Ok(host)
        } else {
            Err(Problem::new(
                StatusCode::MISDIRECTED_REQUEST,
                "the board does not go by this name: use its address, or --board-name NAME",
            ))
        }
    }

    fn check_bearer(&self, headers: &HeaderMap) -> Result<(), Problem> {
        let Some(token) = &self.token else {
            return Ok(());
        };
        let given = text(headers, &AUTHORIZATION)
            .and_then(|value| value.strip_prefix("Bearer "))
            .unwrap_or_default();
        if bool::from(given.as_bytes().ct_eq(token.bytes())) {
            Ok(())
        } else {
            Err(Problem::new(
                StatusCode::UNAUTHORIZED,
                "this board wants its token: 'Authorization: Bearer …'",
            ))
        }
    }
}

/// The page's own files and the health check hold nothing of the bench.
fn is_public(path: &str) -> bool {
    !path.starts_with("/api/") && path != "/metrics"
}

fn name_of(host: &str) -> &str {
    match host.rfind(':') {
        // Not the colons within an IPv6 address.
        Some(colon) if !host.get(colon..).unwrap_or_default().contains(']') => {
            host.get(..colon).unwrap_or(host)
        }
        _ => host,
    }
}

fn check_site(method: &Method, headers: &HeaderMap, host: &str) -> Result<(), Problem> {
    let refused = || {
        Problem::new(
            StatusCode::FORBIDDEN,
            "this came from the page of another site",
        )
    };
    let site = text(headers, &SEC_FETCH_SITE);
    if method.is_safe() {
        return match site {
            Some("cross-site") if is_read_by_script(headers) => Err(refused()),
            _ => Ok(()),
        };
    }
    if !matches!(site, None | Some("same-origin" | "none")) {
        return Err(refused());
    }
    let Some(origin) = text(headers, &ORIGIN) else {
        return if headers.contains_key(ORIGIN) {
            Err(refused())
        } else {
            Ok(())
        };
    };
    let own = origin
        .strip_prefix("http://")
        .or_else(|| origin.strip_prefix("https://"))
        .is_some_and(|rest| rest.eq_ignore_ascii_case(host));
    if own { Ok(()) } else { Err(refused()) }
}

/// Following a link to the board is fine, fetching from it is not.
fn is_read_by_script(headers: &HeaderMap) -> bool {
    const SEC_FETCH_MODE: HeaderName = HeaderName::from_static("sec-fetch-mode");
    text(headers, &SEC_FETCH_MODE) != Some("navigate")
}

fn text<'h>(headers: &'h HeaderMap, name: &HeaderName) -> Option<&'h str> {
    headers.get(name)?.to_str().ok()
}

/// Lets a request in or not, and sets what every response carries.
pub(super) async fn stand(
    State(board): State<Arc<Board>>,
    request: Request,
    next: Next,
) -> Response {
    let mut response = match board.access.admits(&request) {
        Ok(()) => next.run(request).await,
        Err(problem) => problem.into_response(),
    };
    let headers = response.headers_mut();
    for (name, value) in FIXED {
        headers
            .entry(name)
            .or_insert(HeaderValue::from_static(value));
    }
    response
}

const FIXED: [(HeaderName, &str); 6] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; \
         connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::CACHE_CONTROL, "no-store"),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
];

#[cfg(test)]
mod tests {
    use axum::body::Body;

    use super::*;
    use crate::wire::Secret;

    fn request(method: &str, path: &str, headers: &[(&str, &str)]) -> Request {
        let mut builder = Request::builder().method(method).uri(path);
        for (name, value) in headers {
            builder = builder.header(*name, *value);
        }
        builder.body(Body::empty()).unwrap()
    }

    fn status(guard: &Access, request: &Request) -> u16 {
        guard
            .admits(request)
            .map_or_else(|problem| problem.status().as_u16(), |()| 200)
    }

    fn open() -> Access {
        Access {
            token: None,
            names: vec!["bench.quay.example".into()],
        }
    }

    #[test]
    fn only_addresses_and_own_names_are_taken_as_host() {
        for (host, expected) in [
            ("127.0.0.1:8312", 200),
            ("[::1]:8312", 200),
            ("[::1]", 200),
            ("localhost:8312", 200),
            ("LOCALHOST", 200),
            ("192.0.2.7", 200),
            ("bench.quay.example:8312", 200),
            ("evil.example:8312", 421),
            ("localhost.evil.example", 421),
            ("127.0.0.1.evil.example:8312", 421),
            ("", 421),
        ] {
            let asked = request("GET", "/api/bench", &[("host", host)]);
            assert_eq!(status(&open(), &asked), expected, "{host}");
        }
        assert_eq!(status(&open(), &request("GET", "/api/bench", &[])), 400);
    }

    #[test]
    fn other_sites_do_nothing() {
        let host = ("host", "127.0.0.1:8312");
        for (extra, expected) in [
            (vec![], 200),
            (vec![("origin", "http://127.0.0.1:8312")], 200),
            (vec![("sec-fetch-site", "same-origin")], 200),
            (vec![("origin", "http://evil.example")], 403),
            (vec![("origin", "http://127.0.0.1:9999")], 403),
            (vec![("origin", "http://127.0.0.1")], 403),
            (vec![("origin", "null")], 403),
            (vec![("sec-fetch-site", "cross-site")], 403),
            (vec![("sec-fetch-site", "same-site")], 403),
            (
                vec![
                    ("sec-fetch-site", "same-origin"),
                    ("origin", "http://evil.example"),
                ],
                403,
            ),
        ] {
            let mut headers = vec![host];
            headers.extend(extra.clone());
            for method in ["POST", "PUT", "DELETE", "PATCH"] {
                let asked = request(method, "/api/changes", &headers);
                assert_eq!(status(&open(), &asked), expected, "{method} {extra:?}");
            }
        }
    }

    #[test]
    fn other_sites_read_nothing_but_may_link_here() {
        let host = ("host", "127.0.0.1:8312");
        let cross = ("sec-fetch-site", "cross-site");
        let asked = request(
            "GET",
            "/api/bench",
            &[host, cross, ("sec-fetch-mode", "no-cors")],
        );
        assert_eq!(status(&open(), &asked), 403);
        let asked = request("GET", "/", &[host, cross, ("sec-fetch-mode", "navigate")]);
        assert_eq!(status(&open(), &asked), 200);
    }

    #[test]
    fn with_a_token_nothing_of_the_bench_goes_without_it() {
        let guard = Access {
            token: Some(Secret::new("a-token-of-some-length")),
            names: Vec::new(),
        };
        let host = ("host", "192.0.2.7:8312");
        for (method, path) in [
            ("GET", "/api/entries"),
            ("GET", "/api/live"),
            ("POST", "/api/changes"),
            ("GET", "/metrics"),
        ] {
            for (token, expected) in [
                ("", 401),
                ("Bearer ", 401),
                ("Bearer a-token-of-some-lengt", 401),
                ("Basic a-token-of-some-length", 401),
                ("Bearer a-token-of-some-length", 200),
            ] {
                let asked = request(method, path, &[host, ("authorization", token)]);
                assert_eq!(status(&guard, &asked), expected, "{method} {path} {token}");
            }
        }
        for path in ["/", "/page/board.js", "/healthz"] {
            assert_eq!(
                status(&guard, &request("GET", path, &[host])),
                200,
                "{path}"
            );
        }
        assert!(!format!("{guard:?}").contains("a-token"));
    }
}
