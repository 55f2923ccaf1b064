//! `portproof stand-in FILE`: the built-in switch on its own, over UDP, with a prompt.

use std::path::{Path, PathBuf};

use jiff::Timestamp;
use tokio::io::{AsyncBufReadExt as _, BufReader};

use super::Outcome;
use crate::bench::yaml;
use crate::serve::switch_shell::{RunningSwitch, SwitchSockets};
use crate::stand_in::{Outputs, SessionView, StandIn, StandInConfig, StandInError, SwitchEvent};
use crate::wire::Secret;

/// Run the built-in switch on its own, over UDP.
///
/// It asks the servers that the file names; devices are plugged by lines on standard input.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The stand-in file: ports, timers, servers and devices.
    file: PathBuf,
    /// Plug a device into a port at the start; may be repeated.
    #[arg(long, value_name = "DEVICE=PORT", value_parser = pair)]
    plug: Vec<(String, String)>,
    /// Seed of every random choice.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Print events as JSON, one object a line.
    #[arg(long)]
    json: bool,
}

const PROMPT: &str = "\
plug DEVICE PORT · behind DEVICE HOST · unplug DEVICE · power-cycle DEVICE · bounce PORT
reauth PORT · sessions · quit";

fn pair(text: &str) -> Result<(String, String), String> {
    text.split_once('=')
        .map(|(device, port)| (device.to_owned(), port.to_owned()))
        .ok_or_else(|| "write DEVICE=PORT, such as printer=1/7".to_owned())
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Outcome {
    let mut config: StandInConfig = match yaml::read_file(&args.file) {
        Ok((config, _)) => config,
        Err(mistakes) => {
            super::complain(&mistakes);
            return Outcome::BadInput;
        }
    };
    if let Err(error) = fetch_secrets(&mut config, &args.file) {
        eprintln!("{}: {error}", args.file.display());
        return Outcome::BadInput;
    }
    let switch = match StandIn::new(config, args.seed) {
        Ok(switch) => switch,
        Err(error) => {
            eprintln!("{}: {error}", args.file.display());
            return Outcome::BadInput;
        }
    };
    match super::runtime() {
        Ok(runtime) => {
            let outcome = runtime.block_on(stand(args, switch));
            // A read of standard input can't be called off.
            runtime.shutdown_background();
            outcome
        }
        Err(refused) => refused,
    }
}

/// Secrets may be given as `env:NAME` or `file:PATH` (seen from the stand-in file), as in a bench
/// file.
fn fetch_secrets(config: &mut StandInConfig, file: &Path) -> Result<(), String> {
    let servers = config.servers.iter_mut().map(|server| &mut server.secret);
    for secret in servers.chain(&mut config.changes.secret) {
        let Ok(text) = std::str::from_utf8(secret.bytes()) else {
            continue;
        };
        let fetched = if let Some(name) = text.strip_prefix("env:") {
            std::env::var(name)
                .map_err(|_| format!("there is no variable {name} in the environment: export it"))?
        } else if let Some(name) = text.strip_prefix("file:") {
            let path = file.parent().unwrap_or(Path::new("")).join(name);
            std::fs::read_to_string(&path)
                .map_err(|error| format!("the secret in {}: {error}", path.display()))?
                .trim_end()
                .to_owned()
        } else {
            continue;
        };
        *secret = Secret::new(fetched);
    }
    Ok(())
}

async fn stand(args: &Args, switch: StandIn) -> Outcome {
    let sockets = match SwitchSockets::bind(&switch).await {
        Ok(sockets) => sockets,
        Err(error) => {
            eprintln!("{error}");
            return Outcome::Refused;
        }
    };
    let (switch, mut events) = sockets.start(switch);
    eprintln!("{PROMPT}");
    let json = args.json;
    let printer = tokio::spawn(async move {
        while let Some(event) = events.recv().await {
            print_event(&event, json);
        }
    });
    for (device, port) in &args.plug {
        obey(&switch, Order::Plug(device.clone(), port.clone())).await;
    }
    tokio::select! {
        () = prompt(&switch) => {}
        () = super::until_stopped() => {}
    }
    switch.stop();
    printer.abort();
    Outcome::Done
}

async fn prompt(switch: &RunningSwitch) {
    let mut lines = BufReader::new(tokio::io::stdin()).lines();
    while let Ok(Some(line)) = lines.next_line().await {
        match Order::read(&line) {
            Some(Order::Quit) => return,
            Some(order) => obey(switch, order).await,
            None if line.trim().is_empty() => {}
            None => eprintln!("'{}' is not understood.\n{PROMPT}", line.trim()),
        }
    }
    // Standard input ended, as in a script: the switch goes on until it is stopped.
    std::future::pending::<()>().await;
}

/// A line of the prompt.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Order {
    Plug(String, String),
    Behind(String, String),
    Unplug(String),
    PowerCycle(String),
    Bounce(String),
    Reauth(String),
    Sessions,
    Quit,
}

