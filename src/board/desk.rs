//! What the board asks of a running bench.

use std::path::PathBuf;
use std::pin::Pin;
use std::sync::Arc;

use crate::bench::yaml::Diagnostic;
use crate::bench::{Bench, ChangeKind};
use crate::roster::{self, Device, Effects};
use crate::serve::reload::{Reloaded, reload};
use crate::serve::{Handle, Stopped, Target};
use crate::wire::Mac;

/// An answer that takes a moment.
pub type Reply<'a, T> = Pin<Box<dyn Future<Output = Result<T, Stopped>> + Send + 'a>>;

/// A running bench. The board does nothing to it but through here.
pub trait Desk: Send + Sync + 'static {
    /// The bench in force.
    fn bench(&self) -> Reply<'_, Arc<Bench>>;
    /// Orders a change by hand; gives the number of the order, which its journal entries carry.
    fn change(
        &self,
        target: Target,
        kind: ChangeKind,
        reason: String,
    ) -> Reply<'_, Result<u64, Refused>>;
    /// Forgets a device: its next plug-in is a first time. False when it was not known.
    fn forget(&self, mac: Mac) -> Reply<'_, bool>;
    /// Fixes a device's class by hand, or with `None` lets the rows decide again.
    fn pin(&self, mac: Mac, pin: Option<roster::Pin>) -> Reply<'_, Result<(), Refused>>;
    /// Takes over sightings and pins of devices.
    fn import(&self, devices: Vec<Device>) -> Reply<'_, Result<(), Refused>>;
    /// Reads the bench file again: what came of it in a line, or every mistake in it.
    fn reload(&self) -> Reply<'_, Result<String, Refused>>;
}

/// The bench has understood and says no; the text says why and what to do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Refused(pub String);

/// The desk of a bench that [`crate::serve`] runs.
#[derive(Debug, Clone)]
pub struct Running {
    /// The way in.
    pub handle: Handle,
    /// The bench file, to read it again.
    pub path: PathBuf,
}

impl Desk for Running {
    fn bench(&self) -> Reply<'_, Arc<Bench>> {
        Box::pin(self.handle.read(|engine, _| Arc::clone(engine.bench())))
    }

    fn change(
        &self,
        target: Target,
        kind: ChangeKind,
        reason: String,
    ) -> Reply<'_, Result<u64, Refused>> {
        Box::pin(self.handle.call(move |engine, now| {
            let (ordered, effects) = engine.change(now, &target, kind, &reason);
            (ordered.map_err(|why| Refused(why.to_string())), effects)
        }))
    }

    fn forget(&self, mac: Mac) -> Reply<'_, bool> {
        Box::pin(self.handle.call(move |engine, now| {
            let known = engine.roster().device(mac).is_some();
            (known, engine.forget(now, mac))
        }))
    }

    fn pin(&self, mac: Mac, pin: Option<roster::Pin>) -> Reply<'_, Result<(), Refused>> {
        Box::pin(self.handle.call(move |engine, now| {
            let Some(pin) = pin else {
                return (Ok(()), engine.unpin(now, mac));
            };
            match engine.pin(now, mac, &pin.class, pin.note.as_deref()) {
                Ok(effects) => (Ok(()), effects),
                Err(unknown) => (Err(Refused(unknown.to_string())), Effects::default()),
            }
        }))
    }

    fn import(&self, devices: Vec<Device>) -> Reply<'_, Result<(), Refused>> {
        Box::pin(
            self.handle
                .call(move |engine, now| match engine.import(now, &devices) {
                    Ok(effects) => (Ok(()), effects),
                    Err(unknown) => (Err(Refused(unknown.to_string())), Effects::default()),
                }),
        )
    }

    fn reload(&self) -> Reply<'_, Result<String, Refused>> {
        Box::pin(async {
            let (reloaded, _) = reload(&self.path, &self.handle).await;
            Ok(match reloaded {
                Reloaded::InForce {
                    classes,
                    moved,
                    warnings,
                } => Ok(format!(
                    "{classes} classes in force{}\n{}",
                    if moved {
                        "; `listen` needs a restart"
                    } else {
                        ""
                    },
                    one_line_each(&warnings)
                )),
                Reloaded::Kept(mistakes) => Err(Refused(one_line_each(&mistakes))),
                Reloaded::Unusable(error) => Err(Refused(error.to_string())),
            })
        })
    }
}

/// Without the lines of the file, which hold secrets.
fn one_line_each(diagnostics: &[Diagnostic]) -> String {
    let lines: Vec<String> = diagnostics.iter().map(ToString::to_string).collect();
    lines.join("\n")
}
