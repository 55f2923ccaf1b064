//! Logins that fail, each for one named cause.