impl Order {
    fn read(line: &str) -> Option<Order> {
        let words: Vec<String> = line.split_whitespace().map(str::to_owned).collect();
        let refs: Vec<&str> = words.iter().map(String::as_str).collect();
        Some(match refs.as_slice() {
            ["plug", device, port] => Order::Plug((*device).into(), (*port).into()),
            ["behind", device, host] => Order::Behind((*device).into(), (*host).into()),
            ["unplug", device] => Order::Unplug((*device).into()),
            ["power-cycle", device] => Order::PowerCycle((*device).into()),
            ["bounce", port] => Order::Bounce((*port).into()),
            ["reauth", port] => Order::Reauth((*port).into()),
            ["sessions"] => Order::Sessions,
            ["quit"] => Order::Quit,
            _ => return None,
        })
    }

    fn carry_out(&self, switch: &mut StandIn, now: Timestamp) -> Result<Outputs, StandInError> {
        const DARK: std::time::Duration = std::time::Duration::from_secs(3);
        match self {
            Order::Plug(device, port) => switch.plug(now, port, device),
            Order::Behind(device, host) => switch.plug_behind(now, host, device),
            Order::Unplug(device) => switch.unplug(now, device),
            Order::PowerCycle(device) => switch.power_cycle(now, device, DARK),
            Order::Bounce(port) => switch.bounce(now, port),
            Order::Reauth(port) => switch.reauthenticate(now, port),
            Order::Sessions | Order::Quit => Ok(Outputs::default()),
        }
    }
}

async fn obey(switch: &RunningSwitch, order: Order) {
    let shows = order == Order::Sessions;
    let done = switch
        .call(move |switch, now| {
            let (result, outputs) = match order.carry_out(switch, now) {
                Ok(outputs) => (Ok(switch.sessions()), outputs),
                Err(error) => (Err(error), Outputs::default()),
            };
            (result, outputs)
        })
        .await;
    match done {
        Ok(Ok(sessions)) if shows => sessions.iter().for_each(print_session),
        Ok(Ok(_)) => {}
        Ok(Err(error)) => eprintln!("{error}"),
        Err(stopped) => eprintln!("{stopped}"),
    }
}

fn print_session(session: &SessionView) {
    let admitted = match (&session.admitted, &session.grant) {
        (Some(method), Some(grant)) => format!("admitted by {method}: {grant}"),
        _ => match &session.trying {
            Some(method) => format!("trying {method}"),
            None => "not admitted".to_owned(),
        },
    };
    println!("port {} {} {admitted}", session.port, session.mac);
}

fn print_event(event: &SwitchEvent, json: bool) {
    if json {
        // An event holds nothing that JSON can't.
        println!("{}", serde_json::to_string(event).unwrap_or_default());
    } else {
        let when = event
            .at
            .to_zoned(jiff::tz::TimeZone::system())
            .strftime("%H:%M:%S%.3f");
        println!("{when}  {event}");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_orders_or_nothing() {
        assert_eq!(
            Order::read(" plug printer  1/7 "),
            Some(Order::Plug("printer".into(), "1/7".into()))
        );
        assert_eq!(Order::read("quit"), Some(Order::Quit));
        for line in ["", "plug printer", "plug printer 1/7 now", "reboot"] {
            assert_eq!(Order::read(line), None, "{line}");
        }
    }

    #[test]
    fn a_plug_option_names_both() {
        assert!(pair("printer=1/7").is_ok());
        assert!(pair("printer").is_err());
    }
}
