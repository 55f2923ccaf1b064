//! `portproof roster`: the memory of devices.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

use clap::{Subcommand, ValueEnum};

use super::Ending;
use super::Outcome;
use super::lines::{put, when};
use super::source::{Source, SourceArgs, SourceError, print_json};
use crate::bench::DhcpField;
use crate::board::api::{DeviceSort, DevicesWanted, ImportedDevice, SessionsWanted};
use crate::board::view::DeviceView;
use crate::wire::Mac;

/// Look at the memory of devices, pin and forget.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    what: What,
    #[command(flatten)]
    source: SourceArgs,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Devices, last heard of first.
    List {
        /// Words that must all be found in address, class, pin, note or anything sighted.
        search: Vec<String>,
        /// Only devices in this class.
        #[arg(long)]
        class: Option<String>,
        /// Only pinned ones.
        #[arg(long)]
        pinned: bool,
        /// How many at most.
        #[arg(long, default_value_t = 50)]
        limit: usize,
        /// One JSON object a line.
        #[arg(long)]
        json: bool,
    },
    /// Everything that is known of one device.
    Show {
        /// Its address, in any spelling.
        mac: Mac,
        /// As JSON.
        #[arg(long)]
        json: bool,
    },
    /// Make the next plug-in of a device a first time.
    Forget {
        /// Their addresses, in any spelling.
        #[arg(required = true)]
        macs: Vec<Mac>,
    },
    /// Fix the class of a device above every row.
    Pin {
        /// Its address, in any spelling.
        mac: Mac,
        /// Class, one of the table's.
        class: String,
        /// Why, for whoever comes next.
        #[arg(long)]
        note: Option<String>,
        /// Do not ask before a live session is moved, which can take its link down.
        #[arg(long, short)]
        yes: bool,
    },
    /// Let the rows decide on a device again.
    Unpin {
        /// Its address, in any spelling.
        mac: Mac,
        /// Do not ask before a live session is moved, which can take its link down.
        #[arg(long, short)]
        yes: bool,
    },
    /// Take over pins and sightings from a file that `export` wrote.
    Import {
        /// The file; `-` is standard input.
        file: PathBuf,
        /// Form; default: by the file's ending.
        #[arg(long, value_enum)]
        format: Option<Format>,
    },
    /// Write all devices.
    Export {
        /// The file; `-` is standard output.
        #[arg(default_value = "-")]
        file: PathBuf,
        /// Form; default: by the file's ending, CSV on standard output.
        #[arg(long, value_enum)]
        format: Option<Format>,
    },
}

/// Form of a file of devices.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// A line a device, with a heading.
    Csv,
    /// An array of objects.
    Json,
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Outcome {
    super::told(
        args.source
            .open()
            .map_err(Failure::from)
            .and_then(|mut source| act(&args.what, &mut source)),
    )
}

/// Why a roster command failed.
#[derive(Debug, thiserror::Error)]
pub(super) enum Failure {
    /// Bench or state file.
    #[error(transparent)]
    Source(#[from] SourceError),
    /// A file of devices.
    #[error("{}: {why}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// What was wrong.
        why: String,
    },
}

impl Ending for Failure {
    fn outcome(&self) -> Outcome {
        match self {
            Failure::Source(error) => error.outcome(),
            Failure::File { .. } => Outcome::BadInput,
        }
    }
}

fn act(what: &What, source: &mut Source) -> Result<(), Failure> {
    match what {
        What::List {
            search,
            class,
            pinned,
            limit,
            json,
        } => {
            let wanted = DevicesWanted {
                search: (!search.is_empty()).then(|| search.join(" ")),
                class: class.clone(),
                pinned: *pinned,
                ..DevicesWanted::default()
            };
            list(source, wanted, *limit, *json)?;
        }
        What::Show { mac, json } => {
            let device = source.device(*mac)?;
            if *json {
                print_json(&[device]);
            } else {
                show(&device);
            }
        }
        What::Forget { macs } => {
            for mac in macs {
                source.forget(*mac)?;
                put(format_args!(
                    "{mac} is forgotten: its next plug-in is a first time"
                ));
            }
        }
        What::Pin {
            mac,
            class,
            note,
            yes,
        } => {
            if !may_move(source, *mac, *yes)? {
                return Ok(());
            }
            source.pin(*mac, class, note.as_deref())?;
            put(format_args!("{mac} is pinned to {class}"));
        }
        What::Unpin { mac, yes } => {
            if !may_move(source, *mac, *yes)? {
                return Ok(());
            }
            source.unpin(*mac)?;
            put(format_args!("the rows decide on {mac} again"));
        }
        What::Import { file, format } => import(source, file, *format)?,
        What::Export { file, format } => export(source, file, *format)?,
    }
    Ok(())
}

