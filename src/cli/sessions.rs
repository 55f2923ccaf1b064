//! `portproof sessions`: who is where.

use super::Outcome;
use super::source::{SourceArgs, SourceError, print_json};
use crate::board::api::SessionsWanted;
use crate::board::view::SessionView;
use crate::wire::Mac;

/// Show sessions per switch and port.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Only of this switch entry.
    #[arg(long)]
    switch: Option<String>,
    /// Only on this port, as the switch names it.
    #[arg(long)]
    port: Option<String>,
    /// Only of this device, in any spelling.
    #[arg(long)]
    mac: Option<Mac>,
    /// Also those that ended.
    #[arg(long)]
    all: bool,
    /// How many at most.
    #[arg(long, default_value_t = 200)]
    limit: usize,
    /// One JSON object a line, newest first.
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    source: SourceArgs,
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Outcome {
    super::told(show(args))
}

const PAGE: usize = 500;

fn show(args: &Args) -> Result<(), SourceError> {
    let source = args.source.open()?;
    let mut wanted = SessionsWanted {
        switch: args.switch.clone(),
        port: args.port.clone(),
        mac: args.mac.map(|mac| mac.to_string()),
        live: (!args.all).then_some(true),
        ..SessionsWanted::default()
    };
    let mut sessions: Vec<SessionView> = Vec::new();
    let more = loop {
        let left = args.limit - sessions.len();
        wanted.limit = Some(left.clamp(1, PAGE));
        let page = source.sessions(&wanted)?;
        wanted.before = page.sessions.last().map(|session| session.id);
        sessions.extend(page.sessions);
        if !page.more || sessions.len() >= args.limit {
            break page.more;
        }
    };
    if args.json {
        print_json(&sessions);
    } else {
        print_by_port(sessions);
    }
    if more {
        eprintln!("there are more; --limit shows them");
    }
    Ok(())
}

fn print_by_port(mut sessions: Vec<SessionView>) {
    sessions.sort_by(|a, b| {
        let key = |session: &SessionView| {
            let port = session.port.clone().unwrap_or_default();
            (
                session.switch.clone(),
                crate::board::view::ports::natural(&port),
                session.id,
            )
        };
        key(a).cmp(&key(b))
    });
    let mut switch = None;
    for session in &sessions {
        if switch != Some(&session.switch) {
            super::lines::put(&session.switch);
            switch = Some(&session.switch);
        }
        super::lines::put(line(session));
    }
}

fn line(session: &SessionView) -> String {
    let who = [session.mac.as_deref(), session.identity.as_deref()]
        .into_iter()
        .flatten()
        .collect::<Vec<_>>()
        .join(" ");
    let class = match session.class.as_str() {
        "" => "not admitted here",
        class => class,
    };
    let state = match (session.ended, &session.cause) {
        (Some(ended), Some(cause)) => format!("ended {}: {cause}", super::lines::when(ended)),
        (Some(ended), None) => format!("ended {}", super::lines::when(ended)),
        _ => format!("since {}", super::lines::when(session.accepted)),
    };
    format!(
        "  {:<12} {who:<20} {class:<16} {:<8} session {:<6} {state}",
        session.port.as_deref().unwrap_or("-"),
        session.method,
        session.id
    )
}
