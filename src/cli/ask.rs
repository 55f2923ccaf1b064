//! The question before something that can take a link down.

use std::io::{BufRead as _, Write as _};

use crate::change::CAUTION;

/// Tells the caution and asks; a script answers on standard input or says `--yes`. Without an
/// answer nothing is done.
pub(super) fn is_meant(yes: bool, question: &str) -> bool {
    eprintln!("{CAUTION}");
    if yes {
        return true;
    }
    eprint!("{question} [y/N] ");
    // The question may go nowhere; the answer counts.
    let _ = std::io::stderr().flush();
    let mut answer = String::new();
    let read = std::io::stdin().lock().read_line(&mut answer);
    let meant = read.is_ok() && matches!(answer.trim(), "y" | "Y" | "yes");
    if !meant {
        eprintln!("left as it is; --yes sends it without asking");
    }
    meant
}