/// A pin moves the device's live sessions at once, by the change of the class: whoever sets it is
/// told and asked.
fn may_move(source: &Source, mac: Mac, yes: bool) -> Result<bool, SourceError> {
    let live = source.sessions(&SessionsWanted {
        mac: Some(mac.to_string()),
        live: Some(true),
        ..SessionsWanted::default()
    })?;
    let Some(session) = live.sessions.first() else {
        return Ok(true);
    };
    let port = session.port.as_deref().unwrap_or("unknown");
    Ok(super::ask::is_meant(
        yes,
        &format!(
            "{mac} is on port {port} of {}: its session is moved at once by the change of its class. Go on?",
            session.switch
        ),
    ))
}

fn list(
    source: &Source,
    wanted: DevicesWanted,
    limit: usize,
    json: bool,
) -> Result<(), SourceError> {
    let mut left = limit;
    let mut wanted = wanted;
    loop {
        wanted.limit = Some(left.clamp(1, PAGE));
        let page = source.devices(&wanted)?;
        if json {
            print_json(&page.devices);
        } else {
            page.devices.iter().for_each(print_line);
        }
        wanted.offset += page.devices.len();
        left = left.saturating_sub(page.devices.len());
        if !page.more {
            return Ok(());
        }
        if left == 0 {
            eprintln!("there are more; --limit shows them");
            return Ok(());
        }
    }
}

const PAGE: usize = 500;

fn print_line(device: &DeviceView) {
    let class = device.class.as_deref().unwrap_or("-");
    let pin = device
        .pin
        .as_ref()
        .map(|pin| format!(" pinned to {pin}"))
        .unwrap_or_default();
    put(format_args!(
        "{}  {class:<16} {}{pin}  {}",
        device.mac,
        when(device.last_seen),
        device.why.as_deref().unwrap_or_default()
    ));
}

fn show(device: &DeviceView) {
    let local = if device.local {
        " (locally administered)"
    } else {
        ""
    };
    put(format_args!("{}{local}", device.mac));
    let row = |name: &str, value: &str| put(format_args!("  {name:<16} {value}"));
    row("class", device.class.as_deref().unwrap_or("none yet"));
    if let Some(why) = &device.why {
        row("why", why);
    }
    if let Some(pin) = &device.pin {
        row("pinned to", pin);
    }
    if let Some(note) = &device.pin_note {
        row("note", note);
    }
    row("first seen", &when(device.first_seen));
    row("last seen", &when(device.last_seen));
    for (field, value) in &device.sightings {
        row(field, value);
    }
    if let Some(machine) = &device.machine {
        row("machine", machine);
    }
}

/// Columns of the CSV form, before those of the sightings.
const COLUMNS: [&str; 8] = [
    "mac",
    "class",
    "why",
    "pin",
    "pin-note",
    "first-seen",
    "last-seen",
    "machine",
];

fn export(source: &Source, path: &Path, format: Option<Format>) -> Result<(), Failure> {
    let mut devices: Vec<DeviceView> = Vec::new();
    let mut wanted = DevicesWanted {
        order: DeviceSort::Mac,
        limit: Some(PAGE),
        ..DevicesWanted::default()
    };
    loop {
        let page = source.devices(&wanted)?;
        wanted.offset += page.devices.len();
        devices.extend(page.devices);
        if !page.more {
            break;
        }
    }
    let text = match form(path, format) {
        Format::Json => serde_json::to_vec_pretty(&devices).map_err(|why| failed(path, &why))?,
        Format::Csv => to_csv(&devices).map_err(|why| failed(path, &why))?,
    };
    let written = if path == Path::new("-") {
        std::io::stdout().write_all(&text)
    } else {
        std::fs::write(path, text)
    };
    written.map_err(|why| failed(path, &why))
}

fn to_csv(devices: &[DeviceView]) -> Result<Vec<u8>, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let fields = DhcpField::ALL.map(DhcpField::word);
    writer.write_record(COLUMNS.iter().chain(&fields))?;
    for device in devices {
        let text = |value: &Option<String>| value.clone().unwrap_or_default();
        let mut row = vec![
            device.mac.clone(),
            text(&device.class),
            text(&device.why),
            text(&device.pin),
            text(&device.pin_note),
            device.first_seen.to_string(),
            device.last_seen.to_string(),
            text(&device.machine),
        ];
        row.extend(fields.map(|field| text(&device.sightings.get(field).cloned())));
        writer.write_record(row)?;
    }
    writer
        .into_inner()
        .map_err(|error| error.into_error().into())
}

fn import(source: &mut Source, path: &Path, format: Option<Format>) -> Result<(), Failure> {
    let mut text = Vec::new();
    let read = if path == Path::new("-") {
        std::io::stdin().read_to_end(&mut text)
    } else {
        File::open(path).and_then(|mut file| file.read_to_end(&mut text))
    };
    read.map_err(|why| failed(path, &why))?;
    let devices = match form(path, format) {
        Format::Json => from_json(&text).map_err(|why| failed(path, &why))?,
        Format::Csv => from_csv(&text).map_err(|why| failed(path, &why))?,
    };
    let count = devices.len();
    for some in devices.chunks(PAGE) {
        source.import(some.to_vec())?;
    }
    put(format_args!(
        "pins and sightings of {count} devices taken over"
    ));
    Ok(())
}

