//! Bench files and what they name, as written, and how they become a [`Bench`].
//!
//! Each part of the file has a module: the serde structs, and the checks that make the resolved
//! model of them. A part that is not sound is noted and left out, so that everything else is still
//! checked.

mod accounts;
mod classes;
mod condition;
mod context;
mod dialect;
mod eap;
mod grant;
mod secret;
mod switches;
mod whole;
mod words;

use std::net::{Ipv4Addr, SocketAddr};
use std::path::Path;
use std::str::FromStr;

use serde::Deserialize;

use super::model::{AnswerRules, Bench, ChangeRules, Listen, MacAuthentication};
use super::world::World;
use super::yaml::{At, Diagnostic, OneOrMany, Parsed, Period};
use accounts::{AccountFile, Accounts, AccountsFile};
use classes::TableRef;
use context::Context;
use eap::EapFile;
use secret::SecretFile;
use switches::SwitchFile;

/// A bench file as written.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct BenchFile {
    bench: At<String>,
    #[serde(rename = "about")]
    _about: Option<String>,
    #[serde(default)]
    listen: ListenFile,
    switches: At<Vec<At<SwitchFile>>>,
    classes: At<TableRef>,
    #[serde(default)]
    domains: OneOrMany<At<String>>,
    #[serde(default)]
    people: Vec<At<AccountFile>>,
    #[serde(default)]
    machines: Vec<At<AccountFile>>,
    accounts: Option<At<String>>,
    mac_authentication: Option<MacAuthenticationFile>,
    #[serde(default)]
    answers: AnswersFile,
    #[serde(default)]
    changes: ChangesFile,
    eap: Option<EapFile>,
}

#[derive(Debug, Deserialize, Default)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
struct ListenFile {
    authentication: Option<At<Parsed<Socket>>>,
    accounting: Option<At<Parsed<Socket>>>,
    dhcp: Option<Parsed<SocketOrNone>>,
    board: Option<At<Parsed<SocketOrNone>>>,
}

/// An address and port.
#[derive(Debug, Clone, Copy)]
struct Socket(SocketAddr);

impl FromStr for Socket {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Socket, &'static str> {
        const WRONG: &str = "not an address with a port\nwrite 127.0.0.1:1812 or [::1]:1812";
        text.parse().map(Socket).map_err(|_| WRONG)
    }
}

/// An address and port, or `none`.
#[derive(Debug, Clone, Copy)]
struct SocketOrNone(Option<SocketAddr>);

