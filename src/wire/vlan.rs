//! See the contract.