/// What is taken over of the JSON form; the rest of a device is told by what it does.
#[derive(serde::Deserialize)]
struct Exported {
    mac: String,
    #[serde(default)]
    pin: Option<String>,
    #[serde(default)]
    pin_note: Option<String>,
    #[serde(default)]
    sightings: BTreeMap<String, String>,
}

fn from_json(text: &[u8]) -> Result<Vec<ImportedDevice>, serde_json::Error> {
    let devices: Vec<Exported> = serde_json::from_slice(text)?;
    Ok(devices
        .into_iter()
        .map(|device| ImportedDevice {
            mac: device.mac,
            pin: device.pin,
            pin_note: device.pin_note,
            sightings: device.sightings,
        })
        .collect())
}

/// A CSV file that is no file of devices.
#[derive(Debug, thiserror::Error)]
enum CsvError {
    #[error(transparent)]
    Csv(#[from] csv::Error),
    #[error("line 1: '{0}' is no column; there are mac and, as wanted, {1}")]
    Column(String, String),
    #[error("line 1: there is no column mac")]
    NoMac,
}

fn from_csv(text: &[u8]) -> Result<Vec<ImportedDevice>, CsvError> {
    let mut reader = csv::Reader::from_reader(text);
    let heading: Vec<String> = reader.headers()?.iter().map(str::to_owned).collect();
    let is_known = |name: &str| COLUMNS.contains(&name) || DhcpField::from_word(name).is_some();
    if let Some(name) = heading.iter().find(|name| !is_known(name)) {
        let fields = DhcpField::ALL.map(DhcpField::word);
        let known: Vec<&str> = COLUMNS.iter().skip(1).chain(&fields).copied().collect();
        return Err(CsvError::Column(name.clone(), known.join(", ")));
    }
    if !heading.iter().any(|name| name == "mac") {
        return Err(CsvError::NoMac);
    }
    let mut devices = Vec::new();
    for row in reader.records() {
        let row = row?;
        let mut device = ImportedDevice::default();
        for (name, value) in heading
            .iter()
            .zip(&row)
            .filter(|(_, value)| !value.is_empty())
        {
            let value = value.to_owned();
            match name.as_str() {
                "mac" => device.mac = value,
                "pin" => device.pin = Some(value),
                "pin-note" => device.pin_note = Some(value),
                field if DhcpField::from_word(field).is_some() => {
                    device.sightings.insert(field.to_owned(), value);
                }
                _ => {}
            }
        }
        devices.push(device);
    }
    Ok(devices)
}

fn form(path: &Path, asked: Option<Format>) -> Format {
    asked.unwrap_or_else(|| {
        let ending = path.extension().and_then(|ending| ending.to_str());
        if ending.is_some_and(|ending| ending.eq_ignore_ascii_case("json")) {
            Format::Json
        } else {
            Format::Csv
        }
    })
}

fn failed(path: &Path, why: &dyn std::fmt::Display) -> Failure {
    Failure::File {
        path: path.to_owned(),
        why: why.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn device() -> DeviceView {
        DeviceView {
            mac: "02-00-5E-00-10-01".into(),
            local: true,
            class: Some("printer".into()),
            why: Some("said \"printer\", twice".into()),
            first_seen: jiff::Timestamp::UNIX_EPOCH,
            last_seen: jiff::Timestamp::UNIX_EPOCH,
            pin: Some("till".into()),
            pin_note: Some("berth 4,\nleft".into()),
            sightings: BTreeMap::from([("parameter-list".to_owned(), "1,3,6".to_owned())]),
            machine: None,
        }
    }

    fn expected() -> ImportedDevice {
        ImportedDevice {
            mac: "02-00-5E-00-10-01".into(),
            pin: Some("till".into()),
            pin_note: Some("berth 4,\nleft".into()),
            sightings: BTreeMap::from([("parameter-list".to_owned(), "1,3,6".to_owned())]),
        }
    }

    #[test]
    fn what_is_exported_is_imported() {
        let csv = from_csv(&to_csv(&[device()]).unwrap()).unwrap();
        let json = from_json(&serde_json::to_vec(&[device()]).unwrap()).unwrap();
        for devices in [csv, json] {
            let [one] = &devices[..] else {
                panic!("{}", devices.len())
            };
            assert_eq!(
                serde_json::to_value(one).unwrap(),
                serde_json::to_value(expected()).unwrap()
            );
        }
    }

    #[test]
    fn a_short_csv_will_do_and_an_odd_one_is_told() {
        let devices = from_csv(b"pin,mac\nprinter,020000000001\n,020000000002\n").unwrap();
        assert_eq!(devices[0].pin.as_deref(), Some("printer"));
        assert_eq!(
            (devices[1].mac.as_str(), &devices[1].pin),
            ("020000000002", &None)
        );
        assert!(matches!(
            from_csv(b"mac,colour\n"),
            Err(CsvError::Column(..))
        ));
        assert!(matches!(from_csv(b"pin\n"), Err(CsvError::NoMac)));
        assert!(from_csv(b"mac,pin\na,b,c\n").is_err());
    }
}
