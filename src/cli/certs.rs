//! `portproof certs`: certificates for a bench.

use std::io::Write as _;
use std::path::PathBuf;

use jiff::Timestamp;

use super::Outcome;
use crate::certs::{CertsError, Plan, make, write};

/// Make certificates for a bench: a CA, and for the server, each machine and each person a good
/// one and one of every kind that must be refused.
///
/// Keys are P-256; RSA keys are not made. Everything is marked "bench only".
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Directory to write to; made if it is not there, and kept to its owner
    directory: PathBuf,
    /// Overwrite files of an earlier set
    #[arg(long)]
    force: bool,
    /// Organisation in every subject
    #[arg(long, default_value = "Lantern Quay")]
    organisation: String,
    /// Domain of every name
    #[arg(long, default_value = "lantern-quay.example")]
    domain: String,
    /// Host name of the server, without the domain
    #[arg(long, default_value = "radius")]
    server: String,
    /// Host name of a machine, without the domain; may be repeated
    #[arg(long = "machine", value_name = "NAME", default_values = ["office-1"])]
    machines: Vec<String>,
    /// Name of a person, without the domain; may be repeated
    #[arg(long = "person", value_name = "NAME", default_values = ["clerk", "purser"])]
    people: Vec<String>,
    /// Days for which good certificates are valid
    #[arg(long, default_value_t = 365, value_parser = clap::value_parser!(u16).range(1..=3650))]
    days: u16,
    /// Passphrase of the PKCS#12 files
    #[arg(long, env = "PORTPROOF_CERTS_PASSPHRASE", default_value = "bench-only")]
    passphrase: String,
    /// Print the list of files as JSON
    #[arg(long)]
    json: bool,
}

/// Makes and writes the set, prints the list. Exit codes: 0 written, 2 a name can't be used or
/// a file is there already, 3 the disk or the system refused.
#[must_use]
pub fn run(args: &Args) -> Outcome {
    let plan = Plan {
        organisation: args.organisation.clone(),
        domain: args.domain.clone(),
        server: args.server.clone(),
        machines: args.machines.clone(),
        people: args.people.clone(),
        days: args.days,
        passphrase: args.passphrase.clone(),
    };
    let made = make(&plan, Timestamp::now())
        .and_then(|set| write(&set, &args.directory, args.force).map(|()| set.manifest));
    match made {
        Ok(manifest) => {
            let list = if args.json {
                manifest.json()
            } else {
                format!(
                    "{}\nWritten to {}\n",
                    manifest.text(),
                    args.directory.display()
                )
            };
            // A reader that closed the pipe early has seen what it wanted.
            let _ = std::io::stdout().write_all(list.as_bytes());
            Outcome::Done
        }
        Err(error) => {
            eprintln!("portproof certs: {error}");
            match error {
                CertsError::Name { .. } | CertsError::Exists(_) | CertsError::Time(_) => {
                    Outcome::BadInput
                }
                _ => Outcome::Refused,
            }
        }
    }
}
