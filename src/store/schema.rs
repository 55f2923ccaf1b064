//! The layout of the state file and how older layouts are brought up to it.

use std::path::Path;

use rusqlite::Connection;

use super::StoreError;

/// Marks the file as ours ("pprf"), in the header that SQLite keeps for this.
const APPLICATION: i64 = 0x7070_7266;

/// Step n brings layout n to layout n + 1. Steps are never edited once released, only added.
const STEPS: [&str; 1] = [include_str!("layout-1.sql")];

/// Brings the file to the newest layout, in one transaction.
pub(super) fn prepare(connection: &mut Connection, path: &Path) -> Result<(), StoreError> {
    let transaction =
        connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
    let application = number(&transaction, "application_id")?;
    let found = number(&transaction, "user_version")?;
    let tables: i64 =
        transaction.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
    if application != APPLICATION && (application != 0 || tables != 0) {
        return Err(StoreError::Foreign {
            path: path.to_owned(),
        });
    }
    let known = i64::try_from(STEPS.len()).unwrap_or(i64::MAX);
    let too_new = || StoreError::TooNew {
        path: path.to_owned(),
        found,
        known,
    };
    let done = usize::try_from(found).map_err(|_| too_new())?;
    for step in STEPS.get(done..).ok_or_else(too_new)? {
        transaction.execute_batch(step)?;
    }
    transaction.pragma_update(None, "application_id", APPLICATION)?;
    transaction.pragma_update(None, "user_version", known)?;
    transaction.commit()?;
    Ok(())
}

/// Makes sure that a file that is only looked at is one of ours, in the newest layout.
pub(super) fn check(connection: &Connection, path: &Path) -> Result<(), StoreError> {
    if number(connection, "application_id")? != APPLICATION {
        return Err(StoreError::Foreign {
            path: path.to_owned(),
        });
    }
    let found = number(connection, "user_version")?;
    let known = i64::try_from(STEPS.len()).unwrap_or(i64::MAX);
    if found != known {
        return Err(StoreError::TooNew {
            path: path.to_owned(),
            found,
            known,
        });
    }
    Ok(())
}

fn number(connection: &Connection, pragma: &str) -> Result<i64, StoreError> {
    Ok(connection.pragma_query_value(None, pragma, |row| row.get(0))?)
}
