//! `roster`, `journal` and `sessions` on a running bench and on the state file that it left.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic
)]

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

const PROGRAM: &str = env!("CARGO_BIN_EXE_portproof");

const BENCH: &str = "\
bench: command-test
listen:
  authentication: 127.0.0.1:0
  accounting: 127.0.0.2:0
  board: 127.0.0.3:0
switches:
  - { name: quay, address: 127.0.0.1/32, secret: gangway-and-bollard, dialect: standard }
classes: quay.classes.yaml
";

const CLASSES: &str = "\
holding: holding
classes:
  - name: till
    recognise: { dhcp: { vendor-class: till } }
    grant: { vlan: 40 }
  - name: holding
    grant: { vlan: 99 }
";

struct Folder {
    folder: tempfile::TempDir,
}

impl Folder {
    fn new() -> Folder {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("quay.yaml"), BENCH).unwrap();
        std::fs::write(folder.path().join("quay.classes.yaml"), CLASSES).unwrap();
        Folder { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn serve(&self) -> Serving {
        let mut child = Command::new(PROGRAM)
            .args(["serve", "--quiet"])
            .arg(self.path("quay.yaml"))
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
        let mut said = String::new();
        // The last line of the greeting: everything is bound then.
        while !said.contains("bench tool") {
            let line = lines.next().unwrap_or_else(|| panic!("it ended: {said}"));
            said = said + &line.unwrap() + "\n";
        }
        Serving(child)
    }

    fn run(&self, words: &[&str]) -> Output {
        self.run_with(words, "")
    }

    fn run_with(&self, words: &[&str], input: &str) -> Output {
        let mut child = Command::new(PROGRAM)
            .args(words)
            .env("PORTPROOF_BENCH", self.path("quay.yaml"))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        child
            .stdin
            .take()
            .unwrap()
            .write_all(input.as_bytes())
            .unwrap();
        child.wait_with_output().unwrap()
    }

    /// Standard output of a command that must do what it is asked.
    fn ok(&self, words: &[&str]) -> String {
        said(words, self.run(words))
    }
}

fn said(words: &[&str], output: Output) -> String {
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{words:?}: {errors}");
    String::from_utf8(output.stdout).unwrap()
}

struct Serving(Child);

impl Serving {
    fn stop(mut self) {
        let id = self.0.id().to_string();
        Command::new("kill").arg(id).status().unwrap();
        assert!(self.0.wait().unwrap().success());
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        // Ended already where the test came to its end.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The same questions of a running bench and of what it left, which must be answered alike.
fn exercise(folder: &Folder) {
    let csv = "mac,pin,pin-note,vendor-class\n\
               02:00:00:00:00:01,,,till\n\
               0200.0000.0002,till,\"berth 4, left\",\n";
    let words = ["roster", "import", "-"];
    let told = said(&words, folder.run_with(&words, csv));
    assert!(told.contains("2 devices"), "{told}");

    let list = folder.ok(&["roster", "list"]);
    assert_eq!(list.lines().count(), 2, "{list}");
    let list = folder.ok(&["roster", "list", "berth"]);
    assert!(list.starts_with("02-00-00-00-00-02"), "{list}");
    let list = folder.ok(&["roster", "list", "--pinned", "--json"]);
    let device: serde_json::Value = serde_json::from_str(&list).unwrap();
    assert_eq!(
        (&device["pin"], &device["mac"]),
        (&"till".into(), &"02-00-00-00-00-02".into())
    );

    let shown = folder.ok(&["roster", "show", "020000000001"]);
    assert!(shown.contains("vendor-class     till"), "{shown}");

    folder.ok(&[
        "roster",
        "pin",
        "02-00-00-00-00-01",
        "till",
        "--note",
        "by the lamp",
    ]);
    let shown = folder.ok(&["roster", "show", "020000000001"]);
    assert!(shown.contains("by the lamp"), "{shown}");
    folder.ok(&["roster", "unpin", "02-00-00-00-00-01"]);
    let shown = folder.ok(&["roster", "show", "020000000001"]);
    assert!(!shown.contains("by the lamp"), "{shown}");

    for (words, code) in [
        (&["roster", "pin", "020000000001", "boat"][..], 2),
        (&["roster", "show", "020000000099"], 2),
        (&["roster", "forget", "020000000099"], 2),
        (&["roster", "show", "nonsense"], 2),
        (&["journal", "--since", "yesterday"], 2),
        (&["journal", "--kind", "nonsense"], 2),
    ] {
        assert_eq!(folder.run(words).status.code(), Some(code), "{words:?}");
    }

    let exported = folder.path("devices.json");
    folder.ok(&["roster", "export", exported.to_str().unwrap()]);
    let devices: serde_json::Value =
        serde_json::from_slice(&std::fs::read(&exported).unwrap()).unwrap();
    assert_eq!(devices.as_array().unwrap().len(), 2);

    let journal = folder.ok(&["journal", "--kind", "desk", "--mac", "020000000002"]);
    assert!(
        journal.contains("imported") && journal.contains("pinned"),
        "{journal}"
    );
    let newest = folder.ok(&["journal", "--limit", "1", "--json"]);
    let newest: serde_json::Value = serde_json::from_str(&newest).unwrap();
    assert_eq!(newest["verdict"], "not-known");

    folder.ok(&["roster", "forget", "020000000001", "02:00:00:00:00:02"]);
    assert_eq!(folder.ok(&["roster", "list"]), "");
    folder.ok(&["roster", "import", exported.to_str().unwrap()]);
    assert_eq!(folder.ok(&["roster", "list"]).lines().count(), 2);
    folder.ok(&["roster", "forget", "020000000001", "02:00:00:00:00:02"]);

    assert_eq!(folder.ok(&["sessions"]), "");
    let capture = folder.path("capture.pcapng");
    folder.ok(&["journal", "export", "--pcapng", capture.to_str().unwrap()]);
    assert!(is_capture(&capture));
}

fn is_capture(path: &Path) -> bool {
    // The block type that begins a section of a pcapng file.
    std::fs::read(path)
        .unwrap()
        .starts_with(&[0x0a, 0x0d, 0x0d, 0x0a])
}

#[test]
fn the_commands_do_the_same_on_a_running_bench_and_on_its_state() {
    let folder = Folder::new();
    let serving = folder.serve();
    exercise(&folder);
    serving.stop();
    exercise(&folder);
    let serving = folder.serve();
    let journal = folder.ok(&["journal", "--kind", "desk", "--limit", "1000"]);
    assert!(
        journal.lines().count() > 20,
        "what was done to the file is in the journal: {journal}"
    );
    serving.stop();
}

#[test]
fn what_is_not_there_is_told_with_a_remedy() {
    let folder = Folder::new();
    let output = folder.run(&["roster", "list"]);
    assert_eq!(output.status.code(), Some(3));
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(errors.contains("portproof serve"), "{errors}");

    let serving = folder.serve();
    let mut second = Command::new(PROGRAM);
    second
        .args(["serve", "--quiet"])
        .arg(folder.path("quay.yaml"));
    let output = second.output().unwrap();
    assert_eq!(output.status.code(), Some(3));
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(
        errors.contains("in use by another portproof") && errors.contains("--state"),
        "{errors}"
    );
    let refused = folder.run(&["journal", "export", "--keep-passwords", "--pcapng", "-"]);
    assert_eq!(refused.status.code(), Some(2));
    serving.stop();
    assert_eq!(
        folder
            .run(&["change", "reauth", "--port", "1"])
            .status
            .code(),
        Some(3)
    );
}