impl FromStr for SocketOrNone {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<SocketOrNone, &'static str> {
        const WRONG: &str = "not an address with a port\nwrite 127.0.0.1:8312, or `none`";
        match text {
            "none" => Ok(SocketOrNone(None)),
            text => text
                .parse()
                .map(|Socket(at)| SocketOrNone(Some(at)))
                .map_err(|_| WRONG),
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct MacAuthenticationFile {
    password: Option<At<SecretFile>>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
struct AnswersFile {
    keep: Option<At<Period>>,
    reasons: Option<bool>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
struct ChangesFile {
    automatic: Option<bool>,
    delay: Option<Period>,
    flap_limit: Option<u32>,
    flap_window: Option<Period>,
}

/// What the reading of a bench came to.
pub(super) struct Outcome {
    /// The bench, unless there was an error.
    pub(super) bench: Option<Bench>,
    /// Errors and warnings in the order of files and lines.
    pub(super) diagnostics: Vec<Diagnostic>,
}

/// Reads a bench; `base` is the folder that its paths are seen from.
pub(super) fn read(world: &dyn World, name: &str, text: &str, base: &Path) -> Outcome {
    let mut context = Context::new(world);
    let file: Option<BenchFile> = context.read(name, text);
    let bench = file.and_then(|file| context.bench(file, base));
    let bench = bench.filter(|_| !context.has_errors());
    Outcome {
        bench,
        diagnostics: context.into_diagnostics(),
    }
}

impl Context<'_> {
    fn bench(&mut self, file: BenchFile, base: &Path) -> Option<Bench> {
        let here = AccountsFile {
            domains: file.domains,
            people: file.people,
            machines: file.machines,
        };
        let listen = self.listen(&file.listen);
        let switches = self.switches(&file.switches, base);
        let accounts = self.all_accounts(&here, file.accounts.as_ref(), base);
        let table = self.class_table(&file.classes, base);
        let eap = file.eap.as_ref().map(|eap| self.eap(eap, base));
        let mac_authentication = self.mac_authentication(file.mac_authentication.as_ref(), base);
        let answers = self.answers(&file.answers);
        let directory = self.directory(&accounts);
        let table = table?;
        let names: Vec<&str> = file.switches.iter().map(|switch| switch.name()).collect();
        self.check_whole(&switches, &names, &table, &accounts);
        Some(Bench {
            name: file.bench.value,
            listen,
            switches: switches.into_iter().map(|placed| placed.switch).collect(),
            table: table.table,
            people: accounts.people,
            machines: accounts.machines,
            directory,
            eap,
            mac_authentication,
            answers,
            changes: changes(&file.changes),
        })
    }

    fn listen(&mut self, given: &ListenFile) -> Listen {
        let any = |port| SocketAddr::from((Ipv4Addr::UNSPECIFIED, port));
        let listen = Listen {
            authentication: given.authentication.map_or(any(1812), |at| at.value.0.0),
            accounting: given.accounting.map_or(any(1813), |at| at.value.0.0),
            dhcp: given.dhcp.and_then(|socket| socket.0.0),
            board: match given.board {
                None => Some(SocketAddr::from((Ipv4Addr::LOCALHOST, 8312))),
                Some(at) => at.value.0.0,
            },
        };
        if let Some(given) = given.accounting.as_ref().or(given.authentication.as_ref())
            && listen.accounting == listen.authentication
            // Port 0 leaves the choice to the system, twice.
            && listen.accounting.port() != 0
        {
            self.error(
                given.span,
                "authentication and accounting on one socket\ngive each a port of its own",
            );
        }
        if let (Some(given), Some(board)) = (given.board, listen.board)
            && !board.ip().is_loopback()
        {
            self.warning(
                given.span,
                "the board can be reached from other computers: it shows who logs on where\n\
                 bind it to 127.0.0.1 unless the whole network is the bench's",
            );
        }
        listen
    }

    fn all_accounts(
        &mut self,
        here: &AccountsFile,
        beside: Option<&At<String>>,
        base: &Path,
    ) -> Accounts {
        let mut accounts = Accounts::default();
        self.accounts(here, base, &mut accounts);
        if let Some(named) = beside
            && let Some((file, folder)) = self.open::<AccountsFile>(named, base, &[])
        {
            self.accounts(&file, &folder, &mut accounts);
        }
        accounts
    }

    fn answers(&mut self, given: &AnswersFile) -> AnswerRules {
        let usual = AnswerRules::default();
        if let Some(keep) = &given.keep
            && !AnswerRules::KEEP.contains(&keep.value.0)
        {
            self.error(
                keep.span,
                "an answer is kept for 5s to 30s (RFC 5080 section 2.2.2)",
            );
        }
        AnswerRules {
            keep: given.keep.as_ref().map_or(usual.keep, |keep| keep.value.0),
            reasons: given.reasons.unwrap_or(usual.reasons),
        }
    }

    fn mac_authentication(
        &mut self,
        given: Option<&MacAuthenticationFile>,
        base: &Path,
    ) -> MacAuthentication {
        let password = given.and_then(|given| given.password.as_ref());
        MacAuthentication {
            password: password.and_then(|password| self.secret(password, base)),
        }
    }
}

fn changes(given: &ChangesFile) -> ChangeRules {
    let usual = ChangeRules::default();
    ChangeRules {
        automatic: given.automatic.unwrap_or(usual.automatic),
        delay: given.delay.map_or(usual.delay, |period| period.0),
        flap_limit: given.flap_limit.unwrap_or(usual.flap_limit),
        flap_window: given
            .flap_window
            .map_or(usual.flap_window, |period| period.0),
    }
}
